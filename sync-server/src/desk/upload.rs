//! Files sent to the desk: read within limits, and kept in memory alone until they are added or
//! discarded. A file that is refused is forgotten at once.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};

use axum::extract::{FromRequest, Request};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse as _, Response};
use bolebook_core::entering::stand::Sheet;
use bolebook_core::ids::BookId;
use bolebook_core::quantity::UtcMs;
use futures_util::stream;

use crate::body::whole;
use crate::desk::entry::Typed;
use crate::desk::forms::{same_origin, unwritable};
use crate::desk::geo_files::Feature;
use crate::desk::page::Desk;
use crate::error::ApiError;
use crate::state::App;

/// Largest file, in bytes.
pub const MAX_FILE_BYTES: usize = 4 * 1024 * 1024;
/// Room for what a form wraps around its file.
const AROUND: usize = 64 * 1024;
/// How long a file waits to be added.
const KEPT_MS: i64 = 30 * 60_000;
/// Most files that wait at once, over all sessions.
const MOST_KEPT: usize = 20;

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

/// What waits to be added.
#[derive(Clone)]
pub enum Waiting {
    /// A stand's table.
    Stand(Arc<Sheet>),
    /// Blocks of a map.
    Blocks(Arc<Vec<Feature>>),
}

/// A file that was read and waits for its columns or names to be matched.
#[derive(Clone)]
pub struct Kept {
    /// The job it is for.
    pub book: BookId,
    /// What it was called.
    pub name: String,
    /// What it holds.
    pub what: Waiting,
    at: UtcMs,
}

/// The files that wait, one a session.
#[derive(Default)]
pub struct Uploads(Mutex<BTreeMap<[u8; 32], Kept>>);

impl Uploads {
    /// Keeps a session's file in place of the one before.
    ///
    /// # Errors
    /// 429 when too many wait.
    pub fn keep(&self, desk: &Desk, book: BookId, name: String, what: Waiting) -> Result<(), ApiError> {
        let now = desk.now();
        let mut all = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        all.retain(|session, kept| *session != desk.session && now.0 - kept.at.0 < KEPT_MS);
        if all.len() >= MOST_KEPT {
            return Err(ApiError::too_many(60));
        }
        all.insert(desk.session, Kept { book, name, what, at: now });
        Ok(())
    }

    /// A session's file for a job, if one waits.
    pub fn of(&self, desk: &Desk, book: BookId) -> Option<Kept> {
        let all = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        all.get(&desk.session).filter(|k| k.book == book && desk.now().0 - k.at.0 < KEPT_MS).cloned()
    }

    /// Forgets a session's file.
    pub fn forget(&self, desk: &Desk) {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).remove(&desk.session);
    }
}
