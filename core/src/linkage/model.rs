//! The weights: how much likelier each outcome is for one tree listed twice than for two trees.
//!
//! What is known of instruments is fixed: how tapes scatter, what share of fixes is far off. What
//! differs from job to job is estimated from the book ([`estimate`](super::estimate)): how many
//! listings are second ones, how far fixes are off against what they claim, how tags and species get
//! mixed up, and who lists what twice. The defaults are judgements, published in docs/same-tree.md and
//! no one's measurement; they enter the estimate as so many made-up pairs, so that a small book keeps
//! them and a large one outweighs them.

use std::borrow::Cow;
use std::collections::BTreeMap;

use super::Listing;
use super::compare::{Comparison, Species, Visits, genus};
use super::tags::Tags;

/// Share of crew-located listings that are second listings, by default.
pub const TWICE: f64 = 0.10;
/// m and u of tags: equal, one slip apart, successive, of one scheme, different.
pub const TAGS: ([f64; 5], [f64; 5]) = ([0.27, 0.25, 0.05, 0.23, 0.20], [0.002, 0.030, 0.100, 0.568, 0.300]);
/// m and u of visits: one stay, one device, two devices. m is not estimated: where one device listed all,
/// the next row of trees, reached hours later, would be learned to be the second listings of this one.
pub const VISITS: ([f64; 3], [f64; 3]) = ([0.10, 0.15, 0.75], [0.50, 0.20, 0.30]);
/// m of species: equal, one genus, different. u comes from the shares of the book's species.
pub const SPECIES: [f64; 3] = [0.93, 0.05, 0.02];
/// How many made-up located listings each default for two trees counts as, and [`TWICE`].
pub const MADE_UP: f64 = 20.0;
/// How many made-up pairs of one tree each default counts as: held firmer, for true pairs are few, and
/// what people do is much the same from job to job.
pub const MADE_UP_TWINS: f64 = 25.0;
/// Share of fixes with twice the deviation of the others: multipath under canopy (common practice, no source).
const FAR_OFF: f64 = 0.15;
/// Share of diameters read or typed wrong, which then say nothing (common practice, no source).
const MISREAD: f64 = 0.03;
/// Trees of 30 cm do not stand closer than one to this many square metres (common practice, no source):
/// where listings do, their positions are not what they say.
const CLOSEST_M2: f64 = 13.0;
/// How many trees of the whole book a tree's neighbourhood is mixed with, for how common a diameter is.
const OF_BOOK: f64 = 20.0;
/// How common two trees of one genus and different species are at least taken to be.
const LEAST_OF_GENUS: f64 = 0.05;
/// Width of a class of diameters in centimetres.
const CLASS_CM: f64 = 5.0;
/// Classes of diameters: to 2 m.
const CLASSES: usize = 40;
/// Made-up trees among the book's diameters, about their mean: trees of one place are much of a size, so
/// that in a small book an equal diameter says little.
const MADE_UP_TREES: f64 = 20.0;
/// How far the made-up trees scatter about the mean, in centimetres (common practice, no source).
const OF_A_SIZE_CM: f64 = 10.0;
/// Their mean in a book without diameters, in centimetres.
const MIDDLING_CM: f64 = 30.0;

/// The weights in use.
#[derive(Clone, Debug, PartialEq)]
pub struct Model {
    /// Share of crew-located listings that are second listings of a tree.
    pub twice: f64,
    /// Deviation of fixes against what their accuracies say.
    pub scale: f64,
    /// m and u of tags by level.
    pub tags: ([f64; 5], [f64; 5]),
    /// m and u of visits by level.
    pub visits: ([f64; 3], [f64; 3]),
    /// m of species: equal, one genus, different.
    pub species: [f64; 3],
    /// How many located listings the weights were estimated from.
    pub from: usize,
    /// What the book is made of.
    pub book: Makeup,
}

/// How many listings tell how common species and diameters are, at most: the first by id, as with
/// [`SAMPLE`](super::estimate::SAMPLE), so that a large book's weights do not move with every listing added.
pub const COUNTED: usize = 4_096;

/// How common each species, diameter and tag is in a book.
#[derive(Clone, Debug, PartialEq)]
pub struct Makeup {
    species: BTreeMap<String, f64>,
    genera: BTreeMap<String, f64>,
    /// Probability that two listings of the book differ in genus.
    differ: f64,
    /// Density of diameters to the centimetre, by class.
    diameters: Vec<f64>,
    /// Of tags that stand on more than two listings, their share of all.
    common_tags: BTreeMap<String, f64>,
}

