//! What the outside checks and counts need: GDAL, qpdf, Poppler, PostgreSQL, valgrind, a Python environment of their
//! own, Node, Chromium and a toolchain that compiles to WebAssembly. Debian packages are installed when this runs as root on Debian;
//! otherwise the message says which command to run.

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::{Mutex, PoisonError};

use crate::process::{TaskError, on_path, read, run, write};
use crate::wasm;

/// Everything.
///
/// # Errors
/// [`TaskError`] when something is missing and cannot be installed from here.
pub fn all() -> Result<(), TaskError> {
    packages(&missing_packages())?;
    python()?;
    println!("    all there");
    Ok(())
}

/// Debian packages whose programs are not on this machine.
fn missing_packages() -> Vec<&'static str> {
    let mut missing = vec![];
    if !on_path("ogrinfo") {
        missing.push("gdal-bin");
    }
    if !on_path("qpdf") {
        missing.push("qpdf");
    }
    if !on_path("pdftotext") {
        missing.push("poppler-utils");
    }
    if !on_path("postgres") && !Path::new("/usr/lib/postgresql/15/bin/postgres").is_file() {
        missing.push("postgresql-15");
    }
    if !on_path("node") {
        missing.push("nodejs");
    }
    if !on_path("npm") {
        missing.push("npm");
    }
    if !makes_environments() {
        missing.extend(["python3", "python3-venv"]);
    }
    if wasm::Toolchain::find().is_err() {
        missing.extend(wasm::PACKAGES);
    }
    if !on_path("valgrind") {
        missing.push("valgrind");
    }
    if !on_path("chromedriver") {
        missing.extend(["chromium", "chromium-driver"]);
    }
    missing
}

fn makes_environments() -> bool {
    let mut probe = Command::new("python3");
    probe
        .args(["-c", "import venv, ensurepip"])
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null());
    probe.status().is_ok_and(|s| s.success())
}

/// Installs Debian packages, where that is possible.
///
/// # Errors
/// [`TaskError::Missing`] with the command to run where it is not.
pub fn packages(names: &[&str]) -> Result<(), TaskError> {
    if names.is_empty() {
        return Ok(());
    }
    if !(on_path("apt-get") && is_root()) {
        return Err(TaskError::Missing {
            what: names.join(" "),
            hint: format!(
                "run 'sudo apt-get install {}', or install the same by other means",
                names.join(" ")
            ),
        });
    }
    let apt = || {
        let mut command = Command::new("apt-get");
        command.env("DEBIAN_FRONTEND", "noninteractive");
        command
    };
    run(apt().args(["--quiet", "--quiet", "update"]))?;
    run(apt().args(["--quiet", "--quiet", "--yes", "--no-install-recommends", "install"]).args(names))
}

fn is_root() -> bool {
    let id = Command::new("id").arg("-u").stdin(Stdio::null()).output();
    id.is_ok_and(|o| String::from_utf8_lossy(&o.stdout).trim() == "0")
}

/// The Python of the outside checks, with the packages of `tests/reference/requirements.txt`.
/// Made at first use; made again when that file changes.
///
/// # Errors
/// [`TaskError`] when it cannot be made.
pub fn python() -> Result<PathBuf, TaskError> {
    // Tests of one program run side by side: one makes the environment, the others wait for it.
    static ONE_AT_A_TIME: Mutex<()> = Mutex::new(());
    let _held = ONE_AT_A_TIME.lock().unwrap_or_else(PoisonError::into_inner);
    let requirements = crate::root().join("tests/reference/requirements.txt");
    let wanted = read(&requirements)?;
    let folder = crate::target().join("python");
    let program = folder.join("bin/python");
    let stamp = folder.join("requirements.txt");
    if program.is_file() && std::fs::read_to_string(&stamp).is_ok_and(|have| have == wanted) {
        return Ok(program);
    }
    make_environment(&folder, &program, &requirements)?;
    write(&stamp, wanted)?;
    Ok(program)
}

fn make_environment(folder: &Path, program: &Path, requirements: &Path) -> Result<(), TaskError> {
    if !makes_environments() {
        packages(&["python3", "python3-venv"])?;
    }
    run(Command::new("python3").args(["-m", "venv", "--clear"]).arg(folder))?;
    let mut pip = Command::new(program);
    pip.args(["-m", "pip", "install", "--quiet", "--disable-pip-version-check", "--requirement"]);
    run(pip.arg(requirements))
}
