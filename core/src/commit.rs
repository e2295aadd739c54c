//! Commits: Automerge changes in readable form.
//!
//! FROZEN with format 1. A commit is one line of canonical JSON,
//! `{"actor","deps","hash","records","seq","start_op","time"}`; the receiver builds the Automerge
//! change from it and the hash must come out the same. No Automerge bytes from outside are ever
//! parsed (`docs/decisions/0002-readable-commits.md`).

use std::num::NonZeroU64;

use automerge::legacy::{Key, ObjectId, Op, OpType, SortedVec};
use automerge::{Change, ExpandedChange, ScalarValue};
use serde::Deserialize;
use serde_json::value::RawValue;

use crate::ids::{ActorId, CommitHash, RecordId};
use crate::quantity::{MAX_SAFE_INTEGER, UtcMs};
use crate::record::canonical::{self, CanonicalError};

/// Longest commit line, in bytes.
pub const MAX_COMMIT_BYTES: usize = 4 * 1024 * 1024;
/// Most records in a commit.
pub const MAX_RECORDS: usize = 500;
/// Most commits a commit may depend on.
pub const MAX_DEPS: usize = 512;
/// Operations are numbered below this (Automerge stores counters in 32 bits here and there).
pub const MAX_OP: u64 = 1 << 31;

/// What an author puts into a commit.
#[derive(Clone, Debug)]
pub struct Draft {
    /// Who writes.
    pub actor: ActorId,
    /// 1 + the actor's last sequence number.
    pub seq: u64,
    /// 1 + the highest operation of the dependencies.
    pub start_op: u64,
    /// By the writer's clock.
    pub time: UtcMs,
    /// The heads the writer knew, and its own last commit.
    pub deps: Vec<CommitHash>,
    /// Canonical texts of the records.
    pub records: Vec<String>,
}

/// A commit whose form and hash are right.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Commit {
    actor: ActorId,
    deps: Vec<CommitHash>,
    hash: CommitHash,
    records: Vec<String>,
    record_ids: Vec<RecordId>,
    seq: u64,
    start_op: u64,
    time: UtcMs,
}

/// A commit is wrong in itself.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum CommitError {
    /// Longer than a commit may be.
    #[error("{bytes} bytes; a commit line has at most {MAX_COMMIT_BYTES}")]
    Size {
        /// Its length.
        bytes: usize,
    },
    /// Not the JSON of a commit.
    #[error("not a commit line: {0}")]
    Shape(String),
    /// The line is not spelled the one way it can be.
    #[error(
        "not in canonical form: fields in order actor, deps, hash, records, seq, start_op, time, without spaces"
    )]
    NotCanonical,
    /// A record is not canonical JSON, or has no UUIDv7 `id`.
    #[error("record {index}: {why}")]
    Record {
        /// Which, from 0.
        index: usize,
        /// Why.
        why: String,
    },
    /// No records, or too many.
    #[error("{0} records; a commit has 1 to {MAX_RECORDS}")]
    RecordCount(usize),
    /// One id twice in a commit.
    #[error("record id {0} stands twice in one commit")]
    DuplicateId(RecordId),
    /// Dependencies not strictly ascending, or too many.
    #[error("dependencies must be strictly ascending, at most {MAX_DEPS}")]
    Deps,
    /// A number out of its range.
    #[error("{field} is out of range")]
    Range {
        /// Which field.
        field: &'static str,
    },
    /// The hash is not that of the change.
    #[error("hash is {found}, but the commit's content gives {expected}")]
    Hash {
        /// What the line says.
        found: CommitHash,
        /// What the content gives.
        expected: CommitHash,
    },
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Wire<'a> {
    actor: ActorId,
    deps: Vec<CommitHash>,
    hash: CommitHash,
    #[serde(borrow)]
    records: Vec<&'a RawValue>,
    seq: u64,
    start_op: u64,
    time: UtcMs,
}

impl Commit {
    /// Makes a commit and its hash.
    ///
    /// # Errors
    /// [`CommitError`] when a record, number or dependency breaks a rule a receiver would refuse it for.
    pub fn author(draft: Draft) -> Result<Self, CommitError> {
        let Draft { actor, seq, start_op, time, mut deps, records } = draft;
        deps.sort_unstable();
        deps.dedup();
        let mut commit =
            Self { actor, deps, hash: CommitHash([0; 32]), records, record_ids: vec![], seq, start_op, time };
        commit.check_form()?;
        commit.hash = commit.content_hash();
        Ok(commit)
    }

    /// Reads a line from outside and checks everything that is the commit's own: form, limits,
    /// canonical records and hash.
    ///
    /// # Errors
    /// [`CommitError`] with the first rule broken. Never panics, whatever the bytes.
    pub fn parse(line: &str) -> Result<Self, CommitError> {
        let mut commit = Self::read(line)?;
        commit.check_form()?;
        if commit.line() != line {
            return Err(CommitError::NotCanonical);
        }
        let expected = commit.content_hash();
        if expected != commit.hash {
            return Err(CommitError::Hash { found: commit.hash, expected });
        }
        Ok(commit)
    }