impl Makeup {
    /// Counts a book out.
    pub fn of(listings: &[Listing<'_>]) -> Self {
        let mut tags: Vec<Cow<'_, str>> =
            listings.iter().map(|l| in_capitals(l.tag)).filter(|tag| !tag.is_empty()).collect();
        tags.sort_unstable();
        let common = tags.chunk_by(|a, b| a == b).filter(|of| of.len() >= COMMON);
        let common = common.filter_map(|of| Some((of.first()?.to_string(), of.len())));
        Self::counted(listings.get(..COUNTED).unwrap_or(listings), common, listings.len())
    }

    /// The same, from the first listings by id, the tags that stand on [`COMMON`] listings or more, with
    /// how many, and how many listings there are.
    pub(super) fn counted(
        listings: &[Listing<'_>],
        common: impl Iterator<Item = (String, usize)>,
        all: usize,
    ) -> Self {
        let common_tags = common.map(|(tag, n)| (tag, n as f64 / all as f64)).collect();
        let mut species: BTreeMap<&str, f64> = BTreeMap::new();
        let mut classes = made_up(listings);
        for listing in listings {
            if let Some(code) = listing.species {
                *species.entry(code).or_default() += 1.0;
            }
            if let Some(d) = listing.diameter {
                classes[class(d.0 as f64 / 1e4)] += 1.0;
            }
        }
        // One made-up listing is of a species of its own.
        let all = species.values().sum::<f64>() + 1.0;
        let mut genera: BTreeMap<String, f64> = BTreeMap::new();
        for (code, n) in &species {
            *genera.entry(genus(code).unwrap_or(code).to_owned()).or_default() += n / all;
        }
        let differ = (1.0 - genera.values().map(|s| s * s).sum::<f64>()).max(0.01);
        let trees: f64 = classes.iter().sum();
        Self {
            species: species.iter().map(|(code, n)| ((*code).to_owned(), n / all)).collect(),
            genera,
            differ,
            diameters: classes.iter().map(|n| n / trees / CLASS_CM).collect(),
            common_tags,
        }
    }

    /// Density of a diameter among the book's trees, to the centimetre.
    pub fn diameter(&self, cm: f64) -> f64 {
        let middle = cm / CLASS_CM - 0.5;
        let low = libm::floor(middle);
        let at = |class: f64| self.diameters[(class.max(0.0) as usize).min(CLASSES - 1)];
        // A class that holds no tree still holds the one that is looked at.
        ((at(low) * (1.0 - (middle - low))) + at(low + 1.0) * (middle - low))
            .max(0.1 / CLASS_CM / CLASSES as f64)
    }

    /// Share of a tag among the book's listings, if it stands on more than two.
    pub fn common_tag(&self, tag: &str) -> Option<f64> {
        if self.common_tags.is_empty() { None } else { self.common_tags.get(&*in_capitals(tag)).copied() }
    }
}

/// On so many listings a tag tells nobody which tree it is.
pub(super) const COMMON: usize = 3;

/// A tag as tags are compared, whatever its case.
pub(super) fn in_capitals(tag: &str) -> Cow<'_, str> {
    if tag.bytes().any(|b| b.is_ascii_lowercase()) { tag.to_ascii_uppercase().into() } else { tag.into() }
}

/// The made-up trees by class: normal about the mean of the book's diameters.
fn made_up(listings: &[Listing<'_>]) -> Vec<f64> {
    let known: Vec<f64> = listings.iter().filter_map(|l| l.diameter).map(|d| d.0 as f64 / 1e4).collect();
    let mean = if known.is_empty() { MIDDLING_CM } else { known.iter().sum::<f64>() / known.len() as f64 };
    let weight = |class: usize| {
        let z = ((class as f64 + 0.5) * CLASS_CM - mean) / OF_A_SIZE_CM;
        libm::exp(-z * z / 2.0)
    };
    let weights: Vec<f64> = (0..CLASSES).map(weight).collect();
    let all = weights.iter().sum::<f64>().max(f64::MIN_POSITIVE);
    weights.iter().map(|w| w / all * MADE_UP_TREES).collect()
}

/// How dense other trees stand, to the square metre.
fn others(c: &Comparison) -> f64 {
    c.around.per_m2().min(1.0 / CLOSEST_M2)
}

fn class(cm: f64) -> usize {
    ((cm / CLASS_CM).max(0.0) as usize).min(CLASSES - 1)
}

/// Density to the square metre of a fix some metres off, when both coordinates are normal.
fn fix_density(fall: Fall, distance_m: f64, sd_m: f64) -> f64 {
    let z = distance_m / sd_m;
    fall(z * z / 2.0) / (2.0 * core::f64::consts::PI * sd_m * sd_m)
}

/// e to the power of minus a number that is not negative, or what it does not exceed.
type Fall = fn(f64) -> f64;

fn exact(x: f64) -> f64 {
    libm::exp(-x)
}

/// (1 + x/8)⁸ grows less than eˣ: a few products, where the power takes many.
fn at_most(x: f64) -> f64 {
    let square = |x: f64| x * x;
    1.0 / square(square(square(1.0 + x / 8.0)))
}

/// What of a pair's evidence does not change with the weights that are estimated.
#[derive(Clone, Copy, Debug)]
pub(super) struct Fixed {
    /// How dense other trees stand, to the square metre.
    others: f64,
    /// How common it is for two trees that their species compare so.
    species: f64,
    /// The evidence of the diameters.
    diameter: f64,
}

impl Model {
    /// The defaults, with what the book is made of.
    pub fn of_book(listings: &[Listing<'_>]) -> Self {
        Self::of_makeup(Makeup::of(listings))
    }

    /// The same, of a book that was counted out.
    pub(super) fn of_makeup(book: Makeup) -> Self {
        Self { twice: TWICE, scale: 1.0, tags: TAGS, visits: VISITS, species: SPECIES, from: 0, book }
    }

    /// Position: how dense fixes of one tree lie at this distance, against how dense other trees stand.
    pub fn position(&self, c: &Comparison) -> f64 {
        self.fixes(exact, c) / others(c)
    }

    fn fixes(&self, fall: Fall, c: &Comparison) -> f64 {
        let sd = c.sd_m * self.scale;
        let fixes = |sd| fix_density(fall, c.distance_m, sd);
        (1.0 - FAR_OFF) * fixes(sd) + FAR_OFF * fixes(2.0 * sd)
    }

    /// Whether listings stand closer than trees can.
    pub fn crowded(c: &Comparison) -> bool {
        c.around.per_m2() > 1.0 / CLOSEST_M2
    }

    /// Tags: agreeing on a rare one says more; one that stands on many trees says nothing.
    pub fn tag(&self, a: &Listing<'_>, c: &Comparison) -> f64 {
        let Some(level) = c.tags.level() else { return 1.0 };
        let (m, u) = (self.tags.0[level], self.tags.1[level]);
        match (c.tags, self.book.common_tag(a.tag)) {
            // One tree under a new tag agrees as often as two trees do.
            (Tags::Equal, Some(share)) => m / share.max(u) + (1.0 - m),
            _ => m / u,
        }
    }

    /// Species: agreeing on a rare one says more (H. B. Newcombe et al., Science 130 (1959) 954–959;
    /// Fellegi and Sunter 1969, both from memory).
    pub fn species(&self, a: &Listing<'_>, c: &Comparison) -> f64 {
        self.species_given(self.chance(a, c.species), c)
    }

    fn species_given(&self, chance: f64, c: &Comparison) -> f64 {
        match c.species {
            Species::Equal => self.species[0] / chance,
            Species::Genus => self.species[1] / chance,
            Species::Different => self.species[2] / chance,
            Species::Unknown => 1.0,
        }
    }

    /// How common it is for two trees, one of them of a listing's species, that their species compare so.
    pub(super) fn chance(&self, a: &Listing<'_>, species: Species) -> f64 {
        let share = |of: &BTreeMap<String, f64>, key: &str| of.get(key).copied().unwrap_or(0.001).max(0.001);
        let code = a.species.unwrap_or_default();
        match species {
            Species::Equal => share(&self.book.species, code),
            Species::Genus => {
                let of_genus = share(&self.book.genera, genus(code).unwrap_or(code));
                (of_genus - share(&self.book.species, code)).max(LEAST_OF_GENUS)
            }
            Species::Different => self.book.differ,
            Species::Unknown => 1.0,
        }
    }

    /// Diameters: how the difference of two readings of one stem scatters, against how common such
    /// diameters are, in the book and nearby: trees of one age stand together.
    pub fn diameter(&self, c: &Comparison) -> f64 {
        self.diameter_by(exact, c)
    }

    fn diameter_by(&self, fall: Fall, c: &Comparison) -> f64 {
        let Some(d) = c.diameters else { return 1.0 };
        let z = d.gap_cm / d.sd_cm;
        let of_one = fall(z * z / 2.0) / (d.sd_cm * libm::sqrt(2.0 * core::f64::consts::PI));
        let nearby = OF_BOOK * self.book.diameter(d.mean_cm) + c.around.alike_per_cm();
        let common = nearby / (OF_BOOK + c.around.trees);
        (1.0 - MISREAD) * of_one / common + MISREAD
    }

    /// Visits: a crew seldom lists a tree again that it has just listed.
    pub fn visit(&self, c: &Comparison) -> f64 {
        match c.visits {
            Visits::Unknown => 1.0,
            visits => visits.level().map_or(1.0, |level| self.visits.0[level] / self.visits.1[level]),
        }
    }

    /// Odds before any evidence. A map comes first; of two listings on the spot either may be the second.
    pub fn prior(&self, c: &Comparison) -> f64 {
        let ways = if c.both_located { 2.0 } else { 1.0 };
        ways * self.twice / (1.0 - self.twice)
    }

    /// Odds that two listings are one tree when neither has a rival; `a` is either of them.
    pub fn odds(&self, a: &Listing<'_>, c: &Comparison) -> f64 {
        self.odds_given(&self.fixed(a, c), a, c)
    }

    /// What of a pair's evidence need be worked out once.
    pub(super) fn fixed(&self, a: &Listing<'_>, c: &Comparison) -> Fixed {
        Fixed { others: others(c), species: self.chance(a, c.species), diameter: self.diameter(c) }
    }

    /// The same, when that is known.
    pub(super) fn odds_given(&self, fixed: &Fixed, a: &Listing<'_>, c: &Comparison) -> f64 {
        let position = self.fixes(exact, c) / fixed.others;
        let species = self.species_given(fixed.species, c);
        let evidence = position * self.tag(a, c) * species * fixed.diameter * self.visit(c);
        evidence * self.prior(c)
    }

    /// What the odds do not exceed whatever the tags say, but for rounding: cheap, since it takes no
    /// power of e, and enough to leave nearly all pairs aside. `agreed` is how common the first listing's
    /// species is.
    pub(super) fn odds_at_most(&self, agreed: f64, c: &Comparison) -> f64 {
        let position = self.fixes(at_most, c) / others(c);
        let chance = match c.species {
            Species::Equal => agreed,
            Species::Genus => LEAST_OF_GENUS,
            Species::Different => self.book.differ,
            Species::Unknown => 1.0,
        };
        let species = self.species_given(chance, c);
        position * species * self.diameter_by(at_most, c) * self.visit(c) * self.prior(c)
    }

    /// What tags can say at most for one tree.
    pub(super) fn tag_at_most(&self) -> f64 {
        let ratios = self.tags.0.iter().zip(&self.tags.1).map(|(m, u)| m / u);
        // One that stands on many trees says at most this more.
        ratios.fold(0.0, f64::max) + 1.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ids::TreeId;
    use crate::linkage::compare::{Around, Diameters};
    use crate::record::stand::{Position, PositionSource};

    /// A pair that is left aside by what its odds cannot exceed would have been left aside by its odds.
    #[test]
    fn odds_never_exceed_what_is_said_to_be_their_most() {
        let mut state = 1u64;
        let mut next = |most: u64| {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 33) % most
        };
        let listing = |species| Listing {
            id: TreeId::new(1, [0; 10]),
            tag: "A-1",
            species,
            position: Position { lat_ndeg: 0, lon_ndeg: 0, accuracy_um: None, source: PositionSource::Gnss },
            diameter: None,
            visit: None,
        };
        let book = [listing(Some("FRXAM")), listing(Some("FRXEX")), listing(Some("ACRSC")), listing(None)];
        let model = Model::of_book(&book);
        let (mut least, mut told) = (f64::INFINITY, 0);
        for _ in 0..20_000 {
            let known = next(4) > 0;
            let gap_cm = next(400) as f64 / 10.0;
            let c = Comparison {
                distance_m: next(4_000) as f64 / 100.0,
                sd_m: 0.5 + next(140) as f64 / 10.0,
                around: Around { trees: next(60) as f64, alike: next(12) as f64 },
                both_located: next(2) == 0,
                tags: [
                    Tags::Equal,
                    Tags::OneSlip,
                    Tags::Successive,
                    Tags::OneScheme,
                    Tags::Different,
                    Tags::Unknown,
                ][next(6) as usize],
                species: [Species::Equal, Species::Genus, Species::Different, Species::Unknown]
                    [next(4) as usize],
                diameters: known.then(|| Diameters {
                    gap_cm,
                    sd_cm: 0.3 + next(20) as f64 / 10.0,
                    mean_cm: 5.0 + next(100) as f64,
                }),
                visits: [Visits::OneStay, Visits::OneDevice, Visits::TwoDevices, Visits::Unknown]
                    [next(4) as usize],
            };
            let a = &book[next(4) as usize];
            let (odds, tags) = (model.odds(a, &c), model.tag_at_most());
            let most = model.odds_at_most(model.chance(a, Species::Equal), &c);
            assert!(odds <= most * tags * 1.000_001, "{odds} and {most} by {tags}: {c:?}");
            assert!(model.tag(a, &c) <= tags);
            // It says little less than the odds themselves where the tags are the same.
            told += usize::from(most * model.tag(a, &c) < 0.004 && odds < 0.004);
            least = least.min(most);
        }
        assert!(told > 5_000 && least < 1e-6, "{told} {least}");
    }
}
