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
/// So many requests in a row may bring nothing before the rest waits for another time.
const TRIES: u8 = 6;
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
        matches!(self, Self::TooLarge | Self::NoPicture | Self::Closed | Self::Storage)
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

/// What is asked of the server next.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Next {
    /// Make the upload or find it.
    Begin,
    /// How far is it?
    Ask,
    /// Take the next piece.
    Send,
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
        let (mut next, mut place, mut offset) = (Next::Begin, String::new(), 0);
        let (mut failed, mut renewed) = (0, false);
        loop {
            let percent = offset * 100 / photo.bytes.max(1);
            self.state_mut().sending = Some(Sending { percent, ..at });
            let part = Part { photo: photo.sha256, from: offset, to: photo.bytes.min(offset + PIECE) };
            let request = request(link, photo, next, &place, offset);
            let asked = self.outside.upload(&request, Some(&part).filter(|_| next == Next::Send)).await;
            let before = offset;
            let answer = match asked {
                Err(Trouble::Storage(_)) => return Err(Waits::Storage),
                // 408: it took too long. How far it came is asked.
                Err(_) if next == Next::Send => Uploaded { status: 408, ..Uploaded::default() },
                Err(_) => return Err(Waits::Line),
                Ok(answer) => answer,
            };
            next = match (next, answer.status) {
                (_, 401) if !renewed => {
                    renewed = true;
                    *link = self.photo_link(true).await?;
                    continue;
                }
                (Next::Begin, 201) => {
                    place = answer.location.unwrap_or_default();
                    offset = answer.offset.unwrap_or(0);
                    // When all of it is there, asking puts it into its place.
                    if offset >= photo.bytes { Next::Ask } else { Next::Send }
                }
                (Next::Begin, 410) => return Ok(()),
                (Next::Ask, 200) | (Next::Send, 204) => {
                    offset = answer.offset.unwrap_or(0);
                    if offset >= photo.bytes {
                        return Ok(());
                    }
                    Next::Send
                }
                // 460: the line broke the bytes (tus, Checksum); 400: it stood still in the middle of them.
                (Next::Send, 400 | 408 | 409 | 460) => Next::Ask,
                // Of no bytes, or of so many that it says nothing to the server: this one alone.
                (Next::Begin, 400) => return Err(Waits::NoPicture),
                (Next::Ask | Next::Send, 404 | 410) => Next::Begin,
                (_, status) => return Err(Waits::of(status)),
            };
            renewed = false;
            failed = if offset > before { 0 } else { failed + 1 };
            if failed > TRIES {
                return Err(Waits::Line);
            }
        }
    }
}

fn request(link: &Link, photo: &KeptPhoto, next: Next, place: &str, offset: u64) -> Upload {
    let mut headers =
        vec![("tus-resumable", VERSION.to_owned()), ("authorization", format!("Bearer {}", link.token))];
    let (method, place) = match next {
        Next::Begin => {
            let digest = BASE64_STANDARD.encode(photo.sha256.to_string());
            headers.push(("upload-length", photo.bytes.to_string()));
            headers.push(("upload-metadata", format!("sha256 {digest}")));
            ("POST", "/v1/uploads")
        }
        Next::Ask => ("HEAD", place),
        Next::Send => {
            headers.push(("upload-offset", offset.to_string()));
            headers.push(("content-type", "application/offset+octet-stream".to_owned()));
            ("PATCH", place)
        }
    };
    // A place may be named whole or from the server's root (RFC 9110, Location).
    let server = if place.starts_with('/') { link.url.as_str() } else { "" };
    Upload { method, url: format!("{server}{place}"), headers }
}
