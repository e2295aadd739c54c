//! Whose a place in an object store is. Servers over one database share it; one with a database of its own,
//! a hub say, has another log and does not know what the others' uploads need, though its yard is the same.
//!
//! The database keeps the log's name and every word that its servers put into the store when they had put it
//! in order. A copy of the database has the name, and lacks the words since: so it is told apart too.
//!
//! A place that is not this log's stops no server: what it puts there has its digest for a name and harms
//! nobody. It only sweeps no uploads, until somebody says that it goes on in the other's place.

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
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Whose {
    /// This log's.
    Ours,
    /// A copy of this log's database does so, or did after this one was copied.
    ACopys,
    /// The place names another log of this yard.
    Anothers {
        /// The name there.
        found: String,
        /// This log's.
        ours: String,
    },
    /// Where the place names its log, something else lies.
    Unknown,
}

impl Whose {
    /// Why no uploads are swept there, and what to do; nothing where they are.
    pub fn why_not(&self) -> Option<String> {
        let why = match self {
            Self::Ours => return None,
            Self::ACopys => {
                "another copy of this server's database has put this place in order since this one was copied"
                    .to_owned()
            }
            Self::Anothers { found, ours } => {
                format!("this place belongs to another log of this yard ({found}; this one is {ours})")
            }
            Self::Unknown => {
                "the object 'log' in this place cannot be read, which names the log it belongs to".to_owned()
            }
        };
        Some(format!(
            "{why}: photos are kept and served, and no uploads are swept. If another server uses the place too, part from it: stop this one, bring the photos along with 'bolebook-server migrate --to folder', then 'migrate --to bucket' with a prefix of its own. If this one goes on here alone, say so with 'bolebook-server take-photos' and the same --store as the server"
        ))
    }
}

/// It could not be claimed.
#[derive(Debug, thiserror::Error)]
pub enum ClaimError {
    /// It is another yard's, or the store's trouble.
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

/// A fresh word, kept; the last before it stands in the store ([`take`]), so none that stands there is dropped.
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

/// What the place says of its log; what cannot be read says nothing.
fn said(objects: &Objects) -> Result<Result<Option<LogClaim>, ()>, ObjectError> {
    match objects.log() {
        Err(error @ ObjectError::Wrong { .. }) => {
            tracing::warn!(%error, "whose the place of photos is");
            Ok(Err(()))
        }
        found => found.map(Ok),
    }
}

/// Claims a store's place for a yard and this log, where nobody has, or sees whose it is.
///
/// # Errors
/// [`ObjectError::Taken`] when it is another yard's; the store's, the database's.
pub fn claim(database: &Database, objects: &Objects, yard: BookId) -> Result<Whose, ClaimError> {
    objects.claim(&yard.to_string())?;
    if !objects.is_shared() {
        return Ok(Whose::Ours);
    }
    let known = known(database)?;
    let Some(ours) = known.first().cloned() else { return Ok(Whose::Unknown) };
    let found = match said(objects)? {
        Ok(Some(found)) => found,
        Ok(None) => {
            let first = LogClaim { log: ours.clone(), turn: ours.clone() };
            // Of two that claim it at the same moment, both read what is there in the end.
            let found = objects.name_log_first(&first)?;
            tracing::info!(place = %objects, log = found.log, "the place of photos named no log until now");
            found
        }
        Err(()) => return Ok(Whose::Unknown),
    };
    if found.log != ours {
        return Ok(Whose::Anothers { found: found.log, ours });
    }
    Ok(if known.contains(&found.turn) { Whose::Ours } else { Whose::ACopys })
}

/// The same at a server's start: a store that is away now may come while it runs, and one that is full may
/// get room. Whose log's it is stops nobody and is said at each tidying.
///
/// # Errors
/// As [`claim`].
pub fn at_start(database: &Database, objects: &Objects, yard: BookId) -> Result<(), StartError> {
    match claim(database, objects, yard) {
        Err(ClaimError::Objects(error)) if error.passes() || matches!(error, ObjectError::Full { .. }) => {
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
/// One that was kept and did not come to the store is put first, and a fresh one only when that has come:
/// so a store that takes none for days costs one word and not one at each try, and the one that stands in
/// the end is one that no copy made meanwhile knows.
///
/// # Errors
/// The store's, or the database's: it is as before, or done.
pub fn take(database: &Database, objects: &Objects) -> Result<LogClaim, ClaimError> {
    let known = known(database)?;
    let log = known.first().cloned().unwrap_or_default();
    if let Some(last) = known.last() {
        let last = LogClaim { log: log.clone(), turn: last.clone() };
        if said(objects)? != Ok(Some(last.clone())) {
            objects.name_log(&last)?;
        }
    }
    let turn = database.write_idempotent(add).map_err(ClaimError::Database)?;
    let claim = LogClaim { log, turn };
    objects.name_log(&claim)?;
    Ok(claim)
}
