//! Tests of the forecast on invented logs with known truth, and against figures worked elsewhere.

use proptest::prelude::*;

use super::log::{Seen, share_time};
use super::uptake::{Cause, SlowUptake, slow_uptake};
use super::*;
use crate::ids::{CrewId, RecordId, TreeId};
use crate::quantity::{MilliCelsius, UtcMs};
use crate::record::stand::SoilMoisture;

/// A small generator, so that the invented logs are the same everywhere (Knuth's MMIX constants).
struct Dice(u64);

impl Dice {
    fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Near-normal: the sum of twelve uniform numbers less six.
    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.uniform()).sum::<f64>() - 6.0
    }
}

fn day(number: i64) -> CrewDay {
    let day = format!("2026-06-{:02}", number + 1).parse().unwrap();
    CrewDay { crew: CrewId::new(1_000, [1; 10]), day }
}

fn visit(number: usize, day: CrewDay, species: &str, charges: usize, start_min: f64, minutes: f64) -> Visit {
    let id = |kind: u8| RecordId::new(2_000 + number as i64, [kind; 10]);
    let at = |min: f64| UtcMs(i64::from(day.day.number()) * 86_400_000 + (min * 60_000.0) as i64);
    Visit {
        record: id(1),
        tree: TreeId::new(2_000 + number as i64, [2; 10]),
        tag: format!("T{number}"),
        stem: 1,
        species: Some(species.into()),
        day,
        started_at: at(start_min),
        ended_at: at(start_min + minutes),
        charges,
        removed_at: vec![],
        crew_minutes: 0.0,
        seen: Seen::default(),
    }
}

fn logged(mut visits: Vec<Visit>) -> Logged {
    share_time(&mut visits);
    let closed = visits.iter().map(|v| v.day).collect();
    Logged { visits, unusable: vec![], closed }
}

/// One after another through the days, `minutes` for each stem of (species, charges).
fn in_turn(stems: &[(&str, usize)], per_day: usize, minutes: impl Fn(usize) -> f64) -> Logged {
    let mut visits = vec![];
    let mut at = 480.0;
    for (number, (species, charges)) in stems.iter().enumerate() {
        if number % per_day == 0 {
            at = 480.0;
        }
        let takes = minutes(number);
        visits.push(visit(number, day((number / per_day) as i64), species, *charges, at, takes));
        at += takes;
    }
    logged(visits)
}

#[test]
fn stems_going_at_once_share_the_crews_time() {
    // Two from 0 to 30 and 10 to 40: alone for 10, both for 20, alone for 10.
    let two = logged(vec![visit(0, day(0), "FRXAM", 5, 0.0, 30.0), visit(1, day(0), "FRXAM", 5, 10.0, 30.0)]);
    let minutes: Vec<f64> = two.visits.iter().map(|v| v.crew_minutes).collect();
    assert_eq!(minutes, [20.0, 20.0]);
    let apart =
        logged(vec![visit(0, day(0), "FRXAM", 5, 0.0, 30.0), visit(1, day(1), "FRXAM", 5, 10.0, 30.0)]);
    assert!(apart.visits.iter().all(|v| v.crew_minutes == 30.0));
}

/// numpy 2.4's `polyfit` of these six points gives 2.28571429 a charge and 4.96666667 a stem (computed);
/// the log keeps whole milliseconds.
#[test]
fn minutes_per_stem_and_charge_are_the_least_squares_line() {
    let minutes = [7.0, 10.0, 12.0, 13.5, 16.5, 18.8];
    let stems: Vec<(&str, usize)> = (1..=6).map(|n| ("FRXAM", n)).collect();
    let log = in_turn(&stems, 3, |n| minutes[n]);
    let model = by_day(&log.visits).values().map(|d| &d.sums).sum::<Sums>().fit().unwrap();
    assert!((model.per_charge - SLOPE).abs() < 2e-5, "{model:?}");
    assert!((model.per_stem - LEVEL).abs() < 2e-5, "{model:?}");
}

const SLOPE: f64 = 2.285_714_29;
const LEVEL: f64 = 4.966_666_67;

