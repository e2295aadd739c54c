//! Charges: how many containers of which sizes and fills come nearest the dose, never over the label's most.
//!
//! Every multiset of charges that label and kit allow is considered, by a table over the sums they
//! can reach. The tests hold the choice against a plain listing of all of them.

use std::collections::BTreeMap;

use serde::Serialize;

use crate::dosing::dose::StemDose;
use crate::quantity::{Ul, decimal, word_for};
use crate::record::kit::ContainerKind;
use crate::record::label::ChargeRules;

/// The charges chosen for a stem, one entry a charge, largest first.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct ChargePlan {
    /// Each charge.
    pub charges_ul: Vec<Ul>,
    /// The same, as containers to fill: largest first.
    pub fills: Vec<Fill>,
    /// Their sum.
    pub total_ul: Ul,
    /// Sum minus the usual dose; negative when under it.
    pub off_target_ul: Ul,
    /// The trade-off in one line.
    pub note: String,
}

/// So many containers of one kind, filled alike.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Fill {
    /// The container kind's name.
    pub container: String,
    /// What goes into each, in product.
    pub charge_ul: Ul,
    /// How many.
    pub count: usize,
    /// Whether each is filled in part, to its scale.
    pub part: bool,
    /// How much of the mix goes into each, where the label has the product mixed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mix_ul: Option<Ul>,
}

/// Why no charges fit. Each of these stops the treatment.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ChargeError {
    /// The dose contradicts itself.
    #[error("least {} mL, usual {} mL and most {} mL are not a dose: check the label's rates", .min.ml_exact(), .target.ml_exact(), .max.ml_exact())]
    NotADose {
        /// The least given.
        min: Ul,
        /// The usual dose given.
        target: Ul,
        /// The most given.
        max: Ul,
    },
    /// No container fits the label's limit for one hole.
    #[error("no container of this kit holds a charge the label allows at one hole (at most {} mL)", .most.ml_exact())]
    NoContainer {
        /// The label's most per hole.
        most: Ul,
    },
    /// One charge alone passes the label's most for this stem.
    #[error("one charge of {} mL is more than the {} mL the label allows for this stem: use a smaller container or leave it", .charge.ml_exact(), .max.ml_exact())]
    OneIsTooMuch {
        /// The smallest charge.
        charge: Ul,
        /// The label's most.
        max: Ul,
    },
    /// No whole number of charges lies between the label's least and most.
    #[error("no number of charges lies between {} and {} mL: {below} is under, one more is over; use another container or leave the stem", .min.ml_exact(), .max.ml_exact())]
    NoneInRange {
        /// The label's least for this stem.
        min: Ul,
        /// The label's most.
        max: Ul,
        /// The nearest sum below.
        below: String,
    },
    /// What the holes that fit may hold is less than the label's least.
    #[error("no charges between {} and {} mL go into the {holes} {}: leave the stem; holes are never crowded to meet a dose", .min.ml_exact(), .max.ml_exact(), word_for(*.holes, "hole that fits", "holes that fit"))]
    HolesTooFew {
        /// Holes that fit.
        holes: usize,
        /// The label's least for this stem.
        min: Ul,
        /// The label's most.
        max: Ul,
    },
    /// More charges than any trunk takes.
    #[error("{0} charges or more: check the diameter and the container")]
    TooMany(i64),
    /// So many different fills that not every choice can be looked at.
    #[error("the containers' charges and scales differ in steps of {} mL, too fine to look at every choice for {} mL: name fewer container kinds or a coarser scale", .step.ml_exact(), .max.ml_exact())]
    TooFine {
        /// The largest step that divides every charge.
        step: Ul,
        /// The label's most for this stem.
        max: Ul,
    },
}

/// Most charges ever planned for a stem.
pub const MOST_CHARGES: i64 = 400;

/// Most different fills considered, and most (sum, fill) pairs looked at: a few milliseconds, far
/// beyond what a real kit and trunk ask for.
const MOST_FILLS: i64 = 4_096;
const MOST_PAIRS: i64 = 4_000_000;
/// Most lesser sums tried when not all holes fit.
const MOST_TURNS: usize = 64;

