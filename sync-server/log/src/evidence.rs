//! What was set aside on its way back: as evidence to a server, and from there into every log.
//!
//! ```text
//! exchange until both logs have the same lines
//! let mut pass = Pass::default();
//! while let Some(request) = pass.request(&db, server, now)? {
//!     POST request.body
//!     2xx  pass.given(&request)
//!     4xx  pass.refused(&tx, &request, &problem)?   says how to go on
//! }
//! set_aside::reput(&tx, &by)?                       own records that nothing proves
//! exchange again
//! let back = pass.look(&db, server)?                what is in the log again
//! back.note(&tx)?                                   waits no more
//! ```
//!
//! A server's word is not the end of it: it may be put back to an older copy before anybody else has
//! what it took in. A line waits until the log here has it again, or a rescue that proves it, and what
//! waits is given anew. A server knows what it was given before.

use std::collections::{BTreeMap, BTreeSet};

use bolebook_core::book::{Book, Rescued};
use bolebook_core::commit::Commit;
use bolebook_core::exchange::{
    BookRequest, CHAIN_START, Cursor, EXCHANGE_VERSION, Entry, LogLine, Problem, RequestStart, code,
};
use bolebook_core::ids::{BookId, CommitHash, DeviceId};
use bolebook_core::quantity::UtcMs;
use bolebook_core::signing::HeadSignature;
use bolebook_db::{Connection, Transaction};

use crate::client;
use crate::error::LogError;
use crate::read::{self, Page};
use crate::set_aside::{SetAside, State, list, mark};

/// What one request for a rescue holds at most.
const MOST: Page = Page { lines: 20_000, bytes: 12 << 20 };

/// Evidence for a server: a body for `POST /v1/rescue`.
#[derive(Clone, Debug)]
pub struct RescueRequest {
    /// Its body: lines of JSON as in an exchange, not compressed.
    pub body: String,
    parts: Vec<(BookId, Vec<u64>)>,
}

/// One time of giving a server all that waits for it.
#[derive(Clone, Debug, Default)]
pub struct Pass {
    closed: BTreeSet<BookId>,
    given: BTreeSet<(BookId, u64)>,
    most: Option<Page>,
}

impl Pass {
    /// Sets how much one request may hold; the default keeps every server's limits.
    pub fn with_page(mut self, page: Page) -> Self {
        self.most = Some(page);
        self
    }

    /// Leaves out a book that the server has not opened to this device: its lines wait.
    pub fn close(&mut self, book: BookId) {
        self.closed.insert(book);
    }

    /// What is still to be given to a server, if anything is: as much as one request may hold, each
    /// commit after those it depends on. Of these it has all that were set aside for a rescue, back or
    /// not: a server that was put back to an older copy knows of none.
    ///
    /// Exchange first, so that the server has everything else the evidence depends on.
    ///
    /// # Errors
    /// [`LogError::Database`].
    pub fn request(
        &self,
        db: &Connection,
        server: DeviceId,
        now: UtcMs,
    ) -> Result<Option<RescueRequest>, LogError> {
        let mut body = client::json_line(&RequestStart { exchange: EXCHANGE_VERSION, now });
        let mut parts: Vec<(BookId, Vec<u64>)> = vec![];
        let mut count = 0;
        for (book, aside) in by_book(list(db)?) {
            let left = |s: &SetAside| !self.given.contains(&(book, s.number));
            let waits = |s: &SetAside| self.waits(s, server) && left(s);
            if !aside.iter().any(waits) {
                continue;
            }
            let mut numbers = vec![];
            // A signature never goes without its commit, given before or not.
            for unit in with_their_past(&aside, waits).iter().filter(|unit| unit.iter().any(|s| left(s))) {
                let bytes: usize = unit.iter().map(|s| s.text.len() + 1).sum();
                let most = self.most.unwrap_or(MOST);
                if count > 0 && (count + unit.len() > most.lines || body.len() + bytes > most.bytes) {
                    break;
                }
                if numbers.is_empty() {
                    let (server, position, chain) = (Some(server), 0, CHAIN_START);
                    body.push_str(&client::json_line(&BookRequest { book, server, position, chain }));
                }
                for one in unit {
                    body.push_str(&one.text);
                    body.push('\n');
                    numbers.push(one.number);
                }
                count += unit.len();
            }
            if !numbers.is_empty() {
                parts.push((book, numbers));
            }
        }
        Ok((count > 0).then_some(RescueRequest { body, parts }))
    }

    fn waits(&self, line: &SetAside, server: DeviceId) -> bool {
        line.state == State::ToRescue && line.server == server && !self.closed.contains(&line.book)
    }

