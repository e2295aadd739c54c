//! Copies of photos for clients: the same picture, without what the camera wrote beside it.
//!
//! Parts are kept by a list of what a picture needs and dropped otherwise, so that a kind of metadata
//! nobody thought of does not slip through. Only which way up it is goes along, in an EXIF block
//! written here that holds nothing else.
//!
//! Sources: JPEG segments by ITU-T T.81 annex B and JFIF 1.02; PNG chunks by the PNG specification,
//! third edition (`eXIf` included); WebP chunks by RFC 9649.

use super::exif;

/// Why there is no clean copy.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum CleanError {
    /// A type whose parts are not taken apart here.
    #[error("what a camera writes into a picture of this type cannot be taken out here")]
    Type,
    /// Not what it says.
    #[error("the picture is damaged, so what the camera wrote into it cannot be taken out for sure")]
    Damaged,
}

/// Whether a type's parts are taken apart here.
pub fn can_clean(media_type: &str) -> bool {
    matches!(media_type, "image/jpeg" | "image/png" | "image/webp")
}

/// The picture without what the camera wrote beside it.
///
/// # Errors
/// [`CleanError`]; then nothing may leave.
pub fn clean(bytes: &[u8], media_type: &str) -> Result<Vec<u8>, CleanError> {
    let orientation = exif::read(bytes).orientation;
    let cleaned = match media_type {
        "image/jpeg" => jpeg(bytes, orientation),
        "image/png" => png(bytes, orientation),
        "image/webp" => webp(bytes, orientation),
        _ => return Err(CleanError::Type),
    };
    cleaned.ok_or(CleanError::Damaged)
}

/// A TIFF block with the one tag 'orientation'; none for an upright picture.
fn turned(orientation: u8) -> Option<Vec<u8>> {
    (orientation != 1).then(|| {
        let mut tiff = b"MM\0\x2a\0\0\0\x08\0\x01\x01\x12\0\x03\0\0\0\x01\0".to_vec();
        tiff.extend_from_slice(&[orientation, 0, 0, 0, 0, 0, 0]);
        tiff
    })
}

fn jpeg(bytes: &[u8], orientation: u8) -> Option<Vec<u8>> {
    let mut rest = bytes.strip_prefix(&[0xff, 0xd8])?;
    let mut out = vec![0xff, 0xd8];
    let mut exif = turned(orientation);
    loop {
        // Fill bytes may stand before a marker (T.81 B.1.1.2).
        while let [0xff, 0xff, ..] = rest {
            rest = rest.get(1..)?;
        }
        let [0xff, marker, after @ ..] = rest else { return None };
        let marker = *marker;
        if marker == 0xd9 {
            out.extend_from_slice(&[0xff, 0xd9]);
            // What follows the end is no picture: second images, films, places.
            return Some(out);
        }
        let length = usize::from(u16::from_be_bytes([*after.first()?, *after.get(1)?]));
        let (segment, behind) = (after.get(2..length)?, after.get(length..)?);
        rest = behind;
        let jfif = marker == 0xe0 && segment.starts_with(b"JFIF\0");
        if !jfif && let Some(tiff) = exif.take() {
            let long = u16::try_from(tiff.len() + 8).ok()?;
            out.extend_from_slice(&[0xff, 0xe1]);
            out.extend_from_slice(&long.to_be_bytes());
            out.extend_from_slice(b"Exif\0\0");
            out.extend_from_slice(&tiff);
        }
        if jfif {
            // Without the small picture it may carry.
            out.extend_from_slice(&[0xff, 0xe0, 0, 16]);
            out.extend_from_slice(segment.get(..12)?);
            out.extend_from_slice(&[0, 0]);
            continue;
        }
        let keep = match marker {
            0xe2 => segment.starts_with(b"ICC_PROFILE\0"),
            0xee => segment.starts_with(b"Adobe"),
            // Tables, frames, scans; none of the application segments, no comment.
            0xc0..=0xcf | 0xda..=0xdf => true,
            _ => false,
        };
        if keep {
            out.extend_from_slice(&[0xff, marker]);
            out.extend_from_slice(after.get(..length)?);
        }
        if marker == 0xda {
            let end = scan_end(rest)?;
            out.extend_from_slice(rest.get(..end)?);
            rest = rest.get(end..)?;
        }
    }
}

