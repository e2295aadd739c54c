//! Kits: fit for work, pressure, gauge, fills, and the product that is truly in them.

use std::collections::{BTreeMap, BTreeSet};

use crate::check::fill::Filled;
use crate::check::work::{Done, Together, Work, joined, listed};
use crate::dosing::kit::{ready, working_limit};
use crate::dosing::units;
use crate::finding::{Code, Finding, Named};
use crate::ids::{KitId, RecordId};
use crate::quantity::{Pa, UtcMs};
use crate::record::Body;
use crate::record::kit::Kit;
use crate::view::{CrewDay, View};

/// So many readings without the least change are a stuck gauge (common practice, no source).
const STUCK: usize = 10;

/// Findings of this rule.
pub fn check(work: &Work<'_>, findings: &mut Vec<Finding>) {
    for done in &work.done {
        pressure(done.tag, done, findings);
    }
}

/// A kit as its record stood at a time: an inspection made later says nothing of the day before.
fn kit_at<'v>(view: &'v View<'_>, id: KitId, at: UtcMs) -> Option<&'v Kit> {
    let facts = &view.yard.facts;
    let fact = facts.standing_fact(id)?;
    let known = fact.history.iter().filter_map(|v| facts.versions.get(*v));
    let known = known.filter(|v| v.standing == crate::facts::Standing::InForce);
    let body = |v: &'v crate::facts::Version| match &v.record.body {
        Body::Kit(kit) => Some((v.record.envelope.at, &**kit)),
        _ => None,
    };
    let versions: Vec<_> = known.filter_map(body).collect();
    let then = versions.iter().rev().find(|(entered, _)| *entered <= at).or(versions.first());
    then.map(|(_, kit)| *kit)
}

/// When each kit was first used on each day.
pub(crate) type FirstUses = BTreeMap<KitId, BTreeMap<CrewDay, UtcMs>>;

/// Kits that were not fit for work.
pub fn fit(view: &View<'_>, work: &Work<'_>, findings: &mut Vec<Finding>) {
    let mut days = FirstUses::new();
    let mut before = None;
    for done in &work.done {
        if let Some(day) = done.day {
            let used = (done.body.kit, day);
            // Trees are mostly treated one after the other: what is not earlier than the one before is no first.
            if before.is_some_and(|(of, at)| of == used && done.body.started_at >= at) {
                continue;
            }
            before = Some((used, done.body.started_at));
            let first = days.entry(done.body.kit).or_default().entry(day).or_insert(done.body.started_at);
            *first = done.body.started_at.min(*first);
        }
    }
    not_ready(view, &days, findings);
}

/// The same, of when each kit was used.
pub(crate) fn not_ready(view: &View<'_>, uses: &FirstUses, findings: &mut Vec<Finding>) {
    for (id, days) in uses {
        let mut stops: BTreeMap<Vec<String>, BTreeSet<CrewDay>> = BTreeMap::new();
        for (day, at) in days {
            let found = ready(kit_at(view, *id, *at), None, day.day).stops;
            if !found.is_empty() {
                stops.entry(found.iter().map(ToString::to_string).collect()).or_default().insert(*day);
            }
        }
        for (stops, days) in stops {
            let Some(first) = days.first() else { continue };
            let message = format!("Kit {} was used from {} on: {}", Named(*id), first.day, joined(&stops));
            let subjects = [id.to_string(), stops.join("\n")];
            let found = Finding::new(Code::KitNotReady, &[&subjects[0], &subjects[1]], message, vec![*id]);
            findings.push(found.on(days));
        }
    }
}

fn pressure(tag: &str, done: &Done<'_>, findings: &mut Vec<Finding>) {
    let (Some(read), Some(kit)) = (done.body.pressure_pa, done.kit) else { return };
    let shown = units::pressure;
    let limit = working_limit(kit, done.label.and_then(|l| l.pressure_max_pa)).ok();
    let mut over = vec![];
    if let Some(limit) = limit
        && read > limit.limit_pa
    {
        over.push(format!("over the limit of {} set by {}", shown(limit.limit_pa), limit.set_by));
    }
    if kit.air_source_limit_pa.0 > 0 && read > kit.air_source_limit_pa {
        over.push(format!("over the air source's limit of {}", shown(kit.air_source_limit_pa)));
    }
    if !over.is_empty() {
        let message = format!("Tree {tag}: charged at {}, {}.", shown(read), over.join(" and "));
        findings.push(done.find(Code::PressureOverLimit, message));
        return;
    }
    let u = kit.gauge.u_pa.0.max(0);
    let (low, high) = (kit.work_low_pa.0.saturating_sub(u), kit.work_high_pa.0.saturating_add(u));
    if read.0 < low || read.0 > high {
        let message = format!(
            "Tree {tag}: charged at {}, outside the kit's band from {} to {}.",
            shown(read),
            shown(kit.work_low_pa),
            shown(kit.work_high_pa)
        );
        findings.push(done.find(Code::PressureOutsideBand, message));
    }
}

/// Gauges that showed the same all day.
pub fn gauge(work: &Work<'_>, findings: &mut Vec<Finding>) {
    let mut read: BTreeMap<(KitId, CrewDay), Vec<(Pa, &Done<'_>)>> = BTreeMap::new();
    for done in work.done.iter().filter(|d| d.first) {
        if let (Some(pa), Some(day)) = (done.body.pressure_pa, done.day) {
            read.entry((done.body.kit, day)).or_default().push((pa, done));
        }
    }
    for ((kit, day), of) in read {
        let values: BTreeSet<Pa> = of.iter().map(|(pa, _)| *pa).collect();
        let (Some(value), true) = (values.first(), values.len() == 1 && of.len() >= STUCK) else { continue };
        let tags: Vec<_> = of.iter().map(|(_, d)| d.called()).collect();
        let message = format!(
            "Kit {} on {}: its gauge showed {} at all of {} treatments, {}.",
            Named(kit),
            day.day,
            units::pressure(*value),
            of.len(),
            listed(&tags.iter().map(|tag| &**tag).collect())
        );
        let subjects = [kit.to_string(), day.crew.to_string(), day.day.to_string()];
        let subjects: Vec<&str> = subjects.iter().map(String::as_str).collect();
        let records = of.iter().map(|(_, d)| d.version.id()).collect();
        findings.push(Finding::new(Code::GaugeStuck, &subjects, message, records).on([day]));
    }
}

/// Charges of a lot that was never filled into their kit.
pub(crate) fn without_fill(view: &View<'_>, work: &Work<'_>, filled: &Filled, findings: &mut Vec<Finding>) {
    let mut together = Together::default();
    let mut roots: BTreeMap<RecordId, RecordId> = BTreeMap::new();
    let mut root =
        |id: RecordId| *roots.entry(id).or_insert_with(|| view.yard.facts.fact_of(id).map_or(id, |f| f.id));
    for done in work.done.iter().filter(|d| d.first && d.body.discharged_ul().0 > 0) {
        let Some(day) = done.day else { continue };
        let (lot, kit) = (root(done.body.lot), root(done.body.kit));
        if filled.get(&(kit, lot)).is_some_and(|since| *since <= day.day) {
            continue;
        }
        together.add(day, (lot, kit), done.called(), done.version.id());
    }
    together.findings(
        Code::NoFill,
        |(lot, kit)| format!("lot {} into kit {}", Named(*lot), Named(*kit)),
        |day, what, trees| {
            format!(
                "Crew {} on {}: no fill of {what} was ever logged, yet {trees} got charges of it.",
                Named(day.crew),
                day.day
            )
        },
        findings,
    );
}
