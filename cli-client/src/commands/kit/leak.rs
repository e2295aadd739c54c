//! `kit leak`: whether a settled kit loses air.

use bolebook_core::dosing::caution::Act;
use bolebook_core::dosing::pressurisation::{LeakReadings, LeakVerdict, leak_check};
use bolebook_core::dosing::units;

use super::KitArgs;
use super::site::{Atmosphere, temperature};
use crate::cautions;
use crate::desk::Desk;
use crate::error::{CliError, exit};
use crate::figures::{self, Typed};
use crate::output::Answer;
use crate::planning::no_answer;

/// Tells a leak from cooling air: two readings of the gauge, ten minutes after the air and ten apart.
///
/// Air gets hot as it is put on, and the gauge falls while it cools: that is no leak. Only the fall
/// that temperature and reading do not explain is. Ends with exit code 3 unless no leak was
/// seen.
#[derive(Debug, clap::Args)]
pub struct Leak {
    #[command(flatten)]
    kit: KitArgs,
    /// First reading of the gauge, with its unit.
    #[arg(long, value_name = "PRESSURE")]
    first: Typed,
    /// Second reading of the gauge, with its unit.
    #[arg(long, value_name = "PRESSURE")]
    second: Typed,
    /// Temperature of the kit at the first reading.
    #[arg(long, value_name = "TEMPERATURE", allow_hyphen_values = true)]
    first_air: Typed,
    /// Temperature of the kit at the second reading.
    #[arg(long, value_name = "TEMPERATURE", allow_hyphen_values = true)]
    second_air: Typed,
    /// Minutes from the last time air was put on to the first reading.
    #[arg(long, value_name = "MIN")]
    waited: Typed,
    /// Minutes between the two readings.
    #[arg(long, value_name = "MIN")]
    apart: Typed,
    #[command(flatten)]
    atmosphere: Atmosphere,
}

const WHAT: &str = "leak check";

impl Leak {
    pub(super) fn answer(&self, desk: &mut Desk<'_>) -> Result<Answer, CliError> {
        let found = self.kit.find(desk)?;
        let gauge = |typed: &Typed| figures::pressure(typed.text(), "gauge pressure");
        let minutes = |typed: &Typed| figures::count(typed.text(), "number of minutes");
        let readings = LeakReadings {
            settled_minutes: minutes(&self.waited)?,
            first_pa: gauge(&self.first)?,
            first_mc: temperature(&self.first_air)?,
            apart_minutes: minutes(&self.apart)?,
            second_pa: gauge(&self.second)?,
            second_mc: temperature(&self.second_air)?,
            gauge_u_pa: found.kit.gauge.u_pa,
            atmosphere: self.atmosphere.pressure(WHAT)?,
        };
        let checked = leak_check(&readings).map_err(|e| no_answer(WHAT, &e))?;
        let mut answer = Answer::line(checked.to_string());
        answer.say(format!(
            "The gauge read {} and, {} minutes later, {}; by temperature alone {} was expected, give or take {}.",
            units::pressure(readings.first_pa),
            readings.apart_minutes,
            units::pressure(readings.second_pa),
            units::pressure(checked.expected_pa),
            units::pressure(checked.tolerance_pa)
        ));
        let over = found.limit().ok().filter(|l| readings.first_pa.max(readings.second_pa) > l.limit_pa);
        answer.warnings.extend(over.map(|limit| format!("the gauge was above the limit: {limit}")));
        answer.cautions.extend(cautions::of_acts(&[Act::LeakCheck]));
        // Too early to tell is no answer to work on either.
        if checked.verdict != LeakVerdict::NoneSeen {
            answer.exit = exit::STOPPED;
        }
        Ok(answer
            .with("kit", found.kit.name.clone())
            .with("leak_check", serde_json::to_value(&checked).unwrap_or_default()))
    }
}
