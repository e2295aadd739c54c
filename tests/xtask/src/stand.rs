//! An invented stand: where trees stand and how thick they are, from a committed seed.
//!
//! Positions are a hard-core point process (simple sequential inhibition): each tree is put at
//! random and stays if no other is nearer than the spacing. Diameters follow a shifted Weibull
//! distribution, the usual family for diameter distributions of stands (Bailey & Dell 1973,
//! Forest Science 19:97–104; named from memory). The numbers are invented: they describe no
//! real place, and are chosen so that the stand looks like a park's: few saplings, many
//! middle-sized trees, a tail of large ones.

use std::collections::BTreeMap;
use std::path::Path;

use rand::{RngExt as _, SeedableRng as _};
use rand_chacha::ChaCha12Rng;

use crate::process::{self, TaskError};

/// What the stand is drawn from.
#[derive(Clone, Debug, PartialEq)]
pub struct Parameters {
    /// Seed of the random numbers (ChaCha12, so the same on every machine).
    pub seed: u64,
    /// How many trees.
    pub trees: usize,
    /// Trees per hectare; gives the side of the square plot.
    pub per_hectare: f64,
    /// No two trees are nearer than this, in decimetres.
    pub spacing_dm: i64,
    /// Smallest diameter, in millimetres.
    pub smallest_mm: i64,
    /// Largest diameter, in millimetres; larger draws are drawn again.
    pub largest_mm: i64,
    /// Shape of the Weibull distribution.
    pub shape: f64,
    /// Scale of the Weibull distribution above the smallest diameter, in millimetres.
    pub scale_mm: f64,
}

impl Default for Parameters {
    fn default() -> Self {
        Self {
            seed: 20_260_914,
            trees: 160,
            per_hectare: 110.0,
            spacing_dm: 20,
            smallest_mm: 40,
            largest_mm: 980,
            shape: 2.1,
            scale_mm: 310.0,
        }
    }
}

/// A tree of an invented stand.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct StandTree {
    /// East of the plot's south-west corner, in decimetres.
    pub x_dm: i64,
    /// North of it, in decimetres.
    pub y_dm: i64,
    /// Diameter at breast height, in millimetres.
    pub dbh_mm: i64,
}

/// Random places tried per tree before the stand is called too dense.
const TRIES: usize = 10_000;

/// Draws a stand.
///
/// # Errors
/// [`TaskError::Arguments`] when the trees do not fit at this spacing, or the diameters' range is empty.
pub fn generate(parameters: &Parameters) -> Result<Vec<StandTree>, TaskError> {
    let p = parameters;
    if p.smallest_mm >= p.largest_mm || p.spacing_dm < 1 {
        return Err(TaskError::Arguments("diameters and spacing must be ranges above 0".into()));
    }
    let side_dm = (libm::sqrt(p.trees as f64 / p.per_hectare) * 1_000.0).ceil() as i64;
    let mut random = ChaCha12Rng::seed_from_u64(p.seed);
    let mut cells: BTreeMap<(i64, i64), Vec<(i64, i64)>> = BTreeMap::new();
    let mut stand = Vec::with_capacity(p.trees);
    while stand.len() < p.trees {
        let place = (0..TRIES)
            .map(|_| (random.random_range(0..=side_dm), random.random_range(0..=side_dm)))
            .find(|place| is_free(&cells, *place, p.spacing_dm));
        let Some((x_dm, y_dm)) = place else {
            return Err(TaskError::Arguments(format!(
                "only {} of {} trees fit at this spacing and density",
                stand.len(),
                p.trees
            )));
        };
        cells.entry((x_dm / p.spacing_dm, y_dm / p.spacing_dm)).or_default().push((x_dm, y_dm));
        stand.push(StandTree { x_dm, y_dm, dbh_mm: diameter(p, &mut random) });
    }
    Ok(stand)
}

