//! A block's boundary as it comes from a map or a hand: closed, simple, of a size that a block has.

use crate::geo::{area_m2, offset_m};
use crate::record::stand::Corner;

/// Most corners of a boundary.
pub const MOST_CORNERS: usize = 2_000;
/// No block is wider: figures beyond it are in another unit or order (common practice, no source).
const WIDEST_M: f64 = 50_000.0;

/// Why corners are no boundary.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum BoundaryError {
    /// Fewer than three.
    #[error("a boundary has three corners or more")]
    TooFew,
    /// More than anybody draws.
    #[error("a boundary of {0} corners is more than {MOST_CORNERS}: simplify it to what the block needs")]
    TooMany(usize),
    /// Not on the earth.
    #[error(
        "corner {0} lies outside −90 to 90 degrees of latitude or −180 to 180 of longitude: coordinates must be in degrees (WGS 84), as longitude and latitude"
    )]
    NotOnEarth(usize),
    /// Wider than a block.
    #[error(
        "the boundary is {0} km across, more than any block: look whether latitude and longitude are exchanged"
    )]
    TooWide(i64),
    /// Two sides that meet.
    #[error(
        "the boundary crosses or touches itself: the side from corner {first} meets the side from corner {second}"
    )]
    Crosses {
        /// The corner where one side begins, from 1.
        first: usize,
        /// The corner where the other begins.
        second: usize,
    },
    /// Nothing inside.
    #[error("the boundary has less than a square metre inside")]
    NoArea,
}

/// A boundary as records hold it: counter-clockwise, no corner repeated. Corners may come either
/// way round, and the first again at the end.
///
/// # Errors
/// [`BoundaryError`].
pub fn boundary(mut corners: Vec<Corner>) -> Result<Vec<Corner>, BoundaryError> {
    if corners.len() > MOST_CORNERS + 1 {
        return Err(BoundaryError::TooMany(corners.len()));
    }
    corners.dedup();
    if corners.len() > 1 && corners.first() == corners.last() {
        corners.pop();
    }
    if corners.len() < 3 {
        return Err(BoundaryError::TooFew);
    }
    let off = |c: &Corner| c.lat_ndeg.abs() > 90_000_000_000 || c.lon_ndeg.abs() > 180_000_000_000;
    if let Some(at) = corners.iter().position(off) {
        return Err(BoundaryError::NotOnEarth(at + 1));
    }
    let first = corners[0];
    let away = |c: &Corner| {
        let (east, north) = offset_m((first.lat_ndeg, first.lon_ndeg), (c.lat_ndeg, c.lon_ndeg));
        libm::hypot(east, north)
    };
    let widest = corners.iter().map(away).fold(0.0, f64::max);
    if widest > WIDEST_M {
        return Err(BoundaryError::TooWide(libm::round(widest / 1_000.0) as i64));
    }
    if let Some((first, second)) = crossing(&corners) {
        return Err(BoundaryError::Crosses { first: first + 1, second: second + 1 });
    }
    if area_m2(&corners) < 1.0 {
        return Err(BoundaryError::NoArea);
    }
    if doubled_area(&corners) < 0 {
        corners.reverse();
    }
    Ok(corners)
}

/// Twice the area in square billionths of a degree, positive when counter-clockwise.
fn doubled_area(corners: &[Corner]) -> i128 {
    let from = corners.first().copied().unwrap_or(Corner { lat_ndeg: 0, lon_ndeg: 0 });
    corners.windows(2).map(|pair| turn(from, pair[0], pair[1])).sum()
}

/// Positive when `c` lies left of the way from `a` to `b`, 0 on it; exact.
fn turn(a: Corner, b: Corner, c: Corner) -> i128 {
    let (dx, dy) = (i128::from(b.lon_ndeg - a.lon_ndeg), i128::from(b.lat_ndeg - a.lat_ndeg));
    let (ex, ey) = (i128::from(c.lon_ndeg - a.lon_ndeg), i128::from(c.lat_ndeg - a.lat_ndeg));
    dx * ey - dy * ex
}

