//! How an application stands in every table that shows it: struck, provisional, a violation.

use std::collections::{BTreeMap, BTreeSet};

use crate::facts::{Fact, Version};
use crate::finding::{Finding, State};
use crate::ids::{RecordId, TreeId};
use crate::view::{TreeView, View};

/// The versions to show of a fact: those in force, else the last known.
pub(super) fn versions<'v>(view: &'v View<'_>, fact: &'v Fact) -> Vec<&'v Version> {
    if fact.current.is_empty() { vec![view.facts.shown(fact)] } else { view.facts.current(fact).collect() }
}

/// How a fact stands.
pub(super) fn standing(fact: &Fact) -> &'static str {
    match (fact.in_force(), fact.struck_by, fact.contested) {
        (_, Some(_), _) => "struck",
        (false, None, _) => "held",
        (true, None, Some(_)) => "contested",
        (true, None, None) => "in force",
    }
}

/// Which days of a job are signed off, and what arrived too late for that.
pub struct DayStates<'v, 'y> {
    view: &'v View<'y>,
    late: BTreeSet<(RecordId, u64)>,
}

impl<'v, 'y> DayStates<'v, 'y> {
    /// Of a job.
    pub fn of(view: &'v View<'y>) -> Self {
        let late = view.late.iter().map(|(i, _)| &view.facts.versions[*i]);
        Self { view, late: late.map(|v| (v.id(), v.op)).collect() }
    }

    /// Whether the day of a version was signed off, on a state that had it.
    pub fn signed(&self, version: &Version) -> bool {
        self.state(version) == "signed off"
    }

    /// `provisional`, `signed off`, or `arrived after sign-off`.
    pub fn state(&self, version: &Version) -> &'static str {
        let signed = self.view.crew_day(version).is_some_and(|d| self.view.signed_off.contains_key(&d));
        match signed {
            false => "provisional",
            true if self.late.contains(&(version.id(), version.op)) => "arrived after sign-off",
            true => "signed off",
        }
    }
}

/// The violations that the office confirmed, as text: code, why, what was done, which report.
pub struct Violations {
    by_record: BTreeMap<RecordId, Vec<String>>,
    by_tree: BTreeMap<TreeId, Vec<String>>,
}

impl Violations {
    /// Of a job's findings.
    pub fn of(view: &View<'_>, findings: &[Finding]) -> Self {
        let mut all = Self { by_record: BTreeMap::new(), by_tree: BTreeMap::new() };
        for finding in findings {
            let State::Settled { done: Some(done), reported: Some(reported), reason, .. } = &finding.state
            else {
                continue;
            };
            let text = format!("{}: {reason}; done: {done}; reported: {reported}", finding.code.name());
            for record in &finding.records {
                all.by_record.entry(*record).or_default().push(text.clone());
            }
            if let Some(tree) = finding.tree {
                all.by_tree.entry(view.stays(tree)).or_default().push(text);
            }
        }
        all
    }

    /// Of an application, whichever of its versions the finding named.
    pub fn of_application(&self, fact: &Fact, version: &Version) -> &[String] {
        let named = self.by_record.get(&version.id()).or_else(|| self.by_record.get(&fact.id));
        named.map_or(&[], Vec::as_slice)
    }

    /// Of a tree: about itself, and about what was applied to it.
    pub fn of_tree(&self, view: &View<'_>, id: TreeId, tree: &TreeView) -> Vec<String> {
        let mut all = self.by_tree.get(&id).cloned().unwrap_or_default();
        for fact in tree.applications.iter().map(|i| view.fact(*i)) {
            all.extend(self.of_application(fact, view.facts.shown(fact)).iter().cloned());
        }
        all.sort();
        all.dedup();
        all
    }
}
