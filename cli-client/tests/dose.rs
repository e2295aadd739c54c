//! 'May I treat this tree now, and with what?' as a crew asks it.

mod common;

use common::{Device, fill, found, plant};
use serde_json::Value;
use tempfile::TempDir;

const SEEN: [&str; 17] = [
    "condition",
    "M-1",
    "--canopy-loss",
    "10",
    "--bloom",
    "after",
    "--soil",
    "moist",
    "--air",
    "21",
    "--soil-temperature",
    "16",
    "--food",
    "false",
    "--water",
    "40",
    "--by=Ben Invented",
];

fn ready(base: &TempDir) -> Device {
    let device = Device::new(base, "office");
    found(&device);
    plant(&device);
    device
}

fn arcs(answer: &Value) -> Vec<i64> {
    let holes = answer["layout"]["holes"].as_array().unwrap_or_else(|| panic!("{answer}"));
    holes.iter().map(|h| h["arc_um"].as_i64().unwrap()).collect()
}

fn codes(error: &Value) -> Vec<&str> {
    error["stops"].as_array().unwrap().iter().map(|s| s["code"].as_str().unwrap()).collect()
}

#[test]
fn every_stop_is_told_with_its_code_and_source_before_the_first_hole() {
    let base = TempDir::new().unwrap();
    let device = ready(&base);
    let error = device.refused(4, &["dose", "A-1", "--label", common::LABEL, "--kit", "Kit N"]);
    let stops = codes(&error);
    assert!(stops.contains(&"fill.none"), "an empty kit: {stops:?}");
    assert!(stops.contains(&"condition.canopy"), "a condition nobody looked at: {stops:?}");
    assert!(
        error["stops"]
            .as_array()
            .unwrap()
            .iter()
            .all(|s| s["source"].as_str().is_some_and(|s| !s.is_empty()))
    );
}

#[test]
fn work_left_unfinished_is_finished_clear_of_its_holes_and_never_begun_again() {
    let base = TempDir::new().unwrap();
    let device = ready(&base);
    fill(&device);
    let by = "--by=Ben Invented";
    device.run(&["tree", "add", "M-1", "--species", "FRXAM", "--mark", "tag", by]).ok();
    device.run(&["diameter", "M-1", "30", by]).ok();
    device.run(&SEEN).ok();
    let whole = device.json(&["dose", "M-1", by]);
    assert_eq!(whole["advice"]["verdict"], "cautions");
    let planned = arcs(&whole);
    let begun: Vec<String> =
        planned[..3].iter().map(|a| format!("--hole={},10,20,10", *a as f64 / 1e4)).collect();
    let mut treat = vec!["treat", "M-1", by];
    treat.extend(begun.iter().map(String::as_str));
    let application = device.json(&treat)["application"].as_str().unwrap().to_owned();
    assert!(codes(&device.refused(4, &["dose", "M-1", by])).contains(&"tree.treated"));
    let rest = device.json(&["dose", "M-1", by, "--continues", &application]);
    assert_eq!(rest["dose"]["target_ul"], whole["dose"]["target_ul"].as_i64().unwrap() - 30_000);
    let (girth, spacing) =
        (rest["layout"]["girth_um"].as_i64().unwrap(), rest["layout"]["spacing_um"].as_i64().unwrap());
    for new in arcs(&rest) {
        for old in &planned[..3] {
            let around = (new - old).rem_euclid(girth);
            assert!(around.min(girth - around) >= spacing - 1, "{new} is too near the hole at {old}");
        }
    }
}

