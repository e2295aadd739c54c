//! The air in a kit: how it expands, what it weighs on a gauge at another temperature or altitude.
//!
//! Air is taken as a real gas. Its virial coefficients up to the third follow from the equation of
//! state of Lemmon, Jacobsen, Penoncello and Friend (2000, J. Phys. Chem. Ref. Data 29:331–385),
//! expanded in powers of density. Against the whole equation (CoolProp 8.0.0) the compressibility
//! factor is within 6·10⁻⁶ up to 1.2 MPa, 5·10⁻⁵ up to 2 MPa and 2.3·10⁻⁴ up to 3 MPa absolute,
//! −40 to 80 °C; outside these ranges the functions refuse. Moisture in the air is left out.

use serde::Serialize;

use crate::dosing::units;
use crate::quantity::{AbsPa, MilliCelsius, Pa, Um};

/// Molar gas constant as that equation of state uses it, J/(mol K).
const R: f64 = 8.314_51;
/// Its reducing temperature, K.
const T_REDUCING: f64 = 132.6312;
/// Its reducing density, mol/m³.
const RHO_REDUCING: f64 = 10_447.7;
/// The standard atmosphere at sea level (ISO 2533), Pa.
pub const SEA_LEVEL: AbsPa = AbsPa(101_325);
/// Highest absolute pressure the formulas are good for.
pub const MAX_ABSOLUTE: AbsPa = AbsPa(3_000_000);
/// Lowest absolute pressure the formulas are asked about.
pub const MIN_ABSOLUTE: AbsPa = AbsPa(1_000);
/// Lowest and highest temperature the formulas are good for.
pub const TEMPERATURES: (MilliCelsius, MilliCelsius) = (MilliCelsius(-40_000), MilliCelsius(80_000));
/// Exponent of the steepest adiabatic expansion. The effective exponent of real dry air reaches
/// 1.4524 between −40 and 80 °C up to 3 MPa (CoolProp 8.0.0; an ideal diatomic gas has 1.4), so no
/// real expansion lets out less than this one says.
pub const STEEPEST_ADIABATIC: f64 = 1.46;

/// Why there is no answer about the air.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum GasError {
    /// A temperature out of the formulas' range.
    #[error("{} is outside -40 to 80 °C, where the air's figures hold: check the thermometer", units::temperature(*.0))]
    Temperature(MilliCelsius),
    /// An absolute pressure out of the formulas' range.
    #[error("{} Pa absolute is outside 1 kPa to 3 MPa, where the air's figures hold: check the gauge and its unit", .0.0)]
    Pressure(AbsPa),
    /// A gauge below zero.
    #[error("a gauge of {} Pa is below zero: check the gauge", .0.0)]
    GaugeBelowZero(Pa),
    /// An altitude where nobody treats trees.
    #[error("an altitude of {} m is outside -430 to 5000 m: check the altitude and its unit", .0.m())]
    Altitude(Um),
    /// A barometer reading that is no local pressure.
    #[error("a barometer at {} Pa is outside 50 to 110 kPa: check the reading and its unit", .0.0)]
    Barometer(AbsPa),
    /// The second pressure is not above the first.
    #[error("putting air on raises the gauge: {} Pa is not above {} Pa", .to.0, .from.0)]
    NotRising {
        /// First gauge pressure.
        from: Pa,
        /// Second gauge pressure.
        to: Pa,
    },
    /// The second pressure is not below the first.
    #[error("air expands from a higher to a lower pressure: {} Pa is not above {} Pa", .from.0, .to.0)]
    NotFalling {
        /// First gauge pressure.
        from: Pa,
        /// Second gauge pressure.
        to: Pa,
    },
}

/// Dry air at one temperature.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Air {
    kelvin: f64,
    second: f64,
    third: f64,
    fourth: f64,
}

impl Air {
    /// # Errors
    /// [`GasError::Temperature`] out of range.
    pub(crate) fn at(temperature: MilliCelsius) -> Result<Self, GasError> {
        if !(TEMPERATURES.0..=TEMPERATURES.1).contains(&temperature) {
            return Err(GasError::Temperature(temperature));
        }
        let kelvin = temperature.0 as f64 / 1e3 + 273.15;
        let tau = T_REDUCING / kelvin;
        let power = |exponent| libm::pow(tau, exponent);
        // Terms in δ, δ² and δ³ of the residual Helmholtz energy; exp(−δˡ) expanded to that order.
        let (eleventh, fifteenth) = (-0.101_365_037_912 * power(1.6), -0.146_629_609_713 * power(3.6));
        let first = 0.118_160_747_229 + 0.713_116_392_079 * power(0.33) - 1.618_241_920_67 * power(1.01)
            + eleventh
            + fifteenth
            + 0.014_828_789_197_8 * power(3.5);
        let second = 2.0 * (0.071_414_017_897_1 - eleventh);
        let third = 3.0
            * (-0.086_542_139_664_6 + 0.134_211_176_704 * power(0.15) - 0.173_813_690_97 * power(0.8)
                + eleventh / 2.0
                - fifteenth);
        Ok(Self {
            kelvin,
            second: first / RHO_REDUCING,
            third: second / (RHO_REDUCING * RHO_REDUCING),
            fourth: third / (RHO_REDUCING * RHO_REDUCING * RHO_REDUCING),
        })
    }

