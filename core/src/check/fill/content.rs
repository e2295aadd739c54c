//! What should be in a kit, followed from fill to fill: by the rules on logged work, and by advice
//! before the next tree.

use std::collections::BTreeMap;

use crate::facts::{Fact, Version};
use crate::ids::{KitId, LabelId, LotId, RecordId};
use crate::quantity::{Ul, UtcMs};
use crate::record::product::{Fill, MovementKind};
use crate::record::{Body, Kind};
use crate::view::View;

/// Product of another label that clings to a vessel (common practice, no source).
const CLINGS_UL: i64 = 5_000;

/// What happened to a kit's content, but for charges.
pub(crate) enum Event<'v> {
    /// Product was put in.
    Fill(&'v Fact, &'v Version, &'v Fill),
    /// Product of a lot went out.
    Out(LotId, i64),
    /// What a closing found in the kit (all of it), or a count of one lot.
    Measured(BTreeMap<LotId, i64>, bool),
}

/// An event in its place: time, then fills before counts, then id. Work of the same time comes before it.
pub(crate) struct Happened<'v> {
    pub(crate) at: UtcMs,
    order: u8,
    id: RecordId,
    pub(crate) event: Event<'v>,
}

/// Product that left a kit into a tree; a kit's in the order of time, then id.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Drawn {
    pub(crate) at: UtcMs,
    pub(crate) by: RecordId,
    pub(crate) lot: LotId,
    pub(crate) amount_ul: Ul,
}

/// What was drawn from each kit, in order; kits by the record they began with.
pub(crate) type AllDrawn = BTreeMap<KitId, Vec<Drawn>>;

/// Those of a kit's charges that left it by a time are taken off, and given.
pub(crate) fn until<'d>(drawn: &mut &'d [Drawn], at: UtcMs) -> &'d [Drawn] {
    let (then, rest) = drawn.split_at(drawn.iter().take_while(|d| d.at <= at).count());
    *drawn = rest;
    then
}

/// What happened to each kit, in order; kits by the record they began with.
pub(crate) fn happened<'v>(view: &'v View<'_>) -> BTreeMap<KitId, Vec<Happened<'v>>> {
    let facts = &view.yard.facts;
    let mut kits: BTreeMap<KitId, Vec<Happened<'v>>> = BTreeMap::new();
    let mut add = |kit: KitId, at, order, id, event| {
        let root = facts.fact_of(kit).map_or(kit, |f| f.id);
        kits.entry(root).or_default().push(Happened { at, order, id, event });
    };
    for fact in facts.in_force(Kind::Fill) {
        let Some(at) = fact.history.first().map(|v| facts.versions[*v].record.envelope.at) else { continue };
        for version in facts.current(fact) {
            let Body::Fill(fill) = &version.record.body else { continue };
            add(fill.kit, at, 1, version.id(), Event::Fill(fact, version, fill));
        }
    }
    for fact in facts.in_force(Kind::Movement) {
        let version = facts.shown(fact);
        let Body::Movement(movement) = &version.record.body else { continue };
        let Some(kit) = movement.kit else { continue };
        let event = match movement.what {
            MovementKind::InKit => {
                Event::Measured(BTreeMap::from([(movement.lot, movement.amount_ul.0)]), false)
            }
            MovementKind::Received | MovementKind::OnHand => continue,
            _ => Event::Out(movement.lot, movement.amount_ul.0),
        };
        add(kit, version.record.envelope.at, 2, version.id(), event);
    }
    for fact in view.facts.in_force(Kind::DayClosing) {
        let version = view.facts.shown(fact);
        let Body::DayClosing(closing) = &version.record.body else { continue };
        let mut found: BTreeMap<KitId, BTreeMap<LotId, i64>> = BTreeMap::new();
        for content in &closing.kits {
            let root = facts.fact_of(content.kit).map_or(content.kit, |f| f.id);
            found.entry(root).or_default().insert(content.lot, content.content_ul.0);
        }
        for (kit, contents) in found {
            add(kit, version.record.envelope.at, 2, version.id(), Event::Measured(contents, true));
        }
    }
    for events in kits.values_mut() {
        events.sort_by_key(|h| (h.at, h.order, h.id));
    }
    kits
}

/// What should be in a kit, by lot, in microlitres.
#[derive(Default)]
pub(crate) struct Content(BTreeMap<LotId, i64>);

impl Content {
    /// Takes an event in.
    pub(crate) fn take(&mut self, event: &Event<'_>) {
        match event {
            Event::Out(lot, amount) => self.draw(*lot, *amount),
            Event::Measured(found, whole) => {
                if *whole {
                    self.0.clear();
                }
                self.0.extend(found);
            }
            Event::Fill(_, _, fill) => {
                let of = self.0.entry(fill.lot).or_default();
                *of = of.saturating_add(fill.amount_ul.0);
            }
        }
    }

