//! `stand table`: trees, stems and basal area by species and diameter class.

use bolebook_core::dosing::stand_table::stand_table;

use crate::app::{App, Need};
use crate::error::CliError;
use crate::output::{Answer, Table};

/// Counts trees and stems and sums basal area, by species and 10 cm class of diameter.
///
/// A forked tree stands in the class of its combined diameter, √Σd²; doses are worked stem by stem.
#[derive(Debug, clap::Args)]
pub struct StandTableCommand {}

impl StandTableCommand {
    /// Runs it.
    pub fn run(self, app: &App) -> Result<Answer, CliError> {
        app.read(Need::Job, |desk| {
            let found = stand_table(desk.view()?);
            let mut table = Table::new(&["species", "from cm", "to cm", "trees", "stems", "basal area m²"])
                .right(&[1, 2, 3, 4, 5]);
            for row in &found.rows {
                table.row([
                    row.species.clone().unwrap_or_else(|| "not known".into()),
                    row.from_um.cm(),
                    row.below_um.cm(),
                    row.trees.to_string(),
                    row.stems.to_string(),
                    format!("{:.4}", row.basal_area_m2),
                ]);
            }
            let area: f64 = found.rows.iter().map(|r| r.basal_area_m2).sum();
            let trees: u64 = found.rows.iter().map(|r| r.trees).sum();
            let mut answer = Answer::line(format!("{trees} measured trees, {area:.4} m² of basal area."));
            answer.table(&table);
            if found.not_measured > 0 {
                answer.say(format!(
                    "{} trees with a stem that is not measured are left out.",
                    found.not_measured
                ));
            }
            Ok(answer.with("stand_table", serde_json::to_value(&found).unwrap_or_default()))
        })
    }
}
