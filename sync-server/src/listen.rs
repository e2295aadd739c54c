//! Connections: how many there are at once, and how large and how slow the head of a request may be.
//!
//! What `axum::serve` leaves open is closed here, so that nobody who only holds connections open keeps
//! others out for long: a connection that sends no whole head in its time is ended, also one that waits
//! between two requests, and one that takes nothing of an answer for as long; above the most at once new
//! ones wait in the system's queue.

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
use tokio_io_timeout::TimeoutStream;

use crate::state::Config;

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
    /// How long a reader may take nothing of an answer that waits for it.
    pub unread: Duration,
}

impl Limits {
    /// Those of a server's settings.
    pub fn of(config: &Config) -> Self {
        Self {
            connections: config.connections_at_once,
            head: Duration::from_millis(config.head_timeout_ms),
            unread: Duration::from_millis(config.unread_timeout_ms),
        }
    }
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
    let mut stream = TimeoutStream::new(stream);
    stream.set_write_timeout(Some(limits.unread));
    let connection = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(limits.head)
        .max_headers(MOST_HEADERS)
        .max_header_size(MOST_HEAD)
        .serve_connection(TokioIo::new(Box::pin(stream)), service);
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

#[cfg(test)]
mod tests {
    use axum::body::Bytes;
    use axum::routing::get;
    use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
    use tokio::sync::oneshot;

    use super::*;

    /// Says when it is dropped, which is when the answer it is in is given up.
    struct Told(Option<oneshot::Sender<()>>);

    impl Drop for Told {
        fn drop(&mut self) {
            self.0.take().map(|told| told.send(()));
        }
    }

    #[tokio::test]
    async fn a_reader_that_takes_nothing_is_given_up_and_a_slow_one_is_not() {
        const PARTS: usize = 2_000;
        let (told, given_up) = oneshot::channel();
        let told = Arc::new(std::sync::Mutex::new(Some(told)));
        let endless = move || {
            let told = Told(told.lock().unwrap().take());
            let parts = futures_util::stream::unfold((0, told), |(n, told)| async move {
                let part = Ok::<_, Infallible>(Bytes::from_static(&[b'x'; 16 << 10]));
                (n < PARTS).then_some((part, (n + 1, told)))
            });
            async move { Body::from_stream(parts) }
        };
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let at = listener.local_addr().unwrap();
        let second = Duration::from_secs(1);
        let limits = Limits { connections: 4, head: second, unread: second };
        tokio::spawn(listen(
            listener,
            Router::new().route("/", get(endless)),
            limits,
            std::future::pending(),
        ));
        let asked = || async {
            let mut stream = TcpStream::connect(at).await.unwrap();
            stream.write_all(b"GET / HTTP/1.1\r\nhost: x\r\nconnection: close\r\n\r\n").await.unwrap();
            stream
        };
        let stalled = asked().await;
        let waited = tokio::time::timeout(60 * second, given_up).await;
        waited.expect("given up within a minute").expect("the answer is dropped while its reader stays");
        drop(stalled);
        // One that waits between two parts, shorter than the limit, gets all of it.
        let (mut slow, mut taken, mut part) = (asked().await, 0, vec![0; 4 << 20]);
        loop {
            tokio::time::sleep(second / 20).await;
            let read = slow.read(&mut part).await.unwrap();
            taken += read;
            if read == 0 {
                break;
            }
        }
        assert!(taken > PARTS * (16 << 10), "{taken}");
    }
}
