//! Writes the bytes of one request to where an upload's bytes lie, and says how far they are durable.

use std::time::Duration;

use axum::body::Body;
use axum::http::StatusCode;
use bolebook_core::quantity::UtcMs;
use bolebook_db::Connection;
use http_body_util::BodyExt as _;
use tokio::time::Instant;

use super::Held;
use super::headers::{Checksum, Running};
use super::part::Part;
use super::store;
use super::table::{self, Upload};
use crate::error::ApiError;
use crate::photos;
use crate::state::{App, Inner};

/// So much is gathered before it is written.
const PIECE: usize = 1 << 18;
/// So much is written, at most, before it is synced and counts; a drop costs no more than this.
const SYNC_EVERY: u64 = 1 << 20;
/// So long a line may be silent.
const SILENCE: Duration = Duration::from_secs(30);
/// So long a request may take in all: less than the server's own limit, so that what came counts.
const LONGEST: Duration = Duration::from_secs(90);

/// An upload open for writing. It moves into each blocking step and back, so that a request that is
/// dropped never leaves two writers at one upload.
struct Session {
    upload: Upload,
    part: Part,
    /// Up to here it is written; up to `upload.offset` it is synced and acknowledged.
    written: u64,
    running: Option<Running>,
    _held: Held,
}

impl Session {
    fn open(app: &Inner, upload: Upload, checksum: Option<Checksum>, held: Held) -> Result<Self, ApiError> {
        let upload = store::in_turn(app, upload)?;
        let part = Part::open(app, &upload)?;
        let written = upload.offset;
        Ok(Self { upload, part, written, running: checksum.map(Running::new), _held: held })
    }

    fn write(&mut self, app: &Inner, bytes: &[u8]) -> Result<(), ApiError> {
        if self.written == 0 && bytes.len() >= photos::SNIFFED {
            photos::must_be_picture(bytes)?;
        }
        self.part.write(app, bytes)?;
        self.written += bytes.len() as u64;
        if let Some(running) = &mut self.running {
            // With a checksum nothing counts before all of it is there and agrees.
            running.update(bytes);
        } else if self.written - self.upload.offset >= SYNC_EVERY {
            self.sync(app)?;
        }
        Ok(())
    }

    fn sync(&mut self, app: &Inner) -> Result<(), ApiError> {
        if self.written == self.upload.offset {
            return Ok(());
        }
        let pieces = self.part.sync(app)?;
        let expires_at = UtcMs(app.now().0.saturating_add(app.config.upload_life_ms));
        app.write_idempotent(|tx| {
            self.still_here(app, tx)?;
            if !pieces.is_empty() && table::get(tx, &self.upload.id)?.is_none() {
                return Err(ApiError::not_found("this upload was given up: make another at /v1/uploads"));
            }
            pieces.iter().try_for_each(|piece| table::add_piece(tx, &self.upload.id, piece))?;
            table::moved(tx, &self.upload.id, self.written, expires_at)
        })?;
        self.part.counts(app);
        (self.upload.offset, self.upload.expires_at) = (self.written, expires_at);
        Ok(())
    }

    /// Another server on the same database may have the turn by now: then nothing here counts any more.
    fn still_here(&self, app: &Inner, db: &Connection) -> Result<(), ApiError> {
        if !app.is_shared() || table::has_turn(db, &self.upload.id, &app.process)? {
            return Ok(());
        }
        let detail = "this upload goes on at another server: ask with HEAD how far it is";
        Err(ApiError::new(StatusCode::CONFLICT, "upload-offset", detail))
    }

    /// The end of a request: `whole` when its body came to its own end.
    fn end(mut self, app: &Inner, whole: bool) -> Result<Upload, ApiError> {
        if let Some(running) = self.running.take()
            && !(whole && running.holds())
        {
            app.read(|db| self.still_here(app, db))?;
            self.part.back(app, self.upload.offset)?;
            if whole {
                let status = StatusCode::from_u16(460).unwrap_or(StatusCode::BAD_REQUEST);
                let detail = "the bytes do not come to Upload-Checksum: they were dropped, send them again";
                return Err(ApiError::new(status, "checksum-mismatch", detail));
            }
            return Ok(self.upload);
        }
        self.sync(app)?;
        if self.upload.offset == self.upload.length {
            store::finish(app, &self.upload)?;
            self.upload.done = true;
        }
        Ok(self.upload)
    }
}

/// Takes the body of a request into an upload, as far as it comes. Whatever happens, the offset says
/// what is on the disk.
///
/// # Errors
/// 413 for more bytes than were promised, 460 for a wrong checksum, 415 and 422 for what is not the
/// photo promised, 400 when the line broke: then what came is kept, unless it had a checksum.
pub async fn take_in(
    app: &App,
    upload: Upload,
    checksum: Option<Checksum>,
    held: Held,
    mut body: Body,
) -> Result<Upload, ApiError> {
    let make_way = held.make_way();
    tokio::pin!(make_way);
    let id = upload.id.clone();
    let mut session = app.blocking(move |app| Session::open(app, upload, checksum, held)).await?;
    let (mut gathered, until) = (Vec::with_capacity(PIECE), Instant::now() + LONGEST);
    let whole = loop {
        let silence = until.min(Instant::now() + SILENCE);
        let frame = tokio::select! {
            biased;
            () = &mut make_way => break false,
            frame = tokio::time::timeout_at(silence, body.frame()) => frame,
        };
        match frame {
            Err(_) | Ok(Some(Err(_))) => break false,
            Ok(None) => break true,
            Ok(Some(Ok(frame))) => {
                let Ok(data) = frame.into_data() else { continue };
                gathered.extend_from_slice(&data);
            }
        }
        if session.written + gathered.len() as u64 > session.upload.length {
            // The promised bytes before it may be right; they are kept as far as they were synced.
            let detail = format!("the upload has {} bytes, and more came", session.upload.length);
            return Err(ApiError::too_large(detail));
        }
        if gathered.len() >= PIECE {
            let bytes = std::mem::replace(&mut gathered, Vec::with_capacity(PIECE));
            session = step(app, session, &id, bytes).await?;
        }
    };
    session = step(app, session, &id, gathered).await?;
    let upload = app.blocking(move |app| session.end(app, whole)).await?;
    if whole || upload.done {
        return Ok(upload);
    }
    Err(ApiError::bad(
        "body-cut",
        format!("the bytes broke off; {} are kept: go on from there", upload.offset),
    ))
}

async fn step(app: &App, mut session: Session, id: &str, bytes: Vec<u8>) -> Result<Session, ApiError> {
    if bytes.is_empty() {
        return Ok(session);
    }
    let id = id.to_owned();
    app.blocking(move |app| match session.write(app, &bytes) {
        Ok(()) => Ok(session),
        Err(error) => {
            if error.is("photo-type") {
                store::give_up(app, &id)?;
            }
            Err(error)
        }
    })
    .await
}
