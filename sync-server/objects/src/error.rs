//! What can be the matter with a place of bytes: what, where, and what to do. Credentials are in none
//! of these texts.

use std::path::PathBuf;

use bolebook_core::ids::Sha256Hash;

/// What a call gives.
pub type Result<T> = std::result::Result<T, ObjectError>;

/// An object could not be put, read, listed or removed.
#[derive(Debug, thiserror::Error)]
pub enum ObjectError {
    /// The disk.
    #[error("{path}: {source}")]
    Disk {
        /// Where.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// The store does not answer, too slowly, or says that it cannot now. It may pass.
    #[error("{place}: {doing}: {why}: is the object store up, and does a line lead there? It is tried again")]
    Away {
        /// Which store.
        place: String,
        /// What was asked of it.
        doing: String,
        /// What happened.
        why: String,
    },
    /// The store refuses. It stays so until somebody changes something.
    #[error("{place}: {doing}: the object store refuses with {status} {code}: {hint}")]
    Refused {
        /// Which store.
        place: String,
        /// What was asked of it.
        doing: String,
        /// The HTTP status.
        status: u16,
        /// Its own code of the error, if it said one.
        code: String,
        /// What to do.
        hint: &'static str,
    },
    /// The store gave something else than what was put there.
    #[error(
        "{place}: {doing}: {why}: restore it from a copy or a device; 'bolebook-server verify' looks at every photo"
    )]
    Wrong {
        /// Which store.
        place: String,
        /// What was asked of it.
        doing: String,
        /// What is wrong.
        why: String,
    },
    /// The store is full, or a quota is used up.
    #[error("{place}: {doing}: the object store has no room ({code}): make room, or raise its quota")]
    Full {
        /// Which store.
        place: String,
        /// What was asked of it.
        doing: String,
        /// Its own code.
        code: String,
    },
    /// The place is somebody else's.
    #[error("{place} holds what belongs to yard {owner}: give this yard a prefix of its own")]
    Taken {
        /// Which store.
        place: String,
        /// Whose it is.
        owner: String,
    },
    /// Bytes that do not come to their name.
    #[error("the bytes have SHA-256 {found}, and their name is {key}: they were not put there")]
    Address {
        /// The name.
        key: String,
        /// The digest they have.
        found: Sha256Hash,
    },
    /// No name of an object.
    #[error("a name of an upload, or of a piece of one, is of up to 64 hexadecimal digits")]
    Name,
    /// A setting that says no place.
    #[error("{0}")]
    Setting(String),
}

impl ObjectError {
    /// Whether it may pass by itself.
    pub const fn passes(&self) -> bool {
        matches!(self, Self::Away { .. })
    }
}
