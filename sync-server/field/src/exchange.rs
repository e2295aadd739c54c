//! One session of exchange with a server, over the lines this device keeps. No transport, no
//! storage: what an answer brings is checked here and handed back to be stored.

use std::collections::{BTreeMap, BTreeSet};

use bolebook_core::exchange::{
    Answer, AnswerError, AnswerReader, Asked, BookRequest, CHAIN_START, Cursor, EXCHANGE_VERSION, Entry,
    LogLine, Part, Problem, RequestStart, code,
};
use bolebook_core::ids::{ActorId, BookId, DeviceId, Sha256Hash};
use bolebook_core::quantity::UtcMs;
use bolebook_core::signing::PublicKey;
use serde::{Deserialize, Serialize};

use crate::log::{Log, Refused};

/// Most lines and bytes offered in one request; well under every server's limits.
const MOST_LINES: usize = 5_000;
const MOST_BYTES: usize = 4 << 20;
/// Longer than any signature's line, in bytes.
const MOST_OF_SIGNATURE: usize = 400;

/// How far the exchange of a book with the server has come.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Peer {
    /// The last position of the server's log taken in.
    pub position: u64,
    /// The chain there.
    pub chain: Sha256Hash,
    /// The local position up to which everything was shared.
    pub sent_to: u64,
}

impl Peer {
    /// Before the first exchange.
    pub const START: Self = Self { position: 0, chain: CHAIN_START, sent_to: 0 };
}

/// The books' logs, by id.
pub type Logs = BTreeMap<BookId, Log>;
/// The state of the exchange, by book.
pub type Peers = BTreeMap<BookId, Peer>;

/// An answer could not be taken in; what was stored before stays.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum SessionError {
    /// The answer cannot be believed.
    #[error(transparent)]
    Answer(#[from] AnswerError),
    /// The answer does not end.
    #[error("the answer broke off: exchange again")]
    Cut,
    /// A line of the answer does not pass the gate.
    #[error("book {book}: {refused}")]
    Refused {
        /// The book.
        book: BookId,
        /// Which and why.
        refused: Refused,
    },
}

#[derive(Clone, Debug, Default)]
struct BookState {
    more: bool,
    /// Offer nothing before the server's whole log is known: it is read from 0, or in pages.
    recovering: bool,
    restarted: bool,
    pulled: BTreeSet<Sha256Hash>,
}

/// A request ready to send.
#[derive(Clone, Debug)]
pub struct Request {
    /// Its body.
    pub body: String,
    sent: BTreeMap<BookId, Asked>,
}

/// What an answer brings: to be stored in one transaction, then taken in.
#[derive(Clone, Debug, Default)]
pub struct Taken {
    /// New lines by book, in order.
    pub lines: Vec<(BookId, Vec<LogLine>)>,
    /// The books' new states.
    pub peers: Peers,
    /// Lines that were new to the server.
    pub pushed: u64,
    /// Lines that were new here.
    pub pulled: u64,
}

/// As many round trips as the logs' lengths ask for.
#[derive(Clone, Debug)]
pub struct Session {
    server: DeviceId,
    books: BTreeMap<BookId, BookState>,
    key: Option<PublicKey>,
}

/// Which of the lines offered are signatures of this device on the way of a chain whose later end,
/// offered with them, it has signed as well. A chain counts up to its last signature that holds, so
/// the earlier ones say nothing more; each is 64 bytes that nothing packs. They stay here. The later
/// one is checked first: one damaged in storage takes no other's place.
fn superseded(book: BookId, offers: &[(Sha256Hash, String)], key: &PublicKey) -> BTreeSet<Sha256Hash> {
    let mut signed: BTreeMap<ActorId, u64> = BTreeMap::new();
    let mut over = BTreeSet::new();
    for (hash, text) in offers.iter().rev().filter(|(_, text)| text.len() < MOST_OF_SIGNATURE) {
        let Ok(Entry::Signature(head)) = LogLine::parse_stored(text).map(LogLine::into_entry) else {
            continue;
        };
        match signed.get(&head.actor) {
            Some(later) if head.seq < *later => drop(over.insert(*hash)),
            Some(_) => {}
            None if head.verify(book, key).is_ok() => drop(signed.insert(head.actor, head.seq)),
            None => {}
        }
    }
    over
}

fn json_line(value: &impl Serialize) -> String {
    let mut line = serde_json::to_string(value).unwrap_or_default();
    line.push('\n');
    line
}

impl Session {
    /// A session about these books.
    pub fn new(server: DeviceId, books: impl IntoIterator<Item = BookId>) -> Self {
        let state = BookState { more: true, ..BookState::default() };
        Self { server, books: books.into_iter().map(|book| (book, state.clone())).collect(), key: None }
    }

    /// Says whose signatures need not all go up: this device's own, of which the last of a chain counts.
    pub fn with_key(mut self, key: Option<PublicKey>) -> Self {
        self.key = key;
        self
    }

