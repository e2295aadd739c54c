//! A dose table to print and laminate: diameter → volume, charges, holes, under one label version.
//!
//! A row holds for every diameter from its own up to the next row's, so that a crew never reads
//! between two lines.

mod print;

use serde::Serialize;

pub use print::COLUMNS;

use crate::day::Day;
use crate::dosing::charges::{ChargeError, ChargePlan, choose_within, hole_count};
use crate::dosing::dose::{DoseError, StemDose, dose_for, season_limit_ul};
use crate::dosing::mix::{in_product, say_mix};
use crate::dosing::supply::{LabelLine, holes_that_fit};
use crate::ids::LabelId;
use crate::quantity::{ReadUnit, Ul, Um, decimal};
use crate::record::kit::ContainerKind;
use crate::record::label::{Label, Mix};

/// What a dose table covers.
#[derive(Clone, Copy, Debug)]
pub struct Request<'a> {
    /// The label version.
    pub label: &'a Label,
    /// Its id.
    pub label_id: LabelId,
    /// The rate row's purpose.
    pub purpose: &'a str,
    /// The containers at hand.
    pub containers: &'a [ContainerKind],
    /// The unit diameters are read in.
    pub unit: ReadUnit,
    /// The first row's diameter.
    pub from_um: Um,
    /// No row begins above this diameter.
    pub to_um: Um,
    /// From one row to the next.
    pub step_um: Um,
    /// The day it is printed.
    pub printed: Day,
}

/// A dose table.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct DoseTable {
    /// The label it was worked from.
    pub label: LabelLine,
    /// The rate row's purpose.
    pub purpose: String,
    /// The containers, by name.
    pub containers: Vec<String>,
    /// How the product is mixed before it is filled in; volumes of fills are then of the mix.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub mix: Option<String>,
    /// The unit of the printed diameters.
    pub unit: ReadUnit,
    /// The day it was printed.
    pub printed: Day,
    /// The rows, ascending.
    pub rows: Vec<Row>,
}

/// A line of the table.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Row {
    /// The smallest diameter it holds for.
    pub from_um: Um,
    /// The first diameter it does not hold for.
    pub below_um: Um,
    /// What to put in.
    pub entry: Result<Entry, NoEntry>,
}

/// What to put into a stem of a row's diameters.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Entry {
    /// The label's usual dose at the row's smallest diameter.
    pub usual_ul: Ul,
    /// The label's most at the row's smallest diameter.
    pub max_ul: Ul,
    /// The charges.
    pub plan: ChargePlan,
    /// Holes they need.
    pub holes: usize,
}

