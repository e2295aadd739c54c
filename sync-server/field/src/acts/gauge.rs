//! The gauge: how many charges a pressurisation still gives, whether the kit loses air, and
//! calibrating its containers.

use bolebook_core::dosing::calibration::assess_record;
use bolebook_core::dosing::pressurisation::{Charged, LeakReadings, charges, leak_check};
use bolebook_core::quantity::{AbsPa, Ul};
use bolebook_core::record::kit::{Calibration, CalibrationCharge};

use super::{ActError, Asked, Done};
use crate::field::Field;
use crate::figures;
use crate::outside::{Outside, setting};
use crate::plan;
use crate::sentences::Said;
use crate::state::{GaugeRead, Screen};
use crate::summary::KitLine;
use crate::writer::Staged;

/// The standard atmosphere at sea level (ISO 2533:1975). Higher up a pressurisation gives a little
/// more: the figure errs towards adding air too early.
const SEA_LEVEL: AbsPa = AbsPa(101_325);
const MS_PER_MINUTE: i64 = 60_000;

pub(super) async fn perform<D: Outside>(field: &Field<D>, asked: &Asked<'_>) -> Result<Done, ActError> {
    match asked.word(0)? {
        "aired" => aired(field).await,
        "gauge" => gauge(field, asked).await,
        _ => calibrate(field, asked).await,
    }
}

fn kit<D: Outside>(field: &Field<D>) -> Result<KitLine, ActError> {
    let ground = field.ground()?;
    let state = field.state();
    let line = plan::kit(&state, &ground.summary).and_then(|id| ground.summary.kit(id)).cloned();
    line.ok_or_else(|| field.say("missing-kit"))
}

/// Air was put on: a leak shows only after it has settled.
async fn aired<D: Outside>(field: &Field<D>) -> Result<Done, ActError> {
    let now = field.now();
    let set = |state: &mut crate::state::State| {
        state.choices.aired_at = Some(now);
        state.choices.gauge = None;
    };
    field.set(set, &[setting::CHOICES]).await?;
    Ok(Done::default().saying(field.words().say("air-noted")))
}

/// Reads the gauge: against the working band, charges left, and against the reading before.
async fn gauge<D: Outside>(field: &Field<D>, asked: &Asked<'_>) -> Result<Done, ActError> {
    let line = kit(field)?;
    let units = field.state().choices.units;
    let typed = asked.filled("gauge").ok_or_else(|| field.say("say-gauge"))?;
    let pa = figures::pressure(typed, units)?;
    let air = asked.filled("air").ok_or_else(|| field.say("say-air"))?;
    let mc = figures::temperature(air, units)?;
    let now = field.now();
    let kit = &line.kit;
    let band = match pa {
        _ if pa < kit.work_low_pa => "gauge-low",
        _ if pa > kit.work_high_pa => "gauge-high",
        _ => "gauge-in-band",
    };
    let mut said: Said = field.words().with(band, &[("gauge", &figures::gauge(pa, units))]).into();
    if pa >= kit.work_low_pa && pa <= kit.work_high_pa {
        let charge_ul = kit.containers.iter().map(|c| c.charge_ul).max().unwrap_or(Ul::ZERO);
        let charged = Charged {
            volume_ul: kit.reservoir.volume_ul,
            product_ul: field.ground()?.summary.liquid_ul(&line),
            charge_ul,
            gauge_pa: pa,
            low_pa: kit.work_low_pa,
            atmosphere: SEA_LEVEL,
            temperature: mc,
        };
        let left = match charges(&charged) {
            Ok(left) => left.to_string(),
            Err(error) => error.to_string(),
        };
        said = said.and(&field.words().core(&left));
    }
    let (before, aired_at) = {
        let choices = &field.state().choices;
        (choices.gauge, choices.aired_at)
    };
    if let (Some(first), Some(aired_at)) = (before, aired_at) {
        let minutes = |from: bolebook_core::quantity::UtcMs, to: bolebook_core::quantity::UtcMs| {
            (to.0 - from.0).max(0) / MS_PER_MINUTE
        };
        let readings = LeakReadings {
            settled_minutes: minutes(aired_at, first.at),
            first_pa: first.pa,
            first_mc: first.mc,
            apart_minutes: minutes(first.at, now),
            second_pa: pa,
            second_mc: mc,
            gauge_u_pa: kit.gauge.u_pa,
            atmosphere: SEA_LEVEL,
        };
        let check = match leak_check(&readings) {
            Ok(check) => check.to_string(),
            Err(error) => error.to_string(),
        };
        said = said.and(&field.words().core(&check));
    }
    let set = |state: &mut crate::state::State| {
        // The first settled reading stays the one compared with, until air is put on again.
        if state.choices.gauge.is_none() {
            state.choices.gauge = Some(GaugeRead { at: now, pa, mc });
        }
    };
    field.set(set, &[setting::CHOICES]).await?;
    Ok(Done::default().saying(said))
}

async fn calibrate<D: Outside>(field: &Field<D>, asked: &Asked<'_>) -> Result<Done, ActError> {
    if asked.word(0)? == "calibrate" {
        return Ok(Done::to(Screen::Calibrate));
    }
    let (line, ground) = (kit(field)?, field.ground()?);
    let units = field.state().choices.units;
    let name = asked.filled("container").ok_or_else(|| field.say("say-container"))?;
    let kind = line.kit.containers.iter().find(|c| c.name == name).ok_or_else(|| asked.unknown())?;
    let typed = asked.filled("charges").ok_or_else(|| field.say("say-amount"))?;
    let volumes = typed.split([' ', ';', '\n']).filter(|part| !part.is_empty()).map(figures::volume);
    let charges =
        volumes.map(|v| -> Result<_, ActError> { Ok(CalibrationCharge { volume_ul: v?, mass_mg: None }) });
    let record = Calibration {
        kit: line.id,
        container: kind.name.clone(),
        nominal_ul: kind.charge_ul,
        charges: charges.collect::<Result<_, ActError>>()?,
        pressure_pa: figures::pressure(asked.filled("gauge").ok_or_else(|| field.say("say-gauge"))?, units)?,
        temperature_mc: None,
    };
    let found = assess_record(&record, &line.kit, None).map_err(|e| ActError::Core(e.to_string()))?;
    let staged = vec![Staged::new(ground.yard, record, ground.now)];
    let ids = field.write(staged, |_, _| {}, &[]).await?;
    Ok(Done::to(Screen::Kit).saying(field.words().core(&found.to_string())).undone_by(ids.first().copied()))
}
