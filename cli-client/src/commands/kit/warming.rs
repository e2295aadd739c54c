//! `kit warming`: why a charged kit is never left in sun or vehicle.

use bolebook_core::dosing::caution::Act;
use bolebook_core::dosing::units;
use bolebook_core::dosing::warming::{ClosedVessel, HOT_VEHICLE, Liquid, WarmingError, warmed};
use bolebook_core::quantity::Pa;
use bolebook_core::record::kit::Kit;
use serde_json::{Value, json};

use super::KitArgs;
use super::site::{Atmosphere, temperature};
use crate::cautions;
use crate::desk::Desk;
use crate::error::CliError;
use crate::figures::{self, Typed};
use crate::output::Answer;
use crate::planning::no_answer;

/// Shows what warming does to a closed reservoir and to loaded containers: a warning, never leave to.
///
/// Gas, swelling liquid, air that leaves it and vapour, each from its unfavourable side. No answer
/// of this command says that a charged kit may be left: release the pressure first.
#[derive(Debug, clap::Args)]
pub struct Warming {
    #[command(flatten)]
    kit: KitArgs,
    /// Product in the reservoir, or the whole of the mix, if not up to its fill limit.
    #[arg(long, value_name = "ML")]
    product: Option<Typed>,
    /// The gauge now, with its unit, if not at the top of the working band.
    #[arg(long, value_name = "PRESSURE")]
    gauge: Option<Typed>,
    /// Temperature now.
    #[arg(long, value_name = "TEMPERATURE", allow_hyphen_values = true)]
    air: Typed,
    /// Temperature it warms to, if not that of a closed vehicle in the sun, 70 °C.
    #[arg(long, value_name = "TEMPERATURE", allow_hyphen_values = true)]
    to: Option<Typed>,
    /// 'water' where the safety data sheet says that the product is mostly water.
    #[arg(long, value_parser = ["water", "unknown"], default_value = "unknown")]
    liquid: String,
    #[command(flatten)]
    atmosphere: Atmosphere,
}

const WHAT: &str = "figure (the kit is still never left in sun or vehicle)";

impl Warming {
    pub(super) fn answer(&self, desk: &mut Desk<'_>) -> Result<Answer, CliError> {
        let found = self.kit.find(desk)?;
        let product =
            self.product.as_ref().map(|p| figures::volume(p.text(), "volume of product")).transpose()?;
        let gauge = self.gauge.as_ref().map(|g| figures::pressure(g.text(), "gauge pressure")).transpose()?;
        let vessel = ClosedVessel {
            volume_ul: found.kit.reservoir.volume_ul,
            liquid_ul: product.unwrap_or(found.kit.reservoir.fill_limit_ul),
            liquid: if self.liquid == "water" { Liquid::Water } else { Liquid::Unknown },
            gauge_pa: gauge.unwrap_or(found.kit.work_high_pa),
            atmosphere: self.atmosphere.pressure(WHAT)?,
            temperature: temperature(&self.air)?,
        };
        let to = self.to.as_ref().map(temperature).transpose()?.unwrap_or(HOT_VEHICLE);
        let failed = |e: WarmingError| no_answer(WHAT, &e);
        let reservoir = warmed(&vessel, to).map_err(failed)?;
        let mut answer = Answer::default();
        answer.text.extend(found.of_mix(vessel.liquid_ul));
        // The warning's own lines come last, so that no figure has the last word.
        let mut lines: Vec<String> = reservoir.to_string().lines().map(str::to_owned).collect();
        answer.text.extend(lines.first().cloned());
        let passed: Vec<String> =
            limits(&found.kit).iter().filter_map(|(whose, limit)| reservoir.passes(*limit, whose)).collect();
        answer.text.extend(passed.iter().cloned());
        let part = |pa: Option<Pa>| pa.map_or("beyond the formulas".into(), units::pressure);
        answer.say(format!(
            "Of the rise: air {}, swelling liquid {}, air that leaves it {}, vapour {}.",
            part(reservoir.by_air_pa),
            part(reservoir.by_liquid_pa),
            part(reservoir.by_released_air_pa),
            units::pressure(reservoir.by_vapour_pa)
        ));
        let mut rows: Vec<Value> = vec![];
        for kind in &found.kit.containers {
            let loaded = ClosedVessel::loaded(
                kind,
                vessel.liquid,
                vessel.gauge_pa,
                vessel.atmosphere,
                vessel.temperature,
            );
            let Some(loaded) = loaded else {
                answer.say(format!(
                    "{}, loaded: no inner volume in its record, so no figure; it warms too.",
                    kind.name
                ));
                continue;
            };
            match warmed(&loaded, to) {
                Ok(warm) => {
                    let first = warm.to_string().lines().next().unwrap_or_default().replace("WARNING. ", "");
                    answer.say(format!("{}, loaded: {first}", kind.name));
                    rows.push(json!({ "container": kind.name, "warming": warm }));
                }
                Err(error) => answer.say(format!("{}, loaded: no figure, {error}; it warms too.", kind.name)),
            }
        }
        answer.text.extend(lines.drain(1..));
        let cautions: Value = cautions::of_acts(&[Act::Leave]).into();
        answer.json.insert("cautions".into(), cautions);
        Ok(answer
            .with("kit", found.kit.name.clone())
            .with("reservoir", serde_json::to_value(&reservoir).unwrap_or_default())
            .with("passes", passed)
            .with("containers", rows))
    }
}

/// What a gauge must not pass, and whose limit it is.
fn limits(kit: &Kit) -> [(&'static str, Pa); 4] {
    [
        ("the setting of the relief valve", kit.reservoir.relief_set_pa),
        ("the rating of the vessel", kit.reservoir.rating_pa),
        ("the rating of the hose", kit.hose_rating_pa),
        ("the rating of the fittings", kit.fittings_rating_pa),
    ]
}
