//! Dose: the label's rate × the stem's diameter. Maxima round down, minima up: a doubt never adds product.

use serde::Serialize;

use crate::dosing::rate::season_rate;
use crate::quantity::{Ul, Um};
use crate::record::label::{Label, RateRow};

/// What a label allows for one stem.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct StemDose {
    /// The rate row's purpose.
    pub purpose: String,
    /// The diameter it was worked from.
    pub diameter_um: Um,
    /// Least that is still a treatment, rounded up.
    pub min_ul: Ul,
    /// The usual dose, rounded down.
    pub target_ul: Ul,
    /// Most the label allows, rounded down.
    pub max_ul: Ul,
}

/// Why there is no dose. Each of these stops the treatment.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum DoseError {
    /// Below the label's smallest diameter.
    #[error("{} cm is below the label's smallest diameter of {} cm: do not treat this stem", .diameter_um.cm(), .smallest_um.cm())]
    BelowSmallest {
        /// The stem.
        diameter_um: Um,
        /// The label's smallest.
        smallest_um: Um,
    },
    /// No rate row for this purpose and diameter.
    #[error("the label has no rate for '{purpose}' at {} cm: do not treat this stem under it", .diameter_um.cm())]
    NoRate {
        /// The purpose asked for.
        purpose: String,
        /// The stem.
        diameter_um: Um,
    },
    /// The label's rates contradict each other.
    #[error("the label's rates for '{purpose}' at {} cm contradict each other: correct the label before using it", .diameter_um.cm())]
    Contradiction {
        /// The purpose asked for.
        purpose: String,
        /// The stem.
        diameter_um: Um,
    },
    /// Not a diameter.
    #[error("{} cm is not a diameter", .0.cm())]
    NotADiameter(Um),
}

/// The dose of one stem: rate × diameter ([`Rate::times`](crate::dosing::rate::Rate::times)), in product.
///
/// # Errors
/// [`DoseError`] for a diameter the label has no clear rate for.
pub fn dose_for(label: &Label, purpose: &str, diameter: Um) -> Result<StemDose, DoseError> {
    if diameter.0 <= 0 {
        return Err(DoseError::NotADiameter(diameter));
    }
    if diameter < label.smallest_diameter_um {
        return Err(DoseError::BelowSmallest {
            diameter_um: diameter,
            smallest_um: label.smallest_diameter_um,
        });
    }
    let mut rows = label.rates.iter().filter(|row| row.purpose == purpose && holds(row, diameter));
    let Some(row) = rows.next() else {
        return Err(DoseError::NoRate { purpose: purpose.into(), diameter_um: diameter });
    };
    let [least, usual, most] = row.rates();
    let ordered = least.is_positive() && least <= usual && usual <= most && row.inches_agree();
    let max_ul = most.times(diameter);
    // With one rate for least and most, rounding apart must not leave a microlitre between them.
    let min_ul = if least == most { max_ul } else { least.times_up(diameter) };
    if rows.next().is_some() || !ordered || min_ul > max_ul {
        return Err(DoseError::Contradiction { purpose: purpose.into(), diameter_um: diameter });
    }
    let target_ul = usual.times(diameter).max(min_ul);
    Ok(StemDose { purpose: purpose.into(), diameter_um: diameter, min_ul, target_ul, max_ul })
}

fn holds(row: &RateRow, diameter: Um) -> bool {
    row.from_um <= diameter && row.below_um.is_none_or(|below| diameter < below)
}

/// The label's limit for a tree and season in product, rounded down: the least of the limit per tree,
/// the limit per metre of diameter times the sum of its stems' diameters, and each active
/// ingredient's limit per tree (µg ÷ µg/mL). Absent when the label sets none.
///
/// An ingredient's limit holds over all products with it; what another product brought must be
/// taken off by whoever knows it.
pub fn season_limit_ul(label: &Label, stems: &[Um]) -> Option<Ul> {
    let all = stems.iter().copied().sum();
    let by_diameter = season_rate(label).map(|rate| rate.times(all));
    let by_ingredient = label
        .active_ingredients
        .iter()
        .filter_map(|a| a.tree_season_max_ug.map(|most| product_holding(i128::from(most), a.ug_per_ml)));
    label.tree_season_max_ul.into_iter().chain(by_diameter).chain(by_ingredient).min()
}

/// The label's limit for an area in square metres and a season, in product, rounded down: the least
/// of the limits per hectare in product and in each active ingredient. Absent when the label sets none.
pub fn area_season_limit_ul(label: &Label, area_m2: i64) -> Option<Ul> {
    let share = |per_hectare: i64| i128::from(per_hectare) * i128::from(area_m2.max(0)) / 10_000;
    let product =
        label.area_season_max_ul_per_ha.map(|most| Ul(i64::try_from(share(most.0)).unwrap_or(i64::MAX)));
    let by_ingredient = label
        .active_ingredients
        .iter()
        .filter_map(|a| a.area_season_max_ug_per_ha.map(|most| product_holding(share(most), a.ug_per_ml)));
    product.into_iter().chain(by_ingredient).min()
}

