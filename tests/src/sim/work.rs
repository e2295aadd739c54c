//! What people do with their devices.

use bolebook_core::ids::{BookId, RecordId};
use bolebook_core::quantity::UtcMs;
use bolebook_core::record::Body;
use bolebook_log::{Page, book, read, record_positions};

use crate::sim::cast::{Cast, Part};
use crate::sim::engine::Sim;
use crate::sim::{Broken, Law};

/// What is about to be logged.
struct Draft {
    book: BookId,
    texts: Vec<String>,
}

impl Sim {
    /// Somebody logs something, if their device has the books.
    pub(super) fn work(&mut self) -> Result<(), Broken> {
        let people: Vec<usize> = (0..self.nodes.len()).filter(|n| !self.nodes[*n].part.serves()).collect();
        let Some(n) = self.dice.pick(&people) else { return Ok(()) };
        let node = &self.nodes[n];
        if [self.cast.yard(), self.cast.job()].iter().any(|b| book(node.disk.db(), *b).unwrap().is_none()) {
            return Ok(());
        }
        let at = node.clock(self.now);
        let draft = match node.part {
            Part::Office => self.office(n, at),
            Part::Crew(crew) => self.crew(n, crew, at),
            _ => self.stranger(n, at),
        };
        if draft.texts.is_empty() {
            return Ok(());
        }
        self.tell(format!("{} logs {} records", self.nodes[n].name, draft.texts.len()));
        match self.nodes[n].write(&mut self.dice, draft.book, at, draft.texts) {
            // The screen said that it is logged: from here on it is durable.
            Ok(()) => self.observe(n, Law::AcknowledgedDurable)?,
            Err(error) => return self.power_cut(n, &error),
        }
        if self.dice.chance(20) { self.crash(n, "crashes after logging") } else { Ok(()) }
    }

    fn text(&mut self, n: usize, at: UtcMs, body: Body, replaces: Vec<RecordId>) -> (RecordId, String) {
        Cast::text(&mut self.dice, self.nodes[n].device, at, body, replaces)
    }

    /// A crew's records: now and then a stand of trees, else a few of the day's work.
    fn crew(&mut self, n: usize, crew: usize, at: UtcMs) -> Draft {
        let (often, trees) = self.measure.imports;
        let (job, yard) = (self.cast.job(), self.cast.yard());
        if self.dice.chance(often) {
            let mut texts = vec![];
            for _ in 0..=self.dice.below(trees * 2) {
                let body = self.cast.tree(&mut self.dice);
                let (tree, text) = self.text(n, at, body, vec![]);
                texts.push(text);
                if self.dice.chance(700) {
                    let body = self.cast.diameter(&mut self.dice, tree);
                    texts.push(self.text(n, at, body, vec![]).1);
                }
            }
            return Draft { book: job, texts };
        }
        if self.dice.chance(150) {
            let body = if self.dice.chance(600) {
                self.cast.fill(&mut self.dice, crew)
            } else {
                self.cast.movement(&mut self.dice, Some(crew))
            };
            return Draft { book: yard, texts: vec![self.text(n, at, body, vec![]).1] };
        }
        let mut texts = vec![];
        let mut ids = vec![];
        for _ in 0..=self.dice.below(self.measure.burst) {
            let Some((id, text)) = self.crew_record(n, crew, at) else { continue };
            // One commit cannot hold an id twice.
            if id.is_none_or(|id| !ids.contains(&id)) {
                ids.extend(id);
                texts.push(text);
            }
        }
        Draft { book: job, texts }
    }

