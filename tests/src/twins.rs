//! The longleaf stand as it gets into a book: a map, and what crews listed by satellite fix, some of it
//! a second time. All chance comes from a seed, so that linkage is tuned on one and tested on others;
//! and what is likely is known exactly, so that the best possible can be computed beside it.

use std::collections::{BTreeMap, BTreeSet};

use bolebook_core::check::diameter::tolerance_um;
use bolebook_core::geo;
use bolebook_core::ids::{DeviceId, TreeId};
use bolebook_core::linkage::assign::{Edge, probabilities};
use bolebook_core::linkage::{Listing, Visit};
use bolebook_core::quantity::{Um, UtcMs, parse_decimal};
use bolebook_core::record::stand::{Position, PositionSource};

use crate::sim::dice::Dice;
use crate::stand::{ORIGIN, longleaf};

/// One tree in twenty is listed a second time.
pub const TWICE_PER_MILLE: usize = 50;
/// Of the second listings this share has the tree's tag with a slip, the others a tag off the crew's roll.
const SLIPS_PER_MILLE: usize = 700;
/// A fix is off by this much, in millimetres.
const OFF_MM: (i64, i64) = (5_000, 15_000);
const MINUTE: i64 = 60_000;

/// One listing, and which tree of the file it is in truth.
#[derive(Clone, Debug)]
pub struct Listed {
    /// The row of the file, from 0.
    pub truth: usize,
    /// Its tag.
    pub tag: String,
    /// Where it was listed.
    pub position: Position,
    /// Its diameter as measured then.
    pub diameter: Um,
    /// Which crew's device listed it, and when; the office's list has none.
    pub by: Option<(usize, i64)>,
}

/// A stand corrupted from a seed. `mapped` trees in a thousand are on the office's map. Crews list the
/// others where the satellites say, under tags off a roll; half of the rolls go on where the map's
/// numbers end. And of all trees one in twenty is listed again, mostly by another crew, with the tag
/// mistyped or a new tag, and the diameter within the tape's tolerance. A fix is 5 to 15 m off in any
/// direction and says it is good to 5 to 10 m. Diameters are read to the millimetre.
pub fn corrupted(seed: u64, mapped: usize) -> Vec<Listed> {
    let mut dice = Dice::new(seed);
    let (mut listed, mut again) = (vec![], vec![]);
    let mut rolls = 0;
    for (truth, tree) in longleaf().iter().enumerate() {
        let diameter = parse_decimal(&tree.dbh_cm, 10_000, "diameter").map(Um).expect("a diameter in cm");
        let crew = usize::try_from(tree.x.0 / 67_000_000).unwrap_or(0).min(2);
        let walk = tree.y.0 / 1_000_000 * 2 * MINUTE;
        let on_map = dice.chance(mapped);
        let (tag, position, by) = if on_map {
            (format!("L-{truth:03}"), geo::place(ORIGIN, tree.x, tree.y), None)
        } else {
            (off_roll(&mut dice, &mut rolls), fix(&mut dice, tree.x, tree.y), Some((crew, walk)))
        };
        if dice.chance(TWICE_PER_MILLE) {
            let tolerance = tolerance_um(diameter.0) / 1_000;
            let diameter = Um(diameter.0 + dice.between(-tolerance, tolerance) * 1_000);
            let slips = slips(&tag);
            let tag = if dice.chance(SLIPS_PER_MILLE) {
                slips[dice.below(slips.len())].clone()
            } else {
                off_roll(&mut dice, &mut rolls)
            };
            let by = if dice.chance(800) { ((crew + 1) % 3, walk) } else { (crew, walk + 1_440 * MINUTE) };
            let position = fix(&mut dice, tree.x, tree.y);
            again.push(Listed { truth, tag, position, diameter, by: Some(by) });
        }
        listed.push(Listed { truth, tag, position, diameter, by });
    }
    listed.extend(again);
    listed
}

/// The next tag off a crew's roll.
fn off_roll(dice: &mut Dice, rolls: &mut usize) -> String {
    *rolls += 1;
    if dice.chance(500) {
        format!("L-{:03}", 584 + *rolls)
    } else {
        format!("C{}-{:03}", 1 + *rolls % 3, *rolls)
    }
}

/// A satellite fix some metres off in any direction.
fn fix(dice: &mut Dice, x: Um, y: Um) -> Position {
    let off = dice.between(OFF_MM.0, OFF_MM.1) as f64 * 1e3;
    let turn = dice.between(0, 359) as f64;
    let (sin, cos) = libm::sincos(turn.to_radians());
    let place = geo::place(ORIGIN, Um(x.0 + (off * cos) as i64), Um(y.0 + (off * sin) as i64));
    let accuracy_um = Some(Um(dice.between(5, 10) * 1_000_000));
    Position { accuracy_um, source: PositionSource::Gnss, ..place }
}

