//! Which layout the tables have, how they get it, and in which form new lines are written.

use bolebook_db::{Connection, OptionalExtension as _, TransactionBehavior};

use crate::error::LogError;
use crate::sql;

/// How lines are written. Both are always read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Form {
    /// As they are: what a program that knows layout 2 reads.
    Text,
    /// Packed where that makes them shorter ([`crate::packed`]).
    Packed,
}

/// Lines are text. An older program reads and writes it, and may be at work beside this one.
pub(crate) const TEXT: i64 = 2;
/// Lines are packed, or are on their way to it. An older program does not start on it.
pub(crate) const PACKED: i64 = 3;
/// Lines are on their way back to text: nothing is packed any more, and some still are.
pub(crate) const UNPACKING: i64 = 4;

fn known(version: i64) -> Result<i64, LogError> {
    match version {
        TEXT | PACKED | UNPACKING => Ok(version),
        found => Err(LogError::Layout { found, known: PACKED }),
    }
}

/// Sets a connection up and lays the log's tables out if they are not there yet. Other tables in
/// the same file are left alone; `user_version` belongs to the log.
///
/// A new log is packed. One that is there keeps the form it has: an older program may go on with it.
///
/// # Errors
/// [`LogError`] when the database fails or has a newer layout.
pub fn prepare(db: &Connection) -> Result<(), LogError> {
    let Some(file) = db.sqlite() else { return prepare_shared(db) };
    db.execute_batch(sql::PRAGMAS)?;
    file.set_prepared_statement_cache_capacity(64);
    if (0..TEXT).contains(&version(db)?) {
        // Two processes may both find an older version; the lock lets one of them go on from it.
        db.execute_batch("BEGIN IMMEDIATE")?;
        let made = lay_out(db);
        db.execute_batch(if made.is_ok() { "COMMIT" } else { "ROLLBACK" })?;
        made?;
    }
    known(version(db)?).map(|_| ())
}

fn version(db: &Connection) -> bolebook_db::Result<i64> {
    db.prepare_cached(sql::USER_VERSION)?.query_row([], |row| row.get(0))
}

fn lay_out(db: &Connection) -> bolebook_db::Result<()> {
    let found = version(db)?;
    if found == 0 {
        db.execute_batch(sql::CREATE)?;
    }
    if (0..TEXT).contains(&found) {
        db.execute_batch(sql::TO_2)?;
        db.execute_batch(if found == 0 { sql::SET_VERSION_3 } else { sql::SET_VERSION_2 })?;
    }
    Ok(())
}

/// The same in a database that several servers share: whoever comes first lays the tables out.
fn prepare_shared(db: &Connection) -> Result<(), LogError> {
    db.execute_batch(sql::CREATE_LAYOUT)?;
    let tx = db.begin(TransactionBehavior::Immediate)?;
    // Who reads or writes lines queues behind the change of their table while it waits for its turn.
    tx.wait_briefly()?;
    let there = tx.query_row(sql::LAYOUT_THERE, [], |row| row.get(0)).optional()?;
    if there.is_none() {
        for tables in [sql::CREATE, sql::TO_2, sql::WAITING, sql::CREATE_REST] {
            tx.execute_batch(tables)?;
        }
        tx.execute(sql::ADD_LAYOUT, [PACKED])?;
    }
    known(there.unwrap_or(PACKED))?;
    add_packed_column(&tx)?;
    tx.commit()?;
    Ok(())
}

/// Whether this program can read the log that is there; changes nothing of it in a database that servers share.
///
/// # Errors
/// [`LogError`] when there is none, or it has a newer layout.
pub fn look(db: &Connection) -> Result<(), LogError> {
    number(db, false).map(|_| ())
}

/// The column for packed lines. An older program that is at work meanwhile names its columns and never
/// meets this one; nothing is in it before the layout is raised. One that is at work afterwards finds no
/// text where a line is packed, and fails.
fn add_packed_column(db: &Connection) -> Result<(), LogError> {
    if !db.exists(sql::PACKED_COLUMN_THERE, [])? {
        // First the row: of two servers that start at once, one waits here and then finds it done.
        db.execute(sql::NOTE_PACKED_COLUMN, [])?;
        db.execute_batch(sql::ADD_PACKED_COLUMN)?;
    }
    Ok(())
}

/// The layout's number, in a transaction that is about to write lines. Whoever changes it waits for that
/// transaction, or this for them: by the book's row, or, for a book that has none yet, by the layout's.
///
/// # Errors
/// [`LogError::Layout`] when a newer program has changed it since this one began.
pub(crate) fn number(db: &Connection, new_book: bool) -> Result<i64, LogError> {
    let found = match (db.is_shared(), new_book) {
        (false, _) => version(db)?,
        (true, false) => db.query_row(sql::LAYOUT_THERE, [], |row| row.get(0))?,
        (true, true) => db.query_row(sql::LAYOUT_TAKEN, [], |row| row.get(0))?,
    };
    known(found)
}

/// The form new lines are written in.
pub(crate) fn form(db: &Connection, new_book: bool) -> Result<Form, LogError> {
    Ok(if number(db, new_book)? == PACKED { Form::Packed } else { Form::Text })
}

/// Gives the layout another number.
pub(crate) fn set(db: &Connection, version: i64) -> Result<(), LogError> {
    if db.is_shared() {
        db.execute(sql::SET_LAYOUT, [version])?;
        return Ok(());
    }
    Ok(db.execute_batch(match version {
        PACKED => sql::SET_VERSION_3,
        UNPACKING => sql::SET_VERSION_4,
        _ => sql::SET_VERSION_2,
    })?)
}
