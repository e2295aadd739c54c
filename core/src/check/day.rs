//! A crew's day: containers still out, work without a closing.

use std::collections::BTreeSet;

use crate::finding::{Code, Finding, Named};
use crate::quantity::word_for;
use crate::record::{Body, Kind};
use crate::view::{CrewDay, View};

/// Findings of this rule.
pub fn check(view: &View<'_>, findings: &mut Vec<Finding>) {
    let mut closed: BTreeSet<CrewDay> = BTreeSet::new();
    for fact in view.facts.in_force(Kind::DayClosing) {
        for version in view.facts.current(fact) {
            let Body::DayClosing(body) = &version.record.body else { continue };
            let day = CrewDay { crew: body.crew, day: body.day };
            closed.insert(day);
            if body.containers_out > 0 {
                let message = format!(
                    "Crew {} closed {} with {} {} still on trees.",
                    Named(body.crew),
                    body.day,
                    body.containers_out,
                    word_for(body.containers_out, "container", "containers")
                );
                findings.push(
                    Finding::new(Code::ContainersOut, &[&fact.id.to_string()], message, vec![version.id()])
                        .on([day]),
                );
            }
        }
    }
    for day in view.crew_days.difference(&closed) {
        let message = format!("Crew {} worked on {} but has not closed the day.", Named(day.crew), day.day);
        let subjects = [day.crew.to_string(), day.day.to_string()];
        findings.push(
            Finding::new(Code::NotClosed, &[&subjects[0], &subjects[1]], message, vec![day.crew]).on([*day]),
        );
    }
}
