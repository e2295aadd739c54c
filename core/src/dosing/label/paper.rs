//! A label written as the paper has it: every figure with its unit, `"usual": "6 mL/in"`.
//!
//! Beside the record's integers (`"usual_ul_per_m": 236220`) a label file may hold the figure and the
//! unit that are printed on the label. The unit is then read, not remembered: a rate per inch taken
//! for one per centimetre doses 2.54 times too much. Limits and rates round down, what keeps clear or
//! deep enough rounds up, by less than the record's unit.

use serde::Serialize;
use serde_json::{Map, Value};

use crate::dosing::units::{
    LengthUnit, PerAreaUnit, PressureUnit, RateUnit, Rounding, TemperatureScale, Unit, VolumeUnit, named,
    parse, parse_temperature, shown,
};
use crate::quantity::UlPerM;
use crate::record::label::{Label, RateRow};

/// What a figure measures.
#[derive(Clone, Copy)]
enum Of {
    Length,
    Volume,
    Rate,
    PerArea,
    Pressure,
    Temperature,
    Strength,
    IngredientMass,
}

/// Where a figure may stand: the object around it, its name on paper, its name in the record.
type Place = (&'static str, &'static str, &'static str, Of, Rounding);

/// The objects and lists of a label file that hold figures.
const AROUND: [&str; 6] = ["active_ingredients", "rates", "worked", "holes", "charges", "conditions"];

const PLACES: &[Place] = &[
    ("", "smallest_diameter", "smallest_diameter_um", Of::Length, Rounding::Up),
    ("", "tree_season_max", "tree_season_max_ul", Of::Volume, Rounding::Down),
    ("", "tree_season_max_by_diameter", "tree_season_max_ul_per_m", Of::Rate, Rounding::Down),
    ("", "area_season_max", "area_season_max_ul_per_ha", Of::PerArea, Rounding::Down),
    ("", "pressure_max", "pressure_max_pa", Of::Pressure, Rounding::Down),
    ("active_ingredients", "strength", "ug_per_ml", Of::Strength, Rounding::Up),
    ("active_ingredients", "tree_season_max", "tree_season_max_ug", Of::IngredientMass, Rounding::Down),
    (
        "active_ingredients",
        "area_season_max_per_ha",
        "area_season_max_ug_per_ha",
        Of::IngredientMass,
        Rounding::Down,
    ),
    ("rates", "from", "from_um", Of::Length, Rounding::Nearest),
    ("rates", "below", "below_um", Of::Length, Rounding::Nearest),
    ("rates", "min", "min_ul_per_m", Of::Rate, Rounding::Down),
    ("rates", "usual", "usual_ul_per_m", Of::Rate, Rounding::Down),
    ("rates", "max", "max_ul_per_m", Of::Rate, Rounding::Down),
    ("worked", "diameter", "diameter_um", Of::Length, Rounding::Nearest),
    ("worked", "dose", "dose_ul", Of::Volume, Rounding::Down),
    ("holes", "bit", "bit_um", Of::Length, Rounding::Nearest),
    ("holes", "depth_min", "depth_min_um", Of::Length, Rounding::Up),
    ("holes", "depth_max", "depth_max_um", Of::Length, Rounding::Down),
    ("holes", "spacing", "spacing_um", Of::Length, Rounding::Up),
    ("holes", "earlier_spacing", "earlier_spacing_um", Of::Length, Rounding::Up),
    ("holes", "band_low", "band_low_um", Of::Length, Rounding::Up),
    ("holes", "band_high", "band_high_um", Of::Length, Rounding::Down),
    ("charges", "most_per_hole", "most_per_hole_ul", Of::Volume, Rounding::Down),
    ("charges", "least_part", "least_part_ul", Of::Volume, Rounding::Up),
    ("conditions", "air_min", "air_min_mc", Of::Temperature, Rounding::Nearest),
    ("conditions", "air_max", "air_max_mc", Of::Temperature, Rounding::Nearest),
    ("conditions", "soil_min", "soil_min_mc", Of::Temperature, Rounding::Nearest),
    ("conditions", "water_distance", "water_distance_um", Of::Length, Rounding::Up),
];

/// A figure of a label file that cannot be taken.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, thiserror::Error)]
#[error("{place}: {why}")]
pub struct PaperError {
    /// Where: `rates 1, usual`.
    pub place: String,
    /// Why, and what to write.
    pub why: String,
}

/// A figure that was taken from its unit.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Taken {
    /// Where.
    pub place: String,
    /// What stood there.
    pub written: String,
    /// What the unit is easily taken for.
    pub trap: Option<&'static str>,
}