    /// Compressibility factor at an absolute pressure in pascals, which the caller keeps in range.
    pub(crate) fn factor(self, absolute: f64) -> f64 {
        let mut z = 1.0;
        // Each round gains two digits or more over the whole range.
        for _ in 0..16 {
            let density = absolute / (z * R * self.kelvin);
            z = 1.0 + density * (self.second + density * (self.third + density * self.fourth));
        }
        z
    }

    /// Moles of air in a cubic metre at an absolute pressure in pascals.
    pub(crate) fn density(self, absolute: f64) -> f64 {
        absolute / (self.factor(absolute) * R * self.kelvin)
    }

    /// The absolute pressure in pascals at which `moles` fill what `held` says is held at a pressure:
    /// `held` must grow with pressure. Absent above [`MAX_ABSOLUTE`].
    pub(crate) fn pressure_holding(moles: f64, held: impl Fn(f64) -> f64) -> Option<f64> {
        let (mut low, mut high) = (0.0, MAX_ABSOLUTE.0 as f64);
        if held(high) < moles {
            return None;
        }
        for _ in 0..60 {
            let middle = f64::midpoint(low, high);
            if held(middle) < moles {
                low = middle;
            } else {
                high = middle;
            }
        }
        Some(high)
    }
}

/// Compressibility factor of dry air, p V / (n R T): 1 for an ideal gas.
///
/// # Errors
/// [`GasError`] outside −40 to 80 °C and 1 kPa to 3 MPa absolute.
pub fn compressibility(absolute: AbsPa, temperature: MilliCelsius) -> Result<f64, GasError> {
    Ok(Air::at(temperature)?.factor(in_range(absolute)? as f64))
}

pub(crate) fn in_range(absolute: AbsPa) -> Result<i64, GasError> {
    if (MIN_ABSOLUTE..=MAX_ABSOLUTE).contains(&absolute) {
        Ok(absolute.0)
    } else {
        Err(GasError::Pressure(absolute))
    }
}

/// Gauge and atmosphere together.
///
/// # Errors
/// [`GasError`] for a gauge below zero, an atmosphere no barometer shows, or a sum above 3 MPa.
pub fn absolute(gauge: Pa, atmosphere: AbsPa) -> Result<AbsPa, GasError> {
    if gauge.0 < 0 {
        return Err(GasError::GaugeBelowZero(gauge));
    }
    let sum = AbsPa(gauge.0).saturating_add(barometer(atmosphere)?);
    in_range(sum).map(AbsPa)
}

/// A barometer's own reading at the site, not reduced to sea level.
///
/// # Errors
/// [`GasError::Barometer`] outside 50 to 110 kPa.
pub fn barometer(reading: AbsPa) -> Result<AbsPa, GasError> {
    if (50_000..=110_000).contains(&reading.0) { Ok(reading) } else { Err(GasError::Barometer(reading)) }
}

/// Air pressure at an altitude by the standard atmosphere (ISO 2533:1975, troposphere):
/// 101 325 (1 − 0.0065 h / 288.15)^(g M / (R 0.0065)). The weather moves it by 3 % either way: a
/// barometer at the site is better.
///
/// # Errors
/// [`GasError::Altitude`] outside −430 m (the lowest land) to 5 000 m.
pub fn atmosphere_at(altitude: Um) -> Result<AbsPa, GasError> {
    const G: f64 = 9.806_65;
    const MOLAR_MASS: f64 = 0.028_964_420;
    const R_STANDARD: f64 = 8.314_32;
    const LAPSE: f64 = 0.0065;
    const T_SEA_LEVEL: f64 = 288.15;
    if !(-430_000_000..=5_000_000_000).contains(&altitude.0) {
        return Err(GasError::Altitude(altitude));
    }
    let ratio = 1.0 - LAPSE * (altitude.0 as f64 / 1e6) / T_SEA_LEVEL;
    let pressure = SEA_LEVEL.0 as f64 * libm::pow(ratio, G * MOLAR_MASS / (R_STANDARD * LAPSE));
    Ok(AbsPa(libm::round(pressure) as i64))
}

