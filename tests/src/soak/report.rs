//! What a soak says in the end.

use std::fmt;

/// A table of what was done, and what went wrong.
#[derive(Clone, Debug, Default)]
pub struct Report {
    /// Name and figure, in order.
    pub rows: Vec<(String, String)>,
    /// Everything that went wrong, each with the command that shows it again.
    pub losses: Vec<String>,
}

impl Report {
    /// Adds a figure.
    pub fn row(&mut self, name: impl Into<String>, figure: impl ToString) {
        self.rows.push((name.into(), figure.to_string()));
    }

    /// Adds another report.
    pub fn add(&mut self, other: Self) {
        self.rows.extend(other.rows);
        self.losses.extend(other.losses);
    }
}

impl fmt::Display for Report {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "| what | how many |\n|---|---:|")?;
        for (name, figure) in &self.rows {
            writeln!(f, "| {name} | {figure} |")?;
        }
        writeln!(f, "| losses and broken laws | {} |", self.losses.len())
    }
}
