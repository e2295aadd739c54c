//! Resumable uploads of photos, against the tus resumable upload protocol 1.0.0 (2016-03-25): the
//! shipped server on a free port, cut lines by raw TCP. Photos here are INVENTED bytes.

mod support;

use std::io::{Read as _, Write as _};
use std::net::TcpStream;

use base64::Engine as _;
use base64::prelude::BASE64_STANDARD;
use bolebook_core::ids::Sha256Hash;
use bolebook_core::record::people::Role;
use bolebook_server::Config;
use bolebook_server::uploads::headers;
use proptest::prelude::*;
use sha1::{Digest as _, Sha1};
use support::tus::{PART, TUS, begin, create, cut, is_there, next, offset, patch, photo};
use support::{Answer, Client, Server, yard};

fn start(change: impl FnOnce(&mut Config)) -> (tempfile::TempDir, Server, Client) {
    let data = tempfile::tempdir().unwrap();
    Server::init(data.path());
    let mut config = Config::new(data.path().to_owned());
    change(&mut config);
    let server = Server::start_with(config);
    let mut office = Client::certified(&server.url, 1, Role::Office);
    office.open_yard();
    office.exchange(&[yard()]).unwrap();
    (data, server, office)
}

fn code(answer: &Answer) -> (u16, String) {
    (answer.status, answer.problem().code)
}

#[test]
fn outside_options_say_what_the_protocol_asks() {
    let (_data, _server, office) = start(|_| ());
    let said = office.send("OPTIONS", "/v1/uploads", &[], &[]).unwrap();
    assert_eq!(said.status, 204);
    let named = |name: &str| said.headers[name].to_str().unwrap().to_owned();
    assert_eq!((named("tus-resumable"), named("tus-version")), ("1.0.0".into(), "1.0.0".into()));
    assert_eq!(named("tus-max-size"), (40 << 20).to_string());
    let extensions = named("tus-extension");
    for extension in ["creation", "checksum", "termination"] {
        assert!(extensions.split(',').any(|e| e == extension), "{extensions}");
    }
    assert!(named("tus-checksum-algorithm").split(',').any(|a| a == "sha1"), "Checksum: sha1 is a must");
    // 'If the version specified by the Client is not supported': 412 with Tus-Version.
    let other = office.send("POST", "/v1/uploads", &[("tus-resumable", "0.2.2")], &[]).unwrap();
    assert_eq!(code(&other), (412, "tus-version".into()));
    assert_eq!(other.headers["tus-version"], "1.0.0");
}

#[test]
fn a_photo_cut_at_every_chunk_boundary_arrives_whole() {
    let (_data, _server, office) = start(|_| ());
    let bytes = photo(40_000, 7);
    let path = begin(&office, &bytes);
    let mut at = 0;
    for chunk in bytes.chunks(1_000) {
        // The line drops just after the chunk although more was promised.
        cut(&office, &path, at, bytes.len() - at + 1, chunk);
        at += chunk.len();
        assert_eq!(offset(&office, &path), at);
    }
    is_there(&office, &bytes);
}

