//! How many instructions the hot paths take, counted by valgrind's callgrind and held against
//! docs/benchmarks/counts.json: what a clock on a shared machine cannot show, a count does. Every path runs
//! in a process of its own, once, on fixed input; what prepares it is not counted.
//!
//! `cargo xtask bench counts` compares and fails when a path takes 5 % more than what is committed; `--write`
//! commits to what it takes now; `--twice` counts everything twice and says how far apart the two are;
//! words choose paths by what their names contain.

#![allow(clippy::print_stdout, clippy::print_stderr, reason = "it measures, and prints what it measured")]

mod paths;

use std::collections::BTreeMap;
use std::hint::black_box;
use std::path::PathBuf;
use std::process::{Command, ExitCode, Stdio};

use bolebook_tests::root;
use serde::{Deserialize, Serialize};

/// What is still no regression: neither is a compiler's whim, nor the few comparisons by which hash maps
/// of libraries differ between runs.
const ROOM: f64 = 1.05;
/// What callgrind counts: this function and all it calls.
const COUNTED: &str = "counts::counted*";

/// The committed file.
#[derive(Debug, Default, Serialize, Deserialize)]
struct Counts {
    /// With what they were made; other versions count otherwise.
    compiler: String,
    valgrind: String,
    /// Instructions by path.
    instructions: BTreeMap<String, u64>,
}

/// Runs a path; its own function, so that callgrind knows it by name.
#[inline(never)]
fn counted(path: &mut dyn FnMut() -> usize) -> usize {
    let figure = path();
    // Something is left to do, so that the call above is no jump.
    black_box(figure)
}

fn run(name: &str) -> ExitCode {
    let Some((_, prepare)) = paths::PATHS.iter().find(|(known, _)| *known == name) else {
        eprintln!("there is no path '{name}'");
        return ExitCode::FAILURE;
    };
    let mut path = prepare();
    println!("{}", counted(&mut path));
    ExitCode::SUCCESS
}

/// A program's first line of what it says of itself.
fn version(program: &str) -> Option<String> {
    let said = Command::new(program).arg("--version").stdin(Stdio::null()).output().ok()?;
    String::from_utf8_lossy(&said.stdout).lines().next().map(str::to_owned)
}

/// Instructions of one path, under callgrind in a process of its own.
fn count(name: &str) -> Result<u64, String> {
    let program = std::env::current_exe().map_err(|e| e.to_string())?;
    let mut valgrind = Command::new("valgrind");
    valgrind.args(["--tool=callgrind", "--callgrind-out-file=/dev/null"]);
    valgrind.arg(format!("--toggle-collect={COUNTED}")).arg(program).args(["--path", name]);
    // Nothing of whoever runs it reaches the counted program.
    valgrind.env_clear().env("PATH", std::env::var_os("PATH").unwrap_or_default()).stdin(Stdio::null());
    let said = valgrind.output().map_err(|e| e.to_string())?;
    let (out, err) = (String::from_utf8_lossy(&said.stdout), String::from_utf8_lossy(&said.stderr));
    let failed = |what: &str| Err(format!("{name}: {what}:\n{out}{err}"));
    if !said.status.success() {
        return failed("it did not come to its end");
    }
    if !out.trim().parse::<usize>().is_ok_and(|figure| figure > 0) {
        return failed("nothing came out of it");
    }
    let line = err.lines().find_map(|line| line.split_once("Collected :"));
    match line.and_then(|(_, n)| n.trim().parse::<u64>().ok()) {
        Some(n) if n > 0 => Ok(n),
        _ => failed("nothing was counted"),
    }
}

fn file() -> PathBuf {
    root().join("docs/benchmarks/counts.json")
}

fn committed() -> Counts {
    let text = std::fs::read_to_string(file()).unwrap_or_default();
    serde_json::from_str(&text).unwrap_or_default()
}

fn main() -> ExitCode {
    let words: Vec<String> = std::env::args().skip(1).filter(|word| word != "--bench").collect();
    if let [first, name] = words.as_slice()
        && first == "--path"
    {
        return run(name);
    }
    match all(&words) {
        Ok(()) => ExitCode::SUCCESS,
        Err(why) => {
            eprintln!("{why}");
            ExitCode::FAILURE
        }
    }
}

fn all(words: &[String]) -> Result<(), String> {
    let (options, wanted): (Vec<_>, Vec<_>) =
        words.iter().map(String::as_str).partition(|w| w.starts_with("--"));
    if let Some(other) = options.iter().find(|o| !["--write", "--twice"].contains(o)) {
        return Err(format!("there is no option {other}; there are --write and --twice"));
    }
    let Some(valgrind) = version("valgrind") else {
        return Err(
            "valgrind is not here: run 'cargo xtask setup', or install the Debian package valgrind".into()
        );
    };
    let compiler = version("rustc").unwrap_or_default();
    let mut before = committed();
    // What is not optimised has nothing to do with what is committed.
    let compared = !cfg!(debug_assertions);
    if !compared {
        println!("not optimised: counted, and neither compared nor written");
    } else if (&before.compiler, &before.valgrind) != (&compiler, &valgrind) {
        println!("committed with {} and {}; now {compiler} and {valgrind}", before.compiler, before.valgrind);
    }
    println!("{:<62} {:>14} {:>14} {:>7}", "path", "committed", "now", "ratio");
    let mut now = Counts { compiler, valgrind, ..Counts::default() };
    let mut worse = vec![];
    for (name, _) in
        paths::PATHS.iter().filter(|(n, _)| wanted.is_empty() || wanted.iter().any(|w| n.contains(w)))
    {
        let n = count(name)?;
        let known = before.instructions.get(*name).copied().filter(|_| compared);
        let ratio = known.map(|known| n as f64 / known as f64);
        let shown = |of: Option<String>| of.unwrap_or_else(|| "-".into());
        println!(
            "{name:<62} {:>14} {n:>14} {:>7}",
            shown(known.map(|n| n.to_string())),
            shown(ratio.map(|r| format!("{r:.3}")))
        );
        if options.contains(&"--twice") {
            let again = count(name)?;
            println!("{:<62} {:>14} {again:>14} {:>7.5}", "  again", "", again as f64 / n as f64);
        }
        if ratio.is_some_and(|r| r > ROOM) {
            worse.push(*name);
        }
        now.instructions.insert((*name).to_owned(), n);
    }
    if options.contains(&"--write") {
        if !compared {
            return Err("only an optimised build is written: cargo xtask bench counts --write".into());
        }
        if !wanted.is_empty() {
            before.instructions.append(&mut now.instructions);
            now.instructions = before.instructions;
        }
        let text = serde_json::to_string_pretty(&now).map_err(|e| e.to_string())? + "\n";
        return std::fs::write(file(), text).map_err(|e| format!("{}: {e}", file().display()));
    }
    if worse.is_empty() {
        return Ok(());
    }
    Err(format!(
        "more than {ROOM} times the instructions: {}. Where they go: valgrind --tool=callgrind --toggle-collect='{COUNTED}' PROGRAM --path NAME, then callgrind_annotate; if it must be so, --write",
        worse.join("; ")
    ))
}
