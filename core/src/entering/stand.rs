//! A mapped or measured stand from a table with any column names: every row a tree, or a reason.

use std::collections::{BTreeMap, BTreeSet};

use csv::ByteRecord;

use crate::dosing::stem::diameter_from_reading;
use crate::figures::{self, FigureError, wrong};
use crate::geo::place;
use crate::ids::{BlockId, TreeId};
use crate::quantity::{AsRead, Measured, ReadUnit, Um};
use crate::record::Body;
use crate::record::stand::{Corner, Diameter, GroundDatum, Position, PositionSource, ReferenceMark, Tree};
use crate::view::View;

/// What is wrong with a line of a table.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fault {
    /// The line, from 1.
    pub line: u64,
    /// The column, by its name, if it is one's fault.
    pub column: Option<String>,
    /// What, and what to do.
    pub why: String,
}

/// A table: the names of its columns and its lines.
#[derive(Clone, Debug)]
pub struct Sheet {
    /// The columns' names, as the first line has them.
    pub names: Vec<String>,
    rows: Vec<(u64, ByteRecord)>,
    broken: Option<Fault>,
}

impl Sheet {
    /// Reads a CSV file, its first line the column names.
    ///
    /// # Errors
    /// A [`Fault`] of the first line.
    pub fn of_csv(bytes: &[u8], separator: u8) -> Result<Self, Fault> {
        let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
        let mut reader = csv::ReaderBuilder::new().delimiter(separator).flexible(true).from_reader(bytes);
        let head = reader.byte_headers().map_err(|e| fault(&e, 1))?;
        let names = head.iter().map(|h| String::from_utf8_lossy(h).trim().to_owned()).collect();
        let mut sheet = Self { names, rows: vec![], broken: None };
        let mut record = ByteRecord::new();
        loop {
            let line = reader.position().line();
            match reader.read_byte_record(&mut record) {
                Ok(false) => break,
                Err(e) => {
                    sheet.broken = Some(fault(&e, line));
                    break;
                }
                Ok(true) => {}
            }
            let line = record.position().map_or(line, csv::Position::line);
            sheet.rows.push((line, record.clone()));
        }
        Ok(sheet)
    }

    /// How many lines it has below the names.
    pub fn len(&self) -> usize {
        self.rows.len()
    }

    /// Whether it has none.
    pub fn is_empty(&self) -> bool {
        self.rows.is_empty()
    }

    /// The first lines as text, for people to see which column is which.
    pub fn first(&self, lines: usize) -> impl Iterator<Item = Vec<String>> {
        self.rows
            .iter()
            .take(lines)
            .map(|(_, row)| row.iter().map(|f| String::from_utf8_lossy(f).trim().to_owned()).collect())
    }

    /// Which column has a name, capitals aside.
    pub fn column(&self, name: &str) -> Option<usize> {
        self.names.iter().position(|n| n.eq_ignore_ascii_case(name.trim()))
    }

    /// The column of a name.
    ///
    /// # Errors
    /// A [`Fault`] naming those there are.
    pub fn needed(&self, name: &str) -> Result<usize, Fault> {
        self.column(name).ok_or_else(|| {
            let why = format!("there is no column '{name}'; there are: {}", self.names.join(", "));
            Fault { line: 1, column: Some(name.to_owned()), why }
        })
    }

    /// Its trees: all of them, or everything that keeps them from being listed. `has_tag` says
    /// whether a tag stands on a tree of the job already.
    ///
    /// # Errors
    /// Every [`Fault`], by line.
    pub fn trees(&self, reading: &Reading, has_tag: impl Fn(&str) -> bool) -> Result<Vec<Row>, Vec<Fault>> {
        let (mut rows, mut faults) = (vec![], vec![]);
        let mut tags: BTreeMap<String, u64> = BTreeMap::new();
        for (line, record) in &self.rows {
            let line = *line;
            match self.row(reading, record, rows.len() + 1) {
                Err(problems) => {
                    faults.extend(problems.into_iter().map(|(column, why)| Fault { line, column, why }));
                }
                Ok(row) => {
                    let mut again =
                        tags.insert(row.tag.to_uppercase(), line).map(|l| format!("is on line {l} too"));
                    if has_tag(&row.tag) {
                        again = Some("stands on a tree of the job already".into());
                    }
                    if let Some(again) = again {
                        let column = reading.columns.tag.and_then(|at| self.names.get(at).cloned());
                        faults.push(Fault { line, column, why: format!("tag {} {again}", row.tag) });
                    }
                    rows.push(row);
                }
            }
        }
        faults.extend(self.broken.clone());
        if faults.is_empty() { Ok(rows) } else { Err(faults) }
    }

