//! The areas of a GeoPackage made elsewhere (OGC 12-128r18). The file is a database that anyone may have
//! written: it is opened in memory, nothing in it runs, and the work it may ask for is bounded.

use std::collections::BTreeMap;

use rusqlite::config::DbConfig;
use rusqlite::types::ValueRef;
use rusqlite::{Connection, Row};

/// Polygons, each a list of rings (the outer first), each a list of longitude and latitude in degrees.
pub type Polygons = Vec<Vec<Vec<[f64; 2]>>>;

/// A row of a layer of areas.
#[derive(Clone, Debug, PartialEq)]
pub struct Area {
    /// Its texts and numbers by column: at most 50, of 200 signs each.
    pub says: BTreeMap<String, String>,
    /// Its shape, or why it is none.
    pub shape: Result<Polygons, String>,
}

/// Why a GeoPackage cannot be read.
#[derive(Debug, thiserror::Error)]
pub enum ReadError {
    /// Not a database, a damaged one, or one without the tables of a GeoPackage.
    #[error("it cannot be read as a GeoPackage: {0}")]
    Database(#[from] rusqlite::Error),
    /// A layer that is no plain table.
    #[error("its layer '{0}' is no table")]
    NoTable(String),
    /// A layer in another system than WGS 84.
    #[error("its layer '{layer}' is in {system}, not in WGS 84 (EPSG:4326)")]
    OtherSystem {
        /// Which.
        layer: String,
        /// As the file names it.
        system: String,
    },
}

const LAYERS: &str = "
    SELECT c.table_name, g.column_name, g.geometry_type_name,
        coalesce(s.organization, ''), coalesce(s.organization_coordsys_id, g.srs_id), coalesce(s.srs_name, '')
    FROM gpkg_contents c JOIN gpkg_geometry_columns g ON g.table_name = c.table_name
        LEFT JOIN gpkg_spatial_ref_sys s ON s.srs_id = g.srs_id
    WHERE c.data_type = 'features' ORDER BY c.table_name LIMIT 100";
/// A table made as such; a virtual one runs code of its own.
const IS_TABLE: &str =
    "SELECT count(*) FROM sqlite_schema WHERE type = 'table' AND name = ?1 AND sql LIKE 'CREATE TABLE%'";

/// Steps of SQLite's machine that reading a file may take: far more than a file of a few megabytes needs.
const MOST_STEPS: i32 = 100_000_000;

/// The areas of every layer of areas, at most `most` and one.
///
/// # Errors
/// [`ReadError`].
pub fn read_areas(bytes: &[u8], most: usize) -> Result<Vec<Area>, ReadError> {
    let db = open(bytes)?;
    let mut areas = vec![];
    let mut layers = db.prepare(LAYERS)?;
    let mut rows = layers.query([])?;
    while let Some(row) = rows.next()? {
        let (table, column, kind): (String, String, String) = (row.get(0)?, row.get(1)?, row.get(2)?);
        if !may_hold_areas(&kind) {
            continue;
        }
        let (by, number, name): (String, i64, String) = (row.get(3)?, row.get(4)?, row.get(5)?);
        if !(by.eq_ignore_ascii_case("EPSG") || by.is_empty()) || number != 4326 {
            let system = if name.is_empty() { format!("{by}:{number}") } else { name };
            return Err(ReadError::OtherSystem { layer: table, system });
        }
        let is_table: i64 = db.query_row(IS_TABLE, [&table], |row| row.get(0))?;
        if is_table != 1 {
            return Err(ReadError::NoTable(table));
        }
        let mut query = db.prepare(&format!("SELECT * FROM \"{}\"", table.replace('"', "\"\"")))?;
        let names: Vec<String> = query.column_names().map(str::to_owned).collect();
        let mut features = query.query([])?;
        while let Some(feature) = features.next()? {
            areas.push(area(feature, &names, &column)?);
            if areas.len() > most {
                return Ok(areas);
            }
        }
    }
    Ok(areas)
}

/// Opened as SQLite's own advice has it for files from strangers ('Defense Against The Dark Arts').
fn open(bytes: &[u8]) -> Result<Connection, rusqlite::Error> {
    let mut copy = bytes.to_vec();
    // A file in write-ahead mode wants a second file beside it; what is in this one is whole without.
    if let Some(versions) = copy.get_mut(18..20) {
        versions.fill(1);
    }
    let mut db = Connection::open_in_memory()?;
    db.set_db_config(DbConfig::SQLITE_DBCONFIG_DEFENSIVE, true)?;
    db.set_db_config(DbConfig::SQLITE_DBCONFIG_TRUSTED_SCHEMA, false)?;
    db.set_db_config(DbConfig::SQLITE_DBCONFIG_ENABLE_TRIGGER, false)?;
    db.set_db_config(DbConfig::SQLITE_DBCONFIG_ENABLE_VIEW, false)?;
    let mut left = MOST_STEPS / 1_000;
    db.progress_handler(
        1_000,
        Some(move || {
            left -= 1;
            left < 0
        }),
    )?;
    db.deserialize_read_exact("main", &copy[..], copy.len(), true)?;
    db.execute_batch("PRAGMA cell_size_check = ON")?;
    Ok(db)
}

fn may_hold_areas(kind: &str) -> bool {
    let kind = kind.to_ascii_uppercase();
    ["POLYGON", "SURFACE", "GEOMETRY"].iter().any(|word| kind.contains(word))
}

fn area(row: &Row<'_>, names: &[String], geometry: &str) -> Result<Area, rusqlite::Error> {
    let mut says = BTreeMap::new();
    let mut shape = Err("it has no geometry".to_owned());
    for (at, name) in names.iter().enumerate() {
        let text = match row.get_ref(at)? {
            ValueRef::Blob(blob) if name.eq_ignore_ascii_case(geometry) => {
                shape = polygons(blob);
                continue;
            }
            ValueRef::Text(text) => String::from_utf8_lossy(text).into_owned(),
            ValueRef::Integer(number) => number.to_string(),
            ValueRef::Real(number) => number.to_string(),
            ValueRef::Blob(_) | ValueRef::Null => continue,
        };
        if says.len() < 50 {
            says.insert(name.chars().take(60).collect(), text.chars().take(200).collect());
        }
    }
    Ok(Area { says, shape })
}

/// Bytes being read.
struct Bytes<'a> {
    rest: &'a [u8],
    little: bool,
}

