//! Findings kept from change to change: of a change only what it touched is checked again.
//!
//! Every rule states how far it looks ([`Reach`]). A change touches facts, and through them trees and
//! crew-days ([`Touched`]); the findings that stand on these are dropped and found anew, all others
//! stay. Rules that look at all of a kind (one tag on two trees, one kit with two crews, uptake against
//! peers) are given what they need from what is kept by tree (`gathered`). What comes out is, to the
//! byte, what [`check_among`](super::check_among) finds; a test holds both against each other over
//! invented changes. A cache to throw away: nothing here is stored.

mod gathered;
mod touched;

use std::cmp::Ordering;
use std::collections::BTreeSet;
use std::sync::Arc;

use crate::balance::Balance;
use crate::check::fill::{self, Filled};
use crate::check::rules::{ABOUT_DAYS, ABOUT_TREES, Case, Gathering, OfTree, Reach, Rule};
use crate::check::work::{Parts, Work};
use crate::check::{area, day, in_parts, kit, same_tree, settle, signed, volume};
use crate::dosing::advice::Past;
use crate::finding::{Finding, Severity, State, resolve};
use crate::ids::{BlockId, BookId, CommitHash, FindingId, RecordId, TreeId};
use crate::linkage::places::Places;
use crate::seasons;
use crate::view::{CrewDay, View};

use gathered::{Gathered, Moved};
pub use touched::Touched;

/// What a finding goes with: it is dropped when that is looked at again.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Key {
    /// With every change.
    Any,
    Fact(RecordId),
    Tree(TreeId),
    Day(CrewDay),
    Block(Option<BlockId>),
    /// With itself: the rule names what it looks at again by the findings' identities.
    Own,
}

/// The rule that found something, by its place, and what it goes with.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
struct Owner {
    part: usize,
    key: Key,
}

/// Places of the parts around those of [`rules`], which begin at 1.
const SEASONS: usize = 0;
const AREA_OVER_BOOKS: usize = 98;
const MISSING: usize = 99;
const AREA: usize = 100;
const FILL: usize = 101;
const NO_FILL: usize = 102;
const DAY: usize = 103;
const VOLUME: usize = 104;
const SIGNED: usize = 105;

/// The rules whose reach is stated.
fn rules() -> impl Iterator<Item = &'static Rule> {
    ABOUT_TREES.iter().chain(ABOUT_DAYS)
}

/// A job's findings, with what it takes to bring them up to a change.
#[derive(Clone, Debug)]
pub struct Kept {
    gathered: Gathered,
    places: Places,
    filled: Filled,
    earlier: Vec<(BookId, Vec<CommitHash>)>,
    /// What those seasons did.
    past: Past,
    /// As they are shown, each with its owner beside it. Shared with whoever shows them: a change copies
    /// them only while somebody still does.
    findings: Arc<Vec<Finding>>,
    owners: Vec<Owner>,
    /// Those that another one of the same identity hides.
    hidden: Vec<(Owner, Finding)>,
}

/// What is dropped and found anew.
struct Again<'a> {
    trees: &'a BTreeSet<TreeId>,
    days: &'a BTreeSet<CrewDay>,
    no_fill_days: &'a BTreeSet<CrewDay>,
    facts: &'a BTreeSet<RecordId>,
    moved: &'a Moved,
    own: BTreeSet<FindingId>,
}

impl Again<'_> {
    fn drops(&self, owner: Owner, finding: &Finding) -> bool {
        match owner.key {
            Key::Any => true,
            Key::Fact(id) => self.facts.contains(&id),
            Key::Tree(id) => self.trees.contains(&id),
            Key::Day(day) if owner.part == NO_FILL => self.no_fill_days.contains(&day),
            Key::Day(day) => self.days.contains(&day),
            Key::Block(block) => self.moved.blocks.contains(&block),
            Key::Own => self.own.contains(&finding.id),
        }
    }
}

fn in_force(view: &View<'_>, all: &[&View<'_>]) -> Vec<(BookId, Vec<CommitHash>)> {
    seasons::earlier(view, all).iter().map(|v| (v.book, v.heads.clone())).collect()
}

