//! The accessibility rules of axe-core, which the browser tests put to every screen. Fetched by
//! the npm client into the target folder, once; nothing of it is in the repository.

use std::process::Command;
use std::sync::{Mutex, PoisonError};

use sha2::{Digest as _, Sha256};

use crate::process::{TaskError, output, read};

/// The version, and the digest of its one file: the rules are the same on every machine.
const VERSION: &str = "4.14.1";
const SHA256: &str = "29348999450cdf2849a8e70b7912fc2da85a849da39c0d0d5394f51d4a9ed95c";

/// The script that adds `axe` to a page.
///
/// # Errors
/// [`TaskError`] when npm is not there, cannot fetch it, or brings something else.
pub fn script() -> Result<String, TaskError> {
    // Tests of one program run side by side: one fetches it, the others wait.
    static ONE_AT_A_TIME: Mutex<()> = Mutex::new(());
    let _held = ONE_AT_A_TIME.lock().unwrap_or_else(PoisonError::into_inner);
    let folder = crate::target().join("npm");
    let path = folder.join("node_modules/axe-core/axe.min.js");
    if let Some(kept) = read(&path).ok().filter(|text| is_it(text)) {
        return Ok(kept);
    }
    let mut npm = Command::new("npm");
    npm.args(["install", "--no-save", "--no-package-lock", "--ignore-scripts", "--no-audit", "--no-fund"]);
    npm.arg("--prefix").arg(&folder).arg(format!("axe-core@{VERSION}"));
    output(&mut npm)?;
    let text = read(&path)?;
    if is_it(&text) {
        Ok(text)
    } else {
        Err(TaskError::Steps(format!("{} is not the axe-core {VERSION} that was pinned", path.display())))
    }
}

fn is_it(text: &str) -> bool {
    hex::encode(Sha256::digest(text.as_bytes())) == SHA256
}
