//! Taking lines in: through the gate, all or none, each once.

use std::collections::BTreeSet;

use bolebook_core::commit::Commit;
use bolebook_core::exchange::{Cursor, Entry, LogLine, chain_after};
use bolebook_core::gate::{Gate, GateError, Known, LogIndex, Verdict, genesis_of};
use bolebook_core::ids::{ActorId, BookId, CommitHash, Sha256Hash};
use bolebook_db::{Connection, OptionalExtension as _, Transaction, params};

use crate::error::LogError;
use crate::layout::{self, Form};
use crate::read::{self, BookInfo, BookKind};
use crate::{sql, stored};

/// What an append did.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Appended {
    /// The log's end before it.
    pub before: Cursor,
    /// The log's end after it.
    pub end: Cursor,
    /// Indices of the offered lines that were new, in the order of their positions.
    pub new: Vec<usize>,
    /// How many of the offered lines the log had already.
    pub known: u64,
}

/// Appends lines to a book within the caller's transaction.
///
/// Lines are checked by the gate in the order given, all of them before the first is written; a
/// line the log has already is skipped. The first line of a new book must be its genesis.
///
/// The transaction should be an immediate one: what a commit stands on ([`crate::basis`]) and its
/// append then see one state, whatever other process has the file open. In a database that several
/// servers share, the book's row is taken for this transaction alone, and positions come from it; lines
/// must be parsed before, so that nobody waits for that.
///
/// # Errors
/// [`LogError::Refused`] with the line and the rule it breaks, or the database's own. The
/// transaction is then unchanged by this call, and the caller decides what becomes of it.
pub fn append(tx: &Transaction<'_>, book: BookId, lines: &[LogLine]) -> Result<Appended, LogError> {
    if lines.is_empty() {
        // Nothing to keep others away for: what comes meanwhile is not touched.
        let before = read::book(tx, book)?.map_or(Cursor::START, |i| i.end);
        return Ok(Appended { before, end: before, new: vec![], known: 0 });
    }
    let info = read::book_taken(tx, book)?;
    let before = info.as_ref().map_or(Cursor::START, |i| i.end);
    let new = pass(tx, book, info.is_none(), lines)?;
    let known = (lines.len() - new.len()) as u64;
    let Some(mut info) = info.or_else(|| opened_by(book, &new, lines)) else {
        return match new.first() {
            None => Ok(Appended { before, end: before, new, known }),
            // Somebody opened it between two looks, which a transaction that nothing guards may see.
            Some(_) => Err(LogError::NoBook(book)),
        };
    };
    let mut heads: BTreeSet<CommitHash> = info.heads.iter().copied().collect();
    let form = if new.is_empty() { Form::Text } else { layout::form(tx, before == Cursor::START)? };
    for line in new.iter().filter_map(|i| lines.get(*i)) {
        info.end = write_line(tx, form, book, info.end, line)?;
        if let Entry::Commit(commit) = line.entry() {
            for dep in commit.deps() {
                heads.remove(dep);
            }
            heads.insert(commit.hash());
            info.last_op = info.last_op.max(commit.last_op());
        }
    }
    info.heads = heads.into_iter().collect();
    if !new.is_empty() {
        write_book(tx, &info)?;
    } else if tx.is_shared() && known > 0 {
        tx.execute(sql::TOUCH_BOOK, [book.as_bytes()])?;
    }
    Ok(Appended { before, end: info.end, new, known })
}

/// Takes the rows of these books for this transaction alone, until it ends; false when one is not there yet,
/// and nothing guards it then.
///
/// Of [`Connection::guarded`]: comes first, and whatever is relied on is read after it. Taken in the order of
/// their ids, so that nobody waits for a book while keeping one that the other waits for.
///
/// # Errors
/// [`LogError::Database`].
pub fn take(tx: &Transaction<'_>, books: &[BookId]) -> Result<bool, LogError> {
    for book in books.iter().collect::<BTreeSet<_>>() {
        if read::book_taken(tx, *book)?.is_none() {
            return Ok(false);
        }
    }
    Ok(true)
}

