//! What a store's damaged file still holds: every line whose hash holds, for a new store.
//!
//! A line carries its own hash, so nothing here needs to be believed. What the gate takes goes into
//! the new log at once; the rest waits in a table of its own ([`keep`]) for the commits before it,
//! which come from a server or another device ([`take_waiting`]).

mod pages;

use std::collections::{BTreeMap, BTreeSet};

use bolebook_core::exchange::{Entry, LogLine};
use bolebook_core::gate::genesis_of;
use bolebook_core::ids::{BookId, DeviceId, Sha256Hash};
use bolebook_core::quantity::UtcMs;
use bolebook_db::{Connection, Transaction, params};

use crate::append::append;
use crate::error::LogError;
use crate::set_aside::State;
use crate::{packed, read, sql};

pub use pages::{Value, rows};

/// The lines among rows: each once, by book, with whether it was set aside.
#[derive(Clone, Debug, Default)]
pub struct Salvaged {
    /// By book, in the order they were found.
    pub lines: BTreeMap<BookId, Vec<LogLine>>,
    /// Rows of the table of set-aside lines, by book, hash and text: the newest of each.
    pub set_aside: BTreeMap<(BookId, Vec<u8>, String), Vec<Value>>,
    /// Rows that look like lines and whose text is no longer what was stored, each text once.
    pub unreadable: u64,
    seen: BTreeSet<(BookId, Sha256Hash)>,
    /// Digests of the texts looked at: a write-ahead log has most rows many times over.
    looked: BTreeSet<(BookId, Sha256Hash)>,
}

fn book_of(bytes: &[u8]) -> Option<BookId> {
    read::book_id(bytes.try_into().ok()?)
}

impl Salvaged {
    /// Takes the lines out of rows; rows of other tables are left alone.
    pub fn take(&mut self, rows: &[Vec<Value>]) {
        for row in rows {
            match &row[..] {
                [
                    Value::Blob(book),
                    Value::Integer(_),
                    Value::Text(kind),
                    Value::Blob(_),
                    text,
                    Value::Blob(_),
                ] if kind == "commit" || kind == "signature" => {
                    self.line(book, text);
                }
                [Value::Blob(book), Value::Blob(_), Value::Text(text)] => {
                    self.line(book, &Value::Text(text.clone()));
                }
                [
                    Value::Blob(book),
                    Value::Integer(_),
                    Value::Blob(hash),
                    Value::Text(text),
                    Value::Text(_),
                    Value::Text(_),
                    Value::Text(state),
                    Value::Blob(server),
                    Value::Integer(_),
                ] => {
                    // Every later exchange reads all of them: one that cannot be read would stop it.
                    let whole = (hash.len(), server.len()) == (32, 16) && State::of(state).is_some();
                    match book_of(book).filter(|_| whole) {
                        Some(book) => {
                            self.set_aside.insert((book, hash.clone(), text.clone()), row.clone());
                        }
                        None => self.unreadable += 1,
                    }
                }
                _ => {}
            }
        }
    }

    fn line(&mut self, book: &[u8], text: &Value) {
        let Some(book) = book_of(book) else { return };
        let bytes = match text {
            Value::Text(text) => text.as_bytes(),
            Value::Blob(bytes) => bytes,
            _ => &[],
        };
        if !bytes.is_empty() && !self.looked.insert((book, Sha256Hash::of(bytes))) {
            return;
        }
        let line = match text {
            Value::Text(text) => LogLine::parse(text).ok(),
            // Packed, or a text that is no longer one.
            Value::Blob(bytes) => packed::unpack(bytes).ok().and_then(|text| LogLine::parse(&text).ok()),
            _ => None,
        };
        match line {
            Some(line) if self.seen.insert((book, line.hash())) => {
                self.lines.entry(book).or_default().push(line)
            }
            Some(_) => {}
            None => self.unreadable += 1,
        }
    }

    /// How many lines there are.
    pub fn count(&self) -> u64 {
        self.lines.values().map(|lines| lines.len() as u64).sum()
    }
}

/// Puts salvaged lines into a new log: what the gate takes into the books, the rest aside to wait.
/// Gives how many lines are in the books and how many wait.
///
/// # Errors
/// [`LogError`]; the caller drops the transaction.
pub fn keep(tx: &Transaction<'_>, salvaged: &Salvaged) -> Result<(u64, u64), LogError> {
    tx.execute_batch(sql::WAITING)?;
    let mut add = tx.prepare_cached(sql::ADD_WAITING)?;
    for (book, lines) in &salvaged.lines {
        for line in lines {
            add.execute(params![book.as_bytes(), line.hash().0, line.text()])?;
        }
    }
    drop(add);
    for row in salvaged.set_aside.values() {
        let [book, _, hash, text, code, why, state, server, at] = &row[..] else { continue };
        let put = [book, hash, text, code, why, state, server, at].map(|v| match v {
            Value::Blob(b) => rusqlite::types::Value::Blob(b.clone()),
            Value::Text(t) => rusqlite::types::Value::Text(t.clone()),
            Value::Integer(i) => rusqlite::types::Value::Integer(*i),
            Value::Null => rusqlite::types::Value::Null,
        });
        tx.prepare_cached(sql::ADD_SET_ASIDE)?.execute(put)?;
    }
    let taken = take_waiting(tx)?;
    Ok((taken, waiting(tx)?))
}

