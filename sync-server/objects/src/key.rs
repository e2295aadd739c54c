//! Names of objects. They are made from digests and hexadecimal digits only.

use bolebook_core::ids::Sha256Hash;

use crate::error::{ObjectError, Result};

/// Most digits of an upload's name and of a piece's.
const MOST_DIGITS: usize = 64;
/// The name of the object that says whose the place is.
const OWNER: &str = "owner";
/// And the one that says which log's.
const LOG: &str = "log";

/// What an object is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Area {
    /// Photos as they came.
    Photos,
    /// Small copies of them.
    Thumbnails,
    /// The client's signed papers.
    Papers,
    /// Pieces of uploads under way.
    Uploads,
}

impl Area {
    /// The folder, or the first part of the name in a store.
    pub const fn folder(self) -> &'static str {
        match self {
            Self::Photos => "photos",
            Self::Thumbnails => "thumbnails",
            Self::Papers => "papers",
            Self::Uploads => "uploads",
        }
    }
}

/// The name of an object: a path of safe parts, the same in a folder and in a store.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Key {
    path: String,
    address: Option<Sha256Hash>,
}

impl Key {
    /// A photo's, by the digest of its bytes.
    pub fn photo(digest: Sha256Hash) -> Self {
        Self { path: spread(Area::Photos, digest, ""), address: Some(digest) }
    }

    /// That of a photo's thumbnail.
    pub fn thumbnail(digest: Sha256Hash) -> Self {
        Self { path: spread(Area::Thumbnails, digest, ".jpg"), address: None }
    }

    /// A paper's, by the digest of its bytes.
    pub fn paper(digest: Sha256Hash) -> Self {
        Self { path: format!("{}/{digest}", Area::Papers.folder()), address: Some(digest) }
    }

    /// That of a piece of an upload; both names are lower-case hexadecimal digits.
    ///
    /// # Errors
    /// [`ObjectError::Name`] for anything else.
    pub fn piece(upload: &str, piece: &str) -> Result<Self> {
        must_be_digits(piece)?;
        Ok(Self { path: format!("{}{piece}", pieces_of(upload)?), address: None })
    }

    /// That of the object that says whose the place is.
    pub(crate) fn owner() -> Self {
        Self { path: OWNER.into(), address: None }
    }

    /// That of the object that says which log's it is.
    pub(crate) fn log() -> Self {
        Self { path: LOG.into(), address: None }
    }

    /// The key that has this path, if it is one of ours.
    pub fn read(path: &str) -> Option<Self> {
        let name = path.rsplit('/').next()?;
        let digest = || name.strip_suffix(".jpg").unwrap_or(name).parse::<Sha256Hash>().ok();
        let key = match path.split('/').next()? {
            "photos" => Self::photo(digest()?),
            "thumbnails" => Self::thumbnail(digest()?),
            "papers" => Self::paper(digest()?),
            "uploads" => Self::piece(path.split('/').nth(1)?, name).ok()?,
            _ => return None,
        };
        (key.path == path).then_some(key)
    }

    /// The path.
    pub fn path(&self) -> &str {
        &self.path
    }

    /// The digest that the bytes must have, if the name says it.
    pub fn address(&self) -> Option<Sha256Hash> {
        self.address
    }

    /// The photo that this is, or is made of.
    pub fn photo_digest(&self) -> Option<Sha256Hash> {
        match self.path.split('/').next()? {
            "photos" => self.address,
            "thumbnails" => self.path.rsplit('/').next()?.strip_suffix(".jpg")?.parse().ok(),
            _ => None,
        }
    }

    /// Refuses bytes with another digest than the name's.
    ///
    /// # Errors
    /// [`ObjectError::Address`].
    pub(crate) fn must_be_of(&self, found: Sha256Hash) -> Result<()> {
        match self.address {
            Some(address) if address != found => Err(ObjectError::Address { key: self.path.clone(), found }),
            _ => Ok(()),
        }
    }
}

/// Two hundred and fifty-six folders, so that none grows too large to be read.
fn spread(area: Area, digest: Sha256Hash, ending: &str) -> String {
    let name = digest.to_string();
    format!("{}/{}/{name}{ending}", area.folder(), name.get(..2).unwrap_or("00"))
}

/// What the names of an upload's pieces begin with.
///
/// # Errors
/// [`ObjectError::Name`] for a name that is not an upload's.
pub(crate) fn pieces_of(upload: &str) -> Result<String> {
    must_be_digits(upload)?;
    Ok(format!("{}/{upload}/", Area::Uploads.folder()))
}

fn must_be_digits(name: &str) -> Result<()> {
    let digits = name.bytes().all(|b| matches!(b, b'0'..=b'9' | b'a'..=b'f'));
    if name.is_empty() || name.len() > MOST_DIGITS || !digits {
        return Err(ObjectError::Name);
    }
    Ok(())
}
