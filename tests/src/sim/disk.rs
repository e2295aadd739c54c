//! A store as it survives: the shipped log on SQLite, in memory or in files, with the power cut at
//! any commit.
//!
//! In memory the connection stands for the disk: a crash drops everything around it. In files a
//! crash is what `kill -9` leaves: database and write-ahead log are copied while the old connection
//! is still open, and the copies are opened again.

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use bolebook_db::Connection;
use bolebook_log::LogError;
use rusqlite::backup::Backup;
use tempfile::TempDir;

/// The database of a store in files; its write-ahead log is beside it.
pub const FILE: &str = "log.db";

/// The power supply: counts what became durable, and fails when asked to.
#[derive(Debug, Default)]
struct Power {
    commits: AtomicU64,
    /// Fails at this many commits from now; 0 for never.
    fails_in: AtomicU64,
}

/// A store.
pub struct Disk {
    db: Connection,
    folder: Option<TempDir>,
    power: Arc<Power>,
}

/// An older copy of a store.
pub enum Copy {
    /// Of one in memory.
    Memory(Connection),
    /// Of one in files.
    Files(TempDir),
}

impl Disk {
    /// A new, empty store.
    pub fn new(in_files: bool) -> Self {
        if in_files {
            Self::on(tempfile::tempdir().unwrap())
        } else {
            Self::over(bolebook_log::open_in_memory().unwrap(), None)
        }
    }

    fn on(folder: TempDir) -> Self {
        Self::over(bolebook_log::open(&folder.path().join(FILE)).unwrap(), Some(folder))
    }

    fn over(mut db: Connection, folder: Option<TempDir>) -> Self {
        let power = Arc::new(Power::default());
        let watched = Arc::clone(&power);
        // A hook that says true turns the commit into a rollback: nothing of it reaches the disk.
        let hook = move || {
            let left = watched.fails_in.load(Ordering::Relaxed);
            watched.fails_in.store(left.saturating_sub(1), Ordering::Relaxed);
            let fails = left == 1;
            if !fails {
                watched.commits.fetch_add(1, Ordering::Relaxed);
            }
            fails
        };
        db.only_sqlite_mut().unwrap().commit_hook(Some(hook)).unwrap();
        Self { db, folder, power }
    }

    /// The store's connection.
    pub fn db(&self) -> &Connection {
        &self.db
    }

    /// The same, for transactions.
    pub fn db_mut(&mut self) -> &mut Connection {
        &mut self.db
    }

    /// How many commits became durable since it was made.
    pub fn commits(&self) -> u64 {
        self.power.commits.load(Ordering::Relaxed)
    }

    /// The next commit fails, as if the power went at its sync.
    pub fn cut_power_at_next_commit(&self) {
        self.cut_power_at_commit(1);
    }

    /// The same for the commit that comes as the `number`-th from now.
    pub fn cut_power_at_commit(&self, number: u64) {
        self.power.fails_in.store(number, Ordering::Relaxed);
    }

    /// The folder of a store in files.
    pub fn folder(&self) -> Option<&Path> {
        self.folder.as_ref().map(TempDir::path)
    }

    /// The power holds.
    pub fn restore_power(&self) {
        self.power.fails_in.store(0, Ordering::Relaxed);
    }

    /// Everything but what is on the disk is gone.
    pub fn crash(&mut self) {
        self.power.fails_in.store(0, Ordering::Relaxed);
        let done = self.commits();
        match &self.folder {
            None => self.db.only_sqlite().unwrap().flush_prepared_statement_cache(),
            Some(folder) => *self = Self::on(copy_files(folder.path())),
        }
        self.power.commits.store(done, Ordering::Relaxed);
    }

    /// A copy to restore some day.
    pub fn copy(&self) -> Copy {
        match &self.folder {
            None => Copy::Memory(copy_memory(&self.db)),
            Some(folder) => Copy::Files(copy_files(folder.path())),
        }
    }

    /// Puts an older copy in the place of the store; the copy can be used again.
    pub fn restore(&mut self, copy: &Copy) {
        let done = self.commits();
        *self = match copy {
            Copy::Memory(db) => {
                let db = copy_memory(db);
                bolebook_log::prepare(&db).unwrap();
                Self::over(db, None)
            }
            Copy::Files(folder) => Self::on(copy_files(folder.path())),
        };
        self.power.commits.store(done, Ordering::Relaxed);
    }
}

/// Whether an error is that of a commit the power was cut at.
///
/// # Panics
/// On any other: the database failed by itself.
pub fn was_power_cut(error: &LogError) -> bool {
    match error {
        LogError::Database(bolebook_db::Error::Sqlite(rusqlite::Error::SqliteFailure(code, _)))
            if code.extended_code == rusqlite::ffi::SQLITE_CONSTRAINT_COMMITHOOK =>
        {
            true
        }
        LogError::Database(error) => panic!("the database failed by itself: {error}"),
        _ => false,
    }
}

fn copy_memory(from: &Connection) -> Connection {
    let mut to = rusqlite::Connection::open_in_memory().unwrap();
    Backup::new(from.only_sqlite().unwrap(), &mut to).unwrap().step(-1).unwrap();
    to.into()
}

fn copy_files(from: &Path) -> TempDir {
    let to = tempfile::tempdir().unwrap();
    for name in [FILE, "log.db-wal"] {
        if from.join(name).is_file() {
            std::fs::copy(from.join(name), to.path().join(name)).unwrap();
        }
    }
    to
}
