//! Changes what a server's database keeps its lines as: packed, or text again for an older program.
//!
//! Servers may be at work on it, if they are all of this version or newer. Every step is a transaction of
//! its own, and a file is left to them again and again; a run that was cut off goes on when it is started
//! again.

use bolebook_db::{Connection, Transaction};
use bolebook_log::repack::{self, Steps};
use bolebook_log::turns::Turns;
use bolebook_log::{Form, LogError};

use crate::database::Place;

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
    /// Books and their lines.
    #[serde(flatten)]
    pub run: repack::Run,
    /// Bytes of the file before and after; nothing in a database that servers share.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub file_bytes: Option<[u64; 2]>,
}

struct Run<'a> {
    place: &'a Place,
    db: Option<Connection>,
    /// Steps to go until the run is cut off, for tests.
    left: Option<u64>,
    /// A file's other writers only look from time to time whether it is their turn.
    turns: Option<Turns>,
}

/// One transaction, done again for as long as what stood in its way may pass.
impl Steps for Run<'_> {
    type Error = PackError;

    fn step<T>(&mut self, work: impl Fn(&Transaction<'_>) -> Result<T, LogError>) -> Result<T, PackError> {
        match &mut self.left {
            Some(0) => return Err(PackError::Cut),
            Some(left) => *left -= 1,
            None => {}
        }
        let Self { place, db, turns, .. } = self;
        let done = place.tried_often(|| {
            if db.as_ref().is_some_and(Connection::is_broken) {
                *db = None;
            }
            let db = match &mut *db {
                Some(db) => db,
                empty => empty.insert(place.connect()?),
            };
            repack::one(db, turns.as_mut(), &work)
        });
        done.map_err(|e| self.stopped(e))
    }

    fn stopped(&self, source: LogError) -> PackError {
        PackError::Log { place: self.place.to_string(), source }
    }
}

impl Run<'_> {
    /// A file's free pages go back to the disk.
    fn shrink(&mut self) -> Result<(), PackError> {
        let (Some(db), Some(turns)) = (&self.db, &mut self.turns) else { return Ok(()) };
        let place = self.place.to_string();
        bolebook_log::shrink(db, turns).map_err(|source| PackError::Shrink { place, source })
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
    let turns = (!place.is_shared()).then(Turns::default);
    let mut steps = Run { place, db: Some(db), left: stop_after, turns };
    let run = repack::run(&mut steps, to)?;
    steps.shrink()?;
    Ok(Packed { run, file_bytes: before.zip(bytes()).map(|(before, after)| [before, after]) })
}
