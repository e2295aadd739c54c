//! Photos from this server to another: each is asked about by its digest, and what is lacking there
//! goes over resumably (tus 1.0.0), from where the other server stands after a line that dropped.

use base64::Engine as _;
use base64::prelude::BASE64_STANDARD;
use bolebook_core::ids::{DeviceId, Sha256Hash};
use bolebook_core::service::{PhotoList, PhotoStored, PhotosLacking};
use bolebook_db::{Connection, params};
use bolebook_objects::Key;

use super::{Other, Passed, RelayError};
use crate::error::ApiError;
use crate::handlers::photos::MOST_ASKED;
use crate::photos;
use crate::state::Inner;
use crate::uploads::{MEDIA_TYPE, VERSION};

/// Lays the table out: when another server was last known to have a photo, or to refuse it.
pub const CREATE: &str = "
    CREATE TABLE IF NOT EXISTS photos_passed_on (
        server TEXT NOT NULL,
        sha256 TEXT NOT NULL,
        at INTEGER NOT NULL,
        PRIMARY KEY (server, sha256)
    ) WITHOUT ROWID;
";
/// Photos held here that a server was not known to have since a moment, the oldest first.
const TO_ASK: &str = "
    SELECT p.sha256 FROM photos p
    WHERE NOT EXISTS (SELECT 1 FROM photos_passed_on o WHERE o.server = ?1 AND o.sha256 = p.sha256 AND o.at > ?2)
    AND NOT EXISTS (SELECT 1 FROM photos_removed r WHERE r.sha256 = p.sha256)
    AND NOT EXISTS (SELECT 1 FROM erased_photos e WHERE e.sha256 = p.sha256)
    ORDER BY p.at, p.sha256";
const KNOWN: &str = "INSERT INTO photos_passed_on (server, sha256, at) VALUES (?1, ?2, ?3)
    ON CONFLICT (server, sha256) DO UPDATE SET at = excluded.at";

/// The first part, in bytes; small, for the line may be thin.
const FIRST_PART: u64 = 128 << 10;
/// The largest and smallest part. A part without an answer is sent again at half the size.
const MOST_PART: u64 = 4 << 20;
const LEAST_PART: u64 = 16 << 10;
/// How often in a row a line may drop before the rest waits for the next time.
const DROPS: u32 = 4;

/// Gives the other server the photos it lacks. What it will not take now (its quota) or ever (a photo
/// removed for good) is left, and the rest goes on.
///
/// # Errors
/// [`RelayError`]; what the other server has acknowledged is not sent again.
pub(super) fn pass_on(
    app: &Inner,
    other: &mut Other,
    again_ms: i64,
    passed: &mut Passed,
) -> Result<(), RelayError> {
    let since = app.now().0.saturating_sub(again_ms);
    let held = app.read(|db| to_ask(db, other.device, since))?;
    for part in held.chunks(MOST_ASKED) {
        let PhotosLacking { lacking, removed } = match other.lacking(part) {
            Ok(answer) => answer,
            // A server from before this question: an upload of a photo it has is a finished one.
            Err(RelayError::Unreachable { .. }) if other.answers()? => all_of(part),
            Err(RelayError::Refused(problem)) if matches!(problem.status, 404 | 405) => all_of(part),
            Err(error) => return Err(error),
        };
        let there = part.iter().filter(|photo| !lacking.contains(photo));
        for photo in there.chain(removed.iter()) {
            known(app, other.device, *photo)?;
        }
        for (done, photo) in lacking.iter().enumerate() {
            match give(app, other, *photo) {
                Ok(Given::Sent) => {
                    known(app, other.device, *photo)?;
                    passed.photos_given += 1;
                }
                Ok(Given::NotHere) => {}
                Err(RelayError::Refused(problem)) if problem.status == 429 => {
                    // Too much for now: all of it stays here and is asked about again next time.
                    passed.photos_waiting += (lacking.len() - done) as u64;
                    tracing::warn!(code = problem.code, waiting = passed.photos_waiting, "photos wait");
                    return Ok(());
                }
                Err(RelayError::Refused(problem)) if matches!(problem.status, 410 | 413 | 415 | 422) => {
                    // It would say the same again at once; asked about again like those it has.
                    known(app, other.device, *photo)?;
                    if problem.status != 410 {
                        passed.photos_refused += 1;
                        tracing::warn!(%photo, code = problem.code, "the other server does not take a photo");
                    }
                }
                Err(error) => return Err(error),
            }
        }
    }
    Ok(())
}

fn all_of(part: &[Sha256Hash]) -> PhotosLacking {
    PhotosLacking { lacking: part.to_vec(), removed: vec![] }
}

fn to_ask(db: &Connection, server: DeviceId, since: i64) -> Result<Vec<Sha256Hash>, ApiError> {
    let mut query = db.prepare_cached(TO_ASK)?;
    let rows = query.query_map(params![server.to_string(), since], |row| row.get::<_, String>(0))?;
    rows.map(|text| text?.parse().map_err(|e| ApiError::internal(&e))).collect()
}

