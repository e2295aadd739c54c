//! Photos: the whole upload of a small one, the original, the clean copy, the thumbnail, the details.

use axum::body::Body;
use axum::extract::{Request, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse as _, Response};
use bolebook_core::geo::distance_m;
use bolebook_core::ids::{BookId, RecordId, Sha256Hash};
use bolebook_core::quantity::UtcMs;
use bolebook_core::record::book_kinds::BookContent;
use bolebook_core::record::people::Role;
use bolebook_core::record::stand::Position;
use bolebook_core::record::{Body as RecordBody, Record};
use bolebook_core::service::{PhotoList, PhotoStored, PhotosLacking};
use bolebook_db::Connection;
use bolebook_objects::Key;
use http_body_util::BodyExt as _;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use sha2::{Digest as _, Sha256};
use tokio::io::AsyncWriteExt as _;

use crate::auth::Caller;
use crate::body::{Id, Json};
use crate::error::ApiError;
use crate::photos::exif::{self, Camera};
use crate::photos::{self, held, must_be_picture, remove};
use crate::spool::Draft;
use crate::state::{App, Inner};

/// Takes in a small photo whole. The address is the SHA-256 of its bytes. A large one goes better by
/// `/v1/uploads`, which survives a dropped line.
#[utoipa::path(put, path = "/v1/photos/{sha256}", tag = "photos", security(("token" = [])),
    params(("sha256" = String, Path, pattern = "^[0-9a-f]{64}$", description = "SHA-256 of the bytes, hexadecimal")),
    request_body(content = String, content_type = "application/octet-stream", description = "The photo's bytes"),
    responses((status = 201, description = "Kept", body = ref("#/components/schemas/PhotoStored")),
        (status = 200, description = "It was there already", body = ref("#/components/schemas/PhotoStored")),
        (status = 403, description = "book-refused: no record of a book opened to the device names the photo", content_type = "application/problem+json", body = ref("#/components/schemas/Problem")),
        (status = 410, description = "The office has erased it", content_type = "application/problem+json", body = ref("#/components/schemas/Problem"))))]
pub async fn upload(
    State(app): State<App>,
    caller: Caller,
    Id(hash): Id<Sha256Hash>,
    request: Request,
) -> Result<Response, ApiError> {
    let known = app
        .blocking(move |app| {
            app.read(|db| {
                caller.may_see(app, db, hash)?;
                remove::must_not_be_removed(db, hash)
            })?;
            let known = photos::stored(app, hash)?;
            match &known {
                None => app.read(|db| photos::within_quota(app, db, caller.device, 0))?,
                // Whoever put it there may have been killed before it was noted.
                Some(photo) => held::note_if_new(app, photo, caller.device)?,
            }
            Ok(known)
        })
        .await?;
    if let Some(photo) = known {
        return Ok(Json(photo).into_response());
    }
    // Whatever ends the request, also a line that breaks and takes this handler with it, removes the draft;
    // once it is renamed there is nothing left to remove.
    let draft = Draft::new(&app)?;
    let photo = receive(&app, request.into_body(), draft.path(), hash).await?;
    let photo = app
        .blocking(move |app| {
            app.read(|db| {
                caller.may_see(app, db, hash)?;
                photos::within_quota(app, db, caller.device, photo.bytes)
            })?;
            app.objects.put_file(&Key::photo(hash), draft.path(), hash)?;
            held::note(app, &photo, caller.device, |_| Ok(()))?;
            Ok(photo)
        })
        .await?;
    Ok((StatusCode::CREATED, Json(photo)).into_response())
}

/// Most photos of one question.
pub const MOST_ASKED: usize = 1_000;

/// Which of these photos are lacking here: asked by a hub before it sends any.
#[utoipa::path(post, path = "/v1/photos/lacking", tag = "photos", security(("token" = [])),
    request_body(content = ref("#/components/schemas/PhotoList"), content_type = "application/json"),
    responses((status = 200, description = "Those it would take, and those removed for good", body = ref("#/components/schemas/PhotosLacking")),
        (status = 403, description = "hub-only: a device knows itself what it has sent", content_type = "application/problem+json", body = ref("#/components/schemas/Problem"))))]
