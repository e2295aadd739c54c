//! Fills: read off the container, within the reservoir's limit, and never onto another product.

use std::collections::{BTreeMap, BTreeSet};

use crate::balance::Balance;
use crate::check::kit::without_fill;
use crate::check::work::Work;
use crate::day::Day;
use crate::facts::{Fact, Version};
use crate::finding::{Code, Finding, Named};
use crate::ids::{KitId, LabelId, LotId, RecordId};
use crate::quantity::{Ul, UtcMs};
use crate::record::product::{Fill, MovementKind};
use crate::record::{Body, Kind};
use crate::view::{CrewDay, View};

/// What is in a kit is reckoned from charges: 2 % of the fill limit may be off (common practice, no source).
const RECKONED_PART: i64 = 50;
/// Product of another label that clings to a vessel (common practice, no source).
const CLINGS_UL: i64 = 5_000;

enum Event<'v> {
    Fill(&'v Fact, &'v Version, &'v Fill),
    Out(LotId, i64),
    /// What a closing found in the kit, or a count of one lot.
    Measured(BTreeMap<LotId, i64>, bool),
}

/// Findings of this rule.
pub fn check(view: &View<'_>, work: &Work<'_>, balance: &Balance, findings: &mut Vec<Finding>) {
    let ours: BTreeSet<LotId> =
        balance.lots.iter().filter(|l| l.used_on.contains(&view.book)).map(|l| l.lot).collect();
    let elsewhere: BTreeSet<LotId> =
        balance.lots.iter().filter(|l| l.used_on.iter().any(|b| *b != view.book)).map(|l| l.lot).collect();
    let mut kits: BTreeMap<KitId, Vec<(UtcMs, u8, RecordId, Event<'_>)>> = BTreeMap::new();
    let mut filled: BTreeMap<(KitId, RecordId), Day> = BTreeMap::new();
    let root = |id: RecordId| view.yard.facts.fact_of(id).map_or(id, |f| f.id);
    let mut counted = |kit: KitId, lot: LotId, at: UtcMs| {
        let day = Day::of(at, &view.job.zone);
        let first = filled.entry((root(kit), root(lot))).or_insert(day);
        *first = day.min(*first);
    };
    for fact in view.yard.facts.in_force(Kind::Fill) {
        let at = fact.history.first().map(|v| view.yard.facts.versions[*v].record.envelope.at);
        for version in view.yard.facts.current(fact) {
            let (Body::Fill(fill), Some(at)) = (&version.record.body, at) else { continue };
            counted(fill.kit, fill.lot, at);
            let day = CrewDay { crew: fill.crew, day: Day::of(at, &view.job.zone) };
            // The yard's fills bear on the jobs their product went to, and on the crew's day.
            if ours.contains(&fill.lot) || view.crew_days.contains(&day) {
                let event = (at, 1, version.id(), Event::Fill(fact, version, fill));
                kits.entry(root(fill.kit)).or_default().push(event);
                read(view, fact, version, fill, day, findings);
            }
        }
    }
    for fact in view.yard.facts.in_force(Kind::Movement) {
        let version = view.yard.facts.shown(fact);
        let Body::Movement(movement) = &version.record.body else { continue };
        let (Some(kit), at) = (movement.kit, version.record.envelope.at) else { continue };
        let event = match movement.what {
            MovementKind::InKit => {
                if movement.amount_ul.0 > 0 {
                    counted(kit, movement.lot, at);
                }
                Event::Measured(BTreeMap::from([(movement.lot, movement.amount_ul.0)]), false)
            }
            MovementKind::Received | MovementKind::OnHand => continue,
            _ => Event::Out(movement.lot, movement.amount_ul.0),
        };
        kits.entry(root(kit)).or_default().push((at, 2, version.id(), event));
    }
    for fact in view.facts.in_force(Kind::DayClosing) {
        let version = view.facts.shown(fact);
        let Body::DayClosing(closing) = &version.record.body else { continue };
        let at = version.record.envelope.at;
        let mut found: BTreeMap<KitId, BTreeMap<LotId, i64>> = BTreeMap::new();
        for content in &closing.kits {
            found.entry(root(content.kit)).or_default().insert(content.lot, content.content_ul.0);
            if content.content_ul.0 > 0 {
                counted(content.kit, content.lot, at);
            }
        }
        for (kit, contents) in found {
            kits.entry(kit).or_default().push((at, 2, version.id(), Event::Measured(contents, true)));
        }
    }
    for done in work.done.iter().filter(|d| d.first) {
        // A charge has left the reservoir when its stem was begun.
        let event = Event::Out(done.body.lot, done.body.discharged_ul().0);
        kits.entry(root(done.body.kit)).or_default().push((
            done.body.started_at,
            0,
            done.version.id(),
            event,
        ));
    }
    for (kit, mut events) in kits {
        events.sort_by_key(|(at, order, id, _)| (*at, *order, *id));
        follow(view, kit, &events, &elsewhere, findings);
    }
    without_fill(view, work, &filled, findings);
}

fn read(
    view: &View<'_>,
    fact: &Fact,
    version: &Version,
    fill: &Fill,
    day: CrewDay,
    findings: &mut Vec<Finding>,
) {
    let plain = |text: &str| text.chars().filter(|c| c.is_alphanumeric()).collect::<String>().to_lowercase();
    let mut wrong = vec![];
    let mut records = vec![version.id(), fill.lot];
    if let Some(lot) = view.yard.lot(fill.lot) {
        if plain(&lot.number) != plain(&fill.lot_read) {
            wrong.push(format!("lot '{}' was read, the lot entered is {}", fill.lot_read, lot.number));
        }
        if let Some(label) = view.yard.label(lot.label)
            && plain(&label.registration) != plain(&fill.registration_read)
        {
            records.push(lot.label);
            wrong.push(format!(
                "number '{}' was read, the label's is {}",
                fill.registration_read, label.registration
            ));
        }
    }
    if !wrong.is_empty() {
        let message = format!("Kit {}, filled on {}: {}.", Named(fill.kit), day.day, wrong.join("; "));
        let found = Finding::new(Code::ReadOtherwise, &[&fact.id.to_string()], message, records);
        findings.push(found.on([day]));
    }
}

/// Follows what is in a kit from event to event.
fn follow(
    view: &View<'_>,
    kit: KitId,
    events: &[(UtcMs, u8, RecordId, Event<'_>)],
    elsewhere: &BTreeSet<LotId>,
    findings: &mut Vec<Finding>,
) {
    let limit = view.yard.kit(kit).map(|k| k.reservoir.fill_limit_ul).filter(|l| l.0 > 0);
    let mut content: BTreeMap<LotId, i64> = BTreeMap::new();
    for (at, _, _, event) in events {
        match event {
            Event::Out(lot, amount) => {
                let left = content.entry(*lot).or_default();
                *left = left.saturating_sub(*amount).max(0);
            }
            Event::Measured(found, whole) => {
                if *whole {
                    content.clear();
                }
                content.extend(found);
            }
            Event::Fill(fact, version, fill) => {
                let day = CrewDay { crew: fill.crew, day: Day::of(*at, &view.job.zone) };
                let mut add = |code, message: String, mut records: Vec<RecordId>| {
                    records.push(version.id());
                    findings.push(Finding::new(code, &[&fact.id.to_string()], message, records).on([day]));
                };
                // Product used on another job too left the kit unseen from here: what is in it is not known.
                let seen = !elsewhere.contains(&fill.lot) && content.keys().all(|l| !elsewhere.contains(l));
                let before = content.values().copied().fold(0, i64::saturating_add);
                let after = before.saturating_add(fill.amount_ul.0);
                if let Some(limit) = limit {
                    if fill.amount_ul > limit {
                        let message = format!(
                            "Kit {}, filled on {}: {} mL, over its fill limit of {} mL.",
                            Named(kit),
                            day.day,
                            fill.amount_ul.ml(),
                            limit.ml()
                        );
                        add(Code::FillOverLimit, message, vec![]);
                    } else if seen && after > limit.0.saturating_add(limit.0 / RECKONED_PART) {
                        let message = format!(
                            "Kit {}, filled on {}: {} mL onto {} mL that should have been in it, over its fill limit of {} mL.",
                            Named(kit),
                            day.day,
                            fill.amount_ul.ml(),
                            Ul(before).ml(),
                            limit.ml()
                        );
                        add(Code::ContentOverLimit, message, vec![]);
                    }
                }
                let label = |lot: LotId| label_of_lot(view, lot);
                let others = content.iter().filter(|(lot, left)| {
                    **left > CLINGS_UL && seen && label(**lot).is_some() && label(**lot) != label(fill.lot)
                });
                let others: Vec<_> = others.map(|(lot, left)| (*lot, *left)).collect();
                if let Some((other, left)) = others.first().filter(|_| label(fill.lot).is_some()) {
                    let message = format!(
                        "Kit {}, filled on {} with lot {}: {} mL of lot {}, another product, should still have been in it.",
                        Named(kit),
                        day.day,
                        view.yard.lot_number(fill.lot),
                        Ul(*left).ml(),
                        view.yard.lot_number(*other)
                    );
                    add(Code::OtherProduct, message, vec![*other]);
                }
                let of = content.entry(fill.lot).or_default();
                *of = of.saturating_add(fill.amount_ul.0);
            }
        }
    }
}

/// The product of a lot: its label, whatever version.
fn label_of_lot(view: &View<'_>, lot: LotId) -> Option<LabelId> {
    let label = view.yard.lot(lot)?.label;
    Some(view.yard.facts.fact_of(label).map_or(label, |f| f.id))
}
