//! Photos: kept by the SHA-256 of their bytes, outside the books.
//!
//! What comes in is in [`crate::uploads`] and the whole `PUT`; [`held`] knows which record names
//! which photo and lets the books know what is held; [`exif`] reads what a camera wrote, [`clean`]
//! takes it out of what leaves for clients, [`thumbnail`] makes small upright copies, [`remove`]
//! deletes bytes for good while the books go on naming their hash, [`tidy`] puts in order what lies
//! in an object store, and [`place`] says whose place there it is. Where the bytes lie is `bolebook-objects`'s.

pub mod clean;
pub mod exif;
pub mod held;
pub mod home;
pub mod place;
pub mod remove;
pub mod thumbnail;
pub mod tidy;

use axum::http::{StatusCode, header};
use axum::response::{IntoResponse as _, Response};
use bolebook_core::ids::{DeviceId, Sha256Hash};
use bolebook_core::quantity::UtcMs;
use bolebook_core::service::PhotoStored;
use bolebook_db::Connection;
use bolebook_objects::Key;

use crate::error::ApiError;
use crate::photos::held::Noted;
use crate::state::{App, Inner};
use crate::uploads::table;

/// So many first bytes tell a photo's type.
pub const SNIFFED: usize = 16;
/// A day, in milliseconds.
const DAY_MS: i64 = 86_400_000;

/// The media type of a photo by its first bytes; what a client claims is not trusted.
///
/// Source: the published signatures: JPEG (ITU-T T.81, SOI and the next marker), PNG (ISO/IEC 15948
/// §5.2), WebP (RFC 9649 §2.3), HEIF brands (ISO/IEC 23008-12 §10), AVIF (brand `avif`).
pub fn sniff(start: &[u8]) -> Option<&'static str> {
    match start {
        [0xff, 0xd8, 0xff, ..] => Some("image/jpeg"),
        [0x89, b'P', b'N', b'G', 0x0d, 0x0a, 0x1a, 0x0a, ..] => Some("image/png"),
        [b'R', b'I', b'F', b'F', _, _, _, _, b'W', b'E', b'B', b'P', ..] => Some("image/webp"),
        [_, _, _, _, b'f', b't', b'y', b'p', b'h', b'e', b'i', b'c' | b'x', ..] => Some("image/heic"),
        [_, _, _, _, b'f', b't', b'y', b'p', b'm', b'i', b'f', b'1', ..] => Some("image/heif"),
        [_, _, _, _, b'f', b't', b'y', b'p', b'a', b'v', b'i', b'f', ..] => Some("image/avif"),
        _ => None,
    }
}

/// Refuses what is no picture by its first bytes; gives its media type.
///
/// # Errors
/// 415.
pub fn must_be_picture(start: &[u8]) -> Result<&'static str, ApiError> {
    sniff(start).ok_or_else(|| {
        let detail = "these bytes are no JPEG, PNG, WebP, HEIC or AVIF picture";
        ApiError::new(StatusCode::UNSUPPORTED_MEDIA_TYPE, "photo-type", detail)
    })
}

/// A photo the server has, by its bytes themselves.
///
/// # Errors
/// The disk's, or the object store's.
pub fn stored(app: &Inner, hash: Sha256Hash) -> Result<Option<PhotoStored>, ApiError> {
    let Some(head) = app.objects.head(&Key::photo(hash), SNIFFED)? else { return Ok(None) };
    let media_type = sniff(&head.start).unwrap_or("application/octet-stream");
    Ok(Some(PhotoStored { sha256: hash, media_type: media_type.into(), bytes: head.bytes }))
}

/// The same for pages, which ask about hundreds: what lies in an object store is taken by the note made
/// when the store had answered for it.
///
/// # Errors
/// The disk's, or the object store's; the database's.
pub fn known(app: &Inner, hash: Sha256Hash) -> Result<Option<PhotoStored>, ApiError> {
    if app.objects.is_shared() {
        // The note of one that was removed for good stays.
        match app.read(|db| Ok((remove::removed(db, hash)?, held::noted(db, hash)?)))? {
            (Some(_), _) | (None, None) => return Ok(None),
            (None, Some(Noted { bytes, media_type: Some(media_type) })) => {
                return Ok(Some(PhotoStored { sha256: hash, media_type, bytes }));
            }
            (None, Some(_)) => {}
        }
    }
    stored(app, hash)
}

