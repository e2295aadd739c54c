//! Forms in: fields that may come several times, each checked for its session's token.

use axum::extract::{FromRequest, Request};
use axum::http::{HeaderMap, Method};
use axum::response::{IntoResponse as _, Response};

use crate::body::{content_type, whole};
use crate::desk::page::Desk;
use crate::error::ApiError;
use crate::state::App;

/// Largest form, in bytes.
pub const MAX_FORM_BYTES: usize = 256 * 1024;
/// Longest text of one field, in bytes: what a record's text may have.
const MAX_FIELD_BYTES: usize = 16 * 1024;

/// Fields of a form or of an address's query, in the order they came.
#[derive(Clone, Debug, Default)]
pub struct Fields(Vec<(String, String)>);

impl Fields {
    /// Of `name=value&…`.
    pub fn read(text: &[u8]) -> Self {
        let pairs = form_urlencoded::parse(text).take(2_000);
        // Browsers send line ends as two signs.
        Self(pairs.map(|(k, v)| (k.into_owned(), v.replace("\r\n", "\n"))).collect())
    }

    /// A field's text without the space around it; empty when it did not come.
    pub fn text(&self, name: &str) -> &str {
        self.0.iter().find(|(k, _)| k == name).map_or("", |(_, v)| v.trim())
    }

    /// A field's text when something is in it.
    pub fn some(&self, name: &str) -> Option<&str> {
        Some(self.text(name)).filter(|t| !t.is_empty())
    }

    /// Every value of a field that may be ticked several times.
    pub fn all<'a>(&'a self, name: &'a str) -> impl Iterator<Item = &'a str> {
        self.0.iter().filter(move |(k, _)| k == name).map(|(_, v)| v.trim())
    }

    /// A field that must be filled in.
    ///
    /// # Errors
    /// 422 that says what is missing.
    pub fn needed(&self, name: &str, what: &str) -> Result<String, ApiError> {
        let text = self.text(name);
        if text.is_empty() {
            return Err(unwritable(format!("{what} is missing: go back and fill it in")));
        }
        Ok(text.to_owned())
    }

    /// A field that must be an id.
    ///
    /// # Errors
    /// 400.
    pub fn id<T: std::str::FromStr>(&self, name: &str) -> Result<T, ApiError> {
        let bad = |_| ApiError::bad("form", format!("the form's '{name}' is not an id: load the page again"));
        self.text(name).parse().map_err(bad)
    }

    /// All fields as they came.
    pub fn iter(&self) -> impl Iterator<Item = (&str, &str)> {
        self.0.iter().map(|(k, v)| (k.as_str(), v.as_str()))
    }
}

/// 422: what was asked for cannot be written.
pub fn unwritable(why: impl Into<String>) -> ApiError {
    ApiError::new(axum::http::StatusCode::UNPROCESSABLE_ENTITY, "unwritable", why)
}

/// Whether a request that changes something comes from this site's own page. Browsers say so
/// themselves; the token in the form is what is relied on.
pub fn same_origin(headers: &HeaderMap) -> bool {
    let text = |name: &str| headers.get(name).and_then(|v| v.to_str().ok());
    if text("sec-fetch-site").is_some_and(|site| site != "same-origin" && site != "none") {
        return false;
    }
    match text("origin") {
        // Left out by some, and "null" from a sandbox.
        None => true,
        Some(origin) => origin.split_once("://").map(|(_, host)| host) == text("host"),
    }
}

/// A form sent by a signed-in person from a page of theirs.
pub struct Posted {
    /// The person and the books.
    pub desk: Desk,
    /// What was sent.
    pub fields: Fields,
}

/// Reads a form's body.
///
/// # Errors
/// 403 from another site, 415, 413.
pub async fn body(request: Request) -> Result<Fields, ApiError> {
    if request.method() != Method::POST || !same_origin(request.headers()) {
        return Err(ApiError::forbidden("other-origin", "this form was not sent from a page of the desk"));
    }
    content_type(request.headers(), "application/x-www-form-urlencoded")?;
    let bytes = whole(request.into_body(), MAX_FORM_BYTES).await?;
    let fields = Fields::read(&bytes);
    if let Some((name, _)) = fields.iter().find(|(_, v)| v.len() > MAX_FIELD_BYTES) {
        return Err(ApiError::too_large(format!("'{name}' is longer than {MAX_FIELD_BYTES} bytes")));
    }
    Ok(fields)
}

impl FromRequest<App> for Posted {
    type Rejection = Response;

    async fn from_request(request: Request, app: &App) -> Result<Self, Response> {
        let (mut parts, body) = request.into_parts();
        let desk = Desk::of(&mut parts, app).await?;
        let request = Request::from_parts(parts, body);
        let fields = self::body(request).await.map_err(ApiError::into_response)?;
        if !desk.holds(fields.text("token")) {
            let why = "the form's token is not this session's: load the page again and send it once more";
            return Err(ApiError::forbidden("form-token", why).into_response());
        }
        Ok(Self { desk, fields })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn headers(pairs: &[(&'static str, &'static str)]) -> HeaderMap {
        pairs.iter().map(|(k, v)| (axum::http::HeaderName::from_static(k), v.parse().unwrap())).collect()
    }

    #[test]
    fn a_form_from_another_site_is_told_apart() {
        assert!(same_origin(&headers(&[("host", "a:1"), ("origin", "http://a:1")])));
        assert!(same_origin(&headers(&[("host", "a:1")])));
        assert!(!same_origin(&headers(&[("host", "a:1"), ("origin", "http://a:2")])));
        assert!(!same_origin(&headers(&[("host", "a:1"), ("origin", "null")])));
        assert!(!same_origin(&headers(&[("host", "a:1"), ("sec-fetch-site", "cross-site")])));
    }

    #[test]
    fn a_field_may_come_several_times() {
        let fields = Fields::read(b"a=1&b=+x%0D%0Ay+&a=2");
        assert_eq!(fields.all("a").collect::<Vec<_>>(), ["1", "2"]);
        assert_eq!(fields.text("b"), "x\ny");
        assert_eq!(fields.some("c"), None);
    }
}
