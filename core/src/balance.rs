//! The balance: every microlitre of product, from delivery to tree.
//!
//! Two equations hold for every lot, and a test keeps them (invariant 4):
//! `received = on hand + drawn`, and `drawn = into trees + leaked at holes + in kits + not yet
//! measured + primed and tested + returned + spilled + disposed + unexplained`.
//!
//! Stock and kits are measured, not derived. Between two measurements of a kit, what went in and
//! what came out must meet; the difference is shown as unexplained on the crew-day that measured.
//! After the last measurement the difference is `not yet measured`, so that a day still under way
//! raises nothing. Contested records count as ranges ([`Span`]).

pub mod causes;
mod rows;

use std::collections::{BTreeMap, BTreeSet};

use crate::day::Day;
use crate::dosing::uncertainty::tolerance_ul;
use crate::facts::{Fact, Facts};
use crate::ids::{BookId, CrewId, KitId, LotId};
use crate::quantity::{Ul, UtcMs};
use crate::record::product::MovementKind;
use crate::record::{Body, Kind};
use crate::view::{CrewDay, View, Yard};

pub use rows::{Balance, CrewDayBalance, KitBalance, LotBalance, Span, Spent};

/// What happened to a kit or a stock, with how much of which lot.
#[derive(Clone, Debug)]
enum Event {
    Fill(Span),
    Spend { spent: Spent, charges: i64 },
}

#[derive(Default)]
struct KitHistory {
    events: Vec<(UtcMs, LotId, Event)>,
    counts: Vec<Count>,
}

struct Count {
    at: UtcMs,
    crew: Option<CrewId>,
    day: Option<Day>,
    contents: BTreeMap<LotId, Span>,
    /// Whether lots it does not name were found not to be there: a closing lists the whole kit, a
    /// movement speaks of its own lot only.
    whole: bool,
}

#[derive(Default)]
struct StockHistory {
    received: Vec<(UtcMs, Span)>,
    left: Vec<(UtcMs, Span)>,
    spent: Spent,
    counted: Option<(UtcMs, i64)>,
    filled: Span,
    used_on: BTreeSet<BookId>,
}

#[derive(Default)]
struct Collected {
    kits: BTreeMap<KitId, KitHistory>,
    stock: BTreeMap<LotId, StockHistory>,
}

