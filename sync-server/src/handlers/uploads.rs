//! Resumable uploads of photos (tus 1.0.0): the routes. What they do is in [`crate::uploads`].

use axum::extract::{FromRequestParts, Request, State};
use axum::http::request::Parts;
use axum::http::{HeaderMap, HeaderName, HeaderValue, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse as _, Response};

use crate::auth::Caller;
use crate::body::Id;
use crate::error::ApiError;
use crate::state::App;
use crate::uploads::headers::{self, HeaderError};
use crate::uploads::table::Upload;
use crate::uploads::{ALGORITHMS, EXTENSIONS, Held, VERSION, session, store};

const RESUMABLE: HeaderName = HeaderName::from_static("tus-resumable");
const OFFSET: HeaderName = HeaderName::from_static("upload-offset");
const LENGTH: HeaderName = HeaderName::from_static("upload-length");
const METADATA: HeaderName = HeaderName::from_static("upload-metadata");
const CHECKSUM: HeaderName = HeaderName::from_static("upload-checksum");
const EXPIRES: HeaderName = HeaderName::from_static("upload-expires");

/// Every answer here names the protocol's version, refusals too.
pub async fn versioned(request: Request, next: Next) -> Response {
    let mut response = next.run(request).await;
    let refused = response.status() == StatusCode::PRECONDITION_FAILED;
    let headers = response.headers_mut();
    headers.insert(RESUMABLE, HeaderValue::from_static(VERSION));
    if refused {
        headers.insert("tus-version", HeaderValue::from_static(VERSION));
    }
    response
}

/// The client speaks the protocol's version.
pub struct Tus;

impl FromRequestParts<App> for Tus {
    type Rejection = ApiError;

    async fn from_request_parts(parts: &mut Parts, _: &App) -> Result<Self, ApiError> {
        if one(&parts.headers, &RESUMABLE)? == Some(VERSION) {
            return Ok(Self);
        }
        let detail = format!("say 'Tus-Resumable: {VERSION}'; this server knows no other version");
        Err(ApiError::new(StatusCode::PRECONDITION_FAILED, "tus-version", detail))
    }
}

/// A field that may stand at most once.
fn one<'a>(headers: &'a HeaderMap, name: &HeaderName) -> Result<Option<&'a str>, ApiError> {
    let mut all = headers.get_all(name).iter();
    let first = all.next().map(HeaderValue::to_str).transpose();
    match (first, all.next()) {
        (Ok(value), None) => Ok(value),
        _ => Err(ApiError::bad("upload-header", format!("{name}: it stands once, in ASCII"))),
    }
}

fn wrong(name: &HeaderName) -> impl Fn(HeaderError) -> ApiError + '_ {
    move |error| ApiError::bad("upload-header", format!("{name}: {error}"))
}

fn count(headers: &HeaderMap, name: &HeaderName) -> Result<u64, ApiError> {
    let text =
        one(headers, name)?.ok_or_else(|| ApiError::bad("upload-header", format!("{name} is missing")))?;
    headers::count(text).map_err(wrong(name))
}

fn answer(status: StatusCode, upload: &Upload) -> Response {
    let mut response = (status, [(OFFSET, upload.offset.to_string())]).into_response();
    let expires = jiff::Timestamp::from_millisecond(upload.expires_at.0).ok();
    let expires = expires
        .and_then(|t| jiff::fmt::rfc2822::DateTimePrinter::new().timestamp_to_rfc9110_string(&t).ok())
        .and_then(|t| HeaderValue::from_str(&t).ok());
    if let (false, Some(value)) = (upload.done, expires) {
        response.headers_mut().insert(EXPIRES, value);
    }
    response
}

/// What this server can do.
#[utoipa::path(options, path = "/v1/uploads", tag = "photos",
    responses((status = 204, description = "Tus-Version, Tus-Extension, Tus-Max-Size, Tus-Checksum-Algorithm")))]
pub async fn options(State(app): State<App>) -> Response {
    let names = ["tus-version", "tus-extension", "tus-checksum-algorithm", "tus-max-size"];
    let most = app.config.photo_bytes.to_string();
    let values = [VERSION, EXTENSIONS, ALGORITHMS, most.as_str()];
    let mut response = StatusCode::NO_CONTENT.into_response();
    for (name, value) in names.into_iter().zip(values) {
        if let Ok(value) = HeaderValue::from_str(value) {
            response.headers_mut().insert(name, value);
        }
    }
    response
}

/// Makes an upload; its digest is named in the metadata. The first bytes may come along.
#[utoipa::path(post, path = "/v1/uploads", tag = "photos", security(("token" = [])),
    params(("Tus-Resumable" = String, Header, description = "1.0.0"),
        ("Upload-Length" = u64, Header, description = "Bytes of the whole photo"),
        ("Upload-Metadata" = String, Header, description = "'sha256' and the photo's digest in hexadecimal, as base64")),
    responses((status = 201, description = "Made, or found under way: Location, and Upload-Offset to go on from"),
        (status = 403, description = "book-refused: no record of a book opened to the device names the photo", content_type = "application/problem+json", body = ref("#/components/schemas/Problem")),
        (status = 429, description = "Above the device's quota", content_type = "application/problem+json", body = ref("#/components/schemas/Problem"))))]
