//! Whose a place in an object store is. Servers over one database share it; one with a database of its own,
//! a hub say, has another log and does not know what the others' uploads need, though its yard is the same.
//!
//! The database keeps the log's name and every word that its servers put into the store when they had put it
//! in order. A copy of the database has the name, and lacks the words since: so it is told apart too, and
//! sweeps nothing until somebody says that it goes on in the other's place.

use bolebook_core::ids::BookId;
use bolebook_db::{Connection, Transaction, params};
use bolebook_objects::{LogClaim, ObjectError, Objects};

use crate::database::Database;
use crate::error::ApiError;
use crate::state::StartError;

/// Lays the table out: the log's name is number 1, the words come after it.
pub const CREATE: &str = "
    CREATE TABLE IF NOT EXISTS photo_claims (number INTEGER PRIMARY KEY, word TEXT NOT NULL);
";
const ALL: &str = "SELECT word FROM photo_claims ORDER BY number";
const ADD: &str = "INSERT INTO photo_claims (number, word) VALUES (?1, ?2)";
const NEWEST: &str = "SELECT CAST(coalesce(max(number), 0) AS BIGINT) FROM photo_claims";
const DROP_OLD: &str = "DELETE FROM photo_claims WHERE number > 1 AND number <= ?1";
/// So many words are kept: those of a year of a dozen servers. A slower one may put an older word.
const KEPT: i64 = 20_000;

/// Whose it is to put the place in order.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Whose {
    /// This log's.
    Ours,
    /// A copy of this log's database does so, or did after this one was copied.
    ACopys,
}

/// It could not be claimed.
#[derive(Debug, thiserror::Error)]
pub enum ClaimError {
    /// It is another's, or the store's trouble.
    #[error(transparent)]
    Objects(#[from] ObjectError),
    /// The database's.
    #[error("{0}")]
    Database(ApiError),
}

impl From<ClaimError> for ApiError {
    fn from(error: ClaimError) -> Self {
        match error {
            ClaimError::Objects(error) => error.into(),
            ClaimError::Database(error) => error,
        }
    }
}

fn words(db: &Connection) -> Result<Vec<String>, ApiError> {
    let mut query = db.prepare_cached(ALL)?;
    Ok(query.query_map([], |row| row.get(0))?.collect::<Result<_, _>>()?)
}

/// A fresh word, kept.
fn add(tx: &Transaction<'_>) -> Result<String, ApiError> {
    let mut random = [0; 16];
    getrandom::fill(&mut random).map_err(|e| ApiError::internal(&e))?;
    let word = hex::encode(random);
    let newest: i64 = tx.query_row(NEWEST, [], |row| row.get(0))?;
    tx.execute(ADD, params![newest + 1, word])?;
    tx.execute(DROP_OLD, [newest + 1 - KEPT])?;
    Ok(word)
}

/// The log's name and the words known here, of which there is one at least. Whoever asks first makes them.
fn known(database: &Database) -> Result<Vec<String>, ClaimError> {
    let known = database.read(words).map_err(ClaimError::Database)?;
    if !known.is_empty() {
        return Ok(known);
    }
    let made = database.write_idempotent(|tx| {
        if words(tx)?.is_empty() {
            add(tx)?;
        }
        words(tx)
    });
    made.map_err(ClaimError::Database)
}

/// Claims a store's place for a yard and this log, where nobody has, or sees whose it is.
///
/// # Errors
/// [`ObjectError::Taken`] and [`ObjectError::OtherLog`] when it is another's; the store's, the database's.
pub fn claim(database: &Database, objects: &Objects, yard: BookId) -> Result<Whose, ClaimError> {
    objects.claim(&yard.to_string())?;
    if !objects.is_shared() {
        return Ok(Whose::Ours);
    }
    let known = known(database)?;
    let Some(log) = known.first() else { return Ok(Whose::ACopys) };
    let found = match objects.log()? {
        Some(found) => found,
        None => {
            let first = LogClaim { log: log.clone(), turn: log.clone() };
            objects.name_log(&first, true)?;
            tracing::info!(place = %objects, log, "the place of photos named no log until now: it names this one from here on");
            // Of two that claim it at the same moment, both read what is there in the end.
            objects.log()?.unwrap_or(first)
        }
    };
    if found.log != *log {
        let (place, ours) = (objects.to_string(), log.clone());
        return Err(ObjectError::OtherLog { place, found: found.log, ours }.into());
    }
    Ok(if known.contains(&found.turn) { Whose::Ours } else { Whose::ACopys })
}

/// The same at a server's start: a store that is away now may come while it runs.
///
/// # Errors
/// As [`claim`].
pub fn at_start(database: &Database, objects: &Objects, yard: BookId) -> Result<(), StartError> {
    match claim(database, objects, yard) {
        Err(ClaimError::Objects(error)) if error.passes() => {
            tracing::warn!(%error, "photos wait until the object store answers");
            Ok(())
        }
        Err(ClaimError::Objects(error)) => Err(error.into()),
        Err(ClaimError::Database(error)) => Err(StartError::Photos(error)),
        Ok(_) => Ok(()),
    }
}

/// Says in the store that this database's servers put it in order now, whoever did before. The word is kept
/// before it is put: a server that is killed in between knows one more.
///
/// # Errors
/// The store's, or the database's: it is as before, or done.
pub fn take(database: &Database, objects: &Objects) -> Result<LogClaim, ClaimError> {
    let log = known(database)?.first().cloned().unwrap_or_default();
    let turn = database.write_idempotent(add).map_err(ClaimError::Database)?;
    let claim = LogClaim { log, turn };
    objects.name_log(&claim, false)?;
    Ok(claim)
}
