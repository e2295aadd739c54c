//! One pressurisation: how many charges it gives, when to add air, and whether the kit holds.
//!
//! The head space is what the air has above the product. As product leaves, the air grows into its
//! place and the gauge falls: slowly by the isothermal law, at once by the adiabatic one. The truth
//! lies between, so each answer is a range, and the gauge decides.

use serde::Serialize;

use crate::dosing::caution::{Act, cautions};
use crate::dosing::gas::{self, Air, GasError, STEEPEST_ADIABATIC, absolute, expansion};
use crate::dosing::uncertainty::{Component, UncertaintyError, combine};
use crate::dosing::units;
use crate::quantity::{AbsPa, MilliCelsius, Pa, Ul, word_for};

/// A charged reservoir about to be worked.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Charged {
    /// Whole inner volume of the reservoir.
    pub volume_ul: Ul,
    /// Product in it.
    pub product_ul: Ul,
    /// What one container takes.
    pub charge_ul: Ul,
    /// The gauge now.
    pub gauge_pa: Pa,
    /// The gauge at which air is added: the bottom of the working band.
    pub low_pa: Pa,
    /// Air pressure at the site.
    pub atmosphere: AbsPa,
    /// Temperature of the air in the reservoir.
    pub temperature: MilliCelsius,
}

/// Why there is no answer.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum PressurisationError {
    /// Pressure or temperature out of range.
    #[error(transparent)]
    Gas(#[from] GasError),
    /// The gauge's uncertainty cannot be.
    #[error(transparent)]
    Uncertainty(#[from] UncertaintyError),
    /// Volumes that cannot be.
    #[error("{} mL of product in a reservoir of {} mL, charges of {} mL: these cannot be, check them", .product.ml(), .volume.ml(), .charge.ml())]
    Volumes {
        /// The reservoir.
        volume: Ul,
        /// The product.
        product: Ul,
        /// A charge.
        charge: Ul,
    },
    /// A gauge without a stated uncertainty tells nothing of a small fall.
    #[error("the kit's record states no uncertainty for its gauge: a leak check needs it")]
    GaugeNotStated,
    /// Minutes that cannot be.
    #[error("{} {} no waiting time: enter it again", .0, word_for(*.0, "minute is", "minutes are"))]
    Minutes(i64),
}

/// What ends a pressurisation.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum EndsBy {
    /// The gauge reaches the lower working pressure.
    Pressure,
    /// The product runs out; air would follow it.
    Product,
    /// One or the other, depending on how slowly it goes.
    Either,
}

/// How many charges a pressurisation gives.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Charges {
    /// Air above the product at the start.
    pub head_space_ul: Ul,
    /// Product let out at once (adiabatic), rounded down.
    pub least_ul: Ul,
    /// Product let out slowly (isothermal), rounded down.
    pub most_ul: Ul,
    /// Whole charges at once.
    pub fewest: i64,
    /// Whole charges slowly.
    pub most: i64,
    /// What ends it.
    pub ends_by: EndsBy,
    /// When to add air.
    pub add_air_at_pa: Pa,
    /// What to mind.
    pub cautions: &'static [&'static str],
}

impl std::fmt::Display for Charges {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match (self.fewest, self.most) {
            (_, 0) => f.write_str("Not one whole charge: the gauge decides.")?,
            (few, many) if few == many => {
                write!(f, "{few} {}: the gauge decides.", word_for(few, "charge", "charges"))?;
            }
            (few, many) => write!(f, "{few} to {many} charges: the gauge decides.")?,
        }
        f.write_str(" ")?;
        let add = units::pressure(self.add_air_at_pa);
        match self.ends_by {
            EndsBy::Pressure => write!(f, "Add air when it reads {add}."),
            EndsBy::Product => write!(f, "The product runs out first: release the pressure, then fill."),
            EndsBy::Either => write!(f, "Add air when it reads {add}; the product may run out first."),
        }
    }
}

/// Whole charges until the gauge falls to the lower working pressure or the product is used up.
///
/// The product let out is the air's growth, head space × (ratio − 1), with the ratios of
/// [`gas::expansion`]. A container that measures against trapped air takes less as the gauge falls
/// ([`crate::dosing::trapped_air`]): then a pressurisation gives more charges than this, smaller ones.
///
/// # Errors
/// [`PressurisationError`] for what cannot be or is out of range.
pub fn charges(charged: &Charged) -> Result<Charges, PressurisationError> {
    let head_space_ul = head_space(charged)?;
    let growth = expansion(charged.gauge_pa, charged.low_pa, charged.atmosphere, charged.temperature)?;
    let let_out = |ratio: f64| Ul(libm::floor(head_space_ul.0 as f64 * (ratio - 1.0)) as i64);
    let (by_air_least, by_air_most) = (let_out(growth.adiabatic), let_out(growth.isothermal));
    let product = charged.product_ul;
    let ends_by = match (by_air_least < product, by_air_most < product) {
        (_, true) => EndsBy::Pressure,
        (true, false) => EndsBy::Either,
        (false, false) => EndsBy::Product,
    };
    let (least_ul, most_ul) = (by_air_least.min(product), by_air_most.min(product));
    Ok(Charges {
        head_space_ul,
        least_ul,
        most_ul,
        fewest: least_ul.0 / charged.charge_ul.0,
        most: most_ul.0 / charged.charge_ul.0,
        ends_by,
        add_air_at_pa: charged.low_pa,
        cautions: cautions(Act::Pressurise),
    })
}

