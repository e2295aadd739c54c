//! Small upright copies of photos, made when first asked for and kept. Whatever the camera wrote
//! beside the picture is not in them.

use std::io::Cursor;

use axum::http::StatusCode;
use bolebook_core::ids::Sha256Hash;
use bolebook_objects::Key;
use image::codecs::jpeg::JpegEncoder;
use image::{DynamicImage, ImageDecoder as _, ImageError, ImageReader, Limits};

use crate::error::ApiError;
use crate::photos;
use crate::state::Inner;

/// The longer side of a thumbnail, in pixels.
pub const SIDE: u32 = 480;
/// JPEG quality of a thumbnail, 1 to 100.
const QUALITY: u8 = 80;
/// Most pixels decoded: more than any phone's camera gives that still fits into a photo's bytes
/// (common practice, no source). A small file that claims more is a decompression bomb.
pub const MOST_PIXELS: u64 = 64_000_000;
/// Most memory one decoding may take, in bytes.
const MOST_MEMORY: u64 = 320 << 20;

const TOO_MANY: &str = "photo-too-many-pixels";

/// A photo's thumbnail as JPEG, from the cache or made now.
///
/// # Errors
/// 404 without the photo, 415 for a type that cannot be decoded here, 422 for a picture that is
/// damaged or too large.
pub fn of(app: &Inner, hash: Sha256Hash) -> Result<Vec<u8>, ApiError> {
    let key = Key::thumbnail(hash);
    if app.objects.is_shared() {
        // A removal that the store could not be told of yet holds all the same.
        app.read(|db| photos::remove::must_not_be_removed(db, hash))?;
    }
    if let Ok(Some(kept)) = app.objects.get(&key) {
        return Ok(kept);
    }
    let (photo, bytes) = photos::bytes(app, hash)?;
    let small = make(&bytes, &photo.media_type)?;
    // Only a cache: one that cannot be written, or was half written, is made again.
    if let Err(error) = app.objects.put(&key, &small) {
        tracing::warn!(?error, "a thumbnail could not be kept");
    }
    photos::remove::not_in_spite(app, hash)?;
    Ok(small)
}

/// Whether this server makes thumbnails of a type.
pub fn is_made_of(media_type: &str) -> bool {
    matches!(media_type, "image/jpeg" | "image/png")
}

fn refused(code: &str, detail: String) -> ApiError {
    ApiError::new(StatusCode::UNPROCESSABLE_ENTITY, code, detail)
}

fn unreadable(error: &ImageError) -> ApiError {
    match error {
        ImageError::Limits(why) => refused(TOO_MANY, format!("the picture is too large to decode: {why}")),
        why => refused("photo-unreadable", format!("the picture is damaged: {why}")),
    }
}

/// Makes a thumbnail of these bytes.
///
/// # Errors
/// As [`of`].
pub fn make(bytes: &[u8], media_type: &str) -> Result<Vec<u8>, ApiError> {
    let format = match media_type {
        "image/jpeg" => image::ImageFormat::Jpeg,
        "image/png" => image::ImageFormat::Png,
        other => {
            let detail = format!("no thumbnail of {other}: this server decodes JPEG and PNG only");
            return Err(ApiError::new(StatusCode::UNSUPPORTED_MEDIA_TYPE, "photo-no-thumbnail", detail));
        }
    };
    let mut limits = Limits::default();
    limits.max_alloc = Some(MOST_MEMORY);
    let mut reader = ImageReader::with_format(Cursor::new(bytes), format);
    reader.limits(limits);
    let mut decoder = reader.into_decoder().map_err(|e| unreadable(&e))?;
    let (width, height) = decoder.dimensions();
    let pixels = u64::from(width) * u64::from(height);
    if pixels > MOST_PIXELS || decoder.total_bytes() > MOST_MEMORY {
        let detail =
            format!("the picture claims {width} × {height} pixels, and at most {MOST_PIXELS} are decoded");
        return Err(refused(TOO_MANY, detail));
    }
    let orientation = decoder.orientation().map_err(|e| unreadable(&e))?;
    let whole = DynamicImage::from_decoder(decoder).map_err(|e| unreadable(&e))?;
    let mut small = if width > SIDE || height > SIDE { whole.thumbnail(SIDE, SIDE) } else { whole };
    small.apply_orientation(orientation);
    let mut out = vec![];
    small
        .to_rgb8()
        .write_with_encoder(JpegEncoder::new_with_quality(&mut out, QUALITY))
        .map_err(|e| ApiError::internal(&e))?;
    Ok(out)
}
