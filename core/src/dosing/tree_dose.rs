//! The doses of a whole tree: forked stems as the label has it, and the label's limit per tree and season.

use serde::Serialize;

use crate::dosing::dose::{DoseError, StemDose, dose_for, season_limit_ul};
use crate::dosing::stem::combined;
use crate::quantity::{Ul, Um};
use crate::record::label::{ForkedRule, Label};

/// What a label allows for a tree.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct TreeDose {
    /// For each stem in the order given, its dose or why it gets none.
    pub stems: Vec<Result<StemDose, TreeDoseError>>,
    /// The label's limit per tree and season, when it is what holds the doses down.
    pub held_to_ul: Option<Ul>,
}

/// Why a stem gets no dose. Each of these stops the treatment of that stem.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum TreeDoseError {
    /// Not measured yet.
    #[error("stem {0} has no diameter: measure it first")]
    NotMeasured(usize),
    /// One of the stems a combined dose needs is not measured.
    #[error("the label asks for all stems together, and stem {0} has no diameter: measure it first")]
    NotAllMeasured(usize),
    /// The label's limit per tree is shared by all stems, and one of them is not measured.
    #[error(
        "the label's limit per tree and season is shared by all stems, and stem {0} has no diameter: measure it first"
    )]
    SharedLimit(usize),
    /// The label does not say how forked trees are dosed.
    #[error("the label does not say how a tree with {0} stems is dosed: do not treat it under this label")]
    ForkedSilent(usize),
    /// The label gives no dose.
    #[error(transparent)]
    Dose(#[from] DoseError),
    /// What the label's limit per tree and season leaves is less than a treatment.
    #[error(
        "the label's limit leaves {} mL for this stem this season, less than the least dose of {} mL: leave it",
        .left.ml_exact(),
        .least.ml_exact()
    )]
    SeasonLimit {
        /// What is left for this stem.
        left: Ul,
        /// The least dose.
        least: Ul,
    },
}