pub async fn lacking(
    State(app): State<App>,
    caller: Caller,
    Json(asked): Json<PhotoList>,
) -> Result<Json<PhotosLacking>, ApiError> {
    match caller.role {
        Role::Server | Role::Office => {}
        // Whether a photo is here tells something of a job that may not be open to a crew.
        Role::Crew => {
            return Err(ApiError::forbidden("hub-only", "only hubs and the office may ask this"));
        }
    }
    if asked.photos.len() > MOST_ASKED {
        return Err(ApiError::too_large(format!("at most {MOST_ASKED} photos at once")));
    }
    app.blocking(move |app| {
        let (mut lacking, mut removed) = (vec![], vec![]);
        for photo in asked.photos {
            if app.read(|db| photos::remove::removed(db, photo))?.is_some() {
                removed.push(photo);
            } else if photos::known(app, photo)?.is_none() || photos::stored(app, photo)?.is_none() {
                // One without a note is noted when it comes again; of one whose note stands the bytes may
                // be lost, and a hub that still has them heals it.
                lacking.push(photo);
            }
        }
        Ok(Json(PhotosLacking { lacking, removed }))
    })
    .await
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
        if start.len() < photos::SNIFFED {
            start.extend_from_slice(data.get(..data.len().min(photos::SNIFFED)).unwrap_or_default());
        }
        hasher.update(&data);
        file.write_all(&data).await?;
    }
    let media_type = must_be_picture(&start)?;
    let found = Sha256Hash(hasher.finalize().into());
    if found != wanted {
        let detail = format!("the bytes have SHA-256 {found}, the address says {wanted}");
        return Err(ApiError::new(StatusCode::UNPROCESSABLE_ENTITY, "hash-mismatch", detail));
    }
    file.sync_all().await?;
    Ok(PhotoStored { sha256: wanted, media_type: media_type.into(), bytes })
}

/// Whether a role sees a photo as the camera wrote it, its place and time included. The match has no
/// default, so that a new role is decided on here.
pub const fn sees_original(role: Role) -> bool {
    match role {
        Role::Office | Role::Crew | Role::Server => true,
    }
}

fn picture(media_type: String, etag: &str, bytes: Vec<u8>) -> Response {
    let headers = [
        (header::CONTENT_TYPE, media_type),
        (header::CACHE_CONTROL, "private, max-age=31536000, immutable".into()),
        (header::ETAG, format!("\"{etag}\"")),
    ];
    (headers, bytes).into_response()
}

/// Hands out a photo: as it came to office, crews and servers, cleaned to anyone else.
#[utoipa::path(get, path = "/v1/photos/{sha256}", tag = "photos", security(("token" = [])),
    params(("sha256" = String, Path, pattern = "^[0-9a-f]{64}$", description = "SHA-256 of the bytes, hexadecimal")),
    responses((status = 200, description = "The photo's bytes", body = String, content_type = "image/*"),
        (status = 403, description = "book-refused: no record of a book opened to the device names the photo", content_type = "application/problem+json", body = ref("#/components/schemas/Problem")),
        (status = 410, description = "The office has erased it", content_type = "application/problem+json", body = ref("#/components/schemas/Problem"))))]
pub async fn download(
    State(app): State<App>,
    caller: Caller,
    Id(hash): Id<Sha256Hash>,
) -> Result<Response, ApiError> {
    let original = sees_original(caller.role);
    app.blocking(move |app| {
        app.read(|db| caller.may_see(app, db, hash))?;
        if original { as_it_came(app, hash) } else { cleaned(app, hash) }
    })
    .await
}

fn as_it_came(app: &Inner, hash: Sha256Hash) -> Result<Response, ApiError> {
    let (photo, bytes) = photos::bytes(app, hash)?;
    Ok(picture(photo.media_type, &hash.to_string(), bytes))
}

fn cleaned(app: &Inner, hash: Sha256Hash) -> Result<Response, ApiError> {
    let (media_type, bytes) = photos::cleaned(app, hash)?;
    Ok(picture(media_type, &format!("{hash}-clean"), bytes))
}

/// Hands out a copy for clients: the same picture, without what the camera wrote beside it.
#[utoipa::path(get, path = "/v1/photos/{sha256}/clean", tag = "photos", security(("token" = [])),
    params(("sha256" = String, Path, description = "SHA-256 of the photo's bytes, hexadecimal")),
    responses((status = 200, description = "The picture without EXIF, XMP, IPTC and comments", body = String, content_type = "image/*"),
        (status = 403, description = "book-refused: no record of a book opened to the device names the photo", content_type = "application/problem+json", body = ref("#/components/schemas/Problem")),
        (status = 422, description = "It cannot be cleaned, and is not handed out", content_type = "application/problem+json", body = ref("#/components/schemas/Problem"))))]
pub async fn clean_copy(
    State(app): State<App>,
    caller: Caller,
    Id(hash): Id<Sha256Hash>,
) -> Result<Response, ApiError> {
    app.blocking(move |app| {
        app.read(|db| caller.may_see(app, db, hash))?;
        cleaned(app, hash)
    })
    .await
}

/// Hands out a small upright copy.
#[utoipa::path(get, path = "/v1/photos/{sha256}/thumbnail", tag = "photos", security(("token" = [])),
    params(("sha256" = String, Path, description = "SHA-256 of the photo's bytes, hexadecimal")),
    responses((status = 200, description = "JPEG, 480 pixels at the longer side", body = String, content_type = "image/jpeg"),
        (status = 403, description = "book-refused: no record of a book opened to the device names the photo", content_type = "application/problem+json", body = ref("#/components/schemas/Problem")),
        (status = 415, description = "A type this server does not decode", content_type = "application/problem+json", body = ref("#/components/schemas/Problem")),
        (status = 422, description = "Damaged, or more pixels than are decoded", content_type = "application/problem+json", body = ref("#/components/schemas/Problem"))))]
