//! What can go wrong with a log.

use bolebook_core::gate::Refusal;
use bolebook_core::ids::{ActorId, BookId, CommitHash};

/// What is the matter with the file, when the database fails.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Trouble {
    /// No room: the disk is full, or a quota or size limit is reached.
    Full,
    /// What is stored is no database any more, or not a whole one.
    Damaged,
    /// Another process kept it too long.
    Busy,
    /// It may not be written.
    ReadOnly,
    /// Anything else.
    Other,
}

/// Says what is the matter with the file. SQLite gives a plain write error for a used-up quota, so
/// every failed write counts as no room.
pub fn trouble(error: &rusqlite::Error) -> Trouble {
    use rusqlite::ErrorCode as E;
    use rusqlite::ffi;
    let rusqlite::Error::SqliteFailure(failure, _) = error else { return Trouble::Other };
    match (failure.code, failure.extended_code) {
        (E::DiskFull, _) => Trouble::Full,
        (
            E::SystemIoFailure,
            ffi::SQLITE_IOERR_WRITE
            | ffi::SQLITE_IOERR_FSYNC
            | ffi::SQLITE_IOERR_DIR_FSYNC
            | ffi::SQLITE_IOERR_TRUNCATE
            | ffi::SQLITE_IOERR_SHMSIZE
            | ffi::SQLITE_IOERR_SHMOPEN,
        ) => Trouble::Full,
        (E::DatabaseCorrupt | E::NotADatabase, _) => Trouble::Damaged,
        // A page that the file should have and does not: it was cut short.
        (E::SystemIoFailure, ffi::SQLITE_IOERR_SHORT_READ | ffi::SQLITE_IOERR_CORRUPTFS) => Trouble::Damaged,
        (E::DatabaseBusy | E::DatabaseLocked, _) => Trouble::Busy,
        (E::ReadOnly, _) => Trouble::ReadOnly,
        _ => Trouble::Other,
    }
}

impl LogError {
    /// What is the matter with the file, when it is the database that failed.
    pub fn trouble(&self) -> Option<Trouble> {
        match self {
            Self::Sqlite(error) => Some(trouble(error)),
            _ => None,
        }
    }
}

/// The log could not do what was asked; nothing was changed by it.
#[derive(Debug, thiserror::Error)]
pub enum LogError {
    /// A line the gate refuses.
    #[error("line {line} of book {book} is refused: {refusal}")]
    Refused {
        /// The book.
        book: BookId,
        /// Its index among the lines offered, from 0.
        line: usize,
        /// The commit it is, or signs.
        hash: CommitHash,
        /// The rule broken.
        refusal: Box<Refusal>,
    },
    /// The database failed.
    #[error("the log's database failed: {0}")]
    Sqlite(#[from] rusqlite::Error),
    /// What is stored is not what was stored.
    #[error(
        "the log of book {book} is damaged at position {position}: {why}; restore it from a copy or a server"
    )]
    Damaged {
        /// The book.
        book: BookId,
        /// Where.
        position: u64,
        /// How.
        why: String,
    },
    /// The log has no such book.
    #[error("this log has no book {0}")]
    NoBook(BookId),
    /// Someone else appended to the chain of this device's actor.
    #[error(
        "the chain of actor {actor} in book {book} does not end in this device's own commit: use a fresh actor"
    )]
    ForeignEnd {
        /// The book.
        book: BookId,
        /// The actor.
        actor: ActorId,
    },
    /// A record that cannot be written.
    #[error("a record of book {book} cannot be written: {why}")]
    Unwritable {
        /// The book.
        book: BookId,
        /// Why.
        why: String,
    },
    /// A newer Bolebook laid the file out.
    #[error("the log's layout is {found}; this Bolebook knows {known}: update it")]
    Layout {
        /// As found.
        found: i64,
        /// As known here.
        known: i64,
    },
}
