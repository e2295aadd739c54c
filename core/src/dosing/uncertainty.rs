//! Uncertainty by the GUM (JCGM 100:2008): what a dose, a charge or a day's sum is good to.
//!
//! What is common to all charges (a gauge, a calibration) adds linearly; what varies from charge to
//! charge adds by the square root of their number. Intervals are shown beside figures; they raise no
//! flags, so that a normal day stays quiet.

use serde::Serialize;

use crate::dosing::charges::ChargePlan;
use crate::quantity::{AsRead, Measured, Ul, UlPerM, Um, decimal};
use crate::record::kit::ContainerKind;

/// One source of uncertainty.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Component {
    /// Standard uncertainty of the input, in its unit.
    pub standard: f64,
    /// How the result changes with it: ∂result/∂input.
    pub sensitivity: f64,
    /// Degrees of freedom of the standard uncertainty; absent where it is taken as exactly known.
    pub degrees: Option<f64>,
}

impl Component {
    /// A component taken as exactly known.
    pub const fn known(standard: f64, sensitivity: f64) -> Self {
        Self { standard, sensitivity, degrees: None }
    }
}

/// A correlation between two components, named by their places: −1 to 1.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Correlation {
    /// One.
    pub a: usize,
    /// The other.
    pub b: usize,
    /// The coefficient.
    pub r: f64,
}

/// What the components come to.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Combined {
    /// Combined standard uncertainty, in the result's unit.
    pub standard: f64,
    /// Effective degrees of freedom, cut to an integer; absent where they are unlimited or where
    /// correlation makes the formula void.
    pub degrees: Option<u32>,
}

impl std::fmt::Display for Combined {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "standard uncertainty {:.4}", self.standard)?;
        self.degrees.map_or(Ok(()), |degrees| write!(f, " with {degrees} degrees of freedom"))
    }
}

/// Why uncertainties cannot be combined.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum UncertaintyError {
    /// Not a finite number, or a negative uncertainty.
    #[error("component {0} is negative or no finite number: correct it")]
    NotANumber(usize),
    /// Degrees of freedom below one.
    #[error("component {0} has less than one degree of freedom: it needs at least two readings")]
    Degrees(usize),
    /// A correlation outside −1 to 1, of a component with itself, or of one that is not there.
    #[error("correlation {r} between components {a} and {b} is impossible: correct it")]
    Correlation {
        /// One.
        a: usize,
        /// The other.
        b: usize,
        /// The coefficient.
        r: f64,
    },
    /// Correlations that contradict each other.
    #[error("the correlations contradict each other: together they give a negative variance")]
    Contradiction,
    /// A figure out of range.
    #[error("{what} of {value} is no {what}: correct the record")]
    Figure {
        /// What it should be.
        what: &'static str,
        /// What it is.
        value: i64,
    },
}

/// Law of propagation with correlations (JCGM 100, equation 16) and the Welch–Satterthwaite degrees of
/// freedom (equation G.2b).
///
/// # Errors
/// [`UncertaintyError`] for figures that are not finite, impossible or contradict each other.
pub fn combine(components: &[Component], correlations: &[Correlation]) -> Result<Combined, UncertaintyError> {
    let mut parts = Vec::with_capacity(components.len());
    for (place, c) in components.iter().enumerate() {
        let part = c.standard * c.sensitivity;
        if c.standard < 0.0 || !part.is_finite() {
            return Err(UncertaintyError::NotANumber(place));
        }
        if c.degrees.is_some_and(|d| d.is_nan() || d < 1.0) {
            return Err(UncertaintyError::Degrees(place));
        }
        parts.push(part);
    }
    // Scaled by the largest part, so that squares neither overflow nor vanish.
    let largest = parts.iter().fold(0.0f64, |m, p| m.max(p.abs()));
    if largest == 0.0 {
        return Ok(Combined { standard: 0.0, degrees: None });
    }
    let mut variance: f64 = parts.iter().map(|p| (p / largest) * (p / largest)).sum();
    let mut correlated = false;
    for &Correlation { a, b, r } in correlations {
        let impossible = || UncertaintyError::Correlation { a, b, r };
        let (Some(one), Some(other)) = (parts.get(a), parts.get(b)) else { return Err(impossible()) };
        if a == b || !(-1.0..=1.0).contains(&r) {
            return Err(impossible());
        }
        correlated |= r != 0.0;
        variance += 2.0 * r * (one / largest) * (other / largest);
    }
    if variance < -1e-12 {
        return Err(UncertaintyError::Contradiction);
    }
    let standard = largest * libm::sqrt(variance.max(0.0));
    if !standard.is_finite() {
        return Err(UncertaintyError::NotANumber(0));
    }
    let weight: f64 = parts
        .iter()
        .zip(components)
        .filter_map(|(part, c)| c.degrees.map(|degrees| libm::pow(part / largest, 4.0) / degrees))
        .sum();
    let effective = variance * variance / weight;
    let limited = !correlated && weight > 0.0 && effective < f64::from(u32::MAX);
    Ok(Combined { standard, degrees: limited.then_some(effective as u32) })
}