/// Why a row has no charges. The crew works such a stem out by its exact diameter, or leaves it.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NoEntry {
    /// The label gives no dose.
    #[error(transparent)]
    Dose(#[from] DoseError),
    /// Charges that are right for every diameter of the row do not exist.
    #[error("no charges are within the label for the whole row: work it out by the exact diameter")]
    RowTooWide,
    /// No charges at all.
    #[error(transparent)]
    Charges(#[from] ChargeError),
}

impl Serialize for NoEntry {
    /// As its message.
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

/// Why there is no table.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum DoseTableError {
    /// The diameters do not run upwards from above zero.
    #[error("a table from {} to {} cm in steps of {} cm has no rows: give diameters above zero that run upwards", .from.cm(), .to.cm(), .step.cm())]
    Range {
        /// First diameter.
        from: Um,
        /// Last diameter.
        to: Um,
        /// Step.
        step: Um,
    },
    /// More rows than anyone prints.
    #[error("that makes more than {MOST_ROWS} rows: take a larger step or fewer diameters")]
    TooLong,
    /// The label has no rate for the purpose at all.
    #[error("the label has no rate for '{0}'")]
    NoPurpose(String),
    /// The table's CSV could not be written.
    #[error("the table could not be written: {0}")]
    Csv(String),
}

/// Most rows of a table.
pub const MOST_ROWS: usize = 2_000;

/// Works out a dose table.
///
/// A row's charges are at most the label's most for its smallest diameter and at least the label's
/// least for its largest, so they are right for every diameter in it; among those they come nearest
/// the usual dose of its smallest. A rate class that begins or ends inside a row splits it there.
///
/// # Errors
/// [`DoseTableError`] for a range without rows or with too many, or a purpose the label does not have.
pub fn dose_table(request: &Request<'_>) -> Result<DoseTable, DoseTableError> {
    let label = request.label;
    if !label.rates.iter().any(|r| r.purpose == request.purpose) {
        return Err(DoseTableError::NoPurpose(request.purpose.chars().take(80).collect()));
    }
    let starts = starts(request)?;
    let containers = in_product(request.containers, label);
    let mixed = Request { containers: &containers, ..*request };
    let end = starts.last().map_or(request.to_um, |s| s.saturating_add(request.step_um));
    let ends = starts.iter().skip(1).copied().chain([end]);
    let rows = starts.iter().zip(ends).map(|(from, below)| Row {
        from_um: *from,
        below_um: below,
        entry: entry(&mixed, *from, Um(below.0 - 1)).map(|mut entry| {
            say_mix(&mut entry.plan, request.containers, label);
            entry
        }),
    });
    Ok(DoseTable {
        label: LabelLine::of(label, request.label_id),
        purpose: request.purpose.to_owned(),
        containers: request.containers.iter().map(|c| c.name.clone()).collect(),
        mix: label.mix.as_ref().map(Mix::in_words),
        unit: request.unit,
        printed: request.printed,
        rows: rows.collect(),
    })
}

/// Where rows begin: every step, and every edge of a rate class between two of them.
fn starts(request: &Request<'_>) -> Result<Vec<Um>, DoseTableError> {
    let (from, to, step) = (request.from_um, request.to_um, request.step_um);
    if from.0 <= 0 || to < from || step.0 <= 0 {
        return Err(DoseTableError::Range { from, to, step });
    }
    let steps = usize::try_from((to.0 - from.0) / step.0).unwrap_or(usize::MAX);
    if steps >= MOST_ROWS {
        return Err(DoseTableError::TooLong);
    }
    let mut starts: Vec<Um> =
        (0..=steps as i64).map(|n| from.saturating_add(Um(step.0.saturating_mul(n)))).collect();
    let last = starts.last().map_or(to, |s| s.saturating_add(step));
    let rows = request.label.rates.iter().filter(|r| r.purpose == request.purpose);
    let edges = rows.flat_map(|r| [Some(r.from_um), r.below_um]).flatten();
    starts.extend(edges.chain([request.label.smallest_diameter_um]).filter(|e| from < *e && *e < last));
    starts.sort_unstable();
    starts.dedup();
    if starts.len() > MOST_ROWS { Err(DoseTableError::TooLong) } else { Ok(starts) }
}

fn entry(request: &Request<'_>, from: Um, to: Um) -> Result<Entry, NoEntry> {
    let low = dose_for(request.label, request.purpose, from)?;
    let high = dose_for(request.label, request.purpose, to)?;
    let max_ul = low.max_ul.min(high.max_ul);
    // A single stem never gets more than the label's limit per tree and season.
    let limit = season_limit_ul(request.label, &[from]).unwrap_or(max_ul);
    let max_ul = max_ul.min(limit);
    let min_ul = high.min_ul.max(low.min_ul);
    if min_ul > max_ul {
        return Err(NoEntry::RowTooWide);
    }
    let target_ul = low.target_ul.clamp(min_ul, max_ul);
    let whole = StemDose { min_ul, target_ul, max_ul, ..low.clone() };
    let (rules, fit) = (&request.label.charges, holes_that_fit(request.label, from));
    let plan = choose_within(&whole, rules, request.containers, fit).or_else(|error| {
        // Right for the smallest diameter but not for the whole row: another matter than no charges at all.
        choose_within(
            &StemDose { max_ul: low.max_ul.min(limit), ..low.clone() },
            rules,
            request.containers,
            fit,
        )
        .map_or(Err(error.into()), |_| Err(NoEntry::RowTooWide))
    })?;
    let holes = hole_count(&plan.charges_ul, rules);
    Ok(Entry { usual_ul: low.target_ul, max_ul, plan, holes })
}

/// A length in the table's unit: rounded down, so that a row is never printed as beginning later
/// than it does; one decimal, two for inches.
fn length(length: Um, unit: ReadUnit) -> String {
    let (unit_um, places) = match unit {
        ReadUnit::Mm => (1_000, 1),
        ReadUnit::Cm => (10_000, 1),
        ReadUnit::In => (25_400, 2),
    };
    let scale = if places == 2 { 100 } else { 10 };
    let shown = i128::from(length.0) * scale / unit_um;
    decimal(i64::try_from(shown).unwrap_or(i64::MAX), scale as i64, places)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::dosing::tree_dose::invented_label;
    use crate::quantity::UlPerM;
    use crate::record::label::RateRow;

    fn containers(step: Option<i64>) -> Vec<ContainerKind> {
        vec![ContainerKind {
            name: "10 mL".into(),
            charge_ul: Ul(10_000),
            inner_volume_ul: None,
            scale_step_ul: step.map(Ul),
            charge_u_ul: Ul(0),
            shared_u_ul: Ul(0),
        }]
    }

    fn request<'a>(label: &'a Label, containers: &'a [ContainerKind]) -> Request<'a> {
        Request {
            label,
            label_id: LabelId::new(1_000, [7; 10]),
            purpose: "preventive",
            containers,
            unit: ReadUnit::Cm,
            from_um: Um(200_000),
            to_um: Um(300_000),
            step_um: Um(10_000),
            printed: "2026-06-01".parse().unwrap(),
        }
    }

    /// Worked by hand: 60 cm × 2.4 would be 144 mL, over a limit of 120 mL per tree.
    #[test]
    fn no_row_passes_the_labels_limit_per_tree() {
        let label = Label { tree_season_max_ul: Some(Ul(120_000)), ..invented_label() };
        let containers = containers(None);
        let at = |um| entry(&request(&label, &containers), Um(um), Um(um + 1_000));
        let held = at(580_000).unwrap();
        assert_eq!((held.plan.total_ul, held.max_ul), (Ul(120_000), Ul(120_000)));
        let free = Label { tree_season_max_ul: None, ..label.clone() };
        let free = entry(&request(&free, &containers), Um(580_000), Um(581_000)).unwrap();
        assert!(free.plan.total_ul > Ul(120_000), "the limit is what holds it: {free:?}");
    }

    /// Worked by hand: 25.0 cm × 2.4 = 60.0 mL, six charges of 10; 26 cm's least is 52.0 mL.
    #[test]
    fn a_row_gives_the_charges_of_its_smallest_diameter() {
        let (label, containers) = (invented_label(), containers(None));
        let table = dose_table(&request(&label, &containers)).unwrap();
        assert_eq!(table.rows.len(), 11);
        let row = &table.rows[5];
        assert_eq!((row.from_um, row.below_um), (Um(250_000), Um(260_000)));
        let entry = row.entry.as_ref().unwrap();
        assert_eq!((entry.plan.total_ul, entry.holes, entry.max_ul), (Ul(60_000), 6, Ul(60_000)));
        let text = table.to_string();
        assert!(text.contains("    25.0     26.0  6 × 10.0 mL                    6      60.0"), "{text}");
        assert!(text.contains("INVENTED: NOT FOR USE") && text.contains("2026-06-01"), "{text}");
    }

    #[test]
    fn a_row_is_right_for_every_diameter_in_it_or_says_it_is_not() {
        let label = invented_label();
        let mut found = 0;
        for (containers, step_um) in
            [(containers(None), 10_000), (containers(Some(500)), 10_000), (containers(Some(500)), 70_000)]
        {
            let request = Request { step_um: Um(step_um), ..request(&label, &containers) };
            for row in dose_table(&request).unwrap().rows {
                let Ok(entry) = &row.entry else {
                    assert!(step_um > 10_000 || request.containers[0].scale_step_ul.is_none(), "{row:?}");
                    continue;
                };
                for diameter in (row.from_um.0..row.below_um.0).step_by(500) {
                    let dose = dose_for(&label, "preventive", Um(diameter)).unwrap();
                    assert!(dose.min_ul <= entry.plan.total_ul && entry.plan.total_ul <= dose.max_ul);
                    found += 1;
                }
            }
        }
        assert!(found > 300, "{found}");
    }

    #[test]
    fn a_rate_class_that_ends_inside_a_row_splits_it() {
        let (mut label, containers) = (invented_label(), containers(Some(500)));
        label.rates[0].below_um = Some(Um(254_000));
        label.rates.push(RateRow {
            purpose: "preventive".into(),
            from_um: Um(254_000),
            below_um: None,
            min_ul_per_m: UlPerM(100_000),
            usual_ul_per_m: UlPerM(120_000),
            max_ul_per_m: UlPerM(120_000),
            per_inch: None,
        });
        let table = dose_table(&request(&label, &containers)).unwrap();
        let edges: Vec<i64> = table.rows.iter().map(|r| r.from_um.0 / 1_000).collect();
        assert_eq!(edges[4..8], [240, 250, 254, 260]);
        assert_eq!(table.rows[6].entry.as_ref().unwrap().max_ul, Ul(30_480));
    }

    #[test]
    fn inches_are_printed_to_hundredths_and_never_later_than_they_begin() {
        let (label, containers) = (invented_label(), containers(Some(500)));
        let request = Request {
            unit: ReadUnit::In,
            from_um: Um(8 * 25_400),
            to_um: Um(10 * 25_400),
            step_um: Um(12_700),
            ..request(&label, &containers)
        };
        let csv = dose_table(&request).unwrap().csv().unwrap();
        let mut lines = csv.lines();
        assert_eq!(lines.next().unwrap(), COLUMNS.join(","));
        // 8 in are 203.2 mm: 2.4 mL/cm × 20.32 cm = 48.768 mL, so 48.5 mL to a scale of 0.5 mL.
        let first = lines.next().unwrap();
        assert!(first.starts_with("8.00,8.50,in,48.768,48.768,5,"), "{first}");
        assert_eq!(csv.lines().count(), 6);
        assert_eq!(length(Um(253_999), ReadUnit::In), "9.99");
    }

    #[test]
    fn a_page_escapes_what_the_office_typed_and_a_table_makes_formulas_inert() {
        let (mut label, mut containers) = (invented_label(), containers(None));
        label.name = "<script>alert('x')</script> & Co".into();
        label.registration = "=HYPERLINK(\"x\")".into();
        containers[0].name = "\"><img src=x>".into();
        let table = dose_table(&request(&label, &containers)).unwrap();
        let page = table.html();
        assert!(
            !page.contains("<script") && !page.contains("<img") && page.contains("&lt;script&gt;"),
            "{page}"
        );
        assert!(page.contains("INVENTED: NOT FOR USE") && page.contains(&table.label.version.to_string()));
        assert!(table.csv().unwrap().contains("\"'=HYPERLINK"));
    }

    #[test]
    fn a_range_without_rows_is_refused() {
        let (label, containers) = (invented_label(), containers(None));
        let good = request(&label, &containers);
        for bad in [
            Request { step_um: Um(0), ..good },
            Request { from_um: Um(0), ..good },
            Request { to_um: Um(100_000), ..good },
            Request { step_um: Um(1), ..good },
            Request { to_um: Um(i64::MAX), step_um: Um(1), ..good },
            Request { purpose: "curative", ..good },
        ] {
            assert!(dose_table(&bad).is_err(), "{bad:?}");
        }
        let wide = Request { to_um: Um(i64::MAX), step_um: Um(i64::MAX / 3), ..good };
        assert!(dose_table(&wide).unwrap().rows.iter().skip(1).all(|r| r.entry.is_err()));
    }

    proptest! {
        #[test]
        fn any_request_gives_a_table_or_an_error(
            from in any::<i64>(), to in any::<i64>(), step in any::<i64>(), charge in any::<i64>(),
            edge in any::<i64>(), spacing in any::<i64>(), near in any::<bool>(),
        ) {
            let (mut label, mut containers) = (invented_label(), containers(Some(500)));
            label.rates[0].below_um = Some(Um(edge));
            label.holes.spacing_um = Um(spacing);
            if !near { containers[0].charge_ul = Ul(charge); }
            let pick = |v: i64, top: i64| if near { v.rem_euclid(top) } else { v };
            let request = Request {
                from_um: Um(pick(from, 500_000)), to_um: Um(pick(to, 900_000)), step_um: Um(pick(step, 50_000)),
                ..request(&label, &containers)
            };
            if let Ok(table) = dose_table(&request) {
                prop_assert!(!table.rows.is_empty() && table.csv().is_ok() && !table.html().is_empty());
                for row in &table.rows {
                    prop_assert!(row.from_um < row.below_um || row.from_um.0 == i64::MAX);
                }
            }
        }
    }
}
