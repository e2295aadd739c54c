//! A stand in a CSV file with any column names, read: every tree of it, or every line at fault.
//!
//! Apart from the command, so that hostile files can be tried by the million.

use std::collections::BTreeMap;

use bolebook_core::dosing::stem::diameter_from_reading;
use bolebook_core::geo::place;
use bolebook_core::quantity::{AsRead, Measured, ReadUnit, Um};
use bolebook_core::record::stand::{Corner, Position, PositionSource};

use crate::fault::Fault;
use crate::figures::{self, FigureError, wrong};

/// Which columns hold what. Names are compared without regard to case; what is `None` is not read.
#[derive(Clone, Debug, Default)]
pub struct Layout {
    /// Column of tags; without it trees are numbered.
    pub tag: Option<String>,
    /// What numbered tags begin with.
    pub prefix: String,
    /// Column of diameters or girths at breast height.
    pub size: Option<String>,
    /// Whether that column holds girths.
    pub girths: bool,
    /// Unit of diameters or girths where none is written: `mm`, `cm` or `in`.
    pub size_unit: String,
    /// Column of species (EPPO codes).
    pub species_column: Option<String>,
    /// Species of every tree whose line names none.
    pub species: Option<String>,
    /// Column of eastings, or of longitudes where there is no origin.
    pub east: Option<String>,
    /// Column of northings, or of latitudes where there is no origin.
    pub north: Option<String>,
    /// Unit of eastings and northings where none is written: `cm`, `m` or `ft`.
    pub metre_unit: String,
    /// Where eastings and northings are 0; without it positions are degrees.
    pub origin: Option<Corner>,
    /// What separates the columns, in ASCII.
    pub separator: u8,
}

/// Indices of the columns in use.
#[derive(Debug, Default)]
struct Columns {
    tag: Option<usize>,
    size: Option<usize>,
    species: Option<usize>,
    east: Option<usize>,
    north: Option<usize>,
}

/// One tree, read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Row {
    /// Its tag.
    pub tag: String,
    /// Its species' code, in capitals.
    pub species: Option<String>,
    /// Where it stands.
    pub position: Option<Position>,
    /// Its diameter, as read and worked out.
    pub size: Option<(AsRead, Um)>,
}

/// A column, when it is one column's fault, and what is wrong.
type Problem = (Option<String>, String);

impl Layout {
    /// Reads a file; `taken` says whether a tag stands on a tree already.
    ///
    /// # Errors
    /// Every line at fault, in order.
    pub fn read(&self, bytes: &[u8], taken: impl Fn(&str) -> bool) -> Result<Vec<Row>, Vec<Fault>> {
        let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
        let mut reader =
            csv::ReaderBuilder::new().delimiter(self.separator).flexible(true).from_reader(bytes);
        let head = reader.byte_headers().map_err(|e| vec![fault(&e, 1)])?.clone();
        let columns = self.columns(&head).map_err(|fault| vec![fault])?;
        let mut rows = vec![];
        let mut faults = vec![];
        let mut tags: BTreeMap<String, u64> = BTreeMap::new();
        let mut record = csv::ByteRecord::new();
        loop {
            let line = reader.position().line();
            match reader.read_byte_record(&mut record) {
                Ok(false) => break,
                Err(e) => {
                    faults.push(fault(&e, line));
                    break;
                }
                Ok(true) => {}
            }
            let line = record.position().map_or(line, csv::Position::line);
            match self.row(&record, &head, &columns, rows.len() + 1) {
                Err(problems) => {
                    faults.extend(problems.into_iter().map(|(column, why)| Fault { line, column, why }));
                }
                Ok(row) => {
                    let mut again =
                        tags.insert(row.tag.to_uppercase(), line).map(|l| format!("is on line {l} too"));
                    if taken(&row.tag) {
                        again = Some("stands on a tree of the job already".into());
                    }
                    if let Some(again) = again {
                        let why = format!("tag {} {again}", row.tag);
                        faults.push(Fault { line, column: self.tag.clone(), why });
                    }
                    rows.push(row);
                }
            }
        }
        if faults.is_empty() { Ok(rows) } else { Err(faults) }
    }

