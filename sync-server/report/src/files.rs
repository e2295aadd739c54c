//! The files a job is exported as beside the core's own texts, by name: the same for desk, API and
//! command line.

use std::fmt::Write;

use bolebook_core::export::{
    BillingRates, Names, billing_csv, write_application_records_csv, write_applications_csv,
    write_eu_records_csv, write_office_records_csv, write_trees_csv, write_trees_geojson,
};
use bolebook_core::finding::Finding;
use bolebook_core::view::View;

use crate::{ReportError, data_package, one_sheet, workbook};

/// The GeoPackage's name: it is written into a file by [`write_geopackage`](crate::write_geopackage).
pub const PACKAGE: &str = "trees.gpkg";

/// The texts that grow with the job and come in parts, by [`write_text`].
pub const IN_PARTS: [&str; 6] = [
    "trees.csv",
    "applications.csv",
    "trees.geojson",
    "application-records.csv",
    "application-records-eu.csv",
    "application-records-office.csv",
];

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
    (PACKAGE, "Trees and blocks for a geographic information system (OGC GeoPackage)"),
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

/// One of [`FILES`] that is made whole; nothing for any other name, and for a billing basis without rates.
/// The report, the GeoPackage and the texts that come [`IN_PARTS`] have writers of their own.
///
/// # Errors
/// [`ReportError`] when it cannot be written.
pub fn file<N: Names>(name: &str, from: &Sources<'_, N>) -> Result<Option<Vec<u8>>, ReportError> {
    let Sources { view, findings, names, rates } = *from;
    Ok(Some(match (name, rates) {
        ("data-package.zip", _) => data_package(view, findings, names)?,
        ("book.xlsx", _) => workbook(view, findings, names)?,
        ("billing.xlsx", Some(rates)) => one_sheet(view, "Billing", &billing_csv(view, rates)?)?,
        ("billing.csv", Some(rates)) => billing_csv(view, rates)?.into_bytes(),
        _ => return Ok(None),
    }))
}

/// Writes one of the texts that come [`IN_PARTS`]; false for any other name, of which nothing is written.
///
/// # Errors
/// [`ReportError::Table`] when it cannot be written, or `out` takes no more.
pub fn write_text<N: Names>(
    out: &mut dyn Write,
    name: &str,
    from: &Sources<'_, N>,
) -> Result<bool, ReportError> {
    let Sources { view, findings, names, .. } = *from;
    match name {
        "trees.csv" => write_trees_csv(out, view, findings)?,
        "applications.csv" => write_applications_csv(out, view, findings, names)?,
        "trees.geojson" => write_trees_geojson(out, view, findings)?,
        "application-records.csv" => {
            write_application_records_csv(out, view, findings, names, |_, _| true)?;
        }
        "application-records-eu.csv" => write_eu_records_csv(out, view, findings, |_, _| true)?,
        "application-records-office.csv" => write_office_records_csv(out, view, |_, _| true)?,
        _ => return Ok(false),
    }
    Ok(true)
}
