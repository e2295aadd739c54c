//! A line as it may lie in a log: packed. FROZEN: what this reads and how it reads it never changes.
//!
//! A packed line is one zstd frame (RFC 8878), made with a dictionary that stands here under the number
//! which the frame's header names, and it says how many bytes its text has. A line is short and much like
//! the others, so most of it is in the dictionary already. A later dictionary gets a number of its own and
//! stands beside the first; none is ever taken away, for lines packed with it lie in stores.

use std::cell::RefCell;
use std::sync::LazyLock;

use bolebook_core::exchange::MAX_LINE_BYTES;
use zstd::bulk::{Compressor, Decompressor};
use zstd::dict::{DecoderDictionary, EncoderDictionary};
use zstd::zstd_safe;

/// Dictionary 1. FROZEN, to the byte: `train_dictionary` in `tests` says how it came about.
pub const DICTIONARY_1: &[u8] = include_bytes!("../dictionaries/lines-1.zdict");

/// How hard it is tried: harder levels take longer and, of lines as short as these, make no less of them.
/// May change: any zstd reads what any level wrote.
const LEVEL: i32 = 1;
/// Of a frame's text so many bytes are believed, as many as the dictionary has, and for each byte of the frame
/// so many more. Lines are far below it: whoever reads a whole log unpacks no more than two hundred times what
/// lies there, whatever a hostile file says.
const FREE: usize = 16 << 10;
const A_BYTE: usize = 200;
/// How every frame begins, and no line: that is JSON.
const MAGIC: [u8; 4] = [0x28, 0xb5, 0x2f, 0xfd];

static PACKS: LazyLock<EncoderDictionary<'static>> =
    LazyLock::new(|| EncoderDictionary::copy(DICTIONARY_1, LEVEL));
static UNPACKS_1: LazyLock<DecoderDictionary<'static>> =
    LazyLock::new(|| DecoderDictionary::copy(DICTIONARY_1));

thread_local! {
    // Made once a thread: a context costs more than packing a line with it.
    static PACKER: RefCell<Option<Compressor<'static>>> =
        RefCell::new(Compressor::with_prepared_dictionary(&PACKS).ok());
    static UNPACKER_1: RefCell<Option<Decompressor<'static>>> =
        RefCell::new(Decompressor::with_prepared_dictionary(&UNPACKS_1).ok());
}

/// Bytes that are no packed line, or no longer one.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum PackedError {
    /// They are not one whole frame.
    #[error("it is not one whole zstd frame")]
    Frame,
    /// It was packed with a dictionary that is not here.
    #[error("it is packed with dictionary {0}, and this Bolebook has 1")]
    Dictionary(u32),
    /// It does not say how long its text is, or longer than a line may be, or than so short a frame may say.
    #[error("it does not say a length that a line may have")]
    Length,
    /// It cannot be unpacked.
    #[error("it cannot be unpacked: {0}")]
    Content(String),
    /// Its content is not UTF-8.
    #[error("its content is no text")]
    Text,
}

/// Whether a text may be so long for a frame of so many bytes.
fn is_believed(text: usize, frame: usize) -> bool {
    text <= MAX_LINE_BYTES && text <= FREE + frame * A_BYTE
}

/// A line's text, packed; nothing where that would not be shorter, or so short that it is not believed.
pub fn pack(text: &str) -> Option<Vec<u8>> {
    let packed = PACKER.with_borrow_mut(|packer| packer.as_mut()?.compress(text.as_bytes()).ok())?;
    (packed.len() < text.len() && is_believed(text.len(), packed.len())).then_some(packed)
}

/// The text of a packed line. Never takes more memory than the longest line, whatever the bytes say.
///
/// # Errors
/// [`PackedError`]. Whether the text is the line that was stored, its hash tells.
pub fn unpack(bytes: &[u8]) -> Result<String, PackedError> {
    let whole = bytes.starts_with(&MAGIC) && zstd_safe::find_frame_compressed_size(bytes) == Ok(bytes.len());
    if !whole {
        return Err(PackedError::Frame);
    }
    let dictionary = zstd_safe::get_dict_id_from_frame(bytes).map_or(0, std::num::NonZeroU32::get);
    let unpacker = match dictionary {
        1 => &UNPACKER_1,
        other => return Err(PackedError::Dictionary(other)),
    };
    let length = match zstd_safe::get_frame_content_size(bytes) {
        Ok(Some(length)) => usize::try_from(length).ok().filter(|length| is_believed(*length, bytes.len())),
        _ => None,
    };
    let length = length.ok_or(PackedError::Length)?;
    let text = unpacker.with_borrow_mut(|unpacker| match unpacker {
        Some(unpacker) => unpacker.decompress(bytes, length).map_err(|e| PackedError::Content(e.to_string())),
        None => Err(PackedError::Content("there is no memory for it".into())),
    })?;
    if text.len() != length {
        return Err(PackedError::Length);
    }
    String::from_utf8(text).map_err(|_| PackedError::Text)
}

/// How long the text of a packed line is, by the first 18 bytes of its frame, which is
/// as long as a frame's header can be; nothing where it does not say.
pub(crate) fn length(begins: &[u8]) -> Option<usize> {
    let said = zstd_safe::get_frame_content_size(begins).ok().flatten()?;
    usize::try_from(said).ok().filter(|length| *length <= MAX_LINE_BYTES)
}

/// The text of a packed line, or in its place what is left: why it cannot be read, and its bytes. No such
/// text is a line, so whoever reads it meets a damaged line, and whoever sets it aside keeps every byte.
pub fn unpack_or_show(bytes: &[u8]) -> String {
    unpack(bytes)
        .unwrap_or_else(|why| format!("a packed line that cannot be read ({why}): {}", hex::encode(bytes)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn how_a_frame_begins_says_how_long_its_text_is() {
        for text in ["the same again, ".repeat(9), "枝".repeat(300), "0123456789".repeat(700)] {
            let packed = pack(&text).unwrap();
            assert_eq!(length(&packed[..packed.len().min(18)]), Some(text.len()));
        }
        assert_eq!(length(b"{\"actor\":"), None);
        assert_eq!(length(&[]), None);
    }

    #[test]
    fn what_packing_does_not_make_shorter_is_not_packed() {
        assert_eq!(pack(""), None);
        assert_eq!(pack("x"), None);
        let long = "the same again, ".repeat(100);
        let packed = pack(&long).unwrap();
        assert!(packed.len() < 60);
        assert_eq!(unpack(&packed).unwrap(), long);
        // What would come to a frame that is not believed stays as it is.
        assert_eq!(pack(&long.repeat(100)), None);
    }
}
