//! Exports on their way out in parts, so that a season's table is never whole in memory.
//!
//! What takes the parts is the caller's: a text, a file, an answer. The parts together are the export;
//! where one ends means nothing.

use std::fmt::Write;

use crate::export::ExportError;
use crate::export::schema::Field;

/// Rows kept back before they are handed on, in bytes.
const PART: usize = 32 << 10;

/// All that a writer of parts writes, as one text: for exports that are short, and for tests.
///
/// # Errors
/// The writer's own.
pub fn whole(write: impl FnOnce(&mut dyn Write) -> Result<(), ExportError>) -> Result<String, ExportError> {
    let mut text = String::new();
    write(&mut text)?;
    Ok(text)
}

/// A table (RFC 4180) on its way out.
pub(super) struct Table<'o> {
    out: &'o mut dyn Write,
    columns: Vec<&'static str>,
    rows: csv::Writer<Vec<u8>>,
    /// How many bytes at the beginning of `rows` were handed on before.
    known: usize,
}

impl<'o> Table<'o> {
    /// With these columns.
    pub(super) fn new(out: &'o mut dyn Write, columns: &[&'static str]) -> Result<Self, ExportError> {
        Ok(Self { out, columns: columns.to_vec(), rows: headed(columns)?, known: 0 })
    }

    /// With the columns of its fields.
    pub(super) fn of(out: &'o mut dyn Write, fields: &[Field]) -> Result<Self, ExportError> {
        Self::new(out, &fields.iter().map(|f| f.name).collect::<Vec<_>>())
    }

    /// Adds a row, which has a cell for every column.
    pub(super) fn row<T: AsRef<[u8]>>(
        &mut self,
        cells: impl IntoIterator<Item = T>,
    ) -> Result<(), ExportError> {
        self.rows.write_record(cells)?;
        if self.rows.get_ref().len() < PART { Ok(()) } else { self.hand_on() }
    }

    fn hand_on(&mut self) -> Result<(), ExportError> {
        // Every part begins with the columns, so that each row is held against them; they go out once.
        let next = headed(&self.columns)?;
        let rows = std::mem::replace(&mut self.rows, next);
        let bytes = rows.into_inner().map_err(|e| ExportError::Csv(e.into_error().into()))?;
        let text = std::str::from_utf8(&bytes).map_err(|_| ExportError::Utf8)?;
        self.out.write_str(text.get(self.known..).unwrap_or_default())?;
        self.known = head_bytes(&self.columns)?;
        Ok(())
    }

    /// Hands the last rows on.
    pub(super) fn end(mut self) -> Result<(), ExportError> {
        self.hand_on()
    }
}

fn headed(columns: &[&str]) -> Result<csv::Writer<Vec<u8>>, ExportError> {
    let mut rows = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(vec![]);
    rows.write_record(columns)?;
    Ok(rows)
}

fn head_bytes(columns: &[&str]) -> Result<usize, ExportError> {
    let bytes = headed(columns)?.into_inner().map_err(|e| ExportError::Csv(e.into_error().into()))?;
    Ok(bytes.len())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Counts what it is given, and gives up after so many parts.
    struct Parts(Vec<usize>, usize);

    impl Write for Parts {
        fn write_str(&mut self, text: &str) -> std::fmt::Result {
            self.0.push(text.len());
            if self.0.len() > self.1 { Err(std::fmt::Error) } else { Ok(()) }
        }
    }

    fn long(out: &mut dyn Write) -> Result<(), ExportError> {
        let mut table = Table::new(out, &["a", "b"])?;
        for n in 0..20_000 {
            table.row([n.to_string(), "x, \"y\"\n".repeat(n % 7)])?;
        }
        table.end()
    }

    #[test]
    fn a_long_table_goes_out_in_short_parts_that_make_the_same_text() {
        let mut parts = Parts(vec![], usize::MAX);
        long(&mut parts).unwrap();
        assert!(parts.0.len() > 10 && parts.0.iter().all(|part| *part < 2 * PART), "{:?}", parts.0);
        let mut rows = headed(&["a", "b"]).unwrap();
        for n in 0..20_000 {
            rows.write_record([n.to_string(), "x, \"y\"\n".repeat(n % 7)]).unwrap();
        }
        let at_once = String::from_utf8(rows.into_inner().unwrap()).unwrap();
        assert_eq!(whole(long).unwrap(), at_once);
        assert_eq!(parts.0.iter().sum::<usize>(), at_once.len());
    }

    #[test]
    fn a_row_with_too_few_cells_is_refused_in_every_part() {
        let failed = whole(|out| {
            let mut table = Table::new(out, &["a", "b"])?;
            for _ in 0..20_000 {
                table.row(["1", "2"])?;
            }
            table.row(["1"])
        });
        assert!(matches!(failed, Err(ExportError::Csv(_))), "{failed:?}");
    }

    #[test]
    fn what_takes_no_more_ends_the_export() {
        let mut full = Parts(vec![], 2);
        assert!(matches!(long(&mut full), Err(ExportError::Taken(_))));
        assert_eq!(full.0.len(), 3);
    }
}
