//! Every formula of the dosing core worked out again by libraries that are not ours: CoolProp, scipy,
//! numpy, pint and geographiclib, 1,000 random cases each (`tests/reference/oracle.py`).

use std::collections::BTreeSet;
use std::io::Write as _;
use std::process::{Command, Output, Stdio};

use bolebook_tests::root;
use serde_json::Value;

#[path = "../../core/examples/oracle_cases.rs"]
mod oracle_cases;

fn ask(lines: &[String]) -> Output {
    // Makes the environment at first use, and says which program is missing where it cannot.
    let python = xtask::setup::python().unwrap_or_else(|e| panic!("the outside check needs Python: {e}"));
    let mut child = Command::new(python)
        .arg(root().join("tests/reference/oracle.py"))
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the environment's Python starts");
    let mut input = child.stdin.take().expect("its input is piped");
    let text = lines.join("\n") + "\n";
    let writer = std::thread::spawn(move || input.write_all(text.as_bytes()));
    let output = child.wait_with_output().expect("the oracle ends");
    let errors = String::from_utf8_lossy(&output.stderr);
    writer.join().unwrap().unwrap_or_else(|e| panic!("the oracle stopped reading ({e}):\n{errors}"));
    output
}

fn formula(line: &str) -> String {
    let case: Value = serde_json::from_str(line).unwrap();
    case["formula"].as_str().unwrap().to_owned()
}

#[test]
#[allow(clippy::print_stdout, reason = "the totals are for whoever runs it")]
fn every_formula_of_the_dosing_core_is_what_other_libraries_say() {
    let lines = oracle_cases::lines();
    let formulas: BTreeSet<String> = lines.iter().map(|line| formula(line)).collect();
    let output = ask(&lines);
    let (totals, errors) = (String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    println!("{totals}");
    assert!(output.status.success(), "{totals}\n{errors}");
    for formula in &formulas {
        let counted = format!("{formula}: {} cases,", oracle_cases::CASES);
        assert!(totals.contains(&counted), "{formula} was not worked out:\n{totals}");
    }
    let all = format!("{} cases, 0 outside", formulas.len() * oracle_cases::CASES);
    assert!(totals.contains(&all), "{totals}");
}

/// Halves every number of an answer and takes three off; a word or nothing becomes a number.
fn spoil(found: &mut Value) {
    match found {
        Value::Object(fields) => fields.values_mut().for_each(spoil),
        Value::Number(number) => *found = number.as_f64().map_or(Value::Null, |x| (x / 2.0 - 3.0).into()),
        _ => *found = 1.into(),
    }
}

#[test]
fn the_oracle_notices_a_wrong_answer_of_each_formula() {
    let lines = oracle_cases::lines();
    let mut wrong = vec![];
    for chunk in lines.chunks(oracle_cases::CASES) {
        let mut case: Value = serde_json::from_str(&chunk[0]).unwrap();
        spoil(&mut case["out"]);
        wrong.push(case.to_string());
    }
    let output = ask(&wrong);
    assert!(!output.status.success());
    let errors = String::from_utf8_lossy(&output.stderr);
    for line in &wrong {
        let begins = format!("{}: off by", formula(line));
        assert!(errors.lines().any(|e| e.starts_with(&begins)), "not noticed: {line}\n{errors}");
    }
}
