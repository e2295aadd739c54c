//! Uptake slower than its peers: which trees, by how much, and what it likely means.

use std::collections::BTreeSet;
use std::fmt;

use serde::Serialize;

use crate::day::Day;
use crate::dosing::forecast::log::{Visit, removed};
use crate::dosing::forecast::peers::{Peers, Timed};
use crate::ids::{RecordId, TreeId};
use crate::quantity::{UtcMs, word_for};
use crate::record::stand::SoilMoisture;
use crate::record::work::Application;

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
    let timed = visits.iter().zip(&times).enumerate();
    let timed = timed.filter_map(|(key, (visit, times))| Some(timed_visit(key, visit, times.as_ref()?)));
    let peers = Peers::of(timed);
    report(&peers, &peers.slow(), |key| Some((visits.get(key)?, times.get(key)?.as_ref()?)))
}

/// A visit with its times, under a key.
fn timed_visit<'a, K>(key: K, visit: &'a Visit, times: &'a Times) -> Timed<'a, K> {
    Timed { key, species: visit.species.as_deref(), day: visit.day.day, times }
}

/// A visit of a job by its tree and application.
pub(crate) type OfTree = (TreeId, RecordId);

impl Peers<OfTree> {
    /// Takes some visits of a job out, and others in.
    pub(crate) fn change_visits<'a>(
        &mut self,
        out: impl Iterator<Item = &'a (Visit, Times)>,
        new: impl Iterator<Item = &'a (Visit, Times)>,
    ) {
        let timed =
            |(visit, times): &'a (Visit, Times)| timed_visit((visit.tree, visit.record), visit, times);
        self.change(out.map(timed), new.map(timed));
    }
}

/// Stems that are [far behind](Peers::slow) those kept as their peers; `find` gives a visit by its key.
pub(crate) fn report<'a, K: Ord + Copy>(
    peers: &Peers<K>,
    far: &[(K, Scale)],
    find: impl Fn(K) -> Option<(&'a Visit, &'a Times)>,
) -> Vec<SlowUptake> {
    let found = far.iter().filter_map(|(key, scale)| {
        let (visit, times) = find(*key)?;
        Some((Measured { visit, times }, scale.score(times)?))
    });
    let found: Vec<(Measured<'_>, Scored)> = found.collect();
    let slow_days = peers.slow_days(&found.iter().map(|(m, _)| m.visit.day.day).collect());
    let mut slow: Vec<SlowUptake> = found.iter().map(|(m, scored)| m.report(scored, &slow_days)).collect();
    slow.sort_by(|a, b| b.score.total_cmp(&a.score).then(a.record.cmp(&b.record)));
    slow
}

/// How long a visit took, by logarithm of the minutes.
#[derive(Clone, Debug)]
pub(crate) struct Times {
    /// Until each container was off, ascending; empty where none of them is logged.
    pub(super) holes: Vec<f64>,
    /// Of the stem.
    pub(super) stem: f64,
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
        Self::between(visit.started_at, visit.ended_at, visit.removed_at.iter().copied())
    }

    /// The same of an application with usable times.
    pub(crate) fn of_application(application: &Application) -> Option<Self> {
        Self::between(application.started_at, application.ended_at, removed(application))
    }

    fn between(started: UtcMs, ended: UtcMs, removed: impl Iterator<Item = UtcMs>) -> Option<Self> {
        let since = |at: UtcMs| at.0.saturating_sub(started.0);
        let log = |ms: i64| (ms > 0).then(|| libm::log(ms as f64 / 60_000.0));
        let mut holes: Vec<f64> = removed.filter_map(|at| log(since(at))).collect();
        holes.sort_by(f64::total_cmp);
        let stem = if holes.is_empty() { log(since(ended))? } else { median(&holes)? };
        Some(Self { holes, stem })
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
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Scale {
    pub(super) peers: usize,
    /// Median and robust standard deviation of stems; none where nothing varies.
    pub(super) stem: Option<(f64, f64)>,
    /// The same of holes.
    pub(super) hole: Option<(f64, f64)>,
}

impl Scale {
    fn score(&self, times: &Times) -> Option<Scored> {
        let (median, width) = self.stem.filter(|_| self.peers >= FEWEST_PEERS)?;
        let far = |hole: &f64| self.hole.is_some_and(|(median, width)| (hole - median) / width > FAR);
        let slow_holes = times.holes.iter().filter(|h| far(h)).count();
        Some(Scored { score: (times.stem - median) / width, slow_holes, peers: self.peers, median })
    }
}

/// Minutes from a stem's first hole until half its containers were off, or to its end where no
/// container's time was logged; none for times that are no interval.
pub fn uptake_minutes(visit: &Visit) -> Option<f64> {
    Times::of(visit).map(|times| libm::exp(times.stem))
}

/// The middle of ascending values, the mean of two in the middle.
pub(crate) fn median(sorted: &[f64]) -> Option<f64> {
    let upper = sorted.get(sorted.len() / 2)?;
    let lower = sorted.get((sorted.len() - 1) / 2)?;
    Some((upper + lower) / 2.0)
}
