//! The records something stands on, each with who wrote it, when, and how it stands now.

use bolebook_core::facts::{Fact, Facts, Version};
use bolebook_core::finding::{Finding, State};
use bolebook_core::ids::RecordId;
use bolebook_core::record::{Body, Kind};
use bolebook_core::view::{CrewDay, tree_named};
use maud::{Markup, html};

use crate::desk::page::{Desk, moment, text};
use crate::desk::words::{Words, fact_state, standing_note};
use crate::snapshot::{JobState, short};

/// A record's fact, in the job's book or the yard's.
pub struct Found<'a> {
    /// The facts it is among.
    pub facts: &'a Facts,
    /// Its fact.
    pub fact: &'a Fact,
    /// Whether it stands in the job's book.
    pub in_job: bool,
}

/// Finds a record.
pub fn find(job: &JobState, id: RecordId) -> Option<Found<'_>> {
    let of = |facts, in_job| Facts::fact_of(facts, id).map(|fact| Found { facts, fact, in_job });
    of(&job.view.facts, true).or_else(|| of(&job.view.yard.facts, false))
}

/// Words for a job's records.
pub fn words<'a>(desk: &'a Desk, job: &'a JobState) -> Words<'a> {
    Words { yard: &desk.snapshot.yard, view: Some(&job.view), names: &desk.snapshot.names }
}

/// Who wrote a version, in words: the person, else the device.
pub fn by(desk: &Desk, version: &Version) -> String {
    match version.record.envelope.by {
        Some(person) => desk.snapshot.names.named(person),
        None => desk
            .snapshot
            .directory
            .certificate(version.author)
            .map_or_else(|| short(version.author), |c| format!("device {}", c.name)),
    }
}

/// The tree a fact is about.
pub fn tree_of(job: &JobState, fact: &Fact, facts: &Facts) -> Option<RecordId> {
    let about = match fact.kind {
        Kind::Tree => Some(fact.id),
        _ => tree_named(&facts.shown(fact).record.body),
    };
    about.map(|id| job.view.stays(id)).filter(|id| job.view.trees.contains_key(id))
}

/// Records as a list: at most `most`, the rest counted.
pub fn records(desk: &Desk, job: &JobState, ids: &[RecordId], most: usize) -> Markup {
    let book = job.view.book;
    html! {
        ul.records {
            @for id in ids.iter().take(most) {
                @match find(job, *id) {
                    Some(found) => {
                        @let version = found.fact.history.iter().map(|v| &found.facts.versions[*v]).find(|v| v.id() == *id);
                        @let version = version.unwrap_or_else(|| found.facts.shown(found.fact));
                        li {
                            (text(&words(desk, job).headline(version))) " "
                            span.muted {
                                (moment(&job.view, version.record.envelope.at)) ", " (text(&by(desk, version)))
                                @if let Some(note) = standing_note(version.standing) { ", " (note) }
                                @else { ", " (fact_state(found.facts, found.fact)) }
                            }
                            @if found.in_job && found.fact.struck_by.is_none() && amendable(found.fact.kind) {
                                " " a href=(format!("/jobs/{book}/records/{}/amend", found.fact.id)) { "amend" span.unseen { " " (short(*id)) } }
                            }
                        }
                    }
                    None => { li.muted { "Record " (short(*id)) ", not readable here" } }
                }
            }
            @if ids.len() > most { li.muted { "and " (ids.len() - most) " more" } }
        }
    }
}

/// What speaks for and against a finding, and what may have caused it.
pub fn causes(finding: &Finding) -> Markup {
    html! { @if !finding.evidence.is_empty() { ul.causes { @for line in &finding.evidence { li { (text(line)) } } } } }
}

/// Crew-days as links to their day sheets.
pub fn days(desk: &Desk, job: &JobState, days: &[CrewDay]) -> Markup {
    let book = job.view.book;
    html! {
        @for (i, day) in days.iter().enumerate() {
            @if i > 0 { ", " }
            a href=(format!("/jobs/{book}/days/{}/{}", day.crew, day.day)) {
                (text(&desk.snapshot.yard.crew_name(day.crew))) " " span.nowrap { (day.day) }
            }
        }
    }
}

