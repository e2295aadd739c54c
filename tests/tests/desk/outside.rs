//! The desk's files read by programs that are not ours: GDAL and openpyxl.

use std::process::Command;

use bolebook_tests::root;
use bolebook_tests::world::{Who, World};
use serde_json::Value;

use crate::site::{Browser, Site};

fn world() -> World {
    let mut world = World::new();
    for tag in ["=1+1", "A, \"B\"", "Ürgroßmutters Eiche"] {
        let tree = world.tree(Who::Crew(0), tag);
        world.diameter(Who::Crew(0), tree, 3_005);
        world.treat(0, tree, 7);
    }
    world
}

fn saved(site: &Site, browser: &mut Browser, world: &World, name: &str) -> std::path::PathBuf {
    let file = browser.page(&format!("/jobs/{}/exports/{name}", world.job.id()));
    let path = site.data.path().join(name);
    std::fs::write(&path, &file.bytes).unwrap();
    path
}

/// GDAL's own driver, which follows OGC 12-128r18.
#[test]
fn outside_gdal_reads_the_geopackage_and_counts_the_same_trees() {
    let mut world = world();
    let site = Site::new(&mut world, true);
    let path = saved(&site, &mut site.browser(), &world, "trees.gpkg");
    let output = Command::new("ogrinfo")
        .arg("-ro")
        .arg("-al")
        .arg(&path)
        .output()
        .expect("ogrinfo of GDAL is installed");
    let (said, errors) = (String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    assert!(output.status.success() && errors.is_empty(), "{errors}");
    let trees = said.split("Layer name: trees").nth(1).unwrap().split("Layer name:").next().unwrap();
    assert!(trees.contains("Geometry: Point") && trees.contains("Feature Count: 3"), "{trees}");
    assert!(trees.contains("WGS 84") && trees.contains("Ürgroßmutters Eiche"), "{trees}");
    assert!(
        trees.contains("diameter_cm (Real) = 30.05") && trees.contains("put_in_ml (Real) = 70"),
        "{trees}"
    );
    assert!(trees.contains("POINT (-84.5"), "longitude first: {trees}");
    assert!(said.contains("Layer name: blocks"));
}

/// openpyxl reads cells as a spreadsheet would, and tells which of them it would run.
#[test]
fn outside_openpyxl_reads_the_workbook_and_finds_no_formula_in_it() {
    let mut world = world();
    let site = Site::new(&mut world, true);
    let path = saved(&site, &mut site.browser(), &world, "book.xlsx");
    let python = xtask::setup::python().unwrap_or_else(|e| panic!("the outside check needs Python: {e}"));
    let output =
        Command::new(python).arg(root().join("tests/reference/read_xlsx.py")).arg(&path).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let sheets: Value = serde_json::from_slice(&output.stdout).unwrap();
    let names: Vec<&str> = sheets.as_object().unwrap().keys().map(String::as_str).collect();
    assert_eq!(names, ["Applications", "Findings", "State", "Trees"]);
    for (name, sheet) in sheets.as_object().unwrap() {
        assert_eq!(sheet["formulas"], Value::Array(vec![]), "{name}");
    }
    let rows = sheets["Trees"]["rows"].as_array().unwrap();
    assert_eq!(rows.len(), 4);
    let column = |name: &str| rows[0].as_array().unwrap().iter().position(|c| c == name).unwrap();
    let tags: Vec<&str> = rows[1..].iter().map(|r| r[column("tag")].as_str().unwrap()).collect();
    assert!(tags.contains(&"A, \"B\"") && tags.contains(&"Ürgroßmutters Eiche"), "{tags:?}");
    for row in &rows[1..] {
        assert_eq!(row[column("put_in_ml")].as_f64(), Some(70.0), "figures are numbers");
    }
}
