//! Layouts: count, offset, band, exclusions, mirror and rotation, hostile figures.

use proptest::prelude::*;

use super::*;
use crate::dosing::invented::ash_label;
use crate::quantity::Ul;

fn rules() -> HoleRules {
    ash_label().holes
}

fn request(rules: &HoleRules, diameter: i64, holes: usize) -> LayoutRequest<'_> {
    LayoutRequest {
        rules,
        holes,
        diameter_um: Um(diameter),
        band_low_girth_um: None,
        band_high_girth_um: None,
        bark_um: Some(Um(8_000)),
        mark: Some(ReferenceMark::North),
        damage: &[],
        earlier: &[],
        clearance_um: rules.spacing_um,
        past_clearance_um: rules.spacing_um,
    }
}

fn damage(what: DamageKind, from: i64, to: i64) -> Damage {
    Damage { stem: 1, what, from_um: Um(from), to_um: Um(to) }
}

/// By hand: 59.3 cm of diameter are 186.3 cm of girth; 15 holes stand 12.42 cm apart.
#[test]
fn the_plain_instruction_comes_first() {
    let rules = rules();
    let layout = plan(&request(&rules, 593_000, 15)).unwrap();
    assert_eq!(layout.instruction, "15 holes, one every 12.4 cm, from 10 to 28 cm");
    assert_eq!(layout.fits, 15);
    assert_eq!(
        layout.depth_text(Scale::Cm),
        "6.0 mm bit, 15.0 to 25.0 mm into sapwood: with 8.0 mm of bark, 23.0 to 33.0 mm from the outside"
    );
    let text = layout.text(Scale::Cm, &[], "");
    assert!(text.starts_with("15 holes, one every 12.4 cm, from 10 to 28 cm.\n"), "{text}");
    assert!(text.contains("\n   1       0.0       10.0\n"), "{text}");
    assert!(text.ends_with("\n  15     173.9       28.0"), "{text}");
}

/// By hand: 186.3 cm of girth in 15 are 4.889 in, 4 14/16 rounded down; 10 cm are 3.9370 in,
/// just under 3 15/16, 28 cm 11 in and 0.4 sixteenths. A spacing of 12 cm is 4.7244 in, 4.725 at the least.
#[test]
fn a_crew_with_a_tape_in_inches_is_told_in_inches() {
    let rules = rules();
    let layout = plan(&request(&rules, 593_000, 15)).unwrap();
    assert_eq!(layout.instruction_in(Scale::In), "15 holes, one every 4 7/8 in, from 3 15/16 to 11 in");
    let text = layout.text(Scale::In, &[], "");
    assert!(text.contains("\nhole    arc in  height in\n   1         0    3 15/16\n"), "{text}");
    let short = plan(&request(&rules, 593_000, 20)).unwrap();
    let said = short.instruction_in(Scale::In);
    assert!(said.starts_with("Only 15 of 20 holes fit 4.725 in apart: never closer."), "{said}");
}

#[test]
fn what_does_not_fit_is_said_and_not_crowded_in() {
    let rules = rules();
    let layout = plan(&request(&rules, 593_000, 20)).unwrap();
    assert!(layout.short());
    assert_eq!(layout.holes.len(), 15);
    assert_eq!(
        layout.instruction,
        "Only 15 of 20 holes fit 12 cm apart: never closer. Take a lesser dose within the label for 15, or leave the stem"
    );
    // A girth less than one spacing has room for one hole.
    let small = plan(&LayoutRequest { bark_um: None, ..request(&rules, 35_000, 3) }).unwrap();
    assert_eq!((small.fits, small.holes.len()), (1, 1));
    let limited = HoleRules { most_holes: Some(6), ..rules };
    assert_eq!(plan(&request(&limited, 593_000, 15)).unwrap().holes.len(), 6);
}

