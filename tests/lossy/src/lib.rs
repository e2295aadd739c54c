//! A disk that forgets what was not synced. [`record`] puts a file layer below SQLite, for every
//! connection that this process opens from then on, and writes down each write, truncation, sync and
//! deletion under one folder. [`Disk`] plays them again up to any point, and gives the folder as a
//! disk may have it after the power went there: what was synced for sure, and of the rest any part,
//! in any order, each write whole, torn or not at all.
//!
//! The real files are written as always, so that what is watched is not disturbed.

mod layer;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

pub use layer::register;

/// Something that was done to a file, or said by the test.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Event {
    /// Bytes at a place of a file.
    Write(PathBuf, u64, Vec<u8>),
    /// A file was cut to a length.
    Truncate(PathBuf, u64),
    /// What was done to a file is on the disk.
    Sync(PathBuf),
    /// A file was deleted; `true` when its folder was synced with it.
    Delete(PathBuf, bool),
    /// A mark of the test's: what was acknowledged up to here must be there.
    Mark(usize),
}

/// The folder that is watched, and what happened in it.
static WATCHED: Mutex<Option<(PathBuf, Vec<Event>)>> = Mutex::new(None);

/// Watches a folder from now on.
///
/// # Panics
/// When SQLite does not take the file layer.
pub fn record(folder: &Path) {
    register();
    *WATCHED.lock().unwrap_or_else(PoisonError::into_inner) = Some((folder.to_owned(), vec![]));
}

/// Writes a mark among the events.
pub fn mark(number: usize) {
    if let Some((_, events)) = &mut *WATCHED.lock().unwrap_or_else(PoisonError::into_inner) {
        events.push(Event::Mark(number));
    }
}

/// Ends the watch and gives what happened.
pub fn recorded() -> Vec<Event> {
    WATCHED.lock().unwrap_or_else(PoisonError::into_inner).take().map_or(vec![], |(_, events)| events)
}

fn note(path: &Path, event: impl FnOnce() -> Event) {
    if let Some((folder, events)) = &mut *WATCHED.lock().unwrap_or_else(PoisonError::into_inner)
        && path.starts_with(folder)
    {
        events.push(event());
    }
}

/// What becomes of something that was not synced when the power goes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fate {
    /// It reached the disk.
    Kept,
    /// It did not.
    Dropped,
    /// Only so many thousandths of its bytes did.
    Torn(u64),
}

/// The disk as it is known to be, and what is on its way to it.
#[derive(Clone, Debug, Default)]
pub struct Disk {
    synced: BTreeMap<PathBuf, Vec<u8>>,
    waiting: Vec<Event>,
}

impl Disk {
    /// Plays one more event.
    pub fn play(&mut self, event: &Event) {
        match event {
            Event::Mark(_) => {}
            Event::Sync(path) => {
                // SQLite syncs the folder with the first sync of a journal or log it made, and with it
                // every deletion before (`UNIXFILE_DIRSYNC` in its unix layer).
                let made = !self.synced.contains_key(path) && path.extension().is_none_or(|e| e != "sqlite");
                let mine = |e: &Event| of(e) == Some(path) || made && matches!(e, Event::Delete(..));
                let (now, later): (Vec<Event>, Vec<Event>) = self.waiting.drain(..).partition(mine);
                self.waiting = later;
                now.iter().for_each(|e| apply(&mut self.synced, e, Fate::Kept));
                // A file that is synced exists, also with nothing in it.
                self.synced.entry(path.clone()).or_default();
            }
            Event::Delete(path, true) => {
                self.waiting.retain(|e| of(e) != Some(path));
                self.synced.remove(path);
            }
            other => self.waiting.push(other.clone()),
        }
    }

    /// How much is not synced.
    pub fn waiting(&self) -> usize {
        self.waiting.len()
    }

    /// The files after the power went, with the fate of each thing that was not synced.
    pub fn after_power_cut(&self, mut fate: impl FnMut() -> Fate) -> BTreeMap<PathBuf, Vec<u8>> {
        let mut files = self.synced.clone();
        for event in &self.waiting {
            let fate = fate();
            apply(&mut files, event, fate);
        }
        files
    }
}

fn of(event: &Event) -> Option<&PathBuf> {
    match event {
        Event::Write(path, ..) | Event::Truncate(path, _) | Event::Sync(path) | Event::Delete(path, _) => {
            Some(path)
        }
        Event::Mark(_) => None,
    }
}

fn apply(files: &mut BTreeMap<PathBuf, Vec<u8>>, event: &Event, fate: Fate) {
    if fate == Fate::Dropped {
        return;
    }
    match event {
        Event::Write(path, at, bytes) => {
            let length = match fate {
                Fate::Torn(thousandths) => bytes.len() * thousandths.min(1_000) as usize / 1_000,
                _ => bytes.len(),
            };
            let file = files.entry(path.clone()).or_default();
            let (from, to) = (*at as usize, *at as usize + length);
            if file.len() < to {
                file.resize(to, 0);
            }
            file[from..to].copy_from_slice(&bytes[..length]);
        }
        Event::Truncate(path, length) => files.entry(path.clone()).or_default().resize(*length as usize, 0),
        Event::Delete(path, _) => drop(files.remove(path)),
        Event::Sync(_) | Event::Mark(_) => {}
    }
}
