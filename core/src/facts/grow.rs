//! Facts grown by commits that only add: most of a day's work names nothing that came before it as
//! replaced, struck or admitted, and then nothing that stood changes. What it costs is what came and
//! a pass over numbers; the texts that stood are not judged again.

use std::collections::{BTreeMap, BTreeSet};

use crate::book::{Book, Carrier};
use crate::facts::{Authority, Fact, Facts, HeldReason, Standing, Version, standing};
use crate::ids::RecordId;
use crate::record::Kind;

/// Where what stood before has gone, and what is new.
#[derive(Clone, Debug)]
pub struct Grown {
    /// The new place of each fact that stood.
    facts: Vec<usize>,
    /// The new place of each version that stood.
    versions: Vec<usize>,
    /// The new facts, ascending.
    pub new_facts: Vec<usize>,
    /// The new versions, ascending.
    pub new_versions: Vec<usize>,
}

impl Grown {
    /// Where a fact stands now.
    pub fn fact(&self, before: usize) -> usize {
        self.facts[before]
    }

    /// Where a version stands now.
    pub fn version(&self, before: usize) -> usize {
        self.versions[before]
    }
}

/// Kinds whose records may change how others stand, or what a whole book is. Each is named, so that
/// whoever adds a kind says it here.
fn reaches_back(kind: Kind) -> bool {
    match kind {
        Kind::Strike | Kind::Admission | Kind::SignOff | Kind::Reopening | Kind::Genesis | Kind::Rescue => {
            true
        }
        Kind::Receipt
        | Kind::PhotoReceived
        | Kind::Certificate
        | Kind::Revocation
        | Kind::Access
        | Kind::Person
        | Kind::Licence
        | Kind::Crew
        | Kind::Label
        | Kind::LabelConfirmation
        | Kind::Kit
        | Kind::Calibration
        | Kind::Lot
        | Kind::Movement
        | Kind::Fill
        | Kind::Authorisation
        | Kind::Notice
        | Kind::Block
        | Kind::Tree
        | Kind::Diameter
        | Kind::Condition
        | Kind::Dose
        | Kind::Application
        | Kind::NotTreated
        | Kind::Incident
        | Kind::Photo
        | Kind::Note
        | Kind::DayClosing
        | Kind::Acknowledgement
        | Kind::Inspection
        | Kind::Ruling
        | Kind::Requirements
        | Kind::Join
        | Kind::Question
        | Kind::Answer => false,
    }
}

impl Facts {
    /// How each commit of the book is held.
    pub(super) fn holds(book: &Book, authority: &impl Authority) -> Vec<Option<HeldReason>> {
        book.commits().iter().map(|c| authority.hold(book, c)).collect()
    }

    /// The facts of a book of whose commits these are the first, with the others added: to the byte
    /// what [`Facts::fold`] makes of the whole. Nothing when it takes a fold: when what came reaches
    /// back to what stood, when how a commit is held has changed, or when a record cannot be read.
    /// What certificates say of devices must be as it was.
    pub fn grown(&self, book: &Book, authority: &impl Authority) -> Option<(Self, Grown)> {
        let before = self.holds.len();
        let holds = Self::holds(book, authority);
        if book.rescued().next().is_some() || !holds.starts_with(&self.holds) {
            return None;
        }
        let mut new = vec![];
        let mut ids = BTreeSet::new();
        for (position, commit) in book.commits().iter().enumerate().skip(before) {
            let author = commit.actor().device();
            let role = authority.role_at(author, commit.time());
            let crew = authority.crew_at(author, commit.time());
            for (index, id) in commit.record_ids().iter().enumerate() {
                let carrier = Carrier { commit: position, index };
                let record = book.record(carrier).ok()?;
                let known = self.by_id.contains_key(id) || self.unreadable.iter().any(|u| u.id == *id);
                let plain = record.envelope.replaces.is_empty() && !reaches_back(record.kind());
                if known || !plain || !ids.insert(*id) {
                    return None;
                }
                let standing = standing(&record, author, holds[position], role);
                let (spot, op) = (book.spot(carrier), commit.start_op() + index as u64);
                let (fact, superseded) = (usize::MAX, false);
                let version =
                    Version { record, carrier, spot, op, author, role, crew, standing, fact, superseded };
                new.push((version, commit.hash()));
            }
        }
        new.sort_by_key(|(v, hash)| (v.op, v.id(), *hash));
        let new: Vec<Version> = new.into_iter().map(|(version, _)| version).collect();
        Some(self.with(new, holds))
    }