/// Indices of the lines that are new; none is written yet.
fn pass(db: &Connection, book: BookId, empty: bool, lines: &[LogLine]) -> Result<Vec<usize>, LogError> {
    let index = Index { db, book, empty };
    let mut gate = Gate::new(book, &index);
    let mut signed = BTreeSet::new();
    let mut new = Vec::with_capacity(lines.len());
    for (i, line) in lines.iter().enumerate() {
        let (verdict, hash) = match line.entry() {
            Entry::Commit(commit) => (gate.pass(commit), commit.hash()),
            Entry::Signature(signature) => {
                let passed = gate.pass_signature(signature);
                let hash = line.hash();
                let fresh = signed.insert(hash) && signature_position(db, book, hash)?.is_none();
                (passed.map(|()| if fresh { Verdict::New } else { Verdict::Known }), signature.hash)
            }
        };
        match verdict {
            Ok(Verdict::New) => new.push(i),
            Ok(Verdict::Known) => {}
            Err(GateError::Refused(refusal)) => {
                return Err(LogError::Refused { book, line: i, hash, refusal: Box::new(refusal) });
            }
            Err(GateError::Log(e)) => return Err(e),
        }
    }
    Ok(new)
}

fn opened_by(book: BookId, new: &[usize], lines: &[LogLine]) -> Option<BookInfo> {
    let first = new.first().and_then(|i| lines.get(*i))?;
    let Entry::Commit(commit) = first.entry() else { return None };
    let genesis = genesis_of(commit, book).ok()?;
    let kind = BookKind::of(&genesis.content);
    Some(BookInfo { book, kind, end: Cursor::START, heads: vec![], last_op: 0 })
}

fn write_line(
    db: &Connection,
    form: Form,
    book: BookId,
    end: Cursor,
    line: &LogLine,
) -> Result<Cursor, LogError> {
    let hash = line.hash();
    let next = Cursor { position: end.position + 1, chain: chain_after(end.chain, hash) };
    let position = read::to_sql(next.position);
    stored::add(db, form, book, next, line)?;
    match line.entry() {
        Entry::Commit(commit) => write_commit(db, book, position, commit)?,
        Entry::Signature(s) => {
            let values = params![book.as_bytes(), hash.0, s.actor.0, read::to_sql(s.seq), position];
            db.prepare_cached(sql::ADD_SIGNATURE)?.execute(values)?;
        }
    }
    Ok(next)
}

fn write_commit(db: &Connection, book: BookId, position: i64, commit: &Commit) -> Result<(), LogError> {
    let (seq, last_op) = (read::to_sql(commit.seq()), read::to_sql(commit.last_op()));
    let values = params![book.as_bytes(), commit.hash().0, commit.actor().0, seq, last_op, position];
    db.prepare_cached(sql::ADD_COMMIT)?.execute(values)?;
    let values = params![book.as_bytes(), commit.actor().0, seq, commit.hash().0];
    db.prepare_cached(sql::PUT_ACTOR)?.execute(values)?;
    let mut add_record = db.prepare_cached(sql::ADD_RECORD)?;
    for id in commit.record_ids() {
        add_record.execute(params![book.as_bytes(), id.as_bytes(), position])?;
    }
    Ok(())
}

fn write_book(db: &Connection, info: &BookInfo) -> Result<(), LogError> {
    let heads: Vec<u8> = info.heads.iter().flat_map(|h| h.0).collect();
    db.prepare_cached(sql::PUT_BOOK)?.execute(params![
        info.book.as_bytes(),
        info.kind.name(),
        read::to_sql(info.end.position),
        info.end.chain.0,
        heads,
        read::to_sql(info.last_op)
    ])?;
    Ok(())
}

fn signature_position(db: &Connection, book: BookId, hash: Sha256Hash) -> Result<Option<i64>, LogError> {
    let mut query = db.prepare_cached(sql::SIGNATURE)?;
    Ok(query.query_row(params![book.as_bytes(), hash.0], |row| row.get(0)).optional()?)
}

/// The log as the gate asks it.
struct Index<'a> {
    db: &'a Connection,
    book: BookId,
    empty: bool,
}

impl LogIndex for Index<'_> {
    type Error = LogError;

    fn known(&self, hash: CommitHash) -> Result<Option<Known>, LogError> {
        Ok(read::commit_row(self.db, self.book, hash)?.map(|(known, _)| known))
    }

    fn chain_end(&self, actor: ActorId) -> Result<Option<(u64, CommitHash)>, LogError> {
        read::chain_end(self.db, self.book, actor)
    }

    fn is_empty(&self) -> Result<bool, LogError> {
        Ok(self.empty)
    }
}
