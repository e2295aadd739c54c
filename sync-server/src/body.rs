//! Bodies in and out: content types and encodings, with every limit enforced while reading.

use std::io::{BufRead, BufReader, Read};

use axum::body::{Body, Bytes};
use axum::extract::{FromRequest, FromRequestParts, Path, Request};
use axum::http::request::Parts;
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use bolebook_core::exchange::short::{ShortLine, ShortReader};
use bolebook_core::exchange::{
    BookRequest, EXCHANGE_VERSION, LogLine, MAX_BOOKS, MAX_LINE_BYTES, MAX_LINES, MAX_UNPACKED_BYTES,
    MEDIA_TYPE, RequestLine, RequestStart, SHORT_VERSION,
};
use bolebook_core::ids::BookId;
use http_body_util::BodyExt as _;
use serde::Serialize;
use serde::de::DeserializeOwned;

use crate::error::ApiError;
use crate::state::App;

/// Largest body of the small JSON endpoints, in bytes.
pub const MAX_JSON_BYTES: usize = 1 << 20;
/// How much of a body that is too large is still read and thrown away, in bytes.
const THROWN_AWAY_BYTES: usize = 16 << 20;
/// Largest window a zstd body may ask for, as a power of two: 8 MiB, what levels up to 19 use.
const MAX_WINDOW_LOG: u32 = 23;

/// How a body is packed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Encoding {
    /// Not at all.
    Identity,
    /// RFC 1952.
    Gzip,
    /// RFC 8878.
    Zstd,
}

impl Encoding {
    /// Of a request's body.
    ///
    /// # Errors
    /// 415 for any other.
    pub fn of_body(headers: &HeaderMap) -> Result<Self, ApiError> {
        match headers.get(header::CONTENT_ENCODING).map(|v| v.to_str().unwrap_or("?")) {
            None | Some("" | "identity") => Ok(Self::Identity),
            Some(v) if v.eq_ignore_ascii_case("gzip") => Ok(Self::Gzip),
            Some(v) if v.eq_ignore_ascii_case("zstd") => Ok(Self::Zstd),
            Some(_) => Err(ApiError::new(
                StatusCode::UNSUPPORTED_MEDIA_TYPE,
                "content-encoding",
                "bodies are packed with zstd, gzip or not at all",
            )),
        }
    }

    /// The best an answer may use: zstd, else gzip, else none.
    pub fn of_answer(headers: &HeaderMap) -> Self {
        let accepts = |wanted: &str| {
            let all = headers.get_all(header::ACCEPT_ENCODING).iter().filter_map(|v| v.to_str().ok());
            all.flat_map(|v| v.split(',')).any(|part| {
                let mut part = part.split(';').map(str::trim);
                let named = part.next().is_some_and(|name| name.eq_ignore_ascii_case(wanted));
                named && !part.any(|q| matches!(q, "q=0" | "q=0.0" | "q=0.00" | "q=0.000"))
            })
        };
        match (accepts("zstd"), accepts("gzip")) {
            (true, _) => Self::Zstd,
            (_, true) => Self::Gzip,
            _ => Self::Identity,
        }
    }

    fn name(self) -> Option<&'static str> {
        match self {
            Self::Identity => None,
            Self::Gzip => Some("gzip"),
            Self::Zstd => Some("zstd"),
        }
    }
}

/// Reads a whole body, up to a limit. What comes above it is thrown away for a while, so that the
/// sender gets to read the answer instead of a broken connection.
///
/// # Errors
/// 413 above the limit; 400 when the connection broke.
pub async fn whole(mut body: Body, most: usize) -> Result<Bytes, ApiError> {
    let (mut read, mut all) = (0, Vec::new());
    while let Some(frame) = body.frame().await {
        let frame = frame.map_err(|_| ApiError::bad("body-cut", "the body broke off: send it again"))?;
        let Ok(data) = frame.into_data() else { continue };
        read += data.len();
        if read <= most {
            all.extend_from_slice(&data);
        } else if read <= most + THROWN_AWAY_BYTES {
            all = Vec::new();
        } else {
            break;
        }
    }
    if read > most {
        return Err(ApiError::too_large(format!("a body here has at most {most} bytes as it travels")));
    }
    Ok(Bytes::from(all))
}

/// Whether a request's media type is the one wanted, whatever its parameters.
///
/// # Errors
/// 415 when it is not.
pub fn content_type(headers: &HeaderMap, wanted: &str) -> Result<(), ApiError> {
    let found = headers.get(header::CONTENT_TYPE).and_then(|v| v.to_str().ok()).unwrap_or("");
    let bare = found.split(';').next().unwrap_or("").trim();
    if bare.eq_ignore_ascii_case(wanted) {
        return Ok(());
    }
    let detail = format!("the body must be {wanted}");
    Err(ApiError::new(StatusCode::UNSUPPORTED_MEDIA_TYPE, "media-type", detail))
}

