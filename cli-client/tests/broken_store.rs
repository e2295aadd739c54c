//! A store on a disk that lies, loses or is full: a file that cannot be opened, pages of noise, a
//! file cut short, a quota. Nothing that is left is lost, and each says what to do.

mod common;

use std::path::Path;

use common::Device;
use common::server::{join, with_server};
use serde_json::Value;
use tempfile::TempDir;

const PAGE: usize = 4_096;

fn notes(device: &Device) -> Vec<String> {
    let listed = device.json(&["list", "note"]);
    let records = listed["records"].as_array().unwrap();
    let mut texts: Vec<String> =
        records.iter().map(|r| r["body"]["text"].as_str().unwrap().to_owned()).collect();
    texts.sort();
    texts
}

fn file(device: &Device) -> std::path::PathBuf {
    device.path("store/bolebook.db")
}

/// Everything in the main file, nothing in a write-ahead log.
fn settled(device: &Device) -> Vec<u8> {
    let db = rusqlite::Connection::open(file(device)).unwrap();
    db.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(())).unwrap();
    drop(db);
    std::fs::read(file(device)).unwrap()
}

fn put(device: &Device, bytes: &[u8]) {
    for end in ["-wal", "-shm"] {
        let _ = std::fs::remove_file(device.path(&format!("store/bolebook.db{end}")));
    }
    std::fs::write(file(device), bytes).unwrap();
}

fn is_damage(error: &Value) -> bool {
    error["hint"].as_str().is_some_and(|hint| hint.contains("bolebook recover"))
}

fn forget_copies(folder: &Path) {
    for entry in std::fs::read_dir(folder).unwrap().map(Result::unwrap) {
        if entry.file_name().to_string_lossy().starts_with("damaged-") {
            std::fs::remove_dir_all(entry.path()).unwrap();
        }
    }
}

#[test]
fn a_store_that_cannot_be_opened_gives_up_its_unsent_work_and_is_made_new_from_the_server() {
    let base = TempDir::new().unwrap();
    let (office, server) = with_server(&base);
    let phone = join(&base, &office, &server, "phone");
    phone.json(&["note", "sent"]);
    phone.json(&["exchange"]);
    phone.json(&["note", "not sent"]);
    assert_eq!(phone.json(&["recover"])["whole"], true);
    let mut bytes = settled(&phone);
    bytes[..PAGE].fill(0x5a);
    put(&phone, &bytes);
    let error = phone.refused(6, &["note", "while it is broken"]);
    assert!(is_damage(&error), "{error}");
    // Without a server at hand: what is left is in the new store at once.
    drop(server);
    let found = phone.json(&["recover"]);
    assert_eq!((&found["key"], &found["waiting"]), (&true.into(), &0.into()), "{found}");
    assert_eq!(notes(&phone), ["not sent", "sent"]);
    phone.json(&["verify"]);
    phone.json(&["note", "after it"]);
    let kept = std::path::PathBuf::from(found["kept"].as_str().unwrap());
    assert_eq!(std::fs::read(kept.join("bolebook.db")).unwrap(), bytes, "the damaged file is kept");
    use std::os::unix::fs::PermissionsExt as _;
    let mode = |p: &Path| std::fs::metadata(p).unwrap().permissions().mode() & 0o777;
    assert_eq!((mode(&kept), mode(&kept.join("bolebook.db")), mode(&file(&phone))), (0o700, 0o600, 0o600));
    let server = common::server::Server::start(&base, "");
    phone.json(&["exchange", &server.url]);
    office.json(&["exchange", &server.url]);
    assert_eq!(notes(&office), ["after it", "not sent", "sent"]);
    assert!(!office.run(&["--json", "check"]).out.contains("record.held"));
    assert!(phone.json(&["set-aside"])["lines"].as_array().unwrap().is_empty());
}

/// The packed lines of a store whose text has this in it.
fn packed_with(device: &Device, text: &str) -> Vec<Vec<u8>> {
    let db = rusqlite::Connection::open(file(device)).unwrap();
    let mut query = db.prepare("SELECT line FROM lines").unwrap();
    let lines = query.query_map([], |row| row.get(0)).unwrap().map(|line| line.unwrap());
    lines.filter(|line: &Vec<u8>| bolebook_log::packed::unpack(line).unwrap().contains(text)).collect()
}

