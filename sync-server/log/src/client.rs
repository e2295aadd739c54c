//! The asking side of an exchange: what to send, and what an answer changes. No transport.
//!
//! ```text
//! let mut session = Session::new(server, books);
//! while let Some(request) = session.request(&db, now)? {
//!     POST request.body
//!     2xx  session.apply(&mut db, &request, answer)?      stored in one transaction
//!     4xx  session.refused(&mut db, &request, &problem)?  starts the book again, or sets lines aside
//! }
//! ```
//!
//! A restored server is read from its beginning and given what it lacks. When one side's log holds
//! a commit that the other's gate refuses, the server's whole log is read and the local one laid
//! out anew over it ([`crate::set_aside`]); afterwards, [`crate::evidence`] and `reput` put back what
//! was set aside, and one more session brings it here.
//!
//! A cursor moves only in the transaction that stores what it passed, so an exchange cut off at
//! any point is simply asked again.

mod answer;

use std::collections::{BTreeMap, BTreeSet};
use std::io::BufRead;

use bolebook_core::exchange::{
    AnswerError, Asked, BookAnswer, BookRequest, Cursor, EXCHANGE_VERSION, LogLine, Problem, RequestStart,
    code,
};
use bolebook_core::ids::{BookId, DeviceId, Sha256Hash};
use bolebook_core::quantity::UtcMs;
use bolebook_db::{Connection, OptionalExtension as _, TransactionBehavior, params};

use crate::error::LogError;
use crate::read::{self, Page, StoredLine};
use crate::set_aside::{self, Suspect};
use crate::{append, sql};

/// An exchange could not be completed; what was stored before it stays.
#[derive(Debug, thiserror::Error)]
pub enum ClientError {
    /// The local log failed, or refused a line the server handed out.
    #[error(transparent)]
    Log(#[from] LogError),
    /// The answer could not be read to its end.
    #[error("the answer broke off: {0}; nothing of it was taken in, exchange again")]
    Cut(#[from] std::io::Error),
    /// The answer cannot be believed.
    #[error("{0}; nothing of it was taken in")]
    Answer(#[from] AnswerError),
    /// An actor forked in this book, and the book follows another server's branch.
    #[error(
        "an actor forked in book {book}, and this device follows the branch of server {home}: exchange with that one; it takes over what this one has when its devices do the same"
    )]
    OtherBranch {
        /// The book.
        book: BookId,
        /// The server it follows.
        home: DeviceId,
    },
    /// The server refused, and there is nothing to do about it here.
    #[error("the server refused ({}): {}", .0.code, .0.detail)]
    Refused(Box<Problem>),
}

impl From<bolebook_db::Error> for ClientError {
    fn from(error: bolebook_db::Error) -> Self {
        Self::Log(error.into())
    }
}

/// A request ready to send.
#[derive(Clone, Debug)]
pub struct Request {
    /// Its body: lines of JSON, not compressed.
    pub body: String,
    sent: BTreeMap<BookId, Asked>,
}

impl Request {
    /// How many log lines it offers.
    pub fn offered(&self) -> usize {
        self.sent.values().map(|s| s.offered.len()).sum()
    }
}

/// What one answer did to one book.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct BookOutcome {
    /// Lines offered that were new to the server.
    pub pushed: u64,
    /// Lines offered that the server had.
    pub known: u64,
    /// Lines taken in that were new here.
    pub pulled: u64,
    /// Up to which of the server's positions its findings stand.
    pub findings_to: Option<u64>,
    /// The new cursor.
    pub cursor: Cursor,
}

/// What one answer did.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Outcome {
    /// The server's clock.
    pub server_now: UtcMs,
    /// Per book.
    pub books: BTreeMap<BookId, BookOutcome>,
    /// Lines that had to be set aside here ([`crate::set_aside`]).
    pub set_aside: u64,
}

/// A server's whole log on its way here, to lay the local one out anew over it.
#[derive(Clone, Debug)]
struct Anew {
    at: Cursor,
    lines: Vec<LogLine>,
    suspect: Option<Suspect>,
}

