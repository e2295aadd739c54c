//! What a season takes, worked out from what was measured and what is assumed: processors, bytes, what a
//! tree costs, and what runs out first.

use super::habits::Habits;
use super::measured::{Measured, RECORDS_A_TREE};
use super::season::Machines;

/// How much of a processor's time is planned for in the busiest hour: above it waits grow quickly.
pub const PLANNED: f64 = 0.7;

/// What one of something bears of crews, and one more crew's part of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Bears {
    /// What it is.
    pub what: &'static str,
    /// How many crews it bears.
    pub crews: f64,
    /// What moves it.
    pub moved_by: &'static str,
}

/// What a tree costs, from being logged to the season's end.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TreeCost {
    /// Processor seconds of servers for its exchange.
    pub server_s: f64,
    /// Of the database.
    pub database_s: f64,
    /// Of servers for its photos.
    pub photo_s: f64,
    /// Of the database for them.
    pub photo_database_s: f64,
    /// Bytes in the database.
    pub database_bytes: f64,
    /// Bytes of photos.
    pub photo_bytes: f64,
    /// Bytes up, exchange and photos.
    pub up_bytes: f64,
}

/// What a tree costs.
pub fn tree(habits: &Habits, measured: &Measured) -> TreeCost {
    let (server_s, database_s) = measured.a_tree();
    let photo_bytes = habits.photos_a_tree * habits.photo_bytes;
    TreeCost {
        server_s: server_s * habits.sent(),
        database_s: database_s * habits.sent(),
        photo_s: habits.photos_a_tree * habits.photo_s(measured),
        photo_database_s: habits.photos_a_tree * measured.photo_database_s.value,
        database_bytes: RECORDS_A_TREE * measured.database_bytes_a_record.value,
        photo_bytes,
        up_bytes: measured.up_bytes_a_tree.value * habits.sent() + photo_bytes,
    }
}

/// Trees of all crews that go through the servers in the busiest hour of a mean day.
pub fn busiest_trees(habits: &Habits) -> f64 {
    let a_day = habits.season_trees() / habits.days as f64;
    a_day * habits.busiest() * habits.sent()
}

/// Processor seconds of servers and database in the busiest hour of a mean day, exchanges alone.
pub fn busiest_hour(habits: &Habits, measured: &Measured) -> (f64, f64) {
    let (server_s, database_s) = measured.a_tree();
    (busiest_trees(habits) * server_s, busiest_trees(habits) * database_s)
}

/// Fewest processors that are not always at work in the busiest hour.
pub fn at_least(habits: &Habits, measured: &Measured) -> Machines {
    let (server_s, database_s) = busiest_hour(habits, measured);
    let processors = |s: f64| (s / 3_600.0).floor() as usize + 1;
    Machines { servers: processors(server_s), database: processors(database_s) }
}

/// Processors for the busiest hour with [`PLANNED`] of their time.
pub fn planned(habits: &Habits, measured: &Measured) -> Machines {
    let (server_s, database_s) = busiest_hour(habits, measured);
    let processors = |s: f64| (s / 3_600.0 / PLANNED).ceil().max(1.0) as usize;
    Machines { servers: processors(server_s), database: processors(database_s) }
}

/// How many crews one of each thing bears, fewest first.
pub fn limits(habits: &Habits, measured: &Measured) -> Vec<Bears> {
    let crews = habits.crews as f64;
    let (server_s, database_s) = busiest_hour(habits, measured);
    let (a_crew, cost) = (habits.season_trees() / crews, tree(habits, measured));
    let hour = PLANNED * 3_600.0;
    // Photos come over the crew's line in the hours after work: as spread out as they are at all.
    let photos_by = |a_tree_s: f64| hour / (a_crew / habits.days as f64 * a_tree_s * habits.busiest());
    let bits_busiest = busiest_trees(habits) / crews * cost.up_bytes * 8.0;
    let mut all = vec![
        Bears {
            what: "a processor of the servers, exchanges",
            crews: hour * crews / server_s,
            moved_by: "further processes, which add up (above)",
        },
        Bears {
            what: "a processor of the servers, photos",
            crews: photos_by(cost.photo_s),
            moved_by: "photos later in the evening; smaller ones: what a thumbnail costs grows with the pixels",
        },
        Bears {
            what: "a processor of the database, photos",
            crews: photos_by(cost.photo_database_s),
            moved_by: "larger pieces where the line bears them: each is a transaction",
        },
        Bears {
            what: "a processor of the database, exchanges",
            crews: hour * crews / database_s,
            moved_by: "yards over several databases, which share nothing; fewer index entries a record",
        },
        Bears {
            what: "a line of 1 Gbit/s, upwards, with photos",
            crews: PLANNED * 1e9 * 3_600.0 / bits_busiest,
            moved_by: "photos later in the evening, or smaller; a second line",
        },
        Bears {
            what: "1 TB of the database, one season",
            crews: 1e12 / (a_crew * cost.database_bytes),
            moved_by: "fewer index entries a record: they are a third of it, lines lie packed",
        },
        Bears {
            what: "1 TB of photos, one season",
            crews: 1e12 / (a_crew * cost.photo_bytes),
            moved_by: "cheaper storage: photos are read seldom and never changed",
        },
    ];
    all.sort_by(|a, b| a.crews.total_cmp(&b.crews));
    all
}
