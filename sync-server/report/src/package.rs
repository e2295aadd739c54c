//! The data package as one archive: entries in a fixed order, dated alike, so that the same state
//! gives the same bytes.

use std::io::{Cursor, Write as _};

use bolebook_core::export::{ClientTexts, Names, client_package_files, package_files};
use bolebook_core::finding::Finding;
use bolebook_core::view::View;
use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, DateTime, ZipWriter};

use crate::ReportError;

/// Every table of a job with what its columns mean, as one archive.
///
/// # Errors
/// [`ReportError`] when a table or the archive cannot be written.
pub fn data_package(
    view: &View<'_>,
    findings: &[Finding],
    names: &impl Names,
) -> Result<Vec<u8>, ReportError> {
    archive(package_files(view, findings, names)?)
}

/// What a client gets of a job, as one archive: [`client_package_files`].
///
/// # Errors
/// [`ReportError`] when the archive cannot be written.
pub fn client_package(view: &View<'_>, texts: ClientTexts) -> Result<Vec<u8>, ReportError> {
    archive(client_package_files(view, texts)?)
}

fn archive(files: Vec<(String, String)>) -> Result<Vec<u8>, ReportError> {
    let failed = |e: &dyn std::fmt::Display| ReportError::Archive(e.to_string());
    // 1980-01-01, the earliest an archive can say: when it was packed is nobody's business.
    let options = SimpleFileOptions::default()
        .compression_method(CompressionMethod::Deflated)
        .compression_level(Some(6))
        .last_modified_time(DateTime::default())
        .unix_permissions(0o644);
    let mut archive = ZipWriter::new(Cursor::new(vec![]));
    for (name, text) in files {
        archive.start_file(name, options).map_err(|e| failed(&e))?;
        archive.write_all(text.as_bytes()).map_err(|e| failed(&e))?;
    }
    Ok(archive.finish().map_err(|e| failed(&e))?.into_inner())
}
