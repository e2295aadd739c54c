//! Diameters of one stem that disagree.

use crate::finding::{Code, Finding};
use crate::view::View;

/// How far two readings of one stem may differ: twice ±0.1 in per 20 in of diameter (a plot
/// protocol built on USDA FIA Phase 2, read second hand) is 1 % of the diameter, and 5 mm for the
/// last division of a girth tape and a girth mark that is not at quite the same height (common
/// practice, no source).
pub fn tolerance_um(diameter_um: i64) -> i64 {
    diameter_um / 100 + 5_000
}

/// Findings of this rule.
pub fn check(view: &View<'_>, findings: &mut Vec<Finding>) {
    for (id, tree) in &view.trees {
        if tree.diameters.len() < 2 && tree.diameters.iter().all(|i| view.fact(*i).current.len() < 2) {
            continue;
        }
        let stems = view.tree(*id).map_or(1, |t| t.stems.clamp(1, 64));
        for stem in 1..=stems {
            let readings: Vec<_> = view.diameters(tree, stem).collect();
            let least = readings.iter().min_by_key(|(v, d)| (d.diameter_um, v.id()));
            let most = readings.iter().max_by_key(|(v, d)| (d.diameter_um, v.id()));
            let (Some((_, a)), Some((_, b))) = (least, most) else { continue };
            let gap = b.diameter_um.saturating_sub(a.diameter_um);
            let tolerance = tolerance_um(b.diameter_um.0);
            if gap.0 <= tolerance {
                continue;
            }
            let message = format!(
                "Tree {}, stem {stem}: diameters from {} to {} cm differ by {} mm, more than the {} mm two readings may.",
                view.tag(*id),
                a.diameter_um.cm(),
                b.diameter_um.cm(),
                gap.mm(),
                crate::quantity::Um(tolerance).mm(),
            );
            let records = readings.iter().map(|(v, _)| v.id()).collect();
            let days: Vec<_> = readings.iter().filter_map(|(v, _)| view.crew_day(v)).collect();
            findings.push(
                Finding::new(
                    Code::DiametersDisagree,
                    &[&id.to_string(), &stem.to_string()],
                    message,
                    records,
                )
                .about(*id)
                .on(days),
            );
        }
    }
}
