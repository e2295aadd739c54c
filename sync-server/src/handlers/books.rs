//! The books a server has, their findings and exports.

use axum::extract::{RawQuery, State};
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse as _, Response};
use bolebook_core::ids::{BookId, Sha256Hash};
use bolebook_core::service::{BookEntry, BookList};
use bolebook_log::BookKind;

use crate::auth::Caller;
use crate::body::{BookAndName, Id, Json};
use crate::error::ApiError;
use crate::files::{Choices, file};
use crate::findings;
use crate::state::App;

/// The books this server has and the caller may have, the yard first.
#[utoipa::path(get, path = "/v1/books", tag = "books", security(("token" = [])),
    responses((status = 200, description = "The books", body = ref("#/components/schemas/BookList"))))]
pub async fn list(State(app): State<App>, caller: Caller) -> Result<Json<BookList>, ApiError> {
    app.blocking(move |app| {
        app.read(|db| {
            let reach = caller.reach(app, db)?;
            let mut books = vec![];
            for info in bolebook_log::books(db)?.into_iter().filter(|info| reach.has(info.book)) {
                let title = bolebook_log::genesis(db, info.book)?.title;
                let (kind, end) = (info.kind.name().to_owned(), info.end);
                let entry = BookEntry { book: info.book, kind, title, end: end.position, chain: end.chain };
                books.push((info.kind != BookKind::Yard, entry));
            }
            books.sort_by_key(|(job, entry)| (*job, entry.book));
            Ok(Json(BookList { books: books.into_iter().map(|(_, entry)| entry).collect() }))
        })
    })
    .await
}

/// An export with the digest of its bytes as its tag, or 304 to whoever has them.
async fn exported(
    app: App,
    caller: Caller,
    book: BookId,
    name: String,
    language: Option<String>,
    known: Option<String>,
) -> Result<Response, ApiError> {
    app.blocking(move |app| {
        app.read(|db| caller.may_read(app, db, book))?;
        let (snapshot, job) = findings::of_job(app, book)?;
        let choices = Choices::of(app, &job, language.as_deref())?;
        let (media, bytes) = file(app, &snapshot, &job, &name, &choices)?;
        let tag = format!("\"{}\"", Sha256Hash::of(&bytes));
        let tagged = [(header::ETAG, tag.clone())];
        if known.is_some_and(|known| known.split(',').any(|k| k.trim().trim_start_matches("W/") == tag)) {
            return Ok((StatusCode::NOT_MODIFIED, tagged).into_response());
        }
        Ok((tagged, [(header::CONTENT_TYPE, media)], bytes).into_response())
    })
    .await
}

fn known(headers: &HeaderMap) -> Option<String> {
    headers.get(header::IF_NONE_MATCH).and_then(|v| v.to_str().ok()).map(str::to_owned)
}

/// What the checks say of a job, at the log's end.
#[utoipa::path(get, path = "/v1/books/{id}/findings", tag = "books", security(("token" = [])),
    params(("id" = String, Path, pattern = "^[0-9a-f]{8}-[0-9a-f]{4}-7[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}$", description = "The job book")),
    responses((status = 200, description = "The findings", body = Object),
        (status = 403, description = "book-refused: the office has not opened the book to the device, or there is none", content_type = "application/problem+json", body = ref("#/components/schemas/Problem"))))]
pub async fn findings(
    State(app): State<App>,
    caller: Caller,
    Id(book): Id<BookId>,
) -> Result<Response, ApiError> {
    exported(app, caller, book, "findings.json".into(), None, None).await
}

/// An export of a job: trees.csv, applications.csv, trees.geojson, findings.json, balance.json, summary.json,
/// application-records.csv, application-records-eu.csv, application-records-office.csv,
/// data-package.zip, report.pdf, book.xlsx, trees.gpkg; billing.csv and billing.xlsx for the office alone,
/// once it has entered rates. The answer's tag is the SHA-256 of its bytes.
#[utoipa::path(get, path = "/v1/books/{id}/exports/{name}", tag = "books", security(("token" = [])),
    params(("id" = String, Path, pattern = "^[0-9a-f]{8}-[0-9a-f]{4}-7[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}$", description = "The job book"), ("name" = String, Path, description = "Its name"),
        ("lang" = Option<String>, Query, pattern = "^(en|fr|es)$", description = "The report's language; English without it")),
    responses((status = 200, description = "The export, in the media type of its name",
        content((String = "text/csv"), (Object = "application/geo+json"), (Object = "application/json"),
            (Vec<u8> = "application/pdf"), (Vec<u8> = "application/zip"), (Vec<u8> = "application/geopackage+sqlite3"),
            (Vec<u8> = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"))),
        (status = 304, description = "The caller has it: its tag came in If-None-Match"),
        (status = 403, description = "book-refused: the office has not opened the book to the device, or there is none", content_type = "application/problem+json", body = ref("#/components/schemas/Problem"))))]
pub async fn export(
    State(app): State<App>,
    caller: Caller,
    BookAndName(book, name): BookAndName,
    RawQuery(query): RawQuery,
    headers: HeaderMap,
) -> Result<Response, ApiError> {
    if name.starts_with("billing.") {
        caller.office()?;
    }
    let query = form_urlencoded::parse(query.as_deref().unwrap_or_default().as_bytes());
    let language = query.filter(|(k, _)| k == "lang").map(|(_, v)| v.into_owned()).next();
    exported(app, caller, book, name, language, known(&headers)).await
}
