//! A record out of its text. What a writer wrote is read in one pass; whatever else there is goes the
//! long way round, which says what does not fit.
//!
//! A record is what its text says if writing it gives the text again. Types of the kinds a book is full of
//! have their members in canonical order, so that this is one writing and one comparison of bytes; with
//! others, and in the field app, whose module has no room for readers of texts, values are compared.

use std::borrow::Cow;

use serde::Deserialize;
use serde_json::Value;
use serde_json::value::RawValue;

use super::{Body, Envelope, Kind, RECORD_VERSION, Record, RecordError, canonical, spelling};
use crate::ids::{DeviceId, PersonId, RecordId};
use crate::quantity::UtcMs;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Wire<'a> {
    id: RecordId,
    at: UtcMs,
    device: DeviceId,
    #[serde(default)]
    by: Option<PersonId>,
    #[serde(default)]
    replaces: Option<Vec<RecordId>>,
    #[serde(borrow)]
    kind: Cow<'a, str>,
    v: i64,
    #[serde(borrow)]
    body: &'a RawValue,
}

/// What a reader says, without the place in a text that nobody sees.
pub(super) fn said(error: &serde_json::Error) -> String {
    let text = error.to_string();
    let place = format!(" at line {} column {}", error.line(), error.column());
    text.strip_suffix(&place).map(str::to_owned).unwrap_or(text)
}

impl Record {
    /// Reads a record's canonical text.
    ///
    /// # Errors
    /// [`RecordError`], naming the kind and the field that does not fit.
    pub fn read(text: &str) -> Result<Self, RecordError> {
        canonical::check(text)?;
        Self::read_shape(text)
    }

    /// Reads a text already known to be canonical (a log's rows passed the gate).
    pub(crate) fn read_shape(text: &str) -> Result<Self, RecordError> {
        if let Some(record) = Self::as_written(text) {
            return Ok(record);
        }
        let (record, wire, given) = Self::parse(text)?;
        let kind = record.kind().name();
        let shape = |why| RecordError::Shape { kind: kind.into(), why };
        let no_replaces = wire.replaces.is_some_and(|r| r.is_empty());
        let written = record.body.to_value().map_err(|e| shape(said(&e)))?;
        spelling::check(&given, &written, no_replaces).map_err(shape)?;
        Ok(record)
    }

    /// Reads a record that is being drafted: what has nothing to say may stand there (an empty list,
    /// a leak of nothing), and is left out when the record is written.
    ///
    /// # Errors
    /// [`RecordError`], as [`Record::read`].
    pub fn read_draft(text: &str) -> Result<Self, RecordError> {
        canonical::check(text)?;
        let (record, _, given) = Self::parse(text)?;
        let kind = record.kind().name();
        let shape = |why| RecordError::Shape { kind: kind.into(), why };
        let written = record.body.to_value().map_err(|e| shape(said(&e)))?;
        spelling::check_named(&given, &written).map_err(shape)?;
        Ok(record)
    }

    /// A record whose body is what a writer writes and that has no null: all that the long way asks.
    fn as_written(text: &str) -> Option<Self> {
        if text.contains("null") {
            return None;
        }
        let wire: Wire<'_> = serde_json::from_str(text).ok()?;
        if wire.v != RECORD_VERSION || wire.replaces.as_ref().is_some_and(Vec::is_empty) {
            return None;
        }
        let body = Self::body_as_written(&wire.kind, wire.body.get())?;
        Some(Self { envelope: wire.envelope(), body })
    }

    #[cfg(not(target_arch = "wasm32"))]
    fn body_as_written(kind: &str, text: &str) -> Option<Body> {
        let body = Body::read_text(kind, text)?.ok()?;
        let mut written = Vec::with_capacity(text.len());
        body.write_text(&mut written).ok()?;
        if written == text.as_bytes() { Some(body) } else { Self::body_by_value(kind, text) }
    }

    #[cfg(target_arch = "wasm32")]
    fn body_as_written(kind: &str, text: &str) -> Option<Body> {
        Self::body_by_value(kind, text)
    }

    fn body_by_value(kind: &str, text: &str) -> Option<Body> {
        let given: Value = serde_json::from_str(text).ok()?;
        let body = Body::read(kind, &given)?.ok()?;
        (body.to_value().ok()? == given).then_some(body)
    }

    fn parse(text: &str) -> Result<(Self, Wire<'_>, Value), RecordError> {
        let unread = |e: serde_json::Error| RecordError::Shape { kind: "?".into(), why: e.to_string() };
        let value: Value = serde_json::from_str(text).map_err(unread)?;
        let kind = value.get("kind").and_then(Value::as_str).unwrap_or("?").to_owned();
        let shape = |e: serde_json::Error| RecordError::Shape { kind: kind.clone(), why: said(&e) };
        if has_null(&value) {
            let why = "a field without a value is left out, never written as null".into();
            return Err(RecordError::Shape { kind, why });
        }
        if let Some(v) = value.get("v").and_then(Value::as_i64)
            && (v != RECORD_VERSION || !Kind::ALL.iter().any(|k| k.name() == kind))
        {
            return Err(RecordError::Unknown { kind, v });
        }
        drop(value);
        let wire: Wire<'_> = serde_json::from_str(text).map_err(shape)?;
        let given: Value = serde_json::from_str(wire.body.get()).map_err(shape)?;
        let body = match Body::read(&wire.kind, &given) {
            Some(body) => body.map_err(shape)?,
            None => return Err(RecordError::Unknown { kind: wire.kind.into_owned(), v: wire.v }),
        };
        Ok((Self { envelope: wire.envelope(), body }, wire, given))
    }
}

