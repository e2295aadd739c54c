//! Books kept in memory and grown by the lines that came since: so that a change costs what it brings,
//! and not a reading of the whole log. A cache, thrown away at any time.

use std::collections::BTreeMap;

use bolebook_core::book::Book;
use bolebook_core::exchange::{Cursor, Entry, LogLine};
use bolebook_core::ids::BookId;
use bolebook_db::Connection;
use bolebook_log::{BookInfo, Page};

use crate::error::ApiError;

/// So many books are kept: those that changed last. Each holds the texts of all its records.
const KEPT_BOOKS: usize = 5;

#[derive(Debug)]
struct Grown {
    book: Book,
    end: Cursor,
    /// When it was last asked for, in turns.
    turn: u64,
}

/// The books kept.
#[derive(Debug, Default)]
pub struct Books {
    books: BTreeMap<BookId, Grown>,
    turn: u64,
}

impl Books {
    /// A book as the log has it now.
    ///
    /// # Errors
    /// The database's; a damaged line.
    pub fn now(&mut self, db: &Connection, info: &BookInfo) -> Result<&Book, ApiError> {
        self.turn += 1;
        // Taken out: what a failure leaves half read is not looked at again.
        let kept = match self.books.remove(&info.book) {
            // The chain tells whether it is still the same log: a hub's may have been laid out anew.
            Some(kept)
                if kept.end.position <= info.end.position
                    && bolebook_log::chain_at(db, info.book, kept.end.position)? == Some(kept.end.chain) =>
            {
                kept
            }
            _ => Grown { book: Book::new(info.book), end: Cursor::START, turn: 0 },
        };
        let Grown { mut book, end, .. } = kept;
        read_into(&mut book, db, end.position)?;
        while self.books.len() >= KEPT_BOOKS {
            let oldest = self.books.iter().min_by_key(|(_, kept)| kept.turn).map(|(book, _)| *book);
            oldest.and_then(|book| self.books.remove(&book));
        }
        let grown = Grown { book, end: info.end, turn: self.turn };
        Ok(&self.books.entry(info.book).insert_entry(grown).into_mut().book)
    }
}

/// A book read from the log into memory: for views, never for taking in or handing out.
///
/// # Errors
/// The database's; a damaged line.
pub fn load(db: &Connection, book: BookId) -> Result<Book, ApiError> {
    let mut loaded = Book::new(book);
    read_into(&mut loaded, db, 0)?;
    Ok(loaded)
}

/// Takes in what a book's log has after a position.
///
/// # Errors
/// The database's; a damaged line.
fn read_into(book: &mut Book, db: &Connection, after: u64) -> Result<(), ApiError> {
    for stored in bolebook_log::read(db, book.id(), after, Page::ALL)? {
        let line = LogLine::parse_stored(&stored.text).map_err(|e| ApiError::internal(&e))?;
        match line.into_entry() {
            Entry::Commit(commit) => book.take_stored(commit),
            Entry::Signature(signed) => book.take_signature(signed),
        }
    }
    Ok(())
}
