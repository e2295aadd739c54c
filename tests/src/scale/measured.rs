//! What was measured, from docs/benchmarks/scale.json: the one place where these figures stand. Each has
//! the command that it came from beside it there.

use serde::{Deserialize, Serialize};

use crate::root;

/// Trees of the day whose exchange was measured, and records a tree in it.
pub const DAY_TREES: f64 = 400.0;
/// Listed, measured, treated.
pub const RECORDS_A_TREE: f64 = 3.0;

/// A figure with where it came from.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Figure {
    /// The figure.
    pub value: f64,
    /// Its command, and under what it was taken.
    pub from: String,
}

/// The measured inputs of the model.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Measured {
    /// Processor seconds of a server for the exchange of a day of 400 trees into a book of its own, findings
    /// current at its end.
    pub server_s_a_day: Figure,
    /// The same of the database.
    pub database_s_a_day: Figure,
    /// Exchanges of a day that one book took a second, whatever the number of processes.
    pub one_book_days_a_second: Figure,
    /// Bytes in the database, indices included, for each record.
    pub database_bytes_a_record: Figure,
    /// What part of them is indices, 0 to 1.
    pub index_share: Figure,
    /// Bytes of an exchange's body up, for each tree.
    pub up_bytes_a_tree: Figure,
    /// Processor seconds of a server for a photo of 2 MB that comes in pieces, taken in and kept.
    pub photo_s: Figure,
    /// The same of the database.
    pub photo_database_s: Figure,
    /// The same for the thumbnail of 12 million pixels, made when it is first looked at.
    pub thumbnail_s: Figure,
}

impl Measured {
    /// As the repository has them.
    ///
    /// # Panics
    /// When the file is not there or not of this form.
    pub fn read() -> Self {
        let path = root().join("docs/benchmarks/scale.json");
        let text = std::fs::read_to_string(&path).expect("docs/benchmarks/scale.json is there");
        serde_json::from_str(&text).expect("docs/benchmarks/scale.json has the inputs of the model")
    }

    /// Processor seconds of a server and of the database for each tree that is exchanged.
    pub fn a_tree(&self) -> (f64, f64) {
        (self.server_s_a_day.value / DAY_TREES, self.database_s_a_day.value / DAY_TREES)
    }
}
