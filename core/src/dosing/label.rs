//! A label's entry, checked as a whole before anyone may use it, and its re-entry by a second person.
//!
//! The rules look at figures only in the light of each other and of what no label can say; they
//! know no product. What the paper says stays the office's and the second reader's business.

use serde::Serialize;

use crate::check::entry::MAX_DIAMETER_UM;
use crate::dosing::charges::MOST_CHARGES;
use crate::dosing::dose::dose_for;
use crate::dosing::rate::{Rate, season_rate};
use crate::dosing::stem::{diameter_of_girth, girth_of_diameter};
use crate::quantity::{Ul, Um, decimal, word_for};
use crate::record::label::{HoleRules, Label, LabelConfirmation, Mix, RateRow, WorkedDose};

mod entry;
pub mod paper;
mod places;
mod stated;

pub(crate) use entry::day_of_year;
pub use entry::{pest_code, plant_code};
pub use places::places;
pub use stated::not_stated;

/// What is wrong or worth knowing about a label's entry.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, thiserror::Error)]
#[serde(tag = "problem", rename_all = "snake_case")]
pub enum LabelProblem {
    /// Something every label has was not entered.
    #[error("{field} is empty: enter what the label says, or write 'none stated'")]
    Empty {
        /// Which field.
        field: String,
    },
    /// A figure no label can mean.
    #[error("{field} is {value}, which must lie between {least} and {most}: check figure and unit")]
    OutOfRange {
        /// Which field.
        field: String,
        /// What was entered, with its unit.
        value: String,
        /// The least that can be meant.
        least: String,
        /// The most.
        most: String,
    },
    /// Two figures in the wrong order.
    #[error("{lower} must not be more than {upper}")]
    Order {
        /// The figure that must be the lesser.
        lower: String,
        /// The figure that must be the greater.
        upper: String,
    },
    /// Not in the form of an EPPO code.
    #[error(
        "{field}: '{code}' is not in the form of an EPPO code (plants five letters, pests six; a genus such as 1FRXG begins with 1)"
    )]
    CodeForm {
        /// Which field.
        field: String,
        /// What was entered.
        code: String,
    },
    /// Entered twice.
    #[error("{field}: '{value}' stands there twice")]
    Twice {
        /// Which field.
        field: String,
        /// What is doubled.
        value: String,
    },
    /// Two spellings of one purpose hide overlaps from the checks.
    #[error("the purposes '{first}' and '{second}' differ only in spelling: use one")]
    PurposeSpelling {
        /// One spelling.
        first: String,
        /// The other.
        second: String,
    },
    /// Diameters between two classes, or below the first, without a rate.
    #[error("no rate for '{purpose}' from {} to below {} cm: enter it, or say in the cautions that the label leaves it out", .from_um.cm(), .below_um.cm())]
    Gap {
        /// The purpose.
        purpose: String,
        /// First diameter without a rate.
        from_um: Um,
        /// First diameter that has one again.
        below_um: Um,
    },
    /// Diameters with two rates.
    #[error("two rates for '{purpose}' {}: correct the classes", span(*.from_um, *.below_um))]
    Overlap {
        /// The purpose.
        purpose: String,
        /// First diameter with two rates.
        from_um: Um,
        /// First diameter above them; none when both classes are open.
        below_um: Option<Um>,
    },
    /// A class that lies wholly below the label's smallest diameter.
    #[error("the class of '{purpose}' below {} cm lies wholly under the smallest diameter of {} cm: one of them is wrong", .below_um.cm(), .smallest_um.cm())]
    ClassTooSmall {
        /// The purpose.
        purpose: String,
        /// Where the class ends.
        below_um: Um,
        /// The label's smallest diameter.
        smallest_um: Um,
    },
    /// A turn of holes at the label's spacing cannot hold the usual rate, at whatever diameter.
    #[error("'{purpose}': at {} cm apart each hole must hold {} mL to give the usual rate (rate × spacing ÷ π), but the label allows {} mL at one hole: trees will get less than the usual dose, or none", .spacing_um.cm(), .needed_ul.ml(), .most_ul.ml())]
    TurnTooSmall {
        /// The purpose.
        purpose: String,
        /// The label's spacing.
        spacing_um: Um,
        /// What each hole would have to hold.
        needed_ul: Ul,
        /// What one hole may hold.
        most_ul: Ul,
    },
    /// Diameters whose least dose does not fit in one turn of holes: such stems cannot be treated.
    #[error("'{purpose}': one turn of holes cannot hold the least dose at {}; such stems cannot be treated under this label", ranges(.diameters_um))]
    CannotHold {
        /// The purpose.
        purpose: String,
        /// From, and first diameter above; ascending, at most eight, the last then reaching to the end.
        diameters_um: Vec<(Um, Um)>,
    },
    /// The limit per tree and season is less than the least dose.
    #[error("'{purpose}': above {} cm the least dose passes the label's limit per tree and season; such stems cannot be treated under this label", .above_um.cm())]
    SeasonLimit {
        /// The purpose.
        purpose: String,
        /// Largest diameter whose least dose is within the limit.
        above_um: Um,
    },
    /// Not a day of the year.
    #[error("{field}: '{text}' is not a day of the year: write MM-DD, like 04-10")]
    NotADay {
        /// Which field.
        field: String,
        /// What was entered.
        text: String,
    },
    /// One rate without a range: whole charges seldom meet it.
    #[error("'{purpose}' from {} cm: least, usual and most are one figure, so only charges that add up to it to the microlitre can be used; if the label gives a range, enter it", .from_um.cm())]
    OneRate {
        /// The purpose.
        purpose: String,
        /// The class.
        from_um: Um,
    },
    /// Rates per inch that are not the rates per metre before rounding.
    #[error(
        "{field}: the figures per inch and per metre differ: enter the figure the label prints, with its unit, and nothing beside it"
    )]
    TwoRates {
        /// Which field.
        field: String,
    },
    /// A part charge's least without leave for part charges.
    #[error("a least part charge is entered, but part charges are not allowed: one of them is wrong")]
    PartNotAllowed,
}

