//! What earlier seasons did to a tree: treatments, holes and wounds, from the books this job was
//! opened from. The dose, the checks and what is due ([`crate::seasons`]) all read it here.

use std::collections::{BTreeMap, BTreeSet};

use crate::check::Treatment;
use crate::check::treatments;
use crate::day::Day;
use crate::dosing::advice::tree::{damage, logged};
use crate::dosing::dose::limits_area;
use crate::dosing::layout::{EarlierHole, girth_at};
use crate::dosing::stem::girth_of_diameter;
use crate::ids::{BlockId, LabelId, RecordId, TreeId};
use crate::quantity::{Ul, Um};
use crate::record::Body;
use crate::record::stand::{Damage, ReferenceMark};
use crate::view::{TreeView, View};

/// In days.
const HALF_A_YEAR: i64 = 183;

/// A treatment of an earlier season, from that season's book or the client's papers.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PastTreatment {
    /// Which stem, from 1.
    pub stem: i64,
    /// When: the last day of it, since intervals count from there.
    pub day: Day,
    /// The season's name in its own job.
    pub season: String,
    /// The label version it was made under; absent when only papers tell of it.
    pub label: Option<LabelId>,
    /// Its records, in that season's book.
    pub records: Vec<RecordId>,
    /// What was discharged: holes that took nothing are holes all the same.
    pub discharged_ul: Ul,
    /// What its arcs are measured from.
    pub mark: Option<ReferenceMark>,
    /// How many stems the tree had then: another number now may have changed which stem is which.
    pub of_stems: i64,
    /// Its holes, from that mark.
    pub holes: Vec<EarlierHole>,
}

/// Damage seen in an earlier season.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PastDamage {
    /// What its arc is measured from.
    pub mark: Option<ReferenceMark>,
    /// The stem's girth at breast height then, when it was measured.
    pub girth_um: Option<Um>,
    /// The damage.
    pub damage: Damage,
}

impl PastDamage {
    /// The damage where it is on today's girth at breast height: it keeps its place around the trunk
    /// while that grows. Ends are rounded outward.
    pub(super) fn grown_to(&self, girth: Um) -> Damage {
        let Some(then) = self.girth_um.filter(|g| g.0 > 0) else { return self.damage.clone() };
        let grown = |arc: Um, up: i128| {
            let product = i128::from(arc.0) * i128::from(girth.0) + up * (i128::from(then.0) - 1);
            let arc = i64::try_from(product.div_euclid(i128::from(then.0))).unwrap_or(arc.0);
            Um(arc.clamp(0, girth.0.max(0)))
        };
        let (from_um, to_um) = (grown(self.damage.from_um, 0), grown(self.damage.to_um, 1));
        Damage { from_um, to_um, ..self.damage.clone() }
    }
}

/// All that is known of a tree's earlier seasons.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct PastTree {
    /// Its treatments.
    pub treatments: Vec<PastTreatment>,
    /// Its wounds and other places where no hole goes.
    pub damage: Vec<PastDamage>,
    /// Metal in its wood, each piece as it was named.
    pub metal: Vec<String>,
    /// What those books put into the trees of its block, this one among them; looked up only where a
    /// label of the yard has a limit per hectare.
    pub of_block: Vec<PastUse>,
}

/// Product that an earlier book put into a tree of a block.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PastUse {
    /// When, as [`PastTreatment::day`].
    pub day: Day,
    /// The season's name in its own job.
    pub season: String,
    /// The label version.
    pub label: Option<LabelId>,
    /// What was discharged.
    pub discharged_ul: Ul,
}

/// What tells another book's treatments of the same season: a season of the same name, the calendar year of
/// any of these days, or less than half a year before one. A label does not say what a season is, and a
/// second book of one year, or of one southern summer, under another name must not begin its limit anew.
/// (Half a year: common practice, no source.)
pub(crate) struct SameSeason<'s> {
    season: &'s str,
    days: BTreeSet<Day>,
}

