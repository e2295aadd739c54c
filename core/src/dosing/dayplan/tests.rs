//! Tests of the day plan on invented blocks and on the longleaf stand.

use proptest::prelude::*;

use super::*;
use crate::geo::place;
use crate::quantity::Um;
use crate::record::stand::{Corner, PositionSource};

const ORIGIN: Corner = Corner { lat_ndeg: 30_600_000_000, lon_ndeg: -84_400_000_000 };
const RULES: Rules = Rules { walk_m_per_minute: 40.0, minutes_a_day: None, whole_blocks: false };

fn at(x_m: f64, y_m: f64) -> Option<Position> {
    Some(place(ORIGIN, Um((x_m * 1e6) as i64), Um((y_m * 1e6) as i64)))
}

fn stop(number: usize, block: &str, position: Option<Position>, minutes: f64) -> Stop {
    let tree = TreeId::new(5_000 + number as i64, [3; 10]);
    Stop { tree, tag: format!("T{number}"), block: block.into(), position, minutes }
}

fn crews(count: usize) -> Vec<CrewStart> {
    let crew = |n: usize| CrewId::new(100 + n as i64, [9; 10]);
    (0..count).map(|n| CrewStart { crew: crew(n), name: format!("Crew {n}"), start: at(0.0, 0.0) }).collect()
}

fn longleaf() -> Vec<Stop> {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../tests/data/longleaf.csv");
    let text = std::fs::read_to_string(path).unwrap();
    let number = |f: Option<&str>| f.unwrap().parse::<f64>().unwrap();
    let tree = |(n, line): (usize, &str)| {
        let mut fields = line.split(',');
        let (x, y) = (number(fields.next()), number(fields.next()));
        stop(n, if x < 100.0 { "West" } else { "East" }, at(x, y), 4.0 + number(fields.next()) / 5.0)
    };
    text.lines().skip(1).enumerate().map(tree).collect()
}

fn trees_of(plan: &DayPlan) -> Vec<TreeId> {
    let given = plan.crews.iter().flat_map(|c| &c.stops).chain(&plan.not_today);
    let mut trees: Vec<TreeId> = given.map(|s| s.tree).collect();
    trees.sort_unstable();
    trees
}

#[test]
fn the_longleaf_stand_is_shared_evenly_and_walked_shorter_than_tree_to_nearest_tree() {
    let stops = longleaf();
    let plan = day_plan(&stops, &crews(4), RULES).unwrap();
    assert_eq!(trees_of(&plan).len(), 584);
    let minutes: Vec<f64> = plan.crews.iter().map(|c| c.minutes).collect();
    let (least, most) =
        (minutes.iter().copied().fold(f64::MAX, f64::min), minutes.iter().copied().fold(0.0, f64::max));
    assert!(most < 1.03 * least, "{minutes:?}");
    assert!(
        plan.walk_m < 0.95 * plan.nearest_neighbour_m,
        "{} against {}",
        plan.walk_m,
        plan.nearest_neighbour_m
    );
    let walked: f64 = plan.crews[1].stops.iter().filter_map(|s| s.walk_m).sum();
    assert!((walked - plan.crews[1].walk_m).abs() < 1e-6);
    assert_eq!(plan, day_plan(&stops, &crews(4), RULES).unwrap());
}

#[test]
fn a_short_day_leaves_trees_over_and_says_which() {
    let stops = longleaf();
    let rules = Rules { minutes_a_day: Some(360.0), ..RULES };
    let plan = day_plan(&stops, &crews(2), rules).unwrap();
    assert_eq!(trees_of(&plan).len(), 584);
    assert!(plan.crews.iter().all(|c| c.minutes <= 360.0 && c.minutes > 300.0), "{plan}");
    assert!(plan.not_today.len() > 400);
    assert!(plan.to_string().contains("Not today, no time left"));
}

#[test]
fn whole_blocks_are_never_shared() {
    let stops = longleaf();
    let plan = day_plan(&stops, &crews(2), Rules { whole_blocks: true, ..RULES }).unwrap();
    for crew in &plan.crews {
        let blocks: BTreeSet<&str> = crew.stops.iter().map(|s| s.block.as_str()).collect();
        assert_eq!(blocks.len(), 1);
    }
    assert!(plan.not_today.is_empty());
}

