//! Day plan: which trees go to which crew, balanced by time, in walking order.
//!
//! Route first, cluster second (Beasley 1983, Omega 11:403; from memory): one walk over all trees is
//! cut into as many stretches as there are crews so that the longest takes as little time as can be,
//! and each stretch is then walked from its crew's own start. Where blocks must stay whole, they are
//! handed out longest first to the crew with the least (Graham 1969; from memory).

mod share;
pub mod walk;

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;

use serde::Serialize;

use crate::dosing::forecast::model::TimeModel;
use crate::dosing::supply::{Listed, SupplyPlan, line};
use crate::ids::{CrewId, TreeId};
use crate::quantity::word_for;
use crate::record::stand::Position;
use crate::view::View;

/// A tree to be visited.
#[derive(Clone, Debug, PartialEq)]
pub struct Stop {
    /// The tree.
    pub tree: TreeId,
    /// Its tag.
    pub tag: String,
    /// Its block.
    pub block: String,
    /// Where it stands, if known.
    pub position: Option<Position>,
    /// Crew minutes it takes, 0 to 1440.
    pub minutes: f64,
}

/// A crew to plan for.
#[derive(Clone, Debug, PartialEq)]
pub struct CrewStart {
    /// The crew.
    pub crew: CrewId,
    /// Its name.
    pub name: String,
    /// Where it sets out, if known.
    pub start: Option<Position>,
}

/// How the day is to be planned.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Rules {
    /// Metres a crew walks in a minute with its kit, between trees.
    pub walk_m_per_minute: f64,
    /// Minutes a crew has; without it all trees are handed out.
    pub minutes_a_day: Option<f64>,
    /// Whether no block is shared between crews.
    pub whole_blocks: bool,
}

/// The day's plan.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct DayPlan {
    /// How it was planned.
    pub rules: Rules,
    /// Each crew, in the order given.
    pub crews: Vec<CrewPlan>,
    /// Trees no crew has time for, by tag as listed, in walking order.
    pub not_today: Vec<PlannedStop>,
    /// Metres all crews walk between trees.
    pub walk_m: f64,
    /// Metres they would walk going always to the nearest tree left of their share.
    pub nearest_neighbour_m: f64,
}

/// A crew's day.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct CrewPlan {
    /// The crew.
    pub crew: CrewId,
    /// Its name.
    pub name: String,
    /// Its trees, in order.
    pub stops: Vec<PlannedStop>,
    /// Metres it walks.
    pub walk_m: f64,
    /// Minutes at trees and walking.
    pub minutes: f64,
}

/// A tree in a crew's day.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct PlannedStop {
    /// The tree.
    pub tree: TreeId,
    /// Its tag.
    pub tag: String,
    /// Its block.
    pub block: String,
    /// Minutes at it.
    pub minutes: f64,
    /// Metres from the tree before it or from the start; absent where a position is not known.
    pub walk_m: Option<f64>,
}

/// Why there is no plan.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum DayPlanError {
    /// Nobody to plan for.
    #[error("no crew is given to plan for")]
    NoCrew,
    /// A crew given twice.
    #[error("crew {0} is given twice")]
    CrewTwice(String),
    /// A tree given twice.
    #[error("tree {0} is given twice: two crews would be sent to it")]
    TreeTwice(String),
    /// A time at a tree that is none.
    #[error("the minutes at tree {0} are not between 0 and 1440")]
    Minutes(String),
    /// A figure of the rules that cannot be.
    #[error("{0} must be above zero and finite")]
    Rule(&'static str),
    /// A position off the globe.
    #[error("{0} stands at no latitude and longitude there is: correct its position")]
    Position(String),
    /// More trees than one plan orders.
    #[error("{0} trees are more than the {MOST_STOPS} of one plan: plan block by block or day by day")]
    TooMany(usize),
}

/// Most trees of one plan; a crew does some tens to some hundreds in a day.
pub const MOST_STOPS: usize = 10_000;

/// Hands trees out to crews and puts each crew's in walking order.
///
/// Distances are straight lines on the ellipsoid, in metres; paths, fences and slopes are not known
/// to it. Trees without a position come after the others, block by block and by tag, with the crew
/// that has the least to do; the way to them is not counted. The same input gives the same plan.
///
/// # Errors
/// [`DayPlanError`] for what cannot be planned at all.
pub fn day_plan(stops: &[Stop], crews: &[CrewStart], rules: Rules) -> Result<DayPlan, DayPlanError> {
    check(stops, crews, rules)?;
    Ok(share::plan(stops, crews, rules))
}