impl LabelProblem {
    /// Whether the label must not be used before this is put right. The others say which stems a
    /// consistent label cannot treat, or will treat with less than the usual dose.
    pub fn blocks(&self) -> bool {
        !matches!(
            self,
            Self::TurnTooSmall { .. }
                | Self::CannotHold { .. }
                | Self::SeasonLimit { .. }
                | Self::OneRate { .. }
                | Self::Gap { .. }
        )
    }
}

fn span(from: Um, below: Option<Um>) -> String {
    match below {
        None => format!("from {} cm upwards", from.cm()),
        Some(below) => format!("from {} cm to below {} cm", from.cm(), below.cm()),
    }
}

fn ranges(diameters: &[(Um, Um)]) -> String {
    let texts: Vec<String> =
        diameters.iter().map(|(from, below)| format!("{} to below {} cm", from.cm(), below.cm())).collect();
    texts.join(", ")
}

/// Everything wrong with a label's entry, and which diameters it cannot treat; empty for a label
/// that closes. The order is that of the label's fields, then rates, then geometry.
pub fn validate(label: &Label) -> Vec<LabelProblem> {
    let mut problems = vec![];
    entry::check(label, &mut problems);
    classes(label, &mut problems);
    // Geometry is worked out only from figures that can be geometry.
    if problems.iter().any(LabelProblem::blocks) {
        return problems;
    }
    for row in &label.rates {
        geometry(label, row, &mut problems);
    }
    problems
}

