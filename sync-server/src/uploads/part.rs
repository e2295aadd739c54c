//! Where the bytes of an upload lie until it is a photo.
//!
//! Beside photos in a folder that is one file, synced as far as the offset says. An object cannot be
//! added to: beside photos in an object store an upload is pieces of it, each an object that is never
//! written again. The database names them, in the transaction that moves the offset; so whichever
//! server goes on finds exactly what was acknowledged, and what another wrote and could not note is
//! left over, to be swept.

use std::fs::File;
use std::io::{Read as _, Seek as _, SeekFrom, Write as _};
use std::path::PathBuf;

use axum::http::StatusCode;
use bolebook_core::ids::Sha256Hash;
use bolebook_objects::{Key, Objects};

use super::FOLDER;
use super::table::{self, Piece, Upload};
use crate::error::ApiError;
use crate::spool::Draft;
use crate::state::Inner;

/// A piece has at most so many bytes, so that an upload holds no more of them in memory.
const MOST_PIECE: usize = 1 << 20;
/// A last piece shorter than this is written anew with what follows: many short requests leave few pieces.
const LEAST_PIECE: u64 = 256 << 10;

/// Where an upload's file is, beside photos in a folder.
pub fn file(app: &Inner, id: &str) -> PathBuf {
    app.config.data.join(FOLDER).join(id)
}

/// How many bytes of an upload are there. A copy of a disk or a database may have one and lack the other.
///
/// # Errors
/// The database's.
pub fn there(app: &Inner, id: &str) -> Result<u64, ApiError> {
    match &app.objects {
        Objects::Folder(_) => Ok(std::fs::metadata(file(app, id)).map_or(0, |m| m.len())),
        Objects::Bucket(_) => Ok(end_of(&app.read(|db| table::pieces(db, id))?)),
    }
}

/// Up to where pieces follow one another.
fn end_of(pieces: &[Piece]) -> u64 {
    pieces.iter().fold(0, |end, piece| if piece.start == end { end + piece.bytes } else { end })
}

/// Removes what is there of an upload that the database does not name any more. What cannot be removed
/// now is swept later.
pub fn discard(app: &Inner, id: &str) {
    match &app.objects {
        Objects::Folder(_) => drop(std::fs::remove_file(file(app, id))),
        Objects::Bucket(_) => {
            if let Err(error) = app.objects.remove_pieces(id) {
                tracing::warn!(%error, "pieces of an upload are left over until they are swept");
            }
        }
    }
}

/// An upload's bytes, open for more.
pub enum Part {
    /// A file that grows.
    File(File),
    /// Pieces.
    Pieces(Pieces),
}

/// Pieces being written.
pub struct Pieces {
    id: String,
    /// What is put when it is enough, or at a sync.
    buffer: Vec<u8>,
    /// Where the buffer begins.
    start: u64,
    /// Put, and not in the database yet.
    fresh: Vec<Piece>,
    /// In the database, and written anew with what follows.
    old: Option<Piece>,
}

impl Part {
    /// Opens it at the upload's offset: what came after was never acknowledged.
    ///
    /// # Errors
    /// The disk's, or the object store's; the database's.
    pub fn open(app: &Inner, upload: &Upload) -> Result<Self, ApiError> {
        if app.objects.is_shared() {
            return Ok(Self::Pieces(Pieces::open(app, upload)?));
        }
        let path = file(app, &upload.id);
        let mut file = File::options().create(true).truncate(false).write(true).read(true).open(&path)?;
        if upload.offset == 0 {
            // The name itself must survive before any byte under it counts.
            path.parent().map_or(Ok(()), |folder| File::open(folder)?.sync_all())?;
        }
        file.set_len(upload.offset)?;
        file.seek(SeekFrom::Start(upload.offset))?;
        Ok(Self::File(file))
    }

    /// Adds bytes, which do not count yet.
    ///
    /// # Errors
    /// The disk's, or the object store's.
    pub fn write(&mut self, app: &Inner, bytes: &[u8]) -> Result<(), ApiError> {
        match self {
            Self::File(file) => Ok(file.write_all(bytes)?),
            Self::Pieces(pieces) => pieces.write(app, bytes),
        }
    }

    /// Makes everything written durable; gives the pieces that the database must name for it to count.
    ///
    /// # Errors
    /// The disk's, or the object store's.
    pub fn sync(&mut self, app: &Inner) -> Result<Vec<Piece>, ApiError> {
        match self {
            Self::File(file) => {
                file.sync_all()?;
                Ok(vec![])
            }
            Self::Pieces(pieces) => {
                pieces.put(app)?;
                Ok(pieces.fresh.clone())
            }
        }
    }

    /// The database has what the last sync gave.
    pub fn counts(&mut self, app: &Inner) {
        if let Self::Pieces(pieces) = self {
            let again = pieces.old.take().filter(|old| pieces.fresh.iter().any(|new| new.start == old.start));
            pieces.fresh.clear();
            if let Some(key) = again.and_then(|old| Key::piece(&pieces.id, &old.name).ok()) {
                // Left over if it cannot be removed now, and swept.
                drop(app.objects.forget(&key));
            }
        }
    }

