//! Answers of an exchange on their way to whoever asked: made piece by piece, each when the one before it
//! was taken.
//!
//! Where an answer ends is fixed in the transaction that took in what was offered, and it begins after that
//! is on the disk. What it says of the log is then read by position, a hundred lines at a time, and packed. A
//! client may read as slowly as it likes: meanwhile it holds what is on its way to it, and no thread, lock or
//! transaction. In an evening many ask for the same lines, and what was packed for one is handed to the
//! others ([`Answers`]); only so many pieces are made at the same time.
//!
//! A log that does not go on as it did, a damaged one or one laid out anew meanwhile, ends the answer in the
//! middle: its last piece never comes, the chain in its head does not come out, and no client takes
//! anything of it in.

use std::collections::BTreeMap;
use std::io::{Error, Write as _};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use axum::body::{Body, Bytes};
use axum::response::Response;
use bolebook_core::exchange::{BookAnswer, Cursor};
use bolebook_core::ids::{BookId, Sha256Hash};
use bolebook_db::Connection;
use bolebook_log::serve::{Own, name_run, piece};
use bolebook_log::{Page, chain_at};
use flate2::write::GzEncoder;
use futures_util::stream::try_unfold;
use tokio::sync::Semaphore;
use zstd::bulk::Compressor;

use crate::body::{self, Encoding};
use crate::error::ApiError;
use crate::state::{App, Inner};

/// A piece ends where a position is a multiple of this, so that answers which begin at different places
/// come to the same pieces; or when it has so many bytes of text. One line may have more.
pub const PIECE: Page = Page { lines: 128, bytes: 512 << 10 };
/// Most bytes of packed pieces that are kept for others.
pub const MOST_KEPT: usize = 16 << 20;
/// Most pieces that are made at the same time.
pub const MAKERS: usize = 4;
/// What a packer of gzip holds while its answer is on its way, about: its window and its tables.
const GZIP_BYTES: usize = 320 << 10;

/// A book's part of an answer, its lines not read yet.
#[derive(Debug)]
pub struct Part {
    /// Its opening line.
    pub head: BookAnswer,
    /// The place it begins after.
    pub after: Cursor,
    /// What of it the asker offered itself.
    pub offered: Offered,
}

/// What a client that asks has of its own in the part of the log that it asks for.
#[derive(Debug)]
pub enum Offered {
    /// None, or new lines alone: all that stand between two places, the first offered after the one.
    Run {
        /// The log's end before they were taken in.
        before: Cursor,
        /// The end after.
        end: Cursor,
    },
    /// Some that the log had before, wherever they stand.
    Scattered(Own),
}

/// How many bytes of answers there are at once, and were at most.
#[derive(Debug, Default)]
struct Held {
    now: AtomicUsize,
    most: AtomicUsize,
}

/// Bytes that count for as long as this is there.
#[derive(Debug)]
struct Holding(Arc<Held>, usize);

impl Holding {
    fn new(held: &Arc<Held>, bytes: usize) -> Self {
        let now = held.now.fetch_add(bytes, Ordering::Relaxed) + bytes;
        held.most.fetch_max(now, Ordering::Relaxed);
        Self(held.clone(), bytes)
    }
}

impl Drop for Holding {
    fn drop(&mut self) {
        self.0.now.fetch_sub(self.1, Ordering::Relaxed);
    }
}

