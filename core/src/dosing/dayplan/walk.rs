//! The order to walk a set of points in: an open path, from a start if there is one.
//!
//! Nearest neighbour, then 2-opt and Or-opt moves over near neighbours until none helps, then small
//! kicks that are kept where the path gets shorter. No clock, no randomness: the kicks come from a
//! fixed sequence, the work is bounded by counts. Why this stands here and not a library:
//! `docs/decisions/0004-walking-order.md`.

use std::collections::{BTreeMap, VecDeque};

/// Nearest neighbours a move is tried with.
const NEAR: usize = 10;
/// A move must save this much, in metres, to count.
const LEAST_SAVED: f64 = 1e-7;
/// Kicks tried for each point, and kicks times points at most.
const KICKS_A_POINT: usize = 10;
const KICK_WORK: usize = 4_000_000;

/// Distance between two points in metres.
pub fn distance(a: (f64, f64), b: (f64, f64)) -> f64 {
    let (x, y) = (a.0 - b.0, a.1 - b.1);
    libm::sqrt(x * x + y * y)
}

/// Length of a path in metres, the way from the start included. Indices that are no point count nothing.
pub fn length(points: &[(f64, f64)], order: &[usize], start: Option<(f64, f64)>) -> f64 {
    let stops = order.iter().filter_map(|i| points.get(*i).copied());
    let path: Vec<(f64, f64)> = start.into_iter().chain(stops).collect();
    path.windows(2).map(|pair| if let [a, b] = pair { distance(*a, *b) } else { 0.0 }).sum()
}

/// Always to the nearest point not yet visited: the baseline. Without a start it begins at the first
/// point by (x, y). At equal distance the lower index goes first.
pub fn nearest_neighbour(points: &[(f64, f64)], start: Option<(f64, f64)>) -> Vec<usize> {
    let by_place = |a: &usize, b: &usize| {
        let (p, q) = (points.get(*a), points.get(*b));
        p.map(|p| p.0)
            .partial_cmp(&q.map(|q| q.0))
            .unwrap_or(std::cmp::Ordering::Equal)
            .then(p.map(|p| p.1).partial_cmp(&q.map(|q| q.1)).unwrap_or(std::cmp::Ordering::Equal))
    };
    let first = (0..points.len()).min_by(|a, b| by_place(a, b).then(a.cmp(b)));
    let Some(mut here) = start.or_else(|| first.and_then(|f| points.get(f).copied())) else { return vec![] };
    let mut left: Vec<usize> = (0..points.len()).collect();
    let mut order = vec![];
    while let Some((slot, _)) = left
        .iter()
        .enumerate()
        .filter_map(|(slot, i)| points.get(*i).map(|p| (slot, (distance(here, *p), *i))))
        .min_by(|(_, a), (_, b)| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)))
    {
        let next = left.swap_remove(slot);
        here = points.get(next).copied().unwrap_or(here);
        order.push(next);
    }
    order
}

/// A short walking order over all points, each once; never longer than [`nearest_neighbour`]'s.
///
/// Points must be finite. Works in O(points²) for the first path and O(points) a move; bounded.
pub fn walking_order(points: &[(f64, f64)], start: Option<(f64, f64)>) -> Vec<usize> {
    let first = nearest_neighbour(points, start);
    if points.len() < 3 {
        return first;
    }
    let mut path = Path::new(points, start, &first);
    path.improve((0..path.route.len()).collect());
    path.kick();
    path.order()
}

/// A path as a ring closed by a gap that costs nothing, at place 0. A fixed start is one more point
/// behind the gap, held there by a price no saving outweighs.
struct Path {
    at: Vec<(f64, f64)>,
    /// Index of the gap in `at`; the start, if fixed, is one above it.
    gap: usize,
    fixed: bool,
    held: f64,
    /// Points by place; place 0 is the gap.
    route: Vec<usize>,
    place: Vec<usize>,
    near: Vec<Vec<usize>>,
    moves_left: usize,
}

impl Path {
    fn new(points: &[(f64, f64)], start: Option<(f64, f64)>, first: &[usize]) -> Self {
        let gap = points.len();
        let mut at = points.to_vec();
        at.push((0.0, 0.0));
        at.extend(start);
        let route: Vec<usize> =
            std::iter::once(gap).chain(start.map(|_| gap + 1)).chain(first.iter().copied()).collect();
        let mut place = vec![0; at.len()];
        for (where_, point) in route.iter().enumerate() {
            place[*point] = where_;
        }
        let held = 1e3 * (1.0 + length(points, first, start));
        let near = near_neighbours(points, start, gap);
        let moves_left = 200 * at.len() + 10_000;
        Self { at, gap, fixed: start.is_some(), held, route, place, near, moves_left }
    }

