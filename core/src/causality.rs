//! Which commits a commit knew: ancestry in the graph of commits, without walking it.
//!
//! Commits are laid out in chains (each commit continues the chain of one it depends on, where
//! that one is still the chain's end). A commit's past is then one number a chain; commits that
//! only continue their chain share that vector, so memory grows with merges, not with commits.

use std::sync::Arc;

/// A commit's place: chain and index on it, and how much of every other chain it knew.
#[derive(Clone, Debug)]
struct Place {
    chain: u32,
    index: u32,
    /// `knew[c]` commits of chain `c`, as of the last merge on this chain.
    knew: Arc<Vec<u32>>,
}

/// Where a commit stands among the chains of one replica: for looking up, never for deciding.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub struct Spot {
    chain: u32,
    index: u32,
}

/// All that one commit knew. It shares its memory with the commits around it.
#[derive(Clone, Debug)]
pub struct Past {
    spot: Spot,
    knew: Arc<Vec<u32>>,
}

impl Past {
    /// Whether a commit of the same replica is this one or one of its ancestors.
    pub fn holds(&self, other: Spot) -> bool {
        if other.chain == self.spot.chain {
            return other.index <= self.spot.index;
        }
        self.knew.get(other.chain as usize).is_some_and(|count| *count > other.index)
    }
}

/// The ancestry of a growing list of commits, by their position in the list.
#[derive(Clone, Debug, Default)]
pub struct Causality {
    places: Vec<Place>,
    ends: Vec<usize>,
}

impl Causality {
    /// Adds the next commit, which depends on commits already added (by position; others are ignored).
    pub fn push(&mut self, deps: &[usize]) {
        let position = self.places.len();
        let known = |p: &&usize| **p < position;
        let continued =
            deps.iter().filter(known).copied().find(|p| self.ends[self.places[*p].chain as usize] == *p);
        let (chain, index) = match continued {
            Some(p) => (self.places[p].chain, self.places[p].index + 1),
            None => (self.ends.len() as u32, 0),
        };
        let others: Vec<usize> =
            deps.iter().filter(known).copied().filter(|p| Some(*p) != continued).collect();
        let mut knew = continued.map_or_else(|| Arc::new(Vec::new()), |p| Arc::clone(&self.places[p].knew));
        if !others.is_empty() {
            let mut merged = (*knew).clone();
            for p in others {
                let place = &self.places[p];
                raise(&mut merged, place.chain as usize, place.index + 1);
                for (c, count) in place.knew.iter().enumerate() {
                    raise(&mut merged, c, *count);
                }
            }
            knew = Arc::new(merged);
        }
        match continued {
            Some(_) => self.ends[chain as usize] = position,
            None => self.ends.push(position),
        }
        self.places.push(Place { chain, index, knew });
    }

    /// Whether commit `a` is `b` or one of its ancestors. Constant time; unknown positions give `false`.
    pub fn knew(&self, b: usize, a: usize) -> bool {
        let (Some(a), Some(b)) = (self.places.get(a), self.places.get(b)) else {
            return false;
        };
        if a.chain == b.chain {
            return a.index <= b.index;
        }
        b.knew.get(a.chain as usize).is_some_and(|count| *count > a.index)
    }

    /// Where a commit stands, if it was added.
    pub fn spot(&self, position: usize) -> Option<Spot> {
        self.places.get(position).map(|p| Spot { chain: p.chain, index: p.index })
    }

    /// All that a commit knew, itself included, to be kept apart from the list.
    pub fn past(&self, position: usize) -> Option<Past> {
        let place = self.places.get(position)?;
        Some(Past { spot: Spot { chain: place.chain, index: place.index }, knew: Arc::clone(&place.knew) })
    }

    /// How many commits have been added.
    pub fn len(&self) -> usize {
        self.places.len()
    }

    /// Whether none has been added.
    pub fn is_empty(&self) -> bool {
        self.places.is_empty()
    }
}

fn raise(counts: &mut Vec<u32>, chain: usize, count: u32) {
    if counts.len() <= chain {
        counts.resize(chain + 1, 0);
    }
    counts[chain] = counts[chain].max(count);
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        /// The answer equals a plain walk over the graph, whatever the graph.
        #[test]
        fn ancestry_equals_a_walk_over_the_graph(
            shape in proptest::collection::vec(proptest::collection::vec(0usize..1_000, 0..4), 1..60)
        ) {
            let mut causality = Causality::default();
            let mut past: Vec<Vec<bool>> = vec![];
            for (position, picks) in shape.iter().enumerate() {
                let deps: Vec<usize> =
                    if position == 0 { vec![] } else { picks.iter().map(|p| p % position).collect() };
                causality.push(&deps);
                let mut mine = vec![false; shape.len()];
                mine[position] = true;
                for dep in &deps {
                    for (known, add) in mine.iter_mut().zip(&past[*dep]) {
                        *known |= add;
                    }
                }
                past.push(mine);
            }
            for (b, past) in past.iter().enumerate() {
                let kept = causality.past(b).unwrap();
                for (a, knew) in past.iter().enumerate() {
                    prop_assert_eq!(kept.holds(causality.spot(a).unwrap()), *knew);
                    prop_assert_eq!(causality.knew(b, a), *knew, "{} in the past of {}", a, b);
                }
            }
        }
    }
}
