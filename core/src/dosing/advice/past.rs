//! What earlier seasons did to a tree: treatments, holes and wounds, from the books this job was
//! opened from. The dose, the checks and what is due ([`crate::seasons`]) all read it here.

use std::collections::{BTreeMap, BTreeSet};

use crate::check::treatments;
use crate::day::Day;
use crate::dosing::advice::{earlier_holes, tree::damage};
use crate::dosing::layout::EarlierHole;
use crate::ids::{LabelId, RecordId, TreeId};
use crate::quantity::Ul;
use crate::record::stand::{Damage, ReferenceMark};
use crate::view::View;

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
    /// Its holes, from that mark.
    pub holes: Vec<EarlierHole>,
}

/// Damage seen in an earlier season.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PastDamage {
    /// What its arc is measured from.
    pub mark: Option<ReferenceMark>,
    /// The damage.
    pub damage: Damage,
}

/// All that is known of a tree's earlier seasons.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct PastTree {
    /// Its treatments.
    pub treatments: Vec<PastTreatment>,
    /// Its wounds and other places where no hole goes.
    pub damage: Vec<PastDamage>,
}

impl PastTree {
    fn with(mut self, other: &Self) -> Self {
        self.treatments.extend(other.treatments.iter().cloned());
        self.damage.extend(other.damage.iter().cloned());
        self
    }

    /// The treatments of another book of the same season that discharged product.
    pub(crate) fn of_season<'p>(&'p self, season: &'p str) -> impl Iterator<Item = &'p PastTreatment> + 'p {
        let same = move |t: &&PastTreatment| t.season.trim().eq_ignore_ascii_case(season.trim());
        self.treatments.iter().filter(|t| t.discharged_ul > Ul(0)).filter(same)
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
    tree: PastTree,
}

/// The earlier seasons of a job, tree by tree.
#[derive(Clone, Debug, Default)]
pub struct Past(BTreeMap<TreeId, Known>);

impl Past {
    /// Adds a season, from its own book.
    pub fn add(&mut self, season: &View<'_>) {
        for (id, listed) in &season.trees {
            let Some(tree) = season.tree(*id) else { continue };
            let known = self.0.entry(*id).or_default();
            known.ids.insert(*id);
            known.ids.extend(listed.listed_as.iter().map(|i| season.fact(*i).id));
            let past = &mut known.tree;
            for treatment in treatments(season, listed) {
                let Some(day) = treatment.days(season).map(|d| d.day).max() else { continue };
                let holes = earlier_holes(std::slice::from_ref(&treatment), treatment.stem, &[]);
                past.treatments.push(PastTreatment {
                    stem: treatment.stem,
                    day,
                    season: season.job.season.clone(),
                    label: treatment.parts.first().map(|(_, _, a)| a.label),
                    records: treatment.records(),
                    discharged_ul: Ul(treatment.discharged_ul().1),
                    mark: tree.mark,
                    holes: holes.into_iter().map(|hole| EarlierHole { past: true, ..hole }).collect(),
                });
            }
            for stem in 1..=tree.stems.clamp(1, 64) {
                let seen = damage(season, listed, stem).into_iter();
                past.damage.extend(seen.map(|damage| PastDamage { mark: tree.mark, damage }));
            }
        }
    }

    /// A tree's past: that of every tree joined to it, now or then, so that no join forgets a hole.
    pub fn of(&self, now: &View<'_>, tree: TreeId) -> PastTree {
        let stays = now.stays(tree);
        let ours = self.0.values().filter(|k| k.ids.iter().any(|id| now.stays(*id) == stays));
        ours.fold(PastTree::default(), |past, known| past.with(&known.tree))
    }

    /// The past of every tree that has one, by the tree that stands for it now.
    pub fn by_tree(&self, now: &View<'_>) -> BTreeMap<TreeId, PastTree> {
        let mut found: BTreeMap<TreeId, PastTree> = BTreeMap::new();
        for known in self.0.values() {
            let stays: BTreeSet<TreeId> = known.ids.iter().map(|id| now.stays(*id)).collect();
            for id in stays {
                let past = found.remove(&id).unwrap_or_default();
                found.insert(id, past.with(&known.tree));
            }
        }
        found
    }
}
