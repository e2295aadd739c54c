//! Benchmarks by their names.

use crate::process::{TaskError, cargo, run};

/// Those that measure the shipped server from outside: it is optimised, and the crews around it need not be.
const OF_THE_SERVER: [&str; 4] = ["evening", "load", "history", "photos"];
/// What is played, and not timed: the same in every build.
const PLAYED: [&str; 1] = ["season"];

/// Runs one.
///
/// # Errors
/// [`TaskError`] when it cannot be built, or fails.
pub fn run_named(what: &str, arguments: &[String]) -> Result<(), TaskError> {
    if OF_THE_SERVER.contains(&what) {
        run(cargo().args(["build", "--release", "--package", "bolebook-server"]))?;
    }
    if OF_THE_SERVER.contains(&what) || PLAYED.contains(&what) {
        let quick = ["test", "--quiet", "--workspace", "--bench", what, "--"];
        return run(cargo().args(quick).args(arguments));
    }
    // With the features that all programs of the workspace have together, as the tests are built.
    let optimised = ["bench", "--quiet", "--workspace", "--bench", what, "--"];
    run(cargo().args(optimised).args(arguments))
}