/// A morning's entries in one file: the dose stands on the fill, the diameter and the condition logged
/// a line before it, and on the treatment after which nothing may be added.
#[test]
fn a_dose_stands_on_what_the_same_run_logged_before_it() {
    let base = TempDir::new().unwrap();
    let device = ready(&base);
    let fill = r#"{"do": "fill", "amount": "500", "lot_read": "L-1", "registration_read": "INVENTED-0001", "crew": "North"}"#;
    let tree = r#"{"do": "tree", "tag": "N-1", "species": "FRXAM"}"#;
    let girth = r#"{"do": "diameter", "tree": "N-1", "reading": "94", "girth": true}"#;
    let seen = r#"{"do": "condition", "tree": "N-1", "canopy_loss": "10", "bloom": "after", "soil": "moist",
        "air": "21", "soil_temperature": "16", "food": false, "water": "40"}"#
        .replace('\n', " ");
    let dose = r#"{"do": "dose", "tree": "N-1"}"#;
    let treat = r#"{"do": "treat", "tree": "N-1", "charges": "7", "each": "10", "crew": "North"}"#;
    let morning = [fill, tree, girth, &seen, dose, treat].join("\n");
    let file = device.file("morning.ndjson", &morning);
    let answer = device.json(&["log", &file, "--by", "Ben Invented"]);
    assert_eq!(answer["entries"], 6);
    let again = device.file("again.ndjson", dose);
    let error = device.refused(4, &["log", &again, "--by", "Ben Invented"]);
    assert!(error["faults"][0]["why"].as_str().unwrap().contains("has been treated this season"), "{error}");
    let twice = device.file("twice.ndjson", format!("{morning}\n{dose}").replace("N-1", "N-2"));
    let error = device.refused(4, &["log", &twice, "--by", "Ben Invented"]);
    assert_eq!(error["faults"][0]["line"], 7, "{error}");
}

/// After the winter: the tree keeps its id, last season's holes are kept clear of, and it is measured anew.
#[test]
fn a_new_season_knows_the_trees_and_the_holes_of_the_last() {
    let base = TempDir::new().unwrap();
    let mut device = ready(&base);
    fill(&device);
    let by = "--by=Ben Invented";
    let tree = device.json(&["tree", "add", "M-1", "--species", "FRXAM", "--mark", "tag", by]);
    let tree = tree["written"][0]["id"].as_str().unwrap().to_owned();
    device.run(&["diameter", "M-1", "120", "--girth", by]).ok();
    device.run(&SEEN).ok();
    device.run(&["treat", "M-1", by, "--hole=0,10,20,10", "--hole=20,20,20,10"]).ok();
    let winter = 150 * 86_400_000;
    device.at(common::MORNING + winter);
    let opened = device.json(&[
        "job",
        "new",
        "Ash Park again",
        "--season",
        "2027",
        "--client",
        "Invented City",
        "--site",
        "Ash Park",
        "--zone",
        "America/Detroit",
        "--from",
        "Ash Park",
    ]);
    assert_eq!(opened["carried"]["trees"], 4);
    device.run(&["authorise", "every listed tree"]).ok();
    assert_eq!(device.json(&["stand", "carry"])["trees"], 0, "once");
    assert!(device.json(&["tree", "show", "M-1"]).to_string().contains(&tree));
    fill(&device);
    device.run(&SEEN).ok();
    let unmeasured = device.refused(4, &["dose", "M-1", by]);
    assert!(codes(&unmeasured).contains(&"diameter.none"), "{unmeasured}");
    device.run(&["diameter", "M-1", "121", "--girth", by]).ok();
    let soon = device.refused(4, &["dose", "M-1", by]);
    // The label asks for a year; and 150 days are less than half of one, so that last season's product may
    // count to this season's limit of its ingredient.
    assert_eq!(codes(&soon), ["past.too_soon", "limit.not_known"], "{soon}");
    // Listed anew under another tag and joined: the past comes along.
    device.run(&["tree", "add", "T-9", "--species", "FRXAM", "--mark", "tag", by]).ok();
    device.run(&["diameter", "T-9", "121", "--girth", by]).ok();
    device.run(&["join-trees", "T-9", "M-1", "--reason", "one tree", "--by", "Ada Invented"]).ok();
    let joined = device.refused(4, &["dose", "T-9", by]);
    assert!(codes(&joined).contains(&"past.too_soon"), "{joined}");

    device.at(common::MORNING + 370 * 86_400_000);
    let kit = device.run(&["kit", "template"]).ok().out.replace("2027-03-01", "2029-03-01");
    device.run(&["kit", "add", &device.file("kit2.json", kit), "--name", "Kit M", "--crew", "North"]).ok();
    device.run(&["lot", "add", "L-2", "--expires", "2028-06-30"]).ok();
    let read = ["--lot-read", "L-2", "--registration-read", "INVENTED-0001"];
    device
        .run(&[&["fill", "500", "--crew", "North", "--kit", "Kit M", "--lot", "L-2"][..], &read].concat())
        .ok();
    device.run(&SEEN).ok();
    let again = device.json(&["dose", "M-1", by, "--kit", "Kit M"]);
    assert!(again["cautions"].to_string().contains("Wounded on 2026-09-14"), "{again}");
    for new in arcs(&again) {
        for old in [0, 200_000] {
            let around = (new - old).rem_euclid(1_210_000);
            assert!(
                around.min(1_210_000 - around) >= 119_000,
                "{new} is too near last season's hole at {old}"
            );
        }
    }
}

