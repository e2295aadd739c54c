//! Boundaries out of map files: GeoJSON (RFC 7946), KML (OGC 12-007r2), GeoPackage (OGC 12-128r18) and
//! shapefiles, all in WGS 84, longitude before latitude. They are told apart by their first bytes.

mod archive;

use std::collections::BTreeMap;

use bolebook_core::record::stand::Corner;
use bolebook_report::geopackage::Area;
use quick_xml::Reader;
use quick_xml::events::Event;
use serde_json::Value;

/// Most areas of one file.
pub const MOST_FEATURES: usize = 500;
/// Most corners read of one area; what a boundary may have is less.
const MOST_READ: usize = 50_000;

/// An area of a map file.
#[derive(Clone, Debug, PartialEq)]
pub struct Feature {
    /// What the file says of it.
    pub says: BTreeMap<String, String>,
    /// Its outer ring as it stands in the file, or why it has none that a block could take.
    pub ring: Result<Vec<Corner>, String>,
}

/// Why a file cannot be read as a map.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum GeoFileError {
    /// A shapefile without its companions.
    #[error("a shapefile is several files: put .shp, .dbf and .prj into one archive (.zip) and send that")]
    LoneShape,
    /// An archive that cannot be read, or holds no map.
    #[error("the archive cannot be read as a map: {0}")]
    Archive(String),
    /// A shapefile that does not say where it is.
    #[error(
        "the shapefile comes without its .prj, which names its coordinate system: add it, or export WGS 84"
    )]
    NoSystem,
    /// Another coordinate system than WGS 84.
    #[error(
        "the map is in the coordinate system '{0}': export it from your map program in WGS 84 (EPSG:4326)"
    )]
    System(String),
    /// A GeoPackage that cannot be taken.
    #[error("{0}: export it from your map program as a GeoPackage, GeoJSON or KML in WGS 84")]
    Geopackage(String),
    /// Not UTF-8.
    #[error("the file is not UTF-8 text: save it as UTF-8")]
    NotText,
    /// Not JSON, or not GeoJSON.
    #[error("the file is no GeoJSON: {0}")]
    Json(String),
    /// Other coordinates than WGS 84.
    #[error(
        "the file names a coordinate system of its own; GeoJSON is in WGS 84 degrees (RFC 7946): export it so"
    )]
    OtherSystem,
    /// Not KML.
    #[error("the file is no KML: {0}")]
    Kml(String),
    /// Nothing in it.
    #[error("the file has no area in it: blocks are polygons")]
    Nothing,
    /// More than anybody has.
    #[error("the file has more than {MOST_FEATURES} areas: take only the job's blocks")]
    TooMany,
}

/// The areas of a file.
///
/// # Errors
/// [`GeoFileError`].
pub fn read(bytes: &[u8]) -> Result<Vec<Feature>, GeoFileError> {
    let found = if bytes.starts_with(b"SQLite format 3\0") {
        geopackage(bytes)?
    } else if bytes.starts_with(b"PK\x03\x04") {
        archive::read(bytes)?
    } else if bytes.starts_with(&[0, 0, 0x27, 0x0a]) {
        return Err(GeoFileError::LoneShape);
    } else {
        let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
        let text = std::str::from_utf8(bytes).map_err(|_| GeoFileError::NotText)?;
        if text.trim_start().starts_with('<') { kml(text)? } else { geojson(text)? }
    };
    match found.len() {
        0 => Err(GeoFileError::Nothing),
        n if n > MOST_FEATURES => Err(GeoFileError::TooMany),
        _ => Ok(found),
    }
}

fn geopackage(bytes: &[u8]) -> Result<Vec<Feature>, GeoFileError> {
    let areas = bolebook_report::geopackage::read_areas(bytes, MOST_FEATURES);
    let areas = areas.map_err(|e| GeoFileError::Geopackage(e.to_string()))?;
    let feature = |area: Area| {
        let ring = area.shape.and_then(|polygons| ring_of(&polygons));
        Feature { says: area.says, ring }
    };
    Ok(areas.into_iter().map(feature).collect())
}