/// How far a body of air expands: its volume after over its volume before.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Expansion {
    /// Slowly, staying at the temperature given: the most.
    pub isothermal: f64,
    /// At once, cooling as it goes: the least ([`STEEPEST_ADIABATIC`]).
    pub adiabatic: f64,
    /// What an ideal gas would do slowly, for comparison.
    pub ideal_isothermal: f64,
}

impl std::fmt::Display for Expansion {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "the air grows {:.3} to {:.3} times", self.adiabatic, self.isothermal)
    }
}

/// Expansion of a body of air from one gauge pressure to a lower one.
///
/// # Errors
/// [`GasError`] for pressures that do not fall, or are out of range.
pub fn expansion(
    from: Pa,
    to: Pa,
    atmosphere: AbsPa,
    temperature: MilliCelsius,
) -> Result<Expansion, GasError> {
    if to >= from {
        return Err(GasError::NotFalling { from, to });
    }
    let air = Air::at(temperature)?;
    let high = absolute(from, atmosphere)?.0 as f64;
    let low = absolute(to, atmosphere)?.0 as f64;
    let ideal_isothermal = high / low;
    Ok(Expansion {
        isothermal: air.density(high) / air.density(low),
        adiabatic: libm::pow(ideal_isothermal, 1.0 / STEEPEST_ADIABATIC),
        ideal_isothermal,
    })
}

