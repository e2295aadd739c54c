//! Writes the generated files; with `--check`, only says which are out of date.

#![allow(clippy::print_stdout, clippy::print_stderr, reason = "a task run from a terminal")]

use std::process::ExitCode;

use bolebook_tests::generated;

fn main() -> ExitCode {
    let check = std::env::args().any(|a| a == "--check");
    let outcome = if check { generated::stale() } else { generated::write() };
    match outcome {
        Ok(files) if files.is_empty() => ExitCode::SUCCESS,
        Ok(files) if check => {
            eprintln!("out of date: {}; run 'cargo xtask schemas'", files.join(", "));
            ExitCode::FAILURE
        }
        Ok(files) => {
            println!("wrote {}", files.join(", "));
            ExitCode::SUCCESS
        }
        Err(error) => {
            eprintln!("{error}");
            ExitCode::FAILURE
        }
    }
}
