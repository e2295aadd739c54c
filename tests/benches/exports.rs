//! What a job's files cost: the report of 1,000 trees, and tables and maps of 100,000 against writing
//! the same bytes to the disk. Each figure is the best of three. Timings belong here, never into tests.

#![allow(
    clippy::print_stdout,
    clippy::disallowed_methods,
    reason = "it measures, and prints what it measured"
)]

use std::io::Write as _;
use std::time::Instant;

use bolebook_core::balance::balance;
use bolebook_core::check::check;
use bolebook_core::export::{NoNames, applications_csv, trees_csv, trees_geojson};
use bolebook_core::view::{View, Yard};
use bolebook_probe::Everyone;
use bolebook_report::words::Words;
use bolebook_report::{Asked, Reader, geopackage, report};
use bolebook_tests::season::{opened, write_season, yard};

fn best<T>(mut f: impl FnMut() -> T) -> (f64, T) {
    let mut shortest = f64::INFINITY;
    let mut last = None;
    for _ in 0..3 {
        let begun = Instant::now();
        last = Some(f());
        shortest = shortest.min(begun.elapsed().as_secs_f64());
    }
    (shortest, last.expect("three were run"))
}

/// Writes bytes to a fresh file and waits until the disk has them.
fn to_disk(bytes: &[u8]) -> f64 {
    best(|| {
        let mut file = tempfile::tempfile().expect("a file");
        file.write_all(bytes).and_then(|()| file.sync_all()).expect("written");
    })
    .0
}

fn main() {
    let yard_book = yard();
    let yard = Yard::read(&yard_book, &Everyone).expect("a yard");
    for trees in [1_000, 10_000, 100_000] {
        let mut book = opened();
        write_season(&mut book, 0..trees, true);
        let view = View::read(&book, &yard, &Everyone).expect("a view");
        let account = balance(&yard, &[&view]);
        let findings = check(&view, &account);
        println!("{trees} trees, {} findings", findings.len());
        let show = |name: &str, (seconds, bytes): (f64, Vec<u8>)| {
            let disk = to_disk(&bytes);
            println!(
                "  {name}: {:.0} ms, {:.1} MB, {:.1} times as long as writing it durably",
                seconds * 1e3,
                bytes.len() as f64 / 1e6,
                seconds / disk
            );
        };
        let text = |made: Result<String, _>| {
            made.map_err(|_: bolebook_core::export::ExportError| ()).expect("a table").into_bytes()
        };
        show("trees.csv", best(|| text(trees_csv(&view, &findings))));
        show("applications.csv", best(|| text(applications_csv(&view, &findings, &NoNames))));
        show("trees.geojson", best(|| text(trees_geojson(&view, &findings))));
        show("trees.gpkg", best(|| geopackage(&view, &findings).expect("a geopackage")));
        if trees <= 10_000 {
            let asked = Asked {
                view: &view,
                findings: &findings,
                names: &NoNames,
                words: Words::of("en").expect("English"),
                reader: Reader::Office,
                takes: &|_, _| true,
                photos: None,
            };
            show("report.pdf", best(|| report(&asked).expect("a report")));
        }
    }
}
