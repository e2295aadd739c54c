//! A store whose file SQLite cannot read any more: everything that is left of it goes into a new
//! one, and the damaged files are kept beside it.
//!
//! The order is what makes it safe to be cut off: first the damaged files are copied into a folder
//! of their own, then the new file is made whole beside them, then it takes the old one's place.
//! Run again, it reads the copies too, so a second run finds at least what the first did.

use std::path::{Path, PathBuf};

use bolebook_core::quantity::UtcMs;
use bolebook_core::record::people::Invitation;
use bolebook_core::service::RegisterEntry;
use bolebook_db::{Connection, OptionalExtension as _, params};
use bolebook_log::salvage::{self, Salvaged, Value};
use rusqlite::OpenFlags;

use super::{Store, StoreError, TABLES, file_of, private, setting};

/// What was found.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct Recovered {
    /// Where the damaged files are kept.
    pub kept: PathBuf,
    /// Lines in the new store's books.
    pub lines: u64,
    /// Lines that wait for commits before them.
    pub waiting: u64,
    /// Lines whose text is no longer what was stored.
    pub unreadable: u64,
    /// Entries of the register.
    pub register: u64,
    /// Whether the device's key is there.
    pub key: bool,
}

const FILES: [&str; 2] = ["bolebook.db", "bolebook.db-wal"];
const DAMAGED: &str = "damaged-";

fn failed(doing: &'static str, path: &Path) -> impl Fn(std::io::Error) -> StoreError {
    let path = path.to_owned();
    move |source| StoreError::File { doing, path: path.clone(), source }
}

/// Whether everything in a store can be read: the file, its tables and every book's hashes.
///
/// # Errors
/// [`StoreError`] with the first thing that cannot.
pub fn whole(store: &Store) -> Result<(), StoreError> {
    let said: String = store.db.query_row("PRAGMA integrity_check(1)", [], |row| row.get(0))?;
    if said != "ok" {
        return Err(StoreError::Damaged { what: "the file".into(), why: said });
    }
    for info in bolebook_log::books(&store.db)? {
        bolebook_log::verify(&store.db, info.book)?;
    }
    Ok(())
}

/// Makes a new store of what is left in a folder's damaged one.
///
/// # Errors
/// [`StoreError`]; the files are then as they were.
pub fn recover(folder: &Path, now: UtcMs) -> Result<Recovered, StoreError> {
    if !file_of(folder).exists() && damaged(folder)?.is_empty() {
        return Err(StoreError::None(folder.to_owned()));
    }
    let kept = keep_files(folder, now)?;
    let mut sources = vec![];
    for one in damaged(folder)? {
        sources.push(Source::read(&one, &folder.join("recovering"))?);
    }
    let fresh = folder.join("bolebook.db.recovered");
    clear(&fresh)?;
    std::fs::File::create_new(&fresh).map_err(failed("making", &fresh))?;
    private(&fresh, 0o600).map_err(failed("making private", &fresh))?;
    let mut found = fill(&fresh, &sources)?;
    sync(&fresh)?;
    // The old log must go first: SQLite would play it into the new file.
    for rest in ["bolebook.db-wal", "bolebook.db-shm"] {
        remove(&folder.join(rest))?;
    }
    std::fs::rename(&fresh, file_of(folder)).map_err(failed("putting in place", &fresh))?;
    sync(folder)?;
    found.kept = kept;
    Ok(found)
}

fn sync(path: &Path) -> Result<(), StoreError> {
    std::fs::File::open(path).and_then(|f| f.sync_all()).map_err(failed("writing", path))
}

fn remove(path: &Path) -> Result<(), StoreError> {
    match std::fs::remove_file(path) {
        Err(e) if e.kind() != std::io::ErrorKind::NotFound => Err(failed("removing", path)(e)),
        _ => Ok(()),
    }
}

fn clear(database: &Path) -> Result<(), StoreError> {
    for end in ["", "-wal", "-shm"] {
        let mut path = database.as_os_str().to_owned();
        path.push(end);
        remove(Path::new(&path))?;
    }
    Ok(())
}

/// The folders of damaged files, oldest first.
fn damaged(folder: &Path) -> Result<Vec<PathBuf>, StoreError> {
    let mut found = vec![];
    for entry in std::fs::read_dir(folder).map_err(failed("reading", folder))? {
        let entry = entry.map_err(failed("reading", folder))?;
        if entry.file_name().to_string_lossy().starts_with(DAMAGED) {
            found.push(entry.path());
        }
    }
    found.sort();
    Ok(found)
}

fn keep_files(folder: &Path, now: UtcMs) -> Result<PathBuf, StoreError> {
    let mut at = now.0.max(0);
    let mut kept = folder.join(format!("{DAMAGED}{at:013}"));
    while kept.exists() {
        at += 1;
        kept = folder.join(format!("{DAMAGED}{at:013}"));
    }
    std::fs::create_dir(&kept).map_err(failed("making", &kept))?;
    private(&kept, 0o700).map_err(failed("making private", &kept))?;
    for name in FILES {
        let from = folder.join(name);
        if from.exists() {
            let to = kept.join(name);
            std::fs::copy(&from, &to).map_err(failed("copying", &from))?;
            private(&to, 0o600).map_err(failed("making private", &to))?;
            sync(&to)?;
        }
    }
    sync(&kept)?;
    Ok(kept)
}