    fn crew_record(&mut self, n: usize, crew: usize, at: UtcMs) -> Option<(Option<RecordId>, String)> {
        let screen = &self.nodes[n].screen;
        let tree = self.dice.recent(&screen.trees, 40);
        let application = self.dice.recent(&screen.applications, 20);
        let any = self.dice.recent(&screen.any, 60);
        let (body, replaces) = match self.dice.below(100) {
            0..22 => (self.cast.tree(&mut self.dice), vec![]),
            22..36 => (self.cast.diameter(&mut self.dice, tree?), vec![]),
            36..60 => (self.cast.application(&mut self.dice, crew, tree?, at), vec![]),
            60..64 => (self.cast.not_treated(&mut self.dice, crew, tree?), vec![]),
            64..72 => (Cast::note(&mut self.dice, any), vec![]),
            72..78 => (self.cast.application(&mut self.dice, crew, tree?, at), vec![application?]),
            78..80 => (Cast::note(&mut self.dice, None), any.into_iter().collect()),
            80..85 => (Cast::strike(application.or(any)?), vec![]),
            85..89 => (self.cast.closing(&mut self.dice, crew, at), vec![]),
            89..94 => {
                let text = Cast::nonsense(&mut self.dice, self.nodes[n].device, at, any);
                return Some((None, text));
            }
            94..97 => return self.same_id(n, at, any?),
            _ => return self.same_text(n, any?),
        };
        let (id, text) = self.text(n, at, body, replaces);
        Some((Some(id), text))
    }

    /// Another text under an id that is taken: a broken device, or a hostile one.
    fn same_id(&mut self, n: usize, at: UtcMs, id: RecordId) -> Option<(Option<RecordId>, String)> {
        let body = Cast::note(&mut self.dice, None);
        let (fresh, text) = self.text(n, at, body, vec![]);
        Some((Some(id), text.replace(&fresh.to_string(), &id.to_string())))
    }

    /// A record that is in the book already, once more under a commit of its own.
    fn same_text(&mut self, n: usize, id: RecordId) -> Option<(Option<RecordId>, String)> {
        let (db, job) = (self.nodes[n].disk.db(), self.cast.job());
        let position = *record_positions(db, job, id).unwrap().first()?;
        let line = read(db, job, position - 1, Page { lines: 1, bytes: usize::MAX }).unwrap().pop()?;
        let line = bolebook_core::exchange::LogLine::parse_stored(&line.text).unwrap();
        let bolebook_core::exchange::Entry::Commit(commit) = line.into_entry() else { return None };
        let index = commit.record_ids().iter().position(|known| *known == id)?;
        Some((Some(id), commit.records()[index].clone()))
    }

    fn office(&mut self, n: usize, at: UtcMs) -> Draft {
        let (job, yard) = (self.cast.job(), self.cast.yard());
        let screen = &self.nodes[n].screen;
        let two = (self.dice.recent(&screen.trees, 60), self.dice.recent(&screen.trees, 60));
        let any = self.dice.recent(&screen.any, 60);
        let (held, signed) = (self.dice.pick(&screen.held), self.dice.pick(&screen.sign_offs));
        let body = match (self.dice.below(10), two, any, held, signed) {
            (0..3, ..) => {
                let heads = book(self.nodes[n].disk.db(), job).unwrap().map_or(vec![], |b| b.heads);
                self.cast.sign_off(&mut self.dice, at, &heads)
            }
            (3, _, _, _, Some(sign_off)) => Cast::reopening(sign_off),
            (4, (Some(keep), Some(other)), ..) => Cast::join(keep, other),
            (5 | 6, _, _, Some(held), _) => Cast::admission(held),
            (7, _, Some(any), ..) => Cast::strike(any),
            (8, ..) => Cast::note(&mut self.dice, any),
            _ => {
                let body = self.cast.movement(&mut self.dice, None);
                return Draft { book: yard, texts: vec![self.text(n, at, body, vec![]).1] };
            }
        };
        Draft { book: job, texts: vec![self.text(n, at, body, vec![]).1] }
    }

    /// What nobody vouches for: held on every replica.
    fn stranger(&mut self, n: usize, at: UtcMs) -> Draft {
        let tree = self.dice.recent(&self.nodes[n].screen.trees, 40);
        let body = match tree {
            Some(tree) => self.cast.application(&mut self.dice, 0, tree, at),
            None => Cast::note(&mut self.dice, None),
        };
        Draft { book: self.cast.job(), texts: vec![self.text(n, at, body, vec![]).1] }
    }
}
