//! `cargo xtask test`: everything CI checks, in one command.

use std::sync::{Mutex, PoisonError, mpsc};
use std::thread;

use crate::process::{BUILT, TaskError, cargo, run, run_beside, run_seen};
use crate::{setup, wasm, web};

/// Test totals, summed from cargo test's own closing lines.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Totals {
    /// Tests that passed.
    pub passed: u64,
    /// Tests that failed.
    pub failed: u64,
    /// Tests marked as ignored.
    pub ignored: u64,
}

impl Totals {
    /// Adds one line of output, if it closes a test program's run:
    /// `test result: ok. 5 passed; 0 failed; 1 ignored; …`.
    pub fn add_line(&mut self, line: &str) {
        let Some(counts) = line.trim_start().strip_prefix("test result: ") else { return };
        let mut words = counts.split([' ', ';', '.']).filter(|w| !w.is_empty()).peekable();
        while let Some(word) = words.next() {
            let (Ok(count), Some(what)) = (word.parse::<u64>(), words.peek()) else { continue };
            match *what {
                "passed" => self.passed += count,
                "failed" => self.failed += count,
                "ignored" => self.ignored += count,
                _ => {}
            }
        }
    }

    /// `N passed, N failed`, and how many were skipped if any were.
    pub fn line(self) -> String {
        let Self { passed, failed, ignored } = self;
        let skipped = if ignored == 0 { String::new() } else { format!(", {ignored} skipped") };
        format!("{passed} passed, {failed} failed{skipped}")
    }
}

/// What failed, in the order in which it ended.
#[derive(Default)]
struct Failed(Mutex<Vec<&'static str>>);

impl Failed {
    /// Whether it came to its end.
    fn step(&self, name: &'static str, outcome: impl FnOnce() -> Result<(), TaskError>) -> bool {
        println!("==> {name}");
        let outcome = outcome();
        if let Err(error) = &outcome {
            println!("==> {name}: {error}");
            self.0.lock().unwrap_or_else(PoisonError::into_inner).push(name);
        }
        outcome.is_ok()
    }
}

/// Formatting, all tests, lints, documentation. A failed step does not hide the others.
///
/// Compiling ends in long stretches on one core, and tests wait for browsers and disks. So the WebAssembly
/// modules are built beside the native programs, and lints and documentation run beside the tests, which
/// find everything built.
///
/// # Errors
/// [`TaskError::Steps`] naming the steps that failed.
pub fn all() -> Result<(), TaskError> {
    let mut totals = Totals::default();
    let failed = Failed::default();
    failed.step("set up", setup::all);
    failed.step("formatting", || run(cargo().args(["fmt", "--all", "--check"])));
    thread::scope(|beside| {
        let modules = beside.spawn(|| {
            failed.step("WebAssembly, beside the native programs", || {
                wasm::build_probe()?;
                web::build(None).map(drop)
            });
        });
        // The same programs for all tests, of the same compilation as the tests themselves.
        let built =
            failed.step("programs", || run(cargo().args(["build", "--workspace", "--bins", "--tests"])));
        // A test that builds a module finds it built, and the cores are free for the lints.
        let _ = modules.join();
        // Closed when the first test speaks, or when there will be none.
        let (begun, tests_run) = mpsc::channel::<()>();
        let failed = &failed;
        beside.spawn(move || {
            // Not before the first test: until then cargo keeps the folder to itself, for either of them.
            let _ = tests_run.recv();
            failed.step("lints, beside the tests", || {
                run_beside(cargo().args(["clippy", "--workspace", "--all-targets", "--", "-D", "warnings"]))
            });
            failed.step("documentation, beside the tests", || {
                let mut doc = cargo();
                doc.args(["doc", "--workspace", "--no-deps", "--document-private-items"]);
                run_beside(doc.env("RUSTDOCFLAGS", "-D warnings"))
            });
        });
        // Without the programs of this very state, tests would try those of an older one.
        if built {
            failed.step("tests", || {
                let mut tests = cargo();
                tests.args(["test", "--workspace", "--no-fail-fast"]).env(BUILT, "1");
                let mut begun = Some(begun);
                run_seen(&mut tests, |line| {
                    drop(begun.take());
                    totals.add_line(line);
                })
            });
        }
    });
    let mut failed = failed.0.into_inner().unwrap_or_else(PoisonError::into_inner);
    if failed.is_empty() && totals.passed == 0 {
        failed.push("tests (none ran)");
    }
    println!("==> totals");
    println!("{}", totals.line());
    if failed.is_empty() { Ok(()) } else { Err(TaskError::Steps(failed.join(", "))) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn totals_are_summed_over_test_programs() {
        let mut totals = Totals::default();
        for line in [
            "running 3 tests",
            "test result: ok. 5 passed; 0 failed; 1 ignored; 0 measured; 0 filtered out; finished in 0.12s",
            "test a_test_that_says_test_result: ... ok",
            "test result: FAILED. 2 passed; 3 failed; 0 ignored; 0 measured; 9 filtered out; finished in 1.00s",
        ] {
            totals.add_line(line);
        }
        assert_eq!(totals, Totals { passed: 7, failed: 3, ignored: 1 });
        assert_eq!(totals.line(), "7 passed, 3 failed, 1 skipped");
        assert_eq!(Totals { ignored: 0, ..totals }.line(), "7 passed, 3 failed");
    }
}
