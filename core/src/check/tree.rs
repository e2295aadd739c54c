//! Trees: one tag on two trees, records about a tree no one has listed.

use std::borrow::Cow;

use crate::check::record::label_of;
use crate::check::work::Work;
use crate::finding::{Code, Finding};
use crate::ids::TreeId;
use crate::record::Body;
use crate::view::{TreeView, View, tree_named};

/// A tag whatever its case; most are in capitals already.
fn in_capitals(tag: &str) -> Cow<'_, str> {
    let plain = tag.bytes().all(|b| b.is_ascii() && !b.is_ascii_lowercase());
    if plain { tag.into() } else { tag.to_uppercase().into() }
}

/// A tree's tag as tags are compared.
pub(crate) fn tag_of<'v>(view: &'v View<'_>, id: TreeId, tree: &TreeView) -> Option<Cow<'v, str>> {
    view.listed(id, tree).map(|listed| in_capitals(listed.tag.trim()))
}

/// One tag on several trees.
pub fn same_tag(view: &View<'_>, work: &Work<'_>, findings: &mut Vec<Finding>) {
    let mut by_tag: Vec<&(Cow<'_, str>, TreeId)> = work.tags.iter().collect();
    by_tag.sort_unstable();
    for same in by_tag.chunk_by(|a, b| a.0 == b.0) {
        let [(tag, first), _, ..] = same else { continue };
        findings.push(on_trees(view, tag, *first, same.iter().map(|(_, id)| *id).collect()));
    }
}

/// A tag that stands on several trees; `first` has the lowest id.
pub(crate) fn on_trees(view: &View<'_>, tag: &str, first: TreeId, trees: Vec<TreeId>) -> Finding {
    let message = format!("Tag {tag} stands on {} trees.", trees.len());
    let facts = trees.iter().filter_map(|id| view.facts.fact_of(*id));
    let days: Vec<_> = facts.filter_map(|f| view.crew_day(view.facts.shown(f))).collect();
    Finding::new(Code::SameTag, &[tag], message, trees).about(first).on(days)
}

/// Records about a tree no one has listed.
pub fn unknown(view: &View<'_>, findings: &mut Vec<Finding>) {
    for index in &view.unknown_tree {
        let fact = view.fact(*index);
        let version = view.facts.shown(fact);
        let Some(tree) = tree_named(&version.record.body) else { continue };
        let (kind, id) = (label_of(fact.kind), fact.id);
        let message = match &version.record.body {
            Body::Application(a) => format!(
                "The {kind} ({} mL discharged) {id} is about tree {tree}, which no record in force lists.",
                a.discharged_ul().ml()
            ),
            _ => format!("The {kind} {id} is about tree {tree}, which no record in force lists."),
        };
        findings.push(
            Finding::new(Code::UnknownTree, &[&fact.id.to_string()], message, vec![version.id(), tree])
                .on(view.crew_day(version)),
        );
    }
}