impl Anew {
    fn new(suspect: Option<Suspect>) -> Self {
        Self { at: Cursor::START, lines: vec![], suspect }
    }
}

#[derive(Clone, Debug, Default)]
struct BookState {
    /// Whether the server's log may go on after the cursor.
    more: bool,
    /// Offer nothing before the server's whole log is known: it is read from 0, or in pages.
    recovering: bool,
    /// Whether it was started again in this session: once is enough.
    restarted: bool,
    /// What this session took in from the server: no need to offer it.
    pulled: BTreeSet<Sha256Hash>,
    /// The server's log being read whole.
    anew: Option<Anew>,
    /// How often it was in this session.
    times_anew: u8,
}

/// How often a session lays a book out anew before it gives up: each time one refused line goes.
const MOST_ANEW: u8 = 8;

/// One session of exchange with one server: as many round trips as the logs' lengths ask for.
#[derive(Clone, Debug)]
pub struct Session {
    server: DeviceId,
    page: Page,
    books: BTreeMap<BookId, BookState>,
    closed: BTreeSet<BookId>,
}

/// What is kept of a server between sessions: its cursor, and the local position up to which
/// everything was shared with it.
type Peer = (Cursor, u64);

impl Session {
    /// A session about these books, local ones and the server's alike.
    pub fn new(server: DeviceId, books: impl IntoIterator<Item = BookId>) -> Self {
        let state = BookState { more: true, ..BookState::default() };
        let books = books.into_iter().map(|book| (book, state.clone())).collect();
        Self { server, page: Page { lines: 20_000, bytes: 12 << 20 }, books, closed: BTreeSet::new() }
    }

    /// The books the server did not open to this device, left out since. What is here stays, and what
    /// is unsent goes once they are opened.
    pub fn closed(&self) -> &BTreeSet<BookId> {
        &self.closed
    }

    /// Reads the server's whole log of a book and lays the local one out anew over it, every hash
    /// checked: for a store whose lines are damaged. What cannot stay is set aside.
    pub fn check_anew(&mut self, book: BookId) {
        let state = self.books.entry(book).or_default();
        (state.more, state.anew) = (true, Some(Anew::new(None)));
    }

    /// Sets how much one request may offer; the default keeps every server's limits.
    pub fn with_page(mut self, page: Page) -> Self {
        self.page = page;
        self
    }

    /// The next request, or nothing when both logs have the same lines.
    ///
    /// # Errors
    /// [`ClientError::Log`] when the local log cannot be read.
    pub fn request(&mut self, db: &Connection, now: UtcMs) -> Result<Option<Request>, ClientError> {
        let mut body = json_line(&RequestStart { exchange: EXCHANGE_VERSION, now });
        let mut sent = BTreeMap::new();
        let mut room = self.page;
        for (book, state) in &self.books {
            let (mut cursor, sent_to) = peer(db, *book, self.server)?;
            if let Some(anew) = &state.anew {
                cursor = anew.at;
            }
            let (offers, looked_to) = if state.recovering || state.anew.is_some() {
                (vec![], sent_to)
            } else {
                offers(db, *book, sent_to, room, state)?
            };
            if offers.is_empty() && !state.more {
                if looked_to > sent_to {
                    put_peer(db, *book, self.server, (cursor, looked_to))?;
                }
                continue;
            }
            let server = Some(self.server);
            body.push_str(&json_line(&BookRequest {
                book: *book,
                server,
                position: cursor.position,
                chain: cursor.chain,
            }));
            for line in &offers {
                body.push_str(&line.text);
                body.push('\n');
                room.bytes = room.bytes.saturating_sub(line.text.len());
            }
            room.lines = room.lines.saturating_sub(offers.len());
            let offered = offers.into_iter().map(|line| line.hash).collect();
            sent.insert(*book, Asked { cursor, offered, sent_to, looked_to });
        }
        Ok(if sent.is_empty() { None } else { Some(Request { body, sent }) })
    }