/// How many salvaged lines wait for commits before them.
///
/// # Errors
/// [`LogError::Database`].
pub fn waiting(db: &Connection) -> Result<u64, LogError> {
    db.execute_batch(sql::WAITING)?;
    Ok(read::from_sql(db.query_row(sql::COUNT_WAITING, [], |row| row.get(0))?))
}

fn waiting_lines(db: &Connection) -> Result<BTreeMap<BookId, Vec<LogLine>>, LogError> {
    db.execute_batch(sql::WAITING)?;
    let mut books: BTreeMap<BookId, Vec<LogLine>> = BTreeMap::new();
    let mut query = db.prepare_cached(sql::ALL_WAITING)?;
    let rows = query.query_map([], |row| Ok((row.get(0)?, row.get::<_, String>(1)?)))?;
    for row in rows {
        let (book, text) = row?;
        if let (Some(book), Ok(line)) = (read::book_id(book), LogLine::parse(&text)) {
            books.entry(book).or_default().push(line);
        }
    }
    Ok(books)
}

/// Puts into the books whatever of the salvaged lines the gate takes by now; gives how many.
///
/// # Errors
/// [`LogError`]; the caller drops the transaction.
pub fn take_waiting(tx: &Transaction<'_>) -> Result<u64, LogError> {
    let mut taken = 0;
    for (book, mut lines) in waiting_lines(tx)? {
        // Commits by their depth, so that what depends on another comes after it; signatures last.
        lines.sort_by_key(|line| match line.entry() {
            Entry::Commit(c) => (0, c.deps().len().min(1), c.start_op(), c.seq()),
            Entry::Signature(s) => (1, 0, 0, s.seq),
        });
        if read::book(tx, book)?.is_none() {
            // A book begins with its genesis; without it, everything waits.
            let begins = |line: &&LogLine| match line.entry() {
                Entry::Commit(commit) => genesis_of(commit, book).is_ok(),
                Entry::Signature(_) => false,
            };
            let Some(genesis) = lines.iter().find(begins) else { continue };
            append(tx, book, std::slice::from_ref(genesis))?;
        }
        for line in lines {
            match append(tx, book, std::slice::from_ref(&line)) {
                Ok(_) => {
                    tx.prepare_cached(sql::DROP_WAITING)?.execute(params![book.as_bytes(), line.hash().0])?;
                    taken += 1;
                }
                Err(LogError::Refused { .. }) => {}
                Err(other) => return Err(other),
            }
        }
    }
    Ok(taken)
}

/// Gives up waiting, once a server's whole log is here: commits become lines set aside whose
/// records their device writes again ([`crate::set_aside::reput`]). Gives how many.
///
/// # Errors
/// [`LogError`]; the caller drops the transaction.
pub fn stop_waiting(tx: &Transaction<'_>, server: DeviceId, now: UtcMs) -> Result<u64, LogError> {
    const WHY: &str = "it was saved from a damaged store, and a commit it depends on is nowhere any more";
    let mut given_up = 0;
    for (book, lines) in waiting_lines(tx)? {
        for line in lines {
            let (hash, text) = (line.hash(), line.text());
            let state = match line.entry() {
                Entry::Commit(_) => State::ToReput,
                Entry::Signature(_) => State::Kept,
            };
            if !tx.prepare_cached(sql::IS_SET_ASIDE)?.exists(params![book.as_bytes(), hash.0, text])? {
                tx.prepare_cached(sql::ADD_SET_ASIDE)?.execute(params![
                    book.as_bytes(),
                    hash.0,
                    text,
                    "salvaged",
                    WHY,
                    state.name(),
                    server.0,
                    now.0
                ])?;
            }
            tx.prepare_cached(sql::DROP_WAITING)?.execute(params![book.as_bytes(), hash.0])?;
            given_up += 1;
        }
    }
    Ok(given_up)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(hash: usize, state: &str, server: usize) -> Vec<Value> {
        let text = |text: &str| Value::Text(text.to_owned());
        vec![
            Value::Blob(BookId::new(1, [1; 10]).as_bytes().to_vec()),
            Value::Integer(1),
            Value::Blob(vec![2; hash]),
            text("{}"),
            text("actor-forked"),
            text("why"),
            text(state),
            Value::Blob(vec![3; server]),
            Value::Integer(5),
        ]
    }

    /// Every exchange lists what is set aside: a row that cannot be read would stop all of them.
    #[test]
    fn a_set_aside_row_that_no_list_could_read_is_counted_and_left_out() {
        let mut found = Salvaged::default();
        found.take(&[row(32, "to_rescuf", 16), row(31, "rescued", 16), row(32, "rescued", 15)]);
        assert_eq!((found.set_aside.len(), found.unreadable), (0, 3));
        found.take(&[row(32, "rescued", 16)]);
        let mut db = crate::open_in_memory().unwrap();
        let tx = db.transaction().unwrap();
        assert_eq!(keep(&tx, &found).unwrap(), (0, 0));
        assert_eq!(crate::set_aside::list(&tx).unwrap().len(), 1);
    }
}
