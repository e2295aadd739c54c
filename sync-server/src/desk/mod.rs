//! The office desk: pages for the people who settle findings and sign days off.
//!
//! Served on a listener of its own, so that it shares no origin with the API or the clients'
//! portal. Pages are typed templates; every task is a plain form and works without scripts, a small
//! script only adds keys. What pages show comes from [`crate::snapshot`]; what the desk writes is
//! written by [`write`](mod@write) with the desk's own office certificate
//! (`docs/decisions/0007-the-desk-writes-with-its-own-key.md`).

pub mod accounts;
mod amend;
mod assets;
mod balance;
pub mod billing;
mod blocks;
mod charts;
mod copies;
mod days;
mod devices;
mod entry;
mod evidence;
mod exports;
mod figures;
mod findings;
mod forms;
mod geo_files;
mod jobs;
mod kit_edit;
mod label_confirm;
mod label_edit;
mod label_fields;
mod label_form;
mod label_preview;
mod links;
mod live;
mod lot_edit;
mod map;
mod page;
mod pairs;
mod papers;
mod people;
mod photos;
mod rulings;
mod search;
mod seasons;
mod session;
mod settle;
mod setup;
mod setup_page;
mod stand_files;
mod stands;
mod trees;
mod upload;
mod waiting;
pub mod web;
mod words;
pub mod write;
mod yard;

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};

use axum::Router;
use axum::routing::{MethodRouter, get, post};
use bolebook_core::ids::TreeId;
use bolebook_core::quantity::UtcMs;
use bolebook_core::view::{TreeState, TreeView, View};
use bolebook_db::Connection;
use maud::Markup;
use tokio::sync::{Semaphore, watch};

use crate::identity::Identity;
use crate::limiter::Limiter;
use crate::portal;
use crate::state::App;

pub use page::{clean, text};

/// Sign-ins an address may try in a minute.
const SIGN_INS_PER_MINUTE: u32 = 10;
const HASHES_AT_ONCE: usize = 4;
/// Wrong passwords of one account before it waits.
const MOST_FAILURES: u32 = 10;
/// How long it waits.
const FAILURE_WINDOW_MS: i64 = 15 * 60_000;

/// What the desk keeps while the server runs.
pub struct DeskState {
    /// How often an address may try to sign in.
    pub sign_ins: Limiter,
    /// Room for passwords being hashed: each takes 19 MiB.
    pub hashing: Semaphore,
    /// How often an address may try a client's link that is none.
    pub links: Limiter,
    /// Set when the server stops, so that pages that listen for news let it.
    pub closing: watch::Sender<bool>,
    /// Figures of jobs.
    figures: figures::Figures,
    failures: Mutex<BTreeMap<String, (UtcMs, u32)>>,
    key: Mutex<Option<Arc<Identity>>>,
}

impl Default for DeskState {
    fn default() -> Self {
        Self {
            sign_ins: Limiter::new(SIGN_INS_PER_MINUTE),
            hashing: Semaphore::new(HASHES_AT_ONCE),
            links: Limiter::new(30),
            closing: watch::Sender::new(false),
            figures: figures::Figures::default(),
            failures: Mutex::default(),
            key: Mutex::default(),
        }
    }
}

impl DeskState {
    /// Whether an account may try a password; the minutes to wait when not.
    ///
    /// # Errors
    /// The minutes to wait.
    pub fn may_try(&self, name: &str, now: UtcMs) -> Result<(), u64> {
        let failures = self.failures.lock().unwrap_or_else(PoisonError::into_inner);
        match failures.get(name) {
            Some((since, count)) if *count >= MOST_FAILURES && now.0 - since.0 < FAILURE_WINDOW_MS => {
                Err(u64::try_from((FAILURE_WINDOW_MS - (now.0 - since.0)) / 60_000 + 1).unwrap_or(1))
            }
            _ => Ok(()),
        }
    }

    /// Counts a wrong password, or forgets them after a right one.
    pub fn tried(&self, name: &str, now: UtcMs, right: bool) {
        let mut failures = self.failures.lock().unwrap_or_else(PoisonError::into_inner);
        if right {
            failures.remove(name);
            return;
        }
        failures.retain(|_, (since, _)| now.0 - since.0 < FAILURE_WINDOW_MS);
        // Names are an attacker's to choose: their number is bounded, the addresses' limit stays.
        if failures.len() < 10_000 {
            failures.entry(name.to_owned()).or_insert((now, 0)).1 += 1;
        }
    }
}

/// Lays the desk's and the portal's tables out if they are not there yet.
///
/// # Errors
/// The database's.
pub fn prepare(db: &Connection) -> bolebook_db::Result<()> {
    if db.sqlite().is_some() {
        db.execute_batch("PRAGMA foreign_keys = ON")?;
    }
    db.execute_batch(accounts::CREATE)?;
    db.execute_batch(waiting::CREATE)?;
    db.execute_batch(billing::CREATE)?;
    db.execute_batch(copies::CREATE)?;
    db.execute_batch(portal::links::CREATE)
}

