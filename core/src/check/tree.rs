//! Trees: one tag on two trees, records about a tree no one has listed.

use std::collections::BTreeMap;

use crate::check::record::label_of;
use crate::finding::{Code, Finding};
use crate::ids::TreeId;
use crate::record::Body;
use crate::view::{View, tree_named};

/// Findings of this rule.
pub fn check(view: &View<'_>, findings: &mut Vec<Finding>) {
    let mut by_tag: BTreeMap<String, Vec<TreeId>> = BTreeMap::new();
    for id in view.trees.keys() {
        if let Some(tree) = view.tree(*id) {
            by_tag.entry(tree.tag.trim().to_uppercase()).or_default().push(*id);
        }
    }
    for (tag, trees) in &by_tag {
        let [first, .., _] = trees[..] else { continue };
        let message = format!("Tag {tag} stands on {} trees.", trees.len());
        let days = trees
            .iter()
            .filter_map(|id| view.facts.fact_of(*id))
            .filter_map(|f| view.crew_day(view.facts.shown(f)));
        findings.push(Finding::new(Code::SameTag, &[tag], message, trees.clone()).about(first).on(days));
    }
    for index in &view.unknown_tree {
        let fact = view.fact(*index);
        let version = view.facts.shown(fact);
        let Some(tree) = tree_named(&version.record.body) else { continue };
        let volume = match &version.record.body {
            Body::Application(a) => format!(" ({} mL discharged)", a.discharged_ul().ml()),
            _ => String::new(),
        };
        let message = format!(
            "The {}{volume} {} is about tree {tree}, which no record in force lists.",
            label_of(fact.kind),
            fact.id
        );
        findings.push(
            Finding::new(Code::UnknownTree, &[&fact.id.to_string()], message, vec![version.id(), tree])
                .on(view.crew_day(version)),
        );
    }
}
