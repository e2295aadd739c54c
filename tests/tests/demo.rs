//! The main job on real input: the demo's evening on the 584 longleaf pines of Platt, Evans &
//! Rathbun 1988 (tests/data/longleaf.NOTE.md), through the real binaries and a real server.
//!
//! The demo itself fails when the office does not find exactly what was planted; here its exports
//! are read by programs that are not ours.

use std::process::Command;

use bolebook_tests::root;
use serde_json::Value;
use xtask::demo::{Options, run};

#[test]
fn the_evening_on_the_longleaf_stand_ends_in_exports_others_can_read() {
    let out = tempfile::tempdir().unwrap();
    let stand = Some(root().join("tests/data/longleaf.csv"));
    let options = Options { once: true, out: Some(out.path().into()), stand, species: "PIUPA".into() };
    run(&options).unwrap();
    let names = [
        "trees.csv",
        "applications.csv",
        "application-records.csv",
        "trees.geojson",
        "findings.json",
        "balance.json",
        "summary.json",
    ];
    for name in names {
        assert!(out.path().join(name).exists(), "{name} is missing");
    }

    let read = |name: &str| std::fs::read_to_string(out.path().join(name)).unwrap();
    let summary: Value = serde_json::from_str(&read("summary.json")).unwrap();
    assert_eq!(summary["trees"]["listed"], 584, "one tree was listed twice and joined again");
    assert_eq!(summary["unexplained_ul"], 180_000, "what Alder's kit lacked");

    // The product in trees.csv, added up here, is the product in the balance.
    let mut reader = csv::Reader::from_path(out.path().join("trees.csv")).unwrap();
    let column = reader.headers().unwrap().iter().position(|h| h == "put_in_ml").unwrap();
    let microlitres = |text: &str| text.replace('.', "").parse::<i64>().unwrap();
    let sum: i64 = reader.records().map(|r| microlitres(&r.unwrap()[column])).sum();
    assert_eq!(summary["into_trees_ul"], sum);

    // GDAL counts the same trees.
    let ogrinfo = Command::new("ogrinfo").args(["-so", "-al"]).arg(out.path().join("trees.geojson")).output();
    let ogrinfo = ogrinfo.expect("GDAL's ogrinfo; `cargo xtask setup` installs it");
    let said = String::from_utf8_lossy(&ogrinfo.stdout).into_owned();
    assert!(said.contains("Feature Count: 584"), "{said}");
}