fn head_space(charged: &Charged) -> Result<Ul, PressurisationError> {
    let Charged { volume_ul: volume, product_ul: product, charge_ul: charge, .. } = *charged;
    if product.0 < 0 || charge.0 <= 0 || volume <= product {
        return Err(PressurisationError::Volumes { volume, product, charge });
    }
    Ok(volume.saturating_sub(product))
}

/// A gauge reading as a range.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct GaugeRange {
    /// At once: the air has cooled.
    pub low_pa: Pa,
    /// After it has warmed up again.
    pub high_pa: Pa,
}

impl std::fmt::Display for GaugeRange {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{} to {}", units::pressure(self.low_pa), units::pressure(self.high_pa))
    }
}

/// What the gauge should show after a number of charges. A gauge that has fallen further has lost air or
/// product; one that has fallen less has not filled the containers.
///
/// # Errors
/// [`PressurisationError`] for more charges than there is product, or figures out of range.
pub fn gauge_after(charged: &Charged, charges: i64) -> Result<GaugeRange, PressurisationError> {
    let head = head_space(charged)?;
    let out = charged.charge_ul.0.checked_mul(charges).filter(|out| (0..=charged.product_ul.0).contains(out));
    let Some(out) = out else {
        let Charged { volume_ul: volume, product_ul: product, charge_ul: charge, .. } = *charged;
        return Err(PressurisationError::Volumes { volume, product, charge });
    };
    let before = absolute(charged.gauge_pa, charged.atmosphere)?.0 as f64;
    let ratio = (head.0 as f64 + out as f64) / head.0 as f64;
    let air = Air::at(charged.temperature)?;
    let moles = air.density(before);
    let slow = Air::pressure_holding(moles, |pressure| air.density(pressure) * ratio).unwrap_or(before);
    let fast = before / libm::pow(ratio, STEEPEST_ADIABATIC);
    let gauge = |pressure: f64| Pa(libm::round(pressure) as i64).saturating_sub(Pa(charged.atmosphere.0));
    Ok(GaugeRange { low_pa: gauge(fast), high_pa: gauge(slow) })
}

/// Minutes a kit stands before a leak check, and between its two readings (common practice, no source).
pub const SETTLING_MINUTES: i64 = 10;
/// Ratio of the specific heats of an ideal diatomic gas.
const IDEAL_ADIABATIC: f64 = 1.4;

/// How far the gauge falls by itself after air was put on.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Settling {
    /// The least: air was put on so slowly that it kept cool.
    pub least_fall_pa: Pa,
    /// The most: air was put on at once, and has cooled since.
    pub most_fall_pa: Pa,
    /// How long to wait.
    pub wait_minutes: i64,
}

impl std::fmt::Display for Settling {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(
            f,
            "Air gets hot as it is put on and the gauge falls as it cools, by up to {}: not a leak. Wait {} minutes, top up, read the gauge, and read it again after {} more.",
            units::pressure(self.most_fall_pa),
            self.wait_minutes,
            self.wait_minutes
        )
    }
}

/// The fall after pressurising from one gauge pressure to another.
///
/// Air let at once into a vessel from a source at the vessel's first temperature: with the energy
/// balance of a filling vessel (any textbook of thermodynamics, uniform flow) it ends at p₂ and cools
/// to p₁ + (p₂ − p₁)/γ, so the gauge falls by (p₂ − p₁)(1 − 1/γ), γ = 1.4. The wall takes heat
/// meanwhile, so real falls are smaller; a hot compressor can make it more.
///
/// # Errors
/// [`GasError`] for pressures that do not rise or are out of range.
pub fn settling(from: Pa, to: Pa) -> Result<Settling, GasError> {
    if to <= from {
        return Err(GasError::NotRising { from, to });
    }
    absolute(from, gas::SEA_LEVEL)?;
    absolute(to, gas::SEA_LEVEL)?;
    let most = (to.0 - from.0) as f64 * (1.0 - 1.0 / IDEAL_ADIABATIC);
    Ok(Settling {
        least_fall_pa: Pa(0),
        most_fall_pa: Pa(libm::ceil(most) as i64),
        wait_minutes: SETTLING_MINUTES,
    })
}

