//! Records: one immutable JSON fact each, in canonical form (RFC 8785).
//!
//! A record is an [`Envelope`] and a [`Body`]. Its text never changes: a correction is a new
//! record that names what it replaces. Kinds are grouped by who writes them: [`book_kinds`]
//! (what makes a book a book), [`people`], [`label`], [`kit`], [`product`] (the yard),
//! [`stand`], [`work`] (the crews) and [`office`].

pub mod book_kinds;
pub mod canonical;
pub mod kit;
pub mod label;
pub mod office;
pub mod people;
pub mod product;
mod reading;
mod spelling;
pub mod stand;
pub mod work;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use serde_json::Value;

use crate::ids::{DeviceId, PersonId, RecordId};
use crate::quantity::UtcMs;

pub use canonical::CanonicalError;

/// What every record carries, whatever its kind.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Envelope {
    /// The record's own id.
    pub id: RecordId,
    /// When the fact was logged, by the device's clock.
    pub at: UtcMs,
    /// The device that wrote it; must be the author of the commit that carries it.
    pub device: DeviceId,
    /// Who was using the device; absent only on what a server or a founding device writes.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub by: Option<PersonId>,
    /// The records of the same kind this one replaces (an amendment); empty for a new fact.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub replaces: Vec<RecordId>,
}

/// One fact of a book.
#[derive(Clone, Debug, PartialEq)]
pub struct Record {
    /// Id, time, device, person, what it replaces.
    pub envelope: Envelope,
    /// The fact itself.
    pub body: Body,
}

/// A record's text is not a record this version can read.
///
/// In an arriving book this is a finding, never a refusal: the text stays.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum RecordError {
    /// The text is not the canonical JSON of an object.
    #[error(transparent)]
    Canonical(#[from] CanonicalError),
    /// The envelope or body does not fit its kind.
    #[error("record of kind '{kind}': {why}")]
    Shape {
        /// The kind it claims, `?` when even that cannot be read.
        kind: String,
        /// What does not fit, from the reader.
        why: String,
    },
    /// The kind or its version is not known to this version of Bolebook.
    #[error("kind '{kind}' version {v} is not known here: a newer Bolebook wrote it; update this one")]
    Unknown {
        /// The kind.
        kind: String,
        /// Its version.
        v: i64,
    },
}

