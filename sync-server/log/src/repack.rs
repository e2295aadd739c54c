//! Changes a log's lines from text to packed, or back, in its place and in small steps.
//!
//! Each step is a transaction of its own: one that is cut off leaves lines of both forms, which are read
//! alike, and what is started again goes on. Others may read and append meanwhile: the layout's number
//! tells them what to write, and is changed first on the way there ([`begin`]), last on the way back
//! ([`finish`]): while anything is packed, no older program starts on it.

use bolebook_core::exchange::LogLine;
use bolebook_core::ids::{BookId, Sha256Hash};
use bolebook_db::{Connection, OptionalExtension as _, Transaction, TransactionBehavior, params};

use crate::error::LogError;
use crate::layout::{self, Form, PACKED, TEXT, UNPACKING};
use crate::turns::Turns;
use crate::{packed, pieces, read, sql, stored};

/// So many lines are looked at in one step.
const LINES: usize = 500;
/// So many are asked for at once: a shared database sends all of them, and a packed row may have half a
/// megabyte there.
const AT_ONCE: usize = 50;
/// A step ends after so many bytes of text.
const BYTES: usize = 4 << 20;

/// What was done.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize)]
pub struct Repacked {
    /// Lines looked at.
    pub lines: u64,
    /// Lines changed to the other form.
    pub changed: u64,
    /// Lines that are not what was stored. They lie as they did: nothing vouches for them anew.
    pub damaged: u64,
}

/// Says in which form lines are written from now on.
///
/// # Errors
/// [`LogError`]; the caller drops the transaction.
pub fn begin(tx: &Transaction<'_>, to: Form) -> Result<(), LogError> {
    match (to, layout::number(tx, true)?) {
        (Form::Packed, PACKED) | (Form::Text, TEXT | UNPACKING) => Ok(()),
        (Form::Packed, _) => layout::set(tx, PACKED),
        (Form::Text, _) => layout::set(tx, UNPACKING),
    }
}

/// Whether the log is on its way to this form, or there. Whoever packs while another unpacks would leave
/// packed lines in a log that says it has none.
fn still_bound_for(found: i64, to: Form) -> Result<(), LogError> {
    match (to, found) {
        (Form::Packed, PACKED) | (Form::Text, UNPACKING | TEXT) => Ok(()),
        _ => Err(LogError::Turned { found }),
    }
}

/// A line as it lies there.
struct Lying {
    position: i64,
    hash: Sha256Hash,
    text: String,
    packed: bool,
}

/// Changes the next lines of a book after a position; gives up to where, or nothing at the end.
///
/// # Errors
/// [`LogError::Turned`] when another run goes the other way since [`begin`]; the caller drops the transaction.
pub fn some(
    tx: &Transaction<'_>,
    book: BookId,
    after: u64,
    to: Form,
    done: &mut Repacked,
) -> Result<Option<u64>, LogError> {
    // Whoever is about to append knows the layout's number by then, or learns it after this.
    if read::book_taken(tx, book)?.is_some() && tx.is_shared() {
        tx.execute(sql::TOUCH_BOOK, [book.as_bytes()])?;
    }
    // After the row: a run the other way passes this book before this transaction, which then sees its
    // number, or after it, and then finds what this one changes.
    still_bound_for(layout::number(tx, false)?, to)?;
    let lying = lying(tx, book, after)?;
    for line in &lying {
        done.lines += 1;
        if line.packed == (to == Form::Packed) {
            continue;
        }
        let is_whole = LogLine::parse(&line.text).is_ok_and(|parsed| parsed.hash() == line.hash);
        if !is_whole {
            done.damaged += 1;
        } else if change(tx, book, line, to)? {
            done.changed += 1;
        }
    }
    Ok(lying.last().map(|line| read::from_sql(line.position)))
}

fn lying(db: &Connection, book: BookId, after: u64) -> Result<Vec<Lying>, LogError> {
    let (mut lying, mut bytes) = (vec![], 0);
    let mut query = db.prepare_cached(stored::lines(db)?)?;
    loop {
        let from = lying.last().map_or(read::to_sql(after), |line: &Lying| line.position);
        let before = lying.len();
        let mut rows = query.query(params![book.as_bytes(), from, AT_ONCE as i64])?;
        while let Some(row) = rows.next()? {
            let position = row.get(0)?;
            let text = stored::text(db, (book, position), &row, 3)?;
            let packed = stored::bytes(db, &row, 3)?.is_some();
            bytes += text.len();
            lying.push(Lying { position, hash: Sha256Hash(row.get(1)?), text, packed });
            if bytes > BYTES {
                return Ok(lying);
            }
        }
        if lying.len() < before + AT_ONCE || lying.len() >= LINES {
            return Ok(lying);
        }
    }
}

/// Puts a line in its place in the other form; false when it stays as it is.
fn change(db: &Connection, book: BookId, line: &Lying, to: Form) -> Result<bool, LogError> {
    let key = book.as_bytes();
    if to == Form::Text {
        let (first, rest) = pieces::first(db, &line.text);
        let statement = if db.is_shared() { sql::SET_TEXT_SHARED } else { sql::SET_LINE };
        db.prepare_cached(statement)?.execute(params![key, line.position, first])?;
        pieces::add_rest(db, book, line.position, rest)?;
        return Ok(true);
    }
    let Some(bytes) = stored::packed(db, to, &line.text) else { return Ok(false) };
    // What is written over is the only copy here.
    if packed::unpack(&bytes).as_deref() != Ok(line.text.as_str()) {
        return Ok(false);
    }
    let statement = if db.is_shared() { sql::SET_PACKED_SHARED } else { sql::SET_LINE };
    db.prepare_cached(statement)?.execute(params![key, line.position, bytes])?;
    if db.is_shared() {
        db.prepare_cached(sql::DROP_REST)?.execute(params![key, line.position])?;
    }
    Ok(true)
}

