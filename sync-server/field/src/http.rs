//! What the app asks of the server, as requests and answers; the way there is the browser's.

use bolebook_core::exchange::{MEDIA_TYPE, Problem};
use bolebook_core::record::people::Certificate;
use bolebook_core::service::EnrolRequest;
use serde::de::DeserializeOwned;

use crate::outside::{Answer, Outside, Request, Trouble};

/// The server could not be asked, or refused.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum AskError {
    /// No answer.
    #[error(transparent)]
    Trouble(#[from] Trouble),
    /// The server refused.
    #[error("the server refused ({}): {}", .0.code, .0.detail)]
    Refused(Box<Problem>),
    /// The answer is not one of a sync server.
    #[error("this address does not answer as a sync server does: {0}")]
    NotAServer(String),
}

fn request(method: &'static str, url: String) -> Request {
    Request { method, url, headers: vec![], body: None }
}

fn json(method: &'static str, url: String, body: String) -> Request {
    Request { method, url, headers: vec![("content-type", "application/json".into())], body: Some(body) }
}

fn with_token(mut request: Request, token: &str) -> Request {
    request.headers.push(("authorization", format!("Bearer {token}")));
    request
}

/// `GET /health`.
pub fn health(url: &str) -> Request {
    request("GET", format!("{url}/health"))
}

/// `POST /v1/enrol`.
pub fn enrol(url: &str, body: &EnrolRequest) -> Request {
    json("POST", format!("{url}/v1/enrol"), serde_json::to_string(body).unwrap_or_default())
}

/// `POST /v1/token`.
pub fn token(url: &str, assertion: &str, certificate: Option<&Certificate>) -> Request {
    let mut body = format!(
        "grant_type=client_credentials&client_assertion_type={}&client_assertion={}",
        escaped("urn:ietf:params:oauth:client-assertion-type:jwt-bearer"),
        escaped(assertion)
    );
    if let Some(text) = certificate.and_then(|c| serde_json::to_string(c).ok()) {
        body.push_str("&certificate=");
        body.push_str(&escaped(&text));
    }
    let headers = vec![("content-type", "application/x-www-form-urlencoded".into())];
    Request { method: "POST", url: format!("{url}/v1/token"), headers, body: Some(body) }
}

/// `GET /v1/books`.
pub fn books(url: &str, token: &str) -> Request {
    with_token(request("GET", format!("{url}/v1/books")), token)
}

/// `GET /v1/register`.
pub fn register(url: &str, token: &str) -> Request {
    with_token(request("GET", format!("{url}/v1/register")), token)
}

/// `POST /v1/exchange`.
pub fn exchange(url: &str, token: &str, body: String) -> Request {
    let headers = vec![("content-type", MEDIA_TYPE.to_owned())];
    let request = Request { method: "POST", url: format!("{url}/v1/exchange"), headers, body: Some(body) };
    with_token(request, token)
}

/// Everything but letters, digits and `-._~` as `%XX` (RFC 3986 §2.1).
fn escaped(text: &str) -> String {
    let plain = |b: u8| b.is_ascii_alphanumeric() || b"-._~".contains(&b);
    text.bytes().map(|b| if plain(b) { char::from(b).to_string() } else { format!("%{b:02X}") }).collect()
}

/// Asks, and turns every refusal into an error.
///
/// # Errors
/// [`AskError`].
pub async fn ask(outside: &impl Outside, request: &Request) -> Result<String, AskError> {
    let Answer { status, body } = outside.ask(request).await?;
    if (200..300).contains(&status) {
        return Ok(body);
    }
    match serde_json::from_str::<Problem>(&body) {
        Ok(problem) => Err(AskError::Refused(Box::new(problem))),
        Err(_) => Err(AskError::NotAServer(format!("it answers {status}"))),
    }
}

/// Asks for JSON.
///
/// # Errors
/// [`AskError`].
pub async fn ask_json<T: DeserializeOwned>(outside: &impl Outside, request: &Request) -> Result<T, AskError> {
    let body = ask(outside, request).await?;
    serde_json::from_str(&body).map_err(|e| AskError::NotAServer(e.to_string()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_form_escapes_what_would_end_a_field() {
        assert_eq!(escaped("a&b=c d+é{}"), "a%26b%3Dc%20d%2B%C3%A9%7B%7D");
    }
}
