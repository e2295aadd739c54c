//! Layout: where the holes of a stem go.
//!
//! The trunk is unrolled: a hole is an arc clockwise from the reference mark, seen from above, and
//! a height. Wounds run along the grain, so only the offset around the trunk counts between two
//! holes; height earns no credit. Holes rise in a spiral within the label's band. What does not fit
//! is said, never crowded in.
//!
//! Work: most points and widest spread take some 25 searches of `holes + arcs` steps each, see
//! `circle.rs`; both are at most a few hundred.

use serde::Serialize;

use crate::check::entry::MAX_DIAMETER_UM;
use crate::dosing::charges::MOST_CHARGES;
use crate::dosing::stem::girth_of_diameter;
use crate::quantity::Um;
use crate::record::label::HoleRules;
use crate::record::stand::{Damage, DamageKind, Diameter, ReferenceMark};

mod circle;
pub mod scale;
pub mod text;

use circle::Circle;
use scale::Scale;

/// What a layout is worked from.
#[derive(Clone, Debug)]
pub struct LayoutRequest<'a> {
    /// The label's rules for holes.
    pub rules: &'a HoleRules,
    /// How many holes the charges need.
    pub holes: usize,
    /// Diameter at breast height, bark included.
    pub diameter_um: Um,
    /// Girth at the bottom of the band, if measured.
    pub band_low_girth_um: Option<Um>,
    /// Girth at the top of the band, if measured.
    pub band_high_girth_um: Option<Um>,
    /// Bark thickness where holes are drilled, if measured.
    pub bark_um: Option<Um>,
    /// What arcs are measured from.
    pub mark: Option<ReferenceMark>,
    /// Damage of this stem: no hole goes there.
    pub damage: &'a [Damage],
    /// Holes already in this stem: no hole goes within `clearance_um` or `past_clearance_um` of them
    /// around the trunk.
    pub earlier: &'a [EarlierHole],
    /// Offset kept from holes of this season: the label's spacing.
    pub clearance_um: Um,
    /// Offset kept from holes of earlier seasons ([`HoleRules::past_clearance_um`]).
    pub past_clearance_um: Um,
}

/// A hole already in the stem.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct EarlierHole {
    /// Clockwise arc from the reference mark, along the trunk at its own height.
    pub arc_um: Um,
    /// Height above ground.
    pub height_um: Um,
    /// Whether it was made in an earlier season.
    pub past: bool,
    /// The girth at its height when its arc was measured; none when that is today's. Wounds keep their
    /// place around the trunk while it grows, so that the arc has grown with the girth.
    pub girth_um: Option<Um>,
}

/// Where one hole goes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct PlannedHole {
    /// Its number, from 1, clockwise from the mark.
    pub number: usize,
    /// Clockwise arc from the mark, along the trunk at the hole's height.
    pub arc_um: Um,
    /// Height above ground.
    pub height_um: Um,
    /// Clockwise angle from the mark in thousandths of a degree.
    pub angle_mdeg: i64,
}

/// An arc where no hole goes, with what it keeps clear.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct ExcludedArc {
    /// Clockwise from the mark, at [`Layout::girth_um`]; below 0 when it begins before the mark.
    pub from_um: Um,
    /// Its end; beyond the girth when it reaches past the mark.
    pub to_um: Um,
    /// Why.
    pub why: DamageKind,
}

/// How deep to drill.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct Depth {
    /// Bark, if measured.
    pub bark_um: Option<Um>,
    /// Least depth in sapwood.
    pub sapwood_min_um: Um,
    /// Greatest depth in sapwood, never past the middle of the stem.
    pub sapwood_max_um: Um,
    /// Bit diameter.
    pub bit_um: Um,
}

/// The holes of a stem.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Layout {
    /// How many the charges need.
    pub wanted: usize,
    /// How many would fit at the label's spacing.
    pub fits: usize,
    /// The holes: as many as are wanted, or as fit, clockwise from the mark.
    pub holes: Vec<PlannedHole>,
    /// Smallest offset around the trunk between two of them, at the thinnest girth of the band;
    /// the whole girth for a single hole.
    pub offset_um: Um,
    /// The label's spacing.
    pub spacing_um: Um,
    /// The thinnest girth of the band, on which offsets are counted.
    pub girth_um: Um,
    /// Girth at the bottom of the band.
    pub girth_low_um: Um,
    /// Girth at its top.
    pub girth_high_um: Um,
    /// The band's lowest hole.
    pub band_low_um: Um,
    /// Its highest.
    pub band_high_um: Um,
    /// How deep to drill.
    pub depth: Depth,
    /// Arcs left out.
    pub excluded: Vec<ExcludedArc>,
    /// What arcs are measured from.
    pub mark: Option<ReferenceMark>,
    /// What to do, in one line, in centimetres; [`Layout::instruction_in`] says it in inches.
    pub instruction: String,
}