    fn order(&self) -> Vec<usize> {
        self.route.iter().copied().filter(|p| *p < self.gap).collect()
    }

    fn cost(&self, a: usize, b: usize) -> f64 {
        match (a == self.gap, b == self.gap) {
            (false, false) => distance(self.at[a], self.at[b]),
            _ if self.fixed && (a > self.gap || b > self.gap) => -self.held,
            _ => 0.0,
        }
    }

    fn after(&self, point: usize) -> usize {
        let next = self.place[point] + 1;
        self.route[if next == self.route.len() { 0 } else { next }]
    }

    fn before(&self, point: usize) -> usize {
        let place = self.place[point];
        self.route[if place == 0 { self.route.len() - 1 } else { place - 1 }]
    }

    /// Tries moves at the queued points until none saves anything; returns what was saved.
    fn improve(&mut self, queued: VecDeque<usize>) -> f64 {
        let (mut queue, mut saved) = (queued, 0.0);
        let mut waiting = vec![false; self.at.len()];
        for point in &queue {
            waiting[*point] = true;
        }
        while let Some(point) = queue.pop_front() {
            waiting[point] = false;
            while self.moves_left > 0 {
                let Some((by, touched)) = self.two_opt(point).or_else(|| self.or_opt(point)) else { break };
                self.moves_left -= 1;
                saved += by;
                for other in touched {
                    if !std::mem::replace(&mut waiting[other], true) {
                        queue.push_back(other);
                    }
                }
            }
        }
        saved
    }

    /// Two edges replaced by two, the way between them walked backwards.
    fn two_opt(&mut self, a: usize) -> Option<(f64, Vec<usize>)> {
        for forward in [true, false] {
            let b = if forward { self.after(a) } else { self.before(a) };
            let old = self.cost(a, b);
            for index in 0..self.near[a].len() {
                let c = self.near[a][index];
                let new = self.cost(a, c);
                if new >= old {
                    break;
                }
                let d = if forward { self.after(c) } else { self.before(c) };
                let saved = old + self.cost(c, d) - new - self.cost(b, d);
                if c == b || saved <= LEAST_SAVED {
                    continue;
                }
                // Reversed is what lies between the two edges, the gap's place left where it is.
                let (first, second) = if forward { (a, c) } else { (b, d) };
                let (low, high) = (self.place[first], self.place[second]);
                self.reverse(low.min(high) + 1, low.max(high));
                return Some((saved, vec![a, b, c, d]));
            }
        }
        None
    }

    /// One to three points in a row moved elsewhere, either way round.
    fn or_opt(&mut self, a: usize) -> Option<(f64, Vec<usize>)> {
        let end = self.route.len() - 1;
        for count in 1..=3usize {
            for leads in [true, false] {
                // The points in places low..=high, `a` at one end.
                let place = self.place[a];
                let (low, high) =
                    if leads { (place, place + count - 1) } else { (place.wrapping_sub(count - 1), place) };
                if low == 0 || low > place || high > end {
                    continue;
                }
                let (first, last) = (self.route[low], self.route[high]);
                let other = if leads { last } else { first };
                let (before, after) = (self.before(first), self.after(last));
                let freed = self.cost(before, first) + self.cost(last, after) - self.cost(before, after);
                if freed <= LEAST_SAVED {
                    continue;
                }
                for index in 0..self.near[a].len() {
                    let c = self.near[a][index];
                    let joined = self.cost(a, c);
                    if joined >= freed {
                        break;
                    }
                    if (low..=high).contains(&self.place[c]) {
                        continue;
                    }
                    for beyond in [true, false] {
                        // Between c and d, `a` beside c.
                        let d = if beyond { self.after(c) } else { self.before(c) };
                        if (low..=high).contains(&self.place[d]) {
                            continue;
                        }
                        let saved = freed + self.cost(c, d) - joined - self.cost(other, d);
                        if saved <= LEAST_SAVED {
                            continue;
                        }
                        let turned = beyond != leads;
                        self.shift(low, high, if beyond { c } else { d }, turned);
                        return Some((saved, vec![a, other, before, after, c, d]));
                    }
                }
            }
        }
        None
    }

    fn reverse(&mut self, low: usize, high: usize) {
        self.route[low..=high].reverse();
        self.renumber(low, high);
    }

