//! Calibration: what a container's charge really is, from charges measured or weighed one by one.

use serde::Serialize;

use crate::dosing::caution::{Act, cautions};
use crate::quantity::{Mg, UgPerMl, Ul, decimal, word_for};
use crate::record::kit::{Calibration, ContainerKind, Kit};

/// Fewest charges a verdict rests on (common practice, no source).
pub const FEWEST: usize = 5;
/// Most charges one calibration may hold.
pub const MOST: usize = 10_000;
/// Largest single charge that is still a charge: a litre.
const LARGEST_UL: i64 = 1_000_000;

/// Why a calibration cannot be worked out.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum CalibrationError {
    /// Fewer than two charges have no spread, more than [`MOST`] are no calibration.
    #[error("{} {}: measure at least 2 (5 for a verdict) and at most 10000", .0, word_for(*.0, "charge", "charges"))]
    Count(usize),
    /// A charge that cannot be.
    #[error("charge {number} of {} mL is negative or more than a litre: correct it", .volume.ml())]
    Charge {
        /// Which, from 1.
        number: usize,
        /// Its volume.
        volume: Ul,
    },
    /// A nominal charge that cannot be.
    #[error("a nominal charge of {} mL is no charge: correct it", .0.ml())]
    Nominal(Ul),
    /// A density no product has.
    #[error("a density of {} g/mL is outside 0.5 to 3 g/mL: check the safety data sheet and its unit", decimal(.0.0, 1_000_000, 3))]
    Density(UgPerMl),
    /// A mass that cannot be.
    #[error("a mass of {} mg is negative or more than 3 kg: correct it", .0.0)]
    Mass(Mg),
    /// Volume and mass of a charge do not belong together.
    #[error("charge {number}: {} mL was entered, but its mass makes {} mL: check the mass, the tare and the density", .volume.ml(), .weighed.ml())]
    MassDisagrees {
        /// Which, from 1.
        number: usize,
        /// The volume entered.
        volume: Ul,
        /// The volume its mass makes.
        weighed: Ul,
    },
    /// The kit has no such container.
    #[error("the kit has no container called '{0}': check the kit's record")]
    NoContainer(String),
    /// The calibration was made against another charge than the kit's record states.
    #[error("calibrated against {} mL, but the kit's record states {} mL: correct one of them", .calibrated.ml(), .recorded.ml())]
    NominalDiffers {
        /// The calibration's nominal charge.
        calibrated: Ul,
        /// The kit's.
        recorded: Ul,
    },
}

/// The volume of a weighed charge, to the nearest microlitre. A balance set with steel weights in air
/// shows mass less buoyancy: V = m (1 − a/b) / (d − a), with air a = 1.2 and weights b = 8000 mg/mL
/// (ISO 8655-6, from memory; 0.1 % for water).
///
/// # Errors
/// [`CalibrationError`] for a density outside 0.5 to 3 g/mL or a mass outside 0 to 3 kg.
pub fn volume_of_mass(mass: Mg, density: UgPerMl) -> Result<Ul, CalibrationError> {
    const AIR_UG_PER_ML: i128 = 1_200;
    const WEIGHTS_UG_PER_ML: i128 = 8_000_000;
    if !(500_000..=3_000_000).contains(&density.0) {
        return Err(CalibrationError::Density(density));
    }
    if !(0..=3_000_000).contains(&mass.0) {
        return Err(CalibrationError::Mass(mass));
    }
    let above = i128::from(mass.0) * 1_000_000 * (WEIGHTS_UG_PER_ML - AIR_UG_PER_ML);
    let below = WEIGHTS_UG_PER_ML * (i128::from(density.0) - AIR_UG_PER_ML);
    Ok(Ul(i64::try_from((above + below / 2) / below).unwrap_or(i64::MAX)))
}

/// Two-sided 95 % points of Student's t in thousandths, for 1 to 30 degrees of freedom (NIST/SEMATECH
/// e-Handbook of Statistical Methods, 1.3.6.7.2; JCGM 100 table G.2 has the first three figures).
const T_95: [i64; 30] = [
    12_706, 4_303, 3_182, 2_776, 2_571, 2_447, 2_365, 2_306, 2_262, 2_228, 2_201, 2_179, 2_160, 2_145, 2_131,
    2_120, 2_110, 2_101, 2_093, 2_086, 2_080, 2_074, 2_069, 2_064, 2_060, 2_056, 2_052, 2_048, 2_045, 2_042,
];

