//! The scale a crew's tape has: what arcs, heights and depths are said in.

use serde::{Deserialize, Serialize};

use crate::dosing::layout::{Layout, PlannedHole};
use crate::quantity::{Um, decimal};

/// Centimetres, or inches in sixteenths (25.4 mm exactly, NIST SP 811 appendix B).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Scale {
    /// Centimetres and tenths; drills and depths in millimetres.
    #[default]
    Cm,
    /// Inches and sixteenths, as a tape or a rule in inches is divided.
    In,
}

/// Lengths here are counted in hundredths of a micrometre: 1/16 in is 1587.5 µm.
const PARTS: i64 = 100;
/// The marks of a scale from coarse to fine, as parts a mark and decimals; no decimals: sixteenths.
const CM: [(i64, u32); 4] = [(100_000, 1), (10_000, 2), (1_000, 3), (100, 4)];
const IN: [(i64, u32); 4] = [(158_750, 0), (25_400, 2), (2_540, 3), (254, 4)];
/// How much finer than a mark no tape goes: a tenth and a hundredth of a millimetre.
const TENTH_MM: i64 = 10_000;
const HUNDREDTH_MM: i64 = 1_000;

impl Scale {
    /// The unit's sign.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Cm => "cm",
            Self::In => "in",
        }
    }

    const fn marks(self) -> [(i64, u32); 4] {
        match self {
            Self::Cm => CM,
            Self::In => IN,
        }
    }

    /// A length to the nearest mark of the scale: `12.4`, or `4 7/8`.
    pub fn mark(self, length: Um) -> String {
        let (mark, decimals) = self.marks()[0];
        said(nearest(parts(length), mark), decimals)
    }

    /// The same without a decimal that says nothing: `10`, `12.5`.
    pub fn short(self, length: Um) -> String {
        bare(self.mark(length))
    }

    /// The last mark at or below a length, or the first at or above it.
    pub(super) fn beside(self, length: Um, above: bool) -> String {
        let (mark, decimals) = self.marks()[0];
        bare(said(if above { up(parts(length), mark) } else { down(parts(length), mark) }, decimals))
    }

    /// A length within a band: the nearest mark that lies in it, a finer one where no coarse one does.
    pub(super) fn within(self, length: Um, low: Um, high: Um) -> String {
        let (length, low, high) = (parts(length), parts(low), parts(high));
        let fits = |(mark, decimals): (i64, u32)| {
            let (least, most) = (up(low, mark), down(high, mark));
            (least <= most).then(|| said(nearest(length, mark).clamp(least, most), decimals))
        };
        let [.., (finest, decimals)] = self.marks();
        self.marks().into_iter().find_map(fits).unwrap_or_else(|| said(nearest(length, finest), decimals))
    }

    /// An offset rounded down, to as coarse a mark as still keeps it at or above `spacing`: what is
    /// said is never closer than the label allows.
    pub(super) fn offset(self, offset: Um, spacing: Um) -> String {
        let keeps = |(mark, decimals): (i64, u32)| {
            let count = down(parts(offset), mark);
            (count.saturating_mul(mark) >= parts(spacing)).then(|| bare(said(count, decimals)))
        };
        self.marks().into_iter().find_map(keeps).unwrap_or_else(|| self.at_least(spacing))
    }

    /// A least length, rounded up by less than a tenth of a millimetre.
    pub(super) fn at_least(self, length: Um) -> String {
        let near = |(mark, decimals): (i64, u32)| {
            let count = up(parts(length), mark);
            (count.saturating_mul(mark) - parts(length) < TENTH_MM).then(|| bare(said(count, decimals)))
        };
        let [.., (finest, decimals)] = self.marks();
        self.marks().into_iter().find_map(near).unwrap_or_else(|| said(up(parts(length), finest), decimals))
    }

    /// A depth between two bounds, rounded into them: `15.0 to 20.0 mm`, or `0.60 to 0.78 in (15.0 to
    /// 20.0 mm)`, since bits and stops are marked in either. A single figure, such as a bit's, is said
    /// to the thousandth.
    pub(super) fn depth(self, least: Um, most: Um) -> String {
        let (low, high) = (parts(least), parts(most));
        let range = |marks: [(i64, u32); 3], unit: &str| {
            if low == high {
                let (finest, decimals) = marks[2];
                return format!("{} {unit}", trimmed(said(nearest(low, finest), decimals)));
            }
            let into = |(mark, decimals): (i64, u32)| {
                let (up, down) = (up(low, mark), down(high, mark));
                (up <= down).then(|| match up == down {
                    true => format!("{} {unit}", said(up, decimals)),
                    false => format!("{} to {} {unit}", said(up, decimals), said(down, decimals)),
                })
            };
            // Bounds closer than the finest mark are one figure.
            let (finest, decimals) = marks[2];
            let one = || format!("{} {unit}", said(down(high, finest), decimals));
            marks.into_iter().find_map(into).unwrap_or_else(one)
        };
        let mm = range([(10_000, 1), (1_000, 2), (100, 3)], "mm");
        match self {
            Self::Cm => mm,
            Self::In => format!("{} ({mm})", range([(25_400, 2), (2_540, 3), (254, 4)], "in")),
        }
    }

    /// Steps between a picture's marks, in micrometres, ascending.
    pub(in crate::dosing) const fn steps(self) -> [i64; 6] {
        match self {
            Self::Cm => [10_000, 20_000, 50_000, 100_000, 200_000, 500_000],
            Self::In => [25_400, 50_800, 127_000, 254_000, 508_000, 1_270_000],
        }
    }
}

