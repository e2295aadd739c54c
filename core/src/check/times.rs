//! Times: backwards within a record, on another day, after the closing, in two places at once, and
//! clocks that were set back or are wrong.

use std::collections::BTreeMap;

use crate::check::entry::CLOCK_TOLERANCE_MS;
use crate::check::work::{Done, Together, Work};
use crate::day::Day;
use crate::finding::{Code, Finding, Named};
use crate::ids::{CrewId, LotId, RecordId, TreeId};
use crate::quantity::{Ul, UtcMs, decimal};
use crate::record::{Body, Kind};
use crate::view::{CrewDay, View};

/// Findings of this rule.
pub fn check(view: &View<'_>, work: &Work<'_>, findings: &mut Vec<Finding>) {
    for done in &work.done {
        backwards(view, done, findings);
        other_day(view, done, findings);
    }
}

fn backwards(view: &View<'_>, done: &Done<'_>, findings: &mut Vec<Finding>) {
    let (body, logged) = (done.body, done.version.record.envelope.at);
    let mut wrong = vec![];
    for (hole, number) in body.holes.iter().zip(1usize..) {
        if hole.removed_at.is_some_and(|at| at < body.started_at) {
            wrong.push(format!("the container of hole {number} came off before the first hole was begun"));
        }
    }
    if body.ended_at.0 > logged.0.saturating_add(CLOCK_TOLERANCE_MS) {
        wrong.push(format!(
            "it ended at {}, but was logged at {}",
            view.local_time(body.ended_at),
            view.local_time(logged)
        ));
    }
    if !wrong.is_empty() {
        let message = format!("Tree {}: {}.", done.called(), crate::check::work::joined(&wrong));
        findings.push(done.find(Code::Backwards, message));
    }
}

fn other_day(view: &View<'_>, done: &Done<'_>, findings: &mut Vec<Finding>) {
    let day = |at: UtcMs| Day::of(at, &view.job.zone);
    let (started, ended) = (day(done.body.started_at), day(done.body.ended_at));
    let tag = done.tag;
    // An amendment is written when the mistake is found, whatever day that is.
    let logged = day(done.version.record.envelope.at);
    let late = started.days_until(logged);
    let message = if started != ended {
        format!("Tree {tag}: begun on {started}, ended on {ended}.")
    } else if done.version.record.envelope.replaces.is_empty() && !(0..=1).contains(&late) {
        format!("Tree {tag}: treated on {started} by its own times, but logged on {logged}.")
    } else {
        return;
    };
    findings.push(done.find(Code::OtherDay, message));
}

/// Days closed on another day.
pub fn closings(view: &View<'_>, findings: &mut Vec<Finding>) {
    for fact in view.facts.in_force(Kind::DayClosing) {
        let version = view.facts.shown(fact);
        let Body::DayClosing(body) = &version.record.body else { continue };
        let (day, at) = (CrewDay { crew: body.crew, day: body.day }, version.record.envelope.at);
        let logged = Day::of(at, &view.job.zone);
        let fresh = version.record.envelope.replaces.is_empty();
        if fresh && !(0..=1).contains(&body.day.days_until(logged)) {
            let message = format!("Crew {} closed {} on {logged}.", Named(body.crew), body.day);
            let found = Finding::new(Code::OtherDay, &[&fact.id.to_string()], message, vec![version.id()]);
            findings.push(found.on([day]));
        }
    }
}

/// Work after the day was closed.
pub fn after_closing(view: &View<'_>, work: &Work<'_>, findings: &mut Vec<Finding>) {
    let mut closed: BTreeMap<CrewDay, UtcMs> = BTreeMap::new();
    for fact in view.facts.in_force(Kind::DayClosing) {
        let version = view.facts.shown(fact);
        let Body::DayClosing(body) = &version.record.body else { continue };
        let (day, at) = (CrewDay { crew: body.crew, day: body.day }, version.record.envelope.at);
        let last = closed.entry(day).or_insert(at);
        *last = at.max(*last);
    }
    let mut after = Together::default();
    for (day, indices) in &work.by_day {
        let Some(at) = closed.get(day) else { continue };
        for done in work.of_day(indices) {
            if done.body.ended_at.0 > at.0.saturating_add(CLOCK_TOLERANCE_MS) {
                after.add(*day, *at, done.called(), done.version.id());
            }
        }
    }
    after.findings(
        Code::AfterClosing,
        |at| view.local_time(*at),
        |day, at, trees| {
            format!("Crew {} closed {} at {at}, and treated {trees} after that.", Named(day.crew), day.day)
        },
        findings,
    );
}

