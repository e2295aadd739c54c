//! Amending and striking any record of a job: a form of its fields, in the units people read.

use axum::extract::Path;
use axum::response::{Html, Redirect};
use bolebook_core::dosing::stem::diameter_from_reading;
use bolebook_core::facts::Fact;
use bolebook_core::ids::{BookId, RecordId};
use bolebook_core::quantity::{decimal, parse_decimal};
use bolebook_core::record::book_kinds::Strike;
use bolebook_core::record::{Body, Kind, Record, canonical};
use maud::{Markup, html};
use serde_json::Value;

use crate::desk::evidence::{amendable, history, tree_of};
use crate::desk::forms::{Fields, Posted, unwritable};
use crate::desk::page::{Desk, Page, clean, shown, text};
use crate::desk::write::{Staged, write as write_records};
use crate::error::ApiError;
use crate::snapshot::JobState;

/// Most fields a form is made for: an application of forty holes has some 300.
const MOST_FIELDS: usize = 1_500;

/// How a field whose name ends so is shown: unit, integer units in one, decimals.
const UNITS: [(&str, &str, i64, u32); 9] = [
    ("_um", "cm", 10_000, 4),
    ("_ul", "mL", 1_000, 3),
    ("_pa", "kPa", 1_000, 3),
    ("_mc", "°C", 1_000, 3),
    ("_mg", "g", 1_000, 3),
    ("_ndeg", "degrees", 1_000_000_000, 9),
    ("canopy_loss", "%", 10, 1),
    ("_ul_per_m", "mL per cm", 100_000, 5),
    ("_ul_per_inch", "mL per inch", 1_000, 3),
];

fn unit(path: &str) -> Option<(&'static str, i64, u32)> {
    let last = path.rsplit('.').find(|part| part.parse::<usize>().is_err()).unwrap_or(path);
    UNITS
        .iter()
        .rev()
        .find(|(end, ..)| last.ends_with(end))
        .map(|(_, unit, scale, places)| (*unit, *scale, *places))
}

/// A record's single values with their paths, in the order of its text.
fn leaves(value: &Value, path: &str, out: &mut Vec<(String, Value)>) {
    let below = |name: &str| if path.is_empty() { name.to_owned() } else { format!("{path}.{name}") };
    match value {
        Value::Object(fields) => fields.iter().for_each(|(k, v)| leaves(v, &below(k), out)),
        Value::Array(items) => {
            items.iter().enumerate().for_each(|(i, v)| leaves(v, &below(&i.to_string()), out))
        }
        _ => out.push((path.to_owned(), value.clone())),
    }
}

/// A value as it is shown in the form.
fn as_typed(path: &str, value: &Value) -> String {
    match (value, unit(path)) {
        (Value::Number(n), Some((_, scale, places))) => n.as_i64().map_or_else(
            || n.to_string(),
            |n| {
                let text = decimal(n, scale, places);
                text.trim_end_matches('0').trim_end_matches('.').to_owned()
            },
        ),
        (Value::String(s), _) => s.clone(),
        (other, _) => other.to_string(),
    }
}

/// A value as it was typed, in the type that stood there.
fn from_typed(path: &str, was: &Value, typed: &str) -> Result<Value, ApiError> {
    let bad = |why: String| unwritable(format!("'{}': {why}", name_of(path)));
    Ok(match was {
        Value::Number(_) => {
            let scale = unit(path).map_or(1, |(_, scale, _)| scale);
            parse_decimal(typed, scale, "figure").map_err(|e| bad(e.to_string()))?.into()
        }
        Value::Bool(_) => match typed {
            "true" => true.into(),
            "false" => false.into(),
            _ => return Err(bad("yes or no".into())),
        },
        _ => typed.into(),
    })
}

fn name_of(path: &str) -> String {
    let mut words = vec![];
    for part in path.split('.') {
        words.push(match part.parse::<usize>() {
            Ok(i) => (i + 1).to_string(),
            Err(_) => {
                let trimmed = ["_um", "_ul", "_pa", "_mc", "_mg", "_ndeg"]
                    .iter()
                    .fold(part, |p, end| p.strip_suffix(end).unwrap_or(p));
                trimmed.replace('_', " ")
            }
        });
    }
    words.join(" ")
}

fn fact_of<'j>(job: &'j JobState, record: &str) -> Result<&'j Fact, ApiError> {
    let none = || ApiError::not_found("the job's book has no such record");
    let id: RecordId = record.parse().map_err(|_| none())?;
    job.view.facts.fact_of(id).ok_or_else(none)
}

/// Kinds that may be struck: all but what makes a book a book, and strikes.
fn strikable(kind: Kind) -> bool {
    !matches!(kind, Kind::Genesis | Kind::Receipt | Kind::PhotoReceived | Kind::Certificate | Kind::Strike)
}

