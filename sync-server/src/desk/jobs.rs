//! The jobs with their progress, and one job's overview.

use std::collections::{BTreeMap, BTreeSet};

use axum::response::Html;
use bolebook_core::check::blocking;
use bolebook_core::facts::Fact;
use bolebook_core::finding::{Finding, Severity};
use bolebook_core::ids::{BookId, CrewId};
use bolebook_core::quantity::{Ul, decimal};
use bolebook_core::record::{Body, Kind};
use bolebook_core::view::{CrewDay, TreeCounts, View};
use maud::{Markup, html};

use crate::body::Id;
use crate::desk::evidence::by;
use crate::desk::page::{Desk, Page, moment, shown, text};
use crate::desk::people::erased;
use crate::error::ApiError;
use crate::snapshot::JobState;

fn share(part: usize, whole: usize) -> i64 {
    (part * 100).checked_div(whole).unwrap_or(0) as i64
}

/// A bar of treated, not treated and left, with its figures in words beside it.
pub fn progress(counts: TreeCounts) -> Markup {
    let done = counts.treated + counts.not_treated;
    let of = |n: usize| (n * 1_000).checked_div(counts.listed).unwrap_or(0);
    let (a, b) = (of(counts.treated), of(counts.not_treated));
    html! {
        div.progress {
            svg viewBox="0 0 1000 40" preserveAspectRatio="none" role="img" aria-label=(format!("{} of {} trees done", done, counts.listed)) {
                rect.bar-left x="0" y="0" width="1000" height="40" {}
                rect.bar-treated x="0" y="0" width=(a) height="40" {}
                rect.bar-not x=(a) y="8" width=(b) height="24" {}
            }
            p.small {
                strong { (share(done, counts.listed)) " %" } " of " (counts.listed) ": "
                (counts.treated) " treated, " (counts.not_treated) " not treated, " (counts.left) " left"
            }
        }
    }
}

/// The volume put into trees of a job, contested records at their larger value.
fn put_in(view: &View<'_>) -> Ul {
    let of = |fact: &Fact| {
        let volumes = view.facts.current(fact).map(|v| match &v.record.body {
            Body::Application(a) => a.put_in_ul().0,
            _ => 0,
        });
        Ul(volumes.max().unwrap_or(0))
    };
    view.facts.in_force(Kind::Application).map(of).sum()
}

fn open(desk: &Desk, job: &JobState) -> (usize, usize) {
    let findings = desk.snapshot.findings(job);
    let stops = findings.iter().filter(|f| f.open() && f.severity == Severity::Stop).count();
    (stops, findings.iter().filter(|f| f.open()).count() - stops)
}

/// Every job.
pub async fn list(desk: Desk) -> Result<Html<String>, ApiError> {
    shown(desk, |desk| {
        let mut jobs: Vec<_> = desk.snapshot.jobs.values().collect();
        jobs.sort_by(|a, b| (&b.view.job.season, &a.view.title).cmp(&(&a.view.job.season, &b.view.title)));
        let body = html! {
            h1 { "Jobs" }
            @for (book, why) in &desk.snapshot.unreadable {
                p.wrong { "Job book " (book) " cannot be read: " (text(why)) ". Nothing of it is lost; verify the log with " code { "bolebook-server verify" } "." }
            }
            @if jobs.is_empty() { p { "No job yet. Open one with " code { "bolebook job new" } " and exchange." } }
            @else {
                table.cards {
                    caption.unseen { "Jobs, newest season first" }
                    thead { tr { th scope="col" { "Job" } th scope="col" { "Season" } th scope="col" { "Trees" } th scope="col" { "Days to sign off" } th scope="col" { "Findings" } } }
                    tbody {
                        @for job in &jobs {
                            @let view = &job.view;
                            @let (stops, other) = open(desk, job);
                            @let waiting = view.crew_days.iter().filter(|d| !view.signed_off.contains_key(d)).count();
                            tr {
                                th scope="row" { a href=(format!("/jobs/{}", view.book)) { (text(&view.title)) } br; span.muted { (text(&view.job.site)) } }
                                td data-label="Season" { (text(&view.job.season)) }
                                td data-label="Trees" { (progress(view.counts())) }
                                td data-label="Days to sign off" { (waiting) " of " (view.crew_days.len()) }
                                td data-label="Findings" { (finding_counts(view.book, stops, other)) }
                            }
                        }
                    }
                }
            }
        };
        Ok(Page { title: "Jobs".into(), job: None, body })
    })
    .await
}

fn finding_counts(book: BookId, stops: usize, other: usize) -> Markup {
    html! {
        @if stops > 0 {
            a.severity.stop href=(format!("/jobs/{book}/findings?severity=stop")) { span aria-hidden="true" { "■" } " " (stops) " stop" } " "
        }
        @if other > 0 { a href=(format!("/jobs/{book}/findings")) { (other) " to review" } }
        @if stops + other == 0 { "none open" }
    }
}