/// Where a scan's coded bytes end: at a marker that is neither stuffing nor a restart.
fn scan_end(bytes: &[u8]) -> Option<usize> {
    bytes.windows(2).position(|pair| pair[0] == 0xff && !matches!(pair[1], 0x00 | 0xd0..=0xd7 | 0xff))
}

const PNG_SIGNATURE: &[u8] = b"\x89PNG\r\n\x1a\n";

fn png(bytes: &[u8], orientation: u8) -> Option<Vec<u8>> {
    // Without its header it is no picture, and there is no place for which way up it is.
    let mut rest = bytes.strip_prefix(PNG_SIGNATURE).filter(|r| r.get(4..8) == Some(b"IHDR"))?;
    let mut out = PNG_SIGNATURE.to_vec();
    let mut exif = turned(orientation);
    loop {
        let (length, name) = (rest.get(..4)?, rest.get(4..8)?);
        let length = usize::try_from(u32::from_be_bytes(length.try_into().ok()?)).ok()?;
        let chunk = rest.get(..length.checked_add(12)?)?;
        rest = rest.get(chunk.len()..)?;
        match name {
            b"IHDR" | b"PLTE" | b"IDAT" | b"IEND" | b"tRNS" | b"gAMA" | b"cHRM" | b"sRGB" | b"iCCP"
            | b"sBIT" | b"bKGD" | b"pHYs" | b"cICP" | b"acTL" | b"fcTL" | b"fdAT" => {
                out.extend_from_slice(chunk)
            }
            _ => {}
        }
        match name {
            b"IEND" => return Some(out),
            b"IHDR" => {
                if let Some(tiff) = exif.take() {
                    png_chunk(&mut out, *b"eXIf", &tiff)?;
                }
            }
            _ => {}
        }
    }
}

fn png_chunk(out: &mut Vec<u8>, name: [u8; 4], data: &[u8]) -> Option<()> {
    out.extend_from_slice(&u32::try_from(data.len()).ok()?.to_be_bytes());
    out.extend_from_slice(&name);
    out.extend_from_slice(data);
    let mut crc = flate2::Crc::new();
    crc.update(&name);
    crc.update(data);
    out.extend_from_slice(&crc.sum().to_be_bytes());
    Some(())
}

/// The bits of a `VP8X` header that say that EXIF and XMP follow.
const WEBP_EXIF: u8 = 0x08;
const WEBP_XMP: u8 = 0x04;

fn webp(bytes: &[u8], orientation: u8) -> Option<Vec<u8>> {
    let size = bytes.strip_prefix(b"RIFF")?.get(..4)?;
    let size = usize::try_from(u32::from_le_bytes(size.try_into().ok()?)).ok()?;
    let mut rest = bytes.get(8..size.checked_add(8)?)?.strip_prefix(b"WEBP")?;
    let mut out = b"RIFF\0\0\0\0WEBP".to_vec();
    // Only the extended form has a place for EXIF; a simple file carries none.
    let exif = match rest.get(..4)? {
        b"VP8X" => turned(orientation),
        b"VP8 " | b"VP8L" => None,
        _ => return None,
    };
    while !rest.is_empty() {
        let (name, length) = (rest.get(..4)?, rest.get(4..8)?);
        let length = usize::try_from(u32::from_le_bytes(length.try_into().ok()?)).ok()?;
        let padded = length.checked_add(length % 2)?.checked_add(8)?;
        let chunk = rest.get(..padded.min(rest.len())).filter(|c| c.len() >= length + 8)?;
        rest = rest.get(chunk.len()..)?;
        match name {
            b"VP8X" => {
                let from = out.len() + 8;
                out.extend_from_slice(chunk);
                let flags = out.get_mut(from)?;
                *flags &= !(WEBP_EXIF | WEBP_XMP);
                if exif.is_some() {
                    *flags |= WEBP_EXIF;
                }
            }
            b"VP8 " | b"VP8L" | b"ALPH" | b"ANIM" | b"ANMF" | b"ICCP" => out.extend_from_slice(chunk),
            _ => {}
        }
    }
    if let Some(tiff) = exif {
        out.extend_from_slice(b"EXIF");
        out.extend_from_slice(&u32::try_from(tiff.len()).ok()?.to_le_bytes());
        out.extend_from_slice(&tiff);
    }
    let size = u32::try_from(out.len() - 8).ok()?;
    out.get_mut(4..8)?.copy_from_slice(&size.to_le_bytes());
    Some(out)
}
