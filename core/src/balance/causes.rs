//! Likely causes of what a crew-day's balance leaves unexplained, ranked by how well each would
//! close it.
//!
//! Each cause is something that the books themselves point at: another row that is out by as much
//! the other way, a fill of that size, a dose planned and never logged. None is proof: it tells the
//! office what to ask first, and changes no figure. The list of causes is common practice, no source.

use serde::Serialize;

use super::{Balance, CrewDayBalance, Span};
use crate::day::Day;
use crate::finding::Named;
use crate::ids::RecordId;
use crate::quantity::Ul;
use crate::record::book_kinds::Zone;
use crate::record::{Body, Kind};
use crate::view::{CrewDay, View, Yard};

/// What may have happened.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum CauseKind {
    /// Product went into a kit and nobody logged it.
    UnloggedFill,
    /// A fill was logged that was not made, or was logged twice.
    FillNotMade,
    /// A dose was planned, or an application logged without holes: what went in was not logged.
    TreatmentWithoutHoles,
    /// Work was logged under another lot than the one in the kit.
    LotMixUp,
    /// Work was logged under another crew's kit than the one used.
    KitMixUp,
    /// A kit's content was read wrong: the next or the last measurement is out the other way.
    KitReadWrong,
    /// The lot's product is mixed, and a volume of the mix was logged as product, or the other way round.
    MixForProduct,
}

/// A likely cause.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Cause {
    /// What.
    pub kind: CauseKind,
    /// How much product it would account for, in microlitres; positive.
    pub amount_ul: Ul,
    /// What would still be unexplained if it is so, in microlitres; never negative.
    pub left_ul: Ul,
    /// Whether what is left lies within the tolerance of the row.
    pub closes: bool,
    /// The records it points at, ascending; none when what it points at is another row.
    pub records: Vec<RecordId>,
    /// In plain words.
    pub text: String,
}

/// At most so many are given: the rest would close it less well.
const MOST: usize = 4;

/// The nearest to nothing that a range holds: what is unexplained at the least.
fn least(span: Span) -> i64 {
    span.low.max(0) + span.high.min(0)
}

/// The likely causes of what a row leaves unexplained, the best first; none when the tolerance
/// explains it. Of `jobs`, those at hand are looked through for doses and applications. Names in the
/// texts are marks ([`Named`]) until [`crate::finding::resolved`] puts them in.
pub fn causes(row: &CrewDayBalance, balance: &Balance, yard: &Yard, jobs: &[&View<'_>]) -> Vec<Cause> {
    let Some(span) = row.unexplained_ul.filter(|u| !u.within(row.tolerance_ul)) else { return vec![] };
    let out = least(span);
    let mut found = Found { out, tolerance: row.tolerance_ul, causes: vec![] };
    other_rows(row, balance, &mut found);
    fills(row, yard, jobs, &mut found);
    mix_for_product(row, yard, jobs, &mut found);
    if out > 0 {
        without_holes(row, jobs, &mut found);
    } else {
        stock(row, balance, &mut found);
    }
    found.ranked()
}

struct Found {
    out: i64,
    tolerance: Ul,
    causes: Vec<Cause>,
}

impl Found {
    /// Keeps a cause that would leave less unexplained than there is now.
    fn offer(&mut self, kind: CauseKind, amount: i64, records: Vec<RecordId>, text: String) {
        let whole = self.out.saturating_abs();
        let left = whole.saturating_sub(amount).saturating_abs();
        if amount > 0 && left < whole {
            let closes = left <= self.tolerance.0;
            self.causes.push(Cause { kind, amount_ul: Ul(amount), left_ul: Ul(left), closes, records, text });
        }
    }

    fn ranked(mut self) -> Vec<Cause> {
        self.causes.sort_by(|a, b| (a.left_ul, a.kind, &a.text).cmp(&(b.left_ul, b.kind, &b.text)));
        self.causes.truncate(MOST);
        self.causes
    }
}

/// Rows that are out the other way: another lot on the same day, the same lot in another crew's
/// kits, or the same lot at the measurement before or after.
fn other_rows(row: &CrewDayBalance, balance: &Balance, found: &mut Found) {
    let against = |other: &CrewDayBalance| {
        let out = other.unexplained_ul.map_or(0, least);
        (out.signum() == -found.out.signum()).then_some(out.saturating_abs())
    };
    let ours = balance.crew_days.iter().filter(|o| o.crew == row.crew);
    let mix_ups: Vec<_> = ours
        .clone()
        .filter(|o| o.day == row.day && o.lot != row.lot)
        .filter_map(|o| Some((o.lot, against(o)?)))
        .collect();
    let before = ours.clone().filter(|o| o.lot == row.lot && o.day < row.day).max_by_key(|o| o.day);
    let after = ours.filter(|o| o.lot == row.lot && o.day > row.day).min_by_key(|o| o.day);
    let misread: Vec<_> =
        [before, after].into_iter().flatten().filter_map(|o| Some((o.day, against(o)?))).collect();
    let elsewhere = balance.crew_days.iter().filter(|o| o.crew != row.crew && o.day == row.day);
    let kits: Vec<_> =
        elsewhere.filter(|o| o.lot == row.lot).filter_map(|o| Some((o.crew, against(o)?))).collect();
    for (crew, amount) in kits {
        let text = format!(
            "a kit mix-up: crew {} is out by {} mL of the lot the other way on the same day",
            Named(crew),
            Ul(amount).ml()
        );
        found.offer(CauseKind::KitMixUp, amount, vec![crew], text);
    }
    for (lot, amount) in mix_ups {
        let text = format!(
            "a lot mix-up: lot {} is out by {} mL the other way on the same day",
            Named(lot),
            Ul(amount).ml()
        );
        found.offer(CauseKind::LotMixUp, amount, vec![lot], text);
    }
    for (day, amount) in misread {
        let text =
            format!("a kit read wrong: on {day} the same lot is out by {} mL the other way", Ul(amount).ml());
        found.offer(CauseKind::KitReadWrong, amount, vec![], text);
    }
}

/// The crew's fills of the lot: which, whether on this day, and how much product.
fn fills_of<'y>(
    row: &'y CrewDayBalance,
    yard: &'y Yard,
    zone: &'y Zone,
) -> impl Iterator<Item = (RecordId, bool, Ul)> + 'y {
    yard.facts.in_force(Kind::Fill).filter_map(move |fact| match &yard.facts.shown(fact).record.body {
        Body::Fill(fill) if fill.crew == row.crew && fill.lot == row.lot => {
            let today = Day::of(super::logged_at(&yard.facts, fact), zone) == row.day;
            Some((fact.id, today, fill.amount_ul))
        }
        _ => None,
    })
}