/// A request of an exchange, read and checked line by line.
#[derive(Debug)]
pub struct ExchangeBody {
    /// Its opening line.
    pub start: RequestStart,
    /// Each book with the lines offered for it.
    pub books: Vec<(BookRequest, Vec<LogLine>)>,
}

/// Unpacks and reads an exchange's body. Memory is bounded by the limits, whatever the bytes claim.
///
/// # Errors
/// A 4xx that names the book and the line.
pub fn read_exchange(packed: &[u8], encoding: Encoding) -> Result<ExchangeBody, ApiError> {
    match encoding {
        Encoding::Identity => read_lines(packed),
        Encoding::Gzip => read_lines(BufReader::new(flate2::bufread::MultiGzDecoder::new(packed))),
        Encoding::Zstd => {
            let mut decoder = zstd::Decoder::with_buffer(packed)?;
            decoder.window_log_max(MAX_WINDOW_LOG)?;
            read_lines(BufReader::new(decoder))
        }
    }
}

fn read_lines(mut from: impl BufRead) -> Result<ExchangeBody, ApiError> {
    let mut start = None;
    let mut books: Vec<(BookRequest, Vec<LogLine>)> = vec![];
    let mut short = Short::default();
    let (mut room, mut count, mut buffer) = (MAX_UNPACKED_BYTES, 0usize, Vec::new());
    loop {
        let place = books.last().map(|(b, lines)| (b.book, lines.len()));
        let here = |e: ApiError| match place {
            Some((book, line)) => e.at(book, Some(line)),
            None => e,
        };
        if !next_line(&mut from, &mut buffer, &mut room).map_err(here)? {
            break;
        }
        count += 1;
        if count > MAX_LINES {
            return Err(ApiError::too_large(format!(
                "a body has at most {MAX_LINES} lines: send it in parts"
            )));
        }
        let text = std::str::from_utf8(&buffer)
            .map_err(|e| here(ApiError::bad("not-utf-8", format!("the line is not UTF-8: {e}"))))?;
        if short.spoken
            && let Some((book, lines)) = books.last_mut()
            && !text.starts_with(r#"{"book":"#)
        {
            lines.extend(short.line(text).map_err(|e| e.at(book.book, Some(lines.len())))?);
            continue;
        }
        let line = RequestLine::parse(text).map_err(|e| here(ApiError::line(&e)))?;
        match (line, start) {
            (RequestLine::Start(first), None) => {
                short.spoken = first.exchange == SHORT_VERSION;
                if first.exchange != EXCHANGE_VERSION && !short.spoken {
                    let detail = format!(
                        "this server speaks exchange versions {EXCHANGE_VERSION} and {SHORT_VERSION}"
                    );
                    return Err(ApiError::bad("exchange-version", detail));
                }
                start = Some(first);
            }
            (RequestLine::Book(book), Some(_)) => {
                short.end(&books)?;
                if books.len() == MAX_BOOKS || books.iter().any(|(b, _)| b.book == book.book) {
                    let detail = format!("a request names each book once, at most {MAX_BOOKS} books");
                    return Err(ApiError::bad("books", detail).at(book.book, None));
                }
                books.push((book, vec![]));
            }
            (RequestLine::Log(line), Some(_)) => match books.last_mut() {
                Some((_, lines)) => lines.push(line),
                None => return Err(out_of_order()),
            },
            _ => return Err(here(out_of_order())),
        }
    }
    let start = start.ok_or_else(out_of_order)?;
    short.end(&books)?;
    Ok(ExchangeBody { start, books })
}

/// The book being read of a request in version 2.
#[derive(Default)]
struct Short {
    spoken: bool,
    reader: ShortReader,
    checked: bool,
}

impl Short {
    fn line(&mut self, text: &str) -> Result<Option<LogLine>, ApiError> {
        if self.checked {
            return Err(out_of_order());
        }
        match self.reader.read(text).map_err(|e| ApiError::line(&e))? {
            ShortLine::Log(line) => Ok(Some(line)),
            ShortLine::Checked(true) => {
                self.checked = true;
                Ok(None)
            }
            ShortLine::Checked(false) => Err(ApiError::bad(
                "lines-mismatch",
                "the lines do not come out as their check says: the body was damaged on its way, send it again in version 1",
            )),
        }
    }

    /// A book's lines are ended by their check; without it the body broke off.
    fn end(&mut self, books: &[(BookRequest, Vec<LogLine>)]) -> Result<(), ApiError> {
        if let Some((book, lines)) = books.last()
            && self.spoken
            && !self.checked
            && !lines.is_empty()
        {
            let detail = "the check that ends the book's lines is missing: the body broke off";
            return Err(ApiError::bad("body-cut", detail).at(book.book, None));
        }
        *self = Self { spoken: self.spoken, ..Self::default() };
        Ok(())
    }
}

fn out_of_order() -> ApiError {
    ApiError::bad(
        "line-order",
        "a request is its opening line, then per book a line that opens it and its log lines",
    )
}

/// Reads one line without its end; false at the end of the body.
fn next_line(from: &mut impl BufRead, buffer: &mut Vec<u8>, room: &mut usize) -> Result<bool, ApiError> {
    buffer.clear();
    let most = (MAX_LINE_BYTES + 1).min(*room + 1);
    let unreadable =
        |e: std::io::Error| ApiError::bad("unreadable", format!("the body cannot be unpacked: {e}"));
    let read = from.take(most as u64).read_until(b'\n', buffer).map_err(unreadable)?;
    if read == 0 {
        return Ok(false);
    }
    if read > *room {
        return Err(ApiError::too_large(format!("a body unpacks to at most {MAX_UNPACKED_BYTES} bytes")));
    }
    *room -= read;
    if buffer.pop() != Some(b'\n') {
        return Err(if read > MAX_LINE_BYTES {
            ApiError::too_large(format!("a line has at most {MAX_LINE_BYTES} bytes"))
        } else {
            ApiError::bad("body-cut", "the last line has no end: the body broke off")
        });
    }
    Ok(true)
}

/// How hard answers are packed with zstd.
pub const ZSTD_LEVEL: i32 = 3;

/// A value as one line.
///
/// # Errors
/// An internal error when it cannot be written.
pub fn json_line(value: &impl Serialize) -> Result<String, ApiError> {
    let mut line = serde_json::to_string(value).map_err(|e| ApiError::internal(&e))?;
    line.push('\n');
    Ok(line)
}

/// An answer of lines, packed as the client accepts.
///
/// # Errors
/// An internal error when packing fails.
pub fn lines(text: String, encoding: Encoding) -> Result<Response, ApiError> {
    use std::io::Write as _;
    let packed = match encoding {
        Encoding::Identity => text.into_bytes(),
        Encoding::Gzip => {
            let mut gzip = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::default());
            gzip.write_all(text.as_bytes())?;
            gzip.finish()?
        }
        Encoding::Zstd => zstd::encode_all(text.as_bytes(), ZSTD_LEVEL)?,
    };
    Ok(answer_of(packed.into(), encoding))
}

