//! Uptake slower than its peers: which trees, by how much, and what it likely means.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;

use serde::Serialize;

use crate::day::Day;
use crate::dosing::forecast::log::Visit;
use crate::ids::{RecordId, TreeId};
use crate::quantity::word_for;
use crate::record::stand::SoilMoisture;

/// Score above which a time is far from its peers (Iglewicz & Hoaglin 1993, 'How to detect and handle
/// outliers'; from memory).
pub const FAR: f64 = 3.5;

/// Fewest peers of one species to be held against; with fewer, the whole job's stems are the peers
/// (common practice, no source).
pub const FEWEST_PEERS: usize = 8;

/// A stem that took up slowly, or a hole of it.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct SlowUptake {
    /// The application.
    pub record: RecordId,
    /// The tree.
    pub tree: TreeId,
    /// Its tag.
    pub tag: String,
    /// Which stem, from 1.
    pub stem: i64,
    /// Minutes from the first hole until half the containers were off, or to the end where no
    /// container's time was logged.
    pub minutes: f64,
    /// The peers' median of the same.
    pub peers_minutes: f64,
    /// How many peers, itself included.
    pub peers: usize,
    /// How far from the peers, in robust standard deviations of the logarithm.
    pub score: f64,
    /// Holes whose container came off far later than the peers' did.
    pub slow_holes: usize,
    /// Holes with a logged time.
    pub timed_holes: usize,
    /// What it likely means, likeliest first.
    pub causes: Vec<Cause>,
}

/// What slow uptake may mean.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Cause {
    /// A few holes of a stem that else took up as its peers.
    BlockedHole,
    /// Many stems of the day were slow.
    WholeDay,
    /// The soil was logged as dry.
    DrySoil,
    /// The soil was logged as saturated.
    SaturatedSoil,
    /// The soil was logged below 5 °C.
    ColdSoil,
    /// Much canopy was lost.
    SickTree,
    /// Nothing logged explains it.
    LookAtTheTree,
}

impl fmt::Display for Cause {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::BlockedHole => "single holes slow: blocked hole, bark in the hole, or a container that does not empty",
            Self::WholeDay => "many trees slow that day: dry or cold soil, overcast, rain or a late hour (Herms 2009; Wang 2011)",
            Self::DrySoil => "soil logged as dry: uptake wants moist soil (Herms 2009)",
            Self::SaturatedSoil => "soil logged as saturated: uptake wants moist soil (Herms 2009)",
            Self::ColdSoil => "soil logged below 5 °C: little moves in it (Doccola, hemlock)",
            Self::SickTree => "much canopy lost: a sick tree moves little water (above 30 %: a city's ash programme)",
            Self::LookAtTheTree => "nothing logged explains it: look at the tree, its bark and the soil",
        })
    }
}

impl fmt::Display for SlowUptake {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let tag: String = self.tag.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
        write!(
            f,
            "Tree {tag}, stem {}: {:.0} {}, {} peers' median {:.0} (score {:.1})",
            self.stem,
            self.minutes,
            word_for(libm::round(self.minutes), "minute", "minutes"),
            self.peers,
            self.peers_minutes,
            self.score
        )?;
        if self.slow_holes > 0 {
            let (slow, of) = (self.slow_holes, self.timed_holes);
            write!(f, "; {slow} of {of} {} far behind", word_for(of, "hole", "holes"))?;
        }
        for cause in &self.causes {
            write!(f, "; {cause}")?;
        }
        Ok(())
    }
}

/// Stems whose uptake lies far above that of their peers, slowest first by score.
///
/// Peers are the stems of one species, or of the whole job where these are few. Times are compared
/// by their logarithm with the modified z-score, 0.6745 (x − median) ÷ median absolute deviation,
/// or, where that deviation is 0, (x − median) ÷ (1.253314 × mean absolute deviation); above
/// [`FAR`] is slow (Iglewicz & Hoaglin 1993). Stems with logged container times are held against
/// each other only, and so are those without. Slow uptake is never a reason for more pressure.
pub fn slow_uptake(visits: &[Visit]) -> Vec<SlowUptake> {
    let times: Vec<Option<Times>> = visits.iter().map(Times::of).collect();
    slow_among(visits.iter().zip(&times).filter_map(|(visit, times)| Some((visit, times.as_ref()?))))
}