#[test]
fn a_species_seen_twice_borrows_from_the_others_and_one_seen_often_does_not() {
    let mut dice = Dice(7);
    let mut stems = vec![];
    for species in ["FRXAM", "ACRSC", "QUERU", "TSUHE"] {
        stems.extend((0..60).map(|n| (species, 3 + n % 9)));
    }
    stems.extend([("BETPA", 6), ("BETPA", 6)]);
    let noise: Vec<f64> = stems.iter().map(|_| dice.normal() * 2.0).collect();
    let beside = |s: &str| match s {
        "FRXAM" => -3.0,
        "ACRSC" => 3.0,
        "BETPA" => 9.0,
        _ => 0.0,
    };
    let log = in_turn(&stems, 30, |n| 12.0 + 2.0 * stems[n].1 as f64 + beside(stems[n].0) + noise[n]);
    let left = vec![LeftStem { species: Some("FRXAM".into()), charges: 5 }; 100];
    let found = forecast(&log, &left, Some(300)).unwrap();
    let of = |code: &str| found.species.iter().find(|s| s.species == code).unwrap();
    let (ash, birch) = (of("FRXAM"), of("BETPA"));
    assert!(ash.own_weight > 0.9 && birch.own_weight < ash.own_weight - 0.02, "{ash:?} {birch:?}");
    assert!(birch.shrunk_minutes < birch.logged_minutes, "{birch:?}");
    // Truth: 100 stems of 12 + 10 − 3 minutes at 300 a day.
    assert!((found.crew_days_left - 1_900.0 / 300.0).abs() < 0.3, "{found}");
    let (low, high) = found.interval.unwrap();
    assert!(low < found.crew_days_left && found.crew_days_left < high);
    assert!(found.to_string().contains("95 % between"), "{found}");
}

/// Two hundred invented jobs with days and stems that vary: the 95 % interval of the crew-days must
/// hold the truth about that often.
#[test]
fn the_interval_holds_the_truth_as_often_as_it_says() {
    let (mut held, mut wide) = (0, 0.0);
    for job in 0..200 {
        let mut dice = Dice(1_000 + job);
        let mut one_day = |number: i64, visits: &mut Vec<Visit>, stop: usize| {
            let (mut at, capacity) = (480.0, 300.0 + 30.0 * dice.normal());
            while at - 480.0 < capacity && visits.len() < stop {
                let charges = 2 + (dice.uniform() * 10.0) as usize;
                let minutes = (8.0 + 1.5 * charges as f64 + 3.0 * dice.normal()).max(1.0);
                visits.push(visit(visits.len(), day(number), "FRXAM", charges, at, minutes));
                at += minutes;
            }
            (at - 480.0) / capacity
        };
        let (mut known, mut ahead) = (vec![], vec![]);
        for number in 0..6 {
            one_day(number, &mut known, usize::MAX);
        }
        let mut took = 0.0;
        while ahead.len() < 150 {
            took += one_day(7, &mut ahead, 150).min(1.0);
        }
        let left: Vec<LeftStem> =
            ahead.iter().map(|v| LeftStem { species: v.species.clone(), charges: v.charges }).collect();
        let found = forecast(&logged(known), &left, None).unwrap();
        let (low, high) = found.interval.unwrap();
        held += i32::from(low <= took && took <= high);
        wide += (high - low) / found.crew_days_left;
    }
    assert!((180..=199).contains(&held), "{held} of 200, mean width {}", wide / 200.0);
}

#[test]
fn nothing_logged_gives_an_error_and_one_day_gives_no_interval() {
    let left = vec![LeftStem { species: None, charges: 3 }];
    assert_eq!(forecast(&Logged::default(), &left, None), Err(ForecastError::NothingLogged));
    let log = in_turn(&[("FRXAM", 3), ("FRXAM", 4)], 2, |_| 10.0);
    let one = forecast(&log, &left, None).unwrap();
    assert_eq!(one.interval, None);
    assert!(one.to_string().contains("no interval"), "{one}");
    for bad in [0, -5, 1_441] {
        assert_eq!(forecast(&log, &left, Some(bad)), Err(ForecastError::Day(bad)));
    }
    for (a, b) in [(0.0, 0.0), (f64::NAN, 1.0), (-1.0, 2.0), (1.0, f64::INFINITY)] {
        assert!(TimeModel::assumed(a, b).is_err(), "{a} {b}");
    }
    assert_eq!(TimeModel::assumed(5.0, 2.0).unwrap().minutes(None, 4), 13.0);
}

/// Worked by hand: ten stems of four charges at 5 + 4 · 2 minutes are 130 minutes, half a day of 260.
#[test]
fn assumed_time_is_shown_as_assumed_and_has_no_interval() {
    let left = vec![LeftStem { species: None, charges: 4 }; 10];
    let model = || TimeModel::assumed(5.0, 2.0).unwrap();
    let found = assumed(model(), &left, 260).unwrap();
    assert_eq!((found.minutes_left, found.crew_days_left, found.interval), (130.0, 0.5, None));
    assert!(found.to_string().starts_with("0.5 crew-days left (assumed, so without an interval)"), "{found}");
    assert_eq!(assumed(model(), &left, 0), Err(ForecastError::Day(0)));
    assert_eq!(assumed(model(), &left, 1_441), Err(ForecastError::Day(1_441)));
}

/// scipy 1.17: t(0.975; 31) = 2.0395, 40: 2.0211, 120: 1.9799, 1000: 1.9623 (computed).
#[test]
fn students_t_is_that_of_scipy() {
    for (freedom, t) in
        [(1, 12.7062), (10, 2.2281), (31, 2.0395), (40, 2.0211), (120, 1.9799), (1_000, 1.9623)]
    {
        assert!((student_t_975(freedom) - t).abs() < 1e-4, "{freedom}: {}", student_t_975(freedom));
    }
}