impl Wire<'_> {
    fn envelope(&self) -> Envelope {
        let Self { id, at, device, by, .. } = *self;
        Envelope { id, at, device, by, replaces: self.replaces.clone().unwrap_or_default() }
    }
}

/// One fact has one text: an optional field that is not there is not there, and nothing else says so.
fn has_null(value: &Value) -> bool {
    match value {
        Value::Null => true,
        Value::Array(items) => items.iter().any(has_null),
        Value::Object(fields) => fields.values().any(has_null),
        _ => false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const NOTE: &str = r#"{"at":1750000000000,"body":{"text":"a \"b\"\n"},"device":"DEVICE","id":"01890a5d-ac96-774b-bcce-b302099a8057","kind":"note","v":1}"#;

    fn note() -> String {
        NOTE.replace("DEVICE", &"ab".repeat(16))
    }

    #[test]
    fn what_a_writer_wrote_goes_the_short_way_and_comes_out_the_same() {
        let record = Record::as_written(&note()).expect("the short way");
        assert_eq!(record.to_canonical().unwrap(), note());
        assert_eq!(Record::parse(&note()).unwrap().0, record);
    }

    /// Kinds that a book is full of: their types' members stand in the order of their names. If one does not,
    /// it is read as well, and takes three times as long.
    #[test]
    fn what_a_book_is_full_of_is_written_as_it_was_read_without_being_put_in_order() {
        for text in [
            include_str!("../../../schemas/examples/accepted/application.json"),
            include_str!("../../../schemas/examples/accepted/condition.json"),
            include_str!("../../../schemas/examples/accepted/diameter.json"),
            include_str!("../../../schemas/examples/accepted/dose.json"),
            include_str!("../../../schemas/examples/accepted/fill.json"),
            include_str!("../../../schemas/examples/accepted/not_treated.json"),
            include_str!("../../../schemas/examples/accepted/note.json"),
            include_str!("../../../schemas/examples/accepted/photo.json"),
            include_str!("../../../schemas/examples/accepted/photo_received.json"),
            include_str!("../../../schemas/examples/accepted/receipt.json"),
            include_str!("../../../schemas/examples/accepted/tree.json"),
        ] {
            let wire: Wire<'_> = serde_json::from_str(text).unwrap();
            let body = Body::read_text(&wire.kind, wire.body.get()).unwrap().unwrap();
            let mut written = vec![];
            body.write_text(&mut written).unwrap();
            assert_eq!(String::from_utf8(written).unwrap(), wire.body.get());
            assert_eq!(Record::body_by_value(&wire.kind, wire.body.get()), Some(body));
        }
        fn members<T: serde::de::DeserializeOwned + std::fmt::Debug>() {
            // A derived reader names the members in the order in which the type has them.
            let said = serde_json::from_str::<T>(r#"{"no such":0}"#).unwrap_err().to_string();
            let named: Vec<&str> = said.split('`').skip(3).step_by(2).collect();
            assert!(named.len() > 1 && named.is_sorted(), "{said}");
        }
        members::<crate::quantity::AsRead>();
        members::<super::super::book_kinds::PhotoReceived>();
        members::<super::super::book_kinds::Receipt>();
        members::<super::super::product::Fill>();
        members::<super::super::stand::Condition>();
        members::<super::super::stand::Damage>();
        members::<super::super::stand::Diameter>();
        members::<super::super::stand::Position>();
        members::<super::super::stand::Tree>();
        members::<super::super::work::Application>();
        members::<super::super::work::Dose>();
        members::<super::super::work::Hole>();
        members::<super::super::work::NotTreated>();
        members::<super::super::work::Note>();
        members::<super::super::work::Photo>();
    }

    #[test]
    fn a_draft_names_its_members() {
        let tree = include_str!("../../../schemas/examples/accepted/tree.json").trim_end();
        let mut draft: Value = serde_json::from_str(tree).unwrap();
        draft["body"]["position"] =
            serde_json::json!([45_000_000_000_i64, 9_000_000_000_i64, 5_000_000, "gnss"]);
        let refused = Record::read_draft(&canonical::write(&draft).unwrap()).unwrap_err().to_string();
        assert!(refused.contains("body.position: it is a list"), "{refused}");
        assert_eq!(Record::read_draft(tree).unwrap(), Record::read(tree).unwrap());
    }

    #[test]
    fn what_goes_the_long_way_is_told_what_does_not_fit() {
        for (from, to, why) in [
            (r#""v":1"#, r#""v":2"#, "kind 'note' version 2 is not known"),
            (r#""kind":"note""#, r#""kind":"nought""#, "kind 'nought' version 1 is not known"),
            (r#","id""#, r#","extra":1,"id""#, "unknown field `extra`"),
            (r#"{"text":"#, r#"{"about":[],"text":"#, ": "),
            (r#","kind":"note""#, r#","kind":"note","replaces":[]"#, "replaces: it says nothing"),
            (r#"{"text":"a \"b\"\n"}"#, r#"{"text":null}"#, "never written as null"),
            (r#"{"text":"a \"b\"\n"}"#, r#"{}"#, "missing field `text`"),
        ] {
            let text = note().replace(from, to);
            assert_ne!(text, note(), "{from}");
            let refused = Record::read(&text).unwrap_err().to_string();
            assert!(refused.contains(why) && !refused.contains("column"), "{text}: {refused}");
        }
    }
}
