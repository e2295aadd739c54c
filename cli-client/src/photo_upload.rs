//! Gives a photo to a server, part by part (tus 1.0.0), and goes on where the server says after a line
//! that dropped, now or at the next exchange.

use bolebook_core::exchange::Problem;
use bolebook_core::ids::Sha256Hash;

use crate::app::App;
use crate::error::CliError;
use crate::local_store::Store;
use crate::sync::Link;
use crate::transport::{Server, TransportError};

/// The first part, in bytes; small, for the line may be thin.
const FIRST_PART: usize = 128 << 10;
/// The largest and smallest part. A part without an answer is sent again at half the size.
const MOST_PART: usize = 4 << 20;
const LEAST_PART: usize = 16 << 10;
/// How often in a row a line may drop before the rest waits for the next exchange.
const DROPS: u32 = 4;

/// Sends what the server lacks of a photo.
///
/// # Errors
/// [`CliError`]; what the server has acknowledged is not sent again next time.
pub fn send(
    app: &App,
    store: &Store,
    link: &mut Link,
    digest: Sha256Hash,
    bytes: &[u8],
) -> Result<(), CliError> {
    if Sha256Hash::of(bytes) != digest {
        // The server would refuse it only after the last byte.
        let detail = "the file in this store no longer has the digest it was kept under".to_owned();
        let problem = Problem { code: "photo-damaged".into(), detail, ..Problem::default() };
        return Err(TransportError::Refused(Box::new(problem)).into());
    }
    let length = bytes.len() as u64;
    let begun = link.retry(app, store, |s, token| s.begin_upload(token, digest, length));
    let (path, mut offset) = match begun {
        // A server from before resumable uploads takes it whole.
        Err(CliError::Transport(TransportError::Refused(p))) if matches!(p.status, 404 | 405) => {
            return link.retry(app, store, |s, token| s.put_photo(token, digest, bytes));
        }
        begun => begun?,
    };
    let (mut part, mut drops) = (FIRST_PART, 0);
    while offset < length {
        let from = usize::try_from(offset).unwrap_or(usize::MAX);
        let rest = bytes.get(from..).unwrap_or_default();
        let next = rest.get(..part.min(rest.len())).unwrap_or_default();
        match link.retry(app, store, |s, token| s.upload_part(token, &path, offset, next)) {
            Ok(now) if now <= offset => {
                let (url, why) = (path.clone(), "it took bytes and is no further".to_owned());
                return Err(TransportError::NotAServer { url, why }.into());
            }
            Ok(now) => {
                (offset, drops, part) = (now, 0, (part * 2).min(MOST_PART));
            }
            Err(CliError::Transport(error)) if drops < DROPS && goes_on(&error) => {
                drops += 1;
                part = (part / 2).max(LEAST_PART);
                // The answer may have been lost, not the bytes: the server says how far it is.
                if let Ok(now) = link.retry(app, store, |s: &Server, token| s.upload_offset(token, &path)) {
                    offset = now;
                }
            }
            Err(error) => return Err(error),
        }
    }
    Ok(())
}

/// A dropped line, a part that arrived broken, or an offset the server sees otherwise.
fn goes_on(error: &TransportError) -> bool {
    match error {
        TransportError::Unreachable { .. } => true,
        TransportError::Refused(problem) => matches!(problem.status, 409 | 460) || problem.code == "body-cut",
        _ => false,
    }
}
