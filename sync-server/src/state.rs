//! What every handler shares: configuration, identity, connections, the directory of devices.

use std::path::PathBuf;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use bolebook_core::authority::{BookAccess, Directory, may_matter};
use bolebook_core::exchange::Cursor;
use bolebook_core::ids::{BookId, DeviceId};
use bolebook_core::quantity::UtcMs;
use bolebook_db::{Connection, Transaction};
use bolebook_log::{LogError, Page};
use bolebook_objects::{ObjectError, Objects};
use tokio::sync::{Notify, Semaphore};

use crate::answer::Answers;
use crate::auth::Tokens;
use crate::database::{Database, Place};
use crate::desk::DeskState;
use crate::erasing;
use crate::error::ApiError;
use crate::field::Files;
use crate::findings::Findings;
use crate::grown::{Fresh, load};
use crate::identity::{Identity, IdentityError};
use crate::left::sweep;
use crate::limiter::{Limiter, Quota};
use crate::metrics::Metrics;
use crate::photos;
use crate::snapshot::Snapshots;
use crate::spool::Spools;
use crate::uploads::{self, Turns};

pub use crate::photos::home::{PhotoStore, objects};

/// Tells the time: the system's, or a test's.
pub type Clock = Arc<dyn Fn() -> UtcMs + Send + Sync>;

/// What can be set.
#[derive(Clone, Debug)]
pub struct Config {
    /// The data folder.
    pub data: PathBuf,
    /// The database, if it is not the folder's own: `postgres://…`, for several servers at once.
    pub store: Option<String>,
    /// The object store for photos, if they do not lie in the data folder.
    pub photos: Option<PhotoStore>,
    /// Enrolment attempts per address and minute.
    pub enrolments_per_minute: u32,
    /// Token requests per address and minute.
    pub tokens_per_minute: u32,
    /// Requests per device and minute, of whatever kind.
    pub requests_per_minute: u32,
    /// Exchanges worked on at once; each may hold its unpacked body in memory.
    pub exchanges_at_once: usize,
    /// Most connections of a listener at once; above it new ones wait.
    pub connections_at_once: usize,
    /// How long the head of a request may take, and a connection be silent between two, in milliseconds.
    pub head_timeout_ms: u64,
    /// How long a reader may take nothing of an answer that waits for it, in milliseconds.
    pub unread_timeout_ms: u64,
    /// How long a request may take, in milliseconds.
    pub request_timeout_ms: u64,
    /// Largest photo, in bytes.
    pub photo_bytes: u64,
    /// Most bytes of photos a device may bring in 24 hours.
    pub photo_bytes_per_day: u64,
    /// Most uploads a device may have under way.
    pub uploads_per_device: u64,
    /// How long an upload waits for its next byte, in milliseconds.
    pub upload_life_ms: i64,
    /// How many bytes of log lines an author may add in an hour; what comes first is always taken.
    pub author_bytes_per_hour: u64,
    /// Most lines and bytes of an answer.
    pub page: Page,
    /// The field app's folder, if it was built.
    pub web: Option<PathBuf>,
    /// Where devices reach this server from outside: what an enrolment code shows.
    pub api_url: String,
    /// Where people reach the desk, behind its TLS proxy; `https` makes its cookies secure ones.
    pub desk_url: Option<String>,
    /// Where clients reach the portal: the links given to them begin with it.
    pub portal_url: Option<String>,
}

impl Config {
    /// The usual settings for a data folder.
    pub fn new(data: PathBuf) -> Self {
        Self {
            data,
            store: None,
            photos: None,
            enrolments_per_minute: 20,
            tokens_per_minute: 240,
            requests_per_minute: 6_000,
            exchanges_at_once: 4,
            connections_at_once: 1_024,
            head_timeout_ms: 30_000,
            unread_timeout_ms: 120_000,
            request_timeout_ms: 120_000,
            photo_bytes: 40 << 20,
            photo_bytes_per_day: 4 << 30,
            uploads_per_device: 64,
            upload_life_ms: 7 * 86_400_000,
            author_bytes_per_hour: 256 << 20,
            page: Page { lines: 50_000, bytes: 24 << 20 },
            web: None,
            api_url: "http://127.0.0.1:8642".into(),
            desk_url: None,
            portal_url: None,
        }
    }
}