/// The one ring of polygons that are one without a hole.
fn ring_of(polygons: &[Vec<Vec<[f64; 2]>>]) -> Result<Vec<Corner>, String> {
    let rings = match polygons {
        [] => return Err("it has no geometry".into()),
        [one] => one,
        parts => return Err(parts_of(parts.len())),
    };
    let outer = match &rings[..] {
        [] => return Err("its coordinates are no rings".into()),
        [outer] => outer,
        _ => return Err(HOLED.into()),
    };
    if outer.len() > MOST_READ {
        return Err(format!("it has {} corners: simplify it to what the block needs", outer.len()));
    }
    let corner = |(at, [lon, lat]): (usize, &[f64; 2])| {
        degrees(*lon, *lat).ok_or_else(|| format!("corner {} is no place in degrees", at + 1))
    };
    outer.iter().enumerate().map(corner).collect()
}

fn geojson(text: &str) -> Result<Vec<Feature>, GeoFileError> {
    let value: Value = serde_json::from_str(text).map_err(|e| GeoFileError::Json(e.to_string()))?;
    if let Some(system) = value.get("crs").filter(|c| !c.is_null()) {
        // Written by older programs; the one system RFC 7946 has goes by these names.
        let name = system.pointer("/properties/name").and_then(Value::as_str).unwrap_or("");
        if !["CRS84", "4326"].iter().any(|known| name.ends_with(known)) {
            return Err(GeoFileError::OtherSystem);
        }
    }
    match value["type"].as_str() {
        Some("FeatureCollection") => {
            let features = value["features"].as_array();
            let features = features.ok_or_else(|| GeoFileError::Json("its 'features' are no list".into()))?;
            if features.len() > MOST_FEATURES {
                return Err(GeoFileError::TooMany);
            }
            Ok(features.iter().map(|f| feature(&f["properties"], &f["geometry"])).collect())
        }
        Some("Feature") => Ok(vec![feature(&value["properties"], &value["geometry"])]),
        Some("Polygon" | "MultiPolygon") => Ok(vec![feature(&Value::Null, &value)]),
        Some(other) => {
            let other: String = other.chars().take(40).collect();
            Err(GeoFileError::Json(format!(
                "a '{other}' has no areas; write a FeatureCollection of polygons"
            )))
        }
        None => Err(GeoFileError::Json("it has no 'type'".into())),
    }
}

fn feature(properties: &Value, geometry: &Value) -> Feature {
    let said = properties.as_object().into_iter().flatten().take(50);
    let says = said.filter_map(|(name, value)| {
        let text = match value {
            Value::String(text) => text.clone(),
            Value::Number(number) => number.to_string(),
            _ => return None,
        };
        Some((name.chars().take(60).collect(), text.chars().take(200).collect()))
    });
    Feature { says: says.collect(), ring: polygon(geometry) }
}

const HOLED: &str =
    "it has a hole in it, which a block's boundary cannot have: split it into blocks that leave the hole out";

fn polygon(geometry: &Value) -> Result<Vec<Corner>, String> {
    let coordinates = &geometry["coordinates"];
    let rings = match geometry["type"].as_str() {
        Some("Polygon") => coordinates,
        Some("MultiPolygon") => match coordinates.as_array().map(Vec::as_slice) {
            Some([one]) => one,
            Some(parts) => return Err(parts_of(parts.len())),
            None => return Err("its coordinates are no list".into()),
        },
        Some(other) => {
            let other: String = other.chars().take(40).collect();
            return Err(format!("it is a {other}; a block is a polygon"));
        }
        None => return Err("it has no geometry".into()),
    };
    match rings.as_array().map(Vec::as_slice) {
        Some([outer]) => ring(outer),
        Some([]) | None => Err("its coordinates are no rings".into()),
        Some(_) => Err(HOLED.into()),
    }
}

fn parts_of(parts: usize) -> String {
    format!("it has {parts} parts; a block is one: give each part an area of its own")
}

