//! What the office has decided on a job, newest first.

use axum::response::Html;
use bolebook_core::ids::BookId;
use bolebook_core::record::office::Decision;
use bolebook_core::record::{Body, Kind};
use maud::html;

use crate::body::Id;
use crate::desk::evidence::{by, find};
use crate::desk::page::{Desk, Page, moment, page_number, pages, shown, text};
use crate::desk::words::{Words, code_name, decision_name};
use crate::error::ApiError;

const PAGE: usize = 100;
const KINDS: [Kind; 7] =
    [Kind::Ruling, Kind::Join, Kind::SignOff, Kind::Reopening, Kind::Strike, Kind::Question, Kind::Admission];

/// Rulings, joins, sign-offs, strikes and questions.
pub async fn list(desk: Desk, Id(book): Id<BookId>) -> Result<Html<String>, ApiError> {
    shown(desk, move |desk| {
        let job = desk.job(book)?;
        let facts = &job.view.facts;
        let findings = desk.snapshot.findings(job);
        let mut all: Vec<_> = KINDS.into_iter().flat_map(|k| facts.of_kind(k)).collect();
        all.sort_by_key(|f| std::cmp::Reverse(f.id));
        let number = page_number(desk);
        let words = Words { yard: &desk.snapshot.yard, view: Some(&job.view), names: &desk.snapshot.names };
        let body = html! {
            h1 { "What the office decided" }
            p { (all.len()) " entries. Each is a record of the book and stays." }
            table.cards {
                thead { tr { th scope="col" { "When" } th scope="col" { "Who" } th scope="col" { "What" } } }
                tbody {
                    @for fact in all.iter().skip((number - 1) * PAGE).take(PAGE) {
                        @let version = facts.shown(fact);
                        tr {
                            td data-label="When" { span.nowrap { (moment(&job.view, version.record.envelope.at)) } }
                            td data-label="Who" { (text(&by(desk, version))) }
                            td data-label="What" {
                                @match &version.record.body {
                                    Body::Ruling(b) => {
                                        @let finding = findings.iter().find(|f| f.id == b.finding);
                                        a href=(format!("/jobs/{book}/findings/{}", b.finding)) { (finding.map_or_else(|| "Finding".into(), |f| code_name(f.code))) }
                                        " " (decision_name(&b.decision)) ": " (text(&b.reason))
                                        @if let Decision::ConfirmViolation { done, reported } = &b.decision { br; "Done: " (text(done)) br; "Reported: " (text(reported)) }
                                        @if finding.is_some_and(|f| f.open()) { " " span.tag.open { "its facts have changed since" } }
                                    }
                                    Body::Strike(b) => {
                                        (text(&words.headline(version)))
                                        ul { @for id in b.records.iter().take(5) { @if let Some(found) = find(job, *id) { li { del { (text(&words.headline(found.facts.shown(found.fact)))) } } } } }
                                    }
                                    _ => { (text(&words.headline(version))) }
                                }
                                @if fact.struck_by.is_some() { " " span.tag.open { "struck" } }
                            }
                        }
                    }
                }
            }
            (pages(desk, all.len(), PAGE, number))
        };
        Ok(Page { title: format!("Rulings, {}", job.view.title), job: Some((book, "rulings")), body })
    })
    .await
}
