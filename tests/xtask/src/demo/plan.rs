//! Who goes where, and what goes wrong: chosen from any mapped stand, the same for the same stand.

use crate::process::TaskError;
use crate::stand::StandTree;

/// The crews of the story.
pub const CREWS: [&str; 3] = ["Alder", "Birch", "Cedar"];
/// Most trees a crew visits in the day.
const VISITS: usize = 40;
/// Smallest diameter of the invented label, in millimetres.
const SMALLEST_MM: i64 = 120;
/// Listings of one tree are told apart within this distance, in decimetres.
const NEIGHBOURHOOD_DM: i64 = 250;

/// The day as planned, with what goes wrong in it. Trees are indices into `trees`.
pub struct Plan {
    /// The stand.
    pub trees: Vec<StandTree>,
    /// The trees each crew visits, in walking order.
    pub visits: [Vec<usize>; 3],
    /// Treated by Alder and by Birch.
    pub twice: usize,
    /// Given more than the label allows, by Birch.
    pub overdosed: usize,
    /// Treated from an expired lot, by Cedar.
    pub expired: usize,
    /// Listed again under another tag, by Cedar.
    pub listed_again: usize,
    /// Measured by Birch quite unlike the map.
    pub disagrees: usize,
    /// Amended by Alder's phone after the sign-off.
    pub amended_late: usize,
}

impl Plan {
    /// Plans a day on a stand.
    ///
    /// # Errors
    /// [`TaskError::Arguments`] when the stand is too small to plant everything in.
    pub fn of(trees: &[StandTree]) -> Result<Self, TaskError> {
        let mut order: Vec<usize> = (0..trees.len()).collect();
        order.sort_by_key(|i| (trees[*i].x_dm, trees[*i].y_dm, *i));
        let strip = trees.len().div_ceil(3).max(1);
        let mut visits: [Vec<usize>; 3] = [vec![], vec![], vec![]];
        for (crew, trees_of_strip) in order.chunks(strip).enumerate().take(3) {
            let mut walk = trees_of_strip.to_vec();
            walk.sort_by_key(|i| (trees[*i].y_dm, trees[*i].x_dm, *i));
            visits[crew] = walk;
        }
        let alone = |i: &usize| is_alone(trees, *i);
        let listed_again = visits[2].iter().copied().filter(|i| usual(&trees[*i])).find(alone);
        let listed_again = listed_again.ok_or_else(|| too_small("no tree stands out from its neighbours"))?;
        visits[2].retain(|i| *i != listed_again);
        for walk in &mut visits {
            walk.truncate(VISITS);
        }
        let pick = |crew: usize, nth: usize| {
            let mut fit = visits[crew].iter().copied().filter(|i| usual(&trees[*i]));
            fit.nth(nth).ok_or_else(|| too_small("a crew finds fewer than eight trees of 15 to 60 cm"))
        };
        Ok(Self {
            twice: pick(0, 3)?,
            amended_late: pick(0, 5)?,
            overdosed: pick(1, 2)?,
            disagrees: pick(1, 6)?,
            expired: pick(2, 4)?,
            listed_again,
            trees: trees.to_vec(),
            visits,
        })
    }

    /// The tag of a tree: they are numbered in the order of the file.
    pub fn tag(&self, tree: usize) -> String {
        format!("P-{}", tree + 1)
    }

    /// Whether the label has a rate for a diameter.
    pub fn tall_enough(dbh_mm: i64) -> bool {
        dbh_mm >= SMALLEST_MM
    }

    /// What the crew reads off its girth tape: the mapped girth, off by a few thousandths that
    /// follow from the tree's number, to the millimetre.
    pub fn girth_mm(&self, tree: usize) -> i64 {
        let off = (tree as i64 * 7 + 3) % 7 - 3;
        let dbh = if tree == self.disagrees {
            self.trees[tree].dbh_mm * 112 / 100
        } else {
            self.trees[tree].dbh_mm
        };
        dbh * (31_416 + off * 31) / 10_000
    }
}

fn too_small(why: &str) -> TaskError {
    TaskError::Arguments(format!("the stand is too small or too uniform for the demo: {why}"))
}

/// A tree nothing special would be expected of.
fn usual(tree: &StandTree) -> bool {
    (150..=600).contains(&tree.dbh_mm)
}

/// Whether no other tree near it has nearly its diameter.
fn is_alone(trees: &[StandTree], tree: usize) -> bool {
    let it = &trees[tree];
    trees.iter().enumerate().filter(|(other, _)| *other != tree).all(|(_, other)| {
        let (dx, dy) = (other.x_dm - it.x_dm, other.y_dm - it.y_dm);
        let far = dx * dx + dy * dy > NEIGHBOURHOOD_DM * NEIGHBOURHOOD_DM;
        far || (other.dbh_mm - it.dbh_mm).abs() * 100 > it.dbh_mm * 8
    })
}
