//! What a crew's day can and cannot have been: places, times, kits, fills. Each rule finds its case,
//! leaves the nearest one alone, and says the same in whatever order the commits came.

use bolebook_core::quantity::{AsRead, Measured, Ms, Pa, ReadUnit, Ul, Um, UtcMs};
use bolebook_core::record::book_kinds::Receipt;
use bolebook_core::record::kit::Kit;
use bolebook_core::record::office::Requirements;
use bolebook_core::record::product::{Lot, MovementKind};
use bolebook_core::record::stand::{Block, Corner, Position, PositionSource};
use bolebook_core::record::work::{DayClosing, KitContent};
use bolebook_core::signing::SecretKey;
use bolebook_tests::planted::{ash, base, filled, finds, found, relabel, relist, require, silent, treat};
use bolebook_tests::world::{HOUR, Who, World, day};

const A: Who = Who::Crew(0);
const MINUTE: i64 = 60_000;

/// A satellite fix so many metres north of a tree.
fn fix(w: &World, tree: bolebook_core::ids::RecordId, metres: i64, accuracy_m: i64) -> Position {
    let at = w.look(|view, _, _| view.tree(tree).unwrap().position.unwrap());
    // A metre is 9 003 ndeg of latitude at 42.7° (geographiclib 2.1: 111.08 km a degree).
    Position {
        lat_ndeg: at.lat_ndeg + metres * 9_003,
        accuracy_um: Some(Um(accuracy_m * 1_000_000)),
        source: PositionSource::Gnss,
        ..at
    }
}

#[test]
fn a_tree_outside_its_block_is_found_beyond_what_canopy_explains() {
    let north = |metres: i64| {
        let mut w = base();
        let tree = ash(&mut w, "T1");
        let (low, high) = (fix(&w, tree, -40, 5), fix(&w, tree, 0, 5));
        let corner = |p: &Position, east: i64| Corner { lat_ndeg: p.lat_ndeg, lon_ndeg: p.lon_ndeg + east };
        let boundary = vec![
            corner(&low, -500_000),
            corner(&low, 500_000),
            corner(&high, 500_000),
            corner(&high, -500_000),
        ];
        let block = w.write(Who::Office, Block { name: "North".into(), boundary });
        let at = fix(&w, tree, metres, 5);
        relist(&mut w, tree, |t| (t.block, t.position) = (Some(block), Some(at)));
        w
    };
    assert!(finds(&north(17), "tree.outside_block").contains("17 m outside block North"));
    silent(&north(14), "tree.outside_block");
    silent(&north(-20), "tree.outside_block");
}

#[test]
fn a_crew_far_from_the_tree_it_treats_is_found() {
    let from = |metres: i64| {
        let mut w = base();
        let tree = ash(&mut w, "T1");
        let stood = fix(&w, tree, metres, 8);
        treat(&mut w, 0, tree, |a| a.position = Some(stood));
        w
    };
    finds(&from(48), "place.far_from_tree");
    silent(&from(46), "place.far_from_tree");
}

#[test]
fn a_crew_cannot_be_in_two_places_kilometres_apart() {
    let gone = |kilometres: i64| {
        let mut w = base();
        let (near, far) = (ash(&mut w, "T1"), ash(&mut w, "T2"));
        let at = fix(&w, near, kilometres * 1_000, 5);
        relist(&mut w, far, |t| t.position = Some(at));
        treat(&mut w, 0, near, |_| ());
        treat(&mut w, 0, far, |_| ());
        w
    };
    // 30 minutes between the starts and ten of grace at 50 km/h are 33 km.
    finds(&gone(34), "place.off_track");
    silent(&gone(33), "place.off_track");
}

#[test]
fn times_that_run_backwards_are_found() {
    let with = |edit: &dyn Fn(&mut bolebook_core::record::work::Application)| {
        let mut w = base();
        let tree = ash(&mut w, "T1");
        treat(&mut w, 0, tree, edit);
        w
    };
    finds(&with(&|a| a.holes[0].removed_at = Some(UtcMs(a.started_at.0 - 1))), "time.backwards");
    silent(&with(&|a| a.holes[0].removed_at = Some(a.started_at)), "time.backwards");
    finds(&with(&|a| a.ended_at = UtcMs(a.ended_at.0 + 11 * MINUTE)), "time.backwards");
    silent(&with(&|a| a.ended_at = UtcMs(a.ended_at.0 + 9 * MINUTE)), "time.backwards");
}

