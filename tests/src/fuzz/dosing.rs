//! Targets of the dosing core: label entries, and plans from any label, stem and kit.

use std::sync::LazyLock;

use bolebook_core::dosing::charges::{ChargePlan, choose_within, hole_count, pack};
use bolebook_core::dosing::dose::{StemDose, dose_for, season_limit_ul};
use bolebook_core::dosing::invented::{ash_label, confirmation_of, hemlock_label};
use bolebook_core::dosing::label::{confirmation_problems, validate};
use bolebook_core::dosing::layout::{self, EarlierHole, LayoutRequest};
use bolebook_core::dosing::mix::{in_product, say_mix};
use bolebook_core::dosing::tree_dose::tree_dose;
use bolebook_core::ids::RecordId;
use bolebook_core::quantity::{Ul, Um};
use bolebook_core::record::kit::ContainerKind;
use bolebook_core::record::label::{Label, LabelConfirmation, Mix};
use bolebook_core::record::stand::Damage;
use serde::Deserialize;
use serde_json::{Value, json};

use crate::fuzz::{Ended, mutate};
use crate::sim::dice::Dice;
use crate::world;

static LABELS: LazyLock<[Value; 3]> = LazyLock::new(|| {
    [world::label(), ash_label(), hemlock_label()].map(|l| serde_json::to_value(l).unwrap())
});

static CONFIRMATION: LazyLock<LabelConfirmation> =
    LazyLock::new(|| confirmation_of(&world::label(), RecordId::new(0, [1; 10])));

fn changed_label(dice: &mut Dice, often: usize) -> Value {
    let mut label = LABELS[dice.below(LABELS.len())].clone();
    if dice.chance(300) {
        let inches: Vec<i64> = (0..3).map(|n| dice.between(2_000 + n * 2_000, 4_000 + n * 2_000)).collect();
        let row = &mut label["rates"][0];
        for (at, name) in ["min", "usual", "max"].iter().enumerate() {
            row["per_inch"][format!("{name}_ul")] = json!(inches[at]);
            row[format!("{name}_ul_per_m")] = json!(inches[at] * 1_000_000 / 25_400);
        }
    }
    if dice.chance(300) {
        label["holes"]["earlier_spacing_um"] = json!(dice.between(6_000, 150_000));
    }
    if dice.chance(200) {
        label["mix"] = json!({ "diluent": "water", "product_parts": dice.between(1, 5), "diluent_parts": dice.between(1, 9) });
    }
    if dice.chance(often) {
        mutate::value(dice, &mut label);
    }
    label
}

/// Makes a label entry.
pub fn make_label(dice: &mut Dice) -> Vec<u8> {
    changed_label(dice, 980).to_string().into_bytes()
}

/// Judges a label entry. One without a blocking problem gives doses within its own rates.
pub fn label(bytes: &[u8]) -> Ended {
    let Ok(label) = serde_json::from_slice::<Label>(bytes) else { return Ended::early("no label") };
    let problems = validate(&label);
    let _ = confirmation_problems(&label, &CONFIRMATION);
    for diameter in [0, 1, 99_999, 100_000, 254_000, 1_500_000, i64::MAX] {
        let _ = season_limit_ul(&label, &[Um(diameter), Um(diameter)]);
        for row in &label.rates {
            if let Ok(dose) = dose_for(&label, &row.purpose, Um(diameter)) {
                within_rates(&label, &dose);
            }
        }
    }
    let blocked = problems.iter().any(|p| p.blocks());
    Ended::passed(if blocked {
        "blocked"
    } else if problems.is_empty() {
        "clear"
    } else {
        "with problems"
    })
}

/// The dose's maximum is at most the row's rate times the diameter, worked here in 128 bits.
fn within_rates(label: &Label, dose: &StemDose) {
    assert!(dose.min_ul <= dose.target_ul && dose.target_ul <= dose.max_ul, "{dose:?}");
    let highest = label
        .rates
        .iter()
        .filter(|row| row.purpose == dose.purpose && row.from_um <= dose.diameter_um)
        .map(|row| {
            let (volume, length) = match &row.per_inch {
                Some(inches) => (inches.max_ul.0, 25_400),
                None => (row.max_ul_per_m.0, 1_000_000),
            };
            i128::from(volume) * i128::from(dose.diameter_um.0) / length
        })
        .max();
    assert!(highest.is_some_and(|most| i128::from(dose.max_ul.0) <= most), "over the label: {dose:?}");
}