/// Nine parts with one: a container of 10 mL holds 9 mL of product; seven holes 12 cm apart fit a girth of
/// 94.2 cm, so that 63 mL go in, between the 48 and 78 mL of a stem of 30 cm (arithmetic). 10 mL logged as
/// product cannot have been in such a container.
#[test]
fn a_mixed_product_is_dosed_in_product_and_every_volume_says_which_it_is() {
    let base = TempDir::new().unwrap();
    let device = Device::new(&base, "office");
    found(&device);
    plant(&device);
    let by = "--by=Ben Invented";
    let with = |form: &str, name: &str, parts: &str| {
        let text = device.run(&["label", form, "--invented"]).ok().out;
        let mix = format!("{{\"mix\": {{\"diluent\": \"water\", {parts}}},");
        device.file(name, text.replacen('{', &mix, 1).replace("INVENTED-0001", "INVENTED-0002"))
    };
    let named = |path: &str| {
        let text = std::fs::read_to_string(path).unwrap();
        std::fs::write(path, text.replace(common::LABEL, "Mixed Imaginary (INVENTED)")).unwrap();
    };
    let nine_to_one = "\"product_parts\": 9, \"diluent_parts\": 1";
    let label = with("template", "mixed.json", nine_to_one);
    named(&label);
    device.run(&["label", "add", &label]).ok();
    let mixed = "Mixed Imaginary (INVENTED)";
    // The second person must find the same mix on the paper.
    for again in [
        device.file("none.json", device.run(&["label", "confirm-template", "--invented"]).ok().out),
        with("confirm-template", "other.json", "\"product_parts\": 1, \"diluent_parts\": 9"),
    ] {
        let error = device.refused(4, &["label", "confirm", mixed, &again, by]);
        assert!(error.to_string().contains("the entry says otherwise"), "{error}");
        assert!(!error.to_string().contains("9 parts of product with 1 part of water"), "{error}");
    }
    // A rate or dose read otherwise: nothing of the entry is said, 2.6 mL/cm.
    let text = device.run(&["label", "confirm-template", "--invented"]).ok().out;
    let wrong = device.file("wrong.json", text.replacen("2.6 mL/cm", "2.9 mL/cm", 1));
    let error = device.refused(4, &["label", "confirm", common::LABEL, &wrong, by]).to_string();
    assert!(error.contains("was not found in yours") && error.contains("2.900"), "{error}");
    assert!(!error.contains("2.600") && !error.contains("by the entry"), "{error}");
    let again = with("confirm-template", "again-mixed.json", nine_to_one);
    // Without a licence it has no effect, and is said so at once.
    device.run(&["person", "add", "Cleo Invented", "--work", "office"]).ok();
    let run = device.run(&["label", "confirm", mixed, &again, "--by", "Cleo Invented"]).ok();
    assert!(run.out.contains("WITHOUT EFFECT") && run.err.contains("NOT confirmed"), "{run:?}");
    let listed = device.json(&["label", "list"]).to_string();
    assert!(listed.contains("\"confirmed\":false"), "{listed}");
    device.run(&["label", "confirm", mixed, &again, by]).ok();
    device.run(&["lot", "add", "L-9", "--label", mixed, "--expires", "2027-12-31"]).ok();

    let fill =
        ["fill", "500", "--lot-read", "L-9", "--registration-read", "INVENTED-0002", "--crew", "North", by];
    let unsaid = device.refused(4, &fill);
    assert!(unsaid.to_string().contains("450.0 mL of product"), "{unsaid}");
    let filled = device.run(&[&fill[..], &["--of", "mix"]].concat()).ok().out;
    assert!(filled.contains("450.0 mL of product filled"), "{filled}");

    device.run(&["tree", "add", "M-1", "--species", "FRXAM", "--mark", "tag", by]).ok();
    device.run(&["diameter", "M-1", "30", by]).ok();
    device.run(&SEEN).ok();
    let charges =
        device.run(&["kit", "charges", "--product", "500", "--air", "20 C", "--altitude", "0 m"]).ok().out;
    assert!(charges.contains("500.0 mL is taken as all of the mix in the reservoir, 450.0 mL"), "{charges}");

    let dose = device.json(&["dose", "M-1", by]);
    assert_eq!(dose["charges"]["total_ul"], 63_000, "{dose}");
    assert_eq!(dose["charges"]["fills"][0]["mix_ul"], 10_000, "{dose}");
    let inches = device.run(&["dose", "M-1", "--unit", "in", by]).ok().out;
    assert!(inches.contains("arc in") && inches.contains("In short: 7 holes, one every 5 "), "{inches}");
    let said = device.run(&["dose", "M-1", by]).ok().out;
    assert!(said.contains("9 parts of product with 1 part of water"), "{said}");
    assert!(said.contains("7 × 10.0 mL") && said.contains("mix mL"), "{said}");

    let treat = ["treat", "M-1", "--charges", "7", "--each", "10", "--crew", "North", by];
    device.refused(4, &treat);
    let treated = device.run(&[&treat[..], &["--of", "mix"]].concat()).ok().out;
    assert!(treated.contains("63.0 mL of product into 7 holes"), "{treated}");
    let close = ["close-day", "--in-kit", "Kit N=430", "--crew", "North", by];
    device.refused(4, &close);
    device.run(&[&close[..], &["--of", "mix"]].concat()).ok();
    // 450 mL less 63 mL are 387 mL of product, in 430 mL of mix: nothing is unexplained.
    let codes = || {
        let found = device.run(&["check", "--json"]).out;
        let found: Value = serde_json::from_str(&found).unwrap();
        let codes = found["findings"].as_array().unwrap().iter();
        codes.map(|f| f["code"].as_str().unwrap().to_owned()).collect::<Vec<_>>()
    };
    let before = codes();
    assert!(!before.iter().any(|c| c == "day.unexplained" || c.starts_with("hole.")), "{before:?}");

    let changed = r#"mix={"diluent":"water","product_parts":1,"diluent_parts":1}"#;
    let label = device.json(&["label", "list"])["labels"]
        .as_array()
        .unwrap()
        .iter()
        .find_map(|l| (l["label"]["name"] == mixed).then(|| l["id"].as_str().unwrap().to_owned()));
    let error = device.refused(4, &["amend", &label.unwrap(), "--set", changed, by]);
    assert!(error.to_string().contains("is not amended"), "{error}");

    device.run(&["tree", "add", "M-2", "--species", "FRXAM", by]).ok();
    device.run(&["diameter", "M-2", "30", by]).ok();
    let loud = device.run(&["treat", "M-2", "--charges", "7", "--each", "10", "--of", "product", by]).ok();
    assert!(format!("{}{}", loud.out, loud.err).contains("9.0 mL of product"), "{} {}", loud.out, loud.err);
    assert!(codes().iter().any(|c| c == "hole.more_than_containers_hold"));
}