fn is_free(cells: &BTreeMap<(i64, i64), Vec<(i64, i64)>>, (x, y): (i64, i64), spacing: i64) -> bool {
    let (column, row) = (x / spacing, y / spacing);
    let near = (column - 1..=column + 1).flat_map(|c| (row - 1..=row + 1).map(move |r| (c, r)));
    let mut trees = near.filter_map(|cell| cells.get(&cell)).flatten();
    trees.all(|(a, b)| (a - x).pow(2) + (b - y).pow(2) >= spacing.pow(2))
}

fn diameter(p: &Parameters, random: &mut ChaCha12Rng) -> i64 {
    loop {
        // 53 random bits give a share below 1, so the logarithm is finite.
        let share = random.random_range(0..1u64 << 53) as f64 / (1u64 << 53) as f64;
        let above = p.scale_mm * libm::pow(-libm::log(1.0 - share), 1.0 / p.shape);
        let found = p.smallest_mm + libm::round(above) as i64;
        if found <= p.largest_mm {
            return found;
        }
    }
}

/// The stand as CSV: `x_m,y_m,dbh_cm`, one decimal each.
pub fn csv(stand: &[StandTree]) -> String {
    let tenths = |n: i64| format!("{}.{}", n / 10, n % 10);
    let mut text = String::from("x_m,y_m,dbh_cm\n");
    for tree in stand {
        text += &format!("{},{},{}\n", tenths(tree.x_dm), tenths(tree.y_dm), tenths(tree.dbh_mm));
    }
    text
}

/// Writes a stand as CSV to a file, or to standard output.
///
/// # Errors
/// [`TaskError::File`] when it cannot be written.
pub fn write(stand: &[StandTree], out: Option<&Path>) -> Result<(), TaskError> {
    match out {
        Some(path) => process::write(path, csv(stand)),
        None => {
            print!("{}", csv(stand));
            Ok(())
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_stand_is_the_same_every_time_and_another_with_another_seed() {
        let p = Parameters::default();
        let stand = generate(&p).unwrap();
        assert_eq!(stand, generate(&p).unwrap());
        assert_ne!(stand, generate(&Parameters { seed: p.seed + 1, ..p }).unwrap());
    }

    #[test]
    fn trees_keep_their_spacing_and_their_range_of_diameters() {
        let p = Parameters { trees: 900, ..Default::default() };
        let stand = generate(&p).unwrap();
        assert_eq!(stand.len(), 900);
        for (i, a) in stand.iter().enumerate() {
            assert!((p.smallest_mm..=p.largest_mm).contains(&a.dbh_mm), "{a:?}");
            for b in &stand[..i] {
                let squared = (a.x_dm - b.x_dm).pow(2) + (a.y_dm - b.y_dm).pow(2);
                assert!(squared >= p.spacing_dm.pow(2), "{a:?} {b:?}");
            }
        }
    }

    /// The mean of a Weibull distribution is scale × Γ(1 + 1/shape); 900 trees come within 5 % of it.
    #[test]
    fn diameters_have_the_mean_of_their_distribution() {
        let p = Parameters { trees: 900, largest_mm: 100_000, ..Default::default() };
        let stand = generate(&p).unwrap();
        let mean = stand.iter().map(|t| t.dbh_mm).sum::<i64>() as f64 / 900.0;
        let expected = p.smallest_mm as f64 + p.scale_mm * libm::tgamma(1.0 + 1.0 / p.shape);
        assert!((mean / expected - 1.0).abs() < 0.05, "{mean} {expected}");
    }

    #[test]
    fn a_stand_that_cannot_fit_is_refused() {
        let p = Parameters { trees: 500, per_hectare: 10_000.0, ..Default::default() };
        assert!(matches!(generate(&p), Err(TaskError::Arguments(_))));
    }

    #[test]
    fn the_table_has_one_line_a_tree() {
        let tree = StandTree { x_dm: 7, y_dm: 1_234, dbh_mm: 305 };
        assert_eq!(csv(&[tree]), "x_m,y_m,dbh_cm\n0.7,123.4,30.5\n");
    }
}