pub async fn small(
    State(app): State<App>,
    caller: Caller,
    Id(hash): Id<Sha256Hash>,
) -> Result<Response, ApiError> {
    app.blocking(move |app| app.read(|db| caller.may_see(app, db, hash))).await?;
    let bytes = photos::small(&app, hash).await?;
    Ok(picture("image/jpeg".into(), &format!("{hash}-480"), bytes))
}

/// A photo beside the records that name it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct PhotoDetails {
    /// What is held.
    pub photo: PhotoStored,
    /// What the camera wrote into it.
    pub camera: Camera,
    /// The records that name it.
    pub records: Vec<PhotoRecord>,
}

/// What a record says of a photo, against what the camera wrote.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct PhotoRecord {
    /// The book.
    pub book: BookId,
    /// The record.
    pub record: RecordId,
    /// When the record says it was taken.
    pub taken_at: UtcMs,
    /// The camera's time minus the record's, in seconds; a camera without an offset is taken to show
    /// the job's local time.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub camera_later_s: Option<i64>,
    /// How far the camera was, in metres, from where the record it is about was logged.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub away_m: Option<i64>,
}

/// Compares what the camera wrote with what the records say. Not for clients.
#[utoipa::path(get, path = "/v1/photos/{sha256}/details", tag = "photos", security(("token" = [])),
    params(("sha256" = String, Path, description = "SHA-256 of the photo's bytes, hexadecimal")),
    responses((status = 200, description = "Time and place, by camera and by record", body = ref("#/components/schemas/PhotoDetails")),
        (status = 403, description = "book-refused: no record of a book opened to the device names the photo", content_type = "application/problem+json", body = ref("#/components/schemas/Problem"))))]
pub async fn details(
    State(app): State<App>,
    caller: Caller,
    Id(hash): Id<Sha256Hash>,
) -> Result<Json<PhotoDetails>, ApiError> {
    if !sees_original(caller.role) {
        return Err(ApiError::forbidden(
            "office-only",
            "what a camera wrote is for the office and its crews",
        ));
    }
    app.blocking(move |app| {
        app.read(|db| caller.may_see(app, db, hash))?;
        let (photo, bytes) = photos::bytes(app, hash)?;
        let camera = exif::read(&bytes);
        let records = app.read(|db| {
            let reach = caller.reach(app, db)?;
            let named = held::records(db, hash)?.into_iter().filter(|(book, _)| reach.has(*book));
            named.filter_map(|(book, record)| compare(db, book, record, &camera).transpose()).collect()
        })?;
        Ok(Json(PhotoDetails { photo, camera, records }))
    })
    .await
}

fn compare(
    db: &Connection,
    book: BookId,
    id: RecordId,
    camera: &Camera,
) -> Result<Option<PhotoRecord>, ApiError> {
    let Some(Record { body: RecordBody::Photo(photo), .. }) = record(db, book, id)? else { return Ok(None) };
    let genesis = bolebook_log::genesis(db, book)?;
    let taken = match &genesis.content {
        BookContent::Job(job) => camera.taken(&job.zone),
        BookContent::Yard { .. } => camera.taken_at,
    };
    let about = photo.about.map(|about| record(db, book, about)).transpose()?.flatten();
    let logged: Option<Position> = match about.map(|record| record.body) {
        Some(RecordBody::Tree(tree)) => tree.position,
        Some(RecordBody::Application(application)) => application.position,
        _ => None,
    };
    let away_m = logged.zip(camera.place).map(|(logged, place)| {
        let at = Position { lat_ndeg: place.lat_ndeg, lon_ndeg: place.lon_ndeg, ..logged };
        distance_m(&logged, &at).round() as i64
    });
    let camera_later_s = taken.map(|t| t.0.saturating_sub(photo.taken_at.0).div_euclid(1_000));
    Ok(Some(PhotoRecord { book, record: id, taken_at: photo.taken_at, camera_later_s, away_m }))
}

/// A record as it was first written; amendments are another record.
fn record(db: &Connection, book: BookId, id: RecordId) -> Result<Option<Record>, ApiError> {
    use bolebook_core::exchange::{Entry, LogLine};
    let Some(position) = bolebook_log::record_positions(db, book, id)?.first().copied() else {
        return Ok(None);
    };
    let page = bolebook_log::Page { lines: 1, ..bolebook_log::Page::ALL };
    let lines = bolebook_log::read(db, book, position.saturating_sub(1), page)?;
    let Some(line) = lines.first() else { return Ok(None) };
    let Entry::Commit(commit) =
        LogLine::parse_stored(&line.text).map_err(|e| ApiError::internal(&e))?.into_entry()
    else {
        return Ok(None);
    };
    Ok(commit
        .records()
        .iter()
        .filter_map(|text| Record::read(text).ok())
        .find(|record| record.envelope.id == id))
}