fn body_json(record: &Record) -> Result<Value, ApiError> {
    let text = record.to_canonical().map_err(|e| ApiError::internal(&e))?;
    serde_json::from_str(&text).map_err(|e| ApiError::internal(&e))
}

/// The form of a record.
pub async fn page(
    desk: Desk,
    Path((book, record)): Path<(String, String)>,
) -> Result<Html<String>, ApiError> {
    shown(desk, move |desk| {
        let book: BookId = book.parse().map_err(|_| ApiError::not_found("no such job"))?;
        let job = desk.job(book)?;
        let facts = &job.view.facts;
        let fact = fact_of(job, &record)?;
        let record = &facts.shown(fact).record;
        let mut fields = vec![];
        leaves(&body_json(record)?["body"], "", &mut fields);
        let kind = fact.kind.name().replace('_', " ");
        let open = desk.read_only.is_none() && fact.struck_by.is_none();
        let writable = open && amendable(fact.kind) && fields.len() <= MOST_FIELDS;
        let action = format!("/jobs/{book}/records/{}", fact.id);
        let body = html! {
            @if let Some(tree) = tree_of(job, fact, facts) { p { a href=(format!("/jobs/{book}/trees/{tree}")) { "← Tree " (text(&job.view.tag(tree))) } } }
            h1 { @if amendable(fact.kind) { "Amend: " } (kind) }
            ul.history { (history(desk, job, facts, fact, false)) }
            @if fact.current.len() > 1 { p.warn { "Several values are in force. What you write below replaces all of them." } }
            @if writable {
                form.amend method="post" action=(format!("{action}/amend")) {
                    (desk.token_field())
                    p.small { "Change what was logged wrong. The old version stays readable under the new one. Leave an optional text empty to take it out." }
                    div.fields { @for (path, value) in &fields { (field(path, value, fact.kind)) } }
                    button.main { "Amend" }
                }
            }
            @if open && strikable(fact.kind) {
                section aria-labelledby="strike" {
                    h2 id="strike" { "Strike it" }
                    form.row method="post" action=(format!("{action}/strike")) {
                        (desk.token_field())
                        label for="reason" { "Reason" }
                        input id="reason" name="reason" required maxlength="2000";
                        button.danger { "Strike" }
                    }
                    @if fact.kind == Kind::Application { p.small { "What it put in becomes unexplained, until a movement says where it went." } }
                }
            }
        };
        Ok(Page { title: format!("Amend: {kind}"), job: Some((book, "trees")), body })
    })
    .await
}

fn field(path: &str, value: &Value, kind: Kind) -> Markup {
    let id = format!("v-{}", path.replace('.', "-"));
    let typed = clean(&as_typed(path, value));
    let name = format!("v.{path}");
    let unit = unit(path).map(|(u, ..)| u);
    // The diameter follows from what was read off the tape, so that the two never disagree.
    let derived = kind == Kind::Diameter && path == "diameter_um";
    html! {
        @if derived { }
        @else {
            div {
                label for=(id) { (name_of(path)) @if let Some(unit) = unit { " (" (unit) ")" } }
                @match value {
                    Value::Bool(b) => { select id=(id) name=(name) { option value="true" selected[*b] { "yes" } option value="false" selected[!*b] { "no" } } }
                    Value::Number(_) => { input id=(id) name=(name) value=(typed) inputmode="decimal" required; }
                    _ if typed.len() > 60 => { textarea id=(id) name=(name) rows="3" { (typed) } }
                    _ => { input id=(id) name=(name) value=(typed); }
                }
            }
        }
    }
}

fn put(body: &mut Value, path: &str, new: Option<Value>) {
    let (parents, last) = path.rsplit_once('.').map_or(("", path), |(p, l)| (p, l));
    let mut place = body;
    for step in parents.split('.').filter(|s| !s.is_empty()) {
        let next = match place {
            Value::Array(items) => step.parse::<usize>().ok().and_then(|i| items.get_mut(i)),
            Value::Object(fields) => fields.get_mut(step),
            _ => None,
        };
        match next {
            Some(next) => place = next,
            None => return,
        }
    }
    match (place, new) {
        (Value::Object(fields), Some(new)) => drop(fields.insert(last.to_owned(), new)),
        (Value::Object(fields), None) => drop(fields.remove(last)),
        (Value::Array(items), Some(new)) => {
            if let Some(item) = last.parse::<usize>().ok().and_then(|i| items.get_mut(i)) {
                *item = new;
            }
        }
        _ => {}
    }
}

