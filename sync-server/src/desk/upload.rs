//! Files sent to the desk, read within limits. One that cannot be read is forgotten at once; the others
//! [wait](super::waiting) to be added or discarded.

use axum::extract::{FromRequest, Request};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse as _, Response};
use futures_util::stream;

use crate::body::whole;
use crate::desk::entry::Typed;
use crate::desk::forms::{same_origin, unwritable};
use crate::desk::page::Desk;
use crate::error::ApiError;
use crate::state::App;

/// Largest file, in bytes.
pub const MAX_FILE_BYTES: usize = 4 * 1024 * 1024;
/// Room for what a form wraps around its file.
const AROUND: usize = 64 * 1024;

/// A form with a file, sent by a signed-in person from a page of theirs.
pub struct Upload {
    /// The person and the books.
    pub desk: Desk,
    /// The file's name as the sender calls it.
    pub name: String,
    /// The file.
    pub bytes: Vec<u8>,
}

impl FromRequest<App> for Upload {
    type Rejection = Response;

    async fn from_request(request: Request, app: &App) -> Result<Self, Response> {
        let (mut parts, body) = request.into_parts();
        let desk = Desk::of(&mut parts, app).await?;
        if !same_origin(&parts.headers) {
            let why = "this form was not sent from a page of the desk";
            return Err(ApiError::forbidden("other-origin", why).into_response());
        }
        let kind = parts.headers.get(header::CONTENT_TYPE).and_then(|v| v.to_str().ok()).unwrap_or("");
        let boundary = multer::parse_boundary(kind).map_err(|_| {
            let why = "a file is sent as multipart/form-data";
            ApiError::new(StatusCode::UNSUPPORTED_MEDIA_TYPE, "media-type", why).into_response()
        })?;
        let too_large = |_| {
            ApiError::too_large(format!("a file has at most {} MB", MAX_FILE_BYTES / 1024 / 1024))
                .into_response()
        };
        let bytes = whole(body, MAX_FILE_BYTES + AROUND).await.map_err(too_large)?;
        let (typed, file) = read(boundary, bytes).await.map_err(ApiError::into_response)?;
        if !desk.holds(typed.text("token")) {
            let why = "the form's token is not this session's: load the page again and send it once more";
            return Err(ApiError::forbidden("form-token", why).into_response());
        }
        match file {
            Some((name, bytes)) if !bytes.is_empty() => Ok(Self { desk, name, bytes }),
            _ => {
                Err(unwritable("no file was chosen, or it is empty: go back and choose one").into_response())
            }
        }
    }
}

/// The file of a form: its name and its bytes.
type File = (String, Vec<u8>);

/// The fields and the one file of a form.
async fn read(boundary: String, bytes: axum::body::Bytes) -> Result<(Typed, Option<File>), ApiError> {
    let broken = |e: multer::Error| ApiError::bad("form", format!("the form could not be read: {e}"));
    let body = stream::once(async move { Ok::<_, std::convert::Infallible>(bytes) });
    let mut form = multer::Multipart::new(body, boundary);
    let (mut typed, mut file) = (Typed::default(), None);
    for _ in 0..50 {
        let Some(part) = form.next_field().await.map_err(broken)? else { break };
        let name = part.name().unwrap_or("").to_owned();
        if name == "file" {
            let called = part.file_name().unwrap_or("file").chars().take(120).collect();
            let bytes = part.bytes().await.map_err(broken)?;
            if bytes.len() > MAX_FILE_BYTES {
                return Err(ApiError::too_large(format!(
                    "a file has at most {} MB",
                    MAX_FILE_BYTES / 1024 / 1024
                )));
            }
            file = Some((called, bytes.to_vec()));
        } else {
            typed.put(name, part.text().await.map_err(broken)?.trim());
        }
    }
    Ok((typed, file))
}
