//! The label the fixtures work under: invented, and easy to reckon with by hand.

use bolebook_core::quantity::{Ul, UlPerM, Um};
use bolebook_core::record::label::{
    ActiveIngredient, ChargeRules, ConditionRules, ForkedRule, HoleRules, Label, RateRow, Sealing,
};

/// A label with geometry that closes: 2.4 mL per cm, 12 cm apart, 10 mL containers.
pub fn label() -> Label {
    Label {
        name: "Invented One".into(),
        registration: "INV-0001".into(),
        invented: Some("INVENTED: NOT FOR USE".into()),
        active_ingredients: vec![ActiveIngredient {
            name: "emamectin benzoate".into(),
            ug_per_ml: 1_000,
            tree_season_max_ug: None,
            area_season_max_ug_per_ha: None,
        }],
        species: vec!["1FRXG".into(), "PIUPA".into()],
        pests: vec!["AGRLPL".into()],
        rates: vec![RateRow {
            purpose: "preventive".into(),
            from_um: Um(100_000),
            below_um: None,
            min_ul_per_m: UlPerM(180_000),
            usual_ul_per_m: UlPerM(240_000),
            max_ul_per_m: UlPerM(300_000),
            per_inch: None,
        }],
        smallest_diameter_um: Um(100_000),
        forked: ForkedRule::EachStem,
        tree_season_max_ul: None,
        tree_season_max_ul_per_m: None,
        tree_season_max_ul_per_inch: None,
        area_season_max_ul_per_ha: None,
        pressure_max_pa: None,
        interval_days: Some(700),
        holes: HoleRules {
            bit_um: Um(6_000),
            depth_min_um: Um(15_000),
            depth_max_um: Um(25_000),
            spacing_um: Um(120_000),
            earlier_spacing_um: None,
            band_low_um: Um(100_000),
            band_high_um: Um(300_000),
            most_holes: None,
            sealing: Sealing::Optional,
        },
        charges: ChargeRules {
            most_per_hole_ul: Ul(10_000),
            per_hole: 1,
            part_charge: false,
            least_part_ul: None,
            uptake_limit_s: Some(1_800),
            hold_after_s: Some(60),
        },
        conditions: ConditionRules::default(),
        cautions: vec!["INVENTED: NOT FOR USE".into()],
        first_aid: vec!["INVENTED: wash with much water".into()],
        expires: None,
        mix: None,
    }
}
