//! The tables of docs/scale.md: what the model works out of the measured figures, and what the last season
//! that was played came to (docs/benchmarks/season.json).

use std::fmt::Write as _;

use serde::{Deserialize, Serialize};

use super::habits::Habits;
use super::measured::Measured;
use super::model::{PLANNED, limits, planned, tree};
use super::season::Played;
use crate::root;

/// Crews of the season that is worked out and played.
pub const CREWS: usize = 10_000;

/// A played season as it is kept.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Kept {
    /// What it was played from: when that has changed, it is to be played again.
    pub measured: Measured,
    /// With how many processors: servers, database.
    pub processors: [usize; 2],
    /// What it came to.
    #[serde(flatten)]
    pub played: Played,
}

impl Kept {
    /// A season as it is kept.
    pub fn of(played: &Played, measured: &Measured, processors: [usize; 2]) -> Self {
        Self { measured: measured.clone(), processors, played: played.clone() }
    }

    /// The last one.
    ///
    /// # Panics
    /// When the file is not there or not of this form.
    pub fn read() -> Self {
        let text = std::fs::read_to_string(root().join("docs/benchmarks/season.json"));
        serde_json::from_str(&text.expect("docs/benchmarks/season.json is there")).expect("a played season")
    }
}

/// The generated part of docs/scale.md.
pub fn tables() -> String {
    let (habits, measured) = (Habits::of(CREWS), Measured::read());
    let mut out = String::new();
    inputs(&mut out, &measured);
    bears(&mut out, &habits, &measured);
    costs(&mut out, &habits, &measured);
    played(&mut out, &Kept::read());
    out.trim_end().to_owned()
}

// Writing into a string cannot fail.
fn inputs(out: &mut String, m: &Measured) {
    let _ = writeln!(out, "### What was measured\n\n| figure | value | from |\n|---|---|---|");
    let rows = [
        ("servers' processor, an exchange of a day of 400 trees", &m.server_s_a_day, "s"),
        ("database's processor, the same", &m.database_s_a_day, "s"),
        ("days that one book takes", &m.one_book_days_a_second, "a second"),
        ("bytes in the database for a record", &m.database_bytes_a_record, "B"),
        ("of them indices", &m.index_share, ""),
        ("bytes up for a tree, without photos", &m.up_bytes_a_tree, "B"),
        ("servers' processor, a photo of 2 MB taken in", &m.photo_s, "s"),
        ("database's processor, the same", &m.photo_database_s, "s"),
        ("servers' processor, a thumbnail of 12 million pixels", &m.thumbnail_s, "s"),
    ];
    for (what, figure, unit) in rows {
        let _ = writeln!(out, "| {what} | {} {unit} | {} |", short(figure.value), figure.from);
    }
}

fn bears(out: &mut String, habits: &Habits, measured: &Measured) {
    let _ = writeln!(
        out,
        "\n### What runs out first\n\nEach by itself, planned for {:.0} % of its time in the busiest hour, which brings {:.0} % of a day's trees:\n\n| one of these | bears crews | what moves it |\n|---|---|---|",
        PLANNED * 100.0,
        habits.busiest() * 100.0
    );
    let limits = limits(habits, measured);
    for limit in &limits {
        let _ = writeln!(out, "| {} | {} | {} |", limit.what, short(limit.crews), limit.moved_by);
    }
    let photos = |of: &str| {
        let bears =
            limits.iter().find(|l| l.what.ends_with("photos") && l.what.contains(of)).map(|l| l.crews);
        short(habits.crews as f64 / bears.unwrap_or(f64::INFINITY))
    };
    let machines = planned(habits, measured);
    let _ = writeln!(
        out,
        "\nFor {} crews that comes to {} of the servers' processors for exchanges and {} of the database's, and to {} and {} more for their photos in the same hour.",
        short(habits.crews as f64),
        machines.servers,
        machines.database,
        photos("servers"),
        photos("database")
    );
}

fn costs(out: &mut String, habits: &Habits, measured: &Measured) {
    let cost = tree(habits, measured);
    let _ = writeln!(
        out,
        "\n### What a tree costs\n\n| | a tree | the season of {} million trees |\n|---|---|---|",
        short(habits.season_trees() / 1e6)
    );
    let trees = habits.season_trees();
    for (what, s) in [
        ("servers' processor, exchange", cost.server_s),
        ("database's processor, exchange", cost.database_s),
        ("servers' processor, photos", cost.photo_s),
        ("database's processor, photos", cost.photo_database_s),
    ] {
        let _ = writeln!(out, "| {what} | {} ms | {} hours |", short(s * 1e3), short(s * trees / 3_600.0));
    }
    for (what, bytes) in [
        ("in the database", cost.database_bytes),
        ("in photos", cost.photo_bytes),
        ("up the line", cost.up_bytes),
    ] {
        let _ = writeln!(out, "| {what} | {} kB | {} TB |", short(bytes / 1e3), short(bytes * trees / 1e12));
    }
}

fn played(out: &mut String, kept: &Kept) {
    let ([servers, database], p) = (kept.processors, &kept.played);
    let _ = writeln!(
        out,
        "\n### The season as it was played\n\n{} crews, {} thousand exchanges of {} million trees; processors: {servers} of the servers, {database} of the database:\n\n| seconds | median | 90 % | 99 % | 99.9 % | longest |\n|---|---|---|---|---|---|",
        short(CREWS as f64),
        short(p.exchanges as f64 / 1e3),
        short(p.trees as f64 / 1e6)
    );
    for (what, of) in [("until answered", p.answered_s), ("of it in line", p.waited_s)] {
        let cells: Vec<String> = of.iter().map(|s| short(*s)).collect();
        let _ = writeln!(out, "| {what} | {} |", cells.join(" | "));
    }
    let _ = writeln!(
        out,
        "\n| hour (UTC) | servers at work | database at work | processors kept by photos |\n|---|---|---|---|"
    );
    // From noon to noon: the evening in one piece.
    for hour in (12..36).map(|h| h % 24) {
        let [servers, database] = p.busy[hour];
        if servers.max(database) >= 0.005 || p.photos[hour] >= 0.05 {
            let _ = writeln!(
                out,
                "| {hour} | {:.0} % | {:.0} % | {} |",
                servers * 100.0,
                database * 100.0,
                short(p.photos[hour])
            );
        }
    }
    let hours = p.processor_s.map(|s| short(s / 3_600.0));
    let bytes = p.bytes.map(|b| short(b / 1e12));
    let _ = writeln!(
        out,
        "\nProcessor hours: servers {}, database {}, photos {}. Terabytes: up in exchanges {}, in the database {}, photos {}.",
        hours[0], hours[1], hours[2], bytes[0], bytes[1], bytes[2]
    );
}

/// A figure to three places that count, with commas for thousands.
fn short(value: f64) -> String {
    if value == 0.0 {
        return "0".into();
    }
    let places = 2 - libm::log10(value.abs()).floor() as i32;
    let scale = libm::pow(10.0, f64::from(places));
    let rounded = (value * scale).round() / scale;
    let text = format!("{rounded:.*}", usize::try_from(places).unwrap_or(0));
    let (whole, rest) =
        text.split_once('.').map_or((text.as_str(), String::new()), |(w, r)| (w, format!(".{r}")));
    let digits: Vec<char> = whole.chars().collect();
    let mut out = String::new();
    for (i, digit) in digits.iter().enumerate() {
        if i > 0 && (digits.len() - i).is_multiple_of(3) && *digit != '-' {
            out.push(',');
        }
        out.push(*digit);
    }
    out + &rest
}