/// Every place a line can drop: in the request's own lines, between them and the photo, in the photo.
#[test]
fn a_photo_whose_line_drops_at_any_byte_of_the_request_arrives_whole() {
    let (data, _server, office) = start(|_| ());
    let (mut at_byte, mut cuts) = (0, 0);
    loop {
        let bytes = photo(160, 1_000 + 2 * at_byte as u64);
        let path = begin(&office, &bytes);
        let address = office.url.strip_prefix("http://").unwrap();
        let checksum = match at_byte % 2 {
            0 => String::new(),
            _ => format!("Upload-Checksum: sha1 {}\r\n", BASE64_STANDARD.encode(Sha1::digest(&bytes))),
        };
        let head = format!(
            "PATCH {path} HTTP/1.1\r\nHost: {address}\r\nAuthorization: Bearer {}\r\nTus-Resumable: 1.0.0\r\n\
             {checksum}Content-Type: application/offset+octet-stream\r\nUpload-Offset: 0\r\nContent-Length: 160\r\n\r\n",
            office.token.as_ref().unwrap()
        );
        let request = [head.as_bytes(), &bytes[..]].concat();
        if at_byte >= request.len() {
            break;
        }
        let mut line = TcpStream::connect(address).unwrap();
        line.write_all(&request[..at_byte]).unwrap();
        line.shutdown(std::net::Shutdown::Write).unwrap();
        let _ = line.read_to_end(&mut vec![]);
        let given = at_byte.saturating_sub(head.len());
        // A part with a checksum counts as a whole or not at all.
        let kept = if checksum.is_empty() { given } else { 0 };
        assert_eq!(offset(&office, &path), kept, "cut at byte {at_byte} of {}", request.len());
        assert_eq!(patch(&office, &path, kept, &bytes[kept..]).status, 204);
        is_there(&office, &bytes);
        // Every byte of the photo; of the request's own lines every seventh, and those around their end.
        let near = at_byte + 8 >= head.len();
        at_byte += if near { 1 } else { 7 };
        cuts += 1;
    }
    assert!(cuts > 200, "{cuts}");
    let left = std::fs::read_dir(data.path().join("uploads")).unwrap().count();
    assert_eq!(left, 0, "nothing of the lines that dropped is left over");
}

#[test]
fn a_photo_cut_at_random_bytes_goes_on_where_the_server_says() {
    let (_data, _server, office) = start(|_| ());
    let bytes = photo(3_000_000, 11);
    let path = begin(&office, &bytes);
    let (mut state, mut at, mut cuts) = (0x5eed_u64, 0, 0);
    while cuts < 60 && at < bytes.len() {
        let most = if cuts % 3 == 0 { 1_500_000 } else { 40_000 };
        let given = (next(&mut state) as usize % most).min(bytes.len() - at - 1);
        cut(&office, &path, at, bytes.len() - at, &bytes[at..at + given]);
        let now = offset(&office, &path);
        assert!(now >= at && now <= at + given, "never more than was sent, never less than was acknowledged");
        (at, cuts) = (now, cuts + 1);
        if at == bytes.len() - 1 {
            break;
        }
    }
    let done = patch(&office, &path, at, &bytes[at..]);
    assert_eq!((done.status, done.headers["upload-offset"].to_str().unwrap()), (204, "3000000"));
    is_there(&office, &bytes);
    assert_eq!(offset(&office, &path), bytes.len());
}

#[test]
fn a_wrong_checksum_is_refused_and_the_offset_stays() {
    let (_data, _server, office) = start(|_| ());
    let bytes = photo(5_000, 3);
    let path = begin(&office, &bytes);
    let send = |at: usize, part: &[u8], sum: String| {
        let at = at.to_string();
        let headers = [TUS, PART, ("upload-offset", &*at), ("upload-checksum", &*sum)];
        office.send("PATCH", &path, &headers, part).unwrap()
    };
    let sha1 = |part: &[u8]| format!("sha1 {}", BASE64_STANDARD.encode(Sha1::digest(part)));
    assert_eq!(code(&send(0, &bytes[..2_000], sha1(&bytes[1..2_001]))), (460, "checksum-mismatch".into()));
    assert_eq!(offset(&office, &path), 0);
    assert_eq!(send(0, &bytes[..2_000], sha1(&bytes[..2_000])).status, 204);
    let sha256 = format!("sha256 {}", BASE64_STANDARD.encode(Sha256Hash::of(&bytes[2_000..]).0));
    assert_eq!(code(&send(2_000, &bytes[2_000..], "md5 AAAA".into())), (400, "upload-header".into()));
    assert_eq!(send(2_000, &bytes[2_000..], sha256).status, 204);
    is_there(&office, &bytes);
}

