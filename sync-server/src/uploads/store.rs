//! Makes uploads, finishes them and gives them up.

use std::io::Read as _;
use std::path::{Path, PathBuf};

use axum::http::StatusCode;
use bolebook_core::ids::{DeviceId, Sha256Hash};
use bolebook_core::quantity::UtcMs;
use sha2::{Digest as _, Sha256};

use super::table::{self, Upload};
use super::{FOLDER, MEDIA_TYPE};
use crate::error::ApiError;
use crate::photos::{self, held, remove};
use crate::state::{Inner, is_left};

/// Where an upload's bytes lie until it is done.
pub fn file(app: &Inner, id: &str) -> PathBuf {
    app.config.data.join(FOLDER).join(id)
}

/// Makes an upload of a photo, or finds the one this device has under way: a client that lost the
/// answer, or its memory, goes on where it was. A photo the server has is a finished upload at once.
///
/// # Errors
/// 413 for a photo too large, 429 above the device's quota, 410 for one whose bytes were removed.
pub fn create(
    app: &Inner,
    device: DeviceId,
    sha256: Sha256Hash,
    length: u64,
    metadata: &str,
) -> Result<Upload, ApiError> {
    let now = app.now();
    if length > app.config.photo_bytes {
        return Err(ApiError::too_large(format!("a photo has at most {} bytes", app.config.photo_bytes)));
    }
    if length == 0 {
        return Err(ApiError::bad("upload-header", "Upload-Length: a photo has at least one byte"));
    }
    let known = photos::stored(app, sha256)?;
    let id = hex::encode(app.random::<16>()?);
    let (upload, expired) = app.write(|tx| {
        remove::must_not_be_removed(tx, sha256)?;
        let expired = table::expire(tx, now)?;
        if let Some(upload) = table::under_way(tx, device, sha256, length)? {
            return Ok((upload, expired));
        }
        let done = known.as_ref().is_some_and(|photo| photo.bytes == length);
        if !done {
            photos::within_quota(app, tx, device, length)?;
        }
        let offset = if done { length } else { 0 };
        let expires_at = UtcMs(now.0.saturating_add(app.config.upload_life_ms));
        let (id, metadata) = (id.clone(), metadata.to_owned());
        let upload = Upload { id, device, sha256, length, offset, metadata, expires_at, done };
        table::add(tx, &upload)?;
        Ok((upload, expired))
    })?;
    // A file that cannot be removed now is swept at the next start.
    expired.iter().for_each(|id| drop(std::fs::remove_file(file(app, id))));
    Ok(upload)
}

/// The upload of an id, for the device that made it.
///
/// # Errors
/// 404 for one that is not there, or no longer; 403 for another device's.
pub fn of(app: &Inner, id: &str, device: DeviceId) -> Result<Upload, ApiError> {
    let now = app.now();
    let found = app.read(|db| table::get(db, id))?.filter(|u| u.done || u.expires_at > now);
    let mut upload = found.ok_or_else(|| {
        ApiError::not_found("there is no such upload, or it was given up: make another at /v1/uploads")
    })?;
    if upload.device != device {
        return Err(ApiError::forbidden(
            "other-device",
            "another device began this upload: make one of your own",
        ));
    }
    if !upload.done {
        // A disk restored from a copy may have the row and not the bytes: what is there counts.
        let there = std::fs::metadata(file(app, id)).map_or(0, |m| m.len());
        // With every byte acknowledged the file may already be the photo.
        if upload.offset < upload.length || photos::stored(app, upload.sha256)?.is_none() {
            upload.offset = upload.offset.min(there);
        }
    }
    Ok(upload)
}

/// Takes the turn at an upload among the servers of a shared database, and gives it as it stands now: an
/// offset read before may be another server's past.
///
/// # Errors
/// 404 for one that was given up or finished meanwhile; the database's.
pub fn in_turn(app: &Inner, upload: Upload) -> Result<Upload, ApiError> {
    if !app.is_shared() {
        return Ok(upload);
    }
    let now = app.write_idempotent(|tx| {
        table::take_turn(tx, &upload.id, &app.process)?;
        table::get(tx, &upload.id)
    })?;
    match now.filter(|u| !u.done) {
        Some(now) if now.offset == upload.offset => Ok(upload),
        _ => {
            let detail = "this upload went on at another server: ask with HEAD how far it is";
            Err(ApiError::new(StatusCode::CONFLICT, "upload-offset", detail))
        }
    }
}