/// An answer whose lines are packed so.
pub fn answer_of(packed: Body, encoding: Encoding) -> Response {
    let mut response =
        ([(header::CONTENT_TYPE, MEDIA_TYPE), (header::VARY, "accept-encoding")], packed).into_response();
    if let Some(name) = encoding.name() {
        response.headers_mut().insert(header::CONTENT_ENCODING, header::HeaderValue::from_static(name));
    }
    response
}

/// A JSON body of one of the small endpoints.
pub struct Json<T>(pub T);

impl<T: DeserializeOwned> FromRequest<App> for Json<T> {
    type Rejection = ApiError;

    async fn from_request(request: Request, _: &App) -> Result<Self, ApiError> {
        content_type(request.headers(), "application/json")?;
        let bytes = whole(request.into_body(), MAX_JSON_BYTES).await?;
        let read = serde_json::from_slice(&bytes);
        Ok(Self(
            read.map_err(|e| ApiError::bad("json", format!("the body is not what this address takes: {e}")))?,
        ))
    }
}

impl<T: Serialize> IntoResponse for Json<T> {
    fn into_response(self) -> Response {
        axum::Json(self.0).into_response()
    }
}

/// A part of the path that must be an id.
pub struct Id<T>(pub T);

impl<T: std::str::FromStr<Err: std::fmt::Display>> FromRequestParts<App> for Id<T> {
    type Rejection = ApiError;

    async fn from_request_parts(parts: &mut Parts, app: &App) -> Result<Self, ApiError> {
        let Path(text) = Path::<String>::from_request_parts(parts, app)
            .await
            .map_err(|e| ApiError::bad("path", e.to_string()))?;
        text.parse().map(Self).map_err(|e: T::Err| ApiError::bad("id", e.to_string()))
    }
}

/// A book and a name in the path.
pub struct BookAndName(pub BookId, pub String);

impl FromRequestParts<App> for BookAndName {
    type Rejection = ApiError;

    async fn from_request_parts(parts: &mut Parts, app: &App) -> Result<Self, ApiError> {
        let Path((book, name)) = Path::<(String, String)>::from_request_parts(parts, app)
            .await
            .map_err(|e| ApiError::bad("path", e.to_string()))?;
        let book =
            book.parse().map_err(|e: bolebook_core::ids::IdError| ApiError::bad("id", e.to_string()))?;
        Ok(Self(book, name))
    }
}
