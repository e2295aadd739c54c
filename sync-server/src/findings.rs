//! What is computed from the books: findings and exports. A cache, thrown away at any time.
//!
//! Taking in and handing out commits never comes here. After an exchange a worker brings the cache
//! up; whoever asks earlier computes it then.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::{Arc, Mutex, PoisonError};

use bolebook_core::balance::balance;
use bolebook_core::check::check;
use bolebook_core::export::{
    Names, applications_csv, balance_json, findings_json, summary_json, trees_csv, trees_geojson,
};
use bolebook_core::ids::{BookId, PersonId, RecordId, Sha256Hash};
use bolebook_core::service::RegisterEntry;
use bolebook_core::view::{View, Yard};
use bolebook_log::{BookInfo, BookKind};
use rusqlite::Connection;
use tokio::sync::Notify;

use crate::error::ApiError;
use crate::state::{App, Inner, load};
use crate::store;

/// Everything computed from one state of a job and its yard.
#[derive(Debug)]
pub struct Computed {
    /// Up to which position of the job's log.
    pub position: u64,
    /// Its exports, by name.
    pub exports: BTreeMap<&'static str, String>,
    state: Sha256Hash,
}

/// Media type of an export.
pub fn media_type(name: &str) -> &'static str {
    match name.rsplit_once('.').map(|(_, ending)| ending) {
        Some("csv") => "text/csv; charset=utf-8; header=present",
        Some("geojson") => "application/geo+json",
        _ => "application/json",
    }
}

/// The cache of what was computed.
#[derive(Default)]
pub struct Findings {
    computed: Mutex<BTreeMap<BookId, Arc<Computed>>>,
    changed: Mutex<BTreeSet<BookId>>,
    wake: Notify,
}

impl Findings {
    /// Up to which position of a book the findings stand, if they were computed yet.
    pub fn position(&self, book: BookId) -> Option<u64> {
        self.computed.lock().unwrap_or_else(PoisonError::into_inner).get(&book).map(|c| c.position)
    }

    /// Forgets what was computed: every job stands on the yard's book, and that is changing.
    pub fn forget(&self) {
        let computed = std::mem::take(&mut *self.computed.lock().unwrap_or_else(PoisonError::into_inner));
        self.changed.lock().unwrap_or_else(PoisonError::into_inner).extend(computed.into_keys());
    }

    /// Says that a book has changed.
    pub fn changed(&self, book: BookId, yard: BookId) {
        if book == yard {
            self.forget();
        } else {
            self.changed.lock().unwrap_or_else(PoisonError::into_inner).insert(book);
        }
        self.wake.notify_one();
    }
}

/// The worker: computes what changed until the server stops.
pub async fn follow(app: App) {
    loop {
        app.findings.wake.notified().await;
        let changed =
            std::mem::take(&mut *app.findings.changed.lock().unwrap_or_else(PoisonError::into_inner));
        for book in changed {
            // What fails here fails again, with a message, for whoever asks.
            let _ = app.blocking(move |app| of_job(app, book).map(|_| ())).await;
        }
    }
}

/// Findings and exports of a job as the log is now.
///
/// # Errors
/// 404 for a book that is no job here; an internal error for a damaged one.
pub fn of_job(app: &Inner, book: BookId) -> Result<Arc<Computed>, ApiError> {
    app.read(|db| {
        let books = bolebook_log::books(db)?;
        let job = books.iter().find(|b| b.book == book && b.kind == BookKind::Job);
        let job = job.ok_or_else(|| ApiError::not_found("the server has no such job book"))?;
        let state = state(&books, db)?;
        let kept = app.findings.computed.lock().unwrap_or_else(PoisonError::into_inner).get(&book).cloned();
        if let Some(kept) = kept
            && kept.state == state
        {
            return Ok(kept);
        }
        let exports = compute(app, db, &books, book)?;
        let computed = Arc::new(Computed { position: job.end.position, exports, state });
        app.findings.computed.lock().unwrap_or_else(PoisonError::into_inner).insert(book, computed.clone());
        Ok(computed)
    })
}

/// Names everything a computation stands on: every book's end, and the register.
fn state(books: &[BookInfo], db: &Connection) -> Result<Sha256Hash, ApiError> {
    let mut text = String::new();
    for book in books {
        text.push_str(&book.end.chain.to_string());
    }
    for entry in store::register(db)? {
        text.push_str(&format!("{} {}", entry.id, entry.updated_at.0));
    }
    Ok(Sha256Hash::of(text.as_bytes()))
}

fn compute(
    app: &Inner,
    db: &Connection,
    books: &[BookInfo],
    wanted: BookId,
) -> Result<BTreeMap<&'static str, String>, ApiError> {
    let internal = |e: &dyn std::fmt::Display| ApiError::internal(e);
    let directory =
        app.directory(db)?.ok_or_else(|| ApiError::not_found("the server has no yard book yet"))?;
    let yard_book = load(db, app.identity.yard)?;
    let yard = Yard::read(&yard_book, &directory.for_book(&yard_book)).map_err(|e| internal(&e))?;
    let mut jobs = vec![];
    for info in books.iter().filter(|b| b.kind == BookKind::Job) {
        jobs.push(load(db, info.book)?);
    }
    let mut views = vec![];
    for job in &jobs {
        views.push(View::read(job, &yard, &directory.for_book(job)).map_err(|e| internal(&e))?);
    }
    let all: Vec<&View<'_>> = views.iter().collect();
    let balance = balance(&yard, &all);
    let view = views.iter().find(|v| v.book == wanted).ok_or_else(|| ApiError::not_found("no such job"))?;
    let findings = check(view, &balance);
    let names = RegisterNames(store::register(db)?.into_iter().map(|e| (e.id, e)).collect());
    let written = [
        ("trees.csv", trees_csv(view)),
        ("applications.csv", applications_csv(view, &names)),
        ("trees.geojson", trees_geojson(view)),
        ("findings.json", findings_json(view, &findings)),
        ("balance.json", balance_json(view, &balance)),
        ("summary.json", summary_json(view, &findings, &balance)),
    ];
    written.into_iter().map(|(name, text)| Ok((name, text.map_err(|e| internal(&e))?))).collect()
}

struct RegisterNames(BTreeMap<RecordId, RegisterEntry>);

impl Names for RegisterNames {
    fn person(&self, id: PersonId) -> Option<String> {
        self.0.get(&id)?.called()
    }

    fn licence_number(&self, id: PersonId) -> Option<String> {
        self.0.get(&id)?.text("licence_number")
    }
}
