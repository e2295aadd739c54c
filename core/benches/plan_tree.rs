//! What planning one tree takes, and how the layout grows with holes and with excluded arcs.

use std::hint::black_box;

use bolebook_core::dosing::charges::{choose_within, pack};
use bolebook_core::dosing::conditions::{Circumstances, cautions};
use bolebook_core::dosing::dose::dose_for;
use bolebook_core::dosing::invented::{ash_label, good_day};
use bolebook_core::dosing::layout::{EarlierHole, LayoutRequest, plan, room};
use bolebook_core::quantity::{PerMille, Ul, Um};
use bolebook_core::record::kit::ContainerKind;
use bolebook_core::record::label::{HoleRules, Label};
use bolebook_core::record::stand::{Damage, DamageKind, ReferenceMark};
use criterion::{BenchmarkId, Criterion, Throughput, criterion_group, criterion_main};

fn ten_ml() -> ContainerKind {
    ContainerKind {
        name: "10 mL".into(),
        charge_ul: Ul(10_000),
        inner_volume_ul: None,
        scale_step_ul: None,
        charge_u_ul: Ul(100),
        shared_u_ul: Ul(50),
    }
}

fn request<'a>(
    rules: &'a HoleRules,
    diameter: Um,
    damage: &'a [Damage],
    earlier: &'a [EarlierHole],
) -> LayoutRequest<'a> {
    LayoutRequest {
        rules,
        holes: 1,
        diameter_um: diameter,
        band_low_girth_um: None,
        band_high_girth_um: None,
        bark_um: Some(Um(8_000)),
        mark: Some(ReferenceMark::North),
        damage,
        earlier,
        clearance_um: rules.spacing_um,
        past_clearance_um: rules.spacing_um,
    }
}

/// Dose, charges, layout and cautions of one stem; the volume, so that nothing is optimised away.
fn one_tree(
    label: &Label,
    kit: &[ContainerKind],
    damage: &[Damage],
    now: &Circumstances,
    diameter: Um,
) -> Ul {
    let dose = dose_for(label, "preventive", diameter).expect("a dose");
    let mut request = request(&label.holes, diameter, damage, &[]);
    let charges = choose_within(&dose, &label.charges, kit, room(&request).expect("room")).expect("charges");
    request.holes = pack(&charges.charges_ul, &label.charges).len();
    let layout = plan(&request).expect("a layout");
    black_box((layout, cautions(label, &[], now)));
    charges.total_ul
}

fn planning(c: &mut Criterion) {
    let (label, kit) = (ash_label(), [ten_ml()]);
    let now = Circumstances { canopy_loss: Some(PerMille(350)), ..good_day() };
    let wound = |from, to| Damage { stem: 1, what: DamageKind::Wound, from_um: Um(from), to_um: Um(to) };
    let wounds = [wound(100_000, 160_000), wound(500_000, 530_000)];
    let mut group = c.benchmark_group("plan one tree");
    for cm in [30, 60, 120] {
        let diameter = Um(cm * 10_000);
        group.bench_function(BenchmarkId::new("sound trunk", cm), |b| {
            b.iter(|| one_tree(&label, &kit, &[], &now, black_box(diameter)));
        });
        group.bench_function(BenchmarkId::new("two wounds", cm), |b| {
            b.iter(|| one_tree(&label, &kit, &wounds, &now, black_box(diameter)));
        });
    }
    group.finish();
}

/// The spacing shrinks so that twice as many holes fit: time should double with the holes.
fn scaling(c: &mut Criterion) {
    let mut group = c.benchmark_group("layout with one wound");
    let wound = [Damage { stem: 1, what: DamageKind::Wound, from_um: Um(100_000), to_um: Um(300_000) }];
    for holes in [10i64, 20, 40, 80, 160, 320] {
        let rules = HoleRules { spacing_um: Um(4_500_000 / holes), ..ash_label().holes };
        let wanted = LayoutRequest { holes: holes as usize, ..request(&rules, Um(1_500_000), &wound, &[]) };
        group.throughput(Throughput::Elements(holes as u64));
        group.bench_function(BenchmarkId::from_parameter(holes), |b| b.iter(|| plan(black_box(&wanted))));
    }
    group.finish();
    let mut group = c.benchmark_group("layout of 40 holes between earlier ones");
    for count in [5i64, 20, 80, 320] {
        // Uneven places, so that the search meets arcs of every length.
        let earlier: Vec<EarlierHole> = (0..count)
            .map(|i| EarlierHole {
                arc_um: Um(i * 7_919_317 % 4_700_000),
                height_um: Um(200_000),
                past: true,
                girth_um: None,
            })
            .collect();
        let rules = HoleRules { spacing_um: Um(100_000), ..ash_label().holes };
        let wanted = LayoutRequest {
            holes: 40,
            clearance_um: Um(6_500),
            past_clearance_um: Um(6_500),
            ..request(&rules, Um(1_500_000), &[], &earlier)
        };
        group.throughput(Throughput::Elements(count as u64));
        group.bench_function(BenchmarkId::from_parameter(count), |b| b.iter(|| plan(black_box(&wanted))));
    }
    group.finish();
}

criterion_group!(benches, planning, scaling);
criterion_main!(benches);
