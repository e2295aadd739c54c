//! Minutes of a stem: so many for the tree, so many for each charge, and a species' own share.

use std::collections::BTreeMap;
use std::fmt;
use std::iter::Sum;

use serde::Serialize;

use crate::dosing::forecast::shrink::{GroupMean, shrink};
use crate::dosing::forecast::{ForecastError, Visit};
use crate::view::CrewDay;

/// How long a stem takes a crew.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct TimeModel {
    /// Crew minutes for a stem before any charge, 0 or more.
    pub per_stem: f64,
    /// Crew minutes for each charge, 0 or more.
    pub per_charge: f64,
    /// Minutes a stem of a species not in the log takes beside these.
    pub other_species: f64,
    /// Minutes a stem of each species takes beside these, after shrinking.
    pub by_species: BTreeMap<String, f64>,
    /// Variance of one stem around this, in minutes².
    pub stem_variance: f64,
    /// Whether the office assumed it, with nothing logged.
    pub assumed: bool,
}

/// What was learned of a species.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct SpeciesTime {
    /// EPPO code; `?` where none was noted.
    pub species: String,
    /// Visits.
    pub stems: usize,
    /// Mean minutes beside those of the job's fit, as logged.
    pub logged_minutes: f64,
    /// The same after shrinking.
    pub shrunk_minutes: f64,
    /// The weight the species' own mean kept, 0 to 1.
    pub own_weight: f64,
}

/// A crew's day at the trees.
#[derive(Clone, Debug, Default)]
pub struct DayTime {
    /// Its sums.
    pub sums: Sums,
    /// Crew minutes at trees.
    pub minutes: f64,
}

/// Sums of visits by species: all a fit needs, so that days can be left out one by one.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Sums(BTreeMap<String, Moments>);

#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Moments {
    n: f64,
    x: f64,
    y: f64,
    xx: f64,
    xy: f64,
    yy: f64,
}

/// The visits of each crew-day, summed.
pub fn by_day(visits: &[Visit]) -> BTreeMap<CrewDay, DayTime> {
    let mut days: BTreeMap<CrewDay, DayTime> = BTreeMap::new();
    for visit in visits {
        let day = days.entry(visit.day).or_default();
        let (x, y) = (visit.charges as f64, visit.crew_minutes);
        let one = Moments { n: 1.0, x, y, xx: x * x, xy: x * y, yy: y * y };
        day.sums.0.entry(species_name(visit.species.as_deref())).or_default().add(&one, 1.0);
        day.minutes += y;
    }
    days
}

fn species_name(species: Option<&str>) -> String {
    species.unwrap_or("?").to_owned()
}

impl Moments {
    fn add(&mut self, other: &Self, sign: f64) {
        self.n += sign * other.n;
        self.x += sign * other.x;
        self.y += sign * other.y;
        self.xx += sign * other.xx;
        self.xy += sign * other.xy;
        self.yy += sign * other.yy;
    }

    /// Sum of squares of y around a + b·x + `beside`.
    fn squares(&self, a: f64, b: f64, beside: f64) -> f64 {
        let a = a + beside;
        let sum = self.yy + a * a * self.n + b * b * self.xx - 2.0 * a * self.y - 2.0 * b * self.xy
            + 2.0 * a * b * self.x;
        sum.max(0.0)
    }
}

impl<'a> Sum<&'a Sums> for Sums {
    fn sum<I: Iterator<Item = &'a Sums>>(items: I) -> Self {
        let mut all = Self::default();
        for sums in items {
            for (species, moments) in &sums.0 {
                all.0.entry(species.clone()).or_default().add(moments, 1.0);
            }
        }
        all
    }
}

impl Sums {
    /// These without a day's.
    pub fn less(&self, day: &Self) -> Self {
        let mut rest = self.clone();
        for (species, moments) in &day.0 {
            if let Some(sums) = rest.0.get_mut(species) {
                sums.add(moments, -1.0);
            }
        }
        rest.0.retain(|_, m| m.n > 0.5);
        rest
    }

    fn together(&self) -> Moments {
        let mut all = Moments::default();
        self.0.values().for_each(|m| all.add(m, 1.0));
        all
    }

