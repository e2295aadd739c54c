//! Sharing trees out between crews.

use std::collections::BTreeMap;

use crate::dosing::dayplan::walk::{distance, length, nearest_neighbour, walking_order};
use crate::dosing::dayplan::{CrewPlan, CrewStart, DayPlan, PlannedStop, Rules, Stop};
use crate::geo::offset_m;
use crate::record::stand::Position;

/// Halvings of the search for the shortest longest day: the last is far below a second.
const HALVINGS: u32 = 60;

struct Ground<'a> {
    stops: &'a [Stop],
    /// East and north in metres of the first known position; `None` where not known.
    at: Vec<Option<(f64, f64)>>,
    rules: Rules,
}

/// What one crew gets: indices of stops in order, those without a position last.
type Share = Vec<usize>;

pub(super) fn plan(stops: &[Stop], crews: &[CrewStart], rules: Rules) -> DayPlan {
    let origin = stops.iter().find_map(|s| s.position).or_else(|| crews.iter().find_map(|c| c.start));
    let at = stops.iter().map(|s| s.position.and_then(|p| from(origin, &p))).collect();
    let ground = Ground { stops, at, rules };
    let starts: Vec<Option<(f64, f64)>> =
        crews.iter().map(|c| c.start.and_then(|p| from(origin, &p))).collect();
    let (mut shares, mut left) =
        if rules.whole_blocks { ground.by_block(&starts) } else { ground.by_stretch(&starts) };
    ground.add_unplaced(&mut shares, &mut left, &starts);
    let mut nearest_neighbour_m = 0.0;
    let plans: Vec<CrewPlan> = crews
        .iter()
        .zip(&starts)
        .zip(&shares)
        .map(|((crew, start), share)| {
            nearest_neighbour_m += ground.nearest_neighbour_m(share, *start);
            let walk_m = ground.walk_m(share, *start);
            CrewPlan {
                crew: crew.crew,
                name: crew.name.clone(),
                stops: ground.planned(share, *start),
                walk_m,
                minutes: ground.minutes(share, *start),
            }
        })
        .collect();
    let walk_m = plans.iter().map(|p| p.walk_m).sum();
    let not_today = ground.planned(&left, None);
    DayPlan { rules, crews: plans, not_today, walk_m, nearest_neighbour_m }
}

fn from(origin: Option<Position>, to: &Position) -> Option<(f64, f64)> {
    origin.map(|o| offset_m((o.lat_ndeg, o.lon_ndeg), (to.lat_ndeg, to.lon_ndeg)))
}

