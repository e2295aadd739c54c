//! Writing before the books are read. What a new commit must know of its book is little: how many lines it
//! has, which commits nothing depends on yet, and their last operations. That is kept with the ready-made
//! view, and so holds for the very lines the view is of. When the books are read, what was written on it is
//! held against them.

use std::collections::{BTreeMap, BTreeSet};

use bolebook_core::commit::{Draft, MAX_DEPS};
use bolebook_core::exchange::{Entry, LogLine};
use bolebook_core::ids::{ActorId, BookId, CommitHash};
use bolebook_core::quantity::UtcMs;

use crate::exchange::Logs;
use crate::log::Log;
use crate::pack::packed;
use crate::state::{Damaged, State};

/// Where a book's log ends.
#[derive(Clone, Debug, Default)]
pub(crate) struct Tip {
    /// How many lines it has.
    pub end: u64,
    /// The heads, each with its last operation.
    heads: BTreeMap<CommitHash, u64>,
    /// The last commit this opening of the store wrote on it.
    own: Option<(ActorId, u64, CommitHash)>,
}

packed!(Tip { end, heads } skipped own);

/// The tips of books, by id.
pub(crate) type Tips = BTreeMap<BookId, Tip>;

impl Tip {
    /// That of a log. A book that has not begun has no heads.
    pub(crate) fn of(log: &Log) -> Self {
        let book = log.book();
        let heads = book.heads().into_iter().filter(|_| book.genesis().is_some());
        let heads = heads.filter_map(|hash| Some((hash, book.commit(hash)?.last_op())));
        Self { end: log.end(), heads: heads.collect(), own: None }
    }

    /// The next commit of `actor`, as the book itself would have it
    /// ([`Book::draft`](bolebook_core::book::Book::draft)); nothing where the book has not begun.
    pub(crate) fn draft(&self, actor: ActorId, time: UtcMs, records: Vec<String>) -> Option<Draft> {
        let own = self.own.filter(|(wrote, ..)| *wrote == actor);
        let mut deps: BTreeSet<CommitHash> = own.iter().map(|(_, _, hash)| *hash).collect();
        for head in self.heads.keys() {
            if deps.len() == MAX_DEPS {
                break;
            }
            deps.insert(*head);
        }
        let last_op = deps.iter().filter_map(|hash| self.heads.get(hash)).max()?;
        let seq = own.map_or(1, |(_, last, _)| last + 1);
        Some(Draft { actor, seq, start_op: last_op + 1, time, deps: deps.into_iter().collect(), records })
    }

    /// Goes on after a line was stored.
    fn take(&mut self, line: &LogLine) {
        self.end += 1;
        if let Entry::Commit(commit) = line.entry() {
            self.heads.retain(|hash, _| !commit.deps().contains(hash));
            self.heads.insert(commit.hash(), commit.last_op());
            self.own = Some((commit.actor(), commit.seq(), commit.hash()));
        }
    }
}

/// The tips of all logs.
pub(crate) fn tips(logs: &Logs) -> Tips {
    logs.iter().map(|(book, log)| (*book, Tip::of(log))).collect()
}

impl State {
    /// Whether a tap may write although the books are not read: once, for what the next one writes may
    /// depend on what this one did, and the ready-made view does not show that.
    pub(crate) fn may_write_early(&self) -> bool {
        !self.books_open && self.summary.is_some() && !self.tips.is_empty() && self.early.is_empty()
    }

    /// Whether the screens show the books as they were before what was logged last.
    pub fn behind(&self) -> bool {
        !self.early.is_empty()
    }

    /// How many lines of a book are stored.
    pub(crate) fn end_of(&self, book: BookId) -> u64 {
        match self.books_open {
            true => self.logs.get(&book).map_or(0, Log::end),
            false => self.tips.get(&book).map_or(0, |tip| tip.end),
        }
    }

    /// Keeps what was stored before the books are read.
    pub(crate) fn took_early(&mut self, book: BookId, line: LogLine) {
        let tip = self.tips.entry(book).or_default();
        tip.take(&line);
        if let (Entry::Commit(commit), Some(about)) = (line.entry(), &mut self.about) {
            let (count, since) = about.unsent;
            let since = since.map_or(commit.time(), |s| s.min(commit.time()));
            about.unsent = (count + commit.records().len(), Some(since));
        }
        self.early.push((book, tip.end, line));
    }

    /// Puts what was written early into the logs that were read, unless it was there already, and holds
    /// against them what it was written on.
    ///
    /// # Errors
    /// [`Damaged`] when that was not so.
    pub(crate) fn settle(&mut self, logs: &mut Logs) -> Result<(), Damaged> {
        for (book, position, line) in &self.early {
            let log = logs.entry(*book).or_insert_with(|| Log::new(*book));
            if *position > log.end() {
                log.take(line.clone());
            }
        }
        let same = |(book, kept): &(&BookId, &Tip)| {
            // Of a book of which nothing has come yet there is no line to read.
            let found = logs.get(*book).map(Tip::of).unwrap_or_default();
            (found.end, &found.heads) == (kept.end, &kept.heads)
        };
        let other = self.tips.iter().find(|tip| !same(tip)).map(|(book, _)| *book);
        if let (Some(book), true) = (other, self.behind()) {
            let what = format!("the end of book {book}");
            return Err(Damaged { what, why: "it is not what was kept of it for a quick start".into() });
        }
        if other.is_some() || self.behind() {
            self.summary = None;
        }
        (self.early, self.tips) = Default::default();
        Ok(())
    }
}

#[cfg(test)]
mod tests;
