//! The server's own tables beside the log: invitations and the register. Every statement is here.

use bolebook_core::ids::{DeviceId, RecordId};
use bolebook_core::quantity::UtcMs;
use bolebook_core::record::people::Invitation;
use bolebook_core::service::RegisterEntry;
use rusqlite::{Connection, OptionalExtension as _, params};

use crate::error::ApiError;

const CREATE: &str = "
    CREATE TABLE IF NOT EXISTS invitations (
        code_key TEXT PRIMARY KEY,
        invitation TEXT NOT NULL,
        used_by TEXT,
        used_at INTEGER
    );
    CREATE TABLE IF NOT EXISTS register (
        id TEXT PRIMARY KEY,
        kind TEXT NOT NULL,
        fields TEXT NOT NULL,
        updated_at INTEGER NOT NULL
    );
";
const ADD_INVITATION: &str = "INSERT OR IGNORE INTO invitations (code_key, invitation) VALUES (?1, ?2)";
const INVITATION: &str = "SELECT invitation, used_by FROM invitations WHERE code_key = ?1";
const USE_INVITATION: &str = "UPDATE invitations SET used_by = ?2, used_at = ?3 WHERE code_key = ?1";
const REGISTER: &str = "SELECT id, kind, fields, updated_at FROM register ORDER BY id";
const PUT_REGISTER: &str = "
    INSERT INTO register (id, kind, fields, updated_at) VALUES (?1, ?2, ?3, ?4)
    ON CONFLICT (id) DO UPDATE SET kind = excluded.kind, fields = excluded.fields, updated_at = excluded.updated_at
    WHERE excluded.updated_at >= register.updated_at";

/// Lays the tables out if they are not there yet.
///
/// # Errors
/// The database's.
pub fn prepare(db: &Connection) -> rusqlite::Result<()> {
    db.execute_batch(CREATE)?;
    db.execute_batch(crate::uploads::table::CREATE)?;
    db.execute_batch(crate::photos::remove::CREATE)?;
    db.execute_batch(crate::photos::held::CREATE)
}

/// An invitation and the device that used it.
#[derive(Clone, Debug)]
pub struct StoredInvitation {
    /// The invitation.
    pub invitation: Invitation,
    /// By whom.
    pub used_by: Option<DeviceId>,
}

/// Keeps an invitation; one that is there already stays as it is.
///
/// # Errors
/// The database's.
pub fn add_invitation(db: &Connection, invitation: &Invitation) -> Result<(), ApiError> {
    let text = serde_json::to_string(invitation).map_err(|e| ApiError::internal(&e))?;
    db.execute(ADD_INVITATION, params![invitation.code_key.key, text])?;
    Ok(())
}

/// The invitation of a code key.
///
/// # Errors
/// The database's.
pub fn invitation(db: &Connection, code_key: &str) -> Result<Option<StoredInvitation>, ApiError> {
    let row: Option<(String, Option<String>)> =
        db.query_row(INVITATION, [code_key], |row| Ok((row.get(0)?, row.get(1)?))).optional()?;
    let Some((text, used_by)) = row else { return Ok(None) };
    let invitation = serde_json::from_str(&text).map_err(|e| ApiError::internal(&e))?;
    let used_by = used_by.map(|d| d.parse()).transpose().map_err(|e| ApiError::internal(&e))?;
    Ok(Some(StoredInvitation { invitation, used_by }))
}

/// Marks an invitation as used.
///
/// # Errors
/// The database's.
pub fn use_invitation(db: &Connection, code_key: &str, device: DeviceId, now: UtcMs) -> Result<(), ApiError> {
    db.execute(USE_INVITATION, params![code_key, device.to_string(), now.0])?;
    Ok(())
}

/// The whole register.
///
/// # Errors
/// The database's.
pub fn register(db: &Connection) -> Result<Vec<RegisterEntry>, ApiError> {
    let mut query = db.prepare_cached(REGISTER)?;
    let mut rows = query.query([])?;
    let mut entries = vec![];
    while let Some(row) = rows.next()? {
        let (id, fields): (String, String) = (row.get(0)?, row.get(2)?);
        let id: RecordId = id.parse().map_err(|e| ApiError::internal(&e))?;
        let fields = serde_json::from_str(&fields).map_err(|e| ApiError::internal(&e))?;
        entries.push(RegisterEntry { id, kind: row.get(1)?, fields, updated_at: UtcMs(row.get(3)?) });
    }
    Ok(entries)
}

/// Puts entries; an entry older than what is there changes nothing.
///
/// # Errors
/// The database's.
pub fn put_register(db: &Connection, entries: &[RegisterEntry]) -> Result<(), ApiError> {
    for entry in entries {
        let fields = serde_json::to_string(&entry.fields).map_err(|e| ApiError::internal(&e))?;
        db.execute(PUT_REGISTER, params![entry.id.to_string(), entry.kind, fields, entry.updated_at.0])?;
    }
    Ok(())
}
