//! `kit`: injection kits.

use std::path::PathBuf;

use bolebook_core::record::kit::Kit;
use bolebook_core::record::{Body, Kind};

use crate::app::{App, Need};
use crate::error::CliError;
use crate::figures::Typed;
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