impl Layout {
    /// Whether fewer holes fit than the charges need.
    pub fn short(&self) -> bool {
        self.holes.len() < self.wanted
    }
}

/// Why there is no layout. Each of these stops the treatment.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum LayoutError {
    /// Not a diameter.
    #[error("{} cm is not the diameter of a trunk", .0.cm())]
    NotADiameter(Um),
    /// The label's hole rules cannot be drilled by.
    #[error("the label's {0} cannot be drilled by: correct the label before using it")]
    Rules(&'static str),
    /// No hole, or more than any trunk takes.
    #[error("{0} holes cannot be laid out: between 1 and {MOST_CHARGES} can")]
    Count(usize),
    /// A girth in the band that does not go with breast height's.
    #[error("a girth of {} cm at the {at} of the band does not go with {} cm at breast height: measure both again", .girth.cm(), .breast.cm())]
    Girths {
        /// Bottom or top.
        at: &'static str,
        /// The girth there.
        girth: Um,
        /// At breast height.
        breast: Um,
    },
    /// Bark thicker than the stem's radius, or below nothing.
    #[error("{} mm of bark does not go with a stem of {} cm: measure again", .bark.mm(), .diameter.cm())]
    Bark {
        /// The bark.
        bark: Um,
        /// The stem.
        diameter: Um,
    },
    /// The label's least depth would reach the middle of the stem.
    #[error("the label's least depth of {} mm in sapwood reaches past the middle of a stem of {} cm: do not drill it", .depth.mm(), .diameter.cm())]
    TooDeep {
        /// The least depth.
        depth: Um,
        /// The stem.
        diameter: Um,
    },
    /// A damage or an earlier hole that lies beyond the girth.
    #[error("{what} at {} cm lies beyond the girth of {} cm: measure the girth where it is drilled", .arc.cm(), .girth.cm())]
    Arc {
        /// What lies there.
        what: &'static str,
        /// Where.
        arc: Um,
        /// The girth.
        girth: Um,
    },
    /// Nowhere is left.
    #[error("wounds and earlier holes leave no place for a hole: leave the stem")]
    AllExcluded,
}

/// Lays out the holes of a stem.
///
/// Girths at the bottom and top of the band are used where measured, else breast height's; offsets
/// are counted at the thinnest, so they hold at every height. Damage is left out with half a bit's
/// margin, earlier holes with their clearance to either side. As many holes as are
/// wanted are spread as widely as they can be; when fewer fit at the label's spacing, those.
///
/// # Errors
/// [`LayoutError`] for figures no trunk or label has, and when nothing is left to drill.
pub fn plan(request: &LayoutRequest<'_>) -> Result<Layout, LayoutError> {
    let rules = request.rules;
    if request.holes == 0 || i64::try_from(request.holes).map_or(true, |h| h > MOST_CHARGES) {
        return Err(LayoutError::Count(request.holes));
    }
    let Trunk { depth, band, excluded, circle, fits } = Trunk::of(request)?;
    let count = request.holes.min(fits);
    let (places, offset) = circle.spread(count, rules.spacing_um.0);
    let mut layout = Layout {
        wanted: request.holes,
        fits,
        holes: band.spiral(&places),
        offset_um: Um(offset),
        spacing_um: rules.spacing_um,
        girth_um: Um(band.thinnest),
        girth_low_um: Um(band.low_girth),
        girth_high_um: Um(band.high_girth),
        band_low_um: rules.band_low_um,
        band_high_um: rules.band_high_um,
        depth,
        excluded,
        mark: request.mark,
        instruction: String::new(),
    };
    layout.instruction = layout.instruction_in(Scale::Cm);
    Ok(layout)
}

