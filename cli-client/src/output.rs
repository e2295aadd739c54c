//! What a command answers: text for people, one JSON document for programs.

use std::io::Write;

use serde_json::{Map, Value};

/// A command's answer.
#[derive(Clone, Debug, Default)]
pub struct Answer {
    /// For programs (`--json`).
    pub json: Map<String, Value>,
    /// For people, one line each.
    pub text: Vec<String>,
    /// What to be careful about, shown on the error stream before the text.
    pub cautions: Vec<String>,
    /// What is odd about what was done, shown on the error stream after the text.
    pub warnings: Vec<String>,
    /// The exit code: 0, or 3 when open findings stop a day.
    pub exit: u8,
}

impl Answer {
    /// An answer of one line.
    pub fn line(text: impl Into<String>) -> Self {
        Self { text: vec![text.into()], ..Self::default() }
    }

    /// The same with a field for programs.
    #[must_use]
    pub fn with(mut self, name: &str, value: impl Into<Value>) -> Self {
        self.json.insert(name.into(), value.into());
        self
    }

    /// Adds a line.
    pub fn say(&mut self, line: impl Into<String>) {
        self.text.push(line.into());
    }

    /// Adds a table.
    pub fn table(&mut self, table: &Table) {
        self.text.extend(table.lines());
    }

    /// Prints the answer.
    pub fn print(mut self, json: bool) {
        if json {
            for (name, lines) in [("cautions", &self.cautions), ("warnings", &self.warnings)] {
                if !lines.is_empty() {
                    self.json.insert(name.into(), lines.clone().into());
                }
            }
            put(std::io::stdout(), &[format!("{:#}", Value::Object(self.json))]);
            return;
        }
        let marked =
            |mark: &str, lines: &[String]| lines.iter().map(|l| format!("{mark}: {l}")).collect::<Vec<_>>();
        put(std::io::stderr(), &marked("CAUTION", &self.cautions));
        put(std::io::stdout(), &self.text);
        put(std::io::stderr(), &marked("warning", &self.warnings));
    }
}

/// Writes lines. A reader that has gone (a closed pipe) is no reason to fail: what was done is done.
pub fn put(mut to: impl Write, lines: &[String]) {
    for line in lines {
        if writeln!(to, "{line}").is_err() {
            return;
        }
    }
    let _ = to.flush();
}

/// The widest a table gets.
const WIDTH: usize = 80;

/// A table for people: columns as wide as their widest cell, the whole at most 80 characters.
#[derive(Clone, Debug)]
pub struct Table {
    head: Vec<&'static str>,
    right: Vec<usize>,
    rows: Vec<Vec<String>>,
}

impl Table {
    /// A table with these columns.
    pub fn new(head: &[&'static str]) -> Self {
        Self { head: head.to_vec(), right: vec![], rows: vec![] }
    }

    /// Sets columns of figures flush right.
    #[must_use]
    pub fn right(mut self, columns: &[usize]) -> Self {
        self.right = columns.to_vec();
        self
    }

    /// Adds a row.
    pub fn row(&mut self, cells: impl IntoIterator<Item = String>) {
        self.rows.push(cells.into_iter().collect());
    }

    /// Its lines; none when it has no rows.
    pub fn lines(&self) -> Vec<String> {
        if self.rows.is_empty() {
            return vec![];
        }
        let mut widths: Vec<usize> = self.head.iter().map(|h| h.chars().count()).collect();
        for row in &self.rows {
            for (width, cell) in widths.iter_mut().zip(row) {
                *width = (*width).max(cell.chars().count());
            }
        }
        shrink(&mut widths);
        let head: Vec<String> = self.head.iter().map(|h| (*h).to_owned()).collect();
        std::iter::once(&head).chain(&self.rows).map(|row| self.line(row, &widths)).collect()
    }

    fn line(&self, row: &[String], widths: &[usize]) -> String {
        let mut line = String::new();
        for (column, (cell, width)) in row.iter().zip(widths).enumerate() {
            if column > 0 {
                line.push_str("  ");
            }
            let cell = cut(cell, *width);
            if self.right.contains(&column) {
                line.push_str(&format!("{cell:>width$}"));
            } else {
                line.push_str(&format!("{cell:<width$}"));
            }
        }
        line.trim_end().to_owned()
    }
}

/// Takes from the widest column until the table fits.
fn shrink(widths: &mut [usize]) {
    let room = WIDTH.saturating_sub(2 * widths.len().saturating_sub(1));
    while widths.iter().sum::<usize>() > room {
        let Some(widest) = widths.iter_mut().max() else { return };
        if *widest <= 8 {
            return;
        }
        *widest -= 1;
    }
}

fn cut(cell: &str, width: usize) -> String {
    if cell.chars().count() <= width {
        return cell.to_owned();
    }
    let kept: String = cell.chars().take(width.saturating_sub(1)).collect();
    format!("{kept}…")
}

/// The end of an id: enough to name it by, and unlike the beginning different at one moment.
pub fn short(id: impl std::fmt::Display) -> String {
    let text = id.to_string();
    let from = text.len().saturating_sub(8);
    text.get(from..).unwrap_or(&text).to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_table_never_gets_wider_than_80_characters() {
        let mut table = Table::new(&["tag", "message", "figure"]).right(&[2]);
        table.row(["1".into(), "a long message ".repeat(20), "2.5".into()]);
        for line in table.lines() {
            assert!(line.chars().count() <= 80, "{line}");
        }
        assert!(table.lines()[1].ends_with("  2.5") || table.lines()[1].ends_with("   2.5"));
    }
}
