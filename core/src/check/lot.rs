//! Lots: unknown, expired, recalled, of another label.

use crate::facts::{Fact, Version};
use crate::finding::{Code, Finding};
use crate::ids::TreeId;
use crate::record::work::Application;
use crate::view::View;

/// Findings of this rule.
pub fn check(view: &View<'_>, findings: &mut Vec<Finding>) {
    for (id, tree) in &view.trees {
        for (fact, version, application) in view.applications(tree) {
            for (code, message) in wrong(view, *id, version, application) {
                findings.push(finding(view, *id, fact, version, code, message));
            }
        }
    }
}

fn finding(
    view: &View<'_>,
    id: TreeId,
    fact: &Fact,
    version: &Version,
    code: Code,
    message: String,
) -> Finding {
    Finding::new(code, &[&fact.id.to_string()], message, vec![version.id()])
        .about(id)
        .on(view.crew_day(version))
}

/// What is wrong with the lot of an application. A lot amended two ways is judged by every value it
/// has: a recall made on one device is not lost to a correction made on another.
fn wrong(view: &View<'_>, id: TreeId, version: &Version, application: &Application) -> Vec<(Code, String)> {
    let tag = view.tag(id);
    let lots: Vec<_> = view.yard.lots(application.lot).collect();
    let Some(first) = lots.first() else {
        return vec![(
            Code::LotUnknown,
            format!("Tree {tag}: lot {} is not in the yard's list.", application.lot),
        )];
    };
    let number = &first.number;
    let mut wrong = vec![];
    if let Some(why) = lots.iter().find_map(|lot| lot.recalled.as_ref()) {
        wrong.push((Code::LotRecalled, format!("Tree {tag}: lot {number} was taken out of use: {why}.")));
    }
    let label = |id| view.yard.facts.fact_of(id).map_or(id, |f| f.id);
    if lots.iter().any(|lot| label(lot.label) != label(application.label)) {
        wrong.push((
            Code::LotOfOtherLabel,
            format!(
                "Tree {tag}: lot {number} belongs to another label than the one the dose was worked from."
            ),
        ));
    }
    let expires = lots.iter().map(|lot| lot.expires).min();
    if let (Some(expires), Some(used)) = (expires, view.crew_day(version))
        && expires < used.day
    {
        wrong.push((
            Code::LotExpired,
            format!("Tree {tag}: lot {number} expired on {expires}, used on {}.", used.day),
        ));
    }
    wrong
}
