//! Moves everything a server keeps between SQLite and PostgreSQL, either way.
//!
//! Books go line by line through the gate, so that every hash is computed and every index made anew;
//! the other tables row by row. A run that was cut off goes on where it was when it is started again.
//! The end is looked at from both sides: heads, ends and counts of every book, and a digest of every
//! other table. The source is only read, and stays.

use std::collections::BTreeSet;

use bolebook_core::exchange::LogLine;
use bolebook_core::ids::{BookId, Sha256Hash};
use bolebook_db::{Connection, ToSql, TransactionBehavior};
use bolebook_log::{LogError, Page};
use rusqlite::types::Value;

use crate::database::Place;

/// So much goes over in one transaction.
const BATCH: Page = Page { lines: 500, bytes: 8 << 20 };
/// Rows of the other tables in one transaction.
const ROWS: usize = 500;

/// A table that is copied row by row.
struct Table {
    name: &'static str,
    columns: usize,
    /// Every row, in the order of its key.
    rows: &'static str,
    add: &'static str,
}

macro_rules! tables {
    ($(($name:literal, $columns:literal, $key:literal, $marks:literal, $count:literal)),+ $(,)?) => {
        &[$(Table {
            name: $name,
            columns: $count,
            rows: concat!("SELECT ", $columns, " FROM ", $name, " ORDER BY ", $key),
            add: concat!("INSERT INTO ", $name, " (", $columns, ") VALUES (", $marks, ") ON CONFLICT DO NOTHING"),
        }),+]
    };
}

/// Every table but the log's own, which come from its lines. Before a table stands what it refers to.
const TABLES: &[Table] = tables![
    ("rescued", "book_id, hash, actor, seq, last_op, signed", "1, 2", "?1, ?2, ?3, ?4, ?5, ?6", 6),
    (
        "set_aside",
        "book_id, number, hash, line, code, why, state, server, set_aside_at",
        "1, 2",
        "?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9",
        9
    ),
    ("homes", "book_id, server", "1", "?1, ?2", 2),
    ("peers", "book_id, server, position, chain, sent_to", "1, 2", "?1, ?2, ?3, ?4, ?5", 5),
    ("salvaged", "book_id, hash, line", "1, 2", "?1, ?2, ?3", 3),
    ("invitations", "code_key, invitation, used_by, used_at", "1", "?1, ?2, ?3, ?4", 4),
    ("register", "id, kind, fields, updated_at, marks", "1", "?1, ?2, ?3, ?4, ?5", 5),
    ("erased_photos", "sha256, erased_at", "1", "?1, ?2", 2),
    ("assertions_taken", "id, until", "1", "?1, ?2", 2),
    ("token_keys", "kid, seed, made_at", "1", "?1, ?2, ?3", 3),
    (
        "uploads",
        "id, device, sha256, length, \"offset\", metadata, expires_at, done",
        "1",
        "?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8",
        8
    ),
    ("upload_turns", "id, process", "1", "?1, ?2", 2),
    ("upload_pieces", "upload, start, bytes, name, sha256", "1, 2", "?1, ?2, ?3, ?4, ?5", 5),
    ("photos", "sha256, bytes, device, at", "1", "?1, ?2, ?3, ?4", 4),
    ("photo_types", "sha256, media_type", "1", "?1, ?2", 2),
    ("photo_records", "sha256, book, record", "1, 2, 3", "?1, ?2, ?3", 3),
    ("photo_index", "book, position", "1", "?1, ?2", 2),
    ("photos_told", "book, sha256", "1, 2", "?1, ?2", 2),
    ("photo_passed_over", "book, position", "1, 2", "?1, ?2", 2),
    ("photos_removed", "sha256, at", "1", "?1, ?2", 2),
    ("photo_claims", "number, word", "1", "?1, ?2", 2),
    ("photos_passed_on", "server, sha256, at", "1, 2", "?1, ?2, ?3", 3),
    (
        "desk_users",
        "name, person, password, totp, totp_pending, totp_step, created_at, signed_in_at",
        "1",
        "?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8",
        8
    ),
    ("desk_sessions", "id, \"user\", created_at, used_at", "1", "?1, ?2, ?3, ?4", 4),
    ("desk_files", "session, piece, book, kind, name, at, bytes", "1, 2", "?1, ?2, ?3, ?4, ?5, ?6, ?7", 7),
    ("billing_rates", "book, rates", "1", "?1, ?2", 2),
    ("client_copies", "book, crew, day, how, at", "1, 2, 3", "?1, ?2, ?3, ?4, ?5", 5),
    (
        "portal_links",
        "id, token, book, note, language, made_by, made_at, expires_at, withdrawn_at, used_at",
        "1",
        "?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10",
        10
    ),
];