/// What a closed body of air shows on the gauge at another temperature, its volume unchanged; absent
/// above 3 MPa absolute. Rounded to the nearest pascal.
///
/// # Errors
/// [`GasError`] out of range.
pub fn gauge_at(
    gauge: Pa,
    atmosphere: AbsPa,
    from: MilliCelsius,
    to: MilliCelsius,
) -> Result<Option<Pa>, GasError> {
    let before = absolute(gauge, atmosphere)?.0 as f64;
    let (cold, warm) = (Air::at(from)?, Air::at(to)?);
    let moles = cold.density(before);
    let after = Air::pressure_holding(moles, |pressure| warm.density(pressure));
    Ok(after.map(|pressure| Pa(libm::round(pressure) as i64 - atmosphere.0)))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const PSI_100: Pa = Pa(689_476);
    const PSI_150: Pa = Pa(1_034_214);

    fn absolute_of(gauge: Pa) -> AbsPa {
        absolute(gauge, SEA_LEVEL).unwrap()
    }

    /// CoolProp 8.0.0, dry air, gauge and 101 325 Pa (computed).
    #[test]
    fn compressibility_is_coolprops_at_three_temperatures() {
        for (celsius, at_100, at_150) in [
            (5, 0.995_963_50, 0.994_323_84),
            (20, 0.997_220_07, 0.996_117_54),
            (35, 0.998_238_48, 0.997_569_60),
        ] {
            let temperature = MilliCelsius(celsius * 1_000);
            let low = compressibility(absolute_of(PSI_100), temperature).unwrap();
            let high = compressibility(absolute_of(PSI_150), temperature).unwrap();
            assert!((low - at_100).abs() < 5e-6, "{celsius} °C: {low}");
            assert!((high - at_150).abs() < 5e-6, "{celsius} °C: {high}");
        }
    }

    /// Picard, Davis, Gläser & Fujii 2008 (CIPM-2007, Metrologia 45:149–155), dry air; coefficients
    /// from memory, as is the standard uncertainty of its Z, 1.7·10⁻⁵:
    /// Z = 1 − p/T (a0 + a1 t + a2 t²) + p²/T² d. A second source, at the atmosphere.
    #[test]
    fn compressibility_agrees_with_the_metrologists_formula_at_the_atmosphere() {
        for celsius in [15, 20, 27] {
            let (t, p) = (f64::from(celsius), 101_325.0);
            let over = p / (t + 273.15);
            let theirs =
                1.0 - over * (1.581_23e-6 - 2.933_1e-8 * t + 1.104_3e-10 * t * t) + over * over * 1.83e-11;
            let ours = compressibility(SEA_LEVEL, MilliCelsius(i64::from(celsius) * 1_000)).unwrap();
            assert!((ours - theirs).abs() < 2.0 * 1.7e-5, "{celsius} °C: {ours} {theirs}");
        }
    }

    /// CoolProp 8.0.0 (computed): the real ratio is above the ideal 1.435 935 19.
    #[test]
    fn expansion_from_150_to_100_psi_is_coolprops() {
        for (celsius, real) in [(5, 1.438_303_07), (20, 1.437_524_52), (35, 1.436_897_99)] {
            let found = expansion(PSI_150, PSI_100, SEA_LEVEL, MilliCelsius(celsius * 1_000)).unwrap();
            assert!((found.isothermal - real).abs() < 5e-6, "{celsius} °C: {found:?}");
            assert!((found.ideal_isothermal - 1.435_935_19).abs() < 2e-6, "{found:?}");
            assert!(found.adiabatic < found.ideal_isothermal);
        }
        // CoolProp's isentropic ratio at 20 °C is 1.291646: not below ours.
        let found = expansion(PSI_150, PSI_100, SEA_LEVEL, MilliCelsius(20_000)).unwrap();
        assert!((1.27..1.291_646).contains(&found.adiabatic), "{found:?}");
    }

    /// CoolProp 8.0.0 (computed): 150 psi warmed from 5 to 45 °C shows 174.4182 psi, where an ideal
    /// gas would show 173.6845; cooled from 20 to 5 °C it shows 141.34.
    #[test]
    fn a_closed_vessel_shows_what_coolprop_says() {
        let psi = |pa: Pa| pa.0 as f64 / 6_894.757_293_168_361;
        let warm = gauge_at(PSI_150, SEA_LEVEL, MilliCelsius(5_000), MilliCelsius(45_000)).unwrap().unwrap();
        assert!((psi(warm) - 174.4182).abs() < 1e-3, "{}", psi(warm));
        let cool = gauge_at(PSI_150, SEA_LEVEL, MilliCelsius(20_000), MilliCelsius(5_000)).unwrap().unwrap();
        assert!((psi(cool) - 141.34).abs() < 6e-3, "{}", psi(cool));
    }

    /// The standard atmosphere's own table (ISO 2533), from memory: 89 874.6 Pa at 1000 m,
    /// 79 495.2 at 2000 m, 70 108.5 at 3000 m.
    #[test]
    fn the_standard_atmosphere_thins_as_in_its_table() {
        for (metres, pascals) in [(0, 101_325), (1_000, 89_875), (2_000, 79_495), (3_000, 70_109)] {
            let found = atmosphere_at(Um(metres * 1_000_000)).unwrap();
            assert!((found.0 - pascals).abs() <= 1, "{metres} m: {found}");
        }
        assert!(atmosphere_at(Um(9_000_000_000)).is_err());
    }

    #[test]
    fn what_is_out_of_range_is_refused() {
        assert!(compressibility(AbsPa(3_000_001), MilliCelsius(20_000)).is_err());
        assert!(compressibility(AbsPa(0), MilliCelsius(20_000)).is_err());
        assert!(compressibility(SEA_LEVEL, MilliCelsius(80_001)).is_err());
        assert!(expansion(PSI_100, PSI_100, SEA_LEVEL, MilliCelsius(20_000)).is_err());
        assert_eq!(absolute(Pa(-1), SEA_LEVEL), Err(GasError::GaugeBelowZero(Pa(-1))));
        assert_eq!(absolute(Pa(1), AbsPa(14)), Err(GasError::Barometer(AbsPa(14))));
    }

    proptest! {
        #[test]
        fn any_integers_give_an_answer_or_an_error(a: i64, b: i64, c: i64, d: i64) {
            drop(compressibility(AbsPa(a), MilliCelsius(b)));
            drop(expansion(Pa(a), Pa(b), AbsPa(c), MilliCelsius(d)));
            drop(gauge_at(Pa(a), AbsPa(b), MilliCelsius(c), MilliCelsius(d)));
            drop(atmosphere_at(Um(a)));
        }

        #[test]
        fn a_slow_expansion_lets_out_more_than_a_fast_one(
            low in 0i64..1_500_000, more in 1i64..1_300_000, t in -40_000i64..=80_000,
        ) {
            let found = expansion(Pa(low + more), Pa(low), SEA_LEVEL, MilliCelsius(t)).unwrap();
            prop_assert!(1.0 < found.adiabatic && found.adiabatic < found.isothermal, "{:?}", found);
        }

        #[test]
        fn warm_air_shows_more_and_going_back_shows_the_same(
            gauge in 0i64..1_500_000, a in -40_000i64..=80_000, b in -40_000i64..=80_000,
        ) {
            let (from, to) = (MilliCelsius(a), MilliCelsius(b));
            let there = gauge_at(Pa(gauge), SEA_LEVEL, from, to).unwrap().unwrap();
            prop_assert!((a < b) <= (there.0 >= gauge));
            if there.0 >= 0 {
                let back = gauge_at(there, SEA_LEVEL, to, from).unwrap().unwrap();
                prop_assert!((back.0 - gauge).abs() <= 3, "{} {}", back, gauge);
            }
        }
    }
}