/// Student's t for 95 %, two-sided. Beyond 30 degrees of freedom the nearest row below is taken (40, 60,
/// 100), which widens the interval by 1.1 % at most; zero degrees of freedom have none.
pub fn student_t_95(degrees: usize) -> Option<f64> {
    let thousandths = match degrees {
        0 => return None,
        1..=30 => *T_95.get(degrees - 1)?,
        31..=39 => 2_042,
        40..=59 => 2_021,
        60..=99 => 2_000,
        _ => 1_984,
    };
    Some(thousandths as f64 / 1e3)
}

/// The 95 % point of χ²/ν by Wilson & Hilferty (1931, PNAS 17:684–688), within 3 % from one degree of
/// freedom on and 0.3 % from four.
fn spread_factor(degrees: f64) -> f64 {
    const NORMAL_95: f64 = 1.644_853_627;
    let ninth = 2.0 / (9.0 * degrees);
    let root = 1.0 - ninth + NORMAL_95 * libm::sqrt(ninth);
    root * root * root
}

/// What a calibration says of a container.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// Mean and spread are what the kit's record states.
    Agrees,
    /// The mean is further from the nominal charge than both uncertainties together explain.
    Off,
    /// The charges vary more than the kit's record states.
    TooSpread,
    /// Fewer than [`FEWEST`] charges.
    TooFew,
    /// The kit's record states no uncertainty to compare with.
    NotStated,
}

/// A calibration worked out.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Assessment {
    /// How many charges.
    pub count: usize,
    /// What a charge should be.
    pub nominal_ul: Ul,
    /// Their mean, to the nearest microlitre.
    pub mean_ul: Ul,
    /// Their sample standard deviation (n − 1), to the nearest microlitre.
    pub spread_ul: Ul,
    /// Standard uncertainty of the mean, spread / √n, rounded up.
    pub mean_u_ul: Ul,
    /// Lower end of the 95 % interval of the mean.
    pub low_ul: Ul,
    /// Upper end.
    pub high_ul: Ul,
    /// Mean minus nominal.
    pub off_ul: Ul,
    /// How far off the mean may be: √(U² + (2 u)²), U the interval's half width, u the shared
    /// uncertainty the kit's record states (the E number of ISO 13528 and ISO/IEC 17043 at 1).
    pub allowed_off_ul: Ul,
    /// How large the spread may be: the stated uncertainty of a charge times √(χ²₉₅/ν).
    pub allowed_spread_ul: Ul,
    /// The verdict.
    pub verdict: Verdict,
    /// What to mind.
    pub cautions: &'static [&'static str],
}

impl Assessment {
    /// Whether this flags the kit: an interval that touches a limit does not.
    pub const fn failed(&self) -> bool {
        matches!(self.verdict, Verdict::Off | Verdict::TooSpread)
    }
}

impl std::fmt::Display for Assessment {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let ml = |ul: Ul| decimal(ul.0, 1_000, 2);
        write!(
            f,
            "{} charges: mean {} mL (95 %: {} to {} mL), spread {} mL, nominal {} mL. ",
            self.count,
            ml(self.mean_ul),
            ml(self.low_ul),
            ml(self.high_ul),
            ml(self.spread_ul),
            ml(self.nominal_ul)
        )?;
        match self.verdict {
            Verdict::Agrees => f.write_str("Agrees with the kit's record."),
            Verdict::Off => write!(
                f,
                "FAILED: off by {} mL, {} mL would be explained. Do not treat with this container until it is mended or the office corrects its charge.",
                ml(self.off_ul),
                ml(self.allowed_off_ul)
            ),
            Verdict::TooSpread => write!(
                f,
                "FAILED: the charges vary by more than the {} mL the kit's record explains. Do not treat with this container until it is mended.",
                ml(self.allowed_spread_ul)
            ),
            Verdict::TooFew => write!(f, "No verdict: measure at least {FEWEST} charges."),
            Verdict::NotStated => f.write_str(
                "No verdict: the kit's record states no uncertainty for this container; the office can take the spread as that of one charge.",
            ),
        }
    }
}

