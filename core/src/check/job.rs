//! What must be settled around the work: the client's leave, notices, incidents that were followed up.

use std::collections::BTreeSet;

use crate::check::work::Work;
use crate::day::Day;
use crate::finding::{Code, Finding, Named};
use crate::quantity::UtcMs;
use crate::record::{Body, Kind};
use crate::view::View;

/// Days without the client's leave or a notice.
pub fn check(view: &View<'_>, work: &Work<'_>, findings: &mut Vec<Finding>) {
    leave(view, work, findings);
    notice(view, work, findings);
}

/// Whether the client's leave was on record by a day.
///
/// # Errors
/// Why not, in words that follow a colon.
pub(crate) fn leave_on(view: &View<'_>, day: Day) -> Result<(), String> {
    let authorisations = view.facts.in_force(Kind::Authorisation).map(|f| view.facts.shown(f));
    let given = authorisations.filter_map(|v| match &v.record.body {
        Body::Authorisation(a) => Some(a.given),
        _ => None,
    });
    match given.min() {
        Some(given) if given <= day => Ok(()),
        Some(given) => Err(format!("the client's leave is of {given}")),
        None => Err("no authorisation of the client is entered in this job".into()),
    }
}

fn leave(view: &View<'_>, work: &Work<'_>, findings: &mut Vec<Finding>) {
    for day in work.by_day.keys() {
        let Err(why) = leave_on(view, day.day) else { continue };
        let message = format!("Crew {} worked on {}: {why}.", Named(day.crew), day.day);
        let subjects = [day.crew.to_string(), day.day.to_string()];
        let found = Finding::new(Code::NotAuthorised, &[&subjects[0], &subjects[1]], message, vec![day.crew]);
        findings.push(found.on([*day]));
    }
}

/// Whether a notice was given by a time.
///
/// # Errors
/// Why not, in words that follow a colon.
pub(crate) fn notice_by(view: &View<'_>, time: UtcMs) -> Result<(), String> {
    let notices = view.facts.in_force(Kind::Notice).map(|f| view.facts.shown(f));
    let first = notices.filter_map(|v| match &v.record.body {
        Body::Notice(notice) => Some(notice.given_at),
        _ => None,
    });
    match first.min() {
        Some(at) if at <= time => Ok(()),
        Some(at) => Err(format!("the first was given at {}", view.local_time(at))),
        None => Err("none is on record".into()),
    }
}

fn notice(view: &View<'_>, work: &Work<'_>, findings: &mut Vec<Finding>) {
    if !work.asks.notice {
        return;
    }
    for (day, indices) in &work.by_day {
        let Some(begun) = work.of_day(indices).map(|d| d.body.started_at).min() else { continue };
        let Err(given) = notice_by(view, begun) else { continue };
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

/// Incidents that nobody followed up.
pub fn incidents(view: &View<'_>, findings: &mut Vec<Finding>) {
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
