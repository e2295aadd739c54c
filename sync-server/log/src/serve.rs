//! The answering side of an exchange: is the cursor of this log, and what comes after it. Whole at once
//! ([`hand_out`]), or first how far it goes ([`extent`]) and then piece by piece ([`piece`]).

use std::collections::BTreeMap;
use std::fmt::Write as _;

use bolebook_core::exchange::{BookAnswer, BookRequest, Cursor, Entry, LogLine, chain_after};
use bolebook_core::ids::{ActorId, BookId, DeviceId, Sha256Hash};
use bolebook_core::record::book_kinds::ChainEnd;
use bolebook_core::record::{Kind, Record};
use bolebook_db::Connection;

use crate::append::Appended;
use crate::error::LogError;
use crate::read::{self, Page, StoredLine};

/// Whether a request's cursor is one of this log.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CursorCheck {
    /// It is.
    Holds,
    /// It was made by another server.
    OtherServer,
    /// This log never said so: it was restored from an older state, or the requester was.
    Mismatch {
        /// Where this log ends.
        end: Cursor,
    },
}

/// Compares a request's cursor with the log.
///
/// # Errors
/// [`LogError::Database`].
pub fn check_cursor(
    db: &Connection,
    server: DeviceId,
    request: &BookRequest,
) -> Result<CursorCheck, LogError> {
    if request.server.is_some_and(|s| s != server) {
        return Ok(CursorCheck::OtherServer);
    }
    let chain = read::chain_at(db, request.book, request.position)?;
    if chain == Some(request.chain) {
        return Ok(CursorCheck::Holds);
    }
    let end = read::book(db, request.book)?.map_or(Cursor::START, |b| b.end);
    Ok(CursorCheck::Mismatch { end })
}

/// A book's part of an answer.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct HandOut {
    /// Its opening line.
    pub head: BookAnswer,
    /// The lines after it, each with its line end.
    pub body: String,
}

/// What stands after a request's cursor, the lines it offered itself named instead of echoed.
///
/// `head.appended`, `head.known` and `head.findings_to` are left for the caller to fill in.
///
/// # Errors
/// [`LogError::Database`].
pub fn hand_out(
    db: &Connection,
    request: &BookRequest,
    offered: &[LogLine],
    page: Page,
) -> Result<HandOut, LogError> {
    let own = Own::of(offered);
    // Its own it is told by their places, so nobody reads their texts.
    let lines = read::read_but(db, request.book, request.position, page, |hash| own.has(hash))?;
    let end = lines.last().map(|l| Cursor { position: l.position, chain: l.chain });
    Ok(HandOut { head: head(db, request, end)?, body: write_lines(&lines, &own) })
}

/// The head of a book's part that ends here; where the request's cursor is, if it has no line.
fn head(db: &Connection, request: &BookRequest, end: Option<Cursor>) -> Result<BookAnswer, LogError> {
    let last = read::book(db, request.book)?.map_or(Cursor::START, |b| b.end);
    let end = end.unwrap_or(Cursor { position: request.position, chain: request.chain });
    Ok(BookAnswer {
        book: request.book,
        from: request.position,
        appended: 0,
        known: 0,
        end: end.position,
        chain: end.chain,
        more: end.position < last.position,
        findings_to: None,
    })
}

/// How far an answer goes in a book: the head that [`hand_out`] gives, and how many bytes of text its lines
/// have, without reading a text.
///
/// # Errors
/// [`LogError::Database`].
pub fn extent(
    db: &Connection,
    request: &BookRequest,
    own: &Own,
    page: Page,
) -> Result<(BookAnswer, usize), LogError> {
    let (end, bytes) = read::measure(db, request.book, request.position, page, |hash| own.has(hash))?;
    Ok((head(db, request, end)?, bytes))
}

