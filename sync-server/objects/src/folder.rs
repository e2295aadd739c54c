//! A folder: each object a file, put whole and synced under a name that is then renamed.

use std::fs::File;
use std::io::{Error, ErrorKind, Read as _, Seek as _, SeekFrom, Write as _};
use std::path::{Path, PathBuf};

use crate::error::{ObjectError, Result};
use crate::key::{Area, Key, pieces_of};
use crate::{Head, Listed};

/// Where drafts are written before they get their name; its owner sweeps what a crash leaves there.
const DRAFTS: &str = "tmp";

/// A folder of objects.
#[derive(Clone, Debug)]
pub struct Folder {
    root: PathBuf,
}

impl std::fmt::Display for Folder {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        self.root.display().fmt(f)
    }
}

impl Folder {
    /// In a folder that is there.
    pub const fn new(root: PathBuf) -> Self {
        Self { root }
    }

    /// Where an object's file is.
    pub fn place(&self, key: &Key) -> PathBuf {
        self.root.join(key.path())
    }

    fn at(path: &Path) -> impl Fn(Error) -> ObjectError + '_ {
        |source| ObjectError::Disk { path: path.into(), source }
    }

    pub(crate) fn put(&self, key: &Key, bytes: &[u8]) -> Result<()> {
        let mut random = [0; 16];
        getrandom::fill(&mut random).map_err(|e| ObjectError::Disk {
            path: self.root.clone(),
            source: Error::other(e.to_string()),
        })?;
        let drafts = self.root.join(DRAFTS);
        std::fs::create_dir_all(&drafts).map_err(Self::at(&drafts))?;
        // What is left here by a crash is swept at the next start.
        let draft = drafts.join(hex::encode(random));
        let written = || {
            let mut file = File::create(&draft)?;
            file.write_all(bytes)?;
            file.sync_all()
        };
        let done = written().map_err(Self::at(&draft)).and_then(|()| self.put_file(key, &draft));
        if done.is_err() {
            drop(std::fs::remove_file(&draft));
        }
        done
    }

    /// Renamed, and the folders synced. The file's bytes were synced before.
    pub(crate) fn put_file(&self, key: &Key, file: &Path) -> Result<()> {
        let place = self.place(key);
        let folder = place.parent().unwrap_or(&self.root);
        let moved = || {
            std::fs::create_dir_all(folder)?;
            std::fs::rename(file, &place)?;
            File::open(folder)?.sync_all()?;
            folder.parent().map_or(Ok(()), |f| File::open(f)?.sync_all())
        };
        moved().map_err(Self::at(&place))
    }

    fn open(&self, key: &Key) -> Result<Option<File>> {
        let place = self.place(key);
        match File::open(&place) {
            Ok(file) => Ok(Some(file)),
            Err(e) if e.kind() == ErrorKind::NotFound => Ok(None),
            Err(e) => Err(Self::at(&place)(e)),
        }
    }

    pub(crate) fn get(&self, key: &Key) -> Result<Option<Vec<u8>>> {
        let place = self.place(key);
        match std::fs::read(&place) {
            Ok(bytes) => Ok(Some(bytes)),
            Err(e) if e.kind() == ErrorKind::NotFound => Ok(None),
            Err(e) => Err(Self::at(&place)(e)),
        }
    }

    pub(crate) fn range(&self, key: &Key, offset: u64, most: u64) -> Result<Option<Vec<u8>>> {
        let Some(mut file) = self.open(key)? else { return Ok(None) };
        let mut bytes = vec![];
        let read = file.seek(SeekFrom::Start(offset)).and_then(|_| file.take(most).read_to_end(&mut bytes));
        read.map_err(Self::at(&self.place(key)))?;
        Ok(Some(bytes))
    }

    pub(crate) fn head(&self, key: &Key, first: usize) -> Result<Option<Head>> {
        let Some(file) = self.open(key)? else { return Ok(None) };
        let place = self.place(key);
        let bytes = file.metadata().map_err(Self::at(&place))?.len();
        let mut start = vec![];
        file.take(first as u64).read_to_end(&mut start).map_err(Self::at(&place))?;
        Ok(Some(Head { bytes, start }))
    }

    pub(crate) fn remove(&self, key: &Key) -> Result<bool> {
        let place = self.place(key);
        match std::fs::remove_file(&place) {
            Ok(()) => {
                let synced = place.parent().map_or(Ok(()), |folder| File::open(folder)?.sync_all());
                synced.map_err(Self::at(&place))?;
                Ok(true)
            }
            Err(e) if e.kind() == ErrorKind::NotFound => Ok(false),
            Err(e) => Err(Self::at(&place)(e)),
        }
    }

    pub(crate) fn list(&self, area: Area, each: &mut dyn FnMut(Listed) -> Result<()>) -> Result<()> {
        self.walk(area.folder(), each)
    }

    pub(crate) fn list_pieces(&self, upload: &str, each: &mut dyn FnMut(Listed) -> Result<()>) -> Result<()> {
        self.walk(pieces_of(upload)?.trim_end_matches('/'), each)
    }

    fn walk(&self, folder: &str, each: &mut dyn FnMut(Listed) -> Result<()>) -> Result<()> {
        let path = self.root.join(folder);
        let entries = match std::fs::read_dir(&path) {
            Ok(entries) => entries,
            Err(e) if matches!(e.kind(), ErrorKind::NotFound | ErrorKind::NotADirectory) => return Ok(()),
            Err(e) => return Err(Self::at(&path)(e)),
        };
        for entry in entries {
            let entry = entry.map_err(Self::at(&path))?;
            let name = entry.file_name();
            let Some(name) = name.to_str().map(|name| format!("{folder}/{name}")) else { continue };
            let kind = entry.file_type().map_err(Self::at(&path))?;
            if kind.is_dir() {
                self.walk(&name, each)?;
            } else if let Some(key) = Key::read(&name) {
                let there = entry.metadata().map_err(Self::at(&path))?;
                let age_s = there.modified().ok().and_then(|at| at.elapsed().ok()).map(|age| age.as_secs());
                each(Listed { key, bytes: there.len(), age_s })?;
            }
        }
        Ok(())
    }
}
