//! `log`: many entries at once, as lines of JSON; all of them are logged, or none.

use std::path::PathBuf;

use serde::de::DeserializeOwned;
use serde_json::Value;

use super::Entry;
use super::calibrate::Calibrate;
use super::dose::DoseEntry;
use super::field::{ConditionEntry, DiameterEntry, InspectEntry, NoteEntry, TreeEntry};
use super::product::{FillEntry, Move};
use super::require::Acknowledge;
use super::treat::TreatEntry;
use super::work::{CloseDay, IncidentEntry, NotTreatedEntry};
use crate::app::{App, Need};
use crate::desk::Desk;
use crate::error::{CliError, Fault};
use crate::output::Answer;

/// Logs many entries from a file of JSON lines: all of them, or none.
///
/// Each line is one entry: {"do": "diameter", "tree": "17", "reading": "29.9"}, with the fields a
/// command of that name takes as arguments and options (dashes are underscores). `do` is one of
/// tree, diameter, condition, dose, treat, not_treated, incident, inspect, note, close_day, move, fill,
/// acknowledge, calibrate.
#[derive(Debug, clap::Args)]
pub struct Log {
    /// The file ('-' for standard input).
    file: PathBuf,
}

/// Lines longer than this are refused unread.
const MAX_LINE: usize = 64 * 1024;

impl Log {
    /// Runs it.
    pub fn run(self, app: &App) -> Result<Answer, CliError> {
        let bytes = super::read_file(&self.file)?;
        app.write(Need::MayJob, |desk| {
            let mut faults = vec![];
            let mut entries = 0usize;
            for (line, number) in bytes.split(|b| *b == b'\n').zip(1u64..) {
                if line.trim_ascii().is_empty() {
                    continue;
                }
                match stage(desk, line) {
                    Ok(()) => entries += 1,
                    Err(error) => faults.push(Fault { line: number, column: None, why: why(&error) }),
                }
            }
            if !faults.is_empty() {
                return Err(CliError::Lines { file: self.file.display().to_string(), faults });
            }
            desk.answer.text.clear();
            desk.answer.say(format!("{entries} entries logged."));
            for one in [
                "tree",
                "diameter",
                "diameter_um",
                "application",
                "dose",
                "charges",
                "layout",
                "cautions",
                "advice",
                "assessment",
            ] {
                desk.answer.json.remove(one);
            }
            desk.answer.json.insert("entries".into(), entries.into());
            Ok(())
        })
    }
}

fn why(error: &CliError) -> String {
    let explained = error.explain();
    match explained.hint {
        Some(hint) if matches!(error, CliError::Name(_)) => format!("{} ({hint})", explained.message),
        _ => explained.message,
    }
}

fn stage(desk: &mut Desk<'_>, line: &[u8]) -> Result<(), CliError> {
    if line.len() > MAX_LINE {
        return Err(CliError::Refused(vec![format!(
            "the line has {} bytes; at most {MAX_LINE}",
            line.len()
        )]));
    }
    let json = |e: serde_json::Error| CliError::Refused(vec![e.to_string()]);
    let mut value: Value = serde_json::from_slice(line).map_err(json)?;
    let word = value.as_object_mut().and_then(|fields| fields.remove("do"));
    let word = word.as_ref().and_then(Value::as_str).unwrap_or("").replace('-', "_");
    match word.as_str() {
        "tree" => entry::<TreeEntry>(desk, value),
        "diameter" => entry::<DiameterEntry>(desk, value),
        "condition" => entry::<ConditionEntry>(desk, value),
        "dose" => entry::<DoseEntry>(desk, value),
        "treat" => entry::<TreatEntry>(desk, value),
        "not_treated" => entry::<NotTreatedEntry>(desk, value),
        "incident" => entry::<IncidentEntry>(desk, value),
        "inspect" => entry::<InspectEntry>(desk, value),
        "note" => entry::<NoteEntry>(desk, value),
        "close_day" => entry::<CloseDay>(desk, value),
        "move" => entry::<Move>(desk, value),
        "fill" => entry::<FillEntry>(desk, value),
        "acknowledge" => entry::<Acknowledge>(desk, value),
        "calibrate" => entry::<Calibrate>(desk, value),
        "" => Err(CliError::Refused(vec!["it does not say what to do: {\"do\": \"tree\", …}".into()])),
        other => Err(CliError::Refused(vec![format!(
            "'{other}' cannot be logged: tree, diameter, condition, dose, treat, not_treated, incident, inspect, note, close_day, move, fill, acknowledge, calibrate"
        )])),
    }
}

fn entry<E: Entry + DeserializeOwned>(desk: &mut Desk<'_>, value: Value) -> Result<(), CliError> {
    let entry: E = serde_json::from_value(value).map_err(|e| CliError::Refused(vec![e.to_string()]))?;
    entry.stage(desk)
}
