//! Which listings are held against each other: those within reach, found by squares of ground.
//!
//! Squares have 25 m sides at any latitude: each row of them has its own number of columns. Listings
//! on the two sides of the 180th meridian are not held against each other.

use std::collections::BTreeMap;

use super::Listing;
use super::compare::{
    ALIKE_CM, AROUND_M, Around, Comparison, both_sd_m, compare, fix_sd_m, located, reach_m,
};
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
    /// Each listing's place.
    places: Vec<Place>,
    /// Largest deviation of any fix.
    most_sd_m: f64,
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
        let places: Vec<Place> = listings.iter().map(|l| Place::of(&l.position)).collect();
        let most_sd_m = places.iter().map(|p| p.sd_m).fold(0.0, f64::max);
        Self { squares, places, most_sd_m }
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
        let from = self.places[of];
        let mut around = Around::default();
        for members in self.around(&tree.position, AROUND_M) {
            let some = window(listings, members, of);
            // Of a crowd the same share is taken to be near.
            let each = members.len() as f64 / some.len().max(1) as f64;
            for other in some.iter().filter(|i| **i != of) {
                if from.square_m(&self.places[*other]) > AROUND_M * AROUND_M {
                    continue;
                }
                let other = &listings[*other];
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
        let from = self.places[of];
        let furthest = reach_m(both_sd_m(from.sd_m, self.most_sd_m));
        for members in self.around(&listings[of].position, furthest) {
            for other in window(listings, members, of).iter().filter(|i| **i != of) {
                // Seen from either end, a pair must be the same to the last bit.
                let (a, b) = (of.min(*other), of.max(*other));
                let (first, second) = (self.places[a], self.places[b]);
                let square_m = first.square_m(&second);
                if square_m > furthest * furthest {
                    continue;
                }
                let sd_m = both_sd_m(first.sd_m, second.sd_m);
                let distance_m = libm::sqrt(square_m);
                if distance_m <= reach_m(sd_m) {
                    found.push((*other, compare(&listings[a], &listings[b], (distance_m, sd_m), around)));
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

/// A position in metres by its own scale, with its deviation.
#[derive(Clone, Copy, Debug)]
struct Place {
    lat_deg: f64,
    lon_deg: f64,
    north: f64,
    east: f64,
    sd_m: f64,
}

impl Place {
    fn of(p: &Position) -> Self {
        let (north, east) = metres_per_degree(p.lat_ndeg as f64 / 1e9);
        let (lat_deg, lon_deg) = (p.lat_ndeg as f64 / 1e9, p.lon_ndeg as f64 / 1e9);
        Self { lat_deg, lon_deg, north, east, sd_m: fix_sd_m(p) }
    }

    /// The square of the distance, by this place's scale: within reach it is good to a millimetre.
    fn square_m(&self, to: &Self) -> f64 {
        let north = (to.lat_deg - self.lat_deg) * self.north;
        let east = (to.lon_deg - self.lon_deg) * self.east;
        north * north + east * east
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