/// How many findings of each crew-day keep it from being signed off, and how many are open, in one walk: a
/// season has hundreds of days.
fn day_findings(findings: &[Finding]) -> BTreeMap<CrewDay, (usize, usize)> {
    let mut days: BTreeMap<CrewDay, (usize, usize)> = BTreeMap::new();
    for finding in findings {
        // Counted once, however often the finding names the day.
        for day in finding.crew_days.iter().collect::<BTreeSet<_>>() {
            let (stops, open) = days.entry(*day).or_default();
            *stops += usize::from(finding.blocks());
            *open += usize::from(finding.open());
        }
    }
    days
}

/// How a crew-day stands, in a word.
pub fn day_state(desk: &Desk, job: &JobState, day: CrewDay) -> Markup {
    let findings = desk.snapshot.findings(job);
    let stops = blocking(&findings, day).count();
    let open = findings.iter().filter(|f| f.open() && f.crew_days.contains(&day)).count();
    state_of_day(&job.view, day, (stops, open))
}

fn state_of_day(view: &View<'_>, day: CrewDay, (stops, open): (usize, usize)) -> Markup {
    html! {
        @if view.signed_off.contains_key(&day) {
            span.tag.settled { "signed off" }
            @if open > 0 { " " span.muted { (open) " findings came since" } }
        } @else if stops > 0 {
            span.tag.open { "waits" } " " span.muted { (stops) " stop to settle" }
        } @else {
            span.tag.ready { "ready to sign off" }
            @if open > 0 { " " span.muted { (open) " to review" } }
        }
    }
}

/// The days that their crews closed.
fn closed(view: &View<'_>) -> BTreeSet<CrewDay> {
    let closings = view.facts.in_force(Kind::DayClosing).map(|fact| &view.facts.shown(fact).record.body);
    let day = |body: &Body| match body {
        Body::DayClosing(b) => Some(CrewDay { crew: b.crew, day: b.day }),
        _ => None,
    };
    closings.filter_map(day).collect()
}

/// Trees and millilitres of each crew-day, in one walk over the job.
fn day_sums(view: &View<'_>) -> BTreeMap<CrewDay, (usize, i64)> {
    let mut sums = BTreeMap::new();
    for fact in view.facts.in_force(Kind::Application) {
        let version = view.facts.shown(fact);
        let (Some(day), Body::Application(a)) = (view.crew_day(version), &version.record.body) else {
            continue;
        };
        let sum: &mut (usize, i64) = sums.entry(day).or_default();
        sum.0 += 1;
        sum.1 = sum.1.saturating_add(a.put_in_ul().0);
    }
    sums
}

/// One job.
pub async fn overview(desk: Desk, Id(book): Id<BookId>) -> Result<Html<String>, ApiError> {
    shown(desk, move |desk| {
        let job = desk.job(book)?;
        let view = &job.view;
        let (stops, other) = open(desk, job);
        let (sums, closed) = (day_sums(view), closed(view));
        let found = day_findings(&desk.snapshot.findings(job));
        let copies = super::copies::pressing(desk, view)?;
        let mut days: Vec<CrewDay> = view.crew_days.iter().copied().collect();
        days.sort_by_cached_key(|d| (std::cmp::Reverse(d.day), view.yard.crew_name(d.crew), d.crew));
        let body = html! {
            h1 { (text(&view.title)) }
            p.lead { (text(&view.job.site)) ", season " (text(&view.job.season)) }
            section.tiles {
                div { h2 { "Trees" } (progress(view.counts())) }
                div { h2 { "Findings" } p.big { (finding_counts(book, stops, other)) } }
                div { h2 { "Product put in" } p.big { (decimal(put_in(view).0, 1_000_000, 2)) " L" } p.small { a href=(format!("/jobs/{book}/balance")) { "where it went" } } }
            }
            @if copies > 0 { p { span.tag.open { "due" } " " a href=(format!("/jobs/{book}/copies")) { (copies) " client " @if copies == 1 { "copy is" } @else { "copies are" } " due within a week or overdue" } } }
            section aria-labelledby="days" {
                h2 id="days" { "Crew-days" }
                @if view.crew_days.is_empty() { p { "No work has arrived yet." } }
                @else {
                    table.cards {
                        thead { tr { th scope="col" { "Day" } th scope="col" { "Crew" } th.num scope="col" { "Trees treated" } th.num scope="col" { "Product put in" } th scope="col" { "Closed by the crew" } th scope="col" { "State" } } }
                        tbody {
                            @for day in &days {
                                @let (trees, volume) = sums.get(day).copied().unwrap_or_default();
                                tr {
                                    th scope="row" { a href=(format!("/jobs/{book}/days/{}/{}", day.crew, day.day)) { (day.day) } }
                                    td data-label="Crew" { (text(&view.yard.crew_name(day.crew))) }
                                    td.num data-label="Trees treated" { (trees) }
                                    td.num data-label="Product put in" { (Ul(volume).ml()) " mL" }
                                    td data-label="Closed" { @if closed.contains(day) { "closed" } @else { "not closed" } }
                                    td data-label="State" { (state_of_day(view, *day, found.get(day).copied().unwrap_or_default())) }
                                }
                            }
                        }
                    }
                }
            }
            (questions(desk, job, None))
            (papers(desk, job))
        };
        Ok(Page { title: view.title.clone(), job: Some((book, "")), body })
    })
    .await
}

