//! Workbooks (ECMA-376) for a spreadsheet: every cell is a figure or text, none a formula.

use std::borrow::Cow;

use bolebook_core::export::{Names, applications_csv, inert, trees_csv};
use bolebook_core::finding::{Finding, State};
use bolebook_core::view::View;
use rust_xlsxwriter::{DocProperties, ExcelDateTime, Format, Workbook, XlsxError};

use crate::ReportError;

/// Media type of a workbook.
pub const XLSX: &str = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet";

/// Columns that hold figures, so that a spreadsheet can add them up. Everything else is written as
/// text, which no spreadsheet runs.
fn is_figure(column: &str) -> bool {
    column.starts_with("amount")
        || ["_cm", "_ml", "_pct", "_kpa"].iter().any(|end| column.ends_with(end))
        || [
            "stems",
            "stems_without_diameter",
            "trees",
            "hours",
            "holes",
            "applications",
            "lat",
            "lon",
            "stem",
        ]
        .contains(&column)
}

/// Most of a text in a cell, in UTF-16 units: a spreadsheet takes 32,767 (ECMA-376, and the writing library
/// refuses more), and the words that it goes on need room.
const MOST_OF_A_CELL: usize = 32_000;

/// A text as a cell takes it: what does not fit is said, and stands whole in the tables as text.
fn fitting(cell: &str) -> Cow<'_, str> {
    let mut units = 0;
    let mut room = |c: char| {
        units += c.len_utf16();
        units > MOST_OF_A_CELL
    };
    match cell.char_indices().find(|(_, c)| room(*c)) {
        None => Cow::Borrowed(cell),
        Some((end, _)) => {
            let (shown, left) = (cell.get(..end).unwrap_or_default(), cell.get(end..).unwrap_or_default());
            Cow::Owned(format!("{shown} … ({} more characters: see the CSV)", left.chars().count()))
        }
    }
}

fn sheet(book: &mut Workbook, name: &str, csv_text: &str) -> Result<(), ReportError> {
    let failed = |e: XlsxError| ReportError::Workbook(e.to_string());
    let head = Format::new().set_bold();
    let sheet = book.add_worksheet().set_name(name).map_err(failed)?;
    let mut columns: Vec<String> = vec![];
    for (row, record) in read_csv(csv_text).into_iter().enumerate() {
        let row_number = u32::try_from(row).map_err(|e| ReportError::Workbook(e.to_string()))?;
        for (i, cell) in record.iter().enumerate() {
            let column = u16::try_from(i).map_err(|e| ReportError::Workbook(e.to_string()))?;
            let figure =
                columns.get(i).is_some_and(|c| is_figure(c)).then(|| cell.parse::<f64>().ok()).flatten();
            match (row, figure) {
                (0, _) => sheet.write_string_with_format(row_number, column, cell, &head),
                (_, Some(figure)) => sheet.write_number(row_number, column, figure),
                _ => sheet.write_string(row_number, column, fitting(cell)),
            }
            .map_err(failed)?;
        }
        if row == 0 {
            columns = record;
        }
    }
    sheet.set_freeze_panes(1, 0).map_err(failed)?;
    Ok(())
}

/// Records of a text this program wrote itself (RFC 4180).
pub fn read_csv(text: &str) -> Vec<Vec<String>> {
    let (mut rows, mut row, mut cell, mut quoted) = (vec![], vec![], String::new(), false);
    let mut signs = text.chars().peekable();
    while let Some(c) = signs.next() {
        match (c, quoted) {
            ('"', true) if signs.peek() == Some(&'"') => {
                signs.next();
                cell.push('"');
            }
            ('"', _) => quoted = !quoted,
            (',', false) => row.push(std::mem::take(&mut cell)),
            ('\r', false) => {}
            ('\n', false) => {
                row.push(std::mem::take(&mut cell));
                rows.push(std::mem::take(&mut row));
            }
            (c, _) => cell.push(c),
        }
    }
    rows
}

