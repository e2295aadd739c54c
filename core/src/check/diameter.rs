//! Diameters: of one stem that disagree or shrank, and one that its own reading does not give.

use crate::check::rules::Case;
use crate::day::Day;
use crate::dosing::stem::{diameter_from_reading, looks_like};
use crate::facts::Version;
use crate::finding::{Code, Finding};
use crate::ids::TreeId;
use crate::quantity::Um;
use crate::record::Body;
use crate::record::stand::Diameter;
use crate::view::{TreeView, View};

/// How far two readings of one stem may differ: twice ±0.1 in per 20 in of diameter (a plot
/// protocol built on USDA FIA Phase 2, read second hand) is 1 % of the diameter, and 5 mm for the
/// last division of a girth tape and a girth mark that is not at quite the same height (common
/// practice, no source).
pub fn tolerance_um(diameter_um: i64) -> i64 {
    diameter_um / 100 + 5_000
}

/// Readings so far apart in time that the stem may have grown, in days (common practice, no source).
const SEASON_DAYS: i64 = 180;
/// Most a stem's diameter grows in a year (common practice, no source: fast trees reach 25 mm).
const GROWTH_UM_A_YEAR: i64 = 30_000;
/// A diameter may differ from what its reading gives by this: another way of rounding, two calipers' mean.
const ROUNDING_UM: i64 = 1_000;

/// Findings of this rule.
pub fn check(case: &Case<'_, '_, '_>, findings: &mut Vec<Finding>) {
    let view = case.view;
    for (id, tree) in case.trees() {
        as_read(view, *id, tree, findings);
        if tree.diameters.len() < 2 && tree.diameters.iter().all(|i| view.fact(*i).current.len() < 2) {
            continue;
        }
        let stems = view.tree(*id).map_or(1, |t| t.stems.clamp(1, 64));
        for stem in 1..=stems {
            let readings: Vec<_> = view.diameters(tree, stem).collect();
            disagree(view, *id, stem, &readings, findings);
        }
    }
}

fn as_read(view: &View<'_>, id: TreeId, tree: &TreeView, findings: &mut Vec<Finding>) {
    for index in &tree.diameters {
        let fact = view.fact(*index);
        for version in view.facts.current(fact) {
            let Body::Diameter(d) = &version.record.body else { continue };
            let Ok(read) = diameter_from_reading(&d.as_read) else { continue };
            if read.0.abs_diff(d.diameter_um.0) <= ROUNDING_UM.unsigned_abs() {
                continue;
            }
            let message = format!(
                "Tree {}, stem {}: '{}' was read, which is a diameter of {} cm, not the {} cm entered.",
                view.tag(id),
                d.stem,
                d.as_read.text,
                read.cm(),
                d.diameter_um.cm()
            );
            let found =
                Finding::new(Code::NotAsRead, &[&version.id().to_string()], message, vec![version.id()]);
            findings.push(found.about(id).on(view.crew_day(version)));
        }
    }
}

fn disagree(
    view: &View<'_>,
    id: TreeId,
    stem: i64,
    readings: &[(&Version, &Diameter)],
    findings: &mut Vec<Finding>,
) {
    let least = readings.iter().min_by_key(|(v, d)| (d.diameter_um, v.id()));
    let most = readings.iter().max_by_key(|(v, d)| (d.diameter_um, v.id()));
    let (Some((thin_version, thin)), Some((thick_version, thick))) = (least, most) else { return };
    let gap = thick.diameter_um.saturating_sub(thin.diameter_um);
    let tolerance = tolerance_um(thick.diameter_um.0);
    if gap.0 <= tolerance {
        return;
    }
    let day = |v: &Version| Day::of(v.record.envelope.at, &view.job.zone);
    // From the thinner reading to the thicker: negative when the stem was thicker first.
    let days = day(thin_version).days_until(day(thick_version));
    let grown = GROWTH_UM_A_YEAR.saturating_mul(days) / 365;
    if days >= SEASON_DAYS && gap.0 <= tolerance.saturating_add(grown) {
        return;
    }
    let (code, message) = if days <= -SEASON_DAYS {
        let message = format!(
            "Tree {}, stem {stem}: {} cm on {}, {} mm less than the {} cm of {}; a stem does not shrink.",
            view.tag(id),
            thin.diameter_um.cm(),
            day(thin_version),
            gap.mm(),
            thick.diameter_um.cm(),
            day(thick_version),
        );
        (Code::DiameterShrunk, message)
    } else {
        let (tag, gap, may) = (view.tag(id), gap.mm(), Um(tolerance).mm());
        let (least, most) = (thin.diameter_um.cm(), thick.diameter_um.cm());
        let message = match looks_like(thin.diameter_um, thick.diameter_um) {
            None => format!(
                "Tree {tag}, stem {stem}: diameters from {least} to {most} cm differ by {gap} mm, more than the {may} mm two readings may."
            ),
            Some(like) => format!(
                "Tree {tag}, stem {stem}: diameters from {least} to {most} cm differ by {gap} mm, more than the {may} mm two readings may: {}.",
                like.question().trim_end_matches('?')
            ),
        };
        (Code::DiametersDisagree, message)
    };
    let records = readings.iter().map(|(v, _)| v.id()).collect();
    let days: Vec<_> = readings.iter().filter_map(|(v, _)| view.crew_day(v)).collect();
    findings
        .push(Finding::new(code, &[&id.to_string(), &stem.to_string()], message, records).about(id).on(days));
}