#[test]
fn work_on_another_day_is_found() {
    let logged_after = |hours: i64| {
        let mut w = base();
        let tree = ash(&mut w, "T1");
        let mut application = w.application(0, tree, 7);
        w.now = UtcMs(w.now.0 + hours * HOUR);
        application.ended_at = UtcMs(application.started_at.0 + 20 * MINUTE);
        w.write(A, application);
        w
    };
    finds(&logged_after(48), "time.other_day");
    silent(&logged_after(24), "time.other_day");
    let mut w = base();
    let tree = ash(&mut w, "T1");
    // Begun at 23:50 local time.
    w.now = UtcMs(w.now.0 + 16 * HOUR + 10 * MINUTE);
    let application = w.application(0, tree, 7);
    w.write(A, application);
    assert!(finds(&w, "time.other_day").contains("begun on 2026-06-01, ended on 2026-06-02"));
}

#[test]
fn work_after_the_closing_is_found_a_late_tap_is_not() {
    let after = |minutes: i64| {
        let mut w = base();
        let tree = ash(&mut w, "T1");
        w.close_day(0, 900_000);
        w.now = UtcMs(w.now.0 + minutes * MINUTE);
        let application = w.application(0, tree, 7);
        w.write(A, application);
        w
    };
    finds(&after(11), "day.work_after_closing");
    silent(&after(9), "day.work_after_closing");
}

#[test]
fn one_kit_or_person_with_two_crews_at_once_is_found() {
    let both = |gap: i64, person: bool| {
        let mut w = base();
        let (one, two) = (ash(&mut w, "T1"), ash(&mut w, "T2"));
        let (kit, lead) = (w.kits[0], w.leads[0]);
        w.now = UtcMs(w.now.0 + HOUR);
        let first = w.application(0, one, 7);
        let end = first.ended_at;
        w.write(A, first);
        w.now = UtcMs(w.now.0 + 20 * MINUTE);
        let mut second = w.application(1, two, 7);
        second.started_at = UtcMs(end.0 - gap * MINUTE);
        if person {
            second.applicator = lead
        } else {
            second.kit = kit
        }
        w.write(Who::Crew(1), second);
        w
    };
    assert!(finds(&both(11, false), "time.overlap").contains("Kit 0 was with crew Crew 0 and crew Crew 1"));
    silent(&both(9, false), "time.overlap");
    finds(&both(11, true), "time.overlap");
    // One crew with several trees at once is how crews work.
    let mut w = base();
    for tag in ["T1", "T2", "T3"] {
        let tree = ash(&mut w, tag);
        let application = w.application(0, tree, 7);
        w.write(A, application);
    }
    silent(&w, "time.overlap");
}

#[test]
fn a_clock_set_back_and_one_that_is_wrong_are_found() {
    let back = |minutes: i64| {
        let mut w = base();
        let tree = ash(&mut w, "T1");
        w.now = UtcMs(w.now.0 + HOUR);
        let _ = w.diameter(A, tree, 3_000);
        w.now = UtcMs(w.now.0 - minutes * MINUTE);
        let _ = w.diameter(A, tree, 3_001);
        w
    };
    assert!(finds(&back(11), "time.clock_set_back").contains("11 minutes"));
    silent(&back(9), "time.clock_set_back");
    let off = |minutes: i64| {
        let mut w = base();
        let receipt = Receipt {
            delivered_by: SecretKey::from_seed([10; 32]).device(),
            arrived_at: w.now,
            clock_offset_ms: Ms(minutes * MINUTE),
            through: vec![],
        };
        w.write(Who::Server, receipt);
        w
    };
    assert!(finds(&off(-11), "time.clock_off").contains("11 minutes behind"));
    silent(&off(9), "time.clock_off");
}