/// The same, of visits whose times were read before.
pub(crate) fn slow_among<'a>(visits: impl Iterator<Item = (&'a Visit, &'a Times)>) -> Vec<SlowUptake> {
    let measured: Vec<Measured<'_>> = visits.map(|(visit, times)| Measured { visit, times }).collect();
    let mut groups: BTreeMap<(bool, Option<&str>), Vec<usize>> = BTreeMap::new();
    for (index, m) in measured.iter().enumerate() {
        groups.entry((m.times.by_hole, m.visit.species.as_deref())).or_default().push(index);
    }
    let few: BTreeSet<(bool, Option<&str>)> =
        groups.iter().filter(|(_, g)| g.len() < FEWEST_PEERS).map(|(key, _)| *key).collect();
    let everyone = |by_hole: bool| {
        // Sorting the whole job is spared where every species has peers enough.
        few.iter().any(|key| key.0 == by_hole).then(|| {
            let alike = |i: &usize| measured.get(*i).is_some_and(|m| m.times.by_hole == by_hole);
            Scale::of(&measured, &(0..measured.len()).filter(alike).collect::<Vec<_>>())
        })
    };
    let all = [everyone(false), everyone(true)];
    let mut found: Vec<(usize, Scored)> = vec![];
    for (key, group) in &groups {
        let whole_job = all[usize::from(key.0)].as_ref().filter(|_| few.contains(key));
        let own = if whole_job.is_none() { Some(Scale::of(&measured, group)) } else { None };
        let Some(peers) = whole_job.or(own.as_ref()) else { continue };
        for index in group {
            let Some(m) = measured.get(*index) else { continue };
            if let Some(scored) = peers.score(m) {
                found.push((*index, scored));
            }
        }
    }
    let slow_days = slow_days(&measured, &found);
    let mut slow: Vec<SlowUptake> = found
        .iter()
        .filter(|(_, s)| s.score > FAR || s.slow_holes > 0)
        .filter_map(|(index, s)| measured.get(*index).map(|m| m.report(s, &slow_days)))
        .collect();
    slow.sort_by(|a, b| b.score.total_cmp(&a.score).then(a.record.cmp(&b.record)));
    slow
}

/// Days on which at least three stems and a third of them scored above 2.
fn slow_days(measured: &[Measured<'_>], found: &[(usize, Scored)]) -> BTreeSet<Day> {
    let mut days: BTreeMap<Day, (usize, usize)> = BTreeMap::new();
    for (index, scored) in found {
        let Some(m) = measured.get(*index) else { continue };
        let (slow, all) = days.entry(m.visit.day.day).or_default();
        *slow += usize::from(scored.score > 2.0);
        *all += 1;
    }
    days.into_iter().filter(|(_, (slow, all))| *slow >= 3 && slow * 3 >= *all).map(|(day, _)| day).collect()
}

/// How long a visit took, by logarithm of the minutes.
#[derive(Clone, Debug)]
pub(crate) struct Times {
    by_hole: bool,
    /// Until each container was off, ascending.
    holes: Vec<f64>,
    /// Of the stem.
    stem: f64,
}

#[derive(Clone, Copy)]
struct Measured<'a> {
    visit: &'a Visit,
    times: &'a Times,
}

struct Scored {
    score: f64,
    slow_holes: usize,
    peers: usize,
    median: f64,
}

impl Times {
    /// Reads them; none where nothing took any time.
    pub(crate) fn of(visit: &Visit) -> Option<Self> {
        let since = |at: i64| at.saturating_sub(visit.started_at.0);
        let log = |ms: i64| (ms > 0).then(|| libm::log(ms as f64 / 60_000.0));
        let mut holes: Vec<f64> = visit.removed_at.iter().filter_map(|at| log(since(at.0))).collect();
        holes.sort_by(f64::total_cmp);
        let stem = if holes.is_empty() { log(since(visit.ended_at.0))? } else { median(&holes)? };
        Some(Self { by_hole: !holes.is_empty(), holes, stem })
    }
}

