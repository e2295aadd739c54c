//! Kit figures through the real command: readiness, charges, leaks, warming, charge volume, calibration.

mod common;

use common::{Device, MORNING, found};
use serde_json::Value;
use tempfile::TempDir;

/// An office whose kit works from 100 to 150 psi, the figures of the outside values below.
fn office(base: &TempDir) -> Device {
    let office = Device::new(base, "office");
    found(&office);
    let kit = office.run(&["kit", "template"]).ok().out;
    let kit = kit.replace("\"work_high_pa\": 1000000", "\"work_high_pa\": 1034214");
    let kit = kit.replace("\"work_low_pa\": 700000", "\"work_low_pa\": 689476");
    drop(office.run(&["kit", "add", &office.file("psi.json", kit), "--name", "Kit P"]).ok());
    drop(office.run(&["use", "--crew", "North", "--kit", "Kit P", "--person", "Ben Invented"]).ok());
    office
}

fn words(line: &str) -> Vec<&str> {
    line.split(' ').collect()
}

fn ul(value: &Value) -> i64 {
    value.as_i64().unwrap_or_else(|| panic!("{value}"))
}

fn psi(value: &Value) -> f64 {
    ul(value) as f64 / 6_894.757_293_168_361
}

#[test]
fn a_kit_is_ready_until_its_inspection_is_overdue() {
    let base = TempDir::new().unwrap();
    let mut device = office(&base);
    let run = device.run(&["kit", "ready"]).ok();
    assert!(run.out.starts_with("Nothing on record stops Kit P. Look it over"), "{run:?}");
    assert!(run.out.contains("Never above 1050 kPa (152.3 psi): the label sets the limit."), "{run:?}");
    assert!(run.err.contains("never oxygen, never a flammable gas"), "{run:?}");
    let answer = device.json(&["kit", "ready"]);
    assert_eq!((&answer["stopped"], &answer["ready"]["limit"]["set_by"]), (&false.into(), &"label".into()));
    device.at(MORNING + 200 * 86_400_000);
    let run = device.run(&["kit", "ready"]);
    assert_eq!(run.exit, 3);
    assert!(
        run.out.starts_with("DO NOT USE Kit P: 2 things stop it.\nSTOP. The kit's inspection was due"),
        "{run:?}"
    );
    let charges = "kit charges --product 800 --air 20 --altitude 0";
    let error = device.refused(4, &words(charges));
    assert!(error["message"].as_str().unwrap().contains("inspection was due on 2027-03-01"), "{error}");
}

/// CoolProp 8.0.0 (computed): from 150 to 100 psi at 20 °C air grows 1.437525 times slowly and 1.291646
/// times at once. 700 mL of head space let 306.27 mL and 204.15 mL of product out.
#[test]
fn outside_charges_of_a_pressurisation_are_a_range_around_what_coolprop_gives() {
    let base = TempDir::new().unwrap();
    let device = office(&base);
    let command = "kit charges --product 800 --air 20 --altitude 0";
    let answer = device.json(&words(command));
    let charges = &answer["charges"];
    assert_eq!(charges["head_space_ul"], 700_000);
    assert!((ul(&charges["most_ul"]) - 306_267).abs() <= 30, "{charges}");
    assert!(ul(&charges["least_ul"]) <= 204_152 && ul(&charges["fewest"]) >= 19, "{charges}");
    assert_eq!((&charges["most"], &answer["after"]), (&30.into(), &19.into()));
    let run = device.run(&words(command)).ok();
    assert!(
        run.out
            .starts_with("19 to 30 charges: the gauge decides. Add air when it reads 689 kPa (100.0 psi)."),
        "{run:?}"
    );
    assert!(run.out.contains("not a leak. Wait 10 minutes"), "{run:?}");
    for said in ["Let the container vent", "Never leave a charged reservoir", "goggles"] {
        assert!(run.err.contains(said), "{said}: {run:?}");
    }
}

