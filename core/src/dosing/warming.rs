//! A closed vessel of product and air that warms: why it is never left in sun or vehicle.
//!
//! The figure is a warning and never a permission. Each part is taken from its unfavourable side:
//! the vessel does not stretch, the air starts free of vapour, the liquid starts saturated with air
//! and gives it up as it warms. A vessel under direct sun gets hotter than the air around it.

use serde::Serialize;

use crate::dosing::caution::{Act, cautions};
use crate::dosing::gas::{Air, GasError, absolute};
use crate::dosing::units;
use crate::quantity::{AbsPa, MilliCelsius, Pa, Ul};
use crate::record::kit::ContainerKind;

/// What is known of the liquid.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Liquid {
    /// Mostly water, by its safety data sheet: water's own expansion, vapour and dissolved air.
    Water,
    /// Not known, or holding a solvent: an alcohol's expansion and vapour, water's dissolved air.
    /// A more volatile solvent goes higher still.
    Unknown,
}

/// Mean expansion of a light alcohol per kelvin: ethanol's reaches 1.274·10⁻³ at 70 °C (CoolProp 8.0.0).
const ALCOHOL_EXPANSION: f64 = 1.3e-3;
/// Share of the absolute pressure added for the formulas' own error (see [`crate::dosing::gas`]).
const FORMULA_ERROR: f64 = 5e-4;
/// Air inside a closed car in the sun, for asking what a vehicle would do; published figures lie at
/// 50 to 70 °C (from memory), and dark surfaces go higher.
pub const HOT_VEHICLE: MilliCelsius = MilliCelsius(70_000);

/// A closed reservoir or loaded container.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ClosedVessel {
    /// Its whole inner volume.
    pub volume_ul: Ul,
    /// The liquid in it.
    pub liquid_ul: Ul,
    /// What the liquid is.
    pub liquid: Liquid,
    /// The gauge now.
    pub gauge_pa: Pa,
    /// The air around it.
    pub atmosphere: AbsPa,
    /// Its temperature now.
    pub temperature: MilliCelsius,
}

impl ClosedVessel {
    /// A loaded container that has not emptied; absent when its record has no inner volume. It warms
    /// like the reservoir, and faster.
    pub fn loaded(
        kind: &ContainerKind,
        liquid: Liquid,
        gauge_pa: Pa,
        atmosphere: AbsPa,
        temperature: MilliCelsius,
    ) -> Option<Self> {
        let volume_ul = kind.inner_volume_ul?;
        Some(Self { volume_ul, liquid_ul: kind.charge_ul, liquid, gauge_pa, atmosphere, temperature })
    }
}

/// Why there is no figure. The vessel is still never left in sun or vehicle.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum WarmingError {
    /// Pressure or temperature out of range.
    #[error(transparent)]
    Gas(#[from] GasError),
    /// No vessel.
    #[error("a vessel of {} mL is no vessel: check the kit's record", .0.ml())]
    NoVessel(Ul),
    /// Liquid that the vessel cannot hold.
    #[error("{} mL of liquid do not fit a vessel of {} mL: check both", .liquid.ml(), .vessel.ml())]
    Overfull {
        /// The liquid.
        liquid: Ul,
        /// The vessel.
        vessel: Ul,
    },
    /// The second temperature is not above the first.
    #[error("{} is not warmer than {}", units::temperature(*.to), units::temperature(*.from))]
    NotWarmer {
        /// Before.
        from: MilliCelsius,
        /// After.
        to: MilliCelsius,
    },
}

