//! What a crew can and cannot have done: too fast, two people on one phone, work that looks invented.

use std::collections::{BTreeMap, BTreeSet};

use crate::check::work::{Reading, Work, listed};
use crate::day::Day;
use crate::facts::{Standing, Version};
use crate::finding::{Code, Finding, Named};
use crate::ids::{DeviceId, PersonId, RecordId, Sha256Hash, TreeId};
use crate::quantity::UtcMs;
use crate::record::Body;
use crate::view::{CrewDay, TreeView, View};

/// Stems a crew can begin in an hour, unless the office says otherwise (common practice, no source).
const STEMS_PER_HOUR: i64 = 40;
const HOUR_MS: i64 = 3_600_000;
/// Two people take turns on a device when it changes hands within half an hour, twice or more in a
/// day (common practice, no source): once is a crew that swaps phones at noon.
const TURN_MS: i64 = HOUR_MS / 2;
const TURNS: usize = 2;
/// So many alike in a row are no chance (common practice, no source).
const ALIKE: usize = 6;

/// Too fast, and too even.
pub fn pace(view: &View<'_>, work: &Work<'_>, findings: &mut Vec<Finding>) {
    for (day, indices) in &work.by_day {
        too_fast(view, work, *day, indices, findings);
        clockwork(work, *day, indices, findings);
    }
}

fn too_fast(view: &View<'_>, work: &Work<'_>, day: CrewDay, indices: &[usize], findings: &mut Vec<Finding>) {
    let most = work.asks.stems_per_hour.filter(|n| *n > 0).unwrap_or(STEMS_PER_HOUR);
    let done: Vec<_> = work.of_day(indices).collect();
    // The widest hour so far, as places in the day's order: its records are gathered once, at the end.
    let mut worst: Option<(usize, std::ops::Range<usize>)> = None;
    let mut inside: BTreeMap<(TreeId, i64), usize> = BTreeMap::new();
    let mut from = 0;
    for (place, last) in done.iter().enumerate() {
        *inside.entry((last.tree, last.body.stem)).or_default() += 1;
        while let Some(first) = done.get(from)
            && last.body.started_at.0.saturating_sub(first.body.started_at.0) >= HOUR_MS
        {
            from += 1;
            if let Some(n) = inside.get_mut(&(first.tree, first.body.stem)) {
                *n -= 1;
                if *n == 0 {
                    inside.remove(&(first.tree, first.body.stem));
                }
            }
        }
        let stems = inside.len();
        let over = i64::try_from(stems).unwrap_or(i64::MAX) > most;
        if over && worst.as_ref().is_none_or(|(n, _)| stems > *n) {
            worst = Some((stems, from..place + 1));
        }
    }
    let Some((stems, range)) = worst else { return };
    let hour = done.get(range).unwrap_or_default();
    let from = hour.first().map_or(UtcMs(0), |d| d.body.started_at);
    let records = hour.iter().map(|d| d.version.id()).collect();
    let message = format!(
        "Crew {} began {stems} stems within an hour from {}; a crew can treat {most}.",
        Named(day.crew),
        view.local_time(from)
    );
    findings.push(on_day(Code::TooFast, day, message, records));
}

fn on_day(code: Code, day: CrewDay, message: String, records: Vec<RecordId>) -> Finding {
    let subjects = [day.crew.to_string(), day.day.to_string()];
    Finding::new(code, &[&subjects[0], &subjects[1]], message, records).on([day])
}

/// A run of stems each as long as the one before it, and begun as long after it.
fn clockwork(work: &Work<'_>, day: CrewDay, indices: &[usize], findings: &mut Vec<Finding>) {
    let done: Vec<_> = work.of_day(indices).collect();
    let lasted = |i: usize| {
        let body = done.get(i).map(|d| d.body)?;
        Some(body.ended_at.0.saturating_sub(body.started_at.0)).filter(|ms| *ms > 0)
    };
    let gap = |i: usize| {
        let (a, b) = (done.get(i)?.body, done.get(i + 1)?.body);
        Some(b.started_at.0.saturating_sub(a.started_at.0)).filter(|ms| *ms > 0)
    };
    let (mut from, mut best) = (0, 0..0);
    for i in 1..done.len() {
        let even = lasted(i).is_some() && lasted(i) == lasted(i - 1) && gap(i - 1).is_some();
        let same_gap = i - 1 == from || gap(i - 1) == gap(i - 2);
        if !even {
            from = i;
        } else if !same_gap {
            from = i - 1;
        }
        if i + 1 - from > best.len() {
            best = from..i + 1;
        }
    }
    if best.len() < ALIKE {
        return;
    }
    let run: Vec<_> = best.clone().filter_map(|i| done.get(i)).collect();
    let tags: Vec<_> = run.iter().map(|d| d.called()).collect();
    let message = format!(
        "Crew {} on {}: {} stems in a row took {} s each and began {} s apart: {}.",
        Named(day.crew),
        day.day,
        run.len(),
        lasted(best.start).unwrap_or(0) / 1_000,
        gap(best.start).unwrap_or(0) / 1_000,
        listed(&tags.iter().map(|tag| &**tag).collect())
    );
    findings.push(on_day(Code::Clockwork, day, message, run.iter().map(|d| d.version.id()).collect()));
}

/// A record that somebody wrote with a device, in its place along causality.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Hand {
    op: u64,
    pub(crate) id: RecordId,
    at: UtcMs,
    pub(crate) by: PersonId,
}