#[test]
fn charges_without_a_fill_are_found_once_a_day() {
    let mut w = World::new();
    for tag in ["T1", "T2"] {
        let tree = ash(&mut w, tag);
        treat(&mut w, 0, tree, |_| ());
    }
    assert!(finds(&w, "kit.no_fill").contains("lot L-77 into kit Kit 0 was ever logged, yet trees T1, T2"));
    w.fill(0, 200_000);
    silent(&w, "kit.no_fill");
}

#[test]
fn fills_are_held_against_the_reservoir() {
    let of = |amounts: &[i64], measured: bool| {
        let mut w = World::new();
        let tree = ash(&mut w, "T1");
        for amount in amounts {
            w.now = UtcMs(w.now.0 + HOUR);
            w.fill(0, *amount);
            if measured {
                w.close_day(0, 0);
            }
        }
        treat(&mut w, 0, tree, |_| ());
        w
    };
    assert!(finds(&of(&[2_000_001], false), "kit.fill_over_limit").contains("2000.0 mL"));
    silent(&of(&[2_000_000], false), "kit.fill_over_limit");
    finds(&of(&[1_500_000, 600_000], false), "kit.content_over_limit");
    silent(&of(&[1_500_000, 500_000], false), "kit.content_over_limit");
    silent(&of(&[1_500_000, 600_000], true), "kit.content_over_limit");
}

#[test]
fn another_container_than_the_lots_is_found_however_it_is_spelled() {
    let read = |number: &str, lot: &str| {
        let mut w = World::new();
        let tree = ash(&mut w, "T1");
        filled(&mut w, 0, 200_000, number, lot);
        treat(&mut w, 0, tree, |_| ());
        w
    };
    finds(&read("INV-0002", "L-77"), "kit.read_otherwise");
    finds(&read("INV-0001", "L-78"), "kit.read_otherwise");
    silent(&read("inv 0001", "L77"), "kit.read_otherwise");
}

#[test]
fn another_product_on_what_was_left_is_found_unless_the_kit_was_emptied() {
    let next = |emptied: bool| {
        let mut w = World::new();
        let (one, two) = (ash(&mut w, "T1"), ash(&mut w, "T2"));
        w.fill(0, 200_000);
        treat(&mut w, 0, one, |_| ());
        w.now = UtcMs(w.now.0 + MINUTE);
        if emptied {
            w.movement(A, MovementKind::Returned, 130_000, Some(0));
        }
        relabel(&mut w, |l| l.registration = "INV-0002".into());
        w.now = UtcMs(w.now.0 + MINUTE);
        filled(&mut w, 0, 200_000, "INV-0002", "L-77");
        treat(&mut w, 0, two, |_| ());
        w
    };
    assert!(finds(&next(false), "kit.other_product").contains("130.0 mL of lot L-77"));
    silent(&next(true), "kit.other_product");
    // Another lot of the same product may follow.
    let mut w = World::new();
    let tree = ash(&mut w, "T1");
    w.fill(0, 200_000);
    let (label, expires) = (w.label, day("2027-12-31"));
    w.lot = w.yard_write(Who::Office, Lot { label, number: "L-78".into(), expires, recalled: None });
    filled(&mut w, 0, 200_000, "INV-0001", "L-78");
    treat(&mut w, 0, tree, |_| ());
    silent(&w, "kit.other_product");
}

#[test]
fn pressure_is_held_against_limit_and_band() {
    let at = |pa: i64| {
        let mut w = base();
        let tree = ash(&mut w, "T1");
        treat(&mut w, 0, tree, |a| a.pressure_pa = Some(Pa(pa)));
        w
    };
    assert!(finds(&at(1_300_001), "kit.pressure_over_limit").contains("air source"));
    silent(&at(1_300_000), "kit.pressure_over_limit");
    finds(&at(1_300_000), "kit.pressure_outside_band");
    finds(&at(589_000), "kit.pressure_outside_band");
    // The gauge's own uncertainty is 10 kPa.
    silent(&at(590_000), "kit.pressure_outside_band");
}

