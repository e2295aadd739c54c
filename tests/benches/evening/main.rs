//! An evening at the server: ten crews bring 400 trees each, one after another and all at once. What it
//! takes of processor, memory, line and time until every record is kept, handed out and, at our own
//! server, checked: at ours, at two general-purpose sync servers, and at the limit.
//!
//! `cargo xtask bench evening [ROUNDS [FILE]]`; rounds go through all of them in turn, and medians and ratios
//! are printed. With a file the raw figures go there. `alone` leaves the peers out, and where some of
//! `InTurns`, `Apart` and `AtOnce` are named, the other evenings. Timings belong here, never into tests.
//! INVENTED: NOT FOR USE.

#![allow(
    clippy::print_stdout,
    clippy::disallowed_methods,
    reason = "it measures, and prints what it measured"
)]

mod limit;
mod ours;
mod peers;

use std::collections::BTreeMap;

use bolebook_tests::scale::crews::{Crew, crew, morning};

/// How many crews come in of an evening.
const CREWS: usize = 10;

/// How the crews come in.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Evening {
    /// One after another.
    InTurns,
    /// One after another with a pause between, in which a server brings its findings up. Peers have none,
    /// and are not asked again.
    Apart,
    /// All at once.
    AtOnce,
}

impl Evening {
    const ALL: [Self; 3] = [Self::InTurns, Self::Apart, Self::AtOnce];

    fn name(self) -> String {
        format!("{self:?}")
    }

    /// Waits as long as it takes until the next crew comes: the server begins on its findings a quarter
    /// of a second after an exchange.
    pub fn pause(self) {
        if self == Self::Apart {
            std::thread::sleep(std::time::Duration::from_millis(800));
        }
    }
}

/// What a server took for an evening.
#[derive(Clone, Copy, Debug, serde::Serialize)]
pub struct Measured {
    /// Seconds of processor time.
    pub cpu_s: f64,
    /// The most memory it held, in MB.
    pub peak_mb: f64,
    /// Seconds on the clock.
    pub wall_s: f64,
    /// Requests with their answers; 0 where it was not counted.
    pub round_trips: u64,
    /// Bytes to the server; of the peers with their headers.
    pub up: u64,
    /// Bytes from it.
    pub down: u64,
}

fn median(mut of: Vec<f64>) -> f64 {
    of.sort_by(f64::total_cmp);
    of.get(of.len() / 2).copied().unwrap_or(f64::NAN)
}

fn main() {
    let words: Vec<String> = std::env::args().skip(1).filter(|word| word != "--bench").collect();
    if let [first, folder] = words.as_slice()
        && first == "--limit"
    {
        return limit::serve(folder);
    }
    let rounds: usize = words.first().and_then(|n| n.parse().ok()).unwrap_or(3);
    let said = |word: &str| words.iter().any(|said| said == word);
    let alone = said("alone");
    let named = |how: &Evening| said(&how.name());
    let evenings = Evening::ALL.into_iter().filter(|how| named(how) || !Evening::ALL.iter().any(named));
    let evenings: Vec<Evening> = evenings.collect();
    let world = morning(CREWS);
    let all: Vec<Crew> = (0..CREWS).map(|n| crew(&world, n)).collect();
    let texts: Vec<&str> = all.iter().flat_map(|c| c.day.iter().flatten()).map(|(_, t)| t.as_str()).collect();
    let packed = zstd::encode_all(texts.join("\n").as_bytes(), 9).expect("packed");
    println!("{} records, {} bytes alone as zstd (level 9)", texts.len(), packed.len());
    let folder = (!alone).then(peers::install);
    let days = tempfile::NamedTempFile::new().expect("a file");
    peers::write_days(&world, &all, days.path());
    let mut measured: BTreeMap<(Evening, &str), Vec<Option<Measured>>> = BTreeMap::new();
    for round in 1..=rounds {
        for how in evenings.iter().copied() {
            let mut note = |name, m: Option<Measured>| {
                println!("round {round}, {how:?}, {name}: {m:?}");
                measured.entry((how, name)).or_default().push(m);
            };
            note("ours", Some(ours::evening(&world, &all, how)));
            note("limit", Some(limit::evening(&all, how)));
            for (name, program) in peers::PEERS.iter().filter(|_| !alone && how != Evening::Apart) {
                let folder = folder.as_deref().expect("installed");
                note(name, peers::evening(folder, program, days.path(), how));
            }
        }
    }
    println!("medians, and how many times ours:");
    for ((how, name), of) in &measured {
        let ended: Vec<Measured> = of.iter().copied().flatten().collect();
        let ours: Vec<Measured> = measured[&(*how, "ours")].iter().copied().flatten().collect();
        let figure = |what: &str, f: fn(&Measured) -> f64| {
            let (one, own) = (median(ended.iter().map(f).collect()), median(ours.iter().map(f).collect()));
            format!("{what} {one:.2} ({:.2})", one / own)
        };
        println!(
            "{how:?}, {name}: ended {} of {}; {}; {}; {}; {}; {}",
            ended.len(),
            of.len(),
            figure("processor s", |m| m.cpu_s),
            figure("clock s", |m| m.wall_s),
            figure("MB", |m| m.peak_mb),
            figure("kB up", |m| m.up as f64 / 1e3),
            figure("kB down", |m| m.down as f64 / 1e3),
        );
    }
    let is_file = |word: &&String| *word != "alone" && Evening::ALL.iter().all(|how| how.name() != **word);
    if let Some(path) = words.iter().skip(1).find(is_file) {
        let raw: Vec<_> = measured
            .iter()
            .map(|((how, name), of)| serde_json::json!({ "evening": format!("{how:?}"), "server": name, "rounds": of }))
            .collect();
        std::fs::write(path, serde_json::to_string_pretty(&raw).expect("figures") + "\n").expect("written");
    }
}
