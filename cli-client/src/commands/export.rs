//! `export`: what leaves Bolebook. Every export names the state of the books it shows.

use std::path::{Path, PathBuf};

use bolebook_core::balance::Balance;
use bolebook_core::check;
use bolebook_core::export::{
    Names, application_records_csv, applications_csv, balance_json, findings_json, summary_json, trees_csv,
    trees_geojson,
};
use bolebook_core::ids::{ClientId, PersonId};
use bolebook_core::service::RegisterEntry;
use bolebook_core::view::View;

use crate::app::{App, Need};
use crate::error::CliError;
use crate::names::register_field;
use crate::output::Answer;

/// Writes the job's exports into a folder, or one of them to standard output.
///
/// What was exported cannot be called back: copies outlive what is later erased here.
#[derive(Debug, clap::Args)]
pub struct Export {
    /// The folder; made if it is not there.
    #[arg(required_unless_present = "what")]
    folder: Option<PathBuf>,
    /// Only this one.
    #[arg(long, value_parser = NAMES)]
    what: Option<String>,
    /// Leaves people's names and licence numbers out.
    #[arg(long)]
    no_names: bool,
}

const NAMES: [&str; 7] = [
    "trees.csv",
    "applications.csv",
    "application-records.csv",
    "trees.geojson",
    "findings.json",
    "balance.json",
    "summary.json",
];

/// People as this store's register names them.
pub struct FromRegister<'r>(pub &'r [RegisterEntry]);

impl Names for FromRegister<'_> {
    fn person(&self, id: PersonId) -> Option<String> {
        register_field(self.0, id, "name")
    }

    fn licence_number(&self, id: PersonId) -> Option<String> {
        register_field(self.0, id, "licence_number")
    }

    fn client(&self, id: ClientId) -> (Option<String>, Option<String>) {
        (register_field(self.0, id, "name"), register_field(self.0, id, "address"))
    }
}

impl Export {
    /// Runs it.
    pub fn run(self, app: &App) -> Result<Answer, CliError> {
        let (files, state, provisional) = app.read_all(Need::Job, |desk, views, balance| {
            let Some(view) = views.first() else {
                return Err(CliError::Unexpected("no job was read".into()));
            };
            let register: &[RegisterEntry] = if self.no_names { &[] } else { &desk.register };
            let provisional = view.crew_days.iter().filter(|d| !view.signed_off.contains_key(d)).count();
            Ok((
                self.texts(view, &views.iter().collect::<Vec<_>>(), balance, &FromRegister(register))?,
                view.state_digest(),
                provisional,
            ))
        })?;
        let Some(folder) = &self.folder else {
            let [(name, text)] = &files[..] else {
                return Err(CliError::Unexpected("not one export".into()));
            };
            return Ok(Answer::line(text.trim_end()).with("name", *name).with("text", text.clone()));
        };
        let mut answer = Answer::default().with("state", state.to_string());
        let mut written = vec![];
        for (name, text) in &files {
            let path = folder.join(name);
            write_whole(&path, text)?;
            answer.say(path.display().to_string());
            written.push(serde_json::json!({ "name": name, "path": path, "bytes": text.len() }));
        }
        answer.say(format!("State {state}"));
        if provisional > 0 {
            answer.say(format!("Provisional: {provisional} crew-days are not signed off"));
        }
        Ok(answer.with("files", written).with("provisional_days", provisional))
    }

    fn texts(
        &self,
        view: &View<'_>,
        all: &[&View<'_>],
        balance: &Balance,
        names: &impl Names,
    ) -> Result<Vec<(&'static str, String)>, CliError> {
        let findings = check::check_among(view, all, balance);
        let wanted = NAMES.iter().filter(|n| self.what.as_deref().is_none_or(|w| w == **n));
        wanted
            .map(|name| {
                let text = match *name {
                    "trees.csv" => trees_csv(view, &findings),
                    "applications.csv" => applications_csv(view, &findings, names),
                    "application-records.csv" => application_records_csv(view, &findings, names, |_, _| true),
                    "trees.geojson" => trees_geojson(view, &findings),
                    "findings.json" => findings_json(view, &findings),
                    "balance.json" => balance_json(view, balance),
                    _ => summary_json(view, &findings, balance),
                };
                Ok((*name, text.map_err(|e| CliError::Unexpected(e.to_string()))?))
            })
            .collect()
    }
}

/// Writes a file beside its place and renames it, so that it is whole or not there.
///
/// # Errors
/// [`CliError::File`].
pub fn write_whole(path: &Path, text: impl AsRef<[u8]>) -> Result<(), CliError> {
    let failed =
        |e: std::io::Error| CliError::File { doing: "writing", path: path.to_owned(), why: e.to_string() };
    if let Some(folder) = path.parent().filter(|f| !f.as_os_str().is_empty()) {
        std::fs::create_dir_all(folder).map_err(failed)?;
    }
    let mut beside = path.as_os_str().to_owned();
    beside.push(".part");
    std::fs::write(&beside, text).map_err(failed)?;
    std::fs::rename(&beside, path).map_err(failed)
}