/// Puts the record's integers in place of figures written with their unit; everything else is left
/// as it stands.
///
/// # Errors
/// Every [`PaperError`] of the file: no figure with a unit, a unit that is none or could be two, or
/// one quantity given both ways.
pub fn from_paper(mut form: Value) -> Result<(Value, Vec<Taken>), Vec<PaperError>> {
    let (mut taken, mut wrong) = (vec![], vec![]);
    if let Value::Object(object) = &mut form {
        take(object, "", "", &mut taken, &mut wrong);
        for around in AROUND {
            match object.get_mut(around) {
                Some(Value::Object(inner)) => take(inner, around, around, &mut taken, &mut wrong),
                Some(Value::Array(rows)) => {
                    for (at, row) in rows.iter_mut().enumerate() {
                        let Value::Object(row) = row else { continue };
                        take(row, around, &format!("{around} {}", at + 1), &mut taken, &mut wrong);
                    }
                }
                _ => {}
            }
        }
    }
    if wrong.is_empty() { Ok((form, taken)) } else { Err(wrong) }
}

fn take(
    object: &mut Map<String, Value>,
    around: &str,
    place: &str,
    taken: &mut Vec<Taken>,
    wrong: &mut Vec<PaperError>,
) {
    one_unit(object, around, place, wrong);
    keep_inches(object, around);
    for (_, paper, record, of, rounding) in PLACES.iter().filter(|p| p.0 == around) {
        let Some(value) = object.remove(*paper) else { continue };
        let place = if place.is_empty() { (*paper).to_owned() } else { format!("{place}, {paper}") };
        let mut refuse = |why: String| wrong.push(PaperError { place: place.clone(), why });
        if object.contains_key(*record) {
            refuse(format!("is given twice, as {paper} and as {record}: keep one"));
            continue;
        }
        let Value::String(written) = &value else {
            refuse(format!("write figure and unit in quotes, such as {}", example(*of)));
            continue;
        };
        match figure(written, *of, *rounding) {
            Ok((integer, trap)) => {
                object.insert((*record).to_owned(), integer.into());
                taken.push(Taken { place, written: written.trim().to_owned(), trap });
            }
            Err(why) => refuse(why),
        }
    }
}

/// The rates of a row on paper and in the record's figures per inch.
const INCHES: [(&str, &str); 3] = [("min", "min_ul"), ("usual", "usual_ul"), ("max", "max_ul")];

/// A row's rates are printed in one unit: two in a row are a slip of 2.54 that nothing else would show.
fn one_unit(object: &Map<String, Value>, around: &str, place: &str, wrong: &mut Vec<PaperError>) {
    if around != "rates" {
        return;
    }
    let unit = |name: &str| {
        let (_, unit) = object.get(name)?.as_str()?.trim().split_once(char::is_whitespace)?;
        named::<RateUnit>(unit.trim()).ok()
    };
    let units: Vec<RateUnit> = INCHES.iter().filter_map(|(paper, _)| unit(paper)).collect();
    if let [first, rest @ ..] = &units[..]
        && let Some(other) = rest.iter().find(|u| *u != first)
    {
        let why = format!(
            "its rates are in {} and in {}: enter the row in the one unit the label prints",
            first.name(),
            other.name()
        );
        wrong.push(PaperError { place: place.to_owned(), why });
    }
}

