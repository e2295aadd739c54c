//! Short distances on the WGS 84 ellipsoid.
//!
//! Within a job (a few kilometres) the ellipsoid's two radii of curvature at the middle latitude
//! give distances to better than a millimetre, with four calls of `libm` and the same bits on
//! every platform. Checked against geographiclib in this module's tests.

use crate::quantity::Um;
use crate::record::stand::{Corner, Position, PositionSource};

/// Semi-major axis of WGS 84, metres (EPSG 7030).
const A: f64 = 6_378_137.0;
/// First eccentricity squared of WGS 84 (from the defining flattening 1/298.257223563).
const E2: f64 = 6.694_379_990_141_316_5e-3;
const NDEG: f64 = 1e9;

/// Metres of one degree of latitude and of longitude at a latitude in degrees.
pub(crate) fn metres_per_degree(lat: f64) -> (f64, f64) {
    let phi = lat.to_radians();
    let sin = libm::sin(phi);
    let w2 = 1.0 - E2 * sin * sin;
    let w = libm::sqrt(w2);
    let meridian = A * (1.0 - E2) / (w2 * w);
    let prime_vertical = A / w;
    let per_degree = core::f64::consts::PI / 180.0;
    (meridian * per_degree, prime_vertical * libm::cos(phi) * per_degree)
}

/// East and north of `to` seen from `from`, in metres; good to a millimetre within a few kilometres.
pub fn offset_m(from: (i64, i64), to: (i64, i64)) -> (f64, f64) {
    let middle = (from.0 as f64 + to.0 as f64) / 2.0 / NDEG;
    let (north, east) = metres_per_degree(middle);
    let (dlat, dlon) = steps_deg(from, to);
    (dlon * east, dlat * north)
}

/// Degrees of latitude and longitude between two positions, the short way round.
fn steps_deg(from: (i64, i64), to: (i64, i64)) -> (f64, f64) {
    let mut dlon = (to.1 - from.1) as f64 / NDEG;
    if dlon > 180.0 {
        dlon -= 360.0;
    } else if dlon < -180.0 {
        dlon += 360.0;
    }
    ((to.0 - from.0) as f64 / NDEG, dlon)
}

/// Distance between two positions in metres.
pub fn distance_m(a: &Position, b: &Position) -> f64 {
    let (east, north) = offset_m((a.lat_ndeg, a.lon_ndeg), (b.lat_ndeg, b.lon_ndeg));
    libm::sqrt(east * east + north * north)
}

/// The area inside a boundary in square metres, whichever way round it is given; 0 with fewer than
/// three corners. Planar at the boundary's middle latitude, one scale for all corners (a scale of each
/// corner's own shears the figure): within 1e-4 of the ellipsoid's for blocks of a kilometre, up to 65°.
pub fn area_m2(boundary: &[Corner]) -> f64 {
    let Some(first) = boundary.first() else { return 0.0 };
    let latitudes = || boundary.iter().map(|c| c.lat_ndeg);
    let (low, high) = (latitudes().min().unwrap_or(0), latitudes().max().unwrap_or(0));
    let middle = (low as f64 + high as f64) / 2.0 / NDEG;
    let (north, east) = metres_per_degree(middle);
    let at = |c: &Corner| {
        let (dlat, dlon) = steps_deg((first.lat_ndeg, first.lon_ndeg), (c.lat_ndeg, c.lon_ndeg));
        (dlon * east, dlat * north)
    };
    let points: Vec<(f64, f64)> = boundary.iter().map(at).collect();
    let pairs = points.iter().zip(points.iter().cycle().skip(1));
    let doubled: f64 = pairs.map(|((x1, y1), (x2, y2))| x1 * y2 - x2 * y1).sum();
    libm::fabs(doubled) / 2.0
}

