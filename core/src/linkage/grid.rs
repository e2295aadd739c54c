//! Which listings are held against each other: those within reach, found by squares of ground.
//!
//! Squares have 25 m sides at any latitude: each row of them has its own number of columns. Listings
//! on the two sides of the 180th meridian are not held against each other.

use std::collections::BTreeMap;
use std::ops::Range;

use super::Listing;
use super::compare::{
    ALIKE_CM, AROUND_M, Around, Comparison, both_sd_m, compare, fix_sd_m, located, reach_m,
};
use super::tags::{Read, Tags};
use crate::geo::metres_per_degree;
use crate::quantity::Um;
use crate::record::stand::Position;

/// Most listings of one square that a tree is compared with, those next to its own diameter: trees
/// of breast height do not stand closer than one to 13 m², and a hostile heap costs no more than this.
pub const DENSEST: usize = 48;
/// Side of a square.
const SIDE_M: f64 = 25.0;
/// Height of a row in billionths of a degree of latitude, about 25 m.
const ROW_NDEG: i64 = 225_000;

/// Listings by square of ground.
#[derive(Clone, Debug, Default)]
pub struct Grid<'v> {
    /// The rows with a listing in them, from south to north.
    rows: Vec<Row>,
    /// The listings square by square; in each ascending by diameter, then id.
    members: Vec<Member>,
    /// Where each listing stands among them.
    at: Vec<usize>,
    /// Each listing's tag.
    tags: Vec<Read<'v>>,
    /// Largest deviation of any fix.
    most_sd_m: f64,
}

/// A listing in its square, with what is looked at of each that stands around another: these are many,
/// and the listings themselves lie far apart.
#[derive(Clone, Debug)]
struct Member {
    /// The listing.
    index: usize,
    diameter: Option<Um>,
    place: Place,
}

/// A row of squares.
#[derive(Clone, Debug)]
struct Row {
    number: i64,
    /// Metres of a degree of longitude in its middle.
    scale: f64,
    /// Its squares with a listing in them, ascending: column, and where its members stand.
    squares: Vec<(i64, Range<usize>)>,
}

/// The square that a position lies in: its row and column.
pub(super) fn square(p: &Position) -> (i64, i64) {
    let row = row(p.lat_ndeg);
    (row, column(p.lon_ndeg as f64 / 1e9, row_scale(row)))
}

/// The squares that a circle around a position may touch: of each row, the first column and the last.
pub(super) fn squares_around(p: &Position, radius_m: f64) -> impl Iterator<Item = (i64, i64, i64)> {
    let from = Place::of(p);
    let (first, last) = rows_around(p, from, radius_m);
    (first..=last).map(move |row| {
        let (west, east) = columns_around(from, row_scale(row), radius_m);
        (row, west, east)
    })
}

fn rows_around(p: &Position, from: Place, radius_m: f64) -> (i64, i64) {
    let high = (radius_m * 1e9 / from.north) as i64 + 1;
    (row(p.lat_ndeg.saturating_sub(high)), row(p.lat_ndeg.saturating_add(high)))
}

fn columns_around(from: Place, scale: f64, radius_m: f64) -> (i64, i64) {
    // A little wider than the radius: the row's scale is not quite the position's.
    let wide = radius_m / scale * 1.01;
    (column(from.lon_deg - wide, scale), column(from.lon_deg + wide, scale))
}

fn row(lat_ndeg: i64) -> i64 {
    lat_ndeg.div_euclid(ROW_NDEG)
}

/// Metres of a degree of longitude in the middle of a row.
fn row_scale(row: i64) -> f64 {
    metres_per_degree((row as f64 + 0.5) * ROW_NDEG as f64 / 1e9).1.max(1.0)
}

fn column(lon_deg: f64, scale: f64) -> i64 {
    libm::floor(lon_deg * scale / SIDE_M) as i64
}

