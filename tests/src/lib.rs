//! What the whole-product tests share: where the repository is, the files generated from the record
//! types, a crowd of devices at random work, a mapped stand as a book, a contractor with good and bad days, and
//! what benchmarks and the model of scale stand on.

pub mod cluster;
pub mod crowd;
pub mod dictionary;
pub mod files;
pub mod fuzz;
pub mod generated;
pub mod planted;
pub mod scale;
pub mod season;
pub mod sim;
pub mod soak;
pub mod stand;
pub mod tables;
pub mod taken;
pub mod twins;
pub mod week;
pub mod world;

use std::path::PathBuf;

/// The repository's root folder.
pub fn root() -> PathBuf {
    let here = PathBuf::from(env!("CARGO_MANIFEST_DIR"));
    here.parent().map_or_else(|| here.clone(), PathBuf::from)
}