/// A map as the portal shows it, and its legend, in the words given.
pub fn map_of(
    view: &View<'_>,
    state: impl Fn(TreeId, &TreeView) -> Option<TreeState>,
    said: [&str; 5],
    label: &str,
) -> (Markup, Markup) {
    let map = map::Map::of(view, Default::default(), state);
    (map::still(&map, view, said, label), map::legend(&map, said))
}

/// Every address of the desk, on one page.
fn routes() -> Vec<(&'static str, MethodRouter<App>)> {
    vec![
        ("/sign-in", get(session::sign_in_page).post(session::sign_in)),
        ("/sign-out", post(session::sign_out)),
        ("/account", get(session::account)),
        ("/account/password", post(session::change_password)),
        ("/account/code", post(session::change_code)),
        ("/desk.css", get(assets::css)),
        ("/desk.js", get(assets::js)),
        ("/events", get(live::events)),
        ("/", get(jobs::list)),
        ("/jobs/{book}", get(jobs::overview)),
        ("/jobs/{book}/findings", get(findings::queue)),
        ("/jobs/{book}/findings/settle", post(settle::many)),
        ("/jobs/{book}/findings/{finding}", get(findings::one)),
        ("/jobs/{book}/findings/{finding}/rule", post(settle::rule)),
        ("/jobs/{book}/findings/{finding}/strike", post(settle::strike)),
        ("/jobs/{book}/findings/{finding}/ask", post(settle::ask)),
        ("/jobs/{book}/join", post(settle::join)),
        ("/jobs/{book}/rulings", get(rulings::list)),
        ("/jobs/{book}/trees", get(trees::list)),
        ("/jobs/{book}/trees/{tree}", get(trees::one)),
        ("/jobs/{book}/records/{record}/holes.svg", get(trees::holes)),
        ("/jobs/{book}/photos/{sha256}", get(photos::original)),
        ("/jobs/{book}/photos/{sha256}/thumbnail", get(photos::small)),
        ("/jobs/{book}/records/{record}/amend", get(amend::page).post(amend::write)),
        ("/jobs/{book}/records/{record}/strike", post(amend::strike)),
        ("/jobs/{book}/pairs", get(pairs::list)),
        ("/jobs/{book}/map", get(map::page)),
        ("/jobs/{book}/map.svg", get(map::picture)),
        ("/jobs/{book}/balance", get(balance::for_job)),
        ("/jobs/{book}/days/{crew}/{day}", get(days::sheet)),
        ("/jobs/{book}/days/{crew}/{day}/sign-off", post(days::sign_off)),
        ("/jobs/{book}/days/{crew}/{day}/reopen", post(days::reopen)),
        ("/jobs/{book}/days/{crew}/{day}/ask", post(days::ask)),
        ("/jobs/{book}/charts", get(charts::page)),
        ("/jobs/{book}/setup", get(setup::page).post(setup::post)),
        ("/jobs/{book}/papers", post(papers::add)),
        ("/jobs/{book}/papers/{paper}", get(papers::one)),
        ("/jobs/{book}/papers/{paper}/remove", post(papers::remove)),
        ("/jobs/{book}/blocks", get(blocks::page).post(blocks::add)),
        ("/jobs/{book}/blocks/file", post(blocks::file)),
        ("/jobs/{book}/blocks/match", get(blocks::match_page).post(blocks::matched)),
        ("/jobs/{book}/stand", get(stands::page).post(stands::file)),
        ("/jobs/{book}/stand/match", get(stands::match_page).post(stands::matched)),
        ("/jobs/{book}/seasons", get(seasons::page)),
        ("/jobs/{book}/exports", get(exports::list)),
        ("/jobs/{book}/exports/{name}", get(exports::one)),
        ("/jobs/{book}/billing", get(billing::page).post(billing::keep)),
        ("/jobs/{book}/copies", get(copies::page).post(copies::give)),
        ("/jobs/{book}/links", get(links::list).post(links::issue)),
        ("/jobs/{book}/links/{link}/withdraw", post(links::withdraw)),
        ("/balance", get(balance::of_yard)),
        ("/people", get(people::list)),
        ("/devices", get(devices::list).post(devices::code)),
        ("/labels", get(yard::labels)),
        ("/labels/new", get(label_edit::page).post(label_edit::post)),
        ("/labels/{label}/confirm", get(label_confirm::page).post(label_confirm::post)),
        ("/labels/{label}", get(yard::label)),
        ("/kits", get(yard::kits)),
        ("/kits/new", get(kit_edit::page).post(kit_edit::post)),
        ("/lots", get(yard::lots).post(lot_edit::add)),
        ("/lots/{lot}/recall", post(lot_edit::recall)),
        ("/search", get(search::search)),
    ]
}

/// The whole desk.
pub fn router(state: App) -> Router {
    let mut router = Router::new();
    for (path, route) in routes() {
        router = router.route(path, route);
    }
    web::layered(router, web::Site::Desk).with_state(state)
}
