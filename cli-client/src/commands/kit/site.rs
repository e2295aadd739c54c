//! The air at the site: its pressure and temperature.

use bolebook_core::dosing::gas::{atmosphere_at, barometer};
use bolebook_core::dosing::units::{self, BarometerUnit};
use bolebook_core::quantity::{AbsPa, MilliCelsius};

use crate::error::CliError;
use crate::figures::{self, Typed};
use crate::planning::no_answer;

/// The air pressure at the site: one of the two must be said, for no site is 'the' atmosphere.
#[derive(Debug, clap::Args)]
#[group(required = true, multiple = false)]
pub(super) struct Atmosphere {
    /// Altitude of the site, in m without a unit; the standard atmosphere holds there to 3 %.
    #[arg(long, value_name = "M", allow_negative_numbers = true)]
    altitude: Option<Typed>,
    /// The barometer's own reading at the site, with its unit; weather services report it reduced to sea level.
    #[arg(long, value_name = "PRESSURE")]
    barometer: Option<Typed>,
}

impl Atmosphere {
    pub(super) fn pressure(&self, what: &'static str) -> Result<AbsPa, CliError> {
        match (&self.altitude, &self.barometer) {
            (Some(altitude), _) => {
                let height = figures::length(altitude.text(), "m", "altitude")?;
                atmosphere_at(height).map_err(|e| no_answer(what, &e))
            }
            (None, Some(reading)) => {
                let reading = figures::in_unit::<BarometerUnit>(reading.text(), None)?;
                barometer(reading).map_err(|e| no_answer(what, &e))
            }
            // The arguments require one of the two.
            (None, None) => Err(CliError::Unexpected("neither altitude nor barometer was said".into())),
        }
    }
}

/// `98.4 kPa outside`.
pub(super) fn outside(atmosphere: AbsPa) -> String {
    format!("{} kPa of air outside", units::shown(atmosphere, BarometerUnit::Kilopascal, 1))
}

/// A temperature, in °C without a unit.
pub(super) fn temperature(typed: &Typed) -> Result<MilliCelsius, CliError> {
    Ok(figures::temperature(typed.text(), "temperature")?)
}
