//! Random cases of every formula of the dosing core with what it answers, one JSON object a line, for
//! `tests/reference/oracle.py` to work out again with libraries that are not ours.
//!
//! `cargo run --package bolebook-core --example oracle_cases`. The seeds are fixed: the same lines come
//! out each time.

use bolebook_core::check::entry;
use bolebook_core::dosing::pressurisation::Charged;
use bolebook_core::dosing::uncertainty::{Component, Correlation, DiameterUncertainty, Tape};
use bolebook_core::dosing::units::{Rounding, Unit};
use bolebook_core::dosing::warming::{ClosedVessel, Liquid};
use bolebook_core::dosing::{
    calibration, dose, gas, kit, pressurisation, stem, trapped_air, uncertainty, units, warming,
};
use bolebook_core::geo;
use bolebook_core::quantity::{
    AbsPa, AsRead, Measured, Mg, MilliCelsius, Pa, ReadUnit, UgPerMl, Ul, UlPerM, Um, decimal,
};
use bolebook_core::record::kit::{ContainerKind, Kit};
use bolebook_core::record::label::{Label, PerInch, RateRow};
use bolebook_core::record::stand::{Corner, Position, PositionSource};
use bolebook_core::record::{Body, Record};
use serde_json::{Value, json};

#[path = "oracle/plans.rs"]
mod plans;

/// Cases of each formula.
pub const CASES: usize = 1_000;

#[allow(
    dead_code,
    clippy::print_stdout,
    reason = "the entry point of the example; a test takes the module without it"
)]
fn main() {
    for line in lines() {
        println!("{line}");
    }
}

/// Draws a case: what is given and what we find.
type Case = fn(&mut Dice) -> (Value, Value);

/// All cases of all formulas.
pub fn lines() -> Vec<String> {
    let mut out = vec![];
    let formulas: &[(&str, Case)] = &[
        ("stem.diameter_of_girth", diameter_of_girth),
        ("stem.girth_of_diameter", girth_of_diameter),
        ("stem.reading", reading),
        ("stem.combined", combined),
        ("stem.basal_area", basal_area),
        ("dose.stem", stem_dose),
        ("dose.season", season),
        ("dose.area_season", area_season),
        ("units.parse", unit),
        ("units.temperature", temperature),
        ("gas.compressibility", compressibility),
        ("gas.expansion", expansion),
        ("gas.gauge_at", gauge_at),
        ("gas.atmosphere_at", atmosphere_at),
        ("kit.working_limit", working_limit),
        ("kit.charges", charges),
        ("kit.gauge_after", gauge_after),
        ("kit.settling", settling),
        ("kit.leak_check", leak_check),
        ("kit.trapped_charge", trapped_charge),
        ("kit.warmed", warmed),
        ("calibration.assess", assess),
        ("calibration.volume_of_mass", volume_of_mass),
        ("calibration.student_t", student_t),
        ("uncertainty.combine", combine),
        ("uncertainty.charges", charges_interval),
        ("uncertainty.dose", dose_interval),
        ("uncertainty.gauge", gauge_uncertainty),
        ("geo.distance", distance),
        ("geo.area", area),
        ("charges.choose", plans::charge_plan),
        ("layout.plan", plans::layout),
    ];
    for (seed, (formula, case)) in formulas.iter().enumerate() {
        let mut dice = Dice(seed as u64 + 1);
        for _ in 0..CASES {
            let (given, found) = case(&mut dice);
            out.push(json!({"formula": formula, "in": given, "out": found}).to_string());
        }
    }
    out
}

/// SplitMix64 (Steele, Lea & Flood 2014): even numbers from a seed, without a crate.
struct Dice(u64);

impl Dice {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// An integer from `low` to `high`, both included.
    fn from(&mut self, low: i64, high: i64) -> i64 {
        low + (self.next() % (high - low + 1) as u64) as i64
    }

    fn real(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * (self.next() >> 11) as f64 / (1u64 << 53) as f64
    }

    fn one_of<T: Copy>(&mut self, items: &[T]) -> T {
        items[self.from(0, items.len() as i64 - 1) as usize]
    }
}

/// What a fallible formula gave; the Python side refuses the text of an error.
fn result<T, E: std::fmt::Display>(found: Result<T, E>, show: impl FnOnce(T) -> Value) -> Value {
    found.map_or_else(|error| json!({"error": error.to_string()}), show)
}

fn example(text: &str) -> Body {
    Record::read(text.trim_end()).expect("an accepted example").body
}

