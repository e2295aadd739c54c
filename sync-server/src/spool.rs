//! Large files on their way to whoever asked: written once, into a file without a name, and sent from it
//! in parts.
//!
//! A client may read as slowly as it likes, or stop: meanwhile it holds that file, and no thread, lock,
//! transaction or state of the books. Those who ask for the same at the same state share the file; the
//! disk has it back when the last of them is done or gone, also when the server is killed.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::{BufWriter, Error, Read as _, Write as _};
use std::os::unix::fs::FileExt as _;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError, Weak};

use axum::body::{Body, Bytes};
use axum::http::{HeaderValue, header};
use axum::response::{IntoResponse as _, Response};
use bolebook_core::ids::{BookId, Sha256Hash};
use futures_util::stream::try_unfold;
use sha2::{Digest as _, Sha256};

use crate::error::ApiError;
use crate::snapshot::Snapshot;
use crate::state::Inner;

/// Most bytes of a file in memory for each client that is reading it.
const PART: usize = 128 << 10;

/// A finished file that nobody else can open.
#[derive(Debug)]
pub struct Spooled {
    file: File,
    length: u64,
    digest: Sha256Hash,
}

impl Spooled {
    /// Takes a file over: its name is gone when this returns.
    ///
    /// # Errors
    /// The file's.
    pub fn taken(draft: Draft) -> Result<Self, ApiError> {
        let mut file = File::open(draft.path())?;
        drop(draft);
        let (mut digest, mut length, mut part) = (Sha256::new(), 0, vec![0; PART]);
        loop {
            let read = file.read(&mut part)?;
            if read == 0 {
                break;
            }
            digest.update(part.get(..read).unwrap_or_default());
            length += read as u64;
        }
        Ok(Self { file, length, digest: Sha256Hash(digest.finalize().into()) })
    }

    /// Bytes that are at hand.
    ///
    /// # Errors
    /// The disk's.
    pub fn of_bytes(app: &Inner, bytes: &[u8]) -> Result<Self, ApiError> {
        let mut spool = Spool::new(app)?;
        spool.take(bytes)?;
        spool.end()
    }

    /// The SHA-256 of its bytes.
    pub fn digest(&self) -> Sha256Hash {
        self.digest
    }

    fn part(&self, at: u64) -> Result<Bytes, Error> {
        let left = usize::try_from(self.length.saturating_sub(at)).unwrap_or(PART);
        let mut part = vec![0; left.min(PART)];
        self.file.read_exact_at(&mut part, at)?;
        Ok(part.into())
    }

    /// An answer that sends it, each part read only when the one before it was taken.
    pub fn answer(self: Arc<Self>, media: &'static str) -> Response {
        let length = HeaderValue::from(self.length);
        let parts = try_unfold((self, 0), |(file, at)| async move {
            if at >= file.length {
                return Ok::<_, Error>(None);
            }
            let read = tokio::task::spawn_blocking(move || file.part(at).map(|part| (part, file)));
            let (part, file) = read.await.map_err(Error::other)??;
            let next = at + part.len() as u64;
            Ok(Some((part, (file, next))))
        });
        let headers =
            [(header::CONTENT_TYPE, HeaderValue::from_static(media)), (header::CONTENT_LENGTH, length)];
        (headers, Body::from_stream(parts)).into_response()
    }
}

/// The name of a file being written, removed at the latest when this is dropped.
#[derive(Debug)]
pub struct Draft(PathBuf);

impl Draft {
    /// A name that is not in use.
    ///
    /// # Errors
    /// An internal error without randomness.
    pub fn new(app: &Inner) -> Result<Self, ApiError> {
        Ok(Self(app.config.data.join("tmp").join(hex::encode(app.random::<16>()?))))
    }

    /// Where it is.
    pub fn path(&self) -> &Path {
        &self.0
    }
}

