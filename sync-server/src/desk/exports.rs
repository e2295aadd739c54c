//! What leaves the desk as a file.

use axum::extract::Path;
use axum::http::header;
use axum::response::{Html, IntoResponse as _, Response};
use bolebook_core::ids::BookId;
use maud::html;

use crate::body::Id;
use crate::desk::page::{Desk, Page, shown};
use crate::error::ApiError;
use crate::findings::{EXPORTS, export, media_type};
use crate::tables;

/// Exports that are not plain text, and what they are.
const FILES: [(&str, &str, &str); 3] = [
    ("book.xlsx", "A workbook: trees, applications, findings", tables::XLSX),
    ("trees.gpkg", "Trees and blocks for a geographic information system (OGC GeoPackage)", tables::GPKG),
    (
        "application-records.csv",
        "Application records with the elements of 40 CFR 171.303(b)(7)(vi), and what each lacks; struck and provisional ones marked",
        "text/csv; charset=utf-8; header=present",
    ),
];

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
        let body = html! {
            h1 { "Exports" }
            p { "Each names the state of the books it shows. The same state gives the same bytes. What was exported cannot be called back: copies outlive what is later erased here." }
            ul.records {
                @for name in EXPORTS { li { a href=(format!("/jobs/{book}/exports/{name}")) download=(name) { (name) } ": " (about(name)) } }
                @for (name, what, _) in FILES { li { a href=(format!("/jobs/{book}/exports/{name}")) download=(name) { (name) } ": " (what) } }
            }
            dl.facts {
                dt { "State" } dd { code { (job.view.state_digest()) } }
                dt { "Job's heads" } dd { @for h in &job.view.heads { code { (h) } br; } }
                dt { "Yard's heads" } dd { @for h in &job.view.yard.heads { code { (h) } br; } }
            }
            p.small { "Elsewhere: " code { "bolebook export FOLDER" } " writes the texts from any device that has the books; at the same state they are the same." }
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
        let snapshot = &desk.snapshot;
        let (media, bytes) = match name.as_str() {
            "book.xlsx" => (tables::XLSX, tables::workbook(snapshot, job)?),
            "trees.gpkg" => (tables::GPKG, tables::geopackage(app, snapshot, job)?),
            "application-records.csv" => {
                (media_type(&name), tables::application_records(snapshot, job, |_, _| true)?.into_bytes())
            }
            _ => (media_type(&name), export(snapshot, job, &name)?.as_bytes().to_vec()),
        };
        let named = format!("attachment; filename=\"{name}\"");
        Ok(([(header::CONTENT_TYPE, media.to_owned()), (header::CONTENT_DISPOSITION, named)], bytes)
            .into_response())
    })
    .await
}
