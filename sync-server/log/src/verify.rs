//! Checking a stored log against itself: every hash, every chain, every place.

use std::collections::BTreeSet;

use bolebook_core::exchange::{Cursor, Entry, LogLine, chain_after};
use bolebook_core::ids::{BookId, CommitHash, Sha256Hash};
use bolebook_db::Connection;

use crate::error::LogError;
use crate::read::{self, Page};
use crate::sql;

/// A log that was found whole.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Verified {
    /// Its end.
    pub end: Cursor,
    /// Commits in it.
    pub commits: u64,
    /// Head signatures in it.
    pub signatures: u64,
}

/// Recomputes every hash and the chain of a book and compares them, the heads and the indexes
/// with what is stored.
///
/// # Errors
/// [`LogError::Damaged`] with the first position that is not what was once stored.
pub fn verify(db: &Connection, book: BookId) -> Result<Verified, LogError> {
    let info = read::book(db, book)?.ok_or(LogError::NoBook(book))?;
    let mut found = Verified { end: Cursor::START, commits: 0, signatures: 0 };
    let mut heads: BTreeSet<CommitHash> = BTreeSet::new();
    loop {
        let page = read::read(db, book, found.end.position, Page { lines: 1_000, bytes: 16 << 20 })?;
        if page.is_empty() {
            break;
        }
        for stored in page {
            let position = found.end.position + 1;
            let damaged = |why: &str| LogError::Damaged { book, position, why: why.to_owned() };
            if stored.position != position {
                return Err(damaged("the line is missing"));
            }
            let line = LogLine::parse(&stored.text).map_err(|e| damaged(&e.to_string()))?;
            let hash = line.hash();
            let chain = chain_after(found.end.chain, hash);
            if stored.hash != hash || stored.chain != chain {
                return Err(damaged("hash or chain is not that of the lines"));
            }
            check_index(db, book, position, &line, hash)?;
            match line.into_entry() {
                Entry::Commit(commit) => {
                    found.commits += 1;
                    for dep in commit.deps() {
                        heads.remove(dep);
                    }
                    heads.insert(commit.hash());
                }
                Entry::Signature(_) => found.signatures += 1,
            }
            found.end = Cursor { position, chain };
        }
    }
    let counts: (i64, i64) =
        db.prepare_cached(sql::COUNTS)?.query_row([book.as_bytes()], |row| Ok((row.get(0)?, row.get(1)?)))?;
    let counted = (read::to_sql(found.commits), read::to_sql(found.signatures));
    let whole =
        info.end == found.end && heads.into_iter().eq(info.heads.iter().copied()) && counts == counted;
    if whole {
        Ok(found)
    } else {
        let why = "end, heads or counts are not those of the lines".to_owned();
        Err(LogError::Damaged { book, position: found.end.position, why })
    }
}

fn check_index(
    db: &Connection,
    book: BookId,
    position: u64,
    line: &LogLine,
    hash: Sha256Hash,
) -> Result<(), LogError> {
    let damaged = || LogError::Damaged { book, position, why: "it is not in the index".into() };
    match line.entry() {
        Entry::Commit(commit) => {
            if read::commit_position(db, book, CommitHash(hash.0))? != Some(position) {
                return Err(damaged());
            }
            for id in commit.record_ids() {
                if !read::record_positions(db, book, *id)?.contains(&position) {
                    return Err(damaged());
                }
            }
            Ok(())
        }
        Entry::Signature(_) if read::has_line(db, book, line)? => Ok(()),
        Entry::Signature(_) => Err(damaged()),
    }
}
