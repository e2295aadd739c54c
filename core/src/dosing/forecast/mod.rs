//! Forecast: minutes per tree and per charge learned from a job's own log, crew-days left with an
//! interval, and uptake that is slower than its peers.
//!
//! [`log`] reads the visits, [`model`] learns from them, [`uptake`] finds the slow ones; this module
//! puts a number on what is left. All of it is prediction: nothing here enters a record.

pub mod log;
pub mod model;
pub(crate) mod peers;
pub mod shrink;
pub mod uptake;

use std::collections::BTreeMap;
use std::fmt;

use serde::Serialize;

use crate::dosing::forecast::log::{Logged, Visit};
use crate::dosing::forecast::model::{SpeciesTime, Sums, TimeModel, by_day};
use crate::dosing::supply::{Listed, PlannedStem, SupplyPlan};
use crate::ids::TreeId;
use crate::quantity::word_for;
use crate::view::CrewDay;

/// A stem still to be treated.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LeftStem {
    /// Its species (EPPO code), if noted.
    pub species: Option<String>,
    /// The charges planned for it.
    pub charges: usize,
}

/// The stems of a supply plan, with their trees' species, for a forecast.
pub fn stems_left(trees: &[Listed], plan: &SupplyPlan) -> Vec<LeftStem> {
    let species: BTreeMap<TreeId, Option<&str>> =
        trees.iter().map(|t| (t.tree, t.species.as_deref())).collect();
    let of = |stem: &PlannedStem| species.get(&stem.tree).copied().flatten().map(str::to_owned);
    plan.stems.iter().map(|s| LeftStem { species: of(s), charges: s.charges }).collect()
}

/// What is left, in time.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Forecast {
    /// Stems still to be treated.
    pub stems_left: usize,
    /// Crew minutes they will take.
    pub minutes_left: f64,
    /// How minutes per stem were learned.
    pub model: TimeModel,
    /// The species of the log, with what was learned of each, ascending by code.
    pub species: Vec<SpeciesTime>,
    /// Crew minutes at trees in a crew's day.
    pub minutes_a_day: f64,
    /// Crew-days left at that pace.
    pub crew_days_left: f64,
    /// 95 % interval of the crew-days left; absent until two crew-days are closed (logged, while none is closed).
    pub interval: Option<(f64, f64)>,
    /// Crew-days learned from.
    pub days_logged: usize,
    /// Visits learned from.
    pub visits_logged: usize,
    /// Visits that could not be used.
    pub visits_unusable: usize,
}

/// Why there is no forecast.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ForecastError {
    /// Nothing to learn from.
    #[error("no application with a usable start and end is logged yet: there is nothing to learn from")]
    NothingLogged,
    /// A length of day that is no length of day.
    #[error("a crew's day of {0} minutes at trees is not between 1 and 1440")]
    Day(i64),
    /// Assumed minutes that cannot be.
    #[error("assumed minutes must be finite, not negative and not both zero, at most 1440 each")]
    Assumed,
}

/// Most minutes of a day.
const DAY_MINUTES: i64 = 1_440;

/// Crew-days left.
///
/// The pace is the mean crew minutes at trees of the closed crew-days (of all, while none is closed), or `minutes_a_day` where the office knows better. The interval is that of a
/// Student t with one degree of freedom less than there are crew-days, around a variance of three
/// parts: what leaving out each crew-day in turn changes (jackknife over groups; Tukey 1958, Efron &
/// Stein 1981), the spread of single stems, and the spread of days (renewal theorem: the number of
/// days a sum of work takes varies as days × (spread ÷ mean)²; Cox 1962). The sources are named
/// from memory.
///
/// # Errors
/// [`ForecastError`] when nothing usable is logged or the given day is no day.
pub fn forecast(
    logged: &Logged,
    left: &[LeftStem],
    minutes_a_day: Option<i64>,
) -> Result<Forecast, ForecastError> {
    if let Some(given) = minutes_a_day.filter(|m| !(1..=DAY_MINUTES).contains(m)) {
        return Err(ForecastError::Day(given));
    }
    let days = by_day(&logged.visits);
    let all: Sums = days.values().map(|d| &d.sums).sum();
    let model = all.fit().ok_or(ForecastError::NothingLogged)?;
    let left = count(left);
    let given = minutes_a_day.map(|m| m as f64);
    // A day still going on tells nothing of how much a day holds, unless there is no other.
    let any_closed = days.keys().any(|d| logged.closed.contains(d));
    let whole = |day: &CrewDay| !any_closed || logged.closed.contains(day);
    let pace = |without: Option<CrewDay>| {
        let counted = days.iter().filter(|(d, _)| whole(d) && Some(**d) != without);
        given.or_else(|| mean(counted.map(|(_, t)| t.minutes))).filter(|p| *p > 0.0)
    };
    let minutes_left = minutes(&model, &left);
    let minutes_a_day = pace(None).ok_or(ForecastError::NothingLogged)?;
    let crew_days_left = minutes_left / minutes_a_day;
    let mut without = vec![];
    for (day, time) in &days {
        let model = all.less(&time.sums).fit();
        if let (Some(model), Some(pace)) = (model, pace(Some(*day))) {
            without.push(minutes(&model, &left) / pace);
        }
    }
    let stems: usize = left.values().sum();
    let spread_of_days = if given.is_some() {
        0.0
    } else {
        let minutes: Vec<f64> = days.iter().filter(|(d, _)| whole(d)).map(|(_, t)| t.minutes).collect();
        variance(&minutes) / (minutes_a_day * minutes_a_day)
    };
    let interval = (without.len() >= 2 && without.len() == days.len()).then(|| {
        let count = without.len() as f64;
        let jackknife = variance(&without) * (count - 1.0) * (count - 1.0) / count;
        let of_stems = stems as f64 * model.stem_variance / (minutes_a_day * minutes_a_day);
        let all = jackknife + of_stems + crew_days_left * spread_of_days;
        let half = student_t_975(without.len() - 1) * libm::sqrt(all.max(0.0));
        ((crew_days_left - half).max(0.0), crew_days_left + half)
    });
    Ok(Forecast {
        stems_left: stems,
        minutes_left,
        species: model.species(&all),
        model,
        minutes_a_day,
        crew_days_left,
        interval,
        days_logged: days.len(),
        visits_logged: logged.visits.len(),
        visits_unusable: logged.unusable.len(),
    })
}

