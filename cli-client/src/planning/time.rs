//! Time: what the log or the office says of minutes, and the crews' day by it.

use bolebook_core::dosing::dayplan::{CrewStart, DayPlan, Rules, day_plan, stops};
use bolebook_core::dosing::forecast::log::visits;
use bolebook_core::dosing::forecast::model::TimeModel;
use bolebook_core::dosing::forecast::{self, Forecast, ForecastError, stems_left};
use bolebook_core::dosing::supply::{Listed, SupplyPlan};
use bolebook_core::ids::CrewId;
use bolebook_core::record::Kind;
use bolebook_core::record::stand::{Position, PositionSource};

use super::no_answer;
use crate::desk::Desk;
use crate::error::CliError;
use crate::figures::{self, FigureError, Typed};

/// How long trees take.
#[derive(Debug, clap::Args)]
pub struct TimeArgs {
    /// A crew's minutes in a day, if not the pace of the job's own log.
    #[arg(long, value_name = "MIN")]
    minutes_a_day: Option<Typed>,
    /// Instead of the log: crew minutes the office assumes for a stem, beside its charges.
    #[arg(long, value_name = "MIN", requires_all = ["assume_charge", "minutes_a_day"])]
    assume_stem: Option<Typed>,
    /// Instead of the log: crew minutes the office assumes for each charge.
    #[arg(long, value_name = "MIN", requires = "assume_stem")]
    assume_charge: Option<Typed>,
}

impl TimeArgs {
    /// The time left, learned from the log or assumed.
    ///
    /// # Errors
    /// [`CliError::NoAnswer`] when nothing is logged or assumed, and figures that cannot be.
    pub fn forecast(
        &self,
        desk: &Desk<'_>,
        what: &'static str,
        trees: &[Listed],
        plan: &SupplyPlan,
    ) -> Result<Forecast, CliError> {
        let day = self.minutes_a_day.as_ref();
        let day = day.map(|m| figures::count(m.text(), "length of day in minutes")).transpose()?;
        let stems = stems_left(trees, plan);
        let found = match (&self.assume_stem, &self.assume_charge, day) {
            (Some(stem), Some(charge), Some(day)) => {
                let figure = |typed: &Typed, what| figures::minutes(typed.text(), what);
                let (stem, charge) = (figure(stem, "time for a stem")?, figure(charge, "time for a charge")?);
                TimeModel::assumed(stem, charge).and_then(|model| forecast::assumed(model, &stems, day))
            }
            _ => forecast::forecast(&visits(desk.view()?), &stems, day),
        };
        found.map_err(|error| match error {
            ForecastError::NothingLogged => CliError::NoAnswer {
                what,
                why: vec![error.to_string()],
                hint: "say what the office assumes: --assume-stem MIN --assume-charge MIN --minutes-a-day MIN",
            },
            error => no_answer(what, &error),
        })
    }
}

/// How a day is shared out.
#[derive(Debug, clap::Args)]
pub struct DayArgs {
    /// A crew that works that day; without any, all crews of the yard.
    #[arg(long = "crew", value_name = "CREW")]
    pub crews: Vec<Typed>,
    /// Where a crew sets out: CREW=LAT,LON in degrees.
    #[arg(long = "start", value_name = "CREW=LAT,LON")]
    starts: Vec<String>,
    /// Metres a crew walks in a minute with its kit (common practice, no source).
    #[arg(long, value_name = "M", default_value = "40")]
    walk: Typed,
    /// Shares no block between crews.
    #[arg(long)]
    whole_blocks: bool,
    #[command(flatten)]
    pub time: TimeArgs,
}

impl DayArgs {
    /// The one crew named, if it is one.
    ///
    /// # Errors
    /// [`crate::names::NameError`].
    pub fn one_crew(&self, desk: &Desk<'_>) -> Result<Option<CrewId>, CliError> {
        let [name] = &self.crews[..] else { return Ok(None) };
        Ok(Some(desk.crew(Some(name))?))
    }

    /// Shares the trees out for one day: of `left`, those the plan has charges for.
    ///
    /// # Errors
    /// [`CliError`] for names and figures that cannot be.
    pub fn plan(
        &self,
        desk: &Desk<'_>,
        what: &'static str,
        left: &[Listed],
        charges: &SupplyPlan,
    ) -> Result<(DayPlan, Forecast), CliError> {
        let time = self.time.forecast(desk, what, left, charges)?;
        let metres =
            figures::in_unit(self.walk.text(), Some(bolebook_core::dosing::units::LengthUnit::Metre))?;
        let rules = Rules {
            walk_m_per_minute: metres.0 as f64 / 1e6,
            minutes_a_day: Some(time.minutes_a_day),
            whole_blocks: self.whole_blocks,
        };
        let stops = stops(desk.view()?, left, charges, &time.model);
        let plan = day_plan(&stops, &self.crew_starts(desk)?, rules).map_err(|e| no_answer(what, &e))?;
        Ok((plan, time))
    }

    fn crew_starts(&self, desk: &Desk<'_>) -> Result<Vec<CrewStart>, CliError> {
        let ids: Vec<CrewId> = if self.crews.is_empty() {
            desk.named(Kind::Crew).iter().map(|n| n.id).collect()
        } else {
            self.crews.iter().map(|c| desk.crew(Some(c))).collect::<Result<_, _>>()?
        };
        let mut crews: Vec<CrewStart> = ids
            .iter()
            .map(|crew| CrewStart { crew: *crew, name: desk.yard.crew_name(*crew), start: None })
            .collect();
        for text in &self.starts {
            let (name, place) = text.split_once('=').ok_or_else(|| wrong_start(text))?;
            let id = desk.crew(Some(&name.into()))?;
            let at = figures::corner(place)?;
            let start = Position {
                lat_ndeg: at.lat_ndeg,
                lon_ndeg: at.lon_ndeg,
                accuracy_um: None,
                source: PositionSource::Mapped,
            };
            let of = crews.iter_mut().find(|c| c.crew == id).ok_or_else(|| wrong_start(text))?;
            of.start = Some(start);
        }
        Ok(crews)
    }
}

fn wrong_start(text: &str) -> FigureError {
    figures::wrong(text, "start", "write CREW=LAT,LON of a crew that works that day")
}
