//! What an outside observer has seen: every line that was ever durable anywhere, who holds it, and
//! what was acknowledged. It reads stores and answers only, and knows nothing of what records mean.

use std::collections::{BTreeMap, BTreeSet};

use bolebook_core::exchange::{Cursor, Entry, LogLine};
use bolebook_core::ids::{BookId, DeviceId, RecordId, Sha256Hash};
use bolebook_log::{Page, books, chain_at, has_line, read};
use rusqlite::Connection;

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
    gone: bool,
}

/// A line new at a node.
pub type Arrival = (BookId, Sha256Hash);

/// Everything ever seen.
pub struct Ledger {
    lines: BTreeMap<(BookId, Sha256Hash), Seen>,
    seen: Vec<BTreeMap<BookId, Cursor>>,
    acknowledged: Vec<BTreeMap<BookId, Vec<LogLine>>>,
    /// Lines whose every copy went with a store that was restored to an older state.
    pub destroyed: u64,
}

impl Ledger {
    /// A ledger of this many nodes.
    pub fn new(nodes: usize) -> Self {
        Self {
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
    pub fn observe(&mut self, node: usize, db: &Connection, law: Law) -> Result<Vec<Arrival>, Broken> {
        let mut arrivals = vec![];
        for (book, at) in &self.seen[node] {
            if chain_at(db, *book, at.position).unwrap() != Some(at.chain) {
                let why = format!("node {node}: book {book} does not hold position {} any more", at.position);
                return Err(Broken { law, why });
            }
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
                if seen.gone {
                    // An answer still on its way brought it back.
                    seen.gone = false;
                    self.destroyed -= 1;
                }
                arrivals.push(key);
            }
        }
        Ok(arrivals)
    }

    /// A node's store was replaced by an older copy: what only it had is gone, and what it had
    /// acknowledged is the others' to bring back.
    pub fn restored(&mut self, node: usize) {
        self.seen[node].clear();
        self.acknowledged[node].clear();
        for seen in self.lines.values_mut() {
            seen.holders &= !(1 << node);
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

    /// Every store holds every line, with the very text it was first seen with.
    pub fn everywhere(&self, stores: &[&Connection]) -> Result<(), Broken> {
        for (node, db) in stores.iter().enumerate() {
            let mut held: BTreeSet<(BookId, Sha256Hash)> = BTreeSet::new();
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
                    held.insert(key);
                }
            }
            let missing = self.lines.iter().find(|(key, seen)| !seen.gone && !held.contains(*key));
            if let Some(((book, _), seen)) = missing {
                let why = format!("node {node} does not have a line of book {book}: {}", seen.text);
                return Err(Broken { law: Law::Converges, why });
            }
        }
        Ok(())
    }
}

fn durable(node: usize, db: &Connection, book: BookId, lines: &[LogLine]) -> Result<(), Broken> {
    match lines.iter().find(|line| !has_line(db, book, line).unwrap()) {
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
        let (records, author) = match LogLine::parse_stored(&text).unwrap().into_entry() {
            Entry::Commit(commit) => {
                let whats = commit.records().iter().map(|text| What::of(text));
                (commit.record_ids().iter().copied().zip(whats).collect(), commit.actor().device())
            }
            Entry::Signature(signed) => (vec![], signed.actor.device()),
        };
        Self { text, records, author, holders: 0, gone: false }
    }
}
