//! Putting back what the log cannot take in because an actor forked: the log's branch stays, and
//! every commit of the other one, and of what depends on it, comes back with its evidence.

use std::collections::BTreeMap;

use bolebook_core::book::Book;
use bolebook_core::commit::{Commit, Draft, MAX_RECORDS};
use bolebook_core::exchange::{Entry, LogLine};
use bolebook_core::gate::{Known, Refusal};
use bolebook_core::ids::{ActorId, BookId, CommitHash, DeviceId, RecordId, Sha256Hash};
use bolebook_core::quantity::UtcMs;
use bolebook_core::record::book_kinds::Rescue;
use bolebook_core::record::{Envelope, Record, RecordError};
use bolebook_core::signing::{HeadSignature, PublicKey, SecretKey};
use bolebook_db::{Connection, OptionalExtension as _, Transaction, params};

use crate::append::append;
use crate::error::LogError;
use crate::{read, sql, write};

/// Texts go into one commit up to this many bytes.
const MAX_BYTES: usize = 2 * 1024 * 1024;
/// So many signatures stand in one rescue at most.
const MOST_SIGNATURES: usize = 8;

/// A device's public key, where the yard book has a certificate of it.
pub type KeyOf<'a> = &'a dyn Fn(DeviceId) -> Option<PublicKey>;

/// Who rescues: a server.
pub struct Rescuer<'a> {
    /// Its key.
    pub key: &'a SecretKey,
    /// A fresh actor of it.
    pub actor: ActorId,
    /// Its clock.
    pub now: UtcMs,
    /// Fresh random bytes, from which the records' ids are made.
    pub seed: [u8; 32],
    /// The keys it knows.
    pub key_of: KeyOf<'a>,
}

impl Rescuer<'_> {
    /// Whether a signature holds, if the device's key is known.
    fn judge(&self, book: BookId, signed: &HeadSignature) -> Option<bool> {
        Some(signed.verify(book, &(self.key_of)(signed.actor.device())?).is_ok())
    }
}

/// What a rescue did.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct RescueDone {
    /// Indices of the offered lines that the log took in as they are.
    pub new: Vec<usize>,
    /// How many commits were put back with evidence, or given a signature that came later.
    pub rescued: u64,
    /// How many lines were in the log, or put back, before.
    pub known: u64,
}

/// A commit the log has, in its chains or put back.
#[derive(Clone, Copy, Debug)]
struct Place {
    known: Known,
    /// Put back, and whether with a signature that holds, as far as keys were known.
    rescued: Option<bool>,
}

/// Takes lines in as [`append()`] does, and puts back with evidence what the gate refuses only
/// because its actor forked, or because it depends on such a commit.
///
/// # Errors
/// [`LogError::Refused`] for a line that is wrong in another way, or depends on a commit that is
/// neither here nor put back. The caller drops the transaction.
pub fn rescue(
    tx: &Transaction<'_>,
    book: BookId,
    lines: &[LogLine],
    by: &Rescuer<'_>,
) -> Result<RescueDone, LogError> {
    read::book(tx, book)?.ok_or(LogError::NoBook(book))?;
    let mut done = RescueDone::default();
    let mut back: Vec<&Commit> = vec![];
    let mut places: BTreeMap<CommitHash, Place> = BTreeMap::new();
    let mut signatures: BTreeMap<CommitHash, Vec<HeadSignature>> = BTreeMap::new();
    let mut again: Vec<&Commit> = vec![];
    for (index, line) in lines.iter().enumerate() {
        match line.entry() {
            Entry::Commit(commit) => {
                if places.contains_key(&commit.hash()) {
                    done.known += 1;
                    continue;
                }
                if let Some(place) = place_of(tx, book, commit.hash())? {
                    done.known += 1;
                    again.extend((place.rescued == Some(false)).then_some(commit));
                    places.insert(commit.hash(), place);
                    continue;
                }
                match append(tx, book, std::slice::from_ref(line)) {
                    Ok(_) => done.new.push(index),
                    Err(LogError::Refused { refusal, hash, .. }) => {
                        if !forked(&refusal) {
                            return Err(LogError::Refused { book, line: index, hash, refusal });
                        }
                        if let Err(why) = stands(tx, book, commit, &places)? {
                            return Err(LogError::Refused {
                                book,
                                line: index,
                                hash,
                                refusal: Box::new(why),
                            });
                        }
                        let place = Place { known: Known::of(commit), rescued: Some(false) };
                        places.insert(commit.hash(), place);
                        back.push(commit);
                    }
                    Err(other) => return Err(other),
                }
            }
            Entry::Signature(signed) => {
                let place = match places.get(&signed.hash) {
                    Some(place) => Some(*place),
                    None => place_of(tx, book, signed.hash)?,
                };
                if let Some(Place { known, rescued: Some(_) }) = place {
                    if (signed.actor, signed.seq) == (known.actor, known.seq) {
                        signatures.entry(signed.hash).or_default().push(signed.clone());
                    }
                    continue;
                }
                let appended = append(tx, book, std::slice::from_ref(line)).map_err(|e| at(e, index))?;
                done.new.extend((!appended.new.is_empty()).then_some(index));
                done.known += appended.known;
            }
        }
    }
    // A signature that came later is evidence too; one that does not hold is nobody's, and puts nothing
    // into the log for a second time.
    again.retain(|commit| {
        let Some(all) = signatures.get_mut(&commit.hash()) else { return false };
        all.retain(|signed| by.judge(book, signed) != Some(false));
        !all.is_empty()
    });
    back.extend(again);
    done.rescued = back.len() as u64;
    for all in signatures.values_mut() {
        // Room is for those that hold, before those that may.
        all.sort_by_cached_key(|signed| match by.judge(book, signed) {
            Some(true) => 0,
            None => 1,
            Some(false) => 2,
        });
        all.dedup();
        all.truncate(MOST_SIGNATURES);
    }
    put_back(tx, book, &back, &signatures, by)?;
    Ok(done)
}

