//! What can only be seen over several seasons' books: intervals between treatments, what is due,
//! and how the canopies stood then and now.
//!
//! Season books are chained by the job each was opened from; a tree keeps its id through them.
//! Whatever is not at hand is not judged: an earlier book that is missing leaves its years blank.

use std::collections::BTreeMap;

use serde::Serialize;

use crate::check::{Treatment, treatments};
use crate::day::Day;
use crate::finding::{Code, Finding};
use crate::ids::{BookId, LabelId, TreeId};
use crate::quantity::UtcMs;
use crate::record::Body;
use crate::record::book_kinds::Zone;
use crate::view::{TreeView, View};

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

/// The same tree in another season's book.
fn same<'a>(view: &'a View<'_>, id: TreeId) -> Option<&'a TreeView> {
    view.trees.get(&view.stays(id))
}

fn first_day(view: &View<'_>, treatment: &Treatment<'_>) -> Option<Day> {
    treatment.days(view).map(|d| d.day).min()
}

/// Stems treated again before the interval on the label of their last earlier season's treatment
/// had passed. `before` as [`earlier`] gives it.
pub fn too_soon(view: &View<'_>, before: &[&View<'_>]) -> Vec<Finding> {
    let mut findings = vec![];
    for (id, tree) in view.trees.iter().filter(|_| !before.is_empty()) {
        for now in treatments(view, tree).iter().filter(|t| t.discharged_ul().1 > 0) {
            let Some(day) = first_day(view, now) else { continue };
            let mut last: Option<(Day, &View<'_>, Treatment<'_>)> = None;
            for book in before {
                for then in same(book, *id).map(|t| treatments(book, t)).into_iter().flatten() {
                    let Some(then_day) = first_day(book, &then) else { continue };
                    let counts = then.stem == now.stem && then.discharged_ul().1 > 0 && then_day <= day;
                    if counts && last.as_ref().is_none_or(|(known, ..)| *known < then_day) {
                        last = Some((then_day, book, then));
                    }
                }
            }
            findings.extend(last.and_then(|last| judged(view, *id, now, day, &last)));
        }
    }
    findings
}

fn judged(
    view: &View<'_>,
    id: TreeId,
    now: &Treatment<'_>,
    day: Day,
    (then_day, book, then): &(Day, &View<'_>, Treatment<'_>),
) -> Option<Finding> {
    let (first, _, earlier) = then.parts.first()?;
    let (second, _, _) = now.parts.first()?;
    let interval = view.yard.label(earlier.label)?.interval_days?;
    let days = then_day.days_until(day);
    if days >= interval {
        return None;
    }
    let message = format!(
        "Tree {}, stem {}: treated on {then_day} (season {}) and again on {day}, {days} days later; the label asks for {interval}.",
        view.tag(id),
        now.stem,
        book.job.season
    );
    let mut records = then.records();
    records.extend(now.records());
    let subjects = [first.id.min(second.id).to_string(), first.id.max(second.id).to_string()];
    let found = Finding::new(Code::DoseTooSoon, &[&subjects[0], &subjects[1]], message, records);
    Some(found.about(id).on(now.days(view)))
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
    let books = || std::iter::once(view).chain(before.iter().copied());
    let mut found = vec![];
    for id in view.trees.keys() {
        let mut last: BTreeMap<LabelId, Day> = BTreeMap::new();
        for book in books() {
            for treatment in same(book, *id).map(|t| treatments(book, t)).into_iter().flatten() {
                let day = treatment.days(book).map(|d| d.day).max();
                let label = treatment.parts.first().map(|(_, _, a)| a.label);
                if let (Some(day), Some(label), true) = (day, label, treatment.discharged_ul().1 > 0) {
                    last.entry(label).and_modify(|known| *known = (*known).max(day)).or_insert(day);
                }
            }
        }
        let of_label = last.into_iter().map(|(label, last)| {
            let interval_days = view.yard.label(label).and_then(|l| l.interval_days);
            let from = interval_days.map(|days| later(last, days));
            Due { tree: *id, tag: view.tag(*id), label, last, interval_days, from }
        });
        found.extend(of_label.max_by_key(|d| (d.from, d.last, d.label)));
    }
    found.sort_by(|a, b| {
        (a.from.is_none(), a.from, &a.tag, a.tree).cmp(&(b.from.is_none(), b.from, &b.tag, b.tree))
    });
    found
}