fn ring(ring: &Value) -> Result<Vec<Corner>, String> {
    let corners = ring.as_array().ok_or("its ring is no list")?;
    if corners.len() > MOST_READ {
        return Err(format!("it has {} corners: simplify it to what the block needs", corners.len()));
    }
    let corner = |(at, corner): (usize, &Value)| {
        let number = |n: usize| corner.get(n).and_then(Value::as_f64);
        let read = number(0).zip(number(1)).and_then(|(lon, lat)| degrees(lon, lat));
        read.ok_or_else(|| format!("corner {} is no pair of longitude and latitude in degrees", at + 1))
    };
    corners.iter().enumerate().map(corner).collect()
}

/// A corner in billionths of a degree; nothing for what no map holds.
fn degrees(lon: f64, lat: f64) -> Option<Corner> {
    let far = |v: f64| !v.is_finite() || v.abs() > 1e9;
    if far(lon) || far(lat) {
        return None;
    }
    Some(Corner { lat_ndeg: (lat * 1e9).round() as i64, lon_ndeg: (lon * 1e9).round() as i64 })
}

/// A placemark being read.
#[derive(Default)]
struct Placemark {
    name: String,
    outer: Vec<String>,
    holed: bool,
    /// Its own data (OGC 12-007r2, ExtendedData): by name, and which is being read.
    data: BTreeMap<String, String>,
    reading: String,
}

impl Placemark {
    fn feature(self) -> Option<Feature> {
        let ring = match &self.outer[..] {
            // Points and paths are no areas and none of ours.
            [] => return None,
            _ if self.holed => Err(HOLED.to_owned()),
            [one] => kml_ring(one),
            parts => Err(parts_of(parts.len())),
        };
        let told = self.data.into_iter().take(50).chain([("name".to_owned(), self.name)]);
        let says = told.filter_map(|(name, text)| {
            let text: String = text.trim().chars().take(200).collect();
            Some((name.chars().take(60).collect(), text)).filter(|(_, text)| !text.is_empty())
        });
        Some(Feature { says: says.collect(), ring })
    }
}

fn kml_ring(text: &str) -> Result<Vec<Corner>, String> {
    let tuples: Vec<&str> = text.split_whitespace().take(MOST_READ + 1).collect();
    if tuples.len() > MOST_READ {
        return Err(format!("it has more than {MOST_READ} corners: simplify it to what the block needs"));
    }
    let corner = |(at, tuple): (usize, &&str)| {
        let mut numbers = tuple.split(',').map(|n| n.trim().parse::<f64>().ok());
        let read = numbers.next().flatten().zip(numbers.next().flatten());
        read.and_then(|(lon, lat)| degrees(lon, lat))
            .ok_or_else(|| format!("corner {} is no pair of longitude and latitude in degrees", at + 1))
    };
    tuples.iter().enumerate().map(corner).collect()
}

fn kml(text: &str) -> Result<Vec<Feature>, GeoFileError> {
    let wrong = |e: quick_xml::Error| GeoFileError::Kml(e.to_string());
    let mut reader = Reader::from_str(text);
    let (mut path, mut found): (Vec<String>, Vec<Feature>) = (vec![], vec![]);
    let mut placemark: Option<Placemark> = None;
    loop {
        let said = match reader.read_event().map_err(wrong)? {
            Event::Eof => break,
            Event::DocType(_) => return Err(GeoFileError::Kml("it declares entities of its own".into())),
            Event::Start(start) => {
                let name = start.local_name().as_ref().to_owned();
                if path.is_empty() && name != "kml" {
                    return Err(GeoFileError::Kml(format!(
                        "it begins with <{}>",
                        name.chars().take(40).collect::<String>()
                    )));
                }
                match (name.as_str(), &mut placemark) {
                    ("Placemark", _) => placemark = Some(Placemark::default()),
                    ("outerBoundaryIs", Some(mark)) => mark.outer.push(String::new()),
                    ("innerBoundaryIs", Some(mark)) => mark.holed = true,
                    ("SimpleData" | "Data", Some(mark)) => {
                        let named = start.try_get_attribute("name").ok().flatten();
                        mark.reading = named.map(|a| a.value.trim().to_owned()).unwrap_or_default();
                    }
                    _ => {}
                }
                path.push(name);
                if path.len() > 64 {
                    return Err(GeoFileError::Kml("it is nested too deeply".into()));
                }
                continue;
            }
            Event::End(end) => {
                path.pop();
                if end.local_name().as_ref() == "Placemark" {
                    found.extend(placemark.take().and_then(Placemark::feature));
                    if found.len() > MOST_FEATURES {
                        return Err(GeoFileError::TooMany);
                    }
                }
                continue;
            }
            Event::Text(text) => text.xml10_content().into_owned(),
            Event::CData(text) => text.xml10_content().into_owned(),
            Event::GeneralRef(name) => match name.resolve_char_ref().map_err(wrong)? {
                Some(sign) => sign.to_string(),
                None => predefined(&name.xml10_content())?.to_owned(),
            },
            _ => continue,
        };
        let Some(mark) = &mut placemark else { continue };
        let steps: Vec<&str> = path.iter().rev().take(3).map(String::as_str).collect();
        match steps[..] {
            ["name", "Placemark", ..] => mark.name.push_str(&said),
            ["SimpleData", ..] | ["value", "Data", ..] if mark.data.len() < 50 => {
                mark.data.entry(mark.reading.clone()).or_default().push_str(&said);
            }
            ["coordinates", "LinearRing", "outerBoundaryIs"] => {
                mark.outer.last_mut().into_iter().for_each(|ring| ring.push_str(&said));
            }
            _ => {}
        }
    }
    if !path.is_empty() {
        return Err(GeoFileError::Kml("it breaks off".into()));
    }
    Ok(found)
}