    /// Takes product out.
    pub(crate) fn draw(&mut self, lot: LotId, amount_ul: i64) {
        let left = self.0.entry(lot).or_default();
        *left = left.saturating_sub(amount_ul).max(0);
    }

    /// The lots it holds or held, whatever is left of them.
    pub(crate) fn lots(&self) -> impl Iterator<Item = LotId> + '_ {
        self.0.keys().copied()
    }

    /// The liquid it makes in the vessel: with the diluent, where a lot's label has it mixed.
    pub(crate) fn volume_ul(&self, view: &View<'_>) -> i64 {
        let each = self.0.iter().map(|(lot, left)| in_vessel(view, *lot, Ul(*left)).0);
        each.fold(0, i64::saturating_add)
    }

    /// All of it, in product.
    pub(crate) fn sum_ul(&self) -> i64 {
        self.0.values().copied().fold(0, i64::saturating_add)
    }

    /// Another product than a lot's that should still be in it, with how much.
    pub(crate) fn other_product(&self, view: &View<'_>, lot: LotId) -> Option<(LotId, Ul)> {
        let own = label_of_lot(view, lot)?;
        let other = self.0.iter().find(|(other, left)| {
            **left > CLINGS_UL && label_of_lot(view, **other).is_some_and(|label| label != own)
        });
        other.map(|(lot, left)| (*lot, Ul(*left)))
    }
}

/// The liquid a volume of a lot's product makes in a vessel, by the lot's label.
pub(crate) fn in_vessel(view: &View<'_>, lot: LotId, product: Ul) -> Ul {
    view.yard.mix_of(lot).map_or(product, |mix| mix.surely_of(product))
}

/// The product of a lot: its label, whatever version.
fn label_of_lot(view: &View<'_>, lot: LotId) -> Option<LabelId> {
    let label = view.yard.lot(lot)?.label;
    Some(view.yard.facts.fact_of(label).map_or(label, |f| f.id))
}

/// What a kit should hold now, as far as this job and the yard know.
#[derive(Default)]
pub(crate) struct InKit {
    /// The liquid in the vessel, in microlitres: more than the product where a label has it mixed.
    pub(crate) volume_ul: i64,
    /// Each lot of which more than what clings should be in it.
    pub(crate) lots: Vec<(LotId, Ul)>,
    /// A fill onto another product, with that product's lot and how much of it there should have
    /// been; a count of nothing of it, or use of all to the last drop, ends it.
    pub(crate) onto_other: Option<(LotId, (LotId, Ul))>,
}

/// What should be in a kit now.
pub(crate) fn in_kit(view: &View<'_>, kit: KitId) -> InKit {
    let root = |id: KitId| view.yard.facts.fact_of(id).map_or(id, |f| f.id);
    let applications = view.facts.in_force(Kind::Application).filter_map(|fact| {
        let version = view.facts.shown(fact);
        let Body::Application(body) = &version.record.body else { return None };
        let (lot, amount_ul, at) = (body.lot, body.discharged_ul(), body.started_at);
        (root(body.kit) == root(kit)).then(|| Drawn { at, by: version.id(), lot, amount_ul })
    });
    let mut all: Vec<Drawn> = applications.collect();
    all.sort_unstable();
    let mut drawn = &all[..];
    let (mut content, mut now) = (Content::default(), InKit::default());
    // A kit that should be empty has nothing left for a fill to come onto.
    let empty = |content: &Content, now: &mut InKit| {
        if content.sum_ul() <= CLINGS_UL {
            now.onto_other = None;
        }
    };
    let out = |drawn: &[Drawn], content: &mut Content, now: &mut InKit| {
        for one in drawn {
            content.draw(one.lot, one.amount_ul.0);
            empty(content, now);
        }
    };
    for one in happened(view).remove(&root(kit)).unwrap_or_default() {
        out(until(&mut drawn, one.at), &mut content, &mut now);
        if let Event::Fill(_, _, fill) = one.event
            && let Some(onto) = content.other_product(view, fill.lot)
        {
            now.onto_other = Some((fill.lot, onto));
        }
        content.take(&one.event);
        empty(&content, &mut now);
        let none_left = |lot: &LotId| match &one.event {
            Event::Measured(found, _) => found.get(lot).is_some_and(|left| *left <= CLINGS_UL),
            _ => false,
        };
        if now.onto_other.is_some_and(|(_, (other, _))| none_left(&other)) {
            now.onto_other = None;
        }
    }
    out(drawn, &mut content, &mut now);
    now.volume_ul = content.volume_ul(view);
    let left = content.0.iter().filter(|(_, left)| **left > CLINGS_UL);
    now.lots = left.map(|(lot, left)| (*lot, Ul(*left))).collect();
    now
}
