//! Puts in order what lies in an object store. Beside a folder that is done at the start, before
//! anything is served; a listing of a store takes its time, other servers work on it meanwhile, and it
//! may be away: so here it is done while serving, at the start and some times a day, and again soon
//! when it could not be done.
//!
//! Nothing is removed but what was removed for good, and pieces that no upload has named for an hour:
//! whoever puts a piece names it within two minutes or never. Where a copy of this server's database is at
//! work too, or another log, pieces are left alone: it may know what this one does not ([`place`]). What was
//! removed for good is removed wherever it lies, but not in another yard's place.

use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

use bolebook_core::ids::Sha256Hash;
use bolebook_objects::{Area, ObjectError};

use crate::error::ApiError;
use crate::photos::place::{self, ClaimError};
use crate::photos::{held, remove, stored};
use crate::state::{App, Inner};
use crate::uploads::{store, table};

/// How often it is done, and how soon again when it failed.
const EVERY: Duration = Duration::from_hours(6);
const AGAIN: Duration = Duration::from_secs(60);
/// How old what nobody names must be, in seconds.
pub const OLD_S: u64 = 3_600;
/// So many photos are looked at for their type before it is noted.
const BATCH: usize = 100;

/// Does it until the server stops.
pub async fn follow(app: App) {
    if !app.objects.is_shared() {
        return;
    }
    loop {
        let wait = match app.blocking(|app| once(app, OLD_S)).await {
            Ok(done) => {
                tracing::info!(?done, "photos are in order");
                EVERY
            }
            Err(error) => {
                tracing::warn!(%error, "photos could not be put in order; it is tried again");
                AGAIN
            }
        };
        tokio::select! {
            () = tokio::time::sleep(wait) => {}
            () = app.untidy.notified() => tokio::time::sleep(AGAIN).await,
        }
    }
}

/// What was done.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Tidied {
    /// Photos that lie there.
    pub held: u64,
    /// Photos and thumbnails removed for good before, and removed again.
    pub removed: u64,
    /// Pieces of no upload, removed.
    pub swept: u64,
}

/// Does it once. Only what is `old_s` seconds old is taken for a crash's.
///
/// # Errors
/// The object store's, or the database's: what was done stays done.
pub fn once(app: &Inner, old_s: u64) -> Result<Tidied, ApiError> {
    let whose = place::claim(&app.database, &app.objects, app.identity.yard);
    if let Err(taken @ ClaimError::Objects(ObjectError::Taken { .. })) = whose {
        return Err(taken.into());
    }
    let mut tidied = Tidied::default();
    let gone: BTreeSet<Sha256Hash> = app.read(|db| {
        let mut gone = remove::all(db)?;
        gone.extend(crate::store::erased_photos(db)?);
        Ok(gone.into_iter().collect())
    })?;
    let (mut found, mut again) = (BTreeMap::new(), BTreeSet::new());
    for area in [Area::Photos, Area::Thumbnails] {
        app.objects.list(area, &mut |listed| {
            let Some(hash) = listed.key.photo_digest() else { return Ok(()) };
            if gone.contains(&hash) {
                again.insert(hash);
            } else if area == Area::Photos {
                tidied.held += 1;
                // One that is being put right now is noted by whoever puts it, with who brought it.
                if listed.age_s.is_some_and(|age| age >= old_s) {
                    found.insert(hash, listed.bytes);
                }
            }
            Ok(())
        })?;
    }
    for hash in again {
        remove::wipe(app, hash)?;
        tidied.removed += 1;
    }
    store::finish_all(app, &store::under_way(app)?);
    held::note_found(app, &found)?;
    note_types(app)?;
    if let Some(why) = whose?.why_not() {
        tracing::error!(place = %app.objects, "{why}");
        return Ok(tidied);
    }
    // Before the sweep, so that a copy that comes after it knows of it. A store that is full may get room by it.
    if let Err(error) = place::take(&app.database, &app.objects) {
        tracing::warn!(error = %ApiError::from(error), "the place of photos does not learn that it was put in order");
    }
    tidied.swept = sweep(app, old_s)?;
    Ok(tidied)
}

/// Photos noted before their types were, or found: their first bytes say it.
fn note_types(app: &Inner) -> Result<(), ApiError> {
    let without: Vec<Sha256Hash> = app.read(held::without_type)?.into_iter().collect();
    for some in without.chunks(BATCH) {
        let mut photos = vec![];
        for hash in some {
            photos.extend(stored(app, *hash)?);
        }
        held::note_types(app, &photos)?;
    }
    Ok(())
}

/// Removes pieces that no upload names.
fn sweep(app: &Inner, old_s: u64) -> Result<u64, ApiError> {
    let named = app.read(table::all_pieces)?;
    let mut left = vec![];
    app.objects.list(Area::Uploads, &mut |listed| {
        let name = listed.key.path().rsplit('/').next().unwrap_or_default();
        if !named.contains(name) && listed.age_s.is_some_and(|age| age >= old_s) {
            left.push(listed.key);
        }
        Ok(())
    })?;
    left.iter().try_for_each(|key| app.objects.forget(key))?;
    Ok(left.len() as u64)
}