    /// Reads a line this device has already checked and stored; the hash is not computed again.
    ///
    /// # Errors
    /// [`CommitError`] when the stored line is not a commit: the store is damaged.
    pub fn parse_stored(line: &str) -> Result<Self, CommitError> {
        #[derive(Deserialize)]
        struct Id {
            id: RecordId,
        }
        let mut commit = Self::read(line)?;
        for (index, text) in commit.records.iter().enumerate() {
            let bad = |why: String| CommitError::Record { index, why };
            let id = match canonical::plain_id(text) {
                Some(id) => id.parse().map_err(|e: crate::ids::IdError| bad(e.to_string()))?,
                None => serde_json::from_str::<Id>(text).map_err(|e| bad(e.to_string()))?.id,
            };
            commit.record_ids.push(id);
        }
        Ok(commit)
    }

    fn read(line: &str) -> Result<Self, CommitError> {
        if line.len() > MAX_COMMIT_BYTES {
            return Err(CommitError::Size { bytes: line.len() });
        }
        let wire: Wire<'_> = serde_json::from_str(line).map_err(|e| CommitError::Shape(e.to_string()))?;
        let Wire { actor, deps, hash, records, seq, start_op, time } = wire;
        let records = records.into_iter().map(|r| r.get().to_owned()).collect();
        Ok(Self { actor, deps, hash, records, record_ids: vec![], seq, start_op, time })
    }

    fn check_form(&mut self) -> Result<(), CommitError> {
        let count = self.records.len();
        if count == 0 || count > MAX_RECORDS {
            return Err(CommitError::RecordCount(count));
        }
        if self.deps.len() > MAX_DEPS || !self.deps.is_sorted_by(|a, b| a < b) {
            return Err(CommitError::Deps);
        }
        if self.seq == 0 || self.seq >= MAX_OP {
            return Err(CommitError::Range { field: "seq" });
        }
        if self.start_op == 0 || self.start_op.saturating_add(count as u64) > MAX_OP {
            return Err(CommitError::Range { field: "start_op" });
        }
        if self.time.0.checked_abs().is_none_or(|t| t > MAX_SAFE_INTEGER) {
            return Err(CommitError::Range { field: "time" });
        }
        self.record_ids.clear();
        for (index, text) in self.records.iter().enumerate() {
            let bad = |why: String| CommitError::Record { index, why };
            let id = canonical::check_id(text).map_err(|e: CanonicalError| bad(e.to_string()))?;
            let id = id.ok_or_else(|| bad("it has no id".into()))?;
            self.record_ids.push(id.parse().map_err(|e: crate::ids::IdError| bad(e.to_string()))?);
        }
        let mut ids = self.record_ids.clone();
        ids.sort_unstable();
        match ids.windows(2).find(|w| w[0] == w[1]) {
            Some(twice) => Err(CommitError::DuplicateId(twice[0])),
            None => Ok(()),
        }
    }

    /// The Automerge change this commit stands for: each record a put of its text under its id at ROOT.
    pub fn to_change(&self) -> Change {
        let operations = self.record_ids.iter().zip(&self.records).map(|(id, text)| Op {
            action: OpType::Put(ScalarValue::Str(text.as_str().into())),
            obj: ObjectId::Root,
            key: Key::Map(id.to_string().into()),
            pred: SortedVec::new(),
            insert: false,
        });
        Change::from(ExpandedChange {
            operations: operations.collect(),
            actor_id: automerge::ActorId::from(&self.actor.0[..]),
            hash: None,
            seq: self.seq,
            start_op: NonZeroU64::new(self.start_op).unwrap_or(NonZeroU64::MIN),
            time: self.time.0,
            message: None,
            deps: self.deps.iter().map(|d| automerge::ChangeHash(d.0)).collect(),
            extra_bytes: vec![],
            author: None,
        })
    }

    fn content_hash(&self) -> CommitHash {
        CommitHash(self.to_change().hash().0)
    }

    /// Its one spelling as a line.
    pub fn line(&self) -> String {
        use std::fmt::Write as _;
        let size = 400 + self.deps.len() * 67 + self.records.iter().map(|r| r.len() + 1).sum::<usize>();
        let mut line = String::with_capacity(size);
        let _ = write!(line, r#"{{"actor":"{}","deps":["#, self.actor);
        for (i, dep) in self.deps.iter().enumerate() {
            let _ = write!(line, r#"{}"{dep}""#, if i == 0 { "" } else { "," });
        }
        let _ = write!(line, r#"],"hash":"{}","records":["#, self.hash);
        for (i, record) in self.records.iter().enumerate() {
            line.push_str(if i == 0 { "" } else { "," });
            line.push_str(record);
        }
        let _ = write!(line, r#"],"seq":{},"start_op":{},"time":{}}}"#, self.seq, self.start_op, self.time.0);
        line
    }

    /// Who wrote it.
    pub fn actor(&self) -> ActorId {
        self.actor
    }

    /// What it depends on, ascending.
    pub fn deps(&self) -> &[CommitHash] {
        &self.deps
    }

    /// Its hash.
    pub fn hash(&self) -> CommitHash {
        self.hash
    }

    /// The canonical texts it carries.
    pub fn records(&self) -> &[String] {
        &self.records
    }

    /// Their ids, in the same order.
    pub fn record_ids(&self) -> &[RecordId] {
        &self.record_ids
    }

    /// Its place in the actor's chain, from 1.
    pub fn seq(&self) -> u64 {
        self.seq
    }

    /// Number of its first operation.
    pub fn start_op(&self) -> u64 {
        self.start_op
    }

    /// Number of its last operation.
    pub fn last_op(&self) -> u64 {
        self.start_op + self.records.len() as u64 - 1
    }

    /// When it was written, by the writer's clock.
    pub fn time(&self) -> UtcMs {
        self.time
    }
}
