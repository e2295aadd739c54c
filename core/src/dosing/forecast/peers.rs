//! Peers' times kept in order, so that their middle and spread, and who is far behind them, are found
//! without looking at all of them: a day that comes touches its own part.

use std::collections::{BTreeMap, BTreeSet};

use super::uptake::{FAR, FEWEST_PEERS, Scale, Times};
use crate::day::Day;
use crate::sorted::replace;

/// A number as one that is ordered as [`f64::total_cmp`] orders.
type Ordered = i64;

fn ordered(x: f64) -> Ordered {
    let bits = x.to_bits().cast_signed();
    bits ^ ((bits >> 63).cast_unsigned() >> 1).cast_signed()
}

fn number(x: Ordered) -> f64 {
    f64::from_bits((x ^ ((x >> 63).cast_unsigned() >> 1).cast_signed()).cast_unsigned())
}

/// A visit with its times, under a key that finds it again.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Timed<'a, K> {
    pub(crate) key: K,
    pub(crate) species: Option<&'a str>,
    pub(crate) day: Day,
    pub(crate) times: &'a Times,
}

/// The visits of one species, of which container times are logged or none.
#[derive(Clone, Debug)]
struct Group<K> {
    /// Each stem's time.
    stems: Vec<(Ordered, K, Day)>,
    /// Each hole's.
    holes: Vec<Ordered>,
    /// Each stem's slowest hole.
    slowest: Vec<(Ordered, K)>,
    /// How many of a day there are.
    days: BTreeMap<Day, usize>,
}

impl<K> Default for Group<K> {
    fn default() -> Self {
        Self { stems: vec![], holes: vec![], slowest: vec![], days: BTreeMap::new() }
    }
}

impl<K: Ord + Copy> Group<K> {
    fn add(&mut self, timed: &Timed<'_, K>) {
        let Timed { key, day, times, .. } = *timed;
        self.stems.push((ordered(times.stem), key, day));
        self.holes.extend(times.holes.iter().map(|hole| ordered(*hole)));
        self.slowest.extend(times.holes.last().map(|hole| (ordered(*hole), key)));
        *self.days.entry(day).or_default() += 1;
    }

    fn change(&mut self, out: Self, new: Self) {
        replace(&mut self.stems, out.stems, new.stems);
        replace(&mut self.holes, out.holes, new.holes);
        replace(&mut self.slowest, out.slowest, new.slowest);
        for (day, n) in new.days {
            *self.days.entry(day).or_default() += n;
        }
        for (day, n) in out.days {
            let of = self.days.entry(day).or_default();
            *of = of.saturating_sub(n);
        }
    }
}

/// Groups by whether container times are logged, and species.
type Groups<K> = BTreeMap<(bool, Option<String>), Group<K>>;

/// The times of a job's visits, by their peers.
#[derive(Clone, Debug)]
pub(crate) struct Peers<K> {
    groups: Groups<K>,
}

impl<K> Default for Peers<K> {
    fn default() -> Self {
        Self { groups: BTreeMap::new() }
    }
}

