//! The examples of `docs/command-line.md` are what the command says.

mod common;

use common::{Device, fill, found, twenty, two_days};
use tempfile::TempDir;

/// A line of the page as arguments: words, or what stands in single quotes.
fn arguments(line: &str) -> Vec<String> {
    let parts = line.split('\'').enumerate();
    let words = parts.flat_map(|(n, part)| match n % 2 {
        1 => vec![part.to_owned()],
        _ => part.split_whitespace().map(str::to_owned).collect(),
    });
    words.collect()
}

/// The page with every example's answer as the command gives it now.
fn as_it_is(device: &Device, page: &str) -> String {
    let mut out = String::new();
    let mut answered = false;
    for line in page.lines() {
        match line.strip_prefix("    $ bolebook ") {
            Some(command) => {
                out.push_str(line);
                out.push('\n');
                let args = arguments(command);
                let run = device.run(&args.iter().map(String::as_str).collect::<Vec<_>>());
                assert!(run.exit == 0 || !run.out.is_empty(), "{command}: {run:?}");
                for said in run.out.lines() {
                    out.push_str(format!("    {said}").trim_end());
                    out.push('\n');
                }
                answered = true;
            }
            None if answered && line.starts_with("    ") => {}
            // An answer may hold empty lines; the page's next text or command ends it.
            None if answered && line.is_empty() => {}
            None => {
                if answered {
                    out.push('\n');
                }
                answered = false;
                out.push_str(line);
                out.push('\n');
            }
        }
    }
    out
}

/// Twenty invented ashes, twelve of them treated on two days, one more not measured.
#[test]
fn every_example_of_the_command_line_page_is_what_the_command_says() {
    let base = TempDir::new().unwrap();
    let mut device = Device::new(&base, "office");
    found(&device);
    drop(device.run(&["use", "--crew", "North", "--person", "Ben Invented"]).ok());
    twenty(&device);
    drop(device.run(&["authorise", "every listed tree"]).ok());
    drop(device.run(&["tree", "add", "C-1", "--species", "FRXPE"]).ok());
    fill(&device);
    two_days(&mut device, false);
    let seen = "condition A-13 --canopy-loss 10 --bloom after --soil moist --air 21 --soil-temperature 16 --food false --water 40";
    drop(device.run(&seen.split(' ').collect::<Vec<_>>()).ok());
    let page = include_str!("../../docs/command-line.md");
    let fresh = as_it_is(&device, page);
    assert!(fresh.matches("$ bolebook").count() >= 8, "the page has lost its examples");
    if fresh != page {
        let path = std::path::Path::new(env!("CARGO_TARGET_TMPDIR")).join("command-line.md");
        std::fs::write(&path, &fresh).unwrap();
        panic!("the page's examples are not what the command says; see {}", path.display());
    }
}
