//! A book in memory: its commits in an order of arrival, and what follows from them.
//!
//! A book *is* an Automerge document, whose ROOT maps record ids to canonical texts. Its commits
//! are that document's changes, so nothing here needs the document itself: who carried a record,
//! and what they knew, stands in the commits. [`Book::document`] makes the document, for anyone
//! who wants to open a book with Automerge, and for the test that both say the same.

mod rescue;

use std::collections::{BTreeMap, BTreeSet};
use std::convert::Infallible;
use std::sync::{Arc, OnceLock};

use automerge::{Automerge, ReadDoc as _};

use crate::causality::{Causality, Past, Spot};
use crate::commit::{Commit, CommitError, Draft, MAX_DEPS, MAX_RECORDS};
use crate::gate::{Gate, GateError, Known, LogIndex, Refusal, Verdict, genesis_of};
use crate::ids::{ActorId, BookId, CommitHash, RecordId};
use crate::quantity::UtcMs;
use crate::record::book_kinds::Genesis;
use crate::record::{Record, RecordError};
use crate::signing::{HeadSignature, PublicKey};

pub use rescue::Rescued;

/// Where a record stands: in which commit, and as which of its records.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Carrier {
    /// Position of the commit in this replica's order of arrival: for looking up, never for
    /// deciding. A rescued commit has a number beyond all of them ([`Carrier::rescued`]).
    pub commit: usize,
    /// Index of the record in the commit.
    pub index: usize,
}

/// A record as it was read, or why it could not be.
type ReadRecord = Result<Arc<Record>, RecordError>;

/// A book's commits and signatures on one replica.
#[derive(Clone, Debug)]
pub struct Book {
    id: BookId,
    genesis: Option<Genesis>,
    commits: Vec<Commit>,
    causality: Causality,
    /// Each commit's place in `causality`.
    places: Vec<usize>,
    rescued: Vec<Rescued>,
    rescued_index: BTreeMap<CommitHash, usize>,
    index: BTreeMap<CommitHash, usize>,
    ends: BTreeMap<ActorId, (u64, CommitHash)>,
    heads: BTreeSet<CommitHash>,
    records: BTreeMap<RecordId, Vec<Carrier>>,
    /// The records of each commit, as far as they were read ([`Book::record`]).
    read: Vec<Vec<OnceLock<ReadRecord>>>,
    /// The head signatures, each with whether it holds, once someone who knows the key has looked.
    signatures: BTreeMap<(ActorId, u64), BTreeMap<HeadSignature, OnceLock<bool>>>,
}

/// A book's document could not be made.
#[derive(Debug, thiserror::Error)]
pub enum DocumentError {
    /// Automerge refused the changes.
    #[error("Automerge refused the book's changes: {0}")]
    Automerge(#[from] automerge::AutomergeError),
    /// Changes were left waiting for others: the book is incomplete.
    #[error("the book is incomplete: {0} commits are missing")]
    Missing(usize),
}

impl Book {
    /// An empty book, waiting for its genesis.
    pub fn new(id: BookId) -> Self {
        Self {
            id,
            genesis: None,
            commits: vec![],
            causality: Causality::default(),
            places: vec![],
            rescued: vec![],
            rescued_index: BTreeMap::new(),
            index: BTreeMap::new(),
            ends: BTreeMap::new(),
            heads: BTreeSet::new(),
            records: BTreeMap::new(),
            read: vec![],
            signatures: BTreeMap::new(),
        }
    }

    /// Takes in a parsed commit through the gate.
    ///
    /// # Errors
    /// [`Refusal`]; the book is then as before.
    pub fn take(&mut self, commit: Commit) -> Result<Verdict, Refusal> {
        let verdict = match Gate::new(self.id, self).pass(&commit) {
            Ok(verdict) => verdict,
            Err(GateError::Refused(refusal)) => return Err(refusal),
            Err(GateError::Log(never)) => match never {},
        };
        if verdict == Verdict::New {
            self.append(commit);
        }
        Ok(verdict)
    }

    /// Takes in a commit from this device's own store, which took it in through the gate.
    pub fn take_stored(&mut self, commit: Commit) {
        if !self.index.contains_key(&commit.hash()) {
            self.append(commit);
        }
    }

