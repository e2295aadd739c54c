//! What each column of each table means: its type, unit and meaning, for a Table Schema.
//!
//! The names here and the columns written are held together by a test, so that a table and what is
//! said of it cannot part. Form: Frictionless Table Schema, specs.frictionlessdata.io/table-schema;
//! `unit` is a property of our own, which the specification allows.

use serde_json::{Map, Value, json};

/// How a column's cells are read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Type {
    /// Text. What a spreadsheet would run has an apostrophe before it.
    Text,
    /// The id of a record or a tree: never empty.
    Id,
    /// A whole number.
    Integer,
    /// A decimal number with a point.
    Number,
    /// A day, `YYYY-MM-DD`.
    Date,
    /// A moment with its offset from UTC (RFC 3339).
    Time,
    /// A time of day, `HH:MM`.
    Clock,
}

/// A column.
#[derive(Clone, Copy, Debug)]
pub struct Field {
    /// Its name in the first line.
    pub name: &'static str,
    /// How its cells are read.
    pub kind: Type,
    /// The unit of its figures.
    pub unit: Option<&'static str>,
    /// What it means.
    pub about: &'static str,
}

/// A column without a unit.
pub(super) const fn field(name: &'static str, kind: Type, about: &'static str) -> Field {
    Field { name, kind, unit: None, about }
}

/// A column of figures in a unit.
pub(super) const fn figure(name: &'static str, unit: &'static str, about: &'static str) -> Field {
    Field { name, kind: Type::Number, unit: Some(unit), about }
}

impl Field {
    /// A cell's text: a figure as it is, for a longitude may begin with a minus; all else inert.
    pub(super) fn cell(&self, text: &str) -> String {
        if self.kind == Type::Number { text.to_owned() } else { super::inert(text) }
    }

    /// The field's descriptor.
    pub fn descriptor(&self) -> Value {
        let (kind, format) = match self.kind {
            Type::Text | Type::Id => ("string", None),
            Type::Integer => ("integer", None),
            Type::Number => ("number", None),
            Type::Date => ("date", None),
            Type::Time => ("datetime", Some("any")),
            Type::Clock => ("string", None),
        };
        let mut said = Map::new();
        said.insert("name".into(), self.name.into());
        said.insert("type".into(), kind.into());
        if let Some(format) = format {
            said.insert("format".into(), format.into());
        }
        if let Some(unit) = self.unit {
            said.insert("unit".into(), unit.into());
        }
        said.insert("description".into(), self.about.into());
        match self.kind {
            Type::Id => said.insert("constraints".into(), json!({ "required": true })),
            Type::Clock => said.insert("constraints".into(), json!({ "pattern": "[0-2][0-9]:[0-5][0-9]" })),
            _ => None,
        };
        Value::Object(said)
    }
}

/// How an application stands, in every table that shows one.
pub(super) const STANDING: Field =
    field("standing", Type::Text, "in force, contested (every value is a row), struck or held");
/// Whether the sign-off covers it.
pub(super) const DAY_STATE: Field =
    field("day_state", Type::Text, "provisional, signed off, or arrived after sign-off");
/// Violations the office confirmed.
pub(super) const VIOLATIONS: Field = field(
    "violations",
    Type::Text,
    "violations of label or law that the office confirmed: code, why, what was done, which report",
);
/// The state.
pub const STATE: Field =
    field("book_state", Type::Id, "the first 16 digits of the digest that names the state of both books");
const TREE: Field = field("tree", Type::Id, "the tree; of trees joined, the one that stays");
const APPLICATION: Field = field("application", Type::Id, "the application");

/// The fields of `trees.csv`.
pub const TREES: &[Field] = &[
    TREE,
    field("tag", Type::Text, "the tag on the tree"),
    field("other_tags", Type::Text, "tags of trees found to be this one, separated by spaces"),
    field("species", Type::Text, "the species, as an EPPO code where the crew gave one"),
    field("block", Type::Text, "the name of its block"),
    figure("lat", "degree", "latitude on WGS 84"),
    figure("lon", "degree", "longitude on WGS 84"),
    field("stems", Type::Integer, "how many stems, when it forks below breast height"),
    figure("diameter_cm", "cm", "diameter at breast height of the first stem, as last measured"),
    figure("canopy_loss_pct", "%", "share of the canopy lost, at the last look"),
    field("state", Type::Text, "treated, not treated or left"),
    field("reason", Type::Text, "why it was not treated"),
    field("applications", Type::Integer, "how many applications in force"),
    figure("put_in_ml", "mL", "product taken up, over all applications in force; never mix"),
    figure("discharged_ml", "mL", "product taken up and leaked, over all applications in force"),
    field("first_day", Type::Date, "the first day it was treated on, in the job's time zone"),
    VIOLATIONS,
    STATE,
];

