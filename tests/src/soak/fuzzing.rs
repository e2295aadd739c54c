//! The fuzz targets, as long as there is time.

use std::collections::BTreeMap;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::time::Duration;

use crate::fuzz::{TARGETS, Target, corpus};
use crate::root;
use crate::sim::dice::Dice;
use crate::soak::report::Report;
use crate::soak::{Arguments, Until};

/// Inputs longer than this do not go into the corpus.
const SHORT: usize = 6_000;
/// The file of a store is a few pages at least.
const STORE: usize = 65_536;

/// Runs every target for its share of the time and at least `--executions` times.
pub fn soak(arguments: &Arguments, share: Duration, say: &mut dyn FnMut(String)) -> Report {
    let mut report = Report::default();
    let asked = |target: &&Target| {
        arguments.targets.is_empty() || arguments.targets.iter().any(|name| name == target.name)
    };
    let targets: Vec<&Target> = TARGETS.iter().filter(asked).collect();
    for name in arguments.targets.iter().filter(|name| TARGETS.iter().all(|t| t.name != name.as_str())) {
        report.losses.push(format!("there is no fuzz target '{name}'"));
    }
    for target in &targets {
        let until = Until::after(share / u32::try_from(targets.len()).unwrap_or(1));
        let mut dice = Dice::new(arguments.seed.unwrap_or(1));
        let (mut executions, mut passed, mut longest) = (0u64, 0u64, 0);
        let mut classes: BTreeMap<String, Vec<u8>> = BTreeMap::new();
        for (_, bytes) in if arguments.corpus { corpus(target.name) } else { vec![] } {
            executions += 1;
            passed += u64::from((target.run)(&bytes).passed);
        }
        while executions < arguments.executions || !until.over() {
            if executions > 0 && executions.is_multiple_of(256 << 12) {
                say(format!("{}: {executions} executions so far", target.name));
            }
            for _ in 0..256 {
                let bytes = (target.make)(&mut dice);
                executions += 1;
                longest = longest.max(bytes.len());
                match catch_unwind(AssertUnwindSafe(|| (target.run)(&bytes))) {
                    Ok(ended) => {
                        passed += u64::from(ended.passed);
                        classes.entry(ended.class).or_insert(bytes);
                    }
                    Err(_) => {
                        let kept = keep(target, &format!("crash-{executions}"), &bytes);
                        say(format!("{} panicked on {kept}", target.name));
                        report.losses.push(format!("fuzz target {}: a panic, see {kept}", target.name));
                        // One crash found is found again and again.
                        if report.losses.len() > 20 {
                            return report;
                        }
                    }
                }
            }
        }
        if arguments.write_corpus {
            for (class, bytes) in classes
                .iter()
                .filter(|(_, bytes)| bytes.len() <= if target.name == "salvage" { STORE } else { SHORT })
            {
                keep(target, class, bytes);
            }
        }
        let name = target.name;
        report.row(format!("fuzz {name}: executions"), executions);
        let tenths = passed * 1_000 / executions.max(1);
        report
            .row(format!("fuzz {name}: passed JSON and hash"), format!("{}.{} %", tenths / 10, tenths % 10));
        report.row(format!("fuzz {name}: ways to end"), classes.len());
        report.row(format!("fuzz {name}: longest input, bytes"), longest);
        say(format!("{name}: {executions} executions, {} ways to end", classes.len()));
    }
    report
}

/// Writes an input into the corpus; its name says how it ended.
fn keep(target: &Target, class: &str, bytes: &[u8]) -> String {
    let name: String =
        class.chars().map(|c| if c.is_ascii_alphanumeric() { c.to_ascii_lowercase() } else { '-' }).collect();
    let path = format!("tests/fuzz/corpus/{}/{name}", target.name);
    let file = root().join(&path);
    let made = file.parent().map_or(Ok(()), std::fs::create_dir_all);
    match made.and_then(|()| std::fs::write(&file, bytes)) {
        Ok(()) => path,
        Err(error) => format!("{path} (not written: {error})"),
    }
}
