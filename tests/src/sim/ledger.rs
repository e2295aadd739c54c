//! What an outside observer has seen: every line that was ever durable anywhere, who holds it, and
//! what was acknowledged. It reads stores and answers only, and knows nothing of what records mean.
//!
//! Where actors fork ([`crate::sim::Options::snapshots`]), a device or hub may follow the server's
//! branch: then each line that was ever in its log is there still, or set aside in its store with the
//! text it had. At a quiet point what was set aside is in the books of all again, under the evidence of
//! a rescue.

use std::collections::{BTreeMap, BTreeSet};

use bolebook_core::book::Book;
use bolebook_core::exchange::{Cursor, Entry, LogLine};
use bolebook_core::ids::{BookId, DeviceId, RecordId, Sha256Hash};
use bolebook_db::Connection;
use bolebook_log::{Page, books, chain_at, has_line, read, set_aside};

use crate::sim::{Broken, Law};

/// What a record is to somebody who works with it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum What {
    /// A tree.
    Tree,
    /// An application.
    Application,
    /// A sign-off.
    SignOff,
    /// Anything else.
    Other,
}

/// A line that was durable somewhere.
pub struct Seen {
    /// Its text.
    pub text: String,
    /// The records it carries.
    pub records: Vec<(RecordId, What)>,
    /// Who wrote it.
    pub author: DeviceId,
    holders: u64,
    /// The holders in whose store it is set aside.
    aside: u64,
    gone: bool,
}

/// A line new at a node.
pub type Arrival = (BookId, Sha256Hash);

/// What is new in a store.
#[derive(Debug, Default)]
pub struct News {
    /// The lines of its log, in order.
    pub lines: Vec<Arrival>,
    /// Whether a log was laid out anew, so that all its lines are told again.
    pub anew: bool,
}

/// Everything ever seen.
pub struct Ledger {
    /// Whether actors may fork, so that lines may be set aside.
    forks: bool,
    /// How often a log was laid out anew.
    pub laid_out: u64,
    lines: BTreeMap<(BookId, Sha256Hash), Seen>,
    seen: Vec<BTreeMap<BookId, Cursor>>,
    acknowledged: Vec<BTreeMap<BookId, Vec<LogLine>>>,
    /// Lines whose every copy went with a store that was restored to an older state.
    pub destroyed: u64,
}

impl Ledger {
    /// A ledger of this many nodes.
    pub fn new(nodes: usize, forks: bool) -> Self {
        Self {
            forks,
            laid_out: 0,
            lines: BTreeMap::new(),
            seen: vec![BTreeMap::new(); nodes],
            acknowledged: vec![BTreeMap::new(); nodes],
            destroyed: 0,
        }
    }

    /// Every line that must be everywhere.
    pub fn lines(&self) -> impl Iterator<Item = (BookId, &Seen)> {
        self.lines.iter().filter(|(_, seen)| !seen.gone).map(|((book, _), seen)| (*book, seen))
    }

    /// A line.
    pub fn line(&self, arrival: &Arrival) -> Option<&Seen> {
        self.lines.get(arrival)
    }

    /// Reads what is new in a node's store. What was seen there before must still be there.
    pub fn observe(&mut self, node: usize, db: &Connection, law: Law) -> Result<News, Broken> {
        let (mut arrivals, mut moved) = (vec![], vec![]);
        for (book, at) in &self.seen[node] {
            if chain_at(db, *book, at.position).unwrap() != Some(at.chain) {
                moved.push((*book, at.position));
            }
        }
        let anew = !moved.is_empty();
        for (book, position) in moved {
            // The first server has the branch that counts, and never has a reason.
            if !self.forks || node == 0 {
                let why = format!("node {node}: book {book} does not hold position {position} any more");
                return Err(Broken { law, why });
            }
            self.laid_out_anew(node, db, book, law)?;
        }
        for info in books(db).unwrap() {
            let at = self.seen[node].entry(info.book).or_insert(Cursor::START);
            if at.position == info.end.position {
                continue;
            }
            for stored in read(db, info.book, at.position, Page::ALL).unwrap() {
                *at = Cursor { position: stored.position, chain: stored.chain };
                let key = (info.book, stored.hash);
                let seen = self.lines.entry(key).or_insert_with(|| Seen::of(stored.text));
                seen.holders |= 1 << node;
                seen.aside &= !(1 << node);
                if seen.gone {
                    // An answer still on its way brought it back.
                    seen.gone = false;
                    self.destroyed -= 1;
                }
                arrivals.push(key);
            }
        }
        Ok(News { lines: arrivals, anew })
    }