#[derive(Deserialize)]
struct Case {
    label: Label,
    purpose: String,
    stems: Vec<Option<Um>>,
    already_ul: Ul,
    containers: Vec<ContainerKind>,
    girths: [Option<Um>; 2],
    bark: Option<Um>,
    damage: Vec<Damage>,
    earlier: Vec<[Um; 2]>,
    clearance: Um,
}

/// Makes a case: a label, stems, containers, a trunk's wounds.
pub fn make_plan(dice: &mut Dice) -> Vec<u8> {
    let kind = |charge: i64| json!({ "name": "cup", "charge_ul": charge, "charge_u_ul": charge / 100, "shared_u_ul": charge / 200 });
    let stems: Vec<i64> = (0..=dice.below(3)).map(|_| dice.between(20_000, 1_600_000)).collect();
    let girth = stems[0] * 22 / 7;
    let earlier: Vec<[i64; 2]> =
        (0..dice.below(4)).map(|_| [dice.between(0, girth - 1), dice.between(0, 400_000)]).collect();
    let mut case = json!({
        "label": changed_label(dice, 500), "purpose": "preventive", "stems": stems,
        "already_ul": 0, "containers": [kind(10_000), kind(5_000)], "girths": [null, null],
        "bark": null, "damage": [], "earlier": earlier, "clearance": 50_000,
    });
    if let Some(rate) = case["label"]["rates"].get(0).and_then(|r| r.get("purpose")).cloned() {
        case["purpose"] = rate;
    }
    if dice.chance(500) {
        let kinds = ["canker", "wound", "fold", "included_bark"];
        case["damage"] = json!([{ "stem": 1, "what": kinds[dice.below(kinds.len())], "from_um": dice.between(0, girth),
            "to_um": dice.between(0, girth) }]);
    }
    if dice.chance(300) {
        case["girths"] = json!([girth + dice.between(-50_000, 200_000), girth]);
        case["bark"] = json!(dice.between(0, 30_000));
    }
    if dice.chance(600) {
        mutate::value(dice, &mut case);
    }
    case.to_string().into_bytes()
}

/// Doses, chooses charges, lays holes out. Never above the label's maximum, never more holes than
/// fit, never nearer than the label's spacing, never a hole where one was asked not to be.
pub fn plan(bytes: &[u8]) -> Ended {
    let Ok(case) = serde_json::from_slice::<Case>(bytes) else { return Ended::early("no case") };
    // Absurdly many stems or wounds are for a person to laugh at, not to plan.
    if case.stems.len() > 64 || case.earlier.len() > 256 || case.damage.len() > 64 {
        return Ended::early("too many");
    }
    let label = &case.label;
    let earlier: Vec<EarlierHole> = case
        .earlier
        .iter()
        .map(|[arc, height]| EarlierHole { arc_um: *arc, height_um: *height, past: true, girth_um: None })
        .collect();
    let mut class = "no dose";
    let doses = tree_dose(label, &case.purpose, &case.stems, case.already_ul);
    if let Some(limit) = season_limit_ul(label, &case.stems.iter().flatten().copied().collect::<Vec<_>>()) {
        let left = limit.0.saturating_sub(case.already_ul.0.max(0)).max(0);
        let most: i128 = doses.stems.iter().flatten().map(|d| i128::from(d.max_ul.0)).sum();
        assert!(most <= i128::from(left), "over the season's limit: {most} of {left}");
    }
    for dose in doses.stems.iter().flatten() {
        class = if class == "no dose" { "no charges" } else { class };
        let mut request = LayoutRequest {
            rules: &label.holes,
            holes: 1,
            diameter_um: dose.diameter_um,
            band_low_girth_um: case.girths[0],
            band_high_girth_um: case.girths[1],
            bark_um: case.bark,
            mark: None,
            damage: &case.damage,
            earlier: &earlier,
            clearance_um: case.clearance,
            past_clearance_um: label.holes.past_clearance_um(),
        };
        let Ok(room) = layout::room(&request) else {
            class = "no room";
            continue;
        };
        let containers = in_product(&case.containers, label);
        let Ok(mut charges) = choose_within(dose, &label.charges, &containers, room) else { continue };
        say_mix(&mut charges, &case.containers, label);
        if let Some(mix) = &label.mix {
            product_of_mix(&charges, mix, dose);
        }
        let total: i128 = charges.charges_ul.iter().map(|c| i128::from(c.0)).sum();
        assert_eq!(total, i128::from(charges.total_ul.0), "charges do not add up");
        assert!(
            charges.total_ul <= dose.max_ul && charges.total_ul >= dose.min_ul,
            "{charges:?} for {dose:?}"
        );
        for hole in pack(&charges.charges_ul, &label.charges) {
            let held: i128 = hole.iter().map(|c| i128::from(c.0)).sum();
            assert!(held <= i128::from(label.charges.most_per_hole_ul.0), "too much for a hole: {hole:?}");
        }
        request.holes = hole_count(&charges.charges_ul, &label.charges);
        let Ok(layout) = layout::plan(&request) else { continue };
        class = "planned";
        assert!(layout.holes.len() <= layout.fits && layout.holes.len() <= layout.wanted, "{layout:?}");
        spaced(&layout);
        if case.girths == [None, None] {
            clear_of(&layout, &case.earlier, label.holes.past_clearance_um());
        }
    }
    Ended::passed(class)
}