/// Gaps and overlaps of diameter classes, per purpose.
fn classes(label: &Label, problems: &mut Vec<LabelProblem>) {
    let mut purposes: Vec<&str> = label.rates.iter().map(|r| r.purpose.as_str()).collect();
    purposes.sort_unstable();
    purposes.dedup();
    for (i, first) in purposes.iter().enumerate() {
        for second in purposes.iter().skip(i + 1) {
            if first.trim().to_lowercase() == second.trim().to_lowercase() {
                let (first, second) = ((*first).into(), (*second).into());
                problems.push(LabelProblem::PurposeSpelling { first, second });
            }
        }
    }
    for purpose in purposes {
        let mut rows: Vec<&RateRow> = label.rates.iter().filter(|r| r.purpose == purpose).collect();
        rows.sort_by_key(|r| (r.from_um, r.below_um.unwrap_or(Um(i64::MAX))));
        let named = || purpose.to_owned();
        // `reached` is the first diameter no row so far holds; none when a row is open upwards.
        let mut reached = Some(label.smallest_diameter_um);
        for (i, row) in rows.iter().enumerate() {
            if let Some(below_um) = row.below_um
                && below_um <= label.smallest_diameter_um
            {
                let smallest_um = label.smallest_diameter_um;
                problems.push(LabelProblem::ClassTooSmall { purpose: named(), below_um, smallest_um });
            }
            match reached {
                Some(end) if row.from_um > end => {
                    problems.push(LabelProblem::Gap {
                        purpose: named(),
                        from_um: end,
                        below_um: row.from_um,
                    });
                }
                Some(end) if i > 0 && row.from_um < end => {
                    let below_um = row.below_um.map_or(Some(end), |b| Some(b.min(end)));
                    problems.push(LabelProblem::Overlap { purpose: named(), from_um: row.from_um, below_um });
                }
                None => problems.push(LabelProblem::Overlap {
                    purpose: named(),
                    from_um: row.from_um,
                    below_um: row.below_um,
                }),
                _ => {}
            }
            reached = match (reached, row.below_um) {
                (Some(end), Some(below)) => Some(if i == 0 { below } else { end.max(below) }),
                _ => None,
            };
        }
    }
}

/// How many holes one turn takes: girth ÷ spacing, rounded down; one hole always has room to itself.
pub fn holes_in_a_turn(girth: Um, rules: &HoleRules) -> i64 {
    let turn = (girth.0 / rules.spacing_um.0.max(1)).clamp(1, MOST_CHARGES);
    rules.most_holes.map_or(turn, |most| turn.min(most))
}

/// Whether rate, spacing and what a hole holds close at every diameter of a class.
fn geometry(label: &Label, row: &RateRow, problems: &mut Vec<LabelProblem>) {
    let (holes, most) = (&label.holes, label.charges.most_per_hole_ul);
    // Dividing by π by way of a diameter keeps to integers: spacing ÷ π is the diameter of that girth.
    let [least, usual, most_of_all] = row.rates();
    let needed_ul = usual.times(diameter_of_girth(holes.spacing_um));
    if needed_ul > most {
        problems.push(LabelProblem::TurnTooSmall {
            purpose: row.purpose.clone(),
            spacing_um: holes.spacing_um,
            needed_ul,
            most_ul: most,
        });
    }
    if least == most_of_all {
        problems.push(LabelProblem::OneRate { purpose: row.purpose.clone(), from_um: row.from_um });
    }
    let from = row.from_um.max(label.smallest_diameter_um);
    let below = row.below_um.unwrap_or(Um(MAX_DIAMETER_UM + 1)).min(Um(MAX_DIAMETER_UM + 1));
    let diameters_um = cannot_hold(holes, most, least, from, below);
    if !diameters_um.is_empty() {
        problems.push(LabelProblem::CannotHold { purpose: row.purpose.clone(), diameters_um });
    }
    if season_rate(label).is_some_and(|limit| limit < least) {
        problems.push(LabelProblem::SeasonLimit { purpose: row.purpose.clone(), above_um: Um(0) });
    }
    if let Some(limit) = label.tree_season_max_ul {
        let above_um = least.most_diameter(limit);
        if above_um < below.saturating_sub(Um(1)) {
            problems.push(LabelProblem::SeasonLimit {
                purpose: row.purpose.clone(),
                above_um: above_um.max(Um(0)),
            });
        }
    }
}