/// Puts a whole upload in its place as a photo, after looking at every byte once more. Done again
/// after a crash in the middle, it comes to the same.
///
/// # Errors
/// 422 when the bytes are not those named, 415 when they are no picture: the upload is then given up.
pub fn finish(app: &Inner, upload: &Upload) -> Result<(), ApiError> {
    let (part, place) = (file(app, &upload.id), photos::place(app, upload.sha256));
    if part.is_file() {
        let looked = look(&part, upload);
        if let Err(error) = looked {
            give_up(app, &upload.id)?;
            return Err(error);
        }
        if let Err(error) = app.read(|db| remove::must_not_be_removed(db, upload.sha256)) {
            // A database that cannot be asked has not said so: the upload waits.
            if error.is(remove::REMOVED) {
                give_up(app, &upload.id)?;
            }
            return Err(error);
        }
        photos::move_in(&part, &place)?;
    }
    let Some(photo) = photos::stored(app, upload.sha256)? else {
        return Err(ApiError::internal(&"an upload is whole and its bytes are nowhere"));
    };
    held::note(app, &photo, upload.device, |tx| table::done(tx, &upload.id))
}

fn look(part: &Path, upload: &Upload) -> Result<(), ApiError> {
    let mut file = std::fs::File::open(part)?;
    let (mut hasher, mut buffer, mut first) = (Sha256::new(), vec![0; 1 << 18], true);
    loop {
        let read = file.read(&mut buffer)?;
        let bytes = buffer.get(..read).unwrap_or_default();
        if std::mem::take(&mut first) {
            photos::must_be_picture(bytes)?;
        }
        if read == 0 {
            break;
        }
        hasher.update(bytes);
    }
    let found = Sha256Hash(hasher.finalize().into());
    if found != upload.sha256 {
        let detail = format!(
            "the bytes have SHA-256 {found}, and {} was promised: nothing of them was kept",
            upload.sha256
        );
        return Err(ApiError::new(StatusCode::UNPROCESSABLE_ENTITY, "hash-mismatch", detail));
    }
    Ok(())
}

/// Gives an upload up: its row first, so that no offset stands without bytes.
///
/// # Errors
/// The database's.
pub fn give_up(app: &Inner, id: &str) -> Result<(), ApiError> {
    app.write(|tx| table::remove(tx, id))?;
    // Swept at the next start if it cannot be removed now.
    drop(std::fs::remove_file(file(app, id)));
    Ok(())
}

/// At the start: gives up what is over, sweeps files nobody knows, finishes what a crash cut off.
///
/// # Errors
/// The database's, or the disk's.
pub fn recover(app: &Inner) -> Result<(), ApiError> {
    let now = app.now();
    let uploads = app.write(|tx| {
        table::expire(tx, now)?;
        table::all(tx)
    })?;
    for entry in std::fs::read_dir(app.config.data.join(FOLDER))? {
        let entry = entry?;
        let name = entry.file_name();
        let known = uploads.iter().any(|u| !u.done && *u.id == *name);
        if !known && (!app.is_shared() || is_left(&entry.path())) {
            std::fs::remove_file(entry.path())?;
        }
    }
    for upload in uploads.iter().filter(|u| !u.done && u.offset == u.length) {
        // One that cannot be finished is answered with the reason when its device asks.
        if let Err(error) = finish(app, upload) {
            tracing::warn!(upload = upload.id, ?error, "an upload could not be finished");
        }
    }
    Ok(())
}

/// Whether a request's body is a part of an upload.
///
/// # Errors
/// 415 when its media type says otherwise.
pub fn is_part(headers: &axum::http::HeaderMap) -> Result<(), ApiError> {
    crate::body::content_type(headers, MEDIA_TYPE)
}
