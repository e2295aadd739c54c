//! Exports read by programs that are not ours: GDAL, Python, frictionless, qpdf and Poppler.

use std::path::Path;
use std::process::Command;

use bolebook_core::balance::balance;
use bolebook_core::book::Book;
use bolebook_core::check::check;
use bolebook_core::export::{
    ClientTexts, NoNames, application_records_csv, applications_csv, client_package_files, eu_records_csv,
    office_records_csv, package_files, trees_csv, trees_geojson,
};
use bolebook_core::ids::Sha256Hash;
use bolebook_core::view::{View, Yard};
use bolebook_probe::Everyone;
use bolebook_report::words::Words;
use bolebook_report::{Asked, Reader, data_package, geopackage, report, report_held_to_archive_rules};
use bolebook_tests::root;
use bolebook_tests::stand::{job, longleaf, yard};

/// Bytes and digest of each.
const GOLDEN: [&str; 7] = [
    "trees.csv 72664 b2b5bab346cff662fbd851f604e1dc1a8a35cafd8d63c434ef059e07138dac4b",
    "applications.csv 39768 056e9958cfa6d09cb0808b1f00a413ec2ef2363ccfddb8731edfaf09506c801d",
    "trees.geojson 178241 3826cbc12aacf8e324ed8ca806b140aeeb921e65244d43c5142a6b4d997bbfc5",
    "application-records.csv 31515 3bd94401bc86cbe75084392564d50dcfc6ae8ad8ef95a1e3a51ac779651031a8",
    "application-records-eu.csv 23651 a52935cdbbf602888145ce3db1ce3428a4d67a530191c7ad21a778efbbfe5cad",
    "application-records-office.csv 10585 d69006f1eca7d45bd99d6e0ed206311f4b5c2f43a83222237926e61acb15911c",
    "trees.gpkg 147456 1a04fe1daee504ee3c6b8ef61122d5d417d442f329f996b610faf8d75e01c75d",
];

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

/// frictionless (PyPI) validates the package: types, constraints, keys, references, digests, sizes.
/// Among the tags are a formula, quotes, line ends and a tag of another script.
#[test]
fn frictionless_finds_the_data_package_valid_and_reads_every_row() {
    let folder = tempfile::tempdir().unwrap();
    let (files, packed, again) = with_view(|view| {
        let packed = || data_package(view, &[], &NoNames).unwrap();
        (package_files(view, &[], &NoNames).unwrap(), packed(), packed())
    });
    assert_eq!(packed, again, "the same state, the same bytes");
    for (name, text) in &files {
        written(folder.path(), name, text);
    }
    let archive = folder.path().join("package.zip");
    std::fs::write(&archive, &packed).unwrap();
    let check = |folder: &Path| -> serde_json::Value {
        let output = Command::new(xtask::setup::python().unwrap())
            .arg(root().join("tests/reference/check_package.py"))
            .arg(folder)
            .output()
            .unwrap();
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        serde_json::from_slice(&output.stdout).unwrap()
    };
    let found = check(folder.path());
    assert_eq!(found["valid"], true, "{found}");
    assert_eq!(found["rows"]["trees"], 584);
    assert_eq!(found["rows"]["applications"], found["rows"]["application-records-eu"]);
    assert_eq!((&found["keys"]["applications"], &found["keys"]["holes"]), (&1.into(), &1.into()));
    let about: serde_json::Value = serde_json::from_str(&files[0].1).unwrap();
    assert_eq!(about["bolebook"]["job_heads"].as_array().unwrap().len(), 1);

    // The client's package has records and map, and is valid too.
    let given = folder.path().join("client");
    std::fs::create_dir(&given).unwrap();
    let files_given = with_view(|view| {
        let map = trees_geojson(view, &[]).unwrap();
        let records = application_records_csv(view, &[], &NoNames, |_, _| true).unwrap();
        let records_eu = eu_records_csv(view, &[], |_, _| true).unwrap();
        client_package_files(view, ClientTexts { records, records_eu, map }).unwrap()
    });
    for (name, text) in &files_given {
        written(&given, name, text);
    }
    let found_there = check(&given);
    assert_eq!(found_there["valid"], true, "{found_there}");
    assert_eq!(found_there["rows"]["application-records"], found["rows"]["application-records-eu"]);
    assert!(!files_given[0].1.contains("unlisted"), "what is the office's stays there");

    // Python's zipfile finds the same files in the archive, all dated alike.
    let unpacked = folder.path().join("unpacked");
    let script = "import sys,zipfile; z=zipfile.ZipFile(sys.argv[1]); assert z.testzip() is None; \
        assert {i.date_time for i in z.infolist()} == {(1980,1,1,0,0,0)}; z.extractall(sys.argv[2])";
    let python = xtask::setup::python().unwrap();
    let output = Command::new(python).args(["-c", script]).arg(&archive).arg(&unpacked).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    for (name, text) in &files {
        assert_eq!(&std::fs::read_to_string(unpacked.join(name)).unwrap(), text, "{name}");
    }

    // A reference that does not hold is found: the check can fail.
    let broken = files.iter().find(|(name, _)| name == "trees.csv").unwrap().1.replacen("\r\n0", "\r\nf", 3);
    written(folder.path(), "trees.csv", &broken);
    assert_eq!(check(folder.path())["valid"], false);
}

fn asked<'a>(view: &'a View<'a>, language: &str) -> Asked<'a> {
    let words = Words::of(language).unwrap();
    let (reader, takes) = (Reader::Office, &|_: &_, _: &_| true);
    Asked { view, findings: &[], names: &NoNames, words, reader, takes, photos: None }
}

