//! The form of a label: its fields in the paper's order, and what they say as a label's file.

use bolebook_core::day::Day;
use bolebook_core::dosing::label::paper::{Taken, figures, from_paper, to_paper};
use bolebook_core::dosing::label::{LabelProblem, pest_code, places, plant_code, validate};
use bolebook_core::figures::{count, share};
use bolebook_core::quantity::decimal;
use bolebook_core::record::label::Label;
use serde_json::{Map, Value};

use crate::desk::entry::{Problems, Typed};

/// What a field takes.
#[derive(Clone, Copy, PartialEq, Eq)]
pub enum Of {
    /// A line of text.
    Text,
    /// Several lines, each a text.
    Lines,
    /// EPPO codes.
    Codes,
    /// A figure with its unit.
    Figure,
    /// A whole number.
    Count,
    /// A share in per cent.
    Percent,
    /// A time in seconds, minutes or hours.
    Time,
    /// A day.
    Date,
    /// One of some words.
    Choice(&'static [(&'static str, &'static str)]),
    /// Yes or no, to be said.
    YesNo,
    /// Said or not stated.
    Tick,
}

/// A field of the form.
pub struct Field {
    /// Its path; in a list's row, its name there.
    pub path: &'static str,
    /// What it is called.
    pub label: &'static str,
    /// What helps to fill it in.
    pub hint: &'static str,
    /// What it takes.
    pub of: Of,
    /// Whether every label has it.
    pub needed: bool,
}

const fn field(path: &'static str, label: &'static str, of: Of, needed: bool, hint: &'static str) -> Field {
    Field { path, label, hint, of, needed }
}

/// Units of a time, with their seconds.
pub const TIMES: [(&str, i64); 3] = [("s", 1), ("min", 60), ("h", 3_600)];

/// Lists of rows: name, least rows, what a row is called, its fields.
pub const LISTS: [(&str, usize, &str, &[Field]); 3] = [
    (
        "active_ingredients",
        1,
        "ingredient",
        &[
            field("name", "Common name (ISO 1750)", Of::Text, true, ""),
            field("strength", "Strength in the product", Of::Figure, true, ""),
            field(
                "tree_season_max",
                "Most per tree and season",
                Of::Figure,
                false,
                "Over all products that hold it.",
            ),
            field("area_season_max_per_ha", "Most per hectare and season", Of::Figure, false, ""),
        ],
    ),
    (
        "rates",
        1,
        "rate",
        &[
            field(
                "purpose",
                "What it is for",
                Of::Text,
                true,
                "Such as preventive. Rows of one purpose may not overlap.",
            ),
            field("from", "Smallest diameter of the class", Of::Figure, true, ""),
            field(
                "below",
                "First diameter above the class",
                Of::Figure,
                false,
                "Leave empty for no upper end.",
            ),
            field("min", "Least rate", Of::Figure, true, "The least that is still a treatment."),
            field("usual", "Usual rate", Of::Figure, true, ""),
            field("max", "Most", Of::Figure, true, ""),
        ],
    ),
    (
        "conditions.closed",
        0,
        "closed season",
        &[
            field("from", "First day", Of::Text, true, "MM-DD, like 04-10."),
            field(
                "to",
                "Last day",
                Of::Text,
                true,
                "MM-DD; before the first when it runs over the new year.",
            ),
            field("species", "Species it concerns", Of::Codes, false, "EPPO codes; empty for all."),
            field("why", "Why", Of::Text, true, ""),
        ],
    ),
];

/// The fields that are in no list, by section.
pub const SECTIONS: [(&str, &[Field]); 7] = [
    (
        "The product",
        &[
            field("name", "What the office calls it", Of::Text, true, ""),
            field(
                "registration",
                "Registration number",
                Of::Text,
                true,
                "As it stands on the label and on every container.",
            ),
            field("expires", "Last day this version may be used", Of::Date, false, ""),
            field(
                "species",
                "Tree species",
                Of::Codes,
                true,
                "EPPO codes, such as FRXAM; a genus code such as 1FRXG covers its species.",
            ),
            field("pests", "Pests", Of::Codes, true, "EPPO codes, such as AGRLPL."),
            field(
                "invented",
                "Only for invented labels: the mark",
                Of::Text,
                false,
                "Leave empty for a real label.",
            ),
        ],
    ),
    (
        "Diameter and limits",
        &[
            field("smallest_diameter", "Smallest diameter it may be used on", Of::Figure, true, ""),
            field(
                "forked",
                "Stems forking below breast height",
                Of::Choice(&[
                    ("each_stem", "each stem by itself"),
                    ("combined", "one combined figure, shared out"),
                    ("silent", "the label says nothing"),
                ]),
                true,
                "Where the label says nothing, a forked tree is a stop.",
            ),
            field("tree_season_max", "Most product per tree and season", Of::Figure, false, ""),
            field(
                "tree_season_max_by_diameter",
                "Most product per tree and season, by diameter",
                Of::Figure,
                false,
                "",
            ),
            field("area_season_max", "Most product per hectare and season", Of::Figure, false, ""),
            field(
                "interval_days",
                "Shortest interval between treatments, days",
                Of::Count,
                false,
                "A whole number.",
            ),
            field("pressure_max", "Highest pressure", Of::Figure, false, "By the gauge."),
        ],
    ),
    (
        "Holes",
        &[
            field("holes.bit", "Bit diameter", Of::Figure, true, ""),
            field("holes.depth_min", "Least depth in sapwood", Of::Figure, true, "Bark thickness is added."),
            field("holes.depth_max", "Greatest depth in sapwood", Of::Figure, true, ""),
            field("holes.spacing", "Spacing around the trunk", Of::Figure, true, ""),
            field(
                "holes.earlier_spacing",
                "Offset from earlier seasons' holes",
                Of::Figure,
                false,
                "Where not given, the spacing is kept from them too.",
            ),
            field("holes.band_low", "Lowest hole above ground", Of::Figure, true, ""),
            field("holes.band_high", "Highest hole above ground", Of::Figure, true, ""),
            field("holes.most_holes", "Most holes on one stem", Of::Count, false, "A whole number."),
            field(
                "holes.sealing",
                "Closing holes",
                Of::Choice(&[
                    ("required", "required"),
                    ("optional", "as the crew sees fit"),
                    ("forbidden", "forbidden"),
                ]),
                true,
                "",
            ),
        ],
    ),
    (
        "Charges",
        &[
            field("charges.most_per_hole", "Most product at one hole", Of::Figure, true, ""),
            field(
                "charges.per_hole",
                "Charges per hole, one after another",
                Of::Count,
                true,
                "A whole number.",
            ),
            field("charges.part_charge", "May a container be charged in part?", Of::YesNo, true, ""),
            field(
                "charges.least_part",
                "Least part charge",
                Of::Figure,
                false,
                "Where part charges are allowed.",
            ),
            field("charges.uptake_limit_s", "Longest time for uptake", Of::Time, false, ""),
            field("charges.hold_after_s", "Time a container stays on after emptying", Of::Time, false, ""),
        ],
    ),
    (
        "Conditions",
        &[
            field("conditions.air_min", "Lowest air temperature", Of::Figure, false, ""),
            field("conditions.air_max", "Highest air temperature", Of::Figure, false, ""),
            field("conditions.soil_min", "Lowest soil temperature", Of::Figure, false, ""),
            field("conditions.canopy_loss_max", "Greatest canopy loss, %", Of::Percent, false, ""),
            field(
                "conditions.water_distance",
                "Least distance to open water or a well",
                Of::Figure,
                false,
                "",
            ),
            field(
                "conditions.days_before_felling",
                "Least days between treatment and felling",
                Of::Count,
                false,
                "A whole number.",
            ),
            field("conditions.not_in_bloom", "Not before or in bloom", Of::Tick, false, ""),
            field(
                "conditions.not_for_food",
                "Not on trees whose sap, fruit, nuts or leaves are eaten",
                Of::Tick,
                false,
                "",
            ),
        ],
    ),
    (
        "Cautions and first aid",
        &[
            field(
                "cautions",
                "Cautions, in the label's own words",
                Of::Lines,
                true,
                "One on each line. Shown before the act.",
            ),
            field("first_aid", "First aid, in the label's own words", Of::Lines, true, "One on each line."),
        ],
    ),
    (
        "Mix, where the label has the product mixed",
        &[
            field("mix.diluent", "What it is mixed with", Of::Text, false, ""),
            field("mix.product_parts", "Parts of product", Of::Count, false, "A whole number."),
            field("mix.diluent_parts", "Parts of diluent", Of::Count, false, "A whole number."),
        ],
    ),
];

/// The soil moistures a label may name.
pub const SOILS: [&str; 3] = ["dry", "moist", "saturated"];

/// The units a figure may be given in.
pub fn units(path: &str) -> Vec<&'static str> {
    let (around, name) = path.rsplit_once('.').unwrap_or(("", path));
    let around = around.split('.').next().unwrap_or("");
    let found = figures().into_iter().find(|f| f.around == around && f.name == name);
    found.map(|f| f.units).unwrap_or_default()
}

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

/// What a field is called, by the name [`bolebook_core::dosing::label::not_stated`] has it under.
pub fn called(name: &str) -> String {
    let path = name.replace(": ", ".");
    let plain = SECTIONS.iter().flat_map(|(_, fields)| fields.iter()).find(|f| f.path == path);
    let of_list = || {
        let (list, inner) = path.split_once('.')?;
        let (.., fields) = LISTS.iter().find(|l| l.0 == list)?;
        fields
            .iter()
            .find(|f| f.path == inner)
            .map(|f| format!("Active ingredients: {}", f.label.to_lowercase()))
    };
    let other = || match name {
        "conditions: soil" => "Soil moistures it may be used at".to_owned(),
        "conditions: closed" => "Closed seasons".to_owned(),
        _ if name.starts_with("mix") => "A mix with a diluent".to_owned(),
        _ => name.to_owned(),
    };
    plain.map(|f| f.label.to_owned()).or_else(of_list).unwrap_or_else(other)
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
    let forms: [(&str, fn(&str) -> bool); 2] = [("species", plant_code), ("pests", pest_code)];
    for (path, form) in forms {
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
