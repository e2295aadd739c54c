//! Every file a job can be exported as, by name: the same for the desk and the API.

use std::sync::Arc;

use axum::http::header;
use axum::response::{IntoResponse as _, Response};
use bolebook_core::export::BillingRates;
use bolebook_core::facts::{Fact, Version};
use bolebook_core::finding::Finding;
use bolebook_core::ids::Sha256Hash;
use bolebook_report::files::{self, IN_PARTS, PACKAGE, REPORT, Sources};
use bolebook_report::words::Words;
use bolebook_report::{Asked, GPKG, PDF, Reader, XLSX, ZIP, report, write_geopackage};

pub use bolebook_report::files::FILES;

use crate::error::ApiError;
use crate::findings::{EXPORTS, export, media_type};
use crate::photos::thumbnail;
use crate::snapshot::{JobState, Snapshot};
use crate::spool::{Draft, Spool, Spooled};
use crate::state::Inner;

/// What an export may turn on beside the state.
pub struct Choices {
    /// The report's language.
    pub words: Words,
    /// The office's rates, if it entered any.
    pub rates: Option<BillingRates>,
}

impl Choices {
    /// In a language, or English; with the rates entered for the job.
    ///
    /// # Errors
    /// 404 for a language there is not; the database's.
    pub fn of(app: &Inner, job: &JobState, language: Option<&str>) -> Result<Self, ApiError> {
        let code = language.unwrap_or("en");
        let words = Words::of(code).ok_or_else(|| {
            ApiError::not_found(format!(
                "there is no language '{}'; there are en, fr, es",
                bolebook_report::clean(code)
            ))
        })?;
        let rates = app.read(|db| crate::desk::billing::rates(db, job.view.book))?;
        Ok(Self { words, rates })
    }
}

/// What an export is sent as.
pub enum Content {
    /// Made whole, in memory.
    Bytes(Vec<u8>),
    /// On the disk, to be sent in parts.
    File(Arc<Spooled>),
}

impl Content {
    /// The SHA-256 of its bytes.
    pub fn digest(&self) -> Sha256Hash {
        match self {
            Self::Bytes(bytes) => Sha256Hash::of(bytes),
            Self::File(file) => file.digest(),
        }
    }

    /// An answer that holds it.
    pub fn answer(self, media: &'static str) -> Response {
        match self {
            Self::Bytes(bytes) => ([(header::CONTENT_TYPE, media)], bytes).into_response(),
            Self::File(file) => file.answer(media),
        }
    }
}

/// One export of a job: its media type and its content.
///
/// # Errors
/// 404 for an export there is not; 409 for a billing basis without rates.
pub fn file(
    app: &Inner,
    snapshot: &Snapshot,
    job: &JobState,
    name: &str,
    choices: &Choices,
) -> Result<(&'static str, Content), ApiError> {
    let (findings, rates) = (snapshot.findings(job), choices.rates.as_ref());
    let from = Sources { view: &job.view, findings: &findings, names: &snapshot.names, rates };
    if IN_PARTS.contains(&name) {
        let made = || Spool::of(app, |out| files::write_text(out, name, &from).map(|_| ()));
        let file = app.spools.file(snapshot, job.view.book, name, made)?;
        return Ok((media_type(name), Content::File(file)));
    }
    if name == PACKAGE {
        let made = || {
            let draft = Draft::new(app)?;
            write_geopackage(&job.view, &findings, draft.path())?;
            Spooled::taken(draft)
        };
        return Ok((GPKG, Content::File(app.spools.file(snapshot, job.view.book, name, made)?)));
    }
    if EXPORTS.contains(&name) {
        let text = export(snapshot, job, name)?;
        return Ok((media_type(name), Content::Bytes(text.as_bytes().to_vec())));
    }
    if name == REPORT {
        return Ok((PDF, Content::Bytes(whole_report(app, snapshot, job, choices.words)?)));
    }
    if let Some(bytes) = files::file(name, &from)? {
        let media = match name.rsplit_once('.').map(|(_, ending)| ending) {
            Some("zip") => ZIP,
            Some("xlsx") => XLSX,
            _ => media_type(name),
        };
        return Ok((media, Content::Bytes(bytes)));
    }
    if FILES.iter().any(|(known, _)| *known == name) {
        return Err(ApiError::new(
            axum::http::StatusCode::CONFLICT,
            "no-rates",
            "no rates were entered for this job: the office enters them on the desk's page Billing",
        ));
    }
    let all: Vec<&str> = EXPORTS.into_iter().chain(FILES.map(|(name, _)| name)).collect();
    Err(ApiError::not_found(format!("no such export; there are {}", all.join(", "))))
}

/// The office's report: every day, provisional ones marked.
fn whole_report(app: &Inner, snapshot: &Snapshot, job: &JobState, words: Words) -> Result<Vec<u8>, ApiError> {
    report_for(app, snapshot, job, words, Reader::Office, &|_, _| true)
}

/// A report for a reader, with the photos this server has.
///
/// # Errors
/// An internal error when it cannot be written.
pub fn report_for(
    app: &Inner,
    snapshot: &Snapshot,
    job: &JobState,
    words: Words,
    reader: Reader,
    takes: &dyn Fn(&Fact, &Version) -> bool,
) -> Result<Vec<u8>, ApiError> {
    let findings: Arc<Vec<Finding>> = snapshot.findings(job);
    // A photo that cannot be read is left out; the report says how many it shows of how many. Where the
    // place of all of them does not answer, there is no report that lacks them by chance.
    let away = std::cell::OnceCell::new();
    let photos = |hash: Sha256Hash, media: &str| {
        if !thumbnail::is_made_of(media) || away.get().is_some() {
            return None;
        }
        let made = thumbnail::of(app, hash);
        made.map_err(|error| error.is("photo-store").then(|| away.set(error))).ok()
    };
    let asked = Asked {
        view: &job.view,
        findings: &findings,
        names: &snapshot.names,
        words,
        reader,
        takes,
        photos: Some(&photos),
    };
    let written = report(&asked)?;
    away.into_inner().map_or(Ok(written), Err)
}
