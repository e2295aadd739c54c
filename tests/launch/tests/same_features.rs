//! Built beside the programs, so that their libraries have the features that tests have.

use std::process::Command;

/// Asked of cargo itself, without building anything: the tests, and a program with this test, want the
/// very same libraries (each named by cargo with its features), so nothing is compiled twice.
#[test]
fn a_program_built_this_way_has_the_libraries_of_the_tests() {
    let features = |arguments: &[String]| -> Vec<String> {
        let plan = Command::new(env!("CARGO"))
            .args(arguments)
            .args(["--offline", "--unit-graph", "-Z", "unstable-options"])
            .env("RUSTC_BOOTSTRAP", "1")
            .current_dir(concat!(env!("CARGO_MANIFEST_DIR"), "/../.."))
            .output()
            .unwrap();
        let text = String::from_utf8(plan.stdout).unwrap();
        assert!(plan.status.success(), "{}", String::from_utf8_lossy(&plan.stderr));
        // Each unit with its package and features; units of this workspace's own targets differ.
        let mut units: Vec<String> = text
            .split("{\"pkg_id\":\"")
            .skip(1)
            .filter(|unit| unit.starts_with("registry+"))
            .map(|unit| {
                let package = unit.split('"').next().unwrap();
                let features = unit.split("\"features\":[").nth(1).and_then(|f| f.split(']').next());
                format!("{package} {}", features.unwrap_or_default())
            })
            .collect();
        units.sort();
        units.dedup();
        units
    };
    let all = features(&["build", "--workspace", "--bins", "--tests"].map(str::to_owned));
    let runner = features(&launch::build(&["xtask"]));
    assert!(runner.len() > 50 && all.len() >= runner.len(), "{} of {}", runner.len(), all.len());
    let other: Vec<_> = runner.iter().filter(|unit| all.binary_search(unit).is_err()).collect();
    assert!(other.is_empty(), "compiled twice: {other:#?}");
}
