//! `stand import`: a mapped or measured stand from a CSV file with any column names.

use std::collections::BTreeMap;
use std::path::PathBuf;

use bolebook_core::dosing::stem::diameter_from_reading;
use bolebook_core::geo::place;
use bolebook_core::ids::{BlockId, RecordId};
use bolebook_core::quantity::{AsRead, Measured, ReadUnit, Um};
use bolebook_core::record::stand::{Corner, Diameter, GroundDatum, Position, PositionSource, Tree};
use indicatif::{ProgressBar, ProgressStyle};

use crate::app::{App, Need};
use crate::desk::Desk;
use crate::error::{CliError, Fault};
use crate::figures::{self, FigureError, wrong};
use crate::output::Answer;

/// A stand: all its trees at once.
#[derive(Debug, clap::Subcommand)]
pub enum StandCommand {
    Import(Box<Import>),
    Carry(super::carry::Carry),
    Table(super::stand_table::StandTableCommand),
}

/// Lists the trees of a CSV file, with positions and diameters: all of them, or none.
///
/// Columns are named by options. Positions are either degrees (--lat, --lon) or metres on a plane
/// (--x east, --y north, with --origin).
#[derive(Debug, clap::Args)]
pub struct Import {
    /// The file ('-' for standard input), its first line the column names.
    file: PathBuf,
    /// Column of tags; without it trees are numbered with --prefix.
    #[arg(long, value_name = "COLUMN")]
    tag: Option<String>,
    /// What numbered tags begin with.
    #[arg(long, default_value = "", conflicts_with = "tag")]
    prefix: String,
    /// Column of diameters at breast height.
    #[arg(long, value_name = "COLUMN", conflicts_with = "girth")]
    dbh: Option<String>,
    /// Column of girths at breast height.
    #[arg(long, value_name = "COLUMN")]
    girth: Option<String>,
    /// Unit of diameters or girths.
    #[arg(long, default_value = "cm", value_parser = ["mm", "cm", "in"])]
    dbh_unit: String,
    /// Column of species (EPPO codes).
    #[arg(long, value_name = "COLUMN")]
    species_column: Option<String>,
    /// Species of all trees (EPPO code).
    #[arg(long, value_name = "CODE", conflicts_with = "species_column")]
    species: Option<String>,
    /// Column of eastings.
    #[arg(long, value_name = "COLUMN", requires_all = ["y", "origin"], conflicts_with = "lat")]
    x: Option<String>,
    /// Column of northings.
    #[arg(long, value_name = "COLUMN", requires = "x")]
    y: Option<String>,
    /// Unit of eastings and northings.
    #[arg(long, default_value = "m", value_parser = ["cm", "m", "ft"])]
    xy_unit: String,
    /// Where x and y are 0, LAT,LON in degrees.
    #[arg(long, value_name = "LAT,LON", requires = "x", allow_hyphen_values = true)]
    origin: Option<String>,
    /// Column of latitudes.
    #[arg(long, value_name = "COLUMN", requires = "lon")]
    lat: Option<String>,
    /// Column of longitudes.
    #[arg(long, value_name = "COLUMN", requires = "lat")]
    lon: Option<String>,
    /// The block they stand in.
    #[arg(long)]
    block: Option<String>,
    /// The lasting mark that arcs are measured from.
    #[arg(long, value_parser = ["north", "tag"])]
    mark: Option<String>,
    /// What separates the columns.
    #[arg(long, default_value = ",", value_name = "CHARACTER")]
    separator: char,
}

