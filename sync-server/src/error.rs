//! The one way out for what goes wrong: problem details (RFC 9457), opaque where it is our fault.

use axum::extract::Request;
use axum::http::{HeaderValue, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use bolebook_core::exchange::{LineError, Problem, code};
use bolebook_core::gate::Refusal;
use bolebook_core::ids::BookId;
use bolebook_log::{LogError, Trouble};
use bolebook_objects::ObjectError;

/// Media type of problem details.
pub const PROBLEM_JSON: &str = "application/problem+json";

/// A request that could not be answered as asked.
#[derive(Debug)]
pub struct ApiError {
    problem: Box<Problem>,
    retry_after: Option<u64>,
    trouble: Option<Trouble>,
}

impl ApiError {
    /// A problem of the request.
    pub fn new(status: StatusCode, code: &str, detail: impl Into<String>) -> Self {
        let title = status.canonical_reason().unwrap_or("Error").to_owned();
        let problem = Problem {
            type_uri: format!("urn:bolebook:problem:{code}"),
            title,
            status: status.as_u16(),
            detail: detail.into(),
            code: code.to_owned(),
            ..Problem::default()
        };
        Self { problem: Box::new(problem), retry_after: None, trouble: None }
    }

    /// 400.
    pub fn bad(code: &str, detail: impl Into<String>) -> Self {
        Self::new(StatusCode::BAD_REQUEST, code, detail)
    }

    /// 403.
    pub fn forbidden(code: &str, detail: impl Into<String>) -> Self {
        Self::new(StatusCode::FORBIDDEN, code, detail)
    }

    /// 401: there is no valid access token.
    pub fn unauthorised(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::UNAUTHORIZED, code::TOKEN, detail)
    }

    /// 404.
    pub fn not_found(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::NOT_FOUND, "not-found", detail)
    }

    /// 410: it was here, and was erased.
    pub fn gone(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::GONE, "erased", detail)
    }

    /// 413.
    pub fn too_large(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::PAYLOAD_TOO_LARGE, "too-large", detail)
    }

    /// 429.
    pub fn too_many(wait_seconds: u64) -> Self {
        let detail = format!("too many attempts: wait {wait_seconds} s");
        let error = Self::new(StatusCode::TOO_MANY_REQUESTS, code::RATE, detail);
        Self { retry_after: Some(wait_seconds), ..error }
    }

    /// 429: an author has added enough for this hour.
    pub fn over_quota(device: bolebook_core::ids::DeviceId, wait_seconds: u64) -> Self {
        let detail = format!(
            "device {device} has added as much as an hour allows: nothing of this request was kept; keep it and send it again in {wait_seconds} s"
        );
        let error = Self::new(StatusCode::TOO_MANY_REQUESTS, code::QUOTA, detail);
        Self { retry_after: Some(wait_seconds), ..error }
    }

    /// 500: what happened goes to the log, the client learns the request id.
    pub fn internal(cause: &dyn std::fmt::Display) -> Self {
        tracing::error!(%cause, "internal error");
        let detail = "the server failed; nothing of the request was kept. Its log has the request id";
        Self::new(StatusCode::INTERNAL_SERVER_ERROR, "internal", detail)
    }

    /// What was the matter with the database, where that may pass.
    pub const fn trouble(&self) -> Option<Trouble> {
        self.trouble
    }

    /// The same as something that is not tried again.
    pub fn settled(self) -> Self {
        Self { trouble: None, ..self }
    }

    /// 503: another transaction came between, or the database is away.
    fn passing(trouble: Trouble, cause: &dyn std::fmt::Display) -> Self {
        tracing::warn!(%cause, ?trouble, "the database");
        let detail = if trouble == Trouble::Unsure {
            "the line to the database broke while this was being kept: look whether it was, then send it again"
        } else {
            "the database cannot be reached, or is too busy: nothing of the request was kept; send it again"
        };
        let error = Self::new(StatusCode::SERVICE_UNAVAILABLE, "database", detail);
        Self { trouble: Some(trouble), retry_after: Some(2), ..error }
    }

    /// 503: nobody had a turn at the database for too long.
    pub fn database_away() -> Self {
        Self::passing(Trouble::Away, &"no turn at it in time")
    }

    /// Whether it is the problem of this code.
    pub fn is(&self, code: &str) -> bool {
        self.problem.code == code
    }

    /// 507: the disk is full. Whoever runs the server reads it in its log.
    pub fn no_room(cause: &dyn std::fmt::Display) -> Self {
        tracing::error!(%cause, "no room on the disk, or a quota is used up: make room; nothing was lost");
        let detail = "the server's disk is full: nothing of the request was kept, and nothing was lost. Keep it and send it again when there is room";
        Self::new(StatusCode::INSUFFICIENT_STORAGE, "no-room", detail)
    }

    /// Names the book and, if there is one, the line concerned.
    pub fn at(mut self, book: BookId, line: Option<usize>) -> Self {
        self.problem.book = Some(book);
        self.problem.line = line.map(|l| l as u64);
        self
    }

    /// Fills in further members.
    pub fn with(mut self, fill: impl FnOnce(&mut Problem)) -> Self {
        fill(&mut self.problem);
        self
    }

    /// A line of an exchange that cannot be read.
    pub fn line(error: &LineError) -> Self {
        let status = match error.code() {
            "commit-too-large" => StatusCode::PAYLOAD_TOO_LARGE,
            "line-malformed" => StatusCode::BAD_REQUEST,
            _ => StatusCode::UNPROCESSABLE_ENTITY,
        };
        Self::new(status, error.code(), error.to_string())
    }
}

