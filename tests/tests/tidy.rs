//! The repository keeps its own rules: every module says what it is for and stays short, docs name
//! what exists and link to what is there, and nothing unfinished or out of place stands in a file.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::process::Command;

use bolebook_core::finding::Code;
use bolebook_core::record::Kind;
use bolebook_tests::root;

/// Longest module, in lines before its tests.
const LONGEST: usize = 500;

/// Modules over that, each with the reason.
const LONG: &[(&str, &str)] = &[
    (
        "core/examples/oracle_cases.rs",
        "one table of cases, a few lines a formula; nothing to follow through it",
    ),
    ("tests/tests/advice.rs", "each thing that can stop a treatment is planted by itself, one after another"),
    ("core/src/facts.rs", "one fold over shared state: each of its steps needs what the one before it found"),
    ("core/src/view.rs", "the view's types stand beside the one pass that fills them"),
];

/// Every file git knows or would take in, by its path from the root.
fn files() -> Vec<String> {
    let arguments = ["ls-files", "--cached", "--others", "--exclude-standard"];
    let output = Command::new("git").args(arguments).current_dir(root()).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let text = String::from_utf8(output.stdout).unwrap();
    let files: BTreeSet<String> = text.lines().map(str::to_owned).collect();
    assert!(files.len() > 50, "the repository's files were not found");
    files.into_iter().filter(|path| root().join(path).is_file()).collect()
}

fn ending(end: &str) -> Vec<(String, String)> {
    let read = |path: String| {
        let text = std::fs::read_to_string(root().join(&path)).unwrap();
        (path, text)
    };
    files().into_iter().filter(|path| path.ends_with(end)).map(read).collect()
}

fn page(path: &str) -> String {
    std::fs::read_to_string(root().join(path)).unwrap_or_else(|e| panic!("{path}: {e}"))
}

#[test]
fn every_module_says_what_it_is_for() {
    for (path, text) in ending(".rs") {
        let first = text.lines().find(|line| !line.trim().is_empty()).unwrap_or("");
        assert!(
            first.starts_with("//! ") && first.len() > 12,
            "{path} does not begin with a //! that says what it is for"
        );
    }
}

#[test]
fn no_module_grows_past_what_a_reader_can_hold() {
    let mut long = BTreeSet::new();
    for (path, text) in ending(".rs") {
        let shipped = text.split("#[cfg(test)]\nmod tests").next().unwrap();
        let lines = shipped.lines().count();
        if lines > LONGEST {
            assert!(
                LONG.iter().any(|(known, _)| *known == path),
                "{path} has {lines} lines: split it, or list it with a reason"
            );
            long.insert(path);
        }
    }
    for (path, reason) in LONG {
        assert!(long.contains(*path), "{path} is short again: take it off the list");
        assert!(reason.len() > 20, "{path} is listed without a reason");
    }
}

/// Words that have no place in a file of the repository. Put together here, so that this list
/// does not find itself.
fn unwanted() -> Vec<String> {
    let join = |parts: [&str; 2]| parts.concat();
    [
        ["TO", "DO"],
        ["FIX", "ME"],
        ["// X", "XX"],
        ["todo", "!("],
        ["unimpl", "emented!("],
        ["/wo", "rk/"],
        ["/fa", "rm/"],
        ["/home", "/"],
        ["trans", "cript"],
        ["seed ", "document"],
        ["lorem ", "ipsum"],
        ["index.cra", "tes.io"],
        ["static.cra", "tes.io"],
        ["py", "pi.org"],
        ["python", "hosted"],
        ["registry.n", "pmjs"],
        ["deb.deb", "ian.org"],
        ["<<<<", "<<<"],
        [">>>>", ">>>"],
    ]
    .map(join)
    .to_vec()
}

#[test]
fn nothing_unfinished_or_out_of_place_stands_in_a_file() {
    let unwanted = unwanted();
    for path in files() {
        if path == "Cargo.lock" || path.starts_with("LICENSE") {
            continue;
        }
        let Ok(text) = std::fs::read_to_string(root().join(&path)) else { continue };
        for (number, line) in text.lines().enumerate() {
            for word in &unwanted {
                assert!(!line.contains(word.as_str()), "{path}:{}: '{word}'", number + 1);
            }
        }
    }
}

