//! Cases of charges and layouts: not formulas but choices, which Python makes again by listing all.

use bolebook_core::dosing::charges::choose_within;
use bolebook_core::dosing::dose::StemDose;
use bolebook_core::dosing::layout::{EarlierHole, LayoutRequest, plan};
use bolebook_core::quantity::{Ul, Um};
use bolebook_core::record::kit::ContainerKind;
use bolebook_core::record::label::{ChargeRules, HoleRules};
use bolebook_core::record::stand::{Damage, DamageKind};
use serde_json::{Value, json};

use super::{Dice, container, label, result};

/// One stem's dose met with up to three container kinds, some with a scale, in as many holes as fit.
pub fn charge_plan(dice: &mut Dice) -> (Value, Value) {
    let target = dice.from(4, 240) * 500;
    let dose = StemDose {
        purpose: "preventive".into(),
        diameter_um: Um(300_000),
        min_ul: Ul(target * dice.from(60, 100) / 100),
        target_ul: Ul(target),
        max_ul: Ul(target * dice.from(100, 120) / 100),
    };
    let kinds: Vec<ContainerKind> = (0..dice.from(1, 3))
        .map(|n| ContainerKind {
            name: format!("kind {n}"),
            scale_step_ul: (dice.from(0, 2) == 0).then(|| Ul(dice.one_of(&[500, 1_000, 2_000]))),
            ..container(None, dice.from(4, 24) * 500, 100, 50)
        })
        .collect();
    let part_charge = dice.from(0, 1) == 1;
    let rules = ChargeRules {
        most_per_hole_ul: Ul(dice.from(4, 24) * 500),
        per_hole: 1,
        part_charge,
        least_part_ul: (part_charge && dice.from(0, 1) == 1).then(|| Ul(dice.from(1, 6) * 500)),
        ..label().charges
    };
    let holes = dice.from(1, 40);
    let found = choose_within(&dose, &rules, &kinds, holes as usize);
    let kinds: Vec<Value> = kinds
        .iter()
        .map(|k| json!({"charge": k.charge_ul.0, "step": k.scale_step_ul.map(|s| s.0)}))
        .collect();
    (
        json!({
            "min": dose.min_ul.0, "target": target, "max": dose.max_ul.0, "kinds": kinds, "holes": holes,
            "most": rules.most_per_hole_ul.0, "part": part_charge, "least": rules.least_part_ul.map(|l| l.0),
        }),
        result(found, |plan| {
            let charges: Vec<i64> = plan.charges_ul.iter().map(|c| c.0).collect();
            let parts: usize = plan.fills.iter().filter(|f| f.part).map(|f| f.count).sum();
            json!({"total": plan.total_ul.0, "count": charges.len(), "parts": parts, "charges": charges})
        }),
    )
}

/// A trunk of so many millimetres with damage and earlier holes, all on whole millimetres so that
/// Python can list every place.
pub fn layout(dice: &mut Dice) -> (Value, Value) {
    let girth = dice.from(150, 400);
    let rules = HoleRules {
        spacing_um: Um(dice.from(15, 90) * 1_000),
        bit_um: Um(6_000),
        band_low_um: Um(100_000),
        band_high_um: Um(300_000),
        depth_min_um: Um(5_000),
        depth_max_um: Um(10_000),
        earlier_spacing_um: None,
        most_holes: None,
        ..label().holes
    };
    let place = |dice: &mut Dice| Um(dice.from(0, girth - 1) * 1_000);
    let damage: Vec<Damage> = (0..dice.from(0, 3))
        .map(|_| {
            let from = place(dice);
            let to = Um((from.0 + dice.from(0, girth / 5) * 1_000) % (girth * 1_000));
            Damage { stem: 1, what: DamageKind::Wound, from_um: from, to_um: to }
        })
        .collect();
    let earlier: Vec<EarlierHole> = (0..dice.from(0, 4))
        .map(|_| EarlierHole { arc_um: place(dice), height_um: Um(200_000), past: true, girth_um: None })
        .collect();
    let clearance = dice.from(6, 40);
    let wanted = dice.from(1, 30);
    let found = plan(&LayoutRequest {
        rules: &rules,
        holes: wanted as usize,
        diameter_um: Um(girth * 1_000_000 / 3_142),
        band_low_girth_um: Some(Um(girth * 1_000)),
        band_high_girth_um: Some(Um(girth * 1_000)),
        bark_um: None,
        mark: None,
        damage: &damage,
        earlier: &earlier,
        clearance_um: Um(clearance * 1_000),
        past_clearance_um: Um(clearance * 1_000),
    });
    let damage: Vec<[i64; 2]> = damage.iter().map(|d| [d.from_um.0 / 1_000, d.to_um.0 / 1_000]).collect();
    let earlier: Vec<i64> = earlier.iter().map(|h| h.arc_um.0 / 1_000).collect();
    (
        json!({
            "girth": girth, "spacing": rules.spacing_um.0 / 1_000, "half_bit": 3, "damage": damage,
            "earlier": earlier, "clearance": clearance, "wanted": wanted, "low": 100_000, "high": 300_000,
        }),
        result(found, |layout| {
            let holes: Vec<[i64; 2]> = layout.holes.iter().map(|h| [h.arc_um.0, h.height_um.0]).collect();
            json!({"fits": layout.fits, "offset": layout.offset_um.0, "holes": holes})
        }),
    )
}
