//! The scale a crew's tape has: what arcs, heights and depths are said in.

use serde::{Deserialize, Serialize};

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

/// A sixteenth of an inch in tenths of a micrometre: 1587.5 µm.
const SIXTEENTH_TENTHS: i64 = 15_875;

impl Scale {
    /// The unit's sign.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Cm => "cm",
            Self::In => "in",
        }
    }

    /// A length to the nearest mark of the scale: `12.4`, or `4 7/8`.
    pub fn mark(self, length: Um) -> String {
        match self {
            Self::Cm => length.cm(),
            Self::In => {
                let tenths = length.0.saturating_mul(10);
                let half = if tenths < 0 { -SIXTEENTH_TENTHS / 2 } else { SIXTEENTH_TENTHS / 2 };
                sixteenths(tenths.saturating_add(half) / SIXTEENTH_TENTHS)
            }
        }
    }

    /// The same without a decimal that says nothing: `10`, `12.5`.
    pub fn short(self, length: Um) -> String {
        let text = self.mark(length);
        text.strip_suffix(".0").map_or(text.clone(), str::to_owned)
    }

    /// An offset rounded down, to as coarse a mark as still keeps it at or above `spacing`: what is
    /// said is never closer than the label allows.
    pub(super) fn offset(self, offset: Um, spacing: Um) -> String {
        match self {
            Self::Cm => {
                let floored = |unit: i64| offset.0 / unit * unit;
                let (unit, places) = [(1_000, 1), (100, 2), (10, 3), (1, 4)]
                    .into_iter()
                    .find(|(unit, _)| floored(*unit) >= spacing.0)
                    .unwrap_or((1, 4));
                let text = decimal(floored(unit), 10_000, places);
                text.strip_suffix(".0").map_or(text.clone(), str::to_owned)
            }
            Self::In => {
                let count = offset.0.saturating_mul(10) / SIXTEENTH_TENTHS;
                if count.saturating_mul(SIXTEENTH_TENTHS) >= spacing.0.saturating_mul(10) {
                    return sixteenths(count);
                }
                // No sixteenth lies between the two: thousandths of an inch, 25.4 µm, or millionths.
                let tenths = offset.0.saturating_mul(10);
                match tenths / 254 * 254 >= spacing.0.saturating_mul(10) {
                    true => decimal(tenths / 254, 1_000, 3),
                    false => decimal(tenths.saturating_mul(1_000) / 254, 1_000_000, 6),
                }
            }
        }
    }

    /// A drill's diameter or a depth between two bounds, rounded into them: `15.0 to 20.0 mm`,
    /// or `0.60 to 0.78 in (15.0 to 20.0 mm)`, since bits and stops are marked in either.
    pub(super) fn depth(self, least: Um, most: Um) -> String {
        let range = |a: &str, b: &str, unit: &str| match a == b {
            true => format!("{a} {unit}"),
            false => format!("{a} to {b} {unit}"),
        };
        let mm = range(&least.mm(), &most.mm(), "mm");
        match self {
            Self::Cm => mm,
            Self::In => {
                let (up, down) = ((least.0 + 253) / 254, most.0 / 254);
                // Where no hundredth lies between them, the nearest one is said and the millimetres decide.
                let (low, high) =
                    if up <= down { (up, down) } else { ((least.0 + 127) / 254, (most.0 + 127) / 254) };
                let hundredths = |count: i64| decimal(count, 100, 2);
                format!("{} ({mm})", range(&hundredths(low), &hundredths(high), "in"))
            }
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

    /// A quarter-inch bit is 6.35 mm; 5/8 in is 15.875 mm and 0.625 in.
    #[test]
    fn depths_round_into_their_bounds() {
        assert_eq!(Scale::In.depth(Um(15_000), Um(20_000)), "0.60 to 0.78 in (15.0 to 20.0 mm)");
        assert_eq!(Scale::In.depth(Um(6_350), Um(6_350)), "0.25 in (6.4 mm)");
        assert_eq!(Scale::In.depth(Um(7_000), Um(7_000)), "0.28 in (7.0 mm)");
        assert_eq!(Scale::Cm.depth(Um(15_000), Um(20_000)), "15.0 to 20.0 mm");
    }

    /// Inches or centimetres as said, in micrometres.
    fn read(said: &str, um: f64) -> f64 {
        let parts = said.split(' ').map(|part| match part.split_once('/') {
            Some((above, below)) => above.parse::<f64>().unwrap() / below.parse::<f64>().unwrap(),
            None => part.parse().unwrap(),
        });
        parts.sum::<f64>() * um
    }

    proptest! {
        #[test]
        fn an_offset_is_never_said_closer_than_the_label_allows(
            spacing in 1_000i64..400_000,
            more in 0i64..20_000,
        ) {
            for (scale, um) in [(Scale::Cm, 10_000.0), (Scale::In, 25_400.0)] {
                let said = scale.offset(Um(spacing + more), Um(spacing));
                let read = read(&said, um);
                prop_assert!(read >= spacing as f64 - 0.03 && read <= (spacing + more) as f64 + 0.001, "{said}");
            }
        }
    }
}