fn check(stops: &[Stop], crews: &[CrewStart], rules: Rules) -> Result<(), DayPlanError> {
    if crews.is_empty() {
        return Err(DayPlanError::NoCrew);
    }
    if stops.len() > MOST_STOPS {
        return Err(DayPlanError::TooMany(stops.len()));
    }
    let positive = |v: f64| v.is_finite() && v > 0.0;
    if !positive(rules.walk_m_per_minute) {
        return Err(DayPlanError::Rule("the walking speed"));
    }
    if rules.minutes_a_day.is_some_and(|m| !positive(m)) {
        return Err(DayPlanError::Rule("a crew's minutes a day"));
    }
    let on_the_globe =
        |p: &Position| p.lat_ndeg.abs() <= 90_000_000_000 && p.lon_ndeg.abs() <= 180_000_000_000;
    let mut seen = BTreeSet::new();
    for stop in stops {
        let tag = || line(&stop.tag);
        if !seen.insert(stop.tree) {
            return Err(DayPlanError::TreeTwice(tag()));
        }
        if !(0.0..=1_440.0).contains(&stop.minutes) {
            return Err(DayPlanError::Minutes(tag()));
        }
        if stop.position.is_some_and(|p| !on_the_globe(&p)) {
            return Err(DayPlanError::Position(format!("tree {}", tag())));
        }
    }
    let mut seen = BTreeSet::new();
    for crew in crews {
        if !seen.insert(crew.crew) {
            return Err(DayPlanError::CrewTwice(line(&crew.name)));
        }
        if crew.start.is_some_and(|p| !on_the_globe(&p)) {
            return Err(DayPlanError::Position(format!("crew {}", line(&crew.name))));
        }
    }
    Ok(())
}

/// The trees of a supply plan as stops: where they stand, and the minutes the model gives their
/// charges. A tree that takes the model more than a day is given a whole day.
pub fn stops(view: &View<'_>, trees: &[Listed], plan: &SupplyPlan, model: &TimeModel) -> Vec<Stop> {
    let mut minutes: BTreeMap<TreeId, f64> = BTreeMap::new();
    for stem in &plan.stems {
        let species = view.tree(stem.tree).and_then(|t| t.species.as_deref());
        *minutes.entry(stem.tree).or_default() += model.minutes(species, stem.charges);
    }
    let dosed = trees.iter().filter_map(|tree| minutes.get(&tree.tree).map(|m| (tree, *m)));
    dosed
        .map(|(tree, minutes)| Stop {
            tree: tree.tree,
            tag: tree.tag.clone(),
            block: tree.group.clone(),
            position: view.tree(tree.tree).and_then(|t| t.position),
            minutes: minutes.clamp(0.0, 1_440.0),
        })
        .collect()
}

impl fmt::Display for DayPlan {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for crew in &self.crews {
            let (hours, minutes) = (crew.minutes / 60.0, crew.minutes);
            writeln!(
                f,
                "{}: {} {}, {hours:.1} h ({minutes:.0} minutes), {:.0} m to walk",
                line(&crew.name),
                crew.stops.len(),
                word_for(crew.stops.len(), "tree", "trees"),
                crew.walk_m
            )?;
            let mut block = None;
            for (number, stop) in crew.stops.iter().enumerate() {
                if block != Some(&stop.block) {
                    block = Some(&stop.block);
                    writeln!(f, "  {}", line(&stop.block))?;
                }
                let walk = stop.walk_m.map_or("place not known".into(), |m| format!("{m:.0} m on"));
                writeln!(f, "  {:>4}. {}, {walk}, {:.0} min", number + 1, line(&stop.tag), stop.minutes)?;
            }
        }
        if !self.not_today.is_empty() {
            let tags: Vec<String> = self.not_today.iter().map(|s| line(&s.tag)).collect();
            writeln!(f, "Not today, no time left ({}): {}", tags.len(), tags.join(", "))?;
        }
        if self.nearest_neighbour_m > 0.0 {
            let nearest = self.nearest_neighbour_m;
            let change = 100.0 * (self.walk_m / nearest - 1.0);
            writeln!(
                f,
                "{:.0} m to walk in all; always to the nearest tree left it would be {nearest:.0} m ({change:+.0} %)",
                self.walk_m
            )?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests;
