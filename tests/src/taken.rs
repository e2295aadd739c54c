//! A job's book as a server keeps it: in the log, and in memory, grown by what exchanges bring. Beside the
//! book of a world, whose commits it takes in as they come.

use std::collections::BTreeSet;

use bolebook_core::book::Book;
use bolebook_core::exchange::LogLine;
use bolebook_core::ids::Sha256Hash;
use bolebook_db::Connection;
use bolebook_log::{Appended, BookInfo, append};
use bolebook_server::error::ApiError;
use bolebook_server::grown::{Books, Fresh, Run, load};

use crate::week::Dice;

/// A log of one job, and the book kept of it.
pub struct Taken {
    /// The log.
    pub db: Connection,
    books: Books,
    fresh: Fresh,
    commits: usize,
    signed: BTreeSet<Sha256Hash>,
}

impl Default for Taken {
    fn default() -> Self {
        let db = bolebook_log::open_in_memory().expect("a log");
        let (books, fresh) = (Books::default(), Fresh::default());
        Self { db, books, fresh, commits: 0, signed: BTreeSet::new() }
    }
}

impl Taken {
    /// Lines of a book that are not in the log yet.
    pub fn news(&mut self, of: &Book) -> Vec<LogLine> {
        let commits = &of.commits()[self.commits..];
        self.commits = of.commits().len();
        let mut lines: Vec<LogLine> = commits.iter().cloned().map(LogLine::from).collect();
        // Of commits that came: a signature may be there first in memory, and not in a log.
        let signatures = of.signatures().filter(|s| of.commit(s.hash).is_some());
        let signatures = signatures.map(|s| LogLine::from(s.clone()));
        lines.extend(signatures.filter(|line| self.signed.insert(line.hash())));
        lines
    }

    /// Takes lines in, as an exchange does; with what it hands over when they are kept.
    ///
    /// # Panics
    /// When they do not pass the gate.
    pub fn take(&mut self, of: &Book, lines: Vec<LogLine>) -> (Appended, Vec<LogLine>) {
        let tx = self.db.transaction().expect("a transaction");
        let appended = append(&tx, of.id(), &lines).expect("lines that pass the gate");
        tx.commit().expect("kept");
        (appended, lines)
    }

    /// Hands lines over.
    pub fn hand(&self, run: Run) {
        self.fresh.put(run);
    }

    /// Where the log stands.
    ///
    /// # Panics
    /// When it has not the book.
    pub fn info(&self, of: &Book) -> BookInfo {
        bolebook_log::book(&self.db, of.id()).expect("a log").expect("the book")
    }

    /// The book kept, as the log is now.
    ///
    /// # Errors
    /// The log's, where it is asked.
    pub fn kept(&mut self, of: &Book) -> Result<&Book, ApiError> {
        let info = self.info(of);
        self.books.now(&self.db, &info, &self.fresh)
    }

    /// Takes in what is new, in several exchanges, of which some hand over what they took in, not always in
    /// turn; then the book kept, which must be what a reading of the whole log gives.
    ///
    /// # Panics
    /// When it is not.
    pub fn followed(&mut self, of: &Book, dice: &mut Dice) -> &Book {
        let mut news = self.news(of);
        let mut runs = vec![];
        while !news.is_empty() {
            let rest = news.split_off(news.len().min(dice.between(1, 4) as usize));
            let (appended, lines) = self.take(of, std::mem::replace(&mut news, rest));
            runs.push(Run::of(of.id(), &appended, lines));
        }
        if dice.once_in(3) {
            runs.reverse();
        }
        // What is not handed over came another way: from another server, or the desk.
        runs.into_iter().filter(|_| !dice.once_in(4)).for_each(|run| self.fresh.put(run));
        let whole = load(&self.db, of.id()).expect("the whole log");
        let kept = self.kept(of).expect("the book as the log has it");
        assert!(kept.commits() == whole.commits() && kept.heads() == whole.heads(), "commits");
        assert!(kept.signatures().eq(whole.signatures()), "signatures");
        assert!(kept.records().eq(whole.records()), "records");
        kept
    }
}
