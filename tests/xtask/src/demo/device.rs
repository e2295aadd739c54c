//! A device of the story: a store of its own, worked through the real command line.

use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use serde_json::Value;

use crate::process::{TaskError, spelled};

/// A device and its store.
pub struct Device {
    bolebook: PathBuf,
    store: PathBuf,
}

impl Device {
    /// A device whose store is in `store`.
    pub fn new(bolebook: &Path, store: PathBuf) -> Self {
        Self { bolebook: bolebook.into(), store }
    }

    /// Runs a command at a time of the story and gives its JSON answer.
    ///
    /// # Errors
    /// [`TaskError`] with what the command said.
    pub fn run(&self, now: &str, arguments: &[&str]) -> Result<Value, TaskError> {
        let (code, answer) = self.try_run(now, arguments, "")?;
        match code {
            0 => Ok(answer),
            _ => Err(TaskError::Steps(format!("bolebook {}: {answer}", arguments.join(" ")))),
        }
    }

    /// Logs entries, all or none.
    ///
    /// # Errors
    /// [`TaskError`] with what the command said.
    pub fn log(&self, now: &str, entries: &[Value]) -> Result<(), TaskError> {
        let lines: Vec<String> = entries.iter().map(Value::to_string).collect();
        let (code, answer) = self.try_run(now, &["log", "-"], &lines.join("\n"))?;
        if code == 0 { Ok(()) } else { Err(TaskError::Steps(format!("bolebook log: {answer}"))) }
    }

    /// Runs a command whatever its exit code; the answer is its JSON, on either stream.
    ///
    /// # Errors
    /// [`TaskError`] when it cannot be started or says no JSON.
    pub fn try_run(&self, now: &str, arguments: &[&str], input: &str) -> Result<(i32, Value), TaskError> {
        let mut command = Command::new(&self.bolebook);
        command.arg("--json").arg("--store").arg(&self.store).args(arguments);
        command.env("BOLEBOOK_NOW", now);
        command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
        let said = spelled(&command);
        let error = |source| TaskError::Start { program: said.clone(), source, hint: "Was it built?".into() };
        let mut child = command.spawn().map_err(error)?;
        if let Some(mut stdin) = child.stdin.take() {
            // A command that refuses its arguments ends without reading; what it says then counts.
            let _ = stdin.write_all(input.as_bytes());
        }
        let output = child.wait_with_output().map_err(error)?;
        let code = output.status.code().unwrap_or(-1);
        let text = if output.stdout.is_empty() { &output.stderr } else { &output.stdout };
        let answer = serde_json::from_slice(text).or_else(|_| {
            let said = String::from_utf8_lossy(text).trim().to_owned();
            if code == 0 {
                Err(TaskError::Steps(format!("no JSON: {said}")))
            } else {
                Ok(Value::String(said))
            }
        })?;
        Ok((code, answer))
    }
}

/// A text field of an answer.
///
/// # Errors
/// [`TaskError::Steps`] when it is not there.
pub fn text<'v>(answer: &'v Value, field: &str) -> Result<&'v str, TaskError> {
    answer[field].as_str().ok_or_else(|| TaskError::Steps(format!("the answer has no '{field}': {answer}")))
}
