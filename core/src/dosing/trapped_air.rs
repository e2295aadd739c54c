//! Containers filled against the air trapped in them: how much goes in at which pressure and altitude.
//!
//! A vented container of volume V holds air at the local pressure a. Product pushes it together until
//! it is at the reservoir's pressure p, and takes the room it leaves: V (1 − a/p). At altitude a is
//! smaller and the charge larger, so a container set at the yard overfills in the mountains.

use serde::Serialize;

use crate::dosing::caution::{Act, cautions};
use crate::dosing::gas::{Air, GasError, STEEPEST_ADIABATIC, absolute};
use crate::dosing::units;
use crate::quantity::{AbsPa, MilliCelsius, Pa, Ul, decimal};
use crate::record::kit::ContainerKind;

/// Why there is no charge.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum TrappedAirError {
    /// Pressure or temperature out of range.
    #[error(transparent)]
    Gas(#[from] GasError),
    /// The container measures by a piston or a scale.
    #[error(
        "container '{0}' has no inner volume in the kit's record: it is not filled against trapped air, or the office must enter it"
    )]
    NoInnerVolume(String),
    /// A volume or charge that cannot be.
    #[error("a charge of {} mL in a container of {} mL cannot be: check the kit's record", .charge.ml(), .inner.ml())]
    Volumes {
        /// The charge.
        charge: Ul,
        /// The container.
        inner: Ul,
    },
    /// The pressure a charge would need is out of range.
    #[error("{} mL in a container of {} mL would need more than 3 MPa: use another container", .charge.ml(), .inner.ml())]
    NeedsTooMuch {
        /// The charge.
        charge: Ul,
        /// The container.
        inner: Ul,
    },
}

/// A charge against trapped air.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct TrappedCharge {
    /// The gauge it is filled at.
    pub gauge_pa: Pa,
    /// What has gone in at once, the trapped air still hot: the least.
    pub at_once_ul: Ul,
    /// What has gone in when the air has cooled: the charge.
    pub settled_ul: Ul,
    /// What it should be.
    pub nominal_ul: Ul,
    /// Settled minus nominal.
    pub off_ul: Ul,
    /// What to mind.
    pub cautions: &'static [&'static str],
}

impl std::fmt::Display for TrappedCharge {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let ml = |ul: Ul| decimal(ul.0, 1_000, 2);
        let way = if self.off_ul.0 < 0 { "under" } else { "over" };
        write!(
            f,
            "At {}: {} mL ({} mL at once, more as it settles), {} mL {way} the nominal {} mL.",
            units::pressure(self.gauge_pa),
            ml(self.settled_ul),
            ml(self.at_once_ul),
            ml(Ul(self.off_ul.0.saturating_abs())),
            ml(self.nominal_ul)
        )
    }
}

/// The charge of a vented container at a gauge pressure, to the nearest microlitre. A container that was
/// not vented takes less: its air starts above the local pressure.
///
/// Real gas ([`crate::dosing::gas`]); the product's own head and the hose's loss are left out.
///
/// # Errors
/// [`TrappedAirError`] for a container without inner volume, or figures out of range.
pub fn charge(
    kind: &ContainerKind,
    gauge: Pa,
    atmosphere: AbsPa,
    temperature: MilliCelsius,
) -> Result<TrappedCharge, TrappedAirError> {
    let inner = inner_volume(kind)?;
    let air = Air::at(temperature)?;
    let (local, high) = (atmosphere.0 as f64, absolute(gauge, atmosphere)?.0 as f64);
    let left = air.density(local) / air.density(high);
    let left_hot = libm::pow(local / high, 1.0 / STEEPEST_ADIABATIC);
    let taken = |left: f64| Ul(libm::round(inner.0 as f64 * (1.0 - left)) as i64);
    let settled_ul = taken(left);
    Ok(TrappedCharge {
        gauge_pa: gauge,
        at_once_ul: taken(left_hot),
        settled_ul,
        nominal_ul: kind.charge_ul,
        off_ul: settled_ul.saturating_sub(kind.charge_ul),
        cautions: cautions(Act::Charge),
    })
}

fn inner_volume(kind: &ContainerKind) -> Result<Ul, TrappedAirError> {
    let inner = kind.inner_volume_ul.ok_or_else(|| TrappedAirError::NoInnerVolume(kind.name.clone()))?;
    // A litre is far beyond any container; it also keeps the figures exact as floats.
    if !(1..=1_000_000).contains(&inner.0) || !(1..=inner.0).contains(&kind.charge_ul.0) {
        return Err(TrappedAirError::Volumes { charge: kind.charge_ul, inner });
    }
    Ok(inner)
}

/// The charge at the bottom and the top of a kit's working band.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct BandCharges {
    /// At the lower working pressure.
    pub at_low: TrappedCharge,
    /// At the upper working pressure.
    pub at_high: TrappedCharge,
}

impl std::fmt::Display for BandCharges {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}\n{}", self.at_low, self.at_high)
    }
}

/// How the charge changes as the gauge falls through the working band.
///
/// # Errors
/// As [`charge`]; [`GasError::NotRising`] for a band that is none.
pub fn over_band(
    kind: &ContainerKind,
    band: (Pa, Pa),
    atmosphere: AbsPa,
    temperature: MilliCelsius,
) -> Result<BandCharges, TrappedAirError> {
    let (low, high) = band;
    if high <= low {
        return Err(GasError::NotRising { from: low, to: high }.into());
    }
    Ok(BandCharges {
        at_low: charge(kind, low, atmosphere, temperature)?,
        at_high: charge(kind, high, atmosphere, temperature)?,
    })
}

