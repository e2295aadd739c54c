//! Figures that take a walk over a whole job, worked out once for each state of the books.
//!
//! They hold nothing of the register. A cache, thrown away at any time.

use std::any::{Any, TypeId};
use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};

use bolebook_core::ids::{BookId, Sha256Hash};

use crate::snapshot::Snapshot;

/// Most that is kept: some kinds of figures, each of the jobs that are looked at. Beyond it all is worked out anew.
const MOST: usize = 32;

type Kept = BTreeMap<(BookId, TypeId), (Sha256Hash, Arc<dyn Any + Send + Sync>)>;

/// What was worked out.
#[derive(Default)]
pub struct Figures(Mutex<Kept>);

impl Figures {
    /// Figures of a job; their type is their name.
    pub fn of<T: Send + Sync + 'static>(
        &self,
        snapshot: &Snapshot,
        book: BookId,
        make: impl FnOnce() -> T,
    ) -> Arc<T> {
        let (place, state) = ((book, TypeId::of::<T>()), snapshot.state());
        let lock = || self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let known = lock().get(&place).filter(|(of, _)| *of == state).map(|(_, figures)| figures.clone());
        if let Some(figures) = known.and_then(|known| known.downcast::<T>().ok()) {
            return figures;
        }
        // Made without the lock: two who ask at once work it out twice, and nobody else waits.
        let figures = Arc::new(make());
        let mut kept = lock();
        kept.retain(|_, (of, _)| *of == state);
        if kept.len() >= MOST {
            kept.clear();
        }
        kept.insert(place, (state, figures.clone()));
        figures
    }
}
