//! `progress`: how the job went on, day by day.

use bolebook_core::progress::progress;

use crate::app::{App, Need};
use crate::error::CliError;
use crate::output::{Answer, Table};

/// Shows how the job went on: trees settled, product, crew minutes and uptake, day by day.
#[derive(Debug, clap::Args)]
pub struct ProgressCommand {}

fn minutes(minutes: Option<f64>) -> String {
    minutes.map_or_else(|| "-".into(), |m| format!("{m:.1}"))
}

impl ProgressCommand {
    /// Runs it.
    pub fn run(self, app: &App) -> Result<Answer, CliError> {
        app.read(Need::Job, |desk| {
            let found = progress(desk.view()?);
            let head = [
                "day",
                "treated",
                "not treated",
                "settled",
                "put in mL",
                "leaked mL",
                "min a stem",
                "uptake min",
            ];
            let mut table = Table::new(&head).right(&[1, 2, 3, 4, 5, 6, 7]);
            for day in &found.days {
                table.row([
                    day.day.to_string(),
                    day.treated.to_string(),
                    day.not_treated.to_string(),
                    format!("{} of {}", day.settled, found.listed),
                    day.put_in_ul.ml(),
                    day.leaked_ul.ml(),
                    minutes(day.minutes_a_stem),
                    minutes(day.uptake_minutes),
                ]);
            }
            let mut answer = Answer::default();
            answer.table(&table);
            for one in &found.uptake {
                let [low, middle, high] = one.minutes;
                let species = one.species.as_deref().unwrap_or("species not noted");
                answer.say(format!(
                    "Uptake of {species}: {middle:.1} min, half of {} stems between {low:.1} and {high:.1}.",
                    one.stems
                ));
            }
            Ok(answer.with("progress", serde_json::to_value(&found).unwrap_or_default()))
        })
    }
}
