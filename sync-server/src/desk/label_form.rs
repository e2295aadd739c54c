//! What the form of a label says as a label's file, and a label as its form shows it.

use bolebook_core::day::Day;
use bolebook_core::dosing::label::paper::{Taken, from_paper, to_paper};
use bolebook_core::dosing::label::{LabelProblem, pest_code, places, plant_code, validate};
use bolebook_core::figures::{count, share};
use bolebook_core::quantity::decimal;
use bolebook_core::record::label::Label;
use serde_json::{Map, Value};

use crate::desk::entry::{Problems, Typed};
use crate::desk::label_fields::{Field, LISTS, Of, SECTIONS, SOILS, TIMES};

/// Every field with its whole path.
fn all(typed: &Typed, lists: &[&str]) -> Vec<(String, &'static Field)> {
    let mut found = vec![];
    for (list, least, _, fields) in LISTS.iter().filter(|l| lists.contains(&l.0)) {
        for row in 0..typed.rows(list, *least) {
            found.extend(fields.iter().map(|f| (format!("{list}.{row}.{}", f.path), f)));
        }
    }
    found
}

/// Puts a value at a path, making objects and lists on the way.
pub fn put(form: &mut Value, path: &str, value: Value) {
    let mut place = form;
    let steps: Vec<&str> = path.split('.').collect();
    for (at, step) in steps.iter().enumerate() {
        let list_next = steps.get(at + 1).is_some_and(|s| s.parse::<usize>().is_ok());
        let fresh = if list_next { Value::Array(vec![]) } else { Value::Object(Map::new()) };
        place = match place {
            Value::Array(items) => {
                let index = step.parse::<usize>().unwrap_or(0);
                while items.len() <= index {
                    items.push(Value::Object(Map::new()));
                }
                &mut items[index]
            }
            Value::Object(fields) => fields.entry((*step).to_owned()).or_insert(fresh),
            _ => return,
        };
    }
    *place = value;
}

/// A field as the label's file has it; nothing when it is empty.
fn value(typed: &Typed, path: &str, field: &Field, problems: &mut Problems) -> Option<Value> {
    let text = typed.some(path);
    if field.of == Of::Tick {
        return Some(text.is_some().into());
    }
    let Some(text) = text else {
        if field.needed {
            problems.wrong(path, format!("{}: enter what the label says", field.label));
        }
        return None;
    };
    let listed = |parts: Vec<&str>| {
        Value::from(parts.into_iter().map(str::trim).filter(|p| !p.is_empty()).collect::<Vec<_>>())
    };
    let read = match field.of {
        Of::Text | Of::Tick => Ok(text.into()),
        Of::Lines => Ok(listed(text.lines().collect())),
        Of::Codes => {
            let upper = text.to_uppercase();
            Ok(listed(upper.split(|c: char| c == ',' || c == ';' || c.is_whitespace()).collect()))
        }
        Of::Figure => Ok(with_unit(typed, path, text).into()),
        Of::Count => count(text, "whole number").map(Value::from).map_err(|e| e.to_string()),
        Of::Percent => share(text, "share").map(|s| s.0.into()).map_err(|e| e.to_string()),
        Of::Time => time(text, typed.text(&format!("{path}.unit"))),
        Of::Date => text.parse::<Day>().map(|d| d.to_string().into()).map_err(|e| e.to_string()),
        Of::Choice(words) if words.iter().any(|(w, _)| *w == text) => Ok(text.into()),
        Of::YesNo if text == "yes" || text == "no" => Ok((text == "yes").into()),
        Of::Choice(_) | Of::YesNo => Err("choose one of the words".into()),
    };
    read.map_err(|why| problems.wrong(path, format!("{}: {why}", field.label))).ok()
}

/// A figure and its unit as one text: the unit may be typed behind the figure as well.
pub fn with_unit(typed: &Typed, path: &str, text: &str) -> String {
    match typed.some(&format!("{path}.unit")) {
        Some(unit) => format!("{text} {unit}"),
        None => text.to_owned(),
    }
}

fn time(text: &str, unit: &str) -> Result<Value, String> {
    let Some((_, seconds)) = TIMES.iter().find(|(name, _)| *name == unit) else {
        return Err("choose the unit the label gives: s, min or h".into());
    };
    let figure = count(text, "time").map_err(|e| e.to_string())?;
    figure.checked_mul(*seconds).map(Value::from).ok_or_else(|| "that is more than any label says".into())
}