/// The product in the containers of mix, worked here from the parts, is within the label and what
/// each counts with.
fn product_of_mix(charges: &ChargePlan, mix: &Mix, dose: &StemDose) {
    let (product, diluent) = (i128::from(mix.product_parts), i128::from(mix.diluent_parts));
    let sound = |n: i128| (1..=1_000_000).contains(&n);
    if !sound(product) || !sound(diluent) {
        return;
    }
    let mut in_all = 0;
    for fill in &charges.fills {
        let held = i128::from(fill.mix_ul.expect("a fill of mix says how much").0) * product;
        assert!(
            held <= i128::from(fill.charge_ul.0) * (product + diluent),
            "understated: {fill:?} of {mix:?}"
        );
        in_all += held * fill.count as i128;
    }
    assert!(in_all <= i128::from(dose.max_ul.0) * (product + diluent), "{charges:?} for {dose:?}");
}

/// Offsets from earlier seasons' holes on a trunk as thick everywhere in the band.
fn clear_of(layout: &layout::Layout, earlier: &[[Um; 2]], clearance: Um) {
    let girth = i128::from(layout.girth_um.0);
    for hole in &layout.holes {
        for [arc, _] in earlier {
            let place = i128::from(hole.angle_mdeg) * girth / 360_000;
            let apart = (place - i128::from(arc.0)).rem_euclid(girth);
            // A thousandth of a degree each way.
            let slack = girth / 180_000 + 2;
            let apart = apart.min(girth - apart) + slack;
            assert!(apart >= i128::from(clearance.0), "{apart} µm from an earlier hole: {layout:?}");
        }
    }
}

/// Around the trunk where it is thinnest, no two holes are nearer than the label's spacing, whatever
/// their height.
fn spaced(layout: &layout::Layout) {
    const TURN: i64 = 360_000;
    let mut angles: Vec<i64> = layout.holes.iter().map(|h| h.angle_mdeg).collect();
    angles.sort_unstable();
    if angles.len() < 2 {
        return;
    }
    let around = angles[0] + TURN - angles[angles.len() - 1];
    let nearest = angles.windows(2).map(|w| w[1] - w[0]).chain([around]).min().unwrap_or(0);
    // Angles are rounded to a thousandth of a degree each.
    let apart = i128::from(nearest + 2) * i128::from(layout.girth_um.0) / i128::from(TURN);
    assert!(apart >= i128::from(layout.spacing_um.0), "holes {apart} µm apart: {layout:?}");
}