/// How many holes fit on a stem at the label's spacing, whatever is wanted.
///
/// # Errors
/// As [`plan`].
pub fn room(request: &LayoutRequest<'_>) -> Result<usize, LayoutError> {
    Trunk::of(request).map(|trunk| trunk.fits)
}

/// A trunk with what is left out, and how many holes fit.
struct Trunk {
    depth: Depth,
    band: Band,
    excluded: Vec<ExcludedArc>,
    circle: Circle,
    fits: usize,
}

impl Trunk {
    fn of(request: &LayoutRequest<'_>) -> Result<Self, LayoutError> {
        let rules = request.rules;
        check_rules(rules)?;
        let depth = depth(request)?;
        let band = Band::of(request)?;
        let excluded = excluded(request, &band)?;
        let arcs: Vec<(i64, i64)> = excluded.iter().map(|e| (e.from_um.0, e.to_um.0)).collect();
        let circle = Circle::new(band.thinnest, &arcs).ok_or(LayoutError::AllExcluded)?;
        let limit = usize::try_from(rules.most_holes.unwrap_or(MOST_CHARGES).min(MOST_CHARGES)).unwrap_or(0);
        let fits = circle.most(rules.spacing_um.0, limit);
        Ok(Self { depth, band, excluded, circle, fits })
    }
}

fn check_rules(rules: &HoleRules) -> Result<(), LayoutError> {
    let length = |um: Um, least: i64| (least..=10_000_000).contains(&um.0);
    match () {
        () if !length(rules.spacing_um, 1) => Err(LayoutError::Rules("spacing")),
        () if !length(rules.bit_um, 1) || rules.bit_um > rules.spacing_um => Err(LayoutError::Rules("bit")),
        () if !length(rules.band_low_um, 0)
            || !length(rules.band_high_um, 0)
            || rules.band_low_um > rules.band_high_um =>
        {
            Err(LayoutError::Rules("height band"))
        }
        () if !length(rules.depth_min_um, 1)
            || !length(rules.depth_max_um, 1)
            || rules.depth_min_um > rules.depth_max_um =>
        {
            Err(LayoutError::Rules("depth"))
        }
        () if rules.most_holes.is_some_and(|most| most < 1) => Err(LayoutError::Rules("most holes")),
        () => Ok(()),
    }
}

fn depth(request: &LayoutRequest<'_>) -> Result<Depth, LayoutError> {
    let (rules, diameter) = (request.rules, request.diameter_um);
    if !(1..=MAX_DIAMETER_UM).contains(&diameter.0) {
        return Err(LayoutError::NotADiameter(diameter));
    }
    let radius = diameter.0 / 2;
    let bark = request.bark_um.unwrap_or(Um(0));
    if !(0..radius.max(1)).contains(&bark.0) {
        return Err(LayoutError::Bark { bark, diameter });
    }
    let wood = Um(radius - bark.0);
    if rules.depth_min_um > wood {
        return Err(LayoutError::TooDeep { depth: rules.depth_min_um, diameter });
    }
    Ok(Depth {
        bark_um: request.bark_um,
        sapwood_min_um: rules.depth_min_um,
        sapwood_max_um: rules.depth_max_um.min(wood),
        bit_um: rules.bit_um,
    })
}

/// The trunk between the lowest and the highest hole.
struct Band {
    low: i64,
    high: i64,
    low_girth: i64,
    high_girth: i64,
    thinnest: i64,
    thickest: i64,
}

impl Band {
    /// A girth in the band below four fifths of breast height's, or beyond four times it, is
    /// doubted (common practice, no source): a diameter entered as a girth is a third of it.
    fn of(request: &LayoutRequest<'_>) -> Result<Self, LayoutError> {
        let breast = girth_of_diameter(request.diameter_um);
        let girth = |at, measured: Option<Um>| match measured {
            Some(g) if i128::from(g.0) * 5 < i128::from(breast.0) * 4 || g.0 / 4 > breast.0 => {
                Err(LayoutError::Girths { at, girth: g, breast })
            }
            measured => Ok(measured.unwrap_or(breast).0),
        };
        let low_girth = girth("bottom", request.band_low_girth_um)?;
        let high_girth = girth("top", request.band_high_girth_um)?;
        let (low, high) = (request.rules.band_low_um.0, request.rules.band_high_um.0);
        let (thinnest, thickest) = (low_girth.min(high_girth).max(1), low_girth.max(high_girth).max(1));
        Ok(Self { low, high, low_girth, high_girth, thinnest, thickest })
    }

