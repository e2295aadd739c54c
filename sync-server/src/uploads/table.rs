//! The table of uploads under way. Every statement is here.
//!
//! The offset in the table is what was acknowledged: it moves only after the bytes up to it were synced
//! into the upload's file, or in the transaction that names the pieces an object store has answered for.

use std::collections::BTreeSet;

use bolebook_core::ids::{DeviceId, Sha256Hash};
use bolebook_core::quantity::UtcMs;
use bolebook_db::{Connection, OptionalExtension as _, Row, params};

use crate::error::ApiError;

/// Lays the table out.
pub const CREATE: &str = "
    CREATE TABLE IF NOT EXISTS uploads (
        id TEXT PRIMARY KEY,
        device TEXT NOT NULL,
        sha256 TEXT NOT NULL,
        length INTEGER NOT NULL,
        \"offset\" INTEGER NOT NULL,
        metadata TEXT NOT NULL,
        expires_at INTEGER NOT NULL,
        done INTEGER NOT NULL
    ) WITHOUT ROWID;
    CREATE INDEX IF NOT EXISTS uploads_of_device ON uploads (device, sha256);
    CREATE TABLE IF NOT EXISTS upload_pieces (
        upload TEXT NOT NULL,
        start INTEGER NOT NULL,
        bytes INTEGER NOT NULL,
        name TEXT NOT NULL,
        sha256 TEXT NOT NULL,
        PRIMARY KEY (upload, start)
    ) WITHOUT ROWID;
    CREATE TABLE IF NOT EXISTS upload_turns (id TEXT PRIMARY KEY, process TEXT NOT NULL);
";
const ADD: &str = "
    INSERT INTO uploads (id, device, sha256, length, \"offset\", metadata, expires_at, done)
    VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)";
const TAKE_TURN: &str = "INSERT INTO upload_turns (id, process) VALUES (?1, ?2)
    ON CONFLICT (id) DO UPDATE SET process = excluded.process";
const HAS_TURN: &str = "SELECT 1 FROM upload_turns WHERE id = ?1 AND process = ?2";
const FORGET_TURNS: &str = "DELETE FROM upload_turns WHERE id NOT IN (SELECT id FROM uploads)";
const ADD_PIECE: &str = "INSERT INTO upload_pieces (upload, start, bytes, name, sha256)
    VALUES (?1, ?2, ?3, ?4, ?5) ON CONFLICT (upload, start)
    DO UPDATE SET bytes = excluded.bytes, name = excluded.name, sha256 = excluded.sha256";
const PIECES: &str = "SELECT start, bytes, name, sha256 FROM upload_pieces WHERE upload = ?1 ORDER BY start";
const FORGET_PIECES: &str = "DELETE FROM upload_pieces WHERE upload NOT IN (SELECT id FROM uploads)";
const COLUMNS: &str = "id, device, sha256, length, \"offset\", metadata, expires_at, done";

/// One upload.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Upload {
    /// Its address's last part: 128 random bits, hexadecimal.
    pub id: String,
    /// The device that made it, and that alone may go on with it.
    pub device: DeviceId,
    /// What the bytes must come to.
    pub sha256: Sha256Hash,
    /// How many they will be.
    pub length: u64,
    /// How many of them are on the disk.
    pub offset: u64,
    /// `Upload-Metadata` as it was sent.
    pub metadata: String,
    /// When it is given up, unless bytes come.
    pub expires_at: UtcMs,
    /// Whether the photo is in its place.
    pub done: bool,
}

/// A piece of an upload's bytes: an object that is never written again.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Piece {
    /// Where in the upload it begins.
    pub start: u64,
    /// How many bytes it has.
    pub bytes: u64,
    /// Its name: 128 random bits, hexadecimal.
    pub name: String,
    /// What its bytes must come to.
    pub sha256: Sha256Hash,
}

