//! The store with the power cut at every step, seed after seed.

use std::panic::{AssertUnwindSafe, catch_unwind};

use crate::sim::cuts::{Cuts, at_every_commit, of_the_log};
use crate::soak::report::Report;
use crate::soak::{Arguments, Until};

/// Cuts the power everywhere until the time is over.
pub fn soak(arguments: &Arguments, until: Until, say: &mut dyn FnMut(String)) -> Report {
    let mut report = Report::default();
    let (mut all, mut seeds) = (Cuts::default(), 0);
    while seeds == 0 || !until.over() {
        let seed = arguments.seed.unwrap_or(1) + seeds;
        let played =
            catch_unwind(AssertUnwindSafe(|| (at_every_commit(seed, seeds % 4 == 0), of_the_log(seed))));
        match played {
            Ok((commits, cuts)) => {
                all.commits += commits;
                all.log_cuts += cuts.log_cuts;
                all.torn += cuts.torn;
                all.checkpoints += cuts.checkpoints;
            }
            Err(_) => {
                say(format!("cargo xtask soak --only crash --minutes 0 --seed {seed}"));
                report.losses.push(format!("crash, seed {seed}"));
            }
        }
        seeds += 1;
    }
    report.row("crash: seeds", seeds);
    report.row("crash: commits the power was cut at, one run each", all.commits);
    report.row("crash: places a write-ahead log was cut at", all.log_cuts);
    report.row("crash: the same with noise after the cut", all.torn);
    report.row("crash: checkpoints stopped after some pages", all.checkpoints);
    report
}
