//! Erasing at a real server: who may, what is left, what a restored backup brings back.

mod support;

use std::path::Path;

use bolebook_core::ids::{RecordId, Sha256Hash};
use bolebook_core::keeping::{Erasing, PHOTO, tombstone};
use bolebook_core::quantity::UtcMs;
use bolebook_core::record::people::Role;
use bolebook_core::service::{Register, RegisterEntry};
use bolebook_core::signing::SecretKey;
use bolebook_server::erasing::NOTE;
use bolebook_server::{App, Config, StartError};
use bolebook_tests::files::holding;
use support::{Client, Server, yard};

const NAME: &str = "Quillon Featherstonehaugh-Invented";

fn contractor(data: &Path) -> (Server, Client) {
    Server::init(data);
    let server = Server::start(data);
    let mut office = Client::certified(&server.url, 1, Role::Office);
    office.open_yard();
    office.exchange(&[yard()]).unwrap();
    (server, office)
}

fn id(n: u8) -> RecordId {
    RecordId::new(5, [n; 10])
}

fn named(n: u8, name: &str, at: i64) -> RegisterEntry {
    let fields = std::iter::once(("name".to_owned(), name.into())).collect();
    RegisterEntry { fields, ..RegisterEntry::new(id(n), "person", UtcMs(at)) }
}

fn gone(n: u8, key: &SecretKey, photo: Option<Sha256Hash>) -> RegisterEntry {
    let what = Erasing { at: UtcMs(50), by: None, reason: "asked for".into(), photo };
    tombstone(id(n), if photo.is_some() { PHOTO } else { "person" }, key, what).unwrap()
}

fn put(client: &Client, entries: Vec<RegisterEntry>) -> support::Answer {
    client.json("PUT", "/v1/register", &Register { entries })
}

fn register(client: &Client) -> Vec<RegisterEntry> {
    client.get("/v1/register").json::<Register>().entries
}

/// 64 MiB and a byte of nothing: read, it would be no note either; it is refused by its size.
#[test]
fn a_note_of_erasures_too_large_to_be_one_stops_the_start_unread() {
    let data = tempfile::tempdir().unwrap();
    drop(contractor(data.path()));
    std::fs::File::create(data.path().join(NOTE)).unwrap().set_len((64 << 20) + 1).unwrap();
    let clock = std::sync::Arc::new(|| UtcMs(1));
    match App::open(Config::new(data.path().to_owned()), clock) {
        Err(StartError::Erasing(path)) => assert!(path.ends_with(NOTE)),
        Err(other) => panic!("{other}"),
        Ok(_) => panic!("it starts, and what was erased is there"),
    }
}

#[test]
fn an_erased_name_is_in_no_file_of_the_running_server_and_never_comes_back() {
    let data = tempfile::tempdir().unwrap();
    let (server, office) = contractor(data.path());
    // Many states of many entries, so that the name lies in pages that were split and left.
    for round in 0..6 {
        let padding = "x".repeat(700 * (round as usize + 1) % 3_000);
        let entries = (1..60).map(|n| named(n, &format!("{NAME} {n} {padding}"), 10 + round)).collect();
        assert_eq!(put(&office, entries).status, 204);
    }
    assert!(!holding(data.path(), NAME).is_empty(), "the search finds a name that is there");
    assert_eq!(put(&office, (1..60).map(|n| gone(n, &office.key, None)).collect()).status, 204);
    assert_eq!(holding(data.path(), NAME), Vec::<String>::new());
    // A later state from a device that did not know, and even an office's, changes nothing.
    assert_eq!(put(&office, vec![named(1, NAME, 1_000)]).status, 204);
    let mut left: Vec<RegisterEntry> = (1..60).map(|n| gone(n, &office.key, None)).collect();
    left.sort_by_key(|entry| entry.id);
    assert!(register(&office) == left);
    assert_eq!(office.get("/v1/register").headers["cache-control"], "no-store");
    drop(server);
    assert_eq!(holding(data.path(), NAME), Vec::<String>::new());
}

#[test]
fn an_erasure_counts_only_on_the_word_of_an_office_device_whoever_brings_it() {
    let data = tempfile::tempdir().unwrap();
    let (server, office) = contractor(data.path());
    let mut crew = Client::certified(&server.url, 2, Role::Crew);
    crew.exchange(&[yard()]).unwrap();
    crew.write(yard(), vec![crew.certificate.clone().unwrap().into()]);
    crew.exchange(&[yard()]).unwrap();
    put(&office, vec![named(1, NAME, 10), named(2, NAME, 10)]);
    // A crew's own word, a stranger's, and the office's for another entry.
    for key in [SecretKey::from_seed(crew.key.seed()), SecretKey::from_seed([99; 32])] {
        let refused = put(&crew, vec![gone(1, &key, None)]).problem();
        assert_eq!((refused.status, refused.code.as_str()), (403, "erasure-unproven"));
    }
    let moved = RegisterEntry { id: id(1), ..gone(2, &office.key, None) };
    assert_eq!(put(&office, vec![moved]).problem().code, "erasure-unproven");
    let mut changed = gone(1, &office.key, None);
    changed.erased.as_mut().unwrap().reason = "another".into();
    assert_eq!(put(&crew, vec![changed]).problem().code, "erasure-unproven");
    assert_eq!(register(&office), [named(1, NAME, 10), named(2, NAME, 10)]);
    assert_eq!(put(&crew, vec![named(1, "Other", 99)]).problem().code, "office-only");
    // The office's word holds in a crew's hands: so a restored server is told.
    assert_eq!(put(&crew, vec![gone(1, &office.key, None)]).status, 204);
    assert_eq!(register(&crew), [gone(1, &office.key, None), named(2, NAME, 10)]);
}

