//! Exports read by programs that are not ours: GDAL and Python.

use std::path::Path;
use std::process::Command;

use bolebook_core::book::Book;
use bolebook_core::export::{NoNames, applications_csv, trees_csv, trees_geojson};
use bolebook_core::view::{View, Yard};
use bolebook_probe::Everyone;
use bolebook_tests::root;
use bolebook_tests::stand::{job, longleaf, yard};

/// Tags that a careless reader or writer trips over.
const TAGS: [&str; 8] = [
    "A-017",
    "say \"seventeen\"",
    "a, b; c",
    "two\nlines",
    "=1+1",
    "Ürgroßmutters Eiche",
    "'quoted'",
    " spaces at both ends ",
];

fn tag(index: usize) -> String {
    TAGS.get(index).map_or_else(|| format!("L-{index:03}"), |tag| (*tag).to_owned())
}

fn with_view<T>(see: impl FnOnce(&View<'_>) -> T) -> T {
    let (yard_book, job_book): (Book, Book) = (yard(), job(&longleaf(), 5, tag));
    let yard = Yard::read(&yard_book, &Everyone).unwrap();
    see(&View::read(&job_book, &yard, &Everyone).unwrap())
}

fn written(folder: &Path, name: &str, text: &str) -> std::path::PathBuf {
    let path = folder.join(name);
    std::fs::write(&path, text).unwrap();
    path
}

fn rows(text: &str) -> Vec<Vec<String>> {
    let folder = tempfile::tempdir().unwrap();
    let output = Command::new(xtask::setup::python().unwrap())
        .arg(root().join("tests/reference/read_csv.py"))
        .arg(written(folder.path(), "table.csv", text))
        .output()
        .unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    serde_json::from_slice(&output.stdout).unwrap()
}

fn column(rows: &[Vec<String>], name: &str) -> Vec<String> {
    let at = rows[0].iter().position(|n| n == name).unwrap_or_else(|| panic!("no column {name}"));
    rows[1..].iter().map(|row| row[at].clone()).collect()
}

/// Python's csv module, strict (RFC 4180 quoting).
#[test]
fn python_reads_the_table_of_trees_with_every_tag_in_it() {
    let rows = rows(&with_view(|view| trees_csv(view, &[]).unwrap()));
    assert_eq!(rows.len(), 585);
    let found = column(&rows, "tag");
    for (index, found) in found.iter().enumerate() {
        let tag = tag(index);
        // A spreadsheet would run '=1+1': an apostrophe keeps it text (OWASP, CSV injection).
        let expected = if tag.starts_with('=') { format!("'{tag}") } else { tag };
        assert_eq!(*found, expected);
    }
    let diameters: f64 = column(&rows, "diameter_cm").iter().map(|d| d.parse::<f64>().unwrap()).sum();
    assert!((diameters - 15_676.7).abs() < 1e-6, "{diameters}");
}

#[test]
fn python_reads_the_table_of_applications() {
    let (text, expected) = with_view(|view| {
        let total: i64 =
            view.trees.values().flat_map(|t| view.applications(t)).map(|(_, _, a)| a.put_in_ul().0).sum();
        (applications_csv(view, &[], &NoNames).unwrap(), total)
    });
    let rows = rows(&text);
    let put_in = column(&rows, "put_in_ml");
    let total: f64 = put_in.iter().map(|v| v.parse::<f64>().unwrap()).sum();
    assert!(put_in.len() > 80, "{}", put_in.len());
    assert!((total * 1_000.0 - expected as f64).abs() < 1e-3, "{total} mL, {expected} µL");
}

/// GDAL's ogrinfo: a layer of 584 points in WGS 84 whose extent is that of the plot.
#[test]
fn ogrinfo_reads_the_trees_as_points_in_wgs_84() {
    let folder = tempfile::tempdir().unwrap();
    let text = with_view(|view| trees_geojson(view, &[]).unwrap());
    let path = written(folder.path(), "trees.geojson", &text);
    let said = gdal("ogrinfo", &["-ro", "-al", "-so"], &path);
    for part in ["using driver `GeoJSON' successful", "Geometry: Point", "Feature Count: 584", "WGS 84"] {
        assert!(said.contains(part), "no '{part}' in {said}");
    }
    for field in ["tag: String", "species: String", "diameter_cm: Real", "put_in_ml: Real", "state: String"] {
        assert!(said.contains(field), "no field '{field}' in {said}");
    }
    let extent = said.lines().find_map(|l| l.strip_prefix("Extent: ")).unwrap();
    let corners: Vec<f64> = extent.split(['(', ')', ',', ' ']).filter_map(|part| part.parse().ok()).collect();
    // The plot's south-west corner lies at 84.4° W, 30.6° N; 200 m are 0.0018° of latitude.
    let [west, south, east, north] = corners[..] else { panic!("{extent}") };
    assert!((-84.4 - 1e-6..-84.39).contains(&west) && (30.6 - 1e-6..30.61).contains(&south), "{extent}");
    assert!((north - south - 200.0 / 110_860.0).abs() < 5e-6, "{extent}");
    assert!((east - west - 200.0 / 95_900.0).abs() < 5e-6, "{extent}");
}

/// Every feature as GDAL reads it: tags survive, positions are within a centimetre of the map's.
#[test]
fn ogr2ogr_gives_every_tag_and_position_back() {
    let folder = tempfile::tempdir().unwrap();
    let (text, places) = with_view(|view| {
        let of = |id| view.tree(id).and_then(|t| t.position).unwrap();
        let places: Vec<_> = view.trees.keys().map(|id| of(*id)).collect();
        (trees_geojson(view, &[]).unwrap(), places)
    });
    let path = written(folder.path(), "trees.geojson", &text);
    let csv = gdal("ogr2ogr", &["-f", "CSV", "-lco", "GEOMETRY=AS_XY", "/vsistdout/"], &path);
    let rows = rows(&csv);
    assert_eq!(rows.len(), 585);
    let (xs, ys, tags) = (column(&rows, "X"), column(&rows, "Y"), column(&rows, "tag"));
    for (index, place) in places.iter().enumerate() {
        let far = |text: &str, ndeg: i64| (text.parse::<f64>().unwrap() - ndeg as f64 / 1e9).abs();
        assert!(far(&xs[index], place.lon_ndeg) < 1e-7 && far(&ys[index], place.lat_ndeg) < 1e-7);
        assert_eq!(tags[index], tag(index));
    }
}

fn gdal(program: &str, arguments: &[&str], file: &Path) -> String {
    let output = Command::new(program)
        .args(arguments)
        .arg(file)
        .output()
        .unwrap_or_else(|e| panic!("{program}: {e}: 'cargo xtask setup' installs it"));
    let said = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(output.status.success(), "{said}{}", String::from_utf8_lossy(&output.stderr));
    said
}
