//! What can only be seen over several seasons' books: intervals between treatments, what is due,
//! and how the canopies stood then and now.
//!
//! Season books are chained by the job each was opened from; a tree keeps its id through them.
//! Whatever is not at hand is not judged: an earlier book that is missing leaves its years blank.

mod canopy;

use std::collections::{BTreeMap, BTreeSet};

use serde::Serialize;

use crate::check::{Treatment, treatments};
use crate::day::Day;
use crate::dosing::advice::{Past, PastTreatment, PastTree};
use crate::dosing::dose::season_limit_ul;
use crate::finding::{Code, Finding};
use crate::ids::{BookId, LabelId, TreeId};
use crate::quantity::{Ul, UtcMs, decimal, word_for};
use crate::record::book_kinds::Zone;
use crate::record::label::ActiveIngredient;
use crate::view::View;
use crate::view::products::{Products, StandingLabels};

pub use canopy::{
    Assessed, CANOPY_CLASSES, CanopyClass, Change, Moved, Season, canopies, change, losses, wilson,
};

/// The earlier seasons of a job among the books at hand, the newest first; a circle ends it.
pub fn earlier<'a, 'y>(view: &View<'_>, all: &[&'a View<'y>]) -> Vec<&'a View<'y>> {
    let mut found: Vec<&'a View<'y>> = vec![];
    let mut previous = view.job.previous;
    while let Some(id) = previous {
        let known = id == view.book || found.iter().any(|v| v.book == id);
        let Some(next) = all.iter().find(|v| v.book == id && !known) else { break };
        found.push(next);
        previous = next.job.previous;
    }
    found
}

/// The earlier season that a job's books lead to and that is not among those at hand, if there is one:
/// the one named by the earliest of them.
pub fn missing(view: &View<'_>, all: &[&View<'_>]) -> Option<BookId> {
    let found = earlier(view, all);
    let last = found.last().map_or(view.job.previous, |v| v.job.previous)?;
    // A circle names a book that is at hand.
    let known = last == view.book || found.iter().any(|v| v.book == last);
    (!known).then_some(last)
}

/// That an earlier season's book is missing: nothing else would say that its treatments do not count.
pub(crate) fn check_missing(view: &View<'_>, all: &[&View<'_>], findings: &mut Vec<Finding>) {
    let Some(book) = missing(view, all) else { return };
    let message = format!(
        "The job follows on season book {book}, which is not here: what was treated then does not count in intervals and season limits."
    );
    findings.push(Finding::new(Code::EarlierSeasonMissing, &[&book.to_string()], message, vec![]));
}