/// What one set of damaged files gives: by SQLite where it still can, and page by page.
struct Source {
    settings: Vec<(String, String)>,
    rows: Vec<Vec<Value>>,
}

impl Source {
    fn read(kept: &Path, work: &Path) -> Result<Self, StoreError> {
        let bytes = |name: &str| match std::fs::read(kept.join(name)) {
            Ok(bytes) => Ok(bytes),
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => Ok(vec![]),
            Err(e) => Err(failed("reading", &kept.join(name))(e)),
        };
        let mut rows = salvage::rows(&bytes(FILES[0])?, &bytes(FILES[1])?);
        // A copy of the copy, for SQLite changes what it opens.
        std::fs::create_dir_all(work).map_err(failed("making", work))?;
        private(work, 0o700).map_err(failed("making private", work))?;
        for name in FILES {
            if kept.join(name).exists() {
                std::fs::copy(kept.join(name), work.join(name)).map_err(failed("copying", kept))?;
            }
        }
        let settings = by_sqlite(&work.join(FILES[0]))
            .unwrap_or_else(|_| rows.iter().filter_map(|row| known_setting(row)).collect());
        std::fs::remove_dir_all(work).map_err(failed("removing", work))?;
        // Rows of settings are taken from above alone: pages hold old ones too.
        rows.retain(|row| known_setting(row).is_none());
        Ok(Self { settings, rows })
    }
}

fn by_sqlite(path: &Path) -> bolebook_db::Result<Vec<(String, String)>> {
    let db: Connection =
        rusqlite::Connection::open_with_flags(path, OpenFlags::SQLITE_OPEN_READ_WRITE)?.into();
    let mut query = db.prepare("SELECT name, value FROM settings")?;
    query.query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?.collect()
}

fn known_setting(row: &[Value]) -> Option<(String, String)> {
    match row {
        [Value::Text(name), Value::Text(value)] if setting::ALL.contains(&name.as_str()) => {
            Some((name.clone(), value.clone()))
        }
        _ => None,
    }
}

fn fill(path: &Path, sources: &[Source]) -> Result<Recovered, StoreError> {
    let mut db = bolebook_log::open(path)?;
    db.execute_batch(TABLES)?;
    let tx = db.transaction()?;
    let mut salvaged = Salvaged::default();
    let mut register = 0;
    for source in sources {
        for (name, value) in &source.settings {
            tx.execute("INSERT OR REPLACE INTO settings (name, value) VALUES (?1, ?2)", [name, value])?;
        }
        salvaged.take(&source.rows);
        for row in &source.rows {
            register += other(&tx, row)?;
        }
    }
    let (lines, waiting) = salvage::keep(&tx, &salvaged)?;
    tx.commit()?;
    let key = db.prepare("SELECT 1 FROM settings WHERE name = ?1")?.exists([setting::DEVICE_SEED])?;
    db.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(()))?;
    db.close()?;
    clear_log(path)?;
    let unreadable = salvaged.unreadable;
    Ok(Recovered { kept: PathBuf::new(), lines, waiting, unreadable, register, key })
}

fn clear_log(path: &Path) -> Result<(), StoreError> {
    for end in ["-wal", "-shm"] {
        let mut rest = path.as_os_str().to_owned();
        rest.push(end);
        remove(Path::new(&rest))?;
    }
    Ok(())
}

/// Puts a row of the register or an invitation in; counts the register's.
fn other(db: &Connection, row: &[Value]) -> Result<u64, StoreError> {
    match row {
        [Value::Text(id), Value::Text(entry), Value::Integer(at), Value::Integer(sent)] => {
            let Ok(read) = serde_json::from_str::<RegisterEntry>(entry) else { return Ok(0) };
            if read.id.to_string() != *id || read.updated_at.0 != *at {
                return Ok(0);
            }
            // What was erased stays erased, whatever an old page still says.
            let there: Option<String> = db
                .query_row("SELECT entry FROM register WHERE id = ?1", [id], |row| row.get(0))
                .optional()?;
            let there = there.and_then(|text| serde_json::from_str::<RegisterEntry>(&text).ok());
            if there.is_some_and(|there| !read.replaces(&there)) {
                return Ok(0);
            }
            let new = db.execute(
                "INSERT OR REPLACE INTO register (id, entry, updated_at, sent) VALUES (?1, ?2, ?3, ?4)",
                params![id, entry, at, sent],
            )?;
            Ok(new as u64)
        }
        [Value::Text(key), Value::Text(text), Value::Integer(deposited)] => {
            if serde_json::from_str::<Invitation>(text).is_ok_and(|i| i.code_key.key == *key) {
                db.execute(
                    "INSERT INTO invitations (code_key, invitation, deposited) VALUES (?1, ?2, ?3)
                     ON CONFLICT (code_key) DO UPDATE SET deposited = max(deposited, excluded.deposited)",
                    params![key, text, deposited],
                )?;
            }
            Ok(0)
        }
        _ => Ok(0),
    }
}