impl StandCommand {
    /// Runs it.
    pub fn run(self, app: &App) -> Result<Answer, CliError> {
        let import = match self {
            Self::Import(import) => *import,
            Self::Carry(carry) => return carry.run(app),
            Self::Table(table) => return table.run(app),
        };
        let bytes = super::read_file(&import.file)?;
        app.write(Need::Job, |desk| import.stage(desk, &bytes))
    }
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

/// One row, read.
struct Row {
    tag: String,
    species: Option<String>,
    position: Option<Position>,
    size: Option<(AsRead, Um)>,
}

/// Something that must hold for a field, and what is wrong with it.
type Problem = (Option<String>, String);

impl Import {
    fn stage(&self, desk: &mut Desk<'_>, bytes: &[u8]) -> Result<(), CliError> {
        let separator = u8::try_from(self.separator).map_err(|_| CliError::Usage {
            message: format!("'{}' cannot separate columns", self.separator),
            hint: "use ',' or ';' or a tabulator".into(),
        })?;
        let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
        let mut reader = csv::ReaderBuilder::new().delimiter(separator).flexible(true).from_reader(bytes);
        let head = reader.byte_headers().map_err(|e| self.lines(vec![fault(&e, 1)]))?.clone();
        let columns = self.columns(&head)?;
        let origin = self.origin.as_ref().map(|o| figures::corner(o)).transpose()?;
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
            match self.row(&record, &head, &columns, origin, rows.len() + 1) {
                Err(problems) => {
                    faults.extend(problems.into_iter().map(|(column, why)| Fault { line, column, why }));
                }
                Ok(row) => {
                    let mut again =
                        tags.insert(row.tag.to_uppercase(), line).map(|l| format!("is on line {l} too"));
                    if desk.stand()?.has_tag(&row.tag) {
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
        if !faults.is_empty() {
            return Err(self.lines(faults));
        }
        self.list(desk, rows)
    }

    fn list(&self, desk: &mut Desk<'_>, rows: Vec<Row>) -> Result<(), CliError> {
        let view = desk.view()?;
        let blocks = crate::names::blocks(view);
        let block: Option<BlockId> =
            self.block.as_ref().map(|b| crate::names::find("block", b, &blocks)).transpose()?;
        let mark = self.mark.as_ref().map(|m| figures::word(m, "mark")).transpose()?;
        let (count, mut measured) = (rows.len(), 0);
        let bar = ProgressBar::new(count as u64).with_message("trees");
        if let Ok(style) = ProgressStyle::with_template("{bar:40} {pos}/{len} {msg}") {
            bar.set_style(style);
        }
        let mut ids: Vec<RecordId> = vec![];
        for row in rows {
            let tree =
                Tree { tag: row.tag, species: row.species, block, position: row.position, stems: 1, mark };
            let id = desk.log_in_job(tree, desk.now)?;
            ids.push(id);
            if let Some((as_read, diameter_um)) = row.size {
                measured += 1;
                let diameter = Diameter {
                    tree: id,
                    stem: 1,
                    diameter_um,
                    as_read,
                    height_um: view.job.breast_height_um,
                    datum: GroundDatum::Level,
                    band_low_girth_um: None,
                    band_high_girth_um: None,
                    bark_um: None,
                };
                desk.log_in_job(diameter, desk.now)?;
            }
            bar.inc(1);
        }
        bar.finish_and_clear();
        desk.answer.say(format!("{count} trees listed, {measured} with diameters."));
        desk.answer.json.insert("trees".into(), count.into());
        desk.answer.json.insert("diameters".into(), measured.into());
        Ok(())
    }

    fn lines(&self, faults: Vec<Fault>) -> CliError {
        CliError::Lines { file: self.file.display().to_string(), faults }
    }

    fn columns(&self, head: &csv::ByteRecord) -> Result<Columns, CliError> {
        let names: Vec<String> = head.iter().map(|h| String::from_utf8_lossy(h).trim().to_owned()).collect();
        let find = |wanted: &Option<String>| match wanted {
            None => Ok(None),
            Some(wanted) => {
                names.iter().position(|n| n.eq_ignore_ascii_case(wanted.trim())).map(Some).ok_or_else(|| {
                    let why = format!("there is no column '{wanted}'; there are: {}", names.join(", "));
                    self.lines(vec![Fault { line: 1, column: Some(wanted.clone()), why }])
                })
            }
        };
        Ok(Columns {
            tag: find(&self.tag)?,
            size: find(if self.dbh.is_some() { &self.dbh } else { &self.girth })?,
            species: find(&self.species_column)?,
            east: find(if self.x.is_some() { &self.x } else { &self.lon })?,
            north: find(if self.y.is_some() { &self.y } else { &self.lat })?,
        })
    }

    fn row(
        &self,
        record: &csv::ByteRecord,
        head: &csv::ByteRecord,
        columns: &Columns,
        origin: Option<Corner>,
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
            (Some(east), Some(north)) => match self.position(&east, &north, origin) {
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
        let default: ReadUnit = figures::word(&self.dbh_unit, "unit").map_err(|e| e.to_string())?;
        let (text, unit) = figures::reading(text, default, "diameter").map_err(|e| e.to_string())?;
        let of = if self.girth.is_some() { Measured::Girth } else { Measured::Diameter };
        let as_read = AsRead { text, unit, of };
        let diameter = diameter_from_reading(&as_read).map_err(|e| e.to_string())?;
        if diameter.0 < 1_000 {
            return Err(format!("a diameter of {} cm is less than a millimetre", diameter.cm()));
        }
        Ok((as_read, diameter))
    }

    fn position(
        &self,
        east: &(String, String),
        north: &(String, String),
        origin: Option<Corner>,
    ) -> Result<Position, Problem> {
        let at = |column: &(String, String)| {
            let name = column.0.clone();
            move |e: FigureError| (Some(name), e.to_string())
        };
        if let Some(origin) = origin {
            let metres = |typed: &(String, String)| {
                let found = figures::length(&typed.1, &self.xy_unit, "distance").map_err(at(typed))?;
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