    /// Drops what was written and does not count.
    ///
    /// # Errors
    /// The disk's.
    pub fn back(&mut self, app: &Inner, offset: u64) -> Result<(), ApiError> {
        match self {
            Self::File(file) => Ok(file.set_len(offset)?),
            Self::Pieces(pieces) => {
                for piece in pieces.fresh.drain(..) {
                    Key::piece(&pieces.id, &piece.name).map(|key| drop(app.objects.forget(&key)))?;
                }
                pieces.buffer.clear();
                Ok(())
            }
        }
    }
}

impl Pieces {
    fn open(app: &Inner, upload: &Upload) -> Result<Self, ApiError> {
        let (id, offset) = (upload.id.clone(), upload.offset);
        let mut open = Self { id, buffer: vec![], start: offset, fresh: vec![], old: None };
        let pieces = app.read(|db| table::pieces(db, &upload.id))?;
        let last = pieces.into_iter().find(|p| p.start + p.bytes == offset && p.bytes < LEAST_PIECE);
        if let Some(last) = last
            && let Some(bytes) = read(app, &open.id, &last)?
        {
            (open.buffer, open.start, open.old) = (bytes, last.start, Some(last));
        }
        Ok(open)
    }

    fn write(&mut self, app: &Inner, bytes: &[u8]) -> Result<(), ApiError> {
        self.buffer.extend_from_slice(bytes);
        if self.buffer.len() >= MOST_PIECE { self.put(app) } else { Ok(()) }
    }

    fn put(&mut self, app: &Inner) -> Result<(), ApiError> {
        if self.buffer.is_empty() {
            return Ok(());
        }
        let name = hex::encode(app.random::<16>()?);
        app.objects.put(&Key::piece(&self.id, &name)?, &self.buffer)?;
        let (start, bytes) = (self.start, self.buffer.len() as u64);
        let sha256 = Sha256Hash::of(&self.buffer);
        self.fresh.push(Piece { start, bytes, name, sha256 });
        self.start += bytes;
        self.buffer.clear();
        Ok(())
    }
}

/// A piece as it was put, if it is there.
fn read(app: &Inner, id: &str, piece: &Piece) -> Result<Option<Vec<u8>>, ApiError> {
    let bytes = app.objects.get(&Key::piece(id, &piece.name)?)?;
    let whole = |bytes: &Vec<u8>| bytes.len() as u64 == piece.bytes && Sha256Hash::of(bytes) == piece.sha256;
    Ok(bytes.filter(whole))
}

/// An upload's bytes in one file, to be looked through and put.
pub enum Whole {
    /// Its own.
    Own(PathBuf),
    /// Put together from pieces.
    Gathered(Draft),
}

impl Whole {
    /// Where the file is.
    pub fn path(&self) -> &std::path::Path {
        match self {
            Self::Own(path) => path,
            Self::Gathered(draft) => draft.path(),
        }
    }

    /// Puts the bytes of an upload together; nothing where none are left: it is the photo by now.
    ///
    /// # Errors
    /// 409 when a piece is gone or damaged: the upload then stands before it. The disk's, or the object
    /// store's; the database's.
    pub fn of(app: &Inner, upload: &Upload) -> Result<Option<Self>, ApiError> {
        if !app.objects.is_shared() {
            let path = file(app, &upload.id);
            return Ok(path.is_file().then_some(Self::Own(path)));
        }
        let pieces = app.read(|db| table::pieces(db, &upload.id))?;
        if pieces.is_empty() {
            return Ok(None);
        }
        let draft = Draft::new(app)?;
        let mut file = File::create(draft.path())?;
        let mut end = 0;
        for piece in &pieces {
            let bytes = if piece.start == end { read(app, &upload.id, piece)? } else { None };
            let Some(bytes) = bytes else { break };
            file.write_all(&bytes)?;
            end += piece.bytes;
        }
        if end == upload.length {
            return Ok(Some(Self::Gathered(draft)));
        }
        // Only what stands as it stood when it was read: another server may have gone on meanwhile.
        app.write_idempotent(|tx| {
            if table::pieces(tx, &upload.id)? == pieces {
                tracing::error!(
                    upload = upload.id,
                    end,
                    "a piece of an upload is gone or damaged: its device sends it again"
                );
                table::back(tx, &upload.id, end)?;
            }
            Ok(())
        })?;
        let detail =
            "a part of this upload is not there any more: ask with HEAD how far it is, and go on from there";
        Err(ApiError::new(StatusCode::CONFLICT, "upload-offset", detail))
    }

    /// Its SHA-256 and first bytes.
    ///
    /// # Errors
    /// The disk's.
    pub fn look(&self) -> Result<(Sha256Hash, Vec<u8>), ApiError> {
        use sha2::{Digest as _, Sha256};
        let mut file = File::open(self.path())?;
        let (mut hasher, mut buffer, mut start) = (Sha256::new(), vec![0; 1 << 18], vec![]);
        loop {
            let read = file.read(&mut buffer)?;
            let bytes = buffer.get(..read).unwrap_or_default();
            if read == 0 {
                return Ok((Sha256Hash(hasher.finalize().into()), start));
            }
            if start.is_empty() {
                start.extend_from_slice(
                    bytes.get(..bytes.len().min(crate::photos::SNIFFED)).unwrap_or_default(),
                );
            }
            hasher.update(bytes);
        }
    }
}
