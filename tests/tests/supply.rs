//! From a job's books to what the office hands out in the morning: supply, load-out sheet, dose
//! table, time left, the crews' day, and trees that took up slowly.

use bolebook_core::dosing::dayplan::{CrewStart, Rules, day_plan, stops};
use bolebook_core::dosing::dose_table::{self, dose_table};
use bolebook_core::dosing::forecast::log::visits;
use bolebook_core::dosing::forecast::uptake::{Cause, slow_uptake};
use bolebook_core::dosing::forecast::{ForecastError, forecast, stems_left};
use bolebook_core::dosing::supply::{Closing, Heading, Request, Stores, SupplyPlan, plan, trees_left};
use bolebook_core::ids::RecordId;
use bolebook_core::quantity::{MilliCelsius, PerMille, ReadUnit, Ul, Um, UtcMs};
use bolebook_core::record::kit::ContainerKind;
use bolebook_core::record::label::Label;
use bolebook_core::record::stand::{Block, Condition, SoilMoisture, Tree};
use bolebook_core::view::View;
use bolebook_tests::world::{HOUR, Who, World, day};

/// Two blocks of invented ashes: `count` trees of 20 to 38 cm, the last one not measured.
fn stand(world: &mut World, count: usize) -> Vec<RecordId> {
    let block = |world: &mut World, name: &str| {
        world.write(Who::Office, Block { name: name.into(), boundary: vec![] })
    };
    let blocks = [block(world, "North"), block(world, "South")];
    let mut trees = vec![];
    for n in 0..count {
        let tag = format!("A{n:03}");
        let tree = world.tree(Who::Crew(0), &tag);
        let source = bolebook_core::record::stand::PositionSource::Mapped;
        let position = bolebook_core::record::stand::Position {
            lat_ndeg: 42_732_500_000 + 90_000 * (n as i64 % 7),
            lon_ndeg: -84_555_500_000 + 120_000 * (n as i64 / 7),
            accuracy_um: None,
            source,
        };
        let body = Tree {
            tag,
            species: Some("FRXAM".into()),
            block: Some(blocks[n % 2]),
            position: Some(position),
            stems: 1,
            mark: None,
        };
        world.amend(Who::Crew(0), &[tree], body);
        if n != count - 1 {
            world.diameter(Who::Crew(0), tree, 2_000 + 100 * (n as i64 % 19));
        }
        trees.push(tree);
    }
    trees
}