/// What warming does to a closed vessel. There is no field that says it is safe.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Warming {
    /// Temperature before.
    pub from_mc: MilliCelsius,
    /// Temperature after.
    pub to_mc: MilliCelsius,
    /// The gauge before.
    pub before_pa: Pa,
    /// The gauge after, rounded up to a kilopascal; absent when the liquid would fill the vessel or
    /// the pressure pass 3 MPa absolute, where vessels burst.
    pub after_pa: Option<Pa>,
    /// Rise by the air alone, in the head space as it was.
    pub by_air_pa: Option<Pa>,
    /// Further rise because the liquid takes head space.
    pub by_liquid_pa: Option<Pa>,
    /// Further rise by air that leaves the liquid.
    pub by_released_air_pa: Option<Pa>,
    /// Further rise by the liquid's vapour.
    pub by_vapour_pa: Pa,
    /// Whether the liquid alone would fill the vessel.
    pub liquid_fills_it: bool,
    /// What to do, most urgent first.
    pub cautions: &'static [&'static str],
}

impl Warming {
    /// What to say of a limit, if the vessel would pass it: never that it would not.
    pub fn passes(&self, limit: Pa, whose: &str) -> Option<String> {
        match self.after_pa {
            Some(after) if after <= limit => None,
            Some(_) => Some(format!("This passes {whose}, {}.", units::pressure(limit))),
            None => {
                Some(format!("This passes {whose}, {}, and may burst the vessel.", units::pressure(limit)))
            }
        }
    }
}

impl std::fmt::Display for Warming {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let (from, to) = (units::temperature(self.from_mc), units::temperature(self.to_mc));
        let before = units::pressure(self.before_pa);
        write!(f, "WARNING. Closed and warmed from {from} to {to}, the gauge goes from {before} to ")?;
        match self.after_pa {
            Some(after) => write!(f, "{} or more.", units::pressure(after))?,
            None if self.liquid_fills_it => write!(f, "bursting: the liquid fills the vessel.")?,
            None => write!(f, "more than 2900 kPa (420 psi).")?,
        }
        self.cautions.iter().try_for_each(|line| write!(f, "\n- {line}"))
    }
}

/// The gauge of a closed vessel at a higher temperature, and what makes it rise.
///
/// Air: [`crate::dosing::gas`]. Water: density and vapour by Wagner & Pruss 1993 (J. Phys. Chem. Ref.
/// Data 22:783, saturated water), coefficients from memory, checked against CoolProp. Alcohol: vapour
/// by the Antoine equation of Ambrose & Sprake 1970, coefficients from memory, checked against
/// CoolProp within 1 % from 20 to 70 °C. Air in water: Henry's constants of US National Bureau of Standards J. Res.
/// 77A:133–147 (1973), table 3.
///
/// # Errors
/// [`WarmingError`] for what cannot be, or is out of the formulas' range.
pub fn warmed(vessel: &ClosedVessel, to: MilliCelsius) -> Result<Warming, WarmingError> {
    let ClosedVessel { volume_ul, liquid_ul, temperature: from, .. } = *vessel;
    if volume_ul.0 <= 0 {
        return Err(WarmingError::NoVessel(volume_ul));
    }
    if !(0..volume_ul.0).contains(&liquid_ul.0) {
        return Err(WarmingError::Overfull { liquid: liquid_ul, vessel: volume_ul });
    }
    if to <= from {
        return Err(WarmingError::NotWarmer { from, to });
    }
    let before = absolute(vessel.gauge_pa, vessel.atmosphere)?.0 as f64;
    let (cold, warm) = (Air::at(from)?, Air::at(to)?);
    let (volume, liquid) = (volume_ul.0 as f64 * 1e-9, liquid_ul.0 as f64 * 1e-9);
    let head = volume - liquid;
    let head_after = volume - liquid * swelling(vessel.liquid, from, to);
    let in_head = cold.density(before) * head;

    let by_air = Air::pressure_holding(in_head, |p| warm.density(p) * head);
    let in_less_head = |moles, dissolved: f64| {
        (head_after > 0.0)
            .then(|| Air::pressure_holding(moles, |p| warm.density(p) * head_after + dissolved * p))
            .flatten()
    };
    let by_liquid = in_less_head(in_head, 0.0);
    let (held_cold, held_warm) = (dissolved_per_pascal(liquid, from), dissolved_per_pascal(liquid, to));
    // Never less than without dissolved air: a liquid that is not yet saturated would take some up.
    // Where the air alone is beyond the formulas there is no figure, for the same reason.
    let by_release = by_liquid
        .and_then(|least| in_less_head(in_head + held_cold * before, held_warm).map(|p| p.max(least)));
    let vapour = vapour_pressure(vessel.liquid, to) * f64::from(u8::from(liquid > 0.0));

    let part = |after: Option<f64>, before: Option<f64>| {
        after.zip(before).map(|(a, b)| Pa(libm::round(a - b) as i64))
    };
    let after_pa = by_release.map(|dry| {
        let gauge = (dry + vapour) * (1.0 + FORMULA_ERROR) - vessel.atmosphere.0 as f64;
        Pa(libm::ceil(gauge / 1e3) as i64 * 1_000)
    });
    Ok(Warming {
        from_mc: from,
        to_mc: to,
        before_pa: vessel.gauge_pa,
        after_pa,
        by_air_pa: part(by_air, Some(before)),
        by_liquid_pa: part(by_liquid, by_air),
        by_released_air_pa: part(by_release, by_liquid),
        by_vapour_pa: Pa(libm::round(vapour) as i64),
        liquid_fills_it: head_after <= 0.0,
        cautions: cautions(Act::Leave),
    })
}

