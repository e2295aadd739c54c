//! Labels that close, and every way in which one may not.

use proptest::prelude::*;

use super::*;
use crate::dosing::invented::{ash_label, confirmation_of, hemlock_label, template};
use crate::quantity::UlPerM;
use crate::record::label::{ClosedSeason, PerInch};

fn problems_of(change: impl FnOnce(&mut Label)) -> Vec<LabelProblem> {
    let mut label = ash_label();
    change(&mut label);
    validate(&label)
}

#[test]
fn the_invented_labels_close() {
    assert_eq!(validate(&ash_label()), vec![]);
    assert_eq!(validate(&hemlock_label()), vec![]);
}

#[test]
fn an_empty_template_is_refused() {
    assert!(validate(&template()).iter().any(LabelProblem::blocks));
}

#[test]
fn a_figure_in_a_wrong_unit_is_named() {
    let all = [
        problems_of(|l| l.holes.bit_um = Um(60_000)),
        problems_of(|l| l.conditions.air_max_mc = Some(crate::quantity::MilliCelsius(90_000))),
        problems_of(|l| l.rates[0].max_ul_per_m = UlPerM(240_000_000)),
        problems_of(|l| l.charges.most_per_hole_ul = Ul(0)),
        problems_of(|l| l.interval_days = Some(-1)),
        problems_of(|l| l.holes.spacing_um = Um(i64::MIN)),
        problems_of(|l| l.active_ingredients[0].ug_per_ml = i64::MAX),
    ];
    for problems in all {
        assert!(problems.iter().any(|p| matches!(p, LabelProblem::OutOfRange { .. })), "{problems:?}");
        assert!(problems.iter().any(LabelProblem::blocks));
    }
}

#[test]
fn least_usual_and_most_must_stand_in_order() {
    let problems = problems_of(|l| l.rates[0].min_ul_per_m = UlPerM(250_000));
    assert!(problems.iter().any(|p| matches!(p, LabelProblem::Order { .. })), "{problems:?}");
    let problems = problems_of(|l| l.holes.depth_min_um = Um(30_000));
    assert_eq!(problems[0].to_string(), "the least depth must not be more than the greatest depth");
}

#[test]
fn gaps_and_overlaps_between_classes_are_found_whatever_their_order() {
    let row = |from, below: Option<i64>| RateRow {
        from_um: Um(from),
        below_um: below.map(Um),
        ..ash_label().rates[0].clone()
    };
    let of = |rows: Vec<RateRow>| problems_of(|l| l.rates = rows);
    assert_eq!(
        of(vec![row(500_000, None), row(100_000, Some(400_000))]),
        [LabelProblem::Gap { purpose: "preventive".into(), from_um: Um(400_000), below_um: Um(500_000) }]
    );
    assert_eq!(
        of(vec![row(100_000, Some(400_000)), row(300_000, None)]),
        [LabelProblem::Overlap {
            purpose: "preventive".into(),
            from_um: Um(300_000),
            below_um: Some(Um(400_000))
        }]
    );
    let open = of(vec![row(100_000, None), row(300_000, None)]);
    assert!(matches!(open[..], [LabelProblem::Overlap { below_um: None, .. }]), "{open:?}");
    assert!(of(vec![row(100_000, Some(300_000)), row(300_000, None)]).is_empty());
    let late = of(vec![row(200_000, None)]);
    assert!(matches!(late[..], [LabelProblem::Gap { from_um: Um(100_000), .. }]), "{late:?}");
}

#[test]
fn two_spellings_of_one_purpose_are_refused() {
    let mut label = ash_label();
    let mut second = label.rates[0].clone();
    second.purpose = "Preventive ".into();
    label.rates.push(second);
    assert!(validate(&label).iter().any(|p| matches!(p, LabelProblem::PurposeSpelling { .. })));
}

#[test]
fn codes_have_the_form_of_eppo_codes() {
    for good in ["FRXAM", "1FRXG", "TSUHE", "1QUEG"] {
        assert!(entry::plant_code(good), "{good}");
    }
    for bad in ["ash", "frxam", "FRXA", "AGRLPL", "FRX M", "2FRXG", "", "ÄÖÜ"] {
        assert!(!entry::plant_code(bad), "{bad}");
    }
    for good in ["AGRLPL", "ADLGTS", "LYCMDE"] {
        assert!(entry::pest_code(good), "{good}");
    }
    assert!(!entry::pest_code("borers"));
}