/// The record as the form says, read back through the format's own reader.
fn changed(record: &Record, fields: &Fields) -> Result<Body, ApiError> {
    let mut value = body_json(record)?;
    let before = value.clone();
    let mut all = vec![];
    leaves(&value["body"], "", &mut all);
    for (path, was) in all {
        let Some((_, typed)) = fields.iter().find(|(k, _)| k.strip_prefix("v.") == Some(&path)) else {
            continue;
        };
        // A text with steering marks was shown without them: it is only written anew when changed.
        if typed.trim() == clean(&as_typed(&path, &was)).trim() {
            continue;
        }
        let new = if typed.trim().is_empty() { None } else { Some(from_typed(&path, &was, typed.trim())?) };
        put(&mut value["body"], &path, new);
    }
    if value == before {
        return Err(unwritable("nothing was changed"));
    }
    let read = |value: &Value| -> Result<Body, ApiError> {
        let text = canonical::write(value).map_err(|e| unwritable(e.to_string()))?;
        Ok(Record::read_draft(&text).map_err(|e| unwritable(e.to_string()))?.body)
    };
    let mut body = read(&value)?;
    if let Body::Diameter(d) = &mut body {
        d.diameter_um = diameter_from_reading(&d.as_read).map_err(|e| unwritable(e.to_string()))?;
    }
    Ok(body)
}

/// Writes an amendment.
pub async fn write(
    Path((book, record)): Path<(String, String)>,
    Posted { desk, fields }: Posted,
) -> Result<Redirect, ApiError> {
    let app = desk.app.clone();
    app.blocking(move |_| {
        let book: BookId = book.parse().map_err(|_| ApiError::not_found("no such job"))?;
        let job = desk.job(book)?;
        let facts = &job.view.facts;
        let fact = fact_of(job, &record)?;
        if fact.struck_by.is_some() || !amendable(fact.kind) {
            return Err(unwritable(
                "this record cannot be amended: it is struck, or of a kind that is never changed",
            ));
        }
        let body = changed(&facts.shown(fact).record, &fields)?;
        // All values in force are replaced, which also settles a fact that was amended two ways.
        let replaces = fact.current.iter().map(|v| facts.versions[*v].id()).collect::<Vec<_>>();
        let replaces = if replaces.is_empty() { vec![facts.shown(fact).id()] } else { replaces };
        write_records(&desk, book, vec![Staged::replacing(body, replaces)], None)?;
        Ok(Redirect::to(&after(book, job, fact, "amended")))
    })
    .await
}

fn after(book: BookId, job: &JobState, fact: &Fact, done: &str) -> String {
    match tree_of(job, fact, &job.view.facts).filter(|t| *t != fact.id || done != "struck") {
        Some(tree) => format!("/jobs/{book}/trees/{tree}?done={done}"),
        None => format!("/jobs/{book}/records/{}/amend?done={done}", fact.id),
    }
}

/// Strikes a record.
pub async fn strike(
    Path((book, record)): Path<(String, String)>,
    Posted { desk, fields }: Posted,
) -> Result<Redirect, ApiError> {
    let app = desk.app.clone();
    app.blocking(move |_| {
        let book: BookId = book.parse().map_err(|_| ApiError::not_found("no such job"))?;
        let job = desk.job(book)?;
        let fact = fact_of(job, &record)?;
        if fact.struck_by.is_some() || !strikable(fact.kind) {
            return Err(unwritable(
                "this record cannot be struck: it is struck already, or of a kind that is never changed",
            ));
        }
        let reason = fields.needed("reason", "the reason")?;
        write_records(&desk, book, vec![Staged::new(Strike { records: vec![fact.id], reason })], None)?;
        Ok(Redirect::to(&after(book, job, fact, "struck")))
    })
    .await
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn figures_are_typed_in_the_units_people_read_and_kept_as_integers() {
        for (path, value, typed) in [
            ("holes.0.put_in_ul", 9_500, "9.5"),
            ("height_um", 1_300_000, "130"),
            ("pressure_pa", 700_000, "700"),
            ("canopy_loss", 125, "12.5"),
            ("charges_ul.2", 10_000, "10"),
            ("stem", 2, "2"),
            ("air_mc", -5_500, "-5.5"),
        ] {
            let value = Value::from(value);
            assert_eq!(as_typed(path, &value), typed, "{path}");
            assert_eq!(from_typed(path, &value, typed).unwrap(), value, "{path}");
        }
        assert!(from_typed("stem", &1.into(), "1.5").is_err());
        assert!(from_typed("height_um", &1.into(), "=1+1").is_err());
    }

    #[test]
    fn fields_are_named_in_words() {
        assert_eq!(name_of("holes.0.put_in_ul"), "holes 1 put in");
        assert_eq!(name_of("as_read.text"), "as read text");
    }
}