/// The bytes of a photo the server has, with its media type.
///
/// # Errors
/// 404 for one it has not, 410 for one whose bytes were removed; the disk's, or the object store's.
pub fn bytes(app: &Inner, hash: Sha256Hash) -> Result<(PhotoStored, Vec<u8>), ApiError> {
    // A copy of the bytes may have come back to where they lie.
    app.read(|db| remove::must_not_be_removed(db, hash))?;
    let Some(bytes) = app.objects.get(&Key::photo(hash))? else {
        return Err(ApiError::not_found("the server has no such photo"));
    };
    let media_type = sniff(&bytes).unwrap_or("application/octet-stream").to_owned();
    Ok((PhotoStored { sha256: hash, media_type, bytes: bytes.len() as u64 }, bytes))
}

/// Whether a photo's bytes are on this server.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Bytes {
    /// They are.
    Here(PhotoStored),
    /// They were, or might have come, and were removed for good.
    Removed(UtcMs),
    /// They have not come.
    NotHere,
}

/// Looks whether a photo's bytes are here.
///
/// # Errors
/// The disk's, or the database's.
pub fn whether(app: &Inner, hash: Sha256Hash) -> Result<Bytes, ApiError> {
    Ok(match (known(app, hash)?, app.read(|db| remove::removed(db, hash))?) {
        (_, Some(at)) => Bytes::Removed(at),
        (Some(photo), None) => Bytes::Here(photo),
        (None, None) => Bytes::NotHere,
    })
}

/// A photo's media type and its bytes without what the camera wrote beside the picture: what may
/// leave for clients.
///
/// # Errors
/// As [`bytes`]; 422 for one that cannot be cleaned for sure.
pub fn cleaned(app: &Inner, hash: Sha256Hash) -> Result<(String, Vec<u8>), ApiError> {
    let (photo, bytes) = bytes(app, hash)?;
    let bytes = clean::clean(&bytes, &photo.media_type).map_err(|e| {
        let detail = format!("{e}: it is not handed out. Ask for the thumbnail, or ask the office");
        ApiError::new(StatusCode::UNPROCESSABLE_ENTITY, "photo-not-clean", detail)
    })?;
    Ok((photo.media_type, bytes))
}

/// A picture in a page. Kept by the browser for minutes only: it may be removed for good.
pub fn picture(media_type: &str, bytes: Vec<u8>) -> Response {
    let headers = [
        (header::CONTENT_TYPE, media_type.to_owned()),
        (header::CACHE_CONTROL, "private, max-age=300".into()),
    ];
    (headers, bytes).into_response()
}

/// A thumbnail in a page.
///
/// # Errors
/// As [`thumbnail::of`].
pub async fn small_picture(app: &App, hash: Sha256Hash) -> Result<Response, ApiError> {
    Ok(picture("image/jpeg", small(app, hash).await?))
}

/// A thumbnail, made one at a time: each may hold a whole picture in memory.
///
/// # Errors
/// As [`thumbnail::of`].
pub async fn small(app: &App, hash: Sha256Hash) -> Result<Vec<u8>, ApiError> {
    let room = app.thumbnails.clone().acquire_owned().await.map_err(|e| ApiError::internal(&e))?;
    app.blocking(move |app| {
        let _room = room;
        thumbnail::of(app, hash)
    })
    .await
}

/// Whether a device may bring a photo of so many bytes: not too many under way, not too much a day.
///
/// # Errors
/// 429 when it may not; what it has brought stays.
pub fn within_quota(app: &Inner, db: &Connection, device: DeviceId, bytes: u64) -> Result<(), ApiError> {
    let quota = |detail: String| Err(ApiError::new(StatusCode::TOO_MANY_REQUESTS, "photo-quota", detail));
    let (count, waiting) = table::load(db, device)?;
    if count >= app.config.uploads_per_device {
        return quota(format!(
            "this device has {count} uploads under way: go on with those, or give them up"
        ));
    }
    let since = app.now().0.saturating_sub(DAY_MS);
    let brought = held::brought(db, device, since)?;
    let most = app.config.photo_bytes_per_day;
    if brought.saturating_add(waiting).saturating_add(bytes) > most {
        return quota(format!(
            "a device brings at most {most} bytes of photos in a day, and this one has {brought} and {waiting} under way: send the rest tomorrow"
        ));
    }
    Ok(())
}
