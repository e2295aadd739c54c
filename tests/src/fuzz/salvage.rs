//! The target that takes the bytes of a damaged store.

use std::cell::RefCell;
use std::collections::BTreeSet;
use std::sync::LazyLock;

use bolebook_core::exchange::{Entry, LogLine};
use bolebook_core::ids::CommitHash;
use bolebook_core::signing::{HeadSignature, SecretKey};
use bolebook_log::salvage::{self, Salvaged, Value};
use bolebook_log::{Form, repack};

use crate::crowd::{Crowd, Step};
use crate::fuzz::Ended;
use crate::sim::dice::Dice;

/// SQLite's smallest page, where most rows go on elsewhere, and its default, which every store has; each
/// with the commits of its book and the form of its lines.
const PAGES: [(usize, usize, Form); 4] =
    [(512, 2, Form::Text), (4_096, 3, Form::Text), (512, 2, Form::Packed), (4_096, 3, Form::Packed)];

/// What SQLite writes of a small book: its file before and after the write-ahead log went into it,
/// and that log.
struct Store {
    page: usize,
    begun: Vec<u8>,
    wal: Vec<u8>,
    file: Vec<u8>,
}

/// A book of two commits or three, each on the one before it, and a signature.
fn lines(commits: usize) -> (bolebook_core::ids::BookId, Vec<LogLine>) {
    let step = |device, act, pick| Step { device, act, pick };
    let steps = [step(0, 0, 0), step(0, 2, 1)];
    let book = Crowd::play(&steps[..commits - 1]).all();
    let mut lines: Vec<LogLine> = book.commits().iter().cloned().map(LogLine::from).collect();
    let last = book.commits().last().unwrap();
    let key = SecretKey::from_seed([21; 32]);
    lines.push(HeadSignature::sign(&key, book.id(), last.actor(), last.seq(), last.hash()).into());
    (book.id(), lines)
}

static STORES: LazyLock<[Store; 4]> = LazyLock::new(|| PAGES.map(stored));
/// Every commit that was ever in one of the stores.
static COMMITS: LazyLock<BTreeSet<CommitHash>> = LazyLock::new(|| {
    let commit = |line: LogLine| match line.into_entry() {
        Entry::Commit(commit) => Some(commit.hash()),
        Entry::Signature(_) => None,
    };
    PAGES.iter().flat_map(|(_, commits, _)| lines(*commits).1).filter_map(commit).collect()
});

fn stored((page, commits, form): (usize, usize, Form)) -> Store {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("store.sqlite");
    let bare = rusqlite::Connection::open(&path).unwrap();
    let size = format!("PRAGMA page_size = {page}; CREATE TABLE t (a); DROP TABLE t;");
    bare.execute_batch(&size).unwrap();
    drop(bare);
    let mut db = bolebook_log::open(&path).unwrap();
    repack::all(&db, form).unwrap();
    let (book, lines) = lines(commits);
    salvage::waiting(&db).unwrap();
    let (first, rest) = lines.split_at(commits - 1);
    let tx = db.transaction().unwrap();
    bolebook_log::append(&tx, book, first).unwrap();
    tx.commit().unwrap();
    let read = |name: &str| std::fs::read(folder.path().join(name)).unwrap();
    db.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(())).unwrap();
    let begun = read("store.sqlite");
    let tx = db.transaction().unwrap();
    bolebook_log::append(&tx, book, rest).unwrap();
    // A line that waits, and one that was set aside: rows of the two other tables that are read.
    let aside = lines.last().unwrap();
    let row = rusqlite::params![book.as_bytes(), aside.hash().0, aside.text()];
    tx.execute("INSERT INTO salvaged VALUES (?1, ?2, ?3)", row).unwrap();
    let row = rusqlite::params![book.as_bytes(), first[0].hash().0, first[0].text(), vec![9u8; 16]];
    let set = "INSERT INTO set_aside VALUES (?1, 300, ?2, ?3, 'actor-forked', 'why', 'rescued', ?4, 5)";
    tx.execute(set, row).unwrap();
    tx.commit().unwrap();
    let wal = read("store.sqlite-wal");
    db.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(())).unwrap();
    Store { page, begun, wal, file: read("store.sqlite") }
}