#[test]
fn an_erased_photo_is_gone_and_the_same_bytes_are_refused_from_then_on() {
    let data = tempfile::tempdir().unwrap();
    let (server, office) = contractor(data.path());
    let bytes = b"\xff\xd8\xff\xe0 an invented photo of a face";
    let digest = Sha256Hash::of(bytes);
    let path = format!("/v1/photos/{digest}");
    let octets = [("content-type", "application/octet-stream")];
    assert_eq!(office.send("PUT", &path, &octets, bytes).unwrap().status, 201);
    assert_eq!(put(&office, vec![gone(7, &office.key, Some(digest))]).status, 204);
    assert_eq!(holding(data.path(), "a photo of a face"), Vec::<String>::new());
    assert_eq!(holding(data.path(), "photo of a face"), Vec::<String>::new());
    for answer in [office.get(&path), office.send("PUT", &path, &octets, bytes).unwrap()] {
        let problem = answer.problem();
        assert_eq!((problem.status, problem.code.as_str()), (410, "photo-removed"));
    }
    assert_eq!(std::fs::read_dir(data.path().join("tmp")).unwrap().count(), 0);
    drop(server);
    let server = Server::start(data.path());
    let mut again = Client::certified(&server.url, 1, Role::Office);
    again.sign_in().unwrap();
    assert_eq!(again.get(&path).problem().status, 410);
}

#[test]
fn a_server_restored_from_an_older_backup_erases_again_by_its_note_or_by_whoever_comes() {
    let data = tempfile::tempdir().unwrap();
    let (server, office) = contractor(data.path());
    put(&office, vec![named(1, NAME, 10), named(2, "Another Invented", 10)]);
    drop(server);
    let backup = tempfile::tempdir().unwrap();
    let file = |folder: &Path| folder.join(bolebook_server::database::FILE);
    std::fs::copy(file(data.path()), file(backup.path())).unwrap();
    let server = Server::start(data.path());
    let mut office = Client::certified(&server.url, 1, Role::Office);
    office.sign_in().unwrap();
    put(&office, vec![gone(1, &office.key, None)]);
    drop(server);
    // With the note beside it, at the start.
    let restore = || {
        for end in ["", "-wal", "-shm"] {
            let _ = std::fs::remove_file(format!("{}{end}", file(data.path()).display()));
        }
        std::fs::copy(file(backup.path()), file(data.path())).unwrap();
        assert!(!holding(data.path(), NAME).is_empty());
    };
    restore();
    let server = Server::start(data.path());
    assert_eq!(holding(data.path(), NAME), Vec::<String>::new());
    let mut office = Client::certified(&server.url, 1, Role::Office);
    office.sign_in().unwrap();
    assert_eq!(register(&office), [gone(1, &office.key, None), named(2, "Another Invented", 10)]);
    drop(server);
    // Without it, when a device that knows comes.
    restore();
    std::fs::remove_file(data.path().join(bolebook_server::erasing::NOTE)).unwrap();
    let server = Server::start(data.path());
    let mut office = Client::certified(&server.url, 1, Role::Office);
    office.sign_in().unwrap();
    assert_eq!(register(&office)[0], named(1, NAME, 10));
    put(&office, vec![gone(1, &office.key, None)]);
    assert_eq!(holding(data.path(), NAME), Vec::<String>::new());
    drop(server);
    // A note that cannot be read stops the start: silence would keep what was erased.
    std::fs::write(data.path().join(bolebook_server::erasing::NOTE), "{").unwrap();
    let config = bolebook_server::Config::new(data.path().to_owned());
    let opened = bolebook_server::App::open(config, std::sync::Arc::new(|| UtcMs(1)));
    assert!(matches!(opened, Err(bolebook_server::StartError::Erasing(_))));
}

#[test]
fn the_register_takes_entries_of_a_size_and_a_number_and_nothing_nested_without_end() {
    let data = tempfile::tempdir().unwrap();
    let (_server, office) = contractor(data.path());
    let many =
        (0..1_001).map(|n| RegisterEntry { id: RecordId::new(n, [1; 10]), ..named(1, "A", 1) }).collect();
    assert_eq!(put(&office, many).problem().status, 413);
    assert_eq!(put(&office, vec![named(1, &"n".repeat(17_000), 1)]).problem().code, "register-entry");
    assert_eq!(put(&office, vec![named(1, &"n".repeat(1 << 21), 1)]).problem().status, 413);
    let deep = format!("{{\"entries\":{}", "[".repeat(100_000));
    let json = [("content-type", "application/json")];
    assert_eq!(office.send("PUT", "/v1/register", &json, deep.as_bytes()).unwrap().problem().code, "json");
    assert!(register(&office).is_empty());
}

#[test]
fn a_device_that_asks_without_pause_waits_and_others_do_not() {
    let data = tempfile::tempdir().unwrap();
    Server::init(data.path());
    let mut config = bolebook_server::Config::new(data.path().to_owned());
    config.requests_per_minute = 10;
    let server = Server::start_with(config);
    let mut office = Client::certified(&server.url, 1, Role::Office);
    office.open_yard();
    office.exchange(&[yard()]).unwrap();
    let crew = Client::certified(&server.url, 2, Role::Crew);
    let slowed = (0..12).map(|_| office.get("/v1/books")).find(|answer| answer.status == 429).unwrap();
    assert!(slowed.headers.contains_key("retry-after"));
    assert_eq!(crew.get("/v1/books").status, 200);
    server.clock.fetch_add(60_000, std::sync::atomic::Ordering::Relaxed);
    assert_eq!(office.get("/v1/books").status, 200);
}
