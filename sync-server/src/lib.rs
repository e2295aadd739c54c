//! The sync server: an ordered log of commits per book, and what stands around it.
//!
//! A request comes in at [`router`], one page with every route. [`auth`] says who asks, a handler in
//! [`handlers`] does it, [`error`] is the one way out for what goes wrong. The log itself is the
//! `bolebook-log` crate; [`state`] holds its connections, [`store`] the server's own tables,
//! [`identity`] the server's key and certificate, [`findings`] what is computed from the books.
//!
//! Listener, clock and shutdown are passed in, so that tests run the shipped server.

pub mod auth;
pub mod body;
pub mod error;
pub mod findings;
pub mod handlers;
pub mod identity;
pub mod limiter;
pub mod openapi;
pub mod photos;
pub mod receipt;
pub mod router;
pub mod state;
pub mod store;
pub mod uploads;

use std::future::Future;
use std::net::SocketAddr;

use tokio::net::TcpListener;

pub use router::app;
pub use state::{App, Clock, Config, StartError};

/// Serves until `shutdown` resolves, then finishes the requests under way.
///
/// # Errors
/// When the listener fails.
pub async fn serve(
    app: App,
    listener: TcpListener,
    shutdown: impl Future<Output = ()> + Send + 'static,
) -> std::io::Result<()> {
    let worker = tokio::spawn(findings::follow(app.clone()));
    let service = router::app(app).into_make_service_with_connect_info::<SocketAddr>();
    let served = axum::serve(listener, service).with_graceful_shutdown(shutdown).await;
    worker.abort();
    served
}
