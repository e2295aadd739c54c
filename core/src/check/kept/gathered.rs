//! What rules that look at all of a kind need of a job, kept by tree, so that a tree can be read anew.

use std::collections::{BTreeMap, BTreeSet};

use crate::check::crew::{Hand, by_turns, pictures, reused};
use crate::check::fill::content::{AllDrawn, Drawn};
use crate::check::holes::other_bits;
use crate::check::kit::{FirstUses, not_ready};
use crate::check::times::{Stay, Thing, at_once};
use crate::check::tree::{on_trees, tag_of};
use crate::check::uptake;
use crate::check::work::Work;
use crate::dosing::advice::Past;
use crate::dosing::forecast::log::{self, Logged, Visit};
use crate::dosing::forecast::peers::Peers;
use crate::dosing::forecast::uptake::{OfTree, Times, report};
use crate::facts::Version;
use crate::finding::{Code, Finding};
use crate::ids::{
    BlockId, CrewId, DeviceId, FindingId, KitId, LabelId, LotId, PersonId, RecordId, Sha256Hash, TreeId,
};
use crate::quantity::UtcMs;
use crate::sorted::replace;
use crate::view::{CrewDay, View};

/// What is kept of a tree.
#[derive(Clone, Debug, Default)]
struct Note {
    /// The days on which it was treated or measured.
    days: BTreeSet<CrewDay>,
    tag: Option<String>,
    /// Its block, if anything was put into it, in this book or an earlier season's.
    block: Option<Option<BlockId>>,
    pictures: BTreeSet<Sha256Hash>,
    uses: Vec<Use>,
    stays: Vec<(Stay, [Thing; 2])>,
    visits: Vec<(Visit, Times)>,
}

/// A value of an application: which kit was used for which product, and when.
#[derive(Clone, Copy, Debug)]
struct Use {
    day: CrewDay,
    kit: KitId,
    label: LabelId,
    lot: LotId,
    at: UtcMs,
}

/// Kits of a day, when each was first used, and what with.
#[derive(Clone, Debug, Default)]
struct OfDay {
    first_uses: BTreeMap<KitId, UtcMs>,
    labels: BTreeSet<(KitId, LabelId)>,
    lots: BTreeSet<(KitId, LotId)>,
}

/// Who wrote with a device, record by record.
#[derive(Clone, Debug, Default)]
struct Hands {
    records: BTreeSet<Hand>,
    people: BTreeMap<PersonId, usize>,
}

/// A job, gathered.
#[derive(Clone, Debug, Default)]
pub(super) struct Gathered {
    notes: BTreeMap<TreeId, Note>,
    trees_of_day: BTreeMap<CrewDay, BTreeSet<TreeId>>,
    trees_of_tag: BTreeMap<String, BTreeSet<TreeId>>,
    trees_of_picture: BTreeMap<Sha256Hash, BTreeSet<TreeId>>,
    trees_of_block: BTreeMap<Option<BlockId>, BTreeSet<TreeId>>,
    stays: BTreeMap<Thing, BTreeMap<(UtcMs, UtcMs, RecordId), Stay>>,
    crews_of: BTreeMap<Thing, BTreeMap<CrewId, usize>>,
    of_day: BTreeMap<CrewDay, OfDay>,
    hands: BTreeMap<DeviceId, Hands>,
    drawn: AllDrawn,
    peers: Peers<OfTree>,
}

/// What trees that were read anew were and are about.
#[derive(Clone, Debug, Default)]
pub(super) struct Moved {
    pub(super) days: BTreeSet<CrewDay>,
    pub(super) tags: BTreeSet<String>,
    pub(super) pictures: BTreeSet<Sha256Hash>,
    pub(super) blocks: BTreeSet<Option<BlockId>>,
}

impl Moved {
    fn take(&mut self, note: &Note) {
        self.days.extend(&note.days);
        self.tags.extend(note.tag.clone());
        self.pictures.extend(&note.pictures);
        self.blocks.extend(note.block);
    }
}

fn insert<K: Ord>(of: &mut BTreeMap<K, BTreeSet<TreeId>>, key: K, tree: TreeId) {
    of.entry(key).or_default().insert(tree);
}