    /// Moves places low..=high to just behind the point `behind`.
    fn shift(&mut self, low: usize, high: usize, behind: usize, turned: bool) {
        if turned {
            self.route[low..=high].reverse();
        }
        let (target, count) = (self.place[behind], high - low + 1);
        if target > high {
            self.route[low..=target].rotate_left(count);
            self.renumber(low, target);
        } else {
            self.route[target + 1..=high].rotate_right(count);
            self.renumber(target + 1, high);
        }
    }

    fn renumber(&mut self, low: usize, high: usize) {
        for place in low..=high {
            self.place[self.route[place]] = place;
        }
    }

    /// Swaps two neighbouring short stretches at a time and improves around them; kept where shorter.
    fn kick(&mut self) {
        let first = 1 + usize::from(self.fixed);
        let count = self.route.len() - first;
        if count < 8 {
            return;
        }
        let mut sequence = 0x9e37_79b9_7f4a_7c15u64;
        let mut next = |below: usize| {
            sequence =
                sequence.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            ((sequence >> 33) as usize) % below.max(1)
        };
        for _ in 0..(KICK_WORK / count).min(KICKS_A_POINT * count) {
            let window = count.min(50);
            let low = first + next(count - window + 1);
            let one = 1 + next(window / 2);
            let two = 1 + next(window / 2);
            let high = (low + one + two - 1).min(self.route.len() - 1);
            let kept = self.route.clone();
            let ends = |path: &Self| {
                let inside = [low, low + one - 1, low + one, high].map(|p| path.route[p.min(high)]);
                [inside.to_vec(), vec![path.before(path.route[low]), path.after(path.route[high])]].concat()
            };
            let touched = ends(self);
            let before = self.stretch(low, high);
            self.route[low..=high].rotate_left(one.min(high - low + 1));
            self.renumber(low, high);
            let lost = self.stretch(low, high) - before;
            self.moves_left = self.moves_left.max(1_000);
            let saved = self.improve(touched.into());
            if saved - lost <= LEAST_SAVED {
                self.route = kept;
                self.renumber(0, self.route.len() - 1);
            }
        }
    }

    /// Length of the edges from before place `low` to behind place `high`.
    fn stretch(&self, low: usize, high: usize) -> f64 {
        let inside: f64 = self.route[low - 1..=high].windows(2).map(|p| self.cost(p[0], p[1])).sum();
        inside + self.cost(self.route[high], self.after(self.route[high]))
    }
}

/// The nearest points of each point, nearest first, found in square cells of about two points. The
/// gap has no place, so it has none; the start, if fixed, is moved by no one.
fn near_neighbours(points: &[(f64, f64)], start: Option<(f64, f64)>, gap: usize) -> Vec<Vec<usize>> {
    let low = points.iter().fold((f64::MAX, f64::MAX), |l, p| (l.0.min(p.0), l.1.min(p.1)));
    let high = points.iter().fold((f64::MIN, f64::MIN), |h, p| (h.0.max(p.0), h.1.max(p.1)));
    let side = (high.0 - low.0).max(high.1 - low.1).max(1e-3);
    let cells = libm::ceil(libm::sqrt(points.len() as f64 / 2.0)).max(1.0);
    let cell_of = |p: (f64, f64)| {
        let along = |v: f64, low: f64| ((v - low) / side * cells).clamp(0.0, cells - 1.0) as i64;
        (along(p.0, low.0), along(p.1, low.1))
    };
    let mut grid: BTreeMap<(i64, i64), Vec<usize>> = BTreeMap::new();
    for (index, point) in points.iter().enumerate() {
        grid.entry(cell_of(*point)).or_default().push(index);
    }
    let mut near = vec![vec![]; gap + 1 + usize::from(start.is_some())];
    for (index, point) in points.iter().enumerate() {
        let (x, y) = cell_of(*point);
        let mut found: Vec<(f64, usize)> = vec![];
        for ring in 0..=cells as i64 {
            // Points beyond this ring are farther than ring − 1 cells; stop once enough are nearer.
            let reached = (ring - 1).max(0) as f64 * side / cells;
            if found.len() >= NEAR && found.get(NEAR - 1).is_some_and(|(far, _)| *far <= reached) {
                break;
            }
            for (cx, cy) in ring_of(x, y, ring) {
                let members = grid.get(&(cx, cy)).into_iter().flatten().filter(|other| **other != index);
                found.extend(members.filter_map(|o| points.get(*o).map(|p| (distance(*point, *p), *o))));
            }
            found.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
            found.truncate(NEAR);
        }
        near[index] = found.into_iter().map(|(_, other)| other).collect();
    }
    near
}