/// A sum that no charges reach.
const UNREACHED: u32 = u32::MAX;
/// In a sum's cost, one charge; the part charges are counted in the lower half.
const ONE_CHARGE: u32 = 1 << 16;

/// One fill a hole may get.
#[derive(Clone, Copy, Debug)]
struct Choice {
    kind: usize,
    part: bool,
}

/// Chooses the charges whose sum comes nearest the usual dose.
///
/// A charge is a full container, or one filled to a mark of its scale where label and container
/// allow a part charge; none holds more than the label's most per hole. Kinds and fills may be
/// mixed. Of all sums between the label's least and most the one nearest the usual dose is chosen;
/// at the same distance the lesser sum, then the fewer charges, then the fewer part charges, then
/// the larger charges first. Work is bounded whatever the numbers: see [`ChargeError::TooFine`].
///
/// # Errors
/// [`ChargeError`] when no charges fit; never a sum over the label's most.
pub fn choose(
    dose: &StemDose,
    rules: &ChargeRules,
    kinds: &[ContainerKind],
) -> Result<ChargePlan, ChargeError> {
    choose_within(dose, rules, kinds, usize::MAX)
}

/// As [`choose`], for charges that go into at most `holes` holes: another dose within the label's
/// range is taken when the nearest one needs more. Holes are never crowded to meet a dose.
///
/// With one charge a hole the choice is the best of all that fit. Where the label allows several in
/// one hole ([`pack`]), the nearest sums are tried, then ever fewer charges: that may stop short of
/// the best, never beyond the label.
///
/// # Errors
/// [`ChargeError::HolesTooFew`] when no dose within the range goes into them; else as [`choose`].
pub fn choose_within(
    dose: &StemDose,
    rules: &ChargeRules,
    kinds: &[ContainerKind],
    holes: usize,
) -> Result<ChargePlan, ChargeError> {
    let (min, target, max) = (dose.min_ul, dose.target_ul, dose.max_ul);
    if min.0 < 1 || target < min || max < target {
        return Err(ChargeError::NotADose { min, target, max });
    }
    let choices = choices(rules, kinds, max)?;
    let (Some((smallest, _)), Some((largest, _))) = (choices.first_key_value(), choices.last_key_value())
    else {
        return Err(ChargeError::NoContainer { most: rules.most_per_hole_ul });
    };
    if *smallest > max.0 {
        return Err(ChargeError::OneIsTooMuch { charge: Ul(*smallest), max });
    }
    let most_in_all = largest.saturating_mul(MOST_CHARGES);
    if most_in_all < min.0 {
        return Err(ChargeError::TooMany(MOST_CHARGES));
    }
    let table = Table::fill(&choices, max.0.min(most_in_all))
        .ok_or_else(|| ChargeError::TooFine { step: Ul(common_step(&choices)), max })?;
    let Some(freely) = table.nearest(dose, MOST_CHARGES) else {
        let (sum, count) = table.below(min.0);
        if count >= MOST_CHARGES {
            return Err(ChargeError::TooMany(MOST_CHARGES));
        }
        let sum = Ul(sum).ml_exact();
        let below = format!("{count} {} {sum} mL, which", word_for(count, "charge gives", "charges give"));
        return Err(ChargeError::NoneInRange { min, max, below });
    };
    let (total, charges_ul) =
        table.within(dose, rules, holes).ok_or(ChargeError::HolesTooFew { holes, min, max })?;
    let fills = fills(&charges_ul, &choices, kinds);
    let note = match total == freely {
        true => note(dose, &fills, Ul(total), Ul(*smallest)),
        false => {
            let fit = word_for(holes, "hole fits", "holes fit");
            format!("{}; only {holes} {fit}", place(dose, &fills, Ul(total)))
        }
    };
    Ok(ChargePlan { charges_ul, fills, total_ul: Ul(total), off_target_ul: Ul(total - target.0), note })
}

fn per_hole(rules: &ChargeRules) -> usize {
    usize::try_from(rules.per_hole).unwrap_or(1).max(1)
}

/// How many holes a stem's charges need ([`pack`]).
pub fn hole_count(charges: &[Ul], rules: &ChargeRules) -> usize {
    if per_hole(rules) == 1 { charges.len() } else { pack(charges, rules).len() }
}

