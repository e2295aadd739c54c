//! An invented kit, in order and with one thing wrong at a time.

use proptest::prelude::*;

use super::*;
use crate::quantity::Um;
use crate::record::kit::{ContainerKind, Gauge, Reservoir};

fn day(text: &str) -> Day {
    text.parse().unwrap()
}

fn kit() -> Kit {
    Kit {
        name: "Kit A (invented)".into(),
        crew: None,
        reservoir: Reservoir {
            serial: "INVENTED-1".into(),
            rating_pa: Pa(1_700_000),
            volume_ul: Ul(2_000_000),
            fill_limit_ul: Ul(1_500_000),
            relief_set_pa: Pa(1_300_000),
            relief_inspected: day("2026-03-01"),
            relief_due: day("2027-03-01"),
        },
        hose_rating_pa: Pa(1_400_000),
        fittings_rating_pa: Pa(2_000_000),
        air_source_limit_pa: Pa(1_100_000),
        work_low_pa: Pa(700_000),
        work_high_pa: Pa(1_000_000),
        containers: vec![],
        bit_um: Um(7_000),
        gauge: Gauge { range_pa: Pa(1_600_000), u_pa: Pa(10_000), checked: day("2026-03-01") },
        inspected: day("2026-03-01"),
        inspection_due: day("2027-03-01"),
    }
}

fn stops(kit: &Kit) -> Vec<Stop> {
    ready(Some(kit), None, day("2026-06-01")).stops
}

#[test]
fn a_kit_in_order_is_not_stopped_and_names_its_weakest_part() {
    let found = ready(Some(&kit()), None, day("2026-06-01"));
    assert_eq!((found.stops.len(), found.notes.len()), (0, 0), "{found}");
    let limit = found.limit.unwrap();
    assert_eq!((limit.limit_pa, limit.set_by, limit.label_silent), (Pa(1_400_000), Part::Hose, true));
    assert!(found.to_string().contains("never oxygen"), "{found}");
}

#[test]
fn the_label_can_set_the_limit_and_the_air_source_never_does() {
    let strict = working_limit(&kit(), Some(Pa(900_000))).unwrap();
    assert_eq!((strict.limit_pa, strict.set_by), (Pa(900_000), Part::Label));
    let weak_source = Kit { air_source_limit_pa: Pa(100_000), ..kit() };
    assert_eq!(working_limit(&weak_source, None), working_limit(&kit(), None));
    let strong = Kit { air_source_limit_pa: Pa(12_000_000), ..kit() };
    let found = ready(Some(&strong), None, day("2026-06-01"));
    assert!(found.stops.is_empty() && found.notes[0].contains("before connecting"), "{found}");
    let band = ready(Some(&kit()), Some(Pa(900_000)), day("2026-06-01"));
    assert!(matches!(band.stops[..], [Stop::BandAboveLimit { part: Part::Label, .. }]), "{band}");
}

#[test]
fn no_record_and_no_inspection_are_stops() {
    assert_eq!(ready(None, None, day("2026-06-01")).stops, [Stop::NoRecord]);
    let late = ready(Some(&kit()), None, day("2027-03-02")).stops;
    let due = day("2027-03-01");
    assert_eq!(late, [Stop::InspectionOverdue { due }, Stop::ReliefOverdue { due }]);
    assert!(ready(Some(&kit()), None, due).stops.is_empty(), "the day it is due still counts");
    let future = Kit { inspected: day("2026-07-01"), ..kit() };
    assert!(matches!(stops(&future)[..], [Stop::InspectionDates { what: "the kit", .. }]));
}