    /// Takes an answer in: everything it carries in one transaction, or nothing.
    ///
    /// # Errors
    /// [`ClientError`]; the local log is then as it was.
    pub fn apply(
        &mut self,
        db: &mut Connection,
        request: &Request,
        answer: impl BufRead,
    ) -> Result<Outcome, ClientError> {
        let mut parsed = answer::read(answer, self.server, &request.sent)?;
        let now = parsed.now;
        let tx = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
        let mut books = BTreeMap::new();
        let mut aside = 0;
        for (book, part) in &mut parsed.books {
            let Some(sent) = request.sent.get(book) else { continue };
            let BookAnswer { appended: pushed, known, findings_to, .. } = part.head;
            let cursor = part.cursor();
            if let Some(anew) = self.books.get_mut(book).and_then(|s| s.anew.as_mut()) {
                anew.lines.append(&mut part.lines);
                anew.at = cursor;
                if !part.head.more {
                    let (base, by) = ((&anew.lines[..], cursor), (self.server, now));
                    aside += set_aside::lay_out_anew(&tx, *book, base, anew.suspect.as_ref(), by)?;
                }
                books.insert(*book, BookOutcome { pushed, known, pulled: 0, findings_to, cursor });
                continue;
            }
            let grew = read::book(&tx, *book)?.map_or(0, |b| b.end.position) != sent.looked_to;
            let appended = match append(&tx, *book, &part.lines) {
                Err(LogError::Refused { refusal, line, hash, .. }) => {
                    // The server has a branch that this log cannot take: nothing of the answer is kept.
                    drop(tx);
                    let book = *book;
                    if self.lay_out(db, book, None)? {
                        return Ok(Outcome { server_now: now, books: BTreeMap::new(), set_aside: 0 });
                    }
                    return Err(LogError::Refused { book, line, hash, refusal }.into());
                }
                other => other?,
            };
            let sent_to = sent.shared_to(part.head.more, grew, appended.end.position);
            put_peer(&tx, *book, self.server, (cursor, sent_to))?;
            let pulled = appended.new.len() as u64;
            books.insert(*book, BookOutcome { pushed, known, pulled, findings_to, cursor });
        }
        tx.commit()?;
        for (book, part) in parsed.books {
            let state = self.books.entry(book).or_default();
            if let Some(going) = &state.anew {
                if part.head.more {
                    continue;
                }
                state.pulled = going.lines.iter().map(LogLine::hash).collect();
                (state.anew, state.recovering) = (None, false);
                state.more = true;
                continue;
            }
            state.more = part.head.more;
            // The log's end first: own lines on the way to it need not be offered again.
            state.recovering = part.head.more;
            state.pulled.extend(part.hashes);
        }
        Ok(Outcome { server_now: parsed.now, books, set_aside: aside })
    }

    /// Begins to lay a book out anew; false when this session did so too often.
    fn lay_out(
        &mut self,
        db: &Connection,
        book: BookId,
        suspect: Option<Suspect>,
    ) -> Result<bool, ClientError> {
        if let Some(home) = set_aside::home(db, book)?
            && home != self.server
        {
            return Err(ClientError::OtherBranch { book, home });
        }
        let state = self.books.entry(book).or_default();
        if state.times_anew == MOST_ANEW {
            return Ok(false);
        }
        state.times_anew += 1;
        (state.more, state.anew) = (true, Some(Anew::new(suspect)));
        Ok(true)
    }

