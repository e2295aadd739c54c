//! One tree listed twice: probabilistic record linkage.
//!
//! Listings that stand near each other ([`grid`]) are compared on position, tag, species, diameter and
//! visit ([`compare()`]). Of each outcome the model says how much likelier it is for two listings of one
//! tree than of two trees (I. P. Fellegi and A. B. Sunter, 'A theory for record linkage', J. Am. Stat.
//! Assoc. 64 (1969) 1183–1210): [`model`]. What differs from job to job is estimated from the book
//! itself ([`estimate`]). A listing has at most one twin, so rivals share what there is of evidence
//! ([`assign`]).

pub mod assign;
pub mod compare;
pub mod estimate;
pub mod evidence;
pub mod grid;
pub mod model;
pub(crate) mod places;
pub mod tags;

use std::collections::BTreeMap;

use crate::ids::{DeviceId, TreeId};
use crate::quantity::{Um, UtcMs};
use crate::record::stand::Position;
use assign::{Edge, probabilities};
use compare::{Around, Comparison, Species, compare, located};
use grid::Grid;
use model::Model;
use tags::Tags;

/// A pair is kept in the ranked list from this probability on.
pub const LISTED_FROM: f64 = 0.02;
/// A pair is shown from this probability on, that is when it is likelier than not: not tuned, for
/// probabilities that are true need no tuning.
pub const SHOWN_FROM: f64 = 0.5;
/// Odds below which a pair is not followed up.
const HOPELESS: f64 = 0.004;

/// A visit to a tree.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Visit {
    /// The device that listed it.
    pub device: DeviceId,
    /// The earliest of its listing and its photos.
    pub from: UtcMs,
    /// The latest of them.
    pub to: UtcMs,
}

/// A tree as it was listed, as far as linkage looks.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Listing<'v> {
    /// Its id.
    pub id: TreeId,
    /// Its tag, without blanks around it.
    pub tag: &'v str,
    /// Its species, if known.
    pub species: Option<&'v str>,
    /// Where it was listed.
    pub position: Position,
    /// Its diameter, if it has one stem and was measured.
    pub diameter: Option<Um>,
    /// Who listed it and when, if that was on the spot.
    pub visit: Option<Visit>,
}

/// Two listings that may be one tree.
#[derive(Clone, Debug, PartialEq)]
pub struct Pair {
    /// Index of the one with the lower id.
    pub a: usize,
    /// Index of the other.
    pub b: usize,
    /// Probability that they are one tree.
    pub probability: f64,
    /// How they compare.
    pub comparison: Comparison,
}

/// A listing whose tree is probably listed twice: one of its pairs reaches [`SHOWN_FROM`], or where listings
/// stand closer than trees can, all of them together: there none could reach it.
#[derive(Clone, Debug, PartialEq)]
pub struct Doubtful {
    /// Index of the listing; a crew located it.
    pub listing: usize,
    /// Probability that its tree is listed twice.
    pub probability: f64,
    /// The pairs it may be of, likeliest first, by index into [`Linked::pairs`].
    pub pairs: Vec<usize>,
}

/// What linkage found in a book.
#[derive(Clone, Debug)]
pub struct Linked {
    /// The model, with the weights used.
    pub model: Model,
    /// Pairs from [`LISTED_FROM`] on, likeliest first; ties by index.
    pub pairs: Vec<Pair>,
    /// Listings that are probably listed twice, likeliest first.
    pub doubtful: Vec<Doubtful>,
}

