//! Targets that take what comes with photos: the header fields of a resumable upload (tus 1.0.0), and
//! pictures with what a camera wrote beside them.

use std::sync::LazyLock;

use bolebook_core::ids::Sha256Hash;
use bolebook_server::photos::{clean, exif, sniff};
use bolebook_server::uploads::headers::{self, Checksum};

use crate::fuzz::{Ended, mutate};
use crate::sim::dice::Dice;

/// Base64 as RFC 4648 §4 has it: written anew here, so that reader and writer are not one library.
fn base64(bytes: &[u8]) -> String {
    const SIGNS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut text = String::new();
    for three in bytes.chunks(3) {
        let byte = |i: usize| u32::from(three.get(i).copied().unwrap_or(0));
        let bits = byte(0) << 16 | byte(1) << 8 | byte(2);
        for place in 0..4 {
            let sign = SIGNS[(bits >> (18 - 6 * place) & 63) as usize];
            text.push(if place <= three.len() { char::from(sign) } else { '=' });
        }
    }
    text
}

/// Makes the four fields of an upload, a line each: offset, length, metadata, checksum.
pub fn make_tus(dice: &mut Dice) -> Vec<u8> {
    let number = |dice: &mut Dice| match dice.below(4) {
        0 => (dice.number() >> dice.below(64)).to_string(),
        1 => ["", "-1", "+1", " 1", "1 ", "0x10", "1e3", "9223372036854775808"][dice.below(8)].to_owned(),
        _ => dice.below(50_000_000).to_string(),
    };
    let (offset, length) = (number(dice), number(dice));
    let digest = Sha256Hash(dice.bytes()).to_string();
    let mut pairs = vec![format!("sha256 {}", base64(digest.as_bytes()))];
    for _ in 0..dice.below(4) {
        let key = ["filename", "sha256", "a", "", "né", "filetype"][dice.below(6)];
        let value: [u8; 12] = dice.bytes();
        pairs.push(format!("{key} {}", base64(&value[..dice.below(12)])));
    }
    if dice.chance(100) {
        pairs.swap_remove(0);
    }
    let sum: [u8; 32] = dice.bytes();
    let checksum = match dice.below(4) {
        0 => format!("sha1 {}", base64(&sum[..20])),
        1 => format!("md5 {}", base64(&sum[..16])),
        2 => format!("sha1 {}", base64(&sum[..dice.below(33)])),
        _ => format!("sha256 {}", base64(&sum)),
    };
    let mut text = [offset, length, pairs.join(","), checksum].join("\n").into_bytes();
    if dice.chance(250) {
        mutate::bytes(dice, &mut text);
    }
    text
}

/// Reads the fields. What is read must be what was written, in no second spelling.
pub fn tus(bytes: &[u8]) -> Ended {
    let Ok(text) = std::str::from_utf8(bytes) else { return Ended::early("not UTF-8") };
    let mut fields = text.split('\n');
    let mut field = || fields.next().unwrap_or("");
    let mut ends = vec![];
    for name in ["offset", "length"] {
        let written = field();
        match headers::count(written) {
            Ok(count) => {
                assert!(i64::try_from(count).is_ok(), "a count the database cannot hold");
                assert_eq!(written.trim_start_matches('0'), count.to_string().trim_start_matches('0'));
            }
            Err(_) => ends.push(format!("no {name}")),
        }
    }
    let written = field();
    let digest = match headers::metadata(written) {
        Err(_) => {
            ends.push("no metadata".to_owned());
            assert!(headers::digest(written).is_err(), "a digest out of no metadata");
            false
        }
        Ok(pairs) => {
            assert!(written.len() <= headers::MAX_METADATA_BYTES);
            let again: Vec<String> = pairs.iter().map(|(k, v)| format!("{k} {}", base64(v))).collect();
            assert_eq!(headers::metadata(&again.join(",")), Ok(pairs), "metadata is read otherwise");
            match headers::digest(written) {
                Ok(digest) => {
                    assert!(written.contains(&base64(digest.to_string().as_bytes())));
                    true
                }
                Err(_) => {
                    ends.push("no digest".to_owned());
                    false
                }
            }
        }
    };
    let written = field();
    match headers::checksum(written) {
        Ok(Checksum::Sha1(sum)) => assert_eq!(written, format!("sha1 {}", base64(&sum))),
        Ok(Checksum::Sha256(sum)) => assert_eq!(written, format!("sha256 {}", base64(&sum))),
        Err(_) => ends.push("no checksum".to_owned()),
    }
    let class = if ends.is_empty() { "read".to_owned() } else { ends.join(", ") };
    Ended { passed: digest, class }
}

