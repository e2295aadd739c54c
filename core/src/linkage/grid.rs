//! Which listings are held against each other: those within reach, found by squares of ground.
//!
//! Squares have 25 m sides at any latitude: each row of them has its own number of columns. Listings
//! on the two sides of the 180th meridian are not held against each other.

use std::collections::BTreeMap;

use super::Listing;
use super::compare::{ALIKE_CM, AROUND_M, Around, Comparison, FURTHEST_M, compare, difference_sd_m, located, reach_m};
use crate::geo::metres_per_degree;
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
pub struct Grid {
    /// The listings of each square, ascending by diameter, then id.
    squares: BTreeMap<(i64, i64), Vec<usize>>,
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

fn square(p: &Position) -> (i64, i64) {
    let row = row(p.lat_ndeg);
    (row, column(p.lon_ndeg as f64 / 1e9, row_scale(row)))
}

impl Grid {
    /// Sorts listings into squares.
    pub fn of(listings: &[Listing<'_>]) -> Self {
        let mut squares: BTreeMap<(i64, i64), Vec<usize>> = BTreeMap::new();
        for (index, listing) in listings.iter().enumerate() {
            squares.entry(square(&listing.position)).or_default().push(index);
        }
        for members in squares.values_mut() {
            members.sort_unstable_by_key(|i| key(listings, *i));
        }
        Self { squares }
    }

    /// The squares that a circle around a position may touch.
    fn around(&self, p: &Position, radius_m: f64) -> impl Iterator<Item = &[usize]> {
        let (north, _) = metres_per_degree(p.lat_ndeg as f64 / 1e9);
        let rows = (radius_m * 1e9 / north) as i64 + 1;
        let lon = p.lon_ndeg as f64 / 1e9;
        (row(p.lat_ndeg.saturating_sub(rows))..=row(p.lat_ndeg.saturating_add(rows))).flat_map(move |row| {
            let scale = row_scale(row);
            // A little wider than the radius: the row's scale is not quite the position's.
            let wide = radius_m / scale * 1.01;
            let columns = (row, column(lon - wide, scale))..=(row, column(lon + wide, scale));
            self.squares.range(columns).map(|(_, members)| members.as_slice())
        })
    }

    /// Counts the listings around one.
    pub fn surroundings(&self, listings: &[Listing<'_>], of: usize) -> Around {
        let tree = &listings[of];
        let from = Place::of(&tree.position);
        let mut around = Around::default();
        for members in self.around(&tree.position, AROUND_M) {
            let some = window(listings, members, of);
            // Of a crowd the same share is taken to be near.
            let each = members.len() as f64 / some.len().max(1) as f64;
            for other in some.iter().filter(|i| **i != of).map(|i| &listings[*i]) {
                if from.distance_m(&other.position) > AROUND_M {
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
        let tree = &listings[of];
        let from = Place::of(&tree.position);
        for members in self.around(&tree.position, FURTHEST_M) {
            for other in window(listings, members, of).iter().filter(|i| **i != of) {
                let there = &listings[*other];
                let distance_m = from.distance_m(&there.position);
                if distance_m > FURTHEST_M || distance_m > reach_m(difference_sd_m(&tree.position, &there.position)) {
                    continue;
                }
                // Computed from either end, a distance must be the same to the last bit.
                let (first, second) = if of < *other { (tree, there) } else { (there, tree) };
                let exact = Place::of(&first.position).distance_m(&second.position);
                if let Some(c) = compare(first, second, exact, around) {
                    found.push((*other, c));
                }
            }
        }
    }

    /// Whether a pair is met from both ends: neither stands in a crowded square.
    pub fn mutual(&self, listings: &[Listing<'_>], a: usize, b: usize) -> bool {
        let crowded = |i: usize| {
            self.squares.get(&square(&listings[i].position)).is_some_and(|members| members.len() > DENSEST)
        };
        located(&listings[b].position) && !crowded(a) && !crowded(b)
    }
}

/// A position with its own scale.
struct Place {
    lat_ndeg: i64,
    lon_ndeg: i64,
    north: f64,
    east: f64,
}

impl Place {
    fn of(p: &Position) -> Self {
        let (north, east) = metres_per_degree(p.lat_ndeg as f64 / 1e9);
        Self { lat_ndeg: p.lat_ndeg, lon_ndeg: p.lon_ndeg, north, east }
    }

    fn distance_m(&self, to: &Position) -> f64 {
        let north = to.lat_ndeg.saturating_sub(self.lat_ndeg) as f64 / 1e9 * self.north;
        let east = to.lon_ndeg.saturating_sub(self.lon_ndeg) as f64 / 1e9 * self.east;
        libm::sqrt(north * north + east * east)
    }
}

fn key<'v>(listings: &[Listing<'v>], i: usize) -> (Option<crate::quantity::Um>, crate::ids::TreeId) {
    (listings[i].diameter, listings[i].id)
}

/// The members of a square whose diameters are next to a listing's, at most [`DENSEST`].
fn window<'a>(listings: &[Listing<'_>], members: &'a [usize], of: usize) -> &'a [usize] {
    if members.len() <= DENSEST {
        return members;
    }
    let middle = members.partition_point(|i| key(listings, *i) < key(listings, of));
    let start = middle.saturating_sub(DENSEST / 2).min(members.len() - DENSEST);
    &members[start..start + DENSEST]
}
