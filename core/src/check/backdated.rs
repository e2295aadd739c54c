//! Records dated before what their writer had seen of a server.

use crate::check::record::label_of;
use crate::finding::{Code, Finding};
use crate::view::{View, tree_named};

/// Findings of this rule.
pub fn check(view: &View<'_>, findings: &mut Vec<Finding>) {
    for (index, seen) in &view.backdated {
        let version = &view.facts.versions[*index];
        let message = format!(
            "The {} {} is dated {}, but its device had already seen the server at {}.",
            label_of(version.record.kind()),
            version.id(),
            view.local_time(version.record.envelope.at),
            view.local_time(*seen),
        );
        let mut finding =
            Finding::new(Code::Backdated, &[&version.id().to_string()], message, vec![version.id()])
                .on(view.crew_day(version));
        finding.tree = tree_named(&version.record.body).map(|t| view.stays(t));
        findings.push(finding);
    }
}