    /// The server took a request in: this pass does not give it again.
    pub fn given(&mut self, request: &RescueRequest) {
        for (book, numbers) in &request.parts {
            self.given.extend(numbers.iter().map(|number| (*book, *number)));
        }
    }

    /// Whether the server took anything in.
    pub fn has_given(&self) -> bool {
        !self.given.is_empty()
    }

    /// What a refusal asks for. A line that the server cannot take is noted: its device writes it again
    /// instead ([`crate::set_aside::reput`]). Where everything it depends on is here, the server has lost
    /// it since the exchange, and the line waits.
    ///
    /// # Errors
    /// [`LogError::Database`]; the caller drops the transaction.
    pub fn refused(
        &self,
        tx: &Transaction<'_>,
        request: &RescueRequest,
        problem: &Problem,
    ) -> Result<Next, LogError> {
        let line = problem.line.and_then(|l| usize::try_from(l).ok());
        let part = request.parts.iter().find(|(book, _)| Some(*book) == problem.book);
        let Some((book, number)) = part.and_then(|(book, numbers)| Some((*book, *numbers.get(line?)?)))
        else {
            return Ok(Next::Say);
        };
        let aside: Vec<SetAside> = list(tx)?.into_iter().filter(|s| s.book == book).collect();
        let Some(one) = aside.iter().find(|s| s.number == number) else { return Ok(Next::Say) };
        let passes = [code::UNKNOWN_DEPENDENCY, code::SEQUENCE_GAP].contains(&problem.code.as_str());
        if one.state != State::ToRescue || (passes && has_its_past(tx, one, &aside)?) {
            return Ok(Next::Later);
        }
        mark(tx, book, number, State::ToReput)?;
        Ok(Next::Again)
    }

    /// What of the lines that wait for this server is back: it is in the log again, or a rescue in the
    /// log proves it. A signature that the server was given and does not show does not hold: it is kept.
    ///
    /// Reads the log of each book that has lines waiting, as a rescue is rare. A log with a line that
    /// cannot be read says nothing yet: it is mended first.
    ///
    /// # Errors
    /// [`LogError::Database`].
    pub fn look(&self, db: &Connection, server: DeviceId) -> Result<Back, LogError> {
        let waiting = list(db)?.into_iter().filter(|line| self.waits(line, server)).collect();
        let mut back = Back::default();
        for (book, lines) in by_book(waiting) {
            let Some((log, end)) = whole(db, book)? else { continue };
            let proven = Proven::of(&log);
            let mut marks = vec![];
            for one in lines {
                let Ok(line) = LogLine::parse(&one.text) else { continue };
                let state = match line.entry() {
                    Entry::Commit(commit) => proven.commit(commit.hash()).then_some(State::Rescued),
                    Entry::Signature(signed) if proven.shows(signed) => Some(State::Rescued),
                    Entry::Signature(_) if read::has_line(db, book, &line)? => Some(State::Rescued),
                    Entry::Signature(signed) => {
                        let given = self.given.contains(&(book, one.number));
                        (given && proven.commits.contains_key(&signed.hash)).then_some(State::Kept)
                    }
                };
                marks.extend(state.map(|state| (one.number, state)));
            }
            if !marks.is_empty() {
                back.0.push(BackInBook { book, end, marks });
            }
        }
        Ok(back)
    }
}

/// How to go on after a refusal.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Next {
    /// Ask for the next request: the line is noted, and not in it.
    Again,
    /// End this pass: what is left waits for the next exchange.
    Later,
    /// The refusal is of no line: say it.
    Say,
}

/// What waits no more, and up to where the logs were read that say so.
#[derive(Debug, Default)]
pub struct Back(Vec<BackInBook>);

#[derive(Debug)]
struct BackInBook {
    book: BookId,
    end: Cursor,
    /// What becomes of which line, by its number.
    marks: Vec<(u64, State)>,
}

impl Back {
    /// Whether there is nothing to note.
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// Notes it. A book whose log was laid out anew since is left to the next look.
    ///
    /// # Errors
    /// [`LogError::Database`]; the caller drops the transaction.
    pub fn note(&self, tx: &Transaction<'_>) -> Result<(), LogError> {
        for BackInBook { book, end, marks } in &self.0 {
            if read::chain_at(tx, *book, end.position)? != Some(end.chain) {
                continue;
            }
            for (number, state) in marks {
                mark(tx, *book, *number, *state)?;
            }
        }
        Ok(())
    }
}

/// What a log has, and what rescues in it prove.
struct Proven<'a> {
    log: &'a Book,
    commits: BTreeMap<CommitHash, &'a Rescued>,
}