const BROKEN: &str = "its geometry breaks off or is none";

impl Bytes<'_> {
    fn take<const N: usize>(&mut self) -> Result<[u8; N], String> {
        let (taken, rest) = self.rest.split_first_chunk::<N>().ok_or(BROKEN)?;
        self.rest = rest;
        Ok(*taken)
    }

    fn order(&mut self) -> Result<(), String> {
        let [order] = self.take()?;
        self.little = order == 1;
        if order > 1 { Err(BROKEN.into()) } else { Ok(()) }
    }

    fn number(&mut self) -> Result<u32, String> {
        let bytes = self.take()?;
        Ok(if self.little { u32::from_le_bytes(bytes) } else { u32::from_be_bytes(bytes) })
    }

    fn float(&mut self) -> Result<f64, String> {
        let bytes = self.take()?;
        Ok(if self.little { f64::from_le_bytes(bytes) } else { f64::from_be_bytes(bytes) })
    }

    /// A count of things that take at least so many bytes each.
    fn count(&mut self, each: usize) -> Result<usize, String> {
        let count = self.number()? as usize;
        if count > self.rest.len() / each { Err(BROKEN.into()) } else { Ok(count) }
    }

    /// A polygon's rings after its head; of each point only the first two of its `width` numbers count.
    fn rings(&mut self, width: usize) -> Result<Vec<Vec<[f64; 2]>>, String> {
        let rings = self.count(4)?;
        let mut read = vec![];
        for _ in 0..rings {
            let points = self.count(8 * width)?;
            let mut ring = Vec::with_capacity(points);
            for _ in 0..points {
                ring.push([self.float()?, self.float()?]);
                for _ in 2..width {
                    self.float()?;
                }
            }
            read.push(ring);
        }
        Ok(read)
    }

    /// A geometry's head: its kind, and how many numbers a point has (ISO 19125 with the thousands that
    /// OGC 06-103r4 gives to heights and measures).
    fn head(&mut self) -> Result<(u32, usize), String> {
        self.order()?;
        let kind = self.number()?;
        let width = match kind / 1_000 {
            0 => 2,
            1 | 2 => 3,
            3 => 4,
            _ => return Err(format!("its geometry is of kind {kind}, which is not read")),
        };
        Ok((kind % 1_000, width))
    }
}

