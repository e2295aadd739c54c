//! Whether a label suits the tree: its species known, its pest named, its forked stems provided for.

use crate::check::work::{Treated, Work};
use crate::dosing::dose::covers_species;
use crate::finding::{Code, Finding};
use crate::record::Body;
use crate::record::label::ForkedRule;
use crate::view::View;

/// Findings of this rule.
pub fn check(view: &View<'_>, work: &Work<'_>, findings: &mut Vec<Finding>) {
    for treated in &work.treated {
        let Some(tree) = treated.listed else { continue };
        if tree.species.as_deref().is_none_or(|s| s.trim().is_empty()) {
            let message = format!("Tree {}: treated without its species being known.", tree.tag);
            let found = Finding::new(
                Code::SpeciesUnknown,
                &[&treated.id.to_string()],
                message,
                treated.treatments.iter().flat_map(|t| t.records()).collect(),
            );
            findings.push(found.about(treated.id).on(treated.treatments.iter().flat_map(|t| t.days(view))));
        }
        pest(view, work, treated, findings);
    }
    for done in &work.done {
        let stems = done.listed.map_or(1, |t| t.stems);
        if let Some(label) = done.label
            && stems > 1
            && label.forked == ForkedRule::Silent
        {
            let message = format!(
                "Tree {}: it has {stems} stems from below breast height, of which label {} says nothing.",
                done.called(),
                label.name
            );
            findings.push(done.find(Code::DoseForked, message));
        }
    }
}

fn pest(view: &View<'_>, work: &Work<'_>, treated: &Treated<'_>, findings: &mut Vec<Finding>) {
    let mut conditions: Vec<_> =
        treated.tree.conditions.iter().map(|i| view.facts.shown(view.fact(*i))).collect();
    conditions.sort_by_key(|v| (v.record.envelope.at, v.id()));
    let last = conditions.iter().rev().find_map(|v| match &v.record.body {
        Body::Condition(c) => c.pest.as_deref().map(|pest| (v.id(), pest)),
        _ => None,
    });
    let Some((condition, pest)) = last else { return };
    for treatment in &treated.treatments {
        let Some((fact, _, application)) = treatment.parts.first() else { continue };
        let Some(label) = work.label(application.label).map(|entered| entered.label) else { continue };
        if label.pests.is_empty() || label.pests.iter().any(|code| covers_species(code, pest)) {
            continue;
        }
        let message =
            format!("Tree {}: {pest} was seen, which label {} does not name.", treated.called(), label.name);
        let mut records = treatment.records();
        records.push(condition);
        let found = Finding::new(Code::PestNotOnLabel, &[&fact.id.to_string()], message, records);
        findings.push(found.about(treated.id).on(treatment.days(view)));
    }
}