/// Fills of the crew: one too many on this day when product is gone, one of the usual size that
/// nobody logged when there is too much.
fn fills(row: &CrewDayBalance, yard: &Yard, jobs: &[&View<'_>], found: &mut Found) {
    let Some(zone) = jobs.first().map(|j| &j.job.zone) else { return };
    let mut sizes = vec![];
    for (id, today, amount) in fills_of(row, yard, zone) {
        sizes.push(amount.0);
        if found.out > 0 && today {
            let text = format!("the fill of {} mL was not made, or was logged twice", amount.ml());
            found.offer(CauseKind::FillNotMade, amount.0, vec![id], text);
        }
    }
    sizes.sort_unstable();
    // The middle one: a single odd fill says nothing of what is usual.
    if let Some(usual) = sizes.get(sizes.len() / 2).filter(|_| found.out < 0) {
        let text = format!("an unlogged fill of the crew's usual {} mL", Ul(*usual).ml());
        found.offer(CauseKind::UnloggedFill, *usual, vec![], text);
    }
}

/// Volumes that were typed as product and were of the mix, or the other way round, where the lot's
/// label has its product mixed: a fill, all that went into trees, or what was left in the kits.
fn mix_for_product(row: &CrewDayBalance, yard: &Yard, jobs: &[&View<'_>], found: &mut Found) {
    let (Some(mix), Some(zone)) = (yard.mix_of(row.lot), jobs.first().map(|j| &j.job.zone)) else { return };
    let gone = found.out > 0;
    let mut offer = |what: String, was_mix: bool, logged: Ul, records: Vec<RecordId>| {
        let truly = if was_mix { mix.product_in(logged) } else { mix.volume_of(logged) };
        let how = match was_mix {
            true => "logged as product, was of the mix",
            false => "logged as of the mix, was of product",
        };
        let text = format!(
            "mix taken for product: {what}, {how}: {} mL of product, not {}",
            truly.ml(),
            logged.ml()
        );
        found.offer(CauseKind::MixForProduct, (logged.0 - truly.0).saturating_abs(), records, text);
    };
    // Too much was logged as filled, or too little as used, when product is gone; else the other way.
    for (id, _, amount) in fills_of(row, yard, zone).filter(|(_, today, _)| *today) {
        offer("a fill".into(), gone, amount, vec![id]);
    }
    offer("what went into trees".into(), !gone, Ul(row.spent.into_trees_ul.low), vec![]);
    offer("what was left in the kits".into(), !gone, Ul(row.closing_ul.low), vec![]);
}

/// What is missing from the stock of the lot, if that was counted.
fn stock(row: &CrewDayBalance, balance: &Balance, found: &mut Found) {
    let gap = balance.lots.iter().find(|l| l.lot == row.lot).and_then(|l| l.stock_gap_ul).map_or(0, least);
    let text = format!("an unlogged fill: {} mL of the lot are gone from stock without one", Ul(gap).ml());
    found.offer(CauseKind::UnloggedFill, gap, vec![row.lot], text);
}

/// Doses planned by the crew on this day, or applications without holes, whose stem shows no product.
fn without_holes(row: &CrewDayBalance, jobs: &[&View<'_>], found: &mut Found) {
    let day = CrewDay { crew: row.crew, day: row.day };
    let mut all = vec![];
    for view in jobs {
        for (id, tree) in &view.trees {
            let treated = |stem: i64| {
                view.applications(tree).any(|(_, _, a)| a.stem == stem && a.discharged_ul().0 > 0)
            };
            for index in &tree.doses {
                let version = view.facts.shown(view.fact(*index));
                let Body::Dose(dose) = &version.record.body else { continue };
                let empty = view.applications(tree).any(|(_, v, a)| {
                    a.stem == dose.stem && a.lot == row.lot && view.crew_day(v) == Some(day)
                });
                if treated(dose.stem) || !(empty || view.crew_day(version) == Some(day)) {
                    continue;
                }
                all.push((dose.target_ul.0, version.id()));
                let text = format!(
                    "a treatment without holes: tree {}, stem {}, was planned {} mL and none is logged",
                    view.tag(*id),
                    dose.stem,
                    dose.target_ul.ml()
                );
                found.offer(CauseKind::TreatmentWithoutHoles, dose.target_ul.0, vec![version.id()], text);
            }
        }
    }
    if all.len() > 1 {
        let sum = all.iter().fold(0i64, |sum, (amount, _)| sum.saturating_add(*amount));
        let mut records: Vec<_> = all.iter().map(|(_, id)| *id).collect();
        records.sort_unstable();
        let text = format!(
            "treatments without holes: all {} doses planned and not logged, {} mL",
            all.len(),
            Ul(sum).ml()
        );
        found.offer(CauseKind::TreatmentWithoutHoles, sum, records, text);
    }
}