/// Every way to slip on a tag's number, all equally likely: a digit wrong, left out or doubled, two
/// neighbours swapped.
pub fn slips(tag: &str) -> Vec<String> {
    let letters: Vec<char> = tag.chars().collect();
    let number = letters.iter().position(|c| *c == '-').map_or(0, |i| i + 1);
    let mut all = vec![];
    for at in number..letters.len() {
        let mut say = |change: &dyn Fn(&mut Vec<char>)| {
            let mut other = letters.clone();
            change(&mut other);
            if other != letters {
                all.push(other.into_iter().collect());
            }
        };
        for digit in '0'..='9' {
            say(&|o| o[at] = digit);
        }
        say(&|o| {
            o.remove(at);
        });
        say(&|o| o.insert(at, o[at]));
        if at + 1 < letters.len() {
            say(&|o| o.swap(at, at + 1));
        }
    }
    all
}

/// What linkage reads of them.
pub fn listings(listed: &[Listed]) -> Vec<Listing<'_>> {
    let mut all = vec![];
    for (n, l) in listed.iter().enumerate() {
        let id = TreeId::new(n as i64, [7; 10]);
        let (position, diameter) = (l.position, Some(l.diameter));
        let visit = l.by.map(|(crew, at)| Visit {
            device: DeviceId([crew as u8; 16]),
            from: UtcMs(at),
            to: UtcMs(at),
        });
        all.push(Listing { id, tag: &l.tag, species: Some("PIUPL"), position, diameter, visit });
    }
    all
}

/// The probability of each pair, from what the corruption is made of instead of estimates: no method
/// that reads position, tag, diameter and visits should do better. Of visits it knows the truth of this
/// very stand.
pub fn best_possible(listed: &[Listed], mapped: usize) -> Vec<(usize, usize, f64)> {
    let twice = TWICE_PER_MILLE as f64 / 1e3;
    let single = 1.0 - mapped as f64 / 1e3;
    let crews: Vec<usize> = (0..listed.len()).filter(|i| listed[*i].by.is_some()).collect();
    let rolls = listed.iter().filter(|l| fresh(&l.tag)).count() as f64;
    let (two_fixes, visits) = (TwoFixes::new(), VisitTruth::of(listed));
    let diameters: Vec<f64> = listed.iter().map(|l| l.diameter.0 as f64 / 1e4).collect();
    let mut edges = BTreeMap::new();
    for i in &crews {
        for (j, other) in listed.iter().enumerate().filter(|(j, _)| j != i) {
            let one = &listed[*i];
            let distance = geo::distance_m(&one.position, &other.position);
            let near = if other.by.is_some() { two_fixes.density(distance) } else { ring(distance) };
            let gap = one.diameter.0.abs_diff(other.diameter.0) as i64;
            let tolerance = tolerance_um(one.diameter.0.min(other.diameter.0));
            if near <= 0.0 || gap > tolerance + 1_000 {
                continue;
            }
            let d = (diameters[*i] + diameters[j]) / 2.0;
            let alike = diameters.iter().filter(|x| (*x - d).abs() <= 2.5).count() as f64
                / diameters.len() as f64
                / 5.0;
            let diameter = 1.0 / (2.0 * tolerance as f64 / 1e4 + 0.1) / alike;
            // Which of the two is the second listing: the one whose tag the other's can have become.
            let from = |first: &str, second: &str| {
                let ways = slips(first);
                let slip = ways.iter().filter(|t| *t == second).count() as f64 / ways.len() as f64;
                let new = if fresh(second) { 1.0 / rolls } else { 0.0 };
                let share = SLIPS_PER_MILLE as f64 / 1e3;
                (share * slip + (1.0 - share) * new) / new.max(1e-6)
            };
            let tag = if other.by.is_some() {
                from(&one.tag, &other.tag) + from(&other.tag, &one.tag)
            } else {
                from(&other.tag, &one.tag)
            };
            let per_m2 = 584.0 / 40_000.0;
            let odds = twice / single * near / per_m2 * tag * diameter * visits.ratio(one, other);
            edges.insert(((*i).min(j), (*i).max(j)), odds);
        }
    }
    let edges: Vec<Edge> = edges.iter().map(|((a, b), odds)| Edge { a: *a, b: *b, odds: *odds }).collect();
    let found = probabilities(listed.len(), &edges);
    edges.iter().zip(found).map(|(e, p)| (e.a, e.b, p)).collect()
}

