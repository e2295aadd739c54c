//! A book with the order of its log: what the device stored at which position.

use std::collections::BTreeSet;

use bolebook_core::book::Book;
use bolebook_core::commit::Commit;
use bolebook_core::exchange::{Entry, LineError, LogLine};
use bolebook_core::gate::{Gate, GateError, Refusal, Verdict};
use bolebook_core::ids::{BookId, CommitHash, Sha256Hash};
use bolebook_core::signing::HeadSignature;

/// What stands at a position.
#[derive(Clone, Debug, PartialEq, Eq)]
enum Place {
    Commit(CommitHash),
    Signature(Box<HeadSignature>),
}

/// A book and the order in which its lines came.
#[derive(Clone, Debug)]
pub struct Log {
    book: Book,
    places: Vec<Place>,
}

/// A line from outside is refused.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("line {line}: {refusal}")]
pub struct Refused {
    /// Which of the lines offered, from 1.
    pub line: usize,
    /// Why.
    pub refusal: Refusal,
}

impl Log {
    /// An empty log.
    pub fn new(book: BookId) -> Self {
        Self { book: Book::new(book), places: vec![] }
    }

    /// The book.
    pub fn book(&self) -> &Book {
        &self.book
    }

    /// How many lines it has.
    pub fn end(&self) -> u64 {
        self.places.len() as u64
    }

    /// Takes in a line of this device's own store.
    ///
    /// # Errors
    /// [`LineError`] when the store is damaged.
    pub fn take_stored(&mut self, text: &str) -> Result<(), LineError> {
        self.take(LogLine::parse_stored(text)?);
        Ok(())
    }

    /// Takes in a line that [`Log::pass`] let through and the device has stored.
    pub fn take(&mut self, line: LogLine) {
        match line.into_entry() {
            Entry::Commit(commit) => {
                self.places.push(Place::Commit(commit.hash()));
                self.book.take_stored(commit);
            }
            Entry::Signature(signature) => {
                self.places.push(Place::Signature(Box::new(signature.clone())));
                self.book.take_signature(signature);
            }
        }
    }

    /// The lines of these that are new and pass the gate, in order; nothing is taken in yet.
    ///
    /// # Errors
    /// [`Refused`] with the first line that does not pass.
    pub fn pass(&self, lines: &[LogLine]) -> Result<Vec<LogLine>, Refused> {
        let mut gate = Gate::new(self.book.id(), &self.book);
        let mut new: Vec<LogLine> = vec![];
        let mut signed: BTreeSet<&HeadSignature> = self.book.signatures().collect();
        for (index, line) in lines.iter().enumerate() {
            let verdict = match line.entry() {
                Entry::Commit(commit) => gate.pass(commit),
                Entry::Signature(signature) => gate
                    .pass_signature(signature)
                    .map(|()| if signed.insert(signature) { Verdict::New } else { Verdict::Known }),
            };
            match verdict {
                Ok(Verdict::New) => new.push(line.clone()),
                Ok(Verdict::Known) => {}
                Err(GateError::Refused(refusal)) => return Err(Refused { line: index + 1, refusal }),
                Err(GateError::Log(never)) => match never {},
            }
        }
        Ok(new)
    }

    /// The lines after a position, with their hashes.
    pub fn lines_after(&self, position: u64) -> impl Iterator<Item = (Sha256Hash, String)> {
        let from = usize::try_from(position).unwrap_or(usize::MAX).min(self.places.len());
        self.places[from..].iter().filter_map(|place| match place {
            Place::Commit(hash) => self.book.commit(*hash).map(|c| (Sha256Hash(hash.0), c.line())),
            Place::Signature(signature) => {
                let line = signature.line();
                Some((Sha256Hash::of(line.as_bytes()), line))
            }
        })
    }

    /// The commits after a position.
    pub fn commits_after(&self, position: u64) -> impl Iterator<Item = &Commit> {
        let from = usize::try_from(position).unwrap_or(usize::MAX).min(self.places.len());
        self.places[from..].iter().filter_map(|place| match place {
            Place::Commit(hash) => self.book.commit(*hash),
            Place::Signature(_) => None,
        })
    }
}