/// The charges of each hole: each takes at most the label's charges per hole and together at most
/// its most at one hole, largest charges first into the first hole with room.
pub fn pack(charges: &[Ul], rules: &ChargeRules) -> Vec<Vec<Ul>> {
    let per_hole = per_hole(rules);
    let mut sorted = charges.to_vec();
    sorted.sort_unstable_by(|a, b| b.cmp(a));
    let mut holes: Vec<Vec<Ul>> = vec![];
    for charge in sorted {
        let fits = |hole: &&mut Vec<Ul>| {
            let held: Ul = hole.iter().copied().sum();
            hole.len() < per_hole && held.saturating_add(charge) <= rules.most_per_hole_ul
        };
        match holes.iter_mut().find(fits).filter(|_| per_hole > 1) {
            Some(hole) => hole.push(charge),
            None => holes.push(vec![charge]),
        }
    }
    holes
}

/// Every volume one charge may have, and the container it is measured with: a full one before a
/// part-filled one, the kind listed first before a later one.
fn choices(
    rules: &ChargeRules,
    kinds: &[ContainerKind],
    max: Ul,
) -> Result<BTreeMap<i64, Choice>, ChargeError> {
    let most = rules.most_per_hole_ul.0;
    let mut choices = BTreeMap::new();
    for (kind, container) in kinds.iter().enumerate() {
        if 0 < container.charge_ul.0 && container.charge_ul.0 <= most {
            choices.entry(container.charge_ul.0).or_insert(Choice { kind, part: false });
        }
    }
    for (kind, container) in kinds.iter().enumerate() {
        let Some(marks) = marks(rules, container) else { continue };
        let room = MOST_FILLS - choices.len() as i64;
        if (marks.last - marks.first) / marks.step >= room {
            return Err(ChargeError::TooFine { step: Ul(marks.step), max });
        }
        for volume in (marks.first..=marks.last).step_by(usize::try_from(marks.step).unwrap_or(usize::MAX)) {
            choices.entry(volume).or_insert(Choice { kind, part: true });
        }
    }
    Ok(choices)
}

/// The marks of a container's scale that a part charge may be filled to.
struct Marks {
    first: i64,
    last: i64,
    step: i64,
}

fn marks(rules: &ChargeRules, container: &ContainerKind) -> Option<Marks> {
    let step = container.scale_step_ul.filter(|s| rules.part_charge && s.0 > 0)?.0;
    let least = rules.least_part_ul.map_or(step, |l| l.0.max(step));
    // Saturates only beyond any container, where the first mark then lies above the last.
    let first = least.saturating_add(step - 1) / step * step;
    let highest = container.charge_ul.0.saturating_sub(1).min(rules.most_per_hole_ul.0);
    let last = highest.max(0) / step * step;
    (first <= last).then_some(Marks { first, last, step })
}

fn common_step(choices: &BTreeMap<i64, Choice>) -> i64 {
    choices.keys().fold(0, |step, volume| greatest_common_divisor(step, *volume)).max(1)
}

fn greatest_common_divisor(mut a: i64, mut b: i64) -> i64 {
    while b != 0 {
        (a, b) = (b, a % b);
    }
    a
}

/// For every sum in steps of the fills' common divisor, the fewest charges that reach it and, among
/// those, the fewest part charges.
struct Table {
    step: i64,
    cost: Vec<u32>,
    /// Fills in steps, largest first, with the cost of one.
    fills: Vec<(usize, u32)>,
}

impl Table {
    /// Up to `limit`; `None` when that is more work than allowed.
    fn fill(choices: &BTreeMap<i64, Choice>, limit: i64) -> Option<Self> {
        let step = common_step(choices);
        let top = limit / step;
        if top.checked_mul(choices.len() as i64)? > MOST_PAIRS {
            return None;
        }
        let mut fills = vec![];
        for (volume, choice) in choices.range(..=limit).rev() {
            fills.push((usize::try_from(volume / step).ok()?, ONE_CHARGE + u32::from(choice.part)));
        }
        let mut cost = vec![UNREACHED; usize::try_from(top).ok()? + 1];
        cost[0] = 0;
        let full = MOST_CHARGES as u32 * ONE_CHARGE;
        for sum in 1..cost.len() {
            let before =
                fills.iter().filter(|(fill, _)| *fill <= sum).map(|(fill, one)| (cost[sum - fill], one));
            let least = before.filter(|(c, _)| *c < full).map(|(c, one)| c + one).min();
            cost[sum] = least.unwrap_or(UNREACHED);
        }
        Some(Self { step, cost, fills })
    }