#[test]
fn a_gauge_that_never_moves_is_found() {
    let readings = |n: usize, last: i64| {
        let mut w = base();
        for i in 0..n {
            let tree = ash(&mut w, &format!("T{i}"));
            let pa = if i + 1 == n { last } else { 800_000 };
            treat(&mut w, 0, tree, |a| a.pressure_pa = Some(Pa(pa)));
        }
        w
    };
    finds(&readings(10, 800_000), "kit.gauge_stuck");
    silent(&readings(9, 800_000), "kit.gauge_stuck");
    silent(&readings(10, 790_000), "kit.gauge_stuck");
}

#[test]
fn a_kit_overdue_for_inspection_is_found_and_a_later_inspection_is_no_excuse() {
    let due = |text: &str, again: bool| {
        let mut w = base();
        let tree = ash(&mut w, "T1");
        let mut kit: Kit = w.look(|view, _, _| view.yard.kit(w.kits[0]).unwrap().clone());
        kit.inspection_due = day(text);
        let id = w.kits[0];
        w.yard_amend(Who::Office, id, kit.clone());
        treat(&mut w, 0, tree, |_| ());
        if again {
            w.now = UtcMs(w.now.0 + 48 * HOUR);
            (kit.inspected, kit.inspection_due) = (day("2026-06-03"), day("2027-06-03"));
            let last = w.look(|view, _, _| view.yard.facts.shown(view.yard.facts.fact_of(id).unwrap()).id());
            w.yard_amend(Who::Office, last, kit);
        }
        w
    };
    finds(&due("2026-05-31", false), "kit.not_ready");
    finds(&due("2026-05-31", true), "kit.not_ready");
    silent(&due("2026-06-01", false), "kit.not_ready");
    silent(&due("2026-06-01", true), "kit.not_ready");
}

#[test]
fn more_stems_an_hour_than_a_crew_can_treat_are_found() {
    let stems = |n: usize, most: i64| {
        let mut w = base();
        require(&mut w, Requirements { stems_per_hour: Some(most), ..Requirements::default() });
        for i in 0..n {
            let tree = ash(&mut w, &format!("T{i}"));
            w.now = UtcMs(w.now.0 + (7 + i as i64 % 3) * MINUTE);
            let application = w.application(0, tree, 7);
            w.write(A, application);
        }
        w
    };
    assert!(finds(&stems(7, 6), "crew.too_fast").contains("began 7 stems"));
    silent(&stems(6, 6), "crew.too_fast");
}

#[test]
fn two_people_by_turns_on_one_phone_are_found_a_change_at_noon_is_not() {
    let hands = |who: &[usize]| {
        let mut w = base();
        let tree = ash(&mut w, "T1");
        for n in who {
            w.now = UtcMs(w.now.0 + 10 * MINUTE);
            w.by = Some(w.leads[*n]);
            let _ = w.diameter(A, tree, 3_000);
        }
        w
    };
    finds(&hands(&[0, 1, 0]), "device.two_people");
    silent(&hands(&[0, 0, 1, 1]), "device.two_people");
}

#[test]
fn work_as_regular_as_clockwork_is_found() {
    let day_of = |n: usize, odd: Option<usize>| {
        let mut w = base();
        for i in 0..n {
            let tree = ash(&mut w, &format!("T{i}"));
            treat(&mut w, 0, tree, |a| {
                if odd == Some(i) {
                    a.started_at = UtcMs(a.started_at.0 + MINUTE);
                }
            });
        }
        w
    };
    assert!(finds(&day_of(6, None), "work.regular_as_clockwork").contains("6 stems in a row took 1200 s"));
    silent(&day_of(5, None), "work.regular_as_clockwork");
    silent(&day_of(8, Some(3)), "work.regular_as_clockwork");
}

#[test]
fn one_reading_on_many_trees_in_a_row_is_found() {
    let trees = |n: usize, last: i64| {
        let mut w = base();
        for i in 0..n {
            let tree = w.tree(A, &format!("T{i}"));
            w.now = UtcMs(w.now.0 + MINUTE);
            let tenths = if i + 1 == n { last } else { 2_637 };
            let _ = w.diameter(A, tree, tenths);
        }
        w
    };
    finds(&trees(6, 2_637), "work.same_readings");
    silent(&trees(6, 2_638), "work.same_readings");
    silent(&trees(5, 2_637), "work.same_readings");
}

