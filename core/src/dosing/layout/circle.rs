//! Points on a circle, none nearer than a gap to the next, none on an excluded arc.
//!
//! Let `next(x)` be the first allowed place at or after `x` and `f(x) = next(x + gap)`, counted on
//! past the turn. `f` never falls as `x` grows, so n points fit exactly when some allowed `p` has
//! `fⁿ(p) ≤ p + turn`. Two things keep the search short. If `p` is no such place, none before
//! `fⁿ(p) − turn` is: `f` does not fall. And some such place lies between any allowed `x` and
//! `f(x)`, or `x` is one: greedy steps from `x` stay behind any arrangement that has no point there.

/// Where points may lie on a circle of integer places.
pub(super) struct Circle {
    turn: i64,
    /// Allowed places from the first to the last of each, ascending, within `0..turn`.
    allowed: Vec<(i64, i64)>,
    /// An allowed place behind the longest excluded arc, where the least search is needed.
    start: i64,
    whole: bool,
}

impl Circle {
    /// A circle of `turn ≥ 1` places without those strictly inside the arcs given (from, to), each
    /// with `from ≤ to`, in any order; `None` when nothing is left.
    pub(super) fn new(turn: i64, excluded: &[(i64, i64)]) -> Option<Self> {
        let mut closed: Vec<(i64, i64)> = vec![];
        for (from, to) in excluded {
            let (first, last) = (from.saturating_add(1), to.saturating_sub(1));
            if last < first {
                continue;
            }
            if last - first + 1 >= turn {
                return None;
            }
            let (begin, length) = (first.rem_euclid(turn), last - first);
            if begin + length < turn {
                closed.push((begin, begin + length));
            } else {
                closed.push((begin, turn - 1));
                closed.push((0, begin + length - turn));
            }
        }
        closed.sort_unstable();
        let mut allowed = vec![];
        let mut at = 0;
        for (first, last) in closed {
            if at < first {
                allowed.push((at, first - 1));
            }
            at = at.max(last + 1);
        }
        if at < turn {
            allowed.push((at, turn - 1));
        }
        let (first, last) = (*allowed.first()?, *allowed.last()?);
        let mut longest = (turn - 1 - last.1 + first.0, first.0);
        for pair in allowed.windows(2) {
            if let [before, after] = pair {
                longest = longest.max((after.0 - before.1 - 1, after.0));
            }
        }
        let whole = allowed == [(0, turn - 1)];
        Some(Self { turn, allowed, start: longest.1, whole })
    }

    fn next(&self, x: i64) -> i64 {
        let (turns, place) = (x.div_euclid(self.turn), x.rem_euclid(self.turn));
        let at = self.allowed.partition_point(|(_, last)| *last < place);
        match self.allowed.get(at) {
            Some((first, _)) => turns * self.turn + place.max(*first),
            None => (turns + 1) * self.turn + self.allowed.first().map_or(0, |a| a.0),
        }
    }

    /// Where to begin so that `count` points fit `gap` apart; `None` when they do not.
    fn begin(&self, gap: i64, count: usize) -> Option<i64> {
        if count <= 1 {
            return Some(self.start);
        }
        if self.whole {
            return (gap.saturating_mul(count as i64) <= self.turn).then_some(0);
        }
        let end = self.next(self.start + gap);
        let mut p = self.start;
        while p < end {
            let q = (0..count).fold(p, |x, _| self.next(x + gap));
            if q <= p + self.turn {
                return Some(p);
            }
            p = self.next(q - self.turn);
        }
        None
    }

    /// The most points that fit `gap` apart, up to `limit`; at least one, which has the circle to itself.
    pub(super) fn most(&self, gap: i64, limit: usize) -> usize {
        let (mut count, mut x) = (0, self.start);
        while count < limit {
            x = self.next(x + gap);
            if x > self.start + self.turn {
                break;
            }
            count += 1;
        }
        // From any place the greedy steps give the most or one less.
        let more = (count + 1).min(limit);
        if self.begin(gap, more).is_some() { more.max(1) } else { count.max(1) }
    }

    /// The places of `count` points as far apart as they can be, ascending, and the smallest gap
    /// between neighbours; `count` must fit `least` apart.
    pub(super) fn spread(&self, count: usize, least: i64) -> (Vec<i64>, i64) {
        let n = count.max(1) as i64;
        if self.whole || count <= 1 {
            let places = (0..n).map(|i| (self.start + i * self.turn / n).rem_euclid(self.turn)).collect();
            return (places, self.turn / n);
        }
        let (mut fits, mut over) = (least.max(1), self.turn / n + 1);
        while over - fits > 1 {
            let middle = fits + (over - fits) / 2;
            if self.begin(middle, count).is_some() { fits = middle } else { over = middle }
        }
        let mut places = vec![];
        let mut x = self.begin(fits, count).unwrap_or(self.start);
        for _ in 0..count {
            places.push(x.rem_euclid(self.turn));
            x = self.next(x + fits);
        }
        places.sort_unstable();
        (places, fits)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn clear(turn: i64, excluded: &[(i64, i64)], place: i64) -> bool {
        !excluded.iter().any(|(from, to)| (from + 1..*to).any(|x| x.rem_euclid(turn) == place))
    }

    /// Every choice of places, one by one.
    fn most_of_all(turn: i64, excluded: &[(i64, i64)], gap: i64) -> usize {
        let places: Vec<i64> = (0..turn).filter(|p| clear(turn, excluded, *p)).collect();
        fn longest(places: &[i64], first: i64, last: i64, turn: i64, gap: i64) -> usize {
            let rest =
                places.iter().enumerate().filter(|(_, p)| **p >= last + gap && **p + gap <= first + turn);
            rest.map(|(i, p)| 1 + longest(&places[i + 1..], first, *p, turn, gap)).max().unwrap_or(0)
        }
        places
            .iter()
            .enumerate()
            .map(|(i, p)| 1 + longest(&places[i + 1..], *p, *p, turn, gap))
            .max()
            .unwrap_or(0)
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(600))]

        #[test]
        fn no_choice_of_places_holds_more_points(
            turn in 1i64..23,
            arcs in proptest::collection::vec((-30i64..60, 0i64..9), 0..6),
            gap in 1i64..14,
        ) {
            let excluded: Vec<_> = arcs.into_iter().map(|(from, width)| (from, from + width)).collect();
            let best = most_of_all(turn, &excluded, gap);
            match Circle::new(turn, &excluded) {
                None => prop_assert_eq!(best, 0),
                Some(circle) => {
                    prop_assert_eq!(circle.most(gap, 400), best);
                    let (places, smallest) = circle.spread(best, gap);
                    prop_assert_eq!(places.len(), best);
                    prop_assert!(best == 1 || smallest >= gap);
                    for (i, place) in places.iter().enumerate() {
                        prop_assert!(clear(turn, &excluded, *place));
                        let after = places.get(i + 1).copied().unwrap_or(places[0] + turn);
                        prop_assert!(best == 1 || after - place >= smallest);
                    }
                    // One wider and they no longer fit: the spread is the widest there is.
                    prop_assert!(best == 1 || most_of_all(turn, &excluded, smallest + 1) < best);
                }
            }
        }
    }
}
