//! A stand's table out of a CSV file or a workbook (XLSX), within limits that hold before anything
//! is unpacked.

use std::io::{Cursor, Read as _};

use bolebook_core::entering::stand::Sheet;
use calamine::{Data, DataRef, Reader as _, Xlsx};

/// Most lines of one table.
pub const MOST_LINES: usize = 10_000;
const MOST_COLUMNS: u32 = 200;
/// Most bytes a workbook may unpack to.
const MOST_UNPACKED: u64 = 64 * 1024 * 1024;
/// Separators a table may have.
const SEPARATORS: [u8; 3] = [b',', b';', b'\t'];

/// Why a file cannot be read as a table.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum TableError {
    /// A workbook that cannot be read.
    #[error("the workbook cannot be read: {0}")]
    Workbook(String),
    /// One that unpacks to too much.
    #[error("the workbook unpacks to more than {} MB: save the stand's sheet alone", MOST_UNPACKED / 1024 / 1024)]
    TooMuch,
    /// The old binary format.
    #[error("this is a workbook of the old binary kind (XLS): save it as XLSX or CSV")]
    Old,
    /// A cell beyond any stand.
    #[error(
        "a sheet has at most {MOST_COLUMNS} columns and {MOST_LINES} lines; there is something in line {0}, column {1}"
    )]
    Beyond(u32, u32),
    /// A first line that cannot be read.
    #[error("line 1: {0}")]
    Head(String),
    /// Nothing below the names.
    #[error("the table has no lines below its column names")]
    Empty,
    /// Two columns of one name.
    #[error("two columns are called '{0}': give each a name of its own")]
    Twice(String),
    /// Too long.
    #[error("the table has {0} lines; at most {MOST_LINES} are added at once: split it")]
    TooLong(usize),
}

/// The table of a file, told apart by its first bytes.
///
/// # Errors
/// [`TableError`].
pub fn read(bytes: &[u8]) -> Result<Sheet, TableError> {
    if bytes.starts_with(&[0xd0, 0xcf, 0x11, 0xe0]) {
        return Err(TableError::Old);
    }
    let sheet = match bytes.starts_with(b"PK\x03\x04") {
        true => of_csv(&workbook(bytes)?, b',')?,
        false => of_csv(bytes, separator(bytes))?,
    };
    let mut names: Vec<String> =
        sheet.names.iter().filter(|n| !n.is_empty()).map(|n| n.to_lowercase()).collect();
    names.sort();
    if let Some(pair) = names.windows(2).find(|pair| pair[0] == pair[1]) {
        return Err(TableError::Twice(pair[0].chars().take(60).collect()));
    }
    match sheet.len() {
        0 => Err(TableError::Empty),
        n if n > MOST_LINES => Err(TableError::TooLong(n)),
        _ => Ok(sheet),
    }
}

fn of_csv(bytes: &[u8], separator: u8) -> Result<Sheet, TableError> {
    Sheet::of_csv(bytes, separator).map_err(|fault| TableError::Head(fault.why))
}

/// What most likely separates the columns: the sign that stands most often in the first line.
fn separator(bytes: &[u8]) -> u8 {
    let head = bytes.split(|b| *b == b'\n').next().unwrap_or(bytes);
    let count = |sign: u8| head.iter().filter(|b| **b == sign).count();
    let most = SEPARATORS.into_iter().rev().max_by_key(|s| count(*s));
    most.unwrap_or(b',')
}

/// A workbook's first sheet as CSV, one line a row.
fn workbook(bytes: &[u8]) -> Result<Vec<u8>, TableError> {
    let wrong = |e: &dyn std::fmt::Display| TableError::Workbook(e.to_string());
    unpacks_within_limits(bytes)?;
    let mut book: Xlsx<_> = Xlsx::new(Cursor::new(bytes)).map_err(|e| wrong(&e))?;
    let name = book.sheet_names().first().cloned().ok_or_else(|| wrong(&"it has no sheet"))?;
    let mut cells = book.worksheet_cells_reader(&name).map_err(|e| wrong(&e))?;
    let mut rows: Vec<Vec<String>> = vec![];
    // Cell by cell: a range would make room for every empty cell up to the last one.
    while let Some(cell) = cells.next_cell().map_err(|e| wrong(&e))? {
        let text = text_of(cell.get_value());
        if text.is_empty() {
            continue;
        }
        let (row, column) = cell.get_position();
        if column >= MOST_COLUMNS || row as usize > MOST_LINES {
            return Err(TableError::Beyond(row.saturating_add(1), column.saturating_add(1)));
        }
        let (row, column) = (row as usize, column as usize);
        rows.resize_with(rows.len().max(row + 1), Vec::new);
        let cells = &mut rows[row];
        cells.resize(cells.len().max(column + 1), String::new());
        cells[column] = text;
    }
    let width = rows.first().map_or(0, Vec::len);
    let mut out = csv_writer(&rows, width);
    out.push(b'\n');
    Ok(out)
}