/// The time left by what the office assumes, with nothing learned and so without an interval.
///
/// # Errors
/// [`ForecastError::Day`] for a day of no length or of more than 24 hours.
pub fn assumed(model: TimeModel, left: &[LeftStem], minutes_a_day: i64) -> Result<Forecast, ForecastError> {
    if !(1..=DAY_MINUTES).contains(&minutes_a_day) {
        return Err(ForecastError::Day(minutes_a_day));
    }
    let minutes_left = minutes(&model, &count(left));
    let minutes_a_day = minutes_a_day as f64;
    Ok(Forecast {
        stems_left: left.len(),
        minutes_left,
        model,
        species: vec![],
        minutes_a_day,
        crew_days_left: minutes_left / minutes_a_day,
        interval: None,
        days_logged: 0,
        visits_logged: 0,
        visits_unusable: 0,
    })
}

/// Stems by species and charges: a stand has far fewer different ones than stems.
fn count(left: &[LeftStem]) -> BTreeMap<(Option<&str>, usize), usize> {
    let mut counted = BTreeMap::new();
    for stem in left {
        *counted.entry((stem.species.as_deref(), stem.charges)).or_insert(0) += 1;
    }
    counted
}

fn minutes(model: &TimeModel, left: &BTreeMap<(Option<&str>, usize), usize>) -> f64 {
    left.iter().map(|((species, charges), count)| model.minutes(*species, *charges) * *count as f64).sum()
}

fn mean(values: impl Iterator<Item = f64>) -> Option<f64> {
    let (sum, count) = values.fold((0.0, 0u32), |(sum, count), v| (sum + v, count + 1));
    (count > 0).then(|| sum / f64::from(count))
}

/// The sample variance; 0 of fewer than two.
fn variance(values: &[f64]) -> f64 {
    let Some(mean) = mean(values.iter().copied()).filter(|_| values.len() > 1) else { return 0.0 };
    values.iter().map(|v| (v - mean) * (v - mean)).sum::<f64>() / (values.len() - 1) as f64
}

/// Student's t at 97.5 %: to 30 degrees of freedom computed with scipy 1.17, beyond by the
/// Cornish–Fisher expansion (Abramowitz & Stegun 26.7.5), right to 0.0001 there.
fn student_t_975(freedom: usize) -> f64 {
    const TABLE: [f64; 30] = [
        12.7062, 4.3027, 3.1824, 2.7764, 2.5706, 2.4469, 2.3646, 2.306, 2.2622, 2.2281, 2.201, 2.1788,
        2.1604, 2.1448, 2.1314, 2.1199, 2.1098, 2.1009, 2.093, 2.086, 2.0796, 2.0739, 2.0687, 2.0639, 2.0595,
        2.0555, 2.0518, 2.0484, 2.0452, 2.0423,
    ];
    if let Some(known) = freedom.checked_sub(1).and_then(|i| TABLE.get(i)) {
        return *known;
    }
    let (z, n) = (1.959_963_984_540_054, freedom.max(1) as f64);
    let (z3, z5) = (z * z * z, z * z * z * z * z);
    z + (z3 + z) / (4.0 * n) + (5.0 * z5 + 16.0 * z3 + 3.0 * z) / (96.0 * n * n)
}

impl fmt::Display for Forecast {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:.1} crew-days left", self.crew_days_left)?;
        match self.interval {
            Some((low, high)) => writeln!(f, " (95 % between {low:.1} and {high:.1})")?,
            None if self.model.assumed => writeln!(f, " (assumed, so without an interval)")?,
            None => writeln!(f, " (no interval until two crew-days are closed)")?,
        }
        writeln!(
            f,
            "{} {}, {:.0} crew minutes at {:.0} minutes a crew-day",
            self.stems_left,
            word_for(self.stems_left, "stem", "stems"),
            self.minutes_left,
            self.minutes_a_day
        )?;
        writeln!(f, "{}", self.model)?;
        for species in &self.species {
            writeln!(
                f,
                "  {}: {} {} logged, {:+.1} minutes a stem (as logged {:+.1}, own weight {:.0} %)",
                species.species,
                species.stems,
                word_for(species.stems, "stem", "stems"),
                species.shrunk_minutes,
                species.logged_minutes,
                100.0 * species.own_weight
            )?;
        }
        if self.model.assumed {
            return write!(f, "Nothing of this is learned: it is as good as what was assumed");
        }
        write!(f, "Learned from {} visits on {} crew-days", self.visits_logged, self.days_logged)?;
        if self.visits_unusable > 0 {
            write!(f, "; {} visits without usable times left out", self.visits_unusable)?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests;