/// By hand: girth 100 cm, an arc of 40 cm left out and half a bit (3 mm) at either side, leaves
/// 59.4 cm: holes at its ends and every 12 cm are 5, the ends 40.6 cm apart the other way.
#[test]
fn a_wound_is_left_out_with_half_a_bit_to_either_side() {
    let rules = rules();
    let wound = [damage(DamageKind::Wound, 300_000, 700_000)];
    let layout = plan(&LayoutRequest { damage: &wound, ..request(&rules, 318_310, 8) }).unwrap();
    assert_eq!(layout.fits, 5);
    // Four gaps in 594 mm, as far apart as they can be.
    assert_eq!(layout.offset_um, Um(148_500));
    for hole in &layout.holes {
        assert!(hole.arc_um.0 <= 297_000 || hole.arc_um.0 >= 703_000, "{hole:?}");
    }
}

#[test]
fn earlier_holes_keep_the_spacing_to_either_side() {
    let rules = rules();
    let earlier: Vec<EarlierHole> = (0..8)
        .map(|i| EarlierHole { arc_um: Um(i * 125_000), height_um: Um(200_000), past: true, girth_um: None })
        .collect();
    let at = |clearance: i64| {
        plan(&LayoutRequest {
            earlier: &earlier,
            past_clearance_um: Um(clearance),
            ..request(&rules, 318_310, 8)
        })
    };
    // Eight holes 12.5 cm apart leave no place 12 cm from all of them …
    assert_eq!(at(120_000), Err(LayoutError::AllExcluded));
    // … and half way between them where the label asks for less.
    let between = at(62_000).unwrap();
    assert_eq!(between.fits, 8);
    for hole in &between.holes {
        assert!((hole.arc_um.0 % 125_000 - 62_500).abs() <= 501, "{hole:?}");
    }
    // A label's lesser offset is for holes of earlier seasons, never for this season's.
    let ours: Vec<EarlierHole> =
        earlier.iter().map(|h| EarlierHole { past: false, girth_um: None, ..*h }).collect();
    let near = LayoutRequest { earlier: &ours, past_clearance_um: Um(62_000), ..request(&rules, 318_310, 8) };
    assert_eq!(plan(&near), Err(LayoutError::AllExcluded));
}

#[test]
fn offsets_hold_at_the_thinnest_girth_and_arcs_are_given_at_each_height() {
    let rules = rules();
    let tapered = LayoutRequest {
        band_low_girth_um: Some(Um(1_300_000)),
        band_high_girth_um: Some(Um(1_100_000)),
        ..request(&rules, 318_310, 20)
    };
    let layout = plan(&tapered).unwrap();
    assert_eq!((layout.girth_um, layout.fits), (Um(1_100_000), 9));
    let last = layout.holes.last().unwrap();
    assert_eq!(last.height_um, Um(280_000));
    assert_eq!(last.arc_um, Um(1_100_000 * 8 / 9));
    for pair in layout.holes.windows(2) {
        let offset = (pair[1].angle_mdeg - pair[0].angle_mdeg) * 1_100_000 / 360_000;
        assert!(offset >= 120_000, "{pair:?}");
    }
    let wrong = LayoutRequest { band_low_girth_um: Some(Um(318_310)), ..request(&rules, 318_310, 3) };
    assert!(matches!(plan(&wrong), Err(LayoutError::Girths { at: "bottom", .. })));
}

