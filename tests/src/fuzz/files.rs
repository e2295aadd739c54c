//! The target that takes bundles.

use std::cell::RefCell;
use std::sync::LazyLock;

use bolebook_core::exchange::LogLine;
use bolebook_log::{Page, bundle};

use crate::crowd::Crowd;
use crate::fuzz::{Ended, mutate};
use crate::sim::dice::Dice;

/// A small book as a bundle.
static BUNDLE: LazyLock<String> = LazyLock::new(|| {
    let book = Crowd::play(&[]).all();
    let mut db = bolebook_log::open_in_memory().unwrap();
    let tx = db.transaction().unwrap();
    let lines: Vec<LogLine> = book.commits().iter().cloned().map(LogLine::from).collect();
    bolebook_log::append(&tx, book.id(), &lines).unwrap();
    let stored = bolebook_log::read(&tx, book.id(), 0, Page::ALL).unwrap();
    bundle::write(book.id(), &[(book.id(), stored)], vec![])
});

thread_local! {
    static LOG: RefCell<bolebook_db::Connection> = RefCell::new(bolebook_log::open_in_memory().unwrap());
}

/// Makes a bundle: one line in a few left out, doubled, moved or changed.
pub fn make_bundle(dice: &mut Dice) -> Vec<u8> {
    let mut lines: Vec<Vec<u8>> = BUNDLE.lines().map(|l| l.as_bytes().to_vec()).collect();
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