impl From<LogError> for ApiError {
    fn from(error: LogError) -> Self {
        if let LogError::NoBook(book) = error {
            return Self::not_found("the server has no such book").at(book, None);
        }
        let LogError::Refused { book, line, hash, refusal } = error else {
            return match error.trouble() {
                Some(Trouble::Full) => Self::no_room(&error),
                Some(passing @ (Trouble::Again | Trouble::Away | Trouble::Unsure)) => {
                    Self::passing(passing, &error)
                }
                // Another was at work in the file. PostgreSQL's of this kind (no memory, a statement that was
                // stopped) does not pass by itself.
                Some(Trouble::Busy) if of_file(&error) => Self::passing(Trouble::Busy, &error),
                Some(Trouble::Unfit) => Self::bad(
                    "text",
                    "a text holds a character that cannot be kept (NUL): take it out, it cannot be seen; nothing of the request was kept",
                ),
                _ => Self::internal(&error),
            };
        };
        let status = match &*refusal {
            Refusal::UnknownDependency(_) | Refusal::Fork { .. } | Refusal::Sequence { .. } => {
                StatusCode::CONFLICT
            }
            _ => StatusCode::UNPROCESSABLE_ENTITY,
        };
        let hash = match &*refusal {
            Refusal::UnknownDependency(missing) => *missing,
            _ => hash,
        };
        Self::new(status, refusal.code(), refusal.to_string())
            .at(book, Some(line))
            .with(|problem| problem.hash = Some(hash))
    }
}

const fn of_file(error: &LogError) -> bool {
    matches!(error, LogError::Database(bolebook_db::Error::Sqlite(_)))
}

impl From<bolebook_db::Error> for ApiError {
    fn from(error: bolebook_db::Error) -> Self {
        Self::from(LogError::from(error))
    }
}

impl From<std::io::Error> for ApiError {
    fn from(error: std::io::Error) -> Self {
        use std::io::ErrorKind as K;
        match error.kind() {
            K::StorageFull | K::QuotaExceeded | K::FileTooLarge => Self::no_room(&error),
            _ => Self::internal(&error),
        }
    }
}

/// What a store is called, and what it said, goes to the log only: a device is told what to do.
impl From<ObjectError> for ApiError {
    fn from(error: ObjectError) -> Self {
        let (wait_s, detail) = match error {
            ObjectError::Disk { source, path } => {
                tracing::warn!(path = %path.display(), "a file");
                return source.into();
            }
            ObjectError::Full { .. } => return Self::no_room(&error),
            ObjectError::Address { .. } | ObjectError::Name => return Self::internal(&error),
            ObjectError::Away { .. } => {
                tracing::warn!(cause = %error, "the object store");
                (
                    5,
                    "the place where photos lie cannot be reached: what was acknowledged is kept, the rest was not; books go on. Send it again",
                )
            }
            ObjectError::Refused { .. } | ObjectError::Taken { .. } | ObjectError::Setting(_) => {
                tracing::error!(cause = %error, "the object store");
                (
                    60,
                    "the place where photos lie refuses this server: whoever runs it reads why in its log. What was acknowledged is kept; books go on. Send it again later",
                )
            }
            ObjectError::Wrong { .. } => {
                tracing::error!(cause = %error, "the object store");
                (
                    60,
                    "the place where photos lie gave something else than was put there: whoever runs this server reads more in its log. Ask again later",
                )
            }
        };
        let error = Self::new(StatusCode::SERVICE_UNAVAILABLE, "photo-store", detail);
        Self { retry_after: Some(wait_s), ..error }
    }
}

