//! A data package: every table with what its columns mean, and the state they show.
//!
//! Form: Frictionless Data Package and Tabular Data Resource, version 1 (specs.frictionlessdata.io).
//! What belongs to Bolebook alone stands under `bolebook`. Every file is a function of the state, the
//! register and `takes`; nothing here says when or by whom it was exported.

use std::collections::BTreeSet;

use serde_json::{Value, json};

use crate::export::law_eu::{EU_RECORDS, OFFICE_RECORDS, eu_records_csv, office_records_csv};
use crate::export::more::{days_csv, findings_csv, holes_csv};
use crate::export::schema::{APPLICATIONS, DAYS, FINDINGS, Field, HOLES, TREES, US_RECORDS};
use crate::export::{ExportError, Names, application_records_csv, applications_csv, trees_csv};
use crate::finding::Finding;
use crate::ids::{RecordId, Sha256Hash};
use crate::quantity::UtcMs;
use crate::record::book_kinds::Zone;
use crate::record::{Body, Kind};
use crate::view::View;

/// The version of the tables' form: it grows when a column is renamed, removed or given another
/// meaning; a new column leaves it.
pub const TABLES_VERSION: u32 = 1;

/// A table of the package.
struct Resource {
    name: &'static str,
    title: &'static str,
    fields: &'static [Field],
    key: Option<&'static str>,
    /// A column and the table in which its values stand, under the column named.
    refers: &'static [(&'static str, &'static str, &'static str)],
}

const OF_APPLICATION: &[(&str, &str, &str)] = &[("application", "applications", "application")];

const fn resource(name: &'static str, title: &'static str, fields: &'static [Field]) -> Resource {
    Resource { name, title, fields, key: None, refers: &[] }
}

/// The tables in the order of the package. Applications have no key: of a contested one every value
/// is a row.
const RESOURCES: [Resource; 8] = [
    Resource { key: Some("tree"), ..resource("trees", "One row a tree", TREES) },
    Resource {
        refers: &[("tree", "trees", "tree")],
        ..resource("applications", "One row an application", APPLICATIONS)
    },
    Resource { refers: OF_APPLICATION, ..resource("holes", "One row a hole", HOLES) },
    resource("days", "One row a crew-day", DAYS),
    Resource {
        key: Some("finding"),
        ..resource("findings", "What the checks found, settled or not", FINDINGS)
    },
    Resource {
        refers: OF_APPLICATION,
        ..resource("application-records", "Elements of 40 CFR 171.303(b)(7)(vi)", US_RECORDS)
    },
    Resource {
        refers: OF_APPLICATION,
        ..resource("application-records-eu", "Elements of Implementing Regulation (EU) 2023/564", EU_RECORDS)
    },
    Resource {
        refers: OF_APPLICATION,
        ..resource("application-records-office", "Elements of the office's own list", OFFICE_RECORDS)
    },
];

/// The newest moment that a record of either book names: what a file made from this state is dated by.
pub fn state_time(view: &View<'_>) -> UtcMs {
    let of = |facts: &crate::facts::Facts| facts.versions.iter().map(|v| v.record.envelope.at).max();
    of(&view.facts).max(of(&view.yard.facts)).unwrap_or_default()
}

/// A moment as RFC 3339 in UTC.
pub fn utc_text(at: UtcMs) -> String {
    let utc = Zone { name: "Etc/UTC".into(), offsets: vec![] };
    format!("{}Z", utc.rfc3339(at).get(..19).unwrap_or_default())
}

/// The applications whose tree no one has listed, or whose listing was struck: they have no row in
/// the table of trees.
fn of_unlisted_trees(view: &View<'_>) -> BTreeSet<RecordId> {
    let mut found = BTreeSet::new();
    for fact in view.facts.of_kind(Kind::Application) {
        for version in super::standing::versions(view, fact) {
            if let Body::Application(a) = &version.record.body
                && !view.trees.contains_key(&view.stays(a.tree))
            {
                found.insert(fact.id);
            }
        }
    }
    found
}

fn descriptor(resource: &Resource, text: &str, refers: bool) -> Value {
    let mut schema = json!({
        "fields": resource.fields.iter().map(Field::descriptor).collect::<Vec<_>>(),
        "missingValues": [""],
    });
    if let Some(key) = resource.key {
        schema["primaryKey"] = json!([key]);
    }
    if refers && !resource.refers.is_empty() {
        let key = |(own, table, other): &(&str, &str, &str)| json!({ "fields": [own], "reference": { "resource": table, "fields": [other] } });
        schema["foreignKeys"] = resource.refers.iter().map(key).collect();
    }
    json!({
        "name": resource.name, "title": resource.title, "path": format!("{}.csv", resource.name),
        "profile": "tabular-data-resource", "format": "csv", "mediatype": "text/csv", "encoding": "utf-8",
        "dialect": { "delimiter": ",", "lineTerminator": "\r\n", "quoteChar": "\"", "doubleQuote": true, "header": true },
        "bytes": text.len(), "hash": format!("sha256:{}", Sha256Hash::of(text.as_bytes())),
        "schema": schema,
    })
}

