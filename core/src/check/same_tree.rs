//! One tree listed under two tags, by [`linkage`](crate::linkage).
//!
//! Two listings of one tag are `tree.same_tag` and not shown here again, unless the tag stands on so
//! many trees that it tells nobody which of them are one.

use std::collections::BTreeSet;

use crate::check::work::Work;
use crate::finding::{Code, Finding};
use crate::ids::{RecordId, TreeId};
use crate::linkage::evidence::message;
use crate::linkage::tags::Tags;
use crate::linkage::{Linked, Listing, Visit, link};
use crate::record::Body;
use crate::view::{TreeView, View};

/// Findings of this rule.
pub fn check(view: &View<'_>, work: &Work<'_>, findings: &mut Vec<Finding>) {
    say(view, &link(&work.listings), &work.listings, findings);
}

/// The findings on what was linked.
pub(crate) fn say(view: &View<'_>, linked: &Linked, listings: &[Listing<'_>], findings: &mut Vec<Finding>) {
    let mut seen = BTreeSet::new();
    for doubtful in &linked.doubtful {
        let Some(pair) = doubtful.pairs.first().and_then(|i| linked.pairs.get(*i)) else { continue };
        let (Some(a), Some(b)) = (listings.get(pair.a), listings.get(pair.b)) else { continue };
        let told = pair.comparison.tags == Tags::Equal && linked.model.book.common_tag(a.tag).is_none();
        if told || !seen.insert((a.id, b.id)) {
            continue;
        }
        findings.push(finding(view, a.id, b.id, message(linked, listings, doubtful)));
    }
}

fn finding(view: &View<'_>, first: TreeId, second: TreeId, message: String) -> Finding {
    let facts = || [first, second].into_iter().filter_map(|id| view.facts.fact_of(id));
    let days: Vec<_> = facts().filter_map(|f| view.crew_day(view.facts.shown(f))).collect();
    // The weights move with the whole book, so a ruling stands on the two trees' own records.
    let mut records: Vec<RecordId> = vec![first, second];
    records.extend(facts().map(|f| view.facts.shown(f).id()));
    for tree in [first, second].iter().filter_map(|id| view.trees.get(id)) {
        let last = view.diameters(tree, 1).max_by_key(|(v, _)| (v.record.envelope.at, v.id()));
        records.extend(last.map(|(version, _)| version.id()));
    }
    let subjects = [first.to_string(), second.to_string()];
    Finding::on_records(Code::MayBeSame, &[&subjects[0], &subjects[1]], message, records)
        .about(first)
        .on(days)
}

/// The trees of a job that have a position, as linkage reads them, ascending by id.
pub fn listings<'v>(view: &'v View<'_>) -> Vec<Listing<'v>> {
    view.trees.iter().filter_map(|(id, tree)| listing(view, *id, tree)).collect()
}

/// A tree as linkage reads it, if it has a position.
pub fn listing<'v>(view: &'v View<'_>, id: TreeId, tree: &TreeView) -> Option<Listing<'v>> {
    let fact = view.facts.fact_near(id, &tree.listed_as).filter(|f| f.in_force())?;
    let Body::Tree(listed) = &view.facts.shown(fact).record.body else { return None };
    let first = fact.history.first().and_then(|v| view.facts.versions.get(*v));
    let photos = || {
        tree.photos.iter().filter_map(|i| match &view.facts.shown(view.fact(*i)).record.body {
            Body::Photo(photo) => Some(photo.taken_at),
            _ => None,
        })
    };
    let visit = first.map(|v| {
        let at = v.record.envelope.at;
        Visit { device: v.author, from: photos().fold(at, Ord::min), to: photos().fold(at, Ord::max) }
    });
    Some(Listing {
        id,
        tag: listed.tag.trim(),
        species: listed.species.as_deref(),
        position: listed.position?,
        diameter: if listed.stems == 1 { view.diameter(tree, 1) } else { None },
        visit,
    })
}