impl<'s> SameSeason<'s> {
    /// Of a season's name, and the days of what is judged.
    pub(crate) fn new(season: &'s str, days: impl IntoIterator<Item = Day>) -> Self {
        Self { season: season.trim(), days: days.into_iter().collect() }
    }

    /// Whether what was done on a day of a season counts to it.
    pub(crate) fn has(&self, then: Day, season: &str) -> bool {
        let close = |day: &Day| (0..HALF_A_YEAR).contains(&then.days_until(*day));
        season.trim().eq_ignore_ascii_case(self.season)
            || self.days.iter().any(|day| day.ymd().0 == then.ymd().0 || close(day))
    }
}

impl PastTree {
    fn with(mut self, other: &Self) -> Self {
        self.treatments.extend(other.treatments.iter().cloned());
        self.damage.extend(other.damage.iter().cloned());
        self.metal.extend(other.metal.iter().cloned());
        self
    }

    /// The treatments of another book of the same season ([`SameSeason`]) that discharged product.
    pub(crate) fn of_season<'p>(
        &'p self,
        season: &'p str,
        days: impl IntoIterator<Item = Day>,
    ) -> impl Iterator<Item = &'p PastTreatment> + 'p {
        let same = SameSeason::new(season, days);
        let discharged = self.treatments.iter().filter(|t| t.discharged_ul > Ul(0));
        discharged.filter(move |t| same.has(t.day, &t.season))
    }

    /// The marks that arcs of a stem were measured from.
    pub(super) fn marks(&self, stem: i64) -> impl Iterator<Item = Option<ReferenceMark>> {
        let treated = self.treatments.iter().filter(move |t| t.stem == stem && !t.holes.is_empty());
        let damaged = self.damage.iter().filter(move |d| d.damage.stem == stem);
        treated.map(|t| t.mark).chain(damaged.map(|d| d.mark))
    }
}

/// A tree of an earlier season, with every id it was known by there.
#[derive(Clone, Debug, Default)]
struct Known {
    ids: BTreeSet<TreeId>,
    /// Where it stood then; the next season's book keeps the blocks' ids.
    block: Option<BlockId>,
    tree: PastTree,
}

/// The holes of an earlier treatment, each with the girth its arc was measured on, as far as known.
fn holes(season: &View<'_>, listed: &TreeView, treatment: &Treatment<'_>) -> Vec<EarlierHole> {
    let mut found = vec![];
    for (_, _, application) in &treatment.parts {
        let measured = season.dosed_from(listed, application).and_then(|(id, _)| {
            match &season.facts.shown(season.facts.fact_of(id)?).record.body {
                Body::Diameter(diameter) => Some(diameter),
                _ => None,
            }
        });
        let rules = season.yard.label(application.label).map(|label| &label.holes);
        let girth = |height: Um| Some(girth_at(rules?, measured?, height));
        found.extend(application.holes.iter().map(|hole| EarlierHole {
            arc_um: hole.arc_um,
            height_um: hole.height_um,
            past: true,
            girth_um: girth(hole.height_um),
        }));
    }
    found
}

/// The earlier seasons of a job, tree by tree.
#[derive(Clone, Debug, Default)]
pub struct Past {
    trees: BTreeMap<TreeId, Known>,
    /// Every id that one of them was known by.
    ids: BTreeSet<TreeId>,
}

impl Past {
    /// Whether no season was added, or none had a tree.
    pub fn is_empty(&self) -> bool {
        self.trees.is_empty()
    }

    /// Whether an earlier season had a tree, under any of the ids it is known by now.
    pub(crate) fn knows(&self, now: &View<'_>, id: TreeId, tree: &TreeView) -> bool {
        !self.is_empty()
            && (self.ids.contains(&id) || tree.listed_as.iter().any(|i| self.ids.contains(&now.fact(*i).id)))
    }