/// Where bytes lie, page by page; they may go over several.
fn pages_of(bytes: &[u8], part: &[u8]) -> Vec<usize> {
    let all = bytes.windows(part.len()).enumerate().filter(|(_, w)| *w == part);
    all.flat_map(|(at, _)| at / PAGE..=(at + part.len() - 1) / PAGE).collect()
}

#[test]
fn whichever_page_of_the_file_is_noise_what_lies_on_the_others_is_saved() {
    let base = TempDir::new().unwrap();
    let (office, server) = with_server(&base);
    let phone = join(&base, &office, &server, "phone");
    phone.json(&["note", "sent before"]);
    phone.json(&["exchange"]);
    phone.json(&["note", "first unsent"]);
    phone.json(&["note", "second unsent"]);
    let unsent = ["first unsent", "second unsent"].map(|text| (text, packed_with(&phone, text)));
    let whole = settled(&phone);
    // Nowhere else does a line lie: each is on a page that is found.
    for (text, lines) in &unsent {
        assert!(lines.len() == 1 && !pages_of(&whole, &lines[0]).is_empty(), "{text}");
    }
    let (mut detected, mut key_lost) = (0, 0);
    for page in 0..whole.len() / PAGE {
        let mut bytes = whole.clone();
        let mut state = page as u32 + 1;
        for byte in &mut bytes[page * PAGE..(page + 1) * PAGE] {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            *byte = (state >> 24) as u8;
        }
        put(&phone, &bytes);
        let run = phone.run(&["--json", "list", "note"]);
        if run.exit != 0 {
            detected += 1;
            let hint = run.error()["hint"].as_str().unwrap().to_owned();
            assert!(
                hint.contains("bolebook recover") || hint.contains("exchange --recheck"),
                "{page}: {run:?}"
            );
        }
        let found = phone.json(&["recover"]);
        if found["key"] == false {
            key_lost += 1;
            forget_copies(&phone.path("store"));
            continue;
        }
        let outcome = phone.run(&["--json", "exchange"]);
        assert_eq!(outcome.exit, 0, "page {page}: {found} {outcome:?}");
        let texts = notes(&phone);
        for text in ["sent before", "first unsent", "second unsent"] {
            let of = unsent.iter().filter(|(unsent, _)| *unsent == text).flat_map(|(_, lines)| lines);
            let hit = of.into_iter().any(|line| pages_of(&whole, line).contains(&page));
            assert!(
                hit || texts.contains(&text.to_owned()),
                "page {page}: '{text}' is gone: {texts:?} {found}"
            );
        }
        phone.json(&["verify"]);
        forget_copies(&phone.path("store"));
    }
    assert!(detected > 3 && key_lost <= 1, "{detected} pages stop a command, {key_lost} held the key");
    office.json(&["exchange"]);
    assert!(!office.run(&["--json", "check"]).out.contains("record.wrong_author"));
}

#[test]
fn a_file_cut_short_and_a_lost_key_still_give_the_office_what_was_written() {
    let base = TempDir::new().unwrap();
    let (office, server) = with_server(&base);
    let phone = join(&base, &office, &server, "phone");
    phone.json(&["note", "sent"]);
    phone.json(&["exchange"]);
    phone.json(&["note", "not sent"]);
    let mut bytes = settled(&phone);
    for (number, page) in bytes.chunks_mut(PAGE).enumerate() {
        if number == 0 || page.windows(11).any(|w| w == b"device_seed") {
            page.fill(0);
        }
    }
    put(&phone, &bytes);
    let found = phone.json(&["recover"]);
    assert_eq!(found["key"], false, "{found}");
    let invited = office.json(&["device", "invite", "phone again", "--role", "crew", "--crew", "North"]);
    office.json(&["exchange"]);
    phone.json(&["join", &server.url, invited["code"].as_str().unwrap()]);
    assert_eq!(notes(&phone), ["not sent", "sent"]);
    office.json(&["exchange"]);
    // In force: the lost key had signed it when it was written.
    assert_eq!(notes(&office), ["not sent", "sent"]);
    assert!(!office.run(&["--json", "check"]).out.contains("record.held"));
    // Cut to half, or behind what it knows of itself and the server: the exchange brings what went.
    phone.json(&["exchange"]);
    let bytes = settled(&phone);
    let known = [&b"device_seed"[..], server.url.as_bytes()].map(|word| pages_of(&bytes, word));
    let known = known.iter().flatten().max().expect("its settings") + 1;
    put(&phone, &bytes[..(bytes.len() / 2).max(known * PAGE)]);
    assert_ne!(phone.run(&["verify"]).exit, 0);
    phone.json(&["recover"]);
    phone.json(&["exchange"]);
    assert_eq!(notes(&phone), ["not sent", "sent"]);
    phone.json(&["verify"]);
}