impl Layout {
    /// Arc and height of each hole, in the layout's order, as a crew sets them out. Heights lie in the
    /// band. Arcs are said to the coarsest marks at which no two neighbours come closer than the
    /// spacing around the trunk, beyond a hundredth of a millimetre.
    pub fn places(&self, scale: Scale) -> Vec<(String, String)> {
        let keeps = |(mark, _): &(i64, u32)| self.keeps_apart(*mark);
        let marks = scale.marks();
        let (mark, decimals) = marks.into_iter().find(keeps).unwrap_or(marks[3]);
        let height = |hole: &PlannedHole| scale.within(hole.height_um, self.band_low_um, self.band_high_um);
        let arc = |hole: &PlannedHole| said(nearest(parts(hole.arc_um), mark), decimals);
        self.holes.iter().map(|hole| (arc(hole), height(hole))).collect()
    }

    /// Whether arcs taken to the nearest of these marks keep the spacing between neighbours.
    fn keeps_apart(&self, mark: i64) -> bool {
        let Some(first) = self.holes.first().filter(|_| self.holes.len() > 1) else { return true };
        let girth = parts(self.girth_um);
        let place = |hole: &PlannedHole| {
            let turned = i128::from(girth) * i128::from(hole.angle_mdeg) / 360_000;
            i64::try_from(turned).unwrap_or(i64::MAX)
        };
        // At the thinnest girth an arc is off by what it was rounded by, or less.
        let off = |hole: &PlannedHole| nearest(parts(hole.arc_um), mark) * mark - parts(hole.arc_um);
        let next = self.holes.iter().skip(1).map(|h| (h, 0)).chain([(first, girth)]);
        self.holes.iter().zip(next).all(|(hole, (next, turn))| {
            let lost = off(hole).max(0) + (-off(next)).max(0);
            place(next) + turn - place(hole) - lost >= parts(self.spacing_um) - HUNDREDTH_MM
        })
    }
}

fn parts(length: Um) -> i64 {
    length.0.saturating_mul(PARTS)
}

fn down(parts: i64, mark: i64) -> i64 {
    parts.div_euclid(mark)
}

fn up(parts: i64, mark: i64) -> i64 {
    -(-parts).div_euclid(mark)
}

/// The nearest mark, half of one away from zero.
fn nearest(parts: i64, mark: i64) -> i64 {
    let half = if parts < 0 { -mark / 2 } else { mark / 2 };
    parts.saturating_add(half) / mark
}

fn said(count: i64, decimals: u32) -> String {
    match decimals {
        0 => sixteenths(count),
        _ => decimal(count, 10i64.pow(decimals), decimals),
    }
}

fn bare(text: String) -> String {
    text.strip_suffix(".0").map_or(text.clone(), str::to_owned)
}

/// Without the last noughts, but for one decimal.
fn trimmed(text: String) -> String {
    let short = text.trim_end_matches('0');
    if short.ends_with('.') { format!("{short}0") } else { short.to_owned() }
}