    /// Least squares over the whole job, then each species' mean residual shrunk toward the job's.
    ///
    /// A charge or a stem never takes less than no time: where the line would say so, it is fitted
    /// through the origin, or level. `None` without any visit.
    pub fn fit(&self) -> Option<TimeModel> {
        let all = self.together();
        if all.n < 0.5 {
            return None;
        }
        let (per_stem, per_charge) = line(&all);
        let groups = self.groups(per_stem, per_charge);
        let within: f64 =
            self.0.values().zip(&groups).map(|(m, g)| m.squares(per_stem, per_charge, g.mean)).sum();
        let freedom = (all.n - groups.len() as f64 - 1.0).max(1.0);
        let stem_variance = within / freedom;
        let shrunk = shrink(&groups, stem_variance)?;
        let by_species = self.0.keys().cloned().zip(shrunk.groups.iter().map(|(mean, _)| *mean)).collect();
        Some(TimeModel {
            per_stem,
            per_charge,
            other_species: shrunk.mean,
            by_species,
            stem_variance,
            assumed: false,
        })
    }

    fn groups(&self, per_stem: f64, per_charge: f64) -> Vec<GroupMean> {
        let residual = |m: &Moments| (m.y - per_stem * m.n - per_charge * m.x) / m.n;
        self.0.values().map(|m| GroupMean { mean: residual(m), count: libm::round(m.n) as usize }).collect()
    }
}

fn line(all: &Moments) -> (f64, f64) {
    let spread = all.xx - all.x * all.x / all.n;
    let mean = all.y / all.n;
    if spread > 1e-9 * all.xx.max(1.0) {
        let slope = (all.xy - all.x * all.y / all.n) / spread;
        let level = mean - slope * all.x / all.n;
        return match (level >= 0.0, slope >= 0.0) {
            (true, true) => (level, slope),
            (false, _) => (0.0, all.xy / all.xx),
            (true, false) => (mean, 0.0),
        };
    }
    // Every stem had as many charges: time cannot be told apart, so it is all given to the charges.
    if all.xx > 0.0 { (0.0, all.xy / all.xx) } else { (mean, 0.0) }
}

impl TimeModel {
    /// What the office assumes before anything is logged.
    ///
    /// # Errors
    /// [`ForecastError::Assumed`] for figures that are not finite, negative, both zero or beyond a day.
    pub fn assumed(per_stem: f64, per_charge: f64) -> Result<Self, ForecastError> {
        let good = |v: f64| (0.0..=1_440.0).contains(&v);
        if !good(per_stem) || !good(per_charge) || per_stem + per_charge <= 0.0 {
            return Err(ForecastError::Assumed);
        }
        let by_species = BTreeMap::new();
        Ok(Self { per_stem, per_charge, other_species: 0.0, by_species, stem_variance: 0.0, assumed: true })
    }

    /// Crew minutes for a stem; never less than nothing.
    pub fn minutes(&self, species: Option<&str>, charges: usize) -> f64 {
        let beside = self.by_species.get(species.unwrap_or("?")).copied().unwrap_or(self.other_species);
        (self.per_stem + self.per_charge * charges as f64 + beside).max(0.0)
    }

    /// What was learned of each species.
    pub fn species(&self, sums: &Sums) -> Vec<SpeciesTime> {
        let groups = sums.groups(self.per_stem, self.per_charge);
        let Some(shrunk) = shrink(&groups, self.stem_variance) else { return vec![] };
        let rows = sums.0.keys().zip(groups).zip(shrunk.groups);
        rows.map(|((species, group), (shrunk_minutes, own_weight))| SpeciesTime {
            species: species.clone(),
            stems: group.count,
            logged_minutes: group.mean,
            shrunk_minutes,
            own_weight,
        })
        .collect()
    }
}

impl fmt::Display for TimeModel {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let how = if self.assumed { "assumed by the office" } else { "learned from this job's log" };
        write!(f, "{:.1} crew minutes a stem and {:.1} a charge, {how}", self.per_stem, self.per_charge)
    }
}
