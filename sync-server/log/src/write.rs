//! Writing records as a device does: commits of an actor, the chain's end signed.

use bolebook_core::commit::{Commit, Draft, MAX_RECORDS};
use bolebook_core::exchange::LogLine;
use bolebook_core::gate::Refusal;
use bolebook_core::ids::{ActorId, BookId, CommitHash};
use bolebook_core::quantity::UtcMs;
use bolebook_core::signing::{HeadSignature, SecretKey};
use bolebook_db::{Connection, Transaction, params};

use crate::append::append;
use crate::error::LogError;
use crate::read::{self, Basis};
use crate::{sql, stored};

/// Records go into one commit up to this many bytes, well under what a commit line may have.
const MAX_BYTES: usize = 2 * 1024 * 1024;

/// Who writes.
#[derive(Debug)]
pub struct Writer<'a> {
    /// The device's key.
    pub key: &'a SecretKey,
    /// Its actor: fresh, or the one it has used since it opened its store.
    pub actor: ActorId,
    /// By the device's clock.
    pub time: UtcMs,
}

pub(crate) fn author(book: BookId, draft: Draft) -> Result<Commit, LogError> {
    Commit::author(draft).map_err(|e| LogError::Refused {
        book,
        line: 0,
        hash: CommitHash([0; 32]),
        refusal: Box::new(Refusal::Commit(e)),
    })
}

/// Whether a device may go on with an actor: it has no commit here, or the last one carries the
/// device's own signature.
///
/// The gate does not bind a commit to its actor's device, so anyone can append to a chain whose
/// end is known. Whoever went on after it would vouch for it.
///
/// # Errors
/// [`LogError::Database`].
pub fn may_continue(
    db: &Connection,
    book: BookId,
    key: &SecretKey,
    actor: ActorId,
) -> Result<bool, LogError> {
    let Some((seq, hash)) = read::chain_end(db, book, actor)? else { return Ok(true) };
    let public = key.public();
    let statement = if db.is_shared() { sql::SIGNATURES_OF_SHARED } else { sql::SIGNATURES_OF };
    let mut query = db.prepare_cached(statement)?;
    let mut rows = query.query(params![book.as_bytes(), actor.0, read::to_sql(seq)])?;
    while let Some(row) = rows.next()? {
        // Far too short for a row to be only its first piece.
        let text = stored::text(db, (book, 0), &row, 0)?;
        let signed: Option<HeadSignature> = serde_json::from_str(&text).ok();
        if signed.is_some_and(|s| s.hash == hash && s.verify(book, &public).is_ok()) {
            return Ok(true);
        }
    }
    Ok(false)
}

/// Writes records into a book as commits of at most [`MAX_RECORDS`] and signs the last.
///
/// # Errors
/// [`LogError::ForeignEnd`] when the actor's chain does not end in the device's own commit: take a
/// fresh actor. [`LogError::Refused`] when a record breaks a rule of form.
pub fn write(
    tx: &Transaction<'_>,
    book: BookId,
    by: &Writer<'_>,
    texts: Vec<String>,
) -> Result<Vec<LogLine>, LogError> {
    let (actor, time) = (by.actor, by.time);
    if !may_continue(tx, book, by.key, actor)? {
        return Err(LogError::ForeignEnd { book, actor });
    }
    let mut basis = read::basis(tx, book, actor)?;
    let mut lines = vec![];
    let mut rest = texts.into_iter().peekable();
    while rest.peek().is_some() {
        let (mut records, mut bytes) = (vec![], 0);
        while let Some(text) = rest.next_if(|t| records.len() < MAX_RECORDS && bytes + t.len() < MAX_BYTES) {
            bytes += text.len();
            records.push(text);
        }
        let Basis { deps, seq, start_op } = basis;
        let commit = author(book, Draft { actor, seq, start_op, time, deps, records })?;
        basis = Basis { deps: vec![commit.hash()], seq: commit.seq() + 1, start_op: commit.last_op() + 1 };
        if rest.peek().is_none() {
            let signed = HeadSignature::sign(by.key, book, actor, commit.seq(), commit.hash());
            lines.push(LogLine::from(commit));
            lines.push(signed.into());
        } else {
            lines.push(commit.into());
        }
    }
    append(tx, book, &lines)?;
    Ok(lines)
}