fn label() -> Label {
    match example(include_str!("../../schemas/examples/accepted/label.json")) {
        Body::Label(label) => *label,
        _ => panic!("label.json is a label"),
    }
}

fn example_kit() -> Kit {
    match example(include_str!("../../schemas/examples/accepted/kit.json")) {
        Body::Kit(kit) => *kit,
        _ => panic!("kit.json is a kit"),
    }
}

fn container(inner: Option<i64>, charge: i64, independent: i64, shared: i64) -> ContainerKind {
    ContainerKind {
        name: "one".into(),
        charge_ul: Ul(charge),
        inner_volume_ul: inner.map(Ul),
        scale_step_ul: None,
        charge_u_ul: Ul(independent),
        shared_u_ul: Ul(shared),
    }
}

fn diameter_of_girth(dice: &mut Dice) -> (Value, Value) {
    let girth = dice.from(1, 20_000_000);
    (json!(girth), json!(stem::diameter_of_girth(Um(girth)).0))
}

fn girth_of_diameter(dice: &mut Dice) -> (Value, Value) {
    let diameter = dice.from(1, 6_000_000);
    (json!(diameter), json!(stem::girth_of_diameter(Um(diameter)).0))
}

fn reading(dice: &mut Dice) -> (Value, Value) {
    let (unit, name, most) =
        dice.one_of(&[(ReadUnit::Mm, "mm", 6_000), (ReadUnit::Cm, "cm", 600), (ReadUnit::In, "in", 236)]);
    let (of, girth) = dice.one_of(&[(Measured::Diameter, false), (Measured::Girth, true)]);
    let text = decimal(dice.from(10, most * 10 - 1), 10, 1);
    let read = AsRead { text: text.clone(), unit, of };
    let found = result(stem::diameter_from_reading(&read), |um| json!(um.0));
    let limit = entry::MAX_DIAMETER_UM;
    (json!({"text": text, "unit": name, "girth": girth, "limit": limit}), found)
}

fn combined(dice: &mut Dice) -> (Value, Value) {
    let stems: Vec<i64> = (0..dice.from(1, 9)).map(|_| dice.from(10_000, 3_000_000)).collect();
    let diameters: Vec<Um> = stems.iter().copied().map(Um).collect();
    (json!(stems), json!(stem::combined(&diameters).0))
}

fn basal_area(dice: &mut Dice) -> (Value, Value) {
    let diameter = dice.from(1, 6_000_000);
    (json!(diameter), json!(stem::basal_area_m2(Um(diameter))))
}

fn stem_dose(dice: &mut Dice) -> (Value, Value) {
    let mut rates = [dice.from(1, 900_000), dice.from(1, 900_000), dice.from(1, 900_000)];
    rates.sort_unstable();
    let [min, usual, max] = rates;
    let diameter = dice.from(50_000, 2_500_000);
    let mut label = label();
    let inch = dice.one_of(&[false, true]);
    let per_metre = |rate: i64| UlPerM(if inch { rate * 1_000_000 / 25_400 } else { rate });
    let per_inch = PerInch { min_ul: Ul(min), usual_ul: Ul(usual), max_ul: Ul(max) };
    label.smallest_diameter_um = Um(50_000);
    label.rates = vec![RateRow {
        purpose: "any".into(),
        from_um: Um(0),
        below_um: None,
        min_ul_per_m: per_metre(min),
        usual_ul_per_m: per_metre(usual),
        max_ul_per_m: per_metre(max),
        per_inch: inch.then_some(per_inch),
    }];
    let found = result(
        dose::dose_for(&label, "any", Um(diameter)),
        |d| json!({"min": d.min_ul.0, "target": d.target_ul.0, "max": d.max_ul.0}),
    );
    (json!({"min": min, "usual": usual, "max": max, "inch": inch, "diameter": diameter}), found)
}

/// The invented label with random limits of one ingredient.
fn limited_label(dice: &mut Dice) -> (Label, i64, i64) {
    let mut label = label();
    let (strength, most) = (dice.from(1_000, 200_000), dice.from(1, 100_000_000));
    for ingredient in &mut label.active_ingredients {
        ingredient.ug_per_ml = strength;
        ingredient.tree_season_max_ug = Some(most);
        ingredient.area_season_max_ug_per_ha = Some(most);
    }
    (label, strength, most)
}

