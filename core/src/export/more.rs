//! Tables of a data package beside trees and applications: holes, findings, days.

use crate::check::blocking;
use crate::export::due::copy_due;
use crate::export::out::{Table, whole};
use crate::export::schema::{DAYS, FINDINGS, HOLES};
use crate::export::standing::{standing, versions};
use crate::export::table::ml;
use crate::export::{ExportError, inert, short};
use crate::finding::{Finding, Severity, State};
use crate::quantity::{Um, decimal};
use crate::record::{Body, Kind};
use crate::view::View;

/// Every hole of every application, struck and held ones included and marked.
///
/// # Errors
/// [`ExportError`] when the table cannot be written.
pub fn holes_csv(view: &View<'_>) -> Result<String, ExportError> {
    whole(|out| {
        let state = short(view.state_digest());
        let cm = |length: Um| decimal(length.0, 10_000, 1);
        let mut table = Table::of(out, HOLES)?;
        for fact in view.facts.of_kind(Kind::Application) {
            for version in versions(view, fact) {
                let Body::Application(a) = &version.record.body else { continue };
                for (index, hole) in a.holes.iter().enumerate() {
                    table.row([
                        fact.id.to_string(),
                        standing(fact).into(),
                        (index + 1).to_string(),
                        cm(hole.arc_um),
                        cm(hole.height_um),
                        hole.depth_um.mm(),
                        ml(hole.put_in_ul.0),
                        ml(hole.leaked_ul.0),
                        if hole.sealed { "yes".into() } else { "no".into() },
                        if hole.reseated { "yes".into() } else { "no".into() },
                        hole.removed_at.map(|at| view.local_time(at)).unwrap_or_default(),
                        state.clone(),
                    ])?;
                }
            }
        }
        table.end()
    })
}

/// How a finding is settled, in words.
pub(super) fn settled(finding: &Finding) -> [String; 4] {
    let text = |t: &Option<String>| t.clone().unwrap_or_default();
    match &finding.state {
        State::Open => ["open".into(), String::new(), String::new(), String::new()],
        State::Reopened { .. } => ["reopened".into(), String::new(), String::new(), String::new()],
        State::Settled { reason, done, reported, .. } => {
            let state = if done.is_some() { "violation confirmed" } else { "accepted" };
            [state.into(), reason.clone(), text(done), text(reported)]
        }
    }
}

/// Every finding, settled or not, in the order of the checks.
///
/// # Errors
/// [`ExportError`] when the table cannot be written.
pub fn findings_csv(view: &View<'_>, findings: &[Finding]) -> Result<String, ExportError> {
    whole(|out| {
        let state = short(view.state_digest());
        let mut table = Table::of(out, FINDINGS)?;
        for f in findings {
            let mut days: Vec<String> = f.crew_days.iter().map(|d| d.day.to_string()).collect();
            days.dedup();
            let severity = match f.severity {
                Severity::Stop => "stop",
                Severity::Review => "review",
                Severity::Note => "note",
            };
            let [what, reason, done, reported] = settled(f);
            table.row([
                f.id.to_string(),
                severity.into(),
                f.code.name().into(),
                f.tree.map(|t| view.stays(t).to_string()).unwrap_or_default(),
                days.join(" "),
                inert(&f.message),
                inert(f.source),
                what,
                inert(&reason),
                inert(&done),
                inert(&reported),
                state.clone(),
            ])?;
        }
        table.end()
    })
}

/// Every crew-day with work in it: whether it is signed off, and when the client's copy is due.
///
/// # Errors
/// [`ExportError`] when the table cannot be written.
pub fn days_csv(view: &View<'_>, findings: &[Finding]) -> Result<String, ExportError> {
    whole(|out| {
        let state = short(view.state_digest());
        let due = copy_due(view);
        let mut table = Table::of(out, DAYS)?;
        for day in &view.crew_days {
            let signed = view.signed_off.get(day);
            table.row([
                inert(&view.yard.crew_name(day.crew)),
                day.day.to_string(),
                if signed.is_some() { "signed off".into() } else { "provisional".into() },
                signed.map(ToString::to_string).unwrap_or_default(),
                blocking(findings, *day).count().to_string(),
                due.get(day).map(ToString::to_string).unwrap_or_default(),
                state.clone(),
            ])?;
        }
        table.end()
    })
}
