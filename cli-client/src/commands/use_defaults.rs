//! `use`: what commands assume when an option is left out.

use crate::app::{self, App, Need};
use crate::desk::Defaults;
use crate::error::CliError;
use crate::figures::Typed;
use crate::local_store::setting;
use crate::output::Answer;

/// Sets what commands assume when an option is left out (with --job, the job in use); without
/// options, shows it.
#[derive(Debug, clap::Args)]
pub struct Use {
    /// Who is using this device.
    #[arg(long)]
    person: Option<String>,
    /// The crew.
    #[arg(long)]
    crew: Option<Typed>,
    /// The kit.
    #[arg(long)]
    kit: Option<Typed>,
    /// The purpose of treatment, as the label names it.
    #[arg(long)]
    purpose: Option<String>,
}

impl Use {
    /// Runs it.
    pub fn run(self, app: &App) -> Result<Answer, CliError> {
        let mut answer = Answer::default();
        let defaults: Defaults = app.read(Need::Yard, |desk| {
            let mut defaults = desk.defaults.clone();
            if let Some(name) = &self.person {
                defaults.person = Some(desk.person(name)?);
            }
            if let Some(name) = &app.job {
                defaults.job = Some(app::find_job(&app::jobs(desk.store)?, name)?);
            }
            if let Some(crew) = &self.crew {
                defaults.crew = Some(desk.crew(Some(crew))?);
            }
            if let Some(kit) = &self.kit {
                defaults.kit = Some(desk.kit(Some(kit), None)?);
            }
            if let Some(purpose) = &self.purpose {
                defaults.purpose = Some(purpose.clone());
            }
            desk.store.set(setting::DEFAULTS, &defaults)?;
            let job = defaults.job.and_then(|id| bolebook_log::genesis(desk.store.db(), id).ok());
            let lines = [
                ("person", defaults.person.map(|p| desk.person_name(p))),
                ("job", job.map(|g| g.title)),
                ("crew", defaults.crew.map(|c| desk.yard.crew_name(c))),
                ("kit", defaults.kit.and_then(|k| desk.yard.kit(k)).map(|k| k.name.clone())),
                ("purpose", defaults.purpose.clone()),
            ];
            for (name, value) in lines {
                answer.say(format!("{name:<8} {}", value.unwrap_or_else(|| "not said".into())));
            }
            Ok(defaults)
        })?;
        Ok(answer.with("uses", serde_json::to_value(defaults).unwrap_or_default()))
    }
}
