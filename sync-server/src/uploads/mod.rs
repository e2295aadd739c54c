//! Resumable uploads of photos, by the tus protocol 1.0.0 (an open standard, 2016-03-25): the core
//! protocol and its extensions Creation, Creation With Upload, Expiration, Checksum, Termination.
//!
//! An upload is a row in [`table`] and its bytes, which lie in a file or in pieces ([`part`]).
//! [`headers`] reads what the client says, [`session`] writes what it sends, [`store`] makes, finishes
//! and gives up. What an answer or a `HEAD` calls the offset is on the disk, or in the object store; a
//! line that drops, or a server that is killed, costs at most the bytes after it.

pub mod headers;
pub mod part;
pub mod session;
pub mod store;
pub mod table;

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};

use tokio::sync::{Notify, OwnedMutexGuard};

/// The protocol's version.
pub const VERSION: &str = "1.0.0";
/// The extensions this server knows.
pub const EXTENSIONS: &str = "creation,creation-with-upload,expiration,checksum,termination";
/// The algorithms it knows for `Upload-Checksum`.
pub const ALGORITHMS: &str = "sha1,sha256";
/// Media type of a part of an upload.
pub const MEDIA_TYPE: &str = "application/offset+octet-stream";
/// Folder of the files of uploads under way.
pub const FOLDER: &str = "uploads";

/// Who is at which upload in this process: one at a time, and the newest request wins.
///
/// A phone that lost its line comes back on a new one while the server still waits on the old: the
/// old request is then told to stop, and keeps what had arrived.
#[derive(Default)]
pub struct Turns(Mutex<BTreeMap<String, Arc<Turn>>>);

#[derive(Default)]
struct Turn {
    held: Arc<tokio::sync::Mutex<()>>,
    make_way: Notify,
}

/// The right to write to an upload.
pub struct Held {
    _guard: OwnedMutexGuard<()>,
    turn: Arc<Turn>,
}

impl Turns {
    /// Waits for whoever is at an upload, after telling them to stop.
    pub async fn take(&self, id: &str) -> Held {
        let turn = {
            let mut turns = self.0.lock().unwrap_or_else(PoisonError::into_inner);
            // A turn nobody has is only the map's own.
            turns.retain(|_, turn| Arc::strong_count(turn) > 1);
            turns.entry(id.to_owned()).or_default().clone()
        };
        turn.make_way.notify_waiters();
        let guard = turn.held.clone().lock_owned().await;
        Held { _guard: guard, turn }
    }
}

impl Held {
    /// Resolves when somebody else wants the upload.
    pub fn make_way(&self) -> impl Future<Output = ()> + Send + use<> {
        let turn = self.turn.clone();
        async move { turn.make_way.notified().await }
    }
}