/// CoolProp 8.0.0 (computed): 150 psi cooled from 20 to 5 °C shows 141.34 psi.
#[test]
fn outside_a_gauge_that_falls_by_cooling_is_no_leak_and_one_that_falls_further_is() {
    let base = TempDir::new().unwrap();
    let device = office(&base);
    let check = |second: &str, waited: &str| {
        let line = format!(
            "kit leak --first 150psi --second {second} --first-air 20 --second-air 5 --waited {waited} --apart 10 --barometer 1013.25hPa"
        );
        let run = device.run(&words(&format!("--json {line}")));
        (run.exit, run.json()["leak_check"].clone())
    };
    let (exit, cool) = check("141psi", "10");
    assert!((psi(&cool["expected_pa"]) - 141.34).abs() < 0.01, "{cool}");
    assert_eq!((exit, &cool["verdict"]), (0, &"none_seen".into()));
    let (exit, leak) = check("130psi", "10");
    assert_eq!((exit, &leak["verdict"]), (3, &"leak".into()));
    let (exit, early) = check("130psi", "3");
    assert_eq!((exit, &early["verdict"]), (3, &"too_early".into()));
    let run = device.run(&words(
        "kit leak --first 150psi --second 130psi --first-air 20 --second-air 5 --waited 10 --apart 10 --altitude 0",
    ));
    assert!(
        run.out.starts_with("STOP. ") && run.err.contains("never feel for a leak with the hand"),
        "{run:?}"
    );
}

/// CoolProp 8.0.0 (computed): a closed vessel of air at 150 psi warmed from 5 to 45 °C shows 174.4182 psi.
#[test]
fn outside_warming_is_never_less_than_coolprop_says_and_never_a_permission() {
    let base = TempDir::new().unwrap();
    let device = office(&base);
    let answer = device
        .json(&words("kit warming --product 0 --gauge 150psi --air 5 --to 45 --liquid water --altitude 0"));
    let after = psi(&answer["reservoir"]["after_pa"]);
    assert!((174.4182..174.8).contains(&after), "{after}");
    // A little warming passes no limit, and still says what a lot of it says.
    for line in [
        "kit warming --gauge 50kPa --product 100 --air 20 --to 21 --altitude 0",
        "kit warming --air 20 --altitude 0",
    ] {
        let run = device.run(&words(line)).ok();
        assert!(
            run.out.starts_with("WARNING. ") && run.out.contains("- Never leave a charged reservoir"),
            "{run:?}"
        );
        for word in ["safe", "may be left", "permitted", "allowed", "OK"] {
            assert!(!run.out.contains(word), "{word}: {run:?}");
        }
        assert!(device.json(&words(line))["cautions"][0].as_str().unwrap().starts_with("Never leave"));
    }
    let hot = device.run(&words("kit warming --air 20 --altitude 0")).ok().out;
    assert!(hot.contains("This passes the setting of the relief valve"), "{hot}");
    assert!(hot.contains("10 mL, loaded: Closed and warmed"), "{hot}");
}

/// CoolProp 8.0.0 puts the charge of 11 mL at 150 psi and 20 °C, at sea level, at 10.0219 mL. The gauge's
/// 16 kPa add V a/p² = 0.0138 mL, so it is known to 2 √(0.12² + (0.06 + 0.0138)²) = 0.282 mL.
#[test]
fn outside_the_charge_against_trapped_air_is_coolprops_and_grows_with_altitude() {
    let base = TempDir::new().unwrap();
    let device = office(&base);
    let at = |site: &str| {
        device.json(&words(&format!("kit charge-volume --gauge 150psi --air 20 {site}")))["at"][0].clone()
    };
    let sea = at("--altitude 0");
    assert!((ul(&sea["charge"]["settled_ul"]) - 10_022).abs() <= 1, "{sea}");
    let half = ul(&sea["interval"]["high_ul"]) - ul(&sea["interval"]["value_ul"]);
    assert!((half - 282).abs() <= 1, "{sea}");
    assert_eq!(at("--barometer 29.9213inHg")["charge"]["settled_ul"], sea["charge"]["settled_ul"]);
    assert!(ul(&at("--altitude 6500ft")["charge"]["settled_ul"]) > 10_200);
    let run = device.run(&words("kit charge-volume --air 20 --altitude 2000")).ok();
    assert_eq!(run.out.lines().filter(|l| l.starts_with("At ")).count(), 2, "{run:?}");
    assert!(run.err.contains("Let the container vent"), "{run:?}");
}