fn kelvin(temperature: MilliCelsius) -> f64 {
    temperature.0 as f64 / 1e3 + 273.15
}

/// Volume after over volume before of a liquid that warms.
fn swelling(liquid: Liquid, from: MilliCelsius, to: MilliCelsius) -> f64 {
    match liquid {
        // Below 4 °C water shrinks as it warms: counted as no change.
        Liquid::Water => (water_density(from) / water_density(to)).max(1.0),
        Liquid::Unknown => 1.0 + ALCOHOL_EXPANSION * (to.0 - from.0) as f64 / 1e3,
    }
}

const WATER_T: f64 = 647.096;

/// Density of water along its vapour pressure curve, kg/m³, from 0 °C (and that of 0 °C below).
fn water_density(temperature: MilliCelsius) -> f64 {
    let theta = 1.0 - kelvin(temperature).max(273.15) / WATER_T;
    let term = |factor: f64, thirds: f64| factor * libm::pow(theta, thirds / 3.0);
    322.0
        * (1.0
            + term(1.992_740_64, 1.0)
            + term(1.099_653_42, 2.0)
            + term(-0.510_839_303, 5.0)
            + term(-1.754_934_79, 16.0)
            + term(-45.517_035_2, 43.0)
            + term(-674_694.450, 110.0))
}

/// Vapour pressure in pascals.
fn vapour_pressure(liquid: Liquid, temperature: MilliCelsius) -> f64 {
    let t = kelvin(temperature);
    match liquid {
        Liquid::Water => {
            let theta = 1.0 - t / WATER_T;
            let term = |factor: f64, power: f64| factor * libm::pow(theta, power);
            let sum = term(-7.859_517_83, 1.0)
                + term(1.844_082_59, 1.5)
                + term(-11.786_649_7, 3.0)
                + term(22.680_741_1, 3.5)
                + term(-15.961_871_9, 4.0)
                + term(1.801_225_02, 7.5);
            22.064e6 * libm::exp(WATER_T / t * sum)
        }
        Liquid::Unknown => 1e5 * libm::pow(10.0, 5.246_77 - 1_598.673 / (t - 46.424)),
    }
}

/// Air dissolved in water at 1 bar, in 10⁻⁶ of the amount, at 0, 5, … 50 °C.
const HENRY: [f64; 11] = [23.20, 20.53, 18.30, 16.46, 14.96, 13.76, 12.79, 12.02, 11.40, 10.87, 10.39];
/// Moles of water in a cubic metre, at its densest.
const WATER_MOLES: f64 = 55_508.0;

