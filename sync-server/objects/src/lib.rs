//! Where the bytes of photos lie, with their thumbnails, the client's papers and uploads under way: in a
//! [`Folder`] of one machine, or in a [`Bucket`] of an S3-compatible object store that any number of
//! servers share. Both have one face, [`Objects`], and one contract, which `tests/tests/objects` runs
//! on each.
//!
//! A [`Key`] is made from a digest or from hexadecimal digits and from nothing else, so no name leads
//! anywhere else. What was put is durable when the call returns: on the disk with its folder, or
//! answered with success by the store. Bytes whose name is their digest are compared with it before
//! they are put and, from a store, after they were read.
//!
//! Every call waits for the disk or the line: never call it on an asynchronous runtime's own thread.

mod access;
mod answer;
mod bucket;
mod error;
mod folder;
mod key;
mod sign;

use std::path::Path;

use bolebook_core::ids::Sha256Hash;

pub use access::{Access, Place};
pub use bucket::Bucket;
pub use error::{ObjectError, Result};
pub use folder::Folder;
pub use key::{Area, Key};
pub use sign::{Signed, signed};

/// What is known of an object without reading it whole.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Head {
    /// Its length in bytes.
    pub bytes: u64,
    /// Its first bytes, as many as were asked for and there are.
    pub start: Vec<u8>,
}

/// An object of a listing.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Listed {
    /// Its name.
    pub key: Key,
    /// Its length in bytes.
    pub bytes: u64,
    /// How long ago it was put, in seconds; nothing where that is not known or lies ahead.
    pub age_s: Option<u64>,
}

/// The one face of both kinds of place.
#[derive(Debug)]
pub enum Objects {
    /// A folder.
    Folder(Folder),
    /// A bucket of an object store.
    Bucket(Box<Bucket>),
}

impl Objects {
    /// Whether other servers, which share no disk with this one, use the same.
    pub const fn is_shared(&self) -> bool {
        matches!(self, Self::Bucket(_))
    }

    /// Puts bytes under a name, in the place of what was there.
    ///
    /// # Errors
    /// [`ObjectError::Address`] for bytes that do not come to the name; the disk's, or the store's.
    pub fn put(&self, key: &Key, bytes: &[u8]) -> Result<()> {
        key.must_be_of(Sha256Hash::of(bytes))?;
        match self {
            Self::Folder(folder) => folder.put(key, bytes),
            Self::Bucket(bucket) => bucket.put(key, bytes),
        }
    }

    /// Puts a file, whose bytes were synced, under a name. `found` is the digest that the caller has
    /// computed of it. A folder takes the file over; a store leaves it where it is.
    ///
    /// # Errors
    /// As [`Objects::put`].
    pub fn put_file(&self, key: &Key, file: &Path, found: Sha256Hash) -> Result<()> {
        key.must_be_of(found)?;
        match self {
            Self::Folder(folder) => folder.put_file(key, file),
            Self::Bucket(bucket) => bucket.put_file(key, file, found),
        }
    }

    /// An object whole, if it is there. From a store, bytes whose name is their digest are compared
    /// with it.
    ///
    /// # Errors
    /// The disk's, or the store's; [`ObjectError::Wrong`] for bytes that are not what was put.
    pub fn get(&self, key: &Key) -> Result<Option<Vec<u8>>> {
        match self {
            Self::Folder(folder) => folder.get(key),
            Self::Bucket(bucket) => bucket.get(key),
        }
    }

    /// Some bytes of an object from an offset on: fewer, or none, where it ends.
    ///
    /// # Errors
    /// The disk's, or the store's.
    pub fn range(&self, key: &Key, offset: u64, most: u64) -> Result<Option<Vec<u8>>> {
        match self {
            Self::Folder(folder) => folder.range(key, offset, most),
            Self::Bucket(bucket) => bucket.range(key, offset, most),
        }
    }

    /// An object's length and first bytes, if it is there.
    ///
    /// # Errors
    /// The disk's, or the store's.
    pub fn head(&self, key: &Key, first: usize) -> Result<Option<Head>> {
        match self {
            Self::Folder(folder) => folder.head(key, first),
            Self::Bucket(bucket) => bucket.head(key, first),
        }
    }

    /// Whether an object is there.
    ///
    /// # Errors
    /// The disk's, or the store's.
    pub fn has(&self, key: &Key) -> Result<bool> {
        Ok(self.head(key, 1)?.is_some())
    }

