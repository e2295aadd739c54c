//! The generated parts of `docs/record-format.md`, from the JSON Schemas of the record types, and
//! of `docs/findings.md`, from the finding codes.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use bolebook_core::finding::{Code, Ruled, Severity};
use bolebook_core::record::{Kind, record_schema};
use serde_json::{Map, Value};

/// The envelope's table, every kind's, and every type they refer to.
pub fn records() -> String {
    let mut types: BTreeMap<String, Value> = BTreeMap::new();
    let mut kinds = String::new();
    for kind in Kind::ALL {
        let schema = record_schema(*kind);
        let body = &schema["properties"]["body"];
        let _ = write!(kinds, "\n### Kind `{}`\n\n{}\n\n{}", kind.name(), text_of(body), fields(body));
        if let Some(definitions) = schema["$defs"].as_object() {
            types.extend(definitions.iter().map(|(name, definition)| (name.clone(), definition.clone())));
        }
    }
    let mut out = String::from("## Envelope\n\n");
    out += &envelope();
    out += "\n## Kinds\n\n";
    let links: Vec<String> = Kind::ALL.iter().map(|k| format!("[`{0}`](#kind-{0})", k.name())).collect();
    out += &links.join(" · ");
    out += "\n";
    out += &kinds;
    out += "\n## Types\n";
    for (name, definition) in &types {
        let _ = write!(out, "\n### Type {name}\n\n{}\n\n{}", text_of(definition), shape(definition));
    }
    out
}

/// Every finding code with its severity, next step, ruling and source.
pub fn findings() -> String {
    let mut table =
        String::from("| code | severity | settled by | what to do | where the rule comes from |\n");
    table += "|---|---|---|---|---|\n";
    for code in Code::ALL {
        let severity = match code.severity() {
            Severity::Stop => "stop",
            Severity::Review => "review",
            Severity::Note => "note",
        };
        let ruled = match code.ruled() {
            Ruled::Accepted => "accepting with a reason",
            Ruled::Confirmed => "confirming the violation",
        };
        let _ = writeln!(
            table,
            "| `{}` | {severity} | {ruled} | {} | {} |",
            code.name(),
            code.next(),
            code.source()
        );
    }
    table
}

fn envelope() -> String {
    let mut schema = record_schema(Kind::Note);
    let replace = [
        ("kind", "text", "The kind: one of those below."),
        ("v", "integer", "The kind's version: 1 for all so far."),
        ("body", "object", "The fact itself, as the kind says."),
    ];
    if let Some(properties) = schema["properties"].as_object_mut() {
        for (field, kind, meaning) in replace {
            let value = serde_json::json!({ "x-shown": kind, "description": meaning });
            properties.insert(field.into(), value);
        }
    }
    fields(&schema)
}

/// What a type that is not a table of fields looks like.
fn shape(definition: &Value) -> String {
    if let Some(variants) = definition["oneOf"].as_array() {
        return variants.iter().map(variant).collect();
    }
    if definition["properties"].is_object() {
        return fields(definition);
    }
    let mut text = match definition["type"].as_str() {
        Some("integer") => String::from("An integer."),
        Some("string") => String::from("Text."),
        _ => String::from("See the schema."),
    };
    if let Some(pattern) = definition["pattern"].as_str() {
        let _ = write!(text, " Pattern: `{}`", pattern.replace('|', "\\|"));
    }
    text + "\n"
}

/// One of several forms: a plain word, or an object told apart by its `type`.
fn variant(variant: &Value) -> String {
    if let Some(word) = variant["const"].as_str() {
        return format!("- `{word}`: {}\n", text_of(variant));
    }
    if let Some(words) = variant["enum"].as_array() {
        return words.iter().filter_map(Value::as_str).map(|w| format!("- `{w}`\n")).collect();
    }
    let tag = variant["properties"]["type"]["const"].as_str().unwrap_or("?");
    format!("**`type` = `{tag}`**: {}\n\n{}\n", text_of(variant), fields(variant))
}

/// A table of an object's fields: required ones in the order of the type, then optional ones.
fn fields(schema: &Value) -> String {
    let empty = Map::new();
    let properties = schema["properties"].as_object().unwrap_or(&empty);
    let required: Vec<&str> = match schema["required"].as_array() {
        Some(names) => names.iter().filter_map(Value::as_str).collect(),
        None => vec![],
    };
    if properties.is_empty() {
        return "No fields.\n".into();
    }
    let optional = properties.keys().map(String::as_str).filter(|name| !required.contains(name));
    let mut table = String::from("| field | | type | meaning |\n|---|---|---|---|\n");
    for name in required.iter().copied().chain(optional) {
        let Some(field) = properties.get(name) else { continue };
        let must = if required.contains(&name) { "required" } else { "optional" };
        let _ = writeln!(
            table,
            "| `{name}` | {must} | {} | {} |",
            type_of(field),
            text_of(field).replace('|', "\\|")
        );
    }
    table
}

/// A field's type in words, linked to where it is described.
fn type_of(field: &Value) -> String {
    if let Some(shown) = field["x-shown"].as_str() {
        return shown.into();
    }
    if let Some(name) = field["$ref"].as_str().and_then(|r| r.rsplit('/').next()) {
        return format!("[{name}](#type-{})", name.to_lowercase());
    }
    if let Some(word) = field["const"].as_str() {
        return format!("`{word}`");
    }
    if let Some(forms) = field["anyOf"].as_array() {
        let forms: Vec<String> = forms.iter().filter(|f| f["type"] != "null").map(type_of).collect();
        return forms.join(" or ");
    }
    let kind = match &field["type"] {
        Value::String(kind) => kind.as_str(),
        Value::Array(kinds) => kinds.iter().filter_map(Value::as_str).find(|k| *k != "null").unwrap_or("?"),
        _ => "?",
    };
    match kind {
        "array" => format!("list of {}", type_of(&field["items"])),
        "string" => "text".into(),
        "boolean" => "true or false".into(),
        other => other.into(),
    }
}

/// A description on one line, without the marks of Rust's documentation links.
fn text_of(schema: &Value) -> String {
    let text = schema["description"].as_str().unwrap_or("");
    text.split_whitespace().collect::<Vec<_>>().join(" ").replace("[`", "`").replace("`]", "`")
}
