//! `kit`: injection kits, and what holds for them before work, under pressure and when they warm.

mod charge_volume;
mod charges;
mod leak;
mod ready;
mod site;
mod warming;

use std::path::PathBuf;

use bolebook_core::dosing::kit::{Stop, WorkingLimit, working_limit};
use bolebook_core::entering;
use bolebook_core::ids::KitId;
use bolebook_core::quantity::{Pa, Ul};
use bolebook_core::record::kit::{ContainerKind, Kit};
use bolebook_core::record::label::Mix;
use bolebook_core::record::{Body, Kind};

use crate::app::{App, Need};
use crate::desk::Desk;
use crate::error::CliError;
use crate::figures::Typed;
use crate::names::NameError;
use crate::output::{Answer, Table, short};

/// Injection kits: ratings, inspections, containers; and what holds under pressure and in the sun.
#[derive(Debug, clap::Subcommand)]
pub enum KitCommand {
    Template(Template),
    Add(Add),
    List(List),
    Ready(ready::Ready),
    Charges(charges::Charges),
    Leak(leak::Leak),
    Warming(warming::Warming),
    ChargeVolume(charge_volume::ChargeVolume),
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
            Self::Ready(c) => app.read(Need::MayJob, |desk| c.answer(desk)),
            Self::Charges(c) => app.read(Need::MayJob, |desk| c.answer(desk)),
            Self::Leak(c) => app.read(Need::MayJob, |desk| c.answer(desk)),
            Self::Warming(c) => app.read(Need::MayJob, |desk| c.answer(desk)),
            Self::ChargeVolume(c) => app.read(Need::MayJob, |desk| c.answer(desk)),
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
            entering::kit_name(desk.yard, &kit.name).map_err(|why| CliError::Refused(vec![why]))?;
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

/// The kit meant, and its label's highest pressure.
#[derive(Debug, clap::Args)]
struct KitArgs {
    /// The kit, if not the crew's.
    #[arg(long)]
    kit: Option<Typed>,
    /// The label, if not that of the lot in the kit; a label may allow less pressure than the kit.
    #[arg(long)]
    label: Option<Typed>,
}

/// A kit with what limits it.
struct Found {
    id: KitId,
    kit: Kit,
    /// The label's name and highest pressure, when it is known what is in the kit.
    label: Option<(String, Option<Pa>)>,
    /// How the label has its product mixed, if it has.
    mix: Option<Mix>,
}

impl KitArgs {
    fn find(&self, desk: &Desk<'_>) -> Result<Found, CliError> {
        let crew = desk.crew(None).ok();
        let id = desk.kit(self.kit.as_ref(), crew)?;
        let missing = || CliError::Unexpected("a kit that was named is not there".into());
        let kit = desk.yard.kit(id).ok_or_else(missing)?.clone();
        let lot = desk.lot(None, Some(id)).ok();
        let (label, mix) = match desk.label(self.label.as_ref(), lot) {
            Ok((_, label)) => (Some((label.name, label.pressure_max_pa)), label.mix),
            Err(error) if self.label.is_some() => return Err(error),
            Err(_) => (None, None),
        };
        Ok(Found { id, kit, label, mix })
    }
}

impl Found {
    fn label_max(&self) -> Option<Pa> {
        self.label.as_ref().and_then(|(_, max)| *max)
    }

    fn limit(&self) -> Result<WorkingLimit, Stop> {
        working_limit(&self.kit, self.label_max())
    }

    /// What a volume of liquid is taken for where the reservoir holds a mix.
    fn of_mix(&self, liquid: Ul) -> Option<String> {
        let mix = self.mix.as_ref()?;
        Some(format!(
            "The label has the product mixed, {}: {} mL is taken as all of the mix in the reservoir, {} mL of it product.",
            mix.in_words(),
            liquid.ml(),
            mix.product_in(liquid).ml()
        ))
    }

    /// What is to be known beside a limit when no label is.
    fn no_label(&self) -> Option<String> {
        let text = "No label is known for this kit: name it with --label, for it may allow less pressure.";
        self.label.is_none().then(|| text.to_owned())
    }
}

/// The container of a kit that is meant: named, or the only one.
///
/// # Errors
/// [`NameError`].
pub fn container_named<'k>(kit: &'k Kit, name: Option<&str>) -> Result<&'k ContainerKind, CliError> {
    let there = || kit.containers.iter().map(|k| k.name.clone()).collect::<Vec<_>>();
    match (name, &kit.containers[..]) {
        (Some(name), kinds) => {
            let named = kinds.iter().find(|k| k.name.eq_ignore_ascii_case(name.trim()));
            let unknown =
                || NameError::Unknown { what: "container", name: name.to_owned(), there: there() }.into();
            named.ok_or_else(unknown)
        }
        (None, [one]) => Ok(one),
        (None, _) => {
            let why = format!("the kit has {}", there().join(", "));
            Err(NameError::Unsaid { what: "container", why, option: "--container" }.into())
        }
    }
}
