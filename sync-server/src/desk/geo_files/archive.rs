//! Areas out of an archive: a shapefile with its companions, or a KML file packed as KMZ.

use std::collections::BTreeMap;
use std::io::{Cursor, Read as _};

use shapefile::dbase::{self, FieldValue, UnicodeLossy};
use shapefile::{PolygonRing, Shape, ShapeReader};
use zip::ZipArchive;

use super::{Feature, GeoFileError, MOST_FEATURES, kml, ring_of};

/// Most bytes read of one file in an archive.
const MOST_UNPACKED: u64 = 16 * 1024 * 1024;
/// Most KML files of one archive.
const MOST_PARTS: usize = 20;
/// Most files looked at.
const MOST_FILES: usize = 200;

fn wrong(why: impl std::fmt::Display) -> GeoFileError {
    GeoFileError::Archive(why.to_string())
}

/// The areas of an archive.
///
/// # Errors
/// [`GeoFileError`].
pub fn read(bytes: &[u8]) -> Result<Vec<Feature>, GeoFileError> {
    let mut archive = ZipArchive::new(Cursor::new(bytes)).map_err(wrong)?;
    let names: Vec<String> = archive
        .file_names()
        .take(MOST_FILES)
        .filter_map(Result::ok)
        .map(std::borrow::Cow::into_owned)
        .collect();
    let ending = |end: &str| -> Vec<&String> {
        // What one system's archiver adds beside each file is no map.
        let plain = names.iter().filter(|n| !n.starts_with("__MACOSX/"));
        plain.filter(|n| n.to_ascii_lowercase().ends_with(end)).collect()
    };
    let (shapes, kmls) = (ending(".shp"), ending(".kml"));
    match (&shapes[..], &kmls[..]) {
        ([shape], _) => {
            let stem = shape[..shape.len() - 4].to_owned();
            let beside = |end: &str| {
                names.iter().find(|n| {
                    n.len() == shape.len() && n.starts_with(&stem) && n.to_ascii_lowercase().ends_with(end)
                })
            };
            let system = beside(".prj").ok_or(GeoFileError::NoSystem)?;
            wgs_84(&String::from_utf8_lossy(&unpacked(&mut archive, system)?))?;
            let shape = unpacked(&mut archive, shape)?;
            let table = beside(".dbf").map(|name| unpacked(&mut archive, name)).transpose()?;
            areas(shape, table)
        }
        ([], []) => Err(wrong("there is no shapefile (.shp) and no KML file in it")),
        // A KMZ may keep its layers in files of their own beside the one that links to them.
        ([], parts) if parts.len() <= MOST_PARTS => {
            let mut found = vec![];
            for part in parts {
                let text = unpacked(&mut archive, part)?;
                found.extend(kml(std::str::from_utf8(&text).map_err(|_| GeoFileError::NotText)?)?);
            }
            Ok(found)
        }
        _ => Err(wrong("there are several maps in it: send them one by one")),
    }
}

fn unpacked(archive: &mut ZipArchive<Cursor<&[u8]>>, name: &str) -> Result<Vec<u8>, GeoFileError> {
    let file = archive.by_name(name).map_err(|e| wrong(format!("{name}: {e}")))?;
    let mut bytes = vec![];
    file.take(MOST_UNPACKED + 1).read_to_end(&mut bytes).map_err(|e| wrong(format!("{name}: {e}")))?;
    if bytes.len() as u64 > MOST_UNPACKED {
        let most = MOST_UNPACKED / 1024 / 1024;
        return Err(wrong(format!("{name} unpacks to more than {most} MB: take only the job's blocks")));
    }
    Ok(bytes)
}

