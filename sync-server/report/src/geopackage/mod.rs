//! Trees and blocks for a geographic information system (OGC 12-128r18).

mod read;

use std::collections::BTreeMap;
use std::io::{Seek as _, SeekFrom, Write as _};
use std::path::Path;

use bolebook_core::export::{Violations, inert};
use bolebook_core::finding::Finding;
use bolebook_core::quantity::Um;
use bolebook_core::record::work::Application;
use bolebook_core::record::{Body, Kind};
use bolebook_core::view::{TreeState, View};
use rusqlite::{Connection, params};

use crate::ReportError;
use crate::workbook::newest;

pub use read::{Area, Polygons, ReadError, read_areas};

/// Media type of a GeoPackage (OGC 12-128r18).
pub const GPKG: &str = "application/geopackage+sqlite3";

/// The tables a GeoPackage must have (OGC 12-128r18, annex C).
const GPKG_TABLES: &str = "
    PRAGMA application_id = 0x47504B47;
    PRAGMA user_version = 10300;
    CREATE TABLE gpkg_spatial_ref_sys (srs_name TEXT NOT NULL, srs_id INTEGER NOT NULL PRIMARY KEY,
        organization TEXT NOT NULL, organization_coordsys_id INTEGER NOT NULL, definition TEXT NOT NULL, description TEXT);
    INSERT INTO gpkg_spatial_ref_sys VALUES
        ('Undefined cartesian SRS', -1, 'NONE', -1, 'undefined', NULL),
        ('Undefined geographic SRS', 0, 'NONE', 0, 'undefined', NULL),
        ('WGS 84 geodetic', 4326, 'EPSG', 4326, 'GEOGCS[\"WGS 84\",DATUM[\"WGS_1984\",SPHEROID[\"WGS 84\",6378137,298.257223563,AUTHORITY[\"EPSG\",\"7030\"]],AUTHORITY[\"EPSG\",\"6326\"]],PRIMEM[\"Greenwich\",0,AUTHORITY[\"EPSG\",\"8901\"]],UNIT[\"degree\",0.0174532925199433,AUTHORITY[\"EPSG\",\"9122\"]],AUTHORITY[\"EPSG\",\"4326\"]]', NULL);
    CREATE TABLE gpkg_contents (table_name TEXT NOT NULL PRIMARY KEY, data_type TEXT NOT NULL, identifier TEXT UNIQUE,
        description TEXT DEFAULT '', last_change DATETIME NOT NULL, min_x DOUBLE, min_y DOUBLE, max_x DOUBLE, max_y DOUBLE,
        srs_id INTEGER, CONSTRAINT fk_gc_r_srs_id FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys(srs_id));
    CREATE TABLE gpkg_geometry_columns (table_name TEXT NOT NULL, column_name TEXT NOT NULL, geometry_type_name TEXT NOT NULL,
        srs_id INTEGER NOT NULL, z TINYINT NOT NULL, m TINYINT NOT NULL,
        CONSTRAINT pk_geom_cols PRIMARY KEY (table_name, column_name), CONSTRAINT uk_gc_table_name UNIQUE (table_name),
        CONSTRAINT fk_gc_tn FOREIGN KEY (table_name) REFERENCES gpkg_contents(table_name),
        CONSTRAINT fk_gc_srs FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys(srs_id));
    CREATE TABLE trees (fid INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, geom POINT, tree TEXT NOT NULL, tag TEXT NOT NULL,
        species TEXT, diameter_cm DOUBLE, state TEXT NOT NULL, put_in_ml DOUBLE NOT NULL, violations TEXT NOT NULL,
        book_state TEXT NOT NULL);
    CREATE TABLE blocks (fid INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, geom POLYGON, block TEXT NOT NULL, name TEXT NOT NULL,
        book_state TEXT NOT NULL);
";
const ADD_CONTENTS: &str =
    "INSERT INTO gpkg_contents VALUES (?1, 'features', ?1, ?2, ?3, ?4, ?5, ?6, ?7, 4326)";
const ADD_COLUMN: &str = "INSERT INTO gpkg_geometry_columns VALUES (?1, 'geom', ?2, 4326, 0, 0)";
const ADD_TREE: &str =
    "INSERT INTO trees (geom, tree, tag, species, diameter_cm, state, put_in_ml, violations, book_state)
    VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)";
const ADD_BLOCK: &str = "INSERT INTO blocks (geom, block, name, book_state) VALUES (?1, ?2, ?3, ?4)";

/// The header of a geometry (OGC 12-128r18 §2.1.3): little-endian, no envelope, WGS 84.
fn geometry(wkb: &[u8]) -> Vec<u8> {
    let mut blob = vec![b'G', b'P', 0, 1];
    blob.extend(4326i32.to_le_bytes());
    blob.extend(wkb);
    blob
}

fn degrees(ndeg: i64) -> f64 {
    ndeg as f64 / 1e9
}

fn point(lon: i64, lat: i64) -> Vec<u8> {
    let mut wkb = vec![1];
    wkb.extend(1u32.to_le_bytes());
    wkb.extend(degrees(lon).to_le_bytes());
    wkb.extend(degrees(lat).to_le_bytes());
    geometry(&wkb)
}

