//! `forecast`: the time left, and trees that took up slowly.

use bolebook_core::dosing::caution::Act;
use bolebook_core::dosing::forecast::log::visits;
use bolebook_core::dosing::forecast::uptake::slow_uptake;

use crate::app::{App, Need};
use crate::cautions;
use crate::desk::Desk;
use crate::error::CliError;
use crate::figures::Typed;
use crate::output::Answer;
use crate::planning::time::TimeArgs;
use crate::planning::{UnderArgs, left, left_out};

/// Says how many crew-days are left, learned from the job's own log, with a 95 % interval.
///
/// Minutes per stem and per charge are learned from first hole to last container, per species where
/// the log tells species apart. Also names stems that took up far more slowly than their peers.
#[derive(Debug, clap::Args)]
pub struct ForecastCommand {
    #[command(flatten)]
    under: UnderArgs,
    #[command(flatten)]
    time: TimeArgs,
    /// Only the trees of this block; may be given several times.
    #[arg(long)]
    block: Vec<Typed>,
}

const WHAT: &str = "forecast";

impl ForecastCommand {
    /// Runs it.
    pub fn run(&self, app: &App) -> Result<Answer, CliError> {
        app.read(Need::Job, |desk| self.answer(desk))
    }

    fn answer(&self, desk: &mut Desk<'_>) -> Result<Answer, CliError> {
        let trees = left(desk, WHAT, &self.block)?;
        let under = self.under.find(desk, WHAT, desk.day(None)?, None)?;
        let charges = under.charges(WHAT, &trees)?;
        let found = self.time.forecast(desk, WHAT, &trees, &charges)?;
        let logged = visits(desk.view()?);
        let slow = slow_uptake(&logged.visits);
        let mut answer = Answer::default();
        answer.text.extend(found.to_string().lines().map(str::to_owned));
        answer.text.extend(left_out(&charges));
        if !slow.is_empty() {
            answer.say(format!("Slow uptake ({}):", slow.len()));
            answer.text.extend(slow.iter().map(|s| format!("  {s}")));
            answer.cautions.extend(cautions::of_acts(&[Act::Uptake, Act::TakeOff]));
        }
        Ok(answer
            .with("forecast", serde_json::to_value(&found).unwrap_or_default())
            .with("left_out", serde_json::to_value(&charges.left_out).unwrap_or_default())
            .with("not_measured", charges.not_measured())
            .with("unusable", serde_json::to_value(&logged.unusable).unwrap_or_default())
            .with("slow_uptake", serde_json::to_value(&slow).unwrap_or_default()))
    }
}
