//! Linkage kept from change to change: of a listing that is new or changed, only what stands around it is
//! compared again.
//!
//! A pair's odds depend on its two listings, on what stands around them, and on the weights. The weights
//! come from the first listings by id ([`SAMPLE`], [`COUNTED`]) and from what stands around those: where
//! they come out otherwise than before, all pairs are compared again, else those within reach of the
//! change. What comes out is what [`link`](super::link) finds.

use std::collections::{BTreeMap, BTreeSet};

use super::assign::Edge;
use super::compare::{AROUND_M, Comparison, FURTHEST_M, located};
use super::estimate::{SAMPLE, sample};
use super::grid::{DENSEST, Grid, square, squares_around};
use super::model::{COMMON, COUNTED, Makeup, Model, in_capitals};
use super::{Linked, Listing, Visit, candidates, ranked};
use crate::ids::TreeId;
use crate::quantity::Um;
use crate::record::stand::Position;

/// A listing, kept.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Owned {
    tag: String,
    species: Option<String>,
    position: Position,
    diameter: Option<Um>,
    visit: Option<Visit>,
}

impl Owned {
    fn of(listing: &Listing<'_>) -> Self {
        Self {
            tag: listing.tag.to_owned(),
            species: listing.species.map(str::to_owned),
            position: listing.position,
            diameter: listing.diameter,
            visit: listing.visit,
        }
    }

    fn is(&self, other: &Listing<'_>) -> bool {
        self.lent(other.id) == *other
    }

    fn lent(&self, id: TreeId) -> Listing<'_> {
        Listing {
            id,
            tag: &self.tag,
            species: self.species.as_deref(),
            position: self.position,
            diameter: self.diameter,
            visit: self.visit,
        }
    }
}

/// A row and column of ground.
type Square = (i64, i64);

/// The listings of a job by place, with the pairs worth following up.
#[derive(Clone, Debug)]
pub(crate) struct Places {
    listings: BTreeMap<TreeId, Owned>,
    located: BTreeSet<TreeId>,
    squares: BTreeMap<Square, BTreeSet<TreeId>>,
    tags: BTreeMap<String, usize>,
    common: BTreeMap<String, usize>,
    model: Model,
    candidates: BTreeMap<(TreeId, TreeId), (f64, Comparison)>,
    partners: BTreeMap<TreeId, BTreeSet<TreeId>>,
}

