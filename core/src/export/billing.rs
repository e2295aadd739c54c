//! The billing basis: what was done each crew-day, times the rates the office enters.
//!
//! Rates are whole numbers of the currency's smallest unit. They are the office's own and stand
//! nowhere in the books, which go out on every crew's device. Only applications in force count; a
//! tree and a stem count once a job, on the first day something went in.

use std::collections::{BTreeMap, BTreeSet};

use serde::{Deserialize, Serialize};

use crate::day::Day;
use crate::export::out::{Table, whole};
use crate::export::schema::{DAY_STATE, Field, STATE, Type, field, figure};
use crate::export::table::ml;
use crate::export::{ExportError, inert, short};
use crate::ids::{CrewId, TreeId};
use crate::quantity::{Ul, decimal};
use crate::record::work::Application;
use crate::record::{Body, Kind};
use crate::view::{CrewDay, View};

/// The most a rate may be, in smallest units: keeps every product of a whole job in range.
const MOST: i64 = 100_000_000;
const MS_PER_HOUR: i64 = 3_600_000;

/// What the office asks for its work, in the smallest unit of a currency.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BillingRates {
    /// The currency's three capital letters (ISO 4217).
    pub currency: String,
    /// Decimals of the currency: 2 where 100 smallest units make one, 0 where there is none smaller. 0 to 4.
    pub decimals: u32,
    /// For each centimetre of treated stems' diameter.
    #[serde(default)]
    pub per_cm: i64,
    /// For each millilitre taken up.
    #[serde(default)]
    pub per_ml: i64,
    /// For each treated tree.
    #[serde(default)]
    pub per_tree: i64,
    /// For each hour of a crew at its trees.
    #[serde(default)]
    pub per_hour: i64,
}

/// Rates that cannot be used.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum RatesError {
    /// Not three capital letters.
    #[error("the currency '{0}' is not three capital letters (ISO 4217), such as XTS")]
    Currency(String),
    /// Too many decimals.
    #[error("a currency with {0} decimals: there are 0 to 4")]
    Decimals(u32),
    /// A rate below zero or too large.
    #[error("the rate {name} is {value}: from 0 to {MOST} smallest units of the currency")]
    Rate {
        /// Which rate.
        name: &'static str,
        /// What it says.
        value: i64,
    },
}

impl BillingRates {
    /// Whether they can be used.
    ///
    /// # Errors
    /// [`RatesError`] naming the first that cannot.
    pub fn check(&self) -> Result<(), RatesError> {
        if self.currency.len() != 3 || !self.currency.chars().all(|c| c.is_ascii_uppercase()) {
            return Err(RatesError::Currency(self.currency.chars().take(20).collect()));
        }
        if self.decimals > 4 {
            return Err(RatesError::Decimals(self.decimals));
        }
        let all = [
            ("per_cm", self.per_cm),
            ("per_ml", self.per_ml),
            ("per_tree", self.per_tree),
            ("per_hour", self.per_hour),
        ];
        match all.into_iter().find(|(_, value)| !(0..=MOST).contains(value)) {
            Some((name, value)) => Err(RatesError::Rate { name, value }),
            None => Ok(()),
        }
    }

    /// An amount of smallest units as the currency is written.
    fn amount(&self, smallest: i64) -> String {
        decimal(smallest, 10i64.pow(self.decimals.min(4)), self.decimals.min(4))
    }
}

const fn money(name: &'static str, about: &'static str) -> Field {
    field(name, Type::Number, about)
}

/// The fields of `billing.csv`.
pub const BILLING: &[Field] = &[
    field("day", Type::Date, "the crew-day, in the job's time zone; empty in the last row, the total"),
    field("crew", Type::Text, "the crew's name; 'total' in the last row"),
    DAY_STATE,
    field("trees", Type::Integer, "trees first treated on this crew-day"),
    field("stems", Type::Integer, "stems first treated on this crew-day"),
    field(
        "stems_without_diameter",
        Type::Integer,
        "of those, stems whose diameter nobody logged: not in diameter_cm",
    ),
    figure("diameter_cm", "cm", "the diameters of those stems, added up"),
    figure("put_in_ml", "mL", "product taken up"),
    figure(
        "hours",
        "h",
        "the crew's time at its trees: from first hole to last container, overlaps counted once",
    ),
    field("currency", Type::Text, "the currency's code (ISO 4217)"),
    money("amount_trees", "trees × the rate for a tree"),
    money(
        "amount_diameter",
        "diameter_cm × the rate for a centimetre, rounded to the smallest unit, half away from zero",
    ),
    money("amount_product", "put_in_ml × the rate for a millilitre, rounded likewise"),
    money("amount_hours", "the exact time × the rate for an hour, rounded likewise"),
    money("amount", "the four together; the total is the sum of the rows as rounded"),
    STATE,
];

/// What was done on a crew-day.
#[derive(Default)]
struct Done {
    trees: i64,
    stems: i64,
    unmeasured: i64,
    diameter_um: i64,
    put_in_ul: i64,
    intervals: Vec<(i64, i64)>,
}

impl Done {
    /// Milliseconds covered by the intervals, overlaps once.
    fn time_ms(&self) -> i64 {
        let mut sorted = self.intervals.clone();
        sorted.sort_unstable();
        let (mut total, mut end) = (0i64, i64::MIN);
        for (from, to) in sorted {
            let from = from.max(end);
            if to > from {
                total = total.saturating_add(to.saturating_sub(from));
                end = to;
            }
        }
        total
    }
}

