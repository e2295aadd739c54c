//! A job's work laid out once for all rules: treatments by tree, applications by crew-day, and each
//! label version looked up and judged once.

use std::borrow::Cow;
use std::cell::OnceCell;
use std::collections::{BTreeMap, BTreeSet};

use crate::check::crew::pictures;
use crate::check::rules::OfTree;
use crate::check::same_tree::listing;
use crate::check::tree::tag_of;
use crate::check::{Treatment, treatments};
use crate::facts::{Fact, Version};
use crate::finding::{Code, Finding};
use crate::ids::{LabelId, RecordId, Sha256Hash, TreeId};
use crate::linkage::Listing;
use crate::quantity::{AsRead, UtcMs};
use crate::record::Body;
use crate::record::kit::Kit;
use crate::record::label::Label;
use crate::record::office::Requirements;
use crate::record::stand::Tree;
use crate::record::work::Application;
use crate::view::products::{Products, StandingLabels};
use crate::view::{CrewDay, TreeView, View};

/// How a job is taken apart for its rules. They find the same however it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Parts {
    /// So many trees are looked at by all rules before the next: what is logged of them is in the processor's
    /// cache then, and a job's is not.
    pub trees: usize,
    /// Of days, as many as have so many applications: not fewer, for some rules begin with all closings of a
    /// job.
    pub applications: usize,
}

impl Default for Parts {
    fn default() -> Self {
        Self { trees: 256, applications: 2_000 }
    }
}

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

/// A diameter as a crew read it: when, the record, the tree, and the figure.
pub type Reading<'v> = (UtcMs, RecordId, TreeId, &'v AsRead);

/// A job's work.
pub struct Work<'v> {
    /// Every value of every application, by tree.
    pub done: Vec<Done<'v>>,
    /// Trees with applications.
    pub treated: Vec<Treated<'v>>,
    /// Each crew-day's applications, one value of each, by start, end and id: indices into `done`.
    pub by_day: BTreeMap<CrewDay, Vec<usize>>,
    /// What each crew-day read, by tree.
    pub read: BTreeMap<CrewDay, Vec<Reading<'v>>>,
    /// Of a whole job, the tags of its trees as tags are compared.
    pub(super) tags: Vec<(Cow<'v, str>, TreeId)>,
    /// The pictures of its trees.
    pub(super) pictures: Vec<(Sha256Hash, TreeId)>,
    /// Its trees that have a position, as linkage reads them, ascending by id.
    pub(super) listings: Vec<Listing<'v>>,
    /// What the job asks of every record.
    pub asks: Requirements,
    known: Known<'v>,
}

/// What the yard says, looked up once.
#[derive(Default)]
struct Known<'v> {
    labels: BTreeMap<LabelId, Option<Entered<'v>>>,
    kits: BTreeMap<RecordId, Option<&'v Kit>>,
    standing: OnceCell<(StandingLabels<'v>, Products)>,
}

impl<'v> Work<'v> {
    /// Lays out a view, without what rules hold against each other over the whole job (tags, pictures,
    /// listings).
    pub fn of(view: &'v View<'_>) -> Self {
        Self::among(view, view.trees.iter())
    }

    /// Lays out some trees of a view, given ascending by id.
    pub fn among(view: &'v View<'_>, trees: impl Iterator<Item = OfTree<'v>>) -> Self {
        let mut work = Self::none(view.requirements());
        work.lay_out(view, trees);
        work.in_order();
        work
    }

    /// No work.
    fn none(asks: Requirements) -> Self {
        Self {
            done: vec![],
            treated: vec![],
            by_day: BTreeMap::new(),
            read: BTreeMap::new(),
            tags: vec![],
            pictures: vec![],
            listings: vec![],
            asks,
            known: Known::default(),
        }
    }

