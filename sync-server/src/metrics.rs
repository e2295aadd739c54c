//! Figures of the running server in the OpenMetrics text format, for whoever watches it. What each means
//! stands in `docs/operations.md`; a test holds that page and what is served against each other.
//!
//! No figure names a book, a person or an address: labels are sites, routes as they are written in the
//! router, and classes of status.

use std::sync::Arc;

use axum::Router;
use axum::extract::{MatchedPath, Request, State};
use axum::http::header;
use axum::middleware::Next;
use axum::response::{IntoResponse as _, Response};
use axum::routing::get;
use bolebook_db::Trouble;
use prometheus_client::encoding::{EncodeLabelSet, text::encode};
use prometheus_client::metrics::counter::Counter;
use prometheus_client::metrics::family::Family;
use prometheus_client::metrics::gauge::Gauge;
use prometheus_client::metrics::histogram::{Histogram, exponential_buckets};
use prometheus_client::registry::{Registry, Unit};
use tokio::time::Instant;

use crate::state::{App, Inner};

/// Media type of the text.
const OPEN_METRICS: &str = "application/openmetrics-text; version=1.0.0; charset=utf-8";

#[derive(Clone, Debug, PartialEq, Eq, Hash, EncodeLabelSet)]
struct Answered {
    site: &'static str,
    route: String,
    status: &'static str,
}

#[derive(Clone, Debug, PartialEq, Eq, Hash, EncodeLabelSet)]
struct Site {
    site: &'static str,
}

/// What the figures call transactions that the rows of their books keep apart, and those that the database
/// orders among all others.
pub const BY_BOOK: &str = "book";
/// As above.
pub const BY_ORDER: &str = "order";

#[derive(Clone, Debug, PartialEq, Eq, Hash, EncodeLabelSet)]
struct Kept {
    by: &'static str,
}

#[derive(Clone, Debug, PartialEq, Eq, Hash, EncodeLabelSet)]
struct Undone {
    by: &'static str,
    why: &'static str,
}

/// How often something was written, and how often again from the beginning.
#[derive(Clone, Debug)]
pub struct Repeats {
    tries: Family<Kept, Counter>,
    again: Family<Undone, Counter>,
}

impl Default for Repeats {
    /// All of them at nothing, so that whoever watches sees them before the first.
    fn default() -> Self {
        let made = Self { tries: Family::default(), again: Family::default() };
        for by in [BY_BOOK, BY_ORDER] {
            drop(made.tries.get_or_create(&Kept { by }));
            for why in ["undone", "away", "unsure"] {
                drop(made.again.get_or_create(&Undone { by, why }));
            }
        }
        made
    }
}

impl Repeats {
    /// Counts a try: what keeps others away from it, and why the one before it came to nothing.
    pub fn count(&self, by: &'static str, why: Option<Trouble>) {
        match why {
            None => {
                self.tries.get_or_create(&Kept { by }).inc();
            }
            Some(trouble) => {
                let why = match trouble {
                    Trouble::Again => "undone",
                    Trouble::Unsure => "unsure",
                    _ => "away",
                };
                self.again.get_or_create(&Undone { by, why }).inc();
            }
        }
    }
}

/// What is counted.
#[derive(Debug)]
pub struct Metrics {
    registry: Registry,
    answered: Family<Answered, Counter>,
    seconds: Family<Site, Histogram>,
    lines: Counter,
    findings: Histogram,
    waiting: Gauge,
    exchanges: Gauge,
    answers: Gauge,
    /// Transactions of the server's database.
    pub repeats: Repeats,
}

/// From a millisecond to half a minute.
fn times() -> Histogram {
    Histogram::new(exponential_buckets(0.001, 2.0, 16))
}

impl Default for Metrics {
    fn default() -> Self {
        let mut registry = Registry::with_prefix("bolebook");
        let made = Self {
            answered: Family::default(),
            seconds: Family::new_with_constructor(times),
            lines: Counter::default(),
            findings: times(),
            waiting: Gauge::default(),
            exchanges: Gauge::default(),
            answers: Gauge::default(),
            repeats: Repeats::default(),
            registry: Registry::default(),
        };
        registry.register("requests", "Requests answered", made.answered.clone());
        registry.register_with_unit(
            "request_duration",
            "From a request's head to its answer's",
            Unit::Seconds,
            made.seconds.clone(),
        );
        registry.register("lines_taken", "Lines that were new to a log", made.lines.clone());
        registry.register_with_unit(
            "findings_duration",
            "Bringing a job's findings up to its log",
            Unit::Seconds,
            made.findings.clone(),
        );
        registry.register(
            "books_waiting",
            "Books whose findings are not up to their log",
            made.waiting.clone(),
        );
        registry.register("exchanges_at_work", "Exchanges being worked on", made.exchanges.clone());
        registry.register_with_unit(
            "answers_held",
            "Long answers being made, on their way or kept for others",
            Unit::Bytes,
            made.answers.clone(),
        );
        let Repeats { tries, again } = &made.repeats;
        registry.register("transactions", "Writing transactions begun for the first time", tries.clone());
        registry.register(
            "transactions_repeated",
            "Writing transactions done again from the beginning",
            again.clone(),
        );
        Self { registry, ..made }
    }
}

impl Metrics {
    /// Counts lines taken into a log.
    pub fn took(&self, lines: u64) {
        self.lines.inc_by(lines);
    }

    /// Counts one bringing up of findings.
    pub fn found(&self, since: Instant) {
        self.findings.observe(since.elapsed().as_secs_f64());
    }
}

/// All figures as they are now.
pub fn text(app: &Inner) -> String {
    let of = &app.metrics;
    let count = |n: usize| i64::try_from(n).unwrap_or(i64::MAX);
    of.waiting.set(count(app.findings.waiting()));
    of.exchanges.set(count(app.config.exchanges_at_once.saturating_sub(app.room.available_permits())));
    of.answers.set(count(app.answers.held()));
    let mut text = String::new();
    // Writing into a text does not fail.
    let _ = encode(&mut text, &of.registry);
    text
}

/// Counts a request at one of the sites: a layer of its router.
pub async fn count(State((app, site)): State<(App, &'static str)>, request: Request, next: Next) -> Response {
    let begun = Instant::now();
    // As it is written in the router, so that nobody makes labels by asking.
    let route = request.extensions().get::<MatchedPath>().map_or("none", MatchedPath::as_str).to_owned();
    let response = next.run(request).await;
    let status = match response.status().as_u16() {
        ..400 => "answered",
        400..500 => "refused",
        _ => "failed",
    };
    app.metrics.answered.get_or_create(&Answered { site, route, status }).inc();
    app.metrics.seconds.get_or_create(&Site { site }).observe(begun.elapsed().as_secs_f64());
    response
}

/// Where they are read: `GET /metrics`. It asks nobody who they are, so it listens where only those who
/// watch the server reach it.
pub fn router(app: App) -> Router {
    let shown = |State(app): State<Arc<App>>| async move {
        ([(header::CONTENT_TYPE, OPEN_METRICS)], text(&app)).into_response()
    };
    Router::new().route("/metrics", get(shown)).with_state(Arc::new(app))
}
