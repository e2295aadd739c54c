//! The ready-made view: what the screens show of the books, kept beside them, so that a phone shows
//! the day before it has read ten thousand records. It is a cache to throw away: it is used only
//! when it was made by this format from exactly the lines the device holds.

use bolebook_core::ids::{BookId, Sha256Hash};
use bolebook_core::quantity::UtcMs;

use crate::early::{Tips, tips};
use crate::field::Field;
use crate::outside::{Kept, Outside, Put, Trouble};
use crate::pack::{Pack, packed};
use crate::state::State;
use crate::summary::Summary;

/// Raised whenever [`Summary`] changes what it holds or means. The formats before 3 were JSON.
const FORMAT: u64 = 3;
/// In front stands the SHA-256 of all the rest.
const DIGEST: usize = 32;

/// What is asked of the books before they are open, besides their [`Summary`].
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct About {
    /// The jobs with their titles.
    pub jobs: Vec<(BookId, String)>,
    /// How many records the server has not had, and since when.
    pub unsent: (usize, Option<UtcMs>),
}

packed!(About { jobs, unsent });

/// The program's name for itself: a build says which by its version. Another one may see the same books
/// otherwise.
fn program() -> String {
    env!("CARGO_PKG_VERSION").to_owned()
}

/// Of what the view is: the format and program that made it, how many lines the device held, all books
/// together (lines are only ever added), and of which job.
type Of = ((u64, String), (u64, BookId));

impl State {
    /// Takes the ready-made view, when it is of the very lines the device holds.
    pub(crate) fn take_ready(&mut self, kept: &Kept) -> bool {
        // Whatever is wrong with a cache, the books themselves are read instead.
        self.read_ready(kept).is_some()
    }

    fn read_ready(&mut self, kept: &Kept) -> Option<()> {
        let (digest, bytes) = kept.ready.split_at_checked(DIGEST)?;
        if Sha256Hash::of(bytes).0 != digest {
            return None;
        }
        let from = &mut &bytes[..];
        // A view in another format is not read any further.
        if (u64::unpack(from)?, String::unpack(from)?) != (FORMAT, program()) {
            return None;
        }
        let (lines, job) = <(u64, BookId)>::unpack(from)?;
        if lines != kept.lines || self.choices.job.is_some_and(|chosen| chosen != job) {
            return None;
        }
        let (about, (tips, mut summary)) = <(About, (Tips, Summary))>::unpack(from)?;
        if !from.is_empty() || tips.values().map(|tip| tip.end).sum::<u64>() != lines {
            return None;
        }
        summary.index();
        self.summary = Some(std::rc::Rc::new(summary));
        (self.about, self.tips, self.ready_lines) = (Some(about), tips, lines);
        Some(())
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
        let (bytes, lines) = {
            let state = self.state();
            let lines = state.lines();
            let (Some(summary), Some(job)) = (&state.summary, state.job()) else { return Ok(()) };
            if !state.books_open || lines == state.ready_lines {
                return Ok(());
            }
            let mut bytes = vec![0; DIGEST];
            let of: Of = ((FORMAT, program()), (lines, job));
            of.pack(&mut bytes);
            About { jobs: state.jobs(), unsent: state.unsent() }.pack(&mut bytes);
            tips(&state.logs).pack(&mut bytes);
            summary.pack(&mut bytes);
            let digest = Sha256Hash::of(&bytes[DIGEST..]).0;
            bytes[..DIGEST].copy_from_slice(&digest);
            (bytes, lines)
        };
        self.outside.store(&[Put::Ready(bytes)]).await?;
        self.state_mut().ready_lines = lines;
        Ok(())
    }
}
