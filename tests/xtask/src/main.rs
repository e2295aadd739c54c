//! `cargo xtask TASK`: tests, generated files and the demo, with nothing to install by hand.

#![allow(clippy::print_stdout, clippy::print_stderr, reason = "a task runner talks to a terminal")]

use std::path::PathBuf;
use std::process::ExitCode;

use clap::{Parser, Subcommand};
use xtask::process::TaskError;
use xtask::{bench, demo, run_tests, schemas, setup, soak, stand, wasm, web};

#[derive(Parser)]
#[command(name = "cargo xtask", about = "Tasks of the Bolebook repository", version)]
struct Arguments {
    #[command(subcommand)]
    task: Task,
}

#[derive(Subcommand)]
enum Task {
    /// Check formatting, lints, documentation and run every test. What CI runs.
    Test,
    /// Install what the outside checks need: GDAL, Python packages, a WebAssembly toolchain.
    Setup,
    /// Write the generated files again: schemas/record/*.json, tables of docs/record-format.md and docs/findings.md.
    Schemas {
        /// Write nothing; fail when a file is out of date.
        #[arg(long)]
        check: bool,
    },
    /// Run one evening of an invented contractor: three crews, a server, an office, on this machine.
    Demo {
        /// Write the exports and exit; without it the server stays up.
        #[arg(long)]
        once: bool,
        /// Where the exports go.
        #[arg(long, value_name = "DIR")]
        out: Option<PathBuf>,
        /// A mapped stand of your own: CSV with columns x_m, y_m, dbh_cm.
        #[arg(long, value_name = "FILE")]
        stand: Option<PathBuf>,
        /// EPPO code of that stand's trees.
        #[arg(long, value_name = "CODE", default_value = "FRXAM")]
        species: String,
    },
    /// Measure, optimised: the core on a large job, or an evening's exchange. Takes some minutes.
    Bench {
        /// `core`; `counts`: instructions of the hot paths against what is committed; `evening`: ten crews at
        /// our server, at two general-purpose sync servers, at the limit; `load`: forty at once, at one, two and
        /// four processes over PostgreSQL; `history`: five seasons of a job; `photos`: what a photo costs; `season`: 10,000 crews played;
        /// `morning`, `check`, `desk`, `exports`.
        #[arg(default_value = "core")]
        what: String,
        /// What the benchmark is told; of `counts` `--write`, of `evening` how many rounds, of `load` how many
        /// crews; and a file for the raw figures.
        #[arg(trailing_var_arg = true, allow_hyphen_values = true)]
        arguments: Vec<String>,
    },
    /// Simulate, fuzz and cut the power for minutes or hours, optimised; `cargo xtask soak --help` says more.
    #[command(disable_help_flag = true)]
    Soak {
        /// `--minutes N`, `--seed S`, `--only sim|fuzz|crash` and others; `--coverage` measures what the fuzz
        /// targets reach and writes it into docs/reliability.md.
        #[arg(trailing_var_arg = true, allow_hyphen_values = true)]
        arguments: Vec<String>,
    },
    /// Compile the core to WebAssembly as the tests do, and say where the module lies.
    Wasm,
    /// Build the field app, optimised, where the server finds it, and say how large it is.
    Web {
        /// Where to put it.
        #[arg(long, value_name = "DIR")]
        out: Option<PathBuf>,
    },
    /// Write an invented stand of trees as CSV (x_m, y_m, dbh_cm) to standard output or a file.
    Stand {
        /// Where to write it.
        #[arg(long)]
        out: Option<PathBuf>,
        /// How many trees.
        #[arg(long, default_value_t = stand::Parameters::default().trees)]
        trees: usize,
        /// The seed; the same seed and number give the same stand, byte for byte.
        #[arg(long, default_value_t = stand::Parameters::default().seed)]
        seed: u64,
    },
}

fn main() -> ExitCode {
    if let Some(code) = xtask::coverage::stand_in() {
        return code;
    }
    match carry_out(Arguments::parse().task) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("cargo xtask: {error}");
            ExitCode::FAILURE
        }
    }
}

fn carry_out(task: Task) -> Result<(), TaskError> {
    match task {
        Task::Test => run_tests::all(),
        Task::Setup => setup::all(),
        Task::Demo { once, out, stand, species } => demo::run(&demo::Options { once, out, stand, species }),
        Task::Schemas { check } => schemas::write(check),
        Task::Bench { what, arguments } => bench::run_named(&what, &arguments),
        Task::Soak { arguments } => soak::soak(&arguments),
        Task::Wasm => {
            println!("{}", wasm::build_probe()?.display());
            Ok(())
        }
        Task::Web { out } => web::build(out.as_deref()).map(drop),
        Task::Stand { out, trees, seed } => {
            let stand = stand::generate(&stand::Parameters { trees, seed, ..Default::default() })?;
            stand::write(&stand, out.as_deref())
        }
    }
}