fn remove<K: Ord>(of: &mut BTreeMap<K, BTreeSet<TreeId>>, key: &K, tree: TreeId) {
    if let Some(trees) = of.get_mut(key) {
        trees.remove(&tree);
        if trees.is_empty() {
            of.remove(key);
        }
    }
}

impl Gathered {
    /// Gathers a whole job.
    pub(super) fn of(view: &View<'_>, past: &Past) -> Self {
        let mut gathered = Self::default();
        let mut days = BTreeSet::new();
        gathered.read((view, past), &Work::of(view), view.trees.keys().copied(), &mut days);
        gathered.put_in_order(view, &[], view.trees.keys());
        gathered.sum_up(&days);
        view.facts.versions.iter().for_each(|v| gathered.hand(v));
        gathered
    }

    /// Reads some trees anew, whose work is laid out; `work` may hold others.
    pub(super) fn again(&mut self, view: &View<'_>, past: &Past, trees: &BTreeSet<TreeId>) -> Moved {
        let mut moved = Moved::default();
        let mut before = vec![];
        for id in trees {
            if let Some(note) = self.notes.remove(id) {
                moved.take(&note);
                self.drop_note(*id, &note);
                before.push(note);
            }
        }
        let there: Vec<_> = trees.iter().filter_map(|id| view.trees.get_key_value(id)).collect();
        let work = Work::among(view, there.iter().copied());
        self.read((view, past), &work, there.iter().map(|(id, _)| **id), &mut BTreeSet::new());
        self.put_in_order(view, &before, trees.iter());
        trees.iter().filter_map(|id| self.notes.get(id)).for_each(|note| moved.take(note));
        moved
    }

    fn read(
        &mut self,
        (view, past): (&View<'_>, &Past),
        work: &Work<'_>,
        trees: impl Iterator<Item = TreeId>,
        days: &mut BTreeSet<CrewDay>,
    ) {
        let mut notes: BTreeMap<TreeId, Note> = BTreeMap::new();
        for done in &work.done {
            let note = notes.entry(done.tree).or_default();
            note.block = Some(done.listed.and_then(|t| t.block));
            note.stays.extend(Stay::of(done));
            let body = done.body;
            note.uses.extend(done.day.map(|day| Use {
                day,
                kit: body.kit,
                label: body.label,
                lot: body.lot,
                at: body.started_at,
            }));
            note.days.extend(done.day);
        }
        for id in trees {
            let Some(tree) = view.trees.get(&id) else { continue };
            let mut note = notes.remove(&id).unwrap_or_default();
            if note.block.is_none() && past.knows(view, id, tree) {
                note.block = Some(view.listed(id, tree).and_then(|t| t.block));
            }
            note.tag = tag_of(view, id, tree).map(|tag| tag.into_owned());
            let measured = tree.diameters.iter().map(|i| view.facts.shown(view.fact(*i)));
            note.days.extend(measured.filter_map(|v| view.crew_day(v)));
            note.pictures.extend(pictures(view, tree).map(|(digest, _)| digest));
            if !note.uses.is_empty() {
                let mut logged = Logged::default();
                log::of_tree(view, id, tree, &mut logged);
                let timed = |v: Visit| Times::of(&v).map(|times| (v, times));
                note.visits = logged.visits.into_iter().filter_map(timed).collect();
            }
            days.extend(&note.days);
            self.take_note(id, &note);
            self.notes.insert(id, note);
        }
    }

    /// Brings what is kept in order up to the notes of some trees, and to what these were before.
    fn put_in_order<'t>(
        &mut self,
        view: &View<'_>,
        before: &[Note],
        trees: impl Iterator<Item = &'t TreeId> + Clone,
    ) {
        let Self { notes, drawn, peers, .. } = self;
        let now = trees.filter_map(|id| notes.get(id));
        let visits = now.clone().flat_map(|note| &note.visits);
        peers.change_visits(before.iter().flat_map(|note| &note.visits), visits);
        let (mut out, new) = (draws(view, before.iter()), draws(view, now));
        for (kit, new) in new {
            replace(drawn.entry(kit).or_default(), out.remove(&kit).unwrap_or_default(), new);
        }
        for (kit, out) in out {
            replace(drawn.entry(kit).or_default(), out, vec![]);
        }
    }

