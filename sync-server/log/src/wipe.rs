//! Leaves nothing behind of what was erased from other tables of the same file.

use bolebook_db::Connection;

use crate::LogError;
use crate::turns::Turns;

/// How long [`shrink`] waits for who reads, in milliseconds: it keeps writers away meanwhile.
const BRIEFLY_MS: u32 = 500;
/// How often it tries to empty the write-ahead log while others read.
const TRIES: u32 = 3;

/// Writes the whole database anew, so that no free page holds what was deleted, and empties the
/// write-ahead log. Says whether the log could be emptied: a reader at work keeps it; ask again then.
///
/// The time grows with the file, and nobody writes meanwhile.
///
/// # Errors
/// [`LogError::Database`], for instance on a full disk; the database is then as it was.
pub fn wipe(db: &Connection) -> Result<bool, LogError> {
    db.only_sqlite()?;
    // What is only in the write-ahead log goes into the file first, and the new file's pages after it.
    empty_log(db)?;
    db.execute_batch("VACUUM")?;
    empty_log(db)
}

/// Moves the write-ahead log into the database and cuts it to nothing. Says whether it could. That of
/// PostgreSQL is the database's own, and none of this program's files.
///
/// # Errors
/// [`LogError::Database`].
pub fn empty_log(db: &Connection) -> Result<bool, LogError> {
    if db.is_shared() {
        return Ok(true);
    }
    let busy: i64 = db.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |row| row.get(0))?;
    Ok(busy == 0)
}

/// Gives a file's free pages back to the disk while others are at work on it, and lets them have their turn
/// before and after. Nobody writes while the file is written anew. Whoever reads at its end keeps the
/// write-ahead log: they empty it themselves later.
///
/// # Errors
/// [`LogError::Database`], for instance on a full disk; the database is then as it was.
pub fn shrink(db: &Connection, turns: &mut Turns) -> Result<(), LogError> {
    db.only_sqlite()?;
    let empty = |turns: &mut Turns| {
        let usual: i64 = db.query_row("PRAGMA busy_timeout", [], |row| row.get(0))?;
        db.execute_batch(&format!("PRAGMA busy_timeout = {BRIEFLY_MS}"))?;
        let emptied = turns.work(|| empty_log(db));
        db.execute_batch(&format!("PRAGMA busy_timeout = {usual}"))?;
        emptied
    };
    empty(turns)?;
    turns.before_long();
    turns.work(|| db.execute_batch("VACUUM"))?;
    for _ in 0..TRIES {
        if empty(turns)? {
            break;
        }
        turns.leave();
    }
    turns.leave();
    Ok(())
}