/// Keeps rates printed per inch as they stand, beside the rounded ones per metre: all three of a row,
/// or none, so that a row is worked in one unit.
fn keep_inches(object: &mut Map<String, Value>, around: &str) {
    let printed = |name: &str| object.get(name).and_then(Value::as_str).and_then(per_inch);
    match around {
        "rates" => {
            let all: Option<Map<String, Value>> = INCHES
                .iter()
                .map(|(paper, record)| Some(((*record).into(), printed(paper)?.into())))
                .collect();
            if let Some(all) = all {
                object.entry("per_inch").or_insert(all.into());
            }
        }
        "" => {
            if let Some(limit) = printed("tree_season_max_by_diameter") {
                object.entry("tree_season_max_ul_per_inch").or_insert(limit.into());
            }
        }
        _ => {}
    }
}

/// Microlitres per inch of a rate written so, if they are whole.
fn per_inch(written: &str) -> Option<i64> {
    let (figure, unit) = written.trim().split_once(char::is_whitespace)?;
    if named::<RateUnit>(unit.trim()) != Ok(RateUnit::MillilitrePerInch) {
        return None;
    }
    crate::quantity::parse_decimal(figure, 1_000, "rate").ok()
}

/// A figure of a label's form: the object or list it stands in (empty for the form itself), its name
/// there, and the units the paper may give it in.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Figure {
    /// `holes`, `rates`.
    pub around: &'static str,
    /// `spacing`.
    pub name: &'static str,
    /// `mm`, `cm`, `in`.
    pub units: Vec<&'static str>,
}

/// Every figure a label's form takes with its unit.
pub fn figures() -> Vec<Figure> {
    fn names<U: Unit>() -> Vec<&'static str> {
        U::ALL.iter().map(|u| u.name()).collect()
    }
    let units = |of: Of| match of {
        Of::Length => names::<LengthUnit>(),
        Of::Volume => names::<VolumeUnit>(),
        Of::Rate => names::<RateUnit>(),
        Of::PerArea => names::<PerAreaUnit>(),
        Of::Pressure => names::<PressureUnit>(),
        Of::Temperature => vec!["°C", "°F"],
        Of::Strength => vec!["mg/mL", "g/L"],
        Of::IngredientMass => vec!["µg", "mg", "g"],
    };
    let of_place = |(around, name, _, of, _): &Place| Figure { around, name, units: units(*of) };
    PLACES.iter().map(of_place).collect()
}

fn example(of: Of) -> &'static str {
    match of {
        Of::Length => "\"12 cm\"",
        Of::Volume => "\"10 mL\"",
        Of::Rate => "\"2.4 mL/cm\"",
        Of::PerArea => "\"500 mL/ha\"",
        Of::Pressure => "\"400 kPa\"",
        Of::Temperature => "\"5 °C\"",
        Of::Strength => "\"40 mg/mL\"",
        Of::IngredientMass => "\"400 mg\"",
    }
}

/// A figure and its unit as the record's integer, with the unit's trap.
fn figure(written: &str, of: Of, rounding: Rounding) -> Result<(i64, Option<&'static str>), String> {
    let written = written.trim();
    // `4 1/2 in` has a space within its figure.
    let cut = match written.rsplit_once(char::is_whitespace) {
        Some((figure, "in")) if figure.contains('/') => Some((figure, "in")),
        _ => written.split_once(char::is_whitespace),
    };
    let Some((figure, unit)) = cut else {
        return Err(format!("'{}' has no unit: write it such as {}", short(written), example(of)));
    };
    let unit = unit.trim();
    let read = match of {
        Of::Length if unit == "in" && figure.contains('/') => fraction_of_inch(figure, rounding),
        Of::Length => typed::<LengthUnit>(figure, unit, rounding),
        Of::Volume => typed::<VolumeUnit>(figure, unit, rounding),
        Of::Rate => typed::<RateUnit>(figure, unit, rounding),
        Of::PerArea => typed::<PerAreaUnit>(figure, unit, rounding),
        Of::Pressure => typed::<PressureUnit>(figure, unit, rounding),
        Of::Temperature => {
            let scale = match unit {
                "°C" | "C" => TemperatureScale::Celsius,
                "°F" | "F" => TemperatureScale::Fahrenheit,
                _ => return Err(format!("'{}' is not a unit of temperature: write °C or °F", short(unit))),
            };
            parse_temperature(figure, scale).map(|t| (t.0, None)).map_err(|e| e.to_string())
        }
        // A strength rounds up, so that a limit in mass never allows more.
        Of::Strength if ["mg/mL", "g/L"].contains(&unit) => micrograms(figure, 1_000),
        Of::Strength => {
            return Err(format!("'{}' is not a unit of strength: write mg/mL or g/L", short(unit)));
        }
        Of::IngredientMass => match unit {
            "µg" => micrograms(figure, 1),
            "mg" => micrograms(figure, 1_000),
            "g" => micrograms(figure, 1_000_000),
            _ => return Err(format!("'{}' is not a unit of mass: write mg or g", short(unit))),
        },
    };
    read.map_err(|why| format!("'{}': {why}", short(written)))
}