/// Links the listings of a job, which are given ascending by id. Time grows with their number times
/// those within reach, at most [`grid::DENSEST`] of each square, so that a hostile heap on one point
/// is bounded too.
pub fn link(listings: &[Listing<'_>]) -> Linked {
    let grid = Grid::of(listings);
    let is_located: Vec<usize> = (0..listings.len()).filter(|i| located(&listings[*i].position)).collect();
    let mut model = Model::of_book(listings);
    model.estimate(listings, &estimate::sample(listings, &grid, &is_located));
    let candidates = candidates(listings, &grid, &is_located, &model, |_| true);
    ranked(listings, model, &candidates)
}

/// The pairs worth following up of which one is `wanted`, ascending, each once.
fn candidates(
    listings: &[Listing<'_>],
    grid: &Grid<'_>,
    is_located: &[usize],
    model: &Model,
    wanted: impl Fn(usize) -> bool,
) -> Vec<(Edge, Comparison)> {
    let mut around = vec![Around::default(); listings.len()];
    for of in is_located {
        around[*of] = grid.surroundings(listings, *of);
    }
    let agreed: Vec<f64> = listings.iter().map(|l| model.chance(l, Species::Equal)).collect();
    // A little less than hopeless is left to the exact figure: products are rounded.
    let hopeless = HOPELESS / model.tag_at_most() * 0.999;
    let mut candidates = vec![];
    for of in is_located {
        // A pair met from both ends is looked at from the first one only.
        let first_met =
            |other: usize| (other > *of || !grid.mutual(*of, other)) && (wanted(*of) || wanted(other));
        grid.within_reach(listings, *of, first_met, |other, apart| {
            let (a, b) = ((*of).min(other), (*of).max(other));
            let mut c = compare(&listings[a], &listings[b], Tags::Unknown, apart, around[*of]);
            if c.both_located {
                let gap = c.diameters.map(|d| d.gap_cm);
                c.around = around[a].and(around[b]).without(c.distance_m, gap);
            }
            if model.odds_at_most(agreed[a], &c) < hopeless {
                return;
            }
            c.tags = grid.tags(a, b);
            let odds = model.odds(&listings[a], &c);
            if odds >= HOPELESS {
                candidates.push((Edge { a, b, odds }, c));
            }
        });
    }
    candidates.sort_unstable_by_key(|(e, _)| (e.a, e.b));
    candidates.dedup_by_key(|(e, _)| (e.a, e.b));
    candidates
}

/// The pairs by probability, and the listings that are probably listed twice.
fn ranked(listings: &[Listing<'_>], model: Model, candidates: &[(Edge, Comparison)]) -> Linked {
    let edges: Vec<Edge> = candidates.iter().map(|(e, _)| *e).collect();
    let found = probabilities(listings.len(), &edges);
    // Of each listing, the probability of all its pairs together and of the likeliest; in a crowd of all.
    let mut of: BTreeMap<usize, (f64, f64)> = BTreeMap::new();
    let mut pairs = vec![];
    for ((edge, comparison), probability) in candidates.iter().zip(found) {
        for end in [edge.a, edge.b] {
            let (all, most) = of.entry(end).or_default();
            let crowded = Model::crowded(comparison);
            (*all, *most) =
                (*all + probability, most.max(if crowded { *all + probability } else { probability }));
        }
        if probability >= LISTED_FROM {
            pairs.push(Pair { a: edge.a, b: edge.b, probability, comparison: *comparison });
        }
    }
    pairs.sort_by(|x, y| y.probability.total_cmp(&x.probability).then((x.a, x.b).cmp(&(y.a, y.b))));
    of.retain(|listing, (_, most)| *most >= SHOWN_FROM && located(&listings[*listing].position));
    let mut by_listing: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
    for (index, pair) in pairs.iter().enumerate() {
        for end in [pair.a, pair.b] {
            if of.contains_key(&end) {
                by_listing.entry(end).or_default().push(index);
            }
        }
    }
    let doubtful = |(listing, (all, _)): (usize, (f64, f64))| {
        let pairs = by_listing.remove(&listing)?;
        Some(Doubtful { listing, probability: all.min(1.0), pairs })
    };
    let mut doubtful: Vec<Doubtful> = of.into_iter().filter_map(doubtful).collect();
    doubtful.sort_by(|x, y| y.probability.total_cmp(&x.probability).then(x.listing.cmp(&y.listing)));
    Linked { model, pairs, doubtful }
}