/// The gauge at which a vented container takes its nominal charge, rounded down to a kilopascal. It is
/// an aim for the regulator, never above the kit's limit.
///
/// # Errors
/// [`TrappedAirError`] for a container without inner volume, or one that would need more than 3 MPa.
pub fn gauge_for_nominal(
    kind: &ContainerKind,
    atmosphere: AbsPa,
    temperature: MilliCelsius,
) -> Result<Pa, TrappedAirError> {
    let inner = inner_volume(kind)?;
    let air = Air::at(temperature)?;
    let local = absolute(Pa(0), atmosphere)?.0 as f64;
    let left = (inner.0 - kind.charge_ul.0) as f64 / inner.0 as f64;
    let needs = || TrappedAirError::NeedsTooMuch { charge: kind.charge_ul, inner };
    if left <= 0.0 {
        return Err(needs());
    }
    let wanted = air.density(local) / left;
    let high = Air::pressure_holding(wanted, |pressure| air.density(pressure)).ok_or_else(needs)?;
    Ok(Pa(libm::floor((high - local) / 1e3) as i64 * 1_000))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::dosing::gas::{SEA_LEVEL, atmosphere_at};
    use crate::quantity::Um;

    const WARM: MilliCelsius = MilliCelsius(20_000);

    fn kind(inner: i64, charge: i64) -> ContainerKind {
        ContainerKind {
            name: "10 mL".into(),
            charge_ul: Ul(charge),
            inner_volume_ul: Some(Ul(inner)),
            scale_step_ul: None,
            charge_u_ul: Ul(100),
            shared_u_ul: Ul(50),
        }
    }

    /// Boyle: 11 000 µL at 150 psi take 11 000 (1 − 101 325 / 1 135 539) = 10 018.5 µL; CoolProp 8.0.0 puts
    /// real air at 20 °C at 10 022 µL (computed: 10 021.9).
    #[test]
    fn a_charge_is_the_room_the_trapped_air_leaves() {
        let found = charge(&kind(11_000, 10_000), Pa(1_034_214), SEA_LEVEL, WARM).unwrap();
        assert!((found.settled_ul.0 - 10_022).abs() <= 1, "{found:?}");
        assert!(found.at_once_ul < found.settled_ul);
        assert!(found.to_string().contains("0.02 mL over the nominal 10.00 mL"), "{found}");
        assert!(found.cautions.iter().any(|c| c.contains("vent")));
    }

    #[test]
    fn a_container_takes_more_in_the_mountains() {
        let mountain = atmosphere_at(Um(2_000_000_000)).unwrap();
        let here = charge(&kind(11_000, 10_000), Pa(700_000), SEA_LEVEL, WARM).unwrap();
        let there = charge(&kind(11_000, 10_000), Pa(700_000), mountain, WARM).unwrap();
        assert!(there.settled_ul.0 - here.settled_ul.0 > 200, "{here} {there}");
    }

    #[test]
    fn the_charge_shrinks_as_the_gauge_falls_through_the_band() {
        let found = over_band(&kind(11_000, 10_000), (Pa(700_000), Pa(1_000_000)), SEA_LEVEL, WARM).unwrap();
        assert!(found.at_low.settled_ul < found.at_high.settled_ul);
        assert!(over_band(&kind(11_000, 10_000), (Pa(2), Pa(1)), SEA_LEVEL, WARM).is_err());
    }

    #[test]
    fn what_cannot_be_is_refused() {
        let piston = ContainerKind { inner_volume_ul: None, ..kind(1, 1) };
        assert!(charge(&piston, Pa(1), SEA_LEVEL, WARM).is_err());
        for (inner, nominal) in [(0, 0), (-1, 1), (10, 11), (2_000_000, 10)] {
            assert!(charge(&kind(inner, nominal), Pa(1), SEA_LEVEL, WARM).is_err(), "{inner} {nominal}");
        }
        assert!(gauge_for_nominal(&kind(10_000, 10_000), SEA_LEVEL, WARM).is_err());
        assert!(gauge_for_nominal(&kind(10_000, 9_900), SEA_LEVEL, WARM).is_err());
    }

    proptest! {
        #[test]
        fn any_figures_give_a_charge_or_an_error(inner: i64, nominal: i64, p: i64, a: i64, t: i64) {
            drop(charge(&kind(inner, nominal), Pa(p), AbsPa(a), MilliCelsius(t)));
            drop(gauge_for_nominal(&kind(inner, nominal), AbsPa(a), MilliCelsius(t)));
        }

        #[test]
        fn the_gauge_for_a_charge_gives_that_charge(nominal in 1_000i64..10_000, t in 0i64..40_000) {
            let kind = kind(11_000, nominal);
            let gauge = gauge_for_nominal(&kind, SEA_LEVEL, MilliCelsius(t)).unwrap();
            let found = charge(&kind, gauge, SEA_LEVEL, MilliCelsius(t)).unwrap();
            // A kilopascal is worth V a/p² at most: 110 µL at the atmosphere itself.
            prop_assert!((-110..=1).contains(&found.off_ul.0), "{:?}", found);
        }
    }
}
