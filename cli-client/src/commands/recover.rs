//! `recover`: a new store out of a damaged one.

use crate::app::App;
use crate::error::CliError;
use crate::local_store::{Store, recover};
use crate::output::Answer;

/// Makes a new store of what is left of a damaged one: for a file that cannot be opened or read.
///
/// Every line whose hash still holds is saved, what was not sent before all else; the damaged files
/// are kept beside. Then 'bolebook exchange' fetches what is missing. End other commands first.
#[derive(Debug, clap::Args)]
pub struct Recover {
    /// Also when nothing seems to be damaged.
    #[arg(long)]
    anyway: bool,
}

impl Recover {
    /// Runs it.
    ///
    /// # Errors
    /// [`CliError::Store`]; the files are then as they were.
    pub fn run(self, app: &App) -> Result<Answer, CliError> {
        let whole = Store::open(&app.folder).and_then(|store| recover::whole(&store));
        if whole.is_ok() && !self.anyway {
            return Ok(Answer::line("The store is whole: nothing was changed.").with("whole", true));
        }
        let found = recover::recover(&app.folder, app.outside.now())?;
        let mut answer = Answer::line(format!(
            "{} lines saved into a new store; the damaged files are kept in {}.",
            found.lines + found.waiting,
            found.kept.display()
        ));
        if found.waiting > 0 {
            answer.say(format!(
                "{} of them wait for lines before them, which the exchange brings.",
                found.waiting
            ));
        }
        if found.unreadable > 0 {
            answer.warnings.push(format!(
                "{} pieces of lines could not be read; the exchange brings what the server has of them",
                found.unreadable
            ));
        }
        answer.say(if found.key {
            "Now run 'bolebook exchange', then look into 'bolebook status'."
        } else {
            "The device's key is lost: ask the office for a code, then 'bolebook join URL CODE'. What was saved goes along."
        });
        let json = serde_json::to_value(&found).unwrap_or_default();
        if let serde_json::Value::Object(fields) = json {
            answer.json.extend(fields);
        }
        Ok(answer.with("whole", false))
    }
}
