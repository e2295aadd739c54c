//! The same evening at general-purpose sync servers (tests/reference/peers): the same records, without
//! signatures, order, checks or findings.

use std::collections::BTreeMap;
use std::io::{BufRead as _, BufReader, Write as _};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use bolebook_core::record::Record;
use bolebook_tests::scale::crews::Crew;
use bolebook_tests::scale::process::Process;
use bolebook_tests::world::World;

use super::{Evening, Measured};

/// The peers: their name in the table, and of their programs.
pub const PEERS: [(&str, &str); 2] = [("automerge-repo", "automerge"), ("PouchDB server", "pouch")];
/// All at once one of them may not come to an end.
const PATIENCE: Duration = Duration::from_secs(150);

/// Their programs beside what they need from npm.
///
/// # Panics
/// When npm does not install it.
pub fn install() -> PathBuf {
    let here = Path::new(env!("CARGO_MANIFEST_DIR"));
    let folder = here.join("../target/peers");
    std::fs::create_dir_all(&folder).expect("a folder");
    for entry in std::fs::read_dir(here.join("reference/peers")).expect("the programs") {
        let path = entry.expect("a program").path();
        std::fs::copy(&path, folder.join(path.file_name().expect("a name"))).expect("copied");
    }
    let mut npm = Command::new("npm");
    npm.args(["install", "--no-audit", "--no-fund", "--no-package-lock", "--loglevel", "error"]);
    let status = npm.current_dir(&folder).stdout(Stdio::null()).status();
    assert!(status.is_ok_and(|s| s.success()), "npm (Node 20 or later) installs what the peers need");
    folder
}

/// The records as the peers' programs read them.
pub fn write_days(world: &World, crews: &[Crew], to: &Path) {
    let texts = world.job.commits().iter().flat_map(|c| c.records());
    let morning: BTreeMap<String, &String> =
        texts.map(|t| (Record::read(t).expect("a record").envelope.id.to_string(), t)).collect();
    let days: Vec<_> = crews.iter().map(|c| &c.day).collect();
    let text = serde_json::json!({ "morning": morning, "days": days });
    std::fs::write(to, text.to_string()).expect("written");
}

/// The evening at a peer; nothing when it did not come to its end.
pub fn evening(folder: &Path, program: &str, days: &Path, how: Evening) -> Option<Measured> {
    let data = tempfile::tempdir().expect("a folder");
    let mut server = Command::new("node");
    server.arg(format!("{program}-server.mjs")).arg(data.path()).current_dir(folder).stderr(Stdio::null());
    let server = Process::start(&mut server);
    let said: serde_json::Value = serde_json::from_str(&server.said).expect("where it listens");
    let port = said["port"].to_string();
    let mut crews = Command::new("node");
    crews.arg(format!("{program}-crews.mjs")).arg(&port).arg(days);
    crews.arg(if how == Evening::AtOnce { "once" } else { "turns" });
    crews.current_dir(folder).stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::null());
    let mut crews = crews.spawn().expect("node");
    let (say, hear) = std::sync::mpsc::channel();
    let out = crews.stdout.take().expect("its output");
    std::thread::spawn(move || {
        BufReader::new(out).lines().map_while(Result::ok).try_for_each(|line| say.send(line).ok());
    });
    let mut input = crews.stdin.take().expect("its input");
    let stats = || -> serde_json::Value {
        let mut answer = ureq::get(format!("http://127.0.0.1:{port}/stats")).call().expect("its count");
        serde_json::from_str(&answer.body_mut().read_to_string().expect("its count")).expect("its count")
    };
    let measured = hear.recv_timeout(PATIENCE).is_ok().then(|| {
        let (before, cpu, begun) = (stats(), server.cpu_s(), Instant::now());
        input.write_all(b"begin\n").expect("it listens");
        input.flush().expect("it listens");
        let ended = hear.recv_timeout(PATIENCE).is_ok();
        let (cpu_s, wall_s) = (server.cpu_s() - cpu, begun.elapsed().as_secs_f64());
        println!(
            "    {program}, {how:?}: {} after {wall_s:.1} s, {cpu_s:.2} s of processor",
            if ended { "ended" } else { "NOT ended" }
        );
        let after = if ended { stats() } else { before.clone() };
        let bytes = |way: &str| after[way].as_u64().unwrap_or(0) - before[way].as_u64().unwrap_or(0);
        let (up, down) = (bytes("up"), bytes("down"));
        ended.then(|| Measured { cpu_s, peak_mb: server.peak_mb(), wall_s, round_trips: 0, up, down })
    });
    let _ = crews.kill();
    let _ = crews.wait();
    measured.flatten()
}
