//! The gate: what a log may take in.
//!
//! FROZEN with format 1. It refuses a commit only for what is wrong in itself or its ancestors, by
//! the same rules on every replica, so a hub never takes in what the main server must refuse.
//! Authority, revocation and duplicate ids never refuse; they hold records or raise findings.

use std::collections::BTreeMap;

use crate::commit::{Commit, CommitError};
use crate::ids::{ActorId, BookId, CommitHash};
use crate::record::book_kinds::Genesis;
use crate::record::{Body, Record};
use crate::signing::{HeadSignature, SigningError};

/// What the gate needs to know of a commit already in the log.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Known {
    /// Its author.
    pub actor: ActorId,
    /// Its place in the author's chain.
    pub seq: u64,
    /// Number of its last operation.
    pub last_op: u64,
}

impl Known {
    /// What the gate keeps of a commit.
    pub fn of(commit: &Commit) -> Self {
        Self { actor: commit.actor(), seq: commit.seq(), last_op: commit.last_op() }
    }
}

/// A log the gate can ask.
pub trait LogIndex {
    /// Why the log could not answer.
    type Error;

    /// A commit of this book, if the log has it.
    ///
    /// # Errors
    /// When the log cannot be read.
    fn known(&self, hash: CommitHash) -> Result<Option<Known>, Self::Error>;

    /// The last commit of an actor in this book.
    ///
    /// # Errors
    /// When the log cannot be read.
    fn chain_end(&self, actor: ActorId) -> Result<Option<(u64, CommitHash)>, Self::Error>;

    /// Whether the book has no commit yet.
    ///
    /// # Errors
    /// When the log cannot be read.
    fn is_empty(&self) -> Result<bool, Self::Error>;
}

/// Why a commit was refused.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Refusal {
    /// Wrong in itself.
    #[error(transparent)]
    Commit(#[from] CommitError),
    /// Depends on a commit the log does not have: send that first.
    #[error(
        "depends on commit {0}, which this log does not have: exchange from the log's end and send what it lacks"
    )]
    UnknownDependency(CommitHash),
    /// Its sequence number does not follow the actor's last, or it does not depend on that commit.
    #[error(
        "sequence number {found} does not follow: the actor's next is {expected}, depending on its last commit"
    )]
    Sequence {
        /// What it says.
        found: u64,
        /// What would follow.
        expected: u64,
    },
    /// The actor already wrote another commit with this number.
    #[error("this actor already wrote another commit with number {seq}: its store was copied or restored")]
    Fork {
        /// The number used twice.
        seq: u64,
    },
    /// Operations not numbered from 1 + the highest of the dependencies.
    #[error("operations start at {found}; after its dependencies they start at {expected}")]
    StartOp {
        /// What it says.
        found: u64,
        /// What would follow.
        expected: u64,
    },
    /// A first commit that is not this book's genesis, or a second one without dependencies.
    #[error("not this book's genesis: {0}")]
    Genesis(&'static str),
    /// A head signature that names a commit the log does not have so.
    #[error("signature for {0}, which is not a commit of this actor and number here")]
    SignatureTarget(CommitHash),
    /// A signature that does not hold.
    #[error(transparent)]
    Signature(#[from] SigningError),
}

impl Refusal {
    /// A stable code for programs.
    pub fn code(&self) -> &'static str {
        match self {
            Self::Commit(CommitError::Hash { .. }) => "hash-mismatch",
            Self::Commit(CommitError::Size { .. }) => "commit-too-large",
            Self::Commit(_) => "commit-malformed",
            Self::UnknownDependency(_) => "unknown-dependency",
            Self::Sequence { .. } => "sequence-gap",
            Self::Fork { .. } => "actor-forked",
            Self::StartOp { .. } => "operation-numbers",
            Self::Genesis(_) => "not-genesis",
            Self::SignatureTarget(_) => "signature-target",
            Self::Signature(_) => "signature-invalid",
        }
    }
}

/// Why the gate gave no verdict, or a bad one.
#[derive(Debug, thiserror::Error)]
pub enum GateError<E> {
    /// The commit is refused.
    #[error(transparent)]
    Refused(#[from] Refusal),
    /// The log could not be asked.
    #[error("the log could not be read: {0}")]
    Log(E),
}

/// The gate's word on a commit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Verdict {
    /// New: append it.
    New,
    /// Already in the log: nothing to do.
    Known,
}

/// Passes a batch of commits for one book, in order, against a log and what the batch itself adds.
pub struct Gate<'a, L> {
    book: BookId,
    log: &'a L,
    added: BTreeMap<CommitHash, Known>,
    ends: BTreeMap<ActorId, (u64, CommitHash)>,
}

