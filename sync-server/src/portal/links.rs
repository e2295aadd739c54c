//! Links to the portal: which job each opens, until when, and whether it was withdrawn.
//!
//! A link is 256 random bits; only their SHA-256 is stored, so whoever reads the database has no link.

use bolebook_core::ids::{BookId, Sha256Hash};
use bolebook_core::quantity::UtcMs;
use bolebook_db::{Connection, OptionalExtension as _, params};

use crate::error::ApiError;

/// The table.
pub const CREATE: &str = "
    CREATE TABLE IF NOT EXISTS portal_links (
        id INTEGER PRIMARY KEY,
        token BLOB NOT NULL UNIQUE,
        book TEXT NOT NULL,
        note TEXT NOT NULL,
        language TEXT NOT NULL,
        made_by TEXT NOT NULL,
        made_at INTEGER NOT NULL,
        expires_at INTEGER NOT NULL,
        withdrawn_at INTEGER,
        used_at INTEGER
    );
";
const ADD: &str = "INSERT INTO portal_links (id, token, book, note, language, made_by, made_at, expires_at)
    VALUES ((SELECT coalesce(max(id), 0) + 1 FROM portal_links), ?1, ?2, ?3, ?4, ?5, ?6, ?7)";
const COLUMNS: &str = "id, book, note, language, made_by, made_at, expires_at, withdrawn_at, used_at";
const WITHDRAW: &str =
    "UPDATE portal_links SET withdrawn_at = ?3 WHERE id = ?1 AND book = ?2 AND withdrawn_at IS NULL";
const FORGET_NOTES: &str = "UPDATE portal_links SET note = 'erased' WHERE book = ?1";
const FORGET_MAKER: &str = "UPDATE portal_links SET made_by = 'erased'
    WHERE made_by IN (SELECT name FROM desk_users WHERE person = ?1)";
const USED: &str = "UPDATE portal_links SET used_at = ?2 WHERE id = ?1";

/// A link.
#[derive(Clone, Debug)]
pub struct Link {
    /// Its number.
    pub id: i64,
    /// The job it opens, and no other.
    pub book: BookId,
    /// For whom, as the office notes it.
    pub note: String,
    /// The language it opens in.
    pub language: String,
    /// Who made it.
    pub made_by: String,
    /// When.
    pub made_at: UtcMs,
    /// Until when it opens.
    pub expires_at: UtcMs,
    /// When it was withdrawn.
    pub withdrawn_at: Option<UtcMs>,
    /// When it was last opened.
    pub used_at: Option<UtcMs>,
}

fn read(row: &bolebook_db::Row<'_>) -> bolebook_db::Result<(String, Link)> {
    let moment = |i| Ok::<_, bolebook_db::Error>(row.get::<_, Option<i64>>(i)?.map(UtcMs));
    let link = Link {
        id: row.get(0)?,
        book: BookId::new(0, [0; 10]),
        note: row.get(2)?,
        language: row.get(3)?,
        made_by: row.get(4)?,
        made_at: UtcMs(row.get(5)?),
        expires_at: UtcMs(row.get(6)?),
        withdrawn_at: moment(7)?,
        used_at: moment(8)?,
    };
    Ok((row.get(1)?, link))
}

fn with_book((book, link): (String, Link)) -> Result<Link, ApiError> {
    Ok(Link { book: book.parse().map_err(|e| ApiError::internal(&e))?, ..link })
}

/// A link about to be made.
pub struct New<'a> {
    /// Its secret.
    pub token: [u8; 32],
    /// The job.
    pub book: BookId,
    /// For whom.
    pub note: &'a str,
    /// The language it opens in.
    pub language: &'a str,
    /// Who makes it.
    pub by: &'a str,
    /// When.
    pub now: UtcMs,
    /// Until when it opens.
    pub expires: UtcMs,
}

/// Keeps a new link.
///
/// # Errors
/// The database's.
pub fn add(db: &Connection, new: &New<'_>) -> Result<(), ApiError> {
    let token = Sha256Hash::of(&new.token).0;
    let book = new.book.to_string();
    db.execute(ADD, params![token, book, new.note, new.language, new.by, new.now.0, new.expires.0])?;
    Ok(())
}

/// The links of a job, newest first.
///
/// # Errors
/// The database's.
pub fn of_job(db: &Connection, book: BookId) -> Result<Vec<Link>, ApiError> {
    let mut query =
        db.prepare(&format!("SELECT {COLUMNS} FROM portal_links WHERE book = ?1 ORDER BY id DESC"))?;
    let rows = query.query_map([book.to_string()], read)?.collect::<Result<Vec<_>, _>>()?;
    rows.into_iter().map(with_book).collect()
}

/// The link of a secret, whatever its state.
///
/// # Errors
/// The database's.
pub fn find(db: &Connection, token: &[u8; 32]) -> Result<Option<Link>, ApiError> {
    let token = Sha256Hash::of(token).0;
    let query = format!("SELECT {COLUMNS} FROM portal_links WHERE token = ?1");
    db.query_row(&query, params![token], read).optional()?.map(with_book).transpose()
}

/// Withdraws a link of a job for good; false when there is none to withdraw.
///
/// # Errors
/// The database's.
pub fn withdraw(db: &Connection, id: i64, book: BookId, now: UtcMs) -> Result<bool, ApiError> {
    Ok(db.execute(WITHDRAW, params![id, book.to_string(), now.0])? == 1)
}

/// Notes that a link was opened.
///
/// # Errors
/// The database's.
pub fn used(db: &Connection, id: i64, now: UtcMs) -> Result<(), ApiError> {
    db.execute(USED, params![id, now.0])?;
    Ok(())
}

/// Blanks for whom the links of a job were made: the client's name was erased.
///
/// # Errors
/// The database's.
pub fn forget_notes(db: &Connection, book: BookId) -> Result<(), ApiError> {
    db.execute(FORGET_NOTES, [book.to_string()])?;
    Ok(())
}

/// Blanks who made links: the person's name was erased.
///
/// # Errors
/// The database's.
pub fn forget_maker(db: &Connection, person: &str) -> Result<(), ApiError> {
    db.execute(FORGET_MAKER, [person])?;
    Ok(())
}
