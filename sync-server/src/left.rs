//! What a crash left behind in the folder of drafts.

use std::path::Path;
use std::time::Duration;

use crate::state::StartError;

/// Removes the drafts a crash left behind: nothing refers to them.
///
/// # Errors
/// The folder's.
pub fn sweep(tmp: &Path, shared: bool) -> Result<(), StartError> {
    let failed = |source| StartError::Folder { path: tmp.into(), source };
    for entry in std::fs::read_dir(tmp).map_err(failed)? {
        let path = entry.map_err(failed)?.path();
        if !shared || is_left(&path) {
            std::fs::remove_file(path).map_err(failed)?;
        }
    }
    Ok(())
}

/// Whether a file of a folder that several servers share is nobody's any more: untouched for a day.
pub fn is_left(path: &Path) -> bool {
    let touched = std::fs::metadata(path).and_then(|m| m.modified()).ok();
    let idle = touched.and_then(|at| at.elapsed().ok());
    idle.is_some_and(|idle| idle > Duration::from_hours(24))
}
