//! Lines that a device's log could not keep: set aside, readable, and put back where that can be.
//!
//! A refused commit, and whatever depends on it, would stop every later exchange of its book. The
//! log is laid out anew as the server's lines and then all of its own that the gate still takes;
//! the others stand here and are never removed. What was set aside because an actor forked goes to
//! the server as [evidence](crate::evidence); a device writes its own good records of the rest
//! again under a fresh actor ([`reput`]); what is neither stays to be read.

use std::collections::BTreeSet;

use bolebook_core::book::Book;
use bolebook_core::exchange::{Cursor, Entry, LogLine};
use bolebook_core::gate::Refusal;
use bolebook_core::ids::{BookId, CommitHash, DeviceId, Sha256Hash};
use bolebook_core::quantity::UtcMs;
use bolebook_core::record::{Body, Record};
use bolebook_db::{Connection, OptionalExtension as _, Row, Transaction, params};

use crate::append::append;
use crate::error::LogError;
use crate::read::{self, Page, StoredLine};
use crate::write::{Writer, write};
use crate::{client, rescue, sql};

/// What becomes of a line that was set aside.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum State {
    /// To be sent to the server as evidence.
    ToRescue,
    /// It is in the log again, or proven there by a rescue.
    Rescued,
    /// Its records are to be written again by the device that wrote them.
    ToReput,
    /// They were.
    Reput,
    /// Kept to be read: it cannot be put back by a program.
    Kept,
}

impl State {
    const ALL: [Self; 5] = [Self::ToRescue, Self::Rescued, Self::ToReput, Self::Reput, Self::Kept];

    /// A stable word.
    pub const fn name(self) -> &'static str {
        match self {
            Self::ToRescue => "to_rescue",
            Self::Rescued => "rescued",
            Self::ToReput => "to_reput",
            Self::Reput => "reput",
            Self::Kept => "kept",
        }
    }

    /// The state of a stable word.
    pub(crate) fn of(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|state| state.name() == name)
    }

    /// Whether something is still to be done with it.
    pub const fn waits(self) -> bool {
        matches!(self, Self::ToRescue | Self::ToReput)
    }

    /// Whether a server can be given it as evidence.
    pub(crate) const fn may_be_evidence(self) -> bool {
        matches!(self, Self::ToRescue | Self::Rescued)
    }
}

/// A line set aside.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SetAside {
    /// Its book.
    pub book: BookId,
    /// Its number there, from 1.
    pub number: u64,
    /// The hash it was stored under.
    pub hash: Sha256Hash,
    /// Its text.
    pub text: String,
    /// Why it could not stay: a stable code.
    pub code: String,
    /// The same in words.
    pub why: String,
    /// What becomes of it.
    pub state: State,
    /// The server it was set aside for.
    pub server: DeviceId,
    /// When.
    pub at: UtcMs,
}

fn row(row: &Row<'_>) -> bolebook_db::Result<SetAside> {
    let wrong = bolebook_db::Error::column;
    let state: String = row.get(6)?;
    Ok(SetAside {
        book: read::book_id(row.get(0)?).ok_or_else(|| wrong(0, "book_id"))?,
        number: read::from_sql(row.get(1)?),
        hash: Sha256Hash(row.get(2)?),
        text: row.get(3)?,
        code: row.get(4)?,
        why: row.get(5)?,
        state: State::of(&state).ok_or_else(|| wrong(6, "state"))?,
        server: DeviceId(row.get(7)?),
        at: UtcMs(row.get(8)?),
    })
}

/// Every line set aside, by book and in the order it was.
///
/// # Errors
/// [`LogError::Database`].
pub fn list(db: &Connection) -> Result<Vec<SetAside>, LogError> {
    let mut query = db.prepare_cached(sql::SET_ASIDE)?;
    let rows = query.query_map([], row)?;
    Ok(rows.collect::<Result<_, _>>()?)
}

pub(crate) fn mark(db: &Connection, book: BookId, number: u64, state: State) -> Result<(), LogError> {
    db.prepare_cached(sql::MARK_SET_ASIDE)?.execute(params![
        book.as_bytes(),
        read::to_sql(number),
        state.name()
    ])?;
    Ok(())
}