impl<K: Ord + Copy> Peers<K> {
    /// All visits of a job.
    pub(crate) fn of<'a>(all: impl Iterator<Item = Timed<'a, K>>) -> Self
    where
        K: 'a,
    {
        let mut peers = Self::default();
        peers.change(std::iter::empty(), all);
        peers
    }

    /// Takes visits out, and others in.
    pub(crate) fn change<'a>(
        &mut self,
        mut out: impl Iterator<Item = Timed<'a, K>>,
        mut new: impl Iterator<Item = Timed<'a, K>>,
    ) where
        K: 'a,
    {
        let grouped = |all: &mut dyn Iterator<Item = Timed<'a, K>>| {
            let mut groups: BTreeMap<(bool, Option<&'a str>), Group<K>> = BTreeMap::new();
            for timed in all {
                let key = (!timed.times.holes.is_empty(), timed.species);
                groups.entry(key).or_default().add(&timed);
            }
            groups
        };
        let (mut out, mut new) = (grouped(&mut out), grouped(&mut new));
        let keys: BTreeSet<_> = out.keys().chain(new.keys()).copied().collect();
        for key in keys {
            let (out, new) = (out.remove(&key).unwrap_or_default(), new.remove(&key).unwrap_or_default());
            let key = (key.0, key.1.map(str::to_owned));
            let group = self.groups.entry(key.clone()).or_default();
            group.change(out, new);
            if group.stems.is_empty() {
                self.groups.remove(&key);
            }
        }
    }

    /// Those far behind their peers, each with the scale it is held against: by group, then key.
    pub(crate) fn slow(&self) -> Vec<(K, Scale)> {
        let mut slow = vec![];
        for (group, scale) in self.judged() {
            let far = |time: Ordered, of: Option<(f64, f64)>| {
                of.is_some_and(|(median, width)| (number(time) - median) / width > FAR)
            };
            // Who comes later in the list is further behind.
            let stems = group.stems.partition_point(|(time, ..)| !far(*time, scale.stem));
            let holes = group.slowest.partition_point(|(time, _)| !far(*time, scale.hole));
            let stems = group.stems.iter().skip(stems).map(|(_, key, _)| *key);
            let holes = group.slowest.iter().skip(holes).map(|(_, key)| *key);
            let keys: BTreeSet<K> = stems.chain(holes).collect();
            slow.extend(keys.into_iter().map(|key| (key, scale)));
        }
        slow
    }

    /// Of some days, those on which at least three stems and a third of them scored above 2.
    pub(super) fn slow_days(&self, days: &BTreeSet<Day>) -> BTreeSet<Day> {
        if days.is_empty() {
            return BTreeSet::new();
        }
        let mut of: BTreeMap<Day, (usize, usize)> = days.iter().map(|day| (*day, (0, 0))).collect();
        for (group, scale) in self.judged() {
            for (day, (_, all)) in &mut of {
                *all += group.days.get(day).copied().unwrap_or(0);
            }
            let behind = |time: Ordered| {
                scale.stem.is_some_and(|(median, width)| (number(time) - median) / width > 2.0)
            };
            let from = group.stems.partition_point(|(time, ..)| !behind(*time));
            for (_, _, day) in group.stems.iter().skip(from) {
                if let Some((slow, _)) = of.get_mut(day) {
                    *slow += 1;
                }
            }
        }
        of.into_iter().filter(|(_, (slow, all))| *slow >= 3 && slow * 3 >= *all).map(|(day, _)| day).collect()
    }

    /// The groups that are held against anyone, with their scale: their own, or where they are few the
    /// whole job's.
    fn judged(&self) -> Vec<(&Group<K>, Scale)> {
        let few = |group: &Group<K>| group.stems.len() < FEWEST_PEERS;
        let everyone = |by_hole: bool| {
            let alike: Vec<_> =
                self.groups.iter().filter(|(key, _)| key.0 == by_hole).map(|(_, g)| g).collect();
            // The whole job is spared where every species has peers enough.
            alike.iter().any(|group| few(group)).then(|| scale(&alike))
        };
        let all = [everyone(false), everyone(true)];
        let own = |(key, group)| {
            let (by_hole, _): &(bool, Option<String>) = key;
            let whole_job = all[usize::from(*by_hole)].filter(|_| few(group));
            (group, whole_job.unwrap_or_else(|| scale(&[group])))
        };
        let judges = |(_, scale): &(_, Scale)| scale.peers >= FEWEST_PEERS && scale.stem.is_some();
        self.groups.iter().map(own).filter(judges).collect()
    }
}

fn scale<K>(groups: &[&Group<K>]) -> Scale {
    let stems: Vec<&[_]> = groups.iter().map(|g| &g.stems[..]).collect();
    let holes: Vec<&[_]> = groups.iter().map(|g| &g.holes[..]).collect();
    Scale {
        peers: stems.iter().map(|of| of.len()).sum(),
        stem: spread(&stems, |(time, ..)| *time),
        hole: spread(&holes, |time| *time),
    }
}

/// Median and robust standard deviation of all that ascending lists hold; none where nothing varies.
fn spread<T>(lists: &[&[T]], time: impl Fn(&T) -> Ordered) -> Option<(f64, f64)> {
    let ends = lists.iter().filter_map(|of| Some((time(of.first()?), time(of.last()?))));
    let (least, most) = ends.reduce(|a, b| (a.0.min(b.0), a.1.max(b.1)))?;
    let all: usize = lists.iter().map(|of| of.len()).sum();
    let median = middle(all, |place| {
        number(smallest(least, most, |x| {
            lists.iter().map(|of| of.partition_point(|one| time(one) <= x)).sum::<usize>() > place
        }))
    });
    let off = |one: &T| (number(time(one)) - median).abs();
    // Below the median who comes later is nearer to it, from it on further off.
    let sides: Vec<(&[T], &[T])> =
        lists.iter().map(|of| of.split_at(of.partition_point(|one| number(time(one)) < median))).collect();
    let furthest = ordered((number(least) - median).abs().max((number(most) - median).abs()));
    let deviation = middle(all, |place| {
        number(smallest(ordered(0.0), furthest, |x| {
            let within = |(below, above): &(&[T], &[T])| {
                let near = |one: &T| ordered(off(one)) <= x;
                below.len() - below.partition_point(|one| !near(one)) + above.partition_point(near)
            };
            sides.iter().map(within).sum::<usize>() > place
        }))
    });
    let width = deviation / 0.6745;
    if width > 0.0 {
        return Some((median, width));
    }
    let mut off: Vec<f64> = vec![];
    for (below, above) in &sides {
        let beyond = above.partition_point(|one| number(time(one)) <= median);
        off.extend(below.iter().chain(&above[beyond..]).map(|one| (number(time(one)) - median).abs()));
    }
    // Summed in order, so that the same values give the same bits however they came.
    off.sort_unstable_by(f64::total_cmp);
    let width = 1.253_314 * (off.iter().sum::<f64>() / all as f64);
    (width > 0.0).then_some((median, width))
}

