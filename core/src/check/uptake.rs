//! Uptake far slower than that of its peers, as a note with what it likely means.

use crate::check::work::Work;
use crate::dosing::forecast::log::visits;
use crate::dosing::forecast::uptake::{SlowUptake, slow_uptake};
use crate::finding::{Code, Finding};
use crate::view::View;

/// Findings of this rule.
pub fn check(view: &View<'_>, work: &Work<'_>, findings: &mut Vec<Finding>) {
    if work.done.is_empty() {
        return;
    }
    say(view, slow_uptake(&visits(view).visits), findings);
}

/// The findings on slow stems.
pub(crate) fn say(view: &View<'_>, slow: Vec<SlowUptake>, findings: &mut Vec<Finding>) {
    for slow in slow {
        let version = view.facts.fact_of(slow.record).map(|f| view.facts.shown(f));
        // Its numbers move with every new peer; what a ruling stands on is the application itself.
        let message = format!("{slow}.");
        let found = Finding::on_records(
            Code::UptakeSlow,
            &[&slow.record.to_string()],
            message,
            version.map(|v| v.id()).into_iter().collect(),
        );
        findings.push(found.about(slow.tree).on(version.and_then(|v| view.crew_day(v))));
    }
}
