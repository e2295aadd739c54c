//! What leaves the desk as a file.

use axum::extract::Path;
use axum::http::header;
use axum::response::{Html, IntoResponse as _, Response};
use bolebook_core::ids::BookId;
use maud::html;

use crate::body::Id;
use crate::desk::page::{Desk, Page, shown};
use crate::error::ApiError;
use crate::files::{Choices, FILES, file};
use crate::findings::EXPORTS;
use crate::portal::words::LANGUAGES;

fn about(name: &str) -> &'static str {
    match name {
        "trees.csv" => "One row a tree",
        "applications.csv" => "One row an application, struck and held ones marked",
        "trees.geojson" => "Trees on the map (RFC 7946)",
        "findings.json" => "Every finding, settled or not",
        "balance.json" => "Every microlitre, by lot, crew and day",
        _ => "The job in numbers",
    }
}

/// The exports of a job.
pub async fn list(desk: Desk, Id(book): Id<BookId>) -> Result<Html<String>, ApiError> {
    shown(desk, move |desk| {
        let job = desk.job(book)?;
        let priced = desk.app.read(|db| super::billing::rates(db, book))?.is_some();
        let href = |name: &str| format!("/jobs/{book}/exports/{name}");
        let body = html! {
            h1 { "Exports" }
            p { "Each names the state of the books it shows. The same state gives the same bytes. What was exported cannot be called back: copies outlive what is later erased here." }
            ul.records {
                @for name in EXPORTS { li { a href=(href(name)) download=(name) { (name) } ": " (about(name)) } }
                @for (name, what) in FILES {
                    li {
                        @if name.starts_with("billing") && !priced { (name) ": " (what) ". " a href=(format!("/jobs/{book}/billing")) { "Enter the rates first" } }
                        @else { a href=(href(name)) download=(name) { (name) } ": " (what) }
                        @if name == "report.pdf" { " (" @for (at, (code, language)) in LANGUAGES.into_iter().enumerate() { @if at > 0 { ", " } a lang=(code) hreflang=(code) href=(format!("{}?lang={code}", href(name))) download=(name) { (language) } } ")" }
                    }
                }
            }
            dl.facts {
                dt { "State" } dd { code { (job.view.state_digest()) } }
                dt { "Job's heads" } dd { @for h in &job.view.heads { code { (h) } br; } }
                dt { "Yard's heads" } dd { @for h in &job.view.yard.heads { code { (h) } br; } }
            }
            p.small { "Elsewhere: " code { "bolebook export FOLDER" } " writes them from any device that has the books; at the same state the texts and the data package are the same, and the report but for its photos." }
        };
        Ok(Page { title: format!("Exports, {}", job.view.title), job: Some((book, "exports")), body })
    })
    .await
}

/// One export.
pub async fn one(desk: Desk, Path((book, name)): Path<(String, String)>) -> Result<Response, ApiError> {
    let app = desk.app.clone();
    app.blocking(move |app| {
        let book: BookId = book.parse().map_err(|_| ApiError::not_found("no such job"))?;
        let job = desk.job(book)?;
        let choices = Choices::of(app, job, desk.query.some("lang"))?;
        let (media, content) = file(app, &desk.snapshot, job, &name, &choices)?;
        let named = format!("attachment; filename=\"{name}\"");
        Ok(([(header::CONTENT_DISPOSITION, named)], content.answer(media)).into_response())
    })
    .await
}