/// Rows as CSV; a row that is shorter than the first line is filled up, for empty cells at its end
/// are not in a workbook.
fn csv_writer(rows: &[Vec<String>], width: usize) -> Vec<u8> {
    let quoted = |text: &str| format!("\"{}\"", text.replace('"', "\"\"").replace(['\r', '\n'], " "));
    let line = |row: &Vec<String>| {
        let cells = (0..width.max(row.len())).map(|at| quoted(row.get(at).map_or("", String::as_str)));
        cells.collect::<Vec<_>>().join(",")
    };
    rows.iter().map(line).collect::<Vec<_>>().join("\n").into_bytes()
}

fn text_of(value: &DataRef<'_>) -> String {
    match value {
        DataRef::String(text) => text.trim().to_owned(),
        DataRef::SharedString(text) => text.trim().to_owned(),
        DataRef::Int(number) => number.to_string(),
        // A workbook holds figures to 15 digits; the shortest text that is this very figure.
        DataRef::Float(number) => number.to_string(),
        DataRef::Empty => String::new(),
        other => Data::from(other.clone()).to_string(),
    }
}

/// Unpacks everything once and throws it away, so that the library never meets more than the limit.
fn unpacks_within_limits(bytes: &[u8]) -> Result<(), TableError> {
    let wrong = |e: &dyn std::fmt::Display| TableError::Workbook(e.to_string());
    let mut archive = zip::ZipArchive::new(Cursor::new(bytes)).map_err(|e| wrong(&e))?;
    if archive.len() > 1_000 {
        return Err(TableError::TooMuch);
    }
    let mut left = MOST_UNPACKED;
    for at in 0..archive.len() {
        let entry = archive.by_index(at).map_err(|e| wrong(&e))?;
        let read = std::io::copy(&mut entry.take(left + 1), &mut std::io::sink()).map_err(|e| wrong(&e))?;
        left = left.checked_sub(read).ok_or(TableError::TooMuch)?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sheet(cells: &[(u32, u16, &str)]) -> Vec<u8> {
        let mut book = rust_xlsxwriter::Workbook::new();
        let sheet = book.add_worksheet();
        for (row, column, text) in cells {
            match text.parse::<f64>() {
                Ok(number) => sheet.write_number(*row, *column, number).unwrap(),
                Err(_) => sheet.write_string(*row, *column, *text).unwrap(),
            };
        }
        book.save_to_buffer().unwrap()
    }

    #[test]
    fn outside_a_workbook_is_read_as_its_first_sheet_stands() {
        let bytes = sheet(&[
            (0, 0, "tag"),
            (0, 1, "dbh"),
            (1, 0, "A-1"),
            (1, 1, "29.9"),
            (2, 0, "A \"2\"\nb"),
            (4, 0, "A-5"),
            (4, 1, "31"),
        ]);
        let table = read(&bytes).unwrap();
        assert_eq!((table.names.as_slice(), table.len()), (&["tag".to_owned(), "dbh".to_owned()][..], 4));
        let rows: Vec<Vec<String>> = table.first(9).collect();
        assert_eq!(rows, [["A-1", "29.9"], ["A \"2\" b", ""], ["", ""], ["A-5", "31"]]);
    }

    #[test]
    fn a_workbook_that_unpacks_to_more_than_the_limit_is_refused_unread() {
        use std::io::Write as _;
        let mut archive = zip::ZipWriter::new(Cursor::new(vec![]));
        archive.start_file("xl/workbook.xml", zip::write::SimpleFileOptions::default()).unwrap();
        let zeros = vec![0; 1024 * 1024];
        (0..65).for_each(|_| archive.write_all(&zeros).unwrap());
        let bytes = archive.finish().unwrap().into_inner();
        assert!(bytes.len() < 1024 * 1024, "it is small as it comes");
        assert_eq!(read(&bytes).unwrap_err(), TableError::TooMuch);
    }

    #[test]
    fn the_separator_is_seen_and_broken_files_are_named() {
        for text in [
            "tag,dbh\nA-1,30\n",
            "tag;dbh\nA-1;30,5\n",
            "tag\tdbh\nA-1\t30\n",
            "\u{feff}tag,dbh\r\nA-1,30\r\n",
        ] {
            assert_eq!(read(text.as_bytes()).unwrap().names, ["tag", "dbh"], "{text}");
        }
        assert_eq!(read(b"tag,dbh\n").unwrap_err(), TableError::Empty);
        assert_eq!(read(b"Tag,tag\n1,2\n").unwrap_err(), TableError::Twice("tag".into()));
        assert_eq!(read(b"\xd0\xcf\x11\xe0rest").unwrap_err(), TableError::Old);
        assert!(matches!(read(b"PK\x03\x04rest").unwrap_err(), TableError::Workbook(_)));
        let far = sheet(&[(0, 0, "tag"), (1_048_575, 16_383, "x")]);
        assert_eq!(read(&far).unwrap_err(), TableError::Beyond(1_048_576, 16_384));
        let long = "tag\n".to_owned() + &"x\n".repeat(MOST_LINES + 1);
        assert_eq!(read(long.as_bytes()).unwrap_err(), TableError::TooLong(MOST_LINES + 1));
        for odd in [&b""[..], b"\n", b"\"", b"\0\0\0"] {
            drop(read(odd));
        }
    }
}
