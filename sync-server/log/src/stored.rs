//! The column `line` of a stored line, written and read: as text or packed, in either engine.
//!
//! In a file of SQLite a packed line lies as bytes in the text's own column, which holds either. In a
//! database that several servers share a column has one type: the bytes have one of their own there, and the
//! text is NULL, so that a program which knows nothing of packed lines cannot read one as a line without text.

use bolebook_core::exchange::{Cursor, Entry, LogLine};
use bolebook_core::ids::BookId;
use bolebook_db::{Connection, Row, params};

use crate::error::LogError;
use crate::layout::Form;
use crate::{packed, pieces, read, sql};

/// Whether a packed line fits into one row.
fn fits(db: &Connection, packed: &[u8]) -> bool {
    !db.is_shared() || packed.len() <= pieces::MOST_BYTES
}

/// What a line's text becomes in this form; nothing where it stays text.
pub(crate) fn packed(db: &Connection, form: Form, text: &str) -> Option<Vec<u8>> {
    match form {
        Form::Packed => packed::pack(text).filter(|bytes| fits(db, bytes)),
        Form::Text => None,
    }
}

/// The statement that reads a book's lines, for [`text`] and [`bytes`] with column 3.
pub(crate) fn lines(db: &Connection) -> bolebook_db::Result<&'static str> {
    Ok(match db.is_shared() {
        false => sql::LINES,
        true if db.has_column("lines", "packed")? => sql::LINES_SHARED,
        true => sql::LINES_SHARED_BEFORE,
    })
}

/// The statement that reads the same lines without their texts, for [`size`] with column 3.
pub(crate) fn sizes(db: &Connection) -> bolebook_db::Result<&'static str> {
    Ok(match db.is_shared() {
        false => sql::SIZES,
        true if db.has_column("lines", "packed")? => sql::SIZES_SHARED,
        true => sql::SIZES_SHARED_BEFORE,
    })
}

/// How many bytes a line's text has. `column` is that of the bytes it lies in; how a packed one begins stands
/// in the next.
pub(crate) fn size(
    db: &Connection,
    (book, position): (BookId, i64),
    row: &Row<'_>,
    column: usize,
) -> Result<usize, LogError> {
    let lies: Option<i64> = row.get(column)?;
    let lies = usize::try_from(lies.unwrap_or(0)).unwrap_or(0);
    match row.bytes(column + 1)? {
        // One that cannot be unpacked is shown by its bytes.
        Some(begins) => Ok(packed::length(begins).unwrap_or(2 * lies)),
        None => Ok(lies + pieces::rest_length(db, book, position, lies)?),
    }
}

/// Writes a line's row.
pub(crate) fn add(
    db: &Connection,
    form: Form,
    book: BookId,
    at: Cursor,
    line: &LogLine,
) -> Result<(), LogError> {
    let kind = match line.entry() {
        Entry::Commit(_) => "commit",
        Entry::Signature(_) => "signature",
    };
    let (book_id, position, hash) = (book.as_bytes(), read::to_sql(at.position), line.hash());
    if let Some(bytes) = packed(db, form, line.text()) {
        let statement = if db.is_shared() { sql::ADD_PACKED_SHARED } else { sql::ADD_LINE };
        let values = params![book_id, position, kind, hash.0, bytes, at.chain.0];
        db.prepare_cached(statement)?.execute(values)?;
        return Ok(());
    }
    let (text, rest) = pieces::first(db, line.text());
    db.prepare_cached(sql::ADD_LINE)?.execute(params![book_id, position, kind, hash.0, text, at.chain.0])?;
    pieces::add_rest(db, book, position, rest)
}

/// The bytes of a packed line, if it is one. `column` is that of the text; in a shared database the bytes
/// stand in the one after it.
pub(crate) fn bytes<'r>(
    db: &Connection,
    row: &'r Row<'_>,
    column: usize,
) -> bolebook_db::Result<Option<&'r [u8]>> {
    row.bytes(if db.is_shared() { column + 1 } else { column })
}

/// A line's text, however it lies there. One that cannot be unpacked comes as a text that is no line.
pub(crate) fn text(
    db: &Connection,
    (book, position): (BookId, i64),
    row: &Row<'_>,
    column: usize,
) -> Result<String, LogError> {
    match bytes(db, row, column)? {
        Some(bytes) => Ok(packed::unpack_or_show(bytes)),
        None => pieces::whole(db, book, position, row.get(column)?),
    }
}
