//! The books a server has, their findings and exports.

use axum::extract::{RawQuery, State};
use axum::http::{HeaderMap, HeaderName, HeaderValue, StatusCode, header};
use axum::response::{AppendHeaders, IntoResponse as _, Response};
use bolebook_core::export::{findings_json, trees_json};
use bolebook_core::finding::Finding;
use bolebook_core::ids::{BookId, Sha256Hash, TreeId};
use bolebook_core::service::{BookEntry, BookList};
use bolebook_log::BookKind;

use crate::auth::Caller;
use crate::body::{BookAndName, Id, Json};
use crate::error::ApiError;
use crate::files::{Choices, Content, file};
use crate::findings;
use crate::paging::Paging;
use crate::snapshot::{JobState, Snapshot};
use crate::state::{App, Inner};

/// The books this server has and the caller may have, the yard first; a part of them in the order of
/// their ids when `limit` or `after` is given.
#[utoipa::path(get, path = "/v1/books", tag = "books", security(("token" = [])),
    params(Paging),
    responses((status = 200, description = "The books", body = ref("#/components/schemas/BookList"),
        headers(("link" = Option<String>, description = "Where the next part is (RFC 8288); not after the last")))))]
pub async fn list(
    State(app): State<App>,
    caller: Caller,
    RawQuery(query): RawQuery,
) -> Result<Response, ApiError> {
    let paging = Paging::read(query.as_deref())?;
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
            let books = books.into_iter().map(|(_, entry)| entry).collect();
            let part = paging.part(books, |entry: &BookEntry| entry.book.to_string());
            let link = part.link("/v1/books");
            Ok((AppendHeaders(link), Json(BookList { books: part.items })).into_response())
        })
    })
    .await
}

/// Makes an answer from a job with the digest of its bytes as its tag, or 304 to whoever has them; of a
/// file whose digest is known without making it again.
async fn tagged(
    app: App,
    caller: Caller,
    book: BookId,
    asked: Asked,
    make: impl FnOnce(&Inner, &Snapshot, &JobState) -> Result<Made, ApiError> + Send + 'static,
) -> Result<Response, ApiError> {
    app.blocking(move |app| {
        app.read(|db| caller.may_read(app, db, book))?;
        let (snapshot, job) = findings::of_job(app, book)?;
        let name = asked.file.as_deref();
        if let Some(digest) = name.and_then(|name| app.spools.digest(&snapshot, book, name))
            && let Some(answer) = asked.has(digest)
        {
            return Ok(answer);
        }
        let Made { media, content, link } = make(app, &snapshot, &job)?;
        let digest = content.digest();
        if let Some(answer) = asked.has(digest) {
            return Ok(answer);
        }
        let tagged = [(header::ETAG, tag(digest))];
        Ok((tagged, AppendHeaders(link), content.answer(media)).into_response())
    })
    .await
}

fn tag(digest: Sha256Hash) -> String {
    format!("\"{digest}\"")
}

/// What the caller wants, and has.
struct Asked {
    /// The tags in If-None-Match.
    known: Option<String>,
    /// The export's name.
    file: Option<String>,
}

impl Asked {
    fn of(headers: &HeaderMap) -> Self {
        Self { known: known(headers), file: None }
    }

    /// 304, if the caller has these bytes.
    fn has(&self, digest: Sha256Hash) -> Option<Response> {
        let tag = tag(digest);
        let known = self.known.as_ref()?;
        let has = known.split(',').any(|k| k.trim().trim_start_matches("W/") == tag);
        has.then(|| (StatusCode::NOT_MODIFIED, [(header::ETAG, tag)]).into_response())
    }
}

/// An answer before it is tagged.
struct Made {
    media: &'static str,
    content: Content,
    link: Option<(HeaderName, HeaderValue)>,
}

fn known(headers: &HeaderMap) -> Option<String> {
    headers.get(header::IF_NONE_MATCH).and_then(|v| v.to_str().ok()).map(str::to_owned)
}

/// What the checks say of a job, at the log's end: all of it, the gravest first, or a part in the order of ids.
#[utoipa::path(get, path = "/v1/books/{id}/findings", tag = "books", security(("token" = [])),
    params(("id" = String, Path, pattern = "^[0-9a-f]{8}-[0-9a-f]{4}-7[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}$", description = "The job book"),
        Paging),
    responses((status = 200, description = "The findings", body = Object,
            headers(("etag" = String, description = "The SHA-256 of the body"), ("link" = Option<String>, description = "Where the next part is (RFC 8288); not after the last"))),
        (status = 304, description = "The caller has it: its tag came in If-None-Match"),
        (status = 403, description = "book-refused: the office has not opened the book to the device, or there is none", content_type = "application/problem+json", body = ref("#/components/schemas/Problem"))))]
pub async fn findings(
    State(app): State<App>,
    caller: Caller,
    Id(book): Id<BookId>,
    RawQuery(query): RawQuery,
    headers: HeaderMap,
) -> Result<Response, ApiError> {
    let paging = Paging::read(query.as_deref())?;
    tagged(app, caller, book, Asked::of(&headers), move |_, snapshot, job| {
        let media = "application/json";
        if paging.whole() {
            let text = findings::export(snapshot, job, "findings.json")?;
            return Ok(Made { media, content: Content::Bytes(text.as_bytes().to_vec()), link: None });
        }
        let all = snapshot.findings(job).to_vec();
        let part = paging.part(all, |finding: &Finding| finding.id.to_string());
        let link = part.link(&format!("/v1/books/{book}/findings"));
        let text = findings_json(&job.view, &part.items).map_err(|e| ApiError::internal(&e))?;
        Ok(Made { media, content: Content::Bytes(text.into_bytes()), link })
    })
    .await
}

/// The trees of a job, at the log's end, in the order of ids: each with tag, species, diameters, state and
/// what went into it.
#[utoipa::path(get, path = "/v1/books/{id}/trees", tag = "books", security(("token" = [])),
    params(("id" = String, Path, pattern = "^[0-9a-f]{8}-[0-9a-f]{4}-7[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}$", description = "The job book"),
        Paging),
    responses((status = 200, description = "The trees", body = Object,
            headers(("etag" = String, description = "The SHA-256 of the body"), ("link" = Option<String>, description = "Where the next part is (RFC 8288); not after the last"))),
        (status = 304, description = "The caller has it: its tag came in If-None-Match"),
        (status = 403, description = "book-refused: the office has not opened the book to the device, or there is none", content_type = "application/problem+json", body = ref("#/components/schemas/Problem"))))]
pub async fn trees(
    State(app): State<App>,
    caller: Caller,
    Id(book): Id<BookId>,
    RawQuery(query): RawQuery,
    headers: HeaderMap,
) -> Result<Response, ApiError> {
    let paging = Paging::read(query.as_deref())?;
    tagged(app, caller, book, Asked::of(&headers), move |_, _, job| {
        let all = job.view.trees.keys().copied().collect();
        let part = paging.part(all, TreeId::to_string);
        let link = part.link(&format!("/v1/books/{book}/trees"));
        let text = trees_json(&job.view, &part.items).map_err(|e| ApiError::internal(&e))?;
        Ok(Made { media: "application/json", content: Content::Bytes(text.into_bytes()), link })
    })
    .await
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
    let asked = Asked { file: Some(name.clone()), ..Asked::of(&headers) };
    tagged(app, caller, book, asked, move |app, snapshot, job| {
        let choices = Choices::of(app, job, language.as_deref())?;
        let (media, content) = file(app, snapshot, job, &name, &choices)?;
        Ok(Made { media, content, link: None })
    })
    .await
}
