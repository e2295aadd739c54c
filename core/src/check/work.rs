//! A job's work laid out once for all rules: treatments by tree, applications by crew-day.

use std::collections::{BTreeMap, BTreeSet};

use crate::check::{Treatment, treatments};
use crate::facts::{Fact, Version};
use crate::finding::{Code, Finding};
use crate::ids::{RecordId, TreeId};
use crate::record::kit::Kit;
use crate::record::label::Label;
use crate::record::office::Requirements;
use crate::record::stand::Tree;
use crate::record::work::Application;
use crate::view::{CrewDay, TreeView, View};

/// One value of an application, with what it names.
#[derive(Clone, Copy)]
pub struct Done<'v> {
    /// The tree that stays.
    pub tree: TreeId,
    /// All that is logged of it.
    pub of: &'v TreeView,
    /// The tree as it is listed.
    pub listed: Option<&'v Tree>,
    /// Its tag.
    pub tag: &'v str,
    /// The application's fact.
    pub fact: &'v Fact,
    /// This value of it.
    pub version: &'v Version,
    /// What it says.
    pub body: &'v Application,
    /// The crew-day it counts to.
    pub day: Option<CrewDay>,
    /// Its label version, if the yard has it.
    pub label: Option<&'v Label>,
    /// Its kit, if the yard has it.
    pub kit: Option<&'v Kit>,
    /// Whether it is the first of the values in force of its fact.
    pub first: bool,
}

impl Done<'_> {
    /// A finding about this application.
    pub fn find(&self, code: Code, message: String) -> Finding {
        Finding::new(code, &[&self.fact.id.to_string()], message, vec![self.version.id()])
            .about(self.tree)
            .on(self.day)
    }
}

/// A tree with its treatments.
pub struct Treated<'v> {
    /// The tree.
    pub id: TreeId,
    /// All that is logged of it.
    pub tree: &'v TreeView,
    /// Its treatments, in order.
    pub treatments: Vec<Treatment<'v>>,
}

/// A job's work.
pub struct Work<'v> {
    /// Every value of every application, by tree.
    pub done: Vec<Done<'v>>,
    /// Trees with applications.
    pub treated: Vec<Treated<'v>>,
    /// Each crew-day's applications, one value of each, by start, end and id: indices into `done`.
    pub by_day: BTreeMap<CrewDay, Vec<usize>>,
    /// What the job asks of every record.
    pub asks: Requirements,
}

impl<'v> Work<'v> {
    /// Lays out a view.
    pub fn of(view: &'v View<'_>) -> Self {
        let mut work =
            Self { done: vec![], treated: vec![], by_day: BTreeMap::new(), asks: view.requirements() };
        let mut labels: BTreeMap<RecordId, Option<&Label>> = BTreeMap::new();
        let mut kits: BTreeMap<RecordId, Option<&Kit>> = BTreeMap::new();
        for (id, tree) in &view.trees {
            if tree.applications.is_empty() {
                continue;
            }
            work.treated.push(Treated { id: *id, tree, treatments: treatments(view, tree) });
            let listed = view.tree(*id);
            let tag = listed.map_or("?", |t| t.tag.as_str());
            let mut last = None;
            for (fact, version, body) in view.applications(tree) {
                let day = view.crew_day(version);
                let first = last != Some(fact.id);
                last = Some(fact.id);
                if let (true, Some(day)) = (first, day) {
                    work.by_day.entry(day).or_default().push(work.done.len());
                }
                let label = *labels.entry(body.label).or_insert_with(|| view.yard.label(body.label));
                let kit = *kits.entry(body.kit).or_insert_with(|| view.yard.kit(body.kit));
                let done =
                    Done { tree: *id, of: tree, listed, tag, fact, version, body, day, label, kit, first };
                work.done.push(done);
            }
        }
        for of_day in work.by_day.values_mut() {
            of_day
                .sort_by_key(|i| work.done.get(*i).map(|d| (d.body.started_at, d.body.ended_at, d.fact.id)));
        }
        work
    }

    /// A crew-day's applications in the order of their starts.
    pub fn of_day<'a>(&'a self, indices: &'a [usize]) -> impl Iterator<Item = &'a Done<'v>> + 'a {
        indices.iter().filter_map(|i| self.done.get(*i))
    }
}

/// What many records of a crew-day have in common, for one finding a day instead of one a tree.
#[derive(Default)]
pub struct Together {
    groups: BTreeMap<(CrewDay, String), BTreeSet<(String, RecordId)>>,
}

impl Together {
    /// Adds a record of `tag`'s to what is found of `what` on a day.
    pub fn add(&mut self, day: CrewDay, what: impl Into<String>, tag: String, record: RecordId) {
        self.groups.entry((day, what.into())).or_default().insert((tag, record));
    }

    /// One finding a day and kind of trouble; `message` gets what was found and the trees' tags.
    pub fn findings(
        &self,
        code: Code,
        message: impl Fn(CrewDay, &str, &str) -> String,
        findings: &mut Vec<Finding>,
    ) {
        for ((day, what), of) in &self.groups {
            let tags: BTreeSet<&str> = of.iter().map(|(tag, _)| tag.as_str()).collect();
            let text = message(*day, what, &listed(&tags));
            let subjects = [day.crew.to_string(), day.day.to_string()];
            let records = of.iter().map(|(_, record)| *record).collect();
            let subjects: [&str; 3] = [&subjects[0], &subjects[1], what];
            findings.push(Finding::new(code, &subjects, text, records).on([*day]));
        }
    }
}

/// The first tags of some trees: `trees A, B, C and 4 more`.
pub fn listed(tags: &BTreeSet<&str>) -> String {
    const SHOWN: usize = 5;
    let shown: Vec<&str> = tags.iter().copied().take(SHOWN).collect();
    let noun = if tags.len() == 1 { "tree" } else { "trees" };
    match tags.len() {
        n if n > SHOWN => format!("{noun} {} and {} more", shown.join(", "), n - SHOWN),
        _ => format!("{noun} {}", shown.join(", ")),
    }
}

/// Several troubles of one stem in one sentence, the first few of them.
pub fn joined(parts: &[String]) -> String {
    const SHOWN: usize = 4;
    let shown = parts.iter().take(SHOWN).cloned().collect::<Vec<_>>().join("; ");
    match parts.len() {
        n if n > SHOWN => format!("{shown}; and {} more", n - SHOWN),
        _ => shown,
    }
}
