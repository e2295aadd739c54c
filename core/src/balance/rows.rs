//! The rows of a balance: by lot, by crew and day, by kit.

use std::collections::BTreeSet;

use serde::Serialize;

use crate::day::Day;
use crate::ids::{BookId, CrewId, KitId, LotId};
use crate::quantity::{Ul, UtcMs};

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

    pub(super) fn add(&mut self, other: Self) {
        self.low = self.low.saturating_add(other.low);
        self.high = self.high.saturating_add(other.high);
    }

    pub(super) fn minus(self, other: Self) -> Self {
        Self { low: self.low.saturating_sub(other.high), high: self.high.saturating_sub(other.low) }
    }

    pub(super) fn plus(mut self, other: Self) -> Self {
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

    pub(super) fn add(&mut self, other: &Self) {
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
    pub(super) fn new(lot: LotId) -> Self {
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

/// A kit's balance of one lot, from one measurement of the kit to the next. A crew-day's row is the
/// sum of those that its crew measured on that day.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct KitBalance {
    /// The kit.
    pub kit: KitId,
    /// The lot.
    pub lot: LotId,
    /// When the kit was measured.
    pub measured_at: UtcMs,
    /// The crew that measured it, if the measurement names one.
    pub crew: Option<CrewId>,
    /// The day it counts to; absent when no job tells in which zone.
    pub day: Option<Day>,
    /// Charges put in since the measurement before.
    pub charges: i64,
    /// In the kit before.
    pub opening_ul: Span,
    /// Filled in.
    pub filled_ul: Span,
    /// Where it went.
    pub spent: Spent,
    /// In the kit, measured.
    pub closing_ul: Span,
    /// Not accounted for; positive when product is gone.
    pub unexplained_ul: Span,
    /// What the charges' uncertainty explains, twice the standard uncertainty.
    pub tolerance_ul: Ul,
}

/// The balance of a yard over the jobs given.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Balance {
    /// By lot, ascending.
    pub lots: Vec<LotBalance>,
    /// By crew, day and lot, ascending.
    pub crew_days: Vec<CrewDayBalance>,
    /// By kit, lot and measurement, ascending.
    pub kits: Vec<KitBalance>,
}
