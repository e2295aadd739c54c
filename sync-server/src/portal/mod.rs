//! The client portal: what was done to a client's trees, by a link the office gave and can withdraw.
//!
//! Read-only, without scripts, forms or cookies, on a listener of its own. A link opens one job. It
//! shows what stands on signed-off days and did not arrive after their sign-off; of other days only
//! what a doctor or the law may need at once, marked provisional.

mod canopies;
pub mod links;
mod page;
mod photos;
pub mod words;

use std::fmt::Write;
use std::net::SocketAddr;
use std::sync::Arc;

use axum::Router;
use axum::extract::{ConnectInfo, FromRequestParts, Path};
use axum::http::request::Parts;
use axum::http::{StatusCode, header};
use axum::response::{Html, IntoResponse as _, Response};
use axum::routing::{MethodRouter, get};
use bolebook_core::export::{
    ClientTexts, DayStates, ExportError, whole, write_application_records_csv, write_eu_records_csv,
};
use bolebook_core::facts::{Fact, Version};
use bolebook_core::ids::Sha256Hash;
use bolebook_core::view::View;
use bolebook_report::Reader;

use crate::desk::web::{Site, Told, layered};
use crate::error::ApiError;
use crate::files::report_for;
use crate::snapshot::{self, JobState, Snapshot};
use crate::spool::{Spool, Spooled};
use crate::state::{App, Inner};
use crate::tables;
use links::Link;
use words::Words;

const CSS: &str = include_str!("portal.css");
/// A link is noted as opened again after this long.
const USED_MS: i64 = 60_000;

/// Every address of the portal, on one page.
fn routes() -> Vec<(&'static str, MethodRouter<App>)> {
    vec![
        ("/portal.css", get(css)),
        ("/p/{token}", get(page::record)),
        ("/p/{token}/map.svg", get(page::picture)),
        ("/p/{token}/photos", get(photos::page)),
        ("/p/{token}/photos/{sha256}", get(photos::cleaned)),
        ("/p/{token}/photos/{sha256}/thumbnail", get(photos::small)),
        ("/p/{token}/application-records.csv", get(|visit| sent(visit, RECORDS))),
        ("/p/{token}/application-records-eu.csv", get(|visit| sent(visit, EU_RECORDS))),
        ("/p/{token}/report.pdf", get(report)),
        ("/p/{token}/trees.geojson", get(|visit| sent(visit, MAP))),
        ("/p/{token}/data-package.zip", get(|visit| sent(visit, PACKAGE))),
    ]
}

/// The whole portal.
pub fn router(state: App) -> Router {
    let mut router = Router::new();
    for (path, route) in routes() {
        router = router.route(path, route);
    }
    layered(router, Site::Portal).with_state(state)
}

async fn css() -> Response {
    (
        [(header::CONTENT_TYPE, "text/css; charset=utf-8"), (header::CACHE_CONTROL, "private, max-age=300")],
        CSS,
    )
        .into_response()
}

/// A reader who came by a link that opens.
pub struct Visit {
    /// The server.
    pub app: App,
    /// The link.
    pub link: Link,
    /// Its secret, as it stands in the address.
    pub token: String,
    /// The words to use.
    pub words: Words,
    /// Which page of the list.
    pub page: usize,
    /// The books.
    pub snapshot: Arc<Snapshot>,
}

impl Visit {
    /// The job of the link.
    ///
    /// # Errors
    /// 404 when the server no longer has it.
    pub fn job(&self) -> Result<&Arc<JobState>, ApiError> {
        self.snapshot.job(self.link.book)
    }

    /// An address below this link, in the language in use.
    pub fn href(&self, below: &str) -> String {
        let joined = if below.contains('?') { "&" } else { "?" };
        format!("/p/{}{below}{joined}lang={}", self.token, self.words.code())
    }
}

impl FromRequestParts<App> for Visit {
    type Rejection = Response;

    async fn from_request_parts(parts: &mut Parts, app: &App) -> Result<Self, Response> {
        let query = crate::desk::web::query(parts);
        let language = query.iter().find(|(k, _)| k == "lang").and_then(|(_, v)| Words::of(v));
        let page = query.iter().find(|(k, _)| k == "page").and_then(|(_, v)| v.parse().ok()).unwrap_or(1);
        let path = Path::<std::collections::BTreeMap<String, String>>::from_request_parts(parts, app).await;
        let token = path.ok().and_then(|Path(path)| path.get("token").cloned()).unwrap_or_default();
        let from = parts.extensions.get::<ConnectInfo<SocketAddr>>().map(|c| c.0.ip());
        let mut secret = [0; 32];
        let found = match hex::decode_to_slice(&token, &mut secret) {
            Ok(()) => app
                .blocking(move |app| app.read(|db| links::find(db, &secret)))
                .await
                .map_err(ApiError::into_response)?,
            Err(_) => None,
        };
        let now = app.now();
        let Some(link) = found else {
            if let Some(from) = from {
                app.desk.links.attempt(from, now).map_err(|wait| ApiError::too_many(wait).into_response())?;
            }
            return Err(ApiError::not_found("there is no such link").into_response());
        };
        let words = language.or_else(|| Words::of(&link.language)).or_else(|| Words::of("en"));
        let words = words.ok_or_else(|| ApiError::internal(&"no English").into_response())?;
        if link.withdrawn_at.is_some() || now > link.expires_at {
            let mut gone = (StatusCode::GONE, Html(page::over(words).into_string())).into_response();
            gone.extensions_mut().insert(Told);
            return Err(gone);
        }
        let (id, used) = (link.id, link.used_at);
        let snapshot = app
            .blocking(move |app| {
                if used.is_none_or(|at| now.0 - at.0 > USED_MS) {
                    app.write(|tx| links::used(tx, id, now))?;
                }
                snapshot::now(app)
            })
            .await
            .map_err(ApiError::into_response)?;
        Ok(Self { app: app.clone(), link, token, words, page: std::cmp::max(page, 1), snapshot })
    }
}

