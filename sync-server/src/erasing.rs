//! Erasing on the server: the register's entry, the photo's bytes, the file's free pages, and the
//! note by which a restored backup is brought up to date.

use std::collections::BTreeSet;
use std::path::Path;

use bolebook_core::ids::RecordId;
use bolebook_core::service::{Register, RegisterEntry};
use bolebook_db::Connection;
use bolebook_objects::{Key, Objects};

use crate::error::ApiError;
use crate::photos;
use crate::portal::links;
use crate::snapshot;
use crate::state::Inner;
use crate::store;

/// The note's name in the data folder: every erasure made, without a name. Keep a copy apart from the
/// backups: a server started with it erases again what an older database still has.
pub const NOTE: &str = "erased.json";
/// Largest note read, in bytes.
const MAX_NOTE_BYTES: u64 = 64 << 20;

/// Puts register entries, and erases for good what they say is erased.
///
/// # Errors
/// The database's, or the disk's; what was put stays, and the rest is done at the next start.
pub fn put(app: &Inner, entries: &[RegisterEntry]) -> Result<(), ApiError> {
    // Also when the first try was kept without a word, and the second found nothing to do.
    let mut erased = false;
    app.write_idempotent(|tx| {
        erased |= store::put_register(tx, entries)?;
        Ok(())
    })?;
    if !erased {
        return Ok(());
    }
    forget_in_links(app, entries)?;
    let erased = app.read(|db| {
        write_note(&app.config.data, db)?;
        store::erased_photos(db)
    })?;
    // A store is asked about what was erased now; the rest is put in order some times a day.
    let now: BTreeSet<_> = entries.iter().filter_map(|e| e.erased.as_ref()?.photo).collect();
    for photo in erased.into_iter().filter(|photo| !app.objects.is_shared() || now.contains(photo)) {
        photos::remove::remove(app, photo)?;
    }
    for entry in entries {
        if let Some(erasure) = &entry.erased {
            tracing::info!(id = %entry.id, kind = entry.kind, device = %erasure.device, "erased");
        }
    }
    if !app.database.wipe()? {
        tracing::warn!("a reader kept the write-ahead log: it is emptied at the next start");
    }
    Ok(())
}

/// Renews what pages are made from, so that no name erased stays there, and blanks for whom the links
/// to erased clients' jobs were made.
fn forget_in_links(app: &Inner, entries: &[RegisterEntry]) -> Result<(), ApiError> {
    let Ok(snapshot) = snapshot::now(app) else {
        snapshot::forget(app);
        return Ok(());
    };
    let gone: BTreeSet<RecordId> =
        entries.iter().filter(|e| e.erased.is_some() && e.kind == "client").map(|e| e.id).collect();
    for job in snapshot.jobs.values().filter(|job| gone.contains(&job.view.job.client)) {
        app.write(|tx| links::forget_notes(tx, job.view.book))?;
    }
    Ok(())
}

/// After the start with a note that erased again: what [`at_start`] could not do without the books.
///
/// # Errors
/// The database's.
pub fn after_start(app: &Inner) -> Result<(), ApiError> {
    let register = app.read(store::register)?;
    forget_in_links(app, &register)?;
    app.database.wipe()?;
    Ok(())
}

/// At the start: applies the note to the database, which may come from an older backup, removes the
/// bytes of erased photos, and empties the write-ahead log. Says whether the note erased anything
/// again.
///
/// # Errors
/// The database's, or the disk's; a note that cannot be read is an error, for silence would keep
/// what was erased.
pub fn at_start(data: &Path, db: &Connection, objects: &Objects) -> Result<bool, ApiError> {
    let path = data.join(NOTE);
    let mut again = false;
    if path.exists() {
        if path.metadata()?.len() > MAX_NOTE_BYTES {
            return Err(ApiError::internal(&format!(
                "{}: larger than {MAX_NOTE_BYTES} bytes",
                path.display()
            )));
        }
        let note: Register = serde_json::from_slice(&std::fs::read(&path)?)
            .map_err(|e| ApiError::internal(&format!("{}: {e}", path.display())))?;
        let erased: Vec<RegisterEntry> = note.entries.into_iter().filter(|e| e.erased.is_some()).collect();
        let tx = db.unchecked_transaction()?;
        again = store::put_register(&tx, &erased)?;
        tx.commit()?;
    }
    write_note(data, db)?;
    remove_photos(objects, db)?;
    if again && !db.is_shared() {
        bolebook_log::wipe(db)?;
    } else {
        bolebook_log::empty_log(db)?;
    }
    Ok(again)
}

/// Removes the bytes of erased photos before a server runs, and all that was made of them. In a store,
/// which may be away, that is done while it runs: until then they are not handed out.
fn remove_photos(objects: &Objects, db: &Connection) -> Result<(), ApiError> {
    if objects.is_shared() {
        return Ok(());
    }
    for photo in store::erased_photos(db)? {
        for key in [Key::photo(photo), Key::thumbnail(photo)] {
            objects.forget(&key)?;
        }
    }
    Ok(())
}

fn write_note(data: &Path, db: &Connection) -> Result<(), ApiError> {
    let erased: Vec<RegisterEntry> =
        store::register(db)?.into_iter().filter(|e| e.erased.is_some()).collect();
    if erased.is_empty() {
        return Ok(());
    }
    let text =
        serde_json::to_string_pretty(&Register { entries: erased }).map_err(|e| ApiError::internal(&e))?;
    let beside = data.join("erased.json.part");
    std::fs::write(&beside, text + "\n")?;
    std::fs::File::open(&beside)?.sync_all()?;
    std::fs::rename(&beside, data.join(NOTE))?;
    Ok(())
}
