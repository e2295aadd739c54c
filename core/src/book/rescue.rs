//! Rescued commits: what a log could not take in because an actor forked, put back with evidence.
//!
//! A rescue record holds a commit without its texts, which stand beside it. The commit is built
//! again; if its hash comes out, and what it depends on was known to the rescuer, it stands in the
//! book as its author wrote it: with its own author, signatures and past, but outside the chains
//! and heads. Whatever does not come out proves nothing, and its texts are held.

use std::collections::{BTreeMap, BTreeSet};

use super::{Book, Carrier};
use crate::commit::{Commit, Draft};
use crate::ids::{ActorId, CommitHash, RecordId};
use crate::record::book_kinds::Rescue;
use crate::record::{Body, Record};
use crate::signing::HeadSignature;

/// Marks a carrier's commit as a rescued one.
const RESCUED: usize = 1 << (usize::BITS - 1);

/// A commit as its author wrote it, put back by a rescue record that proves it.
#[derive(Clone, Debug)]
pub struct Rescued {
    commit: Commit,
    signatures: BTreeSet<HeadSignature>,
    pub(super) place: usize,
}

impl Rescued {
    /// The commit.
    pub fn commit(&self) -> &Commit {
        &self.commit
    }

    /// The head signatures on it that came as evidence. Whether they hold is for whoever knows the
    /// device's key.
    pub fn signatures(&self) -> impl Iterator<Item = &HeadSignature> {
        self.signatures.iter()
    }
}

impl Carrier {
    pub(super) fn of_rescued(number: usize, index: usize) -> Self {
        Self { commit: number | RESCUED, index }
    }

    /// Its number among the rescued commits, if the commit is one.
    pub fn rescued(self) -> Option<usize> {
        (self.commit & RESCUED != 0).then_some(self.commit & !RESCUED)
    }
}

/// Whether a record's text is a rescue: in canonical form its kind stands at the end.
fn is_rescue(text: &str) -> bool {
    text.ends_with(r#","kind":"rescue","v":1}"#)
}

impl Book {
    /// The commits put back, in this replica's order of arrival.
    pub fn rescued(&self) -> impl Iterator<Item = &Rescued> {
        self.rescued.iter()
    }

    /// Takes in what the rescue records of a commit put back; `place` is the commit's own without
    /// them. Gives the places of all that they prove.
    pub(super) fn take_rescues(&mut self, by: &Commit, place: usize) -> Vec<usize> {
        let rescues = by.records().iter().filter(|text| is_rescue(text)).filter_map(|text| {
            match Record::read_shape(text).ok()?.body {
                Body::Rescue(rescue) => Some(*rescue),
                _ => None,
            }
        });
        let rescues: Vec<Rescue> = rescues.collect();
        if rescues.is_empty() {
            return vec![];
        }
        let mut texts: BTreeMap<RecordId, &str> = BTreeMap::new();
        let before = self.ends.get(&by.actor()).and_then(|(_, hash)| self.commit(*hash)).cloned();
        for commit in before.iter().chain([by]) {
            texts
                .extend(commit.record_ids().iter().copied().zip(commit.records().iter().map(String::as_str)));
        }
        let mut places = vec![];
        let mut proven: BTreeMap<CommitHash, usize> = BTreeMap::new();
        for rescue in rescues {
            let Some((commit, deps)) = self.proves(&rescue, &texts, &proven, place) else { continue };
            let hash = commit.hash();
            let number = match self.rescued_index.get(&hash) {
                Some(number) => *number,
                None => self.add_rescued(commit, &deps),
            };
            if let Some(rescued) = self.rescued.get_mut(number) {
                let own = rescue.signatures.into_iter().filter(|s| s.hash == hash && s.seq == rescue.seq);
                rescued.signatures.extend(own.filter(|s| s.actor == rescue.actor));
                places.push(rescued.place);
            }
            proven.insert(hash, number);
        }
        places
    }

    /// The commit a rescue stands for and the places of what it depends on, if all comes out.
    ///
    /// What it depends on must have been known to the rescuer, so that every replica says the same.
    fn proves(
        &self,
        rescue: &Rescue,
        texts: &BTreeMap<RecordId, &str>,
        proven: &BTreeMap<CommitHash, usize>,
        place: usize,
    ) -> Option<(Commit, Vec<usize>)> {
        let records = rescue.records.iter().map(|id| texts.get(id).map(|t| (*t).to_owned()));
        let Rescue { actor, seq, start_op, time, .. } = *rescue;
        let deps = rescue.deps.clone();
        let records = records.collect::<Option<Vec<_>>>()?;
        let commit = Commit::author(Draft { actor, seq, start_op, time, deps, records }).ok()?;
        if commit.hash() != rescue.hash || commit.deps().is_empty() {
            return None;
        }
        let (mut places, mut highest, mut follows) = (vec![], 0, seq == 1);
        for hash in commit.deps() {
            let earlier = proven.get(hash).or_else(|| self.rescued_index.get(hash));
            let earlier = earlier.and_then(|n| self.rescued.get(*n));
            let known = |at: &usize| self.causality.knew(place, *at) || proven.contains_key(hash);
            let real = self.position(*hash).and_then(|p| Some((self.commits.get(p)?, *self.places.get(p)?)));
            let real = real.filter(|(_, at)| known(at));
            let rescued = earlier.map(|r| (&r.commit, r.place)).filter(|(_, at)| known(at));
            let (dep, at) = real.or(rescued)?;
            follows |= (dep.actor(), dep.seq() + 1) == (actor, seq);
            highest = highest.max(dep.last_op());
            places.push(at);
        }
        (follows && start_op == highest + 1).then_some((commit, places))
    }

    fn add_rescued(&mut self, commit: Commit, deps: &[usize]) -> usize {
        let number = self.rescued.len();
        let place = self.causality.len();
        self.causality.push(deps);
        self.rescued_index.insert(commit.hash(), number);
        for (index, id) in commit.record_ids().iter().enumerate() {
            self.records.entry(*id).or_default().push(Carrier::of_rescued(number, index));
        }
        self.rescued.push(Rescued { commit, signatures: BTreeSet::new(), place });
        number
    }

    /// Whether a device may go on with an actor in this book: it has no commit yet, or the last
    /// one is vouched for by the device itself.
    ///
    /// The gate does not bind a commit to its actor's device, so anyone can append to a chain whose
    /// end is known. Who goes on after a stranger's commit would vouch for it; open a fresh actor
    /// instead. Call this before every [`Book::draft`] with an actor that was used before.
    pub fn may_continue(&self, actor: ActorId, key: &crate::signing::PublicKey) -> bool {
        let Some((seq, hash)) = self.ends.get(&actor) else { return true };
        let signed = self.signatures.get(&(actor, *seq)).into_iter().flat_map(BTreeMap::keys);
        signed.filter(|s| s.hash == *hash).any(|s| s.verify(self.id, key).is_ok())
    }
}