/// How a finding stands.
pub fn finding_state(job: &JobState, finding: &Finding) -> Markup {
    let ruled = |id: &RecordId| {
        job.view
            .facts
            .fact_of(*id)
            .map(|fact| moment(&job.view, job.view.facts.shown(fact).record.envelope.at))
    };
    html! {
        @match &finding.state {
            State::Open => { span.tag.open { "open" } }
            State::Settled { ruling, decision, reason, done, reported, .. } => {
                span.tag.settled { @if *decision == "accept" { "accepted" } @else { "violation confirmed" } }
                " " span.muted { (ruled(ruling).unwrap_or_default()) ": " (text(reason))
                    @if let Some(done) = done { ". Done: " (text(done)) }
                    @if let Some(reported) = reported { ". Reported: " (text(reported)) }
                }
            }
            State::Reopened { ruling } => {
                span.tag.open { "open again" }
                " " span.muted { "ruled on " (ruled(ruling).unwrap_or_default()) ", but its facts have changed since" }
            }
        }
    }
}

/// Kinds that are changed by a form: not what the server saw, who a device is, how a book begins,
/// nor what the office decided, which is struck or decided anew.
pub fn amendable(kind: Kind) -> bool {
    use Kind::{
        Access, Admission, Certificate, Genesis, Join, PhotoReceived, Receipt, Reopening, Revocation, Ruling,
        SignOff, Strike,
    };
    !matches!(
        kind,
        Access
            | Admission
            | Certificate
            | Genesis
            | Join
            | PhotoReceived
            | Receipt
            | Reopening
            | Revocation
            | Ruling
            | SignOff
            | Strike
    )
}

/// A fact with all its versions, oldest first, and its strike; with a link to change it, if wanted.
pub fn history(desk: &Desk, job: &JobState, facts: &Facts, fact: &Fact, change: bool) -> Markup {
    let words = words(desk, job);
    let struck = fact.struck_by.and_then(|id| facts.fact_of(id)).map(|f| facts.shown(f));
    let book = job.view.book;
    html! {
        li.fact.struck[fact.struck_by.is_some()] {
            ol.versions {
                @for (place, index) in fact.history.iter().enumerate() {
                    @let version = &facts.versions[*index];
                    @let counts = fact.current.contains(index) && fact.struck_by.is_none();
                    li.old[!counts] {
                        @if place > 0 { strong { "Amended: " } }
                        @if counts { (text(&words.headline(version))) } @else { del { (text(&words.headline(version))) } }
                        " " span.muted {
                            (moment(&job.view, version.record.envelope.at)) ", " (text(&by(desk, version)))
                            @if let Some(note) = standing_note(version.standing) { ", " (note) }
                        }
                        @if let Body::Application(a) = &version.record.body {
                            @if !a.holes.is_empty() {
                                " " a href=(format!("/jobs/{book}/records/{}/holes.svg", version.id())) { "holes as drilled" }
                            }
                        }
                        @if let Body::Photo(p) = &version.record.body {
                            " " a href=(format!("/jobs/{book}/photos/{}", p.sha256)) { "the photo" }
                        }
                    }
                }
            }
            @if let Some(version) = struck {
                p.strike { "Struck " (moment(&job.view, version.record.envelope.at)) " by " (text(&by(desk, version))) ": "
                    @if let Body::Strike(b) = &version.record.body { (text(&b.reason)) }
                }
            }
            @if fact.contested.is_some() { p.warn { "Contested: several values stand side by side until one replaces them all." } }
            @if change && fact.struck_by.is_none() && amendable(fact.kind) {
                p.small { a href=(format!("/jobs/{book}/records/{}/amend", fact.id)) { "Amend or strike" span.unseen { " " (short(fact.id)) } } }
            }
        }
    }
}
