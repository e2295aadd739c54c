//! Charges: how many containers of which fill come nearest the dose, never over the label's most.

use serde::Serialize;

use crate::dosing::dose::StemDose;
use crate::quantity::{Ul, decimal};
use crate::record::kit::ContainerKind;
use crate::record::label::ChargeRules;

/// The charges chosen for a stem, one entry a charge, largest first.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct ChargePlan {
    /// Each charge.
    pub charges_ul: Vec<Ul>,
    /// Their sum.
    pub total_ul: Ul,
    /// Sum minus the usual dose; negative when under it.
    pub off_target_ul: Ul,
    /// The trade-off in one line.
    pub note: String,
}

/// Why no charges fit. Each of these stops the treatment.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ChargeError {
    /// No container fits the label's limit for one hole.
    #[error("no container of this kit holds a charge the label allows at one hole (at most {} mL)", .most.ml())]
    NoContainer {
        /// The label's most per hole.
        most: Ul,
    },
    /// One charge alone passes the label's most for this stem.
    #[error("one charge of {} mL is more than the {} mL the label allows for this stem: use a smaller container or leave it", .charge.ml(), .max.ml())]
    OneIsTooMuch {
        /// The smallest charge.
        charge: Ul,
        /// The label's most.
        max: Ul,
    },
    /// No whole number of charges lies between the label's least and most.
    #[error("no number of charges lies between {} and {} mL: {below} is under, one more is over; use another container or leave the stem", .min.ml(), .max.ml())]
    NoneInRange {
        /// The label's least for this stem.
        min: Ul,
        /// The label's most.
        max: Ul,
        /// The nearest sum below.
        below: String,
    },
    /// More charges than any trunk takes.
    #[error("{0} charges or more: check the diameter and the container")]
    TooMany(i64),
}

/// Most charges ever planned for a stem.
pub const MOST_CHARGES: i64 = 400;

/// Chooses equal charges of one container kind, and one part charge where label and container allow it.
///
/// Of all sums between the label's least and most the one nearest the usual dose is chosen; at the
/// same distance the lesser sum, then the fewer charges, then the kind listed first.
///
/// # Errors
/// [`ChargeError`] when no charges fit; never a sum over the label's most.
pub fn choose(
    dose: &StemDose,
    rules: &ChargeRules,
    kinds: &[ContainerKind],
) -> Result<ChargePlan, ChargeError> {
    let most = rules.most_per_hole_ul;
    let usable: Vec<&ContainerKind> =
        kinds.iter().filter(|k| k.charge_ul.0 > 0 && k.charge_ul <= most).collect();
    let smallest = usable.iter().map(|k| k.charge_ul).min().ok_or(ChargeError::NoContainer { most })?;
    let mut best: Option<(Key, Vec<Ul>)> = None;
    let mut below: Option<(i64, i64)> = None;
    for (order, kind) in usable.iter().enumerate() {
        let charge = kind.charge_ul.0;
        let fits = dose.max_ul.0 / charge;
        if fits > MOST_CHARGES {
            continue;
        }
        for count in [nearest(dose.target_ul.0, charge), nearest(dose.target_ul.0, charge) + 1] {
            if count < 1 || count > fits {
                continue;
            }
            offer(&mut best, dose, order, vec![kind.charge_ul; count as usize]);
        }
        if let Some(part) = part_charge(dose, rules, kind) {
            offer(&mut best, dose, order, part);
        }
        let sum = fits * charge;
        if fits > 0 && below.is_none_or(|(known, _)| known < sum) {
            below = Some((sum, fits));
        }
    }
    if let Some((_, charges_ul)) = best {
        let total_ul: Ul = charges_ul.iter().copied().sum();
        let note = note(dose, &charges_ul, total_ul);
        let off_target_ul = total_ul.saturating_sub(dose.target_ul);
        return Ok(ChargePlan { charges_ul, total_ul, off_target_ul, note });
    }
    if smallest > dose.max_ul {
        return Err(ChargeError::OneIsTooMuch { charge: smallest, max: dose.max_ul });
    }
    match below {
        None => Err(ChargeError::TooMany(MOST_CHARGES)),
        Some((sum, count)) => Err(ChargeError::NoneInRange {
            min: dose.min_ul,
            max: dose.max_ul,
            below: format!("{count} charges give {} mL, which", Ul(sum).ml()),
        }),
    }
}

type Key = (i64, i64, usize, usize);

fn nearest(target: i64, charge: i64) -> i64 {
    target / charge
}

fn offer(best: &mut Option<(Key, Vec<Ul>)>, dose: &StemDose, order: usize, charges: Vec<Ul>) {
    let total: Ul = charges.iter().copied().sum();
    if total < dose.min_ul || total > dose.max_ul {
        return;
    }
    let key = ((total.0 - dose.target_ul.0).abs(), total.0, charges.len(), order);
    if best.as_ref().is_none_or(|(known, _)| key < *known) {
        *best = Some((key, charges));
    }
}

/// Whole charges up to the usual dose and one part charge for the rest, to the container's scale, rounded down.
fn part_charge(dose: &StemDose, rules: &ChargeRules, kind: &ContainerKind) -> Option<Vec<Ul>> {
    let step = kind.scale_step_ul.filter(|s| rules.part_charge && s.0 > 0)?.0;
    let charge = kind.charge_ul.0;
    let whole = dose.target_ul.0 / charge;
    if whole >= MOST_CHARGES {
        return None;
    }
    let part = (dose.target_ul.0 - whole * charge) / step * step;
    let least = rules.least_part_ul.map_or(step, |l| l.0.max(step));
    if part < least {
        return None;
    }
    let mut charges = vec![kind.charge_ul; whole as usize];
    charges.push(Ul(part));
    Some(charges)
}

fn note(dose: &StemDose, charges: &[Ul], total: Ul) -> String {
    let off = total.0 - dose.target_ul.0;
    let share = decimal(off.abs().saturating_mul(1_000) / dose.target_ul.0.max(1), 10, 1);
    let place = match off {
        0 => "the usual dose".to_owned(),
        _ if off < 0 => format!("{share} % under the usual dose"),
        _ => format!("{share} % over the usual dose"),
    };
    let one_more = total.saturating_add(charges.first().copied().unwrap_or_default());
    let more = if one_more > dose.max_ul {
        format!("; {} would pass the label's maximum", charges.len() + 1)
    } else {
        String::new()
    };
    let unit = if charges.len() == 1 { "charge" } else { "charges" };
    format!("{} {unit}: {} mL, {place}{more}", charges.len(), total.ml())
}