/// The fields of `applications.csv`.
pub const APPLICATIONS: &[Field] = &[
    APPLICATION,
    STANDING,
    TREE,
    field("tag", Type::Text, "the tag on the tree"),
    field("stem", Type::Integer, "which stem, from 1"),
    field("crew", Type::Text, "the crew's name"),
    field("day", Type::Date, "the crew-day it counts to, in the job's time zone"),
    field("started_at", Type::Time, "the first hole, in the job's local time"),
    field("ended_at", Type::Time, "the last container off, in the job's local time"),
    field("applicator", Type::Text, "who applied: the name, else the id"),
    field(
        "applicator_licence",
        Type::Text,
        "licence number of who answers for it: the supervisor, else the applicator",
    ),
    field("supervisor", Type::Text, "the certified applicator in charge, when another person"),
    field("product", Type::Text, "the product's name on the label"),
    field("registration", Type::Text, "the product's registration or authorisation number"),
    field("label_version", Type::Id, "the label version it was done under"),
    field("purpose", Type::Text, "the rate row's purpose"),
    field("lot", Type::Text, "the lot's number"),
    field("kit", Type::Text, "the kit's name"),
    figure("diameter_cm", "cm", "the diameter the dose was worked from"),
    figure("dose_min_ml", "mL", "the least the label gives for this stem"),
    figure("dose_usual_ml", "mL", "the label's usual dose for this stem"),
    figure("dose_max_ml", "mL", "the most the label allows for this stem"),
    field("holes", Type::Integer, "how many holes"),
    figure("put_in_ml", "mL", "product taken up"),
    figure("leaked_ml", "mL", "product lost beside the tree; it counts toward every limit"),
    figure("discharged_ml", "mL", "product taken up and leaked"),
    figure("pressure_kpa", "kPa", "reservoir pressure above the atmosphere, if it was read"),
    field("continues", Type::Text, "the application this one finishes"),
    DAY_STATE,
    VIOLATIONS,
    STATE,
];

/// The fields of `holes.csv`.
pub const HOLES: &[Field] = &[
    APPLICATION,
    STANDING,
    field("hole", Type::Integer, "which hole of the application, from 1"),
    figure("arc_cm", "cm", "clockwise arc from the reference mark, seen from above"),
    figure("height_cm", "cm", "height above ground"),
    figure("depth_mm", "mm", "depth in sapwood; bark is not counted"),
    figure("put_in_ml", "mL", "product taken up at this hole"),
    figure("leaked_ml", "mL", "product that leaked at this hole"),
    field("sealed", Type::Text, "yes or no: whether it was closed"),
    field("reseated", Type::Text, "yes or no: whether the container was put on again at this hole"),
    field("removed_at", Type::Time, "when the container came off, if that was logged"),
    STATE,
];

/// The fields of `findings.csv`.
pub const FINDINGS: &[Field] = &[
    field("finding", Type::Id, "the same at every recomputation"),
    field("severity", Type::Text, "stop, review or note"),
    field("code", Type::Text, "what it is about"),
    field("tree", Type::Text, "the tree it concerns, if one"),
    field("days", Type::Text, "the days it concerns, separated by spaces"),
    field("message", Type::Text, "what was found"),
    field("source", Type::Text, "where the rule comes from"),
    field("state", Type::Text, "open, reopened, accepted or violation confirmed"),
    field("reason", Type::Text, "the ruling's reason"),
    field("done", Type::Text, "of a confirmed violation: what was done"),
    field("reported", Type::Text, "of a confirmed violation: the report and to whom it went"),
    STATE,
];

/// The fields of `days.csv`.
pub const DAYS: &[Field] = &[
    field("crew", Type::Text, "the crew's name"),
    field("day", Type::Date, "the day, in the job's time zone"),
    field("day_state", Type::Text, "provisional or signed off"),
    field("sign_off", Type::Text, "the sign-off's id"),
    field("blocking_findings", Type::Integer, "findings that keep the day from being signed off"),
    field(
        "copy_due",
        Type::Date,
        "the day by which the client is to have a copy: 30 days after the application (7 U.S.C. 136i-1(a)); empty on a day without one",
    ),
    STATE,
];

/// The fields of `application-records.csv`.
pub const US_RECORDS: &[Field] = &[
    APPLICATION,
    field("person_served", Type::Text, "name of the person served, from the register"),
    field("address_of_person_served", Type::Text, "address of the person served, from the register"),
    field("location", Type::Text, "the site and the tree"),
    figure("lat", "degree", "latitude on WGS 84"),
    figure("lon", "degree", "longitude on WGS 84"),
    field("size_treated", Type::Text, "the stem with its diameter: a tree has no area"),
    field("site", Type::Text, "the kind of site treated"),
    field("date", Type::Date, "the day, in the job's time zone"),
    field("time", Type::Clock, "when it began, in the job's time zone"),
    field("product", Type::Text, "the product's name"),
    field("registration", Type::Text, "the product's registration number"),
    figure("amount_ml", "mL", "product discharged: taken up and leaked"),
    field("certified_applicator", Type::Text, "name of the certified applicator in charge"),
    field("certification_number", Type::Text, "that person's certification number"),
    field("noncertified_applicator", Type::Text, "name of who applied under supervision"),
    STANDING,
    DAY_STATE,
    VIOLATIONS,
    field("missing", Type::Text, "elements of the scheme that could not be filled in, separated by '; '"),
    field("scheme", Type::Text, "the record scheme"),
    STATE,
];