/// What only a camera writes; it stands nowhere in a picture itself.
const SECRET: &[u8] = b"SECRET-PLACE";

/// An EXIF block (CIPA DC-008, a big-endian TIFF): orientation 6, a description that is secret, a time
/// with its offset, and a place, 40° N 84° 30′ W.
fn exif_block() -> Vec<u8> {
    let entry = |tag: u16, kind: u16, count: u32, value: [u8; 4]| {
        [&tag.to_be_bytes()[..], &kind.to_be_bytes(), &count.to_be_bytes(), &value].concat()
    };
    let angle = |parts: [u32; 3]| -> Vec<u8> {
        parts.iter().flat_map(|n| [n.to_be_bytes(), 1u32.to_be_bytes()].concat()).collect()
    };
    // Header 8; a directory has 2 bytes, 12 an entry, and 4: 54 + 30 + 54. Then what is longer than 4.
    let (times, place, text) = (62_u32, 92_u32, 146_u32);
    let lat = text + SECRET.len() as u32;
    let (lon, time, offset) = (lat + 24, lat + 48, lat + 68);
    [
        b"MM\0\x2a\0\0\0\x08".to_vec(),
        vec![0, 4],
        entry(0x010e, 2, SECRET.len() as u32, text.to_be_bytes()),
        entry(0x0112, 3, 1, [0, 6, 0, 0]),
        entry(0x8769, 4, 1, times.to_be_bytes()),
        entry(0x8825, 4, 1, place.to_be_bytes()),
        vec![0; 4],
        vec![0, 2],
        entry(0x9003, 2, 20, time.to_be_bytes()),
        entry(0x9011, 2, 7, offset.to_be_bytes()),
        vec![0; 4],
        vec![0, 4],
        entry(0x0001, 2, 2, *b"N\0\0\0"),
        entry(0x0002, 5, 3, lat.to_be_bytes()),
        entry(0x0003, 2, 2, *b"W\0\0\0"),
        entry(0x0004, 5, 3, lon.to_be_bytes()),
        vec![0; 4],
        SECRET.to_vec(),
        angle([40, 0, 0]),
        angle([84, 30, 0]),
        b"2026:06:01 08:30:00\0".to_vec(),
        b"-04:00\0".to_vec(),
    ]
    .concat()
}

fn segment(marker: u8, data: &[u8]) -> Vec<u8> {
    [&[0xff, marker][..], &(data.len() as u16 + 2).to_be_bytes(), data].concat()
}

fn png_chunk(name: &[u8; 4], data: &[u8]) -> Vec<u8> {
    // The sum is not read by what takes chunks apart.
    [&(data.len() as u32).to_be_bytes()[..], name, data, &[0; 4]].concat()
}

fn webp_chunk(name: &[u8; 4], data: &[u8]) -> Vec<u8> {
    let mut chunk = [&name[..], &(data.len() as u32).to_le_bytes(), data].concat();
    chunk.resize(chunk.len() + data.len() % 2, 0);
    chunk
}