impl Places {
    /// Takes in all listings of a job.
    pub(crate) fn of<'v>(listings: impl Iterator<Item = Listing<'v>>) -> Self {
        let mut places = Self {
            listings: BTreeMap::new(),
            located: BTreeSet::new(),
            squares: BTreeMap::new(),
            tags: BTreeMap::new(),
            common: BTreeMap::new(),
            model: Model::of_book(&[]),
            candidates: BTreeMap::new(),
            partners: BTreeMap::new(),
        };
        for listing in listings {
            places.put(listing.id, Some(&listing));
        }
        places.model = places.weights();
        let everyone = places.located.clone();
        places.compare(&everyone);
        places
    }

    /// Brings it up to some listings as they are now; none where a tree is listed no more or nowhere.
    pub(crate) fn update<'v>(&mut self, now: impl Iterator<Item = (TreeId, Option<Listing<'v>>)>) {
        let mut changed: Vec<Position> = vec![];
        let mut first = None;
        for (id, listing) in now {
            let before = self.listings.get(&id);
            if before.map(|b| listing.is_some_and(|l| b.is(&l))).unwrap_or(listing.is_none()) {
                continue;
            }
            changed.extend(before.map(|b| b.position).into_iter().chain(listing.map(|l| l.position)));
            first = Some(first.map_or(id, |f: TreeId| f.min(id)));
            // A square that is crowded shows a part of its own to each that looks at it.
            self.put(id, listing.as_ref());
        }
        let Some(first) = first else { return };
        if self.may_weigh_otherwise(first, &changed) {
            let model = self.weights();
            if model != self.model {
                self.model = model;
                self.candidates.clear();
                self.partners.clear();
                let everyone = self.located.clone();
                self.compare(&everyone);
                return;
            }
        }
        let mut again = BTreeSet::new();
        for position in &changed {
            let crowd = self.squares.get(&square(position)).map_or(0, BTreeSet::len) + 1 >= DENSEST;
            let radius = if crowd { 2.0 * FURTHEST_M } else { AROUND_M };
            self.around(position, radius).for_each(|(_, trees)| again.extend(trees));
        }
        self.compare(&again);
    }

    /// What linkage finds, with the listings that the indices of pairs stand for.
    pub(crate) fn linked(&self) -> (Linked, Vec<Listing<'_>>) {
        let ids: Vec<TreeId> = self.partners.keys().copied().collect();
        let listings: Vec<Listing<'_>> =
            ids.iter().filter_map(|id| self.listings.get(id).map(|l| l.lent(*id))).collect();
        let index = |id: &TreeId| ids.binary_search(id).unwrap_or_default();
        let candidates: Vec<(Edge, Comparison)> = self
            .candidates
            .iter()
            .map(|((a, b), (odds, c))| (Edge { a: index(a), b: index(b), odds: *odds }, *c))
            .collect();
        (ranked(&listings, self.model.clone(), &candidates), listings)
    }

    fn put(&mut self, id: TreeId, listing: Option<&Listing<'_>>) {
        if let Some(before) = self.listings.remove(&id) {
            self.located.remove(&id);
            if let Some(trees) = self.squares.get_mut(&square(&before.position)) {
                trees.remove(&id);
            }
            self.count(&before.tag, -1);
            for other in self.partners.remove(&id).into_iter().flatten() {
                self.part(id, other);
            }
        }
        let Some(listing) = listing else { return };
        if located(&listing.position) {
            self.located.insert(id);
        }
        self.squares.entry(square(&listing.position)).or_default().insert(id);
        self.count(listing.tag, 1);
        self.listings.insert(id, Owned::of(listing));
    }

    fn part(&mut self, one: TreeId, other: TreeId) {
        self.candidates.remove(&(one.min(other), one.max(other)));
        if let Some(partners) = self.partners.get_mut(&other) {
            partners.remove(&one);
            if partners.is_empty() {
                self.partners.remove(&other);
            }
        }
    }

    fn count(&mut self, tag: &str, more: isize) {
        if tag.is_empty() {
            return;
        }
        let tag = in_capitals(tag).into_owned();
        let n = self.tags.get(&tag).copied().unwrap_or(0).saturating_add_signed(more);
        if n >= COMMON {
            self.common.insert(tag.clone(), n);
        } else {
            self.common.remove(&tag);
        }
        if n == 0 {
            self.tags.remove(&tag);
        } else {
            self.tags.insert(tag, n);
        }
    }

    /// The squares that a circle touches, with their listings.
    fn around(&self, p: &Position, radius_m: f64) -> impl Iterator<Item = (&Square, &BTreeSet<TreeId>)> {
        squares_around(p, radius_m)
            .flat_map(|(row, west, east)| self.squares.range((row, west)..=(row, east)))
    }

    /// The located listings that the weights are estimated from.
    fn sampled(&self) -> impl Iterator<Item = TreeId> + '_ {
        self.located.iter().take(SAMPLE).copied()
    }

    /// Whether a change of listings, the first of them and where they were and are, may change the weights.
    fn may_weigh_otherwise(&self, first: TreeId, changed: &[Position]) -> bool {
        let counted = self.listings.keys().nth(COUNTED - 1);
        let last = self.sampled().last().filter(|_| self.located.len() > SAMPLE);
        let among_first = |end: Option<&TreeId>| end.is_none_or(|end| first <= *end);
        if !self.common.is_empty() || among_first(counted) || among_first(last.as_ref()) {
            return true;
        }
        // Ids ascend in a square: of most squares the first one says that none is in the sample.
        let in_sample = |trees: &BTreeSet<TreeId>| {
            let mut early = trees.iter().take_while(|id| last.is_none_or(|last| **id <= last));
            early.any(|id| self.located.contains(id))
        };
        changed.iter().any(|p| self.around(p, 2.0 * FURTHEST_M).any(|(_, trees)| in_sample(trees)))
    }

    fn weights(&self) -> Model {
        let first: Vec<Listing<'_>> = self.listings.iter().take(COUNTED).map(|(id, l)| l.lent(*id)).collect();
        let common = self.common.iter().map(|(tag, n)| (tag.clone(), *n));
        let mut model = Model::of_makeup(Makeup::counted(&first, common, self.listings.len()));
        let wanted: BTreeSet<TreeId> = self.sampled().collect();
        let near = self.near(&wanted);
        let grid = Grid::of(&near);
        let of: Vec<usize> = (0..near.len()).filter(|i| wanted.contains(&near[*i].id)).collect();
        model.estimate(&near, &sample(&near, &grid, &of));
        model
    }

    /// The listings within reach of some, and those around them, ascending by id: whole squares.
    fn near(&self, trees: &BTreeSet<TreeId>) -> Vec<Listing<'_>> {
        let mut squares: BTreeSet<Square> = BTreeSet::new();
        let positions = trees.iter().filter_map(|id| self.listings.get(id)).map(|l| &l.position);
        for position in positions {
            squares.extend(self.around(position, FURTHEST_M + AROUND_M).map(|(square, _)| *square));
        }
        let members = squares.iter().filter_map(|s| self.squares.get(s)).flatten();
        let mut ids: Vec<TreeId> = members.copied().collect();
        ids.sort_unstable();
        ids.iter().filter_map(|id| self.listings.get(id).map(|l| l.lent(*id))).collect()
    }

    /// Compares some listings anew with all within their reach.
    fn compare(&mut self, again: &BTreeSet<TreeId>) {
        for id in again {
            for other in self.partners.remove(id).into_iter().flatten() {
                self.part(*id, other);
            }
        }
        let near = self.near(again);
        let grid = Grid::of(&near);
        let is_located: Vec<usize> = (0..near.len()).filter(|i| located(&near[*i].position)).collect();
        let wanted: Vec<bool> = near.iter().map(|l| again.contains(&l.id)).collect();
        let found = candidates(&near, &grid, &is_located, &self.model, |i| wanted[i]);
        let found: Vec<_> =
            found.into_iter().map(|(e, c)| ((near[e.a].id, near[e.b].id), (e.odds, c))).collect();
        for ((a, b), one) in found {
            self.partners.entry(a).or_default().insert(b);
            self.partners.entry(b).or_default().insert(a);
            self.candidates.insert((a, b), one);
        }
    }
}
