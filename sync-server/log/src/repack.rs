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

/// One step, in a transaction of its own.
fn step<T>(
    db: &Connection,
    work: impl FnOnce(&Transaction<'_>) -> Result<T, LogError>,
) -> Result<T, LogError> {
    let tx = db.begin(TransactionBehavior::Immediate)?;
    let done = work(&tx)?;
    tx.commit()?;
    Ok(done)
}

/// All of it at once, for a log that nobody else uses.
///
/// # Errors
/// [`LogError`], with what was done until then kept; [`LogError::Damaged`] when a line cannot be unpacked.
pub fn all(db: &Connection, to: Form) -> Result<Repacked, LogError> {
    let mut done = Repacked::default();
    step(db, |tx| begin(tx, to))?;
    for info in read::books(db)? {
        let mut after = Some(0);
        while let Some(at) = after {
            after = step(db, |tx| some(tx, info.book, at, to, &mut done))?;
        }
    }
    match step(db, |tx| finish(tx, to))? {
        None => Ok(done),
        Some((book, position)) => Err(still_packed(book, position, &done)),
    }
}

/// A line that is packed still: because one cannot be unpacked, or because it came meanwhile.
pub fn still_packed(book: BookId, position: u64, done: &Repacked) -> LogError {
    if done.damaged == 0 {
        return LogError::StillPacked { book, position };
    }
    let why = "its packed line is not what was stored, and an older Bolebook could not read it".to_owned();
    LogError::Damaged { book, position, why }
}