fn season(dice: &mut Dice) -> (Value, Value) {
    let (mut label, strength, most) = limited_label(dice);
    let (tree, rate) = (dice.from(1, 500_000), dice.from(1, 900_000));
    let stems: Vec<i64> = (0..dice.from(1, 6)).map(|_| dice.from(10_000, 2_000_000)).collect();
    label.tree_season_max_ul = Some(Ul(tree));
    let inch = dice.one_of(&[false, true]);
    label.tree_season_max_ul_per_m = Some(UlPerM(if inch { rate * 1_000_000 / 25_400 } else { rate }));
    label.tree_season_max_ul_per_inch = inch.then_some(Ul(rate));
    let diameters: Vec<Um> = stems.iter().copied().map(Um).collect();
    let found = dose::season_limit_ul(&label, &diameters).map(|ul| ul.0);
    let given =
        json!({"tree": tree, "rate": rate, "inch": inch, "stems": stems, "strength": strength, "most": most});
    (given, json!(found))
}

fn area_season(dice: &mut Dice) -> (Value, Value) {
    let (mut label, strength, most) = limited_label(dice);
    let (per_hectare, square_metres) = (dice.from(1, 9_000_000), dice.from(1, 5_000_000));
    label.area_season_max_ul_per_ha = Some(Ul(per_hectare));
    let found = dose::area_season_limit_ul(&label, square_metres).map(|ul| ul.0);
    let given = json!({"per_hectare": per_hectare, "m2": square_metres, "strength": strength, "most": most});
    (given, json!(found))
}

fn in_unit<U: Unit>(dice: &mut Dice, integer: fn(U::Of) -> i64) -> (Value, Value) {
    let unit = dice.one_of(U::ALL);
    let text = decimal(dice.from(0, 999_999_999), 1_000_000, 6);
    let (rounding, name) =
        dice.one_of(&[(Rounding::Down, "down"), (Rounding::Nearest, "nearest"), (Rounding::Up, "up")]);
    let found = result(units::parse(&text, unit, rounding), |of| json!(integer(of)));
    (json!({"of": U::WHAT, "unit": unit.name(), "text": text, "rounding": name}), found)
}

fn unit(dice: &mut Dice) -> (Value, Value) {
    match dice.from(0, 7) {
        0 => in_unit::<units::LengthUnit>(dice, |q| q.0),
        1 => in_unit::<units::VolumeUnit>(dice, |q| q.0),
        2 => in_unit::<units::PressureUnit>(dice, |q| q.0),
        3 => in_unit::<units::BarometerUnit>(dice, |q| q.0),
        4 => in_unit::<units::RateUnit>(dice, |q| q.0),
        5 => in_unit::<units::AreaUnit>(dice, |q| q.0),
        6 => in_unit::<units::PerAreaUnit>(dice, |q| q.0),
        _ => in_unit::<units::MassUnit>(dice, |q| q.0),
    }
}

fn temperature(dice: &mut Dice) -> (Value, Value) {
    let (scale, name) = dice
        .one_of(&[(units::TemperatureScale::Celsius, "degC"), (units::TemperatureScale::Fahrenheit, "degF")]);
    let text = decimal(dice.from(-250_000, 900_000), 1_000, 3);
    let found = result(units::parse_temperature(&text, scale), |mc| json!(mc.0));
    (json!({"text": text, "unit": name}), found)
}

fn compressibility(dice: &mut Dice) -> (Value, Value) {
    let (pa, mc) = (dice.from(1_000, 3_000_000), dice.from(-40_000, 80_000));
    let found = result(gas::compressibility(AbsPa(pa), MilliCelsius(mc)), |z| json!(z));
    (json!({"pa": pa, "mc": mc}), found)
}

/// A site's air pressure, from the mountains to a high over the lowlands.
fn site(dice: &mut Dice) -> i64 {
    dice.from(70_000, 105_000)
}

fn expansion(dice: &mut Dice) -> (Value, Value) {
    let (air, mc, low) = (site(dice), dice.from(-40_000, 80_000), dice.from(0, 1_500_000));
    let high = low + dice.from(1_000, 1_300_000);
    let found = gas::expansion(Pa(high), Pa(low), AbsPa(air), MilliCelsius(mc));
    let found = result(found, |e| json!({"isothermal": e.isothermal, "adiabatic": e.adiabatic}));
    (json!({"high": high, "low": low, "air": air, "mc": mc}), found)
}