pub async fn create(
    State(app): State<App>,
    caller: Caller,
    _: Tus,
    request: Request,
) -> Result<Response, ApiError> {
    let headers = request.headers();
    if headers.contains_key("upload-defer-length") {
        return Err(ApiError::bad(
            "upload-header",
            "upload-defer-length: say Upload-Length, a photo's is known",
        ));
    }
    let length = count(headers, &LENGTH)?;
    let metadata = one(headers, &METADATA)?.unwrap_or_default().to_owned();
    let sha256 = headers::digest(&metadata).map_err(wrong(&METADATA))?;
    let with_bytes = headers.get(header::CONTENT_TYPE).is_some();
    if with_bytes {
        store::is_part(headers)?;
    }
    let checksum = one(headers, &CHECKSUM)?.map(headers::checksum).transpose().map_err(wrong(&CHECKSUM))?;
    let mut upload = app
        .blocking(move |app| {
            app.read(|db| caller.may_see(app, db, sha256))?;
            store::create(app, caller.device, sha256, length, &metadata)
        })
        .await?;
    let place = format!("/v1/uploads/{}", upload.id);
    if with_bytes && upload.offset == 0 {
        let held = app.turns.take(&upload.id).await;
        upload = session::take_in(&app, upload, checksum, held, request.into_body()).await?;
    }
    let mut response = answer(StatusCode::CREATED, &upload);
    if let Ok(value) = HeaderValue::from_str(&place) {
        response.headers_mut().insert(header::LOCATION, value);
    }
    Ok(response)
}

/// The turn at an upload, for the device whose it is: nobody else makes its writer stop.
async fn turn(app: &App, id: &str, caller: Caller) -> Result<Held, ApiError> {
    let name = id.to_owned();
    app.blocking(move |app| {
        let upload = store::of(app, &name, caller.device)?;
        app.read(|db| caller.may_see(app, db, upload.sha256))
    })
    .await?;
    Ok(app.turns.take(id).await)
}

/// How far an upload is.
#[utoipa::path(head, path = "/v1/uploads/{id}", tag = "photos", security(("token" = [])),
    params(("id" = String, Path, description = "The upload"), ("Tus-Resumable" = String, Header, description = "1.0.0")),
    responses((status = 200, description = "Upload-Offset: so many bytes are on the disk")))]
pub async fn head(
    State(app): State<App>,
    caller: Caller,
    _: Tus,
    Id(id): Id<String>,
) -> Result<Response, ApiError> {
    let held = turn(&app, &id, caller).await?;
    let upload = app
        .blocking(move |app| {
            let _held = held;
            let mut upload = store::of(app, &id, caller.device)?;
            if !upload.done && upload.offset == upload.length {
                // A crash came between the last byte and the photo's place.
                store::finish(app, &upload)?;
                upload.done = true;
            }
            Ok(upload)
        })
        .await?;
    let mut response = answer(StatusCode::OK, &upload);
    let headers = response.headers_mut();
    headers.insert(LENGTH, HeaderValue::from(upload.length));
    headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
    if let Ok(value) = HeaderValue::from_str(&upload.metadata) {
        headers.insert(METADATA, value);
    }
    Ok(response)
}

/// Takes further bytes in.
#[utoipa::path(patch, path = "/v1/uploads/{id}", tag = "photos", security(("token" = [])),
    params(("id" = String, Path, description = "The upload"), ("Tus-Resumable" = String, Header, description = "1.0.0"),
        ("Upload-Offset" = u64, Header, description = "Where these bytes begin: the upload's offset")),
    request_body(content = String, content_type = "application/offset+octet-stream", description = "The next bytes"),
    responses((status = 204, description = "On the disk up to Upload-Offset"),
        (status = 403, description = "book-refused: no record of a book opened to the device names the photo", content_type = "application/problem+json", body = ref("#/components/schemas/Problem")),
        (status = 409, description = "Upload-Offset is not the upload's: ask with HEAD", content_type = "application/problem+json", body = ref("#/components/schemas/Problem")),
        (status = 415, description = "No picture", content_type = "application/problem+json", body = ref("#/components/schemas/Problem")),
        (status = 422, description = "Not the photo promised: given up", content_type = "application/problem+json", body = ref("#/components/schemas/Problem"))))]
pub async fn patch(
    State(app): State<App>,
    caller: Caller,
    _: Tus,
    Id(id): Id<String>,
    request: Request,
) -> Result<Response, ApiError> {
    let headers = request.headers();
    store::is_part(headers)?;
    let offset = count(headers, &OFFSET)?;
    let checksum = one(headers, &CHECKSUM)?.map(headers::checksum).transpose().map_err(wrong(&CHECKSUM))?;
    let held = turn(&app, &id, caller).await?;
    let upload = app.blocking(move |app| store::of(app, &id, caller.device)).await?;
    if offset != upload.offset {
        let detail = format!("the upload stands at {}, not at {offset}: go on from there", upload.offset);
        return Err(ApiError::new(StatusCode::CONFLICT, "upload-offset", detail));
    }
    if upload.offset == upload.length {
        let upload = app
            .blocking(move |app| {
                let _held = held;
                if !upload.done {
                    store::finish(app, &upload)?;
                }
                Ok(Upload { done: true, ..upload })
            })
            .await?;
        return Ok(answer(StatusCode::NO_CONTENT, &upload));
    }
    let upload = session::take_in(&app, upload, checksum, held, request.into_body()).await?;
    Ok(answer(StatusCode::NO_CONTENT, &upload))
}

/// Gives an upload up. A photo that is in its place stays.
#[utoipa::path(delete, path = "/v1/uploads/{id}", tag = "photos", security(("token" = [])),
    params(("id" = String, Path, description = "The upload"), ("Tus-Resumable" = String, Header, description = "1.0.0")),
    responses((status = 204, description = "Given up")))]
pub async fn give_up(
    State(app): State<App>,
    caller: Caller,
    _: Tus,
    Id(id): Id<String>,
) -> Result<Response, ApiError> {
    let held = turn(&app, &id, caller).await?;
    app.blocking(move |app| {
        let _held = held;
        store::of(app, &id, caller.device)?;
        store::give_up(app, &id)
    })
    .await?;
    Ok(StatusCode::NO_CONTENT.into_response())
}
