//! A server in a process of its own, and what it used of the machine.

use std::io::{BufRead as _, BufReader};
use std::path::Path;
use std::process::{Child, Command, Stdio};

/// A running server, stopped when it is dropped.
pub struct Process {
    child: Child,
    /// The first line it said: where it listens.
    pub said: String,
}

impl Process {
    /// Starts a program that says on its first line where it listens.
    ///
    /// # Panics
    /// When it does not start.
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

    /// Seconds of processor time used so far.
    pub fn cpu_s(&self) -> f64 {
        stat(self.child.id()).map_or(0.0, |stat| stat.own_s)
    }

    /// The most memory it held, in MB.
    ///
    /// # Panics
    /// When it does not run any more.
    pub fn peak_mb(&self) -> f64 {
        let status = std::fs::read_to_string(format!("/proc/{}/status", self.child.id())).expect("it runs");
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

/// What Linux says of a process (proc(5), `stat`): fields 4, 14 to 17, in hundredths of a second.
struct Stat {
    parent: u32,
    own_s: f64,
    /// Of children that have ended and were waited for.
    ended_s: f64,
}

fn stat(process: u32) -> Option<Stat> {
    let text = std::fs::read_to_string(format!("/proc/{process}/stat")).ok()?;
    let fields: Vec<&str> = text.rsplit(')').next()?.split_whitespace().collect();
    let ticks = |n: usize| fields.get(n).and_then(|f| f.parse::<f64>().ok()).unwrap_or(0.0);
    Some(Stat {
        parent: fields.get(1)?.parse().ok()?,
        own_s: (ticks(11) + ticks(12)) / 100.0,
        ended_s: (ticks(13) + ticks(14)) / 100.0,
    })
}

/// Seconds of processor time of this process so far.
pub fn own_processor_s() -> f64 {
    stat(std::process::id()).map_or(0.0, |stat| stat.own_s)
}

/// Seconds of processor time of a process and of its children, running and ended: a database's.
pub fn processor_s_with_children(process: u32) -> f64 {
    let running = std::fs::read_dir(Path::new("/proc")).into_iter().flatten().flatten();
    let numbers = running.filter_map(|entry| entry.file_name().to_str()?.parse::<u32>().ok());
    let children = numbers.filter_map(stat).filter(|s| s.parent == process).map(|s| s.own_s + s.ended_s);
    stat(process).map_or(0.0, |s| s.own_s + s.ended_s) + children.sum::<f64>()
}
