//! Lots: unknown, expired, recalled, of another label.

use crate::finding::{Code, Finding};
use crate::view::View;

/// Findings of this rule.
pub fn check(view: &View<'_>, findings: &mut Vec<Finding>) {
    for (id, tree) in &view.trees {
        for (fact, version, application) in view.applications(tree) {
            let tag = view.tag(*id);
            let day = view.crew_day(version);
            let (code, message) = match view.yard.lot(application.lot) {
                None => (
                    Code::LotUnknown,
                    format!("Tree {tag}: lot {} is not in the yard's list.", application.lot),
                ),
                Some(lot) => {
                    if let Some(why) = &lot.recalled {
                        let text = format!("Tree {tag}: lot {} was taken out of use: {why}.", lot.number);
                        findings.push(
                            Finding::new(
                                Code::LotRecalled,
                                &[&fact.id.to_string()],
                                text,
                                vec![version.id()],
                            )
                            .about(*id)
                            .on(day),
                        );
                    }
                    if lot.label != application.label {
                        let same = view.yard.facts.fact_of(lot.label).map(|f| f.id)
                            == view.yard.facts.fact_of(application.label).map(|f| f.id);
                        if !same {
                            let text = format!(
                                "Tree {tag}: lot {} belongs to another label than the one the dose was worked from.",
                                lot.number
                            );
                            findings.push(
                                Finding::new(
                                    Code::LotOfOtherLabel,
                                    &[&fact.id.to_string()],
                                    text,
                                    vec![version.id()],
                                )
                                .about(*id)
                                .on(day),
                            );
                        }
                    }
                    match day {
                        Some(d) if lot.expires < d.day => (
                            Code::LotExpired,
                            format!(
                                "Tree {tag}: lot {} expired on {}, used on {}.",
                                lot.number, lot.expires, d.day
                            ),
                        ),
                        _ => continue,
                    }
                }
            };
            findings.push(
                Finding::new(code, &[&fact.id.to_string()], message, vec![version.id()]).about(*id).on(day),
            );
        }
    }
}
