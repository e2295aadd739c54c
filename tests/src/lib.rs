//! What the whole-product tests share: where the repository is, the files generated from the record
//! types, and a crowd of devices at random work.

pub mod crowd;
pub mod generated;
pub mod tables;

use std::path::PathBuf;

/// The repository's root folder.
pub fn root() -> PathBuf {
    let here = PathBuf::from(env!("CARGO_MANIFEST_DIR"));
    here.parent().map_or_else(|| here.clone(), PathBuf::from)
}