/// The position `east_um`, `north_um` micrometres from an origin: for stands mapped in metres.
pub fn place(origin: Corner, east_um: Um, north_um: Um) -> Position {
    let mut lat = origin.lat_ndeg as f64 / NDEG;
    // The scale belongs to the middle latitude, which depends on the result: two rounds settle it.
    let mut lon_step = 0.0;
    for _ in 0..3 {
        let middle = (origin.lat_ndeg as f64 / NDEG + lat) / 2.0;
        let (north, east) = metres_per_degree(middle);
        lat = origin.lat_ndeg as f64 / NDEG + north_um.0 as f64 / 1e6 / north;
        lon_step = east_um.0 as f64 / 1e6 / east;
    }
    Position {
        lat_ndeg: libm::round(lat * NDEG) as i64,
        lon_ndeg: libm::round(origin.lon_ndeg as f64 + lon_step * NDEG) as i64,
        accuracy_um: None,
        source: PositionSource::Mapped,
    }
}

#[cfg(test)]
mod tests {
    use geographiclib_rs::{Geodesic, InverseGeodesic};

    use super::*;

    fn at(lat: f64, lon: f64) -> Position {
        Position {
            lat_ndeg: (lat * 1e9).round() as i64,
            lon_ndeg: (lon * 1e9).round() as i64,
            accuracy_um: None,
            source: PositionSource::Gnss,
        }
    }

    /// geographiclib 2.1 and pyproj 3.7.2 agree on these two lines (computed).
    #[test]
    fn agrees_with_geographiclib_on_the_two_reference_lines() {
        let short = distance_m(&at(42.2808, -83.743), &at(42.28089, -83.74288));
        assert!((short - 14.068_304_5).abs() < 1e-6, "{short}");
        let long = distance_m(&at(42.7325, -84.5555), &at(42.7375, -84.5495));
        assert!((long - 741.572_146).abs() < 1e-3, "{long}");
    }

    /// Against geographiclib-rs over the latitudes where trees grow, up to 2 km.
    #[test]
    fn stays_within_a_millimetre_of_geographiclib_up_to_two_kilometres() {
        for lat in [-55.0, -20.0, 0.0, 31.0, 42.0, 64.0] {
            for (dlat, dlon) in [(0.0, 0.012), (0.012, 0.0), (0.009, -0.011), (-0.001, 0.002)] {
                let ours = distance_m(&at(lat, 10.0), &at(lat + dlat, 10.0 + dlon));
                let theirs: f64 = Geodesic::wgs84().inverse(lat, 10.0, lat + dlat, 10.0 + dlon);
                assert!((ours - theirs).abs() < 1e-3, "{lat} {dlat} {dlon}: {ours} {theirs}");
            }
        }
    }

    #[test]
    fn a_mapped_offset_lands_where_it_says() {
        let origin = Corner { lat_ndeg: 30_600_000_000, lon_ndeg: -84_400_000_000 };
        let here = place(origin, Um(150_000_000), Um(-75_500_000));
        let (east, north) = offset_m((origin.lat_ndeg, origin.lon_ndeg), (here.lat_ndeg, here.lon_ndeg));
        assert!((east - 150.0).abs() < 2e-4 && (north + 75.5).abs() < 2e-4, "{east} {north}");
    }

    /// geographiclib 2.1 and pyproj 3.7.2 agree on 272 910.5521 m² for this rectangle (computed).
    #[test]
    fn the_area_of_the_reference_rectangle_is_geographiclibs() {
        let corner = |lat: i64, lon: i64| Corner { lat_ndeg: lat * 100_000, lon_ndeg: lon * 100_000 };
        let mut corners = vec![
            corner(427_325, -845_555),
            corner(427_325, -845_495),
            corner(427_375, -845_495),
            corner(427_375, -845_555),
        ];
        let area = area_m2(&corners);
        assert!((area / 272_910.552_1 - 1.0).abs() < 1e-6, "{area}");
        corners.reverse();
        assert!((area_m2(&corners) - area).abs() < 1e-3);
        assert!(area_m2(&corners[..2]) < 1e-9 && area_m2(&[]) < 1e-9);
    }
}