fn known(app: &Inner, server: DeviceId, photo: Sha256Hash) -> Result<(), ApiError> {
    let now = app.now().0;
    app.write(|tx| {
        tx.execute(KNOWN, params![server.to_string(), photo.to_string(), now])?;
        Ok(())
    })
}

enum Given {
    Sent,
    /// Its bytes are not here any more.
    NotHere,
}

/// Sends what the other server lacks of one photo.
fn give(app: &Inner, other: &mut Other, photo: Sha256Hash) -> Result<Given, RelayError> {
    let Some(PhotoStored { bytes: length, .. }) = photos::stored(app, photo)? else {
        return Ok(Given::NotHere);
    };
    let key = Key::photo(photo);
    let begun = match other.begin_upload(photo, length) {
        Err(RelayError::Refused(problem)) if problem.status == 401 => {
            other.sign_in(app)?;
            other.begin_upload(photo, length)
        }
        begun => begun,
    };
    let (path, mut offset) = begun?;
    let (mut part, mut drops) = (FIRST_PART, 0);
    while offset < length {
        let read = app.objects.range(&key, offset, part).map_err(ApiError::from)?;
        // Removed meanwhile, or shorter than it was.
        let Some(bytes) = read.filter(|bytes| !bytes.is_empty()) else { return Ok(Given::NotHere) };
        match other.upload_part(&path, offset, &bytes) {
            Ok(now) if now <= offset => {
                let why = "took bytes of a photo and is no further".to_owned();
                return Err(RelayError::Wrong { url: other.url.clone(), why });
            }
            Ok(now) => (offset, drops, part) = (now, 0, (part * 2).min(MOST_PART)),
            Err(error) if drops < DROPS && goes_on(&error) => {
                drops += 1;
                if matches!(&error, RelayError::Refused(problem) if problem.status == 401) {
                    other.sign_in(app)?;
                }
                part = (part / 2).max(LEAST_PART);
                // The answer may have been lost, not the bytes: the server says how far it is.
                if let Ok(now) = other.upload_offset(&path) {
                    offset = now;
                }
            }
            Err(error) => return Err(error),
        }
    }
    Ok(Given::Sent)
}

/// A dropped line, a part that arrived broken, an offset the server sees otherwise, a token that is over.
fn goes_on(error: &RelayError) -> bool {
    match error {
        RelayError::Unreachable { .. } => true,
        RelayError::Refused(problem) => {
            matches!(problem.status, 401 | 409 | 460) || problem.code == "body-cut"
        }
        _ => false,
    }
}

impl Other {
    fn lacking(&self, photos: &[Sha256Hash]) -> Result<PhotosLacking, RelayError> {
        let list = PhotoList { photos: photos.to_vec() };
        let url = format!("{}/v1/photos/lacking", self.url);
        self.json(self.agent.post(url).header("authorization", &self.token).send_json(&list))
    }

    /// Makes an upload, or finds the one under way: its path, and how far it is.
    fn begin_upload(&self, photo: Sha256Hash, length: u64) -> Result<(String, u64), RelayError> {
        let named = BASE64_STANDARD.encode(photo.to_string());
        let response = self.checked(
            self.agent
                .post(format!("{}/v1/uploads", self.url))
                .header("authorization", &self.token)
                .header("tus-resumable", VERSION)
                .header("upload-length", length.to_string())
                .header("upload-metadata", format!("sha256 {named}"))
                .send_empty(),
        )?;
        let place = response.headers().get("location").and_then(|v| v.to_str().ok());
        let path = place.filter(|p| p.starts_with('/')).map(str::to_owned);
        let path = path.ok_or_else(|| self.unreachable(&"it names no upload"))?;
        Ok((path, self.offset_of(&response)?))
    }

    fn upload_offset(&self, path: &str) -> Result<u64, RelayError> {
        let head = self.agent.head(format!("{}{path}", self.url)).header("authorization", &self.token);
        self.offset_of(&self.checked(head.header("tus-resumable", VERSION).call())?)
    }

    /// Sends the next bytes with their checksum; gives how many it then has.
    fn upload_part(&self, path: &str, offset: u64, bytes: &[u8]) -> Result<u64, RelayError> {
        let checksum = BASE64_STANDARD.encode(Sha256Hash::of(bytes).0);
        let patch = self
            .agent
            .patch(format!("{}{path}", self.url))
            .header("authorization", &self.token)
            .header("tus-resumable", VERSION)
            .header("content-type", MEDIA_TYPE)
            .header("upload-offset", offset.to_string())
            .header("upload-checksum", format!("sha256 {checksum}"));
        self.offset_of(&self.checked(patch.send(bytes))?)
    }

    fn offset_of(&self, response: &super::Answer) -> Result<u64, RelayError> {
        let offset = response.headers().get("upload-offset").and_then(|v| v.to_str().ok()?.parse().ok());
        offset.ok_or_else(|| self.unreachable(&"it does not say how far the upload is"))
    }
}
