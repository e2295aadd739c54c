//! Files sent to the desk that wait to be added or discarded, one a session: in the database, so that
//! any server over it goes on with them and a restart loses none. They go with their session, after half
//! an hour, and when they were added. Every statement is here.

use bolebook_core::ids::BookId;
use bolebook_core::quantity::UtcMs;
use bolebook_db::{Connection, params};

use crate::desk::accounts::stored_id;
use crate::desk::page::Desk;
use crate::error::ApiError;

/// How long a file waits to be added.
const KEPT_MS: i64 = 30 * 60_000;
/// Most files that wait at once, over all sessions.
const MOST_KEPT: i64 = 20;
/// Bytes of a file in one row: rows stay under 512 KB.
const PIECE_BYTES: usize = 256 * 1024;

/// The table: a file's pieces in order, from 0.
pub const CREATE: &str = "
    CREATE TABLE IF NOT EXISTS desk_files (
        session BLOB NOT NULL REFERENCES desk_sessions (id) ON DELETE CASCADE,
        piece INTEGER NOT NULL,
        book TEXT NOT NULL,
        kind TEXT NOT NULL,
        name TEXT NOT NULL,
        at INTEGER NOT NULL,
        bytes BLOB NOT NULL,
        PRIMARY KEY (session, piece)
    );
";
const SWEEP: &str = "DELETE FROM desk_files WHERE at <= ?1";
const FORGET: &str = "DELETE FROM desk_files WHERE session = ?1";
const HOW_MANY: &str = "SELECT COUNT(*) FROM desk_files WHERE piece = 0";
const ADD: &str = "INSERT INTO desk_files (session, piece, book, kind, name, at, bytes)
    VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)";
const PIECES: &str = "SELECT name, bytes FROM desk_files
    WHERE session = ?1 AND book = ?2 AND kind = ?3 AND at > ?4 ORDER BY piece";

/// What a file is for.
#[derive(Clone, Copy, Debug)]
pub enum Purpose {
    /// A stand's table.
    Stand,
    /// Blocks of a map.
    Blocks,
}

impl Purpose {
    const fn name(self) -> &'static str {
        match self {
            Self::Stand => "stand",
            Self::Blocks => "blocks",
        }
    }
}

/// Keeps a session's file, which could be read, in place of the one before.
///
/// # Errors
/// 429 when too many wait; the database's.
pub fn keep(desk: &Desk, book: BookId, purpose: Purpose, name: &str, file: &[u8]) -> Result<(), ApiError> {
    let now = desk.now();
    let session = stored_id(&desk.session);
    desk.app.write(|tx| {
        sweep(tx, now)?;
        tx.execute(FORGET, params![session])?;
        let waiting: i64 = tx.query_row(HOW_MANY, [], |row| row.get(0))?;
        if waiting >= MOST_KEPT {
            return Err(ApiError::too_many(60));
        }
        for (piece, bytes) in (0i64..).zip(file.chunks(PIECE_BYTES)) {
            let row = params![session, piece, book.to_string(), purpose.name(), name, now.0, bytes];
            tx.execute(ADD, row)?;
        }
        Ok(())
    })
}

/// A session's file for a job, if one waits: its name and its bytes.
///
/// # Errors
/// The database's.
pub fn of(desk: &Desk, book: BookId, purpose: Purpose) -> Result<Option<(String, Vec<u8>)>, ApiError> {
    let after = desk.now().0 - KEPT_MS;
    let of = params![stored_id(&desk.session), book.to_string(), purpose.name(), after];
    desk.app.read(|db| {
        let mut file: Option<(String, Vec<u8>)> = None;
        let mut statement = db.prepare(PIECES)?;
        for piece in
            statement.query_map(of, |row| Ok((row.get::<_, String>(0)?, row.get::<_, Vec<u8>>(1)?)))?
        {
            let (name, bytes) = piece?;
            file.get_or_insert((name, vec![])).1.extend(bytes);
        }
        Ok(file)
    })
}

/// Forgets a session's file.
///
/// # Errors
/// The database's.
pub fn forget(desk: &Desk) -> Result<(), ApiError> {
    let session = stored_id(&desk.session);
    desk.app.write(|tx| Ok(tx.execute(FORGET, params![session]).map(drop)?))
}

/// Forgets a session's file that was added. It is not said when that fails: the file's records are in the
/// book, their names are taken, and the file goes by itself.
pub fn forget_added(desk: &Desk) {
    if forget(desk).is_err() {
        tracing::warn!("a file that was added waits until its half hour is over");
    }
}

/// Forgets the files that have waited long enough.
///
/// # Errors
/// The database's.
pub fn sweep(db: &Connection, now: UtcMs) -> Result<(), ApiError> {
    db.execute(SWEEP, params![now.0 - KEPT_MS])?;
    Ok(())
}