/// Two sides that share a point which is not the corner between them.
fn crossing(corners: &[Corner]) -> Option<(usize, usize)> {
    let n = corners.len();
    let side = |at: usize| (corners[at], corners[(at + 1) % n]);
    for first in 0..n {
        let (a, b) = side(first);
        for second in first + 1..n {
            let (c, d) = side(second);
            let next = second == first + 1;
            let before = first == 0 && second == n - 1;
            let meets = match (next, before) {
                // The corner between two sides is shared; a side that runs back over the other is not.
                (true, _) => turn(a, b, d) == 0 && runs_back(a, b, d),
                (_, true) => turn(c, d, b) == 0 && runs_back(c, d, b),
                _ => touch(a, b, c, d),
            };
            if meets {
                return Some((first, second));
            }
        }
    }
    None
}

/// Whether `c` lies back toward `a` from `b`, all three on one line.
fn runs_back(a: Corner, b: Corner, c: Corner) -> bool {
    let back = (i128::from(a.lon_ndeg - b.lon_ndeg), i128::from(a.lat_ndeg - b.lat_ndeg));
    let on = (i128::from(c.lon_ndeg - b.lon_ndeg), i128::from(c.lat_ndeg - b.lat_ndeg));
    back.0 * on.0 + back.1 * on.1 > 0
}

fn touch(a: Corner, b: Corner, c: Corner, d: Corner) -> bool {
    let (abc, abd, cda, cdb) = (turn(a, b, c), turn(a, b, d), turn(c, d, a), turn(c, d, b));
    if abc.signum() * abd.signum() < 0 && cda.signum() * cdb.signum() < 0 {
        return true;
    }
    let within = |p: Corner, q: Corner, r: Corner| {
        let between = |x: i64, y: i64, z: i64| x.min(y) <= z && z <= x.max(y);
        between(p.lat_ndeg, q.lat_ndeg, r.lat_ndeg) && between(p.lon_ndeg, q.lon_ndeg, r.lon_ndeg)
    };
    (abc == 0 && within(a, b, c))
        || (abd == 0 && within(a, b, d))
        || (cda == 0 && within(c, d, a))
        || (cdb == 0 && within(c, d, b))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Corners in ten-thousandths of a degree east and north of a place.
    fn of(points: &[(i64, i64)]) -> Vec<Corner> {
        let corner = |(x, y): &(i64, i64)| Corner {
            lat_ndeg: 42_000_000_000 + y * 100_000,
            lon_ndeg: -84_000_000_000 + x * 100_000,
        };
        points.iter().map(corner).collect()
    }

    #[test]
    fn a_ring_either_way_round_and_closed_comes_out_counter_clockwise_and_open() {
        let clockwise = of(&[(0, 0), (0, 10), (10, 10), (10, 0), (0, 0)]);
        let found = boundary(clockwise.clone()).unwrap();
        assert_eq!(found, of(&[(10, 0), (10, 10), (0, 10), (0, 0)]));
        assert_eq!(boundary(found.clone()).unwrap(), found);
    }

    #[test]
    fn what_is_no_boundary_is_said_where() {
        let said = |points: &[(i64, i64)]| boundary(of(points)).unwrap_err();
        assert_eq!(said(&[(0, 0), (1, 1)]), BoundaryError::TooFew);
        assert_eq!(said(&[(0, 0), (1, 1), (0, 0)]), BoundaryError::TooFew);
        let bow = [(0, 0), (10, 10), (10, 0), (0, 10)];
        assert_eq!(said(&bow), BoundaryError::Crosses { first: 1, second: 3 });
        let spike = [(0, 0), (10, 0), (10, 10), (10, 5), (0, 5)];
        assert_eq!(said(&spike), BoundaryError::Crosses { first: 2, second: 3 });
        let touching = [(0, 0), (10, 0), (10, 10), (5, 0), (0, 10)];
        assert!(matches!(said(&touching), BoundaryError::Crosses { .. }));
        assert_eq!(said(&[(0, 0), (5, 0), (10, 0)]), BoundaryError::Crosses { first: 1, second: 3 });
        assert!(matches!(said(&[(0, 0), (10, 0), (900_000, 10)]), BoundaryError::TooWide(_)));
        let mut off = of(&[(0, 0), (10, 0), (10, 10)]);
        off[2].lat_ndeg = 90_000_000_001;
        assert_eq!(boundary(off).unwrap_err(), BoundaryError::NotOnEarth(3));
        let many = vec![of(&[(0, 0), (1, 1)]); MOST_CORNERS].concat();
        assert!(matches!(boundary(many).unwrap_err(), BoundaryError::TooMany(_)));
    }
}
