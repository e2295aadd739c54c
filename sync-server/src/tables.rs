//! Exports that are files of another program: a workbook, a GeoPackage, records by scheme of law.

use std::collections::BTreeMap;

use bolebook_core::export::{Violations, application_records_csv, applications_csv, inert, trees_csv};
use bolebook_core::facts::{Fact, Version};
use bolebook_core::finding::{Finding, State};
use bolebook_core::quantity::{Um, decimal};
use bolebook_core::record::work::Application;
use bolebook_core::record::{Body, Kind};
use bolebook_core::view::{TreeState, View};
use rusqlite::{Connection, params};
use rust_xlsxwriter::{DocProperties, ExcelDateTime, Format, Workbook, XlsxError};

use crate::error::ApiError;
use crate::snapshot::{JobState, Snapshot};
use crate::state::Inner;

/// Media type of a workbook (ECMA-376).
pub const XLSX: &str = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet";
/// Media type of a GeoPackage (OGC 12-128r18).
pub const GPKG: &str = "application/geopackage+sqlite3";

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

/// Columns that hold figures, so that a spreadsheet can add them up. Everything else is written as
/// text, which no spreadsheet runs.
fn is_figure(column: &str) -> bool {
    column.starts_with("amount")
        || ["_cm", "_ml", "_pct", "_kpa"].iter().any(|end| column.ends_with(end))
        || ["stems", "stems_without_diameter", "trees", "hours", "holes", "applications", "lat", "lon", "stem"].contains(&column)
}

fn sheet(book: &mut Workbook, name: &str, csv_text: &str) -> Result<(), ApiError> {
    let failed = |e: XlsxError| ApiError::internal(&e);
    let head = Format::new().set_bold();
    let sheet = book.add_worksheet().set_name(name).map_err(failed)?;
    let mut columns: Vec<String> = vec![];
    for (row, record) in read_csv(csv_text).into_iter().enumerate() {
        let row_number = u32::try_from(row).map_err(|e| ApiError::internal(&e))?;
        for (i, cell) in record.iter().enumerate() {
            let column = u16::try_from(i).map_err(|e| ApiError::internal(&e))?;
            let figure =
                columns.get(i).is_some_and(|c| is_figure(c)).then(|| cell.parse::<f64>().ok()).flatten();
            match (row, figure) {
                (0, _) => sheet.write_string_with_format(row_number, column, cell, &head),
                (_, Some(figure)) => sheet.write_number(row_number, column, figure),
                _ => sheet.write_string(row_number, column, cell),
            }
            .map_err(failed)?;
        }
        if row == 0 {
            columns = record;
        }
    }
    sheet.set_freeze_panes(1, 0).map_err(failed)?;
    Ok(())
}

/// Records of a text this program wrote itself (RFC 4180).
pub fn read_csv(text: &str) -> Vec<Vec<String>> {
    let (mut rows, mut row, mut cell, mut quoted) = (vec![], vec![], String::new(), false);
    let mut signs = text.chars().peekable();
    while let Some(c) = signs.next() {
        match (c, quoted) {
            ('"', true) if signs.peek() == Some(&'"') => {
                signs.next();
                cell.push('"');
            }
            ('"', _) => quoted = !quoted,
            (',', false) => row.push(std::mem::take(&mut cell)),
            ('\r', false) => {}
            ('\n', false) => {
                row.push(std::mem::take(&mut cell));
                rows.push(std::mem::take(&mut row));
            }
            (c, _) => cell.push(c),
        }
    }
    rows
}

/// A workbook that says which state it shows, dated by the state.
fn dated(view: &View<'_>) -> Result<Workbook, ApiError> {
    let failed = |e: XlsxError| ApiError::internal(&e);
    let mut book = Workbook::new();
    let made = view.local_time(newest(view));
    let made =
        ExcelDateTime::parse_from_str(made.get(..19).unwrap_or("2020-01-01T00:00:00")).map_err(failed)?;
    let about = format!("State {}", view.state_digest());
    book.set_properties(
        &DocProperties::new().set_title(&view.title).set_comment(&about).set_creation_datetime(&made),
    );
    Ok(book)
}

