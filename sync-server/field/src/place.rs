//! Where the device is: fixes of the last seconds, averaged and weighted by their accuracy.

use bolebook_core::geo;
use bolebook_core::quantity::{Um, UtcMs};
use bolebook_core::record::stand::{Position, PositionSource};

use crate::state::Fix;

/// How long a fix counts, in milliseconds.
pub const FRESH_MS: i64 = 30_000;

/// Fixes since the device stood still.
#[derive(Clone, Debug, Default)]
pub struct Fixes(Vec<Fix>);

impl Fixes {
    /// Takes a fix in: degrees, and the radius that holds the true place 68 % of the time, in metres.
    /// What is no place on Earth is left out.
    pub fn take(&mut self, lat: f64, lon: f64, accuracy_m: f64, at: UtcMs) {
        let there = lat.abs() <= 90.0 && lon.abs() <= 180.0 && accuracy_m > 0.0 && accuracy_m < 100_000.0;
        if !there {
            return;
        }
        let ndeg = |degrees: f64| (degrees * 1e9).round() as i64;
        let position = Position {
            lat_ndeg: ndeg(lat),
            lon_ndeg: ndeg(lon),
            accuracy_um: Some(Um((accuracy_m * 1e6).round() as i64)),
            source: PositionSource::Gnss,
        };
        // Whoever has walked further than a fix may be off is elsewhere: earlier fixes are of no use.
        let reach = |f: &Fix| accuracy_m.max(metres(f));
        self.0.retain(|f| at.0 - f.at.0 <= FRESH_MS && geo::distance_m(&f.position, &position) <= reach(f));
        self.0.push(Fix { position, at });
    }

    /// The mean, weighted by 1 / accuracy². Its accuracy stays that of the best fix: errors of
    /// fixes seconds apart are not independent.
    pub fn mean(&self) -> Option<Fix> {
        let last = self.0.last()?;
        let origin = last.position;
        let (mut sum, mut lat, mut lon) = (0.0, 0.0, 0.0);
        let mut best = f64::INFINITY;
        for fix in &self.0 {
            let weight = 1.0 / (metres(fix) * metres(fix));
            sum += weight;
            lat += weight * (fix.position.lat_ndeg - origin.lat_ndeg) as f64;
            lon += weight * (fix.position.lon_ndeg - origin.lon_ndeg) as f64;
            best = best.min(metres(fix));
        }
        let moved = |of: i64, by: f64| of + (by / sum).round() as i64;
        let position = Position {
            lat_ndeg: moved(origin.lat_ndeg, lat),
            lon_ndeg: moved(origin.lon_ndeg, lon),
            accuracy_um: Some(Um((best * 1e6).round() as i64)),
            source: PositionSource::Gnss,
        };
        Some(Fix { position, at: last.at })
    }
}

fn metres(fix: &Fix) -> f64 {
    fix.position.accuracy_um.map_or(1e5, |a| a.0 as f64 / 1e6).max(0.01)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_better_fix_counts_more_and_a_walk_begins_anew() {
        let mut fixes = Fixes::default();
        fixes.take(42.0, -84.0, 10.0, UtcMs(0));
        fixes.take(42.00005, -84.0, 5.0, UtcMs(1_000));
        // Weights 1/100 and 1/25: four fifths of the way.
        let mean = fixes.mean().unwrap().position;
        assert_eq!(mean.lat_ndeg, 42_000_040_000);
        assert_eq!(mean.accuracy_um, Some(Um(5_000_000)));
        fixes.take(42.01, -84.0, 5.0, UtcMs(2_000));
        assert_eq!(fixes.mean().unwrap().position.lat_ndeg, 42_010_000_000);
        fixes.take(f64::NAN, 0.0, 5.0, UtcMs(3_000));
        fixes.take(91.0, 0.0, 5.0, UtcMs(3_000));
        assert_eq!(fixes.mean().unwrap().at, UtcMs(2_000));
    }
}
