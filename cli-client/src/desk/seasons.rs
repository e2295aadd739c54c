//! Earlier seasons of a tree, from the job books this one was opened from.

use bolebook_core::check::treatments;
use bolebook_core::dosing::advice::{Past, PastTree, earlier_holes};
use bolebook_core::dosing::layout::EarlierHole;
use bolebook_core::ids::TreeId;
use bolebook_core::record::Body;
use bolebook_core::record::book_kinds::BookContent;
use bolebook_core::view::View;

use super::Desk;
use crate::error::CliError;

/// Longer chains of seasons than this are a mistake, or a circle.
const MOST_SEASONS: usize = 40;

/// The earlier seasons; `None` when a season's book is not in this store.
pub type Seasons = Option<Past>;

impl Desk<'_> {
    /// A tree in earlier seasons; `None` when a season's book is not in this store, so that nobody
    /// can say.
    ///
    /// # Errors
    /// [`CliError`] when a book of an earlier season is damaged.
    pub fn past(&self, tree: TreeId) -> Result<Option<PastTree>, CliError> {
        if self.seasons.get().is_none() {
            // One thread: nobody else can have set it.
            let _ = self.seasons.set(self.read_seasons()?);
        }
        let (view, known) = (self.view()?, self.seasons.get().and_then(Option::as_ref));
        Ok(known.map(|past| past.of(view, tree)))
    }

    fn read_seasons(&self) -> Result<Seasons, CliError> {
        let mut found = Past::default();
        let mut previous = self.view()?.job.previous;
        if previous.is_none() {
            return Ok(None);
        }
        for _ in 0..MOST_SEASONS {
            let Some(id) = previous else { return Ok(Some(found)) };
            if !self.store.jobs()?.contains(&id) {
                return Ok(None);
            }
            let book = self.store.book(id)?;
            self.devices.check_job(&book)?;
            found.add(&View::read(&book, self.yard, &self.devices.for_book(&book))?);
            previous = match book.genesis().map(|g| &g.content) {
                Some(BookContent::Job(job)) => job.previous,
                _ => None,
            };
        }
        Ok(None)
    }

    /// Holes already in a stem, of this season (staged ones too) and of earlier ones as far as known.
    ///
    /// # Errors
    /// As [`Desk::past`].
    pub fn holes_in(&self, tree: TreeId, stem: i64) -> Result<Vec<EarlierHole>, CliError> {
        let view = self.view()?;
        let stored = view.trees.get(&tree).map(|listed| treatments(view, listed)).unwrap_or_default();
        let mut holes = earlier_holes(&stored, stem, &self.past(tree)?.unwrap_or_default().treatments);
        for staged in &self.staged {
            let Body::Application(done) = &staged.record.body else { continue };
            if view.stays(done.tree) == tree && done.stem == stem {
                let places = done.holes.iter();
                holes.extend(places.map(|h| EarlierHole {
                    arc_um: h.arc_um,
                    height_um: h.height_um,
                    past: false,
                    girth_um: None,
                }));
            }
        }
        Ok(holes)
    }
}
