//! The GUM's own worked examples, and laws that hold for any figures.

use proptest::prelude::*;

use super::*;
use crate::quantity::{AbsPa, Pa};

/// JCGM 100:2008, H.1, end gauge calibration: components 25, 9.7 (from 5.8, 3.9 and 6.7 nm), 2.9 and
/// 16.6 nm; combined standard uncertainty 32 nm with 16 effective degrees of freedom; with
/// t₉₉(16) = 2.92 the expanded uncertainty is 93 nm.
#[test]
fn the_end_gauge_of_the_gum_comes_out_at_32_nanometres() {
    let length = 50.000_623e6;
    let theta = -0.1;
    let limited =
        |standard, sensitivity, degrees| Component { standard, sensitivity, degrees: Some(degrees) };
    let components = [
        limited(25.0, 1.0, 18.0),
        limited(5.8, 1.0, 24.0),
        limited(3.9, 1.0, 5.0),
        limited(6.7, 1.0, 8.0),
        limited(1e-6 / 3f64.sqrt(), -length * theta, 50.0),
        limited(0.05 / 3f64.sqrt(), -length * 11.5e-6, 2.0),
        // Expansion coefficient and mean temperature: their sensitivities are zero.
        Component::known(1.2e-6, 0.0),
        Component::known(0.41, 0.0),
    ];
    let found = combine(&components, &[]).unwrap();
    assert_eq!((found.standard.round() as i64, found.degrees), (32, Some(16)));
    assert_eq!((2.92 * found.standard.round()).round() as i64, 93);
}

/// JCGM 100:2008, H.2, resistance and reactance from V, I and φ with correlations −0.36, 0.86 and
/// −0.65: u(R) = 0.071 Ω, u(X) = 0.295 Ω, u(Z) = 0.236 Ω. Computed from the rounded inputs the first
/// is 0.070, as a metrology institute's own software prints beside the same example.
#[test]
fn the_impedance_of_the_gum_comes_out_with_its_correlations() {
    let (v, i, phi) = (4.999f64, 19.661e-3f64, 1.044_46f64);
    let (sin, cos) = (libm::sin(phi), libm::cos(phi));
    let uncertain = |dv: f64, di: f64, dphi: f64| {
        let components =
            [Component::known(3.2e-3, dv), Component::known(9.5e-6, di), Component::known(7.5e-4, dphi)];
        let correlations = [
            Correlation { a: 0, b: 1, r: -0.36 },
            Correlation { a: 0, b: 2, r: 0.86 },
            Correlation { a: 1, b: 2, r: -0.65 },
        ];
        combine(&components, &correlations).unwrap()
    };
    let resistance = uncertain(cos / i, -v * cos / (i * i), -v * sin / i);
    let reactance = uncertain(sin / i, -v * sin / (i * i), v * cos / i);
    let impedance = uncertain(1.0 / i, -v / (i * i), 0.0);
    assert!((resistance.standard - 0.071).abs() < 2e-3, "{resistance}");
    assert!((reactance.standard - 0.295).abs() < 2e-3, "{reactance}");
    assert!((impedance.standard - 0.236).abs() < 2e-3, "{impedance}");
    assert_eq!(resistance.degrees, None);
}

/// JCGM 100:2008, 5.2.2, example: ten resistors calibrated against one standard of 100 mΩ, in series,
/// have 1 Ω and not 0.32 Ω, because what is shared adds linearly.
#[test]
fn ten_resistors_of_the_gum_share_their_standard() {
    assert_eq!(tolerance_ul(10, 0, 100), Ul(2 * 1_000));
    assert_eq!(tolerance_ul(10, 100, 0), Ul(632));
    let components = [Component::known(0.1, 1.0); 10];
    let all: Vec<_> = (0..10).flat_map(|a| (a + 1..10).map(move |b| Correlation { a, b, r: 1.0 })).collect();
    assert!((combine(&components, &all).unwrap().standard - 1.0).abs() < 1e-12);
    assert!((combine(&components, &[]).unwrap().standard - 0.316_227_766).abs() < 1e-9);
}

fn kind(independent: i64, shared: i64) -> ContainerKind {
    ContainerKind {
        name: "10 mL".into(),
        charge_ul: Ul(10_000),
        inner_volume_ul: None,
        scale_step_ul: None,
        charge_u_ul: Ul(independent),
        shared_u_ul: Ul(shared),
    }
}

#[test]
fn a_dose_is_shown_with_its_interval() {
    let found = of_charges(&[Ul(10_000); 14], &kind(200, 100)).unwrap();
    // √(14 · 200² + (14 · 100)²) = 1587.45
    assert_eq!(found.standard_ul, Ul(1_588));
    assert_eq!(found.to_string(), "140.0 mL (136.8 to 143.2 mL)");
    assert_eq!(relative(&found), "2.2 %");
}

#[test]
fn a_girth_is_known_better_as_a_diameter() {
    let tape = Tape { step_um: Um(10_000), laying_um: Um(3_000), tape_um: Um(500), girth: true };
    let found = of_diameter(&tape).unwrap();
    // √((10/√12)² + 3²) / π = 1.3252 mm; 0.5 mm / π = 0.15915 mm.
    assert!((found.independent_um - 1_325.2).abs() < 1.0, "{found:?}");
    assert!((found.shared_um - 159.15).abs() < 0.01, "{found:?}");
    let dose = of_dose(UlPerM(240_000), Um(300_000), found).unwrap();
    assert_eq!((dose.value_ul, dose.standard_ul), (Ul(72_000), Ul(321)));
}

