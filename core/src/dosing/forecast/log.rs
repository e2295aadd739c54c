//! What the log says of time: one visit an application, its share of the crew's time, and when
//! each container came off.

use std::collections::{BTreeMap, BTreeSet};

use serde::Serialize;

use crate::ids::{RecordId, TreeId};
use crate::quantity::{MilliCelsius, PerMille, UtcMs};
use crate::record::stand::SoilMoisture;
use crate::record::work::Application;
use crate::record::{Body, Kind};
use crate::view::{CrewDay, TreeView, View};

/// An application longer than this was left open by mistake (common practice, no source).
const LONGEST_MS: i64 = 12 * 3_600_000;

/// A stem treated: an application with usable times.
#[derive(Clone, Debug, PartialEq)]
pub struct Visit {
    /// The application.
    pub record: RecordId,
    /// The tree.
    pub tree: TreeId,
    /// Its tag.
    pub tag: String,
    /// Which stem, from 1.
    pub stem: i64,
    /// Its species (EPPO code), if noted.
    pub species: Option<String>,
    /// The crew and day.
    pub day: CrewDay,
    /// First hole.
    pub started_at: UtcMs,
    /// Last container off.
    pub ended_at: UtcMs,
    /// Charges put in: one a hole.
    pub charges: usize,
    /// When each hole's container came off, where logged and after the start.
    pub removed_at: Vec<UtcMs>,
    /// The crew's time that fell to it: while a crew had k stems going at once, each gets 1/k. Minutes.
    pub crew_minutes: f64,
    /// What was logged of the tree by then.
    pub seen: Seen,
}

/// What was last logged of a tree's condition before a visit ended.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Seen {
    /// Soil moisture.
    pub soil: Option<SoilMoisture>,
    /// Soil temperature.
    pub soil_mc: Option<MilliCelsius>,
    /// Canopy lost.
    pub canopy_loss: Option<PerMille>,
}

/// An application whose times cannot be learned from.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Unusable {
    /// The application.
    pub record: RecordId,
    /// The tree's tag.
    pub tag: String,
    /// Why.
    pub why: &'static str,
}

/// What a job's log holds.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Logged {
    /// Visits with usable times, in the order of the trees' ids.
    pub visits: Vec<Visit>,
    /// Applications without.
    pub unusable: Vec<Unusable>,
    /// Crew-days closed by their crew: only these tell how much a whole day holds.
    pub closed: BTreeSet<CrewDay>,
}

/// Reads the visits of a job. An application with several values in force counts once, by its first.
pub fn visits(view: &View<'_>) -> Logged {
    let mut logged = Logged::default();
    for (id, tree) in &view.trees {
        of_tree(view, *id, tree, &mut logged);
    }
    for fact in view.facts.in_force(Kind::DayClosing) {
        if let Body::DayClosing(closing) = &view.facts.shown(fact).record.body {
            logged.closed.insert(CrewDay { crew: closing.crew, day: closing.day });
        }
    }
    share_time(&mut logged.visits);
    logged
}

/// Reads the visits of one tree.
pub(crate) fn of_tree(view: &View<'_>, id: TreeId, tree: &TreeView, logged: &mut Logged) {
    let listed = view.listed(id, tree);
    let tag = || listed.map_or_else(|| id.to_string(), |t| t.tag.clone());
    let mut last = None;
    for (fact, version, application) in view.applications(tree) {
        // The values of one fact stand side by side.
        if last.replace(fact.id) == Some(fact.id) {
            continue;
        }
        let day = view.crew_day(version);
        match (usable(application), day) {
            (None, Some(day)) => {
                let mut visit = visit(fact.id, id, application, day);
                visit.tag = tag();
                visit.species = listed.and_then(|t| t.species.clone());
                visit.seen = seen(view, tree, application.ended_at);
                logged.visits.push(visit);
            }
            (why, _) => {
                let why = why.unwrap_or("no crew and day can be told");
                logged.unusable.push(Unusable { record: fact.id, tag: tag(), why });
            }
        }
    }
}

/// Why an application's times cannot be learned from, if they cannot.
pub(crate) fn usable(application: &Application) -> Option<&'static str> {
    let lasted = application.ended_at.0.saturating_sub(application.started_at.0);
    match lasted {
        _ if application.holes.is_empty() => Some("no hole is logged"),
        l if l <= 0 => Some("it ends before or when it begins"),
        l if l > LONGEST_MS => Some("it lasts more than 12 hours"),
        _ => None,
    }
}

/// A visit of an application with usable times; tag, species and condition are left open.
pub fn visit(record: RecordId, tree: TreeId, application: &Application, day: CrewDay) -> Visit {
    let (started_at, ended_at) = (application.started_at, application.ended_at);
    Visit {
        record,
        tree,
        tag: String::new(),
        stem: application.stem,
        species: None,
        day,
        started_at,
        ended_at,
        charges: application.holes.len(),
        removed_at: removed(application).collect(),
        crew_minutes: 0.0,
        seen: Seen::default(),
    }
}

/// When each hole's container came off, where logged and after the start.
pub(crate) fn removed(application: &Application) -> impl Iterator<Item = UtcMs> + '_ {
    let begun = application.started_at;
    let off = application.holes.iter().filter_map(|h| h.removed_at);
    off.filter(move |at| *at > begun && at.0 - begun.0 <= LONGEST_MS)
}

fn seen(view: &View<'_>, tree: &TreeView, by: UtcMs) -> Seen {
    let mut conditions: Vec<_> = tree
        .conditions
        .iter()
        .map(|index| view.facts.shown(view.fact(*index)))
        .filter(|version| version.record.envelope.at <= by)
        .collect();
    conditions.sort_by_key(|v| (v.record.envelope.at, v.id()));
    let mut seen = Seen::default();
    for version in conditions {
        if let Body::Condition(condition) = &version.record.body {
            seen.soil = condition.soil.or(seen.soil);
            seen.soil_mc = condition.soil_mc.or(seen.soil_mc);
            seen.canopy_loss = condition.canopy_loss.or(seen.canopy_loss);
        }
    }
    seen
}

/// Gives each visit its share of its crew's time, so that the shares of a day add up to the time
/// the crew was at any tree. Sorted sweep: near-linear, however many visits overlap.
pub fn share_time(visits: &mut [Visit]) {
    let mut days: BTreeMap<CrewDay, Vec<(i64, i64, usize)>> = BTreeMap::new();
    for (index, visit) in visits.iter().enumerate() {
        let events = days.entry(visit.day).or_default();
        events.push((visit.started_at.0, 1, index));
        events.push((visit.ended_at.0, -1, index));
    }
    for events in days.values_mut() {
        events.sort_unstable();
        // Time so far that one stem going on throughout would have got: shares are differences of it.
        let (mut so_far, mut going, mut last) = (0.0, 0i64, None);
        for (at, change, index) in events.iter().copied() {
            if let Some(last) = last
                && going > 0
            {
                so_far += at.saturating_sub(last) as f64 / 60_000.0 / going as f64;
            }
            last = Some(at);
            going += change;
            if let Some(visit) = visits.get_mut(index) {
                visit.crew_minutes = if change > 0 { so_far } else { so_far - visit.crew_minutes };
            }
        }
    }
}
