//! `strike`, `amend`: corrections. Nothing is deleted: the old stays readable under the new.

use bolebook_core::dosing::stem::{diameter_from_reading, echo};
use bolebook_core::entering;
use bolebook_core::facts::Fact;
use bolebook_core::ids::{BookId, RecordId};
use bolebook_core::quantity::{AsRead, Measured};
use bolebook_core::record::book_kinds::Strike;
use bolebook_core::record::people::Role;
use bolebook_core::record::{Body, Record};
use serde_json::Value;

use crate::app::{App, Need};
use crate::desk::Desk;
use crate::error::CliError;
use crate::figures::{self, Typed, wrong};
use crate::names::NameError;
use crate::output::Answer;

/// Strikes records out, as a line through an entry of a paper book: they stay readable.
///
/// What a struck application put in becomes unexplained, until a movement says where it went.
#[derive(Debug, clap::Args)]
pub struct StrikeCommand {
    /// The records, by id or its end.
    #[arg(required = true)]
    records: Vec<Typed>,
    /// Why.
    #[arg(long)]
    reason: String,
}

impl StrikeCommand {
    /// Runs it.
    pub fn run(self, app: &App) -> Result<Answer, CliError> {
        app.write(Need::MayJob, |desk| {
            let mut by_book: Vec<(BookId, Vec<RecordId>)> = vec![];
            for typed in &self.records {
                let (book, fact) = desk.fact(typed.text())?;
                may_change(desk, book, fact, "strike")?;
                if fact.struck_by.is_some() {
                    return Err(CliError::Refused(vec![format!("{} is struck already", fact.id)]));
                }
                match by_book.iter_mut().find(|(b, _)| *b == book) {
                    Some((_, records)) => records.push(fact.id),
                    None => by_book.push((book, vec![fact.id])),
                }
            }
            for (book, records) in by_book {
                let count = records.len();
                let body = Strike { records, reason: self.reason.clone() };
                let id = desk.stage(book, body.into(), desk.now, vec![])?;
                desk.logged(format_args!("{count} struck"), id);
            }
            Ok(())
        })
    }
}

/// A crew changes its own records only, until the day is signed off; the office changes any.
fn may_change(desk: &Desk<'_>, book: BookId, fact: &Fact, what: &str) -> Result<(), CliError> {
    if desk.role == Some(Role::Office) {
        return Ok(());
    }
    let facts = desk.facts_of(book);
    let own = fact.history.first().is_some_and(|v| facts.versions[*v].author == desk.device);
    let signed = desk.view_if_any().is_some_and(|view| {
        let day = view.crew_day(facts.shown(fact));
        view.book == book && day.is_some_and(|d| view.signed_off.contains_key(&d))
    });
    if own && !signed {
        return Ok(());
    }
    let why = if own { "its day is signed off" } else { "another device wrote it" };
    Err(CliError::NotAllowed {
        message: format!("this device cannot {what} {}: {why}", fact.id),
        hint: "ask the office; a note on the record says what is wrong: 'bolebook note --about ID TEXT'"
            .into(),
    })
}

/// Amends a record: writes it anew with some fields changed. The old version stays readable.
#[derive(Debug, clap::Args)]
pub struct Amend {
    /// The record, by id or its end; or a tree, by its tag.
    record: Typed,
    /// A field of its body and the new value, as `field=value` or `holes.0.put_in_ul=9000`; `null`
    /// takes an optional field out. See `bolebook show`.
    #[arg(long = "set", value_name = "FIELD=VALUE")]
    sets: Vec<String>,
    /// For a diameter: the reading as it should have been (29.9, 299mm, 11.8in).
    #[arg(long)]
    reading: Option<Typed>,
    /// With --reading: it is a girth.
    #[arg(long, requires = "reading")]
    girth: bool,
    /// For an application: the one this one finishes.
    #[arg(long, value_name = "ID")]
    continues: Option<Typed>,
}

