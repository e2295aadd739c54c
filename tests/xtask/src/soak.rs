//! `cargo xtask soak`: the long forms of simulation, fuzzing and crash tests, optimised.

use crate::process::{TaskError, cargo, run};

/// Builds the soak's program in release and runs it with these arguments.
///
/// # Errors
/// [`TaskError`] when it does not build, or found something.
pub fn soak(arguments: &[String]) -> Result<(), TaskError> {
    let mut command = cargo();
    command.args(["run", "--release", "--package", "bolebook-tests", "--bin", "soak", "--"]);
    run(command.args(arguments))
}