#[test]
fn a_closed_season_needs_two_days_of_the_year() {
    for bad in ["4-10", "02-30", "13-01", "04/10", "", "04-10-", "０4-10"] {
        let problems = problems_of(|l| {
            l.conditions.closed = vec![ClosedSeason {
                from: bad.into(),
                to: "05-20".into(),
                species: vec![],
                why: "bees".into(),
            }];
        });
        assert!(problems.iter().any(|p| matches!(p, LabelProblem::NotADay { .. })), "{bad}");
    }
    assert_eq!(entry::day_of_year("02-29"), Some((2, 29)));
}

/// By hand: with 1.6 mL per cm least, holes 12 cm apart and 5 mL a hole, one turn of n holes holds
/// 5n mL; a stem of 15.3 cm has 4 holes (girth 48.07 cm) and needs 24.48 mL, a stem of 15.2 cm has
/// 3 (47.75 cm) and needs 24.32 mL.
#[test]
fn diameters_that_cannot_hold_their_least_dose_are_listed() {
    let problems = problems_of(|l| l.charges.most_per_hole_ul = Ul(5_000));
    let [LabelProblem::TurnTooSmall { needed_ul, .. }, LabelProblem::CannotHold { diameters_um, .. }] =
        &problems[..]
    else {
        panic!("{problems:?}")
    };
    // 2.4 × 12 ÷ π = 9.167 mL (computed from the definition).
    assert_eq!(*needed_ul, Ul(9_167));
    assert_eq!(diameters_um[..], [(Um(100_000), Um(2_500_001))]);
    assert!(!problems.iter().any(LabelProblem::blocks));
}

#[test]
fn a_limit_on_holes_leaves_out_thick_stems() {
    // 10 holes of 10 mL hold 100 mL, the least dose at 62.5 cm.
    let problems = problems_of(|l| l.holes.most_holes = Some(10));
    let Some(LabelProblem::CannotHold { diameters_um, .. }) = problems.first() else {
        panic!("{problems:?}")
    };
    assert_eq!(diameters_um[..], [(Um(625_001), Um(2_500_001))]);
}

#[test]
fn a_season_limit_below_the_least_dose_is_told() {
    // 80 mL ÷ 1.6 mL per cm = 50 cm.
    let problems = problems_of(|l| l.tree_season_max_ul = Some(Ul(80_000)));
    assert_eq!(problems, [LabelProblem::SeasonLimit { purpose: "preventive".into(), above_um: Um(500_000) }]);
}

#[test]
fn a_second_reading_confirms_only_what_it_finds_the_same() {
    let id = "017f22e2-79b0-7cc3-98c4-dc0c0c07398f".parse().unwrap();
    for label in [ash_label(), hemlock_label()] {
        let good = confirmation_of(&label, id);
        assert_eq!(confirmation_problems(&label, &good), vec![]);

        let mut rate = good.clone();
        rate.rates[0].max_ul_per_m.0 += 100;
        let found = confirmation_problems(&label, &rate);
        assert!(
            matches!(
                found[..],
                [ConfirmationProblem::NotReentered { .. }, ConfirmationProblem::NotInLabel { .. }]
            ),
            "{found:?}"
        );

        // The second person is shown their own rate, and of the entry's no figure.
        let words: Vec<String> = found.iter().map(ConfirmationProblem::without_the_entry).collect();
        let (theirs, entry) = (row_in_words(&rate.rates[0]), row_in_words(&label.rates[0]));
        assert!(words[1].contains(&theirs) && found[0].to_string().contains(&entry), "{found:?}");
        assert!(words.iter().all(|w| !w.contains(&entry) || theirs == entry), "{words:?}");

        let mut dose = good.clone();
        dose.worked[0].dose_ul.0 += 1;
        let found = confirmation_problems(&label, &dose);
        assert!(matches!(found[..], [ConfirmationProblem::DoseDiffers { .. }]));
        let entry = decimal(good.worked[0].dose_ul.0, 1_000, 3);
        assert!(found[0].to_string().contains(&entry) && !found[0].without_the_entry().contains(&entry));

        // A rate per inch, worked by hand at 12 in: 6 · 12 = 72 mL, 71.999 by the record's rounded rate.
        let mut inch = label.clone();
        inch.rates.truncate(1);
        inch.rates[0] = RateRow {
            from_um: Um(0),
            below_um: None,
            usual_ul_per_m: crate::quantity::UlPerM(236_220),
            max_ul_per_m: crate::quantity::UlPerM(236_220),
            per_inch: None,
            ..inch.rates[0].clone()
        };
        let by_hand = |dose: i64| WorkedDose {
            purpose: inch.rates[0].purpose.clone(),
            diameter_um: Um(304_800),
            dose_ul: Ul(dose),
        };
        let differs = |dose: i64| super::differs(&inch, &by_hand(dose)).is_some();
        assert_eq!([71_998, 71_999, 72_000, 72_001].map(differs), [true, false, false, true]);

        let mut few = good.clone();
        few.worked.retain(|w| w.diameter_um == good.worked[0].diameter_um);
        assert!(confirmation_problems(&label, &few).contains(&ConfirmationProblem::TooFewWorked(1)));

        let mut order = good.clone();
        order.rates.reverse();
        assert_eq!(confirmation_problems(&label, &order), vec![]);

        // Kept as printed, per inch: 72 mL and nothing else; a re-entry per metre says the same.
        let mut printed = inch.clone();
        let per_inch = |ul| PerInch { min_ul: Ul(4_100), usual_ul: Ul(ul), max_ul: Ul(ul) };
        printed.rates[0].per_inch = Some(per_inch(6_000));
        printed.rates[0].min_ul_per_m = printed.rates[0].rates()[0].rounded();
        let differs = |dose: i64| super::differs(&printed, &by_hand(dose)).is_some();
        assert_eq!([71_999, 72_000, 72_001].map(differs), [true, false, true]);
        let mut rounded = printed.rates[0].clone();
        rounded.per_inch = None;
        assert!(printed.rates[0].says_the_same(&rounded) && rounded.says_the_same(&printed.rates[0]));
        let other = RateRow { per_inch: Some(per_inch(6_001)), ..rounded };
        assert!(!other.says_the_same(&printed.rates[0]));
    }
}

