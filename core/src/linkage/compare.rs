//! How two listings compare: the outcome of each field, before any weight is put on it.

use super::Listing;
use super::tags::Tags;
use crate::check::diameter::tolerance_um;
use crate::record::stand::{Position, PositionSource};

/// Radius that holds a satellite fix under canopy 68 % of the time when the device gave none
/// (design.md: 5 to 15 m off).
const DEFAULT_FIX_M: f64 = 7.0;
/// The same of a mapped or drawn position.
const MAPPED_M: f64 = 0.5;
/// A two-dimensional normal holds 68.27 % within this many standard deviations of a coordinate:
/// √(−2 ln 0.3173).
const RADIUS_PER_SD: f64 = 1.515;
/// Two listings further apart than this are never compared, whatever their accuracies.
pub const FURTHEST_M: f64 = 40.0;
/// Listings nearer than this are compared, however good their accuracies claim to be.
const NEAREST_M: f64 = 16.0;
/// Apart by less than this, one device's two visits are one stay among the same trees.
const STAY_MS: i64 = 3_600_000;

/// How two species compare.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Species {
    /// The same.
    Equal,
    /// Codes of one genus: they begin with the same three letters (EPPO codes of plants).
    Genus,
    /// Different.
    Different,
    /// Not known of both.
    Unknown,
}

/// Who was at the two listings, and when.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Visits {
    /// One device within an hour: its crew knew what it had just listed.
    OneStay,
    /// One device, at another time.
    OneDevice,
    /// Two devices.
    TwoDevices,
    /// One of them was not listed on the spot.
    Unknown,
}

impl Visits {
    /// Place in the model's lists; none when it says nothing.
    pub fn level(self) -> Option<usize> {
        match self {
            Self::OneStay => Some(0),
            Self::OneDevice => Some(1),
            Self::TwoDevices => Some(2),
            Self::Unknown => None,
        }
    }
}

/// Two diameters, in centimetres.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Diameters {
    /// Their difference.
    pub gap_cm: f64,
    /// Standard deviation of the difference of two readings of one stem.
    pub sd_cm: f64,
    /// Their mean.
    pub mean_cm: f64,
}

/// The listings around one, itself left out.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Around {
    /// How many there are within [`AROUND_M`].
    pub trees: f64,
    /// How many of them have about its diameter, within [`ALIKE_CM`].
    pub alike: f64,
}

/// Radius within which listings are counted.
pub const AROUND_M: f64 = 20.0;
/// Diameters no further apart count as alike.
pub const ALIKE_CM: f64 = 2.5;

impl Around {
    /// Listings to the square metre; one at least is taken to stand there.
    pub fn per_m2(&self) -> f64 {
        self.trees.max(1.0) / (core::f64::consts::PI * AROUND_M * AROUND_M)
    }

    /// How many have its diameter, to the centimetre.
    pub fn alike_per_cm(&self) -> f64 {
        self.alike / (2.0 * ALIKE_CM)
    }

    /// The same without one of them, that stands at a distance and has a diameter so far off.
    #[must_use]
    pub fn without(self, distance_m: f64, gap_cm: Option<f64>) -> Self {
        if distance_m > AROUND_M {
            return self;
        }
        let alike = if gap_cm.is_some_and(|gap| gap <= ALIKE_CM) { 1.0 } else { 0.0 };
        Self { trees: (self.trees - 1.0).max(0.0), alike: (self.alike - alike).max(0.0) }
    }

    /// What is around two: the mean.
    #[must_use]
    pub fn and(self, other: Self) -> Self {
        Self { trees: (self.trees + other.trees) / 2.0, alike: (self.alike + other.alike) / 2.0 }
    }
}

/// How two listings compare.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Comparison {
    /// Distance in metres.
    pub distance_m: f64,
    /// Standard deviation of each coordinate's difference if they are one tree, as their sources say.
    pub sd_m: f64,
    /// What else stands around them.
    pub around: Around,
    /// Whether crews located both; else one is on a map.
    pub both_located: bool,
    /// Their tags.
    pub tags: Tags,
    /// Their species.
    pub species: Species,
    /// Their diameters, if known of both.
    pub diameters: Option<Diameters>,
    /// Who was there when.
    pub visits: Visits,
}

/// Whether a crew placed a listing on the spot: trees of one map are known to be different.
pub fn located(p: &Position) -> bool {
    p.source != PositionSource::Mapped
}

/// The standard deviation of one coordinate of a position, in metres, as its source says.
pub fn fix_sd_m(p: &Position) -> f64 {
    let radius = match p.source {
        PositionSource::Gnss => p.accuracy_um.map_or(DEFAULT_FIX_M, |a| (a.0 as f64 / 1e6).clamp(1.0, 15.0)),
        PositionSource::Mapped | PositionSource::Drawn => MAPPED_M,
    };
    radius / RADIUS_PER_SD
}

/// The same of the difference of two positions, from that of each.
pub fn both_sd_m(a: f64, b: f64) -> f64 {
    libm::sqrt(a * a + b * b)
}

/// Within what distance two positions are compared, from the standard deviation of their difference.
pub fn reach_m(sd_m: f64) -> f64 {
    (4.0 * sd_m).clamp(NEAREST_M, FURTHEST_M)
}

/// Compares two listings some metres apart, with the standard deviation of a coordinate's difference;
/// `tags` as their tags compare.
pub fn compare(
    a: &Listing<'_>,
    b: &Listing<'_>,
    tags: Tags,
    (distance_m, sd_m): (f64, f64),
    around: Around,
) -> Comparison {
    let species = match (a.species, b.species) {
        (Some(x), Some(y)) if x == y => Species::Equal,
        (Some(x), Some(y)) if genus(x).is_some() && genus(x) == genus(y) => Species::Genus,
        (Some(_), Some(_)) => Species::Different,
        _ => Species::Unknown,
    };
    let diameters = a.diameter.zip(b.diameter).map(|(x, y)| Diameters {
        gap_cm: x.0.abs_diff(y.0) as f64 / 1e4,
        // The disagreement tolerance is taken as twice the standard uncertainty of a difference.
        sd_cm: tolerance_um(x.0.max(y.0)).max(1) as f64 / 2e4,
        mean_cm: (x.0 as f64 + y.0 as f64) / 2e4,
    });
    let around = around.without(distance_m, diameters.map(|d| d.gap_cm));
    let both_located = located(&a.position) && located(&b.position);
    let visits = visits(a, b);
    Comparison { distance_m, sd_m, around, both_located, tags, species, diameters, visits }
}

/// The letters of a code that name the genus.
pub fn genus(code: &str) -> Option<&str> {
    code.get(..3)
}

fn visits(a: &Listing<'_>, b: &Listing<'_>) -> Visits {
    let (Some(x), Some(y)) = (a.visit, b.visit) else { return Visits::Unknown };
    if !(located(&a.position) && located(&b.position)) {
        return Visits::Unknown;
    }
    if x.device != y.device {
        return Visits::TwoDevices;
    }
    // Negative when the two stays overlap.
    let apart = x.from.0.max(y.from.0).saturating_sub(x.to.0.min(y.to.0));
    if apart < STAY_MS { Visits::OneStay } else { Visits::OneDevice }
}
