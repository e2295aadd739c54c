//! The server's own tables beside the log: invitations, the register, photos erased. Every statement is here.

use bolebook_core::ids::{DeviceId, RecordId, Sha256Hash};
use bolebook_core::keeping::{Erasure, LegalHold, OfficeWord};
use bolebook_core::quantity::UtcMs;
use bolebook_core::record::people::Invitation;
use bolebook_core::service::RegisterEntry;
use bolebook_db::{Connection, OptionalExtension as _, Row, params};

use crate::desk::accounts;
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
        updated_at INTEGER NOT NULL,
        marks TEXT NOT NULL DEFAULT '{}'
    );
    CREATE TABLE IF NOT EXISTS erased_photos (
        sha256 TEXT PRIMARY KEY,
        erased_at INTEGER NOT NULL
    );
    CREATE TABLE IF NOT EXISTS assertions_taken (id TEXT PRIMARY KEY, until INTEGER NOT NULL);
";
/// For a register made before entries had marks.
const HAS_MARKS: &str = "SELECT count(*) FROM pragma_table_info('register') WHERE name = 'marks'";
const ADD_MARKS: &str = "ALTER TABLE register ADD COLUMN marks TEXT NOT NULL DEFAULT '{}'";
const ADD_INVITATION: &str =
    "INSERT INTO invitations (code_key, invitation) VALUES (?1, ?2) ON CONFLICT DO NOTHING";
const INVITATION: &str = "SELECT invitation, used_by FROM invitations WHERE code_key = ?1";
const USE_INVITATION: &str = "UPDATE invitations SET used_by = ?2, used_at = ?3 WHERE code_key = ?1";
const REGISTER: &str = "SELECT id, kind, fields, updated_at, marks FROM register ORDER BY id";
const ENTRY: &str = "SELECT id, kind, fields, updated_at, marks FROM register WHERE id = ?1";
const PUT_REGISTER: &str =
    "INSERT INTO register (id, kind, fields, updated_at, marks) VALUES (?1, ?2, ?3, ?4, ?5)
    ON CONFLICT (id) DO UPDATE SET kind = excluded.kind, fields = excluded.fields,
        updated_at = excluded.updated_at, marks = excluded.marks";
const ERASE_PHOTO: &str =
    "INSERT INTO erased_photos (sha256, erased_at) VALUES (?1, ?2) ON CONFLICT DO NOTHING";
const PHOTO_ERASED: &str = "SELECT erased_at FROM erased_photos WHERE sha256 = ?1";
const ERASED_PHOTOS: &str = "SELECT sha256 FROM erased_photos ORDER BY sha256";

/// Tables that PostgreSQL writes anew after an erasure: those with names in them. All are small. Its own
/// log and its backups keep what was erased for as long as they are kept.
const WIPE: [&str; 4] =
    ["VACUUM FULL register", "VACUUM FULL portal_links", "VACUUM FULL desk_users", "VACUUM FULL invitations"];
/// Assertions that were taken, for servers that share a database.
const TAKE_ASSERTION: &str =
    "INSERT INTO assertions_taken (id, until) VALUES (?1, ?2) ON CONFLICT DO NOTHING";
const FORGET_ASSERTIONS: &str = "DELETE FROM assertions_taken WHERE until < ?1";

/// Lays the tables out if they are not there yet.
///
/// # Errors
/// The database's.
pub fn prepare(db: &Connection) -> bolebook_db::Result<()> {
    db.execute_batch(CREATE)?;
    // PostgreSQL came after the marks.
    if db.sqlite().is_some() {
        let marks: i64 = db.query_row(HAS_MARKS, [], |row| row.get(0))?;
        if marks == 0 {
            db.execute_batch(ADD_MARKS)?;
        }
    }
    db.execute_batch(crate::uploads::table::CREATE)?;
    db.execute_batch(crate::photos::remove::CREATE)?;
    db.execute_batch(crate::photos::place::CREATE)?;
    db.execute_batch(crate::relay::photos::CREATE)?;
    db.execute_batch(crate::photos::held::CREATE)
}

