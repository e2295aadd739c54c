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

use std::collections::{BTreeMap, BTreeSet};

use serde::Serialize;

use crate::day::Day;
use crate::dosing::uncertainty::tolerance_ul;
use crate::facts::{Fact, Facts};
use crate::ids::{BookId, CrewId, KitId, LotId};
use crate::quantity::{Ul, UtcMs};
use crate::record::product::MovementKind;
use crate::record::{Body, Kind};
use crate::view::{CrewDay, View, Yard};

/// A volume that may be a range, in microlitres.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Span {
    /// Least.
    pub low: i64,
    /// Most.
    pub high: i64,
}

impl Span {
    /// Exactly this much.
    pub const fn exact(v: i64) -> Self {
        Self { low: v, high: v }
    }

    fn add(&mut self, other: Self) {
        self.low = self.low.saturating_add(other.low);
        self.high = self.high.saturating_add(other.high);
    }

    fn minus(self, other: Self) -> Self {
        Self { low: self.low.saturating_sub(other.high), high: self.high.saturating_sub(other.low) }
    }

    fn plus(mut self, other: Self) -> Self {
        self.add(other);
        self
    }

    /// Whether some value of the range lies within ± a tolerance.
    pub const fn within(self, tolerance: Ul) -> bool {
        self.low <= tolerance.0 && self.high >= -tolerance.0
    }

    /// In millilitres with one decimal, `12.0` or `12.0 to 15.0`.
    pub fn ml(self) -> String {
        if self.low == self.high {
            Ul(self.low).ml()
        } else {
            format!("{} to {}", Ul(self.low).ml(), Ul(self.high).ml())
        }
    }
}

/// Where product of a lot, or of a crew's day, went.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Spent {
    /// Taken up by trees.
    pub into_trees_ul: Span,
    /// Leaked at holes: discharged, but not taken up.
    pub leaked_ul: Span,
    /// Primed, tested, calibrated.
    pub primed_tested_ul: Span,
    /// Given back and kept apart.
    pub returned_ul: Span,
    /// Spilled.
    pub spilled_ul: Span,
    /// Disposed of.
    pub disposed_ul: Span,
}

impl Spent {
    /// All of it.
    pub fn total(&self) -> Span {
        [
            self.into_trees_ul,
            self.leaked_ul,
            self.primed_tested_ul,
            self.returned_ul,
            self.spilled_ul,
            self.disposed_ul,
        ]
        .into_iter()
        .fold(Span::default(), Span::plus)
    }

    fn add(&mut self, other: &Self) {
        self.into_trees_ul.add(other.into_trees_ul);
        self.leaked_ul.add(other.leaked_ul);
        self.primed_tested_ul.add(other.primed_tested_ul);
        self.returned_ul.add(other.returned_ul);
        self.spilled_ul.add(other.spilled_ul);
        self.disposed_ul.add(other.disposed_ul);
    }
}

/// A lot's balance.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct LotBalance {
    /// The lot; may be one the yard does not know.
    pub lot: LotId,
    /// Delivered.
    pub received_ul: Span,
    /// On hand: the last count, with what moved since.
    pub on_hand_ul: Span,
    /// When stock was last counted; never, if absent: then `on_hand_ul` is only derived.
    pub counted_at: Option<UtcMs>,
    /// Left the stock.
    pub drawn_ul: Span,
    /// Filled into kits, as logged.
    pub filled_ul: Span,
    /// Where it went.
    pub spent: Spent,
    /// In kits at their last measurement.
    pub in_kits_ul: Span,
    /// Filled or used since a kit was last measured.
    pub not_yet_measured_ul: Span,
    /// Not accounted for, in stock and kits together. Never absorbed.
    pub unexplained_ul: Span,
    /// The stock's part of it; absent while stock was never counted.
    pub stock_gap_ul: Option<Span>,
    /// What the charges' uncertainty explains, twice the standard uncertainty.
    pub tolerance_ul: Ul,
    /// The jobs it was used on.
    pub used_on: BTreeSet<BookId>,
}