    /// Whether `most` charges or fewer reach a sum.
    fn reached(&self, sum: usize, most: i64) -> bool {
        self.cost.get(sum).is_some_and(|c| *c != UNREACHED && i64::from(c / ONE_CHARGE) <= most)
    }

    /// The nearest sum found whose charges need no more than so many holes, and those charges.
    fn within(&self, dose: &StemDose, rules: &ChargeRules, holes: usize) -> Option<(i64, Vec<Ul>)> {
        let holes_i64 = i64::try_from(holes).unwrap_or(i64::MAX);
        let each = i64::try_from(per_hole(rules)).unwrap_or(i64::MAX);
        let mut most = holes_i64.saturating_mul(each).min(MOST_CHARGES);
        let held = holes_i64.saturating_mul(rules.most_per_hole_ul.0.max(0));
        let lowered = |to: i64| StemDose {
            target_ul: dose.target_ul.min(Ul(to)),
            max_ul: dose.max_ul.min(Ul(to)),
            ..dose.clone()
        };
        let mut range = lowered(held);
        for turn in 0.. {
            let total = self.nearest(&range, most)?;
            let charges = self.charges(total);
            if hole_count(&charges, rules) <= holes {
                return Some((total, charges));
            }
            // A while to the next lesser sum, then to fewer charges, which ends soon.
            if turn < MOST_TURNS {
                range = lowered(total - 1);
            } else {
                range = lowered(held);
                most = i64::try_from(charges.len()).unwrap_or(0).min(most) - 1;
            }
        }
        None
    }

    /// The sum that `most` charges or fewer reach nearest the usual dose within the
    /// label's range; the lesser of two as near.
    fn nearest(&self, dose: &StemDose, most: i64) -> Option<i64> {
        let at = |steps: usize| steps as i64 * self.step;
        let (least, usual) = (steps_up(dose.min_ul.0, self.step), dose.target_ul.0 / self.step);
        let usual = usize::try_from(usual).ok()?.min(self.cost.len() - 1);
        let under = (usize::try_from(least).ok()?..=usual).rev().find(|s| self.reached(*s, most)).map(at);
        let over = (usual + 1..self.cost.len()).find(|s| self.reached(*s, most)).map(at);
        let over = over.filter(|o| *o <= dose.max_ul.0);
        let target = dose.target_ul.0;
        match (under.filter(|u| *u >= dose.min_ul.0), over.filter(|o| *o >= dose.min_ul.0)) {
            (Some(under), Some(over)) if over - target < target - under => Some(over),
            (Some(under), _) => Some(under),
            (None, over) => over,
        }
    }

    /// The largest reached sum below `min`, and its number of charges.
    fn below(&self, min: i64) -> (i64, i64) {
        let end = usize::try_from(steps_up(min, self.step)).unwrap_or(usize::MAX).min(self.cost.len());
        let found = (0..end).rev().find(|s| self.reached(*s, MOST_CHARGES)).unwrap_or(0);
        let cost = self.cost.get(found).copied().unwrap_or(0);
        (found as i64 * self.step, i64::from(cost / ONE_CHARGE))
    }

    /// The charges that reach a sum at its least cost, larger ones first.
    fn charges(&self, total: i64) -> Vec<Ul> {
        let mut left = usize::try_from(total / self.step).unwrap_or(0);
        let mut charges = vec![];
        // A fill passed over once is not on a cheapest way to any lesser rest either, or it could be put first.
        for (fill, one) in &self.fills {
            while left >= *fill
                && left > 0
                && self.cost[left - fill].checked_add(*one).is_some_and(|c| c == self.cost[left])
            {
                charges.push(Ul(*fill as i64 * self.step));
                left -= fill;
            }
        }
        charges
    }
}

fn steps_up(volume: i64, step: i64) -> i64 {
    volume / step + i64::from(volume % step != 0)
}

