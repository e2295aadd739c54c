//! News for open pages, by server-sent events: a number that grows when a book changes.

use std::convert::Infallible;
use std::time::Duration;

use axum::response::sse::{Event, KeepAlive, Sse};
use futures_util::stream::{Stream, unfold};

use crate::desk::page::Desk;

/// A stream ends after this long; the browser asks again, and its session is looked at anew.
const LASTS: Duration = Duration::from_secs(900);

/// Tells the number at once, then whenever it changes, until the server stops.
pub async fn events(desk: Desk) -> Sse<impl Stream<Item = Result<Event, Infallible>>> {
    let mut news = desk.app.findings.news();
    news.mark_changed();
    let closing = desk.app.desk.closing.subscribe();
    let until = tokio::time::Instant::now() + LASTS;
    let stream = unfold((news, closing), move |(mut news, mut closing)| async move {
        if *closing.borrow() {
            return None;
        }
        tokio::select! {
            changed = news.changed() => {
                changed.ok()?;
                let count = *news.borrow_and_update();
                Some((Ok(Event::default().data(count.to_string())), (news, closing)))
            }
            _ = closing.changed() => None,
            () = tokio::time::sleep_until(until) => None,
        }
    });
    Sse::new(stream).keep_alive(KeepAlive::default())
}
