//! `kit charge-volume`: what a container filled against trapped air takes, by pressure and altitude.

use bolebook_core::dosing::caution::Act;
use bolebook_core::dosing::trapped_air::{TrappedAirError, TrappedCharge, charge, gauge_for_nominal};
use bolebook_core::dosing::uncertainty::{Interval, Sum, UncertaintyError, of_gauge, relative};
use bolebook_core::dosing::units;
use bolebook_core::quantity::{AbsPa, Pa};
use bolebook_core::record::kit::{ContainerKind, Kit};
use serde_json::json;

use super::site::{Atmosphere, outside, temperature};
use super::{Found, KitArgs, container_named};
use crate::cautions;
use crate::desk::Desk;
use crate::error::CliError;
use crate::figures::{self, Typed};
use crate::output::Answer;
use crate::planning::no_answer;

/// Says what a container filled against the air trapped in it takes, at the site's air pressure.
///
/// The charge shrinks as the gauge falls through the working band, and grows with altitude. It holds
/// for a container that was vented before it is filled again.
#[derive(Debug, clap::Args)]
pub struct ChargeVolume {
    #[command(flatten)]
    kit: KitArgs,
    /// Which of the kit's containers.
    #[arg(long)]
    container: Option<String>,
    /// The gauge, with its unit, if not bottom and top of the working band.
    #[arg(long, value_name = "PRESSURE")]
    gauge: Option<Typed>,
    /// Temperature of the air.
    #[arg(long, value_name = "TEMPERATURE", allow_hyphen_values = true)]
    air: Typed,
    #[command(flatten)]
    atmosphere: Atmosphere,
}

const WHAT: &str = "charge volume";

impl ChargeVolume {
    pub(super) fn answer(&self, desk: &mut Desk<'_>) -> Result<Answer, CliError> {
        let found = self.kit.find(desk)?;
        let kind = container_named(&found.kit, self.container.as_deref())?;
        let (atmosphere, air) = (self.atmosphere.pressure(WHAT)?, temperature(&self.air)?);
        let gauge = self.gauge.as_ref().map(|g| figures::pressure(g.text(), "gauge pressure")).transpose()?;
        let gauges = gauge.map_or(vec![found.kit.work_low_pa, found.kit.work_high_pa], |g| vec![g]);
        over_limit(&found, &gauges)?;
        let failed = |e: TrappedAirError| no_answer(WHAT, &e);
        let mut answer = Answer::default();
        let mut rows = vec![];
        for gauge in gauges {
            let taken = charge(kind, gauge, atmosphere, air).map_err(failed)?;
            let known = interval(&taken, kind, &found.kit, atmosphere).map_err(|e| no_answer(WHAT, &e))?;
            answer.say(format!(
                "{taken} Known to {} mL to {} mL (± {}).",
                known.low_ul.ml(),
                known.high_ul.ml(),
                relative(&known)
            ));
            rows.push(json!({ "charge": taken, "interval": known }));
        }
        answer.say(format!(
            "{}, vented before each fill; air at {}, {}.",
            kind.name,
            units::temperature(air),
            outside(atmosphere)
        ));
        let aim = gauge_for_nominal(kind, atmosphere, air).ok();
        answer.text.extend(aim.map(|aim| aim_line(aim, &found, kind)));
        answer.cautions.extend(cautions::of_acts(&[Act::Charge]));
        Ok(answer
            .with("kit", found.kit.name.clone())
            .with("container", kind.name.clone())
            .with("atmosphere_pa", atmosphere.0)
            .with("at", rows)
            .with("nominal_at_pa", aim.map(|p| p.0)))
    }
}

/// No charge is shown for a gauge that must not be reached.
fn over_limit(found: &Found, gauges: &[Pa]) -> Result<(), CliError> {
    let limit = found.limit().map_err(|e| no_answer(WHAT, &e))?;
    match gauges.iter().max().filter(|gauge| **gauge > limit.limit_pa) {
        None => Ok(()),
        Some(gauge) => Err(no_answer(WHAT, &format!("{} is too much: {limit}", units::pressure(*gauge)))),
    }
}

/// How well one charge is known: what varies from charge to charge, what all share, and the gauge.
fn interval(
    taken: &TrappedCharge,
    kind: &ContainerKind,
    kit: &Kit,
    atmosphere: AbsPa,
) -> Result<Interval, UncertaintyError> {
    let mut sum = Sum::new();
    sum.charge(taken.settled_ul, kind)?;
    if let Some(inner) = kind.inner_volume_ul {
        sum.shared(of_gauge(inner, taken.gauge_pa, kit.gauge.u_pa, atmosphere)?, 1);
    }
    Ok(sum.interval())
}

fn aim_line(aim: Pa, found: &Found, kind: &ContainerKind) -> String {
    let (nominal, at) = (kind.charge_ul.ml_exact(), units::pressure(aim));
    match found.limit() {
        Ok(limit) if aim <= limit.limit_pa && aim <= found.kit.work_high_pa => {
            format!("The nominal {nominal} mL go in at {at}.")
        }
        _ => format!(
            "The nominal {nominal} mL would need {at}, above what this kit is worked at: never raise the pressure for it; calibrate, and have the charge corrected."
        ),
    }
}