/// The upper bounds of the canopy classes, in per mille of canopy lost, each inclusive. 30 % is a
/// city programme's caution, over 50 % a tree is unlikely to recover even if treated (Herms et al.
/// 2009, multi-state bulletin); 10 % is common practice, no source.
pub const CANOPY_CLASSES: [i64; 4] = [100, 300, 500, 1_000];

/// How many trees are in a canopy class, and what share of all that says.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct CanopyClass {
    /// Canopy lost is over this, in per mille; the first class holds 0 too.
    pub over: i64,
    /// Up to and with this.
    pub up_to: i64,
    /// Trees.
    pub trees: u64,
    /// The 95 % interval of the share, in per mille, rounded outward; absent with nothing assessed.
    pub share: Option<(i64, i64)>,
}

/// A season's canopies.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Season {
    /// The job book.
    pub book: BookId,
    /// The season, as the job names it.
    pub season: String,
    /// Trees listed.
    pub trees: usize,
    /// Trees whose canopy was assessed: the last assessment of the season counts.
    pub assessed: u64,
    /// Trees by class, the best first.
    pub classes: Vec<CanopyClass>,
}

/// The canopies of one season's book.
pub fn canopies(view: &View<'_>) -> Season {
    let losses: Vec<i64> = view.trees.values().filter_map(|tree| last_loss(view, tree)).collect();
    let assessed = losses.len() as u64;
    let mut over = 0;
    let mut classes = vec![];
    for up_to in CANOPY_CLASSES {
        let within = |loss: &&i64| (**loss > over || over == 0) && **loss <= up_to;
        let trees = losses.iter().filter(within).count() as u64;
        classes.push(CanopyClass { over, up_to, trees, share: wilson(trees, assessed) });
        over = up_to;
    }
    Season { book: view.book, season: view.job.season.clone(), trees: view.trees.len(), assessed, classes }
}

/// The last canopy loss logged of a tree, before or after its treatment, in per mille of 0 to 1000.
fn last_loss(view: &View<'_>, tree: &TreeView) -> Option<i64> {
    let versions = tree.conditions.iter().chain(&tree.inspections).map(|i| view.facts.shown(view.fact(*i)));
    let losses = versions.filter_map(|version| {
        let loss = match &version.record.body {
            Body::Condition(b) => b.canopy_loss,
            Body::Inspection(b) => b.canopy_loss,
            _ => None,
        }?;
        Some((version.record.envelope.at, version.id(), loss.0.clamp(0, 1_000)))
    });
    losses.max().map(|(_, _, loss)| loss)
}

/// The 95 % score interval of a share of `of`, in per mille, rounded outward; `None` of nothing.
///
/// E. B. Wilson, J. Am. Stat. Assoc. 22 (1927) 209–212, without continuity correction, z = 1.959964.
/// It takes the trees as drawn apart from each other; neighbours seldom are, so read it as the least
/// that is unknown.
pub fn wilson(hits: u64, of: u64) -> Option<(i64, i64)> {
    if of == 0 || hits > of {
        return None;
    }
    let z = 1.959_964_f64;
    let (n, p) = (of as f64, hits as f64 / of as f64);
    let scale = 1.0 + z * z / n;
    let centre = (p + z * z / (2.0 * n)) / scale;
    let half = z * libm::sqrt(p * (1.0 - p) / n + z * z / (4.0 * n * n)) / scale;
    // At none and at all, the bound is exactly 0 or 1; a rounding error must not move it outward.
    let low = if hits == 0 { 0 } else { libm::floor((centre - half) * 1_000.0) as i64 };
    let high = if hits == of { 1_000 } else { libm::ceil((centre + half) * 1_000.0) as i64 };
    Some((low.max(0), high.min(1_000)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn outside_wilsons_interval_is_that_of_newcombes_examples() {
        // R. G. Newcombe, Stat. Med. 17 (1998) 857, table I, method 3; figures from memory:
        // 81/263 0.2553 to 0.3662; 15/148 0.0624 to 0.1605; 0/20 0 to 0.1611; 1/29 0.0061 to 0.1718.
        assert_eq!(wilson(81, 263), Some((255, 367)));
        assert_eq!(wilson(15, 148), Some((62, 161)));
        assert_eq!(wilson(0, 20), Some((0, 162)));
        assert_eq!(wilson(1, 29), Some((6, 172)));
        assert_eq!((wilson(0, 0), wilson(2, 1)), (None, None));
        assert_eq!(wilson(20, 20), Some((838, 1_000)));
    }
}
