//! `calibrate`: charges measured or weighed one by one, and what they say of the container.

use bolebook_core::dosing::calibration::{Assessment, FEWEST, assess_record, volume_of_mass};
use bolebook_core::dosing::units::MassUnit;
use bolebook_core::quantity::{UgPerMl, Ul, parse_decimal};
use bolebook_core::record::kit::{Calibration, CalibrationCharge, Kit};

use super::Entry;
use super::kit::container_named;
use crate::app::Need;
use crate::desk::Desk;
use crate::error::CliError;
use crate::figures::{self, FigureError, Typed};
use crate::output::Answer;

/// Logs a calibration: charges measured or weighed one by one; says mean, spread, interval, verdict.
///
/// Measure at least five. A charge may be measured (--charge 9.9), measured and weighed (--charge
/// 9.9,9.88), or weighed only (--weighed 9.88 with --density).
#[derive(Debug, clap::Args, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Calibrate {
    /// Which of the kit's containers, by name.
    container: String,
    /// A charge found: ML of what the container was charged with, or ML,GRAMS when it was weighed too.
    #[arg(long = "charge", value_name = "ML[,G]", required_unless_present = "weighed")]
    #[serde(default)]
    charge: Vec<Typed>,
    /// A charge weighed only, in g without a unit.
    #[arg(long, value_name = "MASS", requires = "density")]
    #[serde(default)]
    weighed: Vec<Typed>,
    /// Density in g/mL of what was weighed, from its safety data sheet; of the mix, where that was.
    #[arg(long, value_name = "G_PER_ML")]
    density: Option<Typed>,
    /// Reservoir pressure while charging, with its unit.
    #[arg(long)]
    pressure: Typed,
    /// Temperature of the product.
    #[arg(long)]
    temperature: Option<Typed>,
    /// The kit.
    #[arg(long)]
    kit: Option<Typed>,
    /// When, if not now.
    #[arg(long, value_name = "TIME")]
    at: Option<Typed>,
}

impl Entry for Calibrate {
    const NEED: Need = Need::MayJob;

    fn stage(&self, desk: &mut Desk<'_>) -> Result<(), CliError> {
        let crew = desk.crew(None).ok();
        let id = desk.kit(self.kit.as_ref(), crew)?;
        let missing = || CliError::Unexpected("a kit that was named is not there".into());
        let kit = desk.yard.kit(id).ok_or_else(missing)?.clone();
        let kind = container_named(&kit, Some(&self.container))?;
        let density = self.density.as_ref().map(|d| parse_decimal(d.text(), 1_000_000, "density"));
        let density = density.transpose().map_err(FigureError::from)?.map(UgPerMl);
        let charges = self.charges(density)?;
        let temperature = self.temperature.as_ref().map(|t| figures::temperature(t.text(), "temperature"));
        let body = Calibration {
            kit: id,
            container: kind.name.clone(),
            nominal_ul: kind.charge_ul,
            charges,
            pressure_pa: figures::pressure(self.pressure.text(), "pressure")?,
            temperature_mc: temperature.transpose()?,
        };
        let (line, assessment) = verdict(&body, &kit, density)?;
        for caution in crate::cautions::calibrating() {
            desk.caution(caution);
        }
        let at = desk.moment(self.at.as_ref())?;
        let id = desk.log_in_yard(body, at)?;
        desk.logged(format_args!("{}: {line}", kind.name), id);
        say(&mut desk.answer, &kind.name, assessment.as_ref());
        Ok(())
    }
}

impl Calibrate {
    fn charges(&self, density: Option<UgPerMl>) -> Result<Vec<CalibrationCharge>, CliError> {
        let mut charges: Vec<CalibrationCharge> = self.charge.iter().map(charge).collect::<Result<_, _>>()?;
        for typed in &self.weighed {
            let mass = figures::in_unit(typed.text(), Some(MassUnit::Gram))?;
            let unknown = "give the product's density with --density";
            let density = density.ok_or_else(|| figures::wrong(typed.text(), "charge", unknown))?;
            let volume = volume_of_mass(mass, density).map_err(|e| CliError::Refused(vec![e.to_string()]))?;
            charges.push(more_than_nothing(
                typed,
                CalibrationCharge { volume_ul: volume, mass_mg: Some(mass) },
            )?);
        }
        Ok(charges)
    }
}

/// What the charges say, in a line; one charge says nothing of a spread, and is logged all the same.
fn verdict(
    body: &Calibration,
    kit: &Kit,
    density: Option<UgPerMl>,
) -> Result<(String, Option<Assessment>), CliError> {
    if let [one] = &body.charges[..] {
        let (found, nominal) = (one.volume_ul.ml_exact(), body.nominal_ul.ml_exact());
        return Ok((
            format!(
                "1 charge of {found} mL, nominal {nominal} mL. No verdict: measure at least {FEWEST} charges."
            ),
            None,
        ));
    }
    let found = assess_record(body, kit, density).map_err(|e| CliError::Refused(vec![e.to_string()]))?;
    Ok((found.to_string(), Some(found)))
}

fn say(answer: &mut Answer, container: &str, assessment: Option<&Assessment>) {
    if let Some(found) = assessment {
        if found.failed() {
            answer
                .warnings
                .push(format!("container {container} failed its calibration: do not treat with it"));
        }
        answer.json.insert("assessment".into(), serde_json::to_value(found).unwrap_or_default());
    }
    answer.say("What went through belongs in the balance too: 'bolebook move primed-or-tested ML'.");
}

fn charge(typed: &Typed) -> Result<CalibrationCharge, FigureError> {
    let (volume, mass) = typed.text().split_once(',').map_or((typed.text(), None), |(v, m)| (v, Some(m)));
    let mass_mg = mass.map(|m| figures::in_unit(m, Some(MassUnit::Gram))).transpose()?;
    more_than_nothing(typed, CalibrationCharge { volume_ul: figures::volume(volume, "volume")?, mass_mg })
}

fn more_than_nothing(typed: &Typed, charge: CalibrationCharge) -> Result<CalibrationCharge, FigureError> {
    if charge.volume_ul <= Ul(0) || charge.mass_mg.is_some_and(|m| m.0 <= 0) {
        return Err(figures::wrong(typed.text(), "charge", "a charge is more than 0"));
    }
    Ok(charge)
}
