//! Photos go to the server piece by piece, by the tus resumable upload protocol 1.0.0 (2016-03-25; core,
//! Creation, Checksum), beside the exchange and never in its way. What the server has synced is asked
//! for, never remembered: a dropped line, a restart on either side or a photo begun by another
//! opening of the app all go on from there.

use base64::Engine as _;
use base64::prelude::BASE64_STANDARD;

use crate::field::Field;
use crate::outside::{KeptPhoto, Outside, Part, Trouble, Upload, Uploaded};
use crate::sync::{Link, SyncError};

/// Bytes of one piece: on a line of 3 KB/s it takes the 90 s that a server waits.
pub const PIECE: u64 = 256 * 1024;
/// So often in a row a piece may fail before the rest waits for another time.
const TRIES: u8 = 3;
const VERSION: &str = "1.0.0";

/// How far the sending has come.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Sending {
    /// The photo under way, from 1.
    pub number: usize,
    /// Of so many.
    pub of: usize,
    /// So much of it is on the server's disk, in hundredths.
    pub percent: u64,
}

/// Why photos wait; each has a message of its own.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Waits {
    /// The line dropped, or the server does not answer.
    Line,
    /// Larger than the server takes.
    TooLarge,
    /// No picture to the server.
    NoPicture,
    /// The device's share of the day is used up.
    Quota,
    /// The book it belongs to is not open to this device, or its record is not there yet.
    Closed,
    /// The device cannot read what it kept.
    Storage,
    /// Anything else the server answered.
    Refused(u16),
}

impl Waits {
    /// The message that says what to do.
    pub const fn message(self) -> &'static str {
        match self {
            Self::Line => "photos-line",
            Self::TooLarge => "photos-too-large",
            Self::NoPicture => "photos-no-picture",
            Self::Quota => "photos-quota",
            Self::Closed => "photos-closed",
            Self::Storage => "photos-storage",
            Self::Refused(_) => "photos-refused",
        }
    }

    fn of(status: u16) -> Self {
        match status {
            403 => Self::Closed,
            413 => Self::TooLarge,
            415 | 422 => Self::NoPicture,
            429 => Self::Quota,
            other => Self::Refused(other),
        }
    }

    /// Whether only this photo waits, and the others may go.
    const fn alone(self) -> bool {
        matches!(self, Self::TooLarge | Self::NoPicture | Self::Closed)
    }
}

impl From<Trouble> for Waits {
    fn from(trouble: Trouble) -> Self {
        match trouble {
            Trouble::Storage(_) => Self::Storage,
            _ => Self::Line,
        }
    }
}

/// What became of a piece.
enum Piece {
    /// So much is there.
    Synced(u64),
    /// Ask how far it is.
    Unsure,
    /// The upload is not known any more.
    Lost,
}

impl<D: Outside> Field<D> {
    /// Gives the photos kept here to the server. What is under way stands in the state; a second call
    /// meanwhile does nothing.
    pub async fn send_photos(&self) {
        if self.state().sending.is_some() {
            return;
        }
        self.state_mut().sending = Some(Sending::default());
        let outcome = self.send_all().await;
        let left = self.outside.photos().await.map(|all| all.len());
        let mut state = self.state_mut();
        state.sending = None;
        state.photos_wait = outcome.err();
        if let Ok(left) = left {
            state.photos = left;
        }
    }

    async fn send_all(&self) -> Result<(), Waits> {
        let photos = self.outside.photos().await?;
        if photos.is_empty() {
            return Ok(());
        }
        let mut link = self.photo_link(false).await?;
        let mut waits = None;
        for (index, photo) in photos.iter().enumerate() {
            let at = Sending { number: index + 1, of: photos.len(), percent: 0 };
            match self.send_one(&mut link, photo, at).await {
                Ok(()) => {
                    self.outside.drop_photo(photo.sha256).await?;
                    self.state_mut().photos = photos.len() - index - 1;
                }
                Err(why) if why.alone() => waits = waits.or(Some(why)),
                Err(why) => return Err(why),
            }
        }
        waits.map_or(Ok(()), Err)
    }

    async fn photo_link(&self, fresh: bool) -> Result<Link, Waits> {
        self.link(fresh).await.map_err(|error| match error {
            SyncError::Trouble(trouble) => trouble.into(),
            _ => Waits::Line,
        })
    }