fn at(error: LogError, index: usize) -> LogError {
    match error {
        LogError::Refused { book, hash, refusal, .. } => {
            LogError::Refused { book, line: index, hash, refusal }
        }
        other => other,
    }
}

/// Whether a refusal can come from an actor that forked, and from nothing in the commit itself.
fn forked(refusal: &Refusal) -> bool {
    matches!(refusal, Refusal::Fork { .. } | Refusal::Sequence { .. } | Refusal::UnknownDependency(_))
}

/// Whether a commit follows from what is here or put back, by the gate's own rules.
fn stands(
    db: &Connection,
    book: BookId,
    commit: &Commit,
    places: &BTreeMap<CommitHash, Place>,
) -> Result<Result<(), Refusal>, LogError> {
    let (mut highest, mut follows, mut last) = (0, commit.seq() == 1, 0);
    for dep in commit.deps() {
        let place = match places.get(dep) {
            Some(place) => Some(*place),
            None => place_of(db, book, *dep)?,
        };
        let Some(Place { known, .. }) = place else {
            return Ok(Err(Refusal::UnknownDependency(*dep)));
        };
        highest = highest.max(known.last_op);
        if known.actor == commit.actor() {
            last = last.max(known.seq);
            follows |= known.seq + 1 == commit.seq();
        }
    }
    Ok(if !follows {
        Err(Refusal::Sequence { found: commit.seq(), expected: last + 1 })
    } else if commit.start_op() != highest + 1 {
        Err(Refusal::StartOp { found: commit.start_op(), expected: highest + 1 })
    } else {
        Ok(())
    })
}

fn place_of(db: &Connection, book: BookId, hash: CommitHash) -> Result<Option<Place>, LogError> {
    if let Some((known, _)) = read::commit_row(db, book, hash)? {
        return Ok(Some(Place { known, rescued: None }));
    }
    let mut query = db.prepare_cached(sql::RESCUED)?;
    let row = query.query_row(params![book.as_bytes(), hash.0], |row| {
        let (seq, last_op) = (read::from_sql(row.get(1)?), read::from_sql(row.get(2)?));
        let known = Known { actor: ActorId(row.get(0)?), seq, last_op };
        Ok(Place { known, rescued: Some(row.get(3)?) })
    });
    Ok(row.optional()?)
}

/// Texts and rescue records on their way into one commit: of each commit its texts, then its rescue. Among
/// the texts may be a rescue too, and proves what depends on the commits before it.
#[derive(Default)]
struct Group {
    texts: BTreeMap<RecordId, String>,
    records: Vec<String>,
    bytes: usize,
}

impl Group {
    fn takes(&self, commit: &Commit, rescue: &str) -> bool {
        let fresh = commit.record_ids().iter().zip(commit.records());
        let agree = fresh.clone().all(|(id, text)| self.texts.get(id).is_none_or(|t| t == text));
        let count = self.records.len() + commit.records().len() + 1;
        let bytes = self.bytes + rescue.len() + commit.records().iter().map(String::len).sum::<usize>();
        agree && count <= MAX_RECORDS && bytes <= MAX_BYTES
    }

