//! Targets that take files: bundles, and the bytes of a damaged store.

use std::cell::RefCell;
use std::sync::LazyLock;

use bolebook_core::exchange::LogLine;
use bolebook_log::salvage::{self, Salvaged};
use bolebook_log::{Page, bundle};

use crate::crowd::Crowd;
use crate::fuzz::{Ended, mutate};
use crate::sim::dice::Dice;

/// A store's file with a small book, as SQLite wrote it; and the same book as a bundle.
static FILES: LazyLock<(Vec<u8>, String)> = LazyLock::new(|| {
    let book = Crowd::play(&[]).all();
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("store.sqlite");
    let mut db = bolebook_log::open(&path).unwrap();
    let tx = db.transaction().unwrap();
    let lines: Vec<LogLine> = book.commits().iter().cloned().map(LogLine::from).collect();
    bolebook_log::append(&tx, book.id(), &lines).unwrap();
    tx.commit().unwrap();
    let stored = bolebook_log::read(&db, book.id(), 0, Page::ALL).unwrap();
    let text = bundle::write(book.id(), &[(book.id(), stored)], vec![]);
    db.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(())).unwrap();
    drop(db);
    (std::fs::read(&path).unwrap(), text)
});

thread_local! {
    static LOG: RefCell<rusqlite::Connection> = RefCell::new(bolebook_log::open_in_memory().unwrap());
}

/// Makes a bundle: one line in a few left out, doubled, moved or changed.
pub fn make_bundle(dice: &mut Dice) -> Vec<u8> {
    let mut lines: Vec<Vec<u8>> = FILES.1.lines().map(|l| l.as_bytes().to_vec()).collect();
    for _ in 0..dice.below(3) {
        let at = dice.below(lines.len());
        match dice.below(4) {
            0 => mutate::bytes(dice, &mut lines[at]),
            1 => {
                let line = lines[at].clone();
                lines.insert(at, line);
            }
            2 if lines.len() > 1 => drop(lines.remove(at)),
            _ => {
                let other = dice.below(lines.len());
                lines.swap(at, other);
            }
        }
    }
    let mut bytes = lines.join(&b'\n');
    if !dice.chance(50) {
        bytes.push(b'\n');
    }
    bytes
}

/// Reads a bundle and offers its books to an empty log: taken in whole or not at all.
pub fn bundle_file(bytes: &[u8]) -> Ended {
    let read = match bundle::read(bytes) {
        Ok(read) => read,
        Err(error) => {
            let why: String = error.why.chars().take_while(|c| !c.is_ascii_digit()).take(24).collect();
            return Ended::early(format!("refused {why}"));
        }
    };
    LOG.with_borrow_mut(|db| {
        let tx = db.transaction().unwrap();
        let mut class = "taken in".to_owned();
        for (book, lines) in &read.books {
            if let Err(error) = bolebook_log::append(&tx, *book, lines) {
                assert!(matches!(error, bolebook_log::LogError::Refused { .. }), "{error}");
                class = "the gate refuses".to_owned();
            }
        }
        Ended::passed(class)
    })
}

/// Makes a damaged store's file: bytes changed, pages of noise, cut short.
pub fn make_salvage(dice: &mut Dice) -> Vec<u8> {
    let mut bytes = FILES.0.clone();
    for _ in 0..dice.below(40) {
        let at = dice.below(bytes.len());
        bytes[at] = dice.below(256) as u8;
    }
    if dice.chance(300) {
        let page = dice.below(bytes.len() / 4_096);
        for byte in &mut bytes[page * 4_096..(page + 1) * 4_096] {
            *byte = dice.below(256) as u8;
        }
    }
    if dice.chance(200) {
        let length = dice.below(bytes.len());
        bytes.truncate(length);
    }
    bytes
}

/// Takes what is left out of a store's file; every line that comes out is one whose hash holds, and
/// a new log takes them or lets them wait.
pub fn salvaged(bytes: &[u8]) -> Ended {
    let mut found = Salvaged::default();
    found.take(&salvage::rows(bytes, &[]));
    found.take(&salvage::rows(&[], bytes));
    if found.count() == 0 {
        return Ended::early("nothing left");
    }
    LOG.with_borrow_mut(|db| {
        let tx = db.transaction().unwrap();
        let (taken, waiting) = salvage::keep(&tx, &found).unwrap();
        assert!(taken + waiting <= found.count(), "{taken} and {waiting} of {}", found.count());
        Ended::passed(if waiting > 0 { "some wait" } else { "all taken in" })
    })
}
