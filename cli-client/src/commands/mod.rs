//! One file per command, or per noun with a few verbs. The doc comments are the help texts.

pub mod access;
pub mod bundle;
pub mod carry;
pub mod change;
pub mod check;
pub mod device;
pub mod dose;
pub mod erase;
pub mod export;
pub mod field;
pub mod job;
pub mod join;
pub mod kit;
pub mod label;
pub mod liquid;
pub mod list;
pub mod log;
pub mod office;
mod once;
pub mod pack;
pub mod people;
pub mod product;
pub mod progress;
pub mod recover;
pub mod require;
pub mod seasons;
pub mod set_aside;
pub mod settling;
pub mod show;
pub mod stand;
mod stand_table;
pub mod treat;
pub mod use_defaults;
pub mod work;
pub mod yard;

// What is planned from the books, and drawn.
pub mod calibrate;
pub mod day_plan;
pub mod dose_table;
pub mod forecast;
pub mod picture;
pub mod supply;

use std::io::Read as _;
use std::path::Path;

use serde::de::DeserializeOwned;

use crate::app::{App, Need};
use crate::desk::Desk;
use crate::error::CliError;
use crate::output::Answer;

/// An entry that can be logged by a command of its own, or as a line of a file (`bolebook log`).
pub trait Entry {
    /// Which books it needs.
    const NEED: Need;

    /// Stages its records.
    ///
    /// # Errors
    /// [`CliError`] when a name stands for nothing or a figure cannot be true.
    fn stage(&self, desk: &mut Desk<'_>) -> Result<(), CliError>;
}

/// Logs one entry.
///
/// # Errors
/// Those of the entry, or of the store.
pub fn log_one<E: Entry>(app: &App, entry: &E) -> Result<Answer, CliError> {
    app.write(E::NEED, |desk| entry.stage(desk))
}

/// The bytes of a file, or of standard input for `-`.
///
/// # Errors
/// [`CliError::File`].
pub fn read_file(path: &Path) -> Result<Vec<u8>, CliError> {
    let failed =
        |e: std::io::Error| CliError::File { doing: "reading", path: path.to_owned(), why: e.to_string() };
    if path.as_os_str() == "-" {
        let mut bytes = vec![];
        std::io::stdin().lock().take(MAX_FILE_BYTES).read_to_end(&mut bytes).map_err(failed)?;
        return Ok(bytes);
    }
    // A file that grows while it is read is cut off by the same limit.
    let file = std::fs::File::open(path).map_err(failed)?;
    let mut bytes = vec![];
    if file.metadata().map_err(failed)?.len() <= MAX_FILE_BYTES {
        file.take(MAX_FILE_BYTES + 1).read_to_end(&mut bytes).map_err(failed)?;
        if bytes.len() as u64 <= MAX_FILE_BYTES {
            return Ok(bytes);
        }
    }
    let why = format!("a file has at most {MAX_FILE_BYTES} bytes");
    Err(CliError::File { doing: "reading", path: path.to_owned(), why })
}

/// Largest file read whole, in bytes.
const MAX_FILE_BYTES: u64 = 1 << 30;

/// Writes a file only its owner can read.
///
/// # Errors
/// [`CliError::File`].
pub fn write_private(path: &Path, bytes: &[u8]) -> Result<(), CliError> {
    let failed =
        |e: std::io::Error| CliError::File { doing: "writing", path: path.to_owned(), why: e.to_string() };
    let mut options = std::fs::OpenOptions::new();
    options.write(true).create(true).truncate(true);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    let mut file = options.open(path).map_err(failed)?;
    std::io::Write::write_all(&mut file, bytes).map_err(failed)
}

/// A JSON file as what it should hold.
///
/// # Errors
/// [`CliError::File`], or [`CliError::Lines`] with the place that does not fit.
pub fn json_file<T: DeserializeOwned>(path: &Path) -> Result<T, CliError> {
    serde_json::from_slice(&read_file(path)?).map_err(|e| {
        let fault = crate::error::Fault {
            line: e.line() as u64,
            column: (e.column() > 0).then(|| e.column().to_string()),
            why: e.to_string(),
        };
        CliError::Lines { file: path.display().to_string(), faults: vec![fault] }
    })
}

/// Prints a template: as it stands for people, the same as the JSON answer.
///
/// # Errors
/// None in practice: the templates are tested.
pub fn template(text: &str) -> Result<Answer, CliError> {
    let json = serde_json::from_str(text).map_err(|e| CliError::Unexpected(e.to_string()))?;
    Ok(Answer { json, text: vec![text.trim_end().to_owned()], ..Answer::default() })
}

/// A word of a record as people read it: `crew_lead` is `crew lead`.
pub fn spelled(word: impl serde::Serialize) -> String {
    let value = serde_json::to_value(word).unwrap_or_default();
    value.as_str().unwrap_or_default().replace('_', " ")
}