/// Moles of air a volume (m³) of water holds per pascal. Between and beyond the table by straight lines.
fn dissolved_per_pascal(volume: f64, temperature: MilliCelsius) -> f64 {
    let place = (temperature.0 as f64 / 5e3).max(0.0);
    let below = (libm::floor(place) as usize).min(HENRY.len() - 2);
    let share = match HENRY.get(below..below + 2) {
        Some([a, b]) => a + (b - a) * (place - below as f64),
        _ => 0.0,
    };
    volume * WATER_MOLES * share * 1e-6 / 1e5
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::dosing::gas::SEA_LEVEL;

    fn vessel(liquid_ml: i64, liquid: Liquid) -> ClosedVessel {
        ClosedVessel {
            volume_ul: Ul(1_000_000),
            liquid_ul: Ul(liquid_ml * 1_000),
            liquid,
            gauge_pa: Pa(1_034_214),
            atmosphere: SEA_LEVEL,
            temperature: MilliCelsius(5_000),
        }
    }

    /// CoolProp 8.0.0 (computed): 174.4182 psi for air alone from 150 psi at 5 °C to 45 °C; an ideal
    /// gas gives 173.6845, 0.734 psi less, on the unsafe side.
    #[test]
    fn an_empty_vessel_warms_to_no_less_than_coolprop_says() {
        let found = warmed(&vessel(0, Liquid::Water), MilliCelsius(45_000)).unwrap();
        let psi = found.after_pa.unwrap().0 as f64 / 6_894.757_293_168_361;
        assert!((174.4182..174.8).contains(&psi), "{psi}");
        assert_eq!((found.by_vapour_pa, found.by_liquid_pa), (Pa(0), Some(Pa(0))));
    }

    /// CoolProp 8.0.0 (computed): water's vapour pressure and saturated density, ethanol's vapour pressure.
    #[test]
    fn vapour_and_density_are_coolprops() {
        let rows = [
            (20, 2_339.318, 998.1618, 5_875.938),
            (45, 9_594.999, 990.1728, 23_033.66),
            (70, 31_200.93, 977.7337, 71_993.77),
        ];
        for (celsius, water, density, alcohol) in rows {
            let t = MilliCelsius(celsius * 1_000);
            assert!((vapour_pressure(Liquid::Water, t) / water - 1.0).abs() < 5e-4, "{celsius}");
            assert!((water_density(t) / density - 1.0).abs() < 5e-5, "{celsius}: {}", water_density(t));
            assert!((vapour_pressure(Liquid::Unknown, t) / alcohol - 1.0).abs() < 1e-2, "{celsius}");
        }
    }

    #[test]
    fn liquid_released_air_and_vapour_each_add_to_the_air() {
        let found = warmed(&vessel(800, Liquid::Water), MilliCelsius(45_000)).unwrap();
        for part in [found.by_air_pa, found.by_liquid_pa, found.by_released_air_pa] {
            assert!(part.unwrap() > Pa(20_000), "{found:?}");
        }
        let unknown = warmed(&vessel(800, Liquid::Unknown), MilliCelsius(45_000)).unwrap();
        assert!(unknown.after_pa > found.after_pa, "{unknown:?}");
    }

    #[test]
    fn a_loaded_container_warms_as_a_vessel_does() {
        let kind = ContainerKind {
            name: "10 mL".into(),
            charge_ul: Ul(10_000),
            inner_volume_ul: Some(Ul(11_000)),
            scale_step_ul: None,
            charge_u_ul: Ul(0),
            shared_u_ul: Ul(0),
        };
        let loaded =
            |kind| ClosedVessel::loaded(kind, Liquid::Water, Pa(1_000_000), SEA_LEVEL, MilliCelsius(20_000));
        let found = warmed(&loaded(&kind).unwrap(), MilliCelsius(45_000)).unwrap();
        // 10 mL of water swell by 0.8 %, 0.08 mL of the 1 mL of air: more than the air's own rise.
        assert!(found.after_pa.unwrap() > Pa(1_180_000), "{found:?}");
        assert_eq!(loaded(&ContainerKind { inner_volume_ul: None, ..kind.clone() }), None);
    }

    #[test]
    fn a_nearly_full_vessel_bursts_and_says_so() {
        let found = warmed(&vessel(995, Liquid::Unknown), MilliCelsius(45_000)).unwrap();
        assert!(found.liquid_fills_it && found.after_pa.is_none());
        assert!(found.to_string().contains("bursting"), "{found}");
        assert!(found.passes(Pa(2_000_000), "the vessel's rating").unwrap().contains("burst"));
    }

    #[test]
    fn where_the_air_alone_is_beyond_all_figures_air_taken_up_by_the_liquid_gives_none() {
        let full = ClosedVessel { gauge_pa: Pa(1_032_093), ..vessel(917, Liquid::Unknown) };
        let found = warmed(&full, MilliCelsius(44_508)).unwrap();
        assert_eq!((found.after_pa, found.by_released_air_pa), (None, None), "{found:?}");
    }

    #[test]
    fn however_low_the_figure_the_words_never_allow_it() {
        let cold = ClosedVessel { gauge_pa: Pa(0), ..vessel(100, Liquid::Water) };
        let found = warmed(&cold, MilliCelsius(6_000)).unwrap();
        let words = found.to_string();
        assert!(words.starts_with("WARNING") && words.contains("Never leave a charged reservoir"), "{words}");
        for allowing in ["safe", "allowed", "may be left", "within"] {
            assert!(!words.contains(allowing), "{words}");
        }
        assert_eq!(found.passes(Pa(2_000_000), "the vessel's rating"), None);
    }

    #[test]
    fn what_cannot_be_is_refused() {
        let to = MilliCelsius(45_000);
        assert!(warmed(&vessel(1_000, Liquid::Water), to).is_err());
        assert!(warmed(&vessel(-1, Liquid::Water), to).is_err());
        assert!(warmed(&ClosedVessel { volume_ul: Ul(0), ..vessel(0, Liquid::Water) }, to).is_err());
        assert!(warmed(&vessel(100, Liquid::Water), MilliCelsius(5_000)).is_err());
        assert!(warmed(&vessel(100, Liquid::Water), MilliCelsius(90_000)).is_err());
    }

    proptest! {
        #[test]
        fn any_integers_give_a_warning_or_an_error(v: i64, l: i64, g: i64, a: i64, t: i64, to: i64) {
            let vessel = ClosedVessel {
                volume_ul: Ul(v), liquid_ul: Ul(l), liquid: Liquid::Unknown, gauge_pa: Pa(g),
                atmosphere: AbsPa(a), temperature: MilliCelsius(t),
            };
            drop(warmed(&vessel, MilliCelsius(to)));
        }

        #[test]
        fn warmer_or_fuller_is_never_less(
            liquid in 0i64..950, gauge in 0i64..1_200_000, to in 6_000i64..69_000, unknown: bool,
        ) {
            let kind = if unknown { Liquid::Unknown } else { Liquid::Water };
            let one = ClosedVessel { gauge_pa: Pa(gauge), ..vessel(liquid, kind) };
            let fuller = ClosedVessel { gauge_pa: Pa(gauge), ..vessel(liquid + 40, kind) };
            let after = |v: &ClosedVessel, t| warmed(v, MilliCelsius(t)).unwrap().after_pa.map_or(i64::MAX, |p| p.0);
            prop_assert!(after(&one, to) > gauge);
            prop_assert!(after(&one, to) <= after(&one, to + 1_000));
            prop_assert!(after(&one, to) <= after(&fuller, to));
        }
    }
}
