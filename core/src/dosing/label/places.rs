//! Where in a label's form a problem belongs: the field's path, such as `rates.0.usual`.
//!
//! Paths are the names a label file has them under, figures by their name on paper.

use super::LabelProblem;
use crate::quantity::Um;
use crate::record::label::Label;

/// What a problem calls a field, and the field's path.
const FIELDS: &[(&str, &str)] = &[
    ("the name", "name"),
    ("the registration number", "registration"),
    ("the list of active ingredients", "active_ingredients.0.name"),
    ("the list of species", "species"),
    ("species", "species"),
    ("the list of pests", "pests"),
    ("pests", "pests"),
    ("the smallest diameter", "smallest_diameter"),
    ("the rate table", "rates.0.purpose"),
    ("the limit per tree and season", "tree_season_max"),
    ("the limit per hectare and season", "area_season_max"),
    ("the season's limit per cm of diameter", "tree_season_max_by_diameter"),
    ("the season's limit by diameter", "tree_season_max_by_diameter"),
    ("the highest pressure", "pressure_max"),
    ("the shortest interval", "interval_days"),
    ("the bit's diameter", "holes.bit"),
    ("the least depth", "holes.depth_min"),
    ("the greatest depth", "holes.depth_max"),
    ("the spacing", "holes.spacing"),
    ("the offset from earlier seasons' holes", "holes.earlier_spacing"),
    ("the lowest hole", "holes.band_low"),
    ("the highest hole", "holes.band_high"),
    ("the most holes", "holes.most_holes"),
    ("the most at one hole", "charges.most_per_hole"),
    ("the charges per hole", "charges.per_hole"),
    ("the least part charge", "charges.least_part"),
    ("the time for uptake", "charges.uptake_limit_s"),
    ("the time a container stays on", "charges.hold_after_s"),
    ("the lowest air temperature", "conditions.air_min"),
    ("the highest air temperature", "conditions.air_max"),
    ("the lowest soil temperature", "conditions.soil_min"),
    ("the greatest canopy loss", "conditions.canopy_loss_max"),
    ("the distance to water", "conditions.water_distance"),
    ("the days before felling", "conditions.days_before_felling"),
    ("the cautions", "cautions"),
    ("first aid", "first_aid"),
    ("the diluent", "mix.diluent"),
    ("the mix's parts of product", "mix.product_parts"),
    ("the mix's parts of diluent", "mix.diluent_parts"),
];

/// What a problem of a rate row calls a field, and the field's name.
const OF_A_ROW: &[(&str, &str)] = &[
    ("the purpose", "purpose"),
    ("the class's smallest diameter", "from"),
    ("the class's start", "from"),
    ("the class's end", "below"),
    ("the least rate", "min"),
    ("the usual rate", "usual"),
    ("the most", "max"),
];

/// The fields a problem is about, the one to correct first; never empty.
pub fn places(problem: &LabelProblem, label: &Label) -> Vec<String> {
    let found = match problem {
        LabelProblem::Empty { field }
        | LabelProblem::OutOfRange { field, .. }
        | LabelProblem::CodeForm { field, .. }
        | LabelProblem::NotADay { field, .. }
        | LabelProblem::TwoRates { field } => of_field(field, label),
        LabelProblem::Twice { field, value } if field == "active ingredients" => ingredient(value, label),
        LabelProblem::Twice { field, .. } => of_field(field, label),
        LabelProblem::Order { lower, upper } => {
            let mut both = of_field(lower, label);
            both.extend(of_field(upper, label));
            both
        }
        LabelProblem::PurposeSpelling { first, second } => {
            rows(label, |r| r.purpose == *first || r.purpose == *second, "purpose")
        }
        LabelProblem::Gap { purpose, below_um, .. } => {
            rows(label, |r| r.purpose == *purpose && r.from_um == *below_um, "from")
        }
        LabelProblem::Overlap { purpose, from_um, .. } => {
            rows(label, |r| r.purpose == *purpose && r.from_um == *from_um, "from")
        }
        LabelProblem::ClassTooSmall { purpose, below_um, .. } => {
            rows(label, |r| r.purpose == *purpose && r.below_um == Some(*below_um), "below")
        }
        LabelProblem::TurnTooSmall { purpose, .. } => {
            let mut found = rows(label, |r| r.purpose == *purpose, "usual");
            found.extend(["holes.spacing", "charges.most_per_hole"].map(str::to_owned));
            found
        }
        LabelProblem::CannotHold { purpose, .. } => rows(label, |r| r.purpose == *purpose, "min"),
        LabelProblem::SeasonLimit { purpose, above_um } => {
            let limit = match label.tree_season_max_ul {
                Some(_) if *above_um > Um(0) => "tree_season_max",
                _ if label.tree_season_max_ul_per_m.is_some() => "tree_season_max_by_diameter",
                _ => "tree_season_max",
            };
            let mut found = vec![limit.to_owned()];
            found.extend(rows(label, |r| r.purpose == *purpose, "min"));
            found
        }
        LabelProblem::OneRate { purpose, from_um } => {
            rows(label, |r| r.purpose == *purpose && r.from_um == *from_um, "max")
        }
        LabelProblem::PartNotAllowed => vec!["charges.least_part".into(), "charges.part_charge".into()],
    };
    if found.is_empty() { vec!["name".into()] } else { found }
}