/// A paper that does not state a figure leaves it `null`; the form shows where each would stand.
#[test]
fn the_label_form_has_a_place_for_every_figure_and_null_is_not_stated() {
    let base = TempDir::new().unwrap();
    let device = Device::new(&base, "office");
    let form = device.json(&["label", "template"]);
    for place in [
        "/interval_days",
        "/mix",
        "/tree_season_max",
        "/expires",
        "/holes/earlier_spacing",
        "/conditions/air_min",
    ] {
        assert_eq!(form.pointer(place), Some(&serde_json::Value::Null), "{place}: {form}");
    }
    assert_eq!(form.pointer("/active_ingredients/0/tree_season_max"), Some(&serde_json::Value::Null));
    let mut ash = device.json(&["label", "template", "--invented"]);
    let plain = device.run(&["label", "check", &device.file("ash.json", ash.to_string())]).ok().out;
    ash["mix"] = serde_json::Value::Null;
    ash["holes"]["most_holes"] = serde_json::Value::Null;
    let open = device.run(&["label", "check", &device.file("open.json", ash.to_string())]).ok().out;
    assert_eq!(open, plain);
    let again = device.json(&["label", "confirm-template"]);
    assert_eq!(again["worked"].as_array().map(Vec::len), Some(3), "{again}");
    assert_eq!((&again["mix"], &again["rates"][0]["usual"]), (&serde_json::Value::Null, &"0 mL/cm".into()));
}