impl<'a, L: LogIndex> Gate<'a, L> {
    /// A gate in front of `log`.
    pub fn new(book: BookId, log: &'a L) -> Self {
        Self { book, log, added: BTreeMap::new(), ends: BTreeMap::new() }
    }

    fn known(&self, hash: CommitHash) -> Result<Option<Known>, GateError<L::Error>> {
        match self.added.get(&hash) {
            Some(known) => Ok(Some(*known)),
            None => self.log.known(hash).map_err(GateError::Log),
        }
    }

    fn chain_end(&self, actor: ActorId) -> Result<Option<(u64, CommitHash)>, GateError<L::Error>> {
        match self.ends.get(&actor) {
            Some(end) => Ok(Some(*end)),
            None => self.log.chain_end(actor).map_err(GateError::Log),
        }
    }

    /// Checks a commit (already parsed, so its form and hash are right) against the log.
    ///
    /// # Errors
    /// [`Refusal`] with the rule broken, or the log's own error.
    pub fn pass(&mut self, commit: &Commit) -> Result<Verdict, GateError<L::Error>> {
        if self.known(commit.hash())?.is_some() {
            return Ok(Verdict::Known);
        }
        if commit.deps().is_empty() {
            self.pass_genesis(commit)?;
        } else {
            self.pass_follower(commit)?;
        }
        self.added.insert(commit.hash(), Known::of(commit));
        self.ends.insert(commit.actor(), (commit.seq(), commit.hash()));
        Ok(Verdict::New)
    }

    fn pass_genesis(&self, commit: &Commit) -> Result<(), GateError<L::Error>> {
        let empty = self.added.is_empty() && self.log.is_empty().map_err(GateError::Log)?;
        if !empty {
            return Err(
                Refusal::Genesis("the book has one already, and every other commit depends on it").into()
            );
        }
        genesis_of(commit, self.book)?;
        Ok(())
    }

    fn pass_follower(&self, commit: &Commit) -> Result<(), GateError<L::Error>> {
        let mut highest = 0;
        for dep in commit.deps() {
            let known = self.known(*dep)?.ok_or(Refusal::UnknownDependency(*dep))?;
            highest = highest.max(known.last_op);
        }
        match self.chain_end(commit.actor())? {
            Some((last, _)) if commit.seq() <= last => return Err(Refusal::Fork { seq: commit.seq() }.into()),
            Some((last, hash)) if commit.seq() != last + 1 || !commit.deps().contains(&hash) => {
                return Err(Refusal::Sequence { found: commit.seq(), expected: last + 1 }.into());
            }
            None if commit.seq() != 1 => {
                return Err(Refusal::Sequence { found: commit.seq(), expected: 1 }.into());
            }
            _ => {}
        }
        if commit.start_op() != highest + 1 {
            return Err(Refusal::StartOp { found: commit.start_op(), expected: highest + 1 }.into());
        }
        Ok(())
    }

    /// Checks that a head signature names a commit of the log or of this batch.
    ///
    /// Whether it holds is for whoever knows the device's key (`core::authority`); a signature
    /// that does not hold vouches for nothing.
    ///
    /// # Errors
    /// [`Refusal::SignatureTarget`], or the log's own error.
    pub fn pass_signature(&self, signed: &HeadSignature) -> Result<(), GateError<L::Error>> {
        match self.known(signed.hash)? {
            Some(k) if k.actor == signed.actor && k.seq == signed.seq => Ok(()),
            _ => Err(Refusal::SignatureTarget(signed.hash).into()),
        }
    }
}

/// The genesis record of a genesis commit for `book`.
///
/// # Errors
/// [`Refusal::Genesis`] when the commit is none: dependencies, more than one record, another
/// book's id, an unknown format.
pub fn genesis_of(commit: &Commit, book: BookId) -> Result<Genesis, Refusal> {
    if !commit.deps().is_empty() || commit.seq() != 1 || commit.start_op() != 1 {
        return Err(Refusal::Genesis("it has sequence and operation number 1 and depends on nothing"));
    }
    let [text] = commit.records() else {
        return Err(Refusal::Genesis("it carries one record"));
    };
    let Ok(Record { body: Body::Genesis(genesis), .. }) = Record::read(text) else {
        return Err(Refusal::Genesis("its record is not of kind 'genesis'"));
    };
    if genesis.format != 1 {
        return Err(Refusal::Genesis("its format is newer than this Bolebook: update it"));
    }
    if genesis.book != book {
        return Err(Refusal::Genesis("it opens another book"));
    }
    Ok(*genesis)
}
