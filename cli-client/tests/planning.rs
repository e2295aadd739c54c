//! Supply, dose table, forecast, day plan and picture, through the real command.

mod common;

use common::{Device, LABEL, fill, found, plant, twenty, two_days};
use serde_json::Value;
use tempfile::TempDir;

fn office(base: &TempDir) -> Device {
    let office = Device::new(base, "office");
    found(&office);
    drop(office.run(&["use", "--crew", "North", "--person", "Ben Invented"]).ok());
    office
}

/// Worked by hand: 2.4 mL/cm of 30, 45.5 and 18 cm are 72, 109.2 and 43.2 mL; whole charges of 10 mL
/// nearest them below 2.6 mL/cm are 7, 11 and 4. With 10 % and 25 mL for priming 220 mL become 267.
/// Known to 2 √(22 · 0.12² + (22 · 0.06)²) = 2.86998 mL, rounded outward (JCGM 100:2008, 5.2.2).
#[test]
fn supply_loads_what_the_trees_left_need_and_names_what_has_no_dose() {
    let base = TempDir::new().unwrap();
    let device = office(&base);
    plant(&device);
    drop(device.run(&["tree", "add", "C-1", "--species", "FRXPE"]).ok());
    drop(device.run(&["tree", "add", "C-2", "--species", "QUERO"]).ok());
    let args = ["supply", "--holes-per-bit", "10", "--priming", "25", "--close", "plugs"];
    let answer = device.json(&args);
    let need = &answer["supply"]["total"];
    assert_eq!((&need["charges"], &need["holes"], &need["trees"]), (&22.into(), &22.into(), &3.into()));
    assert_eq!((&need["product_ul"], &need["product_to_carry_ul"]), (&220_000.into(), &267_000.into()));
    // 22 holes with 10 % are 25 plugs, and 3 bits of 10 holes.
    assert_eq!((&need["plugs"], &need["bits"]), (&25.into(), &3.into()));
    assert_eq!(
        (&need["interval"]["low_ul"], &need["interval"]["high_ul"]),
        (&217_130.into(), &222_870.into())
    );
    assert_eq!(answer["not_measured"], 1);
    assert_eq!(answer["supply"]["left_out"].as_array().unwrap().len(), 2);
    let text = device.run(&args).ok();
    let lines: Vec<&str> = text.out.lines().collect();
    assert_eq!(lines[0], "Load 267.0 mL of product for 3 trees: 22 charges, 22 holes, 3 bits, 25 plugs.");
    assert_eq!(
        lines[1],
        "NOT in these figures: 2 stems: 1 not measured yet, 1 without a dose under this label and kit (C-1, C-2)."
    );
    assert!(text.err.contains("CAUTION: Never leave a charged reservoir"), "{text:?}");
    let sheet =
        device.run(&["supply", "--holes-per-bit", "10", "--load-out", "--close", "wax", "--wax", "0.4g"]);
    let sheet = sheet.ok().out;
    assert!(sheet.starts_with("LOAD-OUT SHEET: Ash Park, 2026-09-14\n"), "{sheet}");
    for part in ["INVENTED: NOT FOR USE", "Wax         10.0 g", "C-1 (no block), stem 1", "FIRST AID"] {
        assert!(sheet.contains(part), "{part} is not on\n{sheet}");
    }
}