    fn take_note(&mut self, id: TreeId, note: &Note) {
        note.days.iter().for_each(|day| insert(&mut self.trees_of_day, *day, id));
        note.tag.iter().for_each(|tag| insert(&mut self.trees_of_tag, tag.clone(), id));
        note.pictures.iter().for_each(|digest| insert(&mut self.trees_of_picture, *digest, id));
        note.block.iter().for_each(|block| insert(&mut self.trees_of_block, *block, id));
        for (stay, things) in &note.stays {
            for thing in things {
                self.stays.entry(*thing).or_default().insert(stay.order(), *stay);
                *self.crews_of.entry(*thing).or_default().entry(stay.crew).or_default() += 1;
            }
        }
    }

    fn drop_note(&mut self, id: TreeId, note: &Note) {
        note.days.iter().for_each(|day| remove(&mut self.trees_of_day, day, id));
        note.tag.iter().for_each(|tag| remove(&mut self.trees_of_tag, tag, id));
        note.pictures.iter().for_each(|digest| remove(&mut self.trees_of_picture, digest, id));
        note.block.iter().for_each(|block| remove(&mut self.trees_of_block, block, id));
        for (stay, things) in &note.stays {
            for thing in things {
                if let Some(stays) = self.stays.get_mut(thing) {
                    stays.remove(&stay.order());
                }
                if let Some(crews) = self.crews_of.get_mut(thing)
                    && let Some(n) = crews.get_mut(&stay.crew)
                {
                    *n -= 1;
                    if *n == 0 {
                        crews.remove(&stay.crew);
                    }
                }
            }
        }
    }

    /// Adds days up anew.
    pub(super) fn sum_up(&mut self, days: &BTreeSet<CrewDay>) {
        for day in days {
            let mut sum = OfDay::default();
            let notes = self.trees_of_day.get(day).into_iter().flatten().filter_map(|id| self.notes.get(id));
            for one in notes.flat_map(|note| &note.uses).filter(|one| one.day == *day) {
                let first = sum.first_uses.entry(one.kit).or_insert(one.at);
                *first = one.at.min(*first);
                sum.labels.insert((one.kit, one.label));
                sum.lots.insert((one.kit, one.lot));
            }
            if sum.first_uses.is_empty() {
                self.of_day.remove(day);
            } else {
                self.of_day.insert(*day, sum);
            }
        }
    }