fn gauge_at(dice: &mut Dice) -> (Value, Value) {
    let (pa, air) = (dice.from(0, 1_500_000), site(dice));
    let (from, to) = (dice.from(-40_000, 80_000), dice.from(-40_000, 80_000));
    let found = gas::gauge_at(Pa(pa), AbsPa(air), MilliCelsius(from), MilliCelsius(to));
    (json!({"pa": pa, "air": air, "from": from, "to": to}), result(found, |pa| json!(pa.map(|p| p.0))))
}

fn atmosphere_at(dice: &mut Dice) -> (Value, Value) {
    let altitude = dice.from(-430_000_000, 5_000_000_000);
    (json!(altitude), result(gas::atmosphere_at(Um(altitude)), |pa| json!(pa.0)))
}

fn working_limit(dice: &mut Dice) -> (Value, Value) {
    let mut one = || dice.from(500_000, 2_500_000);
    let (vessel, hose, fittings, label, source) = (one(), one(), one(), one(), one());
    let label = (label % 3 != 0).then_some(label);
    let mut of = example_kit();
    of.reservoir.rating_pa = Pa(vessel);
    (of.hose_rating_pa, of.fittings_rating_pa) = (Pa(hose), Pa(fittings));
    of.air_source_limit_pa = Pa(source);
    let found = result(
        kit::working_limit(&of, label.map(Pa)),
        |limit| json!({"limit": limit.limit_pa.0, "set_by": limit.set_by}),
    );
    (json!({"vessel": vessel, "hose": hose, "fittings": fittings, "label": label}), found)
}

fn charged(dice: &mut Dice) -> (Charged, Value) {
    let volume = dice.from(500_000, 20_000_000);
    let product = dice.from(0, volume * 9 / 10);
    let low = dice.from(100_000, 1_000_000);
    let of = Charged {
        volume_ul: Ul(volume),
        product_ul: Ul(product),
        charge_ul: Ul(dice.from(1_000, 30_000)),
        gauge_pa: Pa(low + dice.from(10_000, 400_000)),
        low_pa: Pa(low),
        atmosphere: AbsPa(site(dice)),
        temperature: MilliCelsius(dice.from(-10_000, 50_000)),
    };
    let given = json!({
        "volume": volume, "product": product, "charge": of.charge_ul.0, "high": of.gauge_pa.0, "low": low,
        "air": of.atmosphere.0, "mc": of.temperature.0,
    });
    (of, given)
}

fn charges(dice: &mut Dice) -> (Value, Value) {
    let (of, given) = charged(dice);
    let found = result(
        pressurisation::charges(&of),
        |c| json!({"least": c.least_ul.0, "most": c.most_ul.0, "fewest": c.fewest, "charges": c.most}),
    );
    (given, found)
}

fn gauge_after(dice: &mut Dice) -> (Value, Value) {
    let (of, mut given) = charged(dice);
    // Not past an empty gauge, where there is nothing to read.
    let growth = of.gauge_pa.0 as f64 / (of.gauge_pa.0 + of.atmosphere.0) as f64;
    let room = ((of.volume_ul.0 - of.product_ul.0) as f64 * growth / 2.0) as i64;
    let charges = dice.from(0, room.min(of.product_ul.0) / of.charge_ul.0);
    given["charges"] = json!(charges);
    let found = pressurisation::gauge_after(&of, charges);
    (given, result(found, |r| json!({"low": r.low_pa.0, "high": r.high_pa.0})))
}

fn settling(dice: &mut Dice) -> (Value, Value) {
    let from = dice.from(0, 1_000_000);
    let to = from + dice.from(10_000, 600_000);
    let found = result(pressurisation::settling(Pa(from), Pa(to)), |s| json!(s.most_fall_pa.0));
    (json!({"from": from, "to": to}), found)
}

fn leak_check(dice: &mut Dice) -> (Value, Value) {
    let first = dice.from(100_000, 1_400_000);
    let readings = pressurisation::LeakReadings {
        settled_minutes: dice.from(5, 20),
        first_pa: Pa(first),
        first_mc: MilliCelsius(dice.from(0, 45_000)),
        apart_minutes: dice.from(5, 20),
        second_pa: Pa((first + dice.from(-150_000, 100_000)).max(0)),
        second_mc: MilliCelsius(dice.from(0, 45_000)),
        gauge_u_pa: Pa(dice.from(1_000, 30_000)),
        atmosphere: AbsPa(site(dice)),
    };
    let given = json!({
        "settled": readings.settled_minutes, "first": first, "first_mc": readings.first_mc.0,
        "apart": readings.apart_minutes, "second": readings.second_pa.0, "second_mc": readings.second_mc.0,
        "u": readings.gauge_u_pa.0, "air": readings.atmosphere.0,
    });
    let found = result(
        pressurisation::leak_check(&readings),
        |c| json!({"expected": c.expected_pa.0, "tolerance": c.tolerance_pa.0, "verdict": c.verdict}),
    );
    (given, found)
}