/// The server could not start.
#[derive(Debug, thiserror::Error)]
pub enum StartError {
    /// No identity, or a damaged one.
    #[error("{0} (set the folder up with 'bolebook-server init')")]
    Identity(#[from] IdentityError),
    /// The database.
    #[error("{place}: {source}")]
    Log {
        /// Which.
        place: String,
        /// Why.
        source: LogError,
    },
    /// A folder.
    #[error("{path}: {source}")]
    Folder {
        /// Which.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// No random numbers.
    #[error("the system gives no random numbers")]
    Random,
    /// What was erased before could not be erased again.
    #[error("what {0} names could not be erased again: the log's line before this one says why")]
    Erasing(PathBuf),
    /// Where photos lie.
    #[error("{0}")]
    Objects(#[from] ObjectError),
    /// What a crash left of photos could not be put in order.
    #[error("photos could not be put in order: {0}")]
    Photos(ApiError),
}

/// The running server.
#[derive(Clone)]
pub struct App(Arc<Inner>);

impl std::ops::Deref for App {
    type Target = Inner;

    fn deref(&self) -> &Inner {
        &self.0
    }
}

/// The running server's parts.
pub struct Inner {
    /// Settings.
    pub config: Config,
    /// Who it is.
    pub identity: Identity,
    /// Tokens made and taken.
    pub tokens: Tokens,
    /// How often an address may try a code.
    pub enrol_limit: Limiter,
    /// How often an address may ask for a token.
    pub token_limit: Limiter,
    /// How often a device may ask for anything.
    pub request_limit: Limiter<DeviceId>,
    /// How much each author has added.
    pub quota: Quota,
    /// Room for exchanges.
    pub room: Arc<Semaphore>,
    /// Who is at which upload.
    pub turns: Turns,
    /// Room for decoding pictures.
    pub thumbnails: Arc<Semaphore>,
    /// What is computed from the books.
    pub findings: Findings,
    /// The field app's files.
    pub web: Files,
    /// The books as they were last read.
    pub snapshots: Snapshots,
    /// What was taken in since.
    pub fresh: Fresh,
    /// Large files being sent.
    pub spools: Spools,
    /// Long answers being sent.
    pub answers: Answers,
    /// What is counted for whoever watches.
    pub metrics: Metrics,
    /// The office desk.
    pub desk: DeskState,
    clock: Clock,
    /// Where photos lie.
    pub objects: Objects,
    /// Rings when something there waits to be put in order.
    pub untidy: Notify,
    /// Its connections.
    pub database: Database,
    /// Tells this process from the others on the same database.
    pub process: String,
    directory: Mutex<Option<Known>>,
}

/// What the yard's book says of devices.
#[derive(Clone)]
pub struct YardNow {
    /// Who they are and what they may do.
    pub directory: Arc<Directory>,
    /// Which books crews' devices may have.
    pub access: Arc<BookAccess>,
}

impl YardNow {
    /// Whether any signature that arrives may change it.
    pub fn waiting(&self) -> bool {
        self.directory.waiting() || self.access.waiting()
    }
}

struct Known {
    now: YardNow,
    end: Cursor,
}

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    // A thread that panicked left its transaction rolled back; what it guarded is whole.
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl App {
    /// Opens the data folder.
    ///
    /// # Errors
    /// [`StartError`] when it was not set up, or something in it cannot be opened.
    pub fn open(config: Config, clock: Clock) -> Result<Self, StartError> {
        let app = Self::open_beside(config, clock)?;
        sweep(&app.config.data.join("tmp"), app.is_shared())?;
        if app.objects.is_shared() {
            app.open_store()?;
        } else {
            uploads::store::recover(&app)
                .and_then(|()| photos::held::recover(&app))
                .map_err(StartError::Photos)?;
        }
        Ok(app)
    }

    /// Sees whether the object store takes this server. One that is away now may come while it runs, and
    /// the books need not wait for it.
    fn open_store(&self) -> Result<(), StartError> {
        let data = self.config.data.join("photos");
        if std::fs::read_dir(&data).is_ok_and(|mut there| there.next().is_some()) {
            tracing::warn!(folder = %data.display(), "photos lie here too: 'bolebook-server migrate' brings what the object store lacks; what it has may be removed here");
        }
        photos::place::at_start(&self.database, &self.objects, self.identity.yard)
    }

    /// Opens the data folder while a server may be running on it: its drafts are left alone.
    ///
    /// # Errors
    /// As [`App::open`].
    pub fn open_beside(config: Config, clock: Clock) -> Result<Self, StartError> {
        let identity = Identity::load(&config.data)?;
        let objects = objects(&config.data, config.photos.as_ref())?;
        let folders = if objects.is_shared() {
            &["tmp"][..]
        } else {
            &["photos", "thumbnails", "tmp", uploads::FOLDER]
        };
        for folder in folders {
            let path = config.data.join(folder);
            std::fs::create_dir_all(&path).map_err(|source| StartError::Folder { path, source })?;
        }
        // Names, licence numbers and photos are for the server's own account only.
        use std::os::unix::fs::PermissionsExt as _;
        std::fs::set_permissions(&config.data, std::fs::Permissions::from_mode(0o700))
            .map_err(|source| StartError::Folder { path: config.data.clone(), source })?;
        let place = Place::of(&config.data, config.store.as_deref());
        let writer =
            place.lay_out().map_err(|source| StartError::Log { place: place.to_string(), source })?;
        let mut process = [0; 16];
        // Without randomness two processes may go by one name, and an upload's turn is not told apart.
        getrandom::fill(&mut process).map_err(|_| StartError::Random)?;
        let process = hex::encode(process);
        let note = config.data.join(erasing::NOTE);
        let erased_again = erasing::at_start(&config.data, &writer, &objects)
            .map_err(|_| StartError::Erasing(note.clone()))?;
        let web = match &config.web {
            Some(folder) => {
                Files::read(folder).map_err(|source| StartError::Folder { path: folder.clone(), source })?
            }
            None => Files::default(),
        };
        let tokens = Tokens::new(identity.device());
        let metrics = Metrics::default();
        let database = Database::new(place, writer).counting(metrics.repeats.clone());
        let app = Self(Arc::new(Inner {
            tokens,
            enrol_limit: Limiter::new(config.enrolments_per_minute),
            token_limit: Limiter::new(config.tokens_per_minute),
            request_limit: Limiter::new(config.requests_per_minute),
            quota: Quota::new(config.author_bytes_per_hour),
            room: Arc::new(Semaphore::new(config.exchanges_at_once)),
            turns: Turns::default(),
            thumbnails: Arc::new(Semaphore::new(1)),
            findings: Findings::default(),
            web,
            snapshots: Snapshots::default(),
            fresh: Fresh::default(),
            spools: Spools::default(),
            answers: Answers::default(),
            metrics,
            desk: DeskState::default(),
            clock,
            objects,
            untidy: Notify::new(),
            database,
            process,
            directory: Mutex::new(None),
            identity,
            config,
        }));
        if erased_again {
            erasing::after_start(&app).map_err(|_| StartError::Erasing(note))?;
        }
        Ok(app)
    }

    /// Runs blocking work on a thread made for it.
    ///
    /// # Errors
    /// The work's own; a panic in it is an internal error.
    pub async fn blocking<T: Send + 'static>(
        &self,
        work: impl FnOnce(&Inner) -> Result<T, ApiError> + Send + 'static,
    ) -> Result<T, ApiError> {
        let app = self.clone();
        let span = tracing::Span::current();
        match tokio::task::spawn_blocking(move || span.in_scope(|| work(&app))).await {
            Ok(done) => done,
            Err(panic) => Err(ApiError::internal(&panic)),
        }
    }
}

impl Inner {
    /// The server's clock.
    pub fn now(&self) -> UtcMs {
        (self.clock)()
    }

    /// Fresh random bytes.
    ///
    /// # Errors
    /// An internal error when the system has none.
    pub fn random<const N: usize>(&self) -> Result<[u8; N], ApiError> {
        let mut bytes = [0; N];
        getrandom::fill(&mut bytes).map_err(|e| ApiError::internal(&e))?;
        Ok(bytes)
    }

    /// Reads with a connection of its own.
    ///
    /// # Errors
    /// The work's own.
    pub fn read<T>(&self, work: impl FnOnce(&Connection) -> Result<T, ApiError>) -> Result<T, ApiError> {
        self.database.read(work)
    }

    /// Writes in one transaction, which is on the disk when this returns `Ok`.
    ///
    /// # Errors
    /// As [`Database::write`].
    pub fn write<T>(&self, work: impl FnMut(&Transaction<'_>) -> Result<T, ApiError>) -> Result<T, ApiError> {
        self.database.write(work)
    }

    /// Writes what comes to the same if it is written twice.
    ///
    /// # Errors
    /// As [`Database::write_idempotent`].
    pub fn write_idempotent<T>(
        &self,
        work: impl FnMut(&Transaction<'_>) -> Result<T, ApiError>,
    ) -> Result<T, ApiError> {
        self.database.write_idempotent(work)
    }

    /// Writes what belongs to these books, and comes to the same if it is written twice.
    ///
    /// # Errors
    /// As [`Database::write_into`].
    pub fn write_into<T>(
        &self,
        books: &[BookId],
        work: impl FnMut(&Transaction<'_>) -> Result<T, ApiError>,
    ) -> Result<T, ApiError> {
        self.database.write_into(books, work)
    }

    /// Whether other servers may use the same database.
    pub const fn is_shared(&self) -> bool {
        self.database.place().is_shared()
    }

    /// The yard's devices as the log says now, or nothing before the yard's genesis came.
    ///
    /// The yard book is read again only when a line came that may change the answer. Called before
    /// anything is written in a transaction, so that what it keeps is never rolled back.
    ///
    /// # Errors
    /// The database's; a damaged yard book.
    pub fn directory(&self, db: &Connection) -> Result<Option<Arc<Directory>>, ApiError> {
        Ok(self.yard_now(db)?.map(|now| now.directory))
    }

    /// The same with the books that crews' devices may have.
    ///
    /// # Errors
    /// As [`Inner::directory`].
    pub fn yard_now(&self, db: &Connection) -> Result<Option<YardNow>, ApiError> {
        let yard = self.identity.yard;
        let Some(info) = bolebook_log::book(db, yard)? else { return Ok(None) };
        let mut known = lock(&self.directory);
        // The chain tells whether it is still the same log: a hub's may have been laid out anew.
        if let Some(known) = &mut *known
            && known.end.position <= info.end.position
            && bolebook_log::chain_at(db, yard, known.end.position)? == Some(known.end.chain)
        {
            let news = bolebook_log::read(db, yard, known.end.position, Page::ALL)?;
            if !known.now.waiting() && !news.iter().any(|l| l.is_unreadable() || may_matter(&l.text)) {
                known.end = info.end;
                return Ok(Some(known.now.clone()));
            }
        }
        let Some(now) = self.yard_read(db)? else { return Ok(None) };
        *known = Some(Known { now: now.clone(), end: info.end });
        Ok(Some(now))
    }

    /// The same read from the book itself and kept nowhere: for a transaction that has written into it.
    ///
    /// # Errors
    /// As [`Inner::directory`].
    pub fn yard_read(&self, db: &Connection) -> Result<Option<YardNow>, ApiError> {
        let yard = self.identity.yard;
        if bolebook_log::book(db, yard)?.is_none() {
            return Ok(None);
        }
        let book = load(db, yard)?;
        let directory = Directory::read(&book, &self.identity.root).map_err(|e| ApiError::internal(&e))?;
        let access = Arc::new(BookAccess::read(&book, &directory));
        Ok(Some(YardNow { directory: Arc::new(directory), access }))
    }
}