/// Twice the standard uncertainty of `n` charges, rounded down: shared parts add linearly,
/// independent ones by √n (JCGM 100:2008, 5.1.2 and 5.2.2 with correlation 1 for the shared part).
/// In exact integers, for the balance; negative counts are none.
pub fn tolerance_ul(n: i64, independent: i64, shared: i64) -> Ul {
    Ul(i64::try_from(scaled_root(n, independent, shared, 4)).unwrap_or(i64::MAX))
}

/// √(scale · (n independent² + n² shared²)), rounded down.
fn scaled_root(n: i64, independent: i64, shared: i64, scale: u128) -> u128 {
    let n = u128::from(n.max(0).unsigned_abs());
    let (independent, shared) = (u128::from(independent.unsigned_abs()), u128::from(shared.unsigned_abs()));
    let squared = |x: u128| x.saturating_mul(x);
    let variance = n.saturating_mul(squared(independent)).saturating_add(squared(n.saturating_mul(shared)));
    scale.saturating_mul(variance).isqrt()
}

/// A volume and how well it is known.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct Interval {
    /// The nominal figure.
    pub value_ul: Ul,
    /// Its standard uncertainty, rounded up.
    pub standard_ul: Ul,
    /// Value minus twice the standard uncertainty, not below zero.
    pub low_ul: Ul,
    /// Value plus twice the standard uncertainty: about 95 % of cases lie between (coverage factor 2).
    pub high_ul: Ul,
}

impl Interval {
    /// An interval of a value and a standard uncertainty of zero or more.
    fn new(value: Ul, standard: f64) -> Self {
        let standard_ul = Ul(libm::ceil(standard) as i64);
        let twice = Ul(libm::ceil(2.0 * standard) as i64);
        let low_ul = value.saturating_sub(twice).max(Ul::ZERO);
        Self { value_ul: value, standard_ul, low_ul, high_ul: value.saturating_add(twice) }
    }
}

impl std::fmt::Display for Interval {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let Self { value_ul, low_ul, high_ul, .. } = self;
        write!(f, "{} mL ({} to {} mL)", value_ul.ml(), low_ul.ml(), high_ul.ml())
    }
}

/// How well a length read off a tape or caliper is known.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Tape {
    /// Step the reading is taken to: a reading lies evenly within half of it either way.
    pub step_um: Um,
    /// Standard uncertainty of laying the tape (slant, bark, tension), reading by reading.
    pub laying_um: Um,
    /// Standard uncertainty of the tape itself, the same for every reading.
    pub tape_um: Um,
    /// Whether it reads girth, π times the diameter.
    pub girth: bool,
}

impl Tape {
    /// The tape of one reading: its step from the last place written, its laying from how far two
    /// readings of a stem may lie apart ([`tolerance_um`]): 95 % of differences within it are
    /// 2 √2 standard uncertainties of one reading (JCGM 100, 4.3.4 and 5.1.2). Of the tape itself
    /// nothing is recorded, so nothing is counted.
    ///
    /// [`tolerance_um`]: crate::check::diameter::tolerance_um
    pub fn of_reading(reading: &AsRead, diameter: Um) -> Self {
        let girth = reading.of == Measured::Girth;
        let apart = crate::check::diameter::tolerance_um(diameter.0.max(0)) as f64;
        let laying = apart / (2.0 * core::f64::consts::SQRT_2);
        let laying = if girth { laying * core::f64::consts::PI } else { laying };
        Self {
            step_um: crate::dosing::stem::step_um(reading),
            laying_um: Um(libm::round(laying) as i64),
            tape_um: Um(0),
            girth,
        }
    }
}