    /// Lays out a view in parts of some trees, each of which is `met` while what is logged of its trees is
    /// near the processor. The crew-days of a part are not in order.
    pub(super) fn in_parts(
        view: &'v View<'_>,
        parts: Parts,
        mut met: impl FnMut(&[OfTree<'v>], &Self),
    ) -> Self {
        let mut work = Self::none(view.requirements());
        let mut trees = view.trees.iter();
        loop {
            let some: Vec<OfTree<'v>> = trees.by_ref().take(parts.trees).collect();
            if some.is_empty() {
                break;
            }
            let mut part = Self::none(std::mem::take(&mut work.asks));
            std::mem::swap(&mut part.known, &mut work.known);
            part.lay_out(view, some.iter().copied());
            met(&some, &part);
            work.take(part);
            for (id, tree) in some {
                work.tags.extend(tag_of(view, *id, tree).map(|tag| (tag, *id)));
                work.pictures.extend(pictures(view, tree).map(|(digest, _)| (digest, *id)));
                work.listings.extend(listing(view, *id, tree));
            }
        }
        work.in_order();
        work
    }

    /// Takes in what a part holds.
    fn take(&mut self, part: Self) {
        let first = self.done.len();
        for (day, of_day) in part.by_day {
            self.by_day.entry(day).or_default().extend(of_day.into_iter().map(|i| first + i));
        }
        for (day, read) in part.read {
            self.read.entry(day).or_default().extend(read);
        }
        self.done.extend(part.done);
        self.treated.extend(part.treated);
        (self.asks, self.known) = (part.asks, part.known);
    }

    fn lay_out(&mut self, view: &'v View<'_>, trees: impl Iterator<Item = OfTree<'v>>) {
        for (id, tree) in trees {
            for version in tree.diameters.iter().map(|index| view.facts.shown(view.fact(*index))) {
                if let (Body::Diameter(d), Some(day)) = (&version.record.body, view.crew_day(version)) {
                    let read = (version.record.envelope.at, version.id(), *id, &d.as_read);
                    self.read.entry(day).or_default().push(read);
                }
            }
            if tree.applications.is_empty() {
                continue;
            }
            let listed = view.listed(*id, tree);
            self.treated.push(Treated { id: *id, tree, listed, treatments: treatments(view, tree) });
            let tag = listed.map_or("?", |t| t.tag.as_str());
            let mut last = None;
            for (fact, version, body) in view.applications(tree) {
                let day = view.crew_day(version);
                let first = last != Some(fact.id);
                last = Some(fact.id);
                if let (true, Some(day)) = (first, day) {
                    self.by_day.entry(day).or_default().push(self.done.len());
                }
                let Known { labels, kits, .. } = &mut self.known;
                let entered = labels.entry(body.label).or_insert_with(|| entered(view, body.label));
                let label = entered.map(|e| e.label);
                let kit = *kits.entry(body.kit).or_insert_with(|| view.yard.kit(body.kit));
                let done =
                    Done { tree: *id, of: tree, listed, tag, fact, version, body, day, label, kit, first };
                self.done.push(done);
            }
        }
    }

    /// Puts each crew-day's applications in order.
    fn in_order(&mut self) {
        for of_day in self.by_day.values_mut() {
            of_day
                .sort_by_key(|i| self.done.get(*i).map(|d| (d.body.started_at, d.body.ended_at, d.fact.id)));
        }
    }

    /// Gives the crew-days' work, some days at a time, each of which is `met` while it is near the processor.
    pub(super) fn in_days(&mut self, parts: Parts, mut met: impl FnMut(&Self)) {
        let mut days: BTreeSet<CrewDay> = self.by_day.keys().chain(self.read.keys()).copied().collect();
        let mut part = Self::none(std::mem::take(&mut self.asks));
        std::mem::swap(&mut part.known, &mut self.known);
        while let Some(day) = days.pop_first() {
            if let Some(of_day) = self.by_day.get(&day) {
                let first = part.done.len();
                part.done.extend(self.of_day(of_day));
                part.by_day.insert(day, (first..part.done.len()).collect());
            }
            part.read.extend(self.read.remove_entry(&day));
            if days.is_empty() || part.done.len() >= parts.applications {
                met(&part);
                part.done.clear();
                part.by_day.clear();
                part.read.clear();
            }
        }
        (self.asks, self.known) = (part.asks, part.known);
    }

    /// The yard's labels that stand, looked for once.
    pub(super) fn standing(&self, view: &'v View<'_>) -> &(StandingLabels<'v>, Products) {
        self.known.standing.get_or_init(|| {
            let products = view.yard.products();
            (view.yard.standing_labels(&products), products)
        })
    }

    /// A label version that one of the applications names, if the yard has it.
    pub fn label(&self, id: LabelId) -> Option<Entered<'v>> {
        self.known.labels.get(&id).copied().flatten()
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
