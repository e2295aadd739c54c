//! Every fuzz target: the committed corpus, and some thousand executions from a seed. The long form
//! is `cargo xtask soak --only fuzz`.

use bolebook_tests::fuzz::{TARGETS, corpus};
use bolebook_tests::sim::dice::Dice;

/// Executions a target makes here.
const EXECUTIONS: u32 = 1_500;

#[test]
fn i9_the_committed_corpus_panics_nothing() {
    for target in &TARGETS {
        let inputs = corpus(target.name);
        assert!(!inputs.is_empty(), "tests/fuzz/corpus/{} is empty", target.name);
        for (name, bytes) in inputs {
            let ended = (target.run)(&bytes);
            assert!(!ended.class.is_empty(), "{}/{name}", target.name);
        }
    }
}

#[test]
#[allow(clippy::print_stdout, reason = "the shares are for whoever runs it")]
fn i9_thousands_of_nearly_right_inputs_panic_nothing_and_a_third_pass_json_and_hash() {
    for target in &TARGETS {
        let mut dice = Dice::new(20_260_601);
        let mut passed = 0;
        for _ in 0..EXECUTIONS {
            passed += u32::from((target.run)(&(target.make)(&mut dice)).passed);
        }
        println!("{}: {} % passed JSON and hash", target.name, passed * 100 / EXECUTIONS);
        assert!(passed * 100 >= EXECUTIONS * 30, "{}: only {passed} of {EXECUTIONS}", target.name);
    }
}
