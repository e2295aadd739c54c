//! What earlier seasons did to a tree: treatments, holes and wounds, from the books this job was
//! opened from.

use std::collections::BTreeMap;

use crate::check::treatments;
use crate::day::Day;
use crate::dosing::advice::{earlier_holes, tree::damage};
use crate::dosing::layout::EarlierHole;
use crate::ids::TreeId;
use crate::quantity::Ul;
use crate::record::stand::{Damage, ReferenceMark};
use crate::view::View;

/// A treatment of an earlier season, from that season's book or the client's papers.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PastTreatment {
    /// Which stem, from 1.
    pub stem: i64,
    /// When.
    pub day: Day,
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
    /// The marks that arcs of a stem were measured from.
    pub(super) fn marks(&self, stem: i64) -> impl Iterator<Item = Option<ReferenceMark>> {
        let treated = self.treatments.iter().filter(move |t| t.stem == stem && !t.holes.is_empty());
        let damaged = self.damage.iter().filter(move |d| d.damage.stem == stem);
        treated.map(|t| t.mark).chain(damaged.map(|d| d.mark))
    }
}

/// The earlier seasons of a job, tree by tree.
#[derive(Clone, Debug, Default)]
pub struct Past(BTreeMap<TreeId, PastTree>);

impl Past {
    /// Adds a season, from its own book.
    pub fn add(&mut self, season: &View<'_>) {
        for (id, listed) in &season.trees {
            let Some(tree) = season.tree(*id) else { continue };
            let past = self.0.entry(*id).or_default();
            for treatment in treatments(season, listed) {
                let Some(day) = treatment.days(season).map(|d| d.day).max() else { continue };
                let holes = earlier_holes(std::slice::from_ref(&treatment), treatment.stem, &[]);
                let holes = holes.into_iter().map(|hole| EarlierHole { past: true, ..hole }).collect();
                let discharged_ul = Ul(treatment.discharged_ul().1);
                let (stem, mark) = (treatment.stem, tree.mark);
                past.treatments.push(PastTreatment { stem, day, discharged_ul, mark, holes });
            }
            for stem in 1..=tree.stems.clamp(1, 64) {
                let seen = damage(season, listed, stem).into_iter();
                past.damage.extend(seen.map(|damage| PastDamage { mark: tree.mark, damage }));
            }
        }
    }

    /// A tree's past: that of every tree joined to it, so that no join forgets a hole.
    pub fn of(&self, now: &View<'_>, tree: TreeId) -> PastTree {
        let stays = now.stays(tree);
        let mut past = PastTree::default();
        for (_, one) in self.0.iter().filter(|(id, _)| now.stays(**id) == stays) {
            past.treatments.extend(one.treatments.iter().cloned());
            past.damage.extend(one.damage.iter().cloned());
        }
        past
    }
}
