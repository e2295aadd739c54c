//! Another season of the same contractor: a job book opened from the last one, trees under their ids.

use bolebook_core::balance::{Balance, balance};
use bolebook_core::book::Book;
use bolebook_core::check::check_among;
use bolebook_core::finding::Finding;
use bolebook_core::ids::{BookId, RecordId};
use bolebook_core::record::book_kinds::{BookContent, Genesis, Job};
use bolebook_core::record::{Body, Envelope, Kind, Record};
use bolebook_core::view::{View, Yard};

use super::{Who, World, key, root, write};

impl World {
    /// Opens the next job book and lists the trees in it under the ids they had; gives the last book.
    pub fn next_season(&mut self, season: &str, trees: &[RecordId]) -> Book {
        let listed: Vec<(RecordId, Body)> = self.look(|view, _, _| {
            let trees = trees.iter().map(|id| (*id, view.tree(*id).expect("a listed tree").clone().into()));
            let blocks = view.facts.in_force(Kind::Block);
            blocks.map(|fact| (fact.id, view.facts.shown(fact).record.body.clone())).chain(trees).collect()
        });
        let Some(BookContent::Job(job)) = self.job.genesis().map(|g| g.content.clone()) else {
            unreachable!("the job book has a genesis")
        };
        self.minted += 1;
        let mut random = [3; 10];
        random[2..].copy_from_slice(&self.minted.to_be_bytes());
        let id = BookId::new(self.now.0, random);
        let last = std::mem::replace(&mut self.job, Book::new(id));
        let content = BookContent::Job(Job { season: season.into(), previous: Some(last.id()), ..job });
        let (root, title) = (root().public(), "Invented".into());
        self.found(true, Genesis { format: 1, book: id, root, title, content });
        let office = key(Who::Office);
        for (id, body) in listed {
            let envelope =
                Envelope { id, at: self.now, device: office.device(), by: self.by, replaces: vec![] };
            let text = Record { envelope, body }.to_canonical().expect("a tree is canonical");
            write(&mut self.job, &office, self.replica, self.now, text);
        }
        last
    }

    /// As [`World::look`], with other seasons' books at hand.
    pub fn look_among<T>(
        &self,
        others: &[&Book],
        look: impl FnOnce(&View<'_>, &[&View<'_>], &Balance, &[Finding]) -> T,
    ) -> T {
        let devices = self.devices();
        let yard = Yard::read(&self.yard, &devices.for_book(&self.yard)).unwrap();
        let read = |book: &Book| View::read(book, &yard, &devices.for_book(book)).unwrap();
        let (view, others) = (read(&self.job), others.iter().map(|b| read(b)).collect::<Vec<_>>());
        let all: Vec<&View<'_>> = std::iter::once(&view).chain(&others).collect();
        let balance = balance(&yard, &all);
        let findings = check_among(&view, &all, &balance);
        look(&view, &all, &balance, &findings)
    }
}
