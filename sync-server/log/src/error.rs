//! What can go wrong with a log.

use bolebook_core::gate::Refusal;
use bolebook_core::ids::{ActorId, BookId, CommitHash};
use bolebook_db::Trouble;

impl LogError {
    /// What is the matter with the file, when it is the database that failed.
    pub fn trouble(&self) -> Option<Trouble> {
        match self {
            Self::Database(error) => Some(error.trouble()),
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
    Database(#[from] bolebook_db::Error),
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
    /// Lines were to be changed to one form while somebody changes them to the other.
    #[error(
        "another run turned it round: the log's layout is {found} now; let one run end, then start the one you want"
    )]
    Turned {
        /// As found.
        found: i64,
    },
    /// A line is packed still, and nothing is wrong with it.
    #[error("line {position} of book {book} was packed meanwhile, and is so still: start it again")]
    StillPacked {
        /// The book.
        book: BookId,
        /// Where.
        position: u64,
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
