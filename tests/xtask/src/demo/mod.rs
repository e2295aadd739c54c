//! The demo: one evening of an invented contractor, through the real binaries and a real server.
//!
//! Three crews log a day offline, each in a store of its own; in the evening the books meet; the
//! office finds exactly what was planted (`plan.rs`), settles some of it and signs off.

mod device;
mod evening;
mod plan;

use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};

use serde_json::Value;

use crate::process::{self, TaskError};
use crate::stand::{self, StandTree};

/// What the demo is asked for.
#[derive(Clone, Debug)]
pub struct Options {
    /// Write the exports and exit, instead of leaving the server up.
    pub once: bool,
    /// Where the exports go.
    pub out: Option<PathBuf>,
    /// A mapped stand (CSV with columns x_m, y_m, dbh_cm) instead of the invented one.
    pub stand: Option<PathBuf>,
    /// EPPO code of the stand's trees.
    pub species: String,
}

/// Where things are while the demo runs.
struct Stage {
    folder: PathBuf,
    bolebook: PathBuf,
    server: PathBuf,
}

/// A running server, ended when dropped.
struct Server {
    child: Child,
    url: String,
    desk: String,
}

impl Drop for Server {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Runs the demo.
///
/// # Errors
/// [`TaskError`] when a program fails, or when what the office finds is not what was planted.
pub fn run(options: &Options) -> Result<(), TaskError> {
    say("Building bolebook and its server (some minutes the first time) …");
    let binaries = process::programs()?;
    let folder = scratch()?;
    let stage = Stage {
        folder: folder.clone(),
        bolebook: binaries.join("bolebook"),
        server: binaries.join("bolebook-server"),
    };
    let out = options.out.clone().unwrap_or_else(|| folder.join("exports"));
    let trees = match &options.stand {
        Some(file) => read_stand(file)?,
        None => stand::generate(&stand::Parameters::default())?,
    };
    let plan = plan::Plan::of(&trees)?;
    let played = evening::play(&stage, &plan, &options.species, &out)?;
    println!("\n{}\nExports: {}", played.summary, out.display());
    if options.once {
        return Ok(());
    }
    let (bolebook, url, desk) = (stage.bolebook.display(), &played.server.url, &played.server.desk);
    open_desk(&stage, played.now)?;
    println!(
        "\nThe office desk is at {desk}: sign in as '{DESK_NAME}' with the password '{DESK_PASSWORD}'.\n\
         \nThe server is up at {url}. In the story it is {now}; say so to every command:\n\
         \n    export BOLEBOOK_NOW={now}\n\
         \nThe office's book:\n    {bolebook} --store {office} check\n\
         \nJoin as one more device of Alder (this code works once):\n    {bolebook} --store {visitor} join {url} {code}\n\
         \nPress Ctrl-C to end the server.",
        now = played.now,
        office = folder.join("office").display(),
        visitor = folder.join("visitor").display(),
        code = played.visitor_code,
    );
    let mut server = played.server;
    let ended = server.child.wait();
    ended.map(|_| ()).map_err(|source| TaskError::File { path: stage.server, source })
}

/// The invented office's account at the desk of this demo, which listens on loopback only.
const DESK_NAME: &str = "olive";
const DESK_PASSWORD: &str = "an invented evening in the park";

/// Gives the desk its certificate and its one account, as an office would.
fn open_desk(stage: &Stage, now: &str) -> Result<(), TaskError> {
    use std::io::Write as _;
    let invitation = stage.folder.join("desk.json").display().to_string();
    let office = device::Device::new(&stage.bolebook, stage.folder.join("office"));
    office.run(now, &["device", "invite", "office desk", "--role", "office", "--out", &invitation])?;
    let server = |arguments: &[&str]| {
        let mut command = Command::new(&stage.server);
        command.args(arguments).arg("--data").arg(stage.folder.join("server")).env("BOLEBOOK_NOW", now);
        command
    };
    process::output(&mut server(&["desk", "--invitation", &invitation]))?;
    let mut add = server(&["user", "add", DESK_NAME, "--person", "Olive Invented"]);
    let error = |source| TaskError::File { path: stage.server.clone(), source };
    let mut child = add.stdin(Stdio::piped()).stdout(Stdio::null()).spawn().map_err(error)?;
    if let Some(mut stdin) = child.stdin.take() {
        stdin.write_all(DESK_PASSWORD.as_bytes()).map_err(error)?;
    }
    match child.wait().map_err(error)?.success() {
        true => Ok(()),
        false => Err(TaskError::Steps("the desk's account could not be added".into())),
    }
}

fn say(text: &str) {
    println!("{text}");
}

/// A fresh folder of this process's own below the target folder.
fn scratch() -> Result<PathBuf, TaskError> {
    let folder = crate::target().join("demo").join(std::process::id().to_string());
    let error = |source| TaskError::File { path: folder.clone(), source };
    if folder.exists() {
        std::fs::remove_dir_all(&folder).map_err(error)?;
    }
    std::fs::create_dir_all(&folder).map_err(error)?;
    Ok(folder)
}

/// Reads a mapped stand.
fn read_stand(path: &Path) -> Result<Vec<StandTree>, TaskError> {
    let bad = |why: String| TaskError::Arguments(format!("{}: {why}", path.display()));
    let mut reader = csv::Reader::from_path(path).map_err(|e| bad(e.to_string()))?;
    let headers = reader.headers().map_err(|e| bad(e.to_string()))?.clone();
    let column = |name: &str| {
        headers
            .iter()
            .position(|h| h.trim() == name)
            .ok_or_else(|| bad(format!("there is no column '{name}'")))
    };
    let (x, y, dbh) = (column("x_m")?, column("y_m")?, column("dbh_cm")?);
    let mut trees = vec![];
    for (row, line) in reader.records().zip(2u64..) {
        let row = row.map_err(|e| bad(e.to_string()))?;
        let tenths = |column: usize, name: &str| {
            let text = row.get(column).unwrap_or("").trim();
            let value: f64 =
                text.parse().map_err(|_| bad(format!("line {line}, {name}: '{text}' is no figure")))?;
            if value.is_finite() && value.abs() < 1e6 {
                Ok((value * 10.0).round() as i64)
            } else {
                Err(bad(format!("line {line}, {name}: '{text}' is out of range")))
            }
        };
        trees.push(StandTree {
            x_dm: tenths(x, "x_m")?,
            y_dm: tenths(y, "y_m")?,
            dbh_mm: tenths(dbh, "dbh_cm")?,
        });
    }
    Ok(trees)
}

impl Stage {
    /// Starts the server on a free port of loopback, its clock set to a time of the story.
    fn serve(&self, now: &str) -> Result<Server, TaskError> {
        use std::io::BufRead as _;
        let mut command = Command::new(&self.server);
        command.args(["serve", "--listen", "127.0.0.1:0", "--data"]).arg(self.folder.join("server"));
        command.env("BOLEBOOK_NOW", now).env("RUST_LOG", "warn");
        let error = |source| TaskError::File { path: self.server.clone(), source };
        let mut child = command.stdin(Stdio::null()).stdout(Stdio::piped()).spawn().map_err(error)?;
        let mut line = String::new();
        if let Some(stdout) = child.stdout.take() {
            std::io::BufReader::new(stdout).read_line(&mut line).map_err(error)?;
        }
        let mut server = Server { child, url: String::new(), desk: String::new() };
        let address: Value = serde_json::from_str(&line)
            .map_err(|_| TaskError::Steps("the server did not say its address".into()))?;
        server.url = address["url"].as_str().unwrap_or_default().to_owned();
        server.desk = address["desk"].as_str().unwrap_or_default().to_owned();
        Ok(server)
    }
}