/// A workbook that says which state it shows, dated by the state.
fn dated(view: &View<'_>) -> Result<Workbook, ReportError> {
    let failed = |e: XlsxError| ReportError::Workbook(e.to_string());
    let mut book = Workbook::new();
    let made = view.local_time(newest(view));
    let made =
        ExcelDateTime::parse_from_str(made.get(..19).unwrap_or("2020-01-01T00:00:00")).map_err(failed)?;
    let about = format!("State {}", view.state_digest());
    book.set_properties(
        &DocProperties::new().set_title(&view.title).set_comment(&about).set_creation_datetime(&made),
    );
    Ok(book)
}

/// The sheet that names the state.
fn state_sheet(book: &mut Workbook, view: &View<'_>) -> Result<(), ReportError> {
    let mut heads = String::from("what,value\n");
    heads.push_str(&format!("state,{}\n", view.state_digest()));
    for (name, all) in [("job head", &view.heads), ("yard head", &view.yard.heads)] {
        for head in all {
            heads.push_str(&format!("{name},{head}\n"));
        }
    }
    sheet(book, "State", &heads)
}

/// A table as a workbook of its own. The same table gives the same bytes.
///
/// # Errors
/// [`ReportError`] when it cannot be written.
pub fn one_sheet(view: &View<'_>, name: &str, csv_text: &str) -> Result<Vec<u8>, ReportError> {
    let mut book = dated(view)?;
    sheet(&mut book, name, csv_text)?;
    state_sheet(&mut book, view)?;
    book.save_to_buffer().map_err(|e| ReportError::Workbook(e.to_string()))
}

/// A workbook of trees, applications and findings. The same state gives the same bytes.
///
/// # Errors
/// [`ReportError`] when it cannot be written.
pub fn workbook(view: &View<'_>, all: &[Finding], names: &impl Names) -> Result<Vec<u8>, ReportError> {
    let failed = |e: XlsxError| ReportError::Workbook(e.to_string());
    let mut book = dated(view)?;
    sheet(&mut book, "Trees", &trees_csv(view, all)?)?;
    let applications = applications_csv(view, all, names)?;
    sheet(&mut book, "Applications", &applications)?;
    let mut findings = String::from("finding,severity,kind,message,state,reason,done,reported\n");
    for f in all {
        let quote = |t: &str| format!("\"{}\"", inert(t).replace('"', "\"\""));
        let (state, reason, done, reported) = match &f.state {
            State::Settled { decision, reason, done, reported, .. } => {
                let text = |t: &Option<String>| t.clone().unwrap_or_default();
                (decision.replace('_', " "), reason.clone(), text(done), text(reported))
            }
            _ => ("open".into(), String::new(), String::new(), String::new()),
        };
        let cells = [&f.message, &state, &reason, &done, &reported].map(|t| quote(t)).join(",");
        findings.push_str(&format!("{},{:?},{},{cells}\n", f.id, f.severity, f.code.name()));
    }
    sheet(&mut book, "Findings", &findings)?;
    state_sheet(&mut book, view)?;
    book.save_to_buffer().map_err(failed)
}

/// The time of the newest record: what a file made from this state is dated by.
pub(crate) fn newest(view: &View<'_>) -> bolebook_core::quantity::UtcMs {
    view.facts.versions.iter().map(|v| v.record.envelope.at).max().unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_text_too_long_for_a_cell_is_cut_between_characters_and_says_so() {
        assert_eq!(fitting("short"), "short");
        // Two UTF-16 units each, as a spreadsheet counts them.
        let long = "𝒳".repeat(20_000);
        let cut = fitting(&long);
        assert!(cut.ends_with(" … (4000 more characters: see the CSV)"), "{}", &cut[cut.len() - 60..]);
        assert!(cut.encode_utf16().count() < 32_767);
        let fits = "x".repeat(MOST_OF_A_CELL);
        assert_eq!(fitting(&fits), fits);
    }
}
