//! The sync server: an ordered log of commits per book, and what stands around it.
//!
//! A request comes in at [`router`], one page with every route. [`auth`] says who asks, a handler in
//! [`handlers`] does it, [`error`] is the one way out for what goes wrong, [`answer`] sends what is long piece by piece. The log itself is the
//! `bolebook-log` crate; [`database`] holds its connections, [`store`] the server's own tables,
//! [`identity`] the server's key and certificate, [`snapshot`] and [`findings`] what is computed from
//! the books, [`field`] the crews' app, [`relay`] what makes it a hub, [`others`] what it hears of servers on the same database, [`migrate`] and [`migrate_photos`] what moves them elsewhere, [`packing`] what packs its lines, [`token_keys`] what signs its tokens. [`desk`] are the office's pages, [`portal`] the clients', each on a listener of its own.
//!
//! Listener, clock and shutdown are passed in, so that tests run the shipped server.

pub mod answer;
pub mod auth;
pub mod backup;
pub mod body;
pub mod database;
pub mod desk;
pub mod erasing;
pub mod error;
pub mod field;
pub mod files;
pub mod findings;
pub mod grown;
pub mod handlers;
pub mod identity;
pub mod left;
pub mod limiter;
pub mod listen;
pub mod metrics;
pub mod migrate;
pub mod migrate_photos;
pub mod openapi;
pub mod others;
pub mod packing;
pub mod paging;
pub mod photos;
pub mod portal;
pub mod reach;
pub mod receipt;
pub mod relay;
pub mod router;
pub mod snapshot;
pub mod spool;
pub mod state;
pub mod store;
pub mod tables;
pub mod token_keys;
pub mod uploads;

use std::future::Future;

use axum::Router;
use tokio::net::TcpListener;

use crate::listen::{Limits, listen};

pub use router::app;
pub use state::{App, Clock, Config, PhotoStore, StartError};

/// Serves the API until `shutdown` resolves, then finishes the requests under way.
///
/// # Errors
/// When the listener fails.
pub async fn serve(
    app: App,
    listener: TcpListener,
    shutdown: impl Future<Output = ()> + Send + 'static,
) -> std::io::Result<()> {
    serve_all(app, Listeners { api: listener, desk: None, portal: None }, shutdown).await
}

/// Serves the server's figures ([`metrics`]) for as long as it runs.
pub async fn serve_metrics(app: App, listener: TcpListener) {
    let limits = Limits { connections: 16, ..Limits::of(&app.config) };
    listen(listener, metrics::router(app), limits, std::future::pending()).await;
}

/// Where the API, the desk and the portal listen: each its own origin.
pub struct Listeners {
    /// The API.
    pub api: TcpListener,
    /// The office desk, unless it is off.
    pub desk: Option<TcpListener>,
    /// The client portal, unless it is off.
    pub portal: Option<TcpListener>,
}

/// Serves API, desk and portal until `shutdown` resolves, then finishes the requests under way.
///
/// # Errors
/// When a listener fails.
pub async fn serve_all(
    app: App,
    listeners: Listeners,
    shutdown: impl Future<Output = ()> + Send + 'static,
) -> std::io::Result<()> {
    let worker = tokio::spawn(findings::follow(app.clone()));
    let others = tokio::spawn(others::follow(app.clone()));
    let tidy = tokio::spawn(photos::tidy::follow(app.clone()));
    let (stop, stopped) = tokio::sync::watch::channel(());
    let until = |mut stopped: tokio::sync::watch::Receiver<()>| async move {
        // An error says that the sender is gone, which means the same.
        let _ = stopped.changed().await;
    };
    let sites = [
        ("desk", listeners.desk, desk::router(app.clone())),
        ("portal", listeners.portal, portal::router(app.clone())),
    ];
    let counted = |site, router: Router| {
        router.layer(axum::middleware::from_fn_with_state((app.clone(), site), metrics::count))
    };
    let limits = Limits::of(&app.config);
    let mut sites_at_work = tokio::task::JoinSet::new();
    for (site, listener, router) in sites {
        let Some(listener) = listener else { continue };
        sites_at_work.spawn(listen(listener, counted(site, router), limits, until(stopped.clone())));
    }
    listen(listeners.api, counted("api", router::app(app.clone())), limits, shutdown).await;
    app.desk.closing.send_replace(true);
    drop(stop);
    let mut served = Ok(());
    while let Some(done) = sites_at_work.join_next().await {
        served = served.and(done.map_err(std::io::Error::other));
    }
    worker.abort();
    others.abort();
    tidy.abort();
    served
}