    /// Removes an object; says whether it was there. Nothing brings it back.
    ///
    /// # Errors
    /// The disk's, or the store's: call it again.
    pub fn remove(&self, key: &Key) -> Result<bool> {
        match self {
            Self::Folder(folder) => folder.remove(key),
            Self::Bucket(bucket) => bucket.remove(key),
        }
    }

    /// The same without a look whether it was there.
    ///
    /// # Errors
    /// As [`Objects::remove`].
    pub fn forget(&self, key: &Key) -> Result<()> {
        match self {
            Self::Folder(folder) => folder.remove(key).map(drop),
            Self::Bucket(bucket) => bucket.forget(key),
        }
    }

    /// Names every object of an area. What has a name that is none of ours is passed over. What is put
    /// or removed meanwhile may be named or not.
    ///
    /// # Errors
    /// The disk's, or the store's; what `each` gives.
    pub fn list(&self, area: Area, each: &mut dyn FnMut(Listed) -> Result<()>) -> Result<()> {
        match self {
            Self::Folder(folder) => folder.list(area, each),
            Self::Bucket(bucket) => bucket.list(area.folder(), each),
        }
    }

    /// Removes every piece of an upload.
    ///
    /// # Errors
    /// The disk's, or the store's: call it again.
    pub fn remove_pieces(&self, upload: &str) -> Result<()> {
        let mut pieces = vec![];
        let mut note = |listed: Listed| {
            pieces.push(listed.key);
            Ok(())
        };
        match self {
            Self::Folder(folder) => folder.list_pieces(upload, &mut note)?,
            Self::Bucket(bucket) => bucket.list(&key::pieces_of(upload)?, &mut note)?,
        }
        pieces.iter().try_for_each(|key| self.forget(key))
    }

    /// Says whether the place answers, in seconds and without trying again.
    ///
    /// # Errors
    /// The store's.
    pub fn ready(&self) -> Result<()> {
        match self {
            Self::Folder(_) => Ok(()),
            Self::Bucket(bucket) => bucket.ready(),
        }
    }

    /// Claims a store's place for a yard, by an object that names it.
    ///
    /// # Errors
    /// [`ObjectError::Taken`] when it is another's; the store's.
    pub fn claim(&self, owner: &str) -> Result<()> {
        match self {
            Self::Folder(_) => Ok(()),
            Self::Bucket(bucket) => bucket.claim(owner),
        }
    }

    /// Which log a store's place says it belongs to: nothing before the first has said so. Two logs in one
    /// place, of one yard even, would sweep each other's uploads away.
    ///
    /// # Errors
    /// The store's; [`ObjectError::Wrong`] when it says something else.
    pub fn log(&self) -> Result<Option<LogClaim>> {
        match self {
            Self::Folder(_) => Ok(None),
            Self::Bucket(bucket) => bucket.log(),
        }
    }

    /// Says which log a store's place belongs to, where nobody has; gives what it says then.
    ///
    /// # Errors
    /// As [`Objects::log`].
    pub fn name_log_first(&self, claim: &LogClaim) -> Result<LogClaim> {
        match self {
            Self::Folder(_) => Ok(claim.clone()),
            Self::Bucket(bucket) => bucket.name_log_first(claim),
        }
    }

    /// Says which log a store's place belongs to, whoever did before.
    ///
    /// # Errors
    /// The store's.
    pub fn name_log(&self, claim: &LogClaim) -> Result<()> {
        match self {
            Self::Folder(_) => Ok(()),
            Self::Bucket(bucket) => bucket.name_log(claim),
        }
    }
}

/// Which log a place belongs to, and a word that its servers change each time they have put it in order: a
/// copy of their database does not know the words that came after it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LogClaim {
    /// The log's name, of hexadecimal digits.
    pub log: String,
    /// The word, of hexadecimal digits.
    pub turn: String,
}

impl LogClaim {
    fn read(bytes: &[u8]) -> Option<Self> {
        let word =
            |word: &&str| !word.is_empty() && word.len() <= 64 && word.bytes().all(|b| b.is_ascii_hexdigit());
        // Somebody may have looked into it with an editor, which ends a line.
        let mut words = std::str::from_utf8(bytes).ok()?.trim_ascii().split(' ');
        let (log, turn) = (words.next().filter(word)?, words.next().filter(word)?);
        words.next().is_none().then(|| Self { log: log.into(), turn: turn.into() })
    }
}

/// As it is kept.
impl std::fmt::Display for LogClaim {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{} {}", self.log, self.turn)
    }
}

impl std::fmt::Display for Objects {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Folder(folder) => folder.fmt(f),
            Self::Bucket(bucket) => bucket.fmt(f),
        }
    }
}