/// It could not be moved; the source is as it was.
#[derive(Debug, thiserror::Error)]
pub enum MigrateError {
    /// A database.
    #[error("{place}: {source}")]
    Log {
        /// Which.
        place: String,
        /// Why.
        source: LogError,
    },
    /// The target holds something that did not come from this source.
    #[error(
        "{place} holds something else: {what}; give a database that is empty, or was filled by an earlier run; move an old one away first"
    )]
    OtherTarget {
        /// The target.
        place: String,
        /// What differs.
        what: String,
    },
    /// A line in the source is not what was stored.
    #[error("book {book}, position {position}: {why}; 'bolebook-server verify' says more")]
    Line {
        /// The book.
        book: BookId,
        /// Where.
        position: u64,
        /// Why.
        why: String,
    },
    /// What arrived is not what was sent.
    #[error(
        "{what} is not the same on both sides: does a server still run on one of them? Stop it and migrate again"
    )]
    Differs {
        /// What.
        what: String,
    },
}

/// What was moved.
#[derive(Clone, Debug, Default, PartialEq, Eq, serde::Serialize)]
pub struct Migrated {
    /// Books.
    pub books: u64,
    /// Their lines.
    pub lines: u64,
    /// Lines of them that this run brought; the others were there from a run that was cut off.
    pub lines_brought: u64,
    /// Rows of the other tables.
    pub rows: u64,
}

/// Moves everything. No server may run on either side. `stop_after` ends the run after so many
/// transactions, as a crash would: for tests.
///
/// # Errors
/// [`MigrateError`]; started again, it goes on where it was.
pub fn migrate(from: &Place, to: &Place, stop_after: Option<u64>) -> Result<Migrated, MigrateError> {
    let at = |place: &Place, source: LogError| MigrateError::Log { place: place.to_string(), source };
    let source = from.lay_out().map_err(|e| at(from, e))?;
    let target = to.lay_out().map_err(|e| at(to, e))?;
    for (place, db) in [(from, &source), (to, &target)] {
        // In a file this table is made when it is needed.
        bolebook_log::salvage::waiting(db).map_err(|e| at(place, e))?;
    }
    let read = source.snapshot().map_err(|e| at(from, e.into()))?;
    must_be_of(&read, &target, to)?;
    let mut run = Run { from, to, source: &read, target: &target, left: stop_after };
    let mut done = Migrated::default();
    for book in bolebook_log::books(&read).map_err(|e| at(from, e))? {
        done.lines_brought += run.book(book.book)?;
        done.books += 1;
        done.lines += book.end.position;
    }
    for table in TABLES {
        done.rows += run.table(table)?;
    }
    same(&read, &target)?;
    Ok(done)
}

struct Run<'a> {
    from: &'a Place,
    to: &'a Place,
    source: &'a Connection,
    target: &'a Connection,
    left: Option<u64>,
}

impl Run<'_> {
    fn source<T>(&self, done: Result<T, impl Into<LogError>>) -> Result<T, MigrateError> {
        done.map_err(|e| MigrateError::Log { place: self.from.to_string(), source: e.into() })
    }

    fn target<T>(&self, done: Result<T, impl Into<LogError>>) -> Result<T, MigrateError> {
        done.map_err(|e| MigrateError::Log { place: self.to.to_string(), source: e.into() })
    }

    /// One transaction less to go.
    fn step(&mut self) -> Result<(), MigrateError> {
        match &mut self.left {
            Some(0) => Err(MigrateError::Differs { what: "a run that was cut off".into() }),
            Some(left) => {
                *left -= 1;
                Ok(())
            }
            None => Ok(()),
        }
    }

    /// A book from where the target ends.
    fn book(&mut self, book: BookId) -> Result<u64, MigrateError> {
        let mut brought = 0;
        loop {
            let there = self.target(bolebook_log::book(self.target, book))?.map_or(0, |b| b.end.position);
            let page = self.source(bolebook_log::read(self.source, book, there, BATCH))?;
            if page.is_empty() {
                return Ok(brought);
            }
            self.step()?;
            let mut lines = Vec::with_capacity(page.len());
            for stored in page {
                let line = LogLine::parse(&stored.text).map_err(|e| MigrateError::Line {
                    book,
                    position: stored.position,
                    why: e.to_string(),
                })?;
                lines.push(line);
            }
            let tx = self.target(self.target.begin(TransactionBehavior::Immediate))?;
            let appended = self.target(bolebook_log::append(&tx, book, &lines))?;
            if appended.new.len() != lines.len() {
                return Err(MigrateError::Differs { what: format!("book {book}") });
            }
            self.target(tx.commit())?;
            brought += lines.len() as u64;
        }
    }

    /// The rows of a table that are not there yet.
    fn table(&mut self, table: &Table) -> Result<u64, MigrateError> {
        let rows = self.source(rows(self.source, table))?;
        for some in rows.chunks(ROWS) {
            self.step()?;
            let tx = self.target(self.target.begin(TransactionBehavior::Immediate))?;
            let mut add = self.target(tx.prepare_cached(table.add))?;
            for row in some {
                let values: Vec<&dyn ToSql> = row.iter().map(|v| v as &dyn ToSql).collect();
                self.target(add.execute(&values[..]))?;
            }
            drop(add);
            self.target(tx.commit())?;
        }
        Ok(rows.len() as u64)
    }
}