impl IntoResponse for ApiError {
    fn into_response(self) -> Response {
        let status = StatusCode::from_u16(self.problem.status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR);
        let mut response = status.into_response();
        if let Some(seconds) = self.retry_after {
            response.headers_mut().insert(header::RETRY_AFTER, HeaderValue::from(seconds));
        }
        if status == StatusCode::UNAUTHORIZED {
            response.headers_mut().insert(header::WWW_AUTHENTICATE, HeaderValue::from_static("Bearer"));
        }
        response.extensions_mut().insert(*self.problem);
        response
    }
}

/// Gives every request an id and a log line, and every error a body that names it.
pub async fn report(request: Request, next: Next) -> Response {
    use tracing::Instrument as _;
    let mut random = [0; 8];
    // Without randomness the id is all zeros: less useful, never wrong.
    let _ = getrandom::fill(&mut random);
    let id = hex::encode(random);
    let span = tracing::info_span!("request", id, method = %request.method(), path = request.uri().path());
    async move {
        let mut response = next.run(request).await;
        let status = response.status();
        if status.is_client_error() || status.is_server_error() {
            let found = response.extensions_mut().remove::<Problem>();
            let mut problem = found.unwrap_or_else(|| {
                let generic = ApiError::new(status, code_of(status), detail_of(status));
                *generic.problem
            });
            problem.request_id = Some(id.clone());
            tracing::info!(status = status.as_u16(), code = problem.code, detail = problem.detail, "refused");
            let text = serde_json::to_string(&problem).unwrap_or_default();
            let headers = response.headers_mut();
            headers.insert(header::CONTENT_TYPE, HeaderValue::from_static(PROBLEM_JSON));
            headers.remove(header::CONTENT_LENGTH);
            *response.body_mut() = text.into();
        } else {
            tracing::info!(status = status.as_u16(), "answered");
        }
        if let Ok(value) = HeaderValue::from_str(&id) {
            response.headers_mut().insert("x-request-id", value);
        }
        response.headers_mut().insert(header::X_CONTENT_TYPE_OPTIONS, HeaderValue::from_static("nosniff"));
        response
    }
    .instrument(span)
    .await
}

fn code_of(status: StatusCode) -> &'static str {
    match status {
        StatusCode::NOT_FOUND => "not-found",
        StatusCode::METHOD_NOT_ALLOWED => "method-not-allowed",
        StatusCode::PAYLOAD_TOO_LARGE => "too-large",
        StatusCode::REQUEST_TIMEOUT => "timeout",
        StatusCode::UNSUPPORTED_MEDIA_TYPE => "media-type",
        _ if status.is_server_error() => "internal",
        _ => "bad-request",
    }
}

fn detail_of(status: StatusCode) -> &'static str {
    match status {
        StatusCode::NOT_FOUND => "there is nothing at this address: see /openapi.json",
        StatusCode::METHOD_NOT_ALLOWED => "this address has other methods: see the Allow header",
        StatusCode::REQUEST_TIMEOUT => {
            "the request took too long: look whether it was kept before you enter it again"
        }
        _ if status.is_server_error() => "the server failed; its log has the request id",
        _ => "the request could not be read",
    }
}

impl std::fmt::Display for ApiError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.problem.detail)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What operations.md says of `pack` on a file that is served.
    #[test]
    fn a_file_that_others_kept_for_too_long_is_passing_trouble_and_not_a_failure() {
        let folder = tempfile::tempdir().unwrap();
        let open = || bolebook_log::open(&folder.path().join("log")).unwrap();
        let (one, other) = (open(), open());
        other.execute_batch("PRAGMA busy_timeout = 1").unwrap();
        let kept = one.begin(bolebook_db::TransactionBehavior::Immediate).unwrap();
        let error = other.begin(bolebook_db::TransactionBehavior::Immediate).unwrap_err();
        let answer = ApiError::from(error);
        assert_eq!((answer.problem.status, answer.problem.code.as_str()), (503, "database"));
        assert_eq!((answer.retry_after, answer.trouble()), (Some(2), Some(Trouble::Busy)));
        drop(kept);
    }
}
