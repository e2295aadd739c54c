//! Photos after they came: what a camera wrote into them, thumbnails, orphans, and bytes that never
//! came. Pillow writes and reads the pictures. INVENTED: NOT FOR USE.

mod support;

use bolebook_core::ids::{ActorId, BookId, RecordId, Sha256Hash};
use bolebook_core::quantity::{Ms, UtcMs};
use bolebook_core::record::Body;
use bolebook_core::record::book_kinds::{ChainEnd, PhotoReceived, Receipt};
use bolebook_core::record::people::Role;
use bolebook_core::record::work::Photo;
use bolebook_server::photos::{clean, held, remove, thumbnail};
use bolebook_server::state::objects;
use bolebook_tests::world::{HOUR, Who, World};
use serde_json::Value;
use support::camera::{picture, seen};
use support::{Answer, Client, Server, placed, yard};

fn holds(bytes: &[u8], text: &str) -> bool {
    bytes.windows(text.len()).any(|w| w == text.as_bytes())
}

fn start() -> (tempfile::TempDir, Server, Client, BookId) {
    let data = tempfile::tempdir().unwrap();
    Server::init(data.path());
    let server = Server::start(data.path());
    let mut office = Client::certified(&server.url, 1, Role::Office);
    office.open_yard();
    let job = office.open_job(1);
    office.exchange(&[yard(), job]).unwrap();
    (data, server, office, job)
}

fn put(client: &Client, bytes: &[u8]) -> Answer {
    client.send("PUT", &format!("/v1/photos/{}", Sha256Hash::of(bytes)), &[], bytes).unwrap()
}

fn photo(bytes: &[u8], media_type: &str, taken_at: UtcMs) -> Photo {
    let (sha256, caption) = (Sha256Hash::of(bytes), Some("a crown".into()));
    Photo { sha256, bytes: bytes.len() as i64, media_type: media_type.into(), about: None, taken_at, caption }
}

#[test]
fn outside_what_a_camera_wrote_is_in_the_original_and_not_in_a_clients_copy() {
    let (folder, (_data, _server, office, _)) = (tempfile::tempdir().unwrap(), start());
    for (kind, media_type) in [("JPEG", "image/jpeg"), ("PNG", "image/png"), ("WEBP", "image/webp")] {
        let bytes = picture(folder.path(), 6, kind);
        assert_eq!(put(&office, &bytes).status, 201);
        let path = format!("/v1/photos/{}", Sha256Hash::of(&bytes));
        let original = office.get(&path);
        assert_eq!(
            (&original.bytes, original.headers["content-type"].to_str().unwrap()),
            (&bytes, media_type)
        );
        let before = seen(folder.path(), &bytes);
        assert!(before["place"].as_object().unwrap().len() == 4, "{kind}: {before}");
        let cleaned = office.get(&format!("{path}/clean"));
        assert_eq!(cleaned.status, 200, "{kind}");
        let after = seen(folder.path(), &cleaned.bytes);
        assert_eq!(after["place"], serde_json::json!({}), "{kind}");
        assert_eq!(after["camera"], serde_json::json!({}), "{kind}");
        assert_eq!(after["tags"], serde_json::json!([0x0112]), "{kind}: which way up is all that stays");
        for secret in ["SECRET", "Invented", "2026:06:01"] {
            assert!(!holds(&cleaned.bytes, secret), "{kind}: {secret}");
        }
        for same in ["format", "size", "orientation", "top_and_bottom"] {
            assert_eq!(after[same], before[same], "{kind}: the picture itself is as it was: {same}");
        }
        let small = office.get(&format!("{path}/thumbnail"));
        if kind == "WEBP" {
            assert_eq!(small.problem().code, "photo-no-thumbnail", "only JPEG and PNG are decoded here");
            continue;
        }
        let small = seen(folder.path(), &small.bytes);
        assert_eq!((&small["tags"], &small["size"]), (&serde_json::json!([]), &serde_json::json!([80, 120])));
    }
    let tail = [&picture(folder.path(), 1, "JPEG")[..], b"SECRET-FILM"].concat();
    assert!(
        !holds(&clean::clean(&tail, "image/jpeg").unwrap(), "SECRET-FILM"),
        "nothing after the picture's end"
    );
}

