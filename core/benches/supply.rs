//! What planning a whole job takes: supply for 100,000 trees, charges of a stem, forecast, walking order.

use std::hint::black_box;

use bolebook_core::day::Day;
use bolebook_core::dosing::charges::choose;
use bolebook_core::dosing::dayplan::walk::{length, nearest_neighbour, walking_order};
use bolebook_core::dosing::dose::dose_for;
use bolebook_core::dosing::dose_table::{self, dose_table};
use bolebook_core::dosing::forecast::log::{Logged, Seen, Visit, share_time};
use bolebook_core::dosing::forecast::uptake::slow_uptake;
use bolebook_core::dosing::forecast::{forecast, stems_left};
use bolebook_core::dosing::invented::ash_label;
use bolebook_core::dosing::supply::{Closing, Listed, Request, Stores, plan};
use bolebook_core::ids::{RecordId, TreeId};
use bolebook_core::quantity::{PerMille, ReadUnit, Ul, Um, UtcMs};
use bolebook_core::record::kit::ContainerKind;
use bolebook_core::view::CrewDay;
use criterion::{BenchmarkId, Criterion, Throughput, criterion_group, criterion_main};

const TREES: usize = 100_000;

fn container(charge_ul: i64, step_ul: Option<i64>) -> ContainerKind {
    ContainerKind {
        name: format!("{charge_ul} µL"),
        charge_ul: Ul(charge_ul),
        inner_volume_ul: None,
        scale_step_ul: step_ul.map(Ul),
        charge_u_ul: Ul(100),
        shared_u_ul: Ul(50),
    }
}

/// Repeatable numbers below `below` (Knuth's MMIX constants).
struct Dice(u64);

impl Dice {
    fn next(&mut self, below: u64) -> i64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        ((self.0 >> 33) % below) as i64
    }
}

/// Trees of 8 to 98 cm to the millimetre, in fifty blocks.
fn trees(count: usize) -> Vec<Listed> {
    let mut dice = Dice(1);
    (0..count)
        .map(|n| Listed {
            tree: TreeId::new(n as i64, [1; 10]),
            tag: format!("T-{n:06}"),
            group: format!("Block {:02}", n * 50 / count),
            species: Some("FRXAM".into()),
            diameters: vec![Some(Um(80_000 + 1_000 * dice.next(900)))],
            already_ul: Ul(0),
        })
        .collect()
}

fn id(n: u8) -> RecordId {
    RecordId::new(1, [n; 10])
}

fn stores() -> Stores {
    Stores { allowance: PerMille(100), priming_ul: Ul(50_000), holes_per_bit: 200, closing: Closing::Plugs }
}

fn supply(c: &mut Criterion) {
    let label = ash_label();
    let listed = trees(TREES);
    let mut group = c.benchmark_group("supply plan of 100,000 trees");
    group.sample_size(10);
    group.throughput(Throughput::Elements(TREES as u64));
    for (name, containers) in [
        ("one size", vec![container(10_000, None)]),
        ("two sizes and part charges", vec![container(10_000, Some(500)), container(5_000, None)]),
        ("calibrated sizes without a common step", vec![container(9_871, None), container(4_933, None)]),
    ] {
        let request = Request {
            label: &label,
            label_id: id(1),
            purpose: "preventive",
            containers: &containers,
            stores: stores(),
        };
        group.bench_function(name, |b| {
            b.iter(|| black_box(plan(&listed, &request).expect("a plan").total.product_ul));
        });
    }
    group.finish();
}

fn charges(c: &mut Criterion) {
    let label = ash_label();
    let mut group = c.benchmark_group("charges of one stem");
    for cm in [30, 60, 100] {
        let dose = dose_for(&label, "preventive", Um(cm * 10_000)).expect("a dose");
        for (name, containers) in [
            ("one size", vec![container(10_000, None)]),
            ("two sizes and part charges", vec![container(10_000, Some(500)), container(5_000, None)]),
        ] {
            group.bench_function(BenchmarkId::new(name, format!("{cm} cm")), |b| {
                b.iter(|| {
                    black_box(choose(black_box(&dose), &label.charges, &containers).map(|p| p.total_ul))
                });
            });
        }
    }
    group.finish();
}

