//! `export`: what leaves Bolebook. Every export names the state of the books it shows.

use std::fs::File;
use std::io::Write as _;
use std::path::{Path, PathBuf};

use bolebook_core::balance::Balance;
use bolebook_core::check;
use bolebook_core::export::{BillingRates, Names, balance_json, findings_json, summary_json};
use bolebook_core::finding::Finding;
use bolebook_core::ids::{ClientId, PersonId};
use bolebook_core::service::RegisterEntry;
use bolebook_core::view::View;
use bolebook_report::files::{FILES, IN_PARTS, PACKAGE, REPORT, Sources, file, write_text};
use bolebook_report::words::Words;
use bolebook_report::{Asked, Reader, ReportError, write_geopackage};

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
        app.read_all(Need::Job, |desk, views, balance| {
            let Some(view) = views.first() else {
                return Err(CliError::Unexpected("no job was read".into()));
            };
            let register: &[RegisterEntry] = if self.no_names { &[] } else { &desk.register };
            let all: Vec<&View<'_>> = views.iter().collect();
            let (findings, names) = (check::check_among(view, &all, balance), FromRegister(register));
            let from = Sources { view, findings: &findings, names: &names, rates: rates.as_ref() };
            match (&self.folder, &self.what) {
                (Some(folder), _) => self.write_into(folder, &from, balance),
                (None, Some(name)) => {
                    let text = self.as_text(name, &from, balance)?;
                    Ok(Answer::line(text.trim_end()).with("name", name.clone()).with("text", text))
                }
                (None, None) => Err(CliError::Unexpected("not one export".into())),
            }
        })
    }

    fn write_into(
        &self,
        folder: &Path,
        from: &Sources<'_, FromRegister<'_>>,
        balance: &Balance,
    ) -> Result<Answer, CliError> {
        let (view, state) = (from.view, from.view.state_digest());
        let mut answer = Answer::default().with("state", state.to_string());
        let mut written = vec![];
        for name in all_names().filter(|name| self.what.as_deref().is_none_or(|what| what == *name)) {
            let path = folder.join(name);
            let bytes = if IN_PARTS.contains(&name) {
                Some(write_beside(&path, |part| in_parts(part, name, from))?)
            } else if name == PACKAGE {
                let package = |part: &Path| write_geopackage(view, from.findings, part).map_err(unexpected);
                Some(write_beside(&path, package)?)
            } else {
                // The billing basis is nothing without rates.
                match self.file(name, from, balance).map_err(unexpected)? {
                    Some(bytes) => Some(write_whole(&path, &bytes).map(|()| bytes.len() as u64)?),
                    None => None,
                }
            };
            if let Some(bytes) = bytes {
                answer.say(path.display().to_string());
                written.push(serde_json::json!({ "name": name, "path": path, "bytes": bytes }));
            }
        }
        answer.say(format!("State {state}"));
        let provisional = view.crew_days.iter().filter(|d| !view.signed_off.contains_key(d)).count();
        if provisional > 0 {
            answer.say(format!("Provisional: {provisional} crew-days are not signed off"));
        }
        Ok(answer.with("files", written).with("provisional_days", provisional))
    }

    /// One export for the terminal: a text, which is made whole.
    fn as_text(
        &self,
        name: &str,
        from: &Sources<'_, FromRegister<'_>>,
        balance: &Balance,
    ) -> Result<String, CliError> {
        if IN_PARTS.contains(&name) {
            let mut text = String::new();
            write_text(&mut text, name, from).map_err(unexpected)?;
            return Ok(text);
        }
        let bytes = self.file(name, from, balance).map_err(unexpected)?.unwrap_or_default();
        Ok(String::from_utf8_lossy(&bytes).into_owned())
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

    fn file(
        &self,
        name: &str,
        from: &Sources<'_, FromRegister<'_>>,
        balance: &Balance,
    ) -> Result<Option<Vec<u8>>, ReportError> {
        let Sources { view, findings, names, .. } = *from;
        let text = match name {
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

fn unexpected(error: ReportError) -> CliError {
    CliError::Unexpected(error.to_string())
}

/// A text on its way into a file, which remembers what the disk said.
struct Onto(std::io::BufWriter<File>, Option<std::io::Error>);

impl std::fmt::Write for Onto {
    fn write_str(&mut self, text: &str) -> std::fmt::Result {
        self.0.write_all(text.as_bytes()).map_err(|error| {
            self.1 = Some(error);
            std::fmt::Error
        })
    }
}

/// Writes an export that grows with the job, holding little of it in memory.
fn in_parts(path: &Path, name: &str, from: &Sources<'_, FromRegister<'_>>) -> Result<(), CliError> {
    let failed = |e: std::io::Error| writing(path, &e);
    let mut onto = Onto(std::io::BufWriter::new(File::create(path).map_err(failed)?), None);
    let done = write_text(&mut onto, name, from);
    match (done, onto.1.take()) {
        (_, Some(disk)) => Err(failed(disk)),
        (Err(error), None) => Err(unexpected(error)),
        (Ok(_), None) => onto.0.flush().map_err(failed),
    }
}

fn writing(path: &Path, why: &std::io::Error) -> CliError {
    CliError::File { doing: "writing", path: path.to_owned(), why: why.to_string() }
}

/// Writes a file beside its place and renames it, so that it is whole or not there.
///
/// # Errors
/// [`CliError::File`].
pub fn write_whole(path: &Path, text: impl AsRef<[u8]>) -> Result<(), CliError> {
    write_beside(path, |part| std::fs::write(part, text).map_err(|e| writing(path, &e))).map(|_| ())
}

/// The same with a file that `write` makes; says how many bytes it has.
fn write_beside(path: &Path, write: impl FnOnce(&Path) -> Result<(), CliError>) -> Result<u64, CliError> {
    let failed = |e: std::io::Error| writing(path, &e);
    if let Some(folder) = path.parent().filter(|f| !f.as_os_str().is_empty()) {
        std::fs::create_dir_all(folder).map_err(failed)?;
    }
    let mut beside = path.as_os_str().to_owned();
    beside.push(".part");
    let beside = PathBuf::from(beside);
    // What a run that was cut off left there is not added to.
    match std::fs::remove_file(&beside) {
        Err(e) if e.kind() != std::io::ErrorKind::NotFound => return Err(failed(e)),
        _ => {}
    }
    let made = write(&beside).and_then(|()| {
        let bytes = std::fs::metadata(&beside).map_err(failed)?.len();
        std::fs::rename(&beside, path).map_err(failed)?;
        Ok(bytes)
    });
    if made.is_err() {
        // Half a file is nobody's; that it cannot be removed is not the error to tell.
        let _ = std::fs::remove_file(&beside);
    }
    made
}
