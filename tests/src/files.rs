//! What is found in files: an erased name, for one.

use std::path::Path;

/// The files below a folder that hold a text.
///
/// # Panics
/// When a file cannot be read.
pub fn holding(folder: &Path, text: &str) -> Vec<String> {
    let mut found = vec![];
    for entry in std::fs::read_dir(folder).expect("the folder is there") {
        let path = entry.expect("an entry").path();
        if path.is_dir() {
            found.extend(holding(&path, text));
        } else if std::fs::read(&path).expect("a file").windows(text.len()).any(|w| w == text.as_bytes()) {
            found.push(path.display().to_string());
        }
    }
    found
}