fn trapped_charge(dice: &mut Dice) -> (Value, Value) {
    let (inner, pa) = (dice.from(2_000, 60_000), dice.from(10_000, 1_500_000));
    let (air, mc) = (site(dice), dice.from(-10_000, 50_000));
    let kind = container(Some(inner), inner / 2, 0, 0);
    let found = trapped_air::charge(&kind, Pa(pa), AbsPa(air), MilliCelsius(mc));
    let found = result(found, |c| json!({"settled": c.settled_ul.0, "at_once": c.at_once_ul.0}));
    (json!({"inner": inner, "pa": pa, "air": air, "mc": mc}), found)
}

fn warmed(dice: &mut Dice) -> (Value, Value) {
    let (liquid, name) = dice.one_of(&[(Liquid::Water, "water"), (Liquid::Unknown, "unknown")]);
    let volume = dice.from(10_000, 10_000_000);
    let vessel = ClosedVessel {
        volume_ul: Ul(volume),
        liquid_ul: Ul(volume * dice.from(1, 90) / 100),
        liquid,
        gauge_pa: Pa(dice.from(0, 1_200_000)),
        atmosphere: AbsPa(site(dice)),
        temperature: MilliCelsius(dice.from(5_000, 35_000)),
    };
    let to = vessel.temperature.0 + dice.from(1_000, 35_000);
    let given = json!({
        "liquid": name, "volume": volume, "content": vessel.liquid_ul.0, "pa": vessel.gauge_pa.0,
        "air": vessel.atmosphere.0, "from": vessel.temperature.0, "to": to,
    });
    let found = result(warming::warmed(&vessel, MilliCelsius(to)), |w| {
        json!({
            "after": w.after_pa.map(|p| p.0), "by_air": w.by_air_pa.map(|p| p.0),
            "vapour": w.by_vapour_pa.0, "full": w.liquid_fills_it,
        })
    });
    (given, found)
}

fn assess(dice: &mut Dice) -> (Value, Value) {
    let nominal = dice.from(1_000, 30_000);
    let (u, shared) = (dice.from(1, 300), dice.from(0, 150));
    let mean = nominal + dice.from(-300, 300);
    let around = dice.from(1, 500);
    let charges: Vec<i64> =
        (0..dice.from(5, 60)).map(|_| (mean + dice.from(-around, around)).max(0)).collect();
    let volumes: Vec<Ul> = charges.iter().copied().map(Ul).collect();
    let found = calibration::assess(&volumes, Ul(nominal), &container(None, nominal, u, shared));
    let found = result(found, |a| {
        json!({
            "mean": a.mean_ul.0, "spread": a.spread_ul.0, "mean_u": a.mean_u_ul.0, "low": a.low_ul.0,
            "high": a.high_ul.0, "allowed_off": a.allowed_off_ul.0, "allowed_spread": a.allowed_spread_ul.0,
            "verdict": a.verdict,
        })
    });
    (json!({"nominal": nominal, "u": u, "shared": shared, "charges": charges}), found)
}

fn volume_of_mass(dice: &mut Dice) -> (Value, Value) {
    let (mg, density) = (dice.from(0, 3_000_000), dice.from(500_000, 3_000_000));
    let found = calibration::volume_of_mass(Mg(mg), UgPerMl(density));
    (json!({"mg": mg, "density": density}), result(found, |ul| json!(ul.0)))
}

fn student_t(dice: &mut Dice) -> (Value, Value) {
    let degrees = dice.from(1, 200);
    (json!(degrees), json!(calibration::student_t_95(degrees as usize)))
}

fn combine(dice: &mut Dice) -> (Value, Value) {
    let count = dice.from(1, 8) as usize;
    let correlated = dice.from(0, 1) == 1;
    let components: Vec<Component> = (0..count)
        .map(|_| Component {
            standard: dice.real(0.0, 10.0),
            sensitivity: dice.real(-5.0, 5.0),
            degrees: (dice.from(0, 2) > 0).then(|| dice.from(1, 50) as f64),
        })
        .collect();
    // Pairs that share no component, so that any coefficients are possible together.
    let pairs = if correlated { count / 2 } else { 0 };
    let correlations: Vec<Correlation> =
        (0..pairs).map(|i| Correlation { a: 2 * i, b: 2 * i + 1, r: dice.real(-1.0, 1.0) }).collect();
    let given = json!({
        "components": components.iter().map(|c| json!([c.standard, c.sensitivity, c.degrees])).collect::<Vec<_>>(),
        "correlations": correlations.iter().map(|c| json!([c.a, c.b, c.r])).collect::<Vec<_>>(),
    });
    let found = uncertainty::combine(&components, &correlations);
    (given, result(found, |c| json!({"standard": c.standard, "degrees": c.degrees})))
}