/// The office's questions with their answers: to one crew, or to all.
pub fn questions(desk: &Desk, job: &JobState, to: Option<CrewId>) -> Markup {
    let facts = &job.view.facts;
    let answers: Vec<_> = facts
        .in_force(Kind::Answer)
        .filter_map(|f| match &facts.shown(f).record.body {
            Body::Answer(a) => Some((a.question, facts.shown(f), a)),
            _ => None,
        })
        .collect();
    let asked: Vec<_> = facts
        .in_force(Kind::Question)
        .filter_map(|f| match &facts.shown(f).record.body {
            Body::Question(q) if to.is_none_or(|crew| crew == q.crew) => Some((f.id, facts.shown(f), q)),
            _ => None,
        })
        .collect();
    html! {
        @if !asked.is_empty() {
            section aria-labelledby="asked" {
                h2 id="asked" { "Questions to crews" }
                ul.records {
                    @for (id, version, question) in asked.iter().rev() {
                        li {
                            strong { (text(&job.view.yard.crew_name(question.crew))) } ": " (text(&question.text)) " "
                            span.muted { (moment(&job.view, version.record.envelope.at)) ", " (text(&by(desk, version))) }
                            @for (_, answer, said) in answers.iter().filter(|(q, ..)| q == id) {
                                br; "→ " (text(&said.text)) " " span.muted { (moment(&job.view, answer.record.envelope.at)) ", " (text(&by(desk, answer))) }
                            }
                            @if !answers.iter().any(|(q, ..)| q == id) { br; span.tag.open { "no answer yet" } }
                            @if let Some(finding) = question.finding { " " a href=(format!("/jobs/{}/findings/{finding}", job.view.book)) { "the finding" } }
                        }
                    }
                }
            }
        }
    }
}

fn papers(desk: &Desk, job: &JobState) -> Markup {
    let view = &job.view;
    let facts = &view.facts;
    let shown = |kind| facts.in_force(kind).map(|f| facts.shown(f)).collect::<Vec<_>>();
    let words = super::evidence::words(desk, job);
    let (authorised, notices, incidents, notes) =
        (shown(Kind::Authorisation), shown(Kind::Notice), shown(Kind::Incident), shown(Kind::Note));
    html! {
        section aria-labelledby="job-set-up" {
            h2 id="job-set-up" { "The job" }
            dl.facts {
                dt { "Client" } dd { (text(&desk.snapshot.names.named(view.job.client))) (erased(desk, view.job.client)) }
                dt { "Time zone" } dd { (text(&view.job.zone.name)) }
                dt { "Breast height" } dd { (decimal(view.job.breast_height_um.0, 1_000_000, 3)) " m" }
                dt { "Written authorisation" } dd {
                    @if authorised.is_empty() { span.warn { "none recorded: " code { "bolebook authorise" } } }
                    @for version in &authorised { p { (text(&words.headline(version))) } }
                }
                dt { "Notices" } dd { @if notices.is_empty() { "none recorded" } @for version in &notices { p { (text(&words.headline(version))) } } }
                @if !view.job.closed.is_empty() {
                    dt { "No wounding" } dd { @for c in &view.job.closed { p { (text(&c.from)) " to " (text(&c.to)) ": " (text(&c.why)) } } }
                }
            }
        }
        @if !incidents.is_empty() {
            section aria-labelledby="incidents" {
                h2 id="incidents" { "Incidents" }
                ul.records { @for v in &incidents { li { (text(&words.headline(v))) " " span.muted { (moment(view, v.record.envelope.at)) ", " (text(&by(desk, v))) } } } }
            }
        }
        @if !notes.is_empty() {
            section aria-labelledby="notes" {
                h2 id="notes" { "Notes" }
                ul.records {
                    @for v in notes.iter().rev().take(50) {
                        @if let Body::Note(note) = &v.record.body {
                            li { (text(&note.text)) " " span.muted { (moment(view, v.record.envelope.at)) ", " (text(&by(desk, v))) } }
                        }
                    }
                }
            }
        }
        p.small { "State of the books: " code { (view.state_digest()) } ". " }
    }
}
