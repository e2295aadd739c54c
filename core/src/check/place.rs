//! Places: trees outside their block, crews that stood far from the tree or cannot have been there.

use std::collections::BTreeMap;

use crate::check::rules::Case;
use crate::check::work::Work;
use crate::finding::{Code, Finding, Named};
use crate::geo::{distance_m, offset_m};
use crate::ids::BlockId;
use crate::quantity::{decimal, word_for};
use crate::record::stand::{Corner, Position, PositionSource};
use crate::record::{Body, Kind};
use crate::view::View;

/// How far a fix under canopy may lie off without anybody asking: positions are off by 5 to 15 m
/// (common practice, no source).
const UNDER_CANOPY_M: f64 = 15.0;
/// How far from the tree a crew may log what it did, beyond both fixes' accuracy (common practice, no source).
const NEAR_M: f64 = 30.0;
/// Metres a second between two trees: 50 km/h (common practice, no source).
const FASTEST_M_S: f64 = 50.0 / 3.6;
/// Taps come late by up to ten minutes (common practice, no source).
const LATE_S: f64 = 600.0;

/// Findings of this rule.
pub fn check(case: &Case<'_, '_, '_>, findings: &mut Vec<Finding>) {
    outside(case, findings);
    far(case.view, case.work, findings);
}

/// The uncertainty of a position in metres: a bad fix says nothing beyond 50 m.
fn accuracy_m(p: &Position) -> f64 {
    match p.source {
        PositionSource::Gnss => p.accuracy_um.map_or(0.0, |a| a.0 as f64 / 1e6).clamp(UNDER_CANOPY_M, 50.0),
        PositionSource::Mapped | PositionSource::Drawn => 2.0,
    }
}

fn metres(m: f64) -> String {
    decimal(libm::round(m) as i64, 1, 0)
}

fn outside(case: &Case<'_, '_, '_>, findings: &mut Vec<Finding>) {
    let view = case.view;
    let mut blocks: BTreeMap<BlockId, (&str, &[Corner])> = BTreeMap::new();
    for fact in view.facts.in_force(Kind::Block) {
        if let Body::Block(block) = &view.facts.shown(fact).record.body
            && block.boundary.len() > 2
        {
            blocks.insert(fact.id, (&block.name, &block.boundary));
        }
    }
    if blocks.is_empty() {
        return;
    }
    for (id, of) in case.trees() {
        let Some(tree) = view.listed(*id, of) else { continue };
        let Some((block, position)) = tree.block.zip(tree.position) else { continue };
        let block = view.facts.fact_of(block).map_or(block, |f| f.id);
        let Some((name, boundary)) = blocks.get(&block) else { continue };
        let away = outside_by_m(&position, boundary);
        if away <= accuracy_m(&position) {
            continue;
        }
        let message = format!("Tree {}: it stands {} m outside block {name}.", tree.tag, metres(away));
        let day =
            view.facts.fact_of(*id).map(|f| view.facts.shown(f)).and_then(|version| view.crew_day(version));
        let found = Finding::new(Code::OutsideBlock, &[&id.to_string()], message, vec![*id, block]);
        findings.push(found.about(*id).on(day));
    }
}

/// How far outside a boundary a position lies, in metres; 0 inside.
fn outside_by_m(p: &Position, boundary: &[Corner]) -> f64 {
    let corner = |c: &Corner| offset_m((p.lat_ndeg, p.lon_ndeg), (c.lat_ndeg, c.lon_ndeg));
    let (mut inside, mut nearest) = (false, f64::INFINITY);
    let next = boundary.iter().cycle().skip(1);
    for (a, b) in boundary.iter().zip(next).map(|(a, b)| (corner(a), corner(b))) {
        if (a.1 > 0.0) != (b.1 > 0.0) && a.0 + (b.0 - a.0) * a.1 / (a.1 - b.1) > 0.0 {
            inside = !inside;
        }
        nearest = nearest.min(to_line_m(a, b));
    }
    if inside { 0.0 } else { nearest }
}

/// Distance from the origin to the line between two points.
fn to_line_m(a: (f64, f64), b: (f64, f64)) -> f64 {
    let (dx, dy) = (b.0 - a.0, b.1 - a.1);
    let squared = dx * dx + dy * dy;
    let along = if squared > 0.0 { (-(a.0 * dx + a.1 * dy) / squared).clamp(0.0, 1.0) } else { 0.0 };
    let (x, y) = (a.0 + along * dx, a.1 + along * dy);
    libm::sqrt(x * x + y * y)
}

fn far(view: &View<'_>, work: &Work<'_>, findings: &mut Vec<Finding>) {
    for done in &work.done {
        let at = done.listed.and_then(|t| t.position);
        let Some((stood, tree)) = done.body.position.zip(at) else { continue };
        let away = distance_m(&stood, &tree);
        if away <= NEAR_M + accuracy_m(&stood) + accuracy_m(&tree) {
            continue;
        }
        let message = format!(
            "Tree {}: the crew stood {} m from it when it logged the treatment.",
            view.tag(done.tree),
            metres(away)
        );
        findings.push(done.find(Code::FarFromTree, message));
    }
}

/// Crews that cannot have been where they say one after the other.
pub fn track(view: &View<'_>, work: &Work<'_>, findings: &mut Vec<Finding>) {
    for (day, indices) in &work.by_day {
        let mut before: Option<(Position, i64, crate::ids::TreeId, crate::ids::RecordId)> = None;
        for done in work.of_day(indices) {
            let at = done.body.position.or_else(|| done.listed.and_then(|t| t.position));
            let Some(at) = at else { continue };
            let here = (at, done.body.started_at.0, done.tree, done.fact.id);
            let Some((was, since, tree, record)) = before.replace(here) else { continue };
            let away = distance_m(&was, &at);
            let seconds = here.1.saturating_sub(since).max(0) as f64 / 1_000.0;
            if away <= (seconds + LATE_S) * FASTEST_M_S {
                continue;
            }
            let minutes = libm::round(seconds / 60.0) as i64;
            let message = format!(
                "Crew {} on {}: trees {} and {} are {} km apart, begun within {minutes} {}.",
                Named(day.crew),
                day.day,
                view.tag(tree),
                view.tag(done.tree),
                decimal(libm::round(away / 100.0) as i64, 10, 1),
                word_for(minutes, "minute", "minutes")
            );
            let subjects = [record.to_string(), done.fact.id.to_string()];
            let records = vec![record, done.version.id()];
            let found = Finding::new(Code::OffTrack, &[&subjects[0], &subjects[1]], message, records);
            findings.push(found.about(done.tree).on([*day]));
        }
    }
}
