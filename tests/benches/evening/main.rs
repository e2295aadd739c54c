//! An evening at the server: ten crews bring 400 trees each, one after another and all at once. What it
//! takes of processor, memory, line and time until every record is kept, handed out and checked.
//!
//! `cargo xtask bench`. Timings belong here, never into tests. INVENTED: NOT FOR USE.

#![allow(
    clippy::print_stdout,
    clippy::disallowed_methods,
    reason = "it measures, and prints what it measured"
)]

mod crews;
mod ours;
mod process;

#[allow(dead_code, reason = "the tests of the desk use the rest")]
#[path = "../../tests/desk/site.rs"]
mod site;

/// How the crews come in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Evening {
    /// One after another.
    InTurns,
    /// All at once.
    AtOnce,
}

/// What a server took for an evening.
#[derive(Clone, Copy, Debug)]
pub struct Measured {
    /// Seconds of processor time.
    pub cpu_s: f64,
    /// The most memory it held, in MB.
    pub peak_mb: f64,
    /// Seconds on the clock.
    pub wall_s: f64,
    /// Requests with their answers.
    pub round_trips: u64,
    /// Bytes to the server, headers left out.
    pub up: u64,
    /// Bytes from it.
    pub down: u64,
}

fn main() {
    let world = crews::morning();
    let all: Vec<crews::Crew> = (0..crews::CREWS).map(|n| crews::crew(&world, n)).collect();
    let texts: Vec<&str> = all.iter().flat_map(|c| c.day.iter().flatten()).map(|(_, t)| t.as_str()).collect();
    let packed = zstd::encode_all(texts.join("\n").as_bytes(), 9).expect("packed");
    println!("{} records, {} bytes alone as zstd (level 9)", texts.len(), packed.len());
    for how in [Evening::InTurns, Evening::AtOnce] {
        let m = ours::evening(&world, &all, how);
        println!("{how:?}: {m:?}");
    }
}