#[test]
fn an_upload_is_its_devices_own_and_stands_where_it_stands() {
    let (_data, server, office) = start(|_| ());
    let bytes = photo(5_000, 5);
    let path = begin(&office, &bytes);
    assert_eq!(patch(&office, &path, 0, &bytes[..1_000]).status, 204);
    assert_eq!(code(&patch(&office, &path, 500, &bytes[500..])), (409, "upload-offset".into()));
    let other = Client::certified(&server.url, 2, Role::Crew);
    assert_eq!(code(&patch(&other, &path, 1_000, &bytes[1_000..])), (403, "other-device".into()));
    assert_eq!(other.send("HEAD", &path, &[TUS], &[]).unwrap().status, 403);
    assert_eq!(other.send("DELETE", &path, &[TUS], &[]).unwrap().status, 403);
    let mut nobody = Client::new(&server.url, 9);
    nobody.token = None;
    assert_eq!(nobody.send("HEAD", &path, &[TUS], &[]).unwrap().status, 401);
    // A client that forgot its upload finds it again.
    let again = create(&office, Sha256Hash::of(&bytes), 5_000);
    assert_eq!(
        (again.headers["location"].to_str().unwrap(), &again.headers["upload-offset"]),
        (&*path, &"1000".parse().unwrap())
    );
    // Termination: 204, then gone.
    assert_eq!(office.send("DELETE", &path, &[TUS], &[]).unwrap().status, 204);
    assert_eq!(office.send("HEAD", &path, &[TUS], &[]).unwrap().status, 404);
    assert_eq!(offset(&other, &begin(&other, &bytes)), 0);
}

#[test]
fn what_is_not_the_photo_promised_is_refused_and_not_kept() {
    let (data, _server, office) = start(|config| config.photo_bytes = 10_000);
    assert_eq!(code(&create(&office, Sha256Hash([1; 32]), 10_001)), (413, "too-large".into()));
    assert_eq!(code(&create(&office, Sha256Hash([1; 32]), 0)).0, 400);
    let bytes = photo(5_000, 6);
    let made = create(&office, Sha256Hash([1; 32]), 5_000);
    let path = made.headers["location"].to_str().unwrap().to_owned();
    assert_eq!(code(&patch(&office, &path, 0, &bytes)), (422, "hash-mismatch".into()));
    assert_eq!(office.send("HEAD", &path, &[TUS], &[]).unwrap().status, 404);
    // More than was promised.
    let path = begin(&office, &bytes);
    let more = [&bytes[..], &[0; 100]].concat();
    assert_eq!(code(&patch(&office, &path, 0, &more)), (413, "too-large".into()));
    // A page that says it is a picture: refused at its first bytes, long before its end.
    let page = [&b"<html><script>alert(1)</script>"[..], &[b' '; 5_000]].concat();
    let path = begin(&office, &page);
    assert_eq!(code(&patch(&office, &path, 0, &page[..1_000])), (415, "photo-type".into()));
    assert_eq!(office.send("HEAD", &path, &[TUS], &[]).unwrap().status, 404);
    let kept = std::fs::read_dir(data.path().join("photos")).unwrap().count();
    assert_eq!(kept, 0, "nothing of all this is a photo");
}

#[test]
fn a_device_has_a_quota_and_an_upload_nobody_goes_on_with_is_given_up() {
    let (data, server, office) = start(|config| {
        config.uploads_per_device = 3;
        config.photo_bytes_per_day = 20_000;
        config.upload_life_ms = 60_000;
    });
    let photos: Vec<Vec<u8>> = (0..5).map(|n| photo(5_000, 101 + 2 * n)).collect();
    let paths: Vec<String> = photos[..3].iter().map(|p| begin(&office, p)).collect();
    assert_eq!(code(&create(&office, Sha256Hash::of(&photos[3]), 5_000)), (429, "photo-quota".into()));
    let other = Client::certified(&server.url, 2, Role::Crew);
    assert_eq!(offset(&other, &begin(&other, &photos[3])), 0, "another device has a quota of its own");
    for (path, bytes) in paths.iter().zip(&photos) {
        assert_eq!(patch(&office, path, 0, bytes).status, 204);
    }
    let large = photo(6_000, 99);
    assert_eq!(
        code(&create(&office, Sha256Hash::of(&large), 6_000)),
        (429, "photo-quota".into()),
        "15,000 + 6,000 in a day"
    );
    let path = begin(&office, &photos[4]);
    assert_eq!(patch(&office, &path, 0, &photos[4][..100]).status, 204);
    server.clock.fetch_add(60_001, std::sync::atomic::Ordering::Relaxed);
    assert_eq!(office.send("HEAD", &path, &[TUS], &[]).unwrap().status, 404);
    let again = begin(&office, &photos[4]);
    assert!(again != path && offset(&office, &again) == 0);
    let left = std::fs::read_dir(data.path().join("uploads")).unwrap().count();
    assert_eq!(left, 0, "the file went with its upload");
}

