//! Running other programs: say what is run, and say plainly when it fails.

use std::ffi::OsStr;
use std::io::{BufRead as _, BufReader};
use std::path::PathBuf;
use std::process::{Command, Stdio};
use std::sync::Mutex;

/// A task did not come to its end.
#[derive(Debug, thiserror::Error)]
pub enum TaskError {
    /// A program could not be started.
    #[error("could not start '{program}': {source}. {hint}")]
    Start {
        /// The program.
        program: String,
        /// Why.
        source: std::io::Error,
        /// What to do.
        hint: String,
    },
    /// A program ended with an error.
    #[error("'{command}' ended with {status}")]
    Failed {
        /// Its command line.
        command: String,
        /// How it ended.
        status: std::process::ExitStatus,
    },
    /// A file or folder could not be read or written.
    #[error("{}: {source}", path.display())]
    File {
        /// Which.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// Something the task needs is not on this machine.
    #[error("{what} is missing: {hint}")]
    Missing {
        /// What.
        what: String,
        /// What to do.
        hint: String,
    },
    /// Steps of a longer task failed.
    #[error("failed: {0}")]
    Steps(String),
    /// Arguments that cannot be met.
    #[error("{0}")]
    Arguments(String),
}

/// Says that `cargo xtask test` has built the programs already, so that no test asks cargo again.
pub const BUILT: &str = "BOLEBOOK_PROGRAMS_BUILT";

/// The folder of `bolebook` and `bolebook-server`, built now unless they have been.
///
/// # Errors
/// [`TaskError`] when they cannot be built.
pub fn programs() -> Result<PathBuf, TaskError> {
    static BUILDING: Mutex<bool> = Mutex::new(false);
    let mut built = BUILDING.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
    if !*built && std::env::var_os(BUILT).is_none() {
        run(cargo().arg("--quiet").args(launch::build(&["bolebook", "bolebook-server"])))?;
    }
    *built = true;
    Ok(crate::target().join("debug"))
}

/// The cargo that runs this task.
pub fn cargo() -> Command {
    let program = std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into());
    let mut command = Command::new(program);
    command.current_dir(crate::root());
    // What `cargo run` sets for this program would make the same crate look changed to the cargo it starts.
    for (name, _) in std::env::vars_os() {
        let text = name.to_string_lossy();
        if text.starts_with("CARGO_PKG_") || text.starts_with("CARGO_MANIFEST_") || text == "CARGO_BIN_NAME" {
            command.env_remove(&name);
        }
    }
    command
}

/// A command line as a person would type it.
pub fn spelled(command: &Command) -> String {
    let program = std::path::Path::new(command.get_program());
    let program = program.file_name().unwrap_or(OsStr::new("?")).to_string_lossy().into_owned();
    command.get_args().fold(program, |line, argument| line + " " + &argument.to_string_lossy())
}

fn start_error(command: &Command, source: std::io::Error) -> TaskError {
    TaskError::Start {
        program: command.get_program().to_string_lossy().into_owned(),
        source,
        hint: "Is it installed?".into(),
    }
}

/// Runs a command with its output on this terminal and no input.
///
/// # Errors
/// [`TaskError`] when it cannot be started or ends with an error.
pub fn run(command: &mut Command) -> Result<(), TaskError> {
    println!("    $ {}", spelled(command));
    let status = command.stdin(Stdio::null()).status().map_err(|e| start_error(command, e))?;
    if status.success() { Ok(()) } else { Err(TaskError::Failed { command: spelled(command), status }) }
}

/// Runs a command that goes on beside others: what it wrote, on both ways out, is shown in one piece
/// when it has ended.
///
/// # Errors
/// [`TaskError`] when it cannot be started or ends with an error.
pub fn run_beside(command: &mut Command) -> Result<(), TaskError> {
    let output = command.stdin(Stdio::null()).output().map_err(|e| start_error(command, e))?;
    let [out, err] = [&output.stdout, &output.stderr].map(|bytes| String::from_utf8_lossy(bytes));
    println!("    $ {}\n{out}{err}", spelled(command));
    let status = output.status;
    if status.success() { Ok(()) } else { Err(TaskError::Failed { command: spelled(command), status }) }
}

/// Runs a command and gives what it wrote to standard output; its errors go to this terminal.
///
/// # Errors
/// [`TaskError`] when it cannot be started or ends with an error.
pub fn output(command: &mut Command) -> Result<String, TaskError> {
    let output = command
        .stdin(Stdio::null())
        .stderr(Stdio::inherit())
        .output()
        .map_err(|e| start_error(command, e))?;
    if !output.status.success() {
        return Err(TaskError::Failed { command: spelled(command), status: output.status });
    }
    Ok(String::from_utf8_lossy(&output.stdout).into_owned())
}

/// Runs a command, shows its output as it comes and hands each line of it to `seen`.
///
/// # Errors
/// [`TaskError`] when it cannot be started, its output cannot be read, or it ends with an error.
pub fn run_seen(command: &mut Command, mut seen: impl FnMut(&str)) -> Result<(), TaskError> {
    println!("    $ {}", spelled(command));
    let mut child =
        command.stdin(Stdio::null()).stdout(Stdio::piped()).spawn().map_err(|e| start_error(command, e))?;
    if let Some(stdout) = child.stdout.take() {
        for line in BufReader::new(stdout).split(b'\n') {
            let line = line.map_err(|e| start_error(command, e))?;
            let line = String::from_utf8_lossy(&line);
            println!("{line}");
            seen(&line);
        }
    }
    let status = child.wait().map_err(|e| start_error(command, e))?;
    if status.success() { Ok(()) } else { Err(TaskError::Failed { command: spelled(command), status }) }
}

/// Whether a program is on the search path.
pub fn on_path(program: &str) -> bool {
    std::env::var_os("PATH")
        .is_some_and(|path| std::env::split_paths(&path).any(|folder| folder.join(program).is_file()))
}

/// Reads a text file.
///
/// # Errors
/// [`TaskError::File`] naming it.
pub fn read(path: &std::path::Path) -> Result<String, TaskError> {
    std::fs::read_to_string(path).map_err(|source| TaskError::File { path: path.into(), source })
}

/// Writes a file, making its folder.
///
/// # Errors
/// [`TaskError::File`] naming it.
pub fn write(path: &std::path::Path, bytes: impl AsRef<[u8]>) -> Result<(), TaskError> {
    let error = |source| TaskError::File { path: path.into(), source };
    if let Some(folder) = path.parent() {
        std::fs::create_dir_all(folder).map_err(error)?;
    }
    std::fs::write(path, bytes).map_err(error)
}