fn upload(row: &Row<'_>) -> bolebook_db::Result<Upload> {
    let wrong = bolebook_db::Error::column;
    let (device, sha256): (String, String) = (row.get(1)?, row.get(2)?);
    let (length, offset): (i64, i64) = (row.get(3)?, row.get(4)?);
    Ok(Upload {
        id: row.get(0)?,
        device: device.parse().map_err(|_| wrong(1, "device"))?,
        sha256: sha256.parse().map_err(|_| wrong(2, "sha256"))?,
        length: u64::try_from(length).map_err(|_| wrong(3, "length"))?,
        offset: u64::try_from(offset).map_err(|_| wrong(4, "offset"))?,
        metadata: row.get(5)?,
        expires_at: UtcMs(row.get(6)?),
        done: row.get(7)?,
    })
}

fn piece(row: &Row<'_>) -> bolebook_db::Result<Piece> {
    let wrong = bolebook_db::Error::column;
    let (start, bytes, sha256): (i64, i64, String) = (row.get(0)?, row.get(1)?, row.get(3)?);
    Ok(Piece {
        start: u64::try_from(start).map_err(|_| wrong(0, "start"))?,
        bytes: u64::try_from(bytes).map_err(|_| wrong(1, "bytes"))?,
        name: row.get(2)?,
        sha256: sha256.parse().map_err(|_| wrong(3, "sha256"))?,
    })
}

fn number(n: u64) -> i64 {
    i64::try_from(n).unwrap_or(i64::MAX)
}

/// Adds one.
///
/// # Errors
/// The database's, as for all below.
pub fn add(db: &Connection, u: &Upload) -> Result<(), ApiError> {
    let (device, sha256) = (u.device.to_string(), u.sha256.to_string());
    let (length, offset) = (number(u.length), number(u.offset));
    db.execute(ADD, params![u.id, device, sha256, length, offset, u.metadata, u.expires_at.0, u.done])?;
    Ok(())
}

/// The upload of an id.
///
/// # Errors
/// The database's.
pub fn get(db: &Connection, id: &str) -> Result<Option<Upload>, ApiError> {
    let sql = format!("SELECT {COLUMNS} FROM uploads WHERE id = ?1");
    Ok(db.query_row(&sql, [id], upload).optional()?)
}

/// A device's upload of a photo of that length that is not done yet.
///
/// # Errors
/// The database's.
pub fn under_way(
    db: &Connection,
    device: DeviceId,
    sha256: Sha256Hash,
    length: u64,
) -> Result<Option<Upload>, ApiError> {
    let sql = format!(
        "SELECT {COLUMNS} FROM uploads WHERE device = ?1 AND sha256 = ?2 AND length = ?3 AND done = 0"
    );
    let named = params![device.to_string(), sha256.to_string(), number(length)];
    Ok(db.query_row(&sql, named, upload).optional()?)
}

/// How many uploads of a device are under way, and how many bytes they will have.
///
/// # Errors
/// The database's.
pub fn load(db: &Connection, device: DeviceId) -> Result<(u64, u64), ApiError> {
    let sql = "SELECT count(*), CAST(coalesce(sum(length), 0) AS BIGINT) FROM uploads WHERE device = ?1 AND done = 0";
    let (n, bytes): (i64, i64) =
        db.query_row(sql, [device.to_string()], |row| Ok((row.get(0)?, row.get(1)?)))?;
    Ok((u64::try_from(n).unwrap_or(0), u64::try_from(bytes).unwrap_or(0)))
}

/// Forgets every upload of a photo; gives the ids of those that were under way.
///
/// # Errors
/// The database's.
pub fn remove_of(db: &Connection, sha256: Sha256Hash) -> Result<Vec<String>, ApiError> {
    let mut query = db.prepare_cached("DELETE FROM uploads WHERE sha256 = ?1 RETURNING id")?;
    let ids = query.query_map([sha256.to_string()], |row| row.get(0))?.collect::<Result<Vec<String>, _>>()?;
    db.execute(FORGET_PIECES, [])?;
    Ok(ids)
}

/// Takes the turn at an upload for a process; whoever had it moves the offset no more.
///
/// # Errors
/// The database's.
pub fn take_turn(db: &Connection, id: &str, process: &str) -> Result<(), ApiError> {
    db.execute(TAKE_TURN, params![id, process])?;
    Ok(())
}

