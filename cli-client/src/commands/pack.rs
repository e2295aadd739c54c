//! `pack`: the store's lines packed where they lie, or made text again.

use bolebook_db::Transaction;
use bolebook_log::repack::{self, InFile, Steps};
use bolebook_log::{Form, LogError};
use indicatif::ProgressBar;

use crate::app::App;
use crate::error::CliError;
use crate::local_store::StoreError;
use crate::output::Answer;

/// Packs the lines of this device's store where they lie, so that history takes a fraction of the room. A
/// new store is packed from the start.
///
/// Other commands may be at work on the store meanwhile, if they are of this version or newer: an older one
/// no longer opens it afterwards. A run that was cut off goes on when it is started again.
#[derive(Debug, clap::Args)]
pub struct Pack {
    /// The other way: makes every line text again, so that an older version can go on with the store. An
    /// older one does not open it before this has ended.
    #[arg(long)]
    undo: bool,
}

/// Steps that are shown as they go by.
struct Shown<'a> {
    steps: InFile<'a>,
    bar: ProgressBar,
    /// The first has come to its end: what goes wrong from here on finds a store that was changed.
    begun: bool,
}

impl Steps for Shown<'_> {
    type Error = LogError;

    fn step<T>(&mut self, work: impl Fn(&Transaction<'_>) -> Result<T, LogError>) -> Result<T, LogError> {
        self.bar.tick();
        let done = self.steps.step(work)?;
        self.begun = true;
        Ok(done)
    }

    fn stopped(&self, why: LogError) -> LogError {
        self.steps.stopped(why)
    }
}

/// What went wrong with a store of which something was changed. What stopped the run says that itself.
fn half_way(error: LogError) -> StoreError {
    match error {
        LogError::Database(error) => StoreError::HalfPacked(error),
        other => other.into(),
    }
}

impl Pack {
    /// Runs it.
    pub fn run(self, app: &App) -> Result<Answer, CliError> {
        let store = app.store()?;
        let (to, form) = if self.undo { (Form::Text, "text") } else { (Form::Packed, "packed") };
        let before = store.file_bytes()?;
        let bar = ProgressBar::new_spinner().with_message(format!("making lines {form}"));
        let mut shown = Shown { steps: InFile::beside_others(store.db()), bar, begun: false };
        let done = match repack::run(&mut shown, to) {
            Err(error) if shown.begun => return Err(half_way(error).into()),
            done => done?,
        };
        shown.bar.set_message("writing the file anew");
        shown.bar.tick();
        shown.steps.shrink().map_err(half_way)?;
        shown.bar.finish_and_clear();
        let lines = done.lines;
        if lines.damaged > 0 {
            let what = format!("{} of {} lines", lines.damaged, lines.lines);
            let why = format!(
                "they are not what was stored ('bolebook verify' says where) and lie as they did; {} others were made {form}",
                lines.changed
            );
            return Err(StoreError::Damaged { what, why }.into());
        }
        let after = store.file_bytes()?;
        let said = format!(
            "{} lines of {} books lie {form} ({} were changed); the file had {before} bytes and has {after}.",
            lines.lines,
            done.books,
            lines.changed,
            form = if self.undo { "as text" } else { form },
        );
        Ok(Answer::line(said)
            .with("lines_are", form)
            .with("books", done.books)
            .with("lines", lines.lines)
            .with("changed", lines.changed)
            .with("file_bytes", [before, after].to_vec()))
    }
}
