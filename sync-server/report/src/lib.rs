//! What leaves Bolebook printed or packed: the report of a job as a tagged PDF, and its data package.
//!
//! Both are functions of the state, the register, the language and, for the report, the photos at
//! hand: the same state gives the same bytes. The report is laid out twice: once on paper
//! (`layout`), once as a document (`emit`), because a page says of how
//! many it is one. It is built to the rules of PDF/A-2a and PDF/UA-1, which the writing library checks
//! in a test; the file claims neither, as no validator independent of the writer was at hand.

mod content;
mod emit;
pub mod files;
pub mod geopackage;
mod layout;
mod package;
mod select;
mod table;
mod text;
pub mod words;
mod workbook;

use bolebook_core::export::Names;
use bolebook_core::facts::{Fact, Version};
use bolebook_core::finding::Finding;
use bolebook_core::ids::Sha256Hash;
use bolebook_core::view::View;

pub use content::{MOST_PHOTOS, MOST_PICTURES, MOST_ROWS};
pub use geopackage::{GPKG, geopackage, write_geopackage};
pub use package::{client_package, data_package};
use words::Words;
pub use workbook::{XLSX, one_sheet, read_csv, workbook};

/// Media type of the report (ISO 32000).
pub const PDF: &str = "application/pdf";
/// Media type of the data package.
pub const ZIP: &str = "application/zip";

/// No report or package could be made.
#[derive(Debug, thiserror::Error)]
pub enum ReportError {
    /// A font of the program cannot be read.
    #[error("the report's font cannot be read: the program is damaged")]
    Font,
    /// The library that writes the document refused it.
    #[error("the report could not be written: {0}")]
    Document(String),
    /// A table could not be written.
    #[error(transparent)]
    Table(#[from] bolebook_core::export::ExportError),
    /// The library that writes workbooks refused it.
    #[error("the workbook could not be written: {0}")]
    Workbook(String),
    /// The library that writes GeoPackages refused it.
    #[error("the GeoPackage could not be written: {0}")]
    Geopackage(#[from] rusqlite::Error),
    /// A file could not be written.
    #[error("the file could not be written: {0}")]
    File(#[from] std::io::Error),
    /// The archive could not be written.
    #[error("the data package could not be written: {0}")]
    Archive(String),
}

/// Who reads a report.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reader {
    /// The office: every day, provisional ones marked, struck applications too.
    Office,
    /// The client: what stands on signed-off days.
    Client,
}

/// Gives a photo small, upright and without what the camera wrote beside it, as JPEG.
pub type Photos<'a> = &'a dyn Fn(Sha256Hash, &str) -> Option<Vec<u8>>;

/// What a report is made of.
pub struct Asked<'a> {
    /// The job.
    pub view: &'a View<'a>,
    /// What the checks found.
    pub findings: &'a [Finding],
    /// Who is who.
    pub names: &'a dyn Names,
    /// The language.
    pub words: Words,
    /// For whom.
    pub reader: Reader,
    /// Which versions are shown.
    pub takes: &'a dyn Fn(&Fact, &Version) -> bool,
    /// The photos at hand; none where there is no store of photos.
    pub photos: Option<Photos<'a>>,
}

/// The report of a job.
///
/// # Errors
/// [`ReportError`] when a font cannot be read or the document not be written.
pub fn report(asked: &Asked<'_>) -> Result<Vec<u8>, ReportError> {
    emit::document(asked, &content::laid_out(asked, &text::Fonts::load()?)?, false)
}

/// The same, refused unless the writing library finds it to keep the rules of PDF/A-2a and PDF/UA-1,
/// and with their marks in it: for tests.
///
/// # Errors
/// [`ReportError::Document`] naming the rules broken.
pub fn report_held_to_archive_rules(asked: &Asked<'_>) -> Result<Vec<u8>, ReportError> {
    emit::document(asked, &content::laid_out(asked, &text::Fonts::load()?)?, true)
}

/// Replaces control signs and the marks that turn text around (Unicode TR 36 §2.5.1) by a visible sign.
pub fn clean(text: &str) -> String {
    let steers = |c: char| matches!(c, '\u{61c}' | '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{feff}');
    text.chars().map(|c| if steers(c) || (c.is_control() && c != '\n') { '\u{fffd}' } else { c }).collect()
}
