//! The books as one file, for the office's `bolebook bundle import`, when no signal comes: lines of
//! JSON in a zstd frame (RFC 8878) of stored blocks. A share sheet or a memory card carries it.

use bolebook_core::ids::BookId;
use serde_json::json;

use crate::state::State;

/// Most bytes of a block (RFC 8878 §3.1.1.2.4).
const MOST_BLOCK: usize = 128 * 1024;

/// The bundle of the yard and every job here; nothing before the device has joined.
pub fn bundle(state: &State) -> Option<Vec<u8>> {
    let yard = state.member.as_ref()?.yard;
    let mut text = format!("{}\n", json!({ "bundle": 1, "yard": yard }));
    let mut books: Vec<BookId> = vec![yard];
    books.extend(state.logs.keys().copied().filter(|id| *id != yard));
    for book in books {
        let Some(log) = state.logs.get(&book) else { continue };
        text.push_str(&format!("{}\n", json!({ "book": book, "lines": log.end() })));
        for (_, line) in log.lines_after(0) {
            text.push_str(&line);
            text.push('\n');
        }
    }
    text.push_str("{\"end\":true}\n");
    Some(frame(text.as_bytes()))
}

/// A zstd frame that holds bytes as they are: magic number, a header with the content's size, and
/// raw blocks. Compressing on the phone would need a compressor in the app for a rare need.
fn frame(bytes: &[u8]) -> Vec<u8> {
    let mut out = 0xFD2F_B528_u32.to_le_bytes().to_vec();
    // Single segment, content size in eight bytes (§3.1.1.1.1).
    out.push(0b1110_0000);
    out.extend((bytes.len() as u64).to_le_bytes());
    let mut blocks = bytes.chunks(MOST_BLOCK).peekable();
    while let Some(block) = blocks.next() {
        let last = u32::from(blocks.peek().is_none());
        let header = last | ((block.len() as u32) << 3);
        out.extend(header.to_le_bytes().iter().take(3));
        out.extend(block);
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The reference library reads what is written here.
    #[test]
    fn outside_zstd_unpacks_a_bundle_of_stored_blocks() {
        for length in [1, 1000, MOST_BLOCK, MOST_BLOCK + 1, 3 * MOST_BLOCK] {
            let bytes: Vec<u8> = (0..length).map(|i| (i % 251) as u8).collect();
            assert_eq!(zstd::decode_all(&frame(&bytes)[..]).unwrap(), bytes, "{length}");
        }
    }
}
