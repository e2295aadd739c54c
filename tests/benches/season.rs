//! Plays a season of 10,000 crews and says how many processors it needs for 99 of a hundred exchanges to be
//! answered in ten seconds (docs/scale.md). A count and no timing: the same seed gives the same figures on
//! every machine.
//!
//! `cargo xtask bench season [SEED]`; `--write` keeps it in docs/benchmarks/season.json, from which `cargo xtask
//! schemas` writes the page.

#![allow(clippy::print_stdout, reason = "it says what came out")]

use bolebook_tests::root;
use bolebook_tests::scale::habits::Habits;
use bolebook_tests::scale::measured::Measured;
use bolebook_tests::scale::model::{busiest_hour, planned};
use bolebook_tests::scale::page::{CREWS, Kept};
use bolebook_tests::scale::season::enough;

/// Seconds in which 99 of a hundred exchanges are to be answered.
const WITHIN_S: f64 = 10.0;

fn main() {
    let words: Vec<String> = std::env::args().skip(1).filter(|word| word != "--bench").collect();
    let seed = words.iter().find_map(|word| word.parse().ok()).unwrap_or(1);
    let (habits, measured) = (Habits::of(CREWS), Measured::read());
    let (servers, database) = busiest_hour(&habits, &measured);
    println!(
        "model: the busiest hour takes {:.1} processors of servers and {:.1} of the database; planned for {:?}",
        servers / 3_600.0,
        database / 3_600.0,
        planned(&habits, &measured)
    );
    let (machines, played) = enough(&habits, &measured, WITHIN_S, seed);
    println!("{machines:?} are enough for an answer within {WITHIN_S} s for 99 of a hundred:");
    let kept = Kept::of(&played, &measured, [machines.servers, machines.database]);
    let text = serde_json::to_string_pretty(&kept).expect("figures") + "\n";
    if words.iter().any(|word| word == "--write") {
        std::fs::write(root().join("docs/benchmarks/season.json"), text).expect("written");
    } else {
        println!("{text}");
    }
}