/// Adds up a yard and its jobs.
pub fn balance(yard: &Yard, jobs: &[&View<'_>]) -> Balance {
    let mut collected = Collected::default();
    collected.product(yard);
    for job in jobs {
        collected.applications(job);
        collected.closings(job);
    }
    collected.add_up(yard, jobs)
}

/// When a fact first was logged: an amendment does not move it to another day.
fn logged_at(facts: &Facts, fact: &Fact) -> UtcMs {
    fact.history.first().map_or(UtcMs(0), |v| facts.versions[*v].record.envelope.at)
}

/// The range a fact gives each key over its versions: a version may name several keys (a closing
/// measures several kits), and gives those it does not name nothing.
fn spans<K: Ord + Copy>(versions: &[Vec<(K, i64)>]) -> BTreeMap<K, Span> {
    let given = |version: &[(K, i64)], key: K| {
        version.iter().filter(|(k, _)| *k == key).map(|(_, v)| *v).fold(0, i64::saturating_add)
    };
    let keys: BTreeSet<K> = versions.iter().flatten().map(|(key, _)| *key).collect();
    let span = |key: K| {
        let of = || versions.iter().map(|v| given(v, key));
        (key, Span { low: of().min().unwrap_or(0), high: of().max().unwrap_or(0) })
    };
    keys.into_iter().map(span).collect()
}

impl Collected {
    fn product(&mut self, yard: &Yard) {
        for fact in yard.facts.in_force(Kind::Fill) {
            let at = logged_at(&yard.facts, fact);
            let values: Vec<_> = yard
                .facts
                .current(fact)
                .filter_map(|v| match &v.record.body {
                    Body::Fill(b) => Some(vec![((b.kit, b.lot), b.amount_ul.0)]),
                    _ => None,
                })
                .collect();
            for ((kit, lot), span) in spans(&values) {
                let stock = self.stock.entry(lot).or_default();
                stock.left.push((at, span));
                stock.filled.add(span);
                self.kits.entry(kit).or_default().events.push((at, lot, Event::Fill(span)));
            }
        }
        for fact in yard.facts.in_force(Kind::Movement) {
            let at = logged_at(&yard.facts, fact);
            let values: Vec<_> = yard
                .facts
                .current(fact)
                .filter_map(|v| match &v.record.body {
                    Body::Movement(b) => Some(vec![((b.lot, b.kit, b.what, b.crew), b.amount_ul.0)]),
                    _ => None,
                })
                .collect();
            for ((lot, kit, what, crew), span) in spans(&values) {
                self.movement(at, lot, kit, what, crew, span);
            }
        }
    }

    fn movement(
        &mut self,
        at: UtcMs,
        lot: LotId,
        kit: Option<KitId>,
        what: MovementKind,
        crew: Option<CrewId>,
        span: Span,
    ) {
        let mut spent = Spent::default();
        match what {
            MovementKind::Received => {
                self.stock.entry(lot).or_default().received.push((at, span));
                return;
            }
            MovementKind::OnHand => {
                let stock = self.stock.entry(lot).or_default();
                if stock.counted.is_none_or(|(last, _)| last <= at) {
                    stock.counted = Some((at, span.high));
                }
                return;
            }
            MovementKind::InKit => {
                if let Some(kit) = kit {
                    let contents = BTreeMap::from([(lot, span)]);
                    self.kits.entry(kit).or_default().counts.push(Count {
                        at,
                        crew,
                        day: None,
                        contents,
                        whole: false,
                    });
                }
                return;
            }
            MovementKind::PrimedOrTested => spent.primed_tested_ul = span,
            MovementKind::Returned => spent.returned_ul = span,
            MovementKind::Spilled => spent.spilled_ul = span,
            MovementKind::Disposed => spent.disposed_ul = span,
        }
        match kit {
            Some(kit) => {
                let event = Event::Spend { spent, charges: 0 };
                self.kits.entry(kit).or_default().events.push((at, lot, event));
            }
            None => {
                let stock = self.stock.entry(lot).or_default();
                stock.left.push((at, span));
                stock.spent.add(&spent);
            }
        }
    }

    fn applications(&mut self, job: &View<'_>) {
        for fact in job.facts.in_force(Kind::Application) {
            let mut trees = vec![];
            let mut leaks = vec![];
            let (mut at, mut charges) = (UtcMs(i64::MIN), 0);
            for version in job.facts.current(fact) {
                let Body::Application(b) = &version.record.body else { continue };
                trees.push(vec![((b.kit, b.lot), b.put_in_ul().0)]);
                leaks.push(vec![((b.kit, b.lot), b.leaked_ul().0)]);
                at = at.max(b.ended_at);
                charges = charges.max(b.holes.len() as i64);
                self.stock.entry(b.lot).or_default().used_on.insert(job.book);
            }
            let leaks = spans(&leaks);
            for ((kit, lot), into_trees_ul) in spans(&trees) {
                let leaked_ul = leaks.get(&(kit, lot)).copied().unwrap_or_default();
                let spent = Spent { into_trees_ul, leaked_ul, ..Spent::default() };
                let event = Event::Spend { spent, charges };
                self.kits.entry(kit).or_default().events.push((at, lot, event));
            }
        }
    }

    fn closings(&mut self, job: &View<'_>) {
        for fact in job.facts.in_force(Kind::DayClosing) {
            let at = logged_at(&job.facts, fact);
            let mut values = vec![];
            let mut of = None;
            for version in job.facts.current(fact) {
                let Body::DayClosing(b) = &version.record.body else { continue };
                of = Some((b.crew, b.day));
                values.push(b.kits.iter().map(|k| ((k.kit, k.lot), k.content_ul.0)).collect::<Vec<_>>());
            }
            let Some((crew, day)) = of else { continue };
            let mut kits: BTreeMap<KitId, BTreeMap<LotId, Span>> = BTreeMap::new();
            for ((kit, lot), span) in spans(&values) {
                kits.entry(kit).or_default().insert(lot, span);
            }
            for (kit, contents) in kits {
                let count = Count { at, crew: Some(crew), day: Some(day), contents, whole: true };
                self.kits.entry(kit).or_default().counts.push(count);
            }
        }
    }

    fn add_up(self, yard: &Yard, jobs: &[&View<'_>]) -> Balance {
        let mut lots: BTreeMap<LotId, LotBalance> = BTreeMap::new();
        let mut rows: BTreeMap<(CrewId, Day, LotId), CrewDayBalance> = BTreeMap::new();
        let mut kits = vec![];
        for (lot, stock) in self.stock {
            add_stock(lots.entry(lot).or_insert_with(|| LotBalance::new(lot)), stock);
        }
        for (kit, history) in self.kits {
            add_kit(&mut lots, &mut kits, (kit, history), yard, jobs);
        }
        for row in &kits {
            add_crew_day(&mut rows, row, jobs);
        }
        for lot in lots.values_mut() {
            lot.unexplained_ul.add(lot.stock_gap_ul.unwrap_or_default());
        }
        Balance { lots: lots.into_values().collect(), crew_days: rows.into_values().collect(), kits }
    }
}

fn add_stock(balance: &mut LotBalance, stock: StockHistory) {
    let sum = |events: &[(UtcMs, Span)], counts: &dyn Fn(UtcMs) -> bool| {
        events.iter().filter(|(at, _)| counts(*at)).fold(Span::default(), |s, (_, v)| s.plus(*v))
    };
    let everything = |_: UtcMs| true;
    let received = sum(&stock.received, &everything);
    let left = sum(&stock.left, &everything);
    balance.received_ul = received;
    balance.filled_ul = stock.filled;
    balance.spent = stock.spent;
    balance.used_on = stock.used_on;
    match stock.counted {
        None => balance.on_hand_ul = received.minus(left),
        Some((counted_at, amount)) => {
            let until = |at: UtcMs| at <= counted_at;
            let since = |at: UtcMs| at > counted_at;
            let expected = sum(&stock.received, &until).minus(sum(&stock.left, &until));
            balance.stock_gap_ul = Some(expected.minus(Span::exact(amount)));
            balance.counted_at = Some(counted_at);
            balance.on_hand_ul =
                Span::exact(amount).plus(sum(&stock.received, &since)).minus(sum(&stock.left, &since));
        }
    }
    balance.drawn_ul = received.minus(balance.on_hand_ul);
}

/// (independent, shared) standard uncertainty of one charge of a lot out of a kit, in product: that of
/// its worst container.
fn charge_uncertainty(yard: &Yard, kit: KitId, lot: LotId) -> (i64, i64) {
    let containers = yard.kit(kit).map(|k| k.containers.as_slice()).unwrap_or_default();
    let worst =
        |u: fn(&crate::record::kit::ContainerKind) -> i64| containers.iter().map(u).max().unwrap_or(0);
    let product = |u: i64| yard.mix_of(lot).map_or(u, |mix| mix.product_in(Ul(u)).0);
    (
        product(worst(|c| c.charge_u_ul.0.clamp(0, 1_000_000))),
        product(worst(|c| c.shared_u_ul.0.clamp(0, 1_000_000))),
    )
}

fn add_kit(
    lots: &mut BTreeMap<LotId, LotBalance>,
    rows: &mut Vec<KitBalance>,
    (kit, mut history): (KitId, KitHistory),
    yard: &Yard,
    jobs: &[&View<'_>],
) {
    history.events.sort_by_key(|(at, lot, _)| (*at, *lot));
    history.counts.sort_by_key(|c| (c.at, c.crew));
    let all_lots: BTreeSet<LotId> = history
        .events
        .iter()
        .map(|(_, lot, _)| *lot)
        .chain(history.counts.iter().flat_map(|c| c.contents.keys().copied()))
        .collect();
    for lot in all_lots {
        let (independent, shared) = charge_uncertainty(yard, kit, lot);
        let mut events = history.events.iter().filter(|(_, of, _)| *of == lot).peekable();
        let mut opening = Span::default();
        let balance = lots.entry(lot).or_insert_with(|| LotBalance::new(lot));
        let mut all_charges = 0;
        for count in history.counts.iter().filter(|c| c.whole || c.contents.contains_key(&lot)) {
            let (mut filled, mut spent, mut charges) = (Span::default(), Spent::default(), 0);
            while let Some((_, _, event)) = events.next_if(|(at, _, _)| *at <= count.at) {
                tally(event, &mut filled, &mut spent, &mut charges);
            }
            let closing = count.contents.get(&lot).copied().unwrap_or_default();
            let nothing = filled == Span::default() && spent == Spent::default();
            if nothing && opening == Span::default() && closing == Span::default() {
                continue;
            }
            let unexplained = opening.plus(filled).minus(spent.total()).minus(closing);
            balance.spent.add(&spent);
            balance.unexplained_ul.add(unexplained);
            all_charges += charges;
            let day = count.day.or_else(|| jobs.first().map(|j| Day::of(count.at, &j.job.zone)));
            rows.push(KitBalance {
                kit,
                lot,
                measured_at: count.at,
                crew: count.crew,
                day,
                charges,
                opening_ul: opening,
                filled_ul: filled,
                spent,
                closing_ul: closing,
                unexplained_ul: unexplained,
                tolerance_ul: tolerance_ul(charges, independent, shared),
            });
            opening = closing;
        }
        let (mut filled, mut spent, mut charges) = (Span::default(), Spent::default(), 0);
        for (_, _, event) in events {
            tally(event, &mut filled, &mut spent, &mut charges);
        }
        balance.spent.add(&spent);
        balance.in_kits_ul.add(opening);
        balance.not_yet_measured_ul.add(filled.minus(spent.total()));
        balance.tolerance_ul =
            balance.tolerance_ul.saturating_add(tolerance_ul(all_charges + charges, independent, shared));
    }
}

/// Adds a kit's row to that of the crew and day that measured it.
fn add_crew_day(
    rows: &mut BTreeMap<(CrewId, Day, LotId), CrewDayBalance>,
    of: &KitBalance,
    jobs: &[&View<'_>],
) {
    let (Some(crew), Some(day), lot) = (of.crew, of.day, of.lot) else { return };
    let worked = |j: &&&View<'_>| j.crew_days.contains(&CrewDay { crew, day });
    let row = rows.entry((crew, day, lot)).or_insert_with(|| CrewDayBalance {
        crew,
        day,
        lot,
        opening_ul: Span::default(),
        filled_ul: Span::default(),
        spent: Spent::default(),
        closing_ul: Span::default(),
        unexplained_ul: Some(Span::default()),
        tolerance_ul: Ul(0),
        worked_on: jobs.iter().filter(worked).map(|j| j.book).collect(),
    });
    row.opening_ul.add(of.opening_ul);
    row.filled_ul.add(of.filled_ul);
    row.spent.add(&of.spent);
    row.closing_ul.add(of.closing_ul);
    row.unexplained_ul = row.unexplained_ul.map(|u| u.plus(of.unexplained_ul));
    row.tolerance_ul = row.tolerance_ul.saturating_add(of.tolerance_ul);
}

fn tally(event: &Event, filled: &mut Span, spent: &mut Spent, charges: &mut i64) {
    match event {
        Event::Fill(span) => filled.add(*span),
        Event::Spend { spent: more, charges: n } => {
            spent.add(more);
            *charges += n;
        }
    }
}
