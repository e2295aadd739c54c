//! Changes what a server's database keeps its lines as: packed, or text again for an older program.
//!
//! Servers may be at work on it, if they are all of this version or newer. Every step is a transaction of
//! its own; a run that was cut off goes on when it is started again.

use bolebook_core::ids::BookId;
use bolebook_db::{Connection, Transaction, TransactionBehavior};
use bolebook_log::repack::{self, Repacked};
use bolebook_log::{Form, LogError};

use crate::database::Place;

/// How often the way back is gone over: lines that a server packed while it learnt of it come with the next.
const ROUNDS: u32 = 3;
/// How often a file's write-ahead log is tried to be emptied while others read.
const TRIES: u32 = 3;

/// It could not be done; every line lies as it did, or in its new form.
#[derive(Debug, thiserror::Error)]
pub enum PackError {
    /// There is nothing to change.
    #[error("{0}: no such log")]
    NoLog(String),
    /// The database.
    #[error("{place}: {source}; what was changed until then holds: start it again, and it goes on")]
    Log {
        /// Which.
        place: String,
        /// Why.
        source: LogError,
    },
    /// The lines are changed, and the file is as large as before.
    #[error(
        "{place}: the lines are changed, and the file could not be written anew: {source}; start it again"
    )]
    Shrink {
        /// Which.
        place: String,
        /// Why.
        source: LogError,
    },
    /// A run that was cut off on purpose.
    #[error("cut off")]
    Cut,
}

/// What was done.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize)]
pub struct Packed {
    /// Books.
    pub books: u64,
    /// Their lines.
    #[serde(flatten)]
    pub lines: Repacked,
    /// Bytes of the file before and after; nothing in a database that servers share.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub file_bytes: Option<[u64; 2]>,
}

struct Run<'a> {
    place: &'a Place,
    db: Option<Connection>,
    /// Steps to go until the run is cut off, for tests.
    left: Option<u64>,
}

impl Run<'_> {
    fn failed(&self, source: LogError) -> PackError {
        PackError::Log { place: self.place.to_string(), source }
    }

    /// One transaction, done again for as long as what stood in its way may pass. Each comes to the same
    /// if it is done twice.
    fn step<T>(&mut self, work: impl Fn(&Transaction<'_>) -> Result<T, LogError>) -> Result<T, PackError> {
        match &mut self.left {
            Some(0) => return Err(PackError::Cut),
            Some(left) => *left -= 1,
            None => {}
        }
        let place = self.place;
        let db = &mut self.db;
        let done = place.tried_often(|| {
            if db.as_ref().is_some_and(Connection::is_broken) {
                *db = None;
            }
            let db = match &mut *db {
                Some(db) => db,
                empty => empty.insert(place.connect()?),
            };
            let tx = db.begin(TransactionBehavior::Immediate)?;
            let done = work(&tx)?;
            tx.commit()?;
            Ok(done)
        });
        done.map_err(|e| self.failed(e))
    }

    fn book(&mut self, book: BookId, to: Form, done: &mut Repacked) -> Result<(), PackError> {
        let mut after = 0;
        loop {
            let (end, step) = self.step(|tx| {
                let mut step = Repacked::default();
                Ok((repack::some(tx, book, after, to, &mut step)?, step))
            })?;
            done.lines += step.lines;
            done.changed += step.changed;
            done.damaged += step.damaged;
            match end {
                Some(end) => after = end,
                None => return Ok(()),
            }
        }
    }

    /// A file's free pages go back to the disk.
    fn shrink(&mut self) -> Result<(), PackError> {
        let place = self.place;
        let shrink = |db: &Connection| {
            let mut emptied = bolebook_log::wipe(db)?;
            for _ in 1..TRIES {
                // A server that reads keeps the write-ahead log: it empties it itself later.
                emptied = emptied || bolebook_log::empty_log(db)?;
            }
            Ok::<_, LogError>(())
        };
        let Some(db) = &self.db else { return Ok(()) };
        shrink(db).map_err(|source| PackError::Shrink { place: place.to_string(), source })
    }
}

/// Packs every line of a database, or makes text of every one again. `stop_after` ends the run after so
/// many transactions, as a crash would: for tests.
///
/// # Errors
/// [`PackError`]; started again, it goes on where it was.
pub fn pack(place: &Place, to: Form, stop_after: Option<u64>) -> Result<Packed, PackError> {
    let bytes = || match place {
        Place::File(path) => std::fs::metadata(path).ok().map(|meta| meta.len()),
        Place::Shared(_) => None,
    };
    let before = bytes();
    if before.is_none() && !place.is_shared() {
        return Err(PackError::NoLog(place.to_string()));
    }
    let failed = |source| PackError::Log { place: place.to_string(), source };
    let db = place.lay_out().map_err(failed)?;
    let mut run = Run { place, db: Some(db), left: stop_after };
    run.step(|tx| repack::begin(tx, to))?;
    let mut done = Packed::default();
    for round in 1..=ROUNDS {
        done = Packed::default();
        for info in run.step(|tx| bolebook_log::books(tx))? {
            run.book(info.book, to, &mut done.lines)?;
            done.books += 1;
        }
        match run.step(|tx| repack::finish(tx, to))? {
            None => break,
            Some((book, position)) if round == ROUNDS || done.lines.damaged > 0 => {
                return Err(failed(repack::still_packed(book, position, &done.lines)));
            }
            Some(_) => {}
        }
    }
    if !place.is_shared() {
        run.shrink()?;
        done.file_bytes = before.zip(bytes()).map(|(before, after)| [before, after]);
    }
    Ok(done)
}