/// Whether a process has the turn at an upload.
///
/// # Errors
/// The database's.
pub fn has_turn(db: &Connection, id: &str, process: &str) -> Result<bool, ApiError> {
    Ok(db.exists(HAS_TURN, params![id, process])?)
}

/// Moves an upload's offset and its end.
///
/// # Errors
/// The database's.
pub fn moved(db: &Connection, id: &str, offset: u64, expires_at: UtcMs) -> Result<(), ApiError> {
    let sql = "UPDATE uploads SET \"offset\" = ?2, expires_at = ?3 WHERE id = ?1";
    db.execute(sql, params![id, number(offset), expires_at.0])?;
    Ok(())
}

/// Names a piece, in the place of one that begins where it does.
///
/// # Errors
/// The database's.
pub fn add_piece(db: &Connection, id: &str, piece: &Piece) -> Result<(), ApiError> {
    let sha256 = piece.sha256.to_string();
    db.execute(ADD_PIECE, params![id, number(piece.start), number(piece.bytes), piece.name, sha256])?;
    Ok(())
}

/// An upload's pieces, in their order.
///
/// # Errors
/// The database's.
pub fn pieces(db: &Connection, id: &str) -> Result<Vec<Piece>, ApiError> {
    let mut query = db.prepare_cached(PIECES)?;
    let rows = query.query_map([id], piece)?.collect::<Result<Vec<_>, _>>()?;
    Ok(rows)
}

/// The names of all pieces of all uploads.
///
/// # Errors
/// The database's.
pub fn all_pieces(db: &Connection) -> Result<BTreeSet<String>, ApiError> {
    let mut query = db.prepare("SELECT name FROM upload_pieces")?;
    let names = query.query_map([], |row| row.get(0))?.collect::<Result<BTreeSet<String>, _>>()?;
    Ok(names)
}

/// Sets an upload back to where its bytes are still there.
///
/// # Errors
/// The database's.
pub fn back(db: &Connection, id: &str, offset: u64) -> Result<(), ApiError> {
    db.execute("UPDATE uploads SET \"offset\" = ?2 WHERE id = ?1", params![id, number(offset)])?;
    db.execute("DELETE FROM upload_pieces WHERE upload = ?1 AND start >= ?2", params![id, number(offset)])?;
    Ok(())
}

/// Marks an upload as done.
///
/// # Errors
/// The database's.
pub fn done(db: &Connection, id: &str) -> Result<(), ApiError> {
    db.execute("UPDATE uploads SET done = 1 WHERE id = ?1", [id])?;
    db.execute("DELETE FROM upload_pieces WHERE upload = ?1", [id])?;
    Ok(())
}

/// Forgets an upload.
///
/// # Errors
/// The database's.
pub fn remove(db: &Connection, id: &str) -> Result<(), ApiError> {
    db.execute("DELETE FROM uploads WHERE id = ?1", [id])?;
    db.execute("DELETE FROM upload_pieces WHERE upload = ?1", [id])?;
    Ok(())
}

/// Forgets every upload whose time is over; gives their ids.
///
/// # Errors
/// The database's.
pub fn expire(db: &Connection, now: UtcMs) -> Result<Vec<String>, ApiError> {
    let mut query = db.prepare_cached("DELETE FROM uploads WHERE expires_at <= ?1 RETURNING id")?;
    let ids = query.query_map([now.0], |row| row.get(0))?.collect::<Result<Vec<String>, _>>()?;
    if !ids.is_empty() {
        db.execute(FORGET_TURNS, [])?;
        db.execute(FORGET_PIECES, [])?;
    }
    Ok(ids)
}

/// Every upload.
///
/// # Errors
/// The database's.
pub fn all(db: &Connection) -> Result<Vec<Upload>, ApiError> {
    let mut query = db.prepare(&format!("SELECT {COLUMNS} FROM uploads ORDER BY id"))?;
    let rows = query.query_map([], upload)?.collect::<Result<Vec<_>, _>>()?;
    Ok(rows)
}