/// Works out charges measured one by one: mean, sample standard deviation, standard uncertainty and
/// 95 % interval of the mean (JCGM 100:2008, 4.2 and G.3), verdict against the nominal charge.
///
/// # Errors
/// [`CalibrationError`] for fewer than two charges or impossible ones.
pub fn assess(charges: &[Ul], nominal: Ul, kind: &ContainerKind) -> Result<Assessment, CalibrationError> {
    let count = charges.len();
    if !(2..=MOST).contains(&count) {
        return Err(CalibrationError::Count(count));
    }
    if !(1..=LARGEST_UL).contains(&nominal.0) {
        return Err(CalibrationError::Nominal(nominal));
    }
    if let Some(at) = charges.iter().position(|c| !(0..=LARGEST_UL).contains(&c.0)) {
        return Err(CalibrationError::Charge {
            number: at + 1,
            volume: charges.get(at).copied().unwrap_or_default(),
        });
    }
    let n = count as i64;
    let sum: i64 = charges.iter().map(|c| c.0).sum();
    let squares: i128 = charges.iter().map(|c| i128::from(c.0) * i128::from(c.0)).sum();
    // n Σx² − (Σx)² is exact in integers; dividing only afterwards loses nothing to cancellation.
    let scatter = i128::from(n) * squares - i128::from(sum) * i128::from(sum);
    let mean = sum as f64 / n as f64;
    let spread = libm::sqrt(scatter as f64 / (n as f64 * (n - 1) as f64));
    let of_mean = spread / libm::sqrt(n as f64);
    let half = student_t_95(count - 1).unwrap_or(f64::INFINITY) * of_mean;

    let stated = kind.charge_u_ul.0.max(0) as f64;
    let twice_shared = 2.0 * kind.shared_u_ul.0.max(0) as f64;
    let allowed_off = libm::sqrt(half * half + twice_shared * twice_shared);
    let allowed_spread = stated * libm::sqrt(spread_factor((n - 1) as f64));
    let off = mean - nominal.0 as f64;
    let verdict = match () {
        () if count < FEWEST => Verdict::TooFew,
        () if stated == 0.0 => Verdict::NotStated,
        () if spread > allowed_spread => Verdict::TooSpread,
        () if off.abs() > allowed_off => Verdict::Off,
        () => Verdict::Agrees,
    };
    let nearest = |x: f64| Ul(libm::round(x) as i64);
    Ok(Assessment {
        count,
        nominal_ul: nominal,
        mean_ul: nearest(mean),
        spread_ul: nearest(spread),
        mean_u_ul: Ul(libm::ceil(of_mean) as i64),
        low_ul: Ul(libm::floor(mean - half) as i64),
        high_ul: Ul(libm::ceil(mean + half) as i64),
        off_ul: nearest(off),
        allowed_off_ul: nearest(allowed_off),
        allowed_spread_ul: nearest(allowed_spread),
        verdict,
        cautions: cautions(Act::Calibrate),
    })
}