/// Bytes on their way, or kept: shared, and counted once.
struct Counted(Vec<u8>, #[allow(dead_code, reason = "counts until it is dropped")] Holding);

impl AsRef<[u8]> for Counted {
    fn as_ref(&self) -> &[u8] {
        &self.0
    }
}

/// Lines of a book between two places, packed.
#[derive(Clone, Debug)]
struct Packed {
    /// The chain before the first of them: with its position it tells which lines they are.
    before: Sha256Hash,
    end: Cursor,
    bytes: Bytes,
    /// How many bytes of text that is, line ends not counted.
    text: usize,
    turn: u64,
}

#[derive(Debug, Default)]
struct Kept {
    pieces: BTreeMap<(BookId, u64), Packed>,
    bytes: usize,
    turn: u64,
}

impl Kept {
    fn put(&mut self, at: (BookId, u64), piece: Packed, most: usize) {
        if piece.bytes.len() > most / 4 {
            return;
        }
        self.turn += 1;
        self.bytes += piece.bytes.len();
        if let Some(other) = self.pieces.insert(at, Packed { turn: self.turn, ..piece }) {
            self.bytes -= other.bytes.len();
        }
        while self.bytes > most {
            let oldest = self.pieces.iter().min_by_key(|(_, piece)| piece.turn).map(|(at, _)| *at);
            let Some(gone) = oldest.and_then(|at| self.pieces.remove(&at)) else { break };
            self.bytes -= gone.bytes.len();
        }
    }

    fn get(&mut self, at: (BookId, u64), before: Sha256Hash) -> Option<Packed> {
        self.turn += 1;
        let piece = self.pieces.get_mut(&at).filter(|piece| piece.before == before)?;
        piece.turn = self.turn;
        Some(piece.clone())
    }
}

/// What answers share.
pub struct Answers {
    makers: Arc<Semaphore>,
    kept: Mutex<Kept>,
    /// Packers that nobody uses just now: making one costs as much as a small piece.
    packers: Mutex<Vec<Compressor<'static>>>,
    held: Arc<Held>,
}

impl Default for Answers {
    fn default() -> Self {
        let makers = Arc::new(Semaphore::new(MAKERS));
        Self { makers, kept: Mutex::default(), packers: Mutex::default(), held: Arc::default() }
    }
}

impl std::fmt::Debug for Answers {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Answers").field("kept", &self.kept).field("held", &self.held).finish_non_exhaustive()
    }
}

impl Answers {
    fn kept(&self) -> MutexGuard<'_, Kept> {
        self.kept.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// How far kept pieces lead from a place, one after another and not beyond another, and how many bytes of
    /// text that is, as [`extent`](bolebook_log::serve::extent) counts them: what was read to make them need
    /// not be measured. No further than the page holds, and nowhere where the log does not go on so.
    ///
    /// # Errors
    /// The database's.
    pub fn lead(
        &self,
        db: &Connection,
        book: BookId,
        (from, to): (Cursor, u64),
        page: Page,
    ) -> Result<(Cursor, usize), ApiError> {
        let (mut at, mut bytes) = (from, 0);
        loop {
            let next = self.kept().get((book, at.position), at.chain);
            let fits = |next: &Packed| {
                next.end.position <= to
                    && next.end.position - from.position <= page.lines as u64
                    && bytes + next.text <= page.bytes
            };
            let Some(next) = next.filter(fits) else { break };
            (at, bytes) = (next.end, bytes + next.text);
        }
        // The chain at the end tells of every line before it.
        match chain_at(db, book, at.position)? {
            Some(chain) if chain == at.chain => Ok((at, bytes)),
            _ => Ok((from, 0)),
        }
    }

    /// One zstd frame of a text.
    fn frame(&self, text: &str) -> Result<Vec<u8>, Error> {
        let packers = || self.packers.lock().unwrap_or_else(PoisonError::into_inner);
        let idle = packers().pop();
        let mut packer = idle.map_or_else(|| Compressor::new(body::ZSTD_LEVEL), Ok)?;
        let packed = packer.compress(text.as_bytes())?;
        let mut packers = packers();
        if packers.len() < MAKERS {
            packers.push(packer);
        }
        Ok(packed)
    }

    /// How many bytes of answers that go out piece by piece were there at the same time, at most: what is
    /// being made, is on its way, or is kept for others.
    pub fn most_held(&self) -> usize {
        self.held.most.load(Ordering::Relaxed)
    }

    /// How many there are now.
    pub fn held(&self) -> usize {
        self.held.now.load(Ordering::Relaxed)
    }

    fn counted(&self, mut bytes: Vec<u8>) -> Bytes {
        // A packer makes room for what cannot be packed.
        bytes.shrink_to_fit();
        let holding = Holding::new(&self.held, bytes.len());
        Bytes::from_owner(Counted(bytes, holding))
    }
}

/// How an answer's text becomes what is sent.
enum Packer {
    Plain,
    /// One stream: browsers read no second member.
    Gzip(Box<GzEncoder<Vec<u8>>>, #[allow(dead_code, reason = "counts until it is dropped")] Holding),
    /// A frame a piece: frames join end to end (RFC 8878).
    Zstd,
}

impl Packer {
    fn new(encoding: Encoding, held: &Arc<Held>) -> Self {
        match encoding {
            Encoding::Identity => Self::Plain,
            Encoding::Gzip => {
                let packer = GzEncoder::new(vec![], flate2::Compression::default());
                Self::Gzip(Box::new(packer), Holding::new(held, GZIP_BYTES))
            }
            Encoding::Zstd => Self::Zstd,
        }
    }