    fn append(&mut self, commit: Commit) {
        let position = self.commits.len();
        if commit.deps().is_empty() {
            self.genesis = genesis_of(&commit, self.id).ok();
        }
        let deps = commit.deps().iter().filter_map(|d| self.places.get(*self.index.get(d)?).copied());
        let deps: Vec<usize> = deps.collect();
        let mut place = self.causality.len();
        self.causality.push(&deps);
        let mut put_back = self.take_rescues(&commit, place);
        if !put_back.is_empty() {
            // Whoever knows the rescue knows what it put back.
            put_back.push(place);
            place = self.causality.len();
            self.causality.push(&put_back);
        }
        self.places.push(place);
        for dep in commit.deps() {
            self.heads.remove(dep);
        }
        self.heads.insert(commit.hash());
        self.index.insert(commit.hash(), position);
        self.ends.insert(commit.actor(), (commit.seq(), commit.hash()));
        for (index, id) in commit.record_ids().iter().enumerate() {
            self.records.entry(*id).or_default().push(Carrier { commit: position, index });
        }
        self.read.push(commit.records().iter().map(|_| OnceLock::new()).collect());
        self.commits.push(commit);
    }

    /// Takes in a head signature. Whether it holds is decided where the device's key is known.
    pub fn take_signature(&mut self, signed: HeadSignature) {
        self.signatures.entry((signed.actor, signed.seq)).or_default().entry(signed).or_default();
    }

    /// Whether a head signature of this book holds. Looked at once: the key is that of the actor's
    /// device, and a device's id is a digest of its key, so that whoever asks has the same one.
    pub(crate) fn holds(&self, signed: &HeadSignature, key: &PublicKey) -> bool {
        let verify = || signed.verify(self.id, key).is_ok();
        let known = self.signatures.get(&(signed.actor, signed.seq)).and_then(|all| all.get(signed));
        known.map_or_else(verify, |known| *known.get_or_init(verify))
    }

    /// The next commit of `actor`, depending on all heads, ready for [`Commit::author`]. Of more
    /// heads than a commit may depend on it takes the first; the next commits take the rest.
    ///
    /// An actor used before must still be the device's own: see [`Book::may_continue`].
    pub fn draft(&self, actor: ActorId, time: UtcMs, records: Vec<String>) -> Draft {
        let own = self.ends.get(&actor).copied();
        let mut deps: BTreeSet<CommitHash> = own.iter().map(|(_, hash)| *hash).collect();
        for head in &self.heads {
            if deps.len() == MAX_DEPS {
                break;
            }
            deps.insert(*head);
        }
        let deps: Vec<CommitHash> = deps.into_iter().collect();
        let seq = own.map_or(1, |(last, _)| last + 1);
        let last_op = deps.iter().filter_map(|d| self.commit(*d)).map(Commit::last_op).max();
        Draft { actor, seq, start_op: last_op.unwrap_or(0) + 1, time, deps, records }
    }

    /// Writes records as one or more commits of `actor` ([`MAX_RECORDS`] each) and takes them in.
    ///
    /// # Errors
    /// [`Refusal`] when a record breaks a rule of form.
    pub fn write(&mut self, actor: ActorId, time: UtcMs, records: &[String]) -> Result<Vec<Commit>, Refusal> {
        let mut written = vec![];
        for chunk in records.chunks(MAX_RECORDS) {
            let commit = Commit::author(self.draft(actor, time, chunk.to_vec()))
                .map_err(|e: CommitError| Refusal::Commit(e))?;
            self.take(commit.clone())?;
            written.push(commit);
        }
        Ok(written)
    }

    /// The book's id.
    pub fn id(&self) -> BookId {
        self.id
    }

    /// The genesis, once it has arrived.
    pub fn genesis(&self) -> Option<&Genesis> {
        self.genesis.as_ref()
    }

    /// The commits nothing else depends on yet, ascending: they name the book's state.
    pub fn heads(&self) -> Vec<CommitHash> {
        self.heads.iter().copied().collect()
    }

    /// All commits in this replica's order of arrival.
    pub fn commits(&self) -> &[Commit] {
        &self.commits
    }

    /// A commit by its hash.
    pub fn commit(&self, hash: CommitHash) -> Option<&Commit> {
        self.index.get(&hash).and_then(|p| self.commits.get(*p))
    }

    /// Position of a commit in this replica's order of arrival.
    pub fn position(&self, hash: CommitHash) -> Option<usize> {
        self.index.get(&hash).copied()
    }

