//! Figures by hand from CoolProp's ratios, and laws that hold for any figures.

use proptest::prelude::*;

use super::*;

fn charged() -> Charged {
    Charged {
        volume_ul: Ul(2_000_000),
        product_ul: Ul(1_500_000),
        charge_ul: Ul(10_000),
        gauge_pa: Pa(1_034_214),
        low_pa: Pa(689_476),
        atmosphere: gas::SEA_LEVEL,
        temperature: MilliCelsius(20_000),
    }
}

/// CoolProp 8.0.0 (computed): from 150 to 100 psi at 20 °C air grows 1.437525 times slowly and 1.291646
/// times at once, so 500 mL of head space let out 218.8 and 145.8 mL: 21 and 14 charges of 10 mL.
#[test]
fn a_pressurisation_gives_a_range_of_charges_around_the_real_ones() {
    let found = charges(&charged()).unwrap();
    assert!((found.most_ul.0 - 218_762).abs() <= 2 && found.most == 21, "{found:?}");
    assert!((13..=14).contains(&found.fewest) && found.least_ul <= Ul(145_823), "{found:?}");
    assert_eq!(found.ends_by, EndsBy::Pressure);
    assert!(
        found.to_string().contains("the gauge decides. Add air when it reads 689 kPa (100.0 psi)"),
        "{found}"
    );
}

#[test]
fn product_can_run_out_before_the_pressure() {
    let little = charges(&Charged { product_ul: Ul(100_000), ..charged() }).unwrap();
    assert_eq!((little.fewest, little.most, little.ends_by), (10, 10, EndsBy::Product));
    let none = charges(&Charged { product_ul: Ul(1_990_000), ..charged() }).unwrap();
    assert!(none.most == 0 && none.to_string().starts_with("Not one whole charge"), "{none}");
}

#[test]
fn the_gauge_after_the_last_charge_of_each_range_is_the_lower_pressure() {
    let one_by_one = Charged { charge_ul: Ul(1), ..charged() };
    let found = charges(&one_by_one).unwrap();
    let slow = gauge_after(&one_by_one, found.most).unwrap().high_pa.0;
    let fast = gauge_after(&one_by_one, found.fewest).unwrap().low_pa.0;
    assert!((slow - 689_476).abs() < 5 && (fast - 689_476).abs() < 5, "{slow} {fast}");
    assert!(gauge_after(&charged(), 151).is_err() && gauge_after(&charged(), -1).is_err());
}

/// p₁ + (p₂ − p₁)/1.4: from nothing to 150 psi at once, up to 42.9 psi are lost by cooling alone.
#[test]
fn hot_air_that_cools_is_no_leak() {
    let found = settling(Pa(0), Pa(1_034_214)).unwrap();
    assert_eq!(found.most_fall_pa, Pa(295_490));
    assert!(found.to_string().contains("not a leak"), "{found}");
    assert!(settling(Pa(5), Pa(5)).is_err());
}

fn readings() -> LeakReadings {
    LeakReadings {
        settled_minutes: 10,
        first_pa: Pa(1_034_214),
        first_mc: MilliCelsius(20_000),
        apart_minutes: 10,
        second_pa: Pa(1_034_214),
        second_mc: MilliCelsius(20_000),
        gauge_u_pa: Pa(5_000),
        atmosphere: gas::SEA_LEVEL,
    }
}

/// CoolProp 8.0.0 (computed): 150 psi cooled from 20 to 5 °C shows 141.34 psi.
#[test]
fn a_gauge_that_falls_with_the_temperature_is_no_leak_and_one_that_falls_without_is() {
    let cooled =
        leak_check(&LeakReadings { second_mc: MilliCelsius(5_000), second_pa: Pa(974_505), ..readings() });
    let cooled = cooled.unwrap();
    assert!(cooled.verdict == LeakVerdict::NoneSeen && cooled.missing_pa.0.abs() < 50, "{cooled:?}");
    let fallen = leak_check(&LeakReadings { second_pa: Pa(974_505), ..readings() }).unwrap();
    assert_eq!((fallen.verdict, fallen.tolerance_pa), (LeakVerdict::Leak, Pa(14_143)));
    assert!(
        fallen.to_string().starts_with("STOP") && fallen.cautions.iter().any(|c| c.contains("never feel"))
    );
    let risen = leak_check(&LeakReadings { second_pa: Pa(1_094_000), ..readings() }).unwrap();
    assert_eq!(risen.verdict, LeakVerdict::Rose, "air still comes in, or the gauge was misread");
    assert!(risen.to_string().starts_with("STOP"), "{risen}");
    let early =
        leak_check(&LeakReadings { settled_minutes: 9, second_pa: Pa(974_505), ..readings() }).unwrap();
    assert_eq!(early.verdict, LeakVerdict::TooEarly);
    assert!(leak_check(&LeakReadings { gauge_u_pa: Pa(0), ..readings() }).is_err());
}

proptest! {
    #[test]
    fn any_figures_give_an_answer_or_an_error(figures in proptest::array::uniform8(any::<i64>())) {
        let [volume, product, charge, gauge, low, air, temperature, n] = figures;
        let any = Charged {
            volume_ul: Ul(volume), product_ul: Ul(product), charge_ul: Ul(charge), gauge_pa: Pa(gauge),
            low_pa: Pa(low), atmosphere: AbsPa(air), temperature: MilliCelsius(temperature),
        };
        drop(charges(&any));
        drop(gauge_after(&any, n));
        let huge = Charged { volume_ul: Ul(i64::MAX), product_ul: Ul(product.saturating_abs()), ..charged() };
        drop(charges(&huge));
        drop(gauge_after(&huge, n));
        drop(settling(Pa(gauge), Pa(low)));
        drop(leak_check(&LeakReadings { first_pa: Pa(gauge), second_pa: Pa(low), gauge_u_pa: Pa(n), ..readings() }));
    }

    #[test]
    fn a_range_of_charges_is_never_more_than_the_product(
        product in 0i64..1_999_999, charge in 1i64..50_000, low in 1i64..1_000_000,
    ) {
        let some = Charged { product_ul: Ul(product), charge_ul: Ul(charge), low_pa: Pa(low), ..charged() };
        let found = charges(&some).unwrap();
        prop_assert!(found.fewest <= found.most && found.most * charge <= product);
        let after = gauge_after(&some, found.fewest).unwrap();
        prop_assert!(after.low_pa <= after.high_pa && after.high_pa <= some.gauge_pa);
        prop_assert!(found.ends_by == EndsBy::Product || after.low_pa.0 >= low - 1);
    }
}