/// What a client may see: versions on signed-off days, but none that arrived after the sign-off.
pub struct Signed<'v>(DayStates<'v, 'static>);

impl<'v> Signed<'v> {
    /// Of a job.
    pub fn of(view: &'v View<'static>) -> Self {
        Self(DayStates::of(view))
    }

    /// Whether a version may be shown.
    pub fn takes(&self, version: &Version) -> bool {
        self.0.signed(version)
    }
}

/// What a client can take along: name in the address, and as which media type.
const FILES: [(&str, &str); 4] = [
    (RECORDS, "text/csv; charset=utf-8; header=present"),
    (EU_RECORDS, "text/csv; charset=utf-8; header=present"),
    (MAP, "application/geo+json"),
    (PACKAGE, bolebook_report::ZIP),
];
const RECORDS: &str = "application-records.csv";
const EU_RECORDS: &str = "application-records-eu.csv";
const MAP: &str = "trees.geojson";
const PACKAGE: &str = "data-package.zip";

/// Writes one of the texts a client gets: what stands on signed-off days.
fn write_text(
    out: &mut dyn Write,
    snapshot: &Snapshot,
    job: &JobState,
    name: &str,
) -> Result<(), ExportError> {
    let (view, findings, signed) = (&job.view, snapshot.findings(job), Signed::of(&job.view));
    let takes = |fact: &Fact, v: &Version| fact.in_force() && signed.takes(v);
    match name {
        RECORDS => write_application_records_csv(out, view, &findings, &snapshot.names, takes),
        EU_RECORDS => write_eu_records_csv(out, view, &findings, takes),
        _ => tables::write_treated_geojson(out, snapshot, job, |v| signed.takes(v)),
    }
}

/// One of the files a client gets, made once for each state.
fn file(app: &Inner, snapshot: &Snapshot, job: &JobState, name: &str) -> Result<Arc<Spooled>, ApiError> {
    let kept_as = format!("client/{name}");
    app.spools.file(snapshot, job.view.book, &kept_as, || {
        if name != PACKAGE {
            return Spool::of(app, |out| write_text(out, snapshot, job, name));
        }
        let text = |name| whole(|out| write_text(out, snapshot, job, name));
        let texts = ClientTexts { records: text(RECORDS)?, records_eu: text(EU_RECORDS)?, map: text(MAP)? };
        Spooled::of_bytes(app, &bolebook_report::client_package(&job.view, texts)?)
    })
}

/// The SHA-256 of one of them, for who wants to verify a download.
///
/// # Errors
/// As its making's.
fn digest(app: &Inner, snapshot: &Snapshot, job: &JobState, name: &str) -> Result<Sha256Hash, ApiError> {
    let known = app.spools.digest(snapshot, job.view.book, &format!("client/{name}"));
    known.map_or_else(|| Ok(file(app, snapshot, job, name)?.digest()), Ok)
}

/// An answer that is kept as a file.
fn attached(name: &str, answer: Response) -> Response {
    let named = format!("attachment; filename=\"{name}\"");
    ([(header::CONTENT_DISPOSITION, named)], answer).into_response()
}

async fn sent(visit: Visit, name: &'static str) -> Result<Response, ApiError> {
    let app = visit.app.clone();
    app.blocking(move |app| {
        let media = FILES.iter().find(|(known, _)| *known == name).map_or("", |(_, media)| media);
        Ok(attached(name, file(app, &visit.snapshot, visit.job()?, name)?.answer(media)))
    })
    .await
}

/// The report of what stands on signed-off days, in the reader's language.
async fn report(visit: Visit) -> Result<Response, ApiError> {
    let app = visit.app.clone();
    app.blocking(move |app| {
        let job = visit.job()?;
        let signed = Signed::of(&job.view);
        let takes = |fact: &Fact, v: &Version| fact.in_force() && signed.takes(v);
        let made = report_for(app, &visit.snapshot, job, visit.words, Reader::Client, &takes)?;
        Ok(attached("report.pdf", ([(header::CONTENT_TYPE, bolebook_report::PDF)], made).into_response()))
    })
    .await
}