fn fills(charges: &[Ul], choices: &BTreeMap<i64, Choice>, kinds: &[ContainerKind]) -> Vec<Fill> {
    let mut fills: Vec<Fill> = vec![];
    for charge in charges {
        if let Some(last) = fills.last_mut().filter(|f| f.charge_ul == *charge) {
            last.count += 1;
            continue;
        }
        let choice = choices.get(&charge.0);
        let container = choice.and_then(|c| kinds.get(c.kind)).map(|k| k.name.clone()).unwrap_or_default();
        let part = choice.is_some_and(|c| c.part);
        fills.push(Fill { container, charge_ul: *charge, count: 1, part, mix_ul: None });
    }
    fills
}

/// `15 charges: 138.0 mL, 1.4 % under the usual dose; 16 would pass the label's maximum`.
fn note(dose: &StemDose, fills: &[Fill], total: Ul, smallest: Ul) -> String {
    let count: usize = fills.iter().map(|f| f.count).sum();
    let alike = fills.len() == 1 && fills.iter().all(|f| f.charge_ul == smallest);
    let more = match total.saturating_add(smallest) > dose.max_ul {
        true if alike => format!("; {} would pass the label's maximum", count + 1),
        true => format!("; one more of even {} mL would pass the label's maximum", smallest.ml_exact()),
        false => String::new(),
    };
    format!("{}{more}", place(dose, fills, total))
}

