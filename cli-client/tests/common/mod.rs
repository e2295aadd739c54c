//! A sealed environment for the command: nothing of the machine's own gets in, and the clock and
//! random bits are fixed, so that every answer is the same on every run.
#![allow(dead_code, reason = "each test file uses a part of it")]

pub mod server;

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use serde_json::Value;
use tempfile::TempDir;

/// The moment the story begins: 2026-09-14, eight in the morning in Detroit.
pub const MORNING: i64 = 1_789_387_200_000;

/// One device's sealed environment.
pub struct Device {
    /// Its folder: store, files, home.
    pub folder: PathBuf,
    seed: String,
    now: Option<i64>,
}

/// What a run of the command gave.
#[derive(Debug)]
pub struct Run {
    pub out: String,
    pub err: String,
    pub exit: i32,
}

impl Run {
    pub fn json(&self) -> Value {
        serde_json::from_str(&self.out).unwrap_or_else(|e| panic!("{e}: {self:?}"))
    }

    pub fn error(&self) -> Value {
        serde_json::from_str::<Value>(&self.err).unwrap_or_else(|e| panic!("{e}: {self:?}"))["error"].clone()
    }

    pub fn ok(self) -> Self {
        assert_eq!(self.exit, 0, "{self:?}");
        self
    }
}

impl Device {
    /// A device in a folder of its own below `base`.
    pub fn new(base: &TempDir, name: &str) -> Self {
        let folder = base.path().join(name);
        std::fs::create_dir_all(&folder).unwrap();
        Self { folder, seed: name.into(), now: Some(MORNING) }
    }

    /// The same with the machine's own clock, for exchanges with a server that has it too.
    pub fn with_real_clock(mut self) -> Self {
        self.now = None;
        self
    }

    /// Moves the fixed clock.
    pub fn at(&mut self, now: i64) -> &mut Self {
        self.now = Some(now);
        self
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.join(name)
    }

    pub fn file(&self, name: &str, text: impl AsRef<[u8]>) -> String {
        let path = self.path(name);
        std::fs::write(&path, text).unwrap();
        path.display().to_string()
    }

    /// The command, not yet started.
    pub fn command(&self, args: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_bolebook"));
        command
            .env_clear()
            .env("HOME", &self.folder)
            .env("BOLEBOOK_STORE", self.folder.join("store"))
            .env("BOLEBOOK_SEED", &self.seed)
            .current_dir(&self.folder)
            .stdin(Stdio::null())
            .args(args);
        if let Some(now) = self.now {
            command.env("BOLEBOOK_NOW", now.to_string());
        }
        command
    }

    pub fn run(&self, args: &[&str]) -> Run {
        let output = self.command(args).output().unwrap();
        Run {
            out: String::from_utf8(output.stdout).unwrap(),
            err: String::from_utf8(output.stderr).unwrap(),
            exit: output.status.code().unwrap(),
        }
    }

    pub fn json(&self, args: &[&str]) -> Value {
        let mut all = vec!["--json"];
        all.extend(args);
        self.run(&all).ok().json()
    }

    /// The error of a run that must fail with this code.
    pub fn refused(&self, exit: i32, args: &[&str]) -> Value {
        let mut all = vec!["--json"];
        all.extend(args);
        let run = self.run(&all);
        assert_eq!(run.exit, exit, "{run:?}");
        run.error()
    }
}

/// The name of the label `label template --invented` gives.
pub const LABEL: &str = "Invented ash injection (INVENTED: NOT FOR USE)";

/// Makes an office with a crew, a kit, a label, a lot and a job.
pub fn found(office: &Device) {
    let run = |args: &[&str]| drop(office.run(args).ok());
    run(&["yard", "new", "Invented Tree Care", "--person", "Ada Invented"]);
    run(&["person", "add", "Ben Invented", "--work", "crew-lead"]);
    run(&[
        "licence",
        "add",
        "Ben Invented",
        "--scheme",
        "invented scheme",
        "--category",
        "3a",
        "--number",
        "X-1",
        "--from",
        "2026-01-01",
        "--to",
        "2027-12-31",
    ]);
    run(&["crew", "add", "North", "--lead", "Ben Invented"]);
    let kit = office.run(&["kit", "template"]).ok().out;
    run(&["kit", "add", &office.file("kit.json", kit), "--name", "Kit N", "--crew", "North"]);
    let label = office.run(&["label", "template", "--invented"]).ok().out;
    run(&["label", "add", &office.file("label.json", label)]);
    let again = office.run(&["label", "confirm-template", "--invented"]).ok().out;
    run(&["label", "confirm", LABEL, &office.file("again.json", again), "--by", "Ben Invented"]);
    run(&["lot", "add", "L-1", "--expires", "2027-06-30"]);
    run(&["move", "received", "5000", "--lot", "L-1"]);
    run(&[
        "job",
        "new",
        "Ash Park",
        "--season",
        "2026",
        "--client",
        "Invented City",
        "--site",
        "Ash Park",
        "--zone",
        "America/Detroit",
    ]);
}

