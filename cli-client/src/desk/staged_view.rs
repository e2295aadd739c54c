//! The books as they will be once everything staged is written, so that a dose planned in the same
//! run stands on all of it: the fill, the diameter, the treatment entered a line before.

use std::cell::OnceCell;

use bolebook_core::balance::balance;
use bolebook_core::book::Book;
use bolebook_core::check;
use bolebook_core::finding::Finding;
use bolebook_core::ids::ActorId;
use bolebook_core::record::Kind;
use bolebook_core::signing::HeadSignature;
use bolebook_core::view::{View, Yard};

use super::Desk;
use crate::error::CliError;
use crate::writer::Staged;

/// Keeps each state of the yard that views were read from for as long as the command runs.
#[derive(Default)]
pub struct Shelf {
    yard: OnceCell<Yard>,
    next: OnceCell<Box<Shelf>>,
}

impl Shelf {
    fn keep(&self, yard: Yard) -> &Yard {
        let mut shelf = self;
        while shelf.yard.get().is_some() {
            shelf = shelf.next.get_or_init(Box::default);
        }
        shelf.yard.get_or_init(|| yard)
    }
}

/// The job with what was staged up to some record.
pub struct Ahead<'a> {
    books: Option<[Book; 2]>,
    yard: &'a Yard,
    view: Reading<'a>,
    findings: Vec<Finding>,
    /// How many staged records it holds.
    taken: usize,
}

enum Reading<'a> {
    /// Nothing is staged that changes what is stored.
    Stored(&'a View<'a>),
    Staged(Box<View<'a>>),
}

impl Ahead<'_> {
    /// The job with what is staged.
    pub fn view(&self) -> &View<'_> {
        match &self.view {
            Reading::Stored(view) => view,
            Reading::Staged(view) => view,
        }
    }

    /// What the rules find in it.
    pub fn findings(&self) -> &[Finding] {
        &self.findings
    }
}

impl<'a> Desk<'a> {
    /// Reads the job with what is staged. A planned dose changes nothing that advice looks at, so
    /// many doses in one run share one reading.
    ///
    /// # Errors
    /// [`NameError::Unsaid`](crate::names::NameError) without a job.
    pub fn ahead(&mut self) -> Result<&Ahead<'a>, CliError> {
        let stored = self.view()?;
        let mut ahead = match self.ahead.take() {
            Some(ahead) => ahead,
            None => Ahead {
                books: None,
                yard: self.yard,
                view: Reading::Stored(stored),
                findings: check::check(stored, &balance(self.yard, &[stored])),
                taken: 0,
            },
        };
        let new = self.staged.get(ahead.taken..).unwrap_or_default();
        if new.iter().any(|s| s.record.kind() != Kind::Dose) {
            self.read_on(&mut ahead, new)?;
        }
        ahead.taken = self.staged.len();
        Ok(self.ahead.insert(ahead))
    }

    fn read_on(&self, ahead: &mut Ahead<'a>, new: &[Staged]) -> Result<(), CliError> {
        let job = || self.books.job().ok_or_else(|| unreadable(&"the job's book is not open"));
        let mut books = match ahead.books.take() {
            Some(books) => books,
            None => [self.books.yard_book().clone(), job()?.clone()],
        };
        let key = self.store.device_key()?;
        // Read and thrown away with the command, so the actor needs no random bits.
        let actor = ActorId::new(key.device(), [0; 16]);
        for book in &mut books {
            let of_book = new.iter().filter(|s| s.book == book.id());
            let texts = of_book.map(|s| s.record.to_canonical()).collect::<Result<Vec<_>, _>>()?;
            for commit in book.write(actor, self.now, &texts).map_err(|e| unreadable(&e))? {
                let signed = HeadSignature::sign(&key, book.id(), actor, commit.seq(), commit.hash());
                book.take_signature(signed);
            }
        }
        let [yard, job] = &books;
        if new.iter().any(|s| s.book == yard.id()) {
            ahead.yard = self.shelf.keep(Yard::read(yard, &self.devices.for_book(yard))?);
        }
        let view = View::read(job, ahead.yard, &self.devices.for_book(job))?;
        ahead.findings = check::check(&view, &balance(ahead.yard, &[&view]));
        ahead.view = Reading::Staged(Box::new(view));
        ahead.books = Some(books);
        Ok(())
    }
}

fn unreadable(why: &dyn std::fmt::Display) -> CliError {
    CliError::Unexpected(format!("what is staged cannot be read back: {why}"))
}