/// The server whose branch a book follows, once an actor has forked in it.
///
/// # Errors
/// [`LogError::Database`].
pub fn home(db: &Connection, book: BookId) -> Result<Option<DeviceId>, LogError> {
    let mut query = db.prepare_cached(sql::HOME)?;
    Ok(query.query_row([book.as_bytes()], |row| row.get(0)).optional()?.map(DeviceId))
}

/// A line the server refused for what it is.
#[derive(Clone, Debug)]
pub(crate) struct Suspect {
    pub hash: Sha256Hash,
    pub code: String,
    pub why: String,
}

struct Dropped {
    stored: StoredLine,
    line: Option<LogLine>,
    code: String,
    why: String,
    state: State,
}

/// Lays a book's log out anew: the server's lines, then the local ones the gate takes after them.
/// What it does not take is set aside. Gives how many lines were.
pub(crate) fn lay_out_anew(
    tx: &Transaction<'_>,
    book: BookId,
    (base, end): (&[LogLine], Cursor),
    suspect: Option<&Suspect>,
    (server, now): (DeviceId, UtcMs),
) -> Result<u64, LogError> {
    let mut fresh = Book::new(book);
    for (index, line) in base.iter().enumerate() {
        if let Entry::Commit(commit) = line.entry()
            && let Err(refusal) = fresh.take(commit.clone())
        {
            let hash = commit.hash();
            return Err(LogError::Refused { book, line: index, hash, refusal: Box::new(refusal) });
        }
    }
    let mut lines = base.to_vec();
    let mut dropped = sift(&mut fresh, read::read(tx, book, 0, Page::ALL)?, suspect, &mut lines);
    // What proved a line may be gone: what was back is to be looked for anew.
    tx.prepare_cached(sql::BACK_NO_MORE)?.execute([book.as_bytes()])?;
    say_what_becomes(&fresh, set_aside_before(tx, book)?, &mut dropped);
    for statement in sql::CLEAR_BOOK {
        tx.prepare_cached(statement)?.execute([book.as_bytes()])?;
    }
    if tx.is_shared() {
        tx.execute(sql::CLEAR_REST, [book.as_bytes()])?;
    }
    append(tx, book, &lines)?;
    rescue::note_anew(tx, &fresh)?;
    tx.prepare_cached(sql::PEERS_AGAIN)?.execute([book.as_bytes()])?;
    client::put_peer(tx, book, server, (end, base.len() as u64))?;
    for d in &dropped {
        let hash = d.line.as_ref().map_or(d.stored.hash, LogLine::hash);
        let (code, why, state) = (&d.code, &d.why, d.state.name());
        let row = params![book.as_bytes(), hash.0, d.stored.text, code, why, state, server.0, now.0];
        if !tx.prepare_cached(sql::IS_SET_ASIDE)?.exists(&row[..3])? {
            tx.prepare_cached(sql::ADD_SET_ASIDE)?.execute(row)?;
        } else {
            // It was back in the log since, and goes once more: what became of it before is over.
            tx.prepare_cached(sql::SET_ASIDE_AGAIN)?.execute(row)?;
        }
    }
    if dropped.iter().any(|d| d.state == State::ToRescue) {
        tx.prepare_cached(sql::PUT_HOME)?.execute(params![book.as_bytes(), server.0])?;
    }
    Ok(dropped.len() as u64)
}

/// Adds to `lines` what the gate takes, checking every hash again, and gives the rest.
fn sift(
    fresh: &mut Book,
    local: Vec<StoredLine>,
    suspect: Option<&Suspect>,
    lines: &mut Vec<LogLine>,
) -> Vec<Dropped> {
    let mut dropped = vec![];
    for stored in local {
        // The server's copy of a line that was damaged here is already in.
        if fresh.commit(CommitHash(stored.hash.0)).is_some() {
            continue;
        }
        let mut set_aside = |stored, line, code: &str, why: String| {
            let code = code.to_owned();
            dropped.push(Dropped { stored, line, code, why, state: State::Kept });
        };
        let line = match LogLine::parse(&stored.text) {
            Ok(line) => line,
            Err(error) => {
                set_aside(stored, None, error.code(), error.to_string());
                continue;
            }
        };
        if let Some(suspect) = suspect.filter(|s| s.hash == line.hash()) {
            set_aside(stored, Some(line), &suspect.code, suspect.why.clone());
            continue;
        }
        let refused = match line.entry() {
            Entry::Commit(commit) => fresh.take(commit.clone()).err(),
            Entry::Signature(s) => {
                let names = fresh.commit(s.hash).is_some_and(|c| c.actor() == s.actor && c.seq() == s.seq);
                (!names).then_some(Refusal::SignatureTarget(s.hash))
            }
        };
        match refused {
            None => lines.push(line),
            Some(refusal) => set_aside(stored, Some(line), refusal.code(), refusal.to_string()),
        }
    }
    dropped
}

