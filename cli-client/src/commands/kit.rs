//! `kit`, `calibrate`: injection kits, and what their containers truly give.

use std::path::PathBuf;

use bolebook_core::quantity::{Mg, Ul, parse_decimal};
use bolebook_core::record::kit::{Calibration, CalibrationCharge, Kit};
use bolebook_core::record::{Body, Kind};

use super::Entry;
use crate::app::{App, Need};
use crate::error::CliError;
use crate::figures::{self, FigureError, Typed};
use crate::names::NameError;
use crate::output::{Answer, Table, short};

/// Injection kits: their ratings, inspections and containers.
#[derive(Debug, clap::Subcommand)]
pub enum KitCommand {
    Template(Template),
    Add(Add),
    List(List),
}

/// Prints a kit as JSON to fill in. Its figures are INVENTED: put your own kit's in.
#[derive(Debug, clap::Args)]
pub struct Template {}

/// Adds a kit from a JSON file.
#[derive(Debug, clap::Args)]
pub struct Add {
    /// The file ('-' for standard input); see `bolebook kit template`.
    file: PathBuf,
    /// Its name, instead of the file's.
    #[arg(long)]
    name: Option<String>,
    /// Whose it usually is.
    #[arg(long)]
    crew: Option<Typed>,
}

/// Lists the kits.
#[derive(Debug, clap::Args)]
pub struct List {}

impl KitCommand {
    /// Runs it.
    pub fn run(self, app: &App) -> Result<Answer, CliError> {
        match self {
            Self::Template(_) => super::template(include_str!("kit_template.json")),
            Self::Add(add) => add.run(app),
            Self::List(_) => app.read(Need::Yard, list),
        }
    }
}

impl Add {
    fn run(self, app: &App) -> Result<Answer, CliError> {
        let mut kit: Kit = super::json_file(&self.file)?;
        app.write(Need::Yard, |desk| {
            if let Some(name) = &self.name {
                kit.name.clone_from(name);
            }
            if let Some(crew) = &self.crew {
                kit.crew = Some(desk.crew(Some(crew))?);
            }
            if desk.named(Kind::Kit).iter().any(|n| n.name.eq_ignore_ascii_case(kit.name.trim())) {
                return Err(CliError::Refused(vec![format!("there is a kit '{}' already", kit.name)]));
            }
            let name = kit.name.clone();
            let id = desk.log_in_yard(kit.clone(), desk.now)?;
            desk.logged(format_args!("{name} added"), id);
            desk.answer.json.insert("kit".into(), id.to_string().into());
            Ok(())
        })
    }
}

fn list(desk: &mut crate::desk::Desk<'_>) -> Result<Answer, CliError> {
    let mut table = Table::new(&["kit", "crew", "containers", "inspection due", "id"]);
    let mut rows = vec![];
    for fact in desk.yard.facts.in_force(Kind::Kit) {
        let Body::Kit(kit) = &desk.yard.facts.shown(fact).record.body else { continue };
        let crew = kit.crew.map(|c| desk.yard.crew_name(c)).unwrap_or_default();
        let containers: Vec<_> = kit.containers.iter().map(|c| c.name.clone()).collect();
        table.row([
            kit.name.clone(),
            crew,
            containers.join(", "),
            kit.inspection_due.to_string(),
            short(fact.id),
        ]);
        rows.push(serde_json::json!({ "id": fact.id, "kit": kit }));
    }
    let mut answer = Answer::default().with("kits", rows);
    answer.table(&table);
    Ok(answer)
}

/// Logs a calibration: charges of a kit's container, measured or weighed one by one.
#[derive(Debug, clap::Args, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Calibrate {
    /// Which of the kit's containers, by name.
    container: String,
    /// A charge found: ML, or ML,GRAMS when it was weighed too.
    #[arg(long = "charge", value_name = "ML[,G]", required = true)]
    charge: Vec<Typed>,
    /// Reservoir pressure while charging, with its unit.
    #[arg(long)]
    pressure: Typed,
    /// Temperature of the product.
    #[arg(long)]
    temperature: Option<Typed>,
    /// The kit.
    #[arg(long)]
    kit: Option<Typed>,
    /// When, if not now.
    #[arg(long, value_name = "TIME")]
    at: Option<Typed>,
}

impl Entry for Calibrate {
    const NEED: Need = Need::MayJob;

    fn stage(&self, desk: &mut crate::desk::Desk<'_>) -> Result<(), CliError> {
        let crew = desk.crew(None).ok();
        let id = desk.kit(self.kit.as_ref(), crew)?;
        let kinds = desk.yard.kit(id).map(|k| k.containers.clone()).unwrap_or_default();
        let kind =
            kinds.iter().find(|k| k.name.eq_ignore_ascii_case(self.container.trim())).ok_or_else(|| {
                NameError::Unknown {
                    what: "container",
                    name: self.container.clone(),
                    there: kinds.iter().map(|k| k.name.clone()).collect(),
                }
            })?;
        let charges: Vec<CalibrationCharge> = self.charge.iter().map(charge).collect::<Result<_, _>>()?;
        let total: i64 = charges.iter().map(|c| c.volume_ul.0).sum();
        let mean = Ul(total / charges.len().max(1) as i64);
        let body = Calibration {
            kit: id,
            container: kind.name.clone(),
            nominal_ul: kind.charge_ul,
            charges,
            pressure_pa: figures::pressure(self.pressure.text(), "pressure")?,
            temperature_mc: self
                .temperature
                .as_ref()
                .map(|t| figures::temperature(t.text(), "temperature"))
                .transpose()?,
        };
        let line = format!(
            "{} charges of {}: mean {} mL, should be {} mL",
            body.charges.len(),
            body.container,
            mean.ml_exact(),
            body.nominal_ul.ml_exact()
        );
        for caution in crate::cautions::calibrating() {
            desk.caution(caution);
        }
        let at = desk.moment(self.at.as_ref())?;
        let id = desk.log_in_yard(body, at)?;
        desk.logged(line, id);
        desk.answer.say("What went through belongs in the balance too: 'bolebook move primed ML'.");
        Ok(())
    }
}

fn charge(typed: &Typed) -> Result<CalibrationCharge, FigureError> {
    let (volume, mass) = typed.text().split_once(',').map_or((typed.text(), None), |(v, m)| (v, Some(m)));
    let mass_mg = mass.map(|m| parse_decimal(m, 1_000, "mass")).transpose()?.map(Mg);
    let volume_ul = figures::volume(volume, "volume")?;
    if volume_ul.0 <= 0 || mass_mg.is_some_and(|m| m.0 <= 0) {
        return Err(figures::wrong(typed.text(), "charge", "a charge is more than 0"));
    }
    Ok(CalibrationCharge { volume_ul, mass_mg })
}