/// Files of the three types whose parts are in order; their pixels are nothing.
static PICTURES: LazyLock<[Vec<u8>; 3]> = LazyLock::new(|| {
    let tiff = exif_block();
    let jpeg = [
        vec![0xff, 0xd8],
        segment(0xe0, b"JFIF\0\x01\x02\0\0\x01\0\x01\0\0"),
        segment(0xe1, &[b"Exif\0\0", &tiff[..]].concat()),
        segment(0xe1, &[b"http://ns.adobe.com/xap/1.0/\0", SECRET].concat()),
        segment(0xed, SECRET),
        segment(0xfe, SECRET),
        segment(0xdb, &[0; 65]),
        segment(0xc0, &[8, 0, 8, 0, 8, 1, 1, 0x11, 0]),
        segment(0xda, &[1, 1, 0, 0, 63, 0]),
        vec![1, 2, 0xff, 0, 3, 0xff, 0xd0, 4, 0xff, 0xd9],
        SECRET.to_vec(),
    ]
    .concat();
    let png = [
        b"\x89PNG\r\n\x1a\n".to_vec(),
        png_chunk(b"IHDR", &[0, 0, 0, 8, 0, 0, 0, 8, 8, 2, 0, 0, 0]),
        png_chunk(b"eXIf", &tiff),
        png_chunk(b"tEXt", SECRET),
        png_chunk(b"IDAT", &[7; 20]),
        png_chunk(b"IEND", &[]),
    ]
    .concat();
    let parts = [
        webp_chunk(b"VP8X", &[0x0c, 0, 0, 0, 7, 0, 0, 7, 0, 0]),
        webp_chunk(b"VP8L", &[9; 21]),
        webp_chunk(b"EXIF", &tiff),
        webp_chunk(b"XMP ", SECRET),
    ]
    .concat();
    let webp = [b"RIFF".to_vec(), (parts.len() as u32 + 4).to_le_bytes().to_vec(), b"WEBP".to_vec(), parts];
    [jpeg, png, webp.concat()]
});

/// Makes a picture: whole, changed in some bytes, or cut off.
pub fn make_photo(dice: &mut Dice) -> Vec<u8> {
    let mut bytes = PICTURES[dice.below(PICTURES.len())].clone();
    match dice.below(4) {
        0 => mutate::bytes(dice, &mut bytes),
        1 => {
            let place = dice.below(bytes.len());
            bytes[place] = dice.number() as u8;
        }
        2 if dice.chance(500) => bytes.truncate(dice.below(bytes.len())),
        _ => {}
    }
    bytes
}

/// Reads what the camera wrote and takes it out. A copy that comes out at all holds no place and no
/// time, and cleaning it again changes nothing.
pub fn photo(bytes: &[u8]) -> Ended {
    let Some(media_type) = sniff(bytes) else { return Ended::early("no picture") };
    let camera = exif::read(bytes);
    assert!((1..=8).contains(&camera.orientation));
    match clean::clean(bytes, media_type) {
        Err(error) => Ended::passed(format!("{media_type} {error:?}")),
        Ok(copy) => {
            let left = exif::read(&copy);
            assert!(left.place.is_none() && left.taken_local.is_none(), "a place is left in a client's copy");
            // The simple form of WebP has no place for which way up it is (RFC 9649 §2.5, §2.6).
            let simple = media_type == "image/webp" && bytes.get(12..16) != Some(b"VP8X");
            assert!(simple || left.orientation == camera.orientation, "a copy stands another way up");
            assert_eq!(sniff(&copy), Some(media_type));
            assert_eq!(clean::clean(&copy, media_type).as_ref(), Ok(&copy), "a copy is cleaned otherwise");
            let turned = if camera.orientation == 1 { "upright" } else { "turned" };
            Ended::passed(format!("{media_type} clean, {turned}"))
        }
    }
}

#[cfg(test)]
mod tests {
    use bolebook_core::quantity::UtcMs;

    use super::*;

    #[test]
    fn the_pictures_made_here_hold_a_place_and_their_copies_do_not() {
        for bytes in &*PICTURES {
            let media_type = sniff(bytes).unwrap();
            let camera = exif::read(bytes);
            assert_eq!(camera.orientation, 6, "{media_type}");
            let place = camera.place.unwrap();
            assert_eq!((place.lat_ndeg, place.lon_ndeg), (40_000_000_000, -84_500_000_000));
            assert_eq!(camera.taken_at, Some(UtcMs(1_780_317_000_000)), "08:30 at -04:00");
            let copy = clean::clean(bytes, media_type).unwrap();
            for (held, of) in [(true, bytes), (false, &copy)] {
                let found = of.windows(SECRET.len()).any(|w| w == SECRET);
                assert_eq!(found, held, "{media_type}");
            }
        }
    }

    /// RFC 4648 §10, the test vectors.
    #[test]
    fn outside_base64_is_the_rfcs() {
        for (bytes, text) in
            [("", ""), ("f", "Zg=="), ("fo", "Zm8="), ("foo", "Zm9v"), ("foobar", "Zm9vYmFy")]
        {
            assert_eq!(base64(bytes.as_bytes()), text);
        }
    }
}