fn rows(label: &Label, meant: impl Fn(&crate::record::label::RateRow) -> bool, field: &str) -> Vec<String> {
    let rows = label.rates.iter().enumerate().filter(|(_, r)| meant(r));
    rows.map(|(at, _)| format!("rates.{at}.{field}")).collect()
}

fn ingredient(name: &str, label: &Label) -> Vec<String> {
    let named = label.active_ingredients.iter().enumerate().filter(|(_, a)| a.name == name);
    named.map(|(at, _)| format!("active_ingredients.{at}.name")).collect()
}

fn of_field(field: &str, label: &Label) -> Vec<String> {
    if let Some((_, path)) = FIELDS.iter().find(|(said, _)| *said == field) {
        return vec![(*path).to_owned()];
    }
    if field == "an active ingredient's name" {
        let empty = label.active_ingredients.iter().enumerate().filter(|(_, a)| a.name.trim().is_empty());
        return empty.map(|(at, _)| format!("active_ingredients.{at}.name")).collect();
    }
    if let Some(rest) = field.strip_prefix("active ingredient '") {
        let named = label.active_ingredients.iter().enumerate();
        return named
            .filter_map(|(at, a)| {
                let of = rest.strip_prefix(&a.name)?.strip_prefix('\'')?;
                let name = match of {
                    ": strength" => "strength",
                    ": season's limit" => "tree_season_max",
                    _ => "name",
                };
                Some(format!("active_ingredients.{at}.{name}"))
            })
            .collect();
    }
    let numbered = |prefix: &str| {
        let rest = field.strip_prefix(prefix)?;
        let (number, of) = rest.split_once(": ").unwrap_or((rest, ""));
        Some((number.parse::<usize>().ok()?.checked_sub(1)?, of.to_owned()))
    };
    if let Some((at, of)) = numbered("rate row ") {
        let name = OF_A_ROW.iter().find(|(said, _)| *said == of).map_or("usual", |(_, name)| name);
        return vec![format!("rates.{at}.{name}")];
    }
    if let Some((at, of)) = numbered("closed season ") {
        let name = match of.as_str() {
            "the reason" => "why",
            "species" => "species",
            _ => "from",
        };
        return vec![format!("conditions.closed.{at}.{name}")];
    }
    vec![]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dosing::invented::{hemlock_label, template};
    use crate::dosing::label::validate;
    use crate::quantity::Ul;
    use crate::record::label::{ClosedSeason, Mix, PerInch};

    /// Every problem of a label in which nothing is right stands beside a field of its own.
    #[test]
    fn every_problem_has_its_place() {
        let mut label = template();
        let bad = i64::MAX / 4;
        label.interval_days = Some(0);
        label.tree_season_max_ul = Some(Ul(0));
        label.area_season_max_ul_per_ha = Some(Ul(0));
        label.tree_season_max_ul_per_m = Some(crate::quantity::UlPerM(0));
        label.tree_season_max_ul_per_inch = Some(Ul(5));
        label.pressure_max_pa = Some(crate::quantity::Pa(0));
        label.holes.earlier_spacing_um = Some(Um(0));
        label.holes.band_high_um = Um(-1);
        label.holes.most_holes = Some(0);
        label.charges = crate::record::label::ChargeRules {
            per_hole: 0,
            least_part_ul: Some(Ul(0)),
            uptake_limit_s: Some(0),
            hold_after_s: Some(0),
            ..label.charges
        };
        label.conditions.air_min_mc = Some(crate::quantity::MilliCelsius(bad));
        label.conditions.air_max_mc = Some(crate::quantity::MilliCelsius(bad));
        label.conditions.soil_min_mc = Some(crate::quantity::MilliCelsius(bad));
        label.conditions.canopy_loss_max = Some(crate::quantity::PerMille(-1));
        label.conditions.water_distance_um = Some(Um(0));
        label.conditions.days_before_felling = Some(0);
        let closed =
            ClosedSeason { from: "x".into(), to: "y".into(), species: vec!["?".into()], why: "".into() };
        label.conditions.closed = vec![closed];
        label.mix = Some(Mix { diluent: String::new(), product_parts: 0, diluent_parts: 0 });
        label.rates[0].per_inch = Some(PerInch { min_ul: Ul(3), usual_ul: Ul(2), max_ul: Ul(1) });
        label.rates[0].below_um = Some(Um(0));
        label.rates[0].from_um = Um(-1);
        label.active_ingredients[0].tree_season_max_ug = Some(0);
        let fallback = vec!["name".to_owned()];
        for problem in validate(&label) {
            let places = places(&problem, &label);
            let of_name = matches!(&problem, LabelProblem::Empty { field } if field == "the name");
            assert!(of_name || places != fallback, "{problem:?}");
        }
    }

    #[test]
    fn what_concerns_a_class_stands_at_its_row() {
        let mut label = hemlock_label();
        label.rates[1].from_um = Um(500_000);
        let at = |label: &Label| validate(label).iter().flat_map(|p| places(p, label)).collect::<Vec<_>>();
        assert!(at(&label).contains(&"rates.1.from".to_owned()), "a gap");
        label.rates[1].from_um = Um(300_000);
        assert!(at(&label).contains(&"rates.1.from".to_owned()), "an overlap");
        label.rates[1].from_um = Um(400_000);
        label.charges.most_per_hole_ul = Ul(3_000);
        assert!(at(&label).contains(&"charges.most_per_hole".to_owned()), "a turn that holds too little");
    }
}
