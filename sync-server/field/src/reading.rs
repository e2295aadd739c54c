//! The books as they were last read: folded once after each line that was added, however often a
//! screen or an act asks.

use std::cell::OnceCell;
use std::rc::Rc;
use std::sync::Arc;

use bolebook_core::authority::Directory;
use bolebook_core::check;
use bolebook_core::dosing::advice::{Past, PastTree};
use bolebook_core::finding::Finding;
use bolebook_core::ids::{BookId, TreeId};
use bolebook_core::record::book_kinds::BookContent;
use bolebook_core::view::{View, Yard};

use crate::log::Log;
use crate::state::{NoView, State};

/// Longer chains of seasons than this are a mistake, or a circle.
const MOST_SEASONS: usize = 40;

/// The yard as last read.
#[derive(Clone, Debug)]
pub struct YardReading {
    /// Its facts.
    pub yard: Arc<Yard>,
    /// Its devices.
    pub directory: Rc<Directory>,
}

/// The job in use as last read.
#[derive(Debug)]
pub struct Reading {
    /// The view.
    pub view: View<'static>,
    findings: OnceCell<Vec<Finding>>,
    past: OnceCell<Option<Past>>,
}

impl Reading {
    /// The findings that may be about a tree.
    pub fn findings(&self) -> &[Finding] {
        self.findings.get_or_init(|| check::check_trees(&self.view))
    }

    /// A tree's earlier seasons; `None` when the job names none or a season's book is not on this
    /// device, so that nobody can say.
    pub fn past(&self, state: &State, tree: TreeId) -> Option<PastTree> {
        let past = self.past.get_or_init(|| self.seasons(state).ok().flatten());
        past.as_ref().map(|past| past.of(&self.view, tree))
    }

    fn seasons(&self, state: &State) -> Result<Option<Past>, NoView> {
        let mut found = Past::default();
        let mut previous = self.view.job.previous;
        if previous.is_none() {
            return Ok(None);
        }
        let YardReading { yard, directory } = state.yard()?;
        for _ in 0..MOST_SEASONS {
            let Some(id) = previous else { return Ok(Some(found)) };
            let Some(book) = state.logs.get(&id).map(Log::book) else { return Ok(None) };
            directory.check_job(book)?;
            found.add(&View::read(book, &*yard, &directory.for_book(book))?);
            previous = match book.genesis().map(|g| &g.content) {
                Some(BookContent::Job(job)) => job.previous,
                _ => None,
            };
        }
        Ok(None)
    }
}

/// What was read, until a line is added.
#[derive(Debug, Default)]
pub struct Readings {
    yard: OnceCell<YardReading>,
    job: OnceCell<(BookId, Rc<Reading>)>,
}

impl Readings {
    /// Forgets what a new line of a book may have changed.
    pub fn forget(&mut self, yard: bool) {
        if yard {
            self.yard.take();
        }
        self.job.take();
    }
}

impl State {
    /// The yard as its book says, with its directory of devices.
    ///
    /// # Errors
    /// [`NoView`].
    pub fn yard(&self) -> Result<YardReading, NoView> {
        if let Some(known) = self.readings.yard.get() {
            return Ok(known.clone());
        }
        let member = self.member.as_ref().ok_or(NoView::NotJoined)?;
        let book = self.logs.get(&member.yard).map(Log::book).filter(|b| b.genesis().is_some());
        let book = book.ok_or(NoView::NoYard)?;
        let directory = Directory::read(book, &member.root)?;
        let yard = Yard::read(book, &directory.for_book(book))?;
        let read = YardReading { yard: Arc::new(yard), directory: Rc::new(directory) };
        Ok(self.readings.yard.get_or_init(|| read).clone())
    }

    /// The job in use as its book says.
    ///
    /// # Errors
    /// [`NoView`].
    pub fn reading(&self) -> Result<Rc<Reading>, NoView> {
        let id = self.job().ok_or(NoView::NoJob)?;
        if let Some((_, known)) = self.readings.job.get().filter(|(job, _)| *job == id) {
            return Ok(Rc::clone(known));
        }
        let YardReading { yard, directory } = self.yard()?;
        let book = self.logs.get(&id).ok_or(NoView::NoJob)?.book();
        directory.check_job(book)?;
        let view = View::read(book, yard, &directory.for_book(book))?;
        let read = Rc::new(Reading { view, findings: OnceCell::new(), past: OnceCell::new() });
        // Another job's reading is in the way only until the choice of job is stored.
        let _ = self.readings.job.set((id, Rc::clone(&read)));
        Ok(read)
    }
}