/// Whether a coordinate system's text (OGC 01-009, well-known text) is WGS 84 in degrees.
fn wgs_84(text: &str) -> Result<(), GeoFileError> {
    let close: String = text.chars().filter(|c| !c.is_whitespace()).collect::<String>().to_ascii_uppercase();
    let geographic = close.starts_with("GEOGCS[") || close.starts_with("GEOGCRS[");
    // The datum by either of its two spellings; a degree's length in radians, to whatever digits.
    let datum = ["DATUM[\"D_WGS_1984\"", "DATUM[\"WGS_1984\""].iter().any(|name| close.contains(name));
    let degrees = close.contains("UNIT[\"DEGREE\",0.01745329251");
    let greenwich = close.contains("PRIMEM[\"GREENWICH\",0");
    if geographic && datum && degrees && greenwich {
        return Ok(());
    }
    let name = text.split('"').nth(1).unwrap_or("a system of its own").chars().take(80).collect();
    Err(GeoFileError::System(name))
}

fn areas(shape: Vec<u8>, table: Option<Vec<u8>>) -> Result<Vec<Feature>, GeoFileError> {
    let mut shapes = ShapeReader::new(Cursor::new(shape)).map_err(wrong)?;
    let mut says: Vec<BTreeMap<String, String>> = vec![];
    if let Some(table) = table {
        let reader = dbase::ReaderBuilder::new().with_encoding(UnicodeLossy);
        let mut reader = reader.build(Cursor::new(table)).map_err(wrong)?;
        for record in reader.iter_records().take(MOST_FEATURES + 1) {
            says.push(told(record.map_err(wrong)?));
        }
    }
    let mut found = vec![];
    for (at, shape) in shapes.iter_shapes().take(MOST_FEATURES + 1).enumerate() {
        let says = says.get(at).cloned().unwrap_or_default();
        let ring = match shape.map_err(wrong)? {
            Shape::Polygon(polygon) => parts(polygon.into_inner(), |p| [p.x, p.y]),
            Shape::PolygonM(polygon) => parts(polygon.into_inner(), |p| [p.x, p.y]),
            Shape::PolygonZ(polygon) => parts(polygon.into_inner(), |p| [p.x, p.y]),
            Shape::NullShape => Err("it has no geometry".into()),
            other => Err(format!("it is a {}; a block is a polygon", other.shapetype())),
        };
        let unreadable = says.values().any(|text| text.contains('\u{fffd}'));
        let ring = if unreadable {
            Err("its table is not in UTF-8: export it with that encoding".into())
        } else {
            ring
        };
        found.push(Feature { says, ring });
    }
    Ok(found)
}

/// A row of the table: its texts and numbers.
fn told(record: dbase::Record) -> BTreeMap<String, String> {
    let mut says = BTreeMap::new();
    for (name, value) in record {
        let text = match value {
            FieldValue::Character(Some(text)) => text,
            FieldValue::Numeric(Some(number)) | FieldValue::Double(number) => number.to_string(),
            FieldValue::Float(Some(number)) => number.to_string(),
            FieldValue::Integer(number) => number.to_string(),
            _ => continue,
        };
        if says.len() < 50 {
            says.insert(name.chars().take(60).collect(), text.trim().chars().take(200).collect());
        }
    }
    says
}