impl LotBalance {
    fn new(lot: LotId) -> Self {
        Self {
            lot,
            received_ul: Span::default(),
            on_hand_ul: Span::default(),
            counted_at: None,
            drawn_ul: Span::default(),
            filled_ul: Span::default(),
            spent: Spent::default(),
            in_kits_ul: Span::default(),
            not_yet_measured_ul: Span::default(),
            unexplained_ul: Span::default(),
            stock_gap_ul: None,
            tolerance_ul: Ul(0),
            used_on: BTreeSet::new(),
        }
    }
}

/// A crew-day's balance of one lot: from the kits' last measurement to this day's.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct CrewDayBalance {
    /// The crew.
    pub crew: CrewId,
    /// The day its kits were measured.
    pub day: Day,
    /// The lot.
    pub lot: LotId,
    /// In the kits before.
    pub opening_ul: Span,
    /// Filled in.
    pub filled_ul: Span,
    /// Where it went.
    pub spent: Spent,
    /// In the kits, measured.
    pub closing_ul: Span,
    /// Not accounted for; positive when product is gone.
    pub unexplained_ul: Option<Span>,
    /// What the charges' uncertainty explains.
    pub tolerance_ul: Ul,
    /// The jobs the crew has work in on that day; none when its kits were only measured.
    #[serde(skip)]
    pub worked_on: BTreeSet<BookId>,
}

/// The balance of a yard over the jobs given.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Balance {
    /// By lot, ascending.
    pub lots: Vec<LotBalance>,
    /// By crew, day and lot, ascending.
    pub crew_days: Vec<CrewDayBalance>,
}

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
        for (lot, stock) in self.stock {
            add_stock(lots.entry(lot).or_insert_with(|| LotBalance::new(lot)), stock);
        }
        for (kit, history) in self.kits {
            let uncertainty = charge_uncertainty(yard, kit);
            add_kit(&mut lots, &mut rows, history, uncertainty, jobs);
        }
        for lot in lots.values_mut() {
            lot.unexplained_ul.add(lot.stock_gap_ul.unwrap_or_default());
        }
        Balance { lots: lots.into_values().collect(), crew_days: rows.into_values().collect() }
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

/// (independent, shared) standard uncertainty of one charge of a kit: that of its worst container.
fn charge_uncertainty(yard: &Yard, kit: KitId) -> (i64, i64) {
    let containers = yard.kit(kit).map(|k| k.containers.as_slice()).unwrap_or_default();
    let worst =
        |u: fn(&crate::record::kit::ContainerKind) -> i64| containers.iter().map(u).max().unwrap_or(0);
    (worst(|c| c.charge_u_ul.0.clamp(0, 1_000_000)), worst(|c| c.shared_u_ul.0.clamp(0, 1_000_000)))
}

fn add_kit(
    lots: &mut BTreeMap<LotId, LotBalance>,
    rows: &mut BTreeMap<(CrewId, Day, LotId), CrewDayBalance>,
    mut history: KitHistory,
    (independent, shared): (i64, i64),
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
            if let (Some(crew), Some(day)) = (count.crew, day) {
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
                    worked_on: jobs
                        .iter()
                        .filter(|j| j.crew_days.contains(&CrewDay { crew, day }))
                        .map(|j| j.book)
                        .collect(),
                });
                row.opening_ul.add(opening);
                row.filled_ul.add(filled);
                row.spent.add(&spent);
                row.closing_ul.add(closing);
                row.unexplained_ul = row.unexplained_ul.map(|u| u.plus(unexplained));
                row.tolerance_ul =
                    row.tolerance_ul.saturating_add(tolerance_ul(charges, independent, shared));
            }
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

fn tally(event: &Event, filled: &mut Span, spent: &mut Spent, charges: &mut i64) {
    match event {
        Event::Fill(span) => filled.add(*span),
        Event::Spend { spent: more, charges: n } => {
            spent.add(more);
            *charges += n;
        }
    }
}
