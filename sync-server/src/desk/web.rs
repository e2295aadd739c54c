//! What every answer of desk and portal carries: headers that keep a browser strict, and errors as
//! pages.

use std::time::Duration;

use axum::Router;
use axum::extract::{DefaultBodyLimit, Request};
use axum::http::{HeaderName, HeaderValue, StatusCode, header};
use axum::middleware::{Next, from_fn};
use axum::response::{Html, IntoResponse as _, Response};
use bolebook_core::exchange::Problem;
use maud::html;
use tower_http::catch_panic::CatchPanicLayer;
use tower_http::timeout::TimeoutLayer;

use crate::error::ApiError;
use crate::state::App;

/// Largest form.
const MAX_FORM_BYTES: usize = 256 * 1024;
const TIMEOUT: Duration = Duration::from_secs(60);

/// Nothing from elsewhere, nothing inline; frames and bases are nobody's.
const POLICY: &str = "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; \
    connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'";
/// The portal has no scripts and no forms at all.
const PORTAL_POLICY: &str = "default-src 'none'; style-src 'self'; img-src 'self'; \
    form-action 'none'; base-uri 'none'; frame-ancestors 'none'";

/// Which site an answer belongs to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Site {
    /// The office desk.
    Desk,
    /// The clients' portal.
    Portal,
}

/// A site's routes with everything around them.
pub fn layered(router: Router<App>, site: Site) -> Router<App> {
    router
        .fallback(|| async { ApiError::not_found("there is nothing at this address") })
        .method_not_allowed_fallback(|| async { StatusCode::METHOD_NOT_ALLOWED })
        .layer(DefaultBodyLimit::max(MAX_FORM_BYTES))
        .layer(CatchPanicLayer::custom(|_| ApiError::internal(&"a handler panicked").into_response()))
        .layer(TimeoutLayer::with_status_code(StatusCode::REQUEST_TIMEOUT, TIMEOUT))
        .layer(from_fn(move |request, next| around(site, request, next)))
}

async fn around(site: Site, request: Request, next: Next) -> Response {
    use tracing::Instrument as _;
    let mut random = [0; 8];
    // Without randomness the id is all zeros: less useful, never wrong.
    let _ = getrandom::fill(&mut random);
    let id = hex::encode(random);
    // A portal's path holds its secret: it never goes to the log.
    let path = if site == Site::Desk { request.uri().path().to_owned() } else { "portal".into() };
    let span = tracing::info_span!("page", id, method = %request.method(), path);
    async move {
        let mut response = next.run(request).await;
        let status = response.status();
        if (status.is_client_error() || status.is_server_error())
            && response.extensions().get::<Told>().is_none()
        {
            let problem = response.extensions_mut().remove::<Problem>();
            tracing::info!(
                status = status.as_u16(),
                detail = problem.as_ref().map(|p| p.detail.clone()),
                "refused"
            );
            let body = error_page(site, status, problem.as_ref(), &id);
            let retry = response.headers().get(header::RETRY_AFTER).cloned();
            response = (status, body).into_response();
            if let Some(retry) = retry {
                response.headers_mut().insert(header::RETRY_AFTER, retry);
            }
        } else {
            tracing::info!(status = status.as_u16(), "answered");
        }
        strict(&mut response, site);
        response
    }
    .instrument(span)
    .await
}

/// Marks a refusal that is a page of its own already.
#[derive(Clone, Copy, Debug)]
pub struct Told;

fn strict(response: &mut Response, site: Site) {
    let headers = response.headers_mut();
    let policy = if site == Site::Portal { PORTAL_POLICY } else { POLICY };
    let fixed = [
        (header::CONTENT_SECURITY_POLICY, policy),
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (header::REFERRER_POLICY, if site == Site::Portal { "no-referrer" } else { "same-origin" }),
        (header::X_FRAME_OPTIONS, "DENY"),
        (HeaderName::from_static("cross-origin-opener-policy"), "same-origin"),
        (HeaderName::from_static("cross-origin-resource-policy"), "same-origin"),
        (HeaderName::from_static("permissions-policy"), "geolocation=(), camera=(), microphone=()"),
        (HeaderName::from_static("x-robots-tag"), "noindex, nofollow, noarchive"),
    ];
    for (name, value) in fixed {
        headers.insert(name, HeaderValue::from_static(value));
    }
    headers.entry(header::CACHE_CONTROL).or_insert(HeaderValue::from_static("no-store"));
}

fn error_page(site: Site, status: StatusCode, problem: Option<&Problem>, id: &str) -> Html<String> {
    let detail = problem.map_or_else(
        || match status {
            StatusCode::METHOD_NOT_ALLOWED => "This address takes no such request.".to_owned(),
            StatusCode::PAYLOAD_TOO_LARGE => "The form is too large.".to_owned(),
            _ => "The request could not be read.".to_owned(),
        },
        |p| p.detail.clone(),
    );
    let title = match status.as_u16() {
        403 => "Not allowed",
        404 => "Nothing here",
        409 => "Something changed meanwhile",
        410 => "No longer here",
        422 => "That cannot be written",
        429 => "Too many attempts",
        500.. => "The server failed",
        _ => "That did not work",
    };
    let page = html! {
        (maud::DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="robots" content="noindex";
                title { (title) " – Bolebook" }
                link rel="stylesheet" href=(if site == Site::Portal { "/portal.css" } else { "/desk.css" });
            }
            body {
                main.narrow {
                    h1 { (title) }
                    p { (capital(&detail)) @if !detail.ends_with(['.', '?', '!']) { "." } }
                    @if status.is_server_error() { p { "The server's log has it under " code { (id) } "." } }
                    @if site == Site::Desk { p { a href="/" { "To the jobs" } } }
                }
            }
        }
    };
    Html(page.into_string())
}

fn capital(text: &str) -> String {
    let mut signs = text.chars();
    signs.next().map_or_else(String::new, |first| first.to_uppercase().collect::<String>() + signs.as_str())
}

/// The fields of an address's query.
pub fn query(parts: &axum::http::request::Parts) -> Vec<(String, String)> {
    let text = parts.uri.query().unwrap_or("");
    form_urlencoded::parse(text.as_bytes()).take(100).map(|(k, v)| (k.into_owned(), v.into_owned())).collect()
}
