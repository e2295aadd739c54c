//! A hub passes on: this server, as a client of another one, gives it what crews brought here and
//! takes what is new there.
//!
//! It is the same exchange a device does, over the same log, with the server's own key and
//! certificate, so nothing is believed of a hub that would not be believed of anybody. Commits keep
//! their authors' signatures. When an actor has forked, this log follows the other server's branch
//! and its evidence goes there, as a device's does.
//!
//! Photos, invitations and the register are not passed on.

use std::collections::BTreeSet;
use std::io::{BufReader, Read as _};
use std::time::Duration;

use bolebook_core::exchange::{MEDIA_TYPE, Problem, short};
use bolebook_core::ids::{BookId, DeviceId};
use bolebook_core::service::{BookList, Health, TokenAnswer, assertion};
use bolebook_log::client::{ClientError, Session};
use bolebook_log::set_aside;
use rusqlite::{Connection, TransactionBehavior};
use serde::de::DeserializeOwned;
use ureq::Body;
use ureq::http::Response;

use crate::error::ApiError;
use crate::state::{DATABASE, Inner};

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

impl From<rusqlite::Error> for RelayError {
    fn from(error: rusqlite::Error) -> Self {
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
}

const MOST_ANSWER: u64 = 512 << 20;
const MOST_TEXT: u64 = 16 << 20;

type Answered = Result<Response<Body>, ureq::Error>;

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
        let health: Health = other.json(other.agent.get(format!("{}/health", other.url)).call())?;
        let wrong = |why: &str| RelayError::Wrong { url: other.url.clone(), why: why.to_owned() };
        if health.server == identity.device() {
            return Err(wrong("is this server itself"));
        }
        if health.yard != identity.yard {
            return Err(wrong("serves another yard"));
        }
        let certificate = serde_json::to_string(&identity.certificate).map_err(|e| wrong(&e.to_string()))?;
        let assertion = assertion(&identity.key, health.server, health.now, app.random()?);
        let form = [
            ("grant_type", "client_credentials"),
            ("client_assertion_type", "urn:ietf:params:oauth:client-assertion-type:jwt-bearer"),
            ("client_assertion", &assertion),
            ("certificate", &certificate),
        ];
        let token: TokenAnswer =
            other.json(other.agent.post(format!("{}/v1/token", other.url)).send_form(form))?;
        (other.device, other.token) = (health.server, format!("Bearer {}", token.access_token));
        Ok(other)
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

    fn books(&self) -> Result<BookList, RelayError> {
        let url = format!("{}/v1/books", self.url);
        self.json(self.agent.get(url).header("authorization", &self.token).call())
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

/// Exchanges every book with another server, until both logs have the same lines.
///
/// # Errors
/// [`RelayError`]; what was passed on until then stays where it came to.
pub fn pass_on(app: &Inner, url: &str) -> Result<Passed, RelayError> {
    let other = Other::reach(app, url)?;
    let mut db = bolebook_log::open(&app.config.data.join(DATABASE))?;
    let mut books: BTreeSet<BookId> = other.books()?.books.iter().map(|b| b.book).collect();
    books.extend(bolebook_log::books(&db)?.iter().map(|b| b.book));
    let yard = app.identity.yard;
    books.remove(&yard);
    let mut passed = Passed::default();
    // The yard first: a server takes jobs of a yard it knows only.
    for part in [BTreeSet::from([yard]), books.clone()] {
        round(app, &other, &mut db, part, &mut passed)?;
    }
    if put_back(app, &other, &mut db, &mut passed)? {
        books.insert(yard);
        round(app, &other, &mut db, books, &mut passed)?;
    }
    Ok(passed)
}

fn round(
    app: &Inner,
    other: &Other,
    db: &mut Connection,
    books: BTreeSet<BookId>,
    passed: &mut Passed,
) -> Result<(), RelayError> {
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
    Ok(())
}

/// Gives the other server the evidence of what its branch leaves out here.
fn put_back(
    app: &Inner,
    other: &Other,
    db: &mut Connection,
    passed: &mut Passed,
) -> Result<bool, RelayError> {
    let mut any = false;
    while let Some(request) = set_aside::rescue_request(db, other.device, app.now())? {
        any = true;
        let answer = other.post("/v1/rescue", &request.body);
        let tx = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
        match answer {
            Ok(answer) => {
                let answer: bolebook_core::service::RescueAnswer = other.json(Ok(answer))?;
                set_aside::rescued(&tx, &request)?;
                passed.rescued += answer.books.iter().map(|b| b.rescued).sum::<u64>();
            }
            Err(RelayError::Refused(problem)) => {
                if !set_aside::rescue_refused(&tx, &request, &problem)? {
                    return Err(RelayError::Refused(problem));
                }
            }
            Err(error) => return Err(error),
        }
        tx.commit()?;
    }
    Ok(any)
}

/// Passes on every `every`, for as long as the server runs. Without the other server in reach it
/// says so in the log and tries again.
pub async fn follow(app: crate::state::App, url: String, every: Duration) {
    loop {
        let (to, work) = (url.clone(), app.clone());
        let done = tokio::task::spawn_blocking(move || pass_on(&work, &to)).await;
        match done {
            Ok(Ok(passed)) if passed == Passed::default() => {}
            Ok(Ok(passed)) => {
                tracing::info!(
                    given = passed.given,
                    taken = passed.taken,
                    rescued = passed.rescued,
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
