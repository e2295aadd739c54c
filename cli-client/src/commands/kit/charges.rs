//! `kit charges`: how many charges a pressurisation gives.

use bolebook_core::dosing::caution::Act;
use bolebook_core::dosing::kit::{fill, ready};
use bolebook_core::dosing::pressurisation::{self, Charged, gauge_after, settling};
use bolebook_core::dosing::units;
use bolebook_core::quantity::{Pa, Ul};

use super::site::{Atmosphere, outside, temperature};
use super::{Found, KitArgs, container_named};
use crate::cautions;
use crate::desk::Desk;
use crate::error::CliError;
use crate::figures::{self, Typed};
use crate::output::Answer;
use crate::planning::no_answer;

/// Says how many charges the kit gives until air must be added, from at once to slowly.
///
/// As product leaves, the air above it grows and the gauge falls: at once by the adiabatic law,
/// slowly by the isothermal one. The truth lies between, so it is a range, and the gauge decides.
#[derive(Debug, clap::Args)]
pub struct Charges {
    #[command(flatten)]
    kit: KitArgs,
    /// Product in the reservoir; where the label has it mixed, the whole of the mix.
    #[arg(long, value_name = "ML")]
    product: Typed,
    /// The gauge now, with its unit, if not at the top of the working band.
    #[arg(long, value_name = "PRESSURE")]
    gauge: Option<Typed>,
    /// Which of the kit's containers.
    #[arg(long)]
    container: Option<String>,
    /// Temperature of the air in the reservoir.
    #[arg(long, value_name = "TEMPERATURE", allow_hyphen_values = true)]
    air: Typed,
    #[command(flatten)]
    atmosphere: Atmosphere,
    /// Says what the gauge should read after so many charges, if not after the fewest.
    #[arg(long, value_name = "N")]
    after: Option<Typed>,
}

const WHAT: &str = "number of charges";

impl Charges {
    pub(super) fn answer(&self, desk: &mut Desk<'_>) -> Result<Answer, CliError> {
        let found = self.kit.find(desk)?;
        let kind = container_named(&found.kit, self.container.as_deref())?;
        let gauge = self.gauge.as_ref().map(|g| figures::pressure(g.text(), "gauge pressure")).transpose()?;
        let charged = Charged {
            volume_ul: found.kit.reservoir.volume_ul,
            product_ul: figures::volume(self.product.text(), "volume of product")?,
            charge_ul: kind.charge_ul,
            gauge_pa: gauge.unwrap_or(found.kit.work_high_pa),
            low_pa: found.kit.work_low_pa,
            atmosphere: self.atmosphere.pressure(WHAT)?,
            temperature: temperature(&self.air)?,
        };
        stops(desk, &found, &charged)?;
        let failed = |e: pressurisation::PressurisationError| no_answer(WHAT, &e);
        let charges = pressurisation::charges(&charged).map_err(failed)?;
        let settling = settling(Pa(0), charged.gauge_pa).map_err(|e| no_answer(WHAT, &e))?;
        let after = self.after.as_ref().map(|n| figures::count(n.text(), "number of charges")).transpose()?;
        let after = after.or(Some(charges.fewest).filter(|n| *n > 0));
        let reads = after.map(|n| gauge_after(&charged, n)).transpose().map_err(failed)?;

        let mut answer = Answer::line(charges.to_string());
        answer.say(format!(
            "From {} with {} mL of liquid, {} mL of head space, charges of {} mL; air at {}, {}.",
            units::pressure(charged.gauge_pa),
            charged.product_ul.ml(),
            charges.head_space_ul.ml(),
            charged.charge_ul.ml_exact(),
            units::temperature(charged.temperature),
            outside(charged.atmosphere)
        ));
        if let (Some(n), Some(range)) = (after, &reads) {
            answer.say(format!("After {n} charges the gauge should read {range}; lower: air or product is lost; higher: containers did not fill."));
        }
        if kind.inner_volume_ul.is_some() {
            answer.say(format!(
                "{} fills against trapped air: its charge shrinks as the gauge falls ('bolebook kit charge-volume').",
                kind.name
            ));
        }
        answer.say(settling.to_string());
        answer.text.extend(found.limit().ok().map(|limit| limit.to_string()));
        answer.text.extend(found.no_label());
        answer.text.extend(found.of_mix(charged.product_ul));
        answer.cautions.extend(cautions::of_acts(&[Act::Pressurise, Act::Charge, Act::Leave]));
        Ok(answer
            .with("kit", found.kit.name.clone())
            .with("container", kind.name.clone())
            .with("gauge_pa", charged.gauge_pa.0)
            .with("atmosphere_pa", charged.atmosphere.0)
            .with("charges", serde_json::to_value(&charges).unwrap_or_default())
            .with("after", after)
            .with("gauge_after", serde_json::to_value(reads).unwrap_or_default())
            .with("settling", serde_json::to_value(&settling).unwrap_or_default()))
    }
}

/// A kit that is stopped, a gauge above the limit and a fill above its mark get no figure.
fn stops(desk: &Desk<'_>, found: &Found, charged: &Charged) -> Result<(), CliError> {
    let state = ready(Some(&found.kit), found.label_max(), desk.day(None)?);
    let mut why: Vec<String> = state.stops.iter().map(ToString::to_string).collect();
    if let Some(limit) = state.limit.filter(|limit| charged.gauge_pa > limit.limit_pa) {
        why.push(format!(
            "the gauge is at {}: {limit} Release the pressure",
            units::pressure(charged.gauge_pa)
        ));
    }
    if charged.product_ul <= Ul(0) {
        why.push(format!("{} mL of product give no charge", charged.product_ul.ml()));
    } else if let Err(error) = fill(&found.kit, Ul(0), charged.product_ul) {
        why.push(error.to_string());
    }
    if why.is_empty() {
        return Ok(());
    }
    Err(CliError::NoAnswer {
        what: WHAT,
        why,
        hint: "put no air on; 'bolebook kit ready' says what stops the kit",
    })
}
