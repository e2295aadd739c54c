//! What a reader sees of a job: applications, trees and sums, read once.

use std::collections::BTreeMap;

use bolebook_core::export::{DayStates, Violations};
use bolebook_core::facts::{Fact, Version};
use bolebook_core::ids::{LabelId, RecordId, TreeId};
use bolebook_core::quantity::Ul;
use bolebook_core::record::label::Label;
use bolebook_core::record::work::Application;
use bolebook_core::record::{Body, Kind};
use bolebook_core::view::{CrewDay, TreeState, TreeView, View};

use crate::Asked;

/// An application that is shown.
pub struct Shown<'v> {
    /// Its fact.
    pub fact: &'v Fact,
    /// The version shown.
    pub version: &'v Version,
    /// What it says.
    pub body: &'v Application,
    /// Its crew-day.
    pub day: Option<CrewDay>,
    /// `provisional`, `signed off` or `arrived after sign-off`.
    pub day_state: &'static str,
    /// Violations the office confirmed.
    pub violations: Vec<String>,
}

/// Volumes.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Sums {
    /// Taken up.
    pub put_in: Ul,
    /// Lost beside the trees.
    pub leaked: Ul,
    /// Both; of a contested application the most that one value says.
    pub discharged: Ul,
}

impl Sums {
    /// These and more.
    pub fn and(self, other: Self) -> Self {
        Self {
            put_in: self.put_in.saturating_add(other.put_in),
            leaked: self.leaked.saturating_add(other.leaked),
            discharged: self.discharged.saturating_add(other.discharged),
        }
    }
}

/// A tree that is shown.
pub struct ShownTree<'v> {
    /// Its id.
    pub id: TreeId,
    /// What is known of it.
    pub tree: &'v TreeView,
    /// What became of it, as far as is shown.
    pub state: TreeState,
    /// What went in.
    pub sums: Sums,
    /// Its first day of treatment.
    pub first: Option<CrewDay>,
}

/// What a reader sees.
pub struct Selected<'v> {
    /// In the order of the work; struck and held ones among them.
    pub all: Vec<Shown<'v>>,
    /// Ascending by id.
    pub trees: Vec<ShownTree<'v>>,
    /// Of everything in force.
    pub sums: Sums,
    /// Of each application in force; of a contested one the largest value of each.
    pub of_fact: BTreeMap<RecordId, Sums>,
    /// The labels used.
    pub labels: BTreeMap<LabelId, &'v Label>,
}

impl<'v> Selected<'v> {
    /// Applications in force.
    pub fn in_force(&self) -> impl Iterator<Item = &Shown<'v>> {
        self.all.iter().filter(|s| s.fact.in_force())
    }
}

/// Reads it.
pub fn select<'v>(asked: &Asked<'v>) -> Selected<'v> {
    let view: &'v View<'v> = asked.view;
    let (days, violations) = (DayStates::of(view), Violations::of(view, asked.findings));
    let mut all = vec![];
    for fact in view.facts.of_kind(Kind::Application) {
        let versions: Vec<&Version> = if fact.current.is_empty() {
            vec![view.facts.shown(fact)]
        } else {
            view.facts.current(fact).collect()
        };
        for version in versions.into_iter().filter(|v| (asked.takes)(fact, v)) {
            let Body::Application(body) = &version.record.body else { continue };
            all.push(Shown {
                fact,
                version,
                body,
                day: view.crew_day(version),
                day_state: days.state(version),
                violations: violations.of_application(fact, version).to_vec(),
            });
        }
    }
    all.sort_by_key(|s| (s.body.started_at, s.version.id()));
    let (mut of_fact, mut labels) = (BTreeMap::<RecordId, Sums>::new(), BTreeMap::new());
    for shown in all.iter().filter(|s| s.fact.in_force()) {
        let most = of_fact.entry(shown.fact.id).or_default();
        most.put_in = most.put_in.max(shown.body.put_in_ul());
        most.leaked = most.leaked.max(shown.body.leaked_ul());
        most.discharged = most.discharged.max(shown.body.discharged_ul());
        if let Some(label) = view.yard.label(shown.body.label) {
            labels.insert(shown.body.label, label);
        }
    }
    let sums = of_fact.values().fold(Sums::default(), |sum, one| sum.and(*one));
    let trees = view.trees.iter().map(|(id, tree)| shown_tree(asked, *id, tree, &of_fact)).collect();
    Selected { all, trees, sums, of_fact, labels }
}

fn shown_tree<'v>(
    asked: &Asked<'v>,
    id: TreeId,
    tree: &'v TreeView,
    of_fact: &BTreeMap<RecordId, Sums>,
) -> ShownTree<'v> {
    let view = asked.view;
    let mut facts: Vec<RecordId> = view.applications(tree).map(|(fact, _, _)| fact.id).collect();
    facts.dedup();
    let sums = facts.iter().filter_map(|f| of_fact.get(f)).fold(Sums::default(), |sum, one| sum.and(*one));
    let taken = view.applications(tree).filter(|(fact, v, _)| (asked.takes)(fact, v));
    let first = taken.filter_map(|(_, v, _)| view.crew_day(v)).min_by_key(|d| (d.day, d.crew));
    let decided = tree.not_treated.iter().map(|i| view.fact(*i));
    let decided = decided.map(|f| (f, view.facts.shown(f))).rfind(|(f, v)| (asked.takes)(f, v));
    let state = match decided.map(|(_, v)| &v.record.body) {
        _ if sums.put_in > Ul(0) => TreeState::Treated,
        Some(Body::NotTreated(n)) => TreeState::NotTreated(n.reason),
        _ => TreeState::Left,
    };
    ShownTree { id, tree, state, sums, first }
}