/// Two readings of a closed, settled kit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LeakReadings {
    /// Minutes from the last time air was put on to the first reading.
    pub settled_minutes: i64,
    /// First reading.
    pub first_pa: Pa,
    /// Temperature then.
    pub first_mc: MilliCelsius,
    /// Minutes to the second reading.
    pub apart_minutes: i64,
    /// Second reading.
    pub second_pa: Pa,
    /// Temperature then.
    pub second_mc: MilliCelsius,
    /// Standard uncertainty of one reading of the gauge.
    pub gauge_u_pa: Pa,
    /// Air pressure at the site.
    pub atmosphere: AbsPa,
}

/// What a leak check says.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum LeakVerdict {
    /// Read too early: the air may still be cooling.
    TooEarly,
    /// The gauge rose beyond what warming and reading explain: air still comes in, or it was misread.
    Rose,
    /// No fall beyond what cooling and reading explain.
    NoneSeen,
    /// The gauge fell further: a leak.
    Leak,
}

/// A leak check worked out.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct LeakCheck {
    /// What the gauge should show at the second reading, by temperature alone.
    pub expected_pa: Pa,
    /// How far below that it is; negative when above.
    pub missing_pa: Pa,
    /// What two readings can differ by: twice √2 times the gauge's standard uncertainty.
    pub tolerance_pa: Pa,
    /// The verdict.
    pub verdict: LeakVerdict,
    /// What to mind.
    pub cautions: &'static [&'static str],
}

impl std::fmt::Display for LeakCheck {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self.verdict {
            LeakVerdict::TooEarly => write!(
                f,
                "Too early to tell: let the kit stand {SETTLING_MINUTES} minutes after air was put on, and {SETTLING_MINUTES} between the readings."
            ),
            LeakVerdict::Rose => write!(
                f,
                "STOP. The gauge is {} above the {} that the temperature explains: shut the air off, read both again, or have the gauge looked at.",
                units::pressure(Pa(self.missing_pa.0.saturating_neg())),
                units::pressure(self.expected_pa)
            ),
            LeakVerdict::NoneSeen => write!(
                f,
                "No leak seen: {} was expected at this temperature, and the gauge is within {} of it. A leak too small for this gauge can still be there: look for wet joints.",
                units::pressure(self.expected_pa),
                units::pressure(self.tolerance_pa)
            ),
            LeakVerdict::Leak => write!(
                f,
                "STOP. The gauge is {} below the {} that cooling explains: the kit leaks. Do not use it; release the pressure, then find the leak.",
                units::pressure(self.missing_pa),
                units::pressure(self.expected_pa)
            ),
        }
    }
}

/// Whether a settled kit loses air: the second reading against what the temperature alone makes of the
/// first (real gas, volume unchanged).
///
/// # Errors
/// [`PressurisationError`] for readings out of range, negative minutes, or a gauge without uncertainty.
pub fn leak_check(readings: &LeakReadings) -> Result<LeakCheck, PressurisationError> {
    for minutes in [readings.settled_minutes, readings.apart_minutes] {
        if minutes < 0 {
            return Err(PressurisationError::Minutes(minutes));
        }
    }
    if readings.gauge_u_pa.0 <= 0 {
        return Err(PressurisationError::GaugeNotStated);
    }
    absolute(readings.second_pa, readings.atmosphere)?;
    let expected =
        gas::gauge_at(readings.first_pa, readings.atmosphere, readings.first_mc, readings.second_mc)?;
    let expected_pa = expected.ok_or(GasError::Pressure(gas::MAX_ABSOLUTE))?;
    let one = Component::known(readings.gauge_u_pa.0 as f64, 1.0);
    let tolerance_pa = Pa(libm::ceil(2.0 * combine(&[one, one], &[])?.standard) as i64);
    let missing_pa = expected_pa.saturating_sub(readings.second_pa);
    let waited = readings.settled_minutes.min(readings.apart_minutes) >= SETTLING_MINUTES;
    // A fall beyond cooling in less than ten minutes may still be cooling, so only waiting decides.
    let verdict = match () {
        () if !waited => LeakVerdict::TooEarly,
        () if missing_pa > tolerance_pa => LeakVerdict::Leak,
        () if missing_pa.0.saturating_neg() > tolerance_pa.0 => LeakVerdict::Rose,
        () => LeakVerdict::NoneSeen,
    };
    Ok(LeakCheck { expected_pa, missing_pa, tolerance_pa, verdict, cautions: cautions(Act::LeakCheck) })
}

#[cfg(test)]
#[path = "pressurisation_tests.rs"]
mod tests;