/// The sheet that names the state.
fn state_sheet(book: &mut Workbook, view: &View<'_>) -> Result<(), ApiError> {
    let mut heads = String::from("what,value\n");
    heads.push_str(&format!("state,{}\n", view.state_digest()));
    for (name, all) in [("job head", &view.heads), ("yard head", &view.yard.heads)] {
        for head in all {
            heads.push_str(&format!("{name},{head}\n"));
        }
    }
    sheet(book, "State", &heads)
}

/// A table as a workbook of its own. The same table gives the same bytes.
///
/// # Errors
/// An internal error when it cannot be written.
pub fn one_sheet(job: &JobState, name: &str, csv_text: &str) -> Result<Vec<u8>, ApiError> {
    let mut book = dated(&job.view)?;
    sheet(&mut book, name, csv_text)?;
    state_sheet(&mut book, &job.view)?;
    book.save_to_buffer().map_err(|e| ApiError::internal(&e))
}

/// A workbook of trees, applications and findings. The same state gives the same bytes.
///
/// # Errors
/// An internal error when it cannot be written.
pub fn workbook(snapshot: &Snapshot, job: &JobState) -> Result<Vec<u8>, ApiError> {
    let view = &job.view;
    let failed = |e: XlsxError| ApiError::internal(&e);
    let internal = |e: &dyn std::fmt::Display| ApiError::internal(e);
    let mut book = dated(view)?;
    sheet(&mut book, "Trees", &trees_csv(view, &snapshot.findings(job)).map_err(|e| internal(&e))?)?;
    let applications = applications_csv(view, &snapshot.findings(job), &snapshot.names);
    sheet(&mut book, "Applications", &applications.map_err(|e| internal(&e))?)?;
    let mut findings = String::from("finding,severity,kind,message,state,reason,done,reported\n");
    for f in snapshot.findings(job).iter() {
        let quote = |t: &str| format!("\"{}\"", inert(t).replace('"', "\"\""));
        let (state, reason, done, reported) = match &f.state {
            State::Settled { decision, reason, done, reported, .. } => {
                let text = |t: &Option<String>| t.clone().unwrap_or_default();
                (decision.replace('_', " "), reason.clone(), text(done), text(reported))
            }
            _ => ("open".into(), String::new(), String::new(), String::new()),
        };
        let cells = [&f.message, &state, &reason, &done, &reported].map(|t| quote(t)).join(",");
        findings.push_str(&format!("{},{:?},{},{cells}\n", f.id, f.severity, f.code.name()));
    }
    sheet(&mut book, "Findings", &findings)?;
    state_sheet(&mut book, view)?;
    book.save_to_buffer().map_err(failed)
}

/// The time of the newest record: what a file made from this state is dated by.
fn newest(view: &View<'_>) -> bolebook_core::quantity::UtcMs {
    view.facts.versions.iter().map(|v| v.record.envelope.at).max().unwrap_or_default()
}

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
/// An internal error when it cannot be written.
pub fn geopackage(app: &Inner, snapshot: &Snapshot, job: &JobState) -> Result<Vec<u8>, ApiError> {
    let draft = app.config.data.join("tmp").join(format!("{}.gpkg", hex::encode(app.random::<16>()?)));
    let written = write_geopackage(&draft, &job.view, &snapshot.findings(job))
        .and_then(|()| Ok(std::fs::read(&draft)?));
    // A draft that cannot be removed is swept when the server starts.
    let _ = std::fs::remove_file(&draft);
    written
}

fn write_geopackage(path: &std::path::Path, view: &View<'_>, findings: &[Finding]) -> Result<(), ApiError> {
    let violations = Violations::of(view, findings);
    let mut db = Connection::open(path)?;
    db.execute_batch("PRAGMA journal_mode = OFF; PRAGMA synchronous = OFF;")?;
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
        tx.execute(
            ADD_TREE,
            params![
                geom,
                id.to_string(),
                inert(&view.tag(*id)),
                species,
                diameter,
                word,
                put_in,
                broken,
                state
            ],
        )?;
    }
    for fact in view.facts.in_force(Kind::Block) {
        let Body::Block(block) = &view.facts.shown(fact).record.body else { continue };
        let geom = (block.boundary.len() > 2).then(|| polygon(&block.boundary));
        tx.execute(ADD_BLOCK, params![geom, fact.id.to_string(), inert(&block.name), state])?;
    }
    tx.commit()?;
    db.close().map_err(|(_, e)| e)?;
    Ok(())
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