/// `value × rate ÷ scale`, rounded half away from zero.
fn times(value: i64, rate: i64, scale: i64) -> i64 {
    let product = i128::from(value) * i128::from(rate);
    let scale = i128::from(scale);
    let rounded = (product.abs() * 2 + scale) / (scale * 2) * product.signum();
    i64::try_from(rounded).unwrap_or(i64::MAX)
}

fn work(view: &View<'_>) -> BTreeMap<(Day, CrewId), Done> {
    let mut all: Vec<((Day, CrewId), i64, &Application)> = vec![];
    for version in view.facts.in_force(Kind::Application).map(|f| view.facts.shown(f)) {
        if let (Some(d), Body::Application(a)) = (view.crew_day(version), &version.record.body) {
            all.push(((d.day, d.crew), a.started_at.0, &**a));
        }
    }
    all.sort_by_key(|(day, at, _)| (*day, *at));
    let (mut trees, mut stems) = (BTreeSet::<TreeId>::new(), BTreeSet::new());
    let mut found: BTreeMap<(Day, CrewId), Done> = BTreeMap::new();
    for (day, _, a) in all {
        let done = found.entry(day).or_default();
        done.put_in_ul = done.put_in_ul.saturating_add(a.put_in_ul().0);
        done.intervals.push((a.started_at.0, a.ended_at.0));
        if a.put_in_ul() <= Ul(0) {
            continue;
        }
        let id = view.stays(a.tree);
        done.trees += i64::from(trees.insert(id));
        if stems.insert((id, a.stem)) {
            done.stems += 1;
            match view.trees.get(&id).and_then(|t| view.dosed_from(t, a)) {
                Some((_, d)) => done.diameter_um = done.diameter_um.saturating_add(d.0),
                None => done.unmeasured += 1,
            }
        }
    }
    found
}

/// The billing basis by crew-day, and the total. The same state and rates give the same bytes.
///
/// # Errors
/// [`ExportError`] when the table cannot be written.
pub fn billing_csv(view: &View<'_>, rates: &BillingRates) -> Result<String, ExportError> {
    whole(|out| {
        let state = short(view.state_digest());
        let mut table = Table::of(out, BILLING)?;
        let (mut sums, mut provisional) = ([0i64; 11], false);
        let mut write = |day: String, crew: String, day_state: &str, n: &[i64; 11]| {
            table.row([
                day,
                inert(&crew),
                day_state.to_owned(),
                n[0].to_string(),
                n[1].to_string(),
                n[2].to_string(),
                decimal(n[3], 10_000, 1),
                ml(n[4]),
                decimal(n[5], MS_PER_HOUR, 2),
                rates.currency.clone(),
                rates.amount(n[6]),
                rates.amount(n[7]),
                rates.amount(n[8]),
                rates.amount(n[9]),
                rates.amount(n[10]),
                state.clone(),
            ])
        };
        for ((day, crew), done) in work(view) {
            let time = done.time_ms();
            let parts = [
                done.trees.saturating_mul(rates.per_tree),
                times(done.diameter_um, rates.per_cm, 10_000),
                times(done.put_in_ul, rates.per_ml, 1_000),
                times(time, rates.per_hour, MS_PER_HOUR),
            ];
            let amount = parts.iter().fold(0i64, |sum, part| sum.saturating_add(*part));
            let n = [
                done.trees,
                done.stems,
                done.unmeasured,
                done.diameter_um,
                done.put_in_ul,
                time,
                parts[0],
                parts[1],
                parts[2],
                parts[3],
                amount,
            ];
            let signed = view.signed_off.contains_key(&CrewDay { crew, day });
            provisional |= !signed;
            for (sum, one) in sums.iter_mut().zip(n) {
                *sum = sum.saturating_add(one);
            }
            let name = view.yard.crew_name(crew);
            write(day.to_string(), name, if signed { "signed off" } else { "provisional" }, &n)?;
        }
        write(String::new(), "total".into(), if provisional { "provisional" } else { "signed off" }, &sums)?;
        table.end()
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rates() -> BillingRates {
        // XTS is ISO 4217's code reserved for testing.
        BillingRates { currency: "XTS".into(), decimals: 2, per_cm: 1, per_ml: 1, per_tree: 1, per_hour: 1 }
    }

    #[test]
    fn rates_that_cannot_be_used_are_named() {
        assert_eq!(rates().check(), Ok(()));
        for currency in ["", "xts", "EURO", "=1+", "€€€"] {
            let wrong = BillingRates { currency: currency.into(), ..rates() };
            assert_eq!(wrong.check(), Err(RatesError::Currency(currency.into())));
        }
        assert_eq!(BillingRates { decimals: 5, ..rates() }.check(), Err(RatesError::Decimals(5)));
        let low = BillingRates { per_ml: -1, ..rates() };
        assert_eq!(low.check(), Err(RatesError::Rate { name: "per_ml", value: -1 }));
    }

    /// Worked by hand: 12.34 × 5 = 61.7, half a unit goes away from zero, two overlapping hours are one and a half.
    #[test]
    fn amounts_are_rounded_once_and_overlapping_time_counts_once() {
        assert_eq!(times(123_400, 5, 10_000), 62);
        assert_eq!(times(1, 5_000, 10_000), 1);
        assert_eq!(times(1, 4_999, 10_000), 0);
        let done = Done {
            intervals: vec![(1_800_000, 5_400_000), (0, MS_PER_HOUR), (600_000, 700_000), (9, 3)],
            ..Done::default()
        };
        assert_eq!(done.time_ms(), 5_400_000);
        assert_eq!(rates().amount(1_234), "12.34");
        assert_eq!(BillingRates { decimals: 0, ..rates() }.amount(1_234), "1234");
    }
}