fn charges_interval(dice: &mut Dice) -> (Value, Value) {
    let (u, shared) = (dice.from(0, 1_000), dice.from(0, 500));
    let charges: Vec<i64> = (0..dice.from(1, 200)).map(|_| dice.from(1, 30_000)).collect();
    let volumes: Vec<Ul> = charges.iter().copied().map(Ul).collect();
    let tolerance = uncertainty::tolerance_ul(charges.len() as i64, u, shared).0;
    let found = uncertainty::of_charges(&volumes, &container(None, 1, u, shared));
    let found = result(found, |i| {
        json!({
            "value": i.value_ul.0, "standard": i.standard_ul.0, "low": i.low_ul.0, "high": i.high_ul.0,
            "tolerance": tolerance,
        })
    });
    (json!({"charges": charges, "u": u, "shared": shared}), found)
}

fn dose_interval(dice: &mut Dice) -> (Value, Value) {
    let tape = Tape {
        step_um: Um(dice.from(0, 25_400)),
        laying_um: Um(dice.from(0, 20_000)),
        tape_um: Um(dice.from(0, 5_000)),
        girth: dice.from(0, 1) == 1,
    };
    let (rate, diameter) = (dice.from(1, 900_000), dice.from(50_000, 2_500_000));
    let given = json!({
        "step": tape.step_um.0, "laying": tape.laying_um.0, "tape": tape.tape_um.0, "girth": tape.girth,
        "rate": rate, "diameter": diameter,
    });
    let of = uncertainty::of_diameter(&tape)
        .unwrap_or(DiameterUncertainty { independent_um: f64::NAN, shared_um: f64::NAN });
    let found = result(
        uncertainty::of_dose(UlPerM(rate), Um(diameter), of),
        |i| json!({"value": i.value_ul.0, "standard": i.standard_ul.0, "low": i.low_ul.0, "high": i.high_ul.0}),
    );
    (given, found)
}

fn gauge_uncertainty(dice: &mut Dice) -> (Value, Value) {
    let (inner, pa) = (dice.from(1_000, 60_000), dice.from(0, 1_500_000));
    let (u, air) = (dice.from(0, 30_000), site(dice));
    let found = uncertainty::of_gauge(Ul(inner), Pa(pa), Pa(u), AbsPa(air));
    (json!({"inner": inner, "pa": pa, "u": u, "air": air}), result(found, |ul| json!(ul)))
}

fn distance(dice: &mut Dice) -> (Value, Value) {
    let here = (dice.from(-60_000_000_000, 65_000_000_000), dice.from(-179_000_000_000, 179_000_000_000));
    let there = (here.0 + dice.from(-12_000_000, 12_000_000), here.1 + dice.from(-12_000_000, 12_000_000));
    let at = |(lat_ndeg, lon_ndeg)| Position {
        lat_ndeg,
        lon_ndeg,
        accuracy_um: None,
        source: PositionSource::Gnss,
    };
    (json!([here, there]), json!(geo::distance_m(&at(here), &at(there))))
}

fn area(dice: &mut Dice) -> (Value, Value) {
    /// The eight points of the compass, so that sides never cross.
    const WAYS: [(i64, i64); 8] = [(10, 0), (7, 7), (0, 10), (-7, 7), (-10, 0), (-7, -7), (0, -10), (7, -7)];
    let middle = (dice.from(-60_000_000_000, 65_000_000_000), dice.from(-179_000_000_000, 179_000_000_000));
    let corners: Vec<(i64, i64)> = WAYS
        .iter()
        .map(|(north, east)| {
            let reach = dice.from(100_000, 500_000);
            (middle.0 + north * reach, middle.1 + east * reach)
        })
        .collect();
    let boundary: Vec<Corner> =
        corners.iter().map(|&(lat_ndeg, lon_ndeg)| Corner { lat_ndeg, lon_ndeg }).collect();
    (json!(corners), json!(geo::area_m2(&boundary)))
}
