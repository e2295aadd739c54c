//! Every file a job can be exported as, by name: the same for the desk and the API.

use bolebook_core::export::{BillingRates, billing_csv, eu_records_csv, office_records_csv};
use bolebook_core::facts::{Fact, Version};
use bolebook_core::finding::Finding;
use bolebook_core::ids::Sha256Hash;
use bolebook_report::words::Words;
use bolebook_report::{Asked, PDF, Reader, ZIP, data_package, one_sheet, report};

use crate::error::ApiError;
use crate::findings::{EXPORTS, export, media_type};
use crate::photos::thumbnail;
use crate::snapshot::{JobState, Snapshot};
use crate::state::Inner;
use crate::tables;

/// The files beside the plain texts of [`EXPORTS`]: name and what it is.
pub const FILES: [(&str, &str); 9] = [
    ("report.pdf", "The report of the job: sums, cautions, map, trees, applications, holes, photos"),
    (
        "data-package.zip",
        "Every table with what its columns mean (Frictionless Data Package with Table Schema)",
    ),
    ("book.xlsx", "A workbook: trees, applications, findings"),
    ("trees.gpkg", "Trees and blocks for a geographic information system (OGC GeoPackage)"),
    (
        "application-records.csv",
        "Application records with the elements of 40 CFR 171.303(b)(7)(vi), and what each lacks; struck and provisional ones marked",
    ),
    (
        "application-records-eu.csv",
        "Application records with the elements of Implementing Regulation (EU) 2023/564, and what each lacks",
    ),
    (
        "application-records-office.csv",
        "Application records with the elements of the office's own list, and what this job asks for and lacks",
    ),
    ("billing.csv", "The billing basis at the rates entered for this job"),
    ("billing.xlsx", "The billing basis as a workbook"),
];

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

fn text(made: Result<String, bolebook_core::export::ExportError>) -> Result<Vec<u8>, ApiError> {
    made.map(String::into_bytes).map_err(|e| ApiError::internal(&e))
}

/// One export of a job: its media type and its bytes.
///
/// # Errors
/// 404 for an export there is not; 409 for a billing basis without rates.
pub fn file(
    app: &Inner,
    snapshot: &Snapshot,
    job: &JobState,
    name: &str,
    choices: &Choices,
) -> Result<(&'static str, Vec<u8>), ApiError> {
    let view = &job.view;
    let findings = || snapshot.findings(job);
    let csv = "text/csv; charset=utf-8; header=present";
    Ok(match name {
        "book.xlsx" => (tables::XLSX, tables::workbook(snapshot, job)?),
        "trees.gpkg" => (tables::GPKG, tables::geopackage(snapshot, job)?),
        "report.pdf" => (PDF, whole_report(app, snapshot, job, choices.words)?),
        "data-package.zip" => (ZIP, data_package(view, &findings(), &snapshot.names)?),
        "application-records.csv" => {
            (csv, tables::application_records(snapshot, job, |_, _| true)?.into_bytes())
        }
        "application-records-eu.csv" => (csv, text(eu_records_csv(view, &findings(), |_, _| true))?),
        "application-records-office.csv" => (csv, text(office_records_csv(view, |_, _| true))?),
        "billing.csv" => (csv, billing(job, choices)?.into_bytes()),
        "billing.xlsx" => (tables::XLSX, one_sheet(view, "Billing", &billing(job, choices)?)?),
        _ if EXPORTS.contains(&name) => (media_type(name), export(snapshot, job, name)?.as_bytes().to_vec()),
        _ => {
            let all: Vec<&str> = EXPORTS.into_iter().chain(FILES.map(|(name, _)| name)).collect();
            return Err(ApiError::not_found(format!("no such export; there are {}", all.join(", "))));
        }
    })
}

fn billing(job: &JobState, choices: &Choices) -> Result<String, ApiError> {
    let Some(rates) = &choices.rates else {
        return Err(ApiError::new(
            axum::http::StatusCode::CONFLICT,
            "no-rates",
            "no rates were entered for this job: the office enters them on the desk's page Billing",
        ));
    };
    billing_csv(&job.view, rates).map_err(|e| ApiError::internal(&e))
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
    let findings: std::sync::Arc<Vec<Finding>> = snapshot.findings(job);
    // A photo that cannot be read is left out; the report says how many it shows of how many.
    let photos = |hash: Sha256Hash, media: &str| {
        thumbnail::is_made_of(media).then(|| thumbnail::of(app, hash).ok()).flatten()
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
    Ok(report(&asked)?)
}
