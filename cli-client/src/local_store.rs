//! The device's own store: one SQLite file with the books' logs, the keys, the register and the
//! settings, and a folder of photos beside it. Works with no server at all.

pub mod recover;

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use bolebook_core::book::Book;
use bolebook_core::exchange::{Entry, LogLine};
use bolebook_core::ids::{BookId, DeviceId, RecordId, Sha256Hash};
use bolebook_core::quantity::UtcMs;
use bolebook_core::record::people::Invitation;
use bolebook_core::service::RegisterEntry;
use bolebook_core::signing::{PublicKey, SecretKey};
use bolebook_db::{Connection, OptionalExtension as _, Transaction, TransactionBehavior, params};
use bolebook_log::{BookKind, LogError, Page};
use serde::Serialize;
use serde::de::DeserializeOwned;

/// The store failed.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// No store where one was expected.
    #[error("there is no store in {0}")]
    None(PathBuf),
    /// A store where a new one was to be made.
    #[error("{0} already holds a store, and nothing in it was touched")]
    Exists(PathBuf),
    /// A folder or file could not be made, read or written.
    #[error("{doing} {path}: {source}")]
    File {
        /// What was being done, for example `reading`.
        doing: &'static str,
        /// With what.
        path: PathBuf,
        /// Why not.
        source: std::io::Error,
    },
    /// The log failed.
    #[error(transparent)]
    Log(#[from] LogError),
    /// The database failed while lines were being packed, or made text again: some are.
    #[error("the store's database failed: {0}")]
    HalfPacked(bolebook_db::Error),
    /// The database failed.
    #[error("the store's database failed: {0}")]
    Database(#[from] bolebook_db::Error),
    /// Something stored cannot be read any more.
    #[error("{what} in the store cannot be read: {why}")]
    Damaged {
        /// What.
        what: String,
        /// Why.
        why: String,
    },
    /// This device has not joined a yard.
    #[error("this device has not joined a yard yet")]
    NoYard,
}

/// Names of the settings.
pub mod setting {
    /// The seed of the device's own key.
    pub const DEVICE_SEED: &str = "device_seed";
    /// The seed of the root key, on the office's founding device only.
    pub const ROOT_SEED: &str = "root_seed";
    /// The yard book.
    pub const YARD: &str = "yard";
    /// The root public key pinned when this device joined.
    pub const ROOT_KEY: &str = "root_key";
    /// What commands assume when an option is left out.
    pub const DEFAULTS: &str = "defaults";
    /// The server and its token.
    pub const SERVER: &str = "server";
    /// A joining device's certificate, until it is in the yard book.
    pub const CERTIFICATE: &str = "certificate";
    /// How often a seeded process opened the store.
    pub const OPENINGS: &str = "openings";
    /// Every one of them.
    pub const ALL: [&str; 8] =
        [DEVICE_SEED, ROOT_SEED, YARD, ROOT_KEY, DEFAULTS, SERVER, CERTIFICATE, OPENINGS];
}

const TABLES: &str = "
    CREATE TABLE IF NOT EXISTS settings (name TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
    CREATE TABLE IF NOT EXISTS register (
        id TEXT PRIMARY KEY, entry TEXT NOT NULL, updated_at INTEGER NOT NULL, sent INTEGER NOT NULL
    ) WITHOUT ROWID;
    CREATE TABLE IF NOT EXISTS invitations (
        code_key TEXT PRIMARY KEY, invitation TEXT NOT NULL, deposited INTEGER NOT NULL
    ) WITHOUT ROWID;
    CREATE TABLE IF NOT EXISTS photos_sent (
        server TEXT NOT NULL, sha256 TEXT NOT NULL, PRIMARY KEY (server, sha256)
    ) WITHOUT ROWID;
";

/// An entry of the register, with the one field people are called by.
pub fn register_entry(id: RecordId, kind: &str, name: &str, now: UtcMs) -> RegisterEntry {
    let field = if kind == "licence" { "number" } else { "name" };
    let fields = std::iter::once((field.to_owned(), name.trim().into())).collect();
    RegisterEntry { fields, ..RegisterEntry::new(id, kind, now) }
}

/// An open store.
#[derive(Debug)]
pub struct Store {
    db: Connection,
    folder: PathBuf,
}

impl Store {
    /// Makes a new store in a folder.
    ///
    /// # Errors
    /// [`StoreError::Exists`] when the folder holds one already.
    pub fn create(folder: &Path) -> Result<Self, StoreError> {
        let path = file_of(folder);
        if path.exists() {
            return Err(StoreError::Exists(folder.to_owned()));
        }
        let file = |doing, path: &Path| {
            let path = path.to_owned();
            move |source| StoreError::File { doing, path, source }
        };
        std::fs::create_dir_all(folder).map_err(file("making", folder))?;
        private(folder, 0o700).map_err(file("making private", folder))?;
        // The file exists, readable by its owner only, before the first key is written into it.
        std::fs::File::create_new(&path).map_err(file("making", &path))?;
        private(&path, 0o600).map_err(file("making private", &path))?;
        Self::connect(folder)
    }

    /// Opens the store in a folder.
    ///
    /// # Errors
    /// [`StoreError::None`] when there is none.
    pub fn open(folder: &Path) -> Result<Self, StoreError> {
        if !file_of(folder).is_file() {
            return Err(StoreError::None(folder.to_owned()));
        }
        Self::connect(folder)
    }

    fn connect(folder: &Path) -> Result<Self, StoreError> {
        let db = bolebook_log::open(&file_of(folder))?;
        db.execute_batch(TABLES)?;
        Ok(Self { db, folder: folder.to_owned() })
    }

    /// The database, for the log's own functions.
    pub fn db(&self) -> &Connection {
        &self.db
    }

    /// The database, for an exchange.
    pub fn db_mut(&mut self) -> &mut Connection {
        &mut self.db
    }

    /// The folder.
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// The database file's length in bytes, without its write-ahead log.
    ///
    /// # Errors
    /// [`StoreError::File`] when it cannot be looked at.
    pub fn file_bytes(&self) -> Result<u64, StoreError> {
        let path = file_of(&self.folder);
        match std::fs::metadata(&path) {
            Ok(meta) => Ok(meta.len()),
            Err(source) => Err(StoreError::File { doing: "reading", path, source }),
        }
    }

    /// Begins a transaction that no other process can write beside.
    ///
    /// # Errors
    /// [`StoreError::Database`], also when another process kept the store for ten seconds.
    pub fn begin(&self) -> Result<Transaction<'_>, StoreError> {
        Ok(self.db.begin(TransactionBehavior::Immediate)?)
    }

    /// A setting, if it was made.
    ///
    /// # Errors
    /// [`StoreError`] when it cannot be read.
    pub fn setting<T: DeserializeOwned>(&self, name: &str) -> Result<Option<T>, StoreError> {
        let mut query = self.db.prepare_cached("SELECT value FROM settings WHERE name = ?1")?;
        let text: Option<String> = query.query_row([name], |row| row.get(0)).optional()?;
        text.map(|t| serde_json::from_str(&t).map_err(|e| damaged(name, &e))).transpose()
    }

    /// Makes or changes a setting.
    ///
    /// # Errors
    /// [`StoreError`] when it cannot be written.
    pub fn set(&self, name: &str, value: &impl Serialize) -> Result<(), StoreError> {
        let text = serde_json::to_string(value).map_err(|e| damaged(name, &e))?;
        let mut put =
            self.db.prepare_cached("INSERT OR REPLACE INTO settings (name, value) VALUES (?1, ?2)")?;
        put.execute(params![name, text])?;
        Ok(())
    }

    /// Takes a setting back.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn unset(&self, name: &str) -> Result<(), StoreError> {
        self.db.execute("DELETE FROM settings WHERE name = ?1", [name])?;
        Ok(())
    }

    /// Counts an opening and gives its number.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn count_opening(&self) -> Result<u64, StoreError> {
        let tx = self.begin()?;
        let number = self.setting::<u64>(setting::OPENINGS)?.unwrap_or(0) + 1;
        self.set(setting::OPENINGS, &number)?;
        tx.commit()?;
        Ok(number)
    }

    /// This device's key.
    ///
    /// # Errors
    /// [`StoreError::NoYard`] when it has none yet.
    pub fn device_key(&self) -> Result<SecretKey, StoreError> {
        self.key(setting::DEVICE_SEED)?.ok_or(StoreError::NoYard)
    }

    /// The root key, on the office's founding device.
    ///
    /// # Errors
    /// [`StoreError`] when it cannot be read.
    pub fn root_key(&self) -> Result<Option<SecretKey>, StoreError> {
        self.key(setting::ROOT_SEED)
    }

    fn key(&self, name: &str) -> Result<Option<SecretKey>, StoreError> {
        let Some(digits) = self.setting::<String>(name)? else { return Ok(None) };
        let mut seed = [0; 32];
        hex::decode_to_slice(&digits, &mut seed)
            .map_err(|e| StoreError::Damaged { what: name.to_owned(), why: e.to_string() })?;
        Ok(Some(SecretKey::from_seed(seed)))
    }

    /// Keeps a key.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn keep_key(&self, name: &str, key: &SecretKey) -> Result<(), StoreError> {
        self.set(name, &hex::encode(key.seed()))
    }

    /// The yard book's id.
    ///
    /// # Errors
    /// [`StoreError::NoYard`] before the yard is made or joined.
    pub fn yard(&self) -> Result<BookId, StoreError> {
        self.setting(setting::YARD)?.ok_or(StoreError::NoYard)
    }

    /// The job books, ascending by id.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn jobs(&self) -> Result<Vec<BookId>, StoreError> {
        let books = bolebook_log::books(&self.db)?;
        Ok(books.into_iter().filter(|b| b.kind == BookKind::Job).map(|b| b.book).collect())
    }

    /// Reads a whole book.
    ///
    /// # Errors
    /// [`StoreError::Damaged`] when a line is not what was stored.
    pub fn book(&self, id: BookId) -> Result<Book, StoreError> {
        let mut book = Book::new(id);
        for stored in bolebook_log::read(&self.db, id, 0, Page::ALL)? {
            let line = LogLine::parse_stored(&stored.text).map_err(|e| StoreError::Damaged {
                what: format!("line {} of book {id}", stored.position),
                why: e.to_string(),
            })?;
            match line.into_entry() {
                Entry::Commit(commit) => book.take_stored(commit),
                Entry::Signature(signature) => book.take_signature(signature),
            }
        }
        Ok(book)
    }

    /// Every entry of the register, ascending by id.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn register(&self) -> Result<Vec<RegisterEntry>, StoreError> {
        self.register_where("SELECT entry FROM register ORDER BY id")
    }

    /// The entries the server has not had.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn register_unsent(&self) -> Result<Vec<RegisterEntry>, StoreError> {
        self.register_where("SELECT entry FROM register WHERE sent = 0 ORDER BY id")
    }

    fn register_where(&self, query: &str) -> Result<Vec<RegisterEntry>, StoreError> {
        let mut query = self.db.prepare_cached(query)?;
        let rows = query.query_map([], |row| row.get::<_, String>(0))?;
        rows.map(|text| serde_json::from_str(&text?).map_err(|e| damaged("register", &e))).collect()
    }

    /// Makes or changes an entry of the register; a state that does not replace the one here changes
    /// nothing. Says whether it did.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn register_put(&self, entry: &RegisterEntry, sent: bool) -> Result<bool, StoreError> {
        let mut query = self.db.prepare_cached("SELECT entry FROM register WHERE id = ?1")?;
        let id = entry.id.to_string();
        let old: Option<String> = query.query_row([&id], |row| row.get(0)).optional()?;
        let old: Option<RegisterEntry> =
            old.map(|text| serde_json::from_str(&text).map_err(|e| damaged("register", &e))).transpose()?;
        let same = old.as_ref() == Some(entry);
        if !same && old.is_some_and(|old| !entry.replaces(&old)) {
            return Ok(false);
        }
        let text = serde_json::to_string(entry).map_err(|e| damaged("register", &e))?;
        let mut put = self.db.prepare_cached(
            "INSERT OR REPLACE INTO register (id, entry, updated_at, sent) VALUES (?1, ?2, ?3, ?4)",
        )?;
        put.execute(params![id, text, entry.updated_at.0, sent])?;
        Ok(!same)
    }

    /// The photos the office has erased.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn erased_photos(&self) -> Result<BTreeSet<Sha256Hash>, StoreError> {
        Ok(self.register()?.into_iter().filter_map(|e| e.erased?.photo).collect())
    }

    /// Removes the bytes of erased photos that are still here.
    ///
    /// # Errors
    /// [`StoreError::File`].
    pub fn remove_erased_photos(&self) -> Result<(), StoreError> {
        for photo in self.erased_photos()? {
            let path = self.photo_path(photo);
            for path in [path.with_extension("part"), path] {
                match std::fs::remove_file(&path) {
                    Err(source) if source.kind() != std::io::ErrorKind::NotFound => {
                        return Err(StoreError::File { doing: "removing", path, source });
                    }
                    _ => {}
                }
            }
        }
        Ok(())
    }

    /// Writes the store's file anew, so that nothing erased is left in it. Says whether its
    /// write-ahead log is empty too.
    ///
    /// # Errors
    /// [`StoreError`]; the file is then as it was.
    pub fn wipe(&self) -> Result<bool, StoreError> {
        Ok(bolebook_log::wipe(&self.db)?)
    }

    /// Keeps an invitation for the server.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn keep_invitation(&self, invitation: &Invitation) -> Result<(), StoreError> {
        let text = serde_json::to_string(invitation).map_err(|e| damaged("invitation", &e))?;
        let key = &invitation.code_key.key;
        self.db.execute(
            "INSERT INTO invitations (code_key, invitation, deposited) VALUES (?1, ?2, 0)",
            [key, &text],
        )?;
        Ok(())
    }

    /// The invitations no server has yet.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn invitations_to_deposit(&self) -> Result<Vec<Invitation>, StoreError> {
        let mut query = self.db.prepare_cached("SELECT invitation FROM invitations WHERE deposited = 0")?;
        let rows = query.query_map([], |row| row.get::<_, String>(0))?;
        rows.map(|text| serde_json::from_str(&text?).map_err(|e| damaged("invitation", &e))).collect()
    }

    /// Marks an invitation as deposited.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn invitation_deposited(&self, invitation: &Invitation) -> Result<(), StoreError> {
        self.db.execute(
            "UPDATE invitations SET deposited = 1 WHERE code_key = ?1",
            [&invitation.code_key.key],
        )?;
        Ok(())
    }

    /// Whether a server was given a photo.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn is_photo_sent(&self, server: DeviceId, digest: Sha256Hash) -> Result<bool, StoreError> {
        let mut query =
            self.db.prepare_cached("SELECT 1 FROM photos_sent WHERE server = ?1 AND sha256 = ?2")?;
        Ok(query.exists(params![server.to_string(), digest.to_string()])?)
    }

    /// Marks a photo as given to a server.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn photo_sent(&self, server: DeviceId, digest: Sha256Hash) -> Result<(), StoreError> {
        let mut put =
            self.db.prepare_cached("INSERT OR IGNORE INTO photos_sent (server, sha256) VALUES (?1, ?2)")?;
        put.execute(params![server.to_string(), digest.to_string()])?;
        Ok(())
    }

    /// The root public key pinned when the yard was made or joined.
    ///
    /// # Errors
    /// [`StoreError::NoYard`] before that.
    pub fn root_pin(&self) -> Result<PublicKey, StoreError> {
        self.setting(setting::ROOT_KEY)?.ok_or(StoreError::NoYard)
    }

    /// Where a photo's bytes are kept: by their digest.
    pub fn photo_path(&self, digest: Sha256Hash) -> PathBuf {
        let name = digest.to_string();
        self.folder.join("photos").join(&name[..2]).join(name)
    }

    /// Keeps a photo's bytes under their digest.
    ///
    /// # Errors
    /// [`StoreError::File`].
    pub fn keep_photo(&self, bytes: &[u8]) -> Result<Sha256Hash, StoreError> {
        let digest = Sha256Hash::of(bytes);
        let path = self.photo_path(digest);
        if path.is_file() {
            return Ok(digest);
        }
        let failed = |source| StoreError::File { doing: "writing", path: path.clone(), source };
        if let Some(folder) = path.parent() {
            std::fs::create_dir_all(folder).map_err(failed)?;
        }
        // Written beside and renamed, so that a file under its digest is always whole.
        let beside = path.with_extension("part");
        let written = std::fs::File::create(&beside).and_then(|mut file| {
            std::io::Write::write_all(&mut file, bytes)?;
            file.sync_all()
        });
        written.map_err(failed)?;
        std::fs::rename(&beside, &path).map_err(failed)?;
        Ok(digest)
    }
}

fn damaged(what: &str, why: &dyn std::fmt::Display) -> StoreError {
    StoreError::Damaged { what: format!("'{what}'"), why: why.to_string() }
}

fn file_of(folder: &Path) -> PathBuf {
    folder.join("bolebook.db")
}

#[cfg(unix)]
fn private(path: &Path, mode: u32) -> std::io::Result<()> {
    use std::os::unix::fs::PermissionsExt as _;
    std::fs::set_permissions(path, std::fs::Permissions::from_mode(mode))
}

#[cfg(not(unix))]
fn private(_: &Path, _: u32) -> std::io::Result<()> {
    Ok(())
}
