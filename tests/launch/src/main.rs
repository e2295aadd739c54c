//! `cargo xtask`: builds the task runner as the tests build their libraries, and hands over to it.

#![allow(clippy::print_stderr, reason = "it talks to a terminal")]

use std::path::Path;
use std::process::{Command, ExitCode};

fn main() -> ExitCode {
    let cargo = std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into());
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("../..");
    let target = std::env::var_os("CARGO_TARGET_DIR").map_or_else(|| root.join("target"), Into::into);
    let runner = target.join("debug/xtask");
    if !runner.exists() {
        eprintln!("Compiling the task runner first: a few minutes on a fresh machine.");
    }
    let mut build = Command::new(&cargo);
    build.current_dir(&root).arg("--quiet").args(launch::build(&["xtask"]));
    // What `cargo run` says of this program would make the same crates look changed to the next cargo.
    for (name, _) in std::env::vars_os() {
        let text = name.to_string_lossy();
        if text.starts_with("CARGO_PKG_") || text.starts_with("CARGO_MANIFEST_") || text == "CARGO_BIN_NAME" {
            build.env_remove(&name);
        }
    }
    for command in [&mut build, Command::new(&runner).args(std::env::args_os().skip(1))] {
        match command.status() {
            Ok(status) if status.success() => {}
            Ok(status) => {
                return ExitCode::from(status.code().and_then(|c| u8::try_from(c).ok()).unwrap_or(1));
            }
            Err(error) => {
                eprintln!("{}: {error}", command.get_program().to_string_lossy());
                return ExitCode::FAILURE;
            }
        }
    }
    ExitCode::SUCCESS
}
