//! Fills: read off the container, within the reservoir's limit, and never onto another product.

use std::collections::{BTreeMap, BTreeSet};

use crate::balance::Balance;
use crate::check::kit::without_fill;
use crate::check::work::{Done, Work};
use crate::day::Day;
use crate::facts::{Fact, Version};
use crate::finding::{Code, Finding, Named};
use crate::ids::{KitId, LotId, RecordId};
use crate::quantity::Ul;
use crate::record::product::Fill;
use crate::view::products::plain_number;
use crate::view::{CrewDay, View};

pub(crate) mod content;

use content::{AllDrawn, Content, Drawn, Event, Happened, happened, in_vessel, until};

/// What is in a kit is reckoned from charges: 2 % of the fill limit may be off (common practice, no source).
const RECKONED_PART: i64 = 50;

/// Whether more should be in a reservoir than its fill limit and what reckoning may be off.
pub fn over_limit(content_ul: i64, limit: Ul) -> bool {
    content_ul > limit.0.saturating_add(limit.0 / RECKONED_PART)
}
/// The liquid that should be in a kit, as far as this job and the yard know: more than the product
/// where a label has it mixed.
pub fn content_ul(view: &View<'_>, kit: KitId) -> Ul {
    Ul(content::in_kit(view, kit).volume_ul)
}

/// The first day on which each kit had product of each lot in it; both by the record they began with.
pub(crate) type Filled = BTreeMap<(KitId, RecordId), Day>;

/// Findings of this rule.
pub fn check(view: &View<'_>, work: &Work<'_>, balance: &Balance, findings: &mut Vec<Finding>) {
    let filled = follow_kits(view, &drawn(view, work.done.iter()), balance, findings);
    without_fill(view, work, &filled, findings);
}

/// What some work drew from kits.
pub(crate) fn drawn<'d, 'v: 'd>(view: &View<'_>, done: impl Iterator<Item = &'d Done<'v>>) -> AllDrawn {
    let mut all = AllDrawn::new();
    // A job has few kits and many charges: a kit is looked up once.
    let mut roots: BTreeMap<KitId, KitId> = BTreeMap::new();
    for one in done.filter(|d| d.first) {
        let kit = one.body.kit;
        let root = *roots.entry(kit).or_insert_with(|| view.yard.facts.fact_of(kit).map_or(kit, |f| f.id));
        // A charge has left the reservoir when its stem was begun.
        all.entry(root).or_default().push(Drawn {
            at: one.body.started_at,
            by: one.version.id(),
            lot: one.body.lot,
            amount_ul: one.body.discharged_ul(),
        });
    }
    all.values_mut().for_each(|of| of.sort_unstable());
    all
}

/// What is wrong with fills, given all that was drawn from kits.
pub(crate) fn follow_kits(
    view: &View<'_>,
    drawn: &AllDrawn,
    balance: &Balance,
    findings: &mut Vec<Finding>,
) -> Filled {
    let ours: BTreeSet<LotId> =
        balance.lots.iter().filter(|l| l.used_on.contains(&view.book)).map(|l| l.lot).collect();
    let elsewhere: BTreeSet<LotId> =
        balance.lots.iter().filter(|l| l.used_on.iter().any(|b| *b != view.book)).map(|l| l.lot).collect();
    let root = |id: RecordId| view.yard.facts.fact_of(id).map_or(id, |f| f.id);
    let mut filled = Filled::new();
    for (kit, mut events) in happened(view) {
        for one in events.iter().filter(|one| !matches!(one.event, Event::Out(..))) {
            let day = Day::of(one.at, &view.job.zone);
            let mut counted = |lot: LotId| {
                let first = filled.entry((kit, root(lot))).or_insert(day);
                *first = day.min(*first);
            };
            match &one.event {
                Event::Fill(_, _, fill) => counted(fill.lot),
                Event::Measured(found, _) => {
                    found.iter().filter(|(_, left)| **left > 0).for_each(|(lot, _)| counted(*lot));
                }
                Event::Out(..) => {}
            }
        }
        // The yard's fills bear on the jobs their product went to, and on the crew's day.
        events.retain(|one| match &one.event {
            Event::Fill(_, _, fill) => {
                let day = CrewDay { crew: fill.crew, day: Day::of(one.at, &view.job.zone) };
                ours.contains(&fill.lot) || view.crew_days.contains(&day)
            }
            _ => true,
        });
        for one in &events {
            if let Event::Fill(fact, version, fill) = &one.event {
                let day = CrewDay { crew: fill.crew, day: Day::of(one.at, &view.job.zone) };
                read(view, fact, version, fill, day, findings);
            }
        }
        let drawn = drawn.get(&kit).map_or(&[][..], Vec::as_slice);
        follow(view, kit, (&events, drawn), &elsewhere, findings);
    }
    filled
}

