//! One fact has one text: what a reader would pass over in silence is refused.
//!
//! A derived reader takes an empty list for one that is left out, and passes over a field it does
//! not know beside the variant of an enum. Two texts of one fact would be two facts under one id,
//! and a field that nobody reads would carry what nobody signed for. So a body is written again
//! and must come out as it was.

use serde_json::Value;

/// Compares a body as it came with the same body as a writer writes it. `no_replaces` says that the
/// envelope's one list is there and empty.
///
/// # Errors
/// The first place where they differ, and how.
pub(super) fn check(given: &Value, written: &Value, no_replaces: bool) -> Result<(), String> {
    if no_replaces {
        return Err(format!("replaces: {LEFT_OUT}"));
    }
    match differs(given, written) {
        None => Ok(()),
        Some((path, why)) => Err(format!("body{path}: {why}")),
    }
}

const LEFT_OUT: &str = "it says nothing: a writer leaves it out";

// As deep as canonical JSON goes: 16 levels.
fn differs(given: &Value, written: &Value) -> Option<(String, &'static str)> {
    match (given, written) {
        (Value::Object(given), Value::Object(written)) => {
            let more = given.keys().find(|key| !written.contains_key(*key));
            let less = written.keys().find(|key| !given.contains_key(*key));
            if let Some(key) = more {
                return Some((format!(".{key}"), LEFT_OUT));
            }
            if let Some(key) = less {
                return Some((format!(".{key}"), "it is missing: a writer always writes it"));
            }
            given.iter().zip(written.values()).find_map(|((key, given), written)| {
                differs(given, written).map(|(path, why)| (format!(".{key}{path}"), why))
            })
        }
        (Value::Array(given), Value::Array(written)) if given.len() == written.len() => {
            given.iter().zip(written).enumerate().find_map(|(at, (given, written))| {
                differs(given, written).map(|(path, why)| (format!("[{at}]{path}"), why))
            })
        }
        (given, written) if given == written => None,
        _ => Some((String::new(), "a writer writes it otherwise")),
    }
}

/// Looks whether a draft's members have names, as the same body's have when a writer writes it: a derived
/// reader takes a list of their values as well, in an order that is nobody's word.
///
/// # Errors
/// The first place of such a list.
pub(super) fn check_named(given: &Value, written: &Value) -> Result<(), String> {
    match unnamed(given, written) {
        None => Ok(()),
        Some(path) => Err(format!("body{path}: it is a list, where each value has a name: write the names")),
    }
}

fn unnamed(given: &Value, written: &Value) -> Option<String> {
    match (given, written) {
        (Value::Object(given), Value::Object(written)) => given
            .iter()
            .find_map(|(key, given)| unnamed(given, written.get(key)?).map(|path| format!(".{key}{path}"))),
        (Value::Array(given), Value::Array(written)) => {
            let both = given.iter().zip(written).enumerate();
            both.filter_map(|(at, (g, w))| Some(format!("[{at}]{}", unnamed(g, w)?))).next()
        }
        (Value::Array(_), Value::Object(_)) => Some(String::new()),
        _ => None,
    }
}

/// The same in a schema: a list that may be left out is not there empty, a yes that may be left out
/// is not there as a no, and what has a default is always written. Before nulls are taken out of it:
/// an option's no is another thing than its silence.
pub(super) fn one_spelling(mut schema: Value) -> Value {
    tighten(&mut schema);
    schema
}

fn tighten(schema: &mut Value) {
    match schema {
        Value::Array(items) => items.iter_mut().for_each(tighten),
        Value::Object(object) => {
            let mut required = match object.get("required") {
                Some(Value::Array(names)) => names.clone(),
                _ => vec![],
            };
            let before = required.len();
            if let Some(Value::Object(properties)) = object.get_mut("properties") {
                for (name, property) in properties.iter_mut() {
                    let Some(property) = property.as_object_mut() else { continue };
                    if required.iter().any(|known| known == name) {
                        continue;
                    }
                    if property.remove("default").is_some() {
                        required.push(name.clone().into());
                        continue;
                    }
                    match property.get("type").and_then(Value::as_str) {
                        Some("array") => drop(property.insert("minItems".into(), 1.into())),
                        Some("boolean") => drop(property.insert("const".into(), true.into())),
                        _ => {}
                    }
                }
            }
            if required.len() > before {
                object.insert("required".into(), required.into());
            }
            object.values_mut().for_each(tighten);
        }
        _ => {}
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    #[test]
    fn the_first_place_that_is_spelled_otherwise_is_named() {
        let written = json!({"a": [{"b": 1}, {"b": 2}], "c": "x"});
        assert_eq!(check(&written, &written, false), Ok(()));
        for (given, path) in [
            (json!({"a": [{"b": 1}, {"b": 2, "d": []}], "c": "x"}), "body.a[1].d: it says nothing"),
            (json!({"a": [{"b": 1}, {"b": 2}]}), "body.c: it is missing"),
            (json!({"a": [{"b": 1}], "c": "x"}), "body.a: a writer writes it otherwise"),
            (json!({"a": [{"b": 1}, {"b": 2}], "c": "X"}), "body.c: a writer writes it otherwise"),
        ] {
            let said = check(&given, &written, false).unwrap_err();
            assert!(said.starts_with(path), "{said}");
        }
    }
}