/// The next lines of a book's part, as an answer has them, and the place come to: after a place, not beyond
/// another, and as many as the page holds.
///
/// # Errors
/// [`LogError::Database`]; [`LogError::Damaged`] when the log does not go on from there, because it was laid
/// out anew meanwhile or is damaged.
pub fn piece(
    db: &Connection,
    book: BookId,
    (after, to): (Cursor, u64),
    page: Page,
    own: &Own,
) -> Result<(String, Cursor), LogError> {
    let left = usize::try_from(to.saturating_sub(after.position)).unwrap_or(usize::MAX);
    let page = Page { lines: page.lines.min(left), ..page };
    let lines = read::read_but(db, book, after.position, page, |hash| own.has(hash))?;
    let goes_on = lines
        .first()
        .is_some_and(|l| l.position == after.position + 1 && l.chain == chain_after(after.chain, l.hash));
    match lines.last() {
        Some(last) if goes_on => {
            Ok((write_lines(&lines, own), Cursor { position: last.position, chain: last.chain }))
        }
        _ => {
            let why = "the log does not go on here from what was read of it before".into();
            Err(LogError::Damaged { book, position: after.position + 1, why })
        }
    }
}

/// The lines that a request itself offered of a book, which are named and not sent back to it.
#[derive(Clone, Debug, Default)]
pub struct Own(BTreeMap<Sha256Hash, u64>);

impl Own {
    /// By their places among the offered ones.
    pub fn of(offered: &[LogLine]) -> Self {
        let mut index = BTreeMap::new();
        for (i, line) in offered.iter().enumerate() {
            index.entry(line.hash()).or_insert(i as u64);
        }
        Self(index)
    }

    /// How many there are.
    pub fn count(&self) -> usize {
        self.0.len()
    }

    fn has(&self, hash: &Sha256Hash) -> bool {
        self.0.contains_key(hash)
    }
}

/// Names a run of offered lines.
pub fn name_run(body: &mut String, [first, last]: [u64; 2]) {
    // Writing into a string cannot fail.
    let _ = writeln!(body, r#"{{"yours":[{first},{last}]}}"#);
}

/// The ends of the chains that newly arrived, for the server's receipt; none when it owes none.
///
/// Receipts, and servers' words on photos, are not receipted: two servers with one device between them
/// would go on for ever, each acknowledging the other's acknowledgements.
pub fn arrived(appended: &Appended, offered: &[LogLine]) -> Vec<ChainEnd> {
    let mut ends: BTreeMap<ActorId, u64> = BTreeMap::new();
    for line in appended.new.iter().filter_map(|i| offered.get(*i)) {
        match line.entry() {
            Entry::Commit(commit) if !commit.records().iter().all(|text| is_servers_word(text)) => {
                let seq = ends.entry(commit.actor()).or_default();
                *seq = commit.seq().max(*seq);
            }
            _ => {}
        }
    }
    ends.into_iter().map(|(actor, seq)| ChainEnd { actor, seq }).collect()
}

fn is_servers_word(text: &str) -> bool {
    // Canonical text has one spelling of a kind; only what may be a server's word is read whole.
    (text.contains(r#""kind":"receipt""#) || text.contains(r#""kind":"photo_received""#))
        && Record::read(text).is_ok_and(|r| matches!(r.kind(), Kind::Receipt | Kind::PhotoReceived))
}

fn write_lines(lines: &[StoredLine], own: &Own) -> String {
    let mut body = String::with_capacity(lines.iter().map(|l| l.text.len() + 1).sum());
    let mut run: Option<[u64; 2]> = None;
    for line in lines {
        let place = own.0.get(&line.hash).copied();
        if let (Some([_, last]), Some(i)) = (&mut run, place)
            && i == *last + 1
        {
            *last = i;
            continue;
        }
        end_run(&mut body, &mut run);
        match place {
            Some(i) => run = Some([i, i]),
            None => {
                body.push_str(&line.text);
                body.push('\n');
            }
        }
    }
    end_run(&mut body, &mut run);
    body
}

fn end_run(body: &mut String, run: &mut Option<[u64; 2]>) {
    if let Some(run) = run.take() {
        name_run(body, run);
    }
}