    fn row(&self, how: &Reading, record: &ByteRecord, number: usize) -> Result<Row, Vec<Problem>> {
        if record.len() != self.names.len() {
            let why = format!("it has {} fields; the first line names {}", record.len(), self.names.len());
            return Err(vec![(None, why)]);
        }
        let mut problems: Vec<Problem> = vec![];
        let mut field = |column: Option<usize>| -> Option<(String, String)> {
            let bytes = record.get(column?)?;
            let name = self.names.get(column?)?.clone();
            match std::str::from_utf8(bytes) {
                Ok(text) if !text.trim().is_empty() => Some((name, text.trim().to_owned())),
                Ok(_) => None,
                Err(_) => {
                    problems.push((Some(name), "it is not UTF-8 text: save the file as UTF-8".into()));
                    None
                }
            }
        };
        let columns = &how.columns;
        let (tag, size, species) = (field(columns.tag), field(columns.size), field(columns.species));
        let (east, north) = (field(columns.east), field(columns.north));
        let tag = match (columns.tag, tag) {
            (Some(_), Some((_, tag))) => tag,
            (Some(at), None) => {
                problems.push((self.names.get(at).cloned(), "there is no tag".into()));
                String::new()
            }
            (None, _) => format!("{}{number}", how.prefix),
        };
        let size = size.and_then(|(column, text)| {
            how.size(&text).map_err(|why| problems.push((Some(column), why))).ok()
        });
        let position = match (east, north) {
            (Some(east), Some(north)) => match how.position(&east, &north) {
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
        let species = species.map(|(_, code)| code).or_else(|| how.species.clone());
        let row = Row { tag, species: species.map(|s| s.to_uppercase()), position, size };
        if problems.is_empty() { Ok(row) } else { Err(problems) }
    }
}

/// Which column is which, by place.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Columns {
    /// Tags; without it trees are numbered.
    pub tag: Option<usize>,
    /// Diameters or girths at breast height.
    pub size: Option<usize>,
    /// Species (EPPO codes).
    pub species: Option<usize>,
    /// Longitudes or eastings.
    pub east: Option<usize>,
    /// Latitudes or northings.
    pub north: Option<usize>,
}

/// How a table is read.
#[derive(Clone, Debug, PartialEq)]
pub struct Reading {
    /// Its columns.
    pub columns: Columns,
    /// What numbered tags begin with.
    pub prefix: String,
    /// Whether sizes are diameters or girths.
    pub of: Measured,
    /// The unit of sizes that name none.
    pub unit: ReadUnit,
    /// Species of all trees whose own is not said.
    pub species: Option<String>,
    /// For eastings and northings: where both are 0, and their unit (`cm`, `m`, `ft`); without it
    /// positions are degrees.
    pub plane: Option<(Corner, String)>,
}

/// One row, read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Row {
    /// The tag.
    pub tag: String,
    /// The species.
    pub species: Option<String>,
    /// Where it stands.
    pub position: Option<Position>,
    /// What was read, and the diameter.
    pub size: Option<(AsRead, Um)>,
}

impl Row {
    /// The tree it lists.
    pub fn tree(&self, block: Option<BlockId>, mark: Option<ReferenceMark>) -> Tree {
        let (tag, species) = (self.tag.clone(), self.species.clone());
        Tree { tag, species, block, position: self.position, stems: 1, mark }
    }

    /// Its diameter at breast height, if it has one.
    pub fn diameter(&self, tree: TreeId, height_um: Um) -> Option<Diameter> {
        let (as_read, diameter_um) = self.size.clone()?;
        Some(Diameter {
            tree,
            stem: 1,
            diameter_um,
            as_read,
            height_um,
            datum: GroundDatum::Level,
            band_low_girth_um: None,
            band_high_girth_um: None,
            bark_um: None,
        })
    }
}

/// The tags of a job's trees in capitals, those of trees joined to others included.
pub fn tags(view: &View<'_>) -> BTreeSet<String> {
    let mut tags = BTreeSet::new();
    for (id, tree) in &view.trees {
        tags.insert(view.tag(*id).trim().to_uppercase());
        for fact in &tree.listed_as {
            if let Body::Tree(listed) = &view.facts.shown(view.fact(*fact)).record.body {
                tags.insert(listed.tag.trim().to_uppercase());
            }
        }
    }
    tags
}

/// The column at fault, and what is wrong with it.
type Problem = (Option<String>, String);

impl Reading {
    fn size(&self, text: &str) -> Result<(AsRead, Um), String> {
        let (text, unit) = figures::reading(text, self.unit, "diameter").map_err(|e| e.to_string())?;
        let as_read = AsRead { text, unit, of: self.of };
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
        if let Some((origin, unit)) = &self.plane {
            let metres = |typed: &(String, String)| {
                let found = figures::length(&typed.1, unit, "distance").map_err(at(typed))?;
                if found.0.abs() > 100_000_000_000 {
                    let far = wrong(&typed.1, "distance", "it is more than 100 km from the origin");
                    return Err((Some(typed.0.clone()), far.to_string()));
                }
                Ok(found)
            };
            return Ok(place(*origin, metres(east)?, metres(north)?));
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
