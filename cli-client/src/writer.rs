//! Writing records into books under a fresh actor of this device, all in the caller's transaction.

use bolebook_core::exchange::LogLine;
use bolebook_core::ids::{ActorId, BookId, RecordId};
use bolebook_core::quantity::UtcMs;
use bolebook_core::record::Record;
use bolebook_core::signing::SecretKey;
use bolebook_db::Transaction;
use bolebook_log::Writer;

use crate::error::CliError;
use crate::local_store::Store;
use crate::outside::Outside;

/// A record about to be written.
#[derive(Clone, Debug)]
pub struct Staged {
    /// Its book.
    pub book: BookId,
    /// The record.
    pub record: Record,
}

/// A record that was written.
#[derive(Clone, Debug, serde::Serialize)]
pub struct WrittenRecord {
    /// Its id.
    pub id: RecordId,
    /// Its kind.
    pub kind: &'static str,
    /// Its book.
    pub book: BookId,
}

/// What was written.
#[derive(Clone, Debug, Default)]
pub struct Written {
    /// The records, in the order they were staged.
    pub records: Vec<WrittenRecord>,
    /// The log lines, by book.
    pub lines: Vec<(BookId, Vec<LogLine>)>,
}

/// Writes staged records under a fresh actor of this device.
///
/// # Errors
/// [`CliError`]; the caller then drops the transaction.
pub fn write(
    tx: &Transaction<'_>,
    store: &Store,
    outside: &Outside,
    staged: &[Staged],
) -> Result<Written, CliError> {
    let mut written = Written::default();
    if staged.is_empty() {
        return Ok(written);
    }
    let key = store.device_key()?;
    let actor = ActorId::new(key.device(), outside.random()?);
    let mut books: Vec<BookId> = staged.iter().map(|s| s.book).collect();
    books.sort_unstable();
    books.dedup();
    for book in books {
        let of_book = staged.iter().filter(|s| s.book == book);
        let texts = of_book.map(|s| s.record.to_canonical()).collect::<Result<Vec<_>, _>>()?;
        let lines = append(tx, &key, actor, book, outside.now(), texts)?;
        written.lines.push((book, lines));
    }
    written.records = staged
        .iter()
        .map(|s| WrittenRecord { id: s.record.envelope.id, kind: s.record.kind().name(), book: s.book })
        .collect();
    Ok(written)
}

/// Appends records' texts to a book as commits of a fresh actor, and signs the chain's end.
///
/// # Errors
/// [`CliError`] when a record breaks a rule of form, or the log fails.
pub fn append(
    tx: &Transaction<'_>,
    key: &SecretKey,
    actor: ActorId,
    book: BookId,
    time: UtcMs,
    texts: Vec<String>,
) -> Result<Vec<LogLine>, CliError> {
    Ok(bolebook_log::write(tx, book, &Writer { key, actor, time }, texts)?)
}
