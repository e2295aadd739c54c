//! Moves photos and papers between a data folder and an object store, either way. Each is read, compared
//! with its name and put; what is there already is passed over, so a run that was cut off goes on. At
//! the end every one is read again where it was put. Nothing is removed from where it came; thumbnails
//! are made anew, and uploads under way begin anew.

use bolebook_core::ids::Sha256Hash;
use bolebook_objects::{Area, Key, ObjectError, Objects};

/// It could not be moved; the source is as it was.
#[derive(Debug, thiserror::Error)]
pub enum PhotosError {
    /// A place.
    #[error(transparent)]
    Objects(#[from] ObjectError),
    /// Not all that was put is there.
    #[error("{key} is not at {place} as it was put: run it again")]
    NotThere {
        /// What.
        key: String,
        /// Where.
        place: String,
    },
    /// Bytes that no longer come to their name were there before.
    #[error(
        "{} of the {all} files do not come to their names and were not moved, all others were: {}; restore them from a copy or a device, and run it again",
        damaged.len(), damaged.join(", ")
    )]
    Damaged {
        /// Which.
        damaged: Vec<String>,
        /// How many files there are.
        all: u64,
    },
}

/// What was moved.
#[derive(Clone, Debug, Default, PartialEq, Eq, serde::Serialize)]
pub struct Moved {
    /// Photos that are now on both sides, each read there and compared with its name.
    pub photos: u64,
    /// Papers, likewise.
    pub papers: u64,
    /// Bytes of both.
    pub bytes: u64,
    /// Files that this run brought; the others were there.
    pub brought: u64,
}

/// Moves everything. `stop_after` ends the run after so many files, as a crash would: for tests.
///
/// # Errors
/// [`PhotosError`]; started again, it goes on where it was.
pub fn migrate(from: &Objects, to: &Objects, stop_after: Option<u64>) -> Result<Moved, PhotosError> {
    let mut moved = Moved::default();
    let mut damaged = vec![];
    let (mut all, mut put) = (vec![], vec![]);
    for area in [Area::Photos, Area::Papers] {
        from.list(area, &mut |listed| {
            all.push((area, listed.key, listed.bytes));
            Ok(())
        })?;
    }
    for (area, key, bytes) in &all {
        // Of another length it is none of ours, or was cut off by something else: put anew.
        if to.head(key, 1)?.is_none_or(|there| there.bytes != *bytes) {
            if stop_after.is_some_and(|most| moved.brought >= most) {
                return Err(not_there(key, to));
            }
            match whole(from, key)? {
                Some(whole) => to.put(key, &whole)?,
                // Removed for good since it was listed.
                None if !from.has(key)? => continue,
                None => {
                    damaged.push(key.path().to_owned());
                    continue;
                }
            }
            moved.brought += 1;
        }
        put.push((area, key, bytes));
    }
    for (area, key, bytes) in put {
        match whole(to, key)? {
            Some(there) if there.len() as u64 == *bytes => {}
            // What was there before under this name was damaged: now it is put anew.
            _ => match whole(from, key)? {
                Some(bytes) => {
                    to.put(key, &bytes)?;
                    whole(to, key)?.ok_or_else(|| not_there(key, to))?;
                    moved.brought += 1;
                }
                None if !from.has(key)? => continue,
                None => {
                    damaged.push(key.path().to_owned());
                    continue;
                }
            },
        }
        moved.bytes += bytes;
        *(if *area == Area::Papers { &mut moved.papers } else { &mut moved.photos }) += 1;
    }
    if !damaged.is_empty() {
        return Err(PhotosError::Damaged { damaged, all: all.len() as u64 });
    }
    Ok(moved)
}

fn not_there(key: &Key, place: &Objects) -> PhotosError {
    PhotosError::NotThere { key: key.path().to_owned(), place: place.to_string() }
}

/// An object whose bytes come to its name; nothing for one that is gone or damaged.
fn whole(objects: &Objects, key: &Key) -> Result<Option<Vec<u8>>, ObjectError> {
    match objects.get(key) {
        Ok(bytes) => Ok(bytes.filter(|bytes| key.address().is_none_or(|hash| Sha256Hash::of(bytes) == hash))),
        Err(ObjectError::Wrong { .. }) => Ok(None),
        Err(error) => Err(error),
    }
}