/// A stem's diameter with its uncertainty, kept as parts because only one is shared by all stems.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct DiameterUncertainty {
    /// Standard uncertainty that varies from reading to reading, µm of diameter.
    pub independent_um: f64,
    /// Standard uncertainty common to all readings, µm of diameter.
    pub shared_um: f64,
}

/// Uncertainty of a diameter from its tape. A step s evenly spread gives s/√12 (JCGM 100, 4.3.7).
///
/// # Errors
/// [`UncertaintyError::Figure`] for a negative part.
pub fn of_diameter(tape: &Tape) -> Result<DiameterUncertainty, UncertaintyError> {
    let per = if tape.girth { core::f64::consts::FRAC_1_PI } else { 1.0 };
    let part = |what, length: Um| match length.0 {
        value @ 0.. => Ok(value as f64),
        value => Err(UncertaintyError::Figure { what, value }),
    };
    let step = part("step of a tape", tape.step_um)? / libm::sqrt(12.0);
    let laying = part("uncertainty of a tape", tape.laying_um)?;
    let shared_um = part("uncertainty of a tape", tape.tape_um)? * per;
    let independent = combine(&[Component::known(step, per), Component::known(laying, per)], &[])?;
    Ok(DiameterUncertainty { independent_um: independent.standard, shared_um })
}

/// The dose a diameter asks for, rate × diameter, with the tape's uncertainty. The rate is the label's
/// and has none.
///
/// # Errors
/// [`UncertaintyError::Figure`] for a negative diameter or rate.
pub fn of_dose(
    rate: UlPerM,
    diameter: Um,
    uncertainty: DiameterUncertainty,
) -> Result<Interval, UncertaintyError> {
    for (what, value) in [("rate", rate.0), ("diameter", diameter.0)] {
        if value < 0 {
            return Err(UncertaintyError::Figure { what, value });
        }
    }
    let value = i128::from(rate.0) * i128::from(diameter.0) / 1_000_000;
    let per_um = rate.0 as f64 / 1e6;
    let combined = combine(
        &[
            Component::known(uncertainty.independent_um, per_um),
            Component::known(uncertainty.shared_um, per_um),
        ],
        &[],
    )?;
    Ok(Interval::new(Ul(i64::try_from(value).unwrap_or(i64::MAX)), combined.standard))
}

/// A dose as far as the tape knows it: the dose moves with the diameter it is worked from, ∂/∂d = dose / d.
///
/// # Errors
/// [`UncertaintyError::Figure`] for a negative dose, or a diameter that is not above zero.
pub fn of_target(
    target: Ul,
    diameter: Um,
    uncertainty: DiameterUncertainty,
) -> Result<Interval, UncertaintyError> {
    for (what, value, least) in [("dose", target.0, 0), ("diameter", diameter.0, 1)] {
        if value < least {
            return Err(UncertaintyError::Figure { what, value });
        }
    }
    let per_um = target.0 as f64 / diameter.0 as f64;
    let parts = [uncertainty.independent_um, uncertainty.shared_um];
    let combined = combine(&parts.map(|standard| Component::known(standard, per_um)), &[])?;
    Ok(Interval::new(target, combined.standard))
}

/// Charges put in, of one kit, added up with their uncertainty.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Sum {
    total: Ul,
    independent_variance: f64,
    shared: f64,
}

impl Sum {
    /// Nothing yet.
    pub fn new() -> Self {
        Self::default()
    }

    /// Adds one charge. A part charge carries a whole one's uncertainty.
    ///
    /// # Errors
    /// [`UncertaintyError::Figure`] for a negative charge or uncertainty.
    pub fn charge(&mut self, charge: Ul, kind: &ContainerKind) -> Result<(), UncertaintyError> {
        let figures =
            [("charge", charge.0), ("uncertainty", kind.charge_u_ul.0), ("uncertainty", kind.shared_u_ul.0)];
        for (what, value) in figures {
            if value < 0 {
                return Err(UncertaintyError::Figure { what, value });
            }
        }
        self.total = self.total.saturating_add(charge);
        let independent = kind.charge_u_ul.0 as f64;
        self.independent_variance += independent * independent;
        self.shared += kind.shared_u_ul.0 as f64;
        Ok(())
    }