/// What those seasons did to each tree.
pub fn past(before: &[&View<'_>]) -> Past {
    let mut past = Past::default();
    for book in before {
        past.add(book);
    }
    past
}

/// Stems treated again before the interval on the label of their last earlier season's treatment
/// had passed, and trees over the label's limit with what another book of the same season put in.
pub fn check(view: &View<'_>, past: &Past, findings: &mut Vec<Finding>) {
    if !past.is_empty() {
        check_trees(view, past, |_| true, findings);
    }
}

/// The same of the trees that are `wanted`.
pub(crate) fn check_trees(
    view: &View<'_>,
    past: &Past,
    wanted: impl Fn(TreeId) -> bool,
    findings: &mut Vec<Finding>,
) {
    let products = view.yard.products();
    let standing = view.yard.standing_labels(&products);
    for (id, past) in past.by_tree(view, wanted) {
        let Some(tree) = view.trees.get(&id) else { continue };
        let now: Vec<_> = treatments(view, tree).into_iter().filter(|t| t.discharged_ul().1 > 0).collect();
        findings.extend(now.iter().filter_map(|t| too_soon(view, id, t, &past)));
        over_limit(view, (&products, &standing), id, &now, &past, findings);
        ingredients(view, (&products, &standing), id, &now, &past, findings);
    }
}

fn too_soon(view: &View<'_>, id: TreeId, now: &Treatment<'_>, past: &PastTree) -> Option<Finding> {
    let day = now.days(view).map(|d| d.day).min()?;
    let of_stem = past.treatments.iter().filter(|t| t.stem == now.stem && t.discharged_ul > Ul(0));
    // Each label's own interval counts: a shorter one in between does not end a longer one.
    let asked = of_stem
        .filter(|t| t.day <= day)
        .filter_map(|t| Some((t, t.day.days_until(day), view.yard.label(t.label?)?.interval_days?)));
    let broken = asked.filter(|(_, days, interval)| days < interval);
    let (then, days, interval) = broken.max_by_key(|(t, ..)| t.day)?;
    let message = format!(
        "Tree {}, stem {}: treated on {} (season {}) and again on {day}, {days} {} later; the label asks for {interval}.",
        view.tag(id),
        now.stem,
        then.day,
        then.season,
        word_for(days, "day", "days")
    );
    let (first, second) = (*then.records.first()?, now.parts.first()?.0.id);
    let mut records = then.records.clone();
    records.extend(now.records());
    let subjects = [first.min(second).to_string(), first.max(second).to_string()];
    let found = Finding::new(Code::DoseTooSoon, &[&subjects[0], &subjects[1]], message, records);
    Some(found.about(id).on(now.days(view)))
}

/// The limit per tree and season, when an earlier book of the job carries the same season's name or
/// treated the tree in the same calendar year or half year: what both put in counts. Of one book alone [`crate::check::season`] says it.
fn over_limit(
    view: &View<'_>,
    (products, standing): (&Products, &StandingLabels<'_>),
    id: TreeId,
    now: &[Treatment<'_>],
    past: &PastTree,
    findings: &mut Vec<Finding>,
) {
    let Some(tree) = view.trees.get(&id) else { return };
    let stems = view.tree(id).map_or(1, |t| t.stems.clamp(1, 64));
    let diameters: Vec<_> = (1..=stems).filter_map(|stem| view.diameter(tree, stem)).collect();
    let mut by_product: BTreeMap<LabelId, (LabelId, Vec<&Treatment<'_>>)> = BTreeMap::new();
    for treatment in now {
        let Some((_, _, application)) = treatment.parts.first() else { continue };
        let Some(product) = products.of(application.label) else { continue };
        by_product.entry(product).or_insert((application.label, vec![])).1.push(treatment);
    }
    for (product, (label, ours)) in by_product {
        let same = |t: &&PastTreatment| t.label.and_then(|l| products.of(l)) == Some(product);
        let days = ours.iter().flat_map(|t| t.days(view)).map(|d| d.day);
        let theirs: Vec<_> = past.of_season(&view.job.season, days).filter(same).collect();
        // Whichever label sets the least: a later entry or version never sets an earlier one's aside.
        let used = ours.iter().flat_map(|t| t.parts.iter().map(|(_, _, a)| a.label));
        let used = used.chain(theirs.iter().filter_map(|t| t.label));
        let stood = ours.iter().flat_map(|t| {
            let day = t.days(view).map(|d| d.day).min();
            standing.at(products, label, t.last_begun(), day).map(|(_, label)| label)
        });
        let labels = used.filter_map(|l| view.yard.label(l)).chain(stood);
        let Some(limit) = labels.filter_map(|l| season_limit_ul(l, &diameters)).min() else { continue };
        let before = theirs.iter().map(|t| t.discharged_ul.0).fold(0, i64::saturating_add);
        let all = ours.iter().map(|t| t.discharged_ul().1).fold(before, i64::saturating_add);
        if before == 0 || all <= limit.0 {
            continue;
        }
        let message = format!(
            "Tree {}: {} mL discharged in season {}, {} mL of it in an earlier book, over the label's limit of {} mL per tree and season.",
            view.tag(id),
            Ul(all).ml(),
            view.job.season,
            Ul(before).ml(),
            limit.ml()
        );
        let mut records: Vec<_> = theirs.iter().flat_map(|t| t.records.iter().copied()).collect();
        records.extend(ours.iter().flat_map(|t| t.records()));
        let subjects = [id.to_string(), label.to_string()];
        let found = Finding::new(Code::DoseSeasonLimit, &[&subjects[0], &subjects[1]], message, records);
        findings.push(found.about(id).on(ours.iter().flat_map(|t| t.days(view))));
    }
}

/// The limit of an active ingredient per tree and season, where an earlier book of the season put some of it
/// into the tree and another product than this book's, or more than one of them, holds it: of one product
/// alone [`over_limit`] says it. The least limit of all those labels, and of those that stood, holds.
fn ingredients(
    view: &View<'_>,
    (products, standing): (&Products, &StandingLabels<'_>),
    id: TreeId,
    now: &[Treatment<'_>],
    past: &PastTree,
    findings: &mut Vec<Finding>,
) {
    let days = now.iter().flat_map(|t| t.days(view)).map(|d| d.day);
    let theirs: Vec<_> = past.of_season(&view.job.season, days).collect();
    let before = theirs.iter().filter_map(|t| Some((t.label?, t.discharged_ul.0, None)));
    let here = now.iter().filter_map(|t| {
        let (_, _, first) = t.parts.first()?;
        let day = t.days(view).map(|d| d.day).min();
        let stood = standing.at(products, first.label, t.last_begun(), day).map(|(_, label)| label);
        Some((first.label, t.discharged_ul().1, Some(stood.collect::<Vec<_>>())))
    });
    let mut used: BTreeMap<String, OfIngredient> = BTreeMap::new();
    for (under, discharged, stood) in before.chain(here) {
        let Some(label) = view.yard.label(under) else { continue };
        let here = stood.is_some();
        for ingredient in &label.active_ingredients {
            let name = ingredient.name.trim().to_lowercase();
            let same = |a: &&ActiveIngredient| a.name.trim().to_lowercase() == name;
            let stood = stood.iter().flatten().flat_map(|l| l.active_ingredients.iter().filter(same));
            let limits = stood.chain([ingredient]).filter_map(|a| a.tree_season_max_ug);
            let ng = i128::from(discharged) * i128::from(ingredient.ug_per_ml.max(0));
            let limit = limits.min();
            let of = used.entry(name).or_default();
            of.ng += ng;
            of.limit = of.limit.into_iter().chain(limit).min();
            of.products.insert(products.of(under).unwrap_or(under));
            of.here |= here;
            of.earlier_ng += if here { 0 } else { ng };
        }
    }
    for (name, of) in used {
        let Some(limit) = of.limit.filter(|_| of.here && of.earlier_ng > 0 && of.products.len() > 1) else {
            continue;
        };
        if of.ng <= i128::from(limit) * 1_000 {
            continue;
        }
        let mg = |ng: i128| decimal(i64::try_from(ng / 1_000).unwrap_or(i64::MAX), 1_000, 1);
        let message = format!(
            "Tree {}: {} mg of {name} in season {} from {} products, {} mg of it in an earlier book, over the limit of {} mg per tree and season.",
            view.tag(id),
            mg(of.ng),
            view.job.season,
            of.products.len(),
            mg(of.earlier_ng),
            decimal(limit, 1_000, 1)
        );
        let mut records: Vec<_> = theirs.iter().flat_map(|t| t.records.iter().copied()).collect();
        records.extend(now.iter().flat_map(|t| t.records()));
        let found = Finding::new(Code::DoseSeasonLimit, &[&id.to_string(), &name], message, records);
        findings.push(found.about(id).on(now.iter().flat_map(|t| t.days(view))));
    }
}

/// What went into a tree of an active ingredient.
#[derive(Default)]
struct OfIngredient {
    /// All of it, in nanograms.
    ng: i128,
    /// What earlier books put in of it.
    earlier_ng: i128,
    /// The least limit, in micrograms.
    limit: Option<i64>,
    products: BTreeSet<LabelId>,
    /// Whether this book put some in.
    here: bool,
}

/// When a tree may be treated again.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Due {
    /// The tree, as the newest book lists it.
    pub tree: TreeId,
    /// Its tag.
    pub tag: String,
    /// The label version it was last treated under.
    pub label: LabelId,
    /// The last day it was treated.
    pub last: Day,
    /// The label's shortest interval, if it has one.
    pub interval_days: Option<i64>,
    /// The first day the interval is over; absent when the label states none: then it is for the
    /// licensed applicator to say.
    pub from: Option<Day>,
}

/// The day some days later.
fn later(day: Day, days: i64) -> Day {
    let ms = i64::from(day.number()).saturating_add(days).saturating_mul(86_400_000);
    Day::of(UtcMs(ms), &Zone { name: "Etc/UTC".into(), offsets: vec![] })
}

/// Every treated tree of the job with the day its interval is over: of several labels the latest
/// day counts. Ascending by that day, those without one last.
pub fn due(view: &View<'_>, before: &[&View<'_>]) -> Vec<Due> {
    let mut past = past(before);
    past.add(view);
    let mut found = vec![];
    for (id, past) in past.by_tree(view, |_| true) {
        let mut last: BTreeMap<LabelId, Day> = BTreeMap::new();
        for treatment in past.treatments.iter().filter(|t| t.discharged_ul > Ul(0)) {
            let Some(label) = treatment.label else { continue };
            last.entry(label)
                .and_modify(|known| *known = (*known).max(treatment.day))
                .or_insert(treatment.day);
        }
        let of_label = last.into_iter().map(|(label, last)| {
            let interval_days = view.yard.label(label).and_then(|l| l.interval_days);
            let from = interval_days.map(|days| later(last, days));
            Due { tree: id, tag: view.tag(id), label, last, interval_days, from }
        });
        if view.trees.contains_key(&id) {
            found.extend(of_label.max_by_key(|d| (d.from, d.last, d.label)));
        }
    }
    found.sort_by(|a, b| {
        (a.from.is_none(), a.from, &a.tag, a.tree).cmp(&(b.from.is_none(), b.from, &b.tag, b.tree))
    });
    found
}