/// Where a fault of the paper form belongs: `rates 1, usual` is `rates.0.usual`.
fn path_of(place: &str) -> String {
    let (around, name) = place.split_once(", ").unwrap_or((place, ""));
    let around = match around.split_once(' ') {
        Some((list, number)) => {
            format!("{list}.{}", number.parse::<usize>().map_or(0, |n| n.saturating_sub(1)))
        }
        None => around.to_owned(),
    };
    match (name, around.contains('.')) {
        ("", true) => format!("{around}.usual"),
        ("", false) => around,
        _ => format!("{around}.{name}"),
    }
}

/// Puts figures with their units into the record's integers, with every fault beside its field.
pub fn taken(form: Value, problems: &mut Problems) -> Option<(Value, Vec<Taken>)> {
    match from_paper(form) {
        Ok(read) => Some(read),
        Err(wrong) => {
            wrong.iter().for_each(|e| problems.wrong(path_of(&e.place), e.to_string()));
            None
        }
    }
}

/// The rows of some lists as the label's file has them.
pub fn rows(typed: &Typed, lists: &[&str], form: &mut Value, problems: &mut Problems) {
    for (path, field) in all(typed, lists) {
        if let Some(value) = value(typed, &path, field, problems) {
            put(form, &path, value);
        }
    }
}

/// The fields of a section as the label's file has them.
fn section(typed: &Typed, fields: &'static [Field], form: &mut Value, problems: &mut Problems) {
    for field in fields {
        if let Some(value) = value(typed, field.path, field, problems) {
            put(form, field.path, value);
        }
    }
}

/// The mix, all of it or nothing.
pub fn mix(typed: &Typed, form: &mut Value, problems: &mut Problems) {
    let (_, fields) = &SECTIONS[6];
    let said = fields.iter().any(|f| typed.some(f.path).is_some());
    for field in fields.iter().filter(|f| said && typed.some(f.path).is_none()) {
        problems.wrong(field.path, format!("{}: a mix needs diluent and both parts", field.label));
    }
    section(typed, fields, form, problems);
}

/// Codes that are none, of a form that is not yet a label whose own checks would say so.
fn codes(typed: &Typed, problems: &mut Problems) {
    for path in ["species", "pests"] {
        let form = |code: &str| if path == "species" { plant_code(code) } else { pest_code(code) };
        let upper = typed.text(path).to_uppercase();
        let parts = upper.split(|c: char| c == ',' || c == ';' || c.is_whitespace());
        for code in parts.filter(|c| !c.is_empty() && !form(c)) {
            let code = code.chars().take(40).collect();
            problems.wrong(path, LabelProblem::CodeForm { field: path.into(), code }.to_string());
        }
    }
}

/// The label a form says, with the figures it was written with, and everything wrong beside its field.
pub fn read(typed: &Typed) -> (Option<(Label, Vec<Taken>)>, Problems) {
    let mut problems = Problems::default();
    let mut form = Value::Object(Map::new());
    for (_, fields) in &SECTIONS[..6] {
        section(typed, fields, &mut form, &mut problems);
    }
    rows(typed, &["active_ingredients", "rates", "conditions.closed"], &mut form, &mut problems);
    mix(typed, &mut form, &mut problems);
    let soils: Vec<&str> =
        SOILS.into_iter().filter(|s| typed.some(&format!("conditions.soil.{s}")).is_some()).collect();
    if !soils.is_empty() {
        put(&mut form, "conditions.soil", soils.into());
    }
    let figures = taken(form, &mut problems);
    let Some((form, figures)) = figures.filter(|_| problems.none()) else {
        codes(typed, &mut problems);
        return (None, problems);
    };
    let label: Label = match serde_json::from_value(form) {
        Ok(label) => label,
        Err(error) => {
            problems.wrong("", error.to_string());
            return (None, problems);
        }
    };
    for problem in validate(&label) {
        for place in places(&problem, &label) {
            match problem.blocks() {
                true => problems.wrong(place, problem.to_string()),
                false => problems.note(place, problem.to_string()),
            }
        }
    }
    (Some((label, figures)), problems)
}

