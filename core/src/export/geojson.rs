//! Trees as GeoJSON (RFC 7946): a point each, WGS 84, longitude first, seven decimals.

use std::fmt::Write;

use serde_json::{Map, Value, json, value::RawValue};

use crate::export::out::whole;
use crate::export::standing::Violations;
use crate::export::table::{other_tags, state_name, total};
use crate::export::{ExportError, short};
use crate::finding::Finding;
use crate::quantity::decimal;
use crate::record::work::Application;
use crate::view::View;

/// Every listed tree as a feature; a tree without a position has a null geometry, as RFC 7946 §3.2 allows.
///
/// # Errors
/// [`ExportError::Json`].
pub fn trees_geojson(view: &View<'_>, findings: &[Finding]) -> Result<String, ExportError> {
    whole(|out| write_trees_geojson(out, view, findings))
}

/// The same in parts.
///
/// # Errors
/// As [`trees_geojson`]; [`ExportError::Taken`] when `out` takes no more.
pub fn write_trees_geojson(
    out: &mut dyn Write,
    view: &View<'_>,
    findings: &[Finding],
) -> Result<(), ExportError> {
    let violations = Violations::of(view, findings);
    let about = json!({
        "book": view.book, "title": view.title, "state": short(view.state_digest()),
        "job_heads": view.heads, "yard_heads": view.yard.heads,
    });
    write!(out, "{{\"type\":\"FeatureCollection\",\"bolebook\":{about},\"features\":[")?;
    for (i, (id, tree)) in view.trees.iter().enumerate() {
        let listed = view.tree(*id);
        let geometry: Value = match listed.and_then(|t| t.position) {
            None => Value::Null,
            Some(p) => {
                json!({ "type": "Point", "coordinates": [number(p.lon_ndeg, 1_000_000_000, 7)?, number(p.lat_ndeg, 1_000_000_000, 7)?] })
            }
        };
        let (state, reason) = state_name(view.state(tree));
        let mut properties = Map::new();
        properties.insert("tag".into(), view.tag(*id).into());
        properties.insert("other_tags".into(), other_tags(view, *id, tree).into());
        properties.insert("species".into(), listed.and_then(|t| t.species.clone()).into());
        properties.insert("stems".into(), listed.map(|t| t.stems).into());
        properties.insert(
            "diameter_cm".into(),
            view.diameter(tree, 1).map(|d| number(d.0, 10_000, 1)).transpose()?.unwrap_or_default(),
        );
        properties.insert("state".into(), state.into());
        properties.insert("reason".into(), if reason.is_empty() { Value::Null } else { reason.into() });
        properties.insert("put_in_ml".into(), number(total(view, tree, Application::put_in_ul), 1_000, 3)?);
        properties
            .insert("discharged_ml".into(), number(total(view, tree, Application::discharged_ul), 1_000, 3)?);
        properties.insert("violations".into(), violations.of_tree(view, *id, tree).into());
        let feature = json!({ "type": "Feature", "id": id, "geometry": geometry, "properties": properties });
        out.write_str(if i == 0 { "\n" } else { ",\n" })?;
        out.write_str(&feature.to_string())?;
    }
    out.write_str("\n]}\n")?;
    Ok(())
}

/// An exact decimal as a JSON number.
fn number(value: i64, scale: i64, places: u32) -> Result<Value, ExportError> {
    let raw = RawValue::from_string(decimal(value, scale, places))?;
    Ok(serde_json::from_str(raw.get())?)
}