/// A count of sixteenths as whole inches and the least fraction: `4 7/8`, `3/16`, `12`.
fn sixteenths(count: i64) -> String {
    let sign = if count < 0 { "-" } else { "" };
    let (whole, over) = (count.unsigned_abs() / 16, count.unsigned_abs() % 16);
    let shift = over.trailing_zeros().min(4);
    let fraction = format!("{}/{}", over >> shift, 16u64 >> shift);
    match (whole, over) {
        (_, 0) => format!("{sign}{whole}"),
        (0, _) => format!("{sign}{fraction}"),
        _ => format!("{sign}{whole} {fraction}"),
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::dosing::invented::ash_label;
    use crate::dosing::layout::{LayoutRequest, plan};
    use crate::record::stand::ReferenceMark;

    /// Sixteenths by hand: 4 7/8 in = 123 825 µm; 3/16 in = 4 762.5 µm.
    #[test]
    fn inches_are_said_in_sixteenths() {
        assert_eq!(Scale::In.mark(Um(123_825)), "4 7/8");
        assert_eq!(Scale::In.mark(Um(4_763)), "3/16");
        assert_eq!(Scale::In.mark(Um(304_800)), "12");
        assert_eq!(Scale::In.mark(Um(0)), "0");
        assert_eq!(Scale::In.mark(Um(-123_825)), "-4 7/8");
        assert_eq!(Scale::Cm.short(Um(100_000)), "10");
    }

    /// A quarter-inch bit is 6.35 mm. 7 mm are 0.27559 in. 15 mm are 0.5906 in and 20 mm 0.7874, said as
    /// 0.60 and 0.78; a depth of at most 19.96 mm is never said as 20.0.
    #[test]
    fn depths_round_into_their_bounds() {
        assert_eq!(Scale::In.depth(Um(15_000), Um(20_000)), "0.60 to 0.78 in (15.0 to 20.0 mm)");
        assert_eq!(Scale::Cm.depth(Um(15_040), Um(19_960)), "15.1 to 19.9 mm");
        assert_eq!(Scale::In.depth(Um(19_950), Um(19_960)), "0.7855 to 0.7858 in (19.95 to 19.96 mm)");
        assert_eq!(Scale::In.depth(Um(6_350), Um(6_350)), "0.25 in (6.35 mm)");
        assert_eq!(Scale::In.depth(Um(7_000), Um(7_000)), "0.2756 in (7.0 mm)");
        assert_eq!(Scale::Cm.depth(Um(15_000), Um(20_000)), "15.0 to 20.0 mm");
    }

    /// 10.05 cm are 3.957 in: 3 15/16 would lie below the band.
    #[test]
    fn heights_stay_in_the_band() {
        let within = |scale: Scale, at| scale.within(Um(at), Um(100_500), Um(280_000));
        assert_eq!(within(Scale::In, 100_500), "4");
        assert_eq!(within(Scale::Cm, 100_500), "10.1");
        assert_eq!(within(Scale::In, 280_000), "11");
        assert_eq!(Scale::In.within(Um(100_500), Um(100_500), Um(100_500)), "3.9567");
    }

    /// Inches or centimetres as said, in micrometres.
    fn read(said: &str, um: f64) -> f64 {
        let parts = said.split(' ').map(|part| match part.split_once('/') {
            Some((above, below)) => above.parse::<f64>().unwrap() / below.parse::<f64>().unwrap(),
            None => part.parse().unwrap(),
        });
        parts.sum::<f64>() * um
    }

    const BOTH: [(Scale, f64); 2] = [(Scale::Cm, 10_000.0), (Scale::In, 25_400.0)];

    proptest! {
        #[test]
        fn an_offset_is_never_said_closer_than_the_label_allows(
            spacing in 1_000i64..400_000,
            more in 0i64..20_000,
        ) {
            for (scale, um) in BOTH {
                let said = scale.offset(Um(spacing + more), Um(spacing));
                let read = read(&said, um);
                prop_assert!(read >= spacing as f64 - 0.001, "{said}");
                // Where no mark lies between the two, the next above the spacing is said.
                prop_assert!(read <= (spacing + more) as f64 + 100.0, "{said}");
            }
        }

        /// What a crew sets out from the printed table, on a trunk as thick at every height.
        #[test]
        fn printed_arcs_keep_the_spacing_and_heights_the_band(
            diameter in 120_000i64..900_000,
            holes in 1usize..30,
            spacing in 60_000i64..130_000,
            low in 50_000i64..150_000,
        ) {
            let mut rules = ash_label().holes;
            (rules.spacing_um, rules.band_low_um, rules.band_high_um) = (Um(spacing), Um(low), Um(low + 150_000));
            let layout = plan(&LayoutRequest {
                rules: &rules,
                holes,
                diameter_um: Um(diameter),
                band_low_girth_um: None,
                band_high_girth_um: None,
                bark_um: None,
                mark: Some(ReferenceMark::Tag),
                damage: &[],
                earlier: &[],
                clearance_um: rules.spacing_um,
                past_clearance_um: rules.spacing_um,
            });
            let Ok(layout) = layout else { return Ok(()) };
            for (scale, um) in BOTH {
                let places = layout.places(scale);
                let arcs: Vec<f64> = places.iter().map(|(arc, _)| read(arc, um)).collect();
                let around = arcs.iter().skip(1).copied().chain([arcs.first().unwrap() + layout.girth_um.0 as f64]);
                for (arc, next) in arcs.iter().zip(around).filter(|_| arcs.len() > 1) {
                    // Of 10 µm and two angles, each known to a thousandth of a degree.
                    let slack = 11.0 + 2.0 * layout.girth_um.0 as f64 / 360_000.0;
                    prop_assert!(next - arc >= spacing as f64 - slack, "{arc} {next} {spacing} {places:?}");
                }
                for (_, height) in &places {
                    let height = read(height, um);
                    prop_assert!(height >= low as f64 - 0.01 && height <= (low + 150_000) as f64 + 0.01, "{height}");
                }
            }
        }
    }
}