impl Hand {
    /// Who wrote a version that is in force, if it says so.
    pub(crate) fn of(version: &Version) -> Option<Self> {
        let envelope = &version.record.envelope;
        let by = envelope.by.filter(|_| version.standing == Standing::InForce)?;
        Some(Self { op: version.op, id: version.id(), at: envelope.at, by })
    }
}

/// Two people on one device.
pub fn two_people(view: &View<'_>, findings: &mut Vec<Finding>) {
    let mut devices: BTreeMap<DeviceId, (PersonId, bool)> = BTreeMap::new();
    for version in &view.facts.versions {
        let Some(hand) = Hand::of(version) else { continue };
        let (one, several) = devices.entry(version.author).or_insert((hand.by, false));
        *several |= *one != hand.by;
    }
    devices.retain(|_, (_, several)| *several);
    let mut hands: BTreeMap<DeviceId, Vec<Hand>> = BTreeMap::new();
    for version in view.facts.versions.iter().filter(|v| devices.contains_key(&v.author)) {
        hands.entry(version.author).or_default().extend(Hand::of(version));
    }
    for (device, mut hands) in hands {
        hands.sort_unstable();
        by_turns(view, device, hands.iter(), findings);
    }
}

/// The turns that people took on one device. Its records come along causality, which for one device
/// is the order in which it wrote.
pub(crate) fn by_turns<'h>(
    view: &View<'_>,
    device: DeviceId,
    hands: impl Iterator<Item = &'h Hand>,
    findings: &mut Vec<Finding>,
) {
    let Some(crew) = view.crew_of(device) else { return };
    let mut last: Option<(UtcMs, PersonId)> = None;
    let mut all: BTreeMap<CrewDay, (usize, BTreeSet<PersonId>, Vec<RecordId>)> = BTreeMap::new();
    for hand in hands {
        if let Some((at, before)) = last
            && before != hand.by
            && hand.at.0.abs_diff(at.0) <= TURN_MS.unsigned_abs()
        {
            let day = CrewDay { crew, day: Day::of(hand.at, &view.job.zone) };
            let (turns, people, records) = all.entry(day).or_default();
            *turns += 1;
            people.extend([before, hand.by]);
            records.push(hand.id);
        }
        last = Some((hand.at, hand.by));
    }
    for (day, (turns, people, records)) in all {
        if turns < TURNS {
            continue;
        }
        let message = format!(
            "Crew {} on {}: {} people wrote with one device by turns, {turns} times within half an hour.",
            Named(day.crew),
            day.day,
            people.len()
        );
        let subjects = [device.to_string(), day.day.to_string()];
        let found = Finding::new(Code::TwoPeople, &[&subjects[0], &subjects[1]], message, records);
        findings.push(found.on([day]));
    }
}

/// A tree's pictures, with the records that show them.
pub(crate) fn pictures<'v>(
    view: &'v View<'_>,
    tree: &'v TreeView,
) -> impl Iterator<Item = (Sha256Hash, &'v Version)> {
    tree.photos.iter().filter_map(|index| {
        let version = view.facts.shown(view.fact(*index));
        if let Body::Photo(photo) = &version.record.body { Some((photo.sha256, version)) } else { None }
    })
}

/// Pictures that stand for several trees.
pub fn photos(view: &View<'_>, work: &Work<'_>, findings: &mut Vec<Finding>) {
    let mut shown = work.pictures.clone();
    shown.sort_unstable();
    shown.dedup();
    for of in shown.chunk_by(|a, b| a.0 == b.0).filter(|of| of.len() > 1) {
        findings.push(reused(view, of[0].0, &of.iter().map(|(_, tree)| *tree).collect()));
    }
}

/// A picture that stands for several trees.
pub(crate) fn reused(view: &View<'_>, digest: Sha256Hash, trees: &BTreeSet<TreeId>) -> Finding {
    let tags: Vec<String> = trees.iter().map(|t| view.tag(*t)).collect();
    let message = format!("One photo stands for {}.", listed(&tags.iter().map(String::as_str).collect()));
    let of_trees = trees.iter().filter_map(|id| view.trees.get(id)).flat_map(|tree| pictures(view, tree));
    let of: Vec<&Version> = of_trees.filter(|(shown, _)| *shown == digest).map(|(_, v)| v).collect();
    let records = of.iter().map(|version| version.id()).collect();
    let days = of.iter().filter_map(|version| view.crew_day(version));
    Finding::new(Code::PhotoReused, &[&digest.to_string()], message, records).on(days)
}

/// Many trees in a row read alike.
pub fn readings(view: &View<'_>, work: &Work<'_>, findings: &mut Vec<Finding>) {
    for (day, read) in &work.read {
        let mut read = read.clone();
        read.sort_by_key(|r| (r.0, r.1));
        let runs = read.chunk_by(|a, b| a.3 == b.3);
        let trees = |run: &[Reading<'_>]| run.iter().map(|r| r.2).collect::<BTreeSet<_>>();
        let distinct = |run: &[_]| if run.len() == 1 { 1 } else { trees(run).len() };
        let Some(run) = runs.max_by_key(|r| (distinct(r), std::cmp::Reverse(r[0].1))) else { continue };
        let trees = trees(run);
        let (Some((_, _, _, as_read)), true) = (run.first(), trees.len() >= ALIKE) else { continue };
        let tags: Vec<String> = trees.iter().map(|t| view.tag(*t)).collect();
        let message = format!(
            "Crew {} on {}: {} trees in a row were read as '{}': {}.",
            Named(day.crew),
            day.day,
            trees.len(),
            as_read.text,
            listed(&tags.iter().map(String::as_str).collect())
        );
        findings.push(on_day(Code::SameReadings, *day, message, run.iter().map(|r| r.1).collect()));
    }
}