/// The figure that stands behind a label of the report's tables.
fn figure(text: &str, label: &str) -> f64 {
    let line =
        text.lines().find(|l| l.trim_start().starts_with(label)).unwrap_or_else(|| panic!("no {label}"));
    line.split_whitespace().last().unwrap().parse().unwrap()
}

/// The same state gives the same bytes, of this version and of those after it. Noted when exports began to go out
/// in parts; that they were those of before was seen then on the demo's evening, by both programs.
#[test]
fn golden_exports_that_grow_with_the_job_are_these() {
    with_view(|view| {
        let found = check(view, &balance(&view.yard, &[view]));
        assert!(found.len() > 10, "{}", found.len());
        let all = [
            ("trees.csv", trees_csv(view, &found).unwrap().into_bytes()),
            ("applications.csv", applications_csv(view, &found, &NoNames).unwrap().into_bytes()),
            ("trees.geojson", trees_geojson(view, &found).unwrap().into_bytes()),
            (
                "application-records.csv",
                application_records_csv(view, &found, &NoNames, |_, _| true).unwrap().into_bytes(),
            ),
            ("application-records-eu.csv", eu_records_csv(view, &found, |_, _| true).unwrap().into_bytes()),
            ("application-records-office.csv", office_records_csv(view, |_, _| true).unwrap().into_bytes()),
            ("trees.gpkg", geopackage(view, &found).unwrap()),
        ];
        let digests: Vec<String> = all
            .iter()
            .map(|(name, bytes)| format!("{name} {} {}", bytes.len(), Sha256Hash::of(bytes)))
            .collect();
        assert_eq!(digests, GOLDEN);
    });
}

/// qpdf finds nothing wrong, Poppler reads the text, and its sums are those of the tables.
#[test]
fn qpdf_and_pdftotext_read_the_report_and_its_sums_are_those_of_the_tables() {
    let folder = tempfile::tempdir().unwrap();
    let (made, trees, applications) = with_view(|view| {
        let made = report(&asked(view, "en")).unwrap();
        assert_eq!(made, report(&asked(view, "en")).unwrap(), "the same state, the same bytes");
        (made, trees_csv(view, &[]).unwrap(), applications_csv(view, &[], &NoNames).unwrap())
    });
    let path = folder.path().join("report.pdf");
    std::fs::write(&path, &made).unwrap();
    let checked = gdal("qpdf", &["--check"], &path);
    assert!(checked.contains("No syntax or stream encoding errors found"), "{checked}");
    let info = gdal("pdfinfo", &[], &path);
    assert!(info.contains("Tagged:          yes") && info.contains("JavaScript:      no"), "{info}");
    // Every font is in the file, with a map back to the text.
    let fonts = gdal("pdffonts", &[], &path);
    assert!(fonts.contains("DejaVuSansCondensed"), "{fonts}");
    for line in fonts.lines().skip(2) {
        assert!(line.contains("yes yes yes"), "{fonts}");
    }
    let structure = gdal("pdfinfo", &["-struct"], &path);
    for tag in ["H1", "Table", "TH", "TD", "Figure", "LI"] {
        assert!(structure.contains(tag), "no {tag}");
    }
    let text = {
        let output = Command::new("pdftotext").arg("-layout").arg(&path).arg("-").output().unwrap();
        assert!(output.status.success());
        String::from_utf8(output.stdout).unwrap()
    };
    assert!(text.contains("PROVISIONAL"), "{}", &text[..2_000]);
    let (trees, applications) = (rows(&trees), rows(&applications));
    let sum = |table: &[Vec<String>], name: &str| -> f64 {
        column(table, name).iter().map(|v| v.parse::<f64>().unwrap()).sum()
    };
    assert_eq!(figure(&text, "Trees listed"), (trees.len() - 1) as f64);
    assert_eq!(figure(&text, "Applications"), (applications.len() - 1) as f64);
    for (label, name) in [("Taken up (mL)", "put_in_ml"), ("Discharged (mL)", "discharged_ml")] {
        let (said, of_trees, of_applications) =
            (figure(&text, label), sum(&trees, name), sum(&applications, name));
        assert!((said - of_trees).abs() < 5e-4 && (said - of_applications).abs() < 5e-4, "{label}: {said}");
    }
    // A tag is shown as it is on the tree: nothing runs in a page.
    assert!(text.contains("=1+1") && text.contains("Ürgroßmutters") && text.contains("L-583"));
}

/// The library that writes the document checks it by the rules of PDF/A-2a and PDF/UA-1 as it knows
/// them. It is no validator of its own: the report that is served claims neither.
#[test]
fn the_report_keeps_the_archive_rules_its_writer_checks_and_claims_nothing_in_every_language() {
    with_view(|view| {
        for language in ["en", "fr", "es"] {
            let held = report_held_to_archive_rules(&asked(view, language)).unwrap_or_else(|e| panic!("{e}"));
            let claims = |bytes: &[u8]| bytes.windows(6).any(|w| w == b"pdfaid" || w == b"pdfuai");
            let plain = report(&asked(view, language)).unwrap();
            assert!(claims(&held) && !claims(&plain), "{language}");
            let lang = format!("/Lang({language})");
            let lang_spaced = format!("/Lang ({language})");
            let text = String::from_utf8_lossy(&plain);
            assert!(text.contains(&lang) || text.contains(&lang_spaced), "{language}");
        }
    });
}