/// A stand of three trees as CSV.
pub const STAND: &str = "x_m,y_m,dbh_cm\n0.5,1.5,30.0\n10,20,45.5\n22.5,3,18\n";

/// Imports [`STAND`] as.
pub fn plant(office: &Device) {
    let stand = office.file("stand.csv", STAND);
    let args = [
        "stand",
        "import",
        &stand,
        "--x",
        "x_m",
        "--y",
        "y_m",
        "--dbh",
        "dbh_cm",
        "--origin",
        "42.28,-83.74",
        "--prefix",
        "A-",
        "--species",
        "FRXAM",
    ];
    drop(office.run(&args).ok());
    drop(office.run(&["authorise", "every listed tree"]).ok());
}

/// Fills the crew's kit.
pub fn fill(device: &Device) {
    let args =
        ["fill", "500", "--lot-read", "L-1", "--registration-read", "INVENTED-0001", "--crew", "North"];
    drop(device.run(&args).ok());
}

/// Twenty ashes of 30 cm in two rows, 10 m apart.
pub fn twenty(device: &Device) {
    let rows: String = (0..20).map(|i| format!("{},{},30.0\n", 10 * (i / 2), 12 * (i % 2))).collect();
    let stand = device.file("twenty.csv", format!("x_m,y_m,dbh_cm\n{rows}"));
    let columns = ["--x", "x_m", "--y", "y_m", "--dbh", "dbh_cm", "--origin", "42.28,-83.74"];
    let mut args = vec!["stand", "import", &stand, "--prefix", "A-", "--species", "FRXAM"];
    args.extend(columns);
    drop(device.run(&args).ok());
}

/// Six trees a day for two days, 20 minutes each, one after another; the second day's are far slower
/// for the last tree when `slow`.
pub fn two_days(device: &mut Device, slow: bool) {
    for (day, date) in ["2026-09-14", "2026-09-15"].into_iter().enumerate() {
        let lines: String = (0..6)
            .map(|n| {
                let (tree, from) = (day * 6 + n + 1, 60 * 8 + 20 * n);
                let to = if slow && day == 1 && n == 5 { from + 180 } else { from + 20 - n % 3 };
                let clock = |m: usize| format!("{date}T{:02}:{:02}", m / 60, m % 60);
                format!(
                    "{{\"do\":\"treat\",\"tree\":\"A-{tree}\",\"charges\":7,\"each\":10,\"started\":\"{}\",\"ended\":\"{}\",\"at\":\"{}\"}}\n",
                    clock(from),
                    clock(to),
                    clock(to)
                )
            })
            .collect();
        device.at(MORNING + 10 * 3_600_000 + day as i64 * 86_400_000);
        let file = device.file("day.ndjson", lines);
        drop(device.run(&["log", &file]).ok());
        drop(device.run(&["close-day", "--in-kit", "Kit N=100"]).ok());
    }
}

/// What is the same of a path on every machine.
pub fn sealed(text: &str, base: &Path) -> String {
    text.replace(&base.display().to_string(), "$DIR")
}

/// The files below a folder that hold a text.
pub fn holding(folder: &Path, text: &str) -> Vec<String> {
    let mut found = vec![];
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            found.extend(holding(&path, text));
        } else if std::fs::read(&path).unwrap().windows(text.len()).any(|w| w == text.as_bytes()) {
            found.push(path.display().to_string());
        }
    }
    found
}

/// A limit on the size of files, as a quota sets one: writes fail, and not with 'disk full'.
pub fn limited(device: &Device, kib: u64, args: &[&str]) -> Run {
    let command = device.command(args);
    let program = command.get_program().to_owned();
    let mut shell = Command::new("sh");
    // POSIX: the unit of 'ulimit -f' is 512 bytes. The signal that would end the process is ignored,
    // so that it sees the failed write, as it sees a used-up quota.
    let script = format!("trap '' XFSZ; ulimit -f {}; exec \"$0\" \"$@\"", kib * 2);
    shell.arg("-c").arg(script).arg(program).args(command.get_args());
    shell.env_clear();
    for (name, value) in command.get_envs() {
        if let Some(value) = value {
            shell.env(name, value);
        }
    }
    shell.current_dir(&device.folder);
    let output = shell.output().unwrap();
    Run {
        out: String::from_utf8(output.stdout).unwrap(),
        err: String::from_utf8(output.stderr).unwrap(),
        exit: output.status.code().unwrap(),
    }
}
