//! What went wrong, and the one place that turns it into kind, message, hint and exit code.

use std::path::PathBuf;

use bolebook_core::authority::AuthorityError;
use bolebook_core::day::Day;
use bolebook_core::dosing::conditions::Caution;
use bolebook_core::record::RecordError;
use bolebook_core::view::ViewError;
use bolebook_log::{LogError, Trouble};

use crate::figures::FigureError;
use crate::local_store::StoreError;
use crate::names::NameError;
use crate::output::put;
use crate::outside::OutsideError;
use crate::transport::TransportError;

/// Anything that can go wrong in a command.
#[derive(Debug, thiserror::Error)]
pub enum CliError {
    /// The store.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// A name that is not one, or not of one thing.
    #[error(transparent)]
    Name(#[from] NameError),
    /// A figure or word.
    #[error(transparent)]
    Figure(#[from] FigureError),
    /// A book that cannot be read as what it should be.
    #[error(transparent)]
    View(#[from] ViewError),
    /// A book, certificate or invitation that proves nothing.
    #[error(transparent)]
    Authority(#[from] AuthorityError),
    /// The clock, the random source, the environment.
    #[error(transparent)]
    Outside(#[from] OutsideError),
    /// The server, or the way to it.
    #[error(transparent)]
    Transport(#[from] TransportError),
    /// A record that cannot be written.
    #[error(transparent)]
    Record(#[from] RecordError),
    /// What was to be logged cannot be true.
    #[error("not logged: {}", .0.join("; "))]
    Refused(Vec<String>),
    /// Something speaks against a dose: a doubt stops it.
    #[error("no dose for tree {tag}:\n  {}", texts(.stops).join("\n  "))]
    NoDose {
        /// The tree.
        tag: String,
        /// What.
        stops: Vec<Caution>,
    },
    /// A plan, table or figure that cannot be given; nothing was to be logged.
    #[error("no {what}:\n  {}", .why.join("\n  "))]
    NoAnswer {
        /// What was asked for.
        what: &'static str,
        /// What is against it.
        why: Vec<String>,
        /// What to do.
        hint: &'static str,
    },
    /// Open findings stop a day from being signed off.
    #[error("crew {crew}'s {day} cannot be signed off while these are open:\n  {}", .stops.join("\n  "))]
    Stopped {
        /// The day.
        day: Day,
        /// The crew.
        crew: String,
        /// The findings.
        stops: Vec<String>,
    },
    /// Lines of a file that cannot be taken in; nothing of it was.
    #[error("{file}: {} of its lines cannot be taken in, so nothing was", .faults.len())]
    Lines {
        /// The file.
        file: String,
        /// What is wrong, each with line and column.
        faults: Vec<Fault>,
    },
    /// Options that do not go together.
    #[error("{message}")]
    Usage {
        /// What is wrong.
        message: String,
        /// What to write instead.
        hint: String,
    },
    /// Something only others may do.
    #[error("{message}")]
    NotAllowed {
        /// What.
        message: String,
        /// What to do instead.
        hint: String,
    },
    /// A file outside the store.
    #[error("{doing} {path}: {why}")]
    File {
        /// What was being done, for example `reading`.
        doing: &'static str,
        /// With what.
        path: PathBuf,
        /// Why not.
        why: String,
    },
    /// Something that should not be possible.
    #[error("{0}")]
    Unexpected(String),
}

impl From<LogError> for CliError {
    fn from(error: LogError) -> Self {
        Self::Store(error.into())
    }
}

impl From<bolebook_db::Error> for CliError {
    fn from(error: bolebook_db::Error) -> Self {
        Self::Store(error.into())
    }
}

/// What is wrong with one line of a file.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct Fault {
    /// The line, from 1, as an editor counts them.
    pub line: u64,
    /// The column's name, when it is one column's fault.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub column: Option<String>,
    /// What is wrong and what to do.
    pub why: String,
}

impl std::fmt::Display for Fault {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "line {}", self.line)?;
        if let Some(column) = &self.column {
            write!(f, ", column '{column}'")?;
        }
        write!(f, ": {}", self.why)
    }
}

/// An error as it is shown.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct Explained {
    /// A stable word for programs.
    pub kind: &'static str,
    /// What went wrong, and where.
    pub message: String,
    /// What to do.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub hint: Option<String>,
    /// What stops a dose, each with its code and source.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub stops: Vec<Caution>,
    /// Every line at fault.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub faults: Vec<Fault>,
    /// The exit code.
    pub exit: u8,
}

/// Exit codes; `docs/command-line.md` lists them and a test holds each.
pub mod exit {
    /// Something that should not be possible.
    pub const UNEXPECTED: u8 = 1;
    /// Arguments that cannot be understood.
    pub const USAGE: u8 = 2;
    /// Open findings stop a day.
    pub const STOPPED: u8 = 3;
    /// Input that cannot be true or cannot be read.
    pub const REFUSED: u8 = 4;
    /// A name of nothing, or of several things.
    pub const NOT_FOUND: u8 = 5;
    /// The store, or a file.
    pub const STORE: u8 = 6;
    /// The server, or the way to it.
    pub const NETWORK: u8 = 7;
    /// Not allowed to this device.
    pub const NOT_ALLOWED: u8 = 8;
}

impl CliError {
    /// The error as it is shown.
    pub fn explain(&self) -> Explained {
        let (kind, exit, hint) = match self {
            Self::Store(error) => store(error),
            Self::Name(error) => ("not_found", exit::NOT_FOUND, Some(error.hint())),
            Self::Figure(_) => ("refused", exit::REFUSED, None),
            Self::Refused(_) => ("refused", exit::REFUSED, Some("correct the entry and log it again".into())),
            Self::Lines { .. } => {
                ("refused", exit::REFUSED, Some("correct these lines and run the command again".into()))
            }
            Self::NoDose { .. } => (
                "refused",
                exit::REFUSED,
                Some("find out and log it ('bolebook condition TREE ...'), or leave the tree".into()),
            ),
            Self::NoAnswer { hint, .. } => ("refused", exit::REFUSED, Some((*hint).to_owned())),
            Self::Stopped { .. } => {
                ("stopped", exit::STOPPED, Some("settle each: amend, strike, or 'bolebook rule'".into()))
            }
            Self::Record(_) => ("refused", exit::REFUSED, None),
            Self::Authority(_) => (
                "not_proven",
                exit::NOT_ALLOWED,
                Some("ask the office for a new invitation; what is stored here stays".into()),
            ),
            Self::View(_) => ("not_found", exit::NOT_FOUND, None),
            Self::Transport(error) => ("network", exit::NETWORK, Some(error.hint())),
            Self::Usage { hint, .. } => ("usage", exit::USAGE, Some(hint.clone())),
            Self::NotAllowed { hint, .. } => ("not_allowed", exit::NOT_ALLOWED, Some(hint.clone())),
            Self::File { .. } => ("file", exit::STORE, None),
            Self::Outside(OutsideError::Folder) => {
                ("usage", exit::USAGE, Some("say where with --store DIR".into()))
            }
            Self::Outside(OutsideError::Now(_)) => ("usage", exit::USAGE, None),
            Self::Outside(OutsideError::Random(_)) | Self::Unexpected(_) => (
                "unexpected",
                exit::UNEXPECTED,
                Some("nothing was changed; please report it with the command you ran".into()),
            ),
        };
        let faults = if let Self::Lines { faults, .. } = self { faults.clone() } else { vec![] };
        let stops = if let Self::NoDose { stops, .. } = self { stops.clone() } else { vec![] };
        Explained { kind, message: self.to_string(), hint, stops, faults, exit }
    }
}

/// What to do about a file that failed.
fn about(trouble: Trouble) -> &'static str {
    match trouble {
        Trouble::Full => {
            "the disk is full, or a quota is used up: make room and run the command again. Nothing of it was stored; what was stored before stays"
        }
        Trouble::Damaged => {
            "the store's file is damaged: run 'bolebook recover', which saves what is left in it, then 'bolebook exchange'"
        }
        Trouble::Busy => {
            "another bolebook command is at work on this store: wait for it and run this again; nothing was changed"
        }
        Trouble::ReadOnly => "the store may not be written: check whose the folder is; what was stored stays",
        // The last three are a shared database's, which no device has.
        Trouble::Other | Trouble::Unfit | Trouble::Again | Trouble::Away | Trouble::Unsure => {
            "check that the folder can be written and the disk is not full; what was stored stays"
        }
    }
}

fn store(error: &StoreError) -> (&'static str, u8, Option<String>) {
    let hint = match error {
        StoreError::None(_) => {
            "make a yard with 'bolebook yard new', join one with 'bolebook join', or name another folder with --store"
        }
        StoreError::Exists(_) => "name another folder with --store",
        StoreError::NoYard => "make a yard with 'bolebook yard new', or join one with 'bolebook join'",
        StoreError::HalfPacked(_) => {
            "every line is there, and lines are packed as far as it came: make room (or wait for who is at work on the store) and run it again, or turn it round with 'bolebook pack --undo'; after '--undo', with 'bolebook pack'"
        }
        StoreError::Log(LogError::Layout { .. }) => "update Bolebook; the store is untouched",
        StoreError::Log(LogError::Turned { .. }) => {
            "every line is there; wait for the other run, then run 'bolebook pack', or 'pack --undo', if you still want it"
        }
        StoreError::Log(LogError::StillPacked { .. }) => {
            "every line is there; run 'bolebook pack --undo' again"
        }
        StoreError::Log(LogError::Refused { .. }) => "nothing was changed; run 'bolebook verify'",
        StoreError::Log(LogError::Damaged { .. }) | StoreError::Damaged { .. } => {
            "run 'bolebook exchange --recheck': it mends the books from the server and keeps what was not sent"
        }
        StoreError::Log(log) => about(log.trouble().unwrap_or(Trouble::Other)),
        StoreError::Database(error) => about(error.trouble()),
        StoreError::File { source, .. } if full(source) => about(Trouble::Full),
        StoreError::File { .. } => about(Trouble::Other),
    };
    ("store", exit::STORE, Some(hint.to_owned()))
}

fn full(error: &std::io::Error) -> bool {
    use std::io::ErrorKind as K;
    matches!(error.kind(), K::StorageFull | K::QuotaExceeded | K::FileTooLarge)
}

fn texts(stops: &[Caution]) -> Vec<&str> {
    stops.iter().map(|stop| stop.text.as_str()).collect()
}

/// How many faults are shown one by one.
const SHOWN: usize = 20;

impl Explained {
    /// Prints it on the error stream.
    pub fn print(&self, json: bool) {
        if json {
            put(std::io::stderr(), &[format!("{:#}", serde_json::json!({ "error": self }))]);
            return;
        }
        let mut lines = vec![format!("error: {}", self.message)];
        lines.extend(self.faults.iter().take(SHOWN).map(|fault| format!("  {fault}")));
        if self.faults.len() > SHOWN {
            lines.push(format!("  and {} more (all of them with --json)", self.faults.len() - SHOWN));
        }
        lines.extend(self.hint.iter().map(|hint| format!("hint: {hint}")));
        put(std::io::stderr(), &lines);
    }
}
