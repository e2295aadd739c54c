//! The weights estimated from the book by expectation maximisation (A. P. Dempster, N. M. Laird and
//! D. B. Rubin, J. R. Stat. Soc. B 39 (1977) 1–38).

use super::Listing;
use super::compare::{Comparison, Species};
use super::grid::Grid;
use super::model::{Fixed, MADE_UP, MADE_UP_TWINS, Model, SPECIES, TAGS, TWICE, VISITS};

/// How many located listings the weights are estimated from, at most: the first by id, so that a
/// large book's weights do not move with every listing added.
pub const SAMPLE: usize = 1_024;
/// Rounds of estimation; it settles in fewer.
const ROUNDS: usize = 20;

/// A located listing with those it is compared with.
#[derive(Clone, Debug)]
pub struct Sampled {
    of: usize,
    compared: Vec<(usize, Comparison)>,
}

/// The first located listings with what they are compared with.
pub fn sample(listings: &[Listing<'_>], grid: &Grid<'_>, located: &[usize]) -> Vec<Sampled> {
    let mut sampled = vec![];
    for of in located.iter().take(SAMPLE) {
        let mut compared = vec![];
        grid.compare(listings, *of, grid.surroundings(listings, *of), &mut compared);
        sampled.push(Sampled { of: *of, compared });
    }
    sampled
}

impl Model {
    /// Estimates the weights. A located listing is the second listing of at most one of those it is
    /// compared with, so they share what there is of evidence.
    pub fn estimate(&mut self, listings: &[Listing<'_>], sample: &[Sampled]) {
        self.from = sample.len();
        let fixed = |one: &Sampled| {
            let listing = &listings[one.of];
            one.compared.iter().map(|(_, c)| self.fixed(listing, c)).collect()
        };
        let fixed: Vec<Vec<Fixed>> = sample.iter().map(fixed).collect();
        let mut odds = vec![];
        for _ in 0..ROUNDS {
            let mut counts = Counts::made_up();
            for (one, fixed) in sample.iter().zip(&fixed) {
                let listing = &listings[one.of];
                let each = one.compared.iter().zip(fixed);
                odds.clear();
                odds.extend(each.map(|((_, c), fixed)| self.odds_given(fixed, listing, c)));
                let all = 1.0 + odds.iter().sum::<f64>();
                let rivals = one.compared.len() as f64;
                one.compared.iter().zip(&odds).for_each(|((_, c), odds)| counts.add(c, odds / all, rivals));
            }
            self.twice = (counts.twice / (MADE_UP + sample.len() as f64)).clamp(0.001, 0.9);
            self.scale = libm::sqrt(counts.squares / counts.pairs).clamp(0.5, 2.0);
            self.tags = (shares(counts.tags.0), shares(counts.tags.1));
            self.visits.1 = shares(counts.visits);
            self.species = shares(counts.species);
        }
    }
}

/// What one round counts, each pair by the probability that it is one tree.
struct Counts {
    twice: f64,
    pairs: f64,
    squares: f64,
    tags: ([f64; 5], [f64; 5]),
    visits: [f64; 3],
    species: [f64; 3],
}

impl Counts {
    fn made_up() -> Self {
        Self {
            twice: TWICE * MADE_UP,
            pairs: MADE_UP_TWINS,
            squares: MADE_UP_TWINS,
            tags: (TAGS.0.map(|x| x * MADE_UP_TWINS), TAGS.1.map(|x| x * MADE_UP)),
            visits: VISITS.1.map(|x| x * MADE_UP),
            species: SPECIES.map(|x| x * MADE_UP_TWINS),
        }
    }

    fn add(&mut self, c: &Comparison, r: f64, rivals: f64) {
        // A listing's own tag shows in all its pairs: together they count as one.
        let two = (1.0 - r) / rivals;
        // Of two crew-located listings of one tree only one is the second.
        self.twice += if c.both_located { r / 2.0 } else { r };
        self.pairs += r;
        // The square of a fix's distance is 2 σ² on average; a share of fixes twice as far off is not in it.
        self.squares += r * c.distance_m * c.distance_m / (2.0 * c.sd_m * c.sd_m);
        if let Some(level) = c.tags.level() {
            self.tags.0[level] += r;
            self.tags.1[level] += two;
        }
        if let Some(level) = c.visits.level() {
            self.visits[level] += two;
        }
        match c.species {
            Species::Equal => self.species[0] += r,
            Species::Genus => self.species[1] += r,
            Species::Different => self.species[2] += r,
            Species::Unknown => {}
        }
    }
}

fn shares<const N: usize>(counts: [f64; N]) -> [f64; N] {
    let all: f64 = counts.iter().sum();
    counts.map(|n| n / all)
}
