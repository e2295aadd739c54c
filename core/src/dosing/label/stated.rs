//! What a label's entry leaves open.

use crate::record::label::{ActiveIngredient, Label};

/// What a label's entry takes as not stated on the paper: the names it would be entered under. A limit
/// left out by mistake is no limit at all, so they are shown to whoever holds the paper.
pub fn not_stated(label: &Label) -> Vec<&'static str> {
    let (holes, charges, now) = (&label.holes, &label.charges, &label.conditions);
    let by_diameter = label.tree_season_max_ul_per_m.is_some();
    let of_ingredients = |limit: fn(&ActiveIngredient) -> Option<i64>| {
        !label.active_ingredients.is_empty() && label.active_ingredients.iter().all(|a| limit(a).is_some())
    };
    let stated = [
        (label.tree_season_max_ul.is_some(), "tree_season_max"),
        (by_diameter, "tree_season_max_by_diameter"),
        (of_ingredients(|a| a.tree_season_max_ug), "active_ingredients: tree_season_max"),
        (label.area_season_max_ul_per_ha.is_some(), "area_season_max"),
        (of_ingredients(|a| a.area_season_max_ug_per_ha), "active_ingredients: area_season_max_per_ha"),
        (label.pressure_max_pa.is_some(), "pressure_max"),
        (label.interval_days.is_some(), "interval_days"),
        (label.expires.is_some(), "expires"),
        (label.mix.is_some(), "mix: diluent, product_parts, diluent_parts"),
        (holes.earlier_spacing_um.is_some(), "holes: earlier_spacing"),
        (holes.most_holes.is_some(), "holes: most_holes"),
        (!charges.part_charge || charges.least_part_ul.is_some(), "charges: least_part"),
        (charges.uptake_limit_s.is_some(), "charges: uptake_limit_s"),
        (charges.hold_after_s.is_some(), "charges: hold_after_s"),
        (now.air_min_mc.is_some(), "conditions: air_min"),
        (now.air_max_mc.is_some(), "conditions: air_max"),
        (now.soil_min_mc.is_some(), "conditions: soil_min"),
        (!now.soil.is_empty(), "conditions: soil"),
        (now.canopy_loss_max.is_some(), "conditions: canopy_loss_max"),
        (now.not_in_bloom, "conditions: not_in_bloom"),
        (now.not_for_food, "conditions: not_for_food"),
        (now.water_distance_um.is_some(), "conditions: water_distance"),
        (now.days_before_felling.is_some(), "conditions: days_before_felling"),
        (!now.closed.is_empty(), "conditions: closed"),
    ];
    stated.into_iter().filter(|(there, _)| !there).map(|(_, name)| name).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dosing::invented::ash_label;

    #[test]
    fn what_is_taken_as_not_stated_is_named_and_entered_under_that_name() {
        let mut label = ash_label();
        (label.interval_days, label.pressure_max_pa, label.conditions.not_in_bloom) = (None, None, false);
        let missing = not_stated(&label);
        for name in ["interval_days", "pressure_max", "conditions: not_in_bloom"] {
            assert!(missing.contains(&name), "{missing:?}");
        }
        label.interval_days = Some(300);
        assert!(!not_stated(&label).contains(&"interval_days"));
        // Each name is a field of the record, as the paper or the record has it.
        let schema = serde_json::to_string(&schemars::schema_for!(Label)).unwrap();
        for name in missing {
            let name = name.rsplit(' ').next().unwrap();
            // A figure of the paper that is given bare is refused wherever it may stand.
            let form = serde_json::json!({ name: 1, "holes": { name: 1 }, "charges": { name: 1 },
                "conditions": { name: 1 }, "active_ingredients": [{ name: 1 }] });
            let of_paper = crate::dosing::label::paper::from_paper(form).is_err();
            assert!(of_paper || schema.contains(&format!("\"{name}\"")), "{name}");
        }
    }
}
