//! The tasks behind `cargo xtask`, one module each. They are a library too, so that a test can
//! set up what it needs (a Python environment, the core compiled to WebAssembly) by the same code.

#![allow(clippy::print_stdout, clippy::print_stderr, reason = "a task runner talks to a terminal")]

pub mod axe;
pub mod bench;
pub mod coverage;
pub mod demo;
pub mod process;
pub mod run_tests;
pub mod schemas;
pub mod setup;
pub mod soak;
pub mod stand;
pub mod wasm;
pub mod web;

use std::path::PathBuf;

/// The repository's root folder.
pub fn root() -> PathBuf {
    let here = PathBuf::from(env!("CARGO_MANIFEST_DIR"));
    here.ancestors().nth(2).map_or_else(|| here.clone(), PathBuf::from)
}

/// The folder build products go to; everything the tasks install or write for themselves is under it.
pub fn target() -> PathBuf {
    #[expect(clippy::disallowed_methods, reason = "the one place where the tasks ask where cargo builds")]
    match std::env::var("CARGO_TARGET_DIR") {
        Ok(folder) if !folder.is_empty() => root().join(folder),
        _ => root().join("target"),
    }
}
