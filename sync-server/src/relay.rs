//! A hub passes on: this server, as a client of another one, gives it what crews brought here and
//! takes what is new there.
//!
//! It is the same exchange a device does, over the same log, with the server's own key and
//! certificate, so nothing is believed of a hub that would not be believed of anybody. Commits keep
//! their authors' signatures. When an actor has forked, this log follows the other server's branch
//! and its evidence goes there, as a device's does.
//!
//! After the books go register entries, both ways, and then photos, from here to there.
//! Invitations are not passed on: a code counts where the office deposited it.

pub mod photos;
mod register;

use std::collections::BTreeSet;
use std::io::{BufReader, Read as _};
use std::time::Duration;

use bolebook_core::exchange::{MEDIA_TYPE, Problem, short};
use bolebook_core::ids::{ActorId, BookId, DeviceId};
use bolebook_core::quantity::UtcMs;
use bolebook_core::service::{BookList, Health, Register, TokenAnswer, assertion};
use bolebook_db::{Connection, TransactionBehavior};
use bolebook_log::Writer;
use bolebook_log::client::{ClientError, Session};
use bolebook_log::evidence::{Next, Pass};
use bolebook_log::set_aside::{self, State};
use serde::de::DeserializeOwned;
use ureq::Body;
use ureq::http::Response;

use crate::error::ApiError;
use crate::state::Inner;

/// Passing on did not come to its end; what was stored, here and there, stays.
#[derive(Debug, thiserror::Error)]
pub enum RelayError {
    /// No answer, or one that broke off.
    #[error("{url}: {why}")]
    Unreachable {
        /// Where.
        url: String,
        /// Why.
        why: String,
    },
    /// Not a server of this yard, or this server itself.
    #[error("{url} {why}")]
    Wrong {
        /// Where.
        url: String,
        /// What is wrong.
        why: String,
    },
    /// The other server refused.
    #[error("the other server refused ({}): {}", .0.code, .0.detail)]
    Refused(Box<Problem>),
    /// The exchange could not be completed.
    #[error(transparent)]
    Exchange(#[from] ClientError),
    /// The log here failed.
    #[error("{0}")]
    Here(String),
}

impl RelayError {
    /// The code of a refusal.
    fn code(&self) -> Option<&str> {
        if let Self::Refused(problem) = self { Some(&problem.code) } else { None }
    }
}

impl From<ApiError> for RelayError {
    fn from(error: ApiError) -> Self {
        Self::Here(error.to_string())
    }
}

impl From<bolebook_log::LogError> for RelayError {
    fn from(error: bolebook_log::LogError) -> Self {
        Self::Here(error.to_string())
    }
}

impl From<bolebook_db::Error> for RelayError {
    fn from(error: bolebook_db::Error) -> Self {
        Self::Here(error.to_string())
    }
}

/// What was passed on.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize)]
pub struct Passed {
    /// Lines that were new there.
    pub given: u64,
    /// Lines that were new here.
    pub taken: u64,
    /// Commits the other server put back because an actor had forked.
    pub rescued: u64,
    /// Register entries that were new there.
    pub entries_given: u64,
    /// Register entries that were new here.
    pub entries_taken: u64,
    /// Photos that are whole there now and were not before.
    pub photos_given: u64,
    /// Photos the other server has no room for now: they are tried again.
    pub photos_waiting: u64,
    /// Photos the other server will not take as they are.
    pub photos_refused: u64,
}

const MOST_ANSWER: u64 = 512 << 20;
const MOST_TEXT: u64 = 16 << 20;
/// How often a hub that follows asks again about photos it knows to be there: every hour.
const ASK_AGAIN_MS: i64 = 3_600_000;

type Answer = Response<Body>;
type Answered = Result<Answer, ureq::Error>;

/// The other server.
struct Other {
    agent: ureq::Agent,
    url: String,
    device: DeviceId,
    token: String,
}

impl Other {
    fn reach(app: &Inner, url: &str) -> Result<Self, RelayError> {
        let config = ureq::Agent::config_builder()
            .http_status_as_error(false)
            .timeout_connect(Some(Duration::from_secs(10)))
            .timeout_global(Some(Duration::from_secs(150)))
            .build();
        let (agent, url) = (config.new_agent(), url.trim_end_matches('/').to_owned());
        let identity = &app.identity;
        let mut other = Self { agent, url, device: identity.device(), token: String::new() };
        let health: Health = other.get("/health")?;
        let wrong = |why: &str| RelayError::Wrong { url: other.url.clone(), why: why.to_owned() };
        if health.server == identity.device() {
            return Err(wrong("is this server itself"));
        }
        if health.yard != identity.yard {
            return Err(wrong("serves another yard"));
        }
        other.device = health.server;
        other.sign_in_at(app, health.now)?;
        Ok(other)
    }

