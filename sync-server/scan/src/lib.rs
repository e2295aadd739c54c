//! Reads a bar or QR code off a grey picture. A module of its own: it is large, seldom needed, and
//! reads bytes from outside, so that whatever goes wrong in it stays in its worker.
#![cfg(target_arch = "wasm32")]

use wasm_bindgen::prelude::wasm_bindgen;

/// Most letters taken from a code: tags, lots and one-time codes are shorter.
const MOST: usize = 200;

/// The text of the first code found in a picture of `width` × `height` pixels, one byte of
/// brightness each; nothing when there is none. Control characters are left out.
#[wasm_bindgen]
pub fn read(luma: Vec<u8>, width: u32, height: u32) -> Option<String> {
    if u64::from(width) * u64::from(height) != luma.len() as u64 {
        return None;
    }
    let found = rxing::helpers::detect_in_luma(luma, width, height, None).ok()?;
    let text: String = found.getText().chars().filter(|c| !c.is_control()).take(MOST).collect();
    Some(text.trim().to_owned()).filter(|text| !text.is_empty())
}