#[test]
fn figures_that_no_trunk_or_label_has_are_named() {
    let good = rules();
    for diameter in [0, -1, i64::MIN, i64::MAX, 2_500_001] {
        assert!(matches!(plan(&request(&good, diameter, 3)), Err(LayoutError::NotADiameter(_))));
    }
    for holes in [0, 401, usize::MAX] {
        assert_eq!(plan(&request(&good, 300_000, holes)), Err(LayoutError::Count(holes)));
    }
    let broken = [
        HoleRules { spacing_um: Um(0), ..good.clone() },
        HoleRules { spacing_um: Um(i64::MAX), ..good.clone() },
        HoleRules { bit_um: Um(-1), ..good.clone() },
        HoleRules { band_low_um: Um(300_000), ..good.clone() },
        HoleRules { depth_min_um: Um(0), ..good.clone() },
        HoleRules { most_holes: Some(0), ..good.clone() },
    ];
    for rules in &broken {
        assert!(matches!(plan(&request(rules, 300_000, 3)), Err(LayoutError::Rules(_))), "{rules:?}");
    }
    let bark = |bark: i64| plan(&LayoutRequest { bark_um: Some(Um(bark)), ..request(&good, 300_000, 3) });
    assert!(matches!(bark(-1), Err(LayoutError::Bark { .. })));
    assert!(matches!(bark(150_000), Err(LayoutError::Bark { .. })));
    assert!(matches!(bark(140_000), Err(LayoutError::TooDeep { .. })));
    assert_eq!(bark(130_000).unwrap().depth.sapwood_max_um, Um(20_000));
    let beyond = [damage(DamageKind::Canker, 10, 950_000)];
    let beyond = LayoutRequest { damage: &beyond, ..request(&good, 300_000, 3) };
    assert!(matches!(plan(&beyond), Err(LayoutError::Arc { what: "damage", .. })));
    let all = [damage(DamageKind::Wound, 0, 600_000), damage(DamageKind::Canker, 500_000, 10_000)];
    assert_eq!(
        plan(&LayoutRequest { damage: &all, ..request(&good, 300_000, 3) }),
        Err(LayoutError::AllExcluded)
    );
}

#[test]
fn charges_stand_beside_their_holes() {
    let rules = rules();
    let layout = plan(&request(&rules, 200_000, 2)).unwrap();
    let text = layout.text(Scale::Cm, &[vec![Ul(10_000)], vec![Ul(5_000), Ul(2_500)]], "charge mL");
    assert!(text.contains("charge mL"), "{text}");
    assert!(text.ends_with("5.0 + 2.5"), "{text}");
}

prop_compose! {
    fn trunk()(
        diameter in 60_000i64..1_500_000,
        holes in 1usize..60,
        spacing in 20_000i64..300_000,
        taper in proptest::option::of((100i64..160, 90i64..130)),
        arcs in proptest::collection::vec((0i64..1_000, 0i64..80), 0..6),
        earlier in proptest::collection::vec((0i64..1_000, 0i64..400_000), 0..6),
        clearance in 1_000i64..200_000,
    ) -> (HoleRules, i64, usize, Option<(i64, i64)>, Vec<Damage>, Vec<EarlierHole>, i64) {
        let girth = girth_of_diameter(Um(diameter)).0;
        let least = taper.map_or(girth, |(low, high)| girth / 100 * low.min(high).min(100));
        let damage: Vec<Damage> = arcs.into_iter().map(|(at, width)| {
            let from = least / 1_000 * at;
            damage(DamageKind::Wound, from, (from + least / 1_000 * width).rem_euclid(least))
        }).collect();
        let earlier = earlier.into_iter().map(|(at, height)| EarlierHole {
            arc_um: Um(least / 1_000 * at), height_um: Um(height), past: true, girth_um: None,
        }).collect();
        let rules = HoleRules { spacing_um: Um(spacing), depth_min_um: Um(5_000), ..rules() };
        (rules, diameter, holes, taper, damage, earlier, clearance)
    }
}