    /// Gets another token: one lasts for a quarter of an hour, and photos over a thin line take longer.
    fn sign_in(&mut self, app: &Inner) -> Result<(), RelayError> {
        let health: Health = self.get("/health")?;
        self.sign_in_at(app, health.now)
    }

    /// Gets a token; `now` is the other server's clock, as it has just told it.
    fn sign_in_at(&mut self, app: &Inner, now: UtcMs) -> Result<(), RelayError> {
        let identity = &app.identity;
        let certificate = serde_json::to_string(&identity.certificate)
            .map_err(|e| RelayError::Wrong { url: self.url.clone(), why: e.to_string() })?;
        let assertion = assertion(&identity.key, self.device, now, app.random()?);
        let form = [
            ("grant_type", "client_credentials"),
            ("client_assertion_type", "urn:ietf:params:oauth:client-assertion-type:jwt-bearer"),
            ("client_assertion", &assertion),
            ("certificate", &certificate),
        ];
        let token: TokenAnswer =
            self.json(self.agent.post(format!("{}/v1/token", self.url)).send_form(form))?;
        self.token = format!("Bearer {}", token.access_token);
        Ok(())
    }

    fn unreachable(&self, why: &dyn std::fmt::Display) -> RelayError {
        RelayError::Unreachable { url: self.url.clone(), why: why.to_string() }
    }

    fn checked(&self, answered: Answered) -> Result<Response<Body>, RelayError> {
        let response = answered.map_err(|e| self.unreachable(&e))?;
        if response.status().is_success() {
            return Ok(response);
        }
        let status = response.status();
        let text = response.into_body().into_with_config().limit(64 << 10).read_to_string();
        let problem = text.ok().and_then(|t| serde_json::from_str::<Problem>(&t).ok());
        Err(match problem {
            Some(problem) => RelayError::Refused(Box::new(problem)),
            None => self.unreachable(&format!("it answers {status}, not as a sync server does")),
        })
    }

    fn json<T: DeserializeOwned>(&self, answered: Answered) -> Result<T, RelayError> {
        let text = self.checked(answered)?.into_body().into_with_config().limit(MOST_TEXT).read_to_string();
        serde_json::from_str(&text.map_err(|e| self.unreachable(&e))?).map_err(|e| self.unreachable(&e))
    }

    fn get<T: DeserializeOwned>(&self, path: &str) -> Result<T, RelayError> {
        let url = format!("{}{path}", self.url);
        self.json(self.agent.get(url).header("authorization", &self.token).call())
    }

    /// Whether it is there at all.
    fn answers(&self) -> Result<bool, RelayError> {
        self.get::<Health>("/health").map(|_| true)
    }

    fn put_register(&self, register: &Register) -> Result<(), RelayError> {
        let put = self.agent.put(format!("{}/v1/register", self.url)).header("authorization", &self.token);
        self.checked(put.send_json(register)).map(|_| ())
    }

    /// In the short form, and whole to a server that does not know it or got it damaged.
    fn exchange(&self, body: &str) -> Result<Response<Body>, RelayError> {
        short::send(body, |body| self.post("/v1/exchange", body), RelayError::code)
    }