    /// The crew-days of a date.
    pub(super) fn days_of(&self, date: crate::day::Day) -> impl Iterator<Item = CrewDay> + '_ {
        self.trees_of_day.keys().filter(move |d| d.day == date).copied()
    }

    /// The trees worked or measured on any of these days.
    pub(super) fn trees_of(&self, days: &BTreeSet<CrewDay>) -> BTreeSet<TreeId> {
        days.iter().filter_map(|day| self.trees_of_day.get(day)).flatten().copied().collect()
    }

    /// The treated trees of some blocks.
    pub(super) fn trees_of_blocks(&self, blocks: &BTreeSet<Option<BlockId>>) -> BTreeSet<TreeId> {
        blocks.iter().filter_map(|block| self.trees_of_block.get(block)).flatten().copied().collect()
    }

    /// The days on which product of any of these lots was drawn from these kits.
    pub(super) fn days_with(&self, pairs: &BTreeSet<(KitId, RecordId)>, view: &View<'_>) -> Vec<CrewDay> {
        let root = |id: RecordId| root_of(view, id);
        let has = |of: &OfDay| of.lots.iter().any(|(kit, lot)| pairs.contains(&(root(*kit), root(*lot))));
        self.of_day.iter().filter(|(_, of)| has(of)).map(|(day, _)| *day).collect()
    }

    /// Takes in who wrote a version.
    pub(super) fn hand(&mut self, version: &Version) {
        let Some(hand) = Hand::of(version) else { return };
        let hands = self.hands.entry(version.author).or_default();
        if hands.records.insert(hand) {
            *hands.people.entry(hand.by).or_default() += 1;
        }
    }

    /// Forgets who wrote some versions.
    pub(super) fn forget_hands(&mut self, versions: &BTreeSet<RecordId>) {
        if versions.is_empty() {
            return;
        }
        for hands in self.hands.values_mut() {
            let (records, people) = (&mut hands.records, &mut hands.people);
            records.retain(|hand| {
                let stays = !versions.contains(&hand.id);
                if !stays && let Some(n) = people.get_mut(&hand.by) {
                    *n -= 1;
                    if *n == 0 {
                        people.remove(&hand.by);
                    }
                }
                stays
            });
        }
    }

    /// All that was drawn from kits.
    pub(super) fn drawn(&self) -> &AllDrawn {
        &self.drawn
    }

    /// `same_tag`, of some tags.
    pub(super) fn same_tags(&self, view: &View<'_>, tags: &BTreeSet<String>, findings: &mut Vec<Finding>) {
        for tag in tags {
            let Some(trees) = self.trees_of_tag.get(tag).filter(|t| t.len() > 1) else { continue };
            let Some(first) = trees.first() else { continue };
            findings.push(on_trees(view, tag, *first, trees.iter().copied().collect()));
        }
    }

    /// What a finding on a tag is called.
    pub(super) fn tag_finding(tag: &str) -> FindingId {
        FindingId::derive([Code::SameTag.name(), tag])
    }

    /// `photos`, of some pictures.
    pub(super) fn reused(
        &self,
        view: &View<'_>,
        pictures: &BTreeSet<Sha256Hash>,
        findings: &mut Vec<Finding>,
    ) {
        for digest in pictures {
            let Some(trees) = self.trees_of_picture.get(digest).filter(|t| t.len() > 1) else { continue };
            findings.push(reused(view, *digest, trees));
        }
    }

    /// What a finding on a picture is called.
    pub(super) fn picture_finding(digest: Sha256Hash) -> FindingId {
        FindingId::derive([Code::PhotoReused.name(), &digest.to_string()])
    }

    /// `bits`.
    pub(super) fn bits(&self, view: &View<'_>, findings: &mut Vec<Finding>) {
        let mut used: BTreeMap<(KitId, LabelId), BTreeSet<CrewDay>> = BTreeMap::new();
        for (day, of) in &self.of_day {
            for pair in &of.labels {
                used.entry(*pair).or_default().insert(*day);
            }
        }
        other_bits(view, &used, findings);
    }

    /// `fit`.
    pub(super) fn fit(&self, view: &View<'_>, findings: &mut Vec<Finding>) {
        let mut uses = FirstUses::new();
        for (day, of) in &self.of_day {
            for (kit, at) in &of.first_uses {
                uses.entry(*kit).or_default().insert(*day, *at);
            }
        }
        not_ready(view, &uses, findings);
    }

    /// `overlap`.
    pub(super) fn overlap(&self, view: &View<'_>, findings: &mut Vec<Finding>) {
        for (thing, _) in self.crews_of.iter().filter(|(_, crews)| crews.len() > 1) {
            let Some(stays) = self.stays.get(thing) else { continue };
            at_once(view, *thing, stays.values(), findings);
        }
    }

    /// `two_people`.
    pub(super) fn two_people(&self, view: &View<'_>, findings: &mut Vec<Finding>) {
        for (device, hands) in self.hands.iter().filter(|(_, hands)| hands.people.len() > 1) {
            by_turns(view, *device, hands.records.iter(), findings);
        }
    }

    /// `uptake`.
    pub(super) fn uptake(&self, view: &View<'_>, findings: &mut Vec<Finding>) {
        let find = |(tree, record): OfTree| {
            let visits = &self.notes.get(&tree)?.visits;
            visits.iter().find(|(visit, _)| visit.record == record).map(|(visit, times)| (visit, times))
        };
        uptake::say(view, report(&self.peers, &self.peers.slow(), find), findings);
    }
}

/// What trees' work drew from kits, by the record a kit began with.
fn draws<'n>(view: &View<'_>, notes: impl Iterator<Item = &'n Note>) -> AllDrawn {
    let mut all = AllDrawn::new();
    let mut roots: BTreeMap<KitId, KitId> = BTreeMap::new();
    for (stay, things) in notes.flat_map(|note| &note.stays) {
        for (kit, _) in things.iter().filter(|(_, is_kit)| *is_kit) {
            let root = *roots.entry(*kit).or_insert_with(|| root_of(view, *kit));
            let Stay { from: at, version: by, lot, amount_ul, .. } = *stay;
            all.entry(root).or_default().push(Drawn { at, by, lot, amount_ul });
        }
    }
    all
}

fn root_of(view: &View<'_>, id: RecordId) -> RecordId {
    view.yard.facts.fact_of(id).map_or(id, |f| f.id)
}
