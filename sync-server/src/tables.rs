//! Exports that are files of another program, as this server makes them; what they hold is made by
//! `bolebook-report`, which the command line has too.

use bolebook_core::export::{Violations, application_records_csv};
use bolebook_core::facts::{Fact, Version};
use bolebook_core::quantity::decimal;
use bolebook_report::ReportError;

use crate::error::ApiError;
use crate::snapshot::{JobState, Snapshot};

pub use bolebook_report::read_csv;

/// Application records with the elements of 40 CFR 171.303, of the versions taken.
///
/// # Errors
/// An internal error when they cannot be written.
pub fn application_records(
    snapshot: &Snapshot,
    job: &JobState,
    takes: impl Fn(&Fact, &Version) -> bool,
) -> Result<String, ApiError> {
    let findings = snapshot.findings(job);
    application_records_csv(&job.view, &findings, &snapshot.names, takes).map_err(|e| ApiError::internal(&e))
}

impl From<ReportError> for ApiError {
    fn from(error: ReportError) -> Self {
        Self::internal(&error)
    }
}

/// Trees treated, as GeoJSON (RFC 7946), of the versions taken: for the client.
///
/// # Errors
/// An internal error when it cannot be written.
pub fn treated_geojson(
    snapshot: &Snapshot,
    job: &JobState,
    takes: impl Fn(&Version) -> bool,
) -> Result<String, ApiError> {
    let view = &job.view;
    let violations = Violations::of(view, &snapshot.findings(job));
    let mut features = vec![];
    for (id, tree) in &view.trees {
        let done: Vec<_> = view.applications(tree).filter(|(_, v, _)| takes(v)).collect();
        let Some(position) = view.tree(*id).and_then(|t| t.position).filter(|_| !done.is_empty()) else {
            continue;
        };
        let raw = |v: i64, scale: i64, places: u32| -> serde_json::Value {
            serde_json::from_str(&decimal(v, scale, places)).unwrap_or_default()
        };
        let days: Vec<String> =
            done.iter().filter_map(|(_, v, _)| view.crew_day(v)).map(|d| d.day.to_string()).collect();
        let volume: i64 = done.iter().map(|(_, _, a)| a.put_in_ul().0).sum();
        let mut broken: Vec<&String> =
            done.iter().flat_map(|(fact, v, _)| violations.of_application(fact, v)).collect();
        broken.sort_unstable();
        broken.dedup();
        features.push(serde_json::json!({
            "type": "Feature", "id": id,
            "geometry": { "type": "Point", "coordinates": [raw(position.lon_ndeg, 1_000_000_000, 7), raw(position.lat_ndeg, 1_000_000_000, 7)] },
            "properties": { "tag": view.tag(*id), "species": view.tree(*id).and_then(|t| t.species.clone()), "days": days, "put_in_ml": raw(volume, 1_000, 3), "violations": broken },
        }));
    }
    let about = serde_json::json!({ "book": view.book, "title": view.title, "state": view.state_digest(), "job_heads": view.heads, "yard_heads": view.yard.heads });
    let all = serde_json::json!({ "type": "FeatureCollection", "bolebook": about, "features": features });
    serde_json::to_string(&all).map(|t| t + "\n").map_err(|e| ApiError::internal(&e))
}
