//! The header fields of a resumable upload, read strictly. Pure: text in, values or a reason out.
//!
//! Source: tus resumable upload protocol 1.0.0 (2016-03-25), 'Headers' of the core protocol and of
//! the extensions Creation and Checksum.

use std::collections::BTreeMap;

use base64::Engine as _;
use base64::prelude::BASE64_STANDARD;
use bolebook_core::ids::Sha256Hash;
use sha1::Sha1;
use sha2::{Digest as _, Sha256};

/// Longest `Upload-Metadata`, in bytes, and most pairs in it.
pub const MAX_METADATA_BYTES: usize = 4_096;
const MAX_PAIRS: usize = 16;

/// A header field that is not what the protocol says.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum HeaderError {
    /// Not a count of bytes.
    #[error("it must be a count of bytes: decimal digits, at most {}", i64::MAX)]
    Count,
    /// A metadata pair that is none.
    #[error(
        "pair {0} must be a key without spaces or commas, a space and a value in base64, each key once, at most {MAX_PAIRS} pairs and {MAX_METADATA_BYTES} bytes"
    )]
    Pair(usize),
    /// No digest of the bytes named.
    #[error("it must name 'sha256': the digest of the whole photo, 64 hexadecimal digits, in base64")]
    Digest,
    /// Not a checksum.
    #[error("it must be 'sha1' or 'sha256', a space and the digest in base64")]
    Checksum,
}

/// A count of bytes: `Upload-Offset`, `Upload-Length`. Digits only, no sign, no blanks.
///
/// # Errors
/// [`HeaderError::Count`].
pub fn count(text: &str) -> Result<u64, HeaderError> {
    if text.is_empty() || !text.bytes().all(|b| b.is_ascii_digit()) {
        return Err(HeaderError::Count);
    }
    // What the database cannot hold is no length of a photo.
    text.parse().ok().filter(|n| i64::try_from(*n).is_ok()).ok_or(HeaderError::Count)
}

/// The pairs of `Upload-Metadata`. A value may be absent, and is then empty.
///
/// # Errors
/// [`HeaderError::Pair`] with the number of the pair, from 1.
pub fn metadata(text: &str) -> Result<BTreeMap<String, Vec<u8>>, HeaderError> {
    let mut pairs = BTreeMap::new();
    if text.len() > MAX_METADATA_BYTES {
        return Err(HeaderError::Pair(1));
    }
    for (index, pair) in text.split(',').enumerate() {
        let wrong = || HeaderError::Pair(index + 1);
        let pair = pair.trim_matches(' ');
        let (key, value) = pair.split_once(' ').unwrap_or((pair, ""));
        if key.is_empty() || !key.bytes().all(|b| b.is_ascii_graphic()) || index >= MAX_PAIRS {
            return Err(wrong());
        }
        let value = BASE64_STANDARD.decode(value).map_err(|_| wrong())?;
        if pairs.insert(key.to_owned(), value).is_some() {
            return Err(wrong());
        }
    }
    Ok(pairs)
}

/// The photo's digest that the metadata names.
///
/// # Errors
/// [`HeaderError`] when it names none.
pub fn digest(text: &str) -> Result<Sha256Hash, HeaderError> {
    let pairs = metadata(text)?;
    let value = pairs.get("sha256").ok_or(HeaderError::Digest)?;
    let text = std::str::from_utf8(value).map_err(|_| HeaderError::Digest)?;
    text.parse().map_err(|_| HeaderError::Digest)
}

/// What the bytes of one request must come to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Checksum {
    /// SHA-1, which the protocol asks every server to know. It finds what the line broke; what may be
    /// forged is left to the photo's own SHA-256.
    Sha1([u8; 20]),
    /// SHA-256.
    Sha256([u8; 32]),
}

/// `Upload-Checksum`.
///
/// # Errors
/// [`HeaderError::Checksum`], also for an algorithm this server does not know.
pub fn checksum(text: &str) -> Result<Checksum, HeaderError> {
    let (algorithm, digest) = text.split_once(' ').ok_or(HeaderError::Checksum)?;
    let digest = BASE64_STANDARD.decode(digest).map_err(|_| HeaderError::Checksum)?;
    let found = match algorithm {
        "sha1" => digest.try_into().ok().map(Checksum::Sha1),
        "sha256" => digest.try_into().ok().map(Checksum::Sha256),
        _ => None,
    };
    found.ok_or(HeaderError::Checksum)
}

/// A checksum while its bytes pass.
pub struct Running {
    wanted: Checksum,
    sha1: Sha1,
    sha256: Sha256,
}

impl Running {
    /// Before the first byte.
    pub fn new(wanted: Checksum) -> Self {
        Self { wanted, sha1: Sha1::new(), sha256: Sha256::new() }
    }

    /// Takes further bytes in.
    pub fn update(&mut self, bytes: &[u8]) {
        match self.wanted {
            Checksum::Sha1(_) => self.sha1.update(bytes),
            Checksum::Sha256(_) => self.sha256.update(bytes),
        }
    }

    /// Whether they came to what they must.
    pub fn holds(self) -> bool {
        match self.wanted {
            Checksum::Sha1(wanted) => self.sha1.finalize()[..] == wanted,
            Checksum::Sha256(wanted) => self.sha256.finalize()[..] == wanted,
        }
    }
}