    /// Adds `n` charges of one kind that hold `total` together. A part charge carries a whole one's
    /// uncertainty.
    ///
    /// # Errors
    /// [`UncertaintyError::Figure`] for a negative total or uncertainty.
    pub fn charges(&mut self, total: Ul, n: usize, kind: &ContainerKind) -> Result<(), UncertaintyError> {
        let mut one = Self::new();
        one.charge(total, kind)?;
        self.total = self.total.saturating_add(one.total);
        self.independent_variance += one.independent_variance * n as f64;
        self.shared += one.shared * n as f64;
        Ok(())
    }

    /// Adds a part that all these charges share beyond their kind's own: the gauge
    /// ([`of_gauge`]), in microlitres for one charge, over `n` charges.
    pub fn shared(&mut self, each_ul: f64, n: u32) {
        if each_ul.is_finite() {
            self.shared += each_ul.abs() * f64::from(n);
        }
    }

    /// The sum of other charges whose shared parts are the same (the same kit).
    #[must_use]
    pub fn and_same_kit(self, other: Self) -> Self {
        Self {
            total: self.total.saturating_add(other.total),
            independent_variance: self.independent_variance + other.independent_variance,
            shared: self.shared + other.shared,
        }
    }

    /// The sum of charges of another kit, whose shared parts have nothing to do with these.
    #[must_use]
    pub fn and_other_kit(self, other: Self) -> Self {
        Self {
            total: self.total.saturating_add(other.total),
            independent_variance: self.independent_variance + other.independent_variance,
            shared: libm::sqrt(self.shared * self.shared + other.shared * other.shared),
        }
    }

    /// The sum and its interval.
    pub fn interval(&self) -> Interval {
        Interval::new(self.total, libm::sqrt(self.independent_variance + self.shared * self.shared))
    }
}

/// A plan's charges, each with its own kind's uncertainty, in one interval.
///
/// # Errors
/// [`UncertaintyError::Figure`] for a negative charge or uncertainty.
pub fn of_plan(plan: &ChargePlan, kinds: &[ContainerKind]) -> Result<Interval, UncertaintyError> {
    let mut sum = Sum::new();
    for fill in &plan.fills {
        let Some(kind) = kinds.iter().find(|k| k.name == fill.container) else { continue };
        for _ in 0..fill.count {
            sum.charge(fill.charge_ul, kind)?;
        }
    }
    Ok(sum.interval())
}

/// Charges of one kind in one interval: a stem's or a day's.
///
/// # Errors
/// [`UncertaintyError::Figure`] for a negative charge or uncertainty.
pub fn of_charges(charges: &[Ul], kind: &ContainerKind) -> Result<Interval, UncertaintyError> {
    let mut sum = Sum::new();
    for charge in charges {
        sum.charge(*charge, kind)?;
    }
    Ok(sum.interval())
}

/// How much one charge against trapped air moves with the gauge's uncertainty, in microlitres: the
/// charge is V (1 − a/p) with a the atmosphere and p the absolute pressure, so ∂/∂p is V a/p². Shared
/// by all charges under that gauge.
///
/// # Errors
/// [`UncertaintyError::Figure`] for a volume, pressure or uncertainty that cannot be.
pub fn of_gauge(
    inner_volume: Ul,
    gauge: crate::quantity::Pa,
    gauge_standard: crate::quantity::Pa,
    atmosphere: crate::quantity::AbsPa,
) -> Result<f64, UncertaintyError> {
    let figures = [
        ("volume", inner_volume.0, 1),
        ("pressure", gauge.0, 0),
        ("uncertainty", gauge_standard.0, 0),
        ("air pressure", atmosphere.0, 1),
    ];
    for (what, value, least) in figures {
        if value < least {
            return Err(UncertaintyError::Figure { what, value });
        }
    }
    let (volume, air) = (inner_volume.0 as f64, atmosphere.0 as f64);
    let absolute = air + gauge.0 as f64;
    let sensitivity = volume * air / (absolute * absolute);
    combine(&[Component::known(gauge_standard.0 as f64, sensitivity)], &[]).map(|c| c.standard)
}

/// `2.3 %`: an interval's half width beside its value, for a reader.
pub fn relative(interval: &Interval) -> String {
    let half = interval.high_ul.saturating_sub(interval.value_ul).0;
    format!("{} %", decimal(half.saturating_mul(1_000) / interval.value_ul.0.max(1), 10, 1))
}

#[cfg(test)]
#[path = "uncertainty_tests.rs"]
mod tests;