/// The polygons of a geometry as a GeoPackage keeps it (OGC 12-128r18, 2.1.3): a head, then WKB.
fn polygons(blob: &[u8]) -> Result<Polygons, String> {
    let mut bytes = Bytes { rest: blob, little: true };
    let [b'G', b'P', _, flags] = bytes.take()? else { return Err(BROKEN.into()) };
    if flags & 0b10_0000 != 0 {
        return Err("its geometry is of an extended kind, which is not read".into());
    }
    let envelope = match flags >> 1 & 0b111 {
        0 => 0,
        1 => 32,
        2 | 3 => 48,
        4 => 64,
        _ => return Err(BROKEN.into()),
    };
    bytes.rest = bytes.rest.get(4 + envelope..).ok_or(BROKEN)?;
    if flags & 0b1_0000 != 0 {
        return Err("its geometry is empty".into());
    }
    let (kind, width) = bytes.head()?;
    match kind {
        3 => Ok(vec![bytes.rings(width)?]),
        6 => {
            let parts = bytes.count(9)?;
            let mut polygons = vec![];
            for _ in 0..parts {
                let (3, width) = bytes.head()? else { return Err(BROKEN.into()) };
                polygons.push(bytes.rings(width)?);
            }
            Ok(polygons)
        }
        1 | 2 | 4 | 5 => Err("it is made of points or lines; a block is a polygon".into()),
        _ => Err(format!("its geometry is of kind {kind}, which is not read")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// OGC 12-128r18, 2.1.3, and OGC 06-103r4, 8.2: a triangle with heights, big-endian, with an envelope.
    #[test]
    fn outside_a_geometry_is_read_in_either_byte_order_and_with_heights() {
        let mut blob = b"GP\x00\x02".to_vec();
        blob.extend(4326u32.to_be_bytes());
        blob.extend([0; 32]);
        blob.push(0);
        blob.extend(1_003u32.to_be_bytes());
        blob.extend(1u32.to_be_bytes());
        blob.extend(4u32.to_be_bytes());
        let corners =
            [[-84.5, 42.7, 250.0], [-84.4, 42.7, 251.0], [-84.4, 42.8, 252.0], [-84.5, 42.7, 250.0]];
        blob.extend(corners.iter().flatten().flat_map(|n: &f64| n.to_be_bytes()));
        let read = polygons(&blob).unwrap();
        assert_eq!(read, [[corners.map(|[lon, lat, _]| [lon, lat]).to_vec()]]);
        for cut in 0..blob.len() {
            assert!(polygons(&blob[..cut]).is_err(), "{cut}");
        }
        let mut many = blob.clone();
        many[45..49].copy_from_slice(&u32::MAX.to_be_bytes());
        assert!(polygons(&many).unwrap_err().contains("breaks off"));
    }

    #[test]
    fn a_file_that_asks_for_endless_work_or_runs_code_is_refused() {
        let mut db = Connection::open_in_memory().unwrap();
        let tables = "CREATE TABLE gpkg_contents (table_name, data_type);
            CREATE TABLE gpkg_geometry_columns (table_name, column_name, geometry_type_name, srs_id);
            CREATE TABLE gpkg_spatial_ref_sys (srs_name, srs_id, organization, organization_coordsys_id);
            INSERT INTO gpkg_contents VALUES ('blocks', 'features');
            INSERT INTO gpkg_geometry_columns VALUES ('blocks', 'geom', 'POLYGON', 4326);
            INSERT INTO gpkg_spatial_ref_sys VALUES ('WGS 84', 4326, 'EPSG', 4326);";
        db.execute_batch(tables).unwrap();
        let said =
            |db: &mut Connection| read_areas(&db.serialize("main").unwrap(), 500).unwrap_err().to_string();
        let endless =
            "WITH RECURSIVE n(x) AS (SELECT 1 UNION ALL SELECT x + 1 FROM n) SELECT x AS geom FROM n";
        db.execute_batch(&format!("CREATE VIEW blocks AS {endless}")).unwrap();
        assert!(said(&mut db).contains("no table"), "{}", said(&mut db));
        db.execute_batch("DROP VIEW blocks; CREATE VIRTUAL TABLE blocks USING fts5(geom)").unwrap();
        assert!(said(&mut db).contains("no table"), "{}", said(&mut db));
        db.execute_batch("DROP TABLE gpkg_contents").unwrap();
        db.execute_batch(&format!(
            "CREATE VIEW gpkg_contents AS SELECT 'blocks' AS table_name, 'features' AS data_type FROM ({endless})"
        ))
        .unwrap();
        assert!(said(&mut db).contains("cannot be read"), "{}", said(&mut db));
    }
}
