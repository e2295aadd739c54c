//! The ordered log: what every store of Bolebook is, server's and device's alike.
//!
//! A log holds books; a book is a sequence of lines (commits and head signatures) at positions
//! from 1, each with the chain up to it. [`append()`] passes lines through the gate and never loads
//! a document, so its cost grows with what is appended, not with the book. [`read()`] hands them
//! out. [`write()`] writes as a device does. [`verify()`] recomputes every hash. [`client`] is the
//! asking side of an exchange, [`serve`] the answering one. When an actor has forked, [`rescue()`]
//! puts the other branch back; [`set_aside`] keeps what a device's own log could not, until it has come
//! back as [`evidence`]. [`salvage`] reads what a damaged file still holds, [`bundle`] the books in a file.
//! Lines lie as text or [`packed`]; [`repack`] changes a log's from one to the other, and leaves it to
//! others in between ([`turns`]).
//!
//! ```
//! # use bolebook_core::{commit::*, exchange::*, ids::*, quantity::UtcMs, record::*, record::book_kinds::*, signing::*};
//! let root = SecretKey::from_seed([1; 32]);
//! let book = BookId::new(0, [2; 10]);
//! let content = BookContent::Yard { company: "Invented Trees".into() };
//! let genesis = Genesis { format: 1, book, root: root.public(), title: "Yard".into(), content };
//! let envelope = Envelope {
//!     id: RecordId::new(0, [3; 10]), at: UtcMs(0), device: root.device(), by: None, replaces: vec![],
//! };
//! let record = Record { envelope, body: genesis.into() };
//! let actor = ActorId::new(root.device(), [4; 16]);
//! let records = vec![record.to_canonical()?];
//! let commit = Commit::author(Draft { actor, seq: 1, start_op: 1, time: UtcMs(0), deps: vec![], records })?;
//!
//! let mut db = bolebook_log::open_in_memory()?;
//! let tx = db.transaction()?;
//! bolebook_log::append(&tx, book, &[commit.into()])?;
//! tx.commit()?;
//! assert_eq!(bolebook_log::book(&db, book)?.map(|b| b.end.position), Some(1));
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

mod append;
pub mod bundle;
pub mod client;
mod error;
pub mod evidence;
mod layout;
pub mod packed;
mod pieces;
mod read;
pub mod repack;
mod rescue;
pub mod salvage;
pub mod serve;
pub mod set_aside;
mod sql;
mod stored;
pub mod turns;
mod verify;
mod wipe;
mod write;

use std::path::Path;

use bolebook_db::Connection;

pub use append::{Appended, append, take};
pub use bolebook_db::Trouble;
pub use error::LogError;
pub use layout::{Form, look, prepare};
pub use read::{
    Basis, BookInfo, BookKind, Page, StoredLine, basis, book, books, chain_at, commit_position, genesis,
    has_line, read, record_positions,
};
pub use rescue::{KeyOf, RescueDone, Rescuer, rescue};
pub use verify::{Verified, verify};
pub use wipe::{empty_log, shrink, wipe};
pub use write::{Writer, may_continue, write};

/// Opens (and at first makes) the log in a file: WAL, every commit on disk before it returns.
///
/// # Errors
/// [`LogError`] when the file cannot be opened, is no database, or has a newer layout.
pub fn open(path: &Path) -> Result<Connection, LogError> {
    let db = Connection::open(path)?;
    prepare(&db)?;
    Ok(db)
}

/// A log in memory, for tests and for looking into bundles.
///
/// # Errors
/// [`LogError::Database`].
pub fn open_in_memory() -> Result<Connection, LogError> {
    let db = Connection::open_in_memory()?;
    prepare(&db)?;
    Ok(db)
}