/// A kit, or a person, at work with a crew.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Stay {
    pub(crate) crew: CrewId,
    pub(crate) day: CrewDay,
    pub(crate) tree: TreeId,
    /// The application, and the value of it that counts.
    pub(crate) fact: RecordId,
    pub(crate) version: RecordId,
    pub(crate) from: UtcMs,
    pub(crate) until: UtcMs,
    /// What was drawn from the kit.
    pub(crate) lot: LotId,
    pub(crate) amount_ul: Ul,
}

/// A kit or person, and whether it is a kit.
pub(crate) type Thing = (RecordId, bool);

impl Stay {
    /// What an application kept busy, with whom and until when.
    pub(crate) fn of(done: &Done<'_>) -> Option<(Self, [Thing; 2])> {
        let (body, day) = (done.body, done.day.filter(|_| done.first)?);
        let (fact, version, tree) = (done.fact.id, done.version.id(), done.tree);
        let (crew, from, until) = (body.crew, body.started_at, body.ended_at);
        let (lot, amount_ul) = (body.lot, body.discharged_ul());
        let stay = Self { crew, day, tree, fact, version, from, until, lot, amount_ul };
        Some((stay, [(body.kit, true), (body.applicator, false)]))
    }

    /// The order in which stays are looked at.
    pub(crate) fn order(&self) -> (UtcMs, UtcMs, RecordId) {
        (self.from, self.until, self.fact)
    }
}

/// One kit with two crews, or one person in two, by more than the time taps come late.
pub fn overlap(view: &View<'_>, work: &Work<'_>, findings: &mut Vec<Finding>) {
    let mut crews: BTreeMap<Thing, (CrewId, bool)> = BTreeMap::new();
    let mut before = None;
    for done in work.done.iter().filter(|d| d.first && d.day.is_some()) {
        let (kit, by, crew) = (done.body.kit, done.body.applicator, done.body.crew);
        // Most was done by whom and with what the tree before was.
        if before.replace((kit, by, crew)) == Some((kit, by, crew)) {
            continue;
        }
        for thing in [(kit, true), (by, false)] {
            let (one, several) = crews.entry(thing).or_insert((crew, false));
            *several |= *one != crew;
        }
    }
    if !crews.values().any(|(_, several)| *several) {
        return;
    }
    let each = work.done.iter().filter_map(Stay::of).flat_map(|(s, things)| things.map(|t| (t, s)));
    // Few kits and people work with more than one crew: only theirs are put in order.
    let mut shared: BTreeMap<Thing, Vec<Stay>> = BTreeMap::new();
    for (thing, stay) in each.filter(|(thing, _)| crews.get(thing).is_some_and(|c| c.1)) {
        shared.entry(thing).or_default().push(stay);
    }
    for (thing, mut stays) in shared {
        stays.sort_by_key(Stay::order);
        at_once(view, thing, stays.iter(), findings);
    }
}

/// The last work of a kit or person with a crew: until when, of which crew, in which application.
type Busy = (UtcMs, CrewId, RecordId);