#[test]
fn each_thing_wrong_with_a_kit_stops_it() {
    let vessel = |change: fn(&mut Reservoir)| {
        let mut kit = kit();
        change(&mut kit.reservoir);
        stops(&kit)
    };
    assert!(matches!(vessel(|v| v.rating_pa = Pa(0))[..], [Stop::NoRating { part: Part::Vessel }]));
    assert!(matches!(vessel(|v| v.relief_set_pa = Pa(0))[..], [Stop::NoRelief]));
    assert!(matches!(
        vessel(|v| v.relief_set_pa = Pa(1_500_000))[..],
        [Stop::ReliefTooHigh { part: Part::Hose, .. }]
    ));
    assert!(matches!(vessel(|v| v.fill_limit_ul = Ul(2_000_000))[..], [Stop::NoHeadSpace { .. }]));
    let upside_down = Kit { work_low_pa: Pa(1_000_000), ..kit() };
    assert!(matches!(stops(&upside_down)[..], [Stop::NoBand { .. }]));
    let short = Kit { gauge: Gauge { range_pa: Pa(999_999), ..kit().gauge }, ..kit() };
    assert!(matches!(stops(&short)[..], [Stop::GaugeTooShort { .. }]));
}

/// 11 mL against trapped air take 9.6 to 10.0 mL between 700 and 1000 kPa; 24 mL take 21 mL and more.
#[test]
fn a_container_that_cannot_hold_what_its_record_says_is_told() {
    let of = |inner| {
        let kind = ContainerKind {
            name: "10 mL".into(),
            charge_ul: Ul(10_000),
            inner_volume_ul: Some(Ul(inner)),
            scale_step_ul: None,
            charge_u_ul: Ul(100),
            shared_u_ul: Ul(50),
        };
        ready(Some(&Kit { containers: vec![kind], ..kit() }), None, day("2026-06-01")).notes
    };
    assert!(of(11_000).is_empty(), "{:?}", of(11_000));
    assert!(of(24_000)[0].contains("it would take 21.0 to 21.8 mL. Calibrate it"), "{:?}", of(24_000));
    assert!(of(5_000)[0].contains("cannot be reckoned"), "{:?}", of(5_000));
}

#[test]
fn a_fill_never_passes_its_limit() {
    let found = fill(&kit(), Ul(300_000), Ul(1_200_000)).unwrap();
    assert_eq!((found.content_ul, found.head_space_ul), (Ul(1_500_000), Ul(500_000)));
    let over = fill(&kit(), Ul(300_000), Ul(1_200_001)).unwrap_err().to_string();
    assert!(over.contains("fill 1200.0 mL at most"), "{over}");
    assert!(fill(&kit(), Ul(-1), Ul(1)).is_err() && fill(&kit(), Ul(0), Ul(0)).is_err());
}

proptest! {
    #[test]
    fn any_kit_is_judged_without_panic_and_never_filled_over_its_limit(
        figures in proptest::array::uniform10(any::<i64>()), present: i64, adding: i64, label: Option<i64>,
    ) {
        let [rating, volume, limit, relief, hose, fittings, source, low, high, range] = figures;
        let mut kit = kit();
        kit.reservoir.rating_pa = Pa(rating);
        kit.reservoir.volume_ul = Ul(volume);
        kit.reservoir.fill_limit_ul = Ul(limit);
        kit.reservoir.relief_set_pa = Pa(relief);
        (kit.hose_rating_pa, kit.fittings_rating_pa) = (Pa(hose), Pa(fittings));
        (kit.air_source_limit_pa, kit.work_low_pa, kit.work_high_pa) = (Pa(source), Pa(low), Pa(high));
        kit.gauge.range_pa = Pa(range);
        let found = ready(Some(&kit), label.map(Pa), day("2026-06-01"));
        let _ = found.to_string();
        if found.stops.is_empty() {
            let weakest = [rating, hose, fittings].into_iter().chain(label).min().unwrap();
            prop_assert!(high <= weakest && 0 < low && low < high);
            prop_assert!(relief <= rating.min(hose).min(fittings));
        }
        if let Ok(plan) = fill(&kit, Ul(present), Ul(adding)) {
            prop_assert!(plan.content_ul.0 <= limit && plan.head_space_ul >= plan.least_head_space_ul);
        }
    }
}