#[test]
fn a_device_given_a_new_key_keeps_its_books_and_the_old_key_is_turned_away() {
    let base = TempDir::new().unwrap();
    let (office, server) = with_server(&base);
    let phone = join(&base, &office, &server, "phone");
    let old = phone.json(&["status"])["device"].clone();
    phone.json(&["note", "written with the old key, not sent"]);
    let invited = office.json(&["device", "invite", "phone 2", "--role", "crew", "--crew", "North"]);
    office.json(&["exchange"]);
    let code = invited["code"].as_str().unwrap();
    assert_eq!(phone.refused(6, &["join", &server.url, code])["kind"], "store");
    phone.json(&["join", "--new-key", &server.url, code]);
    let status = phone.json(&["status"]);
    assert!(status["device"] != old && status["name"] == "phone 2", "{status}");
    office.json(&["exchange"]);
    office.json(&["device", "revoke", "phone", "--reason", "new key"]);
    office.json(&["exchange"]);
    phone.json(&["note", "with the new key"]);
    phone.json(&["exchange"]);
    office.json(&["exchange"]);
    let all = ["with the new key", "written with the old key, not sent"];
    assert_eq!(
        (notes(&phone), notes(&office)),
        (all.map(String::from).to_vec(), all.map(String::from).to_vec())
    );
    assert!(!office.run(&["--json", "check"]).out.contains("record.held"));
    // The office's first device holds the root key and keeps its own.
    let own = office.json(&["device", "invite", "desk", "--role", "office"]);
    office.json(&["exchange"]);
    office.refused(8, &["join", "--new-key", &server.url, own["code"].as_str().unwrap()]);
}

#[test]
fn a_full_disk_or_quota_stores_nothing_of_a_command_says_so_and_loses_nothing() {
    let base = TempDir::new().unwrap();
    let (office, server) = with_server(&base);
    let phone = join(&base, &office, &server, "phone");
    phone.json(&["note", "before"]);
    settled(&phone);
    let size = std::fs::metadata(file(&phone)).unwrap().len() / 1_024;
    let (mut stopped, mut went) = (0, 0);
    // From no room at all to enough, so that it ends in every stage of a write.
    for kib in (0..size + 200).step_by(7) {
        let text = format!("with {kib} KiB");
        let run = common::limited(&phone, kib, &["--json", "note", &text]);
        let there = notes(&phone).contains(&text);
        match run.exit {
            0 => went += 1,
            6 => {
                stopped += 1;
                let error = run.error();
                assert!(error["hint"].as_str().unwrap().contains("the disk is full"), "{kib}: {error}");
            }
            other => panic!("{kib} KiB: {other} {run:?}"),
        }
        assert_eq!(there, run.exit == 0, "{kib} KiB: {run:?}");
    }
    assert!(stopped > 2 && went > 2, "{stopped} stopped, {went} went through");
    // An exchange in the same trouble: stopped, and asked again with room.
    office.json(&["note", &"long ".repeat(300)]);
    office.json(&["exchange"]);
    settled(&phone);
    let run = common::limited(&phone, 8, &["--json", "exchange"]);
    assert!(run.exit == 6 || run.exit == 7, "{run:?}");
    phone.json(&["exchange"]);
    phone.json(&["verify"]);
    office.json(&["exchange"]);
    assert_eq!(notes(&phone), notes(&office));
    assert!(notes(&office).contains(&"before".to_owned()));
}
