//! Books as one file: a bundle, unpacked. Lines of JSON: an opening, then per book a line that
//! opens it and as many log lines as it says, then a closing with the register.
//!
//! Reading believes nothing: every log line is parsed and its hash computed; the gate comes after.

use std::io::{BufRead, Read as _};

use bolebook_core::exchange::{LogLine, MAX_LINE_BYTES};
use bolebook_core::ids::BookId;
use bolebook_core::service::RegisterEntry;
use serde::{Deserialize, Serialize};

use crate::client::json_line;
use crate::read::StoredLine;

/// The version written, and the only one read.
pub const VERSION: u64 = 1;

/// The first line.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Opening {
    bundle: u64,
    yard: BookId,
}

/// Opens a book; as many log lines follow.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct OpenBook {
    book: BookId,
    lines: u64,
}

/// The last line.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Closing {
    end: bool,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    register: Vec<RegisterEntry>,
}

/// A bundle, read.
#[derive(Debug)]
pub struct Bundle {
    /// The yard its books are of.
    pub yard: BookId,
    /// The books with their lines, in the order of the log they were written from.
    pub books: Vec<(BookId, Vec<LogLine>)>,
    /// Entries of the register.
    pub register: Vec<RegisterEntry>,
}

/// A bundle cannot be read; nothing of it is to be taken in.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("line {line}: {why}")]
pub struct BundleError {
    /// The line, from 1.
    pub line: u64,
    /// What is wrong with it.
    pub why: String,
}

/// Writes a bundle, not yet packed.
pub fn write(yard: BookId, books: &[(BookId, Vec<StoredLine>)], register: Vec<RegisterEntry>) -> String {
    let mut text = json_line(&Opening { bundle: VERSION, yard });
    for (book, lines) in books {
        text.push_str(&json_line(&OpenBook { book: *book, lines: lines.len() as u64 }));
        for stored in lines {
            text.push_str(&stored.text);
            text.push('\n');
        }
    }
    text.push_str(&json_line(&Closing { end: true, register }));
    text
}

/// Reads an unpacked bundle. Memory is bounded by what `from` holds, whatever the lines claim.
///
/// # Errors
/// [`BundleError`] with the first line that is none.
pub fn read(mut from: impl BufRead) -> Result<Bundle, BundleError> {
    let mut number = 0u64;
    let mut next = || -> Result<(u64, String), BundleError> {
        number += 1;
        let at = |why: String| BundleError { line: number, why };
        let mut text = vec![];
        let most = MAX_LINE_BYTES as u64 + 1;
        from.by_ref().take(most).read_until(b'\n', &mut text).map_err(|e| at(e.to_string()))?;
        if text.pop() != Some(b'\n') {
            return Err(at("the file breaks off: ask for it again".into()));
        }
        String::from_utf8(text).map(|t| (number, t)).map_err(|e| at(e.to_string()))
    };
    let at = |line: u64, why: String| BundleError { line, why };
    let (first, text) = next()?;
    let opening: Opening =
        serde_json::from_str(&text).map_err(|e| at(first, format!("not a bundle: {e}")))?;
    if opening.bundle != VERSION {
        return Err(at(first, format!("bundle version {}: update Bolebook", opening.bundle)));
    }
    let mut bundle = Bundle { yard: opening.yard, books: vec![], register: vec![] };
    loop {
        let (number, text) = next()?;
        if let Ok(closing) = serde_json::from_str::<Closing>(&text) {
            bundle.register = closing.register;
            return Ok(bundle);
        }
        let open: OpenBook = serde_json::from_str(&text).map_err(|e| at(number, e.to_string()))?;
        let mut log = vec![];
        for _ in 0..open.lines {
            let (number, text) = next()?;
            log.push(LogLine::parse(&text).map_err(|e| at(number, e.to_string()))?);
        }
        bundle.books.push((open.book, log));
    }
}