/// A label as its form shows it.
pub fn typed_of(label: &Label) -> Typed {
    let form = to_paper(serde_json::to_value(label).unwrap_or_default());
    let mut typed = Typed::default();
    let pointer = |path: &str| format!("/{}", path.replace('.', "/"));
    let mut fill = |path: &str, field: &Field| {
        let Some(found) = form.pointer(&pointer(path)) else { return };
        let joined = |by: &str| {
            let parts = found.as_array().into_iter().flatten().filter_map(Value::as_str);
            parts.collect::<Vec<_>>().join(by)
        };
        match (field.of, found) {
            (Of::Lines, _) => typed.put(path, joined("\n")),
            (Of::Codes, _) => typed.put(path, joined(" ")),
            (Of::Figure, Value::String(text)) => {
                let (figure, unit) = text.split_once(' ').unwrap_or((text, ""));
                typed.put(path, figure);
                typed.put(format!("{path}.unit"), unit);
            }
            (Of::Percent, Value::Number(n)) => {
                let text = decimal(n.as_i64().unwrap_or(0), 10, 1);
                typed.put(path, text.trim_end_matches(".0"));
            }
            (Of::Time, Value::Number(n)) => {
                typed.put(path, n.to_string());
                typed.put(format!("{path}.unit"), "s");
            }
            (Of::Tick, Value::Bool(true)) => typed.put(path, "yes"),
            (Of::Tick, _) => {}
            (Of::YesNo, Value::Bool(yes)) => typed.put(path, if *yes { "yes" } else { "no" }),
            (_, Value::String(text)) => typed.put(path, text.as_str()),
            (_, other) => typed.put(path, other.to_string()),
        }
    };
    for (_, fields) in &SECTIONS {
        fields.iter().for_each(|f| fill(f.path, f));
    }
    for (list, _, _, fields) in &LISTS {
        let rows = form.pointer(&pointer(list)).and_then(Value::as_array).map_or(0, Vec::len);
        for row in 0..rows {
            fields.iter().for_each(|f| fill(&format!("{list}.{row}.{}", f.path), f));
        }
    }
    for soil in form.pointer("/conditions/soil").and_then(Value::as_array).into_iter().flatten() {
        typed.put(format!("conditions.soil.{}", soil.as_str().unwrap_or("")), "yes");
    }
    typed
}

#[cfg(test)]
mod tests {
    use bolebook_core::dosing::invented::{ash_label, hemlock_label};
    use bolebook_core::dosing::label::not_stated;

    use super::*;
    use crate::desk::label_fields::{called, units};

    #[test]
    fn a_label_shown_in_the_form_reads_back_as_itself() {
        let mut mixed = hemlock_label();
        mixed.mix = Some(bolebook_core::record::label::Mix {
            diluent: "water".into(),
            product_parts: 1,
            diluent_parts: 3,
        });
        for label in [ash_label(), hemlock_label(), mixed] {
            let (read, problems) = read(&typed_of(&label));
            assert!(problems.none(), "{problems:?}");
            assert_eq!(read.unwrap().0, label);
        }
    }

    #[test]
    fn an_empty_form_asks_for_each_needed_field_beside_it() {
        let (label, problems) = read(&Typed::default());
        assert!(label.is_none());
        let page = problems.summary().into_string();
        for path in ["name", "rates.0.usual", "holes.spacing", "charges.part_charge", "cautions"] {
            assert!(page.contains(&format!("href=\"#{}\"", crate::desk::entry::dom(path))), "{path}: {page}");
        }
    }

    #[test]
    fn every_field_that_may_not_be_stated_has_a_name_people_read() {
        let mut label = ash_label();
        label.active_ingredients[0].tree_season_max_ug = None;
        label.charges.part_charge = true;
        label.conditions = Default::default();
        for name in not_stated(&label) {
            assert!(
                !called(name).contains(['_', ':']) || called(name).starts_with("Active ingredients: "),
                "{name}"
            );
        }
    }

    #[test]
    fn every_figure_offers_units() {
        for (path, field) in
            SECTIONS.iter().flat_map(|(_, f)| f.iter()).map(|f| (f.path.to_owned(), f)).chain(
                LISTS.iter().flat_map(|(list, _, _, fields)| {
                    fields.iter().map(move |f| (format!("{list}.0.{}", f.path), f))
                }),
            )
        {
            assert_eq!(field.of == Of::Figure, !units(&path).is_empty(), "{path}");
        }
    }
}