/// What XML itself lets stand for a sign; every other name is one the file would have to declare.
fn predefined(name: &str) -> Result<&'static str, GeoFileError> {
    Ok(match name {
        "amp" => "&",
        "lt" => "<",
        "gt" => ">",
        "quot" => "\"",
        "apos" => "'",
        _ => return Err(GeoFileError::Kml("it uses an entity of its own".into())),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    const SQUARE: &str = "[[[-84.5,42.7],[-84.4,42.7],[-84.4,42.8],[-84.5,42.8],[-84.5,42.7]]]";

    /// RFC 7946, sections 3.1.6 and 3.3: longitude first, rings closed, properties free or null.
    #[test]
    fn outside_geojson_is_read_as_rfc_7946_has_it() {
        let text = format!(
            r#"{{"type":"FeatureCollection","features":[
            {{"type":"Feature","properties":{{"Block":"North","ha":1.5,"x":null}},"geometry":{{"type":"Polygon","coordinates":{SQUARE}}}}},
            {{"type":"Feature","properties":null,"geometry":{{"type":"MultiPolygon","coordinates":[{SQUARE}]}}}},
            {{"type":"Feature","properties":{{}},"geometry":{{"type":"MultiPolygon","coordinates":[{SQUARE},{SQUARE}]}}}},
            {{"type":"Feature","properties":{{}},"geometry":{{"type":"Point","coordinates":[1,2]}}}}]}}"#
        );
        let found = read(text.as_bytes()).unwrap();
        assert_eq!(found[0].says.get("Block").map(String::as_str), Some("North"));
        let ring = found[0].ring.as_ref().unwrap();
        assert_eq!(ring[0], Corner { lat_ndeg: 42_700_000_000, lon_ndeg: -84_500_000_000 });
        assert_eq!((ring.len(), found[1].ring.as_ref().unwrap()), (5, ring));
        assert!(found[2].ring.as_ref().unwrap_err().contains("2 parts"));
        assert!(found[3].ring.as_ref().unwrap_err().contains("Point"));
    }

    #[test]
    fn more_areas_than_a_job_has_blocks_are_refused_in_both_forms() {
        let feature = format!(
            r#"{{"type":"Feature","properties":{{}},"geometry":{{"type":"Polygon","coordinates":{SQUARE}}}}}"#
        );
        let json = |n: usize| {
            format!(r#"{{"type":"FeatureCollection","features":[{}]}}"#, vec![feature.as_str(); n].join(","))
        };
        assert_eq!(read(json(MOST_FEATURES).as_bytes()).unwrap().len(), MOST_FEATURES);
        let error = read(json(MOST_FEATURES + 1).as_bytes()).unwrap_err();
        assert!(error.to_string().contains("more than 500 areas"), "{error}");
        let place = "<Placemark><name>B</name><Polygon><outerBoundaryIs><LinearRing><coordinates>-84.5,42.7 -84.4,42.7 -84.4,42.8 -84.5,42.7</coordinates></LinearRing></outerBoundaryIs></Polygon></Placemark>";
        let kml = |n: usize| {
            format!(
                r#"<?xml version="1.0"?><kml xmlns="http://www.opengis.net/kml/2.2"><Document>{}</Document></kml>"#,
                place.repeat(n)
            )
        };
        assert_eq!(read(kml(MOST_FEATURES).as_bytes()).unwrap().len(), MOST_FEATURES);
        let error = read(kml(MOST_FEATURES + 1).as_bytes()).unwrap_err();
        assert!(error.to_string().contains("more than 500 areas"), "{error}");
    }

    /// KML 2.2 (OGC 07-147r2, clause 10.8): tuples of longitude, latitude and perhaps altitude.
    #[test]
    fn outside_kml_is_read_with_its_names_and_altitudes() {
        let text = r#"<?xml version="1.0"?><kml xmlns="http://www.opengis.net/kml/2.2"><Document><name>Site</name>
            <Placemark><name>North &amp; &#69;ast</name><ExtendedData><Data name="ha"><value>1.5</value></Data><SchemaData><SimpleData name="Block">B &amp; 7</SimpleData></SchemaData></ExtendedData><Polygon><outerBoundaryIs><LinearRing><coordinates>
            -84.5,42.7,0 -84.4,42.7,0 -84.4,42.8,0 -84.5,42.7,0</coordinates></LinearRing></outerBoundaryIs></Polygon></Placemark>
            <Placemark><name>A point</name><Point><coordinates>1,2</coordinates></Point></Placemark></Document></kml>"#;
        let found = read(text.as_bytes()).unwrap();
        assert_eq!(found.len(), 1);
        assert_eq!(found[0].says.get("name").map(String::as_str), Some("North & East"));
        assert_eq!((&*found[0].says["ha"], &*found[0].says["Block"]), ("1.5", "B & 7"));
        assert_eq!(found[0].ring.as_ref().unwrap().len(), 4);
    }

    #[test]
    fn other_and_broken_files_are_named() {
        let said = |bytes: &[u8]| read(bytes).unwrap_err().to_string();
        for (bytes, part) in [
            (&b"SQLite format 3\0xx"[..], "cannot be read as a GeoPackage"),
            (b"PK\x03\x04xx", "archive cannot be read"),
            (b"\x00\x00\x27\x0axx", "one archive"),
            (b"\xff\xfe{", "UTF-8"),
            (b"{\"type\":", "no GeoJSON"),
            (b"{\"type\":\"LineString\"}", "LineString"),
            (b"{\"type\":\"FeatureCollection\",\"features\":[]}", "no area"),
            (
                b"{\"type\":\"Polygon\",\"crs\":{\"properties\":{\"name\":\"EPSG:2253\"}}}",
                "coordinate system",
            ),
            (b"<html></html>", "<html>"),
            (b"<kml><Placemark>", "breaks off"),
            (b"<!DOCTYPE x [<!ENTITY a \"b\">]><kml></kml>", "entities"),
            (b"<kml><Placemark><name>&a;</name></Placemark></kml>", "entity"),
            (b"<kml></Placemark></kml>", "no KML"),
        ] {
            assert!(said(bytes).contains(part), "{part}: {}", said(bytes));
        }
        let deep = "[".repeat(5_000);
        assert!(said(deep.as_bytes()).contains("no GeoJSON"));
        let holed = SQUARE.replace("]]]", "]],[[0,0],[1,1],[1,0],[0,0]]]");
        let holed = read(format!(r#"{{"type":"Polygon","coordinates":{holed}}}"#).as_bytes()).unwrap();
        assert!(holed[0].ring.as_ref().unwrap_err().contains("hole"));
        let odd = read(br#"{"type":"Polygon","coordinates":[[[1],["a","b"],[1e300,2]]]}"#).unwrap();
        assert!(odd[0].ring.as_ref().unwrap_err().contains("corner 1"));
    }
}