/// The files of the package, `datapackage.json` first.
///
/// # Errors
/// [`ExportError`] when a table cannot be written.
pub fn package_files(
    view: &View<'_>,
    findings: &[Finding],
    names: &impl Names,
) -> Result<Vec<(String, String)>, ExportError> {
    let unlisted = of_unlisted_trees(view);
    let (mut described, mut files) = (vec![], vec![]);
    for resource in &RESOURCES {
        let text = match resource.name {
            "trees" => trees_csv(view, findings)?,
            "applications" => applications_csv(view, findings, names)?,
            "holes" => holes_csv(view)?,
            "days" => days_csv(view, findings)?,
            "findings" => findings_csv(view, findings)?,
            "application-records" => application_records_csv(view, findings, names, |_, _| true)?,
            "application-records-eu" => eu_records_csv(view, findings, |_, _| true)?,
            _ => office_records_csv(view, |_, _| true)?,
        };
        // A reference that does not hold is not claimed: the applications without a tree are named.
        let refers = resource.name != "applications" || unlisted.is_empty();
        described.push(descriptor(resource, &text, refers));
        files.push((format!("{}.csv", resource.name), text));
    }
    let provisional = view.crew_days.iter().filter(|d| !view.signed_off.contains_key(d)).count();
    let says = json!({ "provisional_days": provisional, "applications_of_unlisted_trees": unlisted });
    let about = "A job's trees, applications and findings as its books stood at the state named; the same state gives the same bytes.";
    with_description(view, "tabular-data-package", about, says, described, files)
}

/// What a client gets of a job, each as it was made for them: application records by 40 CFR 171.303 and
/// by (EU) 2023/564, and the map of treated trees (RFC 7946).
pub struct ClientTexts {
    /// `application-records.csv`.
    pub records: String,
    /// `application-records-eu.csv`.
    pub records_eu: String,
    /// `trees.geojson`.
    pub map: String,
}

/// The files of the package a client gets, `datapackage.json` first.
///
/// # Errors
/// [`ExportError::Json`].
pub fn client_package_files(
    view: &View<'_>,
    texts: ClientTexts,
) -> Result<Vec<(String, String)>, ExportError> {
    let (mut described, mut files) = (vec![], vec![]);
    for (name, text) in [("application-records", texts.records), ("application-records-eu", texts.records_eu)]
    {
        // The table of applications that both refer to is the office's.
        let resource = RESOURCES.iter().find(|resource| resource.name == name);
        described.extend(resource.map(|resource| descriptor(resource, &text, false)));
        files.push((format!("{name}.csv"), text));
    }
    let map = texts.map;
    described.push(json!({
        "name": "trees", "title": "Treated trees", "path": "trees.geojson", "format": "geojson",
        "mediatype": "application/geo+json", "encoding": "utf-8", "bytes": map.len(),
        "hash": format!("sha256:{}", Sha256Hash::of(map.as_bytes())),
    }));
    files.push(("trees.geojson".into(), map));
    let about = "What was done to the client's trees on the days signed off, as the books stood at the state named; the same state gives the same bytes.";
    with_description(view, "data-package", about, json!({}), described, files)
}

/// Adds `datapackage.json`, which names the state and describes each file.
fn with_description(
    view: &View<'_>,
    profile: &str,
    description: &str,
    says: Value,
    described: Vec<Value>,
    mut files: Vec<(String, String)>,
) -> Result<Vec<(String, String)>, ExportError> {
    let mut about = json!({
        "book": view.book, "yard": view.yard.book, "company": view.yard.company, "site": view.job.site,
        "season": view.job.season, "state": view.state_digest(), "job_heads": view.heads,
        "yard_heads": view.yard.heads, "record_format": 1, "tables_version": TABLES_VERSION,
        "time": utc_text(state_time(view)),
        "text": "Text that a spreadsheet would run as a formula (beginning with = + - @, a tab or a return) has an apostrophe before it.",
    });
    if let (Value::Object(about), Value::Object(says)) = (&mut about, says) {
        about.extend(says);
    }
    let package = json!({
        "profile": profile, "name": format!("bolebook-{}", view.book), "title": view.title,
        "description": description,
        "created": utc_text(state_time(view)), "version": TABLES_VERSION.to_string(),
        "bolebook": about, "resources": described,
    });
    let mut text = serde_json::to_string_pretty(&package)?;
    text.push('\n');
    files.insert(0, ("datapackage.json".into(), text));
    Ok(files)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::export::RECORD_COLUMNS;
    use crate::export::table::{APPLICATION_COLUMNS, TREE_COLUMNS};

    #[test]
    fn what_is_said_of_a_table_names_its_columns_in_their_order() {
        let names = |fields: &[Field]| fields.iter().map(|f| f.name).collect::<Vec<_>>();
        assert_eq!(names(TREES), TREE_COLUMNS);
        assert_eq!(names(APPLICATIONS), APPLICATION_COLUMNS);
        assert_eq!(names(US_RECORDS), RECORD_COLUMNS);
    }

    #[test]
    fn every_figure_in_a_unit_says_so_in_its_name_and_its_schema() {
        let units =
            [("_ml", "mL"), ("_cm", "cm"), ("_mm", "mm"), ("_kpa", "kPa"), ("_pct", "%"), ("_c", "°C")];
        for field in RESOURCES.iter().flat_map(|r| r.fields) {
            let ends = |(end, _): &&(&str, &str)| field.name.ends_with(end);
            if let Some((_, unit)) = units.iter().find(ends) {
                assert_eq!(field.unit, Some(*unit), "{}", field.name);
            }
            assert!(!field.about.is_empty());
        }
    }
}
