//! A label's fields one by one: present, possible, in order.

use crate::dosing::label::LabelProblem;
use crate::dosing::rate::Rate;
use crate::quantity::{MilliCelsius, Ul, UlPerM, Um, decimal, word_for};
use crate::record::label::{ChargeRules, ConditionRules, HoleRules, Label, RateRow};

/// Bounds that catch a wrong unit, not a strange product: common practice, no source.
const MAX_RATE: UlPerM = UlPerM(10_000_000);
const MAX_LENGTH: Um = Um(3_000_000);

/// Checks of single fields and pairs of fields.
pub(super) fn check(label: &Label, problems: &mut Vec<LabelProblem>) {
    let p = problems;
    present(p, "the name", &label.name);
    present(p, "the registration number", &label.registration);
    ingredients(label, p);
    codes(p, "species", &label.species, plant_code);
    codes(p, "pests", &label.pests, pest_code);
    range_um(p, "the smallest diameter", label.smallest_diameter_um, Um(1_000), Um(2_500_000));
    if label.rates.is_empty() {
        p.push(LabelProblem::Empty { field: "the rate table".into() });
    }
    label.rates.iter().enumerate().for_each(|(i, row)| rate(p, i + 1, row));
    for (field, limit) in [
        ("the limit per tree and season", label.tree_season_max_ul),
        ("the limit per hectare and season", label.area_season_max_ul_per_ha),
    ] {
        limit.iter().for_each(|l| range_ul(p, field, *l, Ul(1), Ul(1_000_000_000)));
    }
    if let Some(limit) = label.tree_season_max_ul_per_m {
        range_rate(p, "the season's limit per cm of diameter", limit);
    }
    if let Some(limit) = label.tree_season_max_ul_per_inch
        && label.tree_season_max_ul_per_m != Some(Rate::per_inch(limit).rounded())
    {
        p.push(LabelProblem::TwoRates { field: "the season's limit by diameter".into() });
    }
    if let Some(limit) = label.pressure_max_pa {
        range(p, "the highest pressure", limit.0, 1_000, 10_000_000, |v| {
            format!("{} kPa", decimal(v, 1_000, 0))
        });
    }
    if let Some(days) = label.interval_days {
        range(p, "the shortest interval", days, 1, 3_660, days_of);
    }
    holes(&label.holes, p);
    charges(&label.charges, p);
    conditions(&label.conditions, p);
    lines(p, "the cautions", &label.cautions);
    lines(p, "first aid", &label.first_aid);
    if let Some(mix) = &label.mix {
        present(p, "the diluent", &mix.diluent);
        range(p, "the mix's parts of product", mix.product_parts, 1, 1_000_000, |v| v.to_string());
        range(p, "the mix's parts of diluent", mix.diluent_parts, 1, 1_000_000, |v| v.to_string());
    }
}

fn ingredients(label: &Label, p: &mut Vec<LabelProblem>) {
    if label.active_ingredients.is_empty() {
        p.push(LabelProblem::Empty { field: "the list of active ingredients".into() });
    }
    let mut names: Vec<String> = vec![];
    for ingredient in &label.active_ingredients {
        let name = ingredient.name.trim().to_lowercase();
        let field = format!("active ingredient '{}'", ingredient.name);
        present(p, "an active ingredient's name", &ingredient.name);
        // 2 000 mg per mL is beyond the density of any formulation: common practice, no source.
        let strength = |v: i64| format!("{} mg per mL", decimal(v, 1_000, 3));
        range(p, &format!("{field}: strength"), ingredient.ug_per_ml, 1, 2_000_000, strength);
        for limit in
            [ingredient.tree_season_max_ug, ingredient.area_season_max_ug_per_ha].into_iter().flatten()
        {
            range(p, &format!("{field}: season's limit"), limit, 1, 1_000_000_000_000, |v| format!("{v} µg"));
        }
        if names.contains(&name) {
            p.push(LabelProblem::Twice {
                field: "active ingredients".into(),
                value: ingredient.name.clone(),
            });
        }
        names.push(name);
    }
}

