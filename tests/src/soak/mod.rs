//! The long forms of the proofs: what `cargo xtask soak` runs, and what it says in the end.

pub mod cutting;
pub mod fuzzing;
pub mod report;
pub mod simulate;

use std::path::PathBuf;
use std::time::{Duration, Instant};

use clap::{Parser, ValueEnum};

use crate::sim::Size;

/// One of the proofs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum Part {
    /// Crews, hubs and a server in trouble.
    Sim,
    /// Hostile bytes.
    Fuzz,
    /// Power cut at every durable step.
    Crash,
}

/// How large a simulated run is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum SizeName {
    /// A few hundred records.
    Small,
    /// About a thousand records.
    Middle,
    /// More than fifty thousand records.
    Large,
}

impl SizeName {
    /// As the simulation calls it.
    pub fn size(self) -> Size {
        match self {
            Self::Small => Size::Small,
            Self::Middle => Size::Middle,
            Self::Large => Size::Large,
        }
    }
}

/// What to soak, and how long.
#[derive(Clone, Debug, Parser)]
#[command(name = "soak", about = "Long runs of simulation, fuzzing and crash tests")]
pub struct Arguments {
    /// How long, in minutes, over all parts.
    #[arg(long, default_value_t = 10)]
    pub minutes: u64,
    /// With `--only sim`: play this seed alone and tell every step. Else: the first seed.
    #[arg(long)]
    pub seed: Option<u64>,
    /// Run one part only.
    #[arg(long)]
    pub only: Option<Part>,
    /// Size of the seed played alone.
    #[arg(long, default_value = "middle")]
    pub size: SizeName,
    /// Simulated seeds to play before the time counts.
    #[arg(long, default_value_t = 0)]
    pub seeds: u64,
    /// Executions a fuzz target makes before the time counts.
    #[arg(long, default_value_t = 0)]
    pub executions: u64,
    /// Fuzz these targets only, by name, with commas between.
    #[arg(long, value_delimiter = ',')]
    pub targets: Vec<String>,
    /// Play every seed so that device processes outlive the restore of their stores and actors fork;
    /// without it every second one is played so.
    #[arg(long)]
    pub snapshots: bool,
    /// Feed each fuzz target its committed inputs first.
    #[arg(long)]
    pub corpus: bool,
    /// Say of each fuzz target which files of the product it aims at, and do nothing.
    #[arg(long)]
    pub aims: bool,
    /// Keep one input for each way a fuzz target can end in tests/fuzz/corpus.
    #[arg(long)]
    pub write_corpus: bool,
    /// Write the summary to this file too.
    #[arg(long, value_name = "FILE")]
    pub report: Option<PathBuf>,
}

/// A time that ends.
#[derive(Clone, Copy, Debug)]
pub struct Until {
    began: Instant,
    lasts: Duration,
}

impl Until {
    /// From now on.
    pub fn after(lasts: Duration) -> Self {
        #[expect(
            clippy::disallowed_methods,
            reason = "a soak is measured in minutes; nothing it finds depends on them"
        )]
        let began = Instant::now();
        Self { began, lasts }
    }

    /// Whether it is over.
    pub fn over(&self) -> bool {
        self.began.elapsed() >= self.lasts
    }

    /// Seconds since it began.
    pub fn seconds(&self) -> f64 {
        self.began.elapsed().as_secs_f64()
    }
}
