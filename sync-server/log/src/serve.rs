//! The answering side of an exchange: is the cursor of this log, and what comes after it.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use bolebook_core::exchange::{BookAnswer, BookRequest, Cursor, Entry, LogLine};
use bolebook_core::ids::{ActorId, DeviceId, Sha256Hash};
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
    let mut index: BTreeMap<Sha256Hash, u64> = BTreeMap::new();
    for (i, line) in offered.iter().enumerate() {
        index.entry(line.hash()).or_insert(i as u64);
    }
    // Its own it is told by their places, so nobody reads their texts.
    let lines = read::read_but(db, request.book, request.position, page, |hash| index.contains_key(hash))?;
    let last = read::book(db, request.book)?.map_or(Cursor::START, |b| b.end);
    let end = lines.last().map_or(request.position, |l| l.position);
    let chain = lines.last().map_or(request.chain, |l| l.chain);
    let head = BookAnswer {
        book: request.book,
        from: request.position,
        appended: 0,
        known: 0,
        end,
        chain,
        more: end < last.position,
        findings_to: None,
    };
    Ok(HandOut { head, body: write_lines(&lines, &index) })
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

fn write_lines(lines: &[StoredLine], index: &BTreeMap<Sha256Hash, u64>) -> String {
    let mut body = String::new();
    let mut run: Option<[u64; 2]> = None;
    for line in lines {
        let place = index.get(&line.hash).copied();
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
    if let Some([first, last]) = run.take() {
        // Writing into a string cannot fail.
        let _ = writeln!(body, r#"{{"yours":[{first},{last}]}}"#);
    }
}