fn table(c: &mut Criterion) {
    let (label, containers) = (ash_label(), [container(10_000, Some(500))]);
    let request = dose_table::Request {
        label: &label,
        label_id: id(1),
        purpose: "preventive",
        containers: &containers,
        unit: ReadUnit::Cm,
        from_um: Um(100_000),
        to_um: Um(1_000_000),
        step_um: Um(10_000),
        printed: "2026-06-01".parse().expect("a day"),
    };
    c.bench_function("dose table of 91 rows, as a page", |b| {
        b.iter(|| black_box(dose_table(&request).expect("a table").html().len()));
    });
}

/// The `n`th day of a year of months with 28 days.
fn date(n: usize) -> Day {
    Day::from_ymd(2026, 1 + n as u32 / 28, 1 + n as u32 % 28).expect("a day")
}

fn time(c: &mut Criterion) {
    let mut dice = Dice(2);
    let crews = [id(7), id(8)];
    let mut visits: Vec<Visit> = (0..10_000usize)
        .map(|n| {
            let day = 20_600 + (n / 100) as i64;
            let start = day * 86_400_000 + (n % 50) as i64 * 600_000;
            let charges = 2 + dice.next(12) as usize;
            let holes: Vec<UtcMs> =
                (0..charges).map(|_| UtcMs(start + 300_000 + dice.next(600_000))).collect();
            Visit {
                record: RecordId::new(n as i64, [2; 10]),
                tree: TreeId::new(n as i64, [1; 10]),
                tag: format!("T-{n}"),
                stem: 1,
                species: Some(["FRXAM", "ACRSC", "QUERU"][n % 3].into()),
                day: CrewDay { crew: crews[n % 2], day: date(n / 100) },
                started_at: UtcMs(start),
                ended_at: UtcMs(start + 1_000_000 + dice.next(400_000)),
                charges,
                removed_at: holes,
                crew_minutes: 0.0,
                seen: Seen::default(),
            }
        })
        .collect();
    share_time(&mut visits);
    let closed = visits.iter().map(|v| v.day).collect();
    let logged = Logged { visits, unusable: vec![], closed };
    let (label, containers, listed) = (ash_label(), [container(10_000, None)], trees(TREES));
    let request = Request {
        label: &label,
        label_id: id(1),
        purpose: "preventive",
        containers: &containers,
        stores: stores(),
    };
    let left = stems_left(&listed, &plan(&listed, &request).expect("a plan"));
    let mut group = c.benchmark_group("10,000 visits logged");
    group.sample_size(10);
    group.bench_function("forecast of 100,000 trees left", |b| {
        b.iter(|| black_box(forecast(&logged, &left, None).expect("a forecast").crew_days_left));
    });
    group.bench_function("slow uptake", |b| b.iter(|| black_box(slow_uptake(&logged.visits).len())));
    group.finish();
}

fn walk(c: &mut Criterion) {
    let mut group = c.benchmark_group("walking order");
    group.sample_size(10);
    for count in [100, 584, 2_000, 10_000] {
        let mut dice = Dice(3);
        let points: Vec<(f64, f64)> =
            (0..count).map(|_| (dice.next(400_000) as f64 / 1e3, dice.next(400_000) as f64 / 1e3)).collect();
        let start = Some((0.0, 0.0));
        let nearest = length(&points, &nearest_neighbour(&points, start), start);
        let ours = length(&points, &walking_order(&points, start), start);
        let share = format!("{:.1} % of tree to nearest tree", 100.0 * ours / nearest);
        group.throughput(Throughput::Elements(count));
        group.bench_function(BenchmarkId::new(share, count), |b| {
            b.iter(|| black_box(walking_order(&points, start).len()));
        });
    }
    group.finish();
}

criterion_group!(benches, supply, charges, table, time, walk);
criterion_main!(benches);
