//! Lines too long for one row: a database that several servers share gets them in pieces.
//!
//! A line may have four megabytes, and engines that spread a database over machines want rows well
//! under half of one. In a file of SQLite a line is always whole.

use bolebook_core::ids::BookId;
use bolebook_db::{Connection, params};

use crate::error::LogError;
use crate::sql;

/// Most bytes of a line's text in one row; the other columns have some two hundred.
pub const MOST_BYTES: usize = 448 * 1024;

/// What goes into the line's own row, and what follows it.
pub(crate) fn first<'a>(db: &Connection, text: &'a str) -> (&'a str, &'a str) {
    if db.is_shared() { cut(text) } else { (text, "") }
}

fn cut(text: &str) -> (&str, &str) {
    let mut at = MOST_BYTES.min(text.len());
    while !text.is_char_boundary(at) {
        at -= 1;
    }
    text.split_at(at)
}

/// Writes what follows.
pub(crate) fn add_rest(db: &Connection, book: BookId, position: i64, mut rest: &str) -> Result<(), LogError> {
    let mut part = 1;
    while !rest.is_empty() {
        let (piece, after) = cut(rest);
        db.prepare_cached(sql::ADD_REST)?.execute(params![book.as_bytes(), position, part, piece])?;
        (rest, part) = (after, part + 1);
    }
    Ok(())
}

/// A line as it was before it was cut. Only a row as long as one may be can have something after it.
pub(crate) fn whole(
    db: &Connection,
    book: BookId,
    position: i64,
    mut text: String,
) -> Result<String, LogError> {
    // A character has at most four bytes, so a cut lies at most three before the limit.
    if db.is_shared() && text.len() + 3 >= MOST_BYTES {
        let mut query = db.prepare_cached(sql::REST)?;
        for piece in query.query_map(params![book.as_bytes(), position], |row| row.get::<_, String>(0))? {
            text.push_str(&piece?);
        }
    }
    Ok(text)
}

/// How many bytes follow a line's first so many, as [`whole`] reads them.
pub(crate) fn rest_length(
    db: &Connection,
    book: BookId,
    position: i64,
    first: usize,
) -> Result<usize, LogError> {
    let mut length = 0;
    if db.is_shared() && first + 3 >= MOST_BYTES {
        let mut query = db.prepare_cached(sql::REST)?;
        for piece in query.query_map(params![book.as_bytes(), position], |row| Ok(row.text(0)?.len()))? {
            length += piece?;
        }
    }
    Ok(length)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_is_cut_between_characters_and_no_piece_is_too_long() {
        for text in ["short".to_owned(), "é".repeat(MOST_BYTES), "a".to_owned() + &"枝".repeat(MOST_BYTES)]
        {
            let (mut rest, mut back) = (text.as_str(), String::new());
            while !rest.is_empty() {
                let (piece, after) = cut(rest);
                assert!(piece.len() <= MOST_BYTES && (after.is_empty() || piece.len() + 3 >= MOST_BYTES));
                back.push_str(piece);
                rest = after;
            }
            assert_eq!(back, text);
        }
    }
}