    /// A log was laid out anew: every line that was in it is there still, or set aside as it was.
    fn laid_out_anew(&mut self, node: usize, db: &Connection, book: BookId, law: Law) -> Result<(), Broken> {
        self.laid_out += 1;
        let stored = read(db, book, 0, Page::ALL).unwrap();
        let held: BTreeSet<Sha256Hash> = stored.into_iter().map(|line| line.hash).collect();
        let aside: BTreeMap<Sha256Hash, String> = aside_of(db, book);
        let here = 1 << node;
        for ((_, hash), seen) in
            self.lines.iter_mut().filter(|((b, _), s)| *b == book && s.holders & here != 0)
        {
            if held.contains(hash) {
                seen.aside &= !here;
            } else if aside.get(hash) == Some(&seen.text) {
                seen.aside |= here;
            } else {
                let why = format!(
                    "node {node}: book {book} was laid out anew, and this line is neither in it nor set aside: {}",
                    seen.text
                );
                return Err(Broken { law, why });
            }
        }
        self.seen[node].remove(&book);
        Ok(())
    }

    /// A node's store was replaced by an older copy: what only it had is gone, and what it had
    /// acknowledged is the others' to bring back.
    pub fn restored(&mut self, node: usize) {
        self.seen[node].clear();
        self.acknowledged[node].clear();
        for seen in self.lines.values_mut() {
            seen.holders &= !(1 << node);
            seen.aside &= !(1 << node);
        }
    }

    /// Counts what no store holds any more; call it after the restored store was observed.
    pub fn count_destroyed(&mut self) {
        for seen in self.lines.values_mut().filter(|s| s.holders == 0 && !s.gone) {
            seen.gone = true;
            self.destroyed += 1;
        }
    }

    /// A server answered 2xx to these lines: they must be in its store from now on.
    pub fn acknowledged(
        &mut self,
        node: usize,
        db: &Connection,
        lines: Vec<(BookId, Vec<LogLine>)>,
    ) -> Result<(), Broken> {
        for (book, lines) in &lines {
            durable(node, db, *book, lines)?;
        }
        for (book, lines) in lines {
            let kept = self.acknowledged[node].entry(book).or_default();
            kept.extend(lines);
            let drop = kept.len().saturating_sub(200);
            kept.drain(..drop);
        }
        Ok(())
    }

    /// What a server acknowledged is still there: asked after every crash and at every quiet point.
    pub fn still_durable(&self, node: usize, db: &Connection) -> Result<(), Broken> {
        self.acknowledged[node].iter().try_for_each(|(book, lines)| durable(node, db, *book, lines))
    }

    /// Every store holds every line, with the very text it was first seen with. What an actor's fork
    /// kept out of every log is set aside, and every record of it is in every log again, with the
    /// evidence of a rescue.
    pub fn everywhere(&self, stores: &[&Connection]) -> Result<(), Broken> {
        let mut held: Vec<BTreeSet<(BookId, Sha256Hash)>> = vec![];
        for (node, db) in stores.iter().enumerate() {
            let mut here = BTreeSet::new();
            for info in books(db).unwrap() {
                for stored in read(db, info.book, 0, Page::ALL).unwrap() {
                    let key = (info.book, stored.hash);
                    if self.lines.get(&key).is_none_or(|seen| seen.text != stored.text) {
                        let why = format!(
                            "node {node}: position {} of book {} is not the text that was stored: {}",
                            stored.position, info.book, stored.text
                        );
                        return Err(Broken { law: Law::AddOnly, why });
                    }
                    here.insert(key);
                }
            }
            held.push(here);
        }
        let mut left_out = vec![];
        for (key, seen) in self.lines.iter().filter(|(_, seen)| !seen.gone) {
            match held.iter().position(|of| !of.contains(key)) {
                None => {}
                Some(_) if self.forks && held.iter().all(|of| !of.contains(key)) => {
                    left_out.push((key, seen))
                }
                Some(node) => {
                    let why = format!("node {node} does not have a line of book {}: {}", key.0, seen.text);
                    return Err(Broken { law: Law::Converges, why });
                }
            }
        }
        if left_out.is_empty() { Ok(()) } else { put_back(&left_out, stores[0]) }
    }
}

