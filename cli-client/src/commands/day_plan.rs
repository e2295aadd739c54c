//! `day-plan`: which trees go to which crew, in walking order.

use crate::app::{App, Need};
use crate::desk::Desk;
use crate::error::CliError;
use crate::figures::Typed;
use crate::output::Answer;
use crate::planning::time::DayArgs;
use crate::planning::{UnderArgs, count, left, left_out};

/// Shares the trees left out between the crews for one day: balanced by time, in walking order.
///
/// Distances are straight lines: paths, fences and slopes are not known. What does not fit the day
/// is listed. Each tree's own advice still decides whether it may be treated.
#[derive(Debug, clap::Args)]
pub struct DayPlanCommand {
    #[command(flatten)]
    under: UnderArgs,
    #[command(flatten)]
    day: DayArgs,
    /// Only the trees of this block; may be given several times.
    #[arg(long)]
    block: Vec<Typed>,
}

const WHAT: &str = "day plan";

impl DayPlanCommand {
    /// Runs it.
    pub fn run(&self, app: &App) -> Result<Answer, CliError> {
        app.read(Need::Job, |desk| self.answer(desk))
    }

    fn answer(&self, desk: &mut Desk<'_>) -> Result<Answer, CliError> {
        let trees = left(desk, WHAT, &self.block)?;
        let under = self.under.find(desk, WHAT, desk.day(None)?, self.day.one_crew(desk)?)?;
        let charges = under.charges(WHAT, &trees)?;
        let (plan, time) = self.day.plan(desk, WHAT, &trees, &charges)?;
        let handed: usize = plan.crews.iter().map(|c| c.stops.len()).sum();
        let hours = |minutes: f64| format!("{:.1} h", minutes / 60.0);
        let longest = plan.crews.iter().map(|c| c.minutes).fold(0.0, f64::max);
        let shortest = plan.crews.iter().map(|c| c.minutes).fold(f64::INFINITY, f64::min);
        let mut first = format!("{} for {}", count(handed, "tree"), count(plan.crews.len(), "crew"));
        match plan.crews.len() {
            1 => first.push_str(&format!(": {}", hours(longest))),
            _ => first.push_str(&format!(
                ": {} the longest, {} the shortest day",
                hours(longest),
                hours(shortest)
            )),
        }
        first.push_str(&format!(" of {:.0} minutes; {} not today", time.minutes_a_day, plan.not_today.len()));
        let mut answer = Answer::line(first);
        answer.text.extend(plan.to_string().lines().map(str::to_owned));
        answer.say(format!("Time: {}", time.model));
        answer.text.extend(left_out(&charges));
        Ok(answer
            .with("plan", serde_json::to_value(&plan).unwrap_or_default())
            .with("model", serde_json::to_value(&time.model).unwrap_or_default())
            .with("minutes_a_day", time.minutes_a_day)
            .with("left_out", serde_json::to_value(&charges.left_out).unwrap_or_default())
            .with("not_measured", charges.not_measured()))
    }
}