fn rows(db: &Connection, table: &Table) -> bolebook_db::Result<Vec<Vec<Value>>> {
    let mut query = db.prepare_cached(table.rows)?;
    let rows = query.query_map([], |row| (0..table.columns).map(|i| row.get(i)).collect())?;
    rows.collect()
}

/// Whether everything the target has may have come from the source: no row of another state is left
/// beside what comes, no used code that is unused there, no erased name.
fn must_be_of(source: &Connection, target: &Connection, to: &Place) -> Result<(), MigrateError> {
    let log = |source: LogError| MigrateError::Log { place: to.to_string(), source };
    for there in bolebook_log::books(target).map_err(log)? {
        let chain = bolebook_log::chain_at(source, there.book, there.end.position).map_err(log)?;
        if chain != Some(there.end.chain) {
            let what = format!("book {} up to position {}", there.book, there.end.position);
            return Err(MigrateError::OtherTarget { place: to.to_string(), what });
        }
    }
    for table in TABLES {
        let all = |db: &Connection| rows(db, table).map_err(|e| log(e.into()));
        let known: BTreeSet<String> = all(source)?.iter().map(|row| format!("{row:?}")).collect();
        if all(target)?.iter().any(|row| !known.contains(&format!("{row:?}"))) {
            let what = format!("table {} is of another state", table.name);
            return Err(MigrateError::OtherTarget { place: to.to_string(), what });
        }
    }
    Ok(())
}

/// Compares both sides: books by what their log says of them and by every hash, tables by digest.
fn same(source: &Connection, target: &Connection) -> Result<(), MigrateError> {
    let differs = |what: String| MigrateError::Differs { what };
    let failed = |e: LogError| MigrateError::Differs { what: e.to_string() };
    let books = bolebook_log::books(source).map_err(failed)?;
    if bolebook_log::books(target).map_err(failed)? != books {
        return Err(differs("the list of books, their ends and heads".into()));
    }
    for book in books {
        let (here, there) =
            (bolebook_log::verify(source, book.book), bolebook_log::verify(target, book.book));
        if here.map_err(failed)? != there.map_err(failed)? {
            return Err(differs(format!("book {}", book.book)));
        }
    }
    for table in TABLES {
        let digest = |db: &Connection| -> Result<Sha256Hash, MigrateError> {
            let rows = rows(db, table).map_err(|e| failed(e.into()))?;
            Ok(Sha256Hash::of(format!("{rows:?}").as_bytes()))
        };
        if digest(source)? != digest(target)? {
            return Err(differs(format!("table {}", table.name)));
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A table that a later change adds and this list lacks would be left behind without a word.
    #[test]
    fn every_table_of_a_server_is_moved_or_made_from_the_lines() {
        let folder = tempfile::tempdir().unwrap();
        let db = Place::of(folder.path(), None).lay_out().unwrap();
        let all = "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%'";
        let mut query = db.prepare(all).unwrap();
        let made: Vec<String> =
            query.query_map([], |row| row.get(0)).unwrap().collect::<Result<_, _>>().unwrap();
        let from_lines = ["books", "lines", "commits", "actors", "record_index", "signatures"];
        for name in &made {
            let known = from_lines.contains(&name.as_str()) || TABLES.iter().any(|t| t.name == name);
            assert!(known, "{name} is not moved");
        }
        for table in TABLES {
            // Made when it is needed, in a file.
            if table.name != "salvaged" {
                assert!(made.iter().any(|name| name == table.name), "{} is not there", table.name);
                let columns = db.prepare(table.rows).unwrap();
                drop(columns);
            }
        }
    }
}
