//! `cargo xtask soak`: the long forms of simulation, fuzzing and crash tests, optimised.

use crate::process::{TaskError, cargo, run};

/// Builds the soak's program in release and runs it with these arguments.
///
/// # Errors
/// [`TaskError`] when it does not build, or found something.
pub fn soak(arguments: &[String]) -> Result<(), TaskError> {
    if arguments.iter().any(|a| a == "--coverage") {
        let executions = arguments.iter().skip_while(|a| *a != "--executions").nth(1);
        return crate::coverage::measure(executions.map(String::as_str));
    }
    let mut command = cargo();
    // Where an optimised build would go on with a wrong number, the soak stops.
    for name in ["bolebook-core", "bolebook-log", "bolebook-report", "bolebook-server", "bolebook-tests"] {
        command.args(["--config", &format!("profile.release.package.{name}.overflow-checks=true")]);
    }
    command.args(["run", "--release", "--package", "bolebook-tests", "--bin", "soak", "--"]);
    run(command.args(arguments))
}
