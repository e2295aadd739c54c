//! The books a server has, their findings and exports.

use axum::extract::State;
use axum::http::header;
use axum::response::{IntoResponse as _, Response};
use bolebook_core::ids::BookId;
use bolebook_core::service::{BookEntry, BookList};
use bolebook_log::BookKind;

use crate::auth::Caller;
use crate::body::{BookAndName, Id, Json};
use crate::error::ApiError;
use crate::findings;
use crate::state::App;

/// The books this server has, the yard first.
#[utoipa::path(get, path = "/v1/books", tag = "books", security(("token" = [])),
    responses((status = 200, description = "The books", body = ref("#/components/schemas/BookList"))))]
pub async fn list(State(app): State<App>, _: Caller) -> Result<Json<BookList>, ApiError> {
    app.blocking(|app| {
        app.read(|db| {
            let mut books = vec![];
            for info in bolebook_log::books(db)? {
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

async fn exported(app: App, book: BookId, name: String) -> Result<Response, ApiError> {
    app.blocking(move |app| {
        let (snapshot, job) = findings::of_job(app, book)?;
        let text = findings::export(&snapshot, &job, &name)?;
        Ok(([(header::CONTENT_TYPE, findings::media_type(&name))], text.as_str().to_owned()).into_response())
    })
    .await
}

/// What the checks say of a job, at the log's end.
#[utoipa::path(get, path = "/v1/books/{id}/findings", tag = "books", security(("token" = [])),
    params(("id" = String, Path, pattern = "^[0-9a-f]{8}-[0-9a-f]{4}-7[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}$", description = "The job book")),
    responses((status = 200, description = "The findings", body = Object)))]
pub async fn findings(State(app): State<App>, _: Caller, Id(book): Id<BookId>) -> Result<Response, ApiError> {
    exported(app, book, "findings.json".into()).await
}

/// An export of a job: trees.csv, applications.csv, trees.geojson, findings.json, balance.json, summary.json.
#[utoipa::path(get, path = "/v1/books/{id}/exports/{name}", tag = "books", security(("token" = [])),
    params(("id" = String, Path, pattern = "^[0-9a-f]{8}-[0-9a-f]{4}-7[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}$", description = "The job book"), ("name" = String, Path, description = "Its name")),
    responses((status = 200, description = "The export, in the media type of its name",
        content((String = "text/csv"), (Object = "application/geo+json"), (Object = "application/json")))))]
pub async fn export(
    State(app): State<App>,
    _: Caller,
    BookAndName(book, name): BookAndName,
) -> Result<Response, ApiError> {
    exported(app, book, name).await
}
