//! Pictures as cameras write them, made and read by Pillow.

use std::path::Path;
use std::process::Command;

use bolebook_tests::root;
use serde_json::Value;

fn pillow(arguments: &[&str]) -> Vec<u8> {
    let mut python = Command::new(xtask::setup::python().unwrap());
    let output = python.arg(root().join("tests/reference/read_photo.py")).args(arguments).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    output.stdout
}

/// A picture with EXIF, place, XMP and comments, written by Pillow: 08:30 at −04:00, 40.51° N 75.25° W.
pub fn picture(folder: &Path, orientation: u8, kind: &str) -> Vec<u8> {
    let path = folder.join(format!("{kind}-{orientation}"));
    pillow(&["--write", &orientation.to_string(), path.to_str().unwrap(), kind]);
    std::fs::read(path).unwrap()
}

/// What Pillow reads from these bytes.
pub fn seen(folder: &Path, bytes: &[u8]) -> Value {
    let path = folder.join("seen");
    std::fs::write(&path, bytes).unwrap();
    serde_json::from_slice(&pillow(&[path.to_str().unwrap()])).unwrap()
}
