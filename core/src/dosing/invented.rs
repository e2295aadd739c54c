//! An empty label to fill in, and two invented ones for the demo and for tests.
//!
//! The invented figures come from no product. They were chosen so that they close: at every
//! diameter of their classes, whole charges within the label's range fit into one turn of holes.

use crate::day::Day;
use crate::dosing::conditions::Circumstances;
use crate::quantity::{MilliCelsius, Pa, PerMille, Ul, UlPerM, Um};
use crate::record::label::{
    ActiveIngredient, ChargeRules, ClosedSeason, ConditionRules, ForkedRule, HoleRules, Label,
    LabelConfirmation, RateRow, Sealing, WorkedDose,
};
use crate::record::stand::{Bloom, SoilMoisture};

/// What stands on every invented label.
pub const INVENTED: &str = "INVENTED: NOT FOR USE";

/// A label with every field in place and nothing in it. [`crate::dosing::label::validate`] refuses
/// it until the office has filled it in from the paper.
pub fn template() -> Label {
    Label {
        name: String::new(),
        registration: String::new(),
        invented: None,
        active_ingredients: vec![ActiveIngredient {
            name: String::new(),
            ug_per_ml: 0,
            tree_season_max_ug: None,
            area_season_max_ug_per_ha: None,
        }],
        species: vec![],
        pests: vec![],
        rates: vec![row("", 0, None, [0, 0, 0])],
        smallest_diameter_um: Um(0),
        forked: ForkedRule::Silent,
        tree_season_max_ul: None,
        tree_season_max_ul_per_m: None,
        tree_season_max_ul_per_inch: None,
        area_season_max_ul_per_ha: None,
        pressure_max_pa: None,
        interval_days: None,
        holes: HoleRules {
            bit_um: Um(0),
            depth_min_um: Um(0),
            depth_max_um: Um(0),
            spacing_um: Um(0),
            earlier_spacing_um: None,
            band_low_um: Um(0),
            band_high_um: Um(0),
            most_holes: None,
            sealing: Sealing::Optional,
        },
        charges: ChargeRules {
            most_per_hole_ul: Ul(0),
            per_hole: 1,
            part_charge: false,
            least_part_ul: None,
            uptake_limit_s: None,
            hold_after_s: None,
        },
        conditions: ConditionRules::default(),
        cautions: vec![String::new()],
        first_aid: vec![String::new()],
        expires: None,
        mix: None,
    }
}

/// INVENTED: NOT FOR USE. Usual 2.4 mL per cm, holes 12 cm apart with at most 10 mL each; whole
/// charges of 10 mL close, because 2.6 mL per cm × 12 cm ÷ π is 9.93 mL a hole.
pub fn ash_label() -> Label {
    Label {
        name: format!("Invented ash injection ({INVENTED})"),
        registration: "INVENTED-0001".into(),
        invented: Some(INVENTED.into()),
        active_ingredients: vec![ActiveIngredient {
            name: "emamectin benzoate".into(),
            ug_per_ml: 1_000,
            tree_season_max_ug: Some(400_000),
            area_season_max_ug_per_ha: None,
        }],
        species: vec!["1FRXG".into()],
        pests: vec!["AGRLPL".into()],
        rates: vec![row("preventive", 100_000, None, [160_000, 240_000, 260_000])],
        smallest_diameter_um: Um(100_000),
        tree_season_max_ul: Some(Ul(400_000)),
        pressure_max_pa: Some(Pa(1_050_000)),
        interval_days: Some(365),
        forked: ForkedRule::EachStem,
        holes: HoleRules {
            bit_um: Um(6_000),
            depth_min_um: Um(15_000),
            depth_max_um: Um(25_000),
            spacing_um: Um(120_000),
            earlier_spacing_um: None,
            band_low_um: Um(100_000),
            band_high_um: Um(280_000),
            most_holes: None,
            sealing: Sealing::Optional,
        },
        charges: ChargeRules {
            most_per_hole_ul: Ul(10_000),
            per_hole: 1,
            part_charge: false,
            least_part_ul: None,
            uptake_limit_s: Some(1_800),
            hold_after_s: Some(90),
        },
        conditions: ConditionRules {
            air_min_mc: Some(MilliCelsius(5_000)),
            air_max_mc: Some(MilliCelsius(32_000)),
            soil: vec![SoilMoisture::Moist],
            canopy_loss_max: Some(PerMille(500)),
            not_in_bloom: true,
            not_for_food: true,
            water_distance_um: Some(Um(10_000_000)),
            days_before_felling: Some(60),
            closed: vec![ClosedSeason {
                from: "04-10".into(),
                to: "05-20".into(),
                species: vec!["1FRXG".into()],
                why: "INVENTED: bees take pollen".into(),
            }],
            ..ConditionRules::default()
        },
        ..with_words(template())
    }
}