#[test]
fn trees_without_a_position_are_handed_out_too_by_block_and_tag() {
    let mut stops = vec![stop(1, "A", at(10.0, 0.0), 30.0), stop(2, "A", at(20.0, 0.0), 30.0)];
    stops.extend([stop(4, "B", None, 10.0), stop(3, "B", None, 10.0)]);
    let plan = day_plan(&stops, &crews(1), RULES).unwrap();
    let tags: Vec<&str> = plan.crews[0].stops.iter().map(|s| s.tag.as_str()).collect();
    assert_eq!(tags, ["T1", "T2", "T3", "T4"]);
    assert!((plan.crews[0].minutes - 80.5).abs() < 1e-3, "{}", plan.crews[0].minutes);
    assert!(plan.to_string().contains("T3, place not known"), "{plan}");
    let nowhere: Vec<Stop> = stops.iter().map(|s| Stop { position: None, ..s.clone() }).collect();
    let plan = day_plan(&nowhere, &crews(2), RULES).unwrap();
    assert_eq!(trees_of(&plan).len(), 4);
}

#[test]
fn what_cannot_be_planned_is_refused_by_name() {
    let good = [stop(1, "A", at(0.0, 0.0), 5.0)];
    assert_eq!(day_plan(&good, &[], RULES), Err(DayPlanError::NoCrew));
    let twice = [good[0].clone(), good[0].clone()];
    assert_eq!(day_plan(&twice, &crews(1), RULES), Err(DayPlanError::TreeTwice("T1".into())));
    let crew = [crews(1), crews(1)].concat();
    assert_eq!(day_plan(&good, &crew, RULES), Err(DayPlanError::CrewTwice("Crew 0".into())));
    for minutes in [f64::NAN, -1.0, f64::INFINITY, 1_441.0] {
        let bad = [Stop { minutes, ..good[0].clone() }];
        assert_eq!(day_plan(&bad, &crews(1), RULES), Err(DayPlanError::Minutes("T1".into())));
    }
    for speed in [0.0, -1.0, f64::NAN, f64::INFINITY] {
        assert!(day_plan(&good, &crews(1), Rules { walk_m_per_minute: speed, ..RULES }).is_err());
        assert!(day_plan(&good, &crews(1), Rules { minutes_a_day: Some(speed), ..RULES }).is_err());
    }
    let off = Position {
        lat_ndeg: i64::MAX,
        lon_ndeg: i64::MIN + 1,
        accuracy_um: None,
        source: PositionSource::Drawn,
    };
    let bad = [Stop { position: Some(off), ..good[0].clone() }];
    assert!(matches!(day_plan(&bad, &crews(1), RULES), Err(DayPlanError::Position(_))));
    let many: Vec<Stop> = (0..=MOST_STOPS).map(|n| stop(n, "A", None, 1.0)).collect();
    assert_eq!(day_plan(&many, &crews(1), RULES), Err(DayPlanError::TooMany(MOST_STOPS + 1)));
}

/// Sums taken in another order differ in the last bit: found by the property below.
#[test]
fn one_crew_without_a_limit_gets_every_tree_however_sums_round() {
    for n in 1..200 {
        let step = 0.1 + f64::from(n) / 7.0;
        let stops: Vec<Stop> = (0..9).map(|k| stop(k, "A", at(step * k as f64, 3.3), 0.1 * step)).collect();
        assert!(day_plan(&stops, &crews(1), RULES).unwrap().not_today.is_empty(), "{n}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    #[test]
    fn no_tree_is_lost_or_given_twice_and_no_day_is_passed(
        trees in prop::collection::vec((0usize..4, prop::option::of((-90i64..=90, -180i64..=180, any::<bool>())), 0.0f64..200.0), 0..30),
        count in 1usize..5, whole in any::<bool>(), day in prop::option::of(1.0f64..500.0),
    ) {
        let stops: Vec<Stop> = trees.iter().enumerate().map(|(n, (block, place, minutes))| {
            let position = place.map(|(lat, lon, near)| if near {
                at(lat as f64, lon as f64).unwrap()
            } else {
                Position { lat_ndeg: lat * 1_000_000_000, lon_ndeg: lon * 1_000_000_000, accuracy_um: None, source: PositionSource::Drawn }
            });
            stop(n, &format!("B{block}"), position, *minutes)
        }).collect();
        let rules = Rules { minutes_a_day: day, whole_blocks: whole, ..RULES };
        let plan = day_plan(&stops, &crews(count), rules).unwrap();
        let mut all: Vec<TreeId> = stops.iter().map(|s| s.tree).collect();
        all.sort_unstable();
        prop_assert_eq!(trees_of(&plan), all);
        prop_assert_eq!(plan.crews.len(), count);
        if let Some(day) = day {
            prop_assert!(plan.crews.iter().all(|c| c.minutes <= day + 1e-6));
        } else {
            prop_assert!(plan.not_today.is_empty());
        }
        prop_assert!(plan.walk_m.is_finite());
    }
}