thread_local! {
    /// A new store as the command makes one: the table of what waits is there from the first time on.
    static LOG: RefCell<bolebook_db::Connection> = RefCell::new({
        let db = bolebook_log::open_in_memory().unwrap();
        salvage::waiting(&db).unwrap();
        db
    });
}

/// Makes a damaged store: its file, its write-ahead log, or one after the other; bytes changed, most
/// often where a page says what is on it, pages of noise, cut short.
pub fn make_salvage(dice: &mut Dice) -> Vec<u8> {
    let store = &STORES[usize::from(dice.chance(60)) + 2 * dice.below(2)];
    let (mut bytes, frame) = match dice.below(4) {
        0 => (store.wal.clone(), store.page + 24),
        1 => ([&store.begun[..], &store.wal].concat(), store.page),
        _ => (store.file.clone(), store.page),
    };
    for _ in 0..dice.below(12) {
        let at = match dice.below(3) {
            // A page's head and the places of its cells.
            0 => dice.below(bytes.len() / frame) * frame + dice.below(40),
            1 => dice.below(120),
            _ => dice.below(bytes.len()),
        };
        if let Some(byte) = bytes.get_mut(at) {
            *byte = match dice.below(3) {
                0 => byte.wrapping_add(1),
                1 => *byte ^ 1 << dice.below(8),
                _ => dice.below(256) as u8,
            };
        }
    }
    if dice.chance(300) {
        let page = dice.below(bytes.len() / frame);
        for byte in &mut bytes[page * frame..(page + 1) * frame] {
            *byte = dice.below(256) as u8;
        }
    }
    if dice.chance(200) {
        let length = dice.below(bytes.len());
        bytes.truncate(length);
    }
    bytes
}

/// Where a write-ahead log begins behind a file, by its first four bytes.
fn log_behind(bytes: &[u8]) -> Option<usize> {
    let begins = |at: &usize| matches!(bytes.get(*at..at + 4), Some([0x37, 0x7f, 0x06, 0x82 | 0x83]));
    (512..bytes.len()).step_by(512).find(begins)
}

/// Takes what is left out of a store: as a file, as a write-ahead log, and as both where one follows
/// the other. Every commit that comes out is one that was stored, and a new log takes it or lets it
/// wait.
pub fn salvaged(bytes: &[u8]) -> Ended {
    let mut found = Salvaged::default();
    let mut take = |rows: Vec<Vec<Value>>| found.take(&rows);
    match log_behind(bytes) {
        Some(at) => take(salvage::rows(&bytes[..at], &bytes[at..])),
        None if matches!(bytes, [0x37, 0x7f, ..]) => take(salvage::rows(&[], bytes)),
        None => take(salvage::rows(bytes, &[])),
    }
    for line in found.lines.values().flatten() {
        if let Entry::Commit(commit) = line.entry() {
            assert!(COMMITS.contains(&commit.hash()), "a commit that was never stored: {}", line.text());
        }
    }
    let aside = if found.set_aside.is_empty() { "" } else { ", one set aside" };
    if found.count() == 0 {
        return Ended::early(format!("nothing left{aside}"));
    }
    LOG.with_borrow_mut(|db| {
        let tx = db.transaction().unwrap();
        let (taken, waiting) = salvage::keep(&tx, &found).unwrap();
        assert_eq!(taken + waiting, found.count(), "{taken} and {waiting}");
        // Whatever was set aside can be listed again: each later exchange does.
        let listed = bolebook_log::set_aside::list(&tx).unwrap();
        assert!(listed.len() <= found.set_aside.len(), "{listed:?}");
        let waits = if waiting == 0 {
            "all taken in"
        } else if taken == 0 {
            "all wait"
        } else {
            "some wait"
        };
        Ended::passed(format!("{waits}{aside}"))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_whole_comes_out_whole_from_file_log_and_both() {
        for store in &*STORES {
            let both = [&store.begun[..], &store.wal].concat();
            for bytes in [&store.file, &both] {
                assert_eq!(salvaged(bytes).class, "all taken in, one set aside", "page of {}", store.page);
            }
            // The log alone begins after the first two commits, or holds their pages again.
            assert!(salvaged(&store.wal).passed);
        }
    }
}