    /// What can be sent once this text is in: perhaps nothing yet.
    fn pack(&mut self, text: String, answers: &Answers) -> Result<Vec<u8>, Error> {
        match self {
            Self::Plain => Ok(text.into_bytes()),
            Self::Gzip(packer, _) => {
                packer.write_all(text.as_bytes())?;
                Ok(std::mem::take(packer.get_mut()))
            }
            Self::Zstd if text.is_empty() => Ok(vec![]),
            Self::Zstd => answers.frame(&text),
        }
    }

    fn end(&mut self) -> Result<Vec<u8>, Error> {
        match self {
            Self::Gzip(packer, _) => {
                packer.try_finish()?;
                Ok(std::mem::take(packer.get_mut()))
            }
            Self::Plain | Self::Zstd => Ok(vec![]),
        }
    }
}

/// An answer that is being sent.
struct OnItsWay {
    parts: std::vec::IntoIter<Part>,
    /// The part whose lines are being sent, and how far.
    open: Option<(Part, Cursor)>,
    /// What comes before the next piece.
    text: String,
    /// A piece that was there already, and comes after that text.
    next: Option<Bytes>,
    packer: Packer,
    ended: bool,
    _offered: Holding,
}

/// What the place of an offered line takes while its answer is on its way, about.
const OFFERED_BYTES: usize = 64;

/// Sends an answer's opening line and these parts.
pub fn send(app: App, start: String, parts: Vec<Part>, encoding: Encoding) -> Response {
    let packer = Packer::new(encoding, &app.answers.held);
    let scattered = parts.iter().map(|part| match &part.offered {
        Offered::Scattered(own) => own.count(),
        Offered::Run { .. } => 0,
    });
    let offered = Holding::new(&app.answers.held, scattered.sum::<usize>() * OFFERED_BYTES);
    let parts = parts.into_iter();
    let way =
        OnItsWay { parts, open: None, text: start, next: None, packer, ended: false, _offered: offered };
    let makers = app.answers.makers.clone();
    let pieces = try_unfold((way, app, makers), |(mut way, app, makers)| async move {
        let maker = makers.clone().acquire_owned().await.map_err(Error::other)?;
        let work = app.blocking(move |app| {
            let _maker = maker;
            Ok(way.piece(app)?.map(|piece| (piece, way)))
        });
        match work.await {
            Ok(Some((piece, way))) => Ok(Some((piece, (way, app, makers)))),
            Ok(None) => Ok(None),
            Err(error) => {
                tracing::warn!(%error, "an answer ended in the middle; whoever asked asks again");
                Err(Error::other(error.to_string()))
            }
        }
    });
    body::answer_of(Body::from_stream(pieces), encoding)
}

impl OnItsWay {
    /// The next bytes to send; nothing after the last.
    fn piece(&mut self, app: &Inner) -> Result<Option<Bytes>, ApiError> {
        loop {
            let mut more = true;
            while more && self.next.is_none() && self.text.len() < PIECE.bytes / 2 {
                more = self.go_on(app)?;
            }
            if self.text.is_empty()
                && let Some(next) = self.next.take()
            {
                return Ok(Some(next));
            }
            let text = std::mem::take(&mut self.text);
            let _both = Holding::new(&app.answers.held, 2 * text.len());
            let mut packed = self.packer.pack(text, &app.answers)?;
            if !more && !self.ended {
                self.ended = true;
                packed.append(&mut self.packer.end()?);
            }
            if !packed.is_empty() {
                return Ok(Some(app.answers.counted(packed)));
            }
            if self.ended {
                return Ok(None);
            }
        }
    }