/// Whether a label has a limit per hectare and season, in product or in an active ingredient.
pub fn limits_area(label: &Label) -> bool {
    label.area_season_max_ul_per_ha.is_some()
        || label.active_ingredients.iter().any(|a| a.area_season_max_ug_per_ha.is_some())
}

/// Whether a label has a limit for a season, per tree or per hectare.
pub fn limits_season(label: &Label) -> bool {
    label.tree_season_max_ul.is_some()
        || season_rate(label).is_some()
        || label.active_ingredients.iter().any(|a| a.tree_season_max_ug.is_some())
        || limits_area(label)
}

/// The volume of product that holds `ug` of an ingredient, rounded down; none at all when the
/// strength is no strength, so that a broken label limits rather than frees.
fn product_holding(ug: i128, ug_per_ml: i64) -> Ul {
    if ug_per_ml <= 0 {
        return Ul::ZERO;
    }
    Ul(i64::try_from(ug.max(0) * 1_000 / i128::from(ug_per_ml)).unwrap_or(i64::MAX))
}

/// Whether a label allows a species ([`covers_species`]).
pub fn allows_species(label: &Label, species: &str) -> bool {
    label.species.iter().any(|code| covers_species(code, species))
}

/// Whether a code covers a species: its own, or a genus code `1XXXG` whose three letters begin the
/// species code (EPPO: genus codes begin with a digit and end in G).
pub fn covers_species(code: &str, species: &str) -> bool {
    code == species
        || (code.len() == 5
            && code.starts_with('1')
            && code.ends_with('G')
            && species.len() == 5
            && code.get(1..4).is_some_and(|genus| species.starts_with(genus)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dosing::invented::ash_label;
    use crate::quantity::UlPerM;

    /// 400 mg at 3 mg/mL are 133.333… mL, 2 g per hectare on 5 000 m² at 3 mg/mL 333.333… mL (arithmetic).
    #[test]
    fn the_least_of_the_labels_limits_holds_and_is_rounded_down() {
        let mut label = ash_label();
        label.tree_season_max_ul = Some(Ul(200_000));
        label.tree_season_max_ul_per_m = Some(UlPerM(500_000));
        label.active_ingredients[0].ug_per_ml = 3_000;
        label.active_ingredients[0].tree_season_max_ug = Some(400_000);
        label.active_ingredients[0].area_season_max_ug_per_ha = Some(2_000_000);
        label.area_season_max_ul_per_ha = Some(Ul(700_000));
        assert_eq!(season_limit_ul(&label, &[Um(300_000)]), Some(Ul(133_333)));
        assert_eq!(season_limit_ul(&label, &[Um(200_000)]), Some(Ul(100_000)));
        assert_eq!(area_season_limit_ul(&label, 5_000), Some(Ul(333_333)));
        label.active_ingredients[0].tree_season_max_ug = None;
        label.active_ingredients[0].area_season_max_ug_per_ha = None;
        assert_eq!(season_limit_ul(&label, &[Um(800_000)]), Some(Ul(200_000)));
        assert_eq!(area_season_limit_ul(&label, 5_000), Some(Ul(350_000)));
    }

    #[test]
    fn a_limit_that_cannot_be_worked_out_allows_nothing() {
        let mut label = ash_label();
        label.active_ingredients[0].ug_per_ml = 0;
        label.active_ingredients[0].tree_season_max_ug = Some(1);
        assert_eq!(season_limit_ul(&label, &[Um(300_000)]), Some(Ul::ZERO));
        label.active_ingredients[0].ug_per_ml = 1;
        label.active_ingredients[0].tree_season_max_ug = Some(i64::MAX);
        label.active_ingredients[0].area_season_max_ug_per_ha = Some(i64::MAX);
        label.tree_season_max_ul = None;
        label.tree_season_max_ul_per_m = None;
        label.area_season_max_ul_per_ha = None;
        assert_eq!(season_limit_ul(&label, &[Um(i64::MAX), Um(i64::MAX)]), Some(Ul(i64::MAX)));
        assert_eq!(area_season_limit_ul(&label, i64::MAX), Some(Ul(i64::MAX)));
    }

    #[test]
    fn a_label_with_one_rate_gives_one_dose_at_every_diameter() {
        let mut label = ash_label();
        label.rates[0].min_ul_per_m = UlPerM(240_000);
        label.rates[0].max_ul_per_m = UlPerM(240_000);
        for diameter in [100_001, 299_003, 1_000_000] {
            let dose = dose_for(&label, "preventive", Um(diameter)).unwrap();
            assert_eq!((dose.min_ul, dose.target_ul), (dose.max_ul, dose.max_ul));
        }
    }
}