    /// Every record id, ascending, with all that carry it.
    pub fn records(&self) -> impl Iterator<Item = (RecordId, &[Carrier])> {
        self.records.iter().map(|(id, carriers)| (*id, carriers.as_slice()))
    }

    /// What carries a record.
    pub fn carriers(&self, id: RecordId) -> &[Carrier] {
        self.records.get(&id).map_or(&[], Vec::as_slice)
    }

    /// The commit of a carrier: one of the log, or a rescued one.
    pub fn carrying(&self, carrier: Carrier) -> Option<&Commit> {
        match carrier.rescued() {
            None => self.commits.get(carrier.commit),
            Some(number) => self.rescued.get(number).map(Rescued::commit),
        }
    }

    /// The text a carrier holds.
    pub fn text(&self, carrier: Carrier) -> &str {
        self.carrying(carrier).and_then(|c| c.records().get(carrier.index)).map_or("", String::as_str)
    }

    /// The record a carrier holds. It is read once and then shared: a device that folds its book
    /// after each tap would else read the whole of it each time.
    ///
    /// # Errors
    /// [`RecordError`] when the text is no record this version knows.
    pub fn record(&self, carrier: Carrier) -> Result<Arc<Record>, RecordError> {
        let read = || Record::read_shape(self.text(carrier)).map(Arc::new);
        let kept = self.read.get(carrier.commit).and_then(|commit| commit.get(carrier.index));
        match kept {
            Some(kept) => kept.get_or_init(read).clone(),
            // A rescued commit's number lies beyond those of the log, and so does not stand there.
            None => read(),
        }
    }

    fn place(&self, carrier: Carrier) -> usize {
        let place = match carrier.rescued() {
            None => self.places.get(carrier.commit).copied(),
            Some(number) => self.rescued.get(number).map(|r| r.place),
        };
        place.unwrap_or(usize::MAX)
    }

    /// Whether what stands at `a` was known where `b` was written (an earlier record of the same
    /// commit was; a record does not know itself).
    pub fn knew(&self, b: Carrier, a: Carrier) -> bool {
        if a.commit == b.commit {
            a.index < b.index
        } else {
            self.causality.knew(self.place(b), self.place(a))
        }
    }

    /// Where the commit of a carrier stands among this replica's chains.
    pub fn spot(&self, carrier: Carrier) -> Spot {
        self.causality.spot(self.place(carrier)).unwrap_or_default()
    }

    /// All that the commit of a carrier knew.
    pub fn past(&self, carrier: Carrier) -> Option<Past> {
        self.causality.past(self.place(carrier))
    }

    /// Whether a commit, of the log or rescued, knew what stands at `a`.
    pub fn commit_knew(&self, b: CommitHash, a: Carrier) -> bool {
        let carrier = match (self.index.get(&b), self.rescued_index.get(&b)) {
            (Some(position), _) => Carrier { commit: *position, index: usize::MAX },
            (None, Some(number)) => Carrier::of_rescued(*number, usize::MAX),
            (None, None) => return false,
        };
        self.knew(carrier, a)
    }

    /// The head signatures, by (actor, number).
    pub fn signatures(&self) -> impl Iterator<Item = &HeadSignature> {
        self.signatures.values().flat_map(BTreeMap::keys)
    }

    /// The last commit of an actor.
    pub fn chain_end_of(&self, actor: ActorId) -> Option<(u64, CommitHash)> {
        self.ends.get(&actor).copied()
    }

    /// The whole book as the Automerge document it is.
    ///
    /// # Errors
    /// [`DocumentError`] when commits are missing or Automerge does not take them.
    pub fn document(&self) -> Result<Automerge, DocumentError> {
        let mut document = Automerge::new();
        document.apply_changes(self.commits.iter().map(Commit::to_change))?;
        match document.get_missing_deps(&[]).len() {
            0 => Ok(document),
            missing => Err(DocumentError::Missing(missing)),
        }
    }
}

impl LogIndex for Book {
    type Error = Infallible;

    fn known(&self, hash: CommitHash) -> Result<Option<Known>, Infallible> {
        Ok(self.commit(hash).map(Known::of))
    }

    fn chain_end(&self, actor: ActorId) -> Result<Option<(u64, CommitHash)>, Infallible> {
        Ok(self.ends.get(&actor).copied())
    }

    fn is_empty(&self) -> Result<bool, Infallible> {
        Ok(self.commits.is_empty())
    }
}