fn with_holes(number: usize, species: &str, day: CrewDay, holes: &[f64]) -> Visit {
    let mut v =
        visit(number, day, species, holes.len(), 480.0, holes.iter().copied().fold(0.0, f64::max) + 1.0);
    v.removed_at = holes.iter().map(|m| UtcMs(v.started_at.0 + (m * 60_000.0) as i64)).collect();
    v
}

fn slow_one(change: impl Fn(&mut Visit)) -> Vec<SlowUptake> {
    let mut visits: Vec<Visit> = (0..20)
        .map(|n| {
            let base = 10.0 + (n % 5) as f64;
            with_holes(n, "FRXAM", day(n as i64 % 4), &[base, base + 1.0, base + 2.0, base + 3.0])
        })
        .collect();
    change(&mut visits[6]);
    slow_uptake(&visits)
}

#[test]
fn a_tree_slower_than_its_peers_is_named_with_what_was_logged_of_it() {
    assert!(slow_one(|_| {}).is_empty());
    let slow = slow_one(|v| {
        *v = with_holes(6, "FRXAM", v.day, &[70.0, 75.0, 80.0, 90.0]);
        v.seen.soil = Some(SoilMoisture::Dry);
        v.seen.soil_mc = Some(MilliCelsius(4_000));
    });
    assert_eq!(slow.len(), 1);
    assert_eq!((slow[0].tag.as_str(), slow[0].slow_holes), ("T6", 4));
    assert_eq!(slow[0].causes, [Cause::DrySoil, Cause::ColdSoil]);
    assert!(slow[0].score > 3.5 && (slow[0].minutes - 77.5).abs() < 0.2, "{}", slow[0]);
    let unexplained = slow_one(|v| *v = with_holes(6, "FRXAM", v.day, &[70.0, 75.0, 80.0, 90.0]));
    assert_eq!(unexplained[0].causes, [Cause::LookAtTheTree]);
}

#[test]
fn one_slow_hole_of_a_good_tree_points_to_the_hole() {
    let slow = slow_one(|v| *v = with_holes(6, "FRXAM", v.day, &[11.0, 12.0, 13.0, 95.0]));
    assert_eq!(slow.len(), 1);
    assert_eq!((slow[0].slow_holes, slow[0].timed_holes), (1, 4));
    assert_eq!(slow[0].causes, [Cause::BlockedHole]);
}

#[test]
fn a_slow_day_is_told_from_a_slow_tree() {
    let mut visits: Vec<Visit> = (0..30)
        .map(|n| with_holes(n, "FRXAM", day(n as i64 % 6), &[10.0 + (n % 5) as f64, 12.0 + (n % 3) as f64]))
        .collect();
    for v in visits.iter_mut().filter(|v| v.day == day(2)) {
        *v = with_holes(0, "FRXAM", v.day, &[60.0, 62.0]);
    }
    let slow = slow_uptake(&visits);
    assert_eq!(slow.len(), 5);
    assert!(slow.iter().all(|s| s.causes == [Cause::WholeDay]), "{slow:?}");
}

#[test]
fn too_few_peers_point_at_nobody() {
    let few: Vec<Visit> = (0..4).map(|n| with_holes(n, "FRXAM", day(0), &[10.0 + 40.0 * n as f64])).collect();
    assert!(slow_uptake(&few).is_empty());
    let same: Vec<Visit> = (0..20).map(|n| with_holes(n, "FRXAM", day(0), &[10.0])).collect();
    assert!(slow_uptake(&same).is_empty());
}

proptest! {
    #[test]
    fn any_times_give_finite_figures_or_an_error(
        rows in prop::collection::vec((0i64..4, 0usize..3, any::<i64>(), any::<i64>(), any::<usize>(), prop::collection::vec(any::<i64>(), 0..4)), 0..40),
        charges in any::<usize>(),
    ) {
        let visits: Vec<Visit> = rows.into_iter().enumerate().map(|(n, (d, s, start, end, charges, off))| {
            let mut v = visit(n, day(d), ["FRXAM", "ACRSC", "?"][s], charges, 0.0, 1.0);
            (v.started_at, v.ended_at) = (UtcMs(start.min(end)), UtcMs(start.max(end)));
            v.removed_at = off.into_iter().map(UtcMs).collect();
            v
        }).collect();
        let log = logged(visits);
        let left = [LeftStem { species: None, charges }, LeftStem { species: Some("FRXAM".into()), charges: 7 }];
        if let Ok(found) = forecast(&log, &left, None) {
            prop_assert!(found.crew_days_left.is_finite() && found.crew_days_left >= 0.0);
            prop_assert!(found.interval.is_none_or(|(low, high)| 0.0 <= low && low <= high));
        }
        prop_assert!(slow_uptake(&log.visits).iter().all(|s| !s.score.is_nan()));
    }
}
