//! A job's work laid out once for all rules: treatments by tree, applications by crew-day, and each
//! label version looked up and judged once.

use std::borrow::Cow;
use std::collections::{BTreeMap, BTreeSet};

use crate::check::{Treatment, treatments};
use crate::facts::{Fact, Version};
use crate::finding::{Code, Finding};
use crate::ids::{LabelId, RecordId, TreeId};
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

impl<'v> Done<'v> {
    /// Its tree's tag, or the tree's id when no one has listed it: [`View::tag`].
    pub fn called(&self) -> Cow<'v, str> {
        called(self.listed, self.tree)
    }

    /// A finding about this application.
    pub fn find(&self, code: Code, message: String) -> Finding {
        Finding::new(code, &[self.fact.id.text(&mut [0; 36])], message, vec![self.version.id()])
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
    /// The tree as it is listed.
    pub listed: Option<&'v Tree>,
    /// Its treatments, in order.
    pub treatments: Vec<Treatment<'v>>,
}

impl<'v> Treated<'v> {
    /// Its tag, or its id when no one has listed it: [`View::tag`].
    pub fn called(&self) -> Cow<'v, str> {
        called(self.listed, self.id)
    }
}

fn called(listed: Option<&Tree>, id: TreeId) -> Cow<'_, str> {
    listed.map_or_else(|| Cow::Owned(id.to_string()), |tree| Cow::Borrowed(tree.tag.as_str()))
}

/// A label version that some application names.
#[derive(Clone, Copy)]
pub struct Entered<'v> {
    /// What it says: [`Yard::label`](crate::view::Yard::label).
    pub label: &'v Label,
    /// Whether a second person has confirmed it: [`Yard::confirmed`](crate::view::Yard::confirmed).
    pub confirmed: bool,
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
    labels: BTreeMap<LabelId, Option<Entered<'v>>>,
}

impl<'v> Work<'v> {
    /// Lays out a view.
    pub fn of(view: &'v View<'_>) -> Self {
        Self::among(view, view.trees.iter())
    }

    /// Lays out some trees of a view, given ascending by id.
    pub fn among(view: &'v View<'_>, trees: impl Iterator<Item = (&'v TreeId, &'v TreeView)>) -> Self {
        let mut work = Self {
            done: vec![],
            treated: vec![],
            by_day: BTreeMap::new(),
            asks: view.requirements(),
            labels: BTreeMap::new(),
        };
        let mut kits: BTreeMap<RecordId, Option<&Kit>> = BTreeMap::new();
        for (id, tree) in trees {
            if tree.applications.is_empty() {
                continue;
            }
            let listed = view.listed(*id, tree);
            work.treated.push(Treated { id: *id, tree, listed, treatments: treatments(view, tree) });
            let tag = listed.map_or("?", |t| t.tag.as_str());
            let mut last = None;
            for (fact, version, body) in view.applications(tree) {
                let day = view.crew_day(version);
                let first = last != Some(fact.id);
                last = Some(fact.id);
                if let (true, Some(day)) = (first, day) {
                    work.by_day.entry(day).or_default().push(work.done.len());
                }
                let entered = work.labels.entry(body.label).or_insert_with(|| entered(view, body.label));
                let label = entered.map(|e| e.label);
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

    /// A label version that one of the applications names, if the yard has it.
    pub fn label(&self, id: LabelId) -> Option<Entered<'v>> {
        self.labels.get(&id).copied().flatten()
    }

    /// A crew-day's applications in the order of their starts.
    pub fn of_day<'a>(&'a self, indices: &'a [usize]) -> impl Iterator<Item = &'a Done<'v>> + 'a {
        indices.iter().filter_map(|i| self.done.get(*i))
    }
}

fn entered<'v>(view: &'v View<'_>, id: LabelId) -> Option<Entered<'v>> {
    let label = view.yard.label(id)?;
    Some(Entered { label, confirmed: view.yard.confirmed(id).is_some() })
}

/// What many records of a crew-day have in common, for one finding a day instead of one a tree.
/// `K` is what they have in common, as briefly as it can be held; words are made of it once a group.
pub struct Together<'v, K = &'static str> {
    groups: BTreeMap<(CrewDay, K), Vec<Tagged<'v>>>,
}

/// A tree's tag, and a record about the tree.
type Tagged<'v> = (Cow<'v, str>, RecordId);

impl<K> Default for Together<'_, K> {
    fn default() -> Self {
        Self { groups: BTreeMap::new() }
    }
}

impl<'v, K: Ord> Together<'v, K> {
    /// Adds a record of `tag`'s to what is found of `what` on a day.
    pub fn add(&mut self, day: CrewDay, what: K, tag: Cow<'v, str>, record: RecordId) {
        self.groups.entry((day, what)).or_default().push((tag, record));
    }

    /// One finding a day and kind of trouble: `words` of what was found are its subject, and `message`
    /// gets them and the trees' tags.
    pub fn findings(
        &self,
        code: Code,
        words: impl Fn(&K) -> String,
        message: impl Fn(CrewDay, &str, &str) -> String,
        findings: &mut Vec<Finding>,
    ) {
        for ((day, what), of) in &self.groups {
            let what = words(what);
            let tags: BTreeSet<&str> = of.iter().map(|(tag, _)| &**tag).collect();
            let text = message(*day, &what, &listed(&tags));
            let subjects = [day.crew.to_string(), day.day.to_string()];
            let records = of.iter().map(|(_, record)| *record).collect();
            let subjects: [&str; 3] = [&subjects[0], &subjects[1], &what];
            findings.push(Finding::new(code, &subjects, text, records).on([*day]));
        }
    }
}

/// The first tags of some trees: `trees A, B, C and 4 more`.
pub fn listed(tags: &BTreeSet<&str>) -> String {
    const SHOWN: usize = 5;
    let shown: Vec<&str> = tags.iter().copied().take(SHOWN).collect();
    let shown = shown.join(", ");
    match tags.len() {
        1 => format!("tree {shown}"),
        n if n > SHOWN => format!("trees {shown} and {} more", n - SHOWN),
        _ => format!("trees {shown}"),
    }
}

/// Several troubles of one stem in one sentence, the first few of them.
pub fn joined(parts: &[String]) -> String {
    const SHOWN: usize = 4;
    let shown = parts.get(..SHOWN).unwrap_or(parts).join("; ");
    match parts.len() {
        n if n > SHOWN => format!("{shown}; and {} more", n - SHOWN),
        _ => shown,
    }
}
