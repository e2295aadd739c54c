//! Exports: what leaves Bolebook, as a function of the books' heads.
//!
//! The same state gives the same bytes. Names of people are not in the books; whoever exports
//! resolves them through [`Names`]. Each export names the state it shows.

mod billing;
mod day_sheet;
mod due;
mod geojson;
mod json;
mod law;
mod law_eu;
mod more;
mod out;
mod package;
pub mod schema;
mod standing;
mod table;

use crate::ids::{ClientId, PersonId, Sha256Hash};

pub use billing::{BILLING, BillingRates, RatesError, billing_csv};
pub use day_sheet::{DaySheet, SheetRow, day_sheet};
pub use due::{COPY_DAYS, copy_due};
pub use geojson::{trees_geojson, write_trees_geojson};
pub use json::{TreeRow, balance_json, findings_json, summary_json, trees_json};
pub use law::{RECORD_COLUMNS, application_records_csv, write_application_records_csv};
pub use law_eu::{
    EU_RECORDS, OFFICE_RECORDS, eu_records_csv, office_records_csv, write_eu_records_csv,
    write_office_records_csv,
};
pub use more::{days_csv, findings_csv, holes_csv};
pub use out::whole;
pub use package::{ClientTexts, TABLES_VERSION, client_package_files, package_files, state_time, utc_text};
pub use standing::{DayStates, Violations};
pub use table::{
    APPLICATION_COLUMNS, TREE_COLUMNS, applications_csv, trees_csv, write_applications_csv, write_trees_csv,
};

/// Resolves people to what the register says of them.
pub trait Names {
    /// A person's name, if the register has it and it has not been erased.
    fn person(&self, id: PersonId) -> Option<String>;
    /// A person's licence number, if the register has it.
    fn licence_number(&self, id: PersonId) -> Option<String>;
    /// A client's name and address, if the register has them.
    fn client(&self, _: ClientId) -> (Option<String>, Option<String>) {
        (None, None)
    }
}

/// Resolves nobody: ids stand in for names.
pub struct NoNames;

impl Names for NoNames {
    fn person(&self, _: PersonId) -> Option<String> {
        None
    }

    fn licence_number(&self, _: PersonId) -> Option<String> {
        None
    }
}

/// An export could not be written.
#[derive(Debug, thiserror::Error)]
pub enum ExportError {
    /// The CSV writer failed.
    #[error("the table could not be written: {0}")]
    Csv(#[from] csv::Error),
    /// The JSON writer failed.
    #[error("the JSON could not be written: {0}")]
    Json(#[from] serde_json::Error),
    /// What takes the export takes no more; why, it knows itself.
    #[error("the export could not be handed on")]
    Taken(#[from] std::fmt::Error),
    /// Text that is not UTF-8 came out of a writer.
    #[error("the export is not UTF-8")]
    Utf8,
}

/// A short name of a state, for a column.
fn short(state: Sha256Hash) -> String {
    state.to_string().chars().take(16).collect()
}

/// Text that a spreadsheet would run as a formula gets a leading apostrophe (OWASP, CSV injection).
pub fn inert(text: &str) -> String {
    match text.chars().next() {
        Some('=' | '+' | '-' | '@' | '\t' | '\r' | '\n' | '＝' | '＋' | '－' | '＠') => {
            format!("'{text}")
        }
        _ => text.to_owned(),
    }
}