/// What no log has is set aside somewhere, and a rescue in the logs proves it: its records stand in its
/// author's name, and its signatures beside them.
fn put_back(left_out: &[(&Arrival, &Seen)], log: &Connection) -> Result<(), Broken> {
    let mut books: BTreeMap<BookId, Book> = BTreeMap::new();
    for ((book, _), _) in left_out {
        books.entry(*book).or_insert_with(|| {
            let mut whole = Book::new(*book);
            for stored in read(log, *book, 0, Page::ALL).unwrap() {
                if let Entry::Commit(commit) = entry_of(&stored.text) {
                    whole.take(commit).unwrap();
                }
            }
            whole
        });
    }
    for ((book, _), seen) in left_out {
        let broken = |what: &str| {
            let why = format!("a line of book {book} is in no log, and {what}: {}", seen.text);
            Err(Broken { law: Law::NothingHidden, why })
        };
        if seen.aside == 0 {
            return broken("nowhere set aside");
        }
        let proof = |hash| books[book].rescued().find(|r| r.commit().hash() == hash);
        match entry_of(&seen.text) {
            Entry::Commit(commit) if proof(commit.hash()).is_none() => {
                return broken("no rescue proves it");
            }
            Entry::Commit(_) => {}
            Entry::Signature(signed) => {
                let shown = proof(signed.hash).is_some_and(|r| r.signatures().any(|s| *s == signed));
                if !shown {
                    return broken("it is no rescue's evidence");
                }
            }
        }
    }
    Ok(())
}

/// The lines of a book that are set aside in a store.
fn aside_of(db: &Connection, book: BookId) -> BTreeMap<Sha256Hash, String> {
    let of_book = set_aside::list(db).unwrap().into_iter().filter(|line| line.book == book);
    of_book.map(|line| (line.hash, line.text)).collect()
}

fn entry_of(text: &str) -> Entry {
    LogLine::parse_stored(text).unwrap().into_entry()
}

/// Every line is in the log, or set aside beside it with its text.
fn durable(node: usize, db: &Connection, book: BookId, lines: &[LogLine]) -> Result<(), Broken> {
    let missing: Vec<&LogLine> = lines.iter().filter(|line| !has_line(db, book, line).unwrap()).collect();
    let aside = if missing.is_empty() { BTreeMap::new() } else { aside_of(db, book) };
    match missing.iter().find(|line| aside.get(&line.hash()).map(String::as_str) != Some(line.text())) {
        None => Ok(()),
        Some(line) => {
            let why = format!("node {node} acknowledged a line and does not have it: {}", line.text());
            Err(Broken { law: Law::AcknowledgedDurable, why })
        }
    }
}

impl What {
    fn of(text: &str) -> Self {
        let kinds = [
            (r#""kind":"tree""#, Self::Tree),
            (r#""kind":"application""#, Self::Application),
            (r#""kind":"sign_off""#, Self::SignOff),
        ];
        kinds.into_iter().find(|(kind, _)| text.contains(kind)).map_or(Self::Other, |(_, what)| what)
    }
}

impl Seen {
    fn of(text: String) -> Self {
        let (records, author) = match entry_of(&text) {
            Entry::Commit(commit) => {
                let whats = commit.records().iter().map(|text| What::of(text));
                (commit.record_ids().iter().copied().zip(whats).collect(), commit.actor().device())
            }
            Entry::Signature(signed) => (vec![], signed.actor.device()),
        };
        Self { text, records, author, holders: 0, aside: 0, gone: false }
    }
}
