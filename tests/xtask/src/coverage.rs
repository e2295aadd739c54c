//! `cargo xtask soak --coverage`: how much of the code that each fuzz target aims at its executions reach,
//! written as a table into docs/reliability.md.
//!
//! The workspace's own crates are built with rustc's source-based coverage, everything else as always:
//! cargo calls this program in rustc's place for them ([`stand_in`]). LLVM's own tools read the counts.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::{Command, ExitCode};

use serde_json::Value;

use crate::process::{TaskError, cargo, output, read, run, write};
use crate::{root, target};

/// Says to this program that cargo calls it in rustc's place.
const STANDS_IN: &str = "BOLEBOOK_INSTRUMENT";
/// Executions of each target, when the command line does not say.
const EXECUTIONS: &str = "5000";
const PAGE: &str = "docs/reliability.md";
const BEGIN: &str = "<!-- coverage: written by cargo xtask soak --coverage -->\n";
const END: &str = "<!-- coverage ends -->";

/// Runs rustc with coverage, when cargo calls this program in its place.
pub fn stand_in() -> Option<ExitCode> {
    std::env::var_os(STANDS_IN)?;
    let mut arguments = std::env::args_os().skip(1);
    let status = Command::new(arguments.next()?).args(arguments).args(["-C", "instrument-coverage"]).status();
    let code = status.ok().and_then(|s| s.code()).and_then(|c| u8::try_from(c).ok());
    Some(code.map_or(ExitCode::FAILURE, ExitCode::from))
}

/// Measures every target and writes the table.
///
/// # Errors
/// [`TaskError`] when something is missing, does not build, or a target found something.
pub fn measure(executions: Option<&str>) -> Result<(), TaskError> {
    let [profdata, cov] = tools()?;
    let folder = target().join("coverage");
    let own = std::env::current_exe().map_err(|source| TaskError::File { path: "xtask".into(), source })?;
    // Beside the ordinary build: what is not of the workspace is taken from there.
    let mut build = cargo();
    build.args(["build", "--workspace", "--bin", "soak"]);
    build.env("RUSTC_WORKSPACE_WRAPPER", own).env(STANDS_IN, "1").env("LLVM_PROFILE_FILE", "/dev/null");
    run(&mut build)?;
    let soak = target().join("debug/soak");
    let aims = output(Command::new(&soak).arg("--aims").env("LLVM_PROFILE_FILE", "/dev/null"))?;
    let executions = executions.unwrap_or(EXECUTIONS);
    let mut table = String::from(
        "| target | executions | passed | module | lines | regions |\n|---|---:|---:|---|---:|---:|\n",
    );
    for line in aims.lines() {
        let Some((name, files)) = line.split_once(' ') else { continue };
        let raw = folder.join(format!("{name}.profraw"));
        let report = folder.join(format!("{name}.md"));
        write(&report, "")?;
        let mut play = Command::new(&soak);
        play.args(["--only", "fuzz", "--minutes", "0", "--corpus", "--targets", name]);
        play.args(["--executions", executions, "--report"]).arg(&report).env("LLVM_PROFILE_FILE", &raw);
        run(&mut play)?;
        let data = folder.join(format!("{name}.profdata"));
        run(Command::new(&profdata).args(["merge", "-sparse", "-o"]).args([&data, &raw]))?;
        let found = covered(&cov, &soak, &data)?;
        let said = read(&report)?;
        let figure = |what: &str| {
            let row = said.lines().find(|line| line.contains(&format!(": {what} |")));
            row.and_then(|row| row.split('|').nth(2)).unwrap_or("?").trim().to_owned()
        };
        let mut first = format!("{name} | {} | {}", figure("executions"), figure("passed JSON and hash"));
        for file in files.split(' ') {
            let Some([lines, regions]) = found.get(&root().join(file)) else {
                return Err(TaskError::Missing {
                    what: format!("the coverage of {file}"),
                    hint: "name a file that is compiled, in tests/src/fuzz/mod.rs".into(),
                });
            };
            table += &format!("| {first} | `{file}` | {lines} | {regions} |\n");
            first = " | | ".trim_end().into();
        }
    }
    std::fs::remove_dir_all(&folder).map_err(|source| TaskError::File { path: folder, source })?;
    put(&table)
}

/// Puts the table in its place on the page.
fn put(table: &str) -> Result<(), TaskError> {
    let path = root().join(PAGE);
    let page = read(&path)?;
    let place = page.split_once(BEGIN).and_then(|(before, rest)| Some((before, rest.split_once(END)?.1)));
    let Some((before, after)) = place else {
        return Err(TaskError::Missing { what: format!("the table's place in {PAGE}"), hint: BEGIN.into() });
    };
    println!("{table}");
    write(&path, format!("{before}{BEGIN}\n{table}\n{END}{after}"))
}

/// Per source file the share of lines and of regions that were executed.
fn covered(cov: &Path, program: &Path, data: &Path) -> Result<BTreeMap<PathBuf, [String; 2]>, TaskError> {
    let mut export = Command::new(cov);
    export.args(["export", "-summary-only", "-instr-profile"]).arg(data).arg(program);
    let said: Value = serde_json::from_str(&output(&mut export)?)
        .map_err(|e| TaskError::Steps(format!("llvm-cov: {e}")))?;
    let share = |of: &Value| {
        let (covered, count) = (of["covered"].as_u64().unwrap_or(0), of["count"].as_u64().unwrap_or(0));
        format!("{covered} of {count}, {} %", covered * 100 / count.max(1))
    };
    let files = said["data"][0]["files"].as_array().into_iter().flatten();
    let rows = files.filter_map(|file| {
        let path = PathBuf::from(file["filename"].as_str()?);
        let path = if path.is_absolute() { path } else { root().join(path) };
        Some((path, [share(&file["summary"]["lines"]), share(&file["summary"]["regions"])]))
    });
    Ok(rows.collect())
}

/// `llvm-profdata` and `llvm-cov` of the LLVM that this rustc is built on: rustup's, or the system's.
fn tools() -> Result<[PathBuf; 2], TaskError> {
    let said = output(Command::new("rustc").arg("-vV"))?;
    let value =
        |name: &str| said.lines().find_map(|line| line.strip_prefix(name)).unwrap_or("").trim().to_owned();
    let (host, llvm) = (value("host:"), value("LLVM version:"));
    let major = llvm.split('.').next().unwrap_or("?").to_owned();
    let sysroot = output(Command::new("rustc").args(["--print", "sysroot"]))?;
    let own = Path::new(sysroot.trim()).join("lib/rustlib").join(host).join("bin");
    let mut found = vec![];
    for name in ["llvm-profdata", "llvm-cov"] {
        let named = format!("{name}-{major}");
        found.push(if own.join(name).is_file() {
            own.join(name)
        } else if crate::process::on_path(&named) {
            named.into()
        } else {
            return Err(TaskError::Missing {
                what: named,
                hint: format!("'rustup component add llvm-tools', or a package llvm-{major}"),
            });
        });
    }
    <[PathBuf; 2]>::try_from(found).map_err(|_| TaskError::Steps("two tools".into()))
}
