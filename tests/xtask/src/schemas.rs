//! `cargo xtask schemas`: the generated files, written by `write_generated` in `tests`.

use crate::process::{TaskError, cargo, run};

/// Writes the generated files, or with `check` only compares them.
///
/// # Errors
/// [`TaskError`] when they cannot be written, or with `check` when one is out of date.
pub fn write(check: bool) -> Result<(), TaskError> {
    let mut command = cargo();
    command.args(["run", "--quiet", "--package", "bolebook-tests", "--bin", "write_generated", "--"]);
    if check {
        command.arg("--check");
    }
    run(&mut command)
}
