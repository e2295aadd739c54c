//! A copy of a server's folder that can be served in its place, made while the server runs.
//!
//! The database first, by SQLite's own way of copying one that is written to, then photos and papers: so
//! that nothing is named in the copy whose bytes it lacks. A folder that holds an older copy is brought
//! up: of the files only those that are new are copied.

use std::fs::{File, Permissions};
use std::io::Write as _;
use std::os::unix::fs::{OpenOptionsExt as _, PermissionsExt as _};
use std::path::{Path, PathBuf};

use bolebook_db::Connection;
use bolebook_log::LogError;
use bolebook_objects::{Folder, Objects};
use rusqlite::backup::{Backup, StepResult};

use crate::migrate_photos::{self, Moved, PhotosError};
use crate::{database, desk, erasing, identity};

/// No copy was made; what was copied before stays as it was.
#[derive(Debug, thiserror::Error)]
pub enum BackupError {
    /// A file.
    #[error("{path}: {source}")]
    File {
        /// Which.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// The database.
    #[error(transparent)]
    Log(#[from] LogError),
    /// The copying of it.
    #[error("the database could not be copied: {0}")]
    Sqlite(#[from] rusqlite::Error),
    /// Another process kept it from being read.
    #[error("the database is kept by another process: try again")]
    Busy,
    /// A photo or a paper; the database's copy is there.
    #[error("{0}; the copy of the database is whole")]
    Photos(#[from] PhotosError),
    /// A copy inside of what it is a copy of would copy itself.
    #[error("{0} is the data folder or lies in it: name a folder elsewhere, best on another disk")]
    Inside(PathBuf),
    /// Somebody serves the older copy.
    #[error(
        "{0} is there: somebody serves that folder, or did and was killed. Stop it, or name another folder"
    )]
    InUse(PathBuf),
    /// There is nothing to copy.
    #[error("{0}: no such log; a database that '--store' names is copied by its own tools")]
    NoLog(PathBuf),
}

/// What the copy holds.
#[derive(Clone, Debug, Default, PartialEq, Eq, serde::Serialize)]
pub struct Copied {
    /// Books, every hash of which was computed again in the copy.
    pub books: u64,
    /// Their lines.
    pub lines: u64,
    /// Photos and papers; none of a server that has them in an object store.
    pub files: Option<Moved>,
}

fn at(path: &Path) -> impl FnOnce(std::io::Error) -> BackupError + '_ {
    |source| BackupError::File { path: path.to_owned(), source }
}

/// Copies a data folder; `photos` says whether photos and papers lie in it.
///
/// # Errors
/// [`BackupError`].
pub fn backup(data: &Path, photos: bool, to: &Path) -> Result<Copied, BackupError> {
    let log = data.join(database::FILE);
    if !log.is_file() {
        return Err(BackupError::NoLog(log));
    }
    let whole = |path: &Path| path.canonicalize().map_err(at(path));
    let named = std::path::absolute(to).map_err(at(to))?;
    let there = named.ancestors().find(|folder| folder.exists()).unwrap_or(Path::new("/"));
    if whole(there)?.starts_with(whole(data)?) {
        return Err(BackupError::Inside(to.to_owned()));
    }
    std::fs::create_dir_all(to).map_err(at(to))?;
    // Names, passwords' digests and keys are in it: for its owner alone, as the folder itself.
    std::fs::set_permissions(to, Permissions::from_mode(0o700)).map_err(at(to))?;
    let copy = to.join(database::FILE);
    for beside in ["-wal", "-shm"].map(|end| to.join(format!("{}{end}", database::FILE))) {
        if beside.exists() {
            return Err(BackupError::InUse(beside));
        }
    }
    let mut copied = copy_log(&log, &copy)?;
    for name in [identity::FILE, desk::write::FILE, erasing::NOTE] {
        match std::fs::read(data.join(name)) {
            Ok(bytes) => put(&to.join(name), &bytes)?,
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => {}
            Err(e) => return Err(at(&data.join(name))(e)),
        }
    }
    if photos {
        let [from, to] = [data, to].map(|folder| Objects::Folder(Folder::new(folder.to_owned())));
        copied.files = Some(migrate_photos::migrate(&from, &to, None)?);
    }
    Ok(copied)
}

/// Copies the database beside its place, computes every hash of the copy, and puts it there.
fn copy_log(log: &Path, copy: &Path) -> Result<Copied, BackupError> {
    let draft = copy.with_extension("draft");
    match std::fs::remove_file(&draft) {
        Err(e) if e.kind() != std::io::ErrorKind::NotFound => return Err(at(&draft)(e)),
        _ => {}
    }
    File::options().write(true).create_new(true).mode(0o600).open(&draft).map_err(at(&draft))?;
    let from = rusqlite::Connection::open(log)?;
    let mut onto = rusqlite::Connection::open(&draft)?;
    // All in one step: between two of them somebody else's commit would begin it anew. Who reads a
    // write-ahead log keeps nobody from writing.
    match Backup::new(&from, &mut onto)?.step(-1)? {
        StepResult::Done => {}
        _ => return Err(BackupError::Busy),
    }
    // Alone in its file: no write-ahead log that a later copy would have to mind.
    onto.pragma_update(None, "journal_mode", "DELETE")?;
    let db = Connection::from(onto);
    let mut copied = Copied::default();
    for book in bolebook_log::books(&db)? {
        copied.lines += bolebook_log::verify(&db, book.book)?.end.position;
        copied.books += 1;
    }
    db.close().map_err(LogError::from)?;
    File::open(&draft).and_then(|file| file.sync_all()).map_err(at(&draft))?;
    put_in_place(&draft, copy)?;
    Ok(copied)
}

/// Writes a file that only its owner may read: the server's key is one of them.
fn put(path: &Path, bytes: &[u8]) -> Result<(), BackupError> {
    let draft = path.with_extension("draft");
    let mut options = File::options();
    let mut file =
        options.write(true).create(true).truncate(true).mode(0o600).open(&draft).map_err(at(&draft))?;
    file.write_all(bytes).and_then(|()| file.sync_all()).map_err(at(&draft))?;
    put_in_place(&draft, path)
}

fn put_in_place(draft: &Path, path: &Path) -> Result<(), BackupError> {
    std::fs::rename(draft, path).map_err(at(path))?;
    let folder = path.parent().unwrap_or(Path::new("."));
    File::open(folder).and_then(|folder| folder.sync_all()).map_err(at(folder))
}