#[test]
fn prose_is_spelled_the_british_way() {
    let american =
        ["color", "colors", "gray", "center", "centers", "fiber", "behavior", "neighbor", "license"];
    let prose = |path: &str, line: &str| match path.rsplit_once('.').map_or("", |(_, end)| end) {
        "md" => Some(line.split('`').step_by(2).collect::<Vec<_>>().join(" ")),
        "rs" => line.trim_start().starts_with("//").then(|| line.to_owned()),
        _ => None,
    };
    for path in files() {
        if !(path.ends_with(".md") || path.ends_with(".rs")) {
            continue;
        }
        for (number, line) in page(&path).lines().enumerate() {
            let Some(line) = prose(&path, line) else { continue };
            for word in line.split(|c: char| !c.is_ascii_alphabetic()) {
                assert!(!american.contains(&word), "{path}:{}: '{word}'", number + 1);
            }
        }
    }
}

/// Codes stand as quoted text in the `code` function of the gate's refusals.
fn refusal_codes() -> Vec<String> {
    let source = page("core/src/gate.rs");
    let (_, rest) = source.split_once("pub fn code(&self)").unwrap();
    let (body, _) = rest.split_once("\n    }\n").unwrap();
    let codes: Vec<String> = body.split('"').skip(1).step_by(2).map(str::to_owned).collect();
    assert!(codes.len() >= 10, "{codes:?}");
    codes
}

#[test]
fn docs_name_every_kind_and_every_code() {
    let format = page("docs/record-format.md");
    for kind in Kind::ALL {
        assert!(format.contains(&format!("### Kind `{}`", kind.name())), "{}", kind.name());
    }
    for code in refusal_codes() {
        assert!(
            format.contains(&format!("`{code}`")),
            "docs/record-format.md does not explain the refusal '{code}'"
        );
    }
    let findings = page("docs/findings.md");
    for code in Code::ALL {
        assert!(findings.contains(&format!("`{}`", code.name())), "{}", code.name());
    }
}

#[test]
fn the_architecture_page_names_every_invariant_with_a_test_that_exists() {
    let text = page("docs/architecture.md");
    let sources: String = ending(".rs").into_iter().map(|(_, text)| text).collect();
    for number in 1..=9 {
        let prefix = format!("`i{number}_");
        let tests: Vec<&str> =
            text.split(prefix.as_str()).skip(1).filter_map(|rest| rest.split('`').next()).collect();
        assert!(!tests.is_empty(), "docs/architecture.md names no test of invariant {number}");
        for test in tests {
            let name = format!("fn i{number}_{test}(");
            assert!(sources.contains(&name), "docs/architecture.md names i{number}_{test}, which is no test");
        }
    }
}

/// The anchor a heading gets on a rendered page: lower case, punctuation dropped, spaces to hyphens.
fn anchor(heading: &str) -> String {
    let kept = heading.trim().chars().filter(|c| c.is_alphanumeric() || " -_".contains(*c));
    kept.collect::<String>().to_lowercase().replace(' ', "-")
}

fn anchors(page: &str) -> BTreeSet<String> {
    page.lines().filter(|l| l.starts_with('#')).map(|l| anchor(l.trim_start_matches('#'))).collect()
}

fn without_code(text: &str) -> String {
    text.split("```").step_by(2).collect()
}

#[test]
fn links_between_pages_lead_somewhere() {
    for (path, text) in ending(".md") {
        let folder = root().join(&path).parent().map(Path::to_path_buf).unwrap();
        for link in without_code(&text).split("](").skip(1).filter_map(|rest| rest.split(')').next()) {
            if link.starts_with("http") {
                continue;
            }
            let (file, place) = link.split_once('#').unwrap_or((link, ""));
            let target: PathBuf = if file.is_empty() { root().join(&path) } else { folder.join(file) };
            assert!(target.exists(), "{path}: nothing at '{link}'");
            if !place.is_empty() {
                let there = std::fs::read_to_string(&target).unwrap();
                assert!(anchors(&there).contains(place), "{path}: no heading for '{link}'");
            }
        }
    }
}

/// Paths written as code in the docs (`core/src/gate.rs`) are those of files and folders that are there.
#[test]
fn paths_named_in_the_docs_are_there() {
    let tops = ["core/", "sync-server/", "cli-client/", "tests/", "schemas/", "docs/"];
    for (path, text) in ending(".md") {
        for code in without_code(&text).split('`').skip(1).step_by(2) {
            let is_path =
                tops.iter().any(|top| code.starts_with(top)) && !code.contains(['<', '*', ' ', '{', '…']);
            assert!(!is_path || root().join(code).exists(), "{path}: nothing at '{code}'");
        }
    }
}