/// The overlaps of one kit's or person's stays, given by [`Stay::order`].
pub(crate) fn at_once<'s>(
    view: &View<'_>,
    (thing, is_kit): Thing,
    stays: impl Iterator<Item = &'s Stay>,
    findings: &mut Vec<Finding>,
) {
    // The latest end of any crew, and the latest of any other: enough to find every kind of overlap.
    let mut busy: Option<(Busy, Option<Busy>)> = None;
    let mut pairs: BTreeMap<(CrewDay, CrewId), Vec<(&Stay, RecordId)>> = BTreeMap::new();
    for stay in stays {
        let now = (stay.until, stay.crew, stay.fact);
        let Some((top, second)) = &mut busy else {
            busy = Some((now, None));
            continue;
        };
        let other = if top.1 == now.1 { *second } else { Some(*top) };
        if let Some((until, crew, record)) = other
            && until.0 > stay.from.0.saturating_add(CLOCK_TOLERANCE_MS)
            && stay.until > stay.from
        {
            pairs.entry((stay.day, crew)).or_default().push((stay, record));
        }
        if top.1 == now.1 {
            *top = (*top).max(now);
        } else if now.0 >= top.0 {
            *second = Some(*top);
            *top = now;
        } else if second.is_none_or(|s| s.0 < now.0) {
            *second = Some(now);
        }
    }
    for ((day, crew), of) in pairs {
        let trees = of.iter().map(|(s, _)| view.tag(s.tree)).collect::<Vec<_>>();
        let tags = trees.iter().map(String::as_str).collect();
        let (one, two, on) = (Named(crew), Named(day.crew), day.day);
        let at = crate::check::work::listed(&tags);
        let message = match is_kit {
            true => {
                let kit = Named(thing);
                format!("Kit {kit} was with crew {one} and crew {two} at once on {on}, at {at}.")
            }
            false => format!("Person {thing} was with crew {one} and crew {two} at once on {on}, at {at}."),
        };
        let subjects = [thing.to_string(), day.crew.to_string(), crew.to_string(), day.day.to_string()];
        let subjects: Vec<&str> = subjects.iter().map(String::as_str).collect();
        let records = of.iter().flat_map(|(s, other)| [s.version, *other]).collect();
        let days = [day, CrewDay { crew, day: day.day }];
        findings.push(Finding::new(Code::Overlap, &subjects, message, records).on(days));
    }
}

fn minutes(ms: i64) -> String {
    let minutes = decimal(ms, 60_000, 0);
    let word = if minutes == "1" { "minute" } else { "minutes" };
    format!("{minutes} {word}")
}

/// Minutes, and from two hours on hours.
fn lasting(ms: i64) -> String {
    match (ms / 3_600_000, ms % 3_600_000 / 60_000) {
        (0 | 1, _) => minutes(ms),
        (hours, 0) => format!("{hours} h"),
        (hours, rest) => format!("{hours} h {rest} min"),
    }
}

/// Clocks that were set back or are wrong.
pub fn clocks(view: &View<'_>, findings: &mut Vec<Finding>) {
    for (index, at, before) in &view.set_back {
        let version = &view.facts.versions[*index];
        let message = format!(
            "Device {}: it wrote at {} what came after its own entry of {}; its clock was set back by {}.",
            version.author,
            view.local_time(*at),
            view.local_time(*before),
            minutes(before.0.saturating_sub(at.0))
        );
        let found =
            Finding::new(Code::ClockSetBack, &[&version.id().to_string()], message, vec![version.id()]);
        findings.push(found.on(view.crew_day(version)));
    }
    let mut off: BTreeMap<(crate::ids::DeviceId, Day), (i64, Vec<RecordId>)> = BTreeMap::new();
    for fact in view.facts.in_force(Kind::Receipt) {
        let version = view.facts.shown(fact);
        let Body::Receipt(receipt) = &version.record.body else { continue };
        let by = receipt.clock_offset_ms.0;
        if by.saturating_abs() > CLOCK_TOLERANCE_MS {
            let day = Day::of(receipt.arrived_at, &view.job.zone);
            let (worst, records) = off.entry((receipt.delivered_by, day)).or_default();
            if by.saturating_abs() > worst.saturating_abs() {
                *worst = by;
            }
            records.push(version.id());
        }
    }
    for ((device, day), (worst, records)) in off {
        let by = lasting(worst.saturating_abs());
        let message = match worst > 0 {
            true => format!("Device {device}: on {day} its clock was {by} ahead of the server's."),
            false => format!("Device {device}: on {day} its clock was {by} behind the server's."),
        };
        let subjects = [device.to_string(), day.to_string()];
        let found = Finding::new(Code::ClockOff, &[&subjects[0], &subjects[1]], message, records);
        findings.push(found.on(view.crew_of(device).map(|crew| CrewDay { crew, day })));
    }
}
