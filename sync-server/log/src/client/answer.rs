//! The lines of an answer off the wire, each no longer than a line may be.

use std::collections::BTreeMap;
use std::io::{BufRead, Error, ErrorKind, Read as _};

use bolebook_core::exchange::{Answer, AnswerReader, Asked, MAX_LINE_BYTES};
use bolebook_core::ids::{BookId, DeviceId};

use super::ClientError;

/// Reads a whole answer.
///
/// # Errors
/// [`ClientError::Cut`] and [`ClientError::Answer`].
pub(super) fn read(
    mut answer: impl BufRead,
    server: DeviceId,
    asked: &BTreeMap<BookId, Asked>,
) -> Result<Answer, ClientError> {
    let mut reader = AnswerReader::new(server, asked);
    while let Some(text) = next_line(&mut answer)? {
        reader.line(&text)?;
    }
    Ok(reader.end()?)
}

fn next_line(answer: &mut impl BufRead) -> Result<Option<String>, Error> {
    let mut line = Vec::new();
    let most = MAX_LINE_BYTES as u64 + 1;
    if answer.by_ref().take(most).read_until(b'\n', &mut line)? == 0 {
        return Ok(None);
    }
    if line.pop() != Some(b'\n') {
        return Err(Error::new(ErrorKind::UnexpectedEof, "a line without an end"));
    }
    String::from_utf8(line).map(Some).map_err(|e| Error::new(ErrorKind::InvalidData, e))
}
