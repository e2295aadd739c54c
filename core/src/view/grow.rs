//! A view brought up to commits that only add ([`Facts::grown`]): what they say is attached where it
//! belongs, and what stood is carried over. To the byte what [`View::read`] makes of the whole book.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use crate::book::Book;
use crate::facts::{Authority, Facts, Grown, Standing};
use crate::ids::{ActorId, RecordId};
use crate::quantity::UtcMs;
use crate::record::{Body, Kind};
use crate::view::{CrewDay, TreeView, View, Yard, is_work};

impl View<'_> {
    /// This view with what a book has besides: the new facts by place, ascending, beside it. `self` must
    /// be of the book's first commits and of the same certificates. Nothing when the book must be read
    /// whole: when what came reaches back to what stood before.
    pub fn grown(&self, book: &Book, authority: &impl Authority) -> Option<(Self, Vec<usize>)> {
        let (facts, grown) = self.facts.grown(book, authority)?;
        if !self.only_adds(&facts, &grown) {
            return None;
        }
        let moved = |all: &[usize]| all.iter().map(|f| grown.fact(*f)).collect::<Vec<_>>();
        let trees = self.trees.iter().map(|(id, tree)| (*id, tree.each(moved)));
        let pairs = |all: &[(usize, UtcMs)]| all.iter().map(|(v, at)| (grown.version(*v), *at)).collect();
        let mut view = Self {
            yard: self.yard.clone(),
            book: self.book,
            title: self.title.clone(),
            job: self.job.clone(),
            heads: book.heads(),
            trees: trees.collect(),
            joined: self.joined.clone(),
            unknown_tree: moved(&self.unknown_tree),
            crew_days: self.crew_days.clone(),
            signed_off: self.signed_off.clone(),
            late: self.late.iter().map(|(v, s)| (grown.version(*v), *s)).collect(),
            ahead: pairs(&self.ahead),
            photos_arrived: self.photos_arrived.clone(),
            backdated: pairs(&self.backdated),
            set_back: self.set_back.iter().map(|(v, a, b)| (grown.version(*v), *a, *b)).collect(),
            changed: self.changed.iter().map(|(v, f, s, d)| (grown.version(*v), *f, *s, *d)).collect(),
            crews_of_devices: self.crews_of_devices.clone(),
            looked_for: self.looked_for.clone(),
            signed_knowing: self.signed_knowing.clone(),
            facts,
        };
        view.list_new(&grown.new_facts);
        grown.new_facts.iter().for_each(|fact| view.attach(*fact));
        view.new_days(&grown.new_versions);
        view.clocks_of_new(book, &grown.new_versions);
        Some((view, grown.new_facts))
    }

    /// The same view with another state of its yard, under which every device's certificates are the same.
    pub fn with_yard(&self, yard: Arc<Yard>) -> Self {
        Self { yard: yard.into(), ..self.clone() }
    }

    /// Whether nothing that stood waits for any of the new facts, and none of them joins trees.
    fn only_adds(&self, facts: &Facts, grown: &Grown) -> bool {
        let new: BTreeSet<RecordId> = grown.new_facts.iter().map(|f| facts.facts[*f].id).collect();
        let mut waiting =
            self.facts.in_force(Kind::Join).flat_map(|f| match &self.facts.shown(f).record.body {
                Body::Join(join) => join.joined.iter().copied().chain([join.keep]).collect(),
                _ => vec![],
            });
        let joins = grown.new_facts.iter().any(|f| facts.facts[*f].kind == Kind::Join);
        !joins && !self.looked_for.iter().any(|id| new.contains(id)) && !waiting.any(|id| new.contains(&id))
    }

    fn list_new(&mut self, new: &[usize]) {
        for index in new {
            let fact = &self.facts.facts[*index];
            if fact.kind == Kind::Tree && fact.in_force() {
                self.trees.entry(fact.id).or_default().listed_as.push(*index);
            }
        }
    }

    fn new_days(&mut self, new: &[usize]) {
        let mut signed: BTreeMap<CrewDay, Vec<RecordId>> = BTreeMap::new();
        for index in &self.facts.signed_off {
            let version = &self.facts.versions[*index];
            if let Body::SignOff(body) = &version.record.body {
                signed.entry(CrewDay { crew: body.crew, day: body.day }).or_default().push(version.id());
            }
        }
        let mut crews_differ = false;
        for index in new {
            let version = &self.facts.versions[*index];
            let known = self.crews_of_devices.get(&version.author);
            crews_differ |= known.is_some_and(|crew| *crew != version.crew);
            self.crews_of_devices.insert(version.author, version.crew);
            let Some(day) = self.crew_day(version) else { continue };
            if is_work(version.record.kind()) && version.standing == Standing::InForce {
                self.crew_days.insert(day);
            }
            // What comes now was known to no sign-off.
            if version.crew.is_some() {
                self.late.extend(signed.get(&day).into_iter().flatten().map(|sign_off| (*index, *sign_off)));
            }
        }
        if crews_differ {
            // The last certificate counts, and what came may stand before what was there.
            self.crews_of_devices = self.facts.versions.iter().map(|v| (v.author, v.crew)).collect();
        }
        self.late.sort_by_key(|(version, _)| *version);
    }

    /// What clocks say of the new versions, and of those that a new receipt covers.
    fn clocks_of_new(&mut self, book: &Book, new: &[usize]) {
        let mut actors: BTreeSet<ActorId> = BTreeSet::new();
        for index in new {
            if let Body::Receipt(receipt) = &self.facts.versions[*index].record.body {
                actors.extend(receipt.through.iter().map(|end| end.actor));
            }
        }
        let of = |version: &usize| {
            let carrier = self.facts.versions[*version].carrier;
            book.commits().get(carrier.commit).is_some_and(|c| actors.contains(&c.actor()))
        };
        let mut again: Vec<usize> =
            if actors.is_empty() { vec![] } else { (0..self.facts.versions.len()).filter(of).collect() };
        again.extend(new);
        again.sort_unstable();
        again.dedup();
        self.ahead.retain(|(version, _)| again.binary_search(version).is_err());
        self.find_ahead(book, &again);
        self.ahead.sort_by_key(|(version, _)| *version);
        self.find_backdated(book, new);
        self.backdated.sort_by_key(|(version, _)| *version);
        self.find_set_back(book, new);
    }
}

impl TreeView {
    /// The same with every list made anew.
    fn each(&self, moved: impl Fn(&[usize]) -> Vec<usize>) -> Self {
        Self {
            listed_as: moved(&self.listed_as),
            diameters: moved(&self.diameters),
            conditions: moved(&self.conditions),
            doses: moved(&self.doses),
            applications: moved(&self.applications),
            not_treated: moved(&self.not_treated),
            photos: moved(&self.photos),
            inspections: moved(&self.inspections),
        }
    }
}