impl<'a> Proven<'a> {
    fn of(log: &'a Book) -> Self {
        Self { log, commits: log.rescued().map(|r| (r.commit().hash(), r)).collect() }
    }

    /// Whether the log has a commit, or a rescue that proves it.
    fn commit(&self, hash: CommitHash) -> bool {
        self.log.commit(hash).is_some() || self.commits.contains_key(&hash)
    }

    /// Whether a rescue that proves its commit shows a signature.
    fn shows(&self, signed: &HeadSignature) -> bool {
        self.commits.get(&signed.hash).is_some_and(|r| r.signatures().any(|s| s == signed))
    }
}

/// Whether all that a commit set aside depends on is in the log here, or set aside for a rescue.
fn has_its_past(db: &Connection, one: &SetAside, aside: &[SetAside]) -> Result<bool, LogError> {
    let commit_of = |s: &SetAside| match LogLine::parse(&s.text).map(LogLine::into_entry) {
        Ok(Entry::Commit(commit)) => Some(commit),
        _ => None,
    };
    let Some(commit) = commit_of(one) else { return Ok(false) };
    let evidence = aside.iter().filter(|s| s.state.may_be_evidence()).filter_map(commit_of);
    let evidence: BTreeSet<CommitHash> = evidence.map(|c| c.hash()).collect();
    for dep in commit.deps() {
        if !evidence.contains(dep) && read::commit_position(db, one.book, *dep)?.is_none() {
            return Ok(false);
        }
    }
    Ok(true)
}

fn by_book(lines: Vec<SetAside>) -> BTreeMap<BookId, Vec<SetAside>> {
    let mut books: BTreeMap<BookId, Vec<SetAside>> = BTreeMap::new();
    for line in lines {
        books.entry(line.book).or_default().push(line);
    }
    books
}

/// The lines of a book that wait, and of what they depend on all that was set aside for a rescue: each
/// commit with its signatures, and after all of its past.
///
/// Not in the order in which they were set aside: what a commit depends on may have been so later,
/// when the server was put back to an older copy.
fn with_their_past(aside: &[SetAside], waits: impl Fn(&SetAside) -> bool) -> Vec<Vec<&SetAside>> {
    let mut commits: BTreeMap<CommitHash, (&SetAside, Commit)> = BTreeMap::new();
    let mut signatures: BTreeMap<CommitHash, Vec<&SetAside>> = BTreeMap::new();
    let mut wanted: Vec<CommitHash> = vec![];
    for one in aside.iter().filter(|s| s.state.may_be_evidence()) {
        match LogLine::parse(&one.text).map(LogLine::into_entry) {
            Ok(Entry::Commit(commit)) => {
                wanted.extend(waits(one).then(|| commit.hash()));
                commits.insert(commit.hash(), (one, commit));
            }
            Ok(Entry::Signature(signed)) => {
                wanted.extend(waits(one).then_some(signed.hash));
                signatures.entry(signed.hash).or_default().push(one);
            }
            // A text that is no line is never to be rescued.
            Err(_) => {}
        }
    }
    let mut ordered: BTreeMap<(u64, CommitHash), Vec<&SetAside>> = BTreeMap::new();
    let mut seen: BTreeSet<CommitHash> = BTreeSet::new();
    while let Some(hash) = wanted.pop() {
        if !seen.insert(hash) {
            continue;
        }
        let signatures = signatures.remove(&hash).unwrap_or_default();
        match commits.get(&hash) {
            Some((one, commit)) => {
                wanted.extend(commit.deps());
                let unit = std::iter::once(*one).chain(signatures).collect();
                // Operations of a commit are numbered from beyond all it depends on.
                ordered.insert((commit.start_op(), hash), unit);
            }
            // Its commit is in the log.
            None if !signatures.is_empty() => drop(ordered.insert((0, hash), signatures)),
            None => {}
        }
    }
    ordered.into_values().collect()
}

/// A book's log in memory and where it ends, if it can be read whole.
fn whole(db: &Connection, book: BookId) -> Result<Option<(Book, Cursor)>, LogError> {
    let (mut log, mut end) = (Book::new(book), Cursor::START);
    for stored in read::read(db, book, 0, Page::ALL)? {
        let took = match LogLine::parse(&stored.text).map(LogLine::into_entry) {
            Ok(Entry::Commit(commit)) => log.take(commit).is_ok(),
            Ok(Entry::Signature(_)) => true,
            Err(_) => false,
        };
        if !took {
            return Ok(None);
        }
        end = Cursor { position: stored.position, chain: stored.chain };
    }
    Ok(Some((log, end)))
}
