//! The files a job is exported as beside the core's own texts, by name: the same for desk, API and
//! command line.

use bolebook_core::export::{
    BillingRates, Names, application_records_csv, billing_csv, eu_records_csv, office_records_csv,
};
use bolebook_core::finding::Finding;
use bolebook_core::view::View;

use crate::{ReportError, data_package, geopackage, one_sheet, workbook};

/// The report's name: it is made by [`report`](crate::report), for it shows photos.
pub const REPORT: &str = "report.pdf";

/// Name and what it is.
pub const FILES: [(&str, &str); 9] = [
    (REPORT, "The report of the job: sums, cautions, map, trees, applications, holes, photos"),
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

/// What the files are made of.
pub struct Sources<'a, N> {
    /// The job.
    pub view: &'a View<'a>,
    /// What the checks found.
    pub findings: &'a [Finding],
    /// Who is who.
    pub names: &'a N,
    /// The office's rates, if it entered any.
    pub rates: Option<&'a BillingRates>,
}

/// One of [`FILES`] but the report; nothing for any other name, and for a billing basis without rates.
///
/// # Errors
/// [`ReportError`] when it cannot be written.
pub fn file<N: Names>(name: &str, from: &Sources<'_, N>) -> Result<Option<Vec<u8>>, ReportError> {
    let Sources { view, findings, names, rates } = *from;
    let text = match (name, rates) {
        ("data-package.zip", _) => return data_package(view, findings, names).map(Some),
        ("book.xlsx", _) => return workbook(view, findings, names).map(Some),
        ("trees.gpkg", _) => return geopackage(view, findings).map(Some),
        ("billing.xlsx", Some(rates)) => {
            return one_sheet(view, "Billing", &billing_csv(view, rates)?).map(Some);
        }
        ("application-records.csv", _) => application_records_csv(view, findings, names, |_, _| true)?,
        ("application-records-eu.csv", _) => eu_records_csv(view, findings, |_, _| true)?,
        ("application-records-office.csv", _) => office_records_csv(view, |_, _| true)?,
        ("billing.csv", Some(rates)) => billing_csv(view, rates)?,
        _ => return Ok(None),
    };
    Ok(Some(text.into_bytes()))
}
