//! An exchange with the server from end to end: token, books, this device's certificate, register.
//! Nothing is borrowed while the server is waited for, so taps go on meanwhile.

use std::collections::BTreeSet;

use bolebook_core::exchange::{Problem, code, short};
use bolebook_core::ids::{BookId, DeviceId};
use bolebook_core::quantity::UtcMs;
use bolebook_core::record::Body;
use bolebook_core::service::{
    BookList, Health, Register, RegisterEntry, TokenAnswer, assertion_signed, assertion_text,
};
use bolebook_core::signing::SigningError;

use crate::exchange::{Peer, Request, Session, SessionError};
use crate::field::Field;
use crate::http::{self, AskError};
use crate::outside::{Outside, Trouble, first, setting};
use crate::writer::{Staged, WriteError};

/// An exchange did not come to its end; what was stored before stays, and what is unsent is kept.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum SyncError {
    /// The device has not joined, or knows no server.
    #[error("this device knows no server yet: join first")]
    NoServer,
    /// Another exchange is under way.
    #[error("an exchange is under way")]
    Busy,
    /// The server serves another yard.
    #[error("this server serves another yard than the one this device joined")]
    OtherYard,
    /// The server could not be asked, or refused.
    #[error(transparent)]
    Ask(#[from] AskError),
    /// The answer is not to be taken in.
    #[error(transparent)]
    Session(#[from] SessionError),
    /// The books could not be opened.
    #[error(transparent)]
    Open(#[from] crate::field::OpenError),
    /// The device failed.
    #[error(transparent)]
    Trouble(#[from] Trouble),
    /// The device's certificate could not be written.
    #[error(transparent)]
    Write(#[from] WriteError),
    /// The device's key is none.
    #[error("the device's key: {0}")]
    Key(#[from] SigningError),
}

/// How much went which way.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Moved {
    /// Lines that were new to the server.
    pub sent: u64,
    /// Lines that were new here.
    pub received: u64,
}

/// The server, and a token for it.
pub(crate) struct Link {
    /// Its address.
    pub(crate) url: String,
    device: DeviceId,
    /// The token.
    pub(crate) token: String,
    /// A book that the office has not opened to this device.
    closed: Option<Box<Problem>>,
}

impl<D: Outside> Field<D> {
    /// Exchanges with the server this device joined at.
    ///
    /// # Errors
    /// [`SyncError`].
    pub async fn exchange(&self) -> Result<Moved, SyncError> {
        if std::mem::replace(&mut self.state_mut().exchanging, true) {
            return Err(SyncError::Busy);
        }
        let outcome = match self.open_books().await {
            Ok(()) => self.exchange_all().await,
            Err(error) => Err(error.into()),
        };
        let mut state = self.state_mut();
        state.exchanging = false;
        state.no_exchange = outcome.as_ref().err().map(ToString::to_string);
        outcome
    }

    async fn exchange_all(&self) -> Result<Moved, SyncError> {
        let mut link = self.link(false).await?;
        let listed: Result<BookList, AskError> =
            http::ask_json(&self.outside, &http::books(&link.url, &link.token)).await;
        let list = match listed {
            Err(AskError::Refused(problem)) if problem.code == code::TOKEN => {
                link = self.link(true).await?;
                http::ask_json(&self.outside, &http::books(&link.url, &link.token)).await?
            }
            other => other?,
        };
        let yard = self.state().member.as_ref().ok_or(SyncError::NoServer)?.yard;
        let mut books: BTreeSet<BookId> = list.books.iter().map(|b| b.book).collect();
        books.extend(self.state().logs.keys().copied());
        let mut moved = Moved::default();
        // The yard first: it says who may open jobs, and this device's certificate goes into it.
        self.round(&mut link, [yard].into(), &mut moved).await?;
        if self.take_place().await? {
            self.round(&mut link, [yard].into(), &mut moved).await?;
        }
        books.remove(&yard);
        self.round(&mut link, books, &mut moved).await?;
        self.read_register(&link).await?;
        let now = self.outside.now();
        self.set(|state| state.server.iter_mut().for_each(|s| s.exchanged = Some(now)), &[setting::SERVER])
            .await?;
        // Said at the end, for it keeps nothing else from going.
        link.closed.map_or(Ok(moved), |problem| Err(AskError::Refused(problem).into()))
    }

    /// The server with a token that works; `fresh` asks for another one.
    pub(crate) async fn link(&self, fresh: bool) -> Result<Link, SyncError> {
        let (server, member) = {
            let state = self.state();
            let server = state.server.clone().ok_or(SyncError::NoServer)?;
            (server, state.member.clone().ok_or(SyncError::NoServer)?)
        };
        let now = self.outside.now();
        if let (Some(token), Some(until), false) = (&server.token, server.token_until, fresh)
            && until > now
        {
            return Ok(Link { url: server.url, device: server.device, token: token.clone(), closed: None });
        }
        let health: Health = http::ask_json(&self.outside, &http::health(&server.url)).await?;
        if health.yard != member.yard {
            return Err(SyncError::OtherYard);
        }
        let text = assertion_text(&member.key, health.server, health.now, first(self.outside.random()?))?;
        let signature = self.outside.sign(text.as_bytes()).await?;
        let assertion = assertion_signed(&text, &signature);
        let request = http::token(&server.url, &assertion, Some(&member.certificate));
        let answer: TokenAnswer = http::ask_json(&self.outside, &request).await?;
        let life = answer.expires_in.clamp(0, 86_400) - 60;
        let token = answer.access_token.clone();
        self.set(
            |state| {
                if let Some(server) = &mut state.server {
                    server.device = health.server;
                    server.token = Some(token.clone());
                    server.token_until = Some(UtcMs(now.0 + life * 1_000));
                }
            },
            &[setting::SERVER],
        )
        .await?;
        Ok(Link { url: server.url, device: health.server, token: answer.access_token, closed: None })
    }

    async fn round(
        &self,
        link: &mut Link,
        books: BTreeSet<BookId>,
        moved: &mut Moved,
    ) -> Result<(), SyncError> {
        let key = self.state().member.as_ref().map(|m| m.key.clone());
        let mut session = Session::new(link.device, books).with_key(key);
        let (mut renewed, mut whole) = (false, false);
        loop {
            let request = {
                let state = self.state();
                session.request(&state.logs, &state.peers, self.outside.now())
            };
            let Some(request) = request else { break };
            let shorter = if whole { None } else { short::shorten(&request.body) };
            let body = shorter.unwrap_or_else(|| request.body.clone());
            let asked = http::exchange(&link.url, &link.token, body);
            match http::ask(&self.outside, &asked).await {
                Ok(body) => self.take_in(&mut session, &request, &body, moved).await?,
                Err(AskError::Refused(problem)) if problem.code == code::TOKEN && !renewed => {
                    renewed = true;
                    *link = Link { closed: link.closed.take(), ..self.link(true).await? };
                }
                Err(AskError::Refused(p)) if code::SEND_LONG.contains(&p.code.as_str()) && !whole => {
                    whole = true;
                }
                Err(AskError::Refused(p)) if p.code == code::BOOK_REFUSED => {
                    p.book.iter().for_each(|book| session.leave(*book));
                    link.closed = Some(p);
                }
                Err(AskError::Refused(problem)) => self.start_again(&mut session, &request, problem).await?,
                Err(other) => return Err(other.into()),
            }
        }
        let settled = {
            let state = self.state();
            session.settled(&state.logs, &state.peers)
        };
        if !settled.is_empty() {
            self.set(|state| state.peers.extend(settled), &[setting::PEERS]).await?;
        }
        Ok(())
    }

    async fn take_in(
        &self,
        session: &mut Session,
        request: &Request,
        body: &str,
        moved: &mut Moved,
    ) -> Result<(), SyncError> {
        let _turn = self.turns.take().await;
        let answered = {
            let state = self.state();
            session.read(&state.logs, request, body)?
        };
        let taken = answered.taken.clone();
        let peers = taken.peers;
        self.keep(taken.lines, |state| state.peers.extend(peers), &[setting::PEERS]).await?;
        session.took(&answered);
        moved.sent += taken.pushed;
        moved.received += taken.pulled;
        Ok(())
    }

    async fn start_again(
        &self,
        session: &mut Session,
        request: &Request,
        problem: Box<Problem>,
    ) -> Result<(), SyncError> {
        let Some(book) = session.refused(request, &problem) else {
            return Err(AskError::Refused(problem).into());
        };
        self.set(
            |state| {
                state.peers.insert(book, Peer::START);
            },
            &[setting::PEERS],
        )
        .await?;
        Ok(())
    }

    /// Puts this device's certificate into the yard book, once the book is here.
    async fn take_place(&self) -> Result<bool, SyncError> {
        let (member, here) = {
            let state = self.state();
            let member = state.member.clone().ok_or(SyncError::NoServer)?;
            let here = state.logs.get(&member.yard).is_some_and(|l| l.book().genesis().is_some());
            (member, here)
        };
        if member.pending.is_none() || !here {
            return Ok(false);
        }
        let at = member.certificate.not_before;
        let body: Body = member.certificate.into();
        let unmark = |state: &mut crate::state::State, _: &[_]| {
            state.member.iter_mut().for_each(|m| m.pending = None);
        };
        self.write(vec![Staged::new(member.yard, body, at)], unmark, &[setting::MEMBER]).await?;
        Ok(true)
    }

    async fn read_register(&self, link: &Link) -> Result<(), SyncError> {
        let theirs: Register = http::ask_json(&self.outside, &http::register(&link.url, &link.token)).await?;
        let newer: Vec<_> = {
            let state = self.state();
            let here = &state.register;
            let newer = |e: &RegisterEntry| here.get(&e.id).is_none_or(|known| e.replaces(known));
            let theirs: Vec<_> = theirs.entries.into_iter().filter(newer).collect();
            // An erasure counts on the word of a device that the root made the office's, not the server's.
            let directory = match theirs.iter().any(|e| e.erased.is_some()) {
                true => state.yard().ok().map(|read| read.directory),
                false => None,
            };
            let proven = |e: &RegisterEntry| {
                e.erased.is_none() || directory.as_ref().is_some_and(|d| e.verify(d).is_ok())
            };
            theirs.into_iter().filter(|e| e.check().is_ok() && proven(e)).collect()
        };
        if newer.is_empty() {
            return Ok(());
        }
        self.set(
            |state| {
                state.register.extend(newer.into_iter().map(|e| (e.id, e)));
            },
            &[setting::REGISTER],
        )
        .await?;
        Ok(())
    }
}
