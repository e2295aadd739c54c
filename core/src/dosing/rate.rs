//! A rate as the paper prints it: a volume for a length of diameter.
//!
//! The record's unit is µL per metre, which no rate per inch meets exactly: 6 mL per inch are
//! 236 220.47 µL per metre. A dose worked from the rounded figure is up to a microlitre short, and
//! that microlitre is a whole charge where a label's most is a whole number of charges. So where a
//! label was entered in inches its own figures stand beside the rounded ones, and doses are worked
//! from them.

use std::cmp::Ordering;

use crate::quantity::{Ul, UlPerM, Um};
use crate::record::label::{Label, PerInch, RateRow};

/// An inch: 25.4 mm exactly (NIST SP 811 (2008), appendix B).
pub const INCH: Um = Um(25_400);

const METRE: Um = Um(1_000_000);

/// A volume for a length of diameter.
#[derive(Clone, Copy, Debug)]
pub struct Rate {
    volume: Ul,
    length: Um,
}

impl Rate {
    /// µL for each metre of diameter.
    pub fn per_metre(rate: UlPerM) -> Self {
        Self { volume: Ul(rate.0), length: METRE }
    }

    /// µL for each inch of diameter.
    pub fn per_inch(volume: Ul) -> Self {
        Self { volume, length: INCH }
    }

    /// Rate × diameter (µL ÷ µm × µm), rounded down to a microlitre.
    pub fn times(self, diameter: Um) -> Ul {
        let product = i128::from(self.volume.0) * i128::from(diameter.0);
        whole(product.div_euclid(i128::from(self.length.0)))
    }

    /// Rate × diameter, rounded up to a microlitre.
    pub fn times_up(self, diameter: Um) -> Ul {
        let product = i128::from(self.volume.0) * i128::from(diameter.0);
        whole(-(-product).div_euclid(i128::from(self.length.0)))
    }

    /// The largest diameter whose dose, rounded up, is at most `volume`: rounding up keeps a dose at
    /// most a whole volume exactly when the unrounded one is.
    pub fn most_diameter(self, volume: Ul) -> Um {
        let most = i128::from(volume.0) * i128::from(self.length.0) / i128::from(self.volume.0.max(1));
        Um(i64::try_from(most).unwrap_or(i64::MAX))
    }

    /// The same in the record's unit, rounded down.
    pub fn rounded(self) -> UlPerM {
        UlPerM(self.times(METRE).0)
    }

    /// Whether there is anything to give.
    pub fn is_positive(self) -> bool {
        self.volume.0 > 0
    }
}

fn whole(volume: i128) -> Ul {
    Ul(i64::try_from(volume).unwrap_or(i64::MAX))
}

impl PartialEq for Rate {
    fn eq(&self, other: &Self) -> bool {
        self.cmp(other) == Ordering::Equal
    }
}

impl Eq for Rate {}

impl PartialOrd for Rate {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}

impl Ord for Rate {
    fn cmp(&self, other: &Self) -> Ordering {
        let ours = i128::from(self.volume.0) * i128::from(other.length.0);
        ours.cmp(&(i128::from(other.volume.0) * i128::from(self.length.0)))
    }
}

impl RateRow {
    /// Least rate, usual rate and most, as the paper has them.
    pub fn rates(&self) -> [Rate; 3] {
        match self.per_inch {
            Some(PerInch { min_ul, usual_ul, max_ul }) => [min_ul, usual_ul, max_ul].map(Rate::per_inch),
            None => [self.min_ul_per_m, self.usual_ul_per_m, self.max_ul_per_m].map(Rate::per_metre),
        }
    }

    /// Whether the rates per inch, where there are any, are those per metre before rounding.
    pub fn inches_agree(&self) -> bool {
        self.rates().map(Rate::rounded) == [self.min_ul_per_m, self.usual_ul_per_m, self.max_ul_per_m]
    }

    /// Whether another entry says the same: where one of them has no rates per inch, the rounded
    /// figures speak for it.
    pub fn says_the_same(&self, other: &Self) -> bool {
        let both = self.per_inch.is_some() && other.per_inch.is_some();
        let rounded = |row: &Self| Self { per_inch: None, ..row.clone() };
        if both { self == other } else { rounded(self) == rounded(other) }
    }
}

/// The label's limit per tree and season by diameter, as the paper has it; the lesser of two that
/// contradict each other.
pub fn season_rate(label: &Label) -> Option<Rate> {
    let per_metre = label.tree_season_max_ul_per_m.map(Rate::per_metre);
    let per_inch = label.tree_season_max_ul_per_inch.map(Rate::per_inch);
    match (per_inch, per_metre) {
        (Some(inch), Some(metre)) if inch.rounded() == metre.rounded() => Some(inch),
        (inch, metre) => inch.into_iter().chain(metre).min(),
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// 6 mL for each of ten inches (25.4 cm) are 60 mL: ten containers of 6 mL. By the rounded rate
    /// they would be 59.999 mL, and nine.
    #[test]
    fn ten_inches_at_six_millilitres_are_sixty() {
        let paper = Rate::per_inch(Ul(6_000));
        assert_eq!((paper.times(Um(254_000)), paper.times_up(Um(254_000))), (Ul(60_000), Ul(60_000)));
        assert_eq!(paper.rounded(), UlPerM(236_220));
        assert_eq!(Rate::per_metre(paper.rounded()).times(Um(254_000)), Ul(59_999));
        assert_eq!(paper.most_diameter(Ul(60_000)), Um(254_000));
        assert!(paper > Rate::per_metre(UlPerM(236_220)) && paper < Rate::per_metre(UlPerM(236_221)));
    }

    proptest! {
        #[test]
        fn down_is_at_most_up_by_less_than_one_more(ul in 0i64..100_000_000, d in 0i64..10_000_000, inch: bool) {
            let rate = if inch { Rate::per_inch(Ul(ul)) } else { Rate::per_metre(UlPerM(ul)) };
            let (down, up) = (rate.times(Um(d)), rate.times_up(Um(d)));
            prop_assert!(down <= up && up.0 - down.0 <= 1);
            // Against the definition in floating point, to its precision.
            let exact = ul as f64 * d as f64 / if inch { 25_400.0 } else { 1e6 };
            prop_assert!((down.0 as f64 - exact).abs() <= 1.0 + exact * 1e-12, "{down:?} {exact}");
            let widest = rate.most_diameter(down);
            prop_assert!(ul == 0 || rate.times_up(widest) <= down);
        }
    }
}
