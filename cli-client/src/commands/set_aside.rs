//! `set-aside`: what an exchange could not keep in the books, readable.

use bolebook_core::exchange::{Entry, LogLine};
use bolebook_core::record::Record;
use bolebook_log::set_aside::State;
use serde_json::{Value, json};

use crate::app::App;
use crate::error::CliError;
use crate::output::{Answer, Table, short};

/// Shows what could not stay in this store's books: each line, why, and what became of it.
///
/// Nothing of it is ever removed. With --json the whole lines are shown, as they were stored.
#[derive(Debug, clap::Args)]
pub struct SetAside {}

fn fate(state: State) -> &'static str {
    match state {
        State::ToRescue => "goes to the server as evidence, with every exchange until the books show it",
        State::Rescued => "back in the books",
        State::ToReput => "is written again with the next exchange",
        State::Reput => "written again by this device",
        State::Kept => "kept to be read: log again what is missing",
    }
}

/// What a line says: the kinds of its records, or as much of its text as shows what it was.
fn says(text: &str) -> (Vec<Value>, String) {
    let commit = match LogLine::parse_stored(text).map(LogLine::into_entry) {
        Ok(Entry::Commit(commit)) => commit,
        Ok(Entry::Signature(_)) => return (vec![], "a signature".into()),
        Err(_) => return (vec![], text.chars().take(60).collect()),
    };
    let records: Vec<Value> =
        commit.records().iter().map(|t| serde_json::from_str(t).unwrap_or(Value::Null)).collect();
    let kinds = commit.records().iter().map(|t| match Record::read(t) {
        Ok(record) => format!("{} {}", record.kind().name(), short(record.envelope.id)),
        Err(_) => "an unreadable record".into(),
    });
    let kinds: Vec<String> = kinds.collect();
    let more = kinds.len().saturating_sub(3);
    let mut shown = kinds.into_iter().take(3).collect::<Vec<_>>().join(", ");
    if more > 0 {
        shown.push_str(&format!(" and {more} more"));
    }
    (records, shown)
}

impl SetAside {
    /// Runs it.
    pub fn run(self, app: &App) -> Result<Answer, CliError> {
        let store = app.store()?;
        let lines = bolebook_log::set_aside::list(store.db())?;
        if lines.is_empty() {
            return Ok(Answer::line("Nothing was ever set aside here.").with("lines", Vec::<Value>::new()));
        }
        let mut table = Table::new(&["book", "no.", "what", "why", "what became of it"]).right(&[1]);
        let mut rows = vec![];
        for one in &lines {
            let (records, shown) = says(&one.text);
            table.row([
                short(one.book),
                one.number.to_string(),
                shown,
                one.code.clone(),
                fate(one.state).into(),
            ]);
            rows.push(json!({
                "book": one.book, "number": one.number, "hash": one.hash, "code": one.code, "why": one.why,
                "state": one.state.name(), "server": one.server, "at": one.at, "records": records, "line": one.text,
            }));
        }
        let mut answer = Answer::default().with("lines", rows);
        answer.table(&table);
        Ok(answer)
    }
}