    /// One photo, until the server has it or has removed it for good.
    async fn send_one(&self, link: &mut Link, photo: &KeptPhoto, at: Sending) -> Result<(), Waits> {
        let mut failed = 0;
        loop {
            let Some((place, mut offset)) = self.begin(link, photo).await? else { return Ok(()) };
            if offset >= photo.bytes {
                // All of it was there: the server puts it into its place when asked.
                return self.far(link, &place).await?.map(drop).ok_or(Waits::Line);
            }
            while offset < photo.bytes {
                let percent = offset * 100 / photo.bytes.max(1);
                self.state_mut().sending = Some(Sending { percent, ..at });
                let found = match self.piece(link, photo, &place, offset).await? {
                    Piece::Synced(to) => Some(to),
                    Piece::Unsure => self.far(link, &place).await?,
                    Piece::Lost => None,
                };
                failed = if found.is_some_and(|to| to > offset) { 0 } else { failed + 1 };
                if failed > TRIES {
                    return Err(Waits::Line);
                }
                let Some(to) = found else { break };
                offset = to;
            }
            if offset >= photo.bytes {
                return Ok(());
            }
        }
    }

    /// Makes the upload or finds it: its address, and how far it is. `None`: the photo was removed for
    /// good and is not wanted.
    async fn begin(&self, link: &mut Link, photo: &KeptPhoto) -> Result<Option<(String, u64)>, Waits> {
        let digest = BASE64_STANDARD.encode(photo.sha256.to_string());
        let headers =
            [("upload-length", photo.bytes.to_string()), ("upload-metadata", format!("sha256 {digest}"))];
        let answer = self.tus(link, "POST", "/v1/uploads", &headers, None).await?;
        match (answer.status, answer.location, answer.offset) {
            (201, Some(place), offset) => Ok(Some((place, offset.unwrap_or(0)))),
            (410, ..) => Ok(None),
            (status, ..) => Err(Waits::of(status)),
        }
    }

    async fn piece(
        &self,
        link: &mut Link,
        photo: &KeptPhoto,
        place: &str,
        from: u64,
    ) -> Result<Piece, Waits> {
        let part = Part { photo: photo.sha256, from, to: photo.bytes.min(from + PIECE) };
        let headers = [
            ("upload-offset", from.to_string()),
            ("content-type", "application/offset+octet-stream".to_owned()),
        ];
        match self.tus(link, "PATCH", place, &headers, Some(&part)).await {
            Ok(Uploaded { status: 204, offset, .. }) => Ok(Piece::Synced(offset.unwrap_or(part.to))),
            // 460: the line broke the bytes (tus, Checksum). 408: it took too long.
            Ok(Uploaded { status: 408 | 409 | 460, .. }) | Err(Waits::Line) => Ok(Piece::Unsure),
            Ok(Uploaded { status: 404 | 410, .. }) => Ok(Piece::Lost),
            Ok(Uploaded { status, .. }) => Err(Waits::of(status)),
            Err(other) => Err(other),
        }
    }

    /// How far an upload is; `None` when it is not known any more.
    async fn far(&self, link: &mut Link, place: &str) -> Result<Option<u64>, Waits> {
        let answer = self.tus(link, "HEAD", place, &[], None).await?;
        match (answer.status, answer.offset) {
            (200, Some(offset)) => Ok(Some(offset)),
            (404 | 410, _) => Ok(None),
            (status, _) => Err(Waits::of(status)),
        }
    }

    /// One request, with another token where the old one has run out.
    async fn tus(
        &self,
        link: &mut Link,
        method: &'static str,
        place: &str,
        headers: &[(&'static str, String)],
        part: Option<&Part>,
    ) -> Result<Uploaded, Waits> {
        let mut renewed = false;
        loop {
            // A place may be named whole or from the server's root (RFC 9110, Location).
            let url = match place.starts_with('/') {
                true => format!("{}{place}", link.url),
                false => place.to_owned(),
            };
            let mut all = vec![("tus-resumable", VERSION.to_owned())];
            all.push(("authorization", format!("Bearer {}", link.token)));
            all.extend(headers.iter().cloned());
            let answer = self.outside.upload(&Upload { method, url, headers: all }, part).await?;
            if answer.status != 401 || renewed {
                return Ok(answer);
            }
            renewed = true;
            *link = self.photo_link(true).await?;
        }
    }
}
