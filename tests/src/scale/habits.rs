//! What is assumed of crews and their season. Common practice, no source, unless said otherwise; all of it
//! is to be replaced by one's own.

use super::measured::Measured;

/// Hours of a day.
pub const HOURS: usize = 24;

/// How crews work and come in.
#[derive(Clone, Debug)]
pub struct Habits {
    /// Crews.
    pub crews: usize,
    /// Days of the season on which work is done: 26 weeks of five.
    pub days: usize,
    /// How often a crew cannot work on such a day: rain, wind, illness.
    pub idle: f64,
    /// Fewest and most trees of a crew-day, evenly spread.
    pub trees: (f64, f64),
    /// Photos a tree.
    pub photos_a_tree: f64,
    /// Bytes of a photo as a phone sends it.
    pub photo_bytes: f64,
    /// The part of them that is looked at, and so has a thumbnail made.
    pub looked_at: f64,
    /// Time zones: hours behind UTC, and their part of the crews.
    pub zones: Vec<(f64, f64)>,
    /// When a crew comes in, in hours of its own day, and the standard deviation.
    pub evening: (f64, f64),
    /// How often a crew brings the first half of its day at noon.
    pub noon: f64,
    /// How often there is no signal in the evening: the day comes with the next one.
    pub silent: f64,
    /// How often an exchange breaks off after the server has worked on it, and is made again.
    pub broken: f64,
    /// Mean minutes until it is made again.
    pub again_min: f64,
    /// Megabits a second of a crew's line, and its ratio of standard deviation to mean.
    pub line: (f64, f64),
    /// Ratio of standard deviation to mean of what exchanges of equal size take.
    pub spread: f64,
}

impl Habits {
    /// Ten thousand crews of one continent.
    pub fn of(crews: usize) -> Self {
        Self {
            crews,
            days: 130,
            idle: 0.15,
            trees: (120.0, 400.0),
            photos_a_tree: 1.0,
            photo_bytes: 2e6,
            looked_at: 0.2,
            zones: vec![(4.0, 0.35), (5.0, 0.35), (6.0, 0.1), (7.0, 0.2)],
            evening: (17.25, 0.7),
            noon: 0.2,
            silent: 0.08,
            broken: 0.04,
            again_min: 4.0,
            line: (6.0, 0.8),
            spread: 0.25,
        }
    }

    /// Processor seconds of a server for a photo, of which only some are looked at.
    pub fn photo_s(&self, measured: &Measured) -> f64 {
        measured.photo_s.value + self.looked_at * measured.thumbnail_s.value
    }

    /// Mean trees of a day that was worked.
    pub fn mean_trees(&self) -> f64 {
        f64::midpoint(self.trees.0, self.trees.1)
    }

    /// Trees of the season.
    pub fn season_trees(&self) -> f64 {
        self.crews as f64 * self.days as f64 * (1.0 - self.idle) * self.mean_trees()
    }

    /// Trees that go through a server for each that is logged: those of broken exchanges twice or more.
    pub fn sent(&self) -> f64 {
        1.0 / (1.0 - self.broken)
    }

    /// The part of a day's trees that comes in each hour of UTC's day, without waits and broken exchanges.
    pub fn hours(&self) -> [f64; HOURS] {
        let (mean, deviation) = self.evening;
        let below = |x: f64| 0.5 * libm::erfc(-x / (deviation * std::f64::consts::SQRT_2));
        let mut parts = [0.0; HOURS];
        for (behind, part) in &self.zones {
            // Those who come at noon leave half of their day for the evening.
            let early = self.noon / 2.0;
            for hour in 0..3 * HOURS {
                let from = hour as f64 - HOURS as f64 - behind;
                let evening = below(from + 1.0 - mean) - below(from - mean);
                let noon = below(from + 1.0 - NOON) - below(from - NOON);
                parts[hour % HOURS] += part * ((1.0 - early) * evening + early * noon);
            }
        }
        parts
    }

    /// The part of a day's trees that comes in its busiest hour.
    pub fn busiest(&self) -> f64 {
        self.hours().into_iter().fold(0.0, f64::max)
    }
}

/// When those come who come at noon, in hours of their own day.
pub const NOON: f64 = 12.25;