fn read(
    view: &View<'_>,
    fact: &Fact,
    version: &Version,
    fill: &Fill,
    day: CrewDay,
    findings: &mut Vec<Finding>,
) {
    let plain = plain_number;
    let mut wrong = vec![];
    let mut records = vec![version.id(), fill.lot];
    if let Some(lot) = view.yard.lot(fill.lot) {
        if plain(&lot.number) != plain(&fill.lot_read) {
            wrong.push(format!("lot '{}' was read, the lot entered is {}", fill.lot_read, lot.number));
        }
        // What was read under an earlier version is not made wrong by an amendment.
        let mut versions = view.yard.label_versions(lot.label);
        let of_a_version = versions.any(|l| plain(&l.registration) == plain(&fill.registration_read));
        if let Some(label) = view.yard.label(view.yard.label_now(lot.label))
            && !of_a_version
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
    (events, mut drawn): (&[Happened<'_>], &[Drawn]),
    elsewhere: &BTreeSet<LotId>,
    findings: &mut Vec<Finding>,
) {
    let limit = view.yard.kit(kit).map(|k| k.reservoir.fill_limit_ul).filter(|l| l.0 > 0);
    let mut content = Content::default();
    for one in events {
        until(&mut drawn, one.at).iter().for_each(|d| content.draw(d.lot, d.amount_ul.0));
        if let Event::Fill(fact, version, fill) = &one.event {
            let day = CrewDay { crew: fill.crew, day: Day::of(one.at, &view.job.zone) };
            let mut add = |code, message: String, mut records: Vec<RecordId>| {
                records.push(version.id());
                findings.push(Finding::new(code, &[&fact.id.to_string()], message, records).on([day]));
            };
            // Product used on another job too left the kit unseen from here: what is in it is not known.
            let seen = !elsewhere.contains(&fill.lot) && content.lots().all(|l| !elsewhere.contains(&l));
            let before = content.volume_ul(view);
            let adding = in_vessel(view, fill.lot, fill.amount_ul);
            let after = before.saturating_add(adding.0);
            if let Some(limit) = limit {
                if adding > limit {
                    let message = format!(
                        "Kit {}, filled on {}: {} mL, over its fill limit of {} mL.",
                        Named(kit),
                        day.day,
                        adding.ml(),
                        limit.ml()
                    );
                    add(Code::FillOverLimit, message, vec![]);
                } else if seen && over_limit(after, limit) {
                    let message = format!(
                        "Kit {}, filled on {}: {} mL onto {} mL that should have been in it, over its fill limit of {} mL.",
                        Named(kit),
                        day.day,
                        adding.ml(),
                        Ul(before).ml(),
                        limit.ml()
                    );
                    add(Code::ContentOverLimit, message, vec![]);
                }
            }
            if let Some((other, left)) = content.other_product(view, fill.lot).filter(|_| seen) {
                let message = format!(
                    "Kit {}, filled on {} with lot {}: {} mL of lot {}, another product, should still have been in it.",
                    Named(kit),
                    day.day,
                    view.yard.lot_number(fill.lot),
                    left.ml(),
                    view.yard.lot_number(other)
                );
                add(Code::OtherProduct, message, vec![other]);
            }
        }
        content.take(&one.event);
    }
}