    fn post(&self, path: &str, body: &str) -> Result<Response<Body>, RelayError> {
        let packed = zstd::encode_all(body.as_bytes(), 3).map_err(|e| self.unreachable(&e))?;
        let request = self
            .agent
            .post(format!("{}{path}", self.url))
            .header("authorization", &self.token)
            .header("content-type", MEDIA_TYPE)
            .header("content-encoding", "zstd");
        self.checked(request.send(&packed[..]))
    }
}

/// Exchanges every book with another server, until both logs have the same lines; then register and
/// photos, each photo asked about.
///
/// # Errors
/// [`RelayError`]; what was passed on until then stays where it came to.
pub fn pass_on(app: &Inner, url: &str) -> Result<Passed, RelayError> {
    pass_on_asking(app, url, 0)
}

/// The same; a photo that the other server was known to have is asked about again after `again_ms`,
/// for the other server may have been put back to an older copy.
fn pass_on_asking(app: &Inner, url: &str, again_ms: i64) -> Result<Passed, RelayError> {
    let mut other = Other::reach(app, url)?;
    let mut db = app.database.place().connect()?;
    let mut books: BTreeSet<BookId> =
        other.get::<BookList>("/v1/books")?.books.iter().map(|b| b.book).collect();
    books.extend(bolebook_log::books(&db)?.iter().map(|b| b.book));
    let yard = app.identity.yard;
    books.remove(&yard);
    let mut passed = Passed::default();
    // The yard first: a server takes jobs of a yard it knows only.
    let mut pass = Pass::default();
    for part in [BTreeSet::from([yard]), books.clone()] {
        round(app, &other, &mut db, part, &mut passed)?.into_iter().for_each(|book| pass.close(book));
    }
    if put_back(app, &other, &mut db, &mut pass, &mut passed)? {
        books.insert(yard);
        round(app, &other, &mut db, books, &mut passed)?;
        waits_no_more(&mut db, &pass, other.device)?;
    }
    register::pass_on(app, &other, &mut passed)?;
    photos::pass_on(app, &mut other, again_ms, &mut passed)?;
    Ok(passed)
}

/// Gives the books that the other server has not opened to this one.
fn round(
    app: &Inner,
    other: &Other,
    db: &mut Connection,
    books: BTreeSet<BookId>,
    passed: &mut Passed,
) -> Result<BTreeSet<BookId>, RelayError> {
    let mut session = Session::new(other.device, books);
    while let Some(request) = session.request(db, app.now())? {
        match other.exchange(&request.body) {
            Ok(answer) => {
                let reader = answer.into_body().into_with_config().limit(MOST_ANSWER).reader();
                let outcome = session.apply(db, &request, BufReader::new(reader.take(MOST_ANSWER)))?;
                for (book, moved) in outcome.books {
                    passed.given += moved.pushed;
                    passed.taken += moved.pulled;
                    if moved.pulled > 0 || outcome.set_aside > 0 {
                        app.findings.changed(book, app.identity.yard);
                    }
                }
            }
            Err(RelayError::Refused(problem)) => session.refused(db, &request, &problem)?,
            Err(error) => return Err(error),
        }
    }
    if !session.closed().is_empty() {
        tracing::warn!(books = ?session.closed(), "the other server refused these; they stay here");
    }
    Ok(session.closed().clone())
}

/// Gives the other server the evidence of what its branch leaves out here.
fn put_back(
    app: &Inner,
    other: &Other,
    db: &mut Connection,
    pass: &mut Pass,
    passed: &mut Passed,
) -> Result<bool, RelayError> {
    waits_no_more(db, pass, other.device)?;
    while let Some(request) = pass.request(db, other.device, app.now())? {
        // Read to its end before the transaction: a slow line must not keep crews waiting.
        let answer = other.post("/v1/rescue", &request.body);
        let answer = answer.and_then(|a| other.json::<bolebook_core::service::RescueAnswer>(Ok(a)));
        match answer {
            Ok(answer) => {
                pass.given(&request);
                passed.rescued += answer.books.iter().map(|b| b.rescued).sum::<u64>();
            }
            Err(RelayError::Refused(problem)) => {
                let tx = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
                let next = pass.refused(&tx, &request, &problem)?;
                tx.commit()?;
                if next != Next::Again {
                    // Register and photos go on all the same.
                    tracing::warn!(code = problem.code, detail = problem.detail, "evidence waits");
                    break;
                }
            }
            Err(error) => return Err(error),
        }
    }
    // What the other server does not take: receipts are written again, crews' lines are the crews' to bring.
    let mut any = pass.has_given();
    let refused = waiting(db, State::ToReput)?;
    if !refused.is_empty() {
        let actor = ActorId::new(app.identity.device(), app.random()?);
        let tx = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
        let by = Writer { key: &app.identity.key, actor, time: app.now() };
        any |= set_aside::reput(&tx, &by)? > 0;
        tx.commit()?;
        refused.into_iter().for_each(|book| app.findings.changed(book, app.identity.yard));
    }
    Ok(any)
}

fn waiting(db: &Connection, state: State) -> Result<BTreeSet<BookId>, RelayError> {
    let lines = set_aside::list(db)?.into_iter().filter(|line| line.state == state);
    Ok(lines.map(|line| line.book).collect())
}

/// Notes of what was set aside that it is in the log again.
fn waits_no_more(db: &mut Connection, pass: &Pass, server: DeviceId) -> Result<(), RelayError> {
    // Read outside the transaction: a large log must not keep crews waiting.
    let back = pass.look(db, server)?;
    if back.is_empty() {
        return Ok(());
    }
    let tx = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
    back.note(&tx)?;
    Ok(tx.commit()?)
}

/// Passes on every `every`, for as long as the server runs. Without the other server in reach it
/// says so in the log and tries again.
pub async fn follow(app: crate::state::App, url: String, every: Duration) {
    loop {
        let (to, work) = (url.clone(), app.clone());
        let done = tokio::task::spawn_blocking(move || pass_on_asking(&work, &to, ASK_AGAIN_MS)).await;
        match done {
            Ok(Ok(passed)) if passed == Passed::default() => {}
            Ok(Ok(passed)) => {
                tracing::info!(
                    given = passed.given,
                    taken = passed.taken,
                    rescued = passed.rescued,
                    entries_given = passed.entries_given,
                    entries_taken = passed.entries_taken,
                    photos_given = passed.photos_given,
                    photos_waiting = passed.photos_waiting,
                    photos_refused = passed.photos_refused,
                    url,
                    "passed on"
                );
            }
            Ok(Err(error)) => tracing::warn!(%error, url, "not passed on; it stays here and is tried again"),
            Err(panic) => tracing::error!(%panic, url, "passing on failed"),
        }
        tokio::time::sleep(every).await;
    }
}