/// The label and containers of the world's job, given to `look` with the supply plan of what is left.
fn planned<T>(world: &World, look: impl FnOnce(&View<'_>, &Label, &[ContainerKind], &SupplyPlan) -> T) -> T {
    world.look(|view, _, _| {
        let label = view.yard.label(world.label).unwrap();
        let containers = &view.yard.kit(world.kits[0]).unwrap().containers;
        let stores = Stores {
            allowance: PerMille(50),
            priming_ul: Ul(20_000),
            holes_per_bit: 150,
            closing: Closing::Plugs,
        };
        let request = Request { label, label_id: world.label, purpose: "preventive", containers, stores };
        let supply = plan(&trees_left(view), &request).unwrap();
        look(view, label, containers, &supply)
    })
}

#[test]
fn the_truck_is_loaded_for_the_trees_that_are_left_and_for_no_others() {
    let mut world = World::new();
    let trees = stand(&mut world, 20);
    let all = planned(&world, |_, _, _, supply| supply.total.clone());
    assert_eq!(all.trees, 19);
    world.fill(0, 500_000);
    world.treat(0, trees[0], 4);
    planned(&world, |view, label, _, supply| {
        assert_eq!(supply.total.trees, 18);
        // A000 is 20 cm: 48 mL usual, five charges of 10 within the label's 60.
        assert_eq!(all.product_ul.0 - supply.total.product_ul.0, 50_000);
        assert_eq!(supply.groups.iter().map(|g| g.name.as_str()).collect::<Vec<_>>(), ["North", "South"]);
        let sum: i64 = supply.groups.iter().map(|g| g.need.product_ul.0).sum();
        assert_eq!(sum, supply.total.product_ul.0);
        let sheet = supply.sheet(&Heading { job: &view.title, crew: None, day: day("2026-06-02") }, label);
        for part in ["INVENTED: NOT FOR USE", "INV-0001", "A019 (South), stem 1: stem 1 has no diameter"] {
            assert!(sheet.contains(part), "{part} is not on\n{sheet}");
        }
    });
}

#[test]
fn the_table_on_the_truck_gives_what_the_plan_gives() {
    let mut world = World::new();
    stand(&mut world, 20);
    planned(&world, |_, label, containers, supply| {
        let table = dose_table(&dose_table::Request {
            label,
            label_id: world.label,
            purpose: "preventive",
            containers,
            unit: ReadUnit::Cm,
            from_um: Um(200_000),
            to_um: Um(380_000),
            step_um: Um(10_000),
            printed: day("2026-06-01"),
        })
        .unwrap();
        // The stand's trees are of whole centimetres, where a row begins.
        let rows: i64 =
            (0..19).filter_map(|n| table.rows[n].entry.as_ref().ok()).map(|e| e.plan.total_ul.0).sum();
        assert_eq!(rows, supply.total.product_ul.0);
        assert!(table.html().contains(&world.label.to_string()));
    });
}

#[test]
fn time_left_and_the_crews_day_come_from_the_jobs_own_log() {
    let mut world = World::new();
    let trees = stand(&mut world, 60);
    let none = planned(&world, |view, _, _, supply| {
        forecast(&visits(view), &stems_left(&trees_left(view), supply), None)
    });
    assert_eq!(none, Err(ForecastError::NothingLogged));
    for days in 0..3 {
        for n in 0..6 {
            world.treat(0, trees[days * 6 + n], 4 + n % 3);
        }
        world.close_day(0, 0);
        world.now = UtcMs(world.now.0 + 20 * HOUR);
    }
    planned(&world, |view, _, _, supply| {
        let log = visits(view);
        assert_eq!((log.visits.len(), log.closed.len(), log.unusable.len()), (18, 3, 0));
        let listed = trees_left(view);
        let found = forecast(&log, &stems_left(&listed, supply), None).unwrap();
        // Every visit took 20 minutes, six a day: 41 stems are left with a diameter.
        assert_eq!(found.stems_left, 41);
        assert!((found.crew_days_left - 41.0 / 6.0).abs() < 1e-6, "{found}");
        let stops = stops(view, &listed, supply, &found.model);
        let crews: Vec<CrewStart> = (0..2)
            .map(|n| CrewStart { crew: world.crews[n], name: format!("Crew {n}"), start: None })
            .collect();
        let rules = Rules { walk_m_per_minute: 40.0, minutes_a_day: Some(240.0), whole_blocks: false };
        let plan = day_plan(&stops, &crews, rules).unwrap();
        let handed: usize = plan.crews.iter().map(|c| c.stops.len()).sum();
        assert_eq!(handed + plan.not_today.len(), 41);
        assert!(plan.crews.iter().all(|c| (8..=12).contains(&c.stops.len()) && c.minutes <= 240.0), "{plan}");
        assert!(plan.to_string().contains("Not today"), "{plan}");
    });
}

#[test]
fn a_tree_that_took_up_slowly_is_named_with_the_soil_it_stood_in() {
    let mut world = World::new();
    let trees = stand(&mut world, 14);
    for (n, tree) in trees.iter().take(12).enumerate() {
        let slow = n == 7;
        if slow {
            let condition = Condition {
                soil: Some(SoilMoisture::Dry),
                air_mc: Some(MilliCelsius(24_000)),
                ..Condition::about(*tree)
            };
            world.write(Who::Crew(0), condition);
        }
        world.now = UtcMs(world.now.0 + 2 * HOUR);
        let mut application = world.application(0, *tree, 5);
        application.started_at = UtcMs(world.now.0 - 100 * 60_000);
        for (i, hole) in application.holes.iter_mut().enumerate() {
            let minutes = if slow { 80 + i as i64 } else { 10 + i as i64 + n as i64 % 4 };
            hole.removed_at = Some(UtcMs(application.started_at.0 + minutes * 60_000));
        }
        world.write(Who::Crew(0), application);
    }
    world.look(|view, _, _| {
        let slow = slow_uptake(&visits(view).visits);
        assert_eq!(slow.iter().map(|s| s.tag.as_str()).collect::<Vec<_>>(), ["A007"]);
        assert_eq!(slow[0].causes, [Cause::DrySoil]);
        assert!(slow[0].to_string().contains("soil logged as dry"), "{}", slow[0]);
    });
}