/// The diameters of `[from, below)` whose least dose is more than one turn of holes may hold.
fn cannot_hold(holes: &HoleRules, most: Ul, rate: Rate, from: Um, below: Um) -> Vec<(Um, Um)> {
    let mut found: Vec<(Um, Um)> = vec![];
    let turn = |d: Um| (girth_of_diameter(d).0 / holes.spacing_um.0.max(1)).clamp(1, MOST_CHARGES);
    let mut start = from;
    while start < below {
        let n = turn(start);
        let end = if n >= MOST_CHARGES { below } else { first_with(n + 1, holes.spacing_um).min(below) };
        let held = holes.most_holes.map_or(n, |m| n.min(m)).saturating_mul(most.0);
        let first = Um(rate.most_diameter(Ul(held)).0.saturating_add(1)).max(start);
        if first < end {
            let full = found.len() >= 8;
            match found.last_mut() {
                Some((_, until)) if *until == first || full => *until = end,
                _ => found.push((first, end)),
            }
        }
        start = end.max(Um(start.0 + 1));
    }
    found
}

/// The smallest diameter whose girth takes `n` holes.
fn first_with(n: i64, spacing: Um) -> Um {
    let girth = Um(n.saturating_mul(spacing.0));
    let mut diameter = Um(diameter_of_girth(girth).0.saturating_sub(1));
    while girth_of_diameter(diameter) < girth {
        diameter = Um(diameter.0.saturating_add(1));
    }
    diameter
}

/// What keeps a re-entry from confirming a label.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, thiserror::Error)]
#[serde(tag = "problem", rename_all = "snake_case")]
pub enum ConfirmationProblem {
    /// A rate of the label that was not re-entered as it stands there.
    #[error("the label's rate {row} was not found on re-reading: compare both with the paper")]
    NotReentered {
        /// The row's purpose.
        purpose: String,
        /// The row, in words.
        row: String,
    },
    /// A re-entered rate the label does not have.
    #[error("the re-entered rate {row} is not in the label's entry: compare both with the paper")]
    NotInLabel {
        /// The row, in words.
        row: String,
    },
    /// Fewer than three doses at three different diameters.
    #[error("{} {} worked by hand; three are needed", .0, word_for(*.0, "dose was", "doses at different diameters were"))]
    TooFewWorked(usize),
    /// A purpose of the label for which no dose was worked.
    #[error("no dose was worked by hand for '{0}'")]
    PurposeNotWorked(String),
    /// The mix was re-entered otherwise, or by one of the two not at all.
    #[error("the label's entry has the product {entry}, the re-entry {again}: compare both with the paper")]
    MixDiffers {
        /// As entered.
        entry: String,
        /// As re-entered.
        again: String,
    },
    /// A dose that does not come out.
    #[error("'{purpose}' at {} cm: {} mL by hand, {found}: work it again, and compare the rate with the paper", .diameter_um.cm(), decimal(.by_hand_ul.0, 1_000, 3))]
    DoseDiffers {
        /// The purpose.
        purpose: String,
        /// The diameter.
        diameter_um: Um,
        /// What was worked by hand.
        by_hand_ul: Ul,
        /// What the entry gives.
        found: String,
    },
}

impl ConfirmationProblem {
    /// The same for the second person, with nothing of the entry but purposes: whoever is shown its
    /// figures would copy them, and a slip of the first would pass.
    pub fn without_the_entry(&self) -> String {
        match self {
            Self::NotReentered { purpose, .. } => format!(
                "a rate of the entry for '{purpose}' was not found in yours: read all rates for it on the paper again"
            ),
            Self::NotInLabel { row } => format!(
                "your rate {row} is not in the entry: read it on the paper again; if yours is right, the entry is to be amended"
            ),
            Self::MixDiffers { again, .. } => format!(
                "you have the product {again}, and the entry says otherwise: read the mix on the paper again"
            ),
            Self::DoseDiffers { purpose, diameter_um, by_hand_ul, .. } => format!(
                "'{purpose}' at {} cm: {} mL by hand is not what the entry gives: work it again from the paper",
                diameter_um.cm(),
                decimal(by_hand_ul.0, 1_000, 3)
            ),
            Self::TooFewWorked(_) | Self::PurposeNotWorked(_) => self.to_string(),
        }
    }
}

