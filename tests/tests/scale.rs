//! The model of many crews and the season played beside it agree with each other and with queueing theory.

use bolebook_tests::scale::draw::{evenly, exponential, lognormal};
use bolebook_tests::scale::habits::Habits;
use bolebook_tests::scale::measured::Measured;
use bolebook_tests::scale::model::{at_least, busiest_trees, limits, planned, tree};
use bolebook_tests::scale::page::Kept;
use bolebook_tests::scale::queue::{Station, erlang_c_wait, pollaczek_khinchine};
use bolebook_tests::scale::season::{Machines, play};
use bolebook_tests::sim::dice::Dice;

/// Mean wait of many who come at random, in seconds; all times in it are of the order of a second.
fn mean_wait(servers: usize, rate: f64, mut takes: impl FnMut(&mut Dice) -> f64) -> f64 {
    let (mut dice, mut station) = (Dice::new(7), Station::new(servers));
    let (mut at, mut waited) = (0.0, 0.0);
    let customers = 400_000;
    for _ in 0..customers {
        at += exponential(&mut dice, 1.0 / rate);
        let arrives = (at * 1e6) as u64;
        let (begin, _) = station.serve(arrives, (takes(&mut dice) * 1e6) as u64);
        waited += (begin - arrives) as f64 / 1e6;
    }
    waited / f64::from(customers)
}

#[track_caller]
fn near(found: f64, expected: f64, part: f64) {
    assert!((found / expected - 1.0).abs() < part, "{found} is not near {expected}");
}

/// Waits with random arrivals: the formulas of Pollaczek and Khinchine, and of Erlang, as Kleinrock's Queueing
/// Systems, volume 1 (1975), has them (from memory). A season of 400,000 customers scatters by some percent.
#[test]
fn outside_a_line_waits_as_long_as_queueing_theory_says() {
    for load in [0.3, 0.6, 0.8] {
        // Always the same time, exponential times, and times as the season has them.
        near(mean_wait(1, load, |_| 1.0), pollaczek_khinchine(load, 1.0, 1.0), 0.04);
        near(mean_wait(1, load, |dice| exponential(dice, 1.0)), pollaczek_khinchine(load, 1.0, 2.0), 0.06);
        let spread: f64 = 0.25;
        let wait = mean_wait(1, load, |dice| lognormal(dice, 1.0, spread));
        near(wait, pollaczek_khinchine(load, 1.0, 1.0 + spread * spread), 0.05);
    }
    for servers in [2, 4, 10] {
        let rate = 0.8 * servers as f64;
        near(
            mean_wait(servers, rate, |dice| exponential(dice, 1.0)),
            erlang_c_wait(servers, rate, 1.0),
            0.06,
        );
    }
    // With one server both formulas are one.
    near(erlang_c_wait(1, 0.7, 2.0 / 2.0), pollaczek_khinchine(0.7, 1.0, 2.0), 1e-9);
    assert!(pollaczek_khinchine(1.0, 1.0, 1.0).is_infinite() && erlang_c_wait(2, 2.0, 1.0).is_infinite());
}

fn small() -> Habits {
    Habits { days: 40, ..Habits::of(300) }
}

#[test]
fn a_season_is_the_same_from_the_same_seed_and_another_from_another() {
    let (habits, measured) = (small(), Measured::read());
    let machines = at_least(&habits, &measured);
    let one = play(&habits, &measured, machines, 1);
    assert_eq!(one, play(&habits, &measured, machines, 1));
    assert_ne!(one, play(&habits, &measured, machines, 2));
}

/// What the model sums and what the played season comes to are worked out apart from each other.
#[test]
fn the_played_season_comes_to_the_models_sums() {
    let (habits, measured) = (small(), Measured::read());
    let played = play(&habits, &measured, Machines { servers: 50, database: 50 }, 3);
    let (trees, cost) = (habits.season_trees(), tree(&habits, &measured));
    near(played.trees as f64, trees, 0.02);
    for (i, s) in [cost.server_s, cost.database_s, cost.photo_s].into_iter().enumerate() {
        near(played.processor_s[i], s * trees, 0.03);
    }
    near(played.bytes[0], (cost.up_bytes - cost.photo_bytes) * trees, 0.03);
    near(played.bytes[1], cost.database_bytes * trees, 0.02);
    near(played.bytes[2], cost.photo_bytes * trees, 0.02);
    // With so many processors nobody waits, and the busiest hour is the model's.
    assert!(played.waited_s[2] < 0.01, "{:?}", played.waited_s);
    let busiest = played.busy.iter().map(|hour| hour[0]).fold(0.0, f64::max) * 50.0 * 3_600.0;
    near(busiest, busiest_trees(&habits) * measured.a_tree().0, 0.06);
}

#[test]
fn fewer_processors_make_longer_lines() {
    let (habits, measured) = (Habits { days: 10, ..Habits::of(4_000) }, Measured::read());
    let least = at_least(&habits, &measured);
    let more = Machines { servers: least.servers * 2 + 1, database: least.database * 2 + 1 };
    let (tight, roomy) = (play(&habits, &measured, least, 5), play(&habits, &measured, more, 5));
    assert!(tight.waited_s[2] > roomy.waited_s[2], "{:?} {:?}", tight.waited_s, roomy.waited_s);
    assert_eq!(tight.trees, roomy.trees, "nothing is lost in a line");
    assert!(planned(&habits, &measured).servers >= least.servers);
}

#[test]
fn all_hours_together_are_a_day_and_limits_stand_in_their_order() {
    let (habits, measured) = (Habits::of(10_000), Measured::read());
    near(habits.hours().iter().sum(), 1.0, 1e-6);
    let limits = limits(&habits, &measured);
    assert!(limits.windows(2).all(|two| two[0].crews <= two[1].crews));
    // Half the crews come to half the load, and each thing bears as many as before.
    let half = bolebook_tests::scale::model::limits(&Habits::of(5_000), &measured);
    limits.iter().zip(&half).for_each(|(all, half)| near(half.crews, all.crews, 1e-9));
}

/// Who changes a measured figure plays the season again: `cargo xtask bench season --write`.
#[test]
fn the_kept_season_was_played_from_the_measured_figures() {
    assert_eq!(Kept::read().measured, Measured::read());
}

#[test]
fn what_is_drawn_has_the_mean_it_is_drawn_for() {
    let mut dice = Dice::new(11);
    let count = 200_000;
    let mut mean = |draw: &mut dyn FnMut(&mut Dice) -> f64| {
        (0..count).map(|_| draw(&mut dice)).sum::<f64>() / f64::from(count)
    };
    near(mean(&mut evenly), 0.5, 0.01);
    near(mean(&mut |dice| exponential(dice, 3.0)), 3.0, 0.02);
    near(mean(&mut |dice| lognormal(dice, 2.0, 0.8)), 2.0, 0.02);
}