#[test]
fn a_diameter_its_reading_does_not_give_is_found() {
    let entered = |um: i64| {
        let mut w = base();
        let tree = w.tree(A, "T1");
        let mut body = w.diameter_body(tree, 3_000);
        // 94.2 cm of girth are 29.985 cm (exact π).
        body.as_read = AsRead { text: "94.2".into(), unit: ReadUnit::Cm, of: Measured::Girth };
        body.diameter_um = Um(um);
        w.write(A, body);
        w
    };
    finds(&entered(942_000), "diameter.not_as_read");
    silent(&entered(299_849), "diameter.not_as_read");
    silent(&entered(300_000), "diameter.not_as_read");
}

#[test]
fn a_stem_that_shrank_over_a_season_is_found_one_that_grew_is_not() {
    let later = |tenths: i64| {
        let mut w = base();
        let tree = ash(&mut w, "T1");
        w.now = UtcMs(w.now.0 + 200 * 24 * HOUR);
        let _ = w.diameter(Who::Crew(1), tree, tenths);
        w
    };
    finds(&later(2_900), "diameter.shrunk");
    silent(&later(2_900), "diameter.disagree");
    silent(&later(2_925), "diameter.shrunk");
    silent(&later(3_200), "diameter.disagree");
    finds(&later(3_400), "diameter.disagree");
}

#[test]
fn a_kit_measured_on_a_day_without_work_is_held_against_the_last() {
    let measured = |left: i64| {
        let mut w = World::new();
        let tree = ash(&mut w, "T1");
        w.fill(0, 200_000);
        treat(&mut w, 0, tree, |_| ());
        w.close_day(0, 130_000);
        w.now = UtcMs(w.now.0 + 24 * HOUR);
        w.movement(A, MovementKind::InKit, left, Some(0));
        w
    };
    assert!(finds(&measured(100_000), "balance.kit_unexplained").contains("30.0 mL"));
    silent(&measured(130_000), "balance.kit_unexplained");
}

/// Ten peers of 20 minutes, a little apart, and one that took two hours.
#[test]
fn uptake_far_slower_than_its_peers_is_a_note() {
    let slow = |minutes: i64| {
        let mut w = base();
        for i in 0..11i64 {
            let tree = ash(&mut w, &format!("T{i}"));
            w.now = UtcMs(w.now.0 + 3 * HOUR);
            let lasted = if i == 10 { minutes } else { 18 + i % 5 };
            let mut application = w.application(0, tree, 7);
            application.started_at = UtcMs(w.now.0 - lasted * MINUTE);
            w.write(A, application);
        }
        w
    };
    finds(&slow(120), "uptake.slow");
    silent(&slow(24), "uptake.slow");
}

#[test]
fn a_crews_new_name_reopens_no_ruling() {
    let mut w = base();
    let tree = ash(&mut w, "T1");
    treat(&mut w, 0, tree, |_| ());
    let crew = w.crews[0];
    let day = day("2026-06-01");
    w.now = UtcMs(w.now.0 + MINUTE);
    let kits = vec![KitContent { kit: w.kits[0], lot: w.lot, content_ul: Ul(830_000) }];
    w.write(A, DayClosing { crew, day, containers_out: 1, kits });
    let before = found(&w).into_iter().find(|f| f.code.name() == "day.containers_out").unwrap();
    assert!(before.message.contains("Crew 0"), "{}", before.message);
    let mut body = w.look(|view, _, _| view.yard.crew(crew).unwrap().clone());
    body.name = "Maple".into();
    w.yard_amend(Who::Office, crew, body);
    let after = found(&w).into_iter().find(|f| f.code.name() == "day.containers_out").unwrap();
    assert!(after.message.contains("Maple"), "{}", after.message);
    assert_eq!((before.id, before.facts), (after.id, after.facts));
}