fn rate(p: &mut Vec<LabelProblem>, number: usize, row: &RateRow) {
    let of = |what: &str| format!("rate row {number}: {what}");
    present(p, &of("the purpose"), &row.purpose);
    range_um(p, &of("the class's smallest diameter"), row.from_um, Um(0), Um(2_500_000));
    if let Some(below) = row.below_um {
        range_um(p, &of("the class's end"), below, Um(1), Um(10_000_000));
        order(p, row.from_um.0.saturating_add(1), below.0, &of("the class's start"), "its end");
    }
    for (what, value) in [
        ("the least rate", row.min_ul_per_m),
        ("the usual rate", row.usual_ul_per_m),
        ("the most", row.max_ul_per_m),
    ] {
        range_rate(p, &of(what), value);
    }
    order(p, row.min_ul_per_m.0, row.usual_ul_per_m.0, &of("the least rate"), "the usual rate");
    order(p, row.usual_ul_per_m.0, row.max_ul_per_m.0, &of("the usual rate"), "the most");
    if let Some(inches) = row.per_inch {
        order(p, inches.min_ul.0, inches.usual_ul.0, &of("the least rate"), "the usual rate");
        order(p, inches.usual_ul.0, inches.max_ul.0, &of("the usual rate"), "the most");
        if !row.inches_agree() {
            p.push(LabelProblem::TwoRates { field: format!("rate row {number}") });
        }
    }
}

/// Bits from 1 to 25 mm, depths to 15 cm and spacings to 1 m: bounds that catch a wrong unit.
fn holes(rules: &HoleRules, p: &mut Vec<LabelProblem>) {
    range_um(p, "the bit's diameter", rules.bit_um, Um(1_000), Um(25_000));
    range_um(p, "the least depth", rules.depth_min_um, Um(1_000), Um(150_000));
    range_um(p, "the greatest depth", rules.depth_max_um, Um(1_000), Um(150_000));
    order(p, rules.depth_min_um.0, rules.depth_max_um.0, "the least depth", "the greatest depth");
    range_um(p, "the spacing", rules.spacing_um, Um(5_000), Um(1_000_000));
    order(p, rules.bit_um.0.saturating_add(1), rules.spacing_um.0, "the bit's diameter", "the spacing");
    if let Some(earlier) = rules.earlier_spacing_um {
        range_um(p, "the offset from earlier seasons' holes", earlier, Um(1_000), Um(1_000_000));
        order(p, rules.bit_um.0, earlier.0, "the bit's diameter", "the offset from earlier seasons' holes");
    }
    range_um(p, "the lowest hole", rules.band_low_um, Um(0), MAX_LENGTH);
    range_um(p, "the highest hole", rules.band_high_um, Um(0), MAX_LENGTH);
    order(p, rules.band_low_um.0, rules.band_high_um.0, "the lowest hole", "the highest hole");
    if let Some(most) = rules.most_holes {
        range(p, "the most holes", most, 1, 400, |v| v.to_string());
    }
}

fn charges(rules: &ChargeRules, p: &mut Vec<LabelProblem>) {
    range_ul(p, "the most at one hole", rules.most_per_hole_ul, Ul(10), Ul(1_000_000));
    range(p, "the charges per hole", rules.per_hole, 1, 10, |v| v.to_string());
    if let Some(least) = rules.least_part_ul {
        range_ul(p, "the least part charge", least, Ul(1), Ul(1_000_000));
        order(p, least.0, rules.most_per_hole_ul.0, "the least part charge", "the most at one hole");
        if !rules.part_charge {
            p.push(LabelProblem::PartNotAllowed);
        }
    }
    let week = 7 * 86_400;
    for (field, seconds) in
        [("the time for uptake", rules.uptake_limit_s), ("the time a container stays on", rules.hold_after_s)]
    {
        seconds.iter().for_each(|s| range(p, field, *s, 1, week, |v| format!("{v} s")));
    }
}

fn conditions(rules: &ConditionRules, p: &mut Vec<LabelProblem>) {
    // Above 50 °C the figure is most likely in Fahrenheit (common practice, no source).
    for (field, value) in [
        ("the lowest air temperature", rules.air_min_mc),
        ("the highest air temperature", rules.air_max_mc),
        ("the lowest soil temperature", rules.soil_min_mc),
    ] {
        let celsius = |v: i64| format!("{} °C", decimal(v, 1_000, 1));
        value.iter().for_each(|MilliCelsius(v)| range(p, field, *v, -40_000, 50_000, celsius));
    }
    if let (Some(low), Some(high)) = (rules.air_min_mc, rules.air_max_mc) {
        order(p, low.0, high.0, "the lowest air temperature", "the highest air temperature");
    }
    if let Some(loss) = rules.canopy_loss_max {
        range(p, "the greatest canopy loss", loss.0, 0, 1_000, |v| format!("{} %", decimal(v, 10, 1)));
    }
    if let Some(distance) = rules.water_distance_um {
        range_um(p, "the distance to water", distance, Um(1), Um(1_000_000_000));
    }
    if let Some(days) = rules.days_before_felling {
        range(p, "the days before felling", days, 1, 36_600, days_of);
    }
    for (i, season) in rules.closed.iter().enumerate() {
        let field = format!("closed season {}", i + 1);
        for text in [&season.from, &season.to] {
            if day_of_year(text).is_none() {
                let text = text.chars().take(40).collect();
                p.push(LabelProblem::NotADay { field: field.clone(), text });
            }
        }
        present(p, &format!("{field}: the reason"), &season.why);
        codes_if_any(p, &format!("{field}: species"), &season.species, plant_code);
    }
}