impl Kept {
    /// Checks a whole job. `all` and `balance` as [`check_among`](super::check_among) takes them.
    pub fn of(view: &View<'_>, all: &[&View<'_>], balance: &Balance) -> Self {
        let mut found = Found::new(view);
        let past = seasons::past(&seasons::earlier(view, all));
        let gathered = Gathered::of(view, &past);
        found.part(SEASONS, Reach::Tree, |f| seasons::check(view, &past, f));
        let (work, each) = in_parts(view, Parts::default(), &rules().collect::<Vec<_>>());
        for (index, (rule, mut findings)) in rules().zip(each).enumerate() {
            found.part(index + 1, rule.reach, |f| f.append(&mut findings));
        }
        found.blocks(&work, &past);
        let mut filled = Filled::new();
        found.part(FILL, Reach::Lists, |f| filled = fill::follow_kits(view, gathered.drawn(), balance, f));
        found.part(NO_FILL, Reach::Day, |f| kit::without_fill(view, &work, &filled, f));
        found.lists(balance, all);
        let mut kept = Self {
            gathered,
            places: Places::of(
                view.trees.iter().filter_map(|(id, tree)| same_tree::listing(view, *id, tree)),
            ),
            filled,
            earlier: in_force(view, all),
            past,
            findings: Arc::default(),
            owners: vec![],
            hidden: vec![],
        };
        kept.merge(view, found, |_, _| false);
        kept
    }

    /// The findings: what [`check_among`](super::check_among) finds.
    pub fn findings(&self) -> &Arc<Vec<Finding>> {
        &self.findings
    }

    /// Brings the findings up to a view that differs from the last one by what was `touched`.
    pub fn update(&mut self, view: &View<'_>, all: &[&View<'_>], balance: &Balance, touched: &Touched) {
        if touched.everything || self.earlier != in_force(view, all) {
            *self = Self::of(view, all, balance);
            return;
        }
        let mut moved = self.gathered.again(view, &self.past, &touched.trees);
        moved.blocks.extend(self.past.blocks_then(&touched.trees));
        let listed = |id: &TreeId| view.trees.get(id).and_then(|tree| same_tree::listing(view, *id, tree));
        self.places.update(touched.trees.iter().map(|id| (*id, listed(id))));
        self.gathered.forget_hands(&touched.known);
        let versions = touched.versions.iter().flat_map(|id| view.facts.texts(*id));
        versions.for_each(|v| self.gathered.hand(v));
        let mut days: BTreeSet<CrewDay> = touched.days.union(&moved.days).copied().collect();
        touched.dates.iter().for_each(|date| days.extend(self.gathered.days_of(*date)));
        self.gathered.sum_up(&days);

        let mut found = Found::new(view);
        let mut filled = Filled::new();
        found.part(FILL, Reach::Lists, |f| {
            filled = fill::follow_kits(view, self.gathered.drawn(), balance, f);
        });
        let differs = |pair: &&(RecordId, RecordId)| self.filled.get(*pair) != filled.get(*pair);
        let pairs = self.filled.keys().chain(filled.keys()).filter(differs).copied().collect();
        let mut no_fill_days = days.clone();
        no_fill_days.extend(self.gathered.days_with(&pairs, view));
        self.filled = filled;

        let facts = facts_of(view, touched);
        let mut own: BTreeSet<FindingId> = moved.tags.iter().map(|tag| Gathered::tag_finding(tag)).collect();
        own.extend(moved.pictures.iter().map(|digest| Gathered::picture_finding(*digest)));
        let again = Again {
            trees: &touched.trees,
            days: &days,
            no_fill_days: &no_fill_days,
            facts: &facts,
            moved: &moved,
            own,
        };
        self.find(&mut found, &again, balance, all);
        let keep: Vec<bool> = found.each().map(|(owner, finding)| again.drops(owner, finding)).collect();
        retain(&mut found.owners, &keep);
        retain(&mut found.findings, &keep);
        if touched.rulings {
            let hidden = self.hidden.iter_mut().map(|(_, f)| f);
            let shown = Arc::make_mut(&mut self.findings);
            shown.iter_mut().chain(hidden).for_each(|f| f.state = State::Open);
            settle(view, shown);
            self.hidden.iter_mut().for_each(|(_, f)| settle(view, std::slice::from_mut(f)));
        }
        self.merge(view, found, |owner, finding| again.drops(owner, finding));
    }

    fn find<'v>(&self, found: &mut Found<'v, '_>, again: &Again<'_>, balance: &Balance, all: &[&View<'_>]) {
        let view = found.view;
        if !self.past.is_empty() {
            found.part(SEASONS, Reach::Tree, |f| {
                seasons::check_trees(view, &self.past, |id| again.trees.contains(&id), f);
            });
        }
        let of = |trees: &BTreeSet<TreeId>| -> Vec<OfTree<'v>> {
            trees.iter().filter_map(|id| view.trees.get_key_value(id)).collect()
        };
        let among = |trees: &[OfTree<'v>]| Work::among(view, trees.iter().copied());
        // In a new day's work the trees of the days are among those touched, and most of them: laid out once.
        // What is found of days that are not wholly among them is left aside, as their key is none of those
        // looked at again.
        let as_touched =
            |trees: &BTreeSet<TreeId>| trees.is_subset(again.trees) && 2 * trees.len() >= again.trees.len();
        let (trees, days_trees) = (of(again.trees), self.gathered.trees_of(again.days));
        let of_days = (!as_touched(&days_trees)).then(|| of(&days_trees));
        let (by_tree, by_day, none) = (among(&trees), of_days.as_deref().map(among), among(&[]));
        let (of_days, by_day) = (of_days.as_deref().unwrap_or(&trees), by_day.as_ref().unwrap_or(&by_tree));
        let facts = facts_at(view, again.facts);
        let facts = Some(&facts[..]);
        let by_day = Case { view, work: by_day, only: Some(of_days), facts };
        let no_fill_trees = self.gathered.trees_of(again.no_fill_days);
        let own_no_fill;
        let no_fill = if as_touched(&no_fill_trees) {
            &by_tree
        } else if no_fill_trees == days_trees {
            by_day.work
        } else {
            own_no_fill = among(&of(&no_fill_trees));
            &own_no_fill
        };
        let by_tree = Case { view, work: &by_tree, only: Some(&trees), facts };
        let none = Case { view, work: &none, only: Some(&[]), facts };
        for (index, rule) in rules().enumerate() {
            let mut run = |case| found.part(index + 1, rule.reach, |f| (rule.check)(case, f));
            match rule.reach {
                Reach::Fact | Reach::Tree => run(&by_tree),
                Reach::Day => run(&by_day),
                Reach::Lists => run(&none),
                Reach::Kept(what) => {
                    found.part(index + 1, rule.reach, |f| self.kept(what, view, again.moved, f))
                }
            }
        }
        if area::limited(view) {
            found.blocks(&among(&of(&self.gathered.trees_of_blocks(&again.moved.blocks))), &self.past);
        }
        found.part(NO_FILL, Reach::Day, |f| kit::without_fill(view, no_fill, &self.filled, f));
        found.lists(balance, all);
    }

    /// A rule that looks at all of a kind.
    fn kept(&self, what: Gathering, view: &View<'_>, moved: &Moved, findings: &mut Vec<Finding>) {
        match what {
            Gathering::Tags => self.gathered.same_tags(view, &moved.tags, findings),
            Gathering::Pictures => self.gathered.reused(view, &moved.pictures, findings),
            Gathering::Bits => self.gathered.bits(view, findings),
            Gathering::FirstUses => self.gathered.fit(view, findings),
            Gathering::Stays => self.gathered.overlap(view, findings),
            Gathering::Hands => self.gathered.two_people(view, findings),
            Gathering::Visits => self.gathered.uptake(view, findings),
            Gathering::Places => {
                let (linked, listings) = self.places.linked();
                same_tree::say(view, &linked, &listings, findings);
            }
        }
    }

    /// Puts findings in their places, those that are dropped left out.
    fn merge(&mut self, view: &View<'_>, found: Found<'_, '_>, drops: impl Fn(Owner, &Finding) -> bool) {
        let Found { mut owners, mut findings, .. } = found;
        settle(view, &mut findings);
        resolve(&view.yard, &mut findings);
        for (owner, finding) in std::mem::take(&mut self.hidden) {
            if !drops(owner, &finding) {
                owners.push(owner);
                findings.push(finding);
            }
        }
        let key = |i: &usize| owners.get(*i).zip(findings.get(*i)).map(|(o, f)| (rank(f), *o));
        let mut in_order: Vec<usize> = (0..findings.len()).collect();
        // Stable: what a rule found first stays first.
        in_order.sort_by_cached_key(key);
        let keep: Vec<bool> =
            self.owners.iter().zip(self.findings.iter()).map(|(o, f)| !drops(*o, f)).collect();
        retain(&mut self.owners, &keep);
        retain(Arc::make_mut(&mut self.findings), &keep);
        // Each is taken once, for its place: findings are large to be moved about.
        let mut found: Vec<Option<(Owner, Finding)>> = vec![];
        found.extend(owners.into_iter().zip(findings).map(Some));
        let (mut places, mut placed): (Vec<usize>, Vec<usize>) = (vec![], vec![]);
        let mut last: Option<(usize, FindingId)> = None;
        for index in in_order {
            let Some((owner, finding)) = found.get_mut(index).and_then(Option::as_mut) else { continue };
            let place = self.place(*owner, finding);
            let before = match last {
                Some((at, id)) if at == place => Some(id),
                _ => place.checked_sub(1).and_then(|i| self.findings.get(i)).map(|f| f.id),
            };
            if before == Some(finding.id) {
                self.hidden.extend(found.get_mut(index).and_then(Option::take));
                continue;
            }
            // Of one identity the first one is shown.
            match (self.owners.get_mut(place), Arc::make_mut(&mut self.findings).get_mut(place)) {
                (Some(shown_owner), Some(shown)) if shown.id == finding.id => {
                    std::mem::swap(shown_owner, owner);
                    std::mem::swap(shown, finding);
                    self.hidden.extend(found.get_mut(index).and_then(Option::take));
                }
                _ => {
                    last = Some((place, finding.id));
                    places.push(place);
                    placed.push(index);
                }
            }
        }
        let mut take = |index: usize| found.get_mut(index).and_then(Option::take);
        let (owners, findings) = placed.into_iter().filter_map(&mut take).unzip();
        insert(&mut self.owners, &places, owners);
        insert(Arc::make_mut(&mut self.findings), &places, findings);
        self.sign(view);
    }

    /// Adds what stands behind sign-offs, which looks at what all others found.
    fn sign(&mut self, view: &View<'_>) {
        let all = self.findings.iter().chain(self.hidden.iter().map(|(_, f)| f));
        let mut past_stops = signed::among(view, all);
        settle(view, &mut past_stops);
        resolve(&view.yard, &mut past_stops);
        let owner = Owner { part: SIGNED, key: Key::Any };
        for finding in past_stops {
            let place = self.place(owner, &finding);
            self.owners.insert(place, owner);
            Arc::make_mut(&mut self.findings).insert(place, finding);
        }
    }

    /// Where a finding stands, or would stand.
    fn place(&self, owner: Owner, finding: &Finding) -> usize {
        let (mut low, mut high) = (0, self.findings.len());
        while low < high {
            let middle = low.midpoint(high);
            let less = (self.owners.get(middle).zip(self.findings.get(middle)))
                .is_some_and(|(o, f)| order_of((*o, f), (owner, finding)).is_lt());
            if less {
                low = middle + 1;
            } else {
                high = middle;
            }
        }
        low
    }
}