#[test]
fn a_photo_that_cannot_be_cleaned_is_not_handed_out_for_clients() {
    let (_data, _server, office, _) = start();
    let heic = [&b"\0\0\0\x18ftypheic"[..], &[0; 40]].concat();
    assert_eq!(put(&office, &heic).status, 201);
    let path = format!("/v1/photos/{}", Sha256Hash::of(&heic));
    assert_eq!(office.get(&format!("{path}/clean")).problem().code, "photo-not-clean");
    assert_eq!(office.get(&format!("{path}/thumbnail")).problem().code, "photo-no-thumbnail");
    let broken = b"\xff\xd8\xff\xe1\xff\xff cut off in mid-segment".to_vec();
    assert_eq!(put(&office, &broken).status, 201);
    let path = format!("/v1/photos/{}", Sha256Hash::of(&broken));
    assert_eq!(office.get(&format!("{path}/clean")).problem().code, "photo-not-clean");
    assert_eq!(office.get(&format!("{path}/thumbnail")).problem().code, "photo-unreadable");
}

/// Orientation 6 (TIFF 6.0, tag 274): the 0th row is the right side, so red, left in the file, is at
/// the top of the upright picture. Pillow's own transposition of the original says the same.
#[test]
fn outside_a_thumbnail_stands_upright() {
    let folder = tempfile::tempdir().unwrap();
    for (orientation, size) in [(1, [120, 80]), (3, [120, 80]), (6, [80, 120]), (8, [80, 120])] {
        let bytes = picture(folder.path(), orientation, "JPEG");
        let small = thumbnail::make(&bytes, "image/jpeg").unwrap();
        let (upright, small) = (seen(folder.path(), &bytes), seen(folder.path(), &small));
        assert_eq!(small["size"], serde_json::json!(size));
        assert_eq!(small["orientation"], 1);
        let near = |v: &Value| {
            v.as_array()
                .unwrap()
                .iter()
                .flat_map(|p| p.as_array().unwrap().iter().map(|c| c.as_i64().unwrap()).collect::<Vec<_>>())
                .collect::<Vec<i64>>()
        };
        if orientation > 4 {
            let pairs = near(&upright["top_and_bottom"]).into_iter().zip(near(&small["top_and_bottom"]));
            assert!(pairs.into_iter().all(|(a, b)| (a - b).abs() < 30), "{upright} {small}");
        }
    }
}

#[test]
fn a_decompression_bomb_is_refused_before_it_is_decoded() {
    // A PNG header that claims 60,000 × 60,000 pixels; its checksum is right.
    let mut header = b"IHDR".to_vec();
    header.extend_from_slice(&60_000_u32.to_be_bytes());
    header.extend_from_slice(&60_000_u32.to_be_bytes());
    header.extend_from_slice(&[8, 6, 0, 0, 0]);
    let mut crc = flate2::Crc::new();
    crc.update(&header);
    let mut bomb = b"\x89PNG\r\n\x1a\n\0\0\0\x0d".to_vec();
    bomb.extend_from_slice(&header);
    bomb.extend_from_slice(&crc.sum().to_be_bytes());
    let mut data = flate2::write::ZlibEncoder::new(vec![], flate2::Compression::fast());
    std::io::Write::write_all(&mut data, &[0; 100_000]).unwrap();
    let mut chunk = b"IDAT".to_vec();
    chunk.extend_from_slice(&data.finish().unwrap());
    let mut crc = flate2::Crc::new();
    crc.update(&chunk);
    bomb.extend_from_slice(&(chunk.len() as u32 - 4).to_be_bytes());
    bomb.extend_from_slice(&chunk);
    bomb.extend_from_slice(&crc.sum().to_be_bytes());
    let refused = thumbnail::make(&bomb, "image/png").unwrap_err();
    assert!(refused.is("photo-too-many-pixels"), "{refused}");
}

#[test]
fn the_office_sees_where_camera_and_record_differ() {
    let (folder, (_data, _server, mut office, job)) = (tempfile::tempdir().unwrap(), start());
    let bytes = picture(folder.path(), 1, "JPEG");
    // 08:30 at −04:00 is 12:30 UTC; the record says 12:00.
    office.write(job, vec![photo(&bytes, "image/jpeg", UtcMs(1_780_315_200_000)).into()]);
    office.exchange(&[job]).unwrap();
    assert_eq!(put(&office, &bytes).status, 201);
    let said: Value = office.get(&format!("/v1/photos/{}/details", Sha256Hash::of(&bytes))).json();
    assert_eq!(said["camera"]["taken_local"], "2026-06-01 08:30:00");
    assert_eq!(said["camera"]["taken_at"], 1_780_317_000_000_i64);
    // 40° 30′ 36″ N is 40.51°, 75° 15′ W is −75.25°.
    assert_eq!(
        said["camera"]["place"],
        serde_json::json!({ "lat_ndeg": 40_510_000_000_i64, "lon_ndeg": -75_250_000_000_i64 })
    );
    assert_eq!(said["records"][0]["camera_later_s"], 1_800);
}

