//! Makes uploads, finishes them and gives them up.

use axum::http::StatusCode;
use bolebook_core::ids::{DeviceId, Sha256Hash};
use bolebook_core::quantity::UtcMs;
use bolebook_objects::Key;

use super::part::{self, Whole};
use super::table::{self, Upload};
use super::{FOLDER, MEDIA_TYPE};
use crate::error::ApiError;
use crate::left::is_left;
use crate::photos::{self, held, remove};
use crate::state::Inner;

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
    if upload.done
        && let Some(photo) = &known
    {
        // Whoever put it there may have been killed before it was noted.
        held::note_if_new(app, photo, device)?;
    }
    // A file that cannot be removed now is swept at the next start; of pieces many may be left, and
    // nobody waits here for that.
    if !app.objects.is_shared() {
        expired.iter().for_each(|id| part::discard(app, id));
    }
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
    upload.offset = stands_at(app, &upload)?;
    Ok(upload)
}

/// How far an upload is: what the table says, as far as the bytes are there.
fn stands_at(app: &Inner, upload: &Upload) -> Result<u64, ApiError> {
    // With every byte acknowledged they may already be the photo.
    if upload.done || (upload.offset == upload.length && photos::stored(app, upload.sha256)?.is_some()) {
        return Ok(upload.offset);
    }
    Ok(upload.offset.min(part::there(app, &upload.id)?))
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
        Some(now) if stands_at(app, &now)? == upload.offset => Ok(upload),
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
    if let Some(whole) = Whole::of(app, upload)? {
        let looked = whole.look().and_then(|(found, start)| {
            photos::must_be_picture(&start)?;
            must_be(upload, found)
        });
        if let Err(error) = looked {
            // A disk that cannot be read has not said what its bytes are: the upload waits.
            if error.is("photo-type") || error.is("hash-mismatch") {
                give_up(app, &upload.id)?;
            }
            return Err(error);
        }
        if let Err(error) = app.read(|db| remove::must_not_be_removed(db, upload.sha256)) {
            // A database that cannot be asked has not said so: the upload waits.
            if error.is(remove::REMOVED) {
                give_up(app, &upload.id)?;
            }
            return Err(error);
        }
        app.objects.put_file(&Key::photo(upload.sha256), whole.path(), upload.sha256)?;
    }
    let Some(photo) = photos::stored(app, upload.sha256)? else {
        return Err(ApiError::internal(&"an upload is whole and its bytes are nowhere"));
    };
    held::note(app, &photo, upload.device, |tx| table::done(tx, &upload.id))?;
    if app.objects.is_shared() {
        part::discard(app, &upload.id);
    }
    Ok(())
}

fn must_be(upload: &Upload, found: Sha256Hash) -> Result<(), ApiError> {
    if found == upload.sha256 {
        return Ok(());
    }
    let detail = format!(
        "the bytes have SHA-256 {found}, and {} was promised: nothing of them was kept",
        upload.sha256
    );
    Err(ApiError::new(StatusCode::UNPROCESSABLE_ENTITY, "hash-mismatch", detail))
}

/// Gives an upload up: its row first, so that no offset stands without bytes.
///
/// # Errors
/// The database's.
pub fn give_up(app: &Inner, id: &str) -> Result<(), ApiError> {
    app.write(|tx| table::remove(tx, id))?;
    part::discard(app, id);
    Ok(())
}

/// At the start: gives up what is over, sweeps files nobody knows, finishes what a crash cut off.
///
/// # Errors
/// The database's, or the disk's.
pub fn recover(app: &Inner) -> Result<(), ApiError> {
    let uploads = under_way(app)?;
    for entry in std::fs::read_dir(app.config.data.join(FOLDER))? {
        let entry = entry?;
        let name = entry.file_name();
        let known = uploads.iter().any(|u| *u.id == *name);
        if !known && (!app.is_shared() || is_left(&entry.path())) {
            std::fs::remove_file(entry.path())?;
        }
    }
    finish_all(app, &uploads);
    Ok(())
}

/// The uploads under way, after those whose time is over were given up.
///
/// # Errors
/// The database's.
pub fn under_way(app: &Inner) -> Result<Vec<Upload>, ApiError> {
    let now = app.now();
    let mut uploads = app.write(|tx| {
        table::expire(tx, now)?;
        table::all(tx)
    })?;
    uploads.retain(|upload| !upload.done);
    Ok(uploads)
}

/// Finishes those that are whole: a crash came between their last byte and the photo's place.
pub fn finish_all(app: &Inner, uploads: &[Upload]) {
    // A copy of a database may say so of one whose bytes are elsewhere: that one begins anew.
    let whole = |u: &&Upload| u.offset == u.length && stands_at(app, u).is_ok_and(|at| at == u.length);
    for upload in uploads.iter().filter(whole) {
        // One that cannot be finished is answered with the reason when its device asks.
        if let Err(error) = finish(app, upload) {
            tracing::warn!(upload = upload.id, ?error, "an upload could not be finished");
        }
    }
}

/// Whether a request's body is a part of an upload.
///
/// # Errors
/// 415 when its media type says otherwise.
pub fn is_part(headers: &axum::http::HeaderMap) -> Result<(), ApiError> {
    crate::body::content_type(headers, MEDIA_TYPE)
}
