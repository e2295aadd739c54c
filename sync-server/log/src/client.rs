//! The asking side of an exchange: what to send, and what an answer changes. No transport.
//!
//! ```text
//! let mut session = Session::new(server, books);
//! while let Some(request) = session.request(&db, now)? {
//!     POST request.body
//!     2xx  session.apply(&mut db, &request, answer)?      stored in one transaction
//!     409  session.refused(&mut db, &request, &problem)?  restored server: starts the book again
//! }
//! ```
//!
//! A cursor moves only in the transaction that stores what it passed, so an exchange cut off at
//! any point is simply asked again.

use std::collections::{BTreeMap, BTreeSet};
use std::io::BufRead;

use bolebook_core::exchange::{
    AnswerLine, BookAnswer, BookRequest, Cursor, EXCHANGE_VERSION, LineError, LogLine, MAX_LINE_BYTES,
    Problem, RequestStart, chain_after, code,
};
use bolebook_core::ids::{BookId, DeviceId, Sha256Hash};
use bolebook_core::quantity::UtcMs;
use rusqlite::{Connection, OptionalExtension as _, TransactionBehavior, params};

use crate::error::LogError;
use crate::read::{self, Page, StoredLine};
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
    /// A line of the answer is none.
    #[error("line {number} of the answer: {source}")]
    Line {
        /// Which, from 1.
        number: usize,
        /// Why.
        source: LineError,
    },
    /// The answer is not one to this request.
    #[error("the answer does not fit the request: {0}; nothing of it was taken in")]
    Answer(String),
    /// The server refused, and there is nothing to do about it here.
    #[error("the server refused ({}): {}", .0.code, .0.detail)]
    Refused(Box<Problem>),
}

impl From<rusqlite::Error> for ClientError {
    fn from(error: rusqlite::Error) -> Self {
        Self::Log(error.into())
    }
}

/// A request ready to send.
#[derive(Clone, Debug)]
pub struct Request {
    /// Its body: lines of JSON, not compressed.
    pub body: String,
    sent: BTreeMap<BookId, Sent>,
}

#[derive(Clone, Debug)]
struct Sent {
    cursor: Cursor,
    offered: Vec<Sha256Hash>,
    sent_to: u64,
    looked_to: u64,
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
}

/// One session of exchange with one server: as many round trips as the logs' lengths ask for.
#[derive(Clone, Debug)]
pub struct Session {
    server: DeviceId,
    page: Page,
    books: BTreeMap<BookId, BookState>,
}

/// What is kept of a server between sessions: its cursor, and the local position up to which
/// everything was shared with it.
type Peer = (Cursor, u64);

impl Session {
    /// A session about these books, local ones and the server's alike.
    pub fn new(server: DeviceId, books: impl IntoIterator<Item = BookId>) -> Self {
        let state = BookState { more: true, ..BookState::default() };
        let books = books.into_iter().map(|book| (book, state.clone())).collect();
        Self { server, page: Page { lines: 20_000, bytes: 12 << 20 }, books }
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
            let (cursor, sent_to) = peer(db, *book, self.server)?;
            let (offers, looked_to) =
                if state.recovering { (vec![], sent_to) } else { offers(db, *book, sent_to, room, state)? };
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
            sent.insert(*book, Sent { cursor, offered, sent_to, looked_to });
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
        let parsed = Parsed::read(answer, self.server, request)?;
        let tx = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
        let mut books = BTreeMap::new();
        for (book, part) in &parsed.books {
            let Some(sent) = request.sent.get(book) else { continue };
            let at_end = read::book(&tx, *book)?.map_or(0, |b| b.end.position) == sent.looked_to;
            let appended = append(&tx, *book, &part.lines)?;
            let sent_to = match at_end {
                // What was offered stands beyond the new cursor. Were the server restored to a state
                // in between, the cursor would hold and nothing would say that the lines are gone.
                _ if part.head.more && !sent.offered.is_empty() => sent.sent_to,
                true => appended.end.position,
                false => sent.looked_to,
            };
            let cursor = Cursor { position: part.head.end, chain: part.head.chain };
            put_peer(&tx, *book, self.server, (cursor, sent_to))?;
            let BookAnswer { appended: pushed, known, findings_to, .. } = part.head;
            let pulled = appended.new.len() as u64;
            books.insert(*book, BookOutcome { pushed, known, pulled, findings_to, cursor });
        }
        tx.commit()?;
        for (book, part) in parsed.books {
            let state = self.books.entry(book).or_default();
            state.more = part.head.more;
            // The log's end first: own lines on the way to it need not be offered again.
            state.recovering = part.head.more;
            state.pulled.extend(part.hashes);
        }
        Ok(Outcome { server_now: parsed.now, books })
    }

