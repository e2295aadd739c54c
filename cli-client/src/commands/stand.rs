//! `stand import`: a mapped or measured stand from a CSV file with any column names.

use std::path::PathBuf;

use bolebook_core::entering::{self, stand::Columns, stand::Reading, stand::Row, stand::Sheet};
use bolebook_core::ids::BlockId;
use bolebook_core::quantity::Measured;
use indicatif::{ProgressBar, ProgressStyle};

use crate::app::{App, Need};
use crate::desk::Desk;
use crate::error::{CliError, Fault};
use crate::figures;
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

impl Import {
    fn stage(&self, desk: &mut Desk<'_>, bytes: &[u8]) -> Result<(), CliError> {
        let separator = u8::try_from(self.separator).map_err(|_| CliError::Usage {
            message: format!("'{}' cannot separate columns", self.separator),
            hint: "use ',' or ';' or a tabulator".into(),
        })?;
        let sheet = Sheet::of_csv(bytes, separator).map_err(|fault| self.lines(vec![fault]))?;
        let origin = self.origin.as_ref().map(|o| figures::corner(o)).transpose()?;
        let reading = Reading {
            columns: self.columns(&sheet)?,
            prefix: self.prefix.clone(),
            of: if self.girth.is_some() { Measured::Girth } else { Measured::Diameter },
            unit: figures::word(&self.dbh_unit, "unit")?,
            species: self.species.clone(),
            plane: origin.map(|origin| (origin, self.xy_unit.clone())),
        };
        let stand = desk.stand()?;
        let rows = sheet.trees(&reading, |tag| stand.has_tag(tag)).map_err(|faults| self.lines(faults))?;
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
        for row in rows {
            let id = desk.log_in_job(row.tree(block, mark), desk.now)?;
            if let Some(diameter) = row.diameter(id, view.job.breast_height_um) {
                measured += 1;
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

    fn lines(&self, faults: Vec<entering::stand::Fault>) -> CliError {
        let said = |f: entering::stand::Fault| Fault { line: f.line, column: f.column, why: f.why };
        CliError::Lines {
            file: self.file.display().to_string(),
            faults: faults.into_iter().map(said).collect(),
        }
    }

    fn columns(&self, sheet: &Sheet) -> Result<Columns, CliError> {
        let find = |wanted: &Option<String>| {
            let found = wanted.as_ref().map(|wanted| sheet.needed(wanted)).transpose();
            found.map_err(|fault| self.lines(vec![fault]))
        };
        Ok(Columns {
            tag: find(&self.tag)?,
            size: find(if self.dbh.is_some() { &self.dbh } else { &self.girth })?,
            species: find(&self.species_column)?,
            east: find(if self.x.is_some() { &self.x } else { &self.lon })?,
            north: find(if self.y.is_some() { &self.y } else { &self.lat })?,
        })
    }
}
