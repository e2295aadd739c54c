//! Findings and exports of a job, and the worker that brings them up after an exchange.
//!
//! Taking in and handing out commits never comes here; whoever asks before the worker is done
//! computes it then. What is computed is kept by [`crate::snapshot`].

use std::collections::{BTreeMap, BTreeSet};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use bolebook_core::export::{balance_json, findings_json, summary_json};
use bolebook_core::ids::BookId;
use bolebook_report::files::IN_PARTS;
use tokio::sync::{Notify, watch};
use tokio::time::timeout;

use crate::error::ApiError;
use crate::snapshot::{self, JobState, Snapshot};
use crate::state::{App, Inner};

/// The exports of a job that are texts, in the order they are offered.
pub const EXPORTS: [&str; 6] =
    ["trees.csv", "applications.csv", "trees.geojson", "findings.json", "balance.json", "summary.json"];

/// Media type of an export.
pub fn media_type(name: &str) -> &'static str {
    match name.rsplit_once('.').map(|(_, ending)| ending) {
        Some("csv") => "text/csv; charset=utf-8; header=present",
        Some("geojson") => "application/geo+json",
        _ => "application/json",
    }
}

/// Up to where findings stand, and which books wait for the worker.
#[derive(Default)]
pub struct Findings {
    positions: Mutex<BTreeMap<BookId, u64>>,
    changed: Mutex<BTreeSet<BookId>>,
    wake: Notify,
    news: watch::Sender<u64>,
}

impl Findings {
    /// Up to which position of a book the findings stand, if they were computed yet.
    pub fn position(&self, book: BookId) -> Option<u64> {
        self.positions.lock().unwrap_or_else(PoisonError::into_inner).get(&book).copied()
    }

    /// Forgets what was computed: every job stands on the yard's book, and that is changing.
    pub fn forget(&self) {
        let known = std::mem::take(&mut *self.positions.lock().unwrap_or_else(PoisonError::into_inner));
        self.changed.lock().unwrap_or_else(PoisonError::into_inner).extend(known.into_keys());
    }

    /// How many books have changed since their findings were looked at.
    pub fn waiting(&self) -> usize {
        self.changed.lock().unwrap_or_else(PoisonError::into_inner).len()
    }

    /// Says that a book has changed.
    pub fn changed(&self, book: BookId, yard: BookId) {
        if book == yard {
            self.forget();
        } else {
            self.changed.lock().unwrap_or_else(PoisonError::into_inner).insert(book);
        }
        self.wake.notify_one();
        self.news.send_modify(|count| *count += 1);
    }

    /// Says that another server changed a book: open pages look again, which brings up what they show.
    pub fn heard(&self) {
        self.news.send_modify(|count| *count += 1);
    }

    /// Counts up whenever a book changes, for whoever looks at a page meanwhile.
    pub fn news(&self) -> watch::Receiver<u64> {
        self.news.subscribe()
    }
}

/// So long nothing may change before the worker sets out: of crews that come one right after another
/// the job is looked at once, and not while they wait for the same processors.
const QUIET: Duration = Duration::from_millis(250);
/// So long it waits for that at most, from the first change on.
const LONGEST: Duration = Duration::from_secs(2);

/// Waits until nothing changed for a while, or for long enough.
async fn quiet(wake: &Notify) {
    let _ = timeout(LONGEST, async { while timeout(QUIET, wake.notified()).await.is_ok() {} }).await;
}

/// The worker: computes what changed until the server stops.
pub async fn follow(app: App) {
    loop {
        app.findings.wake.notified().await;
        quiet(&app.findings.wake).await;
        let changed =
            std::mem::take(&mut *app.findings.changed.lock().unwrap_or_else(PoisonError::into_inner));
        for book in changed {
            // What fails here fails again, with a message, for whoever asks.
            let begun = tokio::time::Instant::now();
            let _ = app.blocking(move |app| of_job(app, book).map(|_| ())).await;
            app.metrics.found(begun);
        }
    }
}

/// A job as the log is now, with its findings computed.
///
/// # Errors
/// 404 for a book that is no job here; an internal error for a damaged one.
pub fn of_job(app: &Inner, book: BookId) -> Result<(Arc<Snapshot>, Arc<JobState>), ApiError> {
    let snapshot = snapshot::now(app)?;
    let job = snapshot.job(book)?.clone();
    snapshot.findings(&job);
    app.findings.positions.lock().unwrap_or_else(PoisonError::into_inner).insert(book, job.position);
    Ok((snapshot, job))
}

/// One of the [`EXPORTS`] of a job that are made whole; the others go out [in parts](crate::files).
///
/// # Errors
/// 404 for an export there is not.
pub fn export(snapshot: &Snapshot, job: &JobState, name: &str) -> Result<Arc<String>, ApiError> {
    let view = &job.view;
    let name = EXPORTS
        .into_iter()
        .find(|n| *n == name && !IN_PARTS.contains(n))
        .ok_or_else(|| ApiError::not_found(format!("no such export; there are {}", EXPORTS.join(", "))))?;
    snapshot.text(view.book, name, || match name {
        "findings.json" => findings_json(view, &snapshot.findings(job)),
        "balance.json" => balance_json(view, snapshot.balance()),
        _ => summary_json(view, &snapshot.findings(job), snapshot.balance()),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// How long the worker waits when something changes at these times, in milliseconds, the first at 0.
    async fn waits(changes: &[u64]) -> u128 {
        let wake = Notify::new();
        let begun = tokio::time::Instant::now();
        let come = async {
            for at in changes {
                tokio::time::sleep_until(begun + Duration::from_millis(*at)).await;
                wake.notify_one();
            }
            std::future::pending::<()>().await;
        };
        tokio::select! {
            () = quiet(&wake) => begun.elapsed().as_millis(),
            () = come => unreachable!("it never ends"),
        }
    }

    #[tokio::test(start_paused = true)]
    async fn the_worker_waits_for_a_pause_and_never_for_long() {
        assert_eq!(waits(&[]).await, 250);
        assert_eq!(waits(&[100, 300]).await, 550);
        assert_eq!(waits(&[100, 300, 560]).await, 550);
        let without_a_pause: Vec<u64> = (0..100).map(|n| n * 100).collect();
        assert_eq!(waits(&without_a_pause).await, 2000);
    }
}
