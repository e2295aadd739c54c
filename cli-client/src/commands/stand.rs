//! `stand import`: a mapped or measured stand from a CSV file with any column names.

use std::path::PathBuf;

use bolebook_cli::stand_file::{Layout, Row};
use bolebook_core::ids::{BlockId, RecordId};
use bolebook_core::record::stand::{Diameter, GroundDatum, Tree};
use indicatif::{ProgressBar, ProgressStyle};

use crate::app::{App, Need};
use crate::desk::Desk;
use crate::error::CliError;
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
    fn layout(&self) -> Result<Layout, CliError> {
        let separator = u8::try_from(self.separator).map_err(|_| CliError::Usage {
            message: format!("'{}' cannot separate columns", self.separator),
            hint: "use ',' or ';' or a tabulator".into(),
        })?;
        Ok(Layout {
            tag: self.tag.clone(),
            prefix: self.prefix.clone(),
            size: self.dbh.clone().or_else(|| self.girth.clone()),
            girths: self.girth.is_some(),
            size_unit: self.dbh_unit.clone(),
            species_column: self.species_column.clone(),
            species: self.species.clone(),
            east: self.x.clone().or_else(|| self.lon.clone()),
            north: self.y.clone().or_else(|| self.lat.clone()),
            metre_unit: self.xy_unit.clone(),
            origin: self.origin.as_ref().map(|o| figures::corner(o)).transpose()?,
            separator,
        })
    }

    fn stage(&self, desk: &mut Desk<'_>, bytes: &[u8]) -> Result<(), CliError> {
        let layout = self.layout()?;
        let stand = desk.stand()?;
        let rows = layout
            .read(bytes, |tag| stand.has_tag(tag))
            .map_err(|faults| CliError::Lines { file: self.file.display().to_string(), faults })?;
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
}