/// How often two crew listings near each other are by two crews, or by one on two days.
struct VisitTruth {
    one_tree: [f64; 3],
    two_trees: [f64; 3],
}

impl VisitTruth {
    fn level(a: (usize, i64), b: (usize, i64)) -> usize {
        if a.0 != b.0 { 0 } else { 1 + usize::from(a.1.abs_diff(b.1) < 60 * MINUTE.unsigned_abs()) }
    }

    fn of(listed: &[Listed]) -> Self {
        let mut counts = ([1.0; 3], [1.0; 3]);
        for (n, a) in listed.iter().enumerate() {
            for b in &listed[..n] {
                let (Some(x), Some(y)) = (a.by, b.by) else { continue };
                if geo::distance_m(&a.position, &b.position) < 30.0 {
                    let side = if a.truth == b.truth { &mut counts.0 } else { &mut counts.1 };
                    side[Self::level(x, y)] += 1.0;
                }
            }
        }
        let shares = |n: [f64; 3]| n.map(|x| x / n.iter().sum::<f64>());
        Self { one_tree: shares(counts.0), two_trees: shares(counts.1) }
    }

    fn ratio(&self, a: &Listed, b: &Listed) -> f64 {
        let (Some(x), Some(y)) = (a.by, b.by) else { return 1.0 };
        let level = Self::level(x, y);
        self.one_tree[level] / self.two_trees[level]
    }
}

/// Whether a tag is off a roll: the map's numbers end at 583.
fn fresh(tag: &str) -> bool {
    tag.starts_with('C')
        || tag.strip_prefix("L-").and_then(|n| n.parse::<i64>().ok()).is_some_and(|n| n > 583)
}

/// Density to the square metre of one fix this far off.
fn ring(distance: f64) -> f64 {
    let (low, high) = (OFF_MM.0 as f64 / 1e3, OFF_MM.1 as f64 / 1e3);
    let inside = (low..=high).contains(&distance);
    if inside { 1.0 / (2.0 * std::f64::consts::PI * distance * (high - low)) } else { 0.0 }
}

/// Density of the distance of two fixes of one tree, in steps of a quarter metre.
struct TwoFixes(Vec<f64>);

impl TwoFixes {
    fn new() -> Self {
        let mut counts = vec![0.0f64; 130];
        let (steps, turns) = (40, 360);
        let off = |i: i32| 5.0 + 10.0 * (f64::from(i) + 0.5) / f64::from(steps);
        for (r1, r2) in (0..steps).flat_map(|a| (0..steps).map(move |b| (off(a), off(b)))) {
            for turn in 0..turns {
                let cos = libm::cos((f64::from(turn) + 0.5).to_radians());
                let d = (r1 * r1 + r2 * r2 - 2.0 * r1 * r2 * cos).max(0.0).sqrt();
                counts[(d * 4.0) as usize] += 1.0 / f64::from(steps * steps * turns);
            }
        }
        let area = |i: usize| {
            let (a, b) = (i as f64 / 4.0, (i + 1) as f64 / 4.0);
            std::f64::consts::PI * (b * b - a * a)
        };
        Self(counts.iter().enumerate().map(|(i, n)| n / area(i)).collect())
    }

    fn density(&self, distance: f64) -> f64 {
        self.0.get((distance * 4.0) as usize).copied().unwrap_or(0.0)
    }
}

/// Found, right, and there to be found.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Score {
    /// Pairs shown.
    pub shown: usize,
    /// Of them, pairs that are one tree.
    pub right: usize,
    /// Pairs that are one tree.
    pub twins: usize,
}

impl Score {
    /// The score of some pairs of listings.
    pub fn of(listed: &[Listed], pairs: impl IntoIterator<Item = (usize, usize)>) -> Self {
        let trees: BTreeSet<usize> = listed.iter().map(|l| l.truth).collect();
        let mut score = Self { twins: listed.len() - trees.len(), ..Self::default() };
        for (a, b) in pairs {
            score.shown += 1;
            score.right += usize::from(listed[a].truth == listed[b].truth);
        }
        score
    }

    /// Two scores together.
    #[must_use]
    pub fn and(self, other: Self) -> Self {
        Self {
            shown: self.shown + other.shown,
            right: self.right + other.right,
            twins: self.twins + other.twins,
        }
    }

    /// Share of the shown that is right.
    pub fn precision(self) -> f64 {
        self.right as f64 / self.shown.max(1) as f64
    }

    /// Share of the twins that is shown.
    pub fn recall(self) -> f64 {
        self.right as f64 / self.twins.max(1) as f64
    }

    /// The harmonic mean of both.
    pub fn f1(self) -> f64 {
        2.0 * self.right as f64 / (self.shown + self.twins).max(1) as f64
    }
}