impl Serialize for TreeDoseError {
    /// As its message.
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

/// The dose of every stem of a tree, after `already` was discharged at it this season.
///
/// Stems forking below breast height are dosed apart. Only where the label asks for it, the dose
/// comes from √Σd² ([`combined`]) and is shared out by diameter: maxima rounded down, minima up. If
/// the maxima together pass the label's limit per tree and season ([`season_limit_ul`]) less
/// `already`, that limit is shared out by diameter too, rounded down. No stem ever gets more than
/// its own share.
pub fn tree_dose(label: &Label, purpose: &str, diameters: &[Option<Um>], already: Ul) -> TreeDose {
    let known: Vec<Um> = diameters.iter().flatten().copied().collect();
    let mut stems: Vec<Result<StemDose, TreeDoseError>> = match (diameters.len(), label.forked) {
        (0 | 1, _) | (_, ForkedRule::EachStem) => {
            diameters.iter().enumerate().map(|(i, d)| apart(label, purpose, i, *d)).collect()
        }
        (count, ForkedRule::Silent) => vec![Err(TreeDoseError::ForkedSilent(count)); count],
        (count, ForkedRule::Combined) => match diameters.iter().position(Option::is_none) {
            Some(missing) => vec![Err(TreeDoseError::NotAllMeasured(missing + 1)); count],
            None => together(label, purpose, &known),
        },
    };
    let limit = season_limit_ul(label, &known).map(|l| Ul(l.0.saturating_sub(already.0.max(0)).max(0)));
    if let (Some(_), true, Some(missing)) =
        (limit, diameters.len() > 1, diameters.iter().position(Option::is_none))
    {
        for stem in stems.iter_mut().filter(|s| s.is_ok()) {
            *stem = Err(TreeDoseError::SharedLimit(missing + 1));
        }
    }
    let most: Ul = stems.iter().flatten().map(|s| s.max_ul).sum();
    let held_to_ul = limit.filter(|l| *l < most);
    if let Some(limit) = held_to_ul {
        let dosed: i128 = stems.iter().flatten().map(|s| i128::from(s.diameter_um.0)).sum();
        for stem in &mut stems {
            let Ok(dose) = stem else { continue };
            let left = share(limit, dose.diameter_um, dosed);
            match hold(dose, left) {
                Some(held) => *dose = held,
                None => *stem = Err(TreeDoseError::SeasonLimit { left, least: dose.min_ul }),
            }
        }
    }
    TreeDose { stems, held_to_ul }
}

fn apart(
    label: &Label,
    purpose: &str,
    index: usize,
    diameter: Option<Um>,
) -> Result<StemDose, TreeDoseError> {
    let diameter = diameter.ok_or(TreeDoseError::NotMeasured(index + 1))?;
    Ok(dose_for(label, purpose, diameter)?)
}

fn together(label: &Label, purpose: &str, diameters: &[Um]) -> Vec<Result<StemDose, TreeDoseError>> {
    if let Some(bad) = diameters.iter().find(|d| d.0 <= 0) {
        return vec![Err(DoseError::NotADiameter(*bad).into()); diameters.len()];
    }
    let whole = match dose_for(label, purpose, combined(diameters)) {
        Ok(whole) => whole,
        Err(error) => return vec![Err(error.into()); diameters.len()],
    };
    let all: i128 = diameters.iter().map(|d| i128::from(d.0)).sum();
    let stem = |diameter: &Um| {
        let max_ul = share(whole.max_ul, *diameter, all);
        let min_ul = share_up(whole.min_ul, *diameter, all);
        // One rate for all makes least and most one figure: what rounding sets apart is no contradiction.
        let min_ul = if min_ul.0 - max_ul.0 == 1 && whole.min_ul == whole.max_ul { max_ul } else { min_ul };
        if min_ul > max_ul {
            let (purpose, diameter_um) = (whole.purpose.clone(), *diameter);
            return Err(DoseError::Contradiction { purpose, diameter_um }.into());
        }
        let target_ul = share(whole.target_ul, *diameter, all).clamp(min_ul, max_ul);
        Ok(StemDose { purpose: whole.purpose.clone(), diameter_um: *diameter, min_ul, target_ul, max_ul })
    };
    diameters.iter().map(stem).collect()
}

fn hold(dose: &StemDose, left: Ul) -> Option<StemDose> {
    let max_ul = dose.max_ul.min(left);
    (dose.min_ul <= max_ul).then(|| StemDose {
        max_ul,
        target_ul: dose.target_ul.min(max_ul),
        ..dose.clone()
    })
}

/// `volume` × `part` ÷ `all`, rounded down.
fn share(volume: Ul, part: Um, all: i128) -> Ul {
    let product = i128::from(volume.0) * i128::from(part.0);
    Ul(i64::try_from(product / all.max(1)).unwrap_or(i64::MAX))
}

fn share_up(volume: Ul, part: Um, all: i128) -> Ul {
    let product = i128::from(volume.0) * i128::from(part.0);
    Ul(i64::try_from((product + all.max(1) - 1) / all.max(1)).unwrap_or(i64::MAX))
}

/// The invented label of the example records: 2.0 to 2.4 mL per cm of 10 to 60 cm, 150 mL per tree.
#[cfg(test)]
pub(crate) fn invented_label() -> Label {
    let text = include_str!("../../../schemas/examples/accepted/label.json").trim_end();
    match crate::record::Record::read(text).unwrap().body {
        crate::record::Body::Label(label) => *label,
        _ => unreachable!("the example is a label"),
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn cm(tenths: &[i64]) -> Vec<Option<Um>> {
        tenths.iter().map(|t| Some(Um(t * 1_000))).collect()
    }

    fn label(forked: ForkedRule) -> Label {
        let mut label = Label { forked, tree_season_max_ul: None, ..invented_label() };
        label.active_ingredients[0].tree_season_max_ug = None;
        label
    }

    #[test]
    fn a_fork_is_dosed_apart_together_or_not_at_all_as_the_label_says() {
        let stems = cm(&[300, 400]);
        let apart = tree_dose(&label(ForkedRule::EachStem), "preventive", &stems, Ul(0));
        let targets =
            |d: &TreeDose| -> Vec<i64> { d.stems.iter().flatten().map(|s| s.target_ul.0).collect() };
        assert_eq!(targets(&apart), [72_000, 96_000]);
        // √(30² + 40²) = 50 cm, so 120 mL in all, shared 3 : 4 and rounded down.
        let together = tree_dose(&label(ForkedRule::Combined), "preventive", &stems, Ul(0));
        assert_eq!(targets(&together), [51_428, 68_571]);
        let silent = tree_dose(&label(ForkedRule::Silent), "preventive", &stems, Ul(0));
        assert_eq!(silent.stems, vec![Err(TreeDoseError::ForkedSilent(2)); 2]);
        assert!(tree_dose(&label(ForkedRule::Silent), "preventive", &stems[..1], Ul(0)).stems[0].is_ok());
    }

    /// One rate of 2.4 mL per cm over √(30² + 41²) = 50.80 cm shares out with remainders: rounding never stops it.
    #[test]
    fn a_label_of_one_rate_is_shared_out_over_stems_too() {
        let mut label = label(ForkedRule::Combined);
        for row in &mut label.rates {
            (row.min_ul_per_m, row.max_ul_per_m) = (row.usual_ul_per_m, row.usual_ul_per_m);
        }
        let stems = cm(&[300, 410]);
        let dose = tree_dose(&label, "preventive", &stems, Ul(0));
        let shared: Vec<Ul> = dose.stems.iter().map(|s| s.as_ref().unwrap().max_ul).collect();
        let whole = dose_for(&label, "preventive", combined(&[Um(300_000), Um(410_000)])).unwrap();
        let sum = shared.iter().copied().sum::<Ul>();
        assert!(sum <= whole.max_ul && sum.0 >= whole.max_ul.0 - 1, "{sum:?} of {:?}", whole.max_ul);
    }

    #[test]
    fn an_unmeasured_stem_stops_itself_or_all_that_share_a_dose() {
        let stems = [Some(Um(300_000)), None];
        let apart = tree_dose(&label(ForkedRule::EachStem), "preventive", &stems, Ul(0));
        assert!(apart.stems[0].is_ok());
        assert_eq!(apart.stems[1], Err(TreeDoseError::NotMeasured(2)));
        let together = tree_dose(&label(ForkedRule::Combined), "preventive", &stems, Ul(0));
        assert_eq!(together.stems, vec![Err(TreeDoseError::NotAllMeasured(2)); 2]);
        assert!(tree_dose(&label(ForkedRule::EachStem), "preventive", &[], Ul(0)).stems.is_empty());
    }

    #[test]
    fn the_limit_per_tree_and_season_is_shared_and_never_passed() {
        let label = Label { tree_season_max_ul: Some(Ul(150_000)), ..label(ForkedRule::EachStem) };
        let dose = tree_dose(&label, "preventive", &cm(&[350, 350]), Ul(0));
        assert_eq!(dose.held_to_ul, Some(Ul(150_000)));
        let most: Vec<i64> = dose.stems.iter().flatten().map(|s| s.max_ul.0).collect();
        assert_eq!(most, [75_000, 75_000]);
        let after = tree_dose(&label, "preventive", &cm(&[350, 350]), Ul(20_000));
        assert_eq!(after.stems[0], Err(TreeDoseError::SeasonLimit { left: Ul(65_000), least: Ul(70_000) }));
    }

    /// What a stem measured later may get cannot be given away before.
    #[test]
    fn where_stems_share_a_limit_all_are_measured_before_one_is_dosed() {
        let label = Label { tree_season_max_ul: Some(Ul(150_000)), ..label(ForkedRule::EachStem) };
        let dose = tree_dose(&label, "preventive", &[Some(Um(500_000)), None], Ul(0));
        assert_eq!(dose.stems, [Err(TreeDoseError::SharedLimit(2)), Err(TreeDoseError::NotMeasured(2))]);
    }

    /// 150 mg at 1 mg/mL are 150 mL of product (arithmetic).
    #[test]
    fn the_limit_of_an_active_ingredient_holds_a_tree_down_like_one_of_product() {
        let mut label = label(ForkedRule::EachStem);
        label.active_ingredients[0].tree_season_max_ug = Some(150_000);
        let dose = tree_dose(&label, "preventive", &cm(&[350, 350]), Ul(0));
        assert_eq!(dose.held_to_ul, Some(Ul(150_000)));
        assert_eq!(dose.stems.iter().flatten().map(|s| s.max_ul).sum::<Ul>(), Ul(150_000));
    }

    proptest! {
        #[test]
        fn no_stem_or_tree_is_ever_given_more_than_the_label_allows(
            stems in prop::collection::vec(prop::option::of(prop_oneof![any::<i64>(), 0i64..2_600_000]), 0..5),
            already in any::<i64>(),
            rule in prop::sample::select(vec![ForkedRule::EachStem, ForkedRule::Combined, ForkedRule::Silent]),
            limit in prop::option::of(prop_oneof![any::<i64>(), 0i64..300_000]),
        ) {
            let diameters: Vec<Option<Um>> = stems.into_iter().map(|d| d.map(Um)).collect();
            let label = Label { tree_season_max_ul: limit.map(Ul), ..label(rule) };
            let dose = tree_dose(&label, "preventive", &diameters, Ul(already));
            prop_assert_eq!(dose.stems.len(), diameters.len());
            let most: Ul = dose.stems.iter().flatten().map(|s| s.max_ul).sum();
            for (stem, diameter) in dose.stems.iter().zip(&diameters) {
                let Ok(stem) = stem else { continue };
                prop_assert!(0 < stem.min_ul.0 && stem.min_ul <= stem.target_ul && stem.target_ul <= stem.max_ul);
                prop_assert!(stem.max_ul <= dose_for(&label, "preventive", diameter.unwrap()).map_or(stem.max_ul, |d| d.max_ul));
            }
            if let Some(limit) = limit {
                prop_assert!(most.0 == 0 || most.0 <= limit.saturating_sub(already.max(0)));
            }
        }
    }
}
