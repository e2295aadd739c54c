//! A server in a process of its own, and what it used of the machine.

use std::io::{BufRead as _, BufReader};
use std::process::{Child, Command, Stdio};

/// A running server, stopped when it is dropped.
pub struct Process {
    child: Child,
    /// The first line it said: where it listens.
    pub said: String,
}

impl Process {
    /// Starts a program that says on its first line where it listens.
    pub fn start(command: &mut Command) -> Self {
        let mut child = command.stdout(Stdio::piped()).spawn().expect("the program starts");
        let mut said = String::new();
        let out = child.stdout.take().expect("its output");
        let mut out = BufReader::new(out);
        out.read_line(&mut said).expect("its first line");
        // What it says later is read and thrown away, so that it never waits for a reader.
        std::thread::spawn(move || std::io::copy(&mut out, &mut std::io::sink()));
        Self { child, said: said.trim_end().to_owned() }
    }

    fn proc(&self, file: &str) -> String {
        std::fs::read_to_string(format!("/proc/{}/{file}", self.child.id())).expect("it runs")
    }

    /// Seconds of processor time used so far, in user and system mode (proc(5), fields 14 and 15 of
    /// `stat`, in hundredths of a second on Linux).
    pub fn cpu_s(&self) -> f64 {
        let stat = self.proc("stat");
        let fields: Vec<&str> = stat.rsplit(')').next().unwrap_or_default().split_whitespace().collect();
        let ticks = |n: usize| fields.get(n).and_then(|f| f.parse::<f64>().ok()).unwrap_or(0.0);
        (ticks(11) + ticks(12)) / 100.0
    }

    /// The most memory it held, in MB.
    pub fn peak_mb(&self) -> f64 {
        let status = self.proc("status");
        let line = status.lines().find_map(|l| l.strip_prefix("VmHWM:"));
        line.and_then(|l| l.trim().trim_end_matches("kB").trim().parse::<f64>().ok()).unwrap_or(0.0) / 1e3
    }
}

impl Drop for Process {
    fn drop(&mut self) {
        // Asked to stop, so that a profiler around it writes down what it saw.
        let asked = Command::new("kill").args(["-TERM", &self.child.id().to_string()]).status();
        if !asked.is_ok_and(|status| status.success()) {
            let _ = self.child.kill();
        }
        let _ = self.child.wait();
    }
}
