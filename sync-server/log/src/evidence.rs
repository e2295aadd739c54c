//! What was set aside on its way back: as evidence to a server, and from there into every log.
//!
//! ```text
//! exchange until both logs have the same lines
//! confirm(&tx)?                                 what is in the log again waits no more
//! let mut pass = Pass::default();
//! while let Some(request) = pass.request(&db, server, now)? {
//!     POST request.body
//!     2xx  pass.given(&request)
//!     4xx  pass.refused(&tx, &request, &problem)?
//! }
//! set_aside::reput(&tx, &by)?                   own records that nothing proves
//! exchange again, confirm(&tx)?
//! ```
//!
//! A server's word is not the end of it: it may be put back to an older copy before anybody else has
//! what it took in. A line waits until the log here has it again, or a rescue that proves it, and what
//! waits is given anew. A server knows what it was given before.

use std::collections::{BTreeMap, BTreeSet};

use bolebook_core::book::Book;
use bolebook_core::commit::Commit;
use bolebook_core::exchange::{
    BookRequest, CHAIN_START, EXCHANGE_VERSION, Entry, LogLine, Problem, RequestStart,
};
use bolebook_core::ids::{BookId, CommitHash, DeviceId};
use bolebook_core::quantity::UtcMs;
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
}

impl Pass {
    /// Leaves out a book that the server has not opened to this device: its lines wait.
    pub fn close(&mut self, book: BookId) {
        self.closed.insert(book);
    }

    /// What is still to be given to a server, if anything is: as much as one request may hold, each
    /// commit after those it depends on. Of these it has all that were set aside here: a server that
    /// was put back to an older copy knows of none.
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
            let waits = |s: &SetAside| s.state == State::ToRescue && s.server == server && left(s);
            if self.closed.contains(&book) || !aside.iter().any(waits) {
                continue;
            }
            let mut numbers = vec![];
            for one in with_its_past(&aside, waits).into_iter().filter(|s| left(s)) {
                if count >= MOST.lines || (count > 0 && body.len() + one.text.len() > MOST.bytes) {
                    break;
                }
                if numbers.is_empty() {
                    let (server, position, chain) = (Some(server), 0, CHAIN_START);
                    body.push_str(&client::json_line(&BookRequest { book, server, position, chain }));
                }
                body.push_str(&one.text);
                body.push('\n');
                count += 1;
                numbers.push(one.number);
            }
            if !numbers.is_empty() {
                parts.push((book, numbers));
            }
        }
        Ok((count > 0).then_some(RescueRequest { body, parts }))
    }

    /// The server took a request in: this pass does not give it again.
    pub fn given(&mut self, request: &RescueRequest) {
        for (book, numbers) in &request.parts {
            self.given.extend(numbers.iter().map(|number| (*book, *number)));
        }
    }

    /// Notes that the server did not take one line as evidence: its device writes it again instead
    /// ([`crate::set_aside::reput`]). False when the refusal names no line of the request.
    ///
    /// # Errors
    /// [`LogError::Database`].
    pub fn refused(
        &self,
        tx: &Transaction<'_>,
        request: &RescueRequest,
        problem: &Problem,
    ) -> Result<bool, LogError> {
        let line = problem.line.and_then(|l| usize::try_from(l).ok());
        let part = request.parts.iter().find(|(book, _)| Some(*book) == problem.book);
        let Some((book, number)) = part.and_then(|(book, numbers)| Some((*book, *numbers.get(line?)?)))
        else {
            return Ok(false);
        };
        mark(tx, book, number, State::ToReput)?;
        Ok(true)
    }
}

fn by_book(lines: Vec<SetAside>) -> BTreeMap<BookId, Vec<SetAside>> {
    let mut books: BTreeMap<BookId, Vec<SetAside>> = BTreeMap::new();
    for line in lines {
        books.entry(line.book).or_default().push(line);
    }
    books
}