impl<'v> Grid<'v> {
    /// Sorts listings into squares.
    pub fn of(listings: &[Listing<'v>]) -> Self {
        let mut by_row: BTreeMap<i64, Vec<usize>> = BTreeMap::new();
        for (index, listing) in listings.iter().enumerate() {
            by_row.entry(row(listing.position.lat_ndeg)).or_default().push(index);
        }
        let (mut rows, mut members) = (vec![], Vec::with_capacity(listings.len()));
        let mut at = vec![0; listings.len()];
        for (number, in_row) in by_row {
            let scale = row_scale(number);
            let column = |i: usize| column(listings[i].position.lon_ndeg as f64 / 1e9, scale);
            let mut sorted: Vec<_> =
                in_row.into_iter().map(|i| (column(i), listings[i].diameter, listings[i].id, i)).collect();
            sorted.sort_unstable();
            let mut squares = vec![];
            for square in sorted.chunk_by(|a, b| a.0 == b.0) {
                let from = members.len();
                for (_, diameter, _, index) in square {
                    at[*index] = members.len();
                    let place = Place::of(&listings[*index].position);
                    let place = Place { crowded: square.len() > DENSEST, ..place };
                    members.push(Member { index: *index, diameter: *diameter, place });
                }
                squares.push((square[0].0, from..members.len()));
            }
            rows.push(Row { number, scale, squares });
        }
        let most_sd_m = members.iter().map(|m: &Member| m.place.sd_m).fold(0.0, f64::max);
        let tags = Read::all(listings.iter().map(|l| l.tag));
        Self { rows, members, at, tags, most_sd_m }
    }

    fn place(&self, of: usize) -> &Place {
        &self.members[self.at[of]].place
    }

    /// The squares that a circle around a listing may touch.
    fn around(&self, p: &Position, from: Place, radius_m: f64) -> impl Iterator<Item = &[Member]> {
        let (first, last) = rows_around(p, from, radius_m);
        let rows = self.rows.get(self.rows.partition_point(|r| r.number < first)..).unwrap_or_default();
        rows.iter().take_while(move |row| row.number <= last).flat_map(move |row| {
            let (west, east) = columns_around(from, row.scale, radius_m);
            let squares = row.squares.get(row.squares.partition_point(|s| s.0 < west)..).unwrap_or_default();
            let squares = squares.iter().take_while(move |s| s.0 <= east);
            squares.filter_map(move |(_, members)| self.members.get(members.clone()))
        })
    }

    /// Counts the listings around one.
    pub fn surroundings(&self, listings: &[Listing<'_>], of: usize) -> Around {
        let tree = &listings[of];
        let from = *self.place(of);
        let mut around = Around::default();
        for members in self.around(&tree.position, from, AROUND_M) {
            let some = window(listings, members, of);
            // Of a crowd the same share is taken to be near.
            let each = members.len() as f64 / some.len().max(1) as f64;
            for other in some.iter().filter(|m| m.index != of) {
                if from.square_m(&other.place) > AROUND_M * AROUND_M {
                    continue;
                }
                around.trees += each;
                let gap = tree.diameter.zip(other.diameter).map(|(a, b)| a.0.abs_diff(b.0) as f64 / 1e4);
                if gap.is_some_and(|gap| gap <= ALIKE_CM) {
                    // Of a crowd, those of its diameter are all in the window.
                    around.alike += 1.0;
                }
            }
        }
        around
    }

    /// Compares a located listing with those within reach; `around` as [`Grid::surroundings`] says.
    pub fn compare(
        &self,
        listings: &[Listing<'_>],
        of: usize,
        around: Around,
        found: &mut Vec<(usize, Comparison)>,
    ) {
        found.clear();
        self.within_reach(
            listings,
            of,
            |_| true,
            |other, apart| {
                let ends = (of.min(other), of.max(other));
                found.push((other, self.outcome(listings, ends, apart, around)));
            },
        );
    }

    /// How two listings compare that are so far apart ([`Grid::within_reach`]), the lower index first.
    pub fn outcome(
        &self,
        listings: &[Listing<'_>],
        (a, b): (usize, usize),
        apart: (f64, f64),
        around: Around,
    ) -> Comparison {
        compare(&listings[a], &listings[b], self.tags(a, b), apart, around)
    }

    /// How the tags of two listings compare.
    pub fn tags(&self, a: usize, b: usize) -> Tags {
        self.tags[a].against(&self.tags[b])
    }

    /// The listings within reach of one, of those that are `wanted`: each with its distance in metres
    /// and the standard deviation of a coordinate's difference, as [`compare`](fn@compare) takes them.
    pub fn within_reach(
        &self,
        listings: &[Listing<'_>],
        of: usize,
        wanted: impl Fn(usize) -> bool,
        mut met: impl FnMut(usize, (f64, f64)),
    ) {
        let from = *self.place(of);
        let furthest = reach_m(both_sd_m(from.sd_m, self.most_sd_m));
        for members in self.around(&listings[of].position, from, furthest) {
            for other in window(listings, members, of).iter().filter(|m| m.index != of && wanted(m.index)) {
                // Seen from either end, a pair must be the same to the last bit.
                let (first, second) =
                    if of < other.index { (&from, &other.place) } else { (&other.place, &from) };
                let square_m = first.square_m(second);
                if square_m > furthest * furthest {
                    continue;
                }
                let sd_m = both_sd_m(first.sd_m, second.sd_m);
                let distance_m = libm::sqrt(square_m);
                if distance_m <= reach_m(sd_m) {
                    met(other.index, (distance_m, sd_m));
                }
            }
        }
    }

    /// Whether a pair is met from both ends: a crew located both, and neither stands in a crowded square.
    pub fn mutual(&self, a: usize, b: usize) -> bool {
        let alone = |place: &Place| !place.crowded && place.located;
        alone(self.place(a)) && alone(self.place(b))
    }
}

/// A position in metres by its own scale, with its deviation.
#[derive(Clone, Copy, Debug)]
struct Place {
    lat_deg: f64,
    lon_deg: f64,
    north: f64,
    east: f64,
    sd_m: f64,
    /// Whether its square holds more than [`DENSEST`].
    crowded: bool,
    /// Whether a crew placed it on the spot.
    located: bool,
}

impl Place {
    fn of(p: &Position) -> Self {
        let (north, east) = metres_per_degree(p.lat_ndeg as f64 / 1e9);
        let (lat_deg, lon_deg) = (p.lat_ndeg as f64 / 1e9, p.lon_ndeg as f64 / 1e9);
        Self { lat_deg, lon_deg, north, east, sd_m: fix_sd_m(p), crowded: false, located: located(p) }
    }

    /// The square of the distance, by this place's scale: within reach it is good to a millimetre.
    fn square_m(&self, to: &Self) -> f64 {
        let north = (to.lat_deg - self.lat_deg) * self.north;
        let east = (to.lon_deg - self.lon_deg) * self.east;
        north * north + east * east
    }
}

/// The members of a square whose diameters are next to a listing's, at most [`DENSEST`].
fn window<'a>(listings: &[Listing<'_>], members: &'a [Member], of: usize) -> &'a [Member] {
    if members.len() <= DENSEST {
        return members;
    }
    let key = |i: usize| (listings[i].diameter, listings[i].id);
    let middle = members.partition_point(|m| key(m.index) < key(of));
    let start = middle.saturating_sub(DENSEST / 2).min(members.len() - DENSEST);
    &members[start..start + DENSEST]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ids::TreeId;
    use crate::record::stand::PositionSource;

    /// Fixes scattered over 300 m about a latitude, and a heap of them on one point.
    fn positions(lat_ndeg: i64) -> Vec<Position> {
        let mut state = 1u64;
        let mut next = |most: i64| {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 33) as i64 % most
        };
        let at = |north: i64, east: i64, metres: i64| Position {
            lat_ndeg: lat_ndeg + north,
            lon_ndeg: -83_000_000_000 + east,
            accuracy_um: Some(Um(metres * 1_000_000)),
            source: PositionSource::Gnss,
        };
        let mut all: Vec<Position> =
            (0..300).map(|_| at(next(2_700_000), next(2_700_000), 1 + next(14))).collect();
        all.extend((0..60).map(|_| at(5_000_000, 5_000_000, 5)));
        all
    }

    fn listings(positions: &[Position]) -> Vec<Listing<'static>> {
        let listing = |(n, position): (usize, &Position)| Listing {
            id: TreeId::new(n as i64, [0; 10]),
            tag: "",
            species: None,
            position: *position,
            diameter: None,
            visit: None,
        };
        positions.iter().enumerate().map(listing).collect()
    }

    #[test]
    fn the_squares_give_what_holding_each_against_each_gives() {
        for lat_ndeg in [42_700_000_000, -42_700_000_000, 0, 69_000_000_000] {
            let positions = positions(lat_ndeg);
            let listings = listings(&positions);
            let grid = Grid::of(&listings);
            let mut met = 0;
            // The heap is crowded, and there only a part of it is looked at.
            for of in 0..300 {
                let mut near = vec![];
                grid.within_reach(&listings, of, |_| true, |other, _| near.push(other));
                near.sort_unstable();
                let reached = |other: &usize| {
                    let (a, b) = (grid.place(of.min(*other)), grid.place(of.max(*other)));
                    libm::sqrt(a.square_m(b)) <= reach_m(both_sd_m(a.sd_m, b.sd_m))
                };
                let direct: Vec<usize> = (0..listings.len()).filter(|i| *i != of).filter(reached).collect();
                assert_eq!(near, direct, "listing {of} at {lat_ndeg}");
                met += near.len();
            }
            assert!(met > 1_000, "{met} met at {lat_ndeg}");
        }
    }

    #[test]
    fn a_square_is_crowded_when_more_stand_in_it_than_are_compared() {
        let positions = positions(42_700_000_000);
        let grid = Grid::of(&listings(&positions));
        let square = |p: &Position| {
            let row = row(p.lat_ndeg);
            (row, column(p.lon_ndeg as f64 / 1e9, row_scale(row)))
        };
        for (of, own) in positions.iter().enumerate() {
            let others = positions.iter().filter(|p| square(p) == square(own)).count();
            assert_eq!(grid.place(of).crowded, others > DENSEST);
        }
        let crowded = grid.members.iter().filter(|m| m.place.crowded).count();
        assert!((60..300).contains(&crowded), "{crowded}");
    }
}