    /// Girth at a height, in a straight line from the band's bottom to its top.
    fn girth_at(&self, height: i64) -> i64 {
        let run = self.high - self.low;
        if run <= 0 {
            return self.thinnest;
        }
        let up = height.clamp(self.low, self.high) - self.low;
        self.low_girth + scale(self.high_girth - self.low_girth, up, run)
    }

    /// Places clockwise from the mark, rising evenly with the arc from the first to the last.
    fn spiral(&self, places: &[i64]) -> Vec<PlannedHole> {
        let first = places.first().copied().unwrap_or(0);
        let run = places.last().copied().unwrap_or(0) - first;
        let hole = |(i, place): (usize, &i64)| {
            let height = self.low + if run > 0 { scale(self.high - self.low, place - first, run) } else { 0 };
            PlannedHole {
                number: i + 1,
                arc_um: Um(scale(self.girth_at(height), *place, self.thinnest)),
                height_um: Um(height),
                angle_mdeg: scale(360_000, *place, self.thinnest),
            }
        };
        places.iter().enumerate().map(hole).collect()
    }
}

/// The girth of a stem at a height, in a straight line between those measured at the band's ends;
/// breast height's where none was.
pub fn girth_at(rules: &HoleRules, diameter: &Diameter, height: Um) -> Um {
    let breast = girth_of_diameter(diameter.diameter_um);
    let low = diameter.band_low_girth_um.unwrap_or(breast).0;
    let high = diameter.band_high_girth_um.unwrap_or(breast).0;
    let run = rules.band_high_um.0.saturating_sub(rules.band_low_um.0);
    if run <= 0 {
        return Um(low.min(high));
    }
    let up = height.0.clamp(rules.band_low_um.0, rules.band_high_um.0) - rules.band_low_um.0;
    Um(low.saturating_add(scale(high.saturating_sub(low), up, run)))
}

/// `value × part ÷ whole`, to the nearest, without overflow for lengths on a trunk.
fn scale(value: i64, part: i64, whole: i64) -> i64 {
    let (product, whole) = (i128::from(value) * i128::from(part), i128::from(whole.max(1)));
    i64::try_from((product + whole / 2).div_euclid(whole)).unwrap_or(i64::MAX)
}

fn excluded(request: &LayoutRequest<'_>, band: &Band) -> Result<Vec<ExcludedArc>, LayoutError> {
    let mut arcs = vec![];
    let margin = request.rules.bit_um.0 / 2;
    let inside = |what, arc: Um| match (0..=band.thickest).contains(&arc.0) {
        true => Ok(arc.0),
        false => Err(LayoutError::Arc { what, arc, girth: Um(band.thickest) }),
    };
    for damage in request.damage {
        let (from, to) = (inside("damage", damage.from_um)?, inside("damage", damage.to_um)?);
        // At which height it was measured is not known, so it is taken at its widest.
        let begin = scale(band.thinnest, from, band.thickest);
        let end = if to < from { to + band.thinnest } else { to };
        let around = if damage.what == DamageKind::EarlierHole {
            request.past_clearance_um.0.max(margin)
        } else {
            margin
        };
        arcs.push(ExcludedArc {
            from_um: Um(begin.saturating_sub(around)),
            to_um: Um(end.saturating_add(around)),
            why: damage.what,
        });
    }
    let least = request.rules.bit_um.0;
    for hole in request.earlier {
        let clearance = if hole.past { request.past_clearance_um } else { request.clearance_um };
        let clearance = clearance.0.clamp(least, MAX_DIAMETER_UM * 4);
        let girth = hole.girth_um.filter(|g| g.0 > 0).map_or(band.girth_at(hole.height_um.0), |g| g.0);
        if !(0..=girth).contains(&hole.arc_um.0) {
            return Err(LayoutError::Arc { what: "an earlier hole", arc: hole.arc_um, girth: Um(girth) });
        }
        let place = scale(band.thinnest, hole.arc_um.0, girth);
        arcs.push(ExcludedArc {
            from_um: Um(place - clearance),
            to_um: Um(place + clearance),
            why: DamageKind::EarlierHole,
        });
    }
    Ok(arcs)
}

#[cfg(test)]
mod tests;
