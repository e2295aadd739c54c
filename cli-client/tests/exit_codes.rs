//! Exit codes: each documented one is given for what the page says, with its kind and a hint.

mod common;

use common::{Device, fill, found, plant};
use tempfile::TempDir;

/// The table of `docs/command-line.md`: (code, kind).
fn documented() -> Vec<(i32, String)> {
    let page = include_str!("../../docs/command-line.md");
    page.lines()
        .filter_map(|line| {
            let mut cells = line.split('|').map(str::trim).skip(1);
            let code: i32 = cells.next()?.parse().ok()?;
            Some((code, cells.next()?.trim_matches('`').to_owned()))
        })
        .collect()
}

#[test]
fn every_documented_exit_code_is_given_for_what_the_page_says() {
    let base = TempDir::new().unwrap();
    let device = Device::new(&base, "office");
    found(&device);
    plant(&device);
    fill(&device);
    let elsewhere = device.path("elsewhere").display().to_string();
    let cases: &[(&str, &[&str])] = &[
        ("usage", &["diameter", "A-1"]),
        ("usage", &["treat", "A-1"]),
        ("refused", &["diameter", "A-1", "300"]),
        ("refused", &["dose", "A-1"]),
        ("not_found", &["diameter", "A-9", "30"]),
        ("not_found", &["--job", "Elm Park", "tree", "list"]),
        ("store", &["--store", &elsewhere, "tree", "list"]),
        ("store", &["yard", "new", "Again", "--person", "Ada Invented"]),
        ("file", &["log", "nowhere.ndjson"]),
        ("network", &["exchange", "http://127.0.0.1:1"]),
        ("network", &["exchange"]),
        ("not_allowed", &["label", "confirm", common::LABEL, "again.json"]),
    ];
    let table = documented();
    for (kind, args) in cases {
        let (exit, _) =
            table.iter().find(|(_, k)| k == kind).unwrap_or_else(|| panic!("{kind} is not on the page"));
        let error = device.refused(*exit, args);
        assert_eq!(error["kind"], *kind, "{args:?}: {error}");
        assert_eq!(error["exit"], *exit);
        assert!(error["message"].as_str().is_some_and(|m| !m.is_empty()));
    }
    let holes: Vec<String> = (0..12).map(|i| format!("--hole={},10,20,10", i * 12)).collect();
    let mut over = vec!["treat", "A-2", "--applicator", "Ben Invented"];
    over.extend(holes.iter().map(String::as_str));
    let answer = device.json(&over);
    assert_eq!(answer["findings"][0]["code"], "dose.over_label");
    assert_eq!(device.run(&["check"]).exit, 3);
    assert_eq!(device.refused(3, &["sign-off", "today"])["kind"], "stopped");
    let tested: Vec<&str> = cases.iter().map(|(kind, _)| *kind).chain(["stopped"]).collect();
    for (code, kind) in &table {
        // 1 is for what should not be possible, and 'not_proven' needs a forged book (tests of the core).
        let testable = *code != 1 && *code != 0 && kind != "not_proven";
        assert!(!testable || tested.contains(&kind.as_str()), "{kind} is on the page and not tested");
    }
}

#[test]
fn a_mistyped_command_says_so_in_the_language_asked_for() {
    let base = TempDir::new().unwrap();
    let device = Device::new(&base, "office");
    let run = device.run(&["fly"]);
    assert_eq!((run.exit, run.out.as_str()), (2, ""));
    assert!(run.err.contains("unrecognized subcommand 'fly'"), "{run:?}");
    let error = device.refused(2, &["fly"]);
    assert_eq!(error["kind"], "usage");
    let help = device.run(&["--help"]);
    assert_eq!((help.exit, help.err.as_str()), (0, ""));
}

#[test]
fn completions_are_written_for_the_usual_shells() {
    let base = TempDir::new().unwrap();
    let device = Device::new(&base, "office");
    for shell in ["bash", "zsh", "fish", "elvish", "powershell"] {
        let run = device.run(&["completions", shell]).ok();
        assert!(run.out.contains("close-day"), "{shell}");
    }
}

#[test]
fn every_command_explains_itself() {
    let base = TempDir::new().unwrap();
    let device = Device::new(&base, "office");
    let commands = |args: &[&str]| {
        let help = device.run(args).ok().out;
        let list = help.split("Commands:\n").nth(1).map(|t| t.split("\n\n").next().unwrap().to_owned());
        let lines = list.unwrap_or_default();
        lines
            .lines()
            .filter(|l| l.starts_with("  ") && !l.starts_with("   "))
            .map(|l| {
                let (name, about) = l.trim().split_once(' ').unwrap_or((l.trim(), ""));
                (name.to_owned(), about.trim().to_owned())
            })
            .filter(|(name, _)| name != "help")
            .collect::<Vec<_>>()
    };
    let top = commands(&["--help"]);
    assert!(top.len() > 40, "{top:?}");
    for (name, about) in top {
        assert!(!about.is_empty(), "'{name}' has no help");
        for (verb, about) in commands(&[&name, "--help"]) {
            assert!(!about.is_empty(), "'{name} {verb}' has no help");
        }
    }
}