#[test]
fn kits_apart_share_nothing() {
    let mut one = Sum::new();
    one.charge(Ul(10_000), &kind(0, 300)).unwrap();
    let other = one;
    assert_eq!(one.and_same_kit(other).interval().standard_ul, Ul(600));
    assert_eq!(one.and_other_kit(other).interval().standard_ul, Ul(425));
}

#[test]
fn a_gauge_moves_every_charge_the_same_way() {
    // V a/p² u = 12 mL · 101325 / 1135539² · 10 kPa = 9.43 µL.
    let each = of_gauge(Ul(12_000), Pa(1_034_214), Pa(10_000), AbsPa(101_325)).unwrap();
    assert!((each - 9.4296).abs() < 1e-3, "{each}");
    let mut sum = Sum::new();
    sum.shared(each, 100);
    assert_eq!(sum.interval().standard_ul, Ul(943));
}

#[test]
fn impossible_figures_are_refused() {
    let fine = Component::known(1.0, 1.0);
    for bad in
        [Component::known(-1.0, 1.0), Component::known(f64::NAN, 1.0), Component::known(1.0, f64::INFINITY)]
    {
        assert_eq!(combine(&[fine, bad], &[]), Err(UncertaintyError::NotANumber(1)));
    }
    let single = Component { degrees: Some(0.0), ..fine };
    assert_eq!(combine(&[single], &[]), Err(UncertaintyError::Degrees(0)));
    for (a, b, r) in [(0, 1, 1.1), (0, 0, 0.5), (0, 2, 0.5), (0, 1, f64::NAN)] {
        assert!(combine(&[fine, fine], &[Correlation { a, b, r }]).is_err(), "{a} {b} {r}");
    }
    let against = |a, b| Correlation { a, b, r: -1.0 };
    let contradiction = combine(&[fine; 3], &[against(0, 1), against(0, 2), against(1, 2)]);
    assert_eq!(contradiction, Err(UncertaintyError::Contradiction));
    assert!(of_charges(&[Ul(-1)], &kind(1, 1)).is_err());
    assert!(of_dose(UlPerM(-1), Um(1), DiameterUncertainty { independent_um: 0.0, shared_um: 0.0 }).is_err());
    assert!(of_gauge(Ul(0), Pa(0), Pa(0), AbsPa(1)).is_err());
}

proptest! {
    #[test]
    fn the_integer_sum_is_the_general_formula(n in 0u8..40, independent in 0i64..5_000, shared in 0i64..5_000) {
        // Each charge is one independent component; the shared part is one component n times as large.
        let mut components = vec![Component::known(independent as f64, 1.0); usize::from(n)];
        components.push(Component::known(shared as f64, f64::from(n)));
        let general = 2.0 * combine(&components, &[]).unwrap().standard;
        let exact = tolerance_ul(i64::from(n), independent, shared).0;
        prop_assert!((general - exact as f64).abs() < 1.0 + 1e-9 * general, "{} {}", general, exact);
    }

    #[test]
    fn any_figures_give_an_answer_or_an_error(a: f64, b: f64, c: f64, d: f64, n: i64, i: i64, s: i64, p: i64) {
        let one = Component { standard: a, sensitivity: b, degrees: Some(c) };
        let other = Component::known(c, d);
        drop(combine(&[one, other], &[Correlation { a: 0, b: 1, r: d }]));
        tolerance_ul(n, i, s);
        drop(of_charges(&[Ul(n), Ul(i)], &kind(i, s)));
        drop(of_gauge(Ul(n), Pa(i), Pa(s), AbsPa(p)));
        drop(of_diameter(&Tape { step_um: Um(n), laying_um: Um(i), tape_um: Um(s), girth: true }));
        let dose = of_dose(UlPerM(n), Um(i), DiameterUncertainty { independent_um: a, shared_um: b });
        if let Ok(dose) = dose {
            prop_assert!(dose.low_ul <= dose.value_ul && dose.value_ul <= dose.high_ul);
        }
    }
}

/// Worked by hand: a girth read to 1 cm gives 1/√12 · 1/π = 0.0919 cm of diameter; two readings of a
/// 30 cm stem may lie 0.8 cm apart, so one is good to 0.8 / (2 √2) = 0.2828 cm: 0.2974 cm together,
/// and 2.4 mL per cm make that 0.714 mL.
#[test]
fn a_dose_is_known_as_well_as_the_tape_it_was_read_off() {
    use crate::quantity::{AsRead, Measured, ReadUnit};
    let reading = AsRead { text: "94".into(), unit: ReadUnit::Cm, of: Measured::Girth };
    let of = of_diameter(&Tape::of_reading(&reading, Um(300_000))).unwrap();
    assert!((of.independent_um - 2_974.0).abs() < 2.0, "{of:?}");
    let dose = of_target(Ul(72_000), Um(300_000), of).unwrap();
    assert_eq!((dose.standard_ul, dose.value_ul), (Ul(714), Ul(72_000)));
    assert!(of_target(Ul(1), Um(0), of).is_err() && of_target(Ul(-1), Um(1), of).is_err());
}
