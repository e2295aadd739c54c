//! `dose-table`: diameter → volume, charges, holes, to print and laminate.

use std::path::PathBuf;

use bolebook_core::dosing::dose_table::{DoseTable, Request, dose_table};
use bolebook_core::quantity::{ReadUnit, Um};
use bolebook_core::record::label::Label;

use super::export::write_whole;
use crate::app::{App, Need};
use crate::cautions;
use crate::desk::Desk;
use crate::error::CliError;
use crate::figures::{self, Typed};
use crate::output::Answer;
use crate::planning::{UnderArgs, no_answer};

/// Makes a dose table for a label, purpose and kit: as text, CSV, or a page (HTML) to print.
///
/// A row holds from its own diameter up to the next row's. A tree's own layout, condition and
/// limits still decide; the table is out of date as soon as the office enters another label version.
#[derive(Debug, clap::Args)]
pub struct DoseTableCommand {
    #[command(flatten)]
    under: UnderArgs,
    /// The unit diameters are read in.
    #[arg(long, value_parser = ["mm", "cm", "in"], default_value = "cm")]
    unit: String,
    /// The first row's diameter, if not the label's smallest.
    #[arg(long, value_name = "DIAMETER")]
    from: Option<Typed>,
    /// No row begins above this diameter; without it, 100 cm (40 in).
    #[arg(long, value_name = "DIAMETER")]
    to: Option<Typed>,
    /// From one row to the next; without it, 1 cm (0.5 in).
    #[arg(long, value_name = "DIAMETER")]
    step: Option<Typed>,
    /// As text, comma-separated values, or a page to print.
    #[arg(long, value_parser = ["text", "csv", "html"], default_value = "text")]
    format: String,
    /// Writes it to this file instead of printing it.
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
}

const WHAT: &str = "dose table";

impl DoseTableCommand {
    /// Runs it.
    pub fn run(&self, app: &App) -> Result<Answer, CliError> {
        app.read(Need::MayJob, |desk| self.answer(desk))
    }

    fn answer(&self, desk: &mut Desk<'_>) -> Result<Answer, CliError> {
        let printed = desk.day(None)?;
        let under = self.under.find(desk, WHAT, printed, None)?;
        let unit: ReadUnit = figures::word(&self.unit, "unit")?;
        let (from_um, to_um, step_um) = self.range(unit, &under.label)?;
        let request = Request {
            label: &under.label,
            label_id: under.label_id,
            purpose: &under.purpose,
            containers: &under.kit.containers,
            unit,
            from_um,
            to_um,
            step_um,
            printed,
        };
        let table = dose_table(&request).map_err(|e| no_answer(WHAT, &e))?;
        let text = self.written(&table)?;
        let mut answer = Answer::default();
        answer.cautions.extend(cautions::treating(&under.label));
        match &self.out {
            Some(path) => {
                write_whole(path, &text)?;
                answer.say(format!("{}: {} rows", path.display(), table.rows.len()));
                answer.json.insert("written".into(), path.display().to_string().into());
            }
            None => answer.text.extend(text.lines().map(str::to_owned)),
        }
        if self.format != "text" && self.out.is_none() {
            answer.json.insert("text".into(), text.into());
        }
        Ok(answer.with("table", serde_json::to_value(&table).unwrap_or_default()))
    }

    fn written(&self, table: &DoseTable) -> Result<String, CliError> {
        match self.format.as_str() {
            "csv" => table.csv().map_err(|e| CliError::Unexpected(e.to_string())),
            "html" => Ok(table.html()),
            _ => Ok(table.to_string()),
        }
    }

    /// First row, last row and step.
    fn range(&self, unit: ReadUnit, label: &Label) -> Result<(Um, Um, Um), CliError> {
        let (to, step) = match unit {
            ReadUnit::In => (Um(40 * 25_400), Um(12_700)),
            ReadUnit::Cm | ReadUnit::Mm => (Um(1_000_000), Um(10_000)),
        };
        let given = |typed: &Option<Typed>, default: Um| {
            let figure = typed.as_ref().map(|t| figures::length(t.text(), &self.unit, "diameter"));
            figure.transpose().map(|f| f.unwrap_or(default))
        };
        // In whole steps, so that an inch table does not begin at 3.94 in.
        let smallest = Um(label.smallest_diameter_um.0.max(step.0).div_euclid(step.0) * step.0);
        Ok((given(&self.from, smallest)?, given(&self.to, to)?, given(&self.step, step)?))
    }
}