/// INVENTED: NOT FOR USE. Two classes and two purposes, part charges to 1 mL, two charges a hole;
/// 1.5 mL per cm × 15 cm ÷ π is 7.16 mL a hole of at most 8 mL.
pub fn hemlock_label() -> Label {
    Label {
        name: format!("Invented hemlock injection ({INVENTED})"),
        registration: "INVENTED-0002".into(),
        invented: Some(INVENTED.into()),
        active_ingredients: vec![ActiveIngredient {
            name: "azadirachtin".into(),
            ug_per_ml: 500,
            tree_season_max_ug: None,
            area_season_max_ug_per_ha: Some(2_000_000),
        }],
        species: vec!["TSUHE".into(), "TSUME".into()],
        pests: vec!["ADLGTS".into()],
        rates: vec![
            row("preventive", 150_000, Some(400_000), [60_000, 80_000, 100_000]),
            row("preventive", 400_000, None, [70_000, 90_000, 110_000]),
            row("curative", 150_000, None, [90_000, 130_000, 150_000]),
        ],
        smallest_diameter_um: Um(150_000),
        tree_season_max_ul_per_m: Some(UlPerM(150_000)),
        tree_season_max_ul_per_inch: None,
        pressure_max_pa: Some(Pa(700_000)),
        interval_days: Some(300),
        holes: HoleRules {
            bit_um: Um(5_000),
            depth_min_um: Um(12_000),
            depth_max_um: Um(20_000),
            spacing_um: Um(150_000),
            earlier_spacing_um: None,
            band_low_um: Um(50_000),
            band_high_um: Um(250_000),
            most_holes: None,
            sealing: Sealing::Required,
        },
        charges: ChargeRules {
            most_per_hole_ul: Ul(8_000),
            per_hole: 2,
            part_charge: true,
            least_part_ul: Some(Ul(1_000)),
            uptake_limit_s: Some(3_600),
            hold_after_s: None,
        },
        conditions: ConditionRules { soil_min_mc: Some(MilliCelsius(5_000)), ..ConditionRules::default() },
        ..with_words(template())
    }
}

/// A day on which nothing speaks against treating an ash by [`ash_label`].
pub fn good_day() -> Circumstances {
    Circumstances {
        species: Some("FRXAM".into()),
        day: Day::from_ymd(2026, 6, 10),
        hour: Some(10),
        canopy_loss: Some(PerMille(100)),
        bloom: Some(Bloom::After),
        soil: Some(SoilMoisture::Moist),
        air_mc: Some(MilliCelsius(18_000)),
        soil_mc: Some(MilliCelsius(14_000)),
        food: Some(false),
        water_um: Some(Um(40_000_000)),
        felling: None,
        metal: vec![],
    }
}

/// A re-entry that confirms a label, worked here by the rule of three from the label's own rows:
/// for demos and tests only, since it re-reads the entry and not the paper.
pub fn confirmation_of(label: &Label, id: crate::ids::LabelId) -> LabelConfirmation {
    let worked = label.rates.iter().flat_map(|row| {
        let from = row.from_um.max(label.smallest_diameter_um).0;
        [from + 5_000, from + 20_000, from + 50_000].map(|diameter| WorkedDose {
            purpose: row.purpose.clone(),
            diameter_um: Um(diameter),
            dose_ul: Ul(row.usual_ul_per_m.0 / 1_000 * (diameter / 1_000)),
        })
    });
    LabelConfirmation {
        label: id,
        rates: label.rates.clone(),
        worked: worked.collect(),
        mix: label.mix.clone(),
    }
}

fn with_words(label: Label) -> Label {
    let invented = |text: &str| vec![format!("INVENTED: {text}")];
    Label {
        cautions: invented("wear goggles and gloves; let all pressure out before opening anything"),
        first_aid: invented("on skin, wash with much water; under the skin, go to a hospital at once"),
        expires: Day::from_ymd(2027, 12, 31),
        ..label
    }
}

fn row(purpose: &str, from: i64, below: Option<i64>, rates: [i64; 3]) -> RateRow {
    let [min, usual, max] = rates.map(UlPerM);
    RateRow {
        purpose: purpose.into(),
        from_um: Um(from),
        below_um: below.map(Um),
        min_ul_per_m: min,
        usual_ul_per_m: usual,
        max_ul_per_m: max,
        per_inch: None,
    }
}
