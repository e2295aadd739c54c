//! How the canopies stood then and now: classes with counts and intervals, and which way each tree
//! went, treated trees apart from the others.

use std::collections::BTreeMap;

use serde::Serialize;

use crate::facts::Version;
use crate::ids::{BookId, TreeId};
use crate::record::Body;
use crate::view::{TreeState, TreeView, View};

/// The upper bounds of the canopy classes, in per mille of canopy lost, each inclusive. 30 % is a
/// city programme's caution, over 50 % a tree is unlikely to recover even if treated (Herms et al.
/// 2009, multi-state bulletin); 10 % is common practice, no source.
pub const CANOPY_CLASSES: [i64; 4] = [100, 300, 500, 1_000];

/// How many trees are in a canopy class, and what share of all that says.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct CanopyClass {
    /// Canopy lost is over this, in per mille; the first class holds 0 too.
    pub over: i64,
    /// Up to and with this.
    pub up_to: i64,
    /// Trees.
    pub trees: u64,
    /// The 95 % interval of the share, in per mille, rounded outward; absent with nothing assessed.
    pub share: Option<(i64, i64)>,
}

/// A season's canopies.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Season {
    /// The job book.
    pub book: BookId,
    /// The season, as the job names it.
    pub season: String,
    /// Trees listed.
    pub trees: usize,
    /// Trees whose canopy was assessed: the last assessment of the season counts.
    pub assessed: u64,
    /// Trees by class, the best first.
    pub classes: Vec<CanopyClass>,
}

/// The last canopy loss of each tree assessed in a season, in per mille of 0 to 1000, of the versions
/// taken: a client sees those of signed-off days only.
pub fn losses(view: &View<'_>, takes: impl Fn(&Version) -> bool) -> BTreeMap<TreeId, i64> {
    let of = |(id, tree): (&TreeId, &TreeView)| Some((*id, last_loss(view, tree, &takes)?));
    view.trees.iter().filter_map(of).collect()
}

/// The canopies of one season's book, from its [`losses`].
pub fn canopies(view: &View<'_>, losses: &BTreeMap<TreeId, i64>) -> Season {
    let assessed = losses.len() as u64;
    let mut over = 0;
    let mut classes = vec![];
    for (place, up_to) in CANOPY_CLASSES.into_iter().enumerate() {
        let trees = losses.values().filter(|loss| class(**loss) == place).count() as u64;
        classes.push(CanopyClass { over, up_to, trees, share: wilson(trees, assessed) });
        over = up_to;
    }
    Season { book: view.book, season: view.job.season.clone(), trees: view.trees.len(), assessed, classes }
}

/// Which way trees went, by canopy class.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Moved {
    /// In a better class now.
    pub better: u64,
    /// In the same class.
    pub same: u64,
    /// In a worse one.
    pub worse: u64,
    /// The 95 % interval of the share that is not worse, in per mille; absent of no tree.
    pub held: Option<(i64, i64)>,
}

impl Moved {
    fn count(&mut self, then: usize, now: usize) {
        match now.cmp(&then) {
            std::cmp::Ordering::Less => self.better += 1,
            std::cmp::Ordering::Equal => self.same += 1,
            std::cmp::Ordering::Greater => self.worse += 1,
        }
        self.held = wilson(self.better + self.same, self.better + self.same + self.worse);
    }
}

/// What became of the trees assessed in an earlier season.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Change {
    /// The earlier season.
    pub then: String,
    /// The later one.
    pub now: String,
    /// Of trees treated in the earlier one.
    pub treated: Moved,
    /// Of the others. Whoever chose which to treat chose by their state: no trial was made here.
    pub untreated: Moved,
    /// Assessed then and not now: removed, dead or not looked at again. They are in no share.
    pub not_again: u64,
}

/// A season's book and its [`losses`].
pub type Assessed<'a, 'y> = (&'a View<'y>, &'a BTreeMap<TreeId, i64>);

/// Compares two seasons tree by tree, over the trees assessed in both.
pub fn change((then, then_losses): Assessed<'_, '_>, (now, now_losses): Assessed<'_, '_>) -> Change {
    let (treated, untreated) = (Moved::default(), Moved::default());
    let (then_name, now_name) = (then.job.season.clone(), now.job.season.clone());
    let mut all = Change { then: then_name, now: now_name, treated, untreated, not_again: 0 };
    for (id, was) in then_losses {
        let treated = then.trees.get(id).is_some_and(|tree| then.state(tree) == TreeState::Treated);
        match now_losses.get(&now.stays(*id)) {
            None => all.not_again += 1,
            Some(is) if treated => all.treated.count(class(*was), class(*is)),
            Some(is) => all.untreated.count(class(*was), class(*is)),
        }
    }
    all
}

/// Which class a loss is in.
fn class(loss: i64) -> usize {
    CANOPY_CLASSES.iter().position(|up_to| loss <= *up_to).unwrap_or(CANOPY_CLASSES.len() - 1)
}

/// The last canopy loss logged of a tree, before or after its treatment.
fn last_loss(view: &View<'_>, tree: &TreeView, takes: impl Fn(&Version) -> bool) -> Option<i64> {
    let versions = tree.conditions.iter().chain(&tree.inspections).map(|i| view.facts.shown(view.fact(*i)));
    let losses = versions.filter(|version| takes(version)).filter_map(|version| {
        let loss = match &version.record.body {
            Body::Condition(b) => b.canopy_loss,
            Body::Inspection(b) => b.canopy_loss,
            _ => None,
        }?;
        Some((version.record.envelope.at, version.id(), loss.0.clamp(0, 1_000)))
    });
    losses.max().map(|(_, _, loss)| loss)
}

/// The 95 % score interval of a share of `of`, in per mille, rounded outward; `None` of nothing.
///
/// E. B. Wilson, J. Am. Stat. Assoc. 22 (1927) 209–212, without continuity correction, z = 1.959964.
/// It takes the trees as drawn apart from each other; neighbours seldom are, so read it as the least
/// that is unknown.
pub fn wilson(hits: u64, of: u64) -> Option<(i64, i64)> {
    if of == 0 || hits > of {
        return None;
    }
    let z = 1.959_964_f64;
    let (n, p) = (of as f64, hits as f64 / of as f64);
    let scale = 1.0 + z * z / n;
    let centre = (p + z * z / (2.0 * n)) / scale;
    let half = z * libm::sqrt(p * (1.0 - p) / n + z * z / (4.0 * n * n)) / scale;
    // At none and at all, the bound is exactly 0 or 1; a rounding error must not move it outward.
    let low = if hits == 0 { 0 } else { libm::floor((centre - half) * 1_000.0) as i64 };
    let high = if hits == of { 1_000 } else { libm::ceil((centre + half) * 1_000.0) as i64 };
    Some((low.max(0), high.min(1_000)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn outside_wilsons_interval_is_that_of_newcombes_examples() {
        // R. G. Newcombe, Stat. Med. 17 (1998) 857, table I, method 3; figures from memory:
        // 81/263 0.2553 to 0.3662; 15/148 0.0624 to 0.1605; 0/20 0 to 0.1611; 1/29 0.0061 to 0.1718.
        assert_eq!(wilson(81, 263), Some((255, 367)));
        assert_eq!(wilson(15, 148), Some((62, 161)));
        assert_eq!(wilson(0, 20), Some((0, 162)));
        assert_eq!(wilson(1, 29), Some((6, 172)));
        assert_eq!((wilson(0, 0), wilson(2, 1)), (None, None));
        assert_eq!(wilson(20, 20), Some((838, 1_000)));
    }
}