    /// What a refusal asks for: a server whose log is not the one the cursor was of is read from
    /// its beginning, and then given what it lacks. Any other refusal comes back as the error.
    ///
    /// # Errors
    /// [`ClientError::Refused`] when starting again would not help.
    pub fn refused(
        &mut self,
        db: &mut Connection,
        request: &Request,
        problem: &Problem,
    ) -> Result<(), ClientError> {
        let refused = || ClientError::Refused(Box::new(problem.clone()));
        let book = problem.book.filter(|b| request.sent.contains_key(b)).ok_or_else(refused)?;
        let starts_again = [code::CHAIN_MISMATCH, code::UNKNOWN_DEPENDENCY].contains(&problem.code.as_str());
        let state = self.books.entry(book).or_default();
        if !starts_again || state.restarted {
            return Err(refused());
        }
        let tx = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
        put_peer(&tx, book, self.server, (Cursor::START, 0))?;
        tx.commit()?;
        *state = BookState { more: true, recovering: true, restarted: true, pulled: BTreeSet::new() };
        Ok(())
    }
}

/// The cursor kept for a server and book, and the local position shared up to.
///
/// # Errors
/// [`LogError::Sqlite`].
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
/// [`LogError::Sqlite`].
pub fn unshared(db: &Connection, book: BookId, server: DeviceId) -> Result<u64, LogError> {
    let end = read::book(db, book)?.map_or(0, |b| b.end.position);
    Ok(end.saturating_sub(peer(db, book, server)?.1))
}

fn put_peer(db: &Connection, book: BookId, server: DeviceId, peer: Peer) -> Result<(), LogError> {
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

/// An answer, checked against its request and its own chain.
struct Parsed {
    now: UtcMs,
    books: BTreeMap<BookId, Part>,
}

struct Part {
    head: BookAnswer,
    at: Cursor,
    lines: Vec<LogLine>,
    hashes: Vec<Sha256Hash>,
}

impl Part {
    fn take(&mut self, hash: Sha256Hash) {
        self.at = Cursor { position: self.at.position + 1, chain: chain_after(self.at.chain, hash) };
        self.hashes.push(hash);
    }
}

impl Parsed {
    fn read(mut answer: impl BufRead, server: DeviceId, request: &Request) -> Result<Self, ClientError> {
        let wrong = |why: &str| ClientError::Answer(why.to_owned());
        let mut books: BTreeMap<BookId, Part> = BTreeMap::new();
        let (mut now, mut open, mut number) = (None, None, 0);
        while let Some(text) = next_line(&mut answer)? {
            number += 1;
            let line = AnswerLine::parse(&text).map_err(|source| ClientError::Line { number, source })?;
            match (line, now.is_some()) {
                (AnswerLine::Start(start), false) => {
                    if start.exchange != EXCHANGE_VERSION || start.server != server {
                        return Err(wrong("another version, or another server"));
                    }
                    now = Some(start.now);
                }
                (AnswerLine::Book(head), true) => {
                    let sent = request.sent.get(&head.book).ok_or_else(|| wrong("a book not asked for"))?;
                    if head.from != sent.cursor.position {
                        return Err(wrong("it starts at another position"));
                    }
                    // Or lines that never arrived would count as shared, and never be offered again.
                    if head.appended.checked_add(head.known) != Some(sent.offered.len() as u64) {
                        return Err(wrong("it speaks of another number of offered lines"));
                    }
                    let part = Part { head, at: sent.cursor, lines: vec![], hashes: vec![] };
                    if books.insert(head.book, part).is_some() {
                        return Err(wrong("a book twice"));
                    }
                    open = Some(head.book);
                }
                (AnswerLine::Log(line), true) => {
                    let part =
                        open.and_then(|b| books.get_mut(&b)).ok_or_else(|| wrong("a line of no book"))?;
                    part.take(line.hash());
                    part.lines.push(line);
                }
                (AnswerLine::Yours(run), true) => {
                    let book = open.ok_or_else(|| wrong("a line of no book"))?;
                    let part = books.get_mut(&book).ok_or_else(|| wrong("a line of no book"))?;
                    for hash in offered(request, book, run.yours).ok_or_else(|| wrong("lines not offered"))? {
                        part.take(*hash);
                    }
                }
                _ => return Err(wrong("its first line is not the only opening line")),
            }
        }
        let whole = books.len() == request.sent.len()
            && books.values().all(|p| p.at == Cursor { position: p.head.end, chain: p.head.chain });
        match now {
            Some(now) if whole => Ok(Self { now, books }),
            _ => Err(wrong("a book is missing or its chain does not come out")),
        }
    }
}

fn offered(request: &Request, book: BookId, [first, last]: [u64; 2]) -> Option<&[Sha256Hash]> {
    let range = usize::try_from(first).ok()?..=usize::try_from(last).ok().filter(|l| *l < usize::MAX)?;
    request.sent.get(&book)?.offered.get(range)
}

fn next_line(answer: &mut impl BufRead) -> Result<Option<String>, std::io::Error> {
    use std::io::Read as _;
    let mut line = Vec::new();
    let most = MAX_LINE_BYTES as u64 + 1;
    if answer.by_ref().take(most).read_until(b'\n', &mut line)? == 0 {
        return Ok(None);
    }
    if line.pop() != Some(b'\n') {
        return Err(std::io::Error::new(std::io::ErrorKind::UnexpectedEof, "a line without an end"));
    }
    String::from_utf8(line).map(Some).map_err(|e| std::io::Error::new(std::io::ErrorKind::InvalidData, e))
}

fn json_line(value: &impl serde::Serialize) -> String {
    // These types hold ids and numbers only; writing them cannot fail.
    let mut line = serde_json::to_string(value).unwrap_or_default();
    line.push('\n');
    line
}