/// The commits of a book that were set aside before and can be evidence.
fn set_aside_before(db: &Connection, book: BookId) -> Result<BTreeSet<CommitHash>, LogError> {
    let before = list(db)?.into_iter().filter(|s| s.book == book && s.state.may_be_evidence());
    let commits = before.filter_map(|s| match LogLine::parse(&s.text).map(LogLine::into_entry) {
        Ok(Entry::Commit(commit)) => Some(commit.hash()),
        _ => None,
    });
    Ok(commits.collect())
}

/// A whole commit whose past is in the log or set aside, now or before, can be rescued; one that depends
/// on a damaged commit can only be written again by its own device. `back` are those set aside before.
fn say_what_becomes(fresh: &Book, mut back: BTreeSet<CommitHash>, dropped: &mut [Dropped]) {
    for d in dropped {
        let Some(line) = &d.line else { continue };
        let forked = ["actor-forked", "sequence-gap", "unknown-dependency"].contains(&d.code.as_str());
        d.state = match line.entry() {
            Entry::Commit(commit) => {
                let known = |h: &CommitHash| fresh.commit(*h).is_some() || back.contains(h);
                if forked && commit.deps().iter().all(known) {
                    back.insert(commit.hash());
                    State::ToRescue
                } else {
                    State::ToReput
                }
            }
            Entry::Signature(s) if back.contains(&s.hash) => State::ToRescue,
            Entry::Signature(_) => State::Kept,
        };
    }
}

/// Writes this device's records that cannot be rescued again, under the writer's fresh actor, and
/// leaves other devices' to be read. Gives how many records were written.
///
/// A record that is in the book already is not written twice, and one that is none stays aside.
///
/// # Errors
/// [`LogError`]; the caller drops the transaction.
pub fn reput(tx: &Transaction<'_>, by: &Writer<'_>) -> Result<u64, LogError> {
    let waiting: Vec<SetAside> = list(tx)?.into_iter().filter(|s| s.state == State::ToReput).collect();
    let books: BTreeSet<BookId> = waiting.iter().map(|s| s.book).collect();
    let mut written = 0;
    for book in books {
        if read::book(tx, book)?.is_none() {
            continue;
        }
        let mut texts: Vec<String> = vec![];
        let mut ids = BTreeSet::new();
        for one in waiting.iter().filter(|s| s.book == book) {
            let own = match LogLine::parse(&one.text).map(LogLine::into_entry) {
                Ok(Entry::Commit(commit)) if commit.actor().device() == by.key.device() => Some(commit),
                _ => None,
            };
            mark(tx, book, one.number, if own.is_some() { State::Reput } else { State::Kept })?;
            for (id, text) in own.iter().flat_map(|c| c.record_ids().iter().zip(c.records())) {
                let there = !read::record_positions(tx, book, *id)?.is_empty();
                if !there && is_own(text, by.key.device()) && ids.insert(*id) {
                    texts.push(text.clone());
                }
            }
        }
        written += texts.len() as u64;
        write(tx, book, by, texts)?;
    }
    Ok(written)
}

/// Whether a record is a device's own to write again. A server's rescues are not: they prove something in
/// their place only, and the texts beside them are others'.
fn is_own(text: &str, device: DeviceId) -> bool {
    let record = Record::read(text);
    record.is_ok_and(|r| r.envelope.device == device && !matches!(r.body, Body::Rescue(_)))
}
