//! Removes a photo's bytes for good, and keeps its hash: the books, which are add-only, go on naming
//! it, and a copy that comes back is turned away.

use axum::http::StatusCode;
use bolebook_core::ids::Sha256Hash;
use bolebook_core::quantity::UtcMs;
use bolebook_db::{Connection, OptionalExtension as _, params};
use bolebook_objects::Key;

use crate::error::ApiError;
use crate::state::Inner;
use crate::uploads::{part, table};

/// Lays the table out.
pub const CREATE: &str = "
    CREATE TABLE IF NOT EXISTS photos_removed (sha256 TEXT PRIMARY KEY, at INTEGER NOT NULL) WITHOUT ROWID;
";

/// The code of the refusal.
pub const REMOVED: &str = "photo-removed";

/// Removes a photo's bytes: the photo, its thumbnail, uploads of it under way. Its hash stays, with
/// the moment of the first removal. Says whether bytes were there. Doing it again is no error, and
/// neither is a photo this server never had: then it will not take it in.
///
/// What was written down comes first, so that a crash in the middle is finished at the next start.
/// Copies on devices, in backups and in what was handed out are not reached.
///
/// # Errors
/// The database's, or the disk's: call it again.
pub fn remove(app: &Inner, hash: Sha256Hash) -> Result<bool, ApiError> {
    let now = app.now();
    let uploads = app.write(|tx| {
        tx.execute(
            "INSERT INTO photos_removed (sha256, at) VALUES (?1, ?2) ON CONFLICT DO NOTHING",
            params![hash.to_string(), now.0],
        )?;
        table::remove_of(tx, hash)
    })?;
    for upload in uploads {
        // Whoever is still writing to it finds the upload gone; what is left is swept at the next start.
        part::discard(app, &upload);
    }
    // A store that is away is told as soon as it is back.
    wipe(app, hash).inspect_err(|_| app.untidy.notify_one())
}

/// Removes a photo's bytes and its thumbnail's; says whether the photo was there.
pub(super) fn wipe(app: &Inner, hash: Sha256Hash) -> Result<bool, ApiError> {
    let there = app.objects.remove(&Key::photo(hash))?;
    app.objects.forget(&Key::thumbnail(hash))?;
    Ok(there)
}

/// When a photo's bytes were removed, if they were: here, or by the office's word in the register.
///
/// # Errors
/// The database's.
pub fn removed(db: &Connection, hash: Sha256Hash) -> Result<Option<UtcMs>, ApiError> {
    let mut query = db.prepare_cached("SELECT at FROM photos_removed WHERE sha256 = ?1")?;
    match query.query_row([hash.to_string()], |row| row.get(0).map(UtcMs)).optional()? {
        Some(at) => Ok(Some(at)),
        None => crate::store::photo_erased(db, hash),
    }
}

/// Refuses a photo whose bytes were removed.
///
/// # Errors
/// 410.
pub fn must_not_be_removed(db: &Connection, hash: Sha256Hash) -> Result<(), ApiError> {
    if removed(db, hash)?.is_none() {
        return Ok(());
    }
    let detail = "the bytes of this photo were removed for good: the records that name it stay";
    Err(ApiError::new(StatusCode::GONE, REMOVED, detail))
}

/// Removes files that came to stand in spite of it: from a copy of the folder, or in a race.
///
/// # Errors
/// The database's, or the disk's.
pub fn again(app: &Inner) -> Result<(), ApiError> {
    for hash in app.read(all)? {
        wipe(app, hash)?;
    }
    Ok(())
}

/// Removes the files of a photo that was removed while they were being put in their place; then
/// refuses it.
///
/// # Errors
/// 410 for a photo removed; the database's, or the disk's.
pub fn not_in_spite(app: &Inner, hash: Sha256Hash) -> Result<(), ApiError> {
    let refused = app.read(|db| must_not_be_removed(db, hash));
    // A database that cannot be asked has not said so: the bytes stay.
    if refused.as_ref().is_err_and(|e| e.is(REMOVED)) {
        wipe(app, hash)?;
    }
    refused
}

/// Every photo whose bytes were removed.
///
/// # Errors
/// The database's.
pub fn all(db: &Connection) -> Result<Vec<Sha256Hash>, ApiError> {
    let mut query = db.prepare("SELECT sha256 FROM photos_removed ORDER BY sha256")?;
    let rows = query.query_map([], |row| row.get(0))?.collect::<Result<Vec<String>, _>>()?;
    rows.iter().map(|text| text.parse().map_err(|e| ApiError::internal(&e))).collect()
}
