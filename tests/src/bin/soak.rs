//! The program behind `cargo xtask soak`: long runs, and a summary of what they did.

#![allow(clippy::print_stdout, clippy::print_stderr, reason = "a soak talks to a terminal")]

use std::process::ExitCode;
use std::time::Duration;

use bolebook_tests::fuzz::TARGETS;
use bolebook_tests::soak::report::Report;
use bolebook_tests::soak::{Arguments, Part, Until, cutting, fuzzing, simulate};
use clap::Parser as _;

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    if arguments.aims {
        for target in &TARGETS {
            println!("{} {}", target.name, target.aims.join(" "));
        }
        return ExitCode::SUCCESS;
    }
    let mut report = Report::default();
    let parts: Vec<Part> = match arguments.only {
        Some(only) => vec![only],
        None => vec![Part::Sim, Part::Fuzz, Part::Crash],
    };
    let share = Duration::from_secs(arguments.minutes * 60) / u32::try_from(parts.len()).unwrap_or(1);
    let mut say = |text: String| println!("{text}");
    for part in parts {
        let until = Until::after(share);
        report.add(match part {
            Part::Sim => simulate::soak(&arguments, until, &mut say),
            Part::Fuzz => fuzzing::soak(&arguments, share, &mut say),
            Part::Crash => cutting::soak(&arguments, until, &mut say),
        });
    }
    println!("\n{report}");
    for loss in &report.losses {
        println!("{loss}");
    }
    if let Some(path) = &arguments.report
        && let Err(error) = std::fs::write(path, report.to_string())
    {
        eprintln!("{}: {error}", path.display());
        return ExitCode::FAILURE;
    }
    if report.losses.is_empty() { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}
