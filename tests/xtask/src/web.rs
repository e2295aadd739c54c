//! Building the field app: the crate `sync-server/web` to WebAssembly, its module finished by
//! wasm-bindgen as a library, the files beside it, each packed with Brotli, and the service worker's
//! list of them.

use std::io::Write as _;
use std::path::{Path, PathBuf};

use sha2::{Digest as _, Sha256};
use wasm_bindgen_cli_support::Bindgen;

use crate::process::{TaskError, read, run, write};
use crate::wasm::{FLAGS, NO_RANDOMNESS, TARGET, Toolchain};

/// Where the app is put, and where the server looks for it.
pub fn folder() -> PathBuf {
    crate::target().join("field")
}

/// Builds the app and gives its folder.
///
/// # Errors
/// [`TaskError`] when no toolchain is there, the app does not compile, or a file cannot be written.
pub fn build(out: Option<&Path>) -> Result<PathBuf, TaskError> {
    let out = out.map_or_else(folder, Path::to_owned);
    let target = crate::target().join("wasm");
    let toolchain = Toolchain::find()?;
    let mut cargo = toolchain.build();
    cargo.args(["--quiet", "--profile", "web", "--package", "bolebook-field", "--package", "bolebook-scan"]);
    cargo.arg("--target-dir").arg(&target);
    // Randomness comes from the page.
    cargo.env(FLAGS, format!("{NO_RANDOMNESS}{}", toolchain.small()));
    run(&mut cargo)?;
    let draft = target.join("field-draft");
    let _ = std::fs::remove_dir_all(&draft);
    for (module, name) in [("bolebook_field", "field"), ("bolebook_scan", "scan")] {
        finish(&target.join(TARGET).join(format!("web/{module}.wasm")), name, &draft)?;
    }
    add_static(&draft)?;
    write_worker(&draft)?;
    pack(&draft)?;
    // Whole, or not at all: a server that starts meanwhile finds the old app or the new one.
    let _ = std::fs::remove_dir_all(&out);
    let error = |source| TaskError::File { path: out.clone(), source };
    if let Some(parent) = out.parent() {
        std::fs::create_dir_all(parent).map_err(error)?;
    }
    std::fs::rename(&draft, &out).map_err(error)?;
    let size = |name: &str| std::fs::metadata(out.join(name)).map_or(0, |m| m.len());
    println!(
        "{}: WebAssembly {} bytes, {} packed with Brotli; the code reader beside it {} and {}",
        out.display(),
        size("field_bg.wasm"),
        size("field_bg.wasm.br"),
        size("scan_bg.wasm"),
        size("scan_bg.wasm.br")
    );
    Ok(out)
}

fn finish(module: &Path, name: &str, draft: &Path) -> Result<(), TaskError> {
    let failed = |e: &dyn std::fmt::Display| TaskError::Steps(format!("wasm-bindgen: {e}"));
    let mut bindgen = Bindgen::new();
    bindgen
        .input_path(module)
        .out_name(name)
        .typescript(false)
        .remove_producers_section(true)
        .remove_name_section(true);
    bindgen.web(true).map_err(|e| failed(&e))?;
    bindgen.generate(draft).map_err(|e| failed(&e))
}

fn add_static(draft: &Path) -> Result<(), TaskError> {
    let from = ["sync-server/web/static", "sync-server/field/locales"].map(|f| crate::root().join(f));
    let all = [files(&from[0])?, files(&from[1])?].concat();
    for path in all {
        let error = |source| TaskError::File { path: path.clone(), source };
        let Some(name) = path.file_name() else { continue };
        std::fs::copy(&path, draft.join(name)).map_err(error)?;
    }
    Ok(())
}

/// The files of a folder, by name.
fn files(folder: &Path) -> Result<Vec<PathBuf>, TaskError> {
    let error = |source| TaskError::File { path: folder.into(), source };
    let entries = std::fs::read_dir(folder).map_err(error)?;
    let paths = entries.map(|e| e.map(|e| e.path())).collect::<Result<Vec<_>, _>>().map_err(error)?;
    let mut paths: Vec<PathBuf> = paths.into_iter().filter(|p| p.is_file()).collect();
    paths.sort();
    Ok(paths)
}

fn bytes(path: &Path) -> Result<Vec<u8>, TaskError> {
    std::fs::read(path).map_err(|source| TaskError::File { path: path.into(), source })
}

/// The service worker with the version (a digest of every file) and the list of what to keep.
fn write_worker(draft: &Path) -> Result<(), TaskError> {
    let worker = draft.join("sw.js");
    let text = read(&worker)?;
    let mut digest = Sha256::new();
    let mut names = vec!["./".to_owned()];
    for path in files(draft)? {
        let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
        digest.update(&name);
        digest.update(bytes(&path)?);
        if name != "sw.js" && name != "index.html" {
            names.push(format!("./{name}"));
        }
    }
    let version = hex::encode(&digest.finalize()[..8]);
    let list = serde_json::to_string(&names).unwrap_or_default();
    write(&worker, text.replace("{{version}}", &version).replace("{{files}}", &list))
}

fn pack(draft: &Path) -> Result<(), TaskError> {
    for path in files(draft)? {
        if path.extension().is_some_and(|e| e == "png") {
            continue;
        }
        let plain = bytes(&path)?;
        let mut packed = brotli::CompressorWriter::new(Vec::new(), 64 << 10, 11, 24);
        let error = |source| TaskError::File { path: path.clone(), source };
        packed.write_all(&plain).map_err(error)?;
        packed.flush().map_err(error)?;
        let mut name = path.clone().into_os_string();
        name.push(".br");
        write(Path::new(&name), packed.into_inner())?;
    }
    Ok(())
}