macro_rules! kinds {
    ($($(#[$doc:meta])* $variant:ident($ty:ty) = $name:literal,)*) => {
        /// The fact a record states, by kind.
        #[derive(Clone, Debug, PartialEq)]
        pub enum Body {
            $($(#[$doc])* $variant(Box<$ty>),)*
        }

        /// A record's kind.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum Kind {
            $($(#[$doc])* $variant,)*
        }

        impl Kind {
            /// Every kind there is, in the order of `docs/record-format.md`.
            pub const ALL: &[Kind] = &[$(Kind::$variant,)*];

            /// The name in a record's `kind` field.
            pub const fn name(self) -> &'static str {
                match self { $(Kind::$variant => $name,)* }
            }

            /// The JSON Schema (2020-12) of this kind's body.
            pub fn body_schema(self) -> schemars::Schema {
                match self { $(Kind::$variant => schemars::schema_for!($ty),)* }
            }
        }

        impl Body {
            /// Its kind.
            pub const fn kind(&self) -> Kind {
                match self { $(Body::$variant(_) => Kind::$variant,)* }
            }

            /// Out of a value: readers of texts are larger, and of a second kind of source all of them
            /// would be in the field app twice.
            fn read(kind: &str, body: &Value) -> Option<Result<Self, serde_json::Error>> {
                match kind {
                    $($name => Some(<$ty>::deserialize(body).map(|b| Body::$variant(Box::new(b)))),)*
                    _ => None,
                }
            }

            fn to_value(&self) -> Result<Value, serde_json::Error> {
                match self { $(Body::$variant(b) => serde_json::to_value(b),)* }
            }

            /// Out of a text, where room is no matter.
            #[cfg(not(target_arch = "wasm32"))]
            fn read_text(kind: &str, body: &str) -> Option<Result<Self, serde_json::Error>> {
                match kind {
                    $($name => Some(serde_json::from_str::<$ty>(body).map(|b| Body::$variant(Box::new(b)))),)*
                    _ => None,
                }
            }

            /// Its members as its type has them, in that order.
            #[cfg(not(target_arch = "wasm32"))]
            fn write_text(&self, to: &mut Vec<u8>) -> Result<(), serde_json::Error> {
                match self { $(Body::$variant(b) => serde_json::to_writer(to, b),)* }
            }
        }

        $(impl From<$ty> for Body {
            fn from(body: $ty) -> Self {
                Body::$variant(Box::new(body))
            }
        })*
    };
}

kinds! {
    /// The first record of a book.
    Genesis(book_kinds::Genesis) = "genesis",
    /// What a server saw arrive, and when.
    Receipt(book_kinds::Receipt) = "receipt",
    /// A photo's bytes that a server holds.
    PhotoReceived(book_kinds::PhotoReceived) = "photo_received",
    /// A commit put back that the log could not take in, with its evidence.
    Rescue(book_kinds::Rescue) = "rescue",
    /// A struck record, kept readable.
    Strike(book_kinds::Strike) = "strike",
    /// A device's certificate.
    Certificate(people::Certificate) = "certificate",
    /// A device's certificate taken back.
    Revocation(people::Revocation) = "revocation",
    /// Which books a crew's device may have.
    Access(people::Access) = "access",
    /// Held records let in by the office.
    Admission(people::Admission) = "admission",
    /// A person, without any personal detail.
    Person(people::Person) = "person",
    /// A person's licence.
    Licence(people::Licence) = "licence",
    /// A crew.
    Crew(people::Crew) = "crew",
    /// A product label, as the office entered it.
    Label(label::Label) = "label",
    /// A label re-entered and confirmed by a second licensed person.
    LabelConfirmation(label::LabelConfirmation) = "label_confirmation",
    /// An injection kit.
    Kit(kit::Kit) = "kit",
    /// A calibration of a kit's charge or gauge.
    Calibration(kit::Calibration) = "calibration",
    /// A lot of product.
    Lot(product::Lot) = "lot",
    /// Product that moved, or was measured.
    Movement(product::Movement) = "movement",
    /// Product put into a kit's reservoir.
    Fill(product::Fill) = "fill",
    /// The client's authorisation of the work.
    Authorisation(stand::Authorisation) = "authorisation",
    /// A notice given.
    Notice(stand::Notice) = "notice",
    /// A block of the job and its boundary.
    Block(stand::Block) = "block",
    /// A tree.
    Tree(stand::Tree) = "tree",
    /// A stem's measured diameter.
    Diameter(stand::Diameter) = "diameter",
    /// A tree's condition.
    Condition(stand::Condition) = "condition",
    /// The dose planned for a stem.
    Dose(work::Dose) = "dose",
    /// Product put into a stem.
    Application(work::Application) = "application",
    /// A tree that was not treated, and why.
    NotTreated(work::NotTreated) = "not_treated",
    /// An exposure, injury, spill or other incident.
    Incident(work::Incident) = "incident",
    /// A photo's name and digest; its bytes live outside the book.
    Photo(work::Photo) = "photo",
    /// A note.
    Note(work::Note) = "note",
    /// A crew's closing of its day.
    DayClosing(work::DayClosing) = "day_closing",
    /// A person's word that a label's cautions were read.
    Acknowledgement(work::Acknowledgement) = "acknowledgement",
    /// A look at a tree after treatment.
    Inspection(work::Inspection) = "inspection",
    /// An office decision on a finding.
    Ruling(office::Ruling) = "ruling",
    /// What a job asks of every record.
    Requirements(office::Requirements) = "requirements",
    /// Trees found to be one tree.
    Join(office::Join) = "join",
    /// A crew's day, signed off.
    SignOff(office::SignOff) = "sign_off",
    /// A signed-off day opened again.
    Reopening(office::Reopening) = "reopening",
    /// A question from the office to a crew.
    Question(office::Question) = "question",
    /// A crew's answer.
    Answer(office::Answer) = "answer",
}

/// The version of every kind so far.
pub const RECORD_VERSION: i64 = 1;

impl Record {
    /// The record's canonical text, the bytes that are hashed, signed and kept.
    ///
    /// # Errors
    /// [`RecordError`] when a figure lies outside the safe integers or the text would pass the
    /// size limit.
    pub fn to_canonical(&self) -> Result<String, RecordError> {
        let kind = self.body.kind().name();
        let shape = |e: serde_json::Error| RecordError::Shape { kind: kind.into(), why: e.to_string() };
        let mut value = serde_json::to_value(&self.envelope).map_err(shape)?;
        let body = self.body.to_value().map_err(shape)?;
        if let Some(object) = value.as_object_mut() {
            object.insert("kind".into(), kind.into());
            object.insert("v".into(), RECORD_VERSION.into());
            object.insert("body".into(), body);
        }
        let text = canonical::write(&value)?;
        canonical::check(&text)?;
        Ok(text)
    }

    /// Its kind.
    pub fn kind(&self) -> Kind {
        self.body.kind()
    }
}

/// The same schema for texts that leave out what is not there: schemars lets an option be null too.
fn without_null(schema: Value) -> Value {
    match schema {
        Value::Array(items) => items.into_iter().map(without_null).collect(),
        Value::Object(mut fields) => {
            if let Some(Value::Array(types)) = fields.get_mut("type") {
                types.retain(|t| t != "null");
                if let [one] = &types[..] {
                    let one = one.clone();
                    fields.insert("type".into(), one);
                }
            }
            if let Some(Value::Array(variants)) = fields.get_mut("anyOf") {
                variants.retain(|v| v.get("type").is_none_or(|t| t != "null"));
                if let [Value::Object(one)] = &variants[..] {
                    let one = one.clone();
                    fields.remove("anyOf");
                    fields.extend(one);
                }
            }
            fields
                .into_iter()
                .map(|(name, value)| (name, without_null(value)))
                .collect::<serde_json::Map<_, _>>()
                .into()
        }
        other => other,
    }
}

/// The JSON Schema (2020-12) of a whole record of `kind`.
pub fn record_schema(kind: Kind) -> Value {
    let one = |schema: schemars::Schema| without_null(spelling::one_spelling(schema.to_value()));
    let mut schema = one(schemars::schema_for!(Envelope));
    let mut body = one(kind.body_schema());
    let definitions = body.as_object_mut().and_then(|b| {
        b.remove("$schema");
        b.remove("$defs")
    });
    if let Some(object) = schema.as_object_mut() {
        object.insert("title".into(), kind.name().into());
        object.insert("$id".into(), format!("urn:bolebook:record:{}:{RECORD_VERSION}", kind.name()).into());
        let mut all = object.remove("$defs").unwrap_or_else(|| Value::Object(Default::default()));
        if let (Some(all), Some(Value::Object(more))) = (all.as_object_mut(), definitions) {
            all.extend(more);
        }
        object.insert("$defs".into(), all);
        if let Some(properties) = object.get_mut("properties").and_then(Value::as_object_mut) {
            properties.insert("kind".into(), serde_json::json!({ "const": kind.name() }));
            properties.insert("v".into(), serde_json::json!({ "const": RECORD_VERSION }));
            properties.insert("body".into(), body);
        }
        if let Some(required) = object.get_mut("required").and_then(Value::as_array_mut) {
            required.extend(["kind".into(), "v".into(), "body".into()]);
        }
    }
    schema
}
