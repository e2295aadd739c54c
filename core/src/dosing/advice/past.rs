//! What earlier seasons did to a tree: treatments, holes and wounds, from the books this job was
//! opened from. The dose, the checks and what is due ([`crate::seasons`]) all read it here.

use std::collections::{BTreeMap, BTreeSet};

use crate::check::Treatment;
use crate::check::treatments;
use crate::day::Day;
use crate::dosing::advice::tree::{damage, logged};
use crate::dosing::layout::{EarlierHole, girth_at};
use crate::dosing::stem::girth_of_diameter;
use crate::ids::{LabelId, RecordId, TreeId};
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
}

impl PastTree {
    fn with(mut self, other: &Self) -> Self {
        self.treatments.extend(other.treatments.iter().cloned());
        self.damage.extend(other.damage.iter().cloned());
        self.metal.extend(other.metal.iter().cloned());
        self
    }

    /// The treatments of another book of the same season that discharged product: a season of the same
    /// name, the calendar year of any of these days, or less than half a year before one. A label does not
    /// say what a season is, and a second book of one year, or of one southern summer, under another name
    /// must not begin its limit anew. (Half a year: common practice, no source.)
    pub(crate) fn of_season<'p>(
        &'p self,
        season: &'p str,
        days: impl IntoIterator<Item = Day>,
    ) -> impl Iterator<Item = &'p PastTreatment> + 'p {
        let days: BTreeSet<Day> = days.into_iter().collect();
        let near = move |then: Day| {
            let close = |day: &Day| (0..HALF_A_YEAR).contains(&then.days_until(*day));
            days.iter().any(|day| day.ymd().0 == then.ymd().0 || close(day))
        };
        let named = move |t: &PastTreatment| t.season.trim().eq_ignore_ascii_case(season.trim());
        let same = move |t: &&PastTreatment| named(t) || near(t.day);
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