    /// Adds a season, from its own book.
    pub fn add(&mut self, season: &View<'_>) {
        for (id, listed) in &season.trees {
            let Some(tree) = season.tree(*id) else { continue };
            let known = self.trees.entry(*id).or_default();
            known.ids.insert(*id);
            known.block = known.block.or(tree.block);
            known.ids.extend(listed.listed_as.iter().map(|i| season.fact(*i).id));
            self.ids.extend(&known.ids);
            let past = &mut known.tree;
            for treatment in treatments(season, listed) {
                let Some(day) = treatment.days(season).map(|d| d.day).max() else { continue };
                past.treatments.push(PastTreatment {
                    stem: treatment.stem,
                    day,
                    season: season.job.season.clone(),
                    label: treatment.parts.first().map(|(_, _, a)| a.label),
                    records: treatment.records(),
                    discharged_ul: Ul(treatment.discharged_ul().1),
                    mark: tree.mark,
                    of_stems: tree.stems,
                    holes: holes(season, listed, &treatment),
                });
            }
            past.metal.extend(logged(season, listed).into_iter().filter_map(|(_, c)| c.metal.clone()));
            for stem in 1..=tree.stems.clamp(1, 64) {
                let seen = damage(season, listed, stem).into_iter();
                let girth_um = season.diameter(listed, stem).map(girth_of_diameter);
                past.damage.extend(seen.map(|damage| PastDamage { mark: tree.mark, girth_um, damage }));
            }
        }
    }

    /// A tree's past: that of every tree joined to it, now or then, so that no join forgets a hole.
    pub fn of(&self, now: &View<'_>, tree: TreeId) -> PastTree {
        let stays = now.stays(tree);
        let ours = self.trees.values().filter(|k| k.ids.iter().any(|id| now.stays(*id) == stays));
        let mut past = ours.fold(PastTree::default(), |past, known| past.with(&known.tree));
        if now.yard.label_texts().any(limits_area) {
            let block = now.tree(stays).and_then(|t| t.block);
            let of_block = self.by_block(now).remove(&block).unwrap_or_default().into_iter();
            past.of_block = of_block.map(PastUse::from).collect();
        }
        past
    }

    /// The past of every tree wanted that has one, by the tree that stands for it now.
    pub fn by_tree(&self, now: &View<'_>, wanted: impl Fn(TreeId) -> bool) -> BTreeMap<TreeId, PastTree> {
        let mut found: BTreeMap<TreeId, PastTree> = BTreeMap::new();
        for known in self.trees.values() {
            let stays: BTreeSet<TreeId> = known.ids.iter().map(|id| now.stays(*id)).collect();
            for id in stays.into_iter().filter(|id| wanted(*id)) {
                let past = found.remove(&id).unwrap_or_default();
                found.insert(id, past.with(&known.tree));
            }
        }
        found
    }

    /// Where some trees stood then, which counts for those that are not listed any more.
    pub(crate) fn blocks_then(&self, trees: &BTreeSet<TreeId>) -> impl Iterator<Item = Option<BlockId>> {
        self.trees.values().filter(|k| k.ids.iter().any(|id| trees.contains(id))).map(|k| k.block)
    }

    /// What was put into the trees of each block. A tree counts to the block it is listed in now; one
    /// that is not listed any more to that in which it stood.
    pub(crate) fn by_block(&self, now: &View<'_>) -> BTreeMap<Option<BlockId>, Vec<&PastTreatment>> {
        let mut found: BTreeMap<Option<BlockId>, Vec<&PastTreatment>> = BTreeMap::new();
        for known in self.trees.values() {
            let listed = known.ids.iter().find_map(|id| now.tree(now.stays(*id)));
            let block = listed.map_or(known.block, |tree| tree.block);
            let discharged = known.tree.treatments.iter().filter(|t| t.discharged_ul > Ul(0));
            found.entry(block).or_default().extend(discharged);
        }
        found
    }
}

impl From<&PastTreatment> for PastUse {
    fn from(of: &PastTreatment) -> Self {
        let PastTreatment { day, label, discharged_ul, .. } = *of;
        Self { day, season: of.season.clone(), label, discharged_ul }
    }
}
