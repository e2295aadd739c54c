//! Everything that was ever logged of a tree.

use crate::ids::TreeId;
use crate::record::Body;
use crate::view::{TreeView, View, tree_named};

impl TreeView {
    /// Every fact that counts and is about the tree, by index into the job's facts.
    pub fn facts(&self) -> impl Iterator<Item = usize> + '_ {
        let lists = [
            &self.listed_as,
            &self.diameters,
            &self.conditions,
            &self.doses,
            &self.applications,
            &self.not_treated,
            &self.photos,
            &self.inspections,
        ];
        lists.into_iter().flatten().copied()
    }
}

impl View<'_> {
    /// Every fact about a tree by index into the job's facts, the oldest first: what counts, notes on it,
    /// and what was struck, which is no longer attached to the tree but stays readable. It looks at
    /// every fact of the job.
    pub fn history(&self, id: TreeId, tree: &TreeView) -> Vec<usize> {
        let about = |index: &usize| {
            let fact = self.fact(*index);
            let body = &self.facts.shown(fact).record.body;
            let named = match body {
                Body::Note(note) => note.about,
                _ if !fact.in_force() => tree_named(body).or(Some(fact.id)),
                _ => None,
            };
            named.is_some_and(|named| self.stays(named) == id)
        };
        let mut facts: Vec<usize> = tree.facts().chain((0..self.facts.facts.len()).filter(about)).collect();
        facts.sort_by_key(|i| self.fact(*i).history.first().map(|v| self.facts.versions[*v].op));
        facts.dedup();
        facts
    }
}