/// The lines of a book that wait, and of what they depend on all that was set aside for a rescue: in
/// an order in which each comes after its past.
///
/// Not in the order in which they were set aside: what a commit depends on may have been so later,
/// when the server was put back to an older copy.
fn with_its_past(aside: &[SetAside], waits: impl Fn(&SetAside) -> bool) -> Vec<&SetAside> {
    let mut commits: BTreeMap<CommitHash, (&SetAside, Commit)> = BTreeMap::new();
    let mut wanted: Vec<CommitHash> = vec![];
    let mut signatures: Vec<(CommitHash, &SetAside)> = vec![];
    for one in aside.iter().filter(|s| s.state.may_be_evidence()) {
        match LogLine::parse(&one.text).map(LogLine::into_entry) {
            Ok(Entry::Commit(commit)) => {
                wanted.extend(waits(one).then(|| commit.hash()));
                commits.insert(commit.hash(), (one, commit));
            }
            Ok(Entry::Signature(signed)) if waits(one) => {
                wanted.push(signed.hash);
                signatures.push((signed.hash, one));
            }
            // A signature that is back; and a text that is no line is never to be rescued.
            Ok(Entry::Signature(_)) | Err(_) => {}
        }
    }
    let mut ordered: BTreeMap<(u64, bool, u64), &SetAside> = BTreeMap::new();
    let start = |hash: &CommitHash| commits.get(hash).map_or(0, |(_, commit)| commit.start_op());
    for (hash, one) in signatures {
        ordered.insert((start(&hash), true, one.number), one);
    }
    let mut seen: BTreeSet<CommitHash> = BTreeSet::new();
    while let Some(hash) = wanted.pop() {
        if let Some((one, commit)) = commits.get(&hash)
            && seen.insert(hash)
        {
            // Operations of a commit are numbered from beyond all it depends on.
            ordered.insert((commit.start_op(), false, one.number), one);
            wanted.extend(commit.deps());
        }
    }
    ordered.into_values().collect()
}

/// Notes of what waits for a rescue that it is back: the line is in the log again, or a rescue in the
/// log proves it. Gives how many lines wait no more.
///
/// Reads the log of each book that has lines waiting, as a rescue is rare. A log with a line that
/// cannot be read says nothing yet: it is mended first.
///
/// # Errors
/// [`LogError::Database`]; the caller drops the transaction.
pub fn confirm(tx: &Transaction<'_>) -> Result<u64, LogError> {
    let waiting = list(tx)?.into_iter().filter(|s| s.state == State::ToRescue).collect();
    let mut back = 0;
    for (book, lines) in by_book(waiting) {
        let Some(log) = whole(tx, book)? else { continue };
        let rescued: BTreeMap<CommitHash, _> = log.rescued().map(|r| (r.commit().hash(), r)).collect();
        for one in lines {
            let Ok(line) = LogLine::parse(&one.text) else { continue };
            let is_back = match line.entry() {
                Entry::Commit(commit) => {
                    log.commit(commit.hash()).is_some() || rescued.contains_key(&commit.hash())
                }
                Entry::Signature(signed) => {
                    let proven = rescued.get(&signed.hash);
                    proven.is_some_and(|r| r.signatures().any(|s| s == signed))
                        || read::has_line(tx, book, &line)?
                }
            };
            if is_back {
                mark(tx, book, one.number, State::Rescued)?;
                back += 1;
            }
        }
    }
    Ok(back)
}

/// A book's log in memory, if it can be read whole.
fn whole(db: &Connection, book: BookId) -> Result<Option<Book>, LogError> {
    let mut log = Book::new(book);
    for stored in read::read(db, book, 0, Page::ALL)? {
        let took = match LogLine::parse(&stored.text).map(LogLine::into_entry) {
            Ok(Entry::Commit(commit)) => log.take(commit).is_ok(),
            Ok(Entry::Signature(_)) => true,
            Err(_) => false,
        };
        if !took {
            return Ok(None);
        }
    }
    Ok(Some(log))
}