/// `1/2` or `4 1/2` inches: read in 128ths, which are whole numbers of 1/640 mm.
fn fraction_of_inch(figure: &str, rounding: Rounding) -> Result<(i64, Option<&'static str>), String> {
    let (whole, fraction) = figure.trim().rsplit_once(' ').unwrap_or(("0", figure));
    let number = |text: &str| text.trim().parse::<i64>().ok().filter(|n| (0..1_000).contains(n));
    let read = fraction.split_once('/').and_then(|(a, b)| Some((number(whole)?, number(a)?, number(b)?)));
    let Some((whole, above, below)) = read.filter(|(_, a, b)| a < b && *b <= 128) else {
        return Err(format!("'{}' is no figure in inches: write it such as \"4 1/2 in\"", short(figure)));
    };
    let (exact, rest) = (above * 25_400 / below, above * 25_400 % below);
    let up = match rounding {
        Rounding::Up => rest > 0,
        Rounding::Nearest => rest * 2 >= below,
        Rounding::Down => false,
    };
    Ok((whole * 25_400 + exact + i64::from(up), None))
}

fn micrograms(figure: &str, each: i64) -> Result<(i64, Option<&'static str>), String> {
    crate::quantity::parse_decimal(figure, each, "mass").map(|v| (v, None)).map_err(|e| e.to_string())
}

fn typed<U: Unit>(
    figure: &str,
    unit: &str,
    rounding: Rounding,
) -> Result<(i64, Option<&'static str>), String> {
    let unit = named::<U>(unit).map_err(|e| e.to_string())?;
    let value = parse(figure, unit, rounding).map_err(|e| e.to_string())?;
    Ok((U::integer(value), unit.trap()))
}

fn short(text: &str) -> String {
    text.chars().take(40).collect()
}

/// A form with its figures as the paper has them, in metric units: what a template shows.
pub fn to_paper(mut form: Value) -> Value {
    if let Value::Object(object) = &mut form {
        write(object, "");
        for around in AROUND {
            match object.get_mut(around) {
                Some(Value::Object(inner)) => write(inner, around),
                Some(Value::Array(rows)) => {
                    rows.iter_mut().filter_map(Value::as_object_mut).for_each(|row| write(row, around));
                }
                _ => {}
            }
        }
    }
    form
}

fn write(object: &mut Map<String, Value>, around: &str) {
    let each = |ul: i64| Value::from(format!("{} mL/in", trimmed(&crate::quantity::decimal(ul, 1_000, 3))));
    if let Some(Value::Object(inches)) = object.get("per_inch").cloned()
        && around == "rates"
    {
        object.remove("per_inch");
        for (paper, record) in INCHES {
            let Some(ul) = inches.get(record).and_then(Value::as_i64) else { continue };
            object.insert(paper.into(), each(ul));
            object.remove(&format!("{record}_per_m"));
        }
    }
    if let Some(ul) = object.remove("tree_season_max_ul_per_inch").and_then(|v| v.as_i64()) {
        object.insert("tree_season_max_by_diameter".into(), each(ul));
        object.remove("tree_season_max_ul_per_m");
    }
    for (_, paper, record, of, _) in PLACES.iter().filter(|p| p.0 == around) {
        let Some(integer) = object.get(*record).and_then(Value::as_i64) else { continue };
        // Millimetres for what is drilled, centimetres for what is measured around and along a trunk.
        let (unit, below, places) = match of {
            Of::Length if ["bit", "depth_min", "depth_max"].contains(paper) => ("mm", 1_000, 3),
            Of::Length => ("cm", 10_000, 4),
            Of::Volume => ("mL", 1_000, 3),
            Of::Rate => ("mL/cm", 100_000, 5),
            Of::PerArea => ("mL/ha", 1_000, 3),
            Of::Pressure => ("kPa", 1_000, 3),
            Of::Temperature => ("°C", 1_000, 3),
            Of::Strength => ("mg/mL", 1_000, 3),
            Of::IngredientMass => ("mg", 1_000, 3),
        };
        let text = crate::quantity::decimal(integer, below, places);
        object.insert((*paper).to_owned(), format!("{} {unit}", trimmed(&text)).into());
        object.remove(*record);
    }
}