impl Ground<'_> {
    fn point(&self, stop: usize) -> Option<(f64, f64)> {
        self.at.get(stop).copied().flatten()
    }

    fn work(&self, stop: usize) -> f64 {
        self.stops.get(stop).map_or(0.0, |s| s.minutes)
    }

    fn placed(&self) -> Vec<usize> {
        (0..self.stops.len()).filter(|s| self.point(*s).is_some()).collect()
    }

    fn points(&self, share: &[usize]) -> Vec<(f64, f64)> {
        share.iter().filter_map(|s| self.point(*s)).collect()
    }

    fn walk_m(&self, share: &[usize], start: Option<(f64, f64)>) -> f64 {
        let points = self.points(share);
        length(&points, &(0..points.len()).collect::<Vec<_>>(), start)
    }

    fn nearest_neighbour_m(&self, share: &[usize], start: Option<(f64, f64)>) -> f64 {
        let points = self.points(share);
        length(&points, &nearest_neighbour(&points, start), start)
    }

    fn minutes(&self, share: &[usize], start: Option<(f64, f64)>) -> f64 {
        let work: f64 = share.iter().map(|s| self.work(*s)).sum();
        work + self.walk_m(share, start) / self.rules.walk_m_per_minute
    }

    /// Stops with known positions in walking order.
    fn ordered(&self, share: &[usize], start: Option<(f64, f64)>) -> Share {
        let placed: Vec<usize> = share.iter().copied().filter(|s| self.point(*s).is_some()).collect();
        let order = walking_order(&self.points(&placed), start);
        order.into_iter().filter_map(|i| placed.get(i).copied()).collect()
    }

    /// One walk over all, cut into stretches. The `starts.len()` stretches and what is left over.
    fn by_stretch(&self, starts: &[Option<(f64, f64)>]) -> (Vec<Share>, Share) {
        let start = starts.iter().flatten().next().copied();
        let walk = self.ordered(&self.placed(), start);
        let mut limit = self.shortest_longest(&walk, starts.len());
        if let Some(day) = self.rules.minutes_a_day {
            limit = limit.min(day);
        }
        let (stretches, left) = self.cut(&walk, starts.len(), limit);
        let mut shares = self.to_nearest_crews(stretches, starts);
        let mut left: Share = left;
        for (share, start) in shares.iter_mut().zip(starts) {
            *share = self.ordered(share, *start);
            self.shorten(share, *start, &mut left);
        }
        (shares, left)
    }

    /// The least limit under which the walk can be cut into so many stretches.
    fn shortest_longest(&self, walk: &[usize], count: usize) -> f64 {
        let mut low = walk.iter().map(|s| self.work(*s)).fold(0.0, f64::max);
        // A touch more than all of it, so that a sum taken in another order still fits.
        let mut high = self.minutes(walk, None) * (1.0 + 1e-9) + 1e-9;
        for _ in 0..HALVINGS {
            let middle = (low + high) / 2.0;
            if self.cut(walk, count, middle).1.is_empty() { high = middle } else { low = middle }
        }
        high
    }

    /// Cuts a walk greedily: each stretch is as long as the limit lets it be. A tree longer than the
    /// limit goes to what is left over.
    fn cut(&self, walk: &[usize], count: usize, limit: f64) -> (Vec<Share>, Share) {
        let (mut stretches, mut left): (Vec<Share>, Share) = (vec![vec![]], vec![]);
        let (mut minutes, mut here) = (0.0, None);
        for stop in walk.iter().copied() {
            let work = self.work(stop);
            if work > limit {
                left.push(stop);
                continue;
            }
            let point = self.point(stop);
            let step = match (here, point) {
                (Some(a), Some(b)) => distance(a, b) / self.rules.walk_m_per_minute,
                _ => 0.0,
            };
            if minutes + step + work > limit {
                if stretches.len() == count {
                    left.push(stop);
                    continue;
                }
                stretches.push(vec![]);
                minutes = 0.0;
            } else {
                minutes += step;
            }
            minutes += work;
            here = point;
            if let Some(last) = stretches.last_mut() {
                last.push(stop);
            }
        }
        stretches.resize(count, vec![]);
        (stretches, left)
    }

    /// Gives each crew, in order, the stretch whose nearest end is nearest to its start.
    fn to_nearest_crews(&self, mut stretches: Vec<Share>, starts: &[Option<(f64, f64)>]) -> Vec<Share> {
        let mut shares = vec![];
        for start in starts {
            let far = |stretch: &Share| {
                let ends = [stretch.first(), stretch.last()].into_iter().flatten();
                let points = ends.filter_map(|s| self.point(*s));
                let to = |p| start.map_or(0.0, |s| distance(s, p));
                points.map(to).fold(f64::INFINITY, f64::min)
            };
            let nearest = stretches
                .iter()
                .enumerate()
                .min_by(|(i, a), (j, b)| far(a).total_cmp(&far(b)).then(i.cmp(j)));
            let chosen = nearest.map(|(index, _)| index);
            shares.push(chosen.map(|index| stretches.remove(index)).unwrap_or_default());
        }
        shares
    }

    /// Takes trees off the end of a crew's walk until it fits the day.
    fn shorten(&self, share: &mut Share, start: Option<(f64, f64)>, left: &mut Share) {
        let Some(day) = self.rules.minutes_a_day else { return };
        let mut minutes = self.minutes(share, start);
        while minutes > day + 1e-9 {
            let Some(last) = share.pop() else { break };
            let before = share.last().and_then(|s| self.point(*s)).or(start);
            let step = match (before, self.point(last)) {
                (Some(a), Some(b)) => distance(a, b),
                _ => 0.0,
            };
            minutes -= self.work(last) + step / self.rules.walk_m_per_minute;
            left.push(last);
        }
    }

    /// Whole blocks, longest first, to the crew with the least to do; a block that passes the day is left.
    fn by_block(&self, starts: &[Option<(f64, f64)>]) -> (Vec<Share>, Share) {
        let mut blocks: BTreeMap<&str, Share> = BTreeMap::new();
        for stop in self.placed() {
            let block = self.stops.get(stop).map_or("", |s| s.block.as_str());
            blocks.entry(block).or_default().push(stop);
        }
        let mut sized: Vec<(f64, &str, Share)> = blocks
            .into_iter()
            .map(|(name, block)| {
                let walk = self.ordered(&block, None);
                (self.minutes(&walk, None), name, walk)
            })
            .collect();
        sized.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(b.1)));
        let (mut held, mut left): (Vec<(f64, Vec<Share>)>, Share) =
            (vec![(0.0, vec![]); starts.len()], vec![]);
        for (minutes, _, block) in sized {
            let least = held.iter_mut().min_by(|a, b| a.0.total_cmp(&b.0));
            match least {
                Some(crew) if self.rules.minutes_a_day.is_none_or(|day| crew.0 + minutes <= day) => {
                    crew.0 += minutes;
                    crew.1.push(block);
                }
                _ => left.extend(block),
            }
        }
        let shares = held.into_iter().zip(starts).map(|((_, blocks), start)| {
            let (share, over) = self.chain(blocks, *start);
            left.extend(over);
            share
        });
        let shares = shares.collect();
        (shares, left)
    }

    /// Blocks one after another, the nearest next, each walked from where the last one ended. The way
    /// between them may pass the day: then the last blocks are left.
    fn chain(&self, mut blocks: Vec<Share>, start: Option<(f64, f64)>) -> (Share, Share) {
        let (mut share, mut left, mut here): (Share, Share, _) = (vec![], vec![], start);
        while !blocks.is_empty() {
            let far = |block: &Share| {
                let to = |p| here.map_or(0.0, |h| distance(h, p));
                self.points(block).into_iter().map(to).fold(f64::INFINITY, f64::min)
            };
            let nearest =
                blocks.iter().enumerate().min_by(|(i, a), (j, b)| far(a).total_cmp(&far(b)).then(i.cmp(j)));
            let Some(index) = nearest.map(|(index, _)| index) else { break };
            let block = self.ordered(&blocks.remove(index), here);
            let longer = [share.clone(), block.clone()].concat();
            if self.rules.minutes_a_day.is_some_and(|day| self.minutes(&longer, start) > day) {
                left.extend(block);
                continue;
            }
            here = block.last().and_then(|s| self.point(*s)).or(here);
            share = longer;
        }
        (share, left)
    }

    /// Trees without a position, block by block, to the crew with the least to do.
    fn add_unplaced(&self, shares: &mut [Share], left: &mut Share, starts: &[Option<(f64, f64)>]) {
        let mut blocks: BTreeMap<&str, Share> = BTreeMap::new();
        for (index, stop) in self.stops.iter().enumerate().filter(|(i, _)| self.point(*i).is_none()) {
            blocks.entry(&stop.block).or_default().push(index);
        }
        let mut minutes: Vec<f64> =
            shares.iter().zip(starts).map(|(share, start)| self.minutes(share, *start)).collect();
        for mut block in blocks.into_values() {
            block.sort_by_key(|i| self.stops.get(*i).map(|s| (&s.tag, s.tree)));
            let mut crew = least(&minutes);
            for stop in block {
                let work = self.work(stop);
                let full = |m: f64| self.rules.minutes_a_day.is_some_and(|day| m + work > day);
                if !self.rules.whole_blocks && minutes.get(crew).is_some_and(|m| full(*m)) {
                    crew = least(&minutes);
                }
                match (minutes.get_mut(crew), shares.get_mut(crew)) {
                    (Some(held), Some(share)) if !full(*held) => {
                        *held += work;
                        share.push(stop);
                    }
                    _ => left.push(stop),
                }
            }
        }
    }

    fn planned(&self, share: &[usize], start: Option<(f64, f64)>) -> Vec<PlannedStop> {
        let mut here = start;
        let mut planned = vec![];
        for stop in share {
            let Some(listed) = self.stops.get(*stop) else { continue };
            let point = self.point(*stop);
            let walk_m = match (here, point) {
                (Some(a), Some(b)) => Some(distance(a, b)),
                (None, Some(_)) => Some(0.0),
                _ => None,
            };
            here = point.or(here);
            planned.push(PlannedStop {
                tree: listed.tree,
                tag: listed.tag.clone(),
                block: listed.block.clone(),
                minutes: listed.minutes,
                walk_m,
            });
        }
        planned
    }
}

fn least(minutes: &[f64]) -> usize {
    let least = minutes.iter().enumerate().min_by(|(_, a), (_, b)| a.total_cmp(b));
    least.map_or(0, |(index, _)| index)
}