/// Keeps what is to be kept.
fn retain<T>(of: &mut Vec<T>, keep: &[bool]) {
    let mut keep = keep.iter();
    of.retain(|_| keep.next().is_none_or(|keep| *keep));
}

/// Puts items before the places given, ascending: what stands before the first of them is not moved.
fn insert<T>(of: &mut Vec<T>, places: &[usize], items: Vec<T>) {
    let Some(first) = places.first().copied() else { return };
    let rest = of.split_off(first);
    of.reserve(rest.len() + items.len());
    let mut items = places.iter().copied().zip(items).peekable();
    for (index, one) in rest.into_iter().enumerate() {
        while let Some((_, item)) = items.next_if(|(place, _)| *place <= first + index) {
            of.push(item);
        }
        of.push(one);
    }
    of.extend(items.map(|(_, item)| item));
}

/// The facts that are looked at again: those touched, and all that is about a touched tree, for what is
/// said of them names it.
fn facts_of(view: &View<'_>, touched: &Touched) -> BTreeSet<RecordId> {
    let mut facts = touched.facts.clone();
    for tree in touched.trees.iter().filter_map(|id| view.trees.get(id)) {
        facts.extend(tree.facts().map(|index| view.fact(index).id));
    }
    facts.extend(view.unknown_tree.iter().map(|i| view.fact(*i).id));
    facts
}