impl Drop for Draft {
    fn drop(&mut self) {
        // What cannot be removed is swept at the next start.
        let _ = std::fs::remove_file(&self.0);
    }
}

/// A file being written.
pub struct Spool {
    file: BufWriter<File>,
    digest: Sha256,
    length: u64,
    failed: Option<Error>,
}

impl Spool {
    /// An empty one. Its name is gone when this returns.
    ///
    /// # Errors
    /// The disk's.
    pub fn new(app: &Inner) -> Result<Self, ApiError> {
        let draft = Draft::new(app)?;
        let file = File::options().read(true).write(true).create_new(true).open(draft.path())?;
        let file = BufWriter::with_capacity(PART, file);
        Ok(Self { file, digest: Sha256::new(), length: 0, failed: None })
    }

    fn take(&mut self, bytes: &[u8]) -> Result<(), Error> {
        self.file.write_all(bytes)?;
        self.digest.update(bytes);
        self.length += bytes.len() as u64;
        Ok(())
    }

    /// What `write` writes into a new one.
    ///
    /// # Errors
    /// Why the disk took no more, else the writer's own.
    pub fn of<E: Into<ApiError>>(
        app: &Inner,
        write: impl FnOnce(&mut dyn std::fmt::Write) -> Result<(), E>,
    ) -> Result<Spooled, ApiError> {
        let mut spool = Self::new(app)?;
        match (write(&mut spool), spool.failed.take()) {
            (_, Some(disk)) => Err(disk.into()),
            (Err(error), None) => Err(error.into()),
            (Ok(()), None) => spool.end(),
        }
    }

    fn end(self) -> Result<Spooled, ApiError> {
        let file = self.file.into_inner().map_err(|e| ApiError::from(e.into_error()))?;
        Ok(Spooled { file, length: self.length, digest: Sha256Hash(self.digest.finalize().into()) })
    }
}

impl std::fmt::Write for Spool {
    fn write_str(&mut self, text: &str) -> std::fmt::Result {
        self.take(text.as_bytes()).map_err(|error| {
            self.failed = Some(error);
            std::fmt::Error
        })
    }
}

/// What was made last of each job under each name: its digest for as long as the state stands, the file
/// itself only while someone reads it.
#[derive(Debug, Default)]
pub struct Spools(Mutex<BTreeMap<(BookId, String), Place>>);

type Place = Arc<Mutex<Option<Kept>>>;

#[derive(Debug)]
struct Kept {
    state: Sha256Hash,
    digest: Sha256Hash,
    file: Weak<Spooled>,
}

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Spools {
    fn place(&self, book: BookId, name: &str) -> Place {
        lock(&self.0).entry((book, name.to_owned())).or_default().clone()
    }

    /// The file of a job at a state, from whoever reads it or made now. Whoever asks while it is being
    /// made waits for it.
    ///
    /// # Errors
    /// The making's own.
    pub fn file(
        &self,
        snapshot: &Snapshot,
        book: BookId,
        name: &str,
        make: impl FnOnce() -> Result<Spooled, ApiError>,
    ) -> Result<Arc<Spooled>, ApiError> {
        let place = self.place(book, name);
        let mut kept = lock(&place);
        if let Some(kept) = &*kept
            && kept.state == snapshot.state()
            && let Some(file) = kept.file.upgrade()
        {
            return Ok(file);
        }
        let file = Arc::new(make()?);
        *kept = Some(Kept { state: snapshot.state(), digest: file.digest, file: Arc::downgrade(&file) });
        Ok(file)
    }

    /// The digest of the file, if it was made at this state before.
    pub fn digest(&self, snapshot: &Snapshot, book: BookId, name: &str) -> Option<Sha256Hash> {
        let place = lock(&self.0).get(&(book, name.to_owned()))?.clone();
        let kept = lock(&place);
        kept.as_ref().filter(|kept| kept.state == snapshot.state()).map(|kept| kept.digest)
    }
}
