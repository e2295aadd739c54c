//! Photos: kept by the SHA-256 of their bytes, outside the books.

use std::path::PathBuf;

use axum::body::Body;
use axum::extract::{Request, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse as _, Response};
use bolebook_core::ids::Sha256Hash;
use bolebook_core::service::PhotoStored;
use http_body_util::BodyExt as _;
use sha2::{Digest as _, Sha256};
use tokio::io::AsyncWriteExt as _;

use crate::auth::Caller;
use crate::body::{Id, Json};
use crate::erasing::{not_erased, photo_place};
use crate::error::ApiError;
use crate::state::{App, Inner};

/// The media type of a photo by its first bytes; what a client claims is not trusted.
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

fn place(app: &Inner, hash: Sha256Hash) -> PathBuf {
    photo_place(&app.config.data, hash)
}

/// Takes in a photo whole. The address is the SHA-256 of its bytes.
#[utoipa::path(put, path = "/v1/photos/{sha256}", tag = "photos", security(("token" = [])),
    params(("sha256" = String, Path, pattern = "^[0-9a-f]{64}$", description = "SHA-256 of the bytes, hexadecimal")),
    request_body(content = String, content_type = "application/octet-stream", description = "The photo's bytes"),
    responses((status = 201, description = "Kept", body = ref("#/components/schemas/PhotoStored")),
        (status = 200, description = "It was there already", body = ref("#/components/schemas/PhotoStored")),
        (status = 410, description = "The office has erased it", content_type = "application/problem+json", body = ref("#/components/schemas/Problem"))))]
pub async fn upload(
    State(app): State<App>,
    _: Caller,
    Id(hash): Id<Sha256Hash>,
    request: Request,
) -> Result<Response, ApiError> {
    app.blocking(move |app| not_erased(app, hash)).await?;
    let path = place(&app, hash);
    if let Some(photo) = stored(&app, hash).await? {
        return Ok(Json(photo).into_response());
    }
    let draft = Draft(app.config.data.join("tmp").join(hex::encode(app.random::<16>()?)));
    let photo = receive(&app, request.into_body(), &draft.0, hash).await?;
    keep(draft.0.clone(), path.clone()).await?;
    // It may have been erased while its bytes came.
    if let Err(erased) = app.blocking(move |app| not_erased(app, hash)).await {
        tokio::fs::remove_file(&path).await?;
        return Err(erased);
    }
    Ok((StatusCode::CREATED, Json(photo)).into_response())
}

/// A photo on its way in. Whatever ends the request, also a line that breaks and takes the handler
/// with it, removes it; once it is renamed there is nothing left to remove.
struct Draft(PathBuf);

impl Drop for Draft {
    fn drop(&mut self) {
        // A draft that cannot be removed is swept at the next start.
        let _ = std::fs::remove_file(&self.0);
    }
}

async fn receive(
    app: &Inner,
    mut body: Body,
    draft: &std::path::Path,
    wanted: Sha256Hash,
) -> Result<PhotoStored, ApiError> {
    let mut file = tokio::fs::File::create(draft).await?;
    let (mut hasher, mut start, mut bytes) = (Sha256::new(), Vec::new(), 0u64);
    while let Some(frame) = body.frame().await {
        let frame = frame.map_err(|_| ApiError::bad("body-cut", "the photo broke off: send it again"))?;
        let Ok(data) = frame.into_data() else { continue };
        bytes += data.len() as u64;
        if bytes > app.config.photo_bytes {
            return Err(ApiError::too_large(format!("a photo has at most {} bytes", app.config.photo_bytes)));
        }
        if start.len() < 16 {
            start.extend_from_slice(data.get(..data.len().min(16)).unwrap_or_default());
        }
        hasher.update(&data);
        file.write_all(&data).await?;
    }
    let media_type = sniff(&start).ok_or_else(|| {
        let detail = "these bytes are no JPEG, PNG, WebP, HEIC or AVIF picture";
        ApiError::new(StatusCode::UNSUPPORTED_MEDIA_TYPE, "photo-type", detail)
    })?;
    let found = Sha256Hash(hasher.finalize().into());
    if found != wanted {
        let detail = format!("the bytes have SHA-256 {found}, the address says {wanted}");
        return Err(ApiError::new(StatusCode::UNPROCESSABLE_ENTITY, "hash-mismatch", detail));
    }
    file.sync_all().await?;
    Ok(PhotoStored { sha256: wanted, media_type: media_type.into(), bytes })
}

/// Puts the draft in its place for good: renamed, and the folders synced.
async fn keep(draft: PathBuf, path: PathBuf) -> Result<(), ApiError> {
    let kept = tokio::task::spawn_blocking(move || {
        let folder = path.parent().unwrap_or(std::path::Path::new("."));
        std::fs::create_dir_all(folder)?;
        std::fs::rename(&draft, &path)?;
        std::fs::File::open(folder)?.sync_all()?;
        folder.parent().map_or(Ok(()), |f| std::fs::File::open(f)?.sync_all())
    });
    Ok(kept.await.map_err(|e| ApiError::internal(&e))??)
}

async fn stored(app: &Inner, hash: Sha256Hash) -> Result<Option<PhotoStored>, ApiError> {
    use tokio::io::AsyncReadExt as _;
    let mut file = match tokio::fs::File::open(place(app, hash)).await {
        Ok(file) => file,
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(None),
        Err(e) => return Err(e.into()),
    };
    let mut start = [0; 16];
    let read = file.read(&mut start).await?;
    let media_type = sniff(start.get(..read).unwrap_or_default()).unwrap_or("application/octet-stream");
    let bytes = file.metadata().await?.len();
    Ok(Some(PhotoStored { sha256: hash, media_type: media_type.into(), bytes }))
}

/// Hands out a photo.
#[utoipa::path(get, path = "/v1/photos/{sha256}", tag = "photos", security(("token" = [])),
    params(("sha256" = String, Path, pattern = "^[0-9a-f]{64}$", description = "SHA-256 of the bytes, hexadecimal")),
    responses((status = 200, description = "The photo's bytes", body = String, content_type = "image/*"),
        (status = 410, description = "The office has erased it", content_type = "application/problem+json", body = ref("#/components/schemas/Problem"))))]
pub async fn download(
    State(app): State<App>,
    _: Caller,
    Id(hash): Id<Sha256Hash>,
) -> Result<Response, ApiError> {
    app.blocking(move |app| not_erased(app, hash)).await?;
    let photo =
        stored(&app, hash).await?.ok_or_else(|| ApiError::not_found("the server has no such photo"))?;
    let bytes = tokio::fs::read(place(&app, hash)).await?;
    let headers = [
        (header::CONTENT_TYPE, photo.media_type),
        (header::CACHE_CONTROL, "private, max-age=31536000, immutable".into()),
        (header::ETAG, format!("\"{hash}\"")),
    ];
    Ok((headers, bytes).into_response())
}