/// Twenty readings of JCGM 100:2008, 4.4.3 (table 1, °C × 100, from memory): mean 100.145 °C, s = 1.489 °C,
/// s/√n = 0.333 °C. A hundredth of a degree stands for a microlitre.
#[test]
fn outside_a_calibration_gives_the_mean_and_spread_of_the_gums_readings_and_stands_in_readiness() {
    let base = TempDir::new().unwrap();
    let device = office(&base);
    let readings = "9.690 9.818 9.825 9.861 9.903 9.949 9.956 9.974 9.989 10.007 10.033 10.042 10.068 10.095 \
                    10.111 10.120 10.156 10.184 10.236 10.272";
    let charges: Vec<String> = readings.split_whitespace().map(|r| format!("--charge={r}")).collect();
    let mut args = words("calibrate 10_mL --pressure 140psi");
    args[1] = "10 mL";
    args.extend(charges.iter().map(String::as_str));
    let found = device.json(&args)["assessment"].clone();
    assert_eq!((ul(&found["mean_ul"]), ul(&found["spread_ul"]), ul(&found["mean_u_ul"])), (10_014, 149, 34));
    assert_eq!(found["verdict"], "agrees");
    assert!(device.run(&["kit", "ready"]).ok().out.contains("10 mL: calibrated 2026-09-14: 20 charges"));
    // ISO 8655-6, from memory: 1 g of water at 20 °C is 1.0029 mL.
    let weighed = "--weighed=10 --weighed=10.4 --weighed=10.41 --weighed=10.42g --weighed=10400mg";
    let mut args = vec!["calibrate", "10 mL", "--pressure", "140psi", "--density", "0.998207"];
    args.extend(weighed.split(' '));
    let run = device.run(&args).ok();
    assert!(run.out.contains("FAILED"), "{run:?}");
    assert!(run.err.contains("do not treat with it") && run.err.contains("Catch every charge"), "{run:?}");
    let listed = device.json(&["list", "calibration"]);
    let last =
        listed["records"].as_array().unwrap().iter().map(Value::to_string).find(|r| r.contains("10029"));
    assert!(last.is_some(), "10 g are not logged as 10.029 mL: {listed}");
    let run = device.run(&["kit", "ready"]);
    assert_eq!(run.exit, 3);
    assert!(run.out.starts_with("DO NOT USE Kit P: 1 thing stops it.\nSTOP. 10 mL: calibrated"), "{run:?}");
}

#[test]
fn one_charge_is_logged_and_gives_no_verdict() {
    let base = TempDir::new().unwrap();
    let device = office(&base);
    let run = device.run(&["calibrate", "10 mL", "--charge", "9.9", "--pressure", "9bar"]).ok();
    assert!(run.out.contains("No verdict: measure at least 5 charges."), "{run:?}");
    assert_eq!(device.json(&["list", "calibration"])["records"].as_array().unwrap().len(), 1);
    let line = r#"{"do":"calibrate","container":"10 mL","weighed":[9.9,9.95],"density":1,"pressure":"9bar"}"#;
    assert_eq!(device.json(&["log", &device.file("c.ndjson", line)])["entries"], 1);
}

