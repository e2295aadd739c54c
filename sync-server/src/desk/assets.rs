//! The desk's style sheet and script, from the program itself.

use axum::http::header;
use axum::response::{IntoResponse, Response};

const CSS: &str = include_str!("desk.css");
const JS: &str = include_str!("desk.js");

fn asset(media_type: &'static str, text: &'static str) -> Response {
    // Short, so that a newer program's pages do not keep an older style sheet.
    ([(header::CONTENT_TYPE, media_type), (header::CACHE_CONTROL, "private, max-age=300")], text)
        .into_response()
}

/// The style sheet.
pub async fn css() -> Response {
    asset("text/css; charset=utf-8", CSS)
}

/// The script: keys for the findings queue, nothing that a page needs.
pub async fn js() -> Response {
    asset("text/javascript; charset=utf-8", JS)
}