    /// What a refusal asks for. A server whose log is not the one the cursor was of is read from its
    /// beginning, and then given what it lacks. For a line that it cannot take its whole log is read
    /// too, and the local one laid out anew over it. A book that the office has not opened to this device
    /// is left out. Any other refusal comes back as the error.
    ///
    /// # Errors
    /// [`ClientError::Refused`] when neither would help; [`ClientError::OtherBranch`].
    pub fn refused(
        &mut self,
        db: &mut Connection,
        request: &Request,
        problem: &Problem,
    ) -> Result<(), ClientError> {
        let refused = || ClientError::Refused(Box::new(problem.clone()));
        let book = problem.book.filter(|b| request.sent.contains_key(b)).ok_or_else(refused)?;
        if problem.code == code::BOOK_REFUSED {
            self.books.remove(&book);
            self.closed.insert(book);
            return Ok(());
        }
        let starts_again = [code::CHAIN_MISMATCH, code::UNKNOWN_DEPENDENCY].contains(&problem.code.as_str());
        let state = self.books.entry(book).or_default();
        if starts_again && !state.restarted && state.anew.is_none() {
            let tx = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
            put_peer(&tx, book, self.server, (Cursor::START, 0))?;
            // It may have lost evidence too.
            tx.prepare_cached(sql::BACK_NO_MORE)?.execute([book.as_bytes()])?;
            tx.commit()?;
            *state = BookState { more: true, recovering: true, restarted: true, ..BookState::default() };
            return Ok(());
        }
        let line = problem.line.and_then(|l| usize::try_from(l).ok());
        let offered = &request.sent.get(&book).ok_or_else(refused)?.offered;
        let hash = line.and_then(|l| offered.get(l)).copied();
        let suspect = match problem.code.as_str() {
            code::CHAIN_MISMATCH if state.anew.is_some() => None,
            code::ACTOR_FORKED | code::SEQUENCE_GAP | code::UNKNOWN_DEPENDENCY => None,
            code if code::OF_A_LINE.contains(&code) => {
                let hash = hash.ok_or_else(refused)?;
                Some(Suspect { hash, code: code.to_owned(), why: problem.detail.clone() })
            }
            _ => return Err(refused()),
        };
        if self.lay_out(db, book, suspect)? { Ok(()) } else { Err(refused()) }
    }
}

/// The cursor kept for a server and book, and the local position shared up to.
///
/// # Errors
/// [`LogError::Database`].
pub fn peer(db: &Connection, book: BookId, server: DeviceId) -> Result<Peer, LogError> {
    let mut query = db.prepare_cached(sql::PEER)?;
    let row = query.query_row(params![book.as_bytes(), server.0], |row| {
        let cursor = Cursor { position: read::from_sql(row.get(0)?), chain: Sha256Hash(row.get(1)?) };
        Ok((cursor, read::from_sql(row.get(2)?)))
    });
    Ok(row.optional()?.unwrap_or((Cursor::START, 0)))
}

/// How many lines of a book this store has that were never shared with a server.
///
/// # Errors
/// [`LogError::Database`].
pub fn unshared(db: &Connection, book: BookId, server: DeviceId) -> Result<u64, LogError> {
    let end = read::book(db, book)?.map_or(0, |b| b.end.position);
    Ok(end.saturating_sub(peer(db, book, server)?.1))
}

pub(crate) fn put_peer(db: &Connection, book: BookId, server: DeviceId, peer: Peer) -> Result<(), LogError> {
    let (cursor, sent_to) = peer;
    db.prepare_cached(sql::PUT_PEER)?.execute(params![
        book.as_bytes(),
        server.0,
        read::to_sql(cursor.position),
        cursor.chain.0,
        read::to_sql(sent_to)
    ])?;
    Ok(())
}

/// Local lines the server has not had, and the position looked up to.
fn offers(
    db: &Connection,
    book: BookId,
    sent_to: u64,
    room: Page,
    state: &BookState,
) -> Result<(Vec<StoredLine>, u64), LogError> {
    if room.lines == 0 || room.bytes == 0 {
        return Ok((vec![], sent_to));
    }
    let mut looked_to = sent_to;
    loop {
        let page = read::read(db, book, looked_to, room)?;
        let Some(last) = page.last() else { return Ok((vec![], looked_to)) };
        looked_to = last.position;
        let fresh: Vec<_> = page.into_iter().filter(|line| !state.pulled.contains(&line.hash)).collect();
        if !fresh.is_empty() {
            return Ok((fresh, looked_to));
        }
    }
}

pub(crate) fn json_line(value: &impl serde::Serialize) -> String {
    // These types hold ids and numbers only; writing them cannot fail.
    let mut line = serde_json::to_string(value).unwrap_or_default();
    line.push('\n');
    line
}
