//! `seasons`: the job's canopies then and now, and when each tree may be treated again.

use bolebook_core::quantity::decimal;
use bolebook_core::seasons::{Moved, canopies, change, due, earlier, losses};
use bolebook_core::view::View;

use crate::app::{App, Need};
use crate::error::CliError;
use crate::output::{Answer, Table};

fn percents((low, high): (i64, i64)) -> String {
    format!("{} to {} %", decimal(low, 10, 1), decimal(high, 10, 1))
}

fn held(moved: Moved) -> String {
    moved.held.map_or_else(|| "-".into(), percents)
}

/// Shows the canopies season by season, and from when each treated tree may be treated again.
///
/// A season whose book is not in this store is not shown. The label decides; a day over is no dose due.
#[derive(Debug, clap::Args)]
pub struct SeasonsCommand {}

impl SeasonsCommand {
    /// Runs it.
    pub fn run(self, app: &App) -> Result<Answer, CliError> {
        app.read_all(Need::Job, |_, views, _| {
            let Some(view) = views.first() else {
                return Err(CliError::Unexpected("no job was read".into()));
            };
            let all: Vec<&View<'_>> = views.iter().collect();
            let before = earlier(view, &all);
            let oldest = before.last().map_or(view, |v| v);
            let mut answer = Answer::default();
            if oldest.job.previous.is_some() {
                answer
                    .warnings
                    .push("an earlier season's book is not in this store: its years are blank".into());
            }
            let books: Vec<&View<'_>> = before.iter().rev().copied().chain([view]).collect();
            let assessed: Vec<_> = books.iter().map(|v| losses(v, |_| true)).collect();
            let seasons: Vec<_> = books.iter().zip(&assessed).map(|(v, of)| canopies(v, of)).collect();
            answer.say("Canopy lost, trees by class; the share with its 95 % score interval (Wilson 1927)");
            let mut table = Table::new(&["season", "lost", "trees", "of", "share"]).right(&[2, 3, 4]);
            for season in &seasons {
                for class in &season.classes {
                    let share = class.share.map_or_else(|| "not assessed".into(), percents);
                    table.row([
                        season.season.clone(),
                        format!("{}-{} %", class.over / 10, class.up_to / 10),
                        class.trees.to_string(),
                        season.assessed.to_string(),
                        share,
                    ]);
                }
            }
            answer.table(&table);
            let pairs: Vec<_> = books.iter().copied().zip(&assessed).collect();
            let changes: Vec<_> = pairs.windows(2).map(|pair| change(pair[0], pair[1])).collect();
            let mut table = Table::new(&["from", "to", "trees", "better", "same", "worse", "not worse"])
                .right(&[3, 4, 5, 6]);
            for change in &changes {
                for (name, moved) in [("treated", change.treated), ("not treated", change.untreated)] {
                    let (from, to) = (change.then.clone(), change.now.clone());
                    let [better, same, worse] =
                        [moved.better, moved.same, moved.worse].map(|n| n.to_string());
                    table.row([from, to, name.into(), better, same, worse, held(moved)]);
                }
            }
            if !changes.is_empty() {
                answer.say("");
                answer.say("By class, over the trees assessed in both; chosen by their state, so no trial");
                answer.table(&table);
            }
            let due = due(view, &before);
            answer.say("");
            answer.say("The label's interval is over on");
            let mut table = Table::new(&["tree", "last treated", "interval days", "over on"]).right(&[2]);
            for row in &due {
                table.row([
                    row.tag.clone(),
                    row.last.to_string(),
                    row.interval_days.map_or_else(|| "none stated".into(), |d| d.to_string()),
                    row.from.map_or_else(|| "ask".into(), |d| d.to_string()),
                ]);
            }
            answer.table(&table);
            Ok(answer
                .with("seasons", serde_json::to_value(&seasons).unwrap_or_default())
                .with("changes", serde_json::to_value(&changes).unwrap_or_default())
                .with("due", serde_json::to_value(&due).unwrap_or_default()))
        })
    }
}
