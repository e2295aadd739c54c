//! What must be settled around the work: the client's leave, notices, incidents that were followed up.

use std::collections::BTreeSet;

use crate::check::work::Work;
use crate::finding::{Code, Finding, Named};
use crate::record::{Body, Kind};
use crate::view::View;

/// Findings of this rule.
pub fn check(view: &View<'_>, work: &Work<'_>, findings: &mut Vec<Finding>) {
    leave(view, work, findings);
    notice(view, work, findings);
    incidents(view, findings);
}

fn leave(view: &View<'_>, work: &Work<'_>, findings: &mut Vec<Finding>) {
    let authorisations = view.facts.in_force(Kind::Authorisation).map(|f| view.facts.shown(f));
    let given = authorisations.filter_map(|v| match &v.record.body {
        Body::Authorisation(a) => Some(a.given),
        _ => None,
    });
    let given = given.min();
    for day in work.by_day.keys() {
        let message = match given {
            Some(given) if given <= day.day => continue,
            Some(given) => {
                format!("Crew {} worked on {}; the client's leave is of {given}.", Named(day.crew), day.day)
            }
            None => {
                format!(
                    "Crew {} worked on {} without the client's leave on record.",
                    Named(day.crew),
                    day.day
                )
            }
        };
        let subjects = [day.crew.to_string(), day.day.to_string()];
        let found = Finding::new(Code::NotAuthorised, &[&subjects[0], &subjects[1]], message, vec![day.crew]);
        findings.push(found.on([*day]));
    }
}

fn notice(view: &View<'_>, work: &Work<'_>, findings: &mut Vec<Finding>) {
    if !work.asks.notice {
        return;
    }
    let notices = view.facts.in_force(Kind::Notice).map(|f| view.facts.shown(f));
    let first = notices.filter_map(|v| match &v.record.body {
        Body::Notice(notice) => Some(notice.given_at),
        _ => None,
    });
    let first = first.min();
    for (day, indices) in &work.by_day {
        let Some(begun) = work.of_day(indices).map(|d| d.body.started_at).min() else { continue };
        if first.is_some_and(|at| at <= begun) {
            continue;
        }
        let given = first.map_or_else(
            || "none is on record".to_owned(),
            |at| format!("the first was given at {}", view.local_time(at)),
        );
        let message = format!(
            "Crew {} began on {} at {} before a notice: {given}.",
            Named(day.crew),
            day.day,
            view.local_time(begun)
        );
        let subjects = [day.crew.to_string(), day.day.to_string()];
        let found = Finding::new(Code::NoticeMissing, &[&subjects[0], &subjects[1]], message, vec![day.crew]);
        findings.push(found.on([*day]));
    }
}

fn incidents(view: &View<'_>, findings: &mut Vec<Finding>) {
    let notes = view.facts.in_force(Kind::Note).map(|f| view.facts.shown(f));
    let about: BTreeSet<_> = notes
        .filter_map(|v| match &v.record.body {
            Body::Note(note) => note.about.map(|id| view.facts.fact_of(id).map_or(id, |f| f.id)),
            _ => None,
        })
        .collect();
    for fact in view.facts.in_force(Kind::Incident) {
        let version = view.facts.shown(fact);
        let Body::Incident(incident) = &version.record.body else { continue };
        if incident.told.iter().any(|who| !who.trim().is_empty()) || about.contains(&fact.id) {
            continue;
        }
        let message = format!(
            "Crew {}: an incident at {} ('{}') names nobody who was told, and no note follows it.",
            Named(incident.crew),
            view.local_time(incident.happened_at),
            incident.text.chars().take(80).collect::<String>()
        );
        let mut found =
            Finding::new(Code::IncidentOpen, &[&fact.id.to_string()], message, vec![version.id()])
                .on(view.crew_day(version));
        found.tree = incident.tree.map(|t| view.stays(t));
        findings.push(found);
    }
}
