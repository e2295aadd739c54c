//! Connections: how many there are at once, and how large and how slow the head of a request may be.
//!
//! What `axum::serve` leaves open is closed here, so that nobody who only holds connections open keeps
//! others out for long: a connection that sends no whole head in its time is ended, also one that waits
//! between two requests, and above the most at once new ones wait in the system's queue.

use std::convert::Infallible;
use std::future::Future;
use std::net::SocketAddr;
use std::pin::pin;
use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use axum::body::Body;
use axum::extract::ConnectInfo;
use hyper::body::Incoming;
use hyper::server::conn::http1;
use hyper::service::{Service as _, service_fn};
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{OwnedSemaphorePermit, Semaphore, watch};
use tokio::task::JoinSet;

/// Most lines of a request's head.
const MOST_HEADERS: usize = 100;
/// Most bytes of a request's head: a token and a certificate's worth of names leave much room.
const MOST_HEAD: usize = 32 << 10;
/// How long accepting rests after the system had no more files to open.
const REST: Duration = Duration::from_millis(200);

/// What holds for connections.
#[derive(Clone, Copy, Debug)]
pub struct Limits {
    /// Most at once.
    pub connections: usize,
    /// How long the head of a request may take, and a connection wait for the next one.
    pub head: Duration,
}

/// Serves a router until `until` resolves, then finishes the requests under way.
pub async fn listen(
    listener: TcpListener,
    router: Router,
    limits: Limits,
    until: impl Future<Output = ()> + Send + 'static,
) {
    let room = Arc::new(Semaphore::new(limits.connections));
    let (stop, stopped) = watch::channel(());
    let mut connections = JoinSet::new();
    let mut until = pin!(until);
    loop {
        let next = async {
            let room = Arc::clone(&room).acquire_owned().await;
            (room, listener.accept().await)
        };
        let (place, accepted) = tokio::select! {
            () = &mut until => break,
            next = next => next,
        };
        while connections.try_join_next().is_some() {}
        match (place, accepted) {
            (Ok(place), Ok((stream, from))) => {
                connections.spawn(serve((stream, from), router.clone(), limits, place, stopped.clone()));
            }
            (_, Err(error)) => {
                tracing::warn!(%error, "a connection could not be accepted");
                tokio::time::sleep(REST).await;
            }
            // The room is never closed.
            (Err(_), _) => break,
        }
    }
    drop((listener, stop));
    while connections.join_next().await.is_some() {}
}

async fn serve(
    (stream, from): (TcpStream, SocketAddr),
    router: Router,
    limits: Limits,
    _place: OwnedSemaphorePermit,
    mut stopped: watch::Receiver<()>,
) {
    let inner = TowerToHyperService::new(router);
    let service = service_fn(move |request: hyper::Request<Incoming>| {
        let mut request = request.map(Body::new);
        request.extensions_mut().insert(ConnectInfo(from));
        let answer = inner.call(request);
        async move { Ok::<_, Infallible>(answer.await.unwrap_or_else(|never| match never {})) }
    });
    let connection = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(limits.head)
        .max_headers(MOST_HEADERS)
        .max_header_size(MOST_HEAD)
        .serve_connection(TokioIo::new(stream), service);
    let mut connection = pin!(connection);
    let ended = tokio::select! {
        ended = connection.as_mut() => ended,
        // An error says that the sender is gone: no new requests.
        _ = stopped.changed() => {
            connection.as_mut().graceful_shutdown();
            connection.await
        }
    };
    if let Err(error) = ended {
        tracing::debug!(%error, %from, "a connection ended");
    }
}