    /// Takes the next of what is to be said; false at the end.
    fn go_on(&mut self, app: &Inner) -> Result<bool, ApiError> {
        let Some((part, at)) = &mut self.open else {
            let Some(part) = self.parts.next() else { return Ok(false) };
            self.text.push_str(&body::json_line(&part.head)?);
            let after = part.after;
            self.open = Some((part, after));
            return Ok(true);
        };
        let (book, end) = (part.head.book, part.head.end);
        if at.position >= end {
            if (at.position, at.chain) != (end, part.head.chain) {
                return Err(ApiError::internal(&"the log was laid out anew while it was handed out"));
            }
            self.open = None;
            return Ok(true);
        }
        let boundary = (at.position / PIECE.lines as u64 + 1) * PIECE.lines as u64;
        let mut to = boundary.min(end);
        let (mut shared, mut own) = (matches!(self.packer, Packer::Zstd), &Own::default());
        match &part.offered {
            Offered::Run { before, end: after } if before == at && after.position > at.position => {
                // Where an answer ends before they do, only so many are named.
                let (last, place) = match part.head {
                    BookAnswer { end, chain, .. } if end < after.position => {
                        (end, Cursor { position: end, chain })
                    }
                    _ => (after.position, *after),
                };
                name_run(&mut self.text, [0, last - before.position - 1]);
                *at = place;
                return Ok(true);
            }
            Offered::Run { before, .. } if before.position > at.position => to = to.min(before.position),
            Offered::Run { .. } => {}
            Offered::Scattered(offered) => (shared, own) = (false, offered),
        }
        let kept = shared.then(|| app.answers.kept().get((book, at.position), at.chain)).flatten();
        // Two logs may begin alike and go on differently: what was kept of one that is gone is none of this.
        if let Some(kept) = kept.filter(|kept| kept.end.position <= to)
            && app.read(|db| Ok(chain_at(db, book, kept.end.position)?))? == Some(kept.end.chain)
        {
            *at = kept.end;
            self.next = Some(kept.bytes);
            return Ok(true);
        }
        let (text, end) = app.read(|db| Ok(piece(db, book, (*at, to), PIECE, own)?))?;
        // One that is full is the same for everybody who comes by here.
        if shared && (end.position == boundary || end.position < to) {
            let _both = Holding::new(&app.answers.held, 2 * text.len());
            let line_ends = usize::try_from(end.position - at.position).unwrap_or(0);
            let length = text.len().saturating_sub(line_ends);
            let bytes = app.answers.counted(self.packer.pack(text, &app.answers)?);
            let made = Packed { before: at.chain, end, bytes: bytes.clone(), text: length, turn: 0 };
            app.answers.kept().put((book, at.position), made, MOST_KEPT);
            self.next = Some(bytes);
        } else {
            self.text.push_str(&text);
        }
        *at = end;
        Ok(true)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn packed(bytes: usize, before: u8) -> Packed {
        let end = Cursor { position: 1, chain: Sha256Hash([0; 32]) };
        Packed {
            before: Sha256Hash([before; 32]),
            end,
            bytes: vec![0; bytes].into(),
            text: 2 * bytes,
            turn: 0,
        }
    }

    #[test]
    fn what_is_kept_for_others_has_a_bound_and_what_was_asked_for_last_stays() {
        let (book, mut kept) = (BookId::new(1, [1; 10]), Kept::default());
        for at in 0..4 {
            kept.put((book, at), packed(25, 7), 100);
        }
        assert!(kept.get((book, 0), Sha256Hash([7; 32])).is_some());
        kept.put((book, 4), packed(20, 7), 100);
        assert!(kept.bytes <= 100);
        let there = |kept: &mut Kept, at| kept.get((book, at), Sha256Hash([7; 32])).is_some();
        assert_eq!([0, 1, 2, 3, 4].map(|at| there(&mut kept, at)), [true, false, true, true, true]);
        kept.put((book, 5), packed(26, 7), 100);
        assert!(!there(&mut kept, 5), "one that would push too many others out is not kept");
        kept.put((book, 4), packed(10, 7), 100);
        assert_eq!(kept.bytes, 85, "one in another's place");
    }

    #[test]
    fn a_piece_of_another_log_is_none_of_this() {
        let (book, mut kept) = (BookId::new(1, [1; 10]), Kept::default());
        kept.put((book, 3), packed(5, 7), 100);
        assert!(kept.get((book, 3), Sha256Hash([8; 32])).is_none());
        assert!(kept.get((BookId::new(2, [1; 10]), 3), Sha256Hash([7; 32])).is_none());
    }

    #[test]
    fn what_is_held_is_counted_until_the_last_who_has_it_lets_go() {
        let answers = Answers::default();
        let bytes = answers.counted(vec![1; 1_000]);
        let part = bytes.slice(10..20);
        assert_eq!((answers.held(), answers.most_held()), (1_000, 1_000));
        drop(bytes);
        assert_eq!(answers.held(), 1_000);
        drop(part);
        assert_eq!((answers.held(), answers.most_held()), (0, 1_000));
    }
}