/// Writes anew in PostgreSQL what held erased names.
///
/// # Errors
/// The database's.
pub fn wipe_shared(db: &Connection) -> bolebook_db::Result<()> {
    // Each by itself: it is done in no transaction.
    WIPE.iter().try_for_each(|table| db.execute_batch(table))
}

/// Takes an assertion's id; false when it was taken before. Seconds since 1970.
///
/// # Errors
/// The database's.
pub fn take_assertion(db: &Connection, id: &str, until: i64, now: i64) -> Result<bool, ApiError> {
    db.execute(FORGET_ASSERTIONS, [now])?;
    Ok(db.execute(TAKE_ASSERTION, params![id, until])? == 1)
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

/// What is marked on an entry beside its fields.
#[derive(Default, serde::Serialize, serde::Deserialize)]
struct Marks {
    #[serde(default, skip_serializing_if = "Option::is_none")]
    hold: Option<LegalHold>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    erased: Option<Erasure>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    signed: Option<OfficeWord>,
}

fn entry(row: &Row<'_>) -> Result<RegisterEntry, ApiError> {
    let (id, fields, marks): (String, String, String) = (row.get(0)?, row.get(2)?, row.get(4)?);
    let id: RecordId = id.parse().map_err(|e| ApiError::internal(&e))?;
    let fields = serde_json::from_str(&fields).map_err(|e| ApiError::internal(&e))?;
    let Marks { hold, erased, signed } = serde_json::from_str(&marks).map_err(|e| ApiError::internal(&e))?;
    Ok(RegisterEntry { id, kind: row.get(1)?, fields, updated_at: UtcMs(row.get(3)?), hold, erased, signed })
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
        entries.push(entry(&row)?);
    }
    Ok(entries)
}

/// Puts entries; one that does not replace what is there changes nothing. Says whether one was erased
/// that was not before.
///
/// # Errors
/// The database's.
pub fn put_register(db: &Connection, entries: &[RegisterEntry]) -> Result<bool, ApiError> {
    let mut erased = false;
    for new in entries {
        let mut query = db.prepare_cached(ENTRY)?;
        let mut rows = query.query([new.id.to_string()])?;
        let old = rows.next()?.map(|row| entry(&row)).transpose()?;
        drop(rows);
        if old.as_ref().is_some_and(|old| !new.replaces(old)) {
            continue;
        }
        let marks = Marks { hold: new.hold.clone(), erased: new.erased.clone(), signed: new.signed.clone() };
        let fields = serde_json::to_string(&new.fields).map_err(|e| ApiError::internal(&e))?;
        let marks = serde_json::to_string(&marks).map_err(|e| ApiError::internal(&e))?;
        db.execute(PUT_REGISTER, params![new.id.to_string(), new.kind, fields, new.updated_at.0, marks])?;
        if let Some(erasure) = &new.erased {
            erased = true;
            if new.kind == "person" {
                accounts::remove_of(db, new.id)?;
            }
            if let Some(photo) = erasure.photo {
                db.execute(ERASE_PHOTO, params![photo.to_string(), erasure.at.0])?;
            }
        }
    }
    Ok(erased)
}

/// When a photo was erased, if it was.
///
/// # Errors
/// The database's.
pub fn photo_erased(db: &Connection, photo: Sha256Hash) -> Result<Option<UtcMs>, ApiError> {
    let at = db.query_row(PHOTO_ERASED, [photo.to_string()], |row| row.get(0)).optional()?;
    Ok(at.map(UtcMs))
}

/// Every photo that was erased.
///
/// # Errors
/// The database's.
pub fn erased_photos(db: &Connection) -> Result<Vec<Sha256Hash>, ApiError> {
    let mut query = db.prepare_cached(ERASED_PHOTOS)?;
    let rows = query.query_map([], |row| row.get::<_, String>(0))?;
    rows.map(|text| text?.parse().map_err(|e| ApiError::internal(&e))).collect()
}
