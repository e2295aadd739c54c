//! Canonical JSON (RFC 8785), narrowed to what records need: one fact, one spelling, one hash.
//!
//! FROZEN with record format 1: the gate applies these rules to every commit ever written, so
//! they may not be loosened or tightened. A change is a new format version beside this one.

mod scan;

use std::borrow::Cow;

use serde_json::Value;

use crate::quantity::MAX_SAFE_INTEGER;

/// Longest record text, in bytes.
pub const MAX_RECORD_BYTES: usize = 64 * 1024;
/// Deepest nesting of objects and arrays in a record.
pub const MAX_DEPTH: usize = 16;

/// A text is not a record's canonical JSON.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum CanonicalError {
    /// Not JSON at all.
    #[error("not JSON: {0}")]
    Syntax(String),
    /// JSON, but not an object.
    #[error("a record is a JSON object")]
    NotAnObject,
    /// JSON, but not in the one spelling RFC 8785 gives it.
    #[error(
        "not in canonical form (RFC 8785), from byte {at}: sort the keys, drop spaces and needless escapes"
    )]
    NotCanonical {
        /// First byte that differs from the canonical text.
        at: usize,
    },
    /// A number with a fraction or exponent, or outside the safe integers.
    #[error("the number {0} is not an integer within ±(2^53 − 1): give quantities in whole named units")]
    Number(String),
    /// Nested too deeply.
    #[error("nested deeper than {MAX_DEPTH} levels")]
    Depth,
    /// Too long.
    #[error("{bytes} bytes; a record has at most {MAX_RECORD_BYTES}")]
    Size {
        /// Its length.
        bytes: usize,
    },
}

/// Checks that `text` is the canonical JSON of a record-shaped object.
///
/// # Errors
/// [`CanonicalError`] with the first rule broken. Never panics, whatever the bytes.
pub fn check(text: &str) -> Result<(), CanonicalError> {
    match scan::scan(text) {
        Some(_) => Ok(()),
        None => check_value(text).map(drop),
    }
}

/// Checks the same, and gives the object's field `id`, if that is a text.
///
/// # Errors
/// As [`check`].
pub fn check_id(text: &str) -> Result<Option<Cow<'_, str>>, CanonicalError> {
    if let Some(id) = plain_id(text) {
        return Ok(Some(Cow::Borrowed(id)));
    }
    let value = check_value(text)?;
    Ok(value.get("id").and_then(Value::as_str).map(|id| Cow::Owned(id.to_owned())))
}

/// The field `id` of a text that is plainly canonical.
pub(crate) fn plain_id(text: &str) -> Option<&str> {
    scan::scan(text)?.id
}

/// The rule itself: the text is what its value is written as.
fn check_value(text: &str) -> Result<Value, CanonicalError> {
    if text.len() > MAX_RECORD_BYTES {
        return Err(CanonicalError::Size { bytes: text.len() });
    }
    let value: Value = serde_json::from_str(text).map_err(|e| CanonicalError::Syntax(e.to_string()))?;
    if !value.is_object() {
        return Err(CanonicalError::NotAnObject);
    }
    integers_only(&value, 0)?;
    let canonical = write(&value)?;
    if canonical != text {
        let at = canonical.bytes().zip(text.bytes()).take_while(|(a, b)| a == b).count();
        return Err(CanonicalError::NotCanonical { at });
    }
    Ok(value)
}

/// The canonical text of any JSON value.
///
/// # Errors
/// [`CanonicalError::Syntax`] when the value cannot be written.
pub fn write(value: &Value) -> Result<String, CanonicalError> {
    serde_json_canonicalizer::to_string(value).map_err(|e| CanonicalError::Syntax(e.to_string()))
}

fn integers_only(value: &Value, depth: usize) -> Result<(), CanonicalError> {
    if depth > MAX_DEPTH {
        return Err(CanonicalError::Depth);
    }
    match value {
        Value::Number(n) => match n.as_i64() {
            Some(i) if (-MAX_SAFE_INTEGER..=MAX_SAFE_INTEGER).contains(&i) => Ok(()),
            _ => Err(CanonicalError::Number(n.to_string())),
        },
        Value::Array(items) => items.iter().try_for_each(|v| integers_only(v, depth + 1)),
        Value::Object(fields) => fields.values().try_for_each(|v| integers_only(v, depth + 1)),
        _ => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The least of all has no opposite that is a number of 64 bits.
    #[test]
    fn i9_a_number_at_either_end_of_64_bits_is_refused_as_a_number() {
        for number in [i64::MIN, i64::MAX, -MAX_SAFE_INTEGER - 1] {
            let refused = check(&format!(r#"{{"n":{number}}}"#)).unwrap_err();
            assert!(matches!(refused, CanonicalError::Number(_)), "{refused:?}");
        }
        assert!(check(&format!(r#"{{"n":{}}}"#, -MAX_SAFE_INTEGER)).is_ok());
    }

    /// RFC 8785 §3.2.3, the property sorting vector (UTF-16 code units).
    #[test]
    fn sorts_keys_as_rfc_8785_section_3_2_3() {
        let input = r#"{"\u20ac":"Euro Sign","\r":"Carriage Return","\ufb33":"Hebrew Letter Dalet With Dagesh","1":"One","\ud83d\ude00":"Emoji: Grinning Face","\u0080":"Control","\u00f6":"Latin Small Letter O With Diaeresis"}"#;
        let value: Value = serde_json::from_str(input).unwrap();
        let text = write(&value).unwrap();
        let order = ["Carriage Return", "One", "Control", "Latin Small", "Euro Sign", "Emoji", "Hebrew"];
        let places: Vec<_> = order.iter().map(|name| text.find(name).unwrap()).collect();
        assert!(places.is_sorted(), "{text}");
    }

    /// RFC 8785 §3.2.2, the sample object and its canonical form.
    #[test]
    fn writes_the_sample_of_rfc_8785_section_3_2_2() {
        let input = r#"{"numbers":[333333333.33333329,1E30,4.50,2e-3,0.000000000000000000000000001],"string":"\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\/","literals":[null,true,false]}"#;
        let value: Value = serde_json::from_str(input).unwrap();
        let expected = "{\"literals\":[null,true,false],\"numbers\":[333333333.3333333,1e+30,4.5,0.002,1e-27],\"string\":\"€$\\u000f\\nA'B\\\"\\\\\\\\\\\"/\"}";
        assert_eq!(write(&value).unwrap(), expected);
    }

    #[test]
    fn refuses_every_other_spelling_of_the_same_fact() {
        assert!(check(r#"{"a":1,"b":"x"}"#).is_ok());
        for bad in [
            r#"{"b":"x","a":1}"#,
            r#"{"a": 1}"#,
            r#"{"a":1,"a":1}"#,
            r#"{"a":1.0}"#,
            r#"{"a":1e2}"#,
            r#"{"a":-0}"#,
            r#"{"a":9007199254740992}"#,
            r#"{"a":"\u0041"}"#,
            r#"[1]"#,
            r#"{"a":NaN}"#,
            "",
        ] {
            assert!(check(bad).is_err(), "{bad}");
        }
        let deep = format!("{{\"a\":{}{}}}", "[".repeat(100_000 / 4), "]".repeat(100_000 / 4));
        assert!(check(&deep).is_err());
    }
}
