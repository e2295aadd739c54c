//! What the core takes for a large job: 5,000 invented trees from the committed seed, each with
//! diameter and planned dose, every fourth treated; and how the checks grow with the job. Figures
//! belong here, never into tests.

use std::hint::black_box;

use bolebook_core::balance::balance;
use bolebook_core::book::Book;
use bolebook_core::check::check;
use bolebook_core::commit::Commit;
use bolebook_core::dosing::advice::{AdviceRequest, advise};
use bolebook_core::dosing::conditions::Circumstances;
use bolebook_core::export::{NoNames, applications_csv, trees_csv, trees_geojson};
use bolebook_core::quantity::{Um, UtcMs};
use bolebook_core::record::{Kind, Record};
use bolebook_core::view::{View, Yard};
use bolebook_probe::Everyone;
use bolebook_tests::stand::{Mapped, job, label, yard};
use criterion::{BenchmarkId, Criterion, Throughput, criterion_group, criterion_main};
use xtask::stand::{Parameters, generate};

const TREES: usize = 5_000;

fn stand() -> Vec<Mapped> {
    let trees = generate(&Parameters { trees: TREES, ..Parameters::default() }).expect("a stand");
    let mapped = |t: &xtask::stand::StandTree| Mapped {
        x: Um(t.x_dm * 100_000),
        y: Um(t.y_dm * 100_000),
        dbh_cm: format!("{}.{}", t.dbh_mm / 10, t.dbh_mm % 10),
    };
    trees.iter().map(mapped).collect()
}

fn core(c: &mut Criterion) {
    let (yard_book, job_book) = (yard(), job(&stand(), 4, |n| format!("T-{n:04}")));
    let lines: Vec<String> = job_book.commits().iter().map(Commit::line).collect();
    let texts: Vec<&String> = job_book.commits().iter().flat_map(Commit::records).collect();

    let mut group = c.benchmark_group("5000 trees");
    group.sample_size(10);
    group.throughput(Throughput::Elements(texts.len() as u64));
    group.bench_function("read every record", |b| {
        b.iter(|| texts.iter().filter(|text| Record::read(text).is_ok()).count());
    });
    group.bench_function("parse, rebuild and hash every commit", |b| {
        b.iter(|| lines.iter().filter(|line| Commit::parse(line).is_ok()).count());
    });
    group.bench_function("read the book from its own store", |b| {
        b.iter(|| {
            let mut book = Book::new(job_book.id());
            lines.iter().filter_map(|line| Commit::parse_stored(line).ok()).for_each(|c| book.take_stored(c));
            book.heads()
        });
    });
    group.bench_function("fold into a view", |b| {
        let yard = Yard::read(&yard_book, &Everyone).expect("a yard");
        b.iter(|| View::read(&job_book, &yard, &Everyone).expect("a view").trees.len());
    });
    let yard = Yard::read(&yard_book, &Everyone).expect("a yard");
    let view = View::read(&job_book, &yard, &Everyone).expect("a view");
    group.bench_function("balance", |b| b.iter(|| balance(&yard, &[&view]).lots.len()));
    let account = balance(&yard, &[&view]);
    group.bench_function("check", |b| b.iter(|| check(&view, &account).len()));
    group.bench_function("export trees and applications", |b| {
        b.iter(|| {
            let csv = trees_csv(&view, &[]).expect("a table").len();
            let applications = applications_csv(&view, &[], &NoNames).expect("a table").len();
            black_box((csv, applications, trees_geojson(&view, &[]).expect("GeoJSON").len()))
        });
    });
    group.finish();
}

/// A stand on a grid of 8 m, its diameters spread over 20 to 60 cm.
fn grid(trees: i64) -> Vec<Mapped> {
    let side = 320;
    let tree = |n: i64| Mapped {
        x: Um(n % side * 8_000_000),
        y: Um(n / side * 8_000_000),
        dbh_cm: format!("{}.{}", 20 + n * 7_919 % 40, n * 31 % 10),
    };
    (0..trees).map(tree).collect()
}

/// How balance and checks grow with the job: every second tree treated.
fn growth(c: &mut Criterion) {
    let yard_book = yard();
    let yard = Yard::read(&yard_book, &Everyone).expect("a yard");
    let mut group = c.benchmark_group("check by trees");
    group.sample_size(10);
    for trees in [1_000, 10_000, 100_000] {
        let job_book = job(&grid(trees), 2, |n| format!("T-{n:06}"));
        let view = View::read(&job_book, &yard, &Everyone).expect("a view");
        let account = balance(&yard, &[&view]);
        group.throughput(Throughput::Elements(view.facts.versions.len() as u64));
        group.bench_function(BenchmarkId::from_parameter(trees), |b| {
            b.iter(|| check(&view, &account).len());
        });
    }
    group.finish();
}

/// What 'may I treat this stem now?' takes as the job grows: it looks at the tree, but also at the
/// species' other diameters, the kit's fills and everything drawn from it.
fn asking(c: &mut Criterion) {
    let yard_book = yard();
    let yard = Yard::read(&yard_book, &Everyone).expect("a yard");
    let mut group = c.benchmark_group("advice by trees");
    group.sample_size(20);
    for trees in [1_000, 10_000, 100_000] {
        let job_book = job(&grid(trees), 2, |n| format!("T-{n:06}"));
        let view = View::read(&job_book, &yard, &Everyone).expect("a view");
        let of_kind = |kind| {
            yard.facts.of_kind(kind).next().unwrap_or_else(|| panic!("no {kind:?} in the examples")).id
        };
        let tree = *view.trees.keys().nth(1).expect("a tree");
        let ask = AdviceRequest {
            tree,
            stem: 1,
            label: label().0,
            purpose: "preventive",
            kit: of_kind(Kind::Kit),
            lot: Some(of_kind(Kind::Lot)),
            applicator: Some(of_kind(Kind::Person)),
            supervisor: None,
            now: UtcMs(1_789_387_200_000),
            seen: Circumstances::default(),
            findings: &[],
            past: None,
            continues: None,
        };
        group.bench_function(BenchmarkId::from_parameter(trees), |b| {
            b.iter(|| advise(&view, black_box(&ask)))
        });
    }
    group.finish();
}

criterion_group!(benches, core, growth, asking);
criterion_main!(benches);
