//! What a crew can and cannot have done: too fast, two people on one phone, work that looks invented.

use std::collections::{BTreeMap, BTreeSet};

use crate::check::work::{Work, listed};
use crate::day::Day;
use crate::facts::{Standing, Version};
use crate::finding::{Code, Finding, Named};
use crate::ids::{DeviceId, PersonId, RecordId, Sha256Hash, TreeId};
use crate::quantity::UtcMs;
use crate::record::Body;
use crate::view::{CrewDay, View};

/// Stems a crew can begin in an hour, unless the office says otherwise (common practice, no source).
const STEMS_PER_HOUR: i64 = 40;
const HOUR_MS: i64 = 3_600_000;
/// Two people take turns on a device when it changes hands within half an hour, twice or more in a
/// day (common practice, no source): once is a crew that swaps phones at noon.
const TURN_MS: i64 = HOUR_MS / 2;
const TURNS: usize = 2;
/// So many alike in a row are no chance (common practice, no source).
const ALIKE: usize = 6;

/// Findings of this rule.
pub fn check(view: &View<'_>, work: &Work<'_>, findings: &mut Vec<Finding>) {
    for (day, indices) in &work.by_day {
        too_fast(view, work, *day, indices, findings);
        clockwork(work, *day, indices, findings);
    }
    two_people(view, findings);
    photos(view, findings);
    readings(view, findings);
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

#[derive(Default)]
struct Hands {
    last: Option<(UtcMs, PersonId)>,
    turns: BTreeMap<CrewDay, (usize, BTreeSet<PersonId>, Vec<RecordId>)>,
}

fn two_people(view: &View<'_>, findings: &mut Vec<Finding>) {
    let mut devices: BTreeMap<DeviceId, Hands> = BTreeMap::new();
    // Along causality, which for one device is the order in which it wrote.
    for version in &view.facts.versions {
        let envelope = &version.record.envelope;
        let (Some(by), Some(crew)) = (envelope.by, view.crew_of(version.author)) else { continue };
        if version.standing != Standing::InForce {
            continue;
        }
        let hands = devices.entry(version.author).or_default();
        if let Some((at, before)) = hands.last
            && before != by
            && envelope.at.0.abs_diff(at.0) <= TURN_MS.unsigned_abs()
        {
            let day = CrewDay { crew, day: Day::of(envelope.at, &view.job.zone) };
            let (turns, people, records) = hands.turns.entry(day).or_default();
            *turns += 1;
            people.extend([before, by]);
            records.push(version.id());
        }
        hands.last = Some((envelope.at, by));
    }
    for (device, hands) in devices {
        for (day, (turns, people, records)) in hands.turns {
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
}

fn photos(view: &View<'_>, findings: &mut Vec<Finding>) {
    let mut shown: Vec<(Sha256Hash, TreeId, &Version)> = vec![];
    for (id, tree) in &view.trees {
        for index in &tree.photos {
            let version = view.facts.shown(view.fact(*index));
            if let Body::Photo(photo) = &version.record.body {
                shown.push((photo.sha256, *id, version));
            }
        }
    }
    // Stable: of one picture, what was met first stays first.
    shown.sort_by_key(|(digest, ..)| *digest);
    for of in shown.chunk_by(|a, b| a.0 == b.0) {
        let [(digest, first, _), others @ ..] = of else { continue };
        if others.iter().all(|(_, tree, _)| tree == first) {
            continue;
        }
        let trees: BTreeSet<TreeId> = of.iter().map(|(_, tree, _)| *tree).collect();
        let tags: Vec<String> = trees.iter().map(|t| view.tag(*t)).collect();
        let message = format!("One photo stands for {}.", listed(&tags.iter().map(String::as_str).collect()));
        let records = of.iter().map(|(.., version)| version.id()).collect();
        let days = of.iter().filter_map(|(.., version)| view.crew_day(version));
        findings.push(Finding::new(Code::PhotoReused, &[&digest.to_string()], message, records).on(days));
    }
}

/// What a crew read in a day: when, of which tree, the record, and the figure.
type Readings<'v> = Vec<(UtcMs, RecordId, TreeId, &'v crate::quantity::AsRead)>;

fn readings(view: &View<'_>, findings: &mut Vec<Finding>) {
    let mut days: BTreeMap<CrewDay, Readings<'_>> = BTreeMap::new();
    for (id, tree) in &view.trees {
        for index in &tree.diameters {
            let version = view.facts.shown(view.fact(*index));
            if let (Body::Diameter(d), Some(day)) = (&version.record.body, view.crew_day(version)) {
                let read = (version.record.envelope.at, version.id(), *id, &d.as_read);
                days.entry(day).or_default().push(read);
            }
        }
    }
    for (day, mut read) in days {
        read.sort_by_key(|r| (r.0, r.1));
        let runs = read.chunk_by(|a, b| a.3 == b.3);
        let trees = |run: &[(UtcMs, RecordId, TreeId, &crate::quantity::AsRead)]| {
            run.iter().map(|r| r.2).collect::<BTreeSet<_>>()
        };
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
        findings.push(on_day(Code::SameReadings, day, message, run.iter().map(|r| r.1).collect()));
    }
}