impl Amend {
    /// Runs it.
    pub fn run(self, app: &App) -> Result<Answer, CliError> {
        app.write(Need::MayJob, |desk| {
            let (book, fact) = self.fact(desk)?;
            may_change(desk, book, fact, "amend")?;
            if fact.struck_by.is_some() {
                return Err(CliError::Refused(vec![format!("{} is struck: log it anew instead", fact.id)]));
            }
            let facts = desk.facts_of(book);
            let shown = &facts.shown(fact).record;
            let mut value = super::show::record_json(shown);
            for set in &self.sets {
                put(&mut value["body"], set)?;
            }
            if let Some(reading) = &self.reading {
                self.read_again(desk, &shown.body, reading, &mut value["body"])?;
            }
            if let Some(continues) = &self.continues {
                let continued = desk.fact(continues.text())?.1.id;
                value["body"]["continues"] = continued.to_string().into();
            }
            let before = super::show::record_json(shown);
            if value == before {
                return Err(CliError::Usage {
                    message: "nothing is changed".into(),
                    hint: "say what with --set FIELD=VALUE, --reading or --continues".into(),
                });
            }
            let body = body_of(&value)?;
            if let Body::Label(label) = &body {
                entering::label::may_amend(desk.yard, fact.id, label).map_err(CliError::Refused)?;
            }
            // All values in force are replaced, which also settles a fact that was amended two ways.
            let replaces = fact.current.iter().map(|v| facts.versions[*v].id()).collect();
            let id = desk.stage(book, body, desk.now, replaces)?;
            desk.logged(format_args!("{} amended", shown.kind().name().replace('_', " ")), id);
            desk.answer.json.insert("fact".into(), fact.id.to_string().into());
            Ok(())
        })
    }

    /// The record meant. A text that is a tree's tag and the end of an id as well is not guessed at.
    fn fact<'a>(&self, desk: &mut Desk<'a>) -> Result<(BookId, &'a Fact), CliError> {
        let record = desk.fact(self.record.text());
        let tree = if desk.view_if_any().is_some() { desk.tree(&self.record).ok() } else { None };
        match (record, tree) {
            (Ok((_, fact)), Some(tree)) if fact.id != tree => Err(NameError::Ambiguous {
                what: "record",
                name: self.record.0.clone(),
                there: vec![format!("tree {tree}"), format!("{} {}", fact.kind.name(), fact.id)],
            }
            .into()),
            (Ok(found), _) => Ok(found),
            (Err(_), Some(tree)) => desk.fact(&tree.to_string()),
            (Err(unknown), None) => Err(unknown),
        }
    }

    fn read_again(
        &self,
        desk: &mut Desk<'_>,
        body: &Body,
        reading: &Typed,
        value: &mut Value,
    ) -> Result<(), CliError> {
        let Body::Diameter(old) = body else {
            return Err(CliError::Usage {
                message: "only a diameter has a reading".into(),
                hint: "use --set FIELD=VALUE".into(),
            });
        };
        let (text, unit) = figures::reading(reading.text(), old.as_read.unit, "diameter")?;
        let of = if self.girth { Measured::Girth } else { Measured::Diameter };
        let as_read = AsRead { text, unit, of };
        let diameter = diameter_from_reading(&as_read).map_err(|e| CliError::Refused(vec![e.to_string()]))?;
        desk.answer.say(echo(&as_read, diameter));
        value["as_read"] = serde_json::to_value(&as_read).unwrap_or_default();
        value["diameter_um"] = diameter.0.into();
        Ok(())
    }
}

/// Puts one field: `a.0.b=value`, the value JSON where it is, text otherwise.
fn put(body: &mut Value, set: &str) -> Result<(), CliError> {
    let (path, text) = set.split_once('=').ok_or_else(|| wrong(set, "change", "write FIELD=VALUE"))?;
    let new: Value = serde_json::from_str(text).unwrap_or_else(|_| Value::String(text.to_owned()));
    let missing =
        || CliError::Refused(vec![format!("the record has no field '{path}'; see 'bolebook show'")]);
    let (parents, last) = path.trim().rsplit_once('.').map_or((None, path.trim()), |(p, l)| (Some(p), l));
    let mut place = body;
    for step in parents.into_iter().flat_map(|p| p.split('.')) {
        place = match place {
            Value::Array(items) => {
                step.parse::<usize>().ok().and_then(|i| items.get_mut(i)).ok_or_else(missing)?
            }
            Value::Object(fields) => fields.get_mut(step).ok_or_else(missing)?,
            _ => return Err(missing()),
        };
    }
    match place {
        Value::Array(items) => {
            let index: usize = last.parse().map_err(|_| missing())?;
            if new.is_null() && index < items.len() {
                items.remove(index);
            } else {
                *items.get_mut(index).ok_or_else(missing)? = new;
            }
        }
        Value::Object(fields) if new.is_null() => drop(fields.remove(last)),
        Value::Object(fields) => drop(fields.insert(last.to_owned(), new)),
        _ => return Err(missing()),
    }
    Ok(())
}

/// Reads a changed record back through the format's own reader, which refuses what does not fit.
fn body_of(value: &Value) -> Result<Body, CliError> {
    let text =
        bolebook_core::record::canonical::write(value).map_err(bolebook_core::record::RecordError::from)?;
    Ok(Record::read_draft(&text)?.body)
}