/// `15 charges: 138.0 mL, 1.4 % under the usual dose`.
fn place(dose: &StemDose, fills: &[Fill], total: Ul) -> String {
    let count: usize = fills.iter().map(|f| f.count).sum();
    let off = i128::from(total.0) - i128::from(dose.target_ul.0);
    let shares = off.abs() * 100_000 / i128::from(dose.target_ul.0.max(1));
    let share = decimal(i64::try_from(shares).unwrap_or(i64::MAX), 1_000, 1);
    let place = match off {
        0 => "the usual dose".to_owned(),
        _ if off < 0 => format!("{share} % under the usual dose"),
        _ => format!("{share} % over the usual dose"),
    };
    let total = total.ml_exact();
    match fills {
        [_] => format!("{count} {}: {total} mL, {place}", word_for(count, "charge", "charges")),
        _ => {
            let part = |f: &Fill| format!("{} × {} mL", f.count, f.charge_ul.ml_exact());
            let each = fills.iter().map(part).collect::<Vec<_>>().join(", ");
            format!("{count} charges ({each}): {total} mL, {place}")
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::quantity::Um;

    fn container(name: &str, charge_ul: i64, step: Option<i64>) -> ContainerKind {
        ContainerKind {
            name: name.into(),
            charge_ul: Ul(charge_ul),
            inner_volume_ul: None,
            scale_step_ul: step.map(Ul),
            charge_u_ul: Ul(0),
            shared_u_ul: Ul(0),
        }
    }

    fn rules(most_per_hole: i64, part_charge: bool, least_part: Option<i64>) -> ChargeRules {
        ChargeRules {
            most_per_hole_ul: Ul(most_per_hole),
            per_hole: 1,
            part_charge,
            least_part_ul: least_part.map(Ul),
            uptake_limit_s: None,
            hold_after_s: None,
        }
    }

    fn dose(min: i64, target: i64, max: i64) -> StemDose {
        let (min_ul, target_ul, max_ul) = (Ul(min), Ul(target), Ul(max));
        StemDose { purpose: "preventive".into(), diameter_um: Um(300_000), min_ul, target_ul, max_ul }
    }

    fn volumes(plan: &ChargePlan) -> Vec<i64> {
        plan.charges_ul.iter().map(|c| c.0).collect()
    }

    /// The line of the design page.
    #[test]
    fn the_trade_off_is_one_line() {
        let plan = choose(
            &dose(120_000, 140_000, 145_000),
            &rules(10_000, false, None),
            &[container("9.2 mL", 9_200, None)],
        );
        assert_eq!(
            plan.unwrap().note,
            "15 charges: 138.0 mL, 1.4 % under the usual dose; 16 would pass the label's maximum"
        );
    }

    #[test]
    fn two_sizes_are_mixed_when_that_comes_nearer() {
        let kinds = [container("10 mL", 10_000, None), container("5 mL", 5_000, None)];
        let plan = choose(&dose(60_000, 66_000, 69_000), &rules(10_000, false, None), &kinds).unwrap();
        assert_eq!(volumes(&plan), [10_000, 10_000, 10_000, 10_000, 10_000, 10_000, 5_000]);
        assert_eq!(
            plan.note,
            "7 charges (6 × 10.0 mL, 1 × 5.0 mL): 65.0 mL, 1.5 % under the usual dose; \
             one more of even 5.0 mL would pass the label's maximum"
        );
        assert_eq!(
            plan.fills[1],
            Fill { container: "5 mL".into(), charge_ul: Ul(5_000), count: 1, part: false, mix_ul: None }
        );
    }

    /// 12 mL with no part below 4 mL: 10 + 2 is not allowed, 8 + 4 is.
    #[test]
    fn several_part_charges_reach_what_one_cannot() {
        let kinds = [container("10 mL", 10_000, Some(1_000))];
        let plan = choose(&dose(11_500, 12_000, 12_000), &rules(10_000, true, Some(4_000)), &kinds).unwrap();
        assert_eq!(volumes(&plan), [8_000, 4_000]);
        assert!(plan.fills.iter().all(|f| f.part));
    }

    #[test]
    fn a_container_larger_than_a_hole_may_take_is_used_in_part_only() {
        let kinds = [container("20 mL", 20_000, Some(500))];
        let plan = choose(&dose(20_000, 24_000, 24_000), &rules(8_250, true, None), &kinds).unwrap();
        assert_eq!(volumes(&plan), [8_000, 8_000, 8_000]);
        let whole = choose(&dose(20_000, 24_000, 24_000), &rules(8_250, false, None), &kinds);
        assert_eq!(whole, Err(ChargeError::NoContainer { most: Ul(8_250) }));
    }

    #[test]
    fn what_cannot_be_met_says_why() {
        let ten = [container("10 mL", 10_000, None)];
        let whole = rules(10_000, false, None);
        let below = choose(&dose(11_000, 12_000, 14_500), &whole, &ten).unwrap_err();
        assert_eq!(
            below.to_string(),
            "no number of charges lies between 11.0 and 14.5 mL: 1 charge gives 10.0 mL, which is under, \
             one more is over; use another container or leave the stem"
        );
        let one = choose(&dose(1_000, 2_000, 3_000), &whole, &ten).unwrap_err();
        assert_eq!(one, ChargeError::OneIsTooMuch { charge: Ul(10_000), max: Ul(3_000) });
        let many = choose(&dose(5_000_000, 6_000_000, 7_000_000), &whole, &ten).unwrap_err();
        assert_eq!(many, ChargeError::TooMany(MOST_CHARGES));
        for bad in [dose(0, 0, 0), dose(5, 4, 6), dose(5, 7, 6), dose(-9, -8, -7)] {
            assert!(matches!(choose(&bad, &whole, &ten), Err(ChargeError::NotADose { .. })), "{bad:?}");
        }
        let fine = [container("a", 9_999_991, None), container("b", 9_999_973, None)];
        let fine = choose(&dose(1, 900_000_000, 900_000_000), &rules(10_000_000, false, None), &fine);
        assert!(matches!(fine, Err(ChargeError::TooFine { .. })), "{fine:?}");
    }

    /// 22 cm × 2.4 mL are 52.8 mL: six holes for 52.5 mL, but a turn of 69.1 cm takes five at 12 cm.
    #[test]
    fn where_fewer_holes_fit_the_dose_gives_way_down_to_the_labels_least() {
        let (ten, part) = ([container("10 mL", 10_000, Some(500))], rules(10_000, true, None));
        let stem = dose(44_000, 52_800, 52_800);
        let five = choose_within(&stem, &part, &ten, 5).unwrap();
        assert_eq!(five.note, "5 charges: 50.0 mL, 5.3 % under the usual dose; only 5 holes fit");
        let four = choose_within(&stem, &part, &ten, 4).unwrap_err();
        assert_eq!(four, ChargeError::HolesTooFew { holes: 4, min: Ul(44_000), max: Ul(52_800) });
        // Two charges a hole of 8 mL: pairs of at most 8 mL only.
        let two = ChargeRules { per_hole: 2, ..rules(8_000, true, None) };
        let paired = choose_within(&dose(10_000, 22_000, 30_000), &two, &ten, 2).unwrap();
        assert!(hole_count(&paired.charges_ul, &two) <= 2 && paired.total_ul <= Ul(16_000), "{paired:?}");
    }

    #[test]
    fn charges_share_a_hole_only_as_far_as_the_label_allows() {
        let charges = [Ul(6_000), Ul(4_000), Ul(4_000), Ul(4_000)];
        assert_eq!(hole_count(&charges, &rules(10_000, false, None)), 4);
        let two = ChargeRules { per_hole: 2, ..rules(10_000, false, None) };
        assert_eq!(hole_count(&charges, &two), 2);
        assert_eq!(hole_count(&charges, &ChargeRules { most_per_hole_ul: Ul(8_000), ..two }), 3);
        assert_eq!(hole_count(&charges, &ChargeRules { per_hole: i64::MIN, ..rules(1, false, None) }), 4);
    }

    #[test]
    fn a_lesser_dose_within_the_label_is_taken_when_not_all_holes_fit() {
        let ten = [container("10 mL", 10_000, None)];
        let (dose, rules) = (dose(60_000, 90_000, 100_000), rules(10_000, false, None));
        let plan = choose_within(&dose, &rules, &ten, 7).unwrap();
        assert_eq!(plan.note, "7 charges: 70.0 mL, 22.2 % under the usual dose; only 7 holes fit");
        assert_eq!(plan.off_target_ul, Ul(-20_000));
        assert_eq!(choose_within(&dose, &rules, &ten, 20), choose(&dose, &rules, &ten));
        let (min, max) = (dose.min_ul, dose.max_ul);
        for holes in [0, 5] {
            let too_few = Err(ChargeError::HolesTooFew { holes, min, max });
            assert_eq!(choose_within(&dose, &rules, &ten, holes), too_few);
        }
        let two = ChargeRules { per_hole: 2, most_per_hole_ul: Ul(20_000), ..rules.clone() };
        assert_eq!(choose_within(&dose, &two, &ten, 4).unwrap().total_ul, Ul(80_000));
    }

    /// Whether one charge of this volume is full, part, or not allowed, said as the rules say it.
    fn allowed(volume: i64, rules: &ChargeRules, kinds: &[ContainerKind]) -> Option<bool> {
        if volume > rules.most_per_hole_ul.0 {
            return None;
        }
        if kinds.iter().any(|k| k.charge_ul.0 == volume) {
            return Some(false);
        }
        let least = rules.least_part_ul.map_or(1, |l| l.0);
        let to_a_mark = |k: &ContainerKind| {
            k.scale_step_ul.is_some_and(|s| s.0 > 0 && volume % s.0 == 0) && volume < k.charge_ul.0
        };
        (rules.part_charge && volume >= least && kinds.iter().any(to_a_mark)).then_some(true)
    }

    /// Every multiset of allowed fills up to the label's most, listed one by one.
    fn best_of_all(
        dose: &StemDose,
        rules: &ChargeRules,
        kinds: &[ContainerKind],
        holes: usize,
    ) -> Option<Vec<i64>> {
        type Key = (i64, i64, usize, usize, Vec<std::cmp::Reverse<i64>>);
        fn list(
            fills: &[(i64, bool)],
            dose: &StemDose,
            holes: usize,
            taken: &mut Vec<(i64, bool)>,
            best: &mut Option<(Key, Vec<i64>)>,
        ) {
            let sum: i64 = taken.iter().map(|t| t.0).sum();
            if sum > dose.max_ul.0 || taken.len() > holes {
                return;
            }
            if sum >= dose.min_ul.0 {
                let volumes: Vec<i64> = taken.iter().map(|t| t.0).collect();
                let parts = taken.iter().filter(|t| t.1).count();
                let order = volumes.iter().map(|v| std::cmp::Reverse(*v)).collect();
                let key = ((sum - dose.target_ul.0).abs(), sum, taken.len(), parts, order);
                if best.as_ref().is_none_or(|(known, _)| key < *known) {
                    *best = Some((key, volumes));
                }
            }
            for (i, fill) in fills.iter().enumerate() {
                taken.push(*fill);
                list(&fills[i..], dose, holes, taken, best);
                taken.pop();
            }
        }
        let largest = kinds.iter().map(|k| k.charge_ul.0).max().unwrap_or(0);
        let fills: Vec<(i64, bool)> =
            (1..=largest).rev().filter_map(|v| allowed(v, rules, kinds).map(|part| (v, part))).collect();
        let mut best = None;
        list(&fills, dose, holes, &mut vec![], &mut best);
        best.map(|(_, volumes)| volumes)
    }

    prop_compose! {
        fn small()(
            kinds in prop::collection::vec((2i64..12, prop::option::of(1i64..5)), 1..4),
            most in 2i64..13,
            part in any::<bool>(),
            least in prop::option::of(2i64..6),
            min in 1i64..20,
            to_target in 0i64..8,
            to_max in 0i64..6,
        ) -> (StemDose, ChargeRules, Vec<ContainerKind>) {
            let kinds = kinds.into_iter().map(|(charge, step)| container("any", charge, step)).collect();
            let target = min + to_target;
            (dose(min, target, target + to_max), rules(most, part, least), kinds)
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(600))]

        #[test]
        fn no_other_multiset_of_charges_is_better(
            (small_dose, small_rules, small_kinds) in small(),
            unit in prop::sample::select(vec![1i64, 500, 997]),
            holes in prop_oneof![Just(usize::MAX), 0usize..8],
        ) {
            let up = |v: Ul| Ul(v.0 * unit);
            let kinds: Vec<ContainerKind> = small_kinds.iter().map(|k| ContainerKind {
                charge_ul: up(k.charge_ul), scale_step_ul: k.scale_step_ul.map(up), ..k.clone()
            }).collect();
            let rules = ChargeRules {
                most_per_hole_ul: up(small_rules.most_per_hole_ul),
                least_part_ul: small_rules.least_part_ul.map(up),
                ..small_rules.clone()
            };
            let dose = dose(small_dose.min_ul.0 * unit, small_dose.target_ul.0 * unit, small_dose.max_ul.0 * unit);
            let best = best_of_all(&small_dose, &small_rules, &small_kinds, holes);
            let found = choose_within(&dose, &rules, &kinds, holes).ok().map(|p| volumes(&p));
            prop_assert_eq!(found, best.map(|b| b.into_iter().map(|v| v * unit).collect::<Vec<_>>()));
        }

        #[test]
        fn hostile_numbers_give_an_error_or_a_plan_within_the_label(
            kinds in prop::collection::vec((any::<i64>(), prop::option::of(any::<i64>())), 0..4),
            near in prop::collection::vec((-5i64..20_000, prop::option::of(-2i64..3_000)), 0..3),
            most in any::<i64>(), part in any::<bool>(), least in prop::option::of(any::<i64>()),
            doses in (any::<i64>(), any::<i64>(), any::<i64>()),
            sane in any::<bool>(), per_hole in any::<i64>(), holes in any::<u16>(),
        ) {
            let kinds: Vec<_> = kinds.into_iter().chain(near).map(|(c, s)| container("any", c, s)).collect();
            let mut dose = dose(doses.0, doses.1, doses.2);
            if sane {
                dose = self::dose(doses.0.rem_euclid(100_000), doses.1.rem_euclid(300_000), doses.2.rem_euclid(600_000));
            }
            let rules = rules(if sane { most.rem_euclid(20_000) } else { most }, part, least.map(|l| if sane { l % 3_000 } else { l }));
            let rules = ChargeRules { per_hole, ..rules };
            let holes = if sane { usize::from(holes % 40) } else { usize::from(holes) };
            match choose_within(&dose, &rules, &kinds, holes) {
                Ok(plan) => {
                    prop_assert!(hole_count(&plan.charges_ul, &rules) <= holes);
                    let sum: i64 = plan.charges_ul.iter().map(|c| c.0).sum();
                    prop_assert_eq!(sum, plan.total_ul.0);
                    prop_assert!(dose.min_ul <= plan.total_ul && plan.total_ul <= dose.max_ul);
                    prop_assert!(plan.charges_ul.iter().all(|c| *c <= rules.most_per_hole_ul));
                    prop_assert!(plan.charges_ul.len() as i64 <= MOST_CHARGES);
                }
                Err(error) => prop_assert!(!error.to_string().is_empty()),
            }
        }
    }
}