#[test]
fn the_books_learn_which_photos_a_server_holds_whichever_came_first() {
    let (data, server, mut office, job) = start();
    let (early, late, orphan) =
        (b"\xff\xd8\xff early".to_vec(), b"\xff\xd8\xff later".to_vec(), b"\xff\xd8\xff nobody's".to_vec());
    put(&office, &early);
    for bytes in [&early, &late] {
        office.write(job, vec![photo(bytes, "image/jpeg", UtcMs(office.now)).into()]);
    }
    office.exchange(&[job]).unwrap();
    let told = |db: &bolebook_db::Connection, bytes: &[u8]| {
        let text = format!(r#""sha256":"{}""#, Sha256Hash::of(bytes));
        let lines = bolebook_log::read(db, job, 0, bolebook_log::Page::ALL).unwrap();
        lines.iter().filter(|l| l.text.contains("photo_received") && l.text.contains(&text)).count()
    };
    assert_eq!((told(&office.db, &early), told(&office.db, &late)), (1, 0));
    put(&office, &late);
    put(&office, &late);
    put(&office, &orphan);
    office.exchange(&[job]).unwrap();
    assert_eq!((told(&office.db, &early), told(&office.db, &late)), (1, 1), "told once each");
    drop(server);
    let _again = Server::start(data.path());
    let db = bolebook_log::open(&data.path().join("bolebook.sqlite")).unwrap();
    assert_eq!((told(&db, &early), told(&db, &late)), (1, 1), "a restart tells nothing twice");
    let lost = placed(data.path(), Sha256Hash::of(&late));
    std::fs::remove_file(lost).unwrap();
    let bad = placed(data.path(), Sha256Hash::of(&early));
    std::fs::write(bad, b"\xff\xd8\xff other").unwrap();
    let census = held::census(&db, &objects(data.path(), None).unwrap()).unwrap();
    assert_eq!(census.orphans.keys().copied().collect::<Vec<_>>(), [Sha256Hash::of(&orphan)]);
    assert_eq!(census.missing.keys().copied().collect::<Vec<_>>(), [Sha256Hash::of(&late)]);
    assert_eq!(census.damaged.iter().copied().collect::<Vec<_>>(), [Sha256Hash::of(&early)]);
}

#[test]
fn a_photo_removed_is_nowhere_handed_out_and_never_taken_in_again_and_its_hash_stays() {
    const TUS: (&str, &str) = ("tus-resumable", "1.0.0");
    let (folder, (data, server, mut office, job)) = (tempfile::tempdir().unwrap(), start());
    let bytes = picture(folder.path(), 6, "JPEG");
    let hash = Sha256Hash::of(&bytes);
    let path = format!("/v1/photos/{hash}");
    office.write(job, vec![photo(&bytes, "image/jpeg", UtcMs(office.now)).into()]);
    office.exchange(&[job]).unwrap();
    assert_eq!(put(&office, &bytes).status, 201);
    assert_eq!(office.get(&format!("{path}/thumbnail")).status, 200);
    // The same photo is on its way once more from another device, a part of it.
    let other = Client::certified(&server.url, 2, Role::Crew);
    let under_way = photo(&bytes[1..], "image/jpeg", UtcMs(0)).sha256;
    let named = |hash: Sha256Hash| {
        use base64::Engine as _;
        format!("sha256 {}", base64::prelude::BASE64_STANDARD.encode(hash.to_string()))
    };
    let create = |hash: Sha256Hash| {
        let named = named(hash);
        let headers = [TUS, ("upload-length", "5000"), ("upload-metadata", &*named)];
        other.send("POST", "/v1/uploads", &headers, &[]).unwrap()
    };
    let upload = create(under_way).headers["location"].to_str().unwrap().to_owned();
    let part = [TUS, ("content-type", "application/offset+octet-stream"), ("upload-offset", "0")];
    assert_eq!(other.send("PATCH", &upload, &part, &bytes[..100]).unwrap().status, 204);
    office.exchange(&[job]).unwrap();
    let lines =
        |db: &bolebook_db::Connection| bolebook_log::read(db, job, 0, bolebook_log::Page::ALL).unwrap().len();
    let before = lines(&office.db);

    assert!(remove::remove(&server.app, hash).unwrap());
    assert!(!remove::remove(&server.app, hash).unwrap(), "again is no error");
    assert!(!remove::remove(&server.app, under_way).unwrap());

    assert_eq!(other.send("HEAD", &upload, &[TUS], &[]).unwrap().status, 404, "given up");
    for below in ["", "/clean", "/thumbnail", "/details"] {
        let answer = office.get(&format!("{path}{below}"));
        assert_eq!((answer.status, answer.problem().code), (410, "photo-removed".into()), "{below}");
    }
    for refused in [put(&office, &bytes), create(hash), create(under_way)] {
        assert_eq!((refused.status, refused.problem().code), (410, "photo-removed".into()));
    }
    let files = |under: &str| {
        let folder = data.path().join(under);
        let inside =
            |p: std::path::PathBuf| if p.is_dir() { std::fs::read_dir(p).unwrap().count() } else { 1 };
        std::fs::read_dir(folder).unwrap().map(|f| inside(f.unwrap().path())).sum::<usize>()
    };
    for under in ["photos", "thumbnails", "uploads", "tmp"] {
        assert_eq!(files(under), 0, "{under}");
    }
    // A folder restored from a copy has it again, until the server starts.
    drop(server);
    let place = placed(data.path(), hash);
    std::fs::write(&place, &bytes).unwrap();
    let server = Server::start(data.path());
    assert!(!place.exists());
    office.url = server.url.clone();
    office.exchange(&[job]).unwrap();
    assert_eq!(lines(&office.db), before, "the books go on naming it, and nothing new is said of it");
    let db = bolebook_log::open(&data.path().join("bolebook.sqlite")).unwrap();
    let census = held::census(&db, &objects(data.path(), None).unwrap()).unwrap();
    assert_eq!(census.removed.iter().copied().collect::<Vec<_>>(), [hash]);
    assert!(census.missing.is_empty(), "removed is not lost");
}

/// The receipt of everything a crew has written so far.
fn receipt(w: &mut World, at: i64) {
    let mut ends = std::collections::BTreeMap::<ActorId, u64>::new();
    for commit in w.job.commits() {
        let end = ends.entry(commit.actor()).or_default();
        *end = commit.seq().max(*end);
    }
    let through = ends.into_iter().map(|(actor, seq)| ChainEnd { actor, seq }).collect();
    let delivered_by = w.job.commits()[0].actor().device();
    let receipt = Receipt { delivered_by, arrived_at: UtcMs(at), clock_offset_ms: Ms(0), through };
    w.write(Who::Server, receipt);
}

#[test]
fn a_photo_whose_bytes_never_came_is_found_the_next_day_and_not_the_same_evening() {
    const CODE: &str = "photo.not_received";
    let mut w = World::new();
    let about: Option<RecordId> = Some(w.tree(Who::Crew(0), "A-1"));
    let noon = w.now.0;
    let taken = Photo { about, ..photo(b"one", "image/jpeg", w.now) };
    let digest = taken.sha256;
    w.write(Who::Crew(0), Body::from(taken));
    assert!(!w.codes().contains(&CODE), "no server has said anything");
    receipt(&mut w, noon);
    receipt(&mut w, noon + 11 * HOUR);
    assert!(!w.codes().contains(&CODE), "the same evening is quiet");
    receipt(&mut w, noon + 12 * HOUR);
    assert_eq!(w.codes().iter().filter(|c| **c == CODE).count(), 1);
    w.look(|_, _, findings| {
        let found = findings.iter().find(|f| f.code.name() == CODE).unwrap();
        assert!(found.tree.is_some() && found.crew_days.len() == 1, "{found:?}");
    });
    let delivered_by = w.job.commits()[0].actor().device();
    let came = PhotoReceived { sha256: digest, delivered_by, arrived_at: UtcMs(noon + 13 * HOUR) };
    // Only a server knows what it holds.
    w.write(Who::Crew(0), came.clone());
    assert!(w.codes().contains(&CODE));
    w.write(Who::Server, came);
    assert!(!w.codes().contains(&CODE), "late is not lost");
}