proptest! {
    #[test]
    fn holes_are_never_nearer_than_the_label_says_nor_out_of_the_band_nor_on_what_is_left_out(
        (rules, diameter, holes, taper, damage, earlier, clearance) in trunk()
    ) {
        let girth = girth_of_diameter(Um(diameter)).0;
        let request = LayoutRequest {
            damage: &damage,
            earlier: &earlier,
            past_clearance_um: Um(clearance),
            band_low_girth_um: taper.map(|(low, _)| Um(girth / 100 * low)),
            band_high_girth_um: taper.map(|(_, high)| Um(girth / 100 * high)),
            ..request(&rules, diameter, holes)
        };
        let layout = match plan(&request) {
            Ok(layout) => layout,
            Err(error) => {
                prop_assert!(matches!(error, LayoutError::AllExcluded), "{}", error);
                return Ok(());
            }
        };
        prop_assert_eq!(layout.holes.len(), holes.min(layout.fits));
        prop_assert_eq!(room(&request), Ok(layout.fits));
        let turn = layout.girth_um.0;
        let low = taper.map_or(girth, |(low, _)| girth / 100 * low);
        let high = taper.map_or(girth, |(_, high)| girth / 100 * high);
        let (from, to) = (rules.band_low_um.0, rules.band_high_um.0);
        // Back from the arc at the hole's height to its share of the turn, to 2 µm of rounding.
        let place = |h: &PlannedHole| {
            let at = low + (high - low) * (h.height_um.0 - from) / (to - from);
            (i128::from(h.arc_um.0) * i128::from(turn) / i128::from(at)) as i64
        };
        for pair in layout.holes.windows(2) {
            prop_assert!(place(&pair[1]) - place(&pair[0]) >= rules.spacing_um.0 - 6, "{:?}", pair);
            prop_assert!(pair[0].height_um <= pair[1].height_um);
        }
        if let [first, .., last] = &layout.holes[..] {
            prop_assert!(place(first) + turn - place(last) >= rules.spacing_um.0 - 6);
            prop_assert!(layout.offset_um >= rules.spacing_um);
            prop_assert_eq!((first.height_um.0, last.height_um.0), (from, to));
        }
        for hole in &layout.holes {
            prop_assert!((from..=to).contains(&hole.height_um.0));
            for arc in &layout.excluded {
                let into = (place(hole) - arc.from_um.0).rem_euclid(turn);
                let width = arc.to_um.0 - arc.from_um.0;
                prop_assert!(into <= 6 || into >= width - 6, "{:?} lies in {:?}", hole, arc);
            }
        }
    }

    /// Turning the mark, or looking from below, changes neither how many fit nor how far apart.
    #[test]
    fn a_turned_or_mirrored_trunk_takes_as_many_holes_as_far_apart(
        (rules, diameter, holes, _, damage, _, _) in trunk(),
        turned in 0i64..5_000_000,
    ) {
        let girth = girth_of_diameter(Um(diameter)).0;
        let result = |damage: &[Damage]| {
            plan(&LayoutRequest { damage, ..request(&rules, diameter, holes) })
                .map(|l| (l.fits, l.holes.len(), l.offset_um))
        };
        let turn = |um: Um| Um((um.0 + turned).rem_euclid(girth));
        let turned: Vec<Damage> = damage.iter()
            .map(|d| Damage { from_um: turn(d.from_um), to_um: turn(d.to_um), ..d.clone() }).collect();
        let mirror = |um: Um| Um((girth - um.0).rem_euclid(girth));
        let mirrored: Vec<Damage> = damage.iter()
            .map(|d| Damage { from_um: mirror(d.to_um), to_um: mirror(d.from_um), ..d.clone() }).collect();
        prop_assert_eq!(result(&damage), result(&turned));
        prop_assert_eq!(result(&damage), result(&mirrored));
    }

    #[test]
    fn hostile_figures_give_an_error_or_a_layout(
        numbers in proptest::collection::vec(prop_oneof![any::<i64>(), 0i64..2_000_000], 14),
        holes in prop_oneof![any::<usize>(), 0usize..500],
    ) {
        let n = |i: usize| Um(numbers[i]);
        let rules = HoleRules {
            bit_um: n(0), depth_min_um: n(1), depth_max_um: n(2), spacing_um: n(3), band_low_um: n(4),
            band_high_um: n(5), earlier_spacing_um: None, most_holes: Some(numbers[6]), sealing: crate::record::label::Sealing::Optional,
        };
        let damage = [damage(DamageKind::EarlierHole, numbers[7], numbers[8])];
        let earlier = [EarlierHole { arc_um: n(9), height_um: n(10), past: holes % 2 == 0, girth_um: None }];
        let hostile = LayoutRequest {
            band_low_girth_um: Some(n(11)), bark_um: Some(n(12)), clearance_um: n(13), past_clearance_um: n(13),
            damage: &damage, earlier: &earlier, ..request(&rules, numbers[12], holes)
        };
        if let Err(error) = plan(&hostile) {
            prop_assert!(!error.to_string().is_empty());
        }
        let base = self::rules();
        let near = LayoutRequest { rules: &base, ..hostile.clone() };
        if let Ok(layout) = plan(&near) {
            prop_assert!(!layout.text(Scale::Cm, &[], "").is_empty());
        }
    }
}