    fn take(&mut self, commit: &Commit, rescue: String) {
        for (id, text) in commit.record_ids().iter().zip(commit.records()) {
            if self.texts.insert(*id, text.clone()).is_none() {
                self.records.push(text.clone());
                self.bytes += text.len();
            }
        }
        self.bytes += rescue.len();
        self.records.push(rescue);
    }
}

fn put_back(
    tx: &Transaction<'_>,
    book: BookId,
    commits: &[&Commit],
    signatures: &BTreeMap<CommitHash, Vec<HeadSignature>>,
    by: &Rescuer<'_>,
) -> Result<(), LogError> {
    let mut group = Group::default();
    let mut end = None;
    for (number, commit) in commits.iter().enumerate() {
        let signed = signatures.get(&commit.hash()).map_or(&[][..], Vec::as_slice);
        let rescue = rescue_text(commit, signed, by, number as u64)
            .map_err(|e| LogError::Unwritable { book, why: e.to_string() })?;
        if !group.takes(commit, &rescue) {
            let full = std::mem::take(&mut group).records;
            end = commit_records(tx, book, by, full)?.or(end);
        }
        if group.takes(commit, &rescue) {
            group.take(commit, rescue);
        } else {
            // So large that its texts fill a commit: the evidence follows in the next one.
            commit_records(tx, book, by, commit.records().to_vec())?;
            end = commit_records(tx, book, by, vec![rescue])?.or(end);
        }
        let may_hold = signed.iter().any(|s| by.judge(book, s) != Some(false));
        note(tx, book, commit, may_hold)?;
    }
    end = commit_records(tx, book, by, group.records)?.or(end);
    if let Some(last) = end {
        let signed = HeadSignature::sign(by.key, book, by.actor, last.seq(), last.hash());
        append(tx, book, &[signed.into()])?;
    }
    Ok(())
}

/// Notes that a commit was put back; `signed` when a signature that holds, or may hold, was with it.
fn note(tx: &Transaction<'_>, book: BookId, commit: &Commit, signed: bool) -> Result<(), LogError> {
    let (seq, last_op) = (read::to_sql(commit.seq()), read::to_sql(commit.last_op()));
    let row = params![book.as_bytes(), commit.hash().0, commit.actor().0, seq, last_op, signed];
    tx.prepare_cached(sql::PUT_RESCUED)?.execute(row)?;
    Ok(())
}

/// Notes what was put back by what a log proves now, once it was laid out anew. Whether their signatures
/// hold is not known here: each may be given once more.
pub(crate) fn note_anew(tx: &Transaction<'_>, log: &Book) -> Result<(), LogError> {
    tx.prepare_cached(sql::CLEAR_RESCUED)?.execute([log.id().as_bytes()])?;
    log.rescued().try_for_each(|one| note(tx, log.id(), one.commit(), false))
}

fn commit_records(
    tx: &Transaction<'_>,
    book: BookId,
    by: &Rescuer<'_>,
    records: Vec<String>,
) -> Result<Option<Commit>, LogError> {
    if records.is_empty() {
        return Ok(None);
    }
    let read::Basis { deps, seq, start_op } = read::basis(tx, book, by.actor)?;
    let draft = Draft { actor: by.actor, seq, start_op, time: by.now, deps, records };
    let commit = write::author(book, draft)?;
    append(tx, book, &[commit.clone().into()])?;
    Ok(Some(commit))
}

fn rescue_text(
    commit: &Commit,
    signed: &[HeadSignature],
    by: &Rescuer<'_>,
    number: u64,
) -> Result<String, RecordError> {
    let mut drawn = by.seed.to_vec();
    drawn.extend_from_slice(&number.to_be_bytes());
    let mut random = [0; 10];
    random.copy_from_slice(&Sha256Hash::of(&drawn).0[..10]);
    let device: DeviceId = by.key.device();
    let id = RecordId::new(by.now.0, random);
    let envelope = Envelope { id, at: by.now, device, by: None, replaces: vec![] };
    let rescue = Rescue {
        actor: commit.actor(),
        deps: commit.deps().to_vec(),
        hash: commit.hash(),
        records: commit.record_ids().to_vec(),
        seq: commit.seq(),
        start_op: commit.start_op(),
        time: commit.time(),
        signatures: signed.to_vec(),
    };
    Record { envelope, body: rescue.into() }.to_canonical()
}