    fn columns(&self, head: &csv::ByteRecord) -> Result<Columns, Fault> {
        let names: Vec<String> = head.iter().map(|h| String::from_utf8_lossy(h).trim().to_owned()).collect();
        let find = |wanted: &Option<String>| match wanted {
            None => Ok(None),
            Some(wanted) => {
                names.iter().position(|n| n.eq_ignore_ascii_case(wanted.trim())).map(Some).ok_or_else(|| {
                    let why = format!("there is no column '{wanted}'; there are: {}", names.join(", "));
                    Fault { line: 1, column: Some(wanted.clone()), why }
                })
            }
        };
        Ok(Columns {
            tag: find(&self.tag)?,
            size: find(&self.size)?,
            species: find(&self.species_column)?,
            east: find(&self.east)?,
            north: find(&self.north)?,
        })
    }

    fn row(
        &self,
        record: &csv::ByteRecord,
        head: &csv::ByteRecord,
        columns: &Columns,
        number: usize,
    ) -> Result<Row, Vec<Problem>> {
        if record.len() != head.len() {
            let why = format!("it has {} fields; the first line names {}", record.len(), head.len());
            return Err(vec![(None, why)]);
        }
        let mut problems: Vec<Problem> = vec![];
        let mut field = |column: Option<usize>| -> Option<(String, String)> {
            let bytes = record.get(column?)?;
            let name = String::from_utf8_lossy(head.get(column?)?).trim().to_owned();
            match std::str::from_utf8(bytes) {
                Ok(text) if !text.trim().is_empty() => Some((name, text.trim().to_owned())),
                Ok(_) => None,
                Err(_) => {
                    problems.push((Some(name), "it is not UTF-8 text: save the file as UTF-8".into()));
                    None
                }
            }
        };
        let (tag, size, species) = (field(columns.tag), field(columns.size), field(columns.species));
        let (east, north) = (field(columns.east), field(columns.north));
        let tag = match (columns.tag, tag) {
            (Some(_), Some((_, tag))) => tag,
            (Some(_), None) => {
                problems.push((self.tag.clone(), "there is no tag".into()));
                String::new()
            }
            (None, _) => format!("{}{number}", self.prefix),
        };
        let size = size.and_then(|(column, text)| {
            self.size(&text).map_err(|why| problems.push((Some(column), why))).ok()
        });
        let position = match (east, north) {
            (Some(east), Some(north)) => match self.position(&east, &north) {
                Ok(position) => Some(position),
                Err(problem) => {
                    problems.push(problem);
                    None
                }
            },
            (None, None) => None,
            (Some((column, _)), None) | (None, Some((column, _))) => {
                problems.push((Some(column), "one half of the position is missing".into()));
                None
            }
        };
        let species = species.map(|(_, code)| code).or_else(|| self.species.clone());
        let row = Row { tag, species: species.map(|s| s.to_uppercase()), position, size };
        if problems.is_empty() { Ok(row) } else { Err(problems) }
    }

    fn size(&self, text: &str) -> Result<(AsRead, Um), String> {
        let default: ReadUnit = figures::word(&self.size_unit, "unit").map_err(|e| e.to_string())?;
        let (text, unit) = figures::reading(text, default, "diameter").map_err(|e| e.to_string())?;
        let of = if self.girths { Measured::Girth } else { Measured::Diameter };
        let as_read = AsRead { text, unit, of };
        let diameter = diameter_from_reading(&as_read).map_err(|e| e.to_string())?;
        if diameter.0 < 1_000 {
            return Err(format!("a diameter of {} cm is less than a millimetre", diameter.cm()));
        }
        Ok((as_read, diameter))
    }

    fn position(&self, east: &(String, String), north: &(String, String)) -> Result<Position, Problem> {
        let at = |column: &(String, String)| {
            let name = column.0.clone();
            move |e: FigureError| (Some(name), e.to_string())
        };
        if let Some(origin) = self.origin {
            let metres = |typed: &(String, String)| {
                let found = figures::length(&typed.1, &self.metre_unit, "distance").map_err(at(typed))?;
                if found.0.abs() > 100_000_000_000 {
                    let far = wrong(&typed.1, "distance", "it is more than 100 km from the origin");
                    return Err((Some(typed.0.clone()), far.to_string()));
                }
                Ok(found)
            };
            return Ok(place(origin, metres(east)?, metres(north)?));
        }
        Ok(Position {
            lat_ndeg: figures::degrees(&north.1, 90, "latitude").map_err(at(north))?,
            lon_ndeg: figures::degrees(&east.1, 180, "longitude").map_err(at(east))?,
            accuracy_um: None,
            source: PositionSource::Mapped,
        })
    }
}

fn fault(error: &csv::Error, line: u64) -> Fault {
    let line = error.position().map_or(line, csv::Position::line);
    Fault { line, column: None, why: error.to_string() }
}
