//! A device's side of resumable uploads (tus 1.0.0), and photos of INVENTED bytes.

use std::io::{Read as _, Write as _};
use std::net::TcpStream;

use base64::Engine as _;
use base64::prelude::BASE64_STANDARD;
use bolebook_core::ids::Sha256Hash;
use bolebook_core::record::work::Photo;

use super::{Answer, Client, NOW};

pub const TUS: (&str, &str) = ("tus-resumable", "1.0.0");
pub const PART: (&str, &str) = ("content-type", "application/offset+octet-stream");

/// Bytes that begin as a JPEG does and go on without a pattern.
pub fn photo(length: usize, seed: u64) -> Vec<u8> {
    let mut state = seed | 1;
    let mut bytes = vec![0xff, 0xd8, 0xff, 0xe0];
    bytes.extend(std::iter::repeat_with(|| next(&mut state) as u8).take(length.saturating_sub(4)));
    bytes
}

/// The record that names a photo.
pub fn record_of(bytes: &[u8]) -> Photo {
    Photo {
        sha256: Sha256Hash::of(bytes),
        bytes: bytes.len() as i64,
        media_type: "image/jpeg".into(),
        about: None,
        taken_at: NOW,
        caption: None,
    }
}

/// xorshift64 (Marsaglia 2003): seeded, so that a failing run can be run again.
pub fn next(state: &mut u64) -> u64 {
    *state ^= *state << 13;
    *state ^= *state >> 7;
    *state ^= *state << 17;
    *state
}

pub fn create(client: &Client, hash: Sha256Hash, length: u64) -> Answer {
    let metadata = format!(
        "sha256 {},filename {}",
        BASE64_STANDARD.encode(hash.to_string()),
        BASE64_STANDARD.encode("p.jpg")
    );
    let length = length.to_string();
    let headers = [TUS, ("upload-length", &*length), ("upload-metadata", &*metadata)];
    client.send("POST", "/v1/uploads", &headers, &[]).unwrap()
}

pub fn begin(client: &Client, bytes: &[u8]) -> String {
    let made = create(client, Sha256Hash::of(bytes), bytes.len() as u64);
    assert_eq!(made.status, 201, "{}", String::from_utf8_lossy(&made.bytes));
    made.headers["location"].to_str().unwrap().to_owned()
}

pub fn patch(client: &Client, path: &str, offset: usize, bytes: &[u8]) -> Answer {
    let offset = offset.to_string();
    client.send("PATCH", path, &[TUS, PART, ("upload-offset", &*offset)], bytes).unwrap()
}

pub fn offset(client: &Client, path: &str) -> usize {
    let asked = client.send("HEAD", path, &[TUS], &[]).unwrap();
    assert_eq!(asked.status, 200);
    assert_eq!(asked.headers["cache-control"], "no-store", "tus core protocol, HEAD");
    assert_eq!(asked.headers["tus-resumable"], "1.0.0");
    asked.headers["upload-offset"].to_str().unwrap().parse().unwrap()
}

/// A PATCH that promises `promised` bytes, whose line stays open after those given.
pub fn begun(client: &Client, path: &str, offset: usize, promised: usize, given: &[u8]) -> TcpStream {
    let address = client.url.strip_prefix("http://").unwrap();
    let mut line = TcpStream::connect(address).unwrap();
    let token = client.token.as_ref().unwrap();
    let head = format!(
        "PATCH {path} HTTP/1.1\r\nHost: {address}\r\nAuthorization: Bearer {token}\r\nTus-Resumable: 1.0.0\r\n\
         Content-Type: application/offset+octet-stream\r\nUpload-Offset: {offset}\r\nContent-Length: {promised}\r\n\r\n"
    );
    line.write_all(head.as_bytes()).unwrap();
    line.write_all(given).unwrap();
    line
}

/// The same, and drops the line.
pub fn cut(client: &Client, path: &str, offset: usize, promised: usize, given: &[u8]) {
    let mut line = begun(client, path, offset, promised, given);
    line.shutdown(std::net::Shutdown::Write).unwrap();
    // Until the server has seen the end: what is asked next then sees what came.
    let _ = line.read_to_end(&mut vec![]);
}

pub fn is_there(client: &Client, bytes: &[u8]) {
    let got = client.get(&format!("/v1/photos/{}", Sha256Hash::of(bytes)));
    assert!(got.status == 200 && got.bytes == bytes, "{} {} bytes", got.status, got.bytes.len());
}