    /// Takes versions in, sorted as those here are, each of an id that is not here.
    fn with(&self, new: Vec<Version>, holds: Vec<Option<HeldReason>>) -> (Self, Grown) {
        let facts: Vec<Fact> = new.iter().map(|v| Fact::new(v.id(), v.record.kind())).collect();
        let (version_at, new_versions) = places(&self.versions, &new, |v| (v.op, v.id()));
        let mut order: Vec<usize> = (0..facts.len()).collect();
        order.sort_by_key(|i| facts[*i].id);
        let sorted: Vec<Fact> = order.iter().map(|i| facts[*i].clone()).collect();
        let (fact_at, new_facts) = places(&self.facts, &sorted, |f| f.id);

        let mut versions = Vec::with_capacity(self.versions.len() + new.len());
        let mut news = new.into_iter().zip(&new_versions).peekable();
        for (version, at) in self.versions.iter().zip(&version_at) {
            while let Some((version, _)) = news.next_if(|(_, place)| **place < *at) {
                versions.push(version);
            }
            versions.push(Version { fact: fact_at[version.fact], ..version.clone() });
        }
        versions.extend(news.map(|(version, _)| version));

        let moved = |all: &[usize]| all.iter().map(|v| version_at[*v]).collect::<Vec<_>>();
        let mut merged = Vec::with_capacity(self.facts.len() + sorted.len());
        let mut news = sorted.into_iter().zip(&new_facts).zip(&order).peekable();
        let mut add = |fact: Fact, at: usize, order: usize, merged: &mut Vec<Fact>| {
            let version = new_versions[order];
            versions[version].fact = at;
            let in_force = versions[version].standing == Standing::InForce;
            merged.push(Fact {
                history: vec![version],
                current: if in_force { vec![version] } else { vec![] },
                ..fact
            });
        };
        for (fact, at) in self.facts.iter().zip(&fact_at) {
            while let Some(((fact, place), order)) = news.next_if(|((_, place), _)| **place < *at) {
                add(fact, *place, *order, &mut merged);
            }
            let (history, current) = (moved(&fact.history), moved(&fact.current));
            merged.push(Fact { history, current, ..fact.clone_outside() });
        }
        news.for_each(|((fact, place), order)| add(fact, *place, *order, &mut merged));

        let mut by_id = self.by_id.clone();
        by_id.values_mut().flatten().for_each(|v| *v = version_at[*v]);
        by_id.extend(new_versions.iter().map(|v| (versions[*v].id(), vec![*v])));
        let mut by_kind: BTreeMap<Kind, Vec<usize>> = BTreeMap::new();
        for (index, fact) in merged.iter().enumerate() {
            by_kind.entry(fact.kind).or_default().push(index);
        }
        let mut not_in_force = moved(&self.not_in_force);
        not_in_force.extend(new_versions.iter().filter(|v| versions[**v].standing != Standing::InForce));
        not_in_force.sort_unstable();
        let grown = Self {
            versions,
            facts: merged,
            unreadable: self.unreadable.clone(),
            bad_references: self.bad_references.clone(),
            conflicting: self.conflicting.clone(),
            signed_off: moved(&self.signed_off),
            not_in_force,
            contested: self.contested.iter().map(|f| fact_at[*f]).collect(),
            holds,
            by_id,
            by_kind,
        };
        (grown, Grown { facts: fact_at, versions: version_at, new_facts, new_versions })
    }
}

impl Fact {
    fn new(id: RecordId, kind: Kind) -> Self {
        Self { id, kind, history: vec![], current: vec![], struck_by: None, contested: None }
    }

    /// A copy without its versions.
    fn clone_outside(&self) -> Self {
        let Self { struck_by, contested, .. } = *self;
        Self { struck_by, contested, ..Self::new(self.id, self.kind) }
    }
}

/// Where each of two sorted lists stands in both together.
fn places<T, K: Ord>(old: &[T], new: &[T], key: impl Fn(&T) -> K) -> (Vec<usize>, Vec<usize>) {
    let (mut of_old, mut of_new) = (Vec::with_capacity(old.len()), Vec::with_capacity(new.len()));
    let mut next = new.iter().map(&key).peekable();
    for one in old {
        let at = key(one);
        while next.next_if(|k| *k < at).is_some() {
            of_new.push(of_old.len() + of_new.len());
        }
        of_old.push(of_old.len() + of_new.len());
    }
    for _ in next {
        of_new.push(of_old.len() + of_new.len());
    }
    (of_old, of_new)
}
