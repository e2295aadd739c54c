//! Every route, on one page.

use std::time::Duration;

use axum::Router;
use axum::extract::DefaultBodyLimit;
use axum::http::StatusCode;
use axum::middleware::from_fn;
use axum::response::IntoResponse as _;
use axum::routing::{MethodRouter, delete, get, head, options, patch, post, put};
use tower_http::catch_panic::CatchPanicLayer;
use tower_http::timeout::TimeoutLayer;

use crate::body::MAX_JSON_BYTES;
use crate::error::{ApiError, report};
use crate::handlers::{books, enrol, exchange, meta, photos, register, rescue, token, uploads};
use crate::state::App;

/// Every route with its methods: the router is made from this, and the OpenAPI page is checked against it.
pub fn routes() -> Vec<(&'static str, &'static str, MethodRouter<App>)> {
    vec![
        ("get", "/health", get(meta::health)),
        ("get", "/ready", get(meta::ready)),
        ("get", "/openapi.json", get(meta::openapi)),
        ("post", "/v1/enrol", post(enrol::enrol)),
        ("post", "/v1/invitations", post(enrol::deposit)),
        ("post", "/v1/token", post(token::token)),
        ("post", "/v1/exchange", post(exchange::exchange)),
        ("post", "/v1/rescue", post(rescue::rescue)),
        ("get", "/v1/books", get(books::list)),
        ("get", "/v1/books/{id}/findings", get(books::findings)),
        ("get", "/v1/books/{id}/trees", get(books::trees)),
        ("get", "/v1/books/{id}/exports/{name}", get(books::export)),
        ("post", "/v1/photos/lacking", post(photos::lacking)),
        ("put", "/v1/photos/{sha256}", put(photos::upload)),
        ("get", "/v1/photos/{sha256}", get(photos::download)),
        ("get", "/v1/photos/{sha256}/clean", get(photos::clean_copy)),
        ("get", "/v1/photos/{sha256}/thumbnail", get(photos::small)),
        ("get", "/v1/photos/{sha256}/details", get(photos::details)),
        ("options", "/v1/uploads", options(uploads::options).layer(from_fn(uploads::versioned))),
        ("post", "/v1/uploads", post(uploads::create).layer(from_fn(uploads::versioned))),
        ("head", "/v1/uploads/{id}", head(uploads::head).layer(from_fn(uploads::versioned))),
        ("patch", "/v1/uploads/{id}", patch(uploads::patch).layer(from_fn(uploads::versioned))),
        ("delete", "/v1/uploads/{id}", delete(uploads::give_up).layer(from_fn(uploads::versioned))),
        ("get", "/v1/register", get(register::read)),
        ("put", "/v1/register", put(register::write)),
    ]
}

/// The whole service.
pub fn app(state: App) -> Router {
    let longest = Duration::from_millis(state.config.request_timeout_ms);
    let mut router = Router::new();
    for (_, path, route) in routes() {
        router = router.route(path, route);
    }
    router
        .merge(crate::field::routes())
        .fallback(|| async { StatusCode::NOT_FOUND })
        .method_not_allowed_fallback(|| async { StatusCode::METHOD_NOT_ALLOWED })
        // For the forms; handlers of larger bodies read them themselves, each with its own limit.
        .layer(DefaultBodyLimit::max(MAX_JSON_BYTES))
        .layer(CatchPanicLayer::custom(|_| ApiError::internal(&"a handler panicked").into_response()))
        .layer(TimeoutLayer::with_status_code(StatusCode::REQUEST_TIMEOUT, longest))
        .layer(from_fn(report))
        .with_state(state)
}