/// Works out a calibration record of a kit. Where charges were weighed and the product's density is
/// given, each volume entered must be what its mass makes, within 1 % and 20 µL.
///
/// # Errors
/// [`CalibrationError`] for a record that does not fit the kit or itself.
pub fn assess_record(
    record: &Calibration,
    kit: &Kit,
    density: Option<UgPerMl>,
) -> Result<Assessment, CalibrationError> {
    let kind = kit
        .containers
        .iter()
        .find(|kind| kind.name == record.container)
        .ok_or_else(|| CalibrationError::NoContainer(record.container.clone()))?;
    if record.nominal_ul != kind.charge_ul {
        return Err(CalibrationError::NominalDiffers {
            calibrated: record.nominal_ul,
            recorded: kind.charge_ul,
        });
    }
    for (at, charge) in record.charges.iter().enumerate() {
        let (Some(mass), Some(density)) = (charge.mass_mg, density) else { continue };
        let weighed = volume_of_mass(mass, density)?;
        let apart = i128::from(weighed.0) - i128::from(charge.volume_ul.0);
        if apart.abs() > i128::from(weighed.0 / 100 + 20) {
            return Err(CalibrationError::MassDisagrees {
                number: at + 1,
                volume: charge.volume_ul,
                weighed,
            });
        }
    }
    let volumes: Vec<Ul> = record.charges.iter().map(|c| c.volume_ul).collect();
    assess(&volumes, record.nominal_ul, kind)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn kind(independent: i64, shared: i64) -> ContainerKind {
        ContainerKind {
            name: "10 mL".into(),
            charge_ul: Ul(10_000),
            inner_volume_ul: None,
            scale_step_ul: None,
            charge_u_ul: Ul(independent),
            shared_u_ul: Ul(shared),
        }
    }

    fn charges(ul: &[i64]) -> Vec<Ul> {
        ul.iter().copied().map(Ul).collect()
    }

    /// Twenty readings of JCGM 100:2008, 4.4.3 (table 1, °C × 100, from memory): mean 100.145 °C,
    /// s = 1.489 °C, s/√n = 0.333 °C. A hundredth of a degree stands for a microlitre.
    #[test]
    fn twenty_readings_of_the_gum_give_its_mean_and_spread() {
        let readings = charges(&[
            9_690, 9_818, 9_825, 9_861, 9_903, 9_949, 9_956, 9_974, 9_989, 10_007, 10_033, 10_042, 10_068,
            10_095, 10_111, 10_120, 10_156, 10_184, 10_236, 10_272,
        ]);
        let found = assess(&readings, Ul(10_000), &kind(150, 50)).unwrap();
        assert_eq!((found.mean_ul, found.spread_ul, found.mean_u_ul), (Ul(10_014), Ul(149), Ul(34)));
        assert_eq!(found.verdict, Verdict::Agrees);
    }

    /// ISO 8655-6, from memory: at 20 °C and 101.3 kPa one milligram of water is 1.0029 µL.
    #[test]
    fn weighed_water_is_corrected_for_buoyancy() {
        assert_eq!(volume_of_mass(Mg(10_000), UgPerMl(998_207)), Ok(Ul(10_029)));
        assert!(volume_of_mass(Mg(10_000), UgPerMl(998)).is_err());
        assert!(volume_of_mass(Mg(-1), UgPerMl(998_207)).is_err());
    }

    #[test]
    fn a_container_that_gives_too_much_fails() {
        let found =
            assess(&charges(&[10_510, 10_480, 10_530, 10_500, 10_490]), Ul(10_000), &kind(30, 50)).unwrap();
        assert_eq!((found.verdict, found.failed()), (Verdict::Off, true));
        assert!(found.to_string().contains("FAILED: off by 0.50 mL"), "{found}");
    }

    #[test]
    fn a_container_that_varies_fails_even_where_its_mean_is_right() {
        let found =
            assess(&charges(&[9_000, 11_000, 9_500, 10_500, 10_000]), Ul(10_000), &kind(100, 50)).unwrap();
        assert_eq!(found.verdict, Verdict::TooSpread);
    }

    #[test]
    fn few_charges_or_an_unstated_uncertainty_give_no_verdict() {
        let few = assess(&charges(&[12_000, 12_001]), Ul(10_000), &kind(100, 50)).unwrap();
        assert_eq!((few.verdict, few.failed()), (Verdict::TooFew, false));
        let unstated = assess(&charges(&[10_000; 5]), Ul(10_000), &kind(0, 0)).unwrap();
        assert_eq!(unstated.verdict, Verdict::NotStated);
        assert!(assess(&charges(&[10_000]), Ul(10_000), &kind(1, 1)).is_err());
        assert!(assess(&charges(&[10_000, -1]), Ul(10_000), &kind(1, 1)).is_err());
    }

    proptest! {
        #[test]
        fn any_charges_give_an_assessment_or_an_error(
            ul in proptest::collection::vec(any::<i64>(), 0..20), nominal: i64, u: i64, s: i64, mass: i64, density: i64,
        ) {
            drop(assess(&charges(&ul), Ul(nominal), &kind(u, s)));
            drop(volume_of_mass(Mg(mass), UgPerMl(density)));
        }

        #[test]
        fn the_mean_lies_in_its_interval(ul in proptest::collection::vec(0i64..50_000, 2..40)) {
            let found = assess(&charges(&ul), Ul(10_000), &kind(100, 50)).unwrap();
            prop_assert!(found.low_ul <= found.mean_ul && found.mean_ul <= found.high_ul);
        }
    }
}
