//! What a job's files cost: the report of 1,000 trees, and tables, maps and a GeoPackage of 10,000 and 100,000
//! written to the disk as the server and the command do, against writing the same bytes durably; and by how
//! much the process grows meanwhile, in parts and whole. Times are the best of three. Timings belong here,
//! never into tests.
//!
//! Run with `MALLOC_MMAP_THRESHOLD_=65536` (glibc): else what was freed before is used again and no growth shows.

#![allow(
    clippy::print_stdout,
    clippy::disallowed_methods,
    reason = "it measures, and prints what it measured"
)]

use std::fs::File;
use std::io::{BufWriter, Write as _};
use std::path::Path;
use std::time::Instant;

use bolebook_core::balance::balance;
use bolebook_core::check::check;
use bolebook_core::export::NoNames;
use bolebook_core::view::{View, Yard};
use bolebook_probe::Everyone;
use bolebook_report::files::{IN_PARTS, PACKAGE, Sources, write_text};
use bolebook_report::words::Words;
use bolebook_report::{Asked, Reader, geopackage, report, write_geopackage};
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

/// By how many MB the process's memory grew at its largest while this ran (proc(5): VmHWM, which 5 written to
/// clear_refs sets back to VmRSS).
fn growth<T>(run: impl FnOnce() -> T) -> f64 {
    let now = |name: &str| -> f64 {
        let status = std::fs::read_to_string("/proc/self/status").expect("Linux");
        let line = status.lines().find_map(|l| l.strip_prefix(name)).expect("a figure");
        line.split_whitespace().nth(1).and_then(|kb| kb.parse().ok()).expect("kB")
    };
    std::fs::write("/proc/self/clear_refs", "5").expect("Linux");
    let before = now("VmRSS");
    drop(run());
    (now("VmHWM") - before).max(0.0) / 1e3
}

/// A text on its way into a file.
struct Onto(BufWriter<File>);

impl std::fmt::Write for Onto {
    fn write_str(&mut self, text: &str) -> std::fmt::Result {
        self.0.write_all(text.as_bytes()).map_err(|_| std::fmt::Error)
    }
}

fn in_parts(name: &str, from: &Sources<'_, NoNames>, path: &Path) {
    let _ = std::fs::remove_file(path);
    if name == PACKAGE {
        return write_geopackage(from.view, from.findings, path).expect("a GeoPackage");
    }
    let mut onto = Onto(BufWriter::new(File::create(path).expect("a file")));
    write_text(&mut onto, name, from).expect("a text");
    onto.0.flush().expect("written");
}

fn whole(name: &str, from: &Sources<'_, NoNames>) -> Vec<u8> {
    if name == PACKAGE {
        return geopackage(from.view, from.findings).expect("a GeoPackage");
    }
    let mut text = String::new();
    write_text(&mut text, name, from).expect("a text");
    text.into_bytes()
}

fn main() {
    let yard_book = yard();
    let yard = Yard::read(&yard_book, &Everyone).expect("a yard");
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("file");
    for trees in [1_000, 10_000, 100_000] {
        let mut book = opened();
        write_season(&mut book, 0..trees, true);
        let view = View::read(&book, &yard, &Everyone).expect("a view");
        drop(book);
        let account = balance(&yard, &[&view]);
        let findings = check(&view, &account);
        println!("{trees} trees, {} findings", findings.len());
        let from = Sources { view: &view, findings: &findings, names: &NoNames, rates: None };
        for name in IN_PARTS.into_iter().chain([PACKAGE]) {
            let grown = growth(|| in_parts(name, &from, &path));
            let (seconds, ()) = best(|| in_parts(name, &from, &path));
            let bytes = std::fs::read(&path).expect("the file");
            let disk = to_disk(&bytes);
            let length = bytes.len() as f64 / 1e6;
            drop(bytes);
            let at_once = growth(|| whole(name, &from));
            println!(
                "  {name}: {length:.1} MB in {:.0} ms, {:.0} % of the disk's speed; grows by {grown:.1} MB, made whole by {at_once:.1} MB",
                seconds * 1e3,
                100.0 * disk / seconds,
            );
        }
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
            let (seconds, bytes) = best(|| report(&asked).expect("a report"));
            println!("  report.pdf: {:.1} MB in {:.0} ms", bytes.len() as f64 / 1e6, seconds * 1e3);
        }
    }
}