fn polygon(corners: &[bolebook_core::record::stand::Corner]) -> Vec<u8> {
    let mut wkb = vec![1];
    wkb.extend(3u32.to_le_bytes());
    wkb.extend(1u32.to_le_bytes());
    wkb.extend(u32::try_from(corners.len() + 1).unwrap_or(u32::MAX).to_le_bytes());
    for corner in corners.iter().chain(corners.first()) {
        wkb.extend(degrees(corner.lon_ndeg).to_le_bytes());
        wkb.extend(degrees(corner.lat_ndeg).to_le_bytes());
    }
    geometry(&wkb)
}

/// Trees and blocks as a GeoPackage. The same state gives the same bytes.
///
/// # Errors
/// [`ReportError::Geopackage`].
pub fn geopackage(view: &View<'_>, findings: &[Finding]) -> Result<Vec<u8>, ReportError> {
    let mut db = Connection::open_in_memory()?;
    fill(&mut db, view, findings)?;
    Ok(db.serialize("main")?.to_vec())
}

/// The same bytes into a file that is not there yet, holding no more of it in memory than SQLite's page cache.
/// What stands in the file after an error is nothing to keep.
///
/// # Errors
/// [`ReportError::Geopackage`]; [`ReportError::File`] when the file cannot be finished.
pub fn write_geopackage(view: &View<'_>, findings: &[Finding], path: &Path) -> Result<(), ReportError> {
    let mut db = Connection::open(path)?;
    // A file that a crash leaves half written is thrown away: it needs no journal and no waiting.
    db.execute_batch("PRAGMA journal_mode = OFF; PRAGMA synchronous = OFF;")?;
    fill(&mut db, view, findings)?;
    db.close().map_err(|(_, error)| error)?;
    let mut file = std::fs::OpenOptions::new().write(true).open(path)?;
    // How often it was written and by which version of SQLite (its file format, 1.3): no part of the state.
    for (at, bytes) in [(24, 4), (92, 8)] {
        file.seek(SeekFrom::Start(at))?;
        file.write_all(&[0; 8][..bytes])?;
    }
    Ok(())
}

fn fill(db: &mut Connection, view: &View<'_>, findings: &[Finding]) -> Result<(), ReportError> {
    let violations = Violations::of(view, findings);
    let tx = db.transaction()?;
    tx.execute_batch(GPKG_TABLES)?;
    let state = view.state_digest().to_string();
    let utc = bolebook_core::record::book_kinds::Zone {
        name: "UTC".into(),
        offsets: vec![bolebook_core::record::book_kinds::ZoneOffset {
            from: Default::default(),
            offset_s: 0,
        }],
    };
    let changed = format!("{}.000Z", utc.rfc3339(newest(view)).get(..19).unwrap_or("2020-01-01T00:00:00"));
    let placed: Vec<_> = view.trees.keys().filter_map(|id| view.tree(*id)?.position).collect();
    let ends = |of: fn(&bolebook_core::record::stand::Position) -> i64| {
        (placed.iter().map(of).min().map(degrees), placed.iter().map(of).max().map(degrees))
    };
    let ((west, east), (south, north)) = (ends(|p| p.lon_ndeg), ends(|p| p.lat_ndeg));
    for (table, kind) in [("trees", "POINT"), ("blocks", "POLYGON")] {
        let about = format!("{}, state {state}", view.title);
        tx.execute(ADD_CONTENTS, params![table, about, changed, west, south, east, north])?;
        tx.execute(ADD_COLUMN, params![table, kind])?;
    }
    for (id, tree) in &view.trees {
        let listed = view.tree(*id);
        let geom = listed.and_then(|t| t.position).map(|p| point(p.lon_ndeg, p.lat_ndeg));
        let put_in: BTreeMap<_, i64> =
            view.applications(tree).map(|(f, _, a)| (f.id, Application::put_in_ul(a).0)).collect();
        let put_in = put_in.values().sum::<i64>() as f64 / 1e3;
        let word = match view.state(tree) {
            TreeState::Treated => "treated",
            TreeState::NotTreated(_) => "not treated",
            TreeState::Left => "left",
        };
        let diameter = view.diameter(tree, 1).map(|d: Um| d.0 as f64 / 1e4);
        let species = listed.and_then(|t| t.species.clone());
        let broken = inert(&violations.of_tree(view, *id, tree).join(" | "));
        tx.prepare_cached(ADD_TREE)?.execute(params![
            geom,
            id.to_string(),
            inert(&view.tag(*id)),
            species,
            diameter,
            word,
            put_in,
            broken,
            state
        ])?;
    }
    for fact in view.facts.in_force(Kind::Block) {
        let Body::Block(block) = &view.facts.shown(fact).record.body else { continue };
        let geom = (block.boundary.len() > 2).then(|| polygon(&block.boundary));
        tx.prepare_cached(ADD_BLOCK)?.execute(params![
            geom,
            fact.id.to_string(),
            inert(&block.name),
            state
        ])?;
    }
    tx.commit()?;
    Ok(())
}
