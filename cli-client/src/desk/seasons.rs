//! Earlier seasons of a tree, from the job books this one was opened from.

use std::collections::BTreeMap;

use bolebook_core::check::treatments;
use bolebook_core::dosing::advice::{PastTreatment, earlier_holes};
use bolebook_core::dosing::layout::EarlierHole;
use bolebook_core::ids::TreeId;
use bolebook_core::quantity::Ul;
use bolebook_core::record::Body;
use bolebook_core::record::book_kinds::BookContent;
use bolebook_core::view::View;

use super::Desk;
use crate::error::CliError;

/// Longer chains of seasons than this are a mistake, or a circle.
const MOST_SEASONS: usize = 40;

/// Treatments of earlier seasons by tree; `None` when a season's book is not in this store.
pub type Seasons = Option<BTreeMap<TreeId, Vec<PastTreatment>>>;

impl Desk<'_> {
    /// Treatments of a tree in earlier seasons; `None` when a season's book is not in this store, so
    /// that nobody can say.
    ///
    /// # Errors
    /// [`CliError`] when a book of an earlier season is damaged.
    pub fn past(&self, tree: TreeId) -> Result<Option<Vec<PastTreatment>>, CliError> {
        if self.seasons.get().is_none() {
            // One thread: nobody else can have set it.
            let _ = self.seasons.set(self.read_seasons()?);
        }
        let (view, known) = (self.view()?, self.seasons.get().and_then(Option::as_ref));
        let stays = view.stays(tree);
        // A tree joined to this one brings its past along.
        let of_tree = |by_tree: &BTreeMap<TreeId, Vec<PastTreatment>>| {
            let one = by_tree.iter().filter(|(id, _)| view.stays(**id) == stays);
            one.flat_map(|(_, all)| all.iter().cloned()).collect()
        };
        Ok(known.map(of_tree))
    }

    fn read_seasons(&self) -> Result<Seasons, CliError> {
        let mut found: BTreeMap<TreeId, Vec<PastTreatment>> = BTreeMap::new();
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
            let view = View::read(&book, self.yard, &self.devices.for_book(&book))?;
            for (tree, listed) in &view.trees {
                let all = treatments(&view, listed);
                let mark = view.tree(*tree).and_then(|t| t.mark);
                for treatment in &all {
                    let Some(day) = treatment.days(&view).map(|d| d.day).max() else { continue };
                    let holes = earlier_holes(std::slice::from_ref(treatment), treatment.stem, &[]);
                    let discharged_ul = Ul(treatment.discharged_ul().1);
                    let past = PastTreatment { stem: treatment.stem, day, discharged_ul, mark, holes };
                    found.entry(*tree).or_default().push(past);
                }
            }
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
        let mut holes = earlier_holes(&stored, stem, &self.past(tree)?.unwrap_or_default());
        for staged in &self.staged {
            let Body::Application(done) = &staged.record.body else { continue };
            if view.stays(done.tree) == tree && done.stem == stem {
                let places = done.holes.iter();
                holes.extend(places.map(|h| EarlierHole { arc_um: h.arc_um, height_um: h.height_um }));
            }
        }
        Ok(holes)
    }
}