/// A shapefile tells outer rings from holes by the way they turn (ESRI white paper of 1998, page 8); a
/// ring that is alone is an outer one, whichever way its writer turned it.
fn parts<P>(
    rings: Vec<PolygonRing<P>>,
    place: impl Fn(&P) -> [f64; 2],
) -> Result<Vec<bolebook_core::record::stand::Corner>, String> {
    let points = |ring: &PolygonRing<P>| match ring {
        PolygonRing::Outer(points) | PolygonRing::Inner(points) => points.iter().map(&place).collect(),
    };
    let outer = rings.iter().filter(|r| matches!(r, PolygonRing::Outer(_))).count();
    let polygons: Vec<Vec<Vec<[f64; 2]>>> = if outer > 1 {
        rings.iter().filter(|r| matches!(r, PolygonRing::Outer(_))).map(|r| vec![points(r)]).collect()
    } else {
        vec![rings.iter().map(points).collect()]
    };
    ring_of(&polygons)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two real spellings of WGS 84 (well-known text by OGC 01-009), and systems that are not it.
    #[test]
    fn outside_wgs_84_is_known_by_both_its_spellings_and_nothing_else_is() {
        let esri = r#"GEOGCS["GCS_WGS_1984",DATUM["D_WGS_1984",SPHEROID["WGS_1984",6378137.0,298.257223563]],PRIMEM["Greenwich",0.0],UNIT["Degree",0.0174532925199433]]"#;
        let ogc = "GEOGCS[\"WGS 84\",\n  DATUM[\"WGS_1984\", SPHEROID[\"WGS 84\",6378137,298.257223563]],\n PRIMEM[\"Greenwich\",0],\n UNIT[\"degree\",0.0174532925199433]]";
        for text in [esri, ogc] {
            wgs_84(text).unwrap();
        }
        let projected =
            format!(r#"PROJCS["WGS_1984_UTM_Zone_16N",{esri},PROJECTION["Transverse_Mercator"]]"#);
        for other in [&projected, &esri.replace("WGS_1984", "North_American_1983"), "", "GEOGCS[\"WGS 84\"]"]
        {
            let said = wgs_84(other).unwrap_err().to_string();
            assert!(said.contains("WGS 84"), "{said}");
        }
        assert!(wgs_84(&projected).unwrap_err().to_string().contains("UTM_Zone_16N"));
    }

    /// A shapefile of two squares, as the library writes it, with its table.
    fn shapefile() -> (Vec<u8>, Vec<u8>) {
        let (mut shapes, mut index, mut table) =
            (Cursor::new(vec![]), Cursor::new(vec![]), Cursor::new(vec![]));
        let square = |x: f64| {
            let corners = [(0.0, 0.0), (0.0, 0.1), (0.1, 0.1), (0.1, 0.0), (0.0, 0.0)];
            let points = corners.map(|(dx, y)| shapefile::Point::new(x + dx, y)).to_vec();
            shapefile::Polygon::new(PolygonRing::Outer(points))
        };
        let rows = dbase::TableWriterBuilder::new().add_character_field("Block".try_into().unwrap(), 20);
        let rows = rows.build_with_dest(&mut table);
        let shapes_to = shapefile::ShapeWriter::with_shx(&mut shapes, &mut index);
        let mut writer = shapefile::Writer::new(shapes_to, rows);
        for (at, name) in ["North", "South"].into_iter().enumerate() {
            let mut row = dbase::Record::default();
            row.insert("Block".into(), FieldValue::Character(Some(name.into())));
            writer.write_shape_and_record(&square(at as f64), &row).unwrap();
        }
        drop(writer);
        (shapes.into_inner(), table.into_inner())
    }

    #[test]
    fn a_damaged_shapefile_is_an_error_or_areas_and_never_a_panic() {
        let (shape, table) = shapefile();
        let whole = areas(shape.clone(), Some(table.clone())).unwrap();
        assert_eq!(whole.len(), 2);
        assert!(whole[1].says["Block"] == "South" && whole[1].ring.as_ref().unwrap().len() == 5);
        // Knuth's MMIX generator: the same damage at each run.
        let mut state = 1u64;
        let mut next = |below: usize| {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 33) as usize % below
        };
        for _ in 0..4_000 {
            let (mut shape, mut table) = (shape.clone(), table.clone());
            for _ in 0..1 + next(4) {
                let bytes = if next(2) == 0 { &mut shape } else { &mut table };
                let at = next(bytes.len());
                match next(4) {
                    0 => bytes[at] = next(256) as u8,
                    1 => bytes[at] ^= 1 << next(8),
                    2 => bytes[at] = [0, 1, 0x7f, 0x80, 0xff][next(5)],
                    _ => bytes.truncate(at.max(1)),
                }
            }
            let _ = areas(shape, Some(table));
        }
    }
}