impl Measured<'_> {
    fn report(&self, scored: &Scored, slow_days: &BTreeSet<Day>) -> SlowUptake {
        let visit = self.visit;
        SlowUptake {
            record: visit.record,
            tree: visit.tree,
            tag: visit.tag.clone(),
            stem: visit.stem,
            minutes: libm::exp(self.times.stem),
            peers_minutes: libm::exp(scored.median),
            peers: scored.peers,
            score: scored.score,
            slow_holes: scored.slow_holes,
            timed_holes: self.times.holes.len(),
            causes: self.causes(scored, slow_days),
        }
    }

    fn causes(&self, scored: &Scored, slow_days: &BTreeSet<Day>) -> Vec<Cause> {
        let seen = &self.visit.seen;
        let single = scored.score <= FAR && scored.slow_holes * 2 <= self.times.holes.len();
        let causes = [
            (Cause::BlockedHole, single),
            (Cause::WholeDay, slow_days.contains(&self.visit.day.day)),
            (Cause::DrySoil, seen.soil == Some(SoilMoisture::Dry)),
            (Cause::SaturatedSoil, seen.soil == Some(SoilMoisture::Saturated)),
            (Cause::ColdSoil, seen.soil_mc.is_some_and(|t| t.0 < 5_000)),
            (Cause::SickTree, seen.canopy_loss.is_some_and(|l| l.0 > 300)),
        ];
        let mut causes: Vec<Cause> = causes.into_iter().filter(|(_, holds)| *holds).map(|(c, _)| c).collect();
        if causes.is_empty() {
            causes.push(Cause::LookAtTheTree);
        }
        causes
    }
}

/// Where peers' times lie and how wide they spread.
struct Scale {
    peers: usize,
    stem: Option<(f64, f64)>,
    hole: Option<(f64, f64)>,
}

impl Scale {
    fn of(measured: &[Measured<'_>], group: &[usize]) -> Self {
        let members = || group.iter().filter_map(|i| measured.get(*i));
        Self {
            peers: group.len(),
            stem: spread(members().map(|m| m.times.stem).collect()),
            hole: spread(members().flat_map(|m| m.times.holes.iter().copied()).collect()),
        }
    }

    fn score(&self, m: &Measured<'_>) -> Option<Scored> {
        let (median, width) = self.stem.filter(|_| self.peers >= FEWEST_PEERS)?;
        let far = |hole: &f64| self.hole.is_some_and(|(median, width)| (hole - median) / width > FAR);
        let slow_holes = m.times.holes.iter().filter(|h| far(h)).count();
        Some(Scored { score: (m.times.stem - median) / width, slow_holes, peers: self.peers, median })
    }
}

/// Median and robust standard deviation; none where nothing varies.
fn spread(mut values: Vec<f64>) -> Option<(f64, f64)> {
    let middle = middle(&mut values)?;
    let mut off: Vec<f64> = values.iter().map(|v| (v - middle).abs()).collect();
    let width = self::middle(&mut off)? / 0.6745;
    if width > 0.0 {
        return Some((middle, width));
    }
    // Summed in order, so that the same values give the same bits however they came.
    off.sort_unstable_by(f64::total_cmp);
    let width = 1.253_314 * (off.iter().sum::<f64>() / off.len() as f64);
    (width > 0.0).then_some((middle, width))
}

/// Minutes from a stem's first hole until half its containers were off, or to its end where no
/// container's time was logged; none for times that are no interval.
pub fn uptake_minutes(visit: &Visit) -> Option<f64> {
    Times::of(visit).map(|times| libm::exp(times.stem))
}

/// The median of values in any order, which are moved about: a whole job's need not be sorted for it.
fn middle(values: &mut [f64]) -> Option<f64> {
    let half = values.len() / 2;
    if half >= values.len() {
        return None;
    }
    let odd = values.len() % 2 == 1;
    let (below, upper, _) = values.select_nth_unstable_by(half, f64::total_cmp);
    let lower = if odd { *upper } else { below.iter().copied().max_by(f64::total_cmp)? };
    Some((*upper + lower) / 2.0)
}

/// The middle of ascending values, the mean of two in the middle.
pub(crate) fn median(sorted: &[f64]) -> Option<f64> {
    let upper = sorted.get(sorted.len() / 2)?;
    let lower = sorted.get((sorted.len() - 1) / 2)?;
    Some((upper + lower) / 2.0)
}