#[test]
fn supply_of_a_day_is_loaded_by_crew_for_the_trees_of_that_day_only() {
    let base = TempDir::new().unwrap();
    let device = office(&base);
    twenty(&device);
    drop(device.run(&["crew", "add", "South", "--lead", "Ben Invented", "--by", "Ada Invented"]).ok());
    // 5 + 7 · 2.5 = 22.5 minutes a tree: at most 5 trees fit 120 minutes, walks included.
    let time = ["--assume-stem", "5", "--assume-charge", "2.5", "--minutes-a-day", "120"];
    let with = |args: &[&'static str]| [args, &time[..]].concat();
    let day = device.json(&with(&["day-plan"]));
    let crews = day["plan"]["crews"].as_array().unwrap();
    let trees: usize = crews.iter().map(|c| c["stops"].as_array().unwrap().len()).sum();
    assert_eq!((crews.len(), trees), (2, 10));
    assert_eq!(day["plan"]["not_today"].as_array().unwrap().len(), 10);
    let load = device.json(&with(&["supply", "--holes-per-bit", "100", "--one-day"]));
    assert_eq!(load["supply"]["total"]["trees"], 10);
    let groups: Vec<&str> =
        load["supply"]["groups"].as_array().unwrap().iter().map(|g| g["name"].as_str().unwrap()).collect();
    assert_eq!(groups, ["North", "South"]);
    let sheet = with(&["supply", "--holes-per-bit", "100", "--one-day", "--crew", "North", "--load-out"]);
    let sheet = device.run(&sheet).ok().out;
    assert!(sheet.starts_with("LOAD-OUT SHEET: Ash Park, North, 2026-09-14\n"), "{sheet}");
}

#[test]
fn a_dose_table_gives_the_charges_of_the_plan_ready_to_print() {
    let base = TempDir::new().unwrap();
    let device = office(&base);
    let args = ["dose-table", "--from", "30", "--to", "31"];
    let rows = device.json(&args)["table"]["rows"].clone();
    assert_eq!(rows[0]["entry"]["Ok"]["plan"]["total_ul"], 70_000);
    assert_eq!(rows[0]["entry"]["Ok"]["usual_ul"], 72_000);
    let text = device.run(&args).ok().out;
    assert!(text.starts_with("DOSE TABLE: preventive\nINVENTED: NOT FOR USE\n"), "{text}");
    assert!(text.contains("    30.0     31.0  7 × 10.0 mL"), "{text}");
    let csv =
        device.run(&["dose-table", "--unit", "in", "--from", "12", "--to", "12", "--format", "csv"]).ok();
    // 12 in is 30.48 cm: 73.152 mL usual.
    assert!(csv.out.lines().nth(1).unwrap().starts_with("12.00,12.50,in,73.152,"), "{csv:?}");
    let page = device.path("table.html").display().to_string();
    drop(device.run(&["dose-table", "--format", "html", "--out", &page]).ok());
    assert!(std::fs::read_to_string(&page).unwrap().starts_with("<!doctype html>"));
}

/// Worked by hand: eight stems are left of those whose visits took about 20 minutes, at two days of
/// six visits each.
#[test]
fn the_forecast_and_the_day_plan_learn_from_the_log() {
    let base = TempDir::new().unwrap();
    let mut device = office(&base);
    twenty(&device);
    fill(&device);
    two_days(&mut device, false);
    let answer = device.json(&["forecast"]);
    let found = &answer["forecast"];
    assert_eq!((&found["stems_left"], &found["visits_logged"]), (&8.into(), &12.into()));
    assert_eq!((&found["days_logged"], &found["model"]["assumed"]), (&2.into(), &Value::Bool(false)));
    let days = found["crew_days_left"].as_f64().unwrap();
    // Each day holds six visits alike, so eight stems are eight sixths of a day.
    assert!((days - 8.0 / 6.0).abs() < 1e-9, "{days}");
    let (low, high) = (found["interval"][0].as_f64().unwrap(), found["interval"][1].as_f64().unwrap());
    assert!(low < days && days < high, "{low} {high}");
    let text = device.run(&["forecast"]).ok().out;
    assert!(text.starts_with("1.3 crew-days left (95 % between "), "{text}");
    let plan = device.json(&["day-plan"])["plan"].clone();
    let handed = plan["crews"][0]["stops"].as_array().unwrap().len();
    assert_eq!(handed + plan["not_today"].as_array().unwrap().len(), 8);
    assert!(plan["walk_m"].as_f64().unwrap() <= plan["nearest_neighbour_m"].as_f64().unwrap() + 1e-6);
    let text = device.run(&["day-plan", "--start", "North=42.28,-83.74"]).ok().out;
    assert!(text.contains("always to the nearest tree left it would be"), "{text}");
    assert!(text.lines().next().unwrap().contains(" for 1 crew: "), "{text}");
}

#[test]
fn a_tree_far_slower_than_its_peers_is_named_with_the_caution_that_belongs_to_it() {
    let base = TempDir::new().unwrap();
    let mut device = office(&base);
    twenty(&device);
    fill(&device);
    two_days(&mut device, true);
    let slow = device.json(&["forecast"])["slow_uptake"].clone();
    assert_eq!(slow.as_array().unwrap().iter().map(|s| &s["tag"]).collect::<Vec<_>>(), ["A-12"]);
    let run = device.run(&["forecast"]).ok();
    assert!(run.out.contains("Slow uptake (1):\n  Tree A-12, stem 1: 180 minutes"), "{run:?}");
    assert!(run.err.contains("Never raise the pressure"), "{run:?}");
}

#[test]
fn a_picture_is_drawn_only_of_a_stem_that_nothing_stops() {
    let base = TempDir::new().unwrap();
    let device = office(&base);
    plant(&device);
    fill(&device);
    let error = device.refused(4, &["picture", "A-1"]);
    assert!(error["message"].as_str().unwrap().contains("the soil's moisture is not known"), "{error}");
    let seen = "condition A-1 --canopy-loss 10 --bloom after --soil moist --air 21 --soil-temperature 16 --food false --water 40";
    drop(device.run(&seen.split(' ').collect::<Vec<_>>()).ok());
    let answer = device.json(&["picture", "A-1"]);
    assert_eq!(answer["layout"]["holes"].as_array().unwrap().len(), 7);
    let run = device.run(&["picture", "A-1", "--out", "a1.svg"]).ok();
    assert!(run.out.starts_with("Tree A-1, stem 1: 7 holes, one every "), "{run:?}");
    assert!(run.err.contains("hospital emergency"), "{run:?}");
    let svg = std::fs::read_to_string(device.path("a1.svg")).unwrap();
    assert_eq!(Value::from(svg.clone()), answer["svg"]);
    assert!(svg.starts_with("<svg ") && svg.contains("<title>Tree A-1, stem 1</title>"), "{svg}");
    drop(device.run(&["treat", "A-1", "--charges", "7", "--each", "10"]).ok());
    let error = device.refused(4, &["picture", "A-1"]);
    assert!(error["message"].as_str().unwrap().contains("has been treated this season"), "{error}");
}

#[test]
fn a_label_nobody_confirmed_and_a_job_without_trees_give_no_plan() {
    let base = TempDir::new().unwrap();
    let device = office(&base);
    let time = ["--assume-stem", "5", "--assume-charge", "2", "--minutes-a-day", "300"];
    for command in [&["supply", "--holes-per-bit", "10"][..], &["forecast"], &["day-plan"]] {
        let error = device.refused(4, &[command, &time[..]].concat());
        assert!(error["message"].as_str().unwrap().contains("no tree is listed in this job"), "{error}");
    }
    plant(&device);
    let label = device.run(&["label", "template", "--invented"]).ok().out;
    let other =
        label.replace("Invented ash injection", "Invented other").replace("INVENTED-0001", "INVENTED-9");
    let other = device.file("other.json", other);
    drop(device.run(&["label", "add", &other, "--by", "Ada Invented"]).ok());
    let named = ["--label", "Invented other (INVENTED: NOT FOR USE)"];
    for command in [
        &["supply", "--holes-per-bit", "10"][..],
        &["dose-table"],
        &["forecast", "--assume-stem", "5", "--assume-charge", "2", "--minutes-a-day", "300"],
        &["day-plan", "--assume-stem", "5", "--assume-charge", "2", "--minutes-a-day", "300"],
    ] {
        let error = device.refused(4, &[command, &named[..]].concat());
        let message = error["message"].as_str().unwrap();
        assert!(message.contains("has not been confirmed by a second licensed person"), "{message}");
    }
    let error = device.refused(4, &["picture", "A-1", named[0], named[1]]);
    assert!(error["message"].as_str().unwrap().contains("is not confirmed"), "{error}");
    assert_eq!(device.run(&["dose-table", "--label", LABEL]).exit, 0);
    let late = ["supply", "--holes-per-bit", "10", "--for", "2028-01-02", "--label", LABEL];
    let error = device.refused(4, &late);
    assert!(error["message"].as_str().unwrap().contains("could be used until 2027-12-31"), "{error}");
}

#[test]
fn figures_and_names_that_cannot_be_give_an_error_and_never_a_plan() {
    let base = TempDir::new().unwrap();
    let device = office(&base);
    plant(&device);
    let cases: &[(i32, &str, &str)] = &[
        (4, "supply --holes-per-bit 0", "must be 1 or more"),
        (4, "supply --holes-per-bit=-5", "cannot be less than 0"),
        (4, "supply --holes-per-bit NaN", "NaN"),
        (4, "supply --holes-per-bit 99999999999999999999", "too many digits"),
        (4, "supply --holes-per-bit 9 --allowance 101", "between 0 and 100"),
        (4, "supply --holes-per-bit 9 --allowance inf", "inf"),
        (4, "supply --holes-per-bit 9 --priming=-1", "must be 0 or more"),
        (4, "supply --holes-per-bit 9 --close wax --wax 0", "must be 1 or more"),
        (4, "supply --holes-per-bit 9 --close wax --wax 3stone", "'stone' is not a unit of mass"),
        (2, "supply --holes-per-bit 9 --close wax", ""),
        (2, "supply --holes-per-bit 9 --crew North", "--crew"),
        (2, "supply", ""),
        (5, "supply --holes-per-bit 9 --block Nowhere", "Nowhere"),
        (5, "supply --holes-per-bit 9 --kit Other", "Other"),
        (5, "supply --holes-per-bit 9 --label Other", "Other"),
        (5, "supply --holes-per-bit 9 --purpose curative", "curative"),
        (4, "supply --holes-per-bit 9 --for 2026-02-30", "2026-02-30"),
        (4, "dose-table --from 0", "has no rows"),
        (4, "dose-table --from=-3", "has no rows"),
        (4, "dose-table --step 0", "has no rows"),
        (4, "dose-table --to inf", "inf"),
        (4, "dose-table --from 50 --to 20", "has no rows"),
        (4, "dose-table --step 0.0001", "more than 2000 rows"),
        (4, "dose-table --to 999999999999", "too large"),
        (5, "dose-table --kit Other", "Other"),
        (4, "forecast", "nothing to learn from"),
        (4, "forecast --assume-stem 5 --assume-charge 2 --minutes-a-day 0", "between 1 and 1440"),
        (4, "forecast --assume-stem 5 --assume-charge 2 --minutes-a-day 1441", "between 1 and 1440"),
        (4, "forecast --assume-stem NaN --assume-charge 2 --minutes-a-day 300", "NaN"),
        (4, "forecast --assume-stem 0 --assume-charge 0 --minutes-a-day 300", "not both zero"),
        (4, "forecast --assume-stem=-1 --assume-charge 2 --minutes-a-day 300", "less than 0"),
        (4, "forecast --assume-stem 9999 --assume-charge 2 --minutes-a-day 300", "at most 1440"),
        (2, "forecast --assume-stem 5", ""),
        (4, "day-plan --assume-stem 5 --assume-charge 2 --minutes-a-day 300 --walk 0", "walking speed"),
        (4, "day-plan --assume-stem 5 --assume-charge 2 --minutes-a-day 300 --walk=-3", "walking speed"),
        (4, "day-plan --assume-stem 5 --assume-charge 2 --minutes-a-day 300 --start North", "CREW=LAT,LON"),
        (
            4,
            "day-plan --assume-stem 5 --assume-charge 2 --minutes-a-day 300 --start North=91,0",
            "between -90 and 90",
        ),
        (5, "day-plan --assume-stem 5 --assume-charge 2 --minutes-a-day 300 --crew East", "East"),
        (
            4,
            "day-plan --assume-stem 5 --assume-charge 2 --minutes-a-day 300 --crew North --crew North",
            "given twice",
        ),
        (5, "picture A-9", "A-9"),
        (4, "picture A-1 --stem 9", "no stem 9"),
        (4, "picture A-1 --stem NaN", "NaN"),
        (5, "picture A-1 --kit Other", "Other"),
    ];
    let mut wrong: Vec<String> = vec![];
    for (exit, command, reason) in cases {
        let mut args = vec!["--json"];
        args.extend(command.split(' '));
        let run = device.run(&args);
        if run.exit != *exit || !run.error()["message"].as_str().unwrap().contains(reason) {
            wrong.push(format!("{command}: not {exit} with '{reason}': {run:?}"));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// A rate per inch is entered as one; a figure without its unit, or per inch of girth, is refused.
#[test]
fn a_label_is_entered_with_the_units_of_the_paper() {
    let base = TempDir::new().unwrap();
    let device = office(&base);
    let label = device.run(&["label", "template", "--invented"]).ok().out;
    assert!(label.contains("\"usual\": \"2.4 mL/cm\""), "{label}");
    let with = |usual: &str| {
        let inches = label.replace("1.6 mL/cm", "4 mL/in").replace("2.6 mL/cm", "6.6 mL/in");
        device.file("inch.json", inches.replace("\"usual\": \"2.4 mL/cm\"", &format!("\"usual\": {usual}")))
    };
    let checked = device.run(&["label", "check", &with("\"6 mL/in\"")]).ok().out;
    assert!(
        checked.contains("1.575 / 2.362 / 2.598 mL per cm = 4.000 / 6.000 / 6.600 mL per inch, as printed"),
        "{checked}"
    );
    assert!(checked.contains("taken for mL/cm it doses 2.54 times too much"), "{checked}");
    for (usual, why) in [
        ("\"2.4 mL/cm\"", "rates 1: its rates are in mL/in and in mL/cm"),
        ("\"6\"", "rates 1, usual: '6' has no unit"),
        ("6", "rates 1, usual: write figure and unit in quotes"),
        ("\"6 mL/in girth\"", "per inch of girth is π times one per inch of diameter"),
        ("\"6 mL/in\", \"usual\": \"7 mL/in\"", "'usual' stands there twice"),
        ("\"16 mL/in\"", "the usual rate must not be more than the most"),
    ] {
        let error = device.refused(4, &["label", "check", &with(usual)]);
        assert!(error.to_string().contains(why), "{usual}: {error}");
    }
}

/// By hand: stems of 30, 45.5 and 18 cm have π/4 · (0.09 + 0.207025 + 0.0324) = 0.25873 m².
#[test]
fn the_stand_table_sums_basal_area() {
    let base = TempDir::new().unwrap();
    let device = office(&base);
    plant(&device);
    let table = device.json(&["stand", "table"]);
    let rows = table["stand_table"]["rows"].as_array().unwrap();
    let area: f64 = rows.iter().map(|r| r["basal_area_m2"].as_f64().unwrap()).sum();
    assert!((area - 0.258_73).abs() < 0.000_01, "{table}");
    assert_eq!(rows.iter().map(|r| r["trees"].as_u64().unwrap()).collect::<Vec<_>>(), [1, 1, 1]);
    assert!(device.run(&["stand", "table"]).ok().out.contains("3 measured trees, 0.2587 m²"));
}
