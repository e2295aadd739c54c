//! The store with the power cut at every commit, at every place of its write-ahead log, and in the
//! middle of a checkpoint. `crash_server.rs` kills the real server; this counts.

use bolebook_tests::sim::cuts::{at_every_commit, of_the_log};

#[test]
fn i6_the_power_may_go_at_any_commit_of_device_or_server_and_nothing_is_lost_or_half_done() {
    assert!(at_every_commit(1, false) > 20);
}

#[test]
#[allow(clippy::print_stdout, reason = "the counts are for whoever runs it")]
fn i6_a_write_ahead_log_cut_or_torn_anywhere_opens_as_it_was_acknowledged() {
    let cuts = of_the_log(1);
    println!("{cuts:?}");
    assert!(cuts.log_cuts > 200 && cuts.torn == cuts.log_cuts && cuts.checkpoints > 10, "{cuts:?}");
}
