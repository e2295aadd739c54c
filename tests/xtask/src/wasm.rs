//! Compiling the core to WebAssembly, by whichever toolchain on this machine can.
//!
//! A toolchain managed by rustup has the target's standard library when it was added to it;
//! Debian's `rustc-web` comes with the library's source and builds it along.

use std::path::{Path, PathBuf};
use std::process::Command;

use crate::process::{TaskError, output, run};

/// The target.
pub const TARGET: &str = "wasm32-unknown-unknown";
/// Debian's packages for it; `rust-lld` is a dangling link without the last.
pub const PACKAGES: [&str; 4] = ["rustc-web", "cargo-web", "rust-web-src", "lld-22"];

/// How cargo is told of flags for the target alone.
pub(crate) const FLAGS: &str = "CARGO_TARGET_WASM32_UNKNOWN_UNKNOWN_RUSTFLAGS";
/// Whatever asks for randomness gets an error, not numbers.
pub(crate) const NO_RANDOMNESS: &str = "--cfg getrandom_backend=\"unsupported\"";

const DEBIAN_CARGO: &str = "/usr/bin/cargo";
const DEBIAN_RUSTC: &str = "/usr/bin/rustc";
/// Debian's compiler came with a link to a linker up to one update and without it from the next; the
/// linker itself is in `lld-22`.
const DEBIAN_LINKERS: [&str; 2] = ["/usr/bin/rust-lld", "/usr/lib/llvm-22/bin/wasm-ld"];

/// A toolchain that compiles for [`TARGET`].
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Toolchain {
    /// The one in use has the target's standard library.
    InUse,
    /// Debian's, which builds the standard library from source.
    Debian {
        /// The linker.
        linker: &'static str,
    },
}

impl Toolchain {
    /// Looks for one.
    ///
    /// # Errors
    /// [`TaskError::Missing`] naming both remedies.
    pub fn find() -> Result<Self, TaskError> {
        let in_use = std::env::var_os("RUSTC").unwrap_or_else(|| "rustc".into());
        if sysroot(Path::new(&in_use)).is_some_and(|root| has_target(&root)) {
            return Ok(Self::InUse);
        }
        let debian = Path::new(DEBIAN_RUSTC);
        let has_source = sysroot(debian)
            .is_some_and(|root| root.join("lib/rustlib/src/rust/library/Cargo.lock").is_file());
        let linker = DEBIAN_LINKERS.into_iter().find(|linker| Path::new(linker).is_file());
        if let Some(linker) = linker.filter(|_| has_source && Path::new(DEBIAN_CARGO).is_file()) {
            return Ok(Self::Debian { linker });
        }
        Err(TaskError::Missing {
            what: format!("a Rust toolchain for {TARGET}"),
            hint: format!(
                "run 'rustup target add {TARGET}', or on Debian 'apt-get install {}'",
                PACKAGES.join(" ")
            ),
        })
    }

    /// Flags that make an app smaller, where the standard library is built along: a page shows no
    /// panic's text, so none is carried.
    pub(crate) const fn small(&self) -> &'static str {
        match self {
            Self::InUse => "",
            Self::Debian { .. } => " -Zunstable-options -Cpanic=immediate-abort -Zlocation-detail=none",
        }
    }

    /// A cargo command that builds for the target, without what the surrounding cargo set.
    pub(crate) fn build(&self) -> Command {
        match self {
            Self::InUse => {
                let mut cargo = crate::process::cargo();
                cargo.args(["build", "--target", TARGET]);
                cargo
            }
            Self::Debian { linker } => {
                let mut cargo = Command::new(DEBIAN_CARGO);
                cargo.current_dir(crate::root());
                for (name, _) in std::env::vars_os() {
                    let text = name.to_string_lossy();
                    let from_around =
                        text.starts_with("RUST") || text == "CARGO" || text == "LD_LIBRARY_PATH";
                    let from_cargo =
                        text.starts_with("CARGO_") && text != "CARGO_HOME" && text != "CARGO_NET_OFFLINE";
                    if from_around || from_cargo {
                        cargo.env_remove(&name);
                    }
                }
                cargo.env("PATH", "/usr/bin:/bin").env("RUSTC", DEBIAN_RUSTC).env("RUSTC_BOOTSTRAP", "1");
                cargo.env("CARGO_TARGET_WASM32_UNKNOWN_UNKNOWN_LINKER", linker);
                cargo.args(["build", "-Z", "build-std=std,panic_abort", "--target", TARGET]);
                // Sorting is written out anew for every type sorted; the library's small sort makes
                // that a quarter less of the whole app.
                cargo.args(["-Z", "build-std-features=optimize_for_size"]);
                cargo
            }
        }
    }
}

fn sysroot(rustc: &Path) -> Option<PathBuf> {
    let text = output(Command::new(rustc).args(["--print", "sysroot"])).ok()?;
    Some(PathBuf::from(text.trim()))
}

fn has_target(sysroot: &Path) -> bool {
    let libraries = sysroot.join("lib/rustlib").join(TARGET).join("lib");
    std::fs::read_dir(libraries).is_ok_and(|mut entries| {
        entries.any(|e| e.is_ok_and(|e| e.file_name().to_string_lossy().starts_with("libstd-")))
    })
}

/// Builds the probe (`tests/probe`), a program that holds the whole core, and gives its path.
///
/// # Errors
/// [`TaskError`] when no toolchain is there or the core does not compile for the target.
pub fn build_probe() -> Result<PathBuf, TaskError> {
    let folder = crate::target().join("wasm");
    let mut cargo = Toolchain::find()?.build();
    cargo.args(["--quiet", "--package", "bolebook-probe", "--bin", "probe", "--target-dir"]).arg(&folder);
    // A core that asked for randomness would get an error, not numbers.
    cargo.env(FLAGS, NO_RANDOMNESS);
    run(&mut cargo)?;
    Ok(folder.join(TARGET).join("debug/probe.wasm"))
}
