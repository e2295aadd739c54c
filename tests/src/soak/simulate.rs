//! The simulation, seed after seed.

use std::panic::{AssertUnwindSafe, catch_unwind};

use crate::sim::{Options, Size, Stats, run};
use crate::soak::report::Report;
use crate::soak::{Arguments, Until};

/// One seed in this many is a large one.
const LARGE_EVERY: u64 = 100;
/// One seed in this many is of middle size; all others are small.
const MIDDLE_EVERY: u64 = 5;

/// Plays seeds until the time is over and at least `--seeds` were played; or one seed, told step
/// by step.
pub fn soak(arguments: &Arguments, until: Until, say: &mut dyn FnMut(String)) -> Report {
    let mut report = Report::default();
    let first = arguments.seed.unwrap_or(1);
    let alone = arguments.seed.is_some() && arguments.seeds == 0;
    let (mut all, mut seeds, mut large) = (Stats::default(), 0, 0);
    while alone && seeds == 0 || !alone && (seeds < arguments.seeds || !until.over()) {
        let seed = first + seeds;
        let size = match alone {
            true => arguments.size.size(),
            false if seeds % LARGE_EVERY == LARGE_EVERY / 2 => Size::Large,
            false if seeds % MIDDLE_EVERY == 0 => Size::Middle,
            false => Size::Small,
        };
        let snapshots = arguments.snapshots || (!alone && seed % 2 == 1);
        let options = Options { snapshots, ..Options::new(size) };
        match catch_unwind(AssertUnwindSafe(|| run(seed, options))) {
            Ok(Ok(stats)) => {
                large += u64::from(stats.records >= 50_000);
                all.add(&stats);
            }
            Ok(Err(failure)) => {
                say(failure.to_string());
                report.losses.push(format!("simulation, seed {seed}: {}", failure.broken.law.name()));
            }
            Err(_) => {
                say(format!(
                    "seed {seed} panicked: cargo xtask soak --only sim --size {size:?} --seed {seed}{}",
                    if snapshots { " --snapshots" } else { "" }
                ));
                report.losses.push(format!("simulation, seed {seed}: a panic"));
            }
        }
        seeds += 1;
        if seeds % 50 == 0 {
            say(format!("{seeds} seeds, {} records, {} faults", all.records, all.faults()));
        }
    }
    report.row("simulation: seeds", seeds);
    report.row("simulation: of them with 50,000 records or more", large);
    for (name, figure) in [
        ("operations", all.operations),
        ("records logged (each counted once, not per replica)", all.records),
        ("commits made durable", all.commits),
        ("exchanges answered 2xx", all.exchanges),
        ("requests refused by a server", all.refusals),
        ("answers a client did not take in", all.answers_refused),
        ("faults: packets lost, cut or doubled", all.packets),
        ("faults: processes crashed", all.crashes),
        ("faults: power cut at a commit", all.power_cuts),
        ("faults: stores restored to an older copy", all.restores),
        ("faults: clocks set wrong by hours", all.clocks),
        ("logs laid out anew after a fork", all.laid_out),
        ("rescues answered 2xx", all.rescues),
        ("lines whose every copy went with a restored store", all.destroyed),
        ("quiet points, every store compared", all.quiet_points),
    ] {
        report.row(format!("simulation: {name}"), figure);
    }
    report.row("simulation: seconds", until.seconds() as u64);
    report
}