fn any_i64() -> impl Strategy<Value = i64> {
    prop_oneof![any::<i64>(), -10i64..1_000_000, Just(0), Just(i64::MAX), Just(i64::MIN)]
}

proptest! {
    /// A label from outside may hold any integer and any text.
    #[test]
    fn no_label_however_wrong_panics(numbers in proptest::collection::vec(any_i64(), 20), text in ".{0,8}") {
        let n = |i: usize| numbers[i];
        let mut label = ash_label();
        label.species = vec![text.clone(), "1FRXG".into()];
        label.rates.push(RateRow {
            purpose: text.clone(),
            from_um: Um(n(0)),
            below_um: Some(Um(n(1))),
            min_ul_per_m: UlPerM(n(2)),
            usual_ul_per_m: UlPerM(n(3)),
            max_ul_per_m: UlPerM(n(4)),
            per_inch: None,
        });
        label.smallest_diameter_um = Um(n(5));
        label.holes.spacing_um = Um(n(6));
        label.holes.most_holes = Some(n(7));
        label.charges.most_per_hole_ul = Ul(n(8));
        label.tree_season_max_ul = Some(Ul(n(9)));
        label.conditions.closed[0].from = text.clone();
        label.active_ingredients[0].tree_season_max_ug = Some(n(10));
        for problem in validate(&label) {
            prop_assert!(!problem.to_string().is_empty());
        }
    }

    /// The list of diameters that cannot hold their dose against every diameter tried one by one.
    #[test]
    fn the_diameters_listed_are_exactly_those_that_cannot_hold_their_dose(
        min in 50_000i64..250_000,
        spacing in 50_000i64..200_000,
        most in 2_000i64..12_000,
        at in 100_000i64..2_500_000,
        limit in proptest::option::of(1i64..60),
    ) {
        let mut label = ash_label();
        label.rates[0].min_ul_per_m = UlPerM(min);
        label.rates[0].usual_ul_per_m = UlPerM(min);
        label.rates[0].max_ul_per_m = UlPerM(min + 50_000);
        label.holes.spacing_um = Um(spacing);
        label.holes.most_holes = limit;
        label.charges.most_per_hole_ul = Ul(most);
        label.tree_season_max_ul = None;
        let problems = validate(&label);
        let listed = problems.iter().find_map(|p| match p {
            LabelProblem::CannotHold { diameters_um, .. } => Some(diameters_um.clone()),
            _ => None,
        }).unwrap_or_default();
        let dose = dose_for(&label, "preventive", Um(at)).unwrap();
        let held = holes_in_a_turn(girth_of_diameter(Um(at)), &label.holes) * most;
        let inside = listed.iter().any(|(from, below)| (from.0..below.0).contains(&at));
        // The last of eight ranges covers all that follow it, so it may hold diameters that close.
        let last = listed.len() == 8 && listed.last().is_some_and(|(from, _)| from.0 <= at);
        prop_assert!(inside == (dose.min_ul.0 > held) || (last && inside), "{at} {listed:?}");
    }
}
