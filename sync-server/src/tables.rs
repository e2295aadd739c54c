//! Exports for the client, as this server makes them, in parts; what else is a file of another program is made
//! by `bolebook-report`, which the command line has too.

use std::fmt::Write;

use bolebook_core::export::{ExportError, Violations};
use bolebook_core::facts::Version;
use bolebook_core::quantity::decimal;
use bolebook_report::ReportError;
use serde_json::{Value, json};

use crate::error::ApiError;
use crate::snapshot::{JobState, Snapshot};

pub use bolebook_report::read_csv;

impl From<ReportError> for ApiError {
    fn from(error: ReportError) -> Self {
        match error {
            // A full disk is said as such.
            ReportError::File(disk) => disk.into(),
            ReportError::Geopackage(disk) => bolebook_db::Error::from(disk).into(),
            other => Self::internal(&other),
        }
    }
}

impl From<ExportError> for ApiError {
    fn from(error: ExportError) -> Self {
        Self::internal(&error)
    }
}

/// Trees treated, as GeoJSON (RFC 7946), of the versions taken: for the client.
///
/// # Errors
/// [`ExportError`] when it cannot be written.
pub fn write_treated_geojson(
    out: &mut dyn Write,
    snapshot: &Snapshot,
    job: &JobState,
    takes: impl Fn(&Version) -> bool,
) -> Result<(), ExportError> {
    let view = &job.view;
    let violations = Violations::of(view, &snapshot.findings(job));
    let about = json!({ "book": view.book, "title": view.title, "state": view.state_digest(), "job_heads": view.heads, "yard_heads": view.yard.heads });
    write!(out, "{{\"bolebook\":{about},\"features\":[")?;
    let mut first = true;
    for (id, tree) in &view.trees {
        let done: Vec<_> = view.applications(tree).filter(|(_, v, _)| takes(v)).collect();
        let Some(position) = view.tree(*id).and_then(|t| t.position).filter(|_| !done.is_empty()) else {
            continue;
        };
        let raw = |v: i64, scale: i64, places: u32| -> Value {
            serde_json::from_str(&decimal(v, scale, places)).unwrap_or_default()
        };
        let days: Vec<String> =
            done.iter().filter_map(|(_, v, _)| view.crew_day(v)).map(|d| d.day.to_string()).collect();
        let volume: i64 = done.iter().map(|(_, _, a)| a.put_in_ul().0).sum();
        let mut broken: Vec<&String> =
            done.iter().flat_map(|(fact, v, _)| violations.of_application(fact, v)).collect();
        broken.sort_unstable();
        broken.dedup();
        let feature = json!({
            "type": "Feature", "id": id,
            "geometry": { "type": "Point", "coordinates": [raw(position.lon_ndeg, 1_000_000_000, 7), raw(position.lat_ndeg, 1_000_000_000, 7)] },
            "properties": { "tag": view.tag(*id), "species": view.tree(*id).and_then(|t| t.species.clone()), "days": days, "put_in_ml": raw(volume, 1_000, 3), "violations": broken },
        });
        write!(out, "{}{feature}", if first { "" } else { "," })?;
        first = false;
    }
    out.write_str("],\"type\":\"FeatureCollection\"}\n")?;
    Ok(())
}