/// Where those facts stand, ascending: of one id several, where it was written as several kinds.
fn facts_at(view: &View<'_>, ids: &BTreeSet<RecordId>) -> Vec<usize> {
    let all = &view.facts.facts;
    let of = |id: &RecordId| all.partition_point(|f| f.id < *id)..all.partition_point(|f| f.id <= *id);
    ids.iter().flat_map(of).collect()
}

/// What findings are ordered by, before their owners.
fn rank(finding: &Finding) -> (Severity, &'static str, FindingId) {
    (finding.severity, finding.code.name(), finding.id)
}

fn order_of(a: (Owner, &Finding), b: (Owner, &Finding)) -> Ordering {
    rank(a.1).cmp(&rank(b.1)).then_with(|| a.0.cmp(&b.0))
}

/// What rules find, and each finding's owner beside it.
struct Found<'v, 'y> {
    view: &'v View<'y>,
    findings: Vec<Finding>,
    owners: Vec<Owner>,
}

impl<'v, 'y> Found<'v, 'y> {
    fn new(view: &'v View<'y>) -> Self {
        Self { view, findings: vec![], owners: vec![] }
    }

    fn each(&self) -> impl Iterator<Item = (Owner, &Finding)> {
        self.owners.iter().copied().zip(&self.findings)
    }