/// Ends the way back to text: from here on an older program starts on the log. Gives the first line that
/// is packed still, and then the layout stays as it was.
///
/// # Errors
/// [`LogError::Turned`] when another run went the other way meanwhile; the caller drops the transaction.
pub fn finish(tx: &Transaction<'_>, to: Form) -> Result<Option<(BookId, u64)>, LogError> {
    still_bound_for(layout::number(tx, true)?, to)?;
    if to == Form::Packed {
        return Ok(None);
    }
    let statement = if tx.is_shared() { sql::PACKED_LEFT_SHARED } else { sql::PACKED_LEFT };
    let left = tx.query_row(statement, [], |row| Ok((row.get::<_, [u8; 16]>(0)?, row.get::<_, i64>(1)?)));
    match left.optional()? {
        None => {
            layout::set(tx, TEXT)?;
            Ok(None)
        }
        Some((book, position)) => {
            let book = read::book_id(book).unwrap_or(BookId::new(0, [0; 10]));
            Ok(Some((book, read::from_sql(position))))
        }
    }
}

/// How often the way back is gone over: lines that somebody packed while they learnt of it come with the next.
const ROUNDS: u32 = 3;

/// How a run does its transactions.
pub trait Steps {
    /// What it says when one failed.
    type Error;

    /// One transaction, which is kept when this returns `Ok`. `work` comes to the same if it is done twice.
    ///
    /// # Errors
    /// The run's.
    fn step<T>(&mut self, work: impl Fn(&Transaction<'_>) -> Result<T, LogError>) -> Result<T, Self::Error>;

    /// What stopped a run whose transactions were all kept.
    fn stopped(&self, why: LogError) -> Self::Error;
}

/// What a run did.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize)]
pub struct Run {
    /// Books.
    pub books: u64,
    /// Their lines.
    #[serde(flatten)]
    pub lines: Repacked,
}

/// Packs every line of a log, or makes text of every one again, step by step.
///
/// # Errors
/// The steps'; what was changed until then holds. [`LogError::Damaged`] when a line cannot be unpacked,
/// [`LogError::Turned`] when another run went the other way.
pub fn run<S: Steps>(steps: &mut S, to: Form) -> Result<Run, S::Error> {
    steps.step(|tx| begin(tx, to))?;
    let mut round = 1;
    loop {
        let mut done = Run::default();
        for info in steps.step(|tx| read::books(tx))? {
            book(steps, info.book, to, &mut done.lines)?;
            done.books += 1;
        }
        match steps.step(|tx| finish(tx, to))? {
            None => return Ok(done),
            Some((book, position)) if round == ROUNDS || done.lines.damaged > 0 => {
                return Err(steps.stopped(still_packed(book, position, &done.lines)));
            }
            Some(_) => round += 1,
        }
    }
}

fn book<S: Steps>(steps: &mut S, book: BookId, to: Form, done: &mut Repacked) -> Result<(), S::Error> {
    let mut after = Some(0);
    while let Some(at) = after {
        let (end, step) = steps.step(|tx| {
            let mut step = Repacked::default();
            Ok((some(tx, book, at, to, &mut step)?, step))
        })?;
        done.lines += step.lines;
        done.changed += step.changed;
        done.damaged += step.damaged;
        after = end;
    }
    Ok(())
}

/// Steps in a log that nobody else uses, or, with turns, in a file that others are at work on.
#[derive(Debug)]
pub struct InFile<'a> {
    db: &'a Connection,
    turns: Option<Turns>,
}

impl<'a> InFile<'a> {
    /// Steps that leave the file to others in between.
    pub fn beside_others(db: &'a Connection) -> Self {
        Self { db, turns: Some(Turns::default()) }
    }

    /// Gives the file's free pages back to the disk.
    ///
    /// # Errors
    /// As [`crate::shrink`].
    pub fn shrink(mut self) -> Result<(), LogError> {
        crate::shrink(self.db, &mut self.turns.take().unwrap_or_default())
    }
}

impl Steps for InFile<'_> {
    type Error = LogError;

    fn step<T>(&mut self, work: impl Fn(&Transaction<'_>) -> Result<T, LogError>) -> Result<T, LogError> {
        one(self.db, self.turns.as_mut(), work)
    }

    fn stopped(&self, why: LogError) -> LogError {
        why
    }
}

/// One step: a transaction of its own, and then the others' turn where there are others. The wait for one's
/// own turn is no work.
///
/// # Errors
/// The work's, or the database's: nothing of it holds then.
pub fn one<T>(
    db: &Connection,
    turns: Option<&mut Turns>,
    work: impl FnOnce(&Transaction<'_>) -> Result<T, LogError>,
) -> Result<T, LogError> {
    let tx = db.begin(TransactionBehavior::Immediate)?;
    let whole = || {
        let done = work(&tx)?;
        tx.commit()?;
        Ok(done)
    };
    match turns {
        Some(turns) => turns.work(whole),
        None => whole(),
    }
}

/// All of it at once, for a log that nobody else uses.
///
/// # Errors
/// As [`run`].
pub fn all(db: &Connection, to: Form) -> Result<Repacked, LogError> {
    run(&mut InFile { db, turns: None }, to).map(|done| done.lines)
}

/// A line that is packed still: because one cannot be unpacked, or because it came meanwhile.
pub fn still_packed(book: BookId, position: u64, done: &Repacked) -> LogError {
    if done.damaged == 0 {
        return LogError::StillPacked { book, position };
    }
    let why = "its packed line is not what was stored, and an older Bolebook could not read it".to_owned();
    LogError::Damaged { book, position, why }
}
