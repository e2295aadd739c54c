//! How a job went on, day by day: trees settled against trees listed, product, minutes, uptake.
//!
//! A function of the books alone. What is struck or held does not count. Minutes are predictions'
//! figures (floats): they are shown, and go into no record and no balance.

use std::collections::BTreeMap;

use serde::Serialize;

use crate::day::Day;
use crate::dosing::forecast::log::{Visit, visits};
use crate::dosing::forecast::uptake::{median, uptake_minutes};
use crate::quantity::Ul;
use crate::view::{TreeState, View};

/// A day of a job, over all its crews.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct DayProgress {
    /// The day, in the job's zone.
    pub day: Day,
    /// Trees that first took up product on this day.
    pub treated: usize,
    /// Trees decided against on this day, and not treated since.
    pub not_treated: usize,
    /// Trees settled by the end of this day: treated or decided against.
    pub settled: usize,
    /// Product put into trees, in microlitres.
    pub put_in_ul: Ul,
    /// Product that leaked at holes, in microlitres.
    pub leaked_ul: Ul,
    /// Stems with usable times.
    pub stems: usize,
    /// Mean of the crews' minutes a stem, stems going at once sharing the crew's time; none without times.
    pub minutes_a_stem: Option<f64>,
    /// Median minutes from the first hole until half the containers were off; none without times.
    pub uptake_minutes: Option<f64>,
}

/// Uptake of one species.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct SpeciesUptake {
    /// The species (EPPO code); none where it was not noted.
    pub species: Option<String>,
    /// Stems with usable times.
    pub stems: usize,
    /// The lower quartile, median and upper quartile of their minutes.
    pub minutes: [f64; 3],
}

/// A job's progress.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Progress {
    /// Trees listed now: what the days are held against.
    pub listed: usize,
    /// Days on which something was done, ascending.
    pub days: Vec<DayProgress>,
    /// Uptake by species, by its name.
    pub uptake: Vec<SpeciesUptake>,
}

#[derive(Default)]
struct Sums<'v> {
    treated: usize,
    not_treated: usize,
    put_in: i64,
    leaked: i64,
    visits: Vec<&'v Visit>,
}

/// How a job went on until now.
pub fn progress(view: &View<'_>) -> Progress {
    let logged = visits(view);
    let mut days: BTreeMap<Day, Sums<'_>> = BTreeMap::new();
    for tree in view.trees.values() {
        let mut first: Option<Day> = None;
        let mut last = None;
        for (fact, version, application) in view.applications(tree) {
            // The values of one fact stand side by side, and are one application.
            if last.replace(fact.id) == Some(fact.id) {
                continue;
            }
            let Some(day) = view.crew_day(version).map(|d| d.day) else { continue };
            let sums = days.entry(day).or_default();
            sums.put_in = sums.put_in.saturating_add(application.put_in_ul().0);
            sums.leaked = sums.leaked.saturating_add(application.leaked_ul().0);
            if application.put_in_ul() > Ul::ZERO {
                first = Some(first.map_or(day, |f| f.min(day)));
            }
        }
        if let Some(day) = first {
            days.entry(day).or_default().treated += 1;
        } else if let TreeState::NotTreated(_) = view.state(tree) {
            let decided = tree.not_treated.last().map(|index| view.facts.shown(view.fact(*index)));
            if let Some(day) = decided.and_then(|version| view.crew_day(version)) {
                days.entry(day.day).or_default().not_treated += 1;
            }
        }
    }
    for visit in &logged.visits {
        days.entry(visit.day.day).or_default().visits.push(visit);
    }
    let mut settled = 0;
    let of_day = |(day, sums): (Day, Sums<'_>)| {
        settled += sums.treated + sums.not_treated;
        let stems = sums.visits.len();
        let minutes: f64 = sums.visits.iter().map(|v| v.crew_minutes).sum();
        DayProgress {
            day,
            treated: sums.treated,
            not_treated: sums.not_treated,
            settled,
            put_in_ul: Ul(sums.put_in),
            leaked_ul: Ul(sums.leaked),
            stems,
            minutes_a_stem: (stems > 0).then(|| minutes / stems as f64),
            uptake_minutes: quartiles(sums.visits.iter().filter_map(|v| uptake_minutes(v)).collect())
                .map(|[_, median, _]| median),
        }
    };
    let days = days.into_iter().map(of_day).collect();
    Progress { listed: view.trees.len(), days, uptake: by_species(&logged.visits) }
}

fn by_species(visits: &[Visit]) -> Vec<SpeciesUptake> {
    let mut groups: BTreeMap<Option<&str>, Vec<&Visit>> = BTreeMap::new();
    for visit in visits {
        groups.entry(visit.species.as_deref()).or_default().push(visit);
    }
    let of = |(species, visits): (Option<&str>, Vec<&Visit>)| {
        let all: Vec<f64> = visits.iter().filter_map(|v| uptake_minutes(v)).collect();
        let stems = all.len();
        Some(SpeciesUptake { species: species.map(str::to_owned), stems, minutes: quartiles(all)? })
    };
    groups.into_iter().filter_map(of).collect()
}

/// Quartiles as medians of the halves, the middle one in neither (Moore & McCabe; from memory).
fn quartiles(mut minutes: Vec<f64>) -> Option<[f64; 3]> {
    minutes.sort_unstable_by(f64::total_cmp);
    let middle = median(&minutes)?;
    let (lower, upper) = (minutes.get(..minutes.len() / 2)?, minutes.get(minutes.len().div_ceil(2)..)?);
    Some([median(lower).unwrap_or(middle), middle, median(upper).unwrap_or(middle)])
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Moore & McCabe's way by hand: of 1 to 7 the halves are 1, 2, 3 and 5, 6, 7.
    #[test]
    fn quartiles_are_the_halves_medians() {
        let of = |minutes: &[f64]| quartiles(minutes.to_vec());
        assert_eq!(of(&[7.0, 1.0, 6.0, 2.0, 5.0, 3.0, 4.0]), Some([2.0, 4.0, 6.0]));
        assert_eq!(of(&[1.0, 2.0, 3.0, 4.0]), Some([1.5, 2.5, 3.5]));
        assert_eq!(of(&[7.0]), Some([7.0; 3]));
        assert_eq!(of(&[]), None);
    }
}