#[test]
fn kit_figures_that_cannot_be_are_refused_and_nothing_is_logged() {
    let base = TempDir::new().unwrap();
    let device = office(&base);
    let whole = device.json(&["verify"]);
    let leak = "kit leak --first-air 20 --second-air 20 --altitude 0";
    let cases: &[(i32, &str, &str)] = &[
        (5, "kit ready --kit Other", "Other"),
        (5, "kit ready --label Other", "Other"),
        (5, "kit charges --kit Other --product 800 --air 20 --altitude 0", "Other"),
        (2, "kit charges --product 800 --air 20", "--altitude"),
        (2, "kit charges --product 800 --air 20 --altitude 0 --barometer 980hPa", ""),
        (4, "kit charges --product 0 --air 20 --altitude 0", "give no charge"),
        (4, "kit charges --product=-5 --air 20 --altitude 0", "give no charge"),
        (4, "kit charges --product 1001 --air 20 --altitude 0", "fill limit"),
        (4, "kit charges --product 999999999999 --air 20 --altitude 0", "fill limit"),
        (4, "kit charges --product NaN --air 20 --altitude 0", "NaN"),
        (4, "kit charges --product 800 --gauge 2000kPa --air 20 --altitude 0", "Never above 1050 kPa"),
        (4, "kit charges --product 800 --gauge 500kPa --air 20 --altitude 0", "pressure"),
        (4, "kit charges --product 800 --gauge 100 --air 20 --altitude 0", "psi"),
        (4, "kit charges --product 800 --air 900 --altitude 0", "check the thermometer"),
        (4, "kit charges --product 800 --air inf --altitude 0", "inf"),
        (4, "kit charges --product 800 --air 20 --altitude 99999", "altitude"),
        (4, "kit charges --product 800 --air 20 --altitude=-9999", "altitude"),
        (4, "kit charges --product 800 --air 20 --barometer 10hPa", "barometer"),
        (4, "kit charges --product 800 --air 20 --barometer 1013", "write the unit with it"),
        (4, "kit charges --product 800 --air 20 --altitude 0 --after 9999", "cannot be"),
        (5, "kit charges --product 800 --air 20 --altitude 0 --container 5mL", "5mL"),
        (4, "LEAK --first 100psi --second 100psi --waited=-1 --apart 10", "less than 0"),
        (4, "LEAK --first 100psi --second=-1psi --waited 10 --apart 10", "below zero"),
        (4, "LEAK --first 9000psi --second 100psi --waited 10 --apart 10", "MPa"),
        (4, "LEAK --first NaNpsi --second 100psi --waited 10 --apart 10", "NaN"),
        (4, "kit warming --air 20 --to 20 --altitude 0", "not warmer"),
        (4, "kit warming --air 20 --to 500 --altitude 0", "check the thermometer"),
        (4, "kit warming --air 20 --product 9000 --altitude 0", "do not fit"),
        (4, "kit warming --air 20 --gauge 9000psi --altitude 0", "MPa"),
        (4, "kit charge-volume --air 20 --altitude 0 --gauge 9000psi", "too much"),
        (4, "kit charge-volume --air 20 --altitude 0 --gauge=-1psi", "below zero"),
        (5, "kit charge-volume --air 20 --altitude 0 --container Other", "Other"),
        (4, "calibrate 10_mL --charge 0 --pressure 9bar", "more than 0"),
        (4, "calibrate 10_mL --charge=-3 --pressure 9bar", "more than 0"),
        (4, "calibrate 10_mL --charge inf --pressure 9bar", "inf"),
        (4, "calibrate 10_mL --charge 9.9 --charge 99999999 --pressure 9bar", "more than a litre"),
        (4, "calibrate 10_mL --weighed 9.9 --density 998 --pressure 9bar", "outside 0.5 to 3"),
        (4, "calibrate 10_mL --charge 9.9,12 --charge 9.9,9.9 --density 1 --pressure 9bar", "check the mass"),
        (2, "calibrate 10_mL --weighed 9.9 --pressure 9bar", "--density"),
        (2, "calibrate 10_mL --pressure 9bar", "--charge"),
        (5, "calibrate Other --charge 9.9 --pressure 9bar", "Other"),
    ];
    let mut wrong: Vec<String> = vec![];
    for (exit, command, reason) in cases {
        let command = command.replace("LEAK", leak);
        let args: Vec<String> = command.split(' ').map(|w| w.replace("10_mL", "10 mL")).collect();
        let mut all = vec!["--json"];
        all.extend(args.iter().map(String::as_str));
        let run = device.run(&all);
        if run.exit != *exit || !run.error()["message"].as_str().unwrap().contains(reason) {
            wrong.push(format!("{command}: not {exit} with '{reason}': {run:?}"));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    assert_eq!(device.json(&["verify"]), whole);
}