    fn part(&mut self, part: usize, reach: Reach, run: impl FnOnce(&mut Vec<Finding>)) {
        run(&mut self.findings);
        for finding in self.findings.get(self.owners.len()..).unwrap_or_default() {
            let key = self.key(reach, finding);
            self.owners.push(Owner { part, key });
        }
    }

    fn key(&self, reach: Reach, finding: &Finding) -> Key {
        let of_day = || finding.crew_days.first().map_or(Key::Any, |day| Key::Day(*day));
        match reach {
            Reach::Fact => {
                let fact = finding.records.first().and_then(|id| self.view.facts.fact_of(*id));
                fact.map_or(Key::Any, |f| Key::Fact(f.id))
            }
            Reach::Tree => finding.tree.map_or(Key::Any, Key::Tree),
            Reach::Day => of_day(),
            Reach::Lists => Key::Any,
            Reach::Kept(Gathering::Tags | Gathering::Pictures) => Key::Own,
            Reach::Kept(_) => Key::Any,
        }
    }

    /// The limits of blocks; the work of whole blocks must be laid out.
    fn blocks(&mut self, work: &Work<'_>, past: &Past) {
        let parts = [(AREA_OVER_BOOKS, Some(past).filter(|p| !p.is_empty())), (AREA, None)];
        for (part, past) in parts.into_iter().filter(|(part, past)| *part == AREA || past.is_some()) {
            area::blocks(self.view, work, past, &mut self.findings);
            for finding in self.findings.get(self.owners.len()..).unwrap_or_default() {
                let of = work.treated.iter().map(|t| t.listed.and_then(|t| t.block));
                let named = |block: &Option<BlockId>| block.is_some_and(|id| finding.records.contains(&id));
                let block = of.clone().find(named).flatten();
                self.owners.push(Owner { part, key: Key::Block(block) });
            }
        }
    }

    /// What is found of short lists, beside the rules about trees.
    fn lists(&mut self, balance: &Balance, all: &[&View<'_>]) {
        let view = self.view;
        if !all.is_empty() {
            self.part(MISSING, Reach::Lists, |f| seasons::check_missing(view, all, f));
        }
        self.part(DAY, Reach::Lists, |f| day::check(view, f));
        self.part(VOLUME, Reach::Lists, |f| volume::check(view, balance, f));
    }
}
