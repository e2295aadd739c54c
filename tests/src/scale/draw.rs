//! Figures drawn by chance from one seed, as a simulation of waiting needs them.

use crate::sim::dice::Dice;

/// Evenly from 0 to 1, 1 left out.
pub fn evenly(dice: &mut Dice) -> f64 {
    (dice.number() >> 11) as f64 / (1u64 << 53) as f64
}

/// Exponentially with this mean: times between events that know nothing of each other.
pub fn exponential(dice: &mut Dice, mean: f64) -> f64 {
    -mean * libm::log(1.0 - evenly(dice))
}

/// Normally (Box and Muller's transform, from memory).
pub fn normal(dice: &mut Dice, mean: f64, deviation: f64) -> f64 {
    let radius = libm::sqrt(-2.0 * libm::log(1.0 - evenly(dice)));
    mean + deviation * radius * libm::cos(2.0 * std::f64::consts::PI * evenly(dice))
}

/// Lognormally with this mean and ratio of standard deviation to mean.
pub fn lognormal(dice: &mut Dice, mean: f64, spread: f64) -> f64 {
    let variance = libm::log(1.0 + spread * spread);
    libm::exp(normal(dice, libm::log(mean) - variance / 2.0, libm::sqrt(variance)))
}