fn trimmed(text: &str) -> &str {
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.') } else { text }
}

/// A label's rates per centimetre and per inch of diameter, to be held against the paper by eye.
pub fn rates_in_both(label: &Label) -> Vec<String> {
    label.rates.iter().map(in_both).collect()
}

fn in_both(row: &RateRow) -> String {
    let each = |unit: RateUnit| {
        let rates: [UlPerM; 3] = [row.min_ul_per_m, row.usual_ul_per_m, row.max_ul_per_m];
        rates.map(|rate| shown(rate, unit, 3)).join(" / ")
    };
    let inches = match row.per_inch {
        Some(p) => {
            [p.min_ul, p.usual_ul, p.max_ul].map(|ul| crate::quantity::decimal(ul.0, 1_000, 3)).join(" / ")
        }
        None => each(RateUnit::MillilitrePerInch),
    };
    format!(
        "'{}' from {} cm of diameter: {} mL per cm = {inches} mL per inch{} (least / usual / most)",
        row.purpose,
        row.from_um.cm(),
        each(RateUnit::MillilitrePerCentimetre),
        if row.per_inch.is_some() { ", as printed" } else { "" },
    )
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;
    use crate::dosing::invented::{ash_label, confirmation_of, hemlock_label};
    use crate::ids::RecordId;

    fn wrong(form: Value) -> Vec<String> {
        from_paper(form).unwrap_err().iter().map(ToString::to_string).collect()
    }

    /// NIST SP 811 (2008), appendix B: an inch is 2.54 cm, so 6 mL/in is 2.362 204… mL/cm.
    #[test]
    fn a_rate_per_inch_is_read_as_one() {
        let form = json!({"rates": [{"purpose": "p", "from": "4 in", "usual": "6 mL/in", "max": "6.1 mL/in"}],
            "active_ingredients": [{"strength": "40 g/L", "tree_season_max": "0.4 g"}],
            "holes": {"spacing": "4 in", "bit": "15 64ths in", "depth_min": "1/2 in", "band_low": "4 1/2 in"},
            "conditions": {"air_min": "41 °F"}});
        let (read, taken) = from_paper(form).unwrap();
        assert_eq!(
            read,
            json!({"rates": [{"purpose": "p", "from_um": 101_600, "usual_ul_per_m": 236_220,
                "max_ul_per_m": 240_157}],
                "active_ingredients": [{"ug_per_ml": 40_000, "tree_season_max_ug": 400_000}],
                "holes": {"spacing_um": 101_600, "bit_um": 5_953, "depth_min_um": 12_700, "band_low_um": 114_300},
                "conditions": {"air_min_mc": 5_000}})
        );
        let of_usual = taken.iter().find(|t| t.place == "rates 1, usual").unwrap();
        assert!(of_usual.trap.unwrap().contains("2.54"), "{of_usual:?}");
    }

    /// A whole label in inches: the paper's figures stand beside the rounded ones, doses are worked from
    /// them (10 in at 6 mL/in are 60 mL, arithmetic), and it is shown again as it was printed.
    #[test]
    fn a_label_in_inches_keeps_its_figures() {
        let mut form = to_paper(serde_json::to_value(ash_label()).unwrap());
        form["rates"] =
            json!([{"purpose": "p", "from": "4 in", "min": "5 mL/in", "usual": "6 mL/in", "max": "6 mL/in"}]);
        form["tree_season_max_by_diameter"] = json!("6.125 mL/in");
        let read = from_paper(form.clone()).unwrap().0;
        let label: Label = serde_json::from_value(read.clone()).unwrap();
        assert_eq!(label.tree_season_max_ul_per_inch, Some(crate::quantity::Ul(6_125)));
        let dose = crate::dosing::dose::dose_for(&label, "p", crate::quantity::Um(254_000)).unwrap();
        assert_eq!((dose.target_ul.0, dose.max_ul.0, dose.min_ul.0), (60_000, 60_000, 50_000));
        let blocking =
            |label: &Label| crate::dosing::label::validate(label).iter().filter(|p| p.blocks()).count();
        assert_eq!(blocking(&label), 0);
        let again = to_paper(read.clone());
        assert_eq!(
            (&again["rates"][0]["max"], &again["tree_season_max_by_diameter"]),
            (&json!("6 mL/in"), &json!("6.125 mL/in"))
        );
        assert_eq!(from_paper(again).unwrap().0, read);
        // Tampered with, the two no longer agree, and there is no dose.
        let mut other = label.clone();
        other.rates[0].per_inch.as_mut().unwrap().max_ul = crate::quantity::Ul(15_240);
        assert_eq!(blocking(&other), 1);
        assert!(crate::dosing::dose::dose_for(&other, "p", crate::quantity::Um(254_000)).is_err());
        let with = |max: &str| {
            let mut form = form.clone();
            form["rates"][0]["max"] = json!(max);
            from_paper(form)
        };
        // Finer than a microlitre: kept per metre alone. Spelt otherwise: the same unit.
        assert!(with("6.0001 mL/in").unwrap().0["rates"][0].get("per_inch").is_none());
        assert_eq!(with("6 ml/in").unwrap().0["rates"][0]["per_inch"]["max_ul"], json!(6_000));
        let two = with("2.362 mL/cm").unwrap_err();
        assert!(two[0].to_string().starts_with("rates 1: its rates are in mL/in and in mL/cm"), "{two:?}");
    }

    #[test]
    fn a_figure_without_a_unit_with_two_or_given_twice_is_refused_with_its_place() {
        let found = wrong(json!({
            "smallest_diameter": "6 in", "smallest_diameter_um": 5,
            "rates": [{"usual": 3}, {"usual": "3"}, {"usual": "3 mL"}, {"usual": "3 mL/in girth"}],
            "charges": {"most_per_hole": "1 fl oz"}, "conditions": {"air_min": "5 K"},
        }));
        let expected = [
            ("smallest_diameter:", "given twice"),
            ("rates 1, usual:", "\"2.4 mL/cm\""),
            ("rates 2, usual:", "no unit"),
            ("rates 3, usual:", "not a unit of rate"),
            ("rates 4, usual:", "π times"),
            ("charges, most_per_hole:", "US fl oz"),
            ("conditions, air_min:", "°F"),
        ];
        assert_eq!(found.len(), expected.len(), "{found:?}");
        for (error, (place, why)) in found.iter().zip(expected) {
            assert!(error.starts_with(place) && error.contains(why), "{error}");
        }
    }

    #[test]
    fn a_label_shown_as_on_paper_reads_back_as_itself() {
        for label in [ash_label(), hemlock_label()] {
            let form = to_paper(serde_json::to_value(&label).unwrap());
            assert!(!form.to_string().contains("_um\""), "{form}");
            let (read, _) = from_paper(form).unwrap();
            assert_eq!(serde_json::from_value::<Label>(read).unwrap(), label);
            let again = serde_json::to_value(confirmation_of(&label, RecordId::new(0, [0; 10]))).unwrap();
            assert_eq!(from_paper(to_paper(again.clone())).unwrap().0, again);
        }
        let shown = rates_in_both(&ash_label());
        assert!(shown[0].contains("1.600 / 2.400 / 2.600 mL per cm = 4.064 / 6.096 / 6.604 mL per inch"));
    }

    proptest::proptest! {
        #[test]
        fn nothing_panics(text in ".{0,24}", key in 0usize..PLACES.len()) {
            let (around, paper, ..) = PLACES[key];
            let inner = json!({ paper: text });
            let form = if around.is_empty() { inner } else { json!({ around: [inner] }) };
            drop(from_paper(to_paper(form)));
        }
    }
}