    /// The next request, or nothing when both sides have the same lines.
    pub fn request(&self, logs: &Logs, peers: &Peers, now: UtcMs) -> Option<Request> {
        let mut body = json_line(&RequestStart { exchange: EXCHANGE_VERSION, now });
        let mut sent = BTreeMap::new();
        let (mut lines, mut bytes) = (MOST_LINES, MOST_BYTES);
        for (book, state) in &self.books {
            let peer = peers.get(book).copied().unwrap_or(Peer::START);
            let mut looked_to = peer.sent_to;
            let mut offers = vec![];
            if let Some(log) = logs.get(book).filter(|_| !state.recovering) {
                for (hash, text) in log.lines_after(peer.sent_to) {
                    if lines == 0 || bytes == 0 {
                        break;
                    }
                    looked_to += 1;
                    if !state.pulled.contains(&hash) {
                        lines -= 1;
                        bytes = bytes.saturating_sub(text.len());
                        offers.push((hash, text));
                    }
                }
            }
            if let Some(key) = &self.key {
                let over = superseded(*book, &offers, key);
                offers.retain(|(hash, _)| !over.contains(hash));
            }
            if offers.is_empty() && !state.more {
                continue;
            }
            let cursor = Cursor { position: peer.position, chain: peer.chain };
            let server = Some(self.server);
            body.push_str(&json_line(&BookRequest {
                book: *book,
                server,
                position: cursor.position,
                chain: cursor.chain,
            }));
            let mut offered = vec![];
            for (hash, text) in offers {
                body.push_str(&text);
                body.push('\n');
                offered.push(hash);
            }
            sent.insert(*book, Asked { cursor, offered, sent_to: peer.sent_to, looked_to });
        }
        if sent.is_empty() { None } else { Some(Request { body, sent }) }
    }

    /// Checks an answer against its request, its chain and the gate. The caller stores what it
    /// brings before [`Session::took`].
    ///
    /// # Errors
    /// [`SessionError`]; nothing of the answer is then to be taken in.
    pub fn read(&self, logs: &Logs, request: &Request, body: &str) -> Result<Answered, SessionError> {
        let parsed = parse(body, self.server, request)?;
        let mut taken = Taken::default();
        for (book, part) in &parsed.books {
            let Some(sent) = request.sent.get(book) else { continue };
            let empty = Log::new(*book);
            let log = logs.get(book).unwrap_or(&empty);
            let new =
                log.pass(&part.lines).map_err(|refused| SessionError::Refused { book: *book, refused })?;
            // Taps may have added lines meanwhile; they are still to be offered.
            let grew = log.end() != sent.looked_to;
            let sent_to = sent.shared_to(part.head.more, grew, log.end() + new.len() as u64);
            let Cursor { position, chain } = part.cursor();
            taken.peers.insert(*book, Peer { position, chain, sent_to });
            taken.pushed += part.head.appended;
            taken.pulled += new.len() as u64;
            taken.lines.push((*book, new));
        }
        Ok(Answered { now: parsed.now, taken, parts: parsed.books })
    }

    /// Goes on after an answer was stored.
    pub fn took(&mut self, answered: &Answered) {
        for (book, part) in &answered.parts {
            let state = self.books.entry(*book).or_default();
            state.more = part.head.more;
            // The log's end first: own lines on the way to it need not be offered again.
            state.recovering = part.head.more;
            state.pulled.extend(part.hashes.iter().copied());
        }
    }

    /// Books of which nothing is left to offer but what came from the server itself: their states,
    /// brought to the log's end, to be stored.
    pub fn settled(&self, logs: &Logs, peers: &Peers) -> Peers {
        let mut settled = Peers::new();
        for (book, state) in &self.books {
            let (Some(log), Some(peer)) = (logs.get(book), peers.get(book)) else { continue };
            let all_shared = log.lines_after(peer.sent_to).all(|(hash, _)| state.pulled.contains(&hash));
            if all_shared && peer.sent_to < log.end() {
                settled.insert(*book, Peer { sent_to: log.end(), ..*peer });
            }
        }
        settled
    }

    /// Leaves a book out of what is still to come.
    pub fn leave(&mut self, book: BookId) {
        self.books.remove(&book);
    }

    /// What a refusal asks for: a server whose log is another than the cursor was of is read from
    /// its beginning, once. Gives the book to start again, or nothing when that would not help.
    pub fn refused(&mut self, request: &Request, problem: &Problem) -> Option<BookId> {
        let book = problem.book.filter(|b| request.sent.contains_key(b))?;
        let again = [code::CHAIN_MISMATCH, code::UNKNOWN_DEPENDENCY].contains(&problem.code.as_str());
        let state = self.books.entry(book).or_default();
        if !again || state.restarted {
            return None;
        }
        *state = BookState { more: true, recovering: true, restarted: true, pulled: BTreeSet::new() };
        Some(book)
    }
}

/// An answer, checked.
#[derive(Clone, Debug)]
pub struct Answered {
    /// The server's clock.
    pub now: UtcMs,
    /// What it brings.
    pub taken: Taken,
    parts: BTreeMap<BookId, Part>,
}

fn parse(body: &str, server: DeviceId, request: &Request) -> Result<Answer, SessionError> {
    if !body.ends_with('\n') {
        return Err(SessionError::Cut);
    }
    let mut reader = AnswerReader::new(server, &request.sent);
    for text in body.lines() {
        reader.line(text)?;
    }
    Ok(reader.end()?)
}

#[cfg(test)]
mod tests;
