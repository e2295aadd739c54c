//! `export`: what leaves Bolebook. Every export names the state of the books it shows.

use std::path::{Path, PathBuf};

use bolebook_core::balance::Balance;
use bolebook_core::check;
use bolebook_core::export::{
    BillingRates, Names, applications_csv, balance_json, findings_json, summary_json, trees_csv,
    trees_geojson,
};
use bolebook_core::finding::Finding;
use bolebook_core::ids::{ClientId, PersonId};
use bolebook_core::service::RegisterEntry;
use bolebook_core::view::View;
use bolebook_report::files::{FILES, REPORT, Sources, file};
use bolebook_report::words::Words;
use bolebook_report::{Asked, Reader, ReportError};

use crate::app::{App, Need};
use crate::error::CliError;
use crate::names::register_field;
use crate::output::Answer;

/// Writes the job's exports into a folder, or one of them to standard output.
///
/// The billing basis needs your rates: a JSON file such as {"currency":"XTS","decimals":2,"per_cm":0,
/// "per_ml":0,"per_tree":0,"per_hour":0}, whole numbers of the currency's smallest unit. The report is
/// made without photos, which are kept on the server. What was exported cannot be called back: copies
/// outlive what is later erased here.
#[derive(Debug, clap::Args)]
pub struct Export {
    /// The folder; made if it is not there.
    #[arg(required_unless_present = "what")]
    folder: Option<PathBuf>,
    /// Only this one. A file that is no text needs a folder.
    #[arg(long, value_parser = clap::builder::PossibleValuesParser::new(all_names()))]
    what: Option<String>,
    /// Leaves people's names and licence numbers out.
    #[arg(long)]
    no_names: bool,
    /// The report's language.
    #[arg(long, value_parser = ["en", "fr", "es"], default_value = "en")]
    lang: String,
    /// Your rates, for the billing basis: a JSON file.
    #[arg(long)]
    rates: Option<PathBuf>,
}

/// The texts that the core makes by itself; [`FILES`] stand beside them.
const TEXTS: [&str; 6] =
    ["trees.csv", "applications.csv", "trees.geojson", "findings.json", "balance.json", "summary.json"];

/// Every export, by name.
fn all_names() -> impl Iterator<Item = &'static str> {
    TEXTS.into_iter().chain(FILES.map(|(name, _)| name))
}

/// Whether an export is text that a terminal can show.
fn is_text(name: &str) -> bool {
    [".csv", ".json", ".geojson"].iter().any(|end| name.ends_with(end))
}

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
        let rates = self.rates()?;
        if let (None, Some(name)) = (&self.folder, &self.what)
            && !is_text(name)
        {
            return Err(CliError::Usage {
                message: format!("{name} is no text: a terminal cannot show it"),
                hint: format!("name a folder to write it into: bolebook export FOLDER --what {name}"),
            });
        }
        let (files, state, provisional) = app.read_all(Need::Job, |desk, views, balance| {
            let Some(view) = views.first() else {
                return Err(CliError::Unexpected("no job was read".into()));
            };
            let register: &[RegisterEntry] = if self.no_names { &[] } else { &desk.register };
            let provisional = view.crew_days.iter().filter(|d| !view.signed_off.contains_key(d)).count();
            let all: Vec<&View<'_>> = views.iter().collect();
            let files = self.files(view, &all, balance, &FromRegister(register), rates.as_ref())?;
            Ok((files, view.state_digest(), provisional))
        })?;
        let Some(folder) = &self.folder else {
            let [(name, bytes)] = &files[..] else {
                return Err(CliError::Unexpected("not one export".into()));
            };
            let text = String::from_utf8_lossy(bytes).into_owned();
            return Ok(Answer::line(text.trim_end()).with("name", *name).with("text", text.clone()));
        };
        let mut answer = Answer::default().with("state", state.to_string());
        let mut written = vec![];
        for (name, bytes) in &files {
            let path = folder.join(name);
            write_whole(&path, bytes)?;
            answer.say(path.display().to_string());
            written.push(serde_json::json!({ "name": name, "path": path, "bytes": bytes.len() }));
        }
        answer.say(format!("State {state}"));
        if provisional > 0 {
            answer.say(format!("Provisional: {provisional} crew-days are not signed off"));
        }
        Ok(answer.with("files", written).with("provisional_days", provisional))
    }

    /// The rates of the file named; none without one.
    fn rates(&self) -> Result<Option<BillingRates>, CliError> {
        let Some(path) = &self.rates else {
            let billing = self.what.as_deref().filter(|name| name.starts_with("billing."));
            return match billing {
                None => Ok(None),
                Some(name) => Err(CliError::Usage {
                    message: format!("{name} needs your rates: none come with the program"),
                    hint: "name a file of them: --rates rates.json ('bolebook export --help' shows its form)"
                        .into(),
                }),
            };
        };
        let wrong = |why: String| CliError::File { doing: "reading", path: path.clone(), why };
        let text = std::fs::read_to_string(path).map_err(|e| wrong(e.to_string()))?;
        let rates: BillingRates = serde_json::from_str(&text).map_err(|e| wrong(e.to_string()))?;
        rates.check().map_err(|e| wrong(e.to_string()))?;
        Ok(Some(rates))
    }

    fn files(
        &self,
        view: &View<'_>,
        all: &[&View<'_>],
        balance: &Balance,
        names: &FromRegister<'_>,
        rates: Option<&BillingRates>,
    ) -> Result<Vec<(&'static str, Vec<u8>)>, CliError> {
        let findings = check::check_among(view, all, balance);
        let from = Sources { view, findings: &findings, names, rates };
        let mut made = vec![];
        for name in all_names().filter(|name| self.what.as_deref().is_none_or(|what| what == *name)) {
            let bytes = self.file(name, &from, balance).map_err(|e| CliError::Unexpected(e.to_string()))?;
            // The billing basis is nothing without rates.
            made.extend(bytes.map(|bytes| (name, bytes)));
        }
        Ok(made)
    }

    fn file(
        &self,
        name: &str,
        from: &Sources<'_, FromRegister<'_>>,
        balance: &Balance,
    ) -> Result<Option<Vec<u8>>, ReportError> {
        let Sources { view, findings, names, .. } = *from;
        let text = match name {
            "trees.csv" => trees_csv(view, findings),
            "applications.csv" => applications_csv(view, findings, names),
            "trees.geojson" => trees_geojson(view, findings),
            "findings.json" => findings_json(view, findings),
            "balance.json" => balance_json(view, balance),
            "summary.json" => summary_json(view, findings, balance),
            REPORT => return self.report(view, findings, names).map(Some),
            _ => return file(name, from),
        };
        Ok(Some(text?.into_bytes()))
    }

    fn report(
        &self,
        view: &View<'_>,
        findings: &[Finding],
        names: &FromRegister<'_>,
    ) -> Result<Vec<u8>, ReportError> {
        let words = Words::of(&self.lang).unwrap_or_else(Words::english);
        let (reader, takes) = (Reader::Office, &|_: &_, _: &_| true);
        bolebook_report::report(&Asked { view, findings, names, words, reader, takes, photos: None })
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
