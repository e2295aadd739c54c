//! The ready-made view: what the screens show of the books, kept beside them, so that a phone shows
//! the day before it has read ten thousand records. It is a cache to throw away: it is used only
//! when it was made by this format from exactly the lines the device holds.

use bolebook_core::ids::BookId;
use bolebook_core::quantity::UtcMs;
use serde::{Deserialize, Serialize};

use crate::field::Field;
use crate::outside::{Kept, Outside, Put, Trouble, setting};
use crate::state::State;
use crate::summary::Summary;

/// Raised whenever [`Summary`] changes what it holds or means.
const FORMAT: u32 = 2;

/// What stands beside the books.
#[derive(Debug, Serialize, Deserialize)]
struct Ready<S> {
    format: u32,
    /// The program that made it: another one may see the same books otherwise.
    program: String,
    /// How many lines the device held, all books together. Lines are only ever added.
    lines: u64,
    /// Of which job.
    job: BookId,
    about: About,
    summary: S,
}

/// What else is asked of the books before they are open.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct About {
    /// The jobs with their titles.
    pub jobs: Vec<(BookId, String)>,
    /// How many records the server has not had, and since when.
    pub unsent: (usize, Option<UtcMs>),
}

/// The program's name for itself: a build says which by its version.
fn program() -> String {
    env!("CARGO_PKG_VERSION").to_owned()
}

impl State {
    /// Takes the ready-made view, when it is of the very lines the device holds.
    pub(crate) fn take_ready(&mut self, kept: &Kept) -> bool {
        let Some((_, json)) = kept.settings.iter().find(|(name, _)| name == setting::READY) else {
            return false;
        };
        // Whatever is wrong with a cache, the books themselves are read instead.
        let Ok(ready) = serde_json::from_str::<Ready<Summary>>(json) else { return false };
        let chosen = self.choices.job.is_none_or(|job| job == ready.job);
        let same = (ready.format, &ready.program, ready.lines) == (FORMAT, &program(), kept.lines);
        if !same || !chosen {
            return false;
        }
        let mut summary = ready.summary;
        summary.index();
        self.summary = Some(std::rc::Rc::new(summary));
        self.about = Some(About { jobs: ready.about.jobs, ..ready.about });
        self.ready_lines = ready.lines;
        true
    }

    /// How many lines the device holds, all books together.
    pub(crate) fn lines(&self) -> u64 {
        self.logs.values().map(crate::log::Log::end).sum()
    }
}

impl<D: Outside> Field<D> {
    /// Keeps the ready-made view of the books as they are now, when the one kept is of other lines.
    /// To be called when nothing else is to be done: it costs what reading it saves.
    ///
    /// # Errors
    /// [`Trouble`]; only a quicker start is then lost.
    pub async fn keep_ready(&self) -> Result<(), Trouble> {
        let _turn = self.turns.take().await;
        let (json, lines) = {
            let state = self.state();
            let lines = state.lines();
            let (Some(summary), Some(job)) = (&state.summary, state.job()) else { return Ok(()) };
            if !state.books_open || lines == state.ready_lines {
                return Ok(());
            }
            let about = About { jobs: state.jobs(), unsent: state.unsent() };
            let ready = Ready { format: FORMAT, program: program(), lines, job, about, summary: &**summary };
            // Ids, numbers and texts under text keys only: writing them cannot fail.
            (serde_json::to_string(&ready).unwrap_or_default(), lines)
        };
        self.outside.store(&[Put::Setting { name: setting::READY, json }]).await?;
        self.state_mut().ready_lines = lines;
        Ok(())
    }
}