/// The middle of so many ascending numbers, given by their place: the mean of two in the middle.
fn middle(all: usize, nth: impl Fn(usize) -> f64) -> f64 {
    let upper = nth(all / 2);
    let lower = if all % 2 == 1 { upper } else { nth((all / 2).saturating_sub(1)) };
    (upper + lower) / 2.0
}

/// The smallest of a range of which something holds that holds of all above it, and of the last.
fn smallest(mut low: Ordered, mut high: Ordered, holds: impl Fn(Ordered) -> bool) -> Ordered {
    while low < high {
        let half = high.wrapping_sub(low).cast_unsigned() / 2;
        let at = low.wrapping_add(half.cast_signed());
        if holds(at) {
            high = at;
        } else {
            low = at.wrapping_add(1);
        }
    }
    low
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The same by sorting all of them.
    fn plainly(mut values: Vec<f64>) -> Option<(f64, f64)> {
        let median = |sorted: &[f64]| {
            let (upper, lower) = (sorted.get(sorted.len() / 2)?, sorted.get((sorted.len() - 1) / 2)?);
            Some((upper + lower) / 2.0)
        };
        values.sort_unstable_by(f64::total_cmp);
        let middle = median(&values)?;
        let mut off: Vec<f64> = values.iter().map(|v| (v - middle).abs()).collect();
        off.sort_unstable_by(f64::total_cmp);
        let width = median(&off)? / 0.6745;
        let mean = 1.253_314 * (off.iter().sum::<f64>() / off.len() as f64);
        [width, mean].into_iter().find(|w| *w > 0.0).map(|w| (middle, w))
    }

    #[test]
    fn middle_and_spread_of_lists_in_order_are_those_of_all_sorted() {
        let mut state = 1u64;
        let mut next = |most: u64| {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 33) % most
        };
        let mut alike = 0;
        for round in 0..500 {
            // Few different values too, so that deviations of nothing are met.
            let different = [2, 3, 40, 1_000_000][round % 4];
            let mut lists: Vec<Vec<Ordered>> = vec![];
            for _ in 0..next(4) {
                let n = next(30);
                let one = |v: u64| ordered(libm::log((v + 1) as f64 / 7.0));
                let skewed = (0..n).map(|_| if next(3) > 0 { one(1) } else { one(next(different)) });
                let mut list: Vec<Ordered> = if round % 2 == 0 {
                    skewed.collect()
                } else {
                    (0..n).map(|_| one(next(different))).collect()
                };
                list.sort_unstable();
                lists.push(list);
            }
            let all = lists.iter().flatten().map(|v| number(*v)).collect();
            let lists: Vec<&[Ordered]> = lists.iter().map(|l| &l[..]).collect();
            let (ours, plain) = (spread(&lists, |v| *v), plainly(all));
            assert_eq!(ours, plain, "round {round}");
            alike += usize::from(ours.is_some());
        }
        assert!(alike > 200, "{alike}");
    }

    #[test]
    fn peers_brought_up_to_a_change_are_those_of_the_visits_that_are_left() {
        let mut state = 1u64;
        let mut next = |most: u64| {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 33) % most
        };
        let mut all: BTreeMap<usize, (Option<&str>, Day, Times)> = BTreeMap::new();
        let (mut peers, mut far) = (Peers::default(), 0);
        for round in 0..60usize {
            let minutes = |n: u64| libm::log((8 + n) as f64);
            let mut new = BTreeMap::new();
            for n in 0..1 + next(12) as usize {
                let species = [None, Some("ACRSC"), Some("FRXAM"), Some("FRXAM")][next(4) as usize];
                let day = Day::from_ymd(2026, 5, 1 + next(4) as u32).expect("a day");
                let slow = if next(10) == 0 { 60 } else { 0 };
                let mut holes: Vec<f64> = (0..next(4)).map(|_| minutes(next(5) + slow)).collect();
                holes.sort_by(f64::total_cmp);
                new.insert(round * 100 + n, (species, day, Times { holes, stem: minutes(next(6) + slow) }));
            }
            let gone: Vec<usize> = all.keys().copied().filter(|_| next(4) == 0).collect();
            let out: BTreeMap<_, _> = gone.iter().filter_map(|key| all.remove_entry(key)).collect();
            let timed =
                |of: &BTreeMap<usize, (Option<&'static str>, Day, Times)>, peers: &mut Peers<usize>, out| {
                    let each = of.iter().map(|(key, (species, day, times))| Timed {
                        key: *key,
                        species: *species,
                        day: *day,
                        times,
                    });
                    if out {
                        peers.change(each, std::iter::empty())
                    } else {
                        peers.change(std::iter::empty(), each)
                    }
                };
            timed(&out, &mut peers, true);
            timed(&new, &mut peers, false);
            all.extend(new);
            let mut anew = Peers::default();
            timed(&all, &mut anew, false);
            let days = all.values().map(|(_, day, _)| *day).collect();
            assert_eq!(peers.slow(), anew.slow(), "round {round}");
            assert_eq!(peers.slow_days(&days), anew.slow_days(&days), "round {round}");
            far += peers.slow().len();
        }
        assert!(far > 60, "{far}");
    }
}