/// Why a second person's re-entry does not confirm a label; empty when it does.
pub fn confirmation_problems(label: &Label, confirmation: &LabelConfirmation) -> Vec<ConfirmationProblem> {
    let mut problems = vec![];
    let mut left: Vec<&RateRow> = confirmation.rates.iter().collect();
    for row in &label.rates {
        match left.iter().position(|r| r.says_the_same(row)) {
            Some(at) => drop(left.swap_remove(at)),
            None => problems.push(ConfirmationProblem::NotReentered {
                purpose: row.purpose.clone(),
                row: row_in_words(row),
            }),
        }
    }
    problems.extend(left.into_iter().map(|r| ConfirmationProblem::NotInLabel { row: row_in_words(r) }));
    let said_alike = match (&label.mix, &confirmation.mix) {
        (Some(one), Some(other)) => {
            (one.product_parts, one.diluent_parts) == (other.product_parts, other.diluent_parts)
                && one.diluent.trim().eq_ignore_ascii_case(other.diluent.trim())
        }
        (one, other) => one == other,
    };
    if !said_alike {
        let said = |mix: &Option<Mix>| {
            mix.as_ref().map_or_else(|| "not mixed".to_owned(), |mix| format!("mixed, {}", mix.in_words()))
        };
        let (entry, again) = (said(&label.mix), said(&confirmation.mix));
        problems.push(ConfirmationProblem::MixDiffers { entry, again });
    }
    let mut diameters: Vec<Um> = confirmation.worked.iter().map(|w| w.diameter_um).collect();
    diameters.sort_unstable();
    diameters.dedup();
    if diameters.len() < 3 {
        problems.push(ConfirmationProblem::TooFewWorked(diameters.len()));
    }
    let mut purposes: Vec<&String> = label.rates.iter().map(|r| &r.purpose).collect();
    purposes.sort_unstable();
    purposes.dedup();
    for purpose in purposes {
        if !confirmation.worked.iter().any(|w| w.purpose == *purpose) {
            problems.push(ConfirmationProblem::PurposeNotWorked(purpose.clone()));
        }
    }
    problems.extend(confirmation.worked.iter().filter_map(|worked| differs(label, worked)));
    problems
}

fn differs(label: &Label, worked: &WorkedDose) -> Option<ConfirmationProblem> {
    let found = match dose_for(label, &worked.purpose, worked.diameter_um) {
        // A rate entered per metre may be the paper's, rounded down to 1 µL per metre: a dose worked by
        // hand from the paper lies between those of this rate and of the next.
        Ok(dose) if (dose.target_ul..=by_next_rate(label, worked)).contains(&worked.dose_ul) => return None,
        Ok(dose) => format!("{} mL by the entry", decimal(dose.target_ul.0, 1_000, 3)),
        Err(error) => format!("none by the entry ({error})"),
    };
    Some(ConfirmationProblem::DoseDiffers {
        purpose: worked.purpose.clone(),
        diameter_um: worked.diameter_um,
        by_hand_ul: worked.dose_ul,
        found,
    })
}

/// The dose by a rate one unit of the record higher.
fn by_next_rate(label: &Label, worked: &WorkedDose) -> Ul {
    let mut next = label.clone();
    for row in &mut next.rates {
        if row.per_inch.is_some() {
            continue;
        }
        row.usual_ul_per_m.0 = row.usual_ul_per_m.0.saturating_add(1);
        row.max_ul_per_m = row.max_ul_per_m.max(row.usual_ul_per_m);
    }
    dose_for(&next, &worked.purpose, worked.diameter_um).map_or(Ul::ZERO, |dose| dose.target_ul)
}

fn row_in_words(row: &RateRow) -> String {
    let rate = |r: crate::quantity::UlPerM| decimal(r.0, 100_000, 3);
    format!(
        "'{}' {}: {} / {} / {} mL per cm",
        row.purpose,
        span(row.from_um, row.below_um),
        rate(row.min_ul_per_m),
        rate(row.usual_ul_per_m),
        rate(row.max_ul_per_m)
    )
}

#[cfg(test)]
mod tests;