#[test]
fn the_first_bytes_may_come_with_the_creation_and_a_known_photo_is_done_at_once() {
    let (_data, server, office) = start(|_| ());
    let bytes = photo(5_000, 8);
    let metadata = format!("sha256 {}", BASE64_STANDARD.encode(Sha256Hash::of(&bytes).to_string()));
    let headers = [TUS, PART, ("upload-length", "5000"), ("upload-metadata", &*metadata)];
    let made = office.send("POST", "/v1/uploads", &headers, &bytes[..3_000]).unwrap();
    assert_eq!((made.status, &made.headers["upload-offset"]), (201, &"3000".parse().unwrap()));
    let path = made.headers["location"].to_str().unwrap();
    assert!(made.headers.contains_key("upload-expires"));
    assert_eq!(patch(&office, path, 3_000, &bytes[3_000..]).status, 204);
    let other = Client::certified(&server.url, 2, Role::Crew);
    let known = create(&other, Sha256Hash::of(&bytes), 5_000);
    assert_eq!((known.status, &known.headers["upload-offset"]), (201, &"5000".parse().unwrap()));
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(2_000) })]

    #[test]
    fn i9_no_upload_header_panics_and_what_is_read_is_what_was_written(
        noise in "\\PC{0,80}",
        ascii in "[ -~]{0,120}",
        number in 0_u64..=i64::MAX as u64,
        hash in any::<[u8; 32]>(),
        pairs in prop::collection::btree_map("[a-z]{1,8}", prop::collection::vec(any::<u8>(), 0..20), 1..8),
    ) {
        for text in [&noise, &ascii] {
            let _ = (headers::count(text), headers::metadata(text), headers::digest(text), headers::checksum(text));
            if let Ok(read) = headers::count(text) {
                prop_assert!(text.bytes().all(|b| b.is_ascii_digit()) && read <= i64::MAX as u64);
            }
        }
        prop_assert_eq!(headers::count(&number.to_string()), Ok(number));
        let signed = [format!("+{number}"), format!("-{number}"), format!(" {number}"), format!("{number}0000000000000000000")];
        for text in signed.iter().filter(|_| number > 0) {
            prop_assert!(headers::count(text).is_err());
        }
        let text: Vec<String> = pairs.iter().map(|(k, v)| format!("{k} {}", BASE64_STANDARD.encode(v))).collect();
        prop_assert_eq!(headers::metadata(&text.join(",")), Ok(pairs));
        let twice = format!("{},{}", text[0], text[0]);
        prop_assert!(headers::metadata(&twice).is_err());
        let named = format!("sha256 {}", BASE64_STANDARD.encode(Sha256Hash(hash).to_string()));
        prop_assert_eq!(headers::digest(&named), Ok(Sha256Hash(hash)));
        let sum = format!("sha256 {}", BASE64_STANDARD.encode(hash));
        prop_assert_eq!(headers::checksum(&sum), Ok(headers::Checksum::Sha256(hash)));
        let short = format!("sha1 {}", BASE64_STANDARD.encode(hash));
        prop_assert!(headers::checksum(&short).is_err());
    }
}
