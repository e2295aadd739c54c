//! The client's signed papers: kept on this server under the digest that the record names, for the
//! office alone. The books never hold them, so they can be removed.

use axum::extract::Path;
use axum::http::header;
use axum::response::{IntoResponse as _, Response};
use bolebook_core::ids::{BookId, Sha256Hash};
use bolebook_core::record::{Body, Kind};
use bolebook_core::view::View;
use bolebook_objects::Key;

use crate::body::Id;
use crate::desk::entry::{Answer, Problems, answered};
use crate::desk::forms::{Posted, unwritable};
use crate::desk::page::Desk;
use crate::desk::setup::typed_of;
use crate::desk::setup_page::page_of;
use crate::desk::upload::Upload;
use crate::error::ApiError;
use crate::photos::sniff;
use crate::state::Inner;

/// Whether a paper's file is here. A place that does not answer is not said to lack it: whoever opens it
/// is told why.
pub fn held(app: &Inner, paper: Sha256Hash) -> bool {
    app.objects.has(&Key::paper(paper)).unwrap_or(true)
}

/// A paper's media type by its first bytes: PDF (ISO 32000-2, 7.5.2) or a picture.
fn media_type(bytes: &[u8]) -> Option<&'static str> {
    if bytes.starts_with(b"%PDF-") { Some("application/pdf") } else { sniff(bytes) }
}

/// Whether any version of a job's authorisations names a paper.
fn named(view: &View<'_>, paper: Sha256Hash) -> bool {
    let authorisations = view.facts.of_kind(Kind::Authorisation).flat_map(|fact| &fact.history);
    authorisations.map(|v| &view.facts.versions[*v].record.body).any(|body| match body {
        Body::Authorisation(a) => a.document == Some(paper),
        _ => false,
    })
}

/// Takes a paper in and shows the form with its digest.
pub async fn add(Id(book): Id<BookId>, upload: Upload) -> Result<Response, ApiError> {
    let Upload { desk, name, bytes, .. } = upload;
    answered(desk, move |desk| {
        let job = desk.job(book)?;
        let Some(_) = media_type(&bytes) else {
            return Err(unwritable(format!(
                "{name} is no PDF and no picture: scan the paper as one of them"
            )));
        };
        let paper = Sha256Hash::of(&bytes);
        let key = Key::paper(paper);
        if !desk.app.objects.has(&key)? {
            desk.app.objects.put(&key, &bytes)?;
        }
        let mut typed = typed_of(&job.view.requirements());
        typed.put("authorise.document", paper.to_string());
        Ok(Answer::Page(page_of(desk, job, &typed, &Problems::default())))
    })
    .await
}

fn wanted(desk: &Desk, book: BookId, paper: &str) -> Result<Sha256Hash, ApiError> {
    let none = || ApiError::not_found("this job names no such paper");
    let paper: Sha256Hash = paper.parse().map_err(|_| none())?;
    if named(&desk.job(book)?.view, paper) { Ok(paper) } else { Err(none()) }
}

/// The file.
pub async fn one(desk: Desk, Path((book, paper)): Path<(String, String)>) -> Result<Response, ApiError> {
    let app = desk.app.clone();
    app.blocking(move |app| {
        let book = book.parse().map_err(|_| ApiError::not_found("there is no such job"))?;
        let paper = wanted(&desk, book, &paper)?;
        let bytes = app.objects.get(&Key::paper(paper))?.ok_or_else(|| {
            ApiError::not_found("this server does not hold the paper: the record keeps its digest")
        })?;
        let media = media_type(&bytes).unwrap_or("application/octet-stream");
        let ending = media.rsplit('/').next().unwrap_or("bin");
        let attached = format!("attachment; filename=\"paper.{ending}\"");
        Ok(([(header::CONTENT_TYPE, media.to_owned()), (header::CONTENT_DISPOSITION, attached)], bytes)
            .into_response())
    })
    .await
}

/// Removes the file for good; the record goes on naming its digest.
pub async fn remove(
    Path((book, paper)): Path<(String, String)>,
    Posted { desk, .. }: Posted,
) -> Result<Response, ApiError> {
    answered(desk, move |desk| {
        let book: BookId = book.parse().map_err(|_| ApiError::not_found("there is no such job"))?;
        desk.app.objects.remove(&Key::paper(wanted(desk, book, &paper)?))?;
        Ok(Answer::Went(format!("/jobs/{book}/setup?done=paper-removed")))
    })
    .await
}
