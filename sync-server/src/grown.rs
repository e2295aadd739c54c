//! Books kept in memory and grown by the lines that came since: so that a change costs what it brings,
//! and not a reading of the whole log. A cache, thrown away at any time.
//!
//! What an exchange has just taken in need not even be read again: the gate read it, and hands it over
//! ([`Fresh`]). Lines that came another way, or went by, are read from the log.

use std::collections::BTreeMap;
use std::sync::{Mutex, MutexGuard, PoisonError};

use bolebook_core::book::Book;
use bolebook_core::exchange::{Cursor, Entry, LogLine};
use bolebook_core::ids::BookId;
use bolebook_db::Connection;
use bolebook_log::{Appended, BookInfo, Page};

use crate::error::ApiError;

/// So many books are kept: those that changed last. Each holds the texts of all its records.
const KEPT_BOOKS: usize = 5;
/// Most bytes of lines that wait to be taken over. What does not fit is read from the log.
const MOST_WAITING: usize = 32 << 20;

#[derive(Debug)]
struct Grown {
    book: Book,
    end: Cursor,
    /// When it was last asked for, in turns.
    turn: u64,
}

/// Lines that follow each other in a book's log, as the gate read them.
#[derive(Debug)]
pub struct Run {
    book: BookId,
    after: Cursor,
    end: Cursor,
    entries: Vec<Entry>,
    bytes: usize,
}

impl Run {
    /// Those of the offered lines that were new.
    pub fn of(book: BookId, appended: &Appended, offered: Vec<LogLine>) -> Self {
        let (mut entries, mut bytes, mut new) = (vec![], 0, appended.new.iter().peekable());
        for (index, line) in offered.into_iter().enumerate() {
            if new.next_if(|at| **at == index).is_some() {
                bytes += line.text().len();
                entries.push(line.into_entry());
            }
        }
        Self { book, after: appended.before, end: appended.end, entries, bytes }
    }

    /// Whether there is a line for each of its positions.
    fn is_whole(&self) -> bool {
        self.end.position.checked_sub(self.after.position) == Some(self.entries.len() as u64)
    }
}

/// What was taken in and kept, and waits for the books to take it over.
#[derive(Debug, Default)]
pub struct Fresh(Mutex<Waiting>);

#[derive(Debug, Default)]
struct Waiting {
    runs: BTreeMap<(BookId, u64), Run>,
    bytes: usize,
}

impl Fresh {
    fn waiting(&self) -> MutexGuard<'_, Waiting> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Lines of a transaction that is kept: never before it is.
    pub fn put(&self, run: Run) {
        let mut waiting = self.waiting();
        if waiting.bytes + run.bytes > MOST_WAITING {
            // Whoever should have taken them does not come: they stand in the log.
            *waiting = Waiting::default();
        }
        if run.is_whole() && !run.entries.is_empty() && run.bytes <= MOST_WAITING {
            waiting.bytes += run.bytes;
            if let Some(other) = waiting.runs.insert((run.book, run.after.position), run) {
                waiting.bytes -= other.bytes;
            }
        }
    }

    /// A book's lines between two positions, by where they begin; what lies before is thrown away.
    fn between(&self, book: BookId, from: u64, to: u64) -> BTreeMap<u64, Run> {
        let mut waiting = self.waiting();
        let taken: Vec<(BookId, u64)> = waiting.runs.range((book, 0)..(book, to)).map(|(k, _)| *k).collect();
        let mut runs = BTreeMap::new();
        for key in taken {
            let Some(run) = waiting.runs.remove(&key) else { continue };
            waiting.bytes -= run.bytes;
            if key.1 >= from && run.end.position <= to {
                runs.insert(key.1, run);
            }
        }
        runs
    }

    /// Throws all of it away.
    pub fn forget(&self) {
        *self.waiting() = Waiting::default();
    }
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
    pub fn now(&mut self, db: &Connection, info: &BookInfo, fresh: &Fresh) -> Result<&Book, ApiError> {
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
        let runs = fresh.between(info.book, end.position, info.end.position);
        if grow(&mut book, db, end, runs, info.end)? != info.end {
            // Not what the log has there: all of it is read again.
            book = load(db, info.book)?;
        }
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
    read_into(&mut loaded, db, Cursor::START, Page::ALL)?;
    Ok(loaded)
}

/// Takes in what follows a place in the log, up to another: lines that wait where they go on exactly from
/// what was taken in before them, and what lies between from the log. Gives the place come to.
fn grow(
    book: &mut Book,
    db: &Connection,
    mut end: Cursor,
    mut runs: BTreeMap<u64, Run>,
    to: Cursor,
) -> Result<Cursor, ApiError> {
    let mut handed = false;
    while end.position < to.position {
        match runs.remove(&end.position) {
            Some(run) if run.after == end => {
                run.entries.into_iter().for_each(|entry| take(book, entry));
                (end, handed) = (run.end, true);
            }
            _ => {
                // What waited may be of a log that was laid out anew since: it is not gone on from then.
                if std::mem::take(&mut handed)
                    && bolebook_log::chain_at(db, book.id(), end.position)? != Some(end.chain)
                {
                    break;
                }
                let next = runs.range(end.position + 1..).next().map_or(to.position, |(at, _)| *at);
                let lines = usize::try_from(next - end.position).unwrap_or(usize::MAX);
                let came = read_into(book, db, end, Page { lines, ..Page::ALL })?;
                if came == end {
                    break;
                }
                end = came;
            }
        }
    }
    Ok(end)
}

fn take(book: &mut Book, entry: Entry) {
    match entry {
        Entry::Commit(commit) => book.take_stored(commit),
        Entry::Signature(signed) => book.take_signature(signed),
    }
}

/// Takes in what a book's log has after a place; gives the place come to.
///
/// # Errors
/// The database's; a damaged line.
fn read_into(book: &mut Book, db: &Connection, after: Cursor, page: Page) -> Result<Cursor, ApiError> {
    let mut end = after;
    for stored in bolebook_log::read(db, book.id(), after.position, page)? {
        let line = LogLine::parse_stored(&stored.text).map_err(|e| ApiError::internal(&e))?;
        take(book, line.into_entry());
        end = Cursor { position: stored.position, chain: stored.chain };
    }
    Ok(end)
}
