//! A deterministic simulation of crews, hubs and a server, from one seed.
//!
//! Everything that stores, exchanges and judges is the shipped code: the gate, the log on SQLite,
//! the client's session, the serving side, books, view, checks, balance and exports. Written here
//! are only the people, the network, the power cuts, and the observer who compares. Nothing reads a
//! clock, sleeps or starts a thread, so a seed plays the same run every time:
//! `cargo xtask soak --only sim --seed N`.
//!
//! A run alternates between trouble ([`engine`], [`work`]) and quiet points. At a quiet point the
//! network is whole, everybody exchanges until nothing moves, and then the laws are checked
//! ([`laws`]) over every store.

pub mod aside;
pub mod cast;
pub mod cuts;
pub mod dice;
pub mod disk;
pub mod engine;
pub mod laws;
pub mod ledger;
pub mod net;
pub mod node;
pub mod serving;
pub mod shown;
pub mod work;

use std::fmt;

pub use engine::run;

/// The laws of docs/architecture.md that a run checks, and one of the exchange itself.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Law {
    /// i1.
    Converges,
    /// i2.
    AddOnly,
    /// i3.
    NothingHidden,
    /// i4.
    VolumeConserved,
    /// i5.
    MergeIsTotal,
    /// i6.
    AcknowledgedDurable,
    /// Devices that reach each other come to rest.
    Settles,
}

impl Law {
    /// Its number and name.
    pub fn name(self) -> &'static str {
        match self {
            Self::Converges => "i1 converges",
            Self::AddOnly => "i2 add-only",
            Self::NothingHidden => "i3 nothing hidden",
            Self::VolumeConserved => "i4 volume is conserved",
            Self::MergeIsTotal => "i5 merging is total",
            Self::AcknowledgedDurable => "i6 acknowledged is durable",
            Self::Settles => "an exchange comes to rest",
        }
    }
}

/// A law that did not hold.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Broken {
    /// Which.
    pub law: Law,
    /// What was seen.
    pub why: String,
}

/// What is broken on purpose, to show that the checks would see it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sabotage {
    /// One replica's reader passes over applications (i1).
    HideApplication,
    /// A stored line is changed in one store (i2).
    TamperWithLine,
    /// Every replica shows one application of a tree and drops the others (i3).
    OneApplicationWins,
    /// The balance shows nothing unexplained (i4).
    AbsorbUnexplained,
    /// A server refuses records it cannot read (i5).
    RefuseContent,
    /// A server answers, and its transaction is lost (i6).
    AcknowledgeBeforeCommit,
    /// A device forgets what it had to set aside when an actor had forked (i2).
    ForgetSetAside,
    /// A server answers to evidence of a fork, and puts nothing back (i3).
    RescueNothing,
}

/// How large a run is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Size {
    /// A few hundred records: for ordinary tests.
    Small,
    /// About a thousand records.
    Middle,
    /// More than fifty thousand records.
    Large,
}

/// What a run is made of.
#[derive(Clone, Copy, Debug)]
pub struct Options {
    /// How large.
    pub size: Size,
    /// What is broken on purpose.
    pub sabotage: Option<Sabotage>,
    /// A device's process outlives the restore of its store, as when a virtual machine or a whole
    /// phone is put back to a snapshot: its actor forks.
    pub snapshots: bool,
}

impl Options {
    /// An ordinary run.
    pub fn new(size: Size) -> Self {
        Self { size, sabotage: None, snapshots: false }
    }
}

/// What a run did.
#[derive(Clone, Copy, Debug, Default)]
pub struct Stats {
    /// Things done: work, exchanges asked for, packets delivered, faults.
    pub operations: u64,
    /// Records logged in the books in the end.
    pub records: u64,
    /// Requests answered 2xx.
    pub exchanges: u64,
    /// Requests a server refused.
    pub refusals: u64,
    /// Answers a client did not take in.
    pub answers_refused: u64,
    /// Packets lost, cut or doubled.
    pub packets: u64,
    /// Processes ended between two steps.
    pub crashes: u64,
    /// Commits the power was cut at.
    pub power_cuts: u64,
    /// Commits that became durable.
    pub commits: u64,
    /// Stores put back to an older copy.
    pub restores: u64,
    /// Clocks set wrong.
    pub clocks: u64,
    /// Logs laid out anew because an actor had forked.
    pub laid_out: u64,
    /// Requests with evidence of a fork that a server answered 2xx.
    pub rescues: u64,
    /// Records that could not be rescued and were written again.
    pub reput: u64,
    /// Lines whose every copy went with a restored store.
    pub destroyed: u64,
    /// Points at which every store was compared.
    pub quiet_points: u64,
    /// Findings shown at the last quiet point.
    pub findings: u64,
    /// Applications in force then.
    pub applications: u64,
    /// Records late for their day's sign-off then.
    pub late: u64,
}

impl Stats {
    /// Faults of every sort.
    pub fn faults(&self) -> u64 {
        self.packets + self.crashes + self.power_cuts + self.restores + self.clocks
    }

    /// How much of what was set aside was put back.
    pub(crate) fn put_back(&self) -> u64 {
        self.rescues + self.reput
    }

    /// Adds another run's.
    pub fn add(&mut self, other: &Self) {
        let pairs = [
            (&mut self.operations, other.operations),
            (&mut self.records, other.records),
            (&mut self.exchanges, other.exchanges),
            (&mut self.refusals, other.refusals),
            (&mut self.answers_refused, other.answers_refused),
            (&mut self.packets, other.packets),
            (&mut self.crashes, other.crashes),
            (&mut self.power_cuts, other.power_cuts),
            (&mut self.commits, other.commits),
            (&mut self.restores, other.restores),
            (&mut self.clocks, other.clocks),
            (&mut self.laid_out, other.laid_out),
            (&mut self.rescues, other.rescues),
            (&mut self.reput, other.reput),
            (&mut self.destroyed, other.destroyed),
            (&mut self.quiet_points, other.quiet_points),
            (&mut self.findings, other.findings),
            (&mut self.applications, other.applications),
            (&mut self.late, other.late),
        ];
        for (sum, more) in pairs {
            *sum += more;
        }
    }
}

/// A run that broke a law.
#[derive(Clone, Debug)]
pub struct Failure {
    /// Its seed.
    pub seed: u64,
    /// Its size.
    pub size: Size,
    /// Whether actors could fork.
    pub snapshots: bool,
    /// What broke.
    pub broken: Broken,
    /// What was done, in order.
    pub steps: Vec<String>,
}

impl fmt::Display for Failure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let size = match self.size {
            Size::Small => "small",
            Size::Middle => "middle",
            Size::Large => "large",
        };
        for step in &self.steps {
            writeln!(f, "    {step}")?;
        }
        let why: String = self.broken.why.chars().take(1_200).collect();
        writeln!(f, "seed {} broke the law: {}\n{why}", self.seed, self.broken.law.name())?;
        let snapshots = if self.snapshots { " --snapshots" } else { "" };
        write!(f, "play it again: cargo xtask soak --only sim --size {size} --seed {}{snapshots}", self.seed)
    }
}