/// Month and day of `MM-DD`, 29 February included; nothing for any other text.
pub(crate) fn day_of_year(text: &str) -> Option<(u32, u32)> {
    let (month, day) = text.split_once('-')?;
    let two =
        |s: &str| (s.len() == 2 && s.bytes().all(|b| b.is_ascii_digit())).then(|| s.parse::<u32>().ok());
    let (month, day) = (two(month)??, two(day)??);
    // 2000 was a leap year, so every day of any year is in it.
    crate::day::Day::from_ymd(2000, month, day).map(|_| (month, day))
}

/// Whether a text has the form of an EPPO plant code: five letters, or a higher taxon that begins
/// with 1 (codes read at the source: FRXAM, 1FRXG).
pub fn plant_code(code: &str) -> bool {
    let letters = |s: &str| s.bytes().all(|b| b.is_ascii_uppercase());
    code.len() == 5 && code.is_ascii() && letters(code.strip_prefix('1').unwrap_or(code))
}

/// Whether a text has the form of an EPPO code of a pest: six letters or digits, or a plant's
/// (AGRLPL read at the source; digits in codes of viruses and higher taxa from memory).
pub fn pest_code(code: &str) -> bool {
    let signs = code.bytes().all(|b| b.is_ascii_uppercase() || b.is_ascii_digit());
    plant_code(code) || (code.len() == 6 && signs && code.bytes().any(|b| b.is_ascii_uppercase()))
}

fn codes(p: &mut Vec<LabelProblem>, field: &str, codes: &[String], form: fn(&str) -> bool) {
    if codes.is_empty() {
        p.push(LabelProblem::Empty { field: format!("the list of {field}") });
    }
    codes_if_any(p, field, codes, form);
}

fn codes_if_any(p: &mut Vec<LabelProblem>, field: &str, codes: &[String], form: fn(&str) -> bool) {
    for (i, code) in codes.iter().enumerate() {
        if !form(code) {
            let code = code.chars().take(40).collect();
            p.push(LabelProblem::CodeForm { field: field.into(), code });
        } else if codes[..i].contains(code) {
            p.push(LabelProblem::Twice { field: field.into(), value: code.clone() });
        }
    }
}

fn present(p: &mut Vec<LabelProblem>, field: &str, text: &str) {
    if text.trim().is_empty() {
        p.push(LabelProblem::Empty { field: field.into() });
    }
}

fn lines(p: &mut Vec<LabelProblem>, field: &str, lines: &[String]) {
    if lines.iter().all(|l| l.trim().is_empty()) {
        p.push(LabelProblem::Empty { field: field.into() });
    }
}

fn range(
    p: &mut Vec<LabelProblem>,
    field: &str,
    value: i64,
    least: i64,
    most: i64,
    show: impl Fn(i64) -> String,
) {
    if value < least || value > most {
        let (value, least, most) = (show(value), show(least), show(most));
        p.push(LabelProblem::OutOfRange { field: field.into(), value, least, most });
    }
}

fn days_of(days: i64) -> String {
    format!("{days} {}", word_for(days, "day", "days"))
}

fn range_um(p: &mut Vec<LabelProblem>, field: &str, value: Um, least: Um, most: Um) {
    range(p, field, value.0, least.0, most.0, |v| format!("{} mm", Um(v).mm()));
}

fn range_ul(p: &mut Vec<LabelProblem>, field: &str, value: Ul, least: Ul, most: Ul) {
    range(p, field, value.0, least.0, most.0, |v| format!("{} mL", decimal(v, 1_000, 3)));
}

fn range_rate(p: &mut Vec<LabelProblem>, field: &str, value: UlPerM) {
    range(p, field, value.0, 1, MAX_RATE.0, |v| format!("{} mL per cm", decimal(v, 100_000, 5)));
}

fn order(p: &mut Vec<LabelProblem>, low: i64, high: i64, lower: &str, upper: &str) {
    if low > high {
        p.push(LabelProblem::Order { lower: lower.into(), upper: upper.into() });
    }
}