/// The cells at exactly `ring` steps from a cell.
fn ring_of(x: i64, y: i64, ring: i64) -> Vec<(i64, i64)> {
    if ring == 0 {
        return vec![(x, y)];
    }
    let across = (-ring..=ring).flat_map(|i| [(x + i, y - ring), (x + i, y + ring)]);
    let along = (1 - ring..ring).flat_map(|i| [(x - ring, y + i), (x + ring, y + i)]);
    across.chain(along).collect()
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn stand() -> Vec<(f64, f64)> {
        let text = include_str!("../../../../tests/data/longleaf.csv");
        let number = |f: Option<&str>| f.unwrap().parse::<f64>().unwrap();
        let point = |line: &str| {
            let mut fields = line.split(',');
            (number(fields.next()), number(fields.next()))
        };
        text.lines().skip(1).map(point).collect()
    }

    fn visits_all(order: &[usize], count: usize) -> bool {
        let mut sorted = order.to_vec();
        sorted.sort_unstable();
        sorted.iter().copied().eq(0..count)
    }

    /// 584 longleaf pines (Platt, Evans & Rathbun 1988), from the plot's corner. OR-tools 9's guided
    /// local search found 3270.426 m in 240 s, nearest neighbour in Python gives 3777.365 m (computed).
    #[test]
    fn beats_nearest_neighbour_on_the_longleaf_stand() {
        let (points, start) = (stand(), Some((0.0, 0.0)));
        let nearest = length(&points, &nearest_neighbour(&points, start), start);
        let order = walking_order(&points, start);
        let ours = length(&points, &order, start);
        assert!(visits_all(&order, 584));
        assert!((nearest - 3_777.364_807).abs() < 1e-3, "{nearest}");
        assert!(ours < 3_270.426, "{ours} against {nearest}");
    }

    /// Held and Karp's exact solution of small sets (Bellman 1962; Held & Karp 1962), from a fixed start.
    fn exact(points: &[(f64, f64)], start: (f64, f64)) -> f64 {
        let n = points.len();
        let mut best = vec![vec![f64::INFINITY; n]; 1 << n];
        for (i, p) in points.iter().enumerate() {
            best[1 << i][i] = distance(start, *p);
        }
        for set in 1usize..1 << n {
            for last in (0..n).filter(|l| set >> l & 1 == 1) {
                for next in (0..n).filter(|m| set >> m & 1 == 0) {
                    let through = best[set][last] + distance(points[last], points[next]);
                    let slot = &mut best[set | 1 << next][next];
                    *slot = slot.min(through);
                }
            }
        }
        best[(1 << n) - 1].iter().copied().fold(f64::INFINITY, f64::min)
    }

    /// Two hundred fixed sets of 3 to 10 points against the shortest path there is.
    #[test]
    fn small_sets_are_walked_almost_as_short_as_can_be() {
        let mut sequence = 1u64;
        let mut next = |below: u64| {
            sequence =
                sequence.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (sequence >> 33) % below
        };
        let (mut over, mut worst) = (0.0, 1.0f64);
        for _ in 0..200 {
            let count = 3 + next(8);
            let points: Vec<(f64, f64)> = (0..count).map(|_| (next(100) as f64, next(100) as f64)).collect();
            let start = (50.0, 50.0);
            let order = walking_order(&points, Some(start));
            assert!(visits_all(&order, points.len()));
            let ratio = length(&points, &order, Some(start)) / exact(&points, start);
            assert!(ratio > 1.0 - 1e-9);
            over += ratio - 1.0;
            worst = worst.max(ratio);
        }
        assert!(over / 200.0 < 0.01 && worst < 1.15, "mean {} worst {worst}", over / 200.0);
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(100))]

        #[test]
        fn every_point_is_visited_once_and_never_longer_than_nearest_neighbour(
            points in prop::collection::vec((-500i32..500, -500i32..500), 0..60),
            start in prop::option::of((-900i32..900, -900i32..900)),
        ) {
            let float = |(x, y): (i32, i32)| (f64::from(x) / 3.0, f64::from(y) / 7.0);
            let points: Vec<(f64, f64)> = points.into_iter().map(float).collect();
            let start = start.map(float);
            let order = walking_order(&points, start);
            prop_assert!(visits_all(&order, points.len()));
            let nearest = length(&points, &nearest_neighbour(&points, start), start);
            prop_assert!(length(&points, &order, start) <= nearest + 1e-6);
            prop_assert_eq!(order, walking_order(&points, start));
        }
    }
}
