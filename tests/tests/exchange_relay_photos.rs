//! Photos and names at a hub: they go on to the main server over a bad line, once, and under the same
//! rules as from anybody. Photos here are INVENTED bytes.

mod support;

use std::io::{Read, Write};
use std::net::{Shutdown, SocketAddr, TcpListener, TcpStream};
use std::sync::atomic::{AtomicI64, AtomicU64, Ordering};
use std::sync::{Arc, Mutex};

use bolebook_core::exchange::{Entry, LogLine};
use bolebook_core::ids::{BookId, RecordId, Sha256Hash};
use bolebook_core::keeping::{Erasing, PHOTO, tombstone};
use bolebook_core::quantity::UtcMs;
use bolebook_core::record::people::{Revocation, Role};
use bolebook_core::record::{Body, Record};
use bolebook_core::service::{Register, RegisterEntry};
use bolebook_core::signing::SecretKey;
use bolebook_server::Config;
use bolebook_server::photos::held;
use bolebook_server::relay::{Passed, RelayError, pass_on};
use support::scene::{Scene, hub, visit};
use support::tus::record_of;
use support::{Answer, Client, NOW, Server};

/// Bytes that begin as a JPEG does and go on without a pattern (xorshift64, Marsaglia 2003).
fn photo(length: usize, seed: u64) -> Vec<u8> {
    let mut state = seed * 2 + 1;
    let mut bytes = vec![0xff, 0xd8, 0xff, 0xe0];
    bytes.extend(
        std::iter::repeat_with(|| {
            state ^= state << 13;
            state ^= state >> 7;
            state ^= state << 17;
            state as u8
        })
        .take(length - 4),
    );
    bytes
}

/// Logs the photo's record and brings its bytes to the server at hand.
fn bring(crew: &mut Client, job: BookId, bytes: &[u8]) -> Answer {
    crew.write(job, vec![record_of(bytes).into()]);
    crew.exchange(&[job]).unwrap();
    put(crew, bytes)
}

fn put(client: &Client, bytes: &[u8]) -> Answer {
    client.send("PUT", &format!("/v1/photos/{}", Sha256Hash::of(bytes)), &[], bytes).unwrap()
}

fn got(client: &Client, bytes: &[u8]) -> Answer {
    client.get(&format!("/v1/photos/{}", Sha256Hash::of(bytes)))
}

/// How often a server of this device said in the book that a photo came.
fn told(client: &Client, job: BookId, by: &Server, bytes: &[u8]) -> usize {
    let mut count = 0;
    for line in bolebook_log::read(&client.db, job, 0, bolebook_log::Page::ALL).unwrap() {
        let Entry::Commit(commit) = LogLine::parse_stored(&line.text).unwrap().into_entry() else { continue };
        if commit.actor().device() != by.app.identity.device() {
            continue;
        }
        let records = commit.records().iter().map(|text| Record::read(text).unwrap());
        count += records
            .filter(|r| matches!(&r.body, Body::PhotoReceived(p) if p.sha256 == Sha256Hash::of(bytes)))
            .count();
    }
    count
}

/// A line to a server that breaks after some bytes upward, and counts what it carried.
struct Line {
    url: String,
    to: Arc<Mutex<SocketAddr>>,
    /// Bytes it still carries before it breaks; below zero it holds.
    left: Arc<AtomicI64>,
    breaks: Arc<AtomicU64>,
    carried: Arc<AtomicU64>,
}

fn address(server: &Server) -> SocketAddr {
    server.url.trim_start_matches("http://").parse().unwrap()
}

impl Line {
    fn to(server: &Server) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let url = format!("http://{}", listener.local_addr().unwrap());
        let line = Self {
            url,
            to: Arc::new(Mutex::new(address(server))),
            left: Arc::new(AtomicI64::new(i64::MIN)),
            breaks: Arc::default(),
            carried: Arc::default(),
        };
        let (to, left) = (line.to.clone(), line.left.clone());
        let (breaks, carried) = (line.breaks.clone(), line.carried.clone());
        std::thread::spawn(move || {
            for near in listener.incoming() {
                let near = near.unwrap();
                let Ok(far) = TcpStream::connect(*to.lock().unwrap()) else { continue };
                let (left, breaks, carried) = (left.clone(), breaks.clone(), carried.clone());
                let (mut down_from, mut down_to) = (far.try_clone().unwrap(), near.try_clone().unwrap());
                std::thread::spawn(move || {
                    let _ = std::io::copy(&mut down_from, &mut down_to);
                    let _ = down_to.shutdown(Shutdown::Both);
                });
                std::thread::spawn(move || carry(near, far, &left, &breaks, &carried));
            }
        });
        line
    }

    /// Breaks after so many bytes, and stays broken.
    fn break_after(&self, bytes: i64) {
        self.left.store(bytes, Ordering::SeqCst);
    }
}

fn carry(mut from: TcpStream, mut to: TcpStream, left: &AtomicI64, breaks: &AtomicU64, carried: &AtomicU64) {
    let mut buffer = [0; 16 << 10];
    while let Ok(read @ 1..) = from.read(&mut buffer) {
        let before = left.load(Ordering::SeqCst);
        if before >= 0 {
            let after = before - read as i64;
            left.store(after.max(0), Ordering::SeqCst);
            if after < 0 {
                // What fits goes through, then the line is gone.
                let fits = usize::try_from(before).unwrap();
                let _ = to.write_all(&buffer[..fits]);
                breaks.fetch_add(1, Ordering::SeqCst);
                break;
            }
        }
        carried.fetch_add(read as u64, Ordering::SeqCst);
        if to.write_all(&buffer[..read]).is_err() {
            break;
        }
    }
    let _ = to.shutdown(Shutdown::Both);
    let _ = from.shutdown(Shutdown::Both);
}

#[test]
fn photos_brought_to_a_hub_are_at_the_main_server_once_though_a_hub_dies_the_line_breaks_and_it_restarts() {
    let mut scene = Scene::new();
    let (job, books) = (scene.job, scene.books());
    let (first, second) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let (dead, alive) = (hub(first.path(), 31), hub(second.path(), 32));
    let mut other = scene.device(43, Role::Crew);
    let photos = [photo(2 << 20, 1), photo(200 << 10, 2), photo(90 << 10, 3)];
    // One crew at the hub that dies, one at the other; a photo that the main server has already.
    visit(&mut scene.crew, &dead);
    scene.crew.exchange(&books).unwrap();
    assert_eq!(bring(&mut scene.crew, job, &photos[1]).status, 201);
    drop(dead);
    std::fs::remove_dir_all(first.path()).unwrap();
    visit(&mut other, &alive);
    other.exchange(&books).unwrap();
    assert_eq!(bring(&mut other, job, &photos[0]).status, 201);
    // The oldest goes first: the large one is under way when the line breaks.
    alive.clock.fetch_add(1_000, Ordering::Relaxed);
    visit(&mut scene.crew, &alive);
    scene.crew.exchange(&books).unwrap();
    // Told 'sent' by the dead hub alone, the crew's device gives it again.
    assert_eq!(put(&scene.crew, &photos[1]).status, 201);
    assert_eq!(bring(&mut scene.crew, job, &photos[2]).status, 201);
    assert_eq!(put(&scene.office, &photos[2]).status, 201);

    let line = Line::to(&scene.server);
    // Breaks in the middle of the large photo and stays broken: what came counts.
    line.break_after(700 << 10);
    assert!(matches!(pass_on(&alive.app, &line.url), Err(RelayError::Unreachable { .. })));
    assert!(line.breaks.load(Ordering::SeqCst) > 0);
    assert_eq!(got(&scene.office, &photos[0]).status, 404, "half a photo is none");
    // The main server is restarted meanwhile.
    drop(std::mem::replace(&mut scene.server, Server::start(scene.data.path())));
    *line.to.lock().unwrap() = address(&scene.server);
    line.left.store(i64::MIN, Ordering::SeqCst);
    visit(&mut scene.office, &scene.server);
    let passed = pass_on(&alive.app, &line.url).unwrap();
    assert_eq!((passed.photos_given, passed.photos_waiting, passed.photos_refused), (2, 0, 0), "{passed:?}");
    for bytes in &photos {
        assert_eq!(&got(&scene.office, bytes).bytes, bytes);
    }
    // Nothing that had arrived went twice: a part of 16 KiB at most, and the books.
    let whole: usize = photos[..2].iter().map(Vec::len).sum();
    let carried = line.carried.load(Ordering::SeqCst);
    assert!(carried < (whole + whole / 3) as u64, "{carried} of {whole}");
    pass_on(&alive.app, &line.url).unwrap();
    assert_eq!(pass_on(&alive.app, &line.url).unwrap(), Passed::default());
    scene.office.exchange(&books).unwrap();
    for bytes in &photos {
        assert_eq!(told(&scene.office, job, &scene.server, bytes), 1);
    }
    let census = scene.server.app.read(|db| held::census(db, &scene.server.app.objects)).unwrap();
    assert!(census.missing.is_empty() && census.damaged.is_empty() && census.held == 3, "{census:?}");
    // A main server put back to what it had before any photo came is asked again, and gets them again.
    for bytes in &photos {
        std::fs::remove_file(support::placed(scene.data.path(), Sha256Hash::of(bytes))).unwrap();
    }
    assert_eq!(pass_on(&alive.app, &scene.server.url).unwrap().photos_given, 3);
    assert_eq!(got(&scene.office, &photos[0]).bytes, photos[0]);
}

#[test]
fn a_line_that_drops_now_and_then_ends_with_the_photo_whole() {
    let mut scene = Scene::new();
    let folder = tempfile::tempdir().unwrap();
    let hub = hub(folder.path(), 33);
    visit(&mut scene.crew, &hub);
    scene.crew.exchange(&scene.books()).unwrap();
    let bytes = photo(600 << 10, 5);
    bring(&mut scene.crew, scene.job, &bytes);
    let line = Line::to(&scene.server);
    let (left, breaks) = (line.left.clone(), line.breaks.clone());
    line.break_after(260 << 10);
    // It is mended each time a while after it broke.
    let mender = std::thread::spawn(move || {
        let mut seen = 0;
        while seen < 3 {
            let now = breaks.load(Ordering::SeqCst);
            if now > seen {
                seen = now;
                left.store(if seen < 3 { 180 << 10 } else { i64::MIN }, Ordering::SeqCst);
            }
            std::thread::yield_now();
        }
    });
    let passed = pass_on(&hub.app, &line.url).unwrap();
    mender.join().unwrap();
    assert_eq!(passed.photos_given, 1, "{passed:?}");
    assert_eq!(got(&scene.office, &bytes).bytes, bytes);
}

#[test]
fn a_photo_the_office_erased_is_not_passed_on_and_goes_from_the_hub_too() {
    let mut scene = Scene::new();
    let folder = tempfile::tempdir().unwrap();
    let hub = hub(folder.path(), 34);
    visit(&mut scene.crew, &hub);
    scene.crew.exchange(&scene.books()).unwrap();
    let (kept, erased) = (photo(5_000, 6), photo(5_000, 7));
    for bytes in [&kept, &erased] {
        bring(&mut scene.crew, scene.job, bytes);
    }
    let reason = "a bystander asked".to_owned();
    let erasing = Erasing { at: NOW, by: None, reason, photo: Some(Sha256Hash::of(&erased)) };
    let entry = tombstone(RecordId::new(9, [9; 10]), PHOTO, &scene.office.key, erasing).unwrap();
    assert_eq!(scene.office.json("PUT", "/v1/register", &Register { entries: vec![entry] }).status, 204);
    let passed = pass_on(&hub.app, &scene.server.url).unwrap();
    assert_eq!((passed.photos_given, passed.photos_refused, passed.entries_taken), (1, 0, 1), "{passed:?}");
    assert_eq!(got(&scene.office, &erased).status, 410);
    assert_eq!(got(&scene.crew, &erased).status, 410, "the hub has it no more");
    assert_eq!(put(&scene.crew, &erased).status, 410, "nor does it take it again");
    // Removed at the main server without a word in the register: not offered again, and not brought back.
    bolebook_server::photos::remove::remove(&scene.server.app, Sha256Hash::of(&kept)).unwrap();
    for _ in 0..2 {
        let passed = pass_on(&hub.app, &scene.server.url).unwrap();
        assert_eq!((passed.photos_given, passed.photos_refused), (0, 0), "{passed:?}");
    }
    assert_eq!(got(&scene.office, &kept).status, 410);
}

#[test]
fn photos_above_the_hubs_quota_wait_and_go_the_next_day() {
    let mut scene = Scene::new();
    let mut config = Config::new(scene.data.path().to_owned());
    config.photo_bytes_per_day = 12_000;
    drop(std::mem::replace(&mut scene.server, Server::start_with(config)));
    visit(&mut scene.office, &scene.server);
    let folder = tempfile::tempdir().unwrap();
    let hub = hub(folder.path(), 35);
    visit(&mut scene.crew, &hub);
    scene.crew.exchange(&scene.books()).unwrap();
    for seed in [8, 9, 10] {
        bring(&mut scene.crew, scene.job, &photo(5_000, seed));
    }
    let passed = pass_on(&hub.app, &scene.server.url).unwrap();
    assert_eq!((passed.photos_given, passed.photos_waiting), (2, 1), "{passed:?}");
    let passed = pass_on(&hub.app, &scene.server.url).unwrap();
    assert_eq!((passed.photos_given, passed.photos_waiting), (0, 1), "the same day: {passed:?}");
    for clock in [&scene.server.clock, &hub.clock] {
        clock.fetch_add(86_400_001, Ordering::Relaxed);
    }
    let passed = pass_on(&hub.app, &scene.server.url).unwrap();
    assert_eq!((passed.photos_given, passed.photos_waiting), (1, 0), "{passed:?}");
}

#[test]
fn what_a_server_lacks_is_for_hubs_and_the_office_to_ask() {
    let scene = Scene::new();
    let list = serde_json::json!({ "photos": [Sha256Hash([1; 32])] });
    assert_eq!(scene.crew.json("POST", "/v1/photos/lacking", &list).problem().code, "hub-only");
    let answer = scene.office.json("POST", "/v1/photos/lacking", &list);
    assert_eq!(
        (answer.status, answer.json::<serde_json::Value>()["lacking"].clone()),
        (200, list["photos"].clone())
    );
    let many = serde_json::json!({ "photos": vec![Sha256Hash([1; 32]); 1_001] });
    assert_eq!(scene.office.json("POST", "/v1/photos/lacking", &many).status, 413);
}

fn named(n: u8, name: &str, at: i64) -> RegisterEntry {
    let fields = [("name".to_owned(), name.into())].into_iter().collect();
    RegisterEntry { fields, ..RegisterEntry::new(RecordId::new(3, [n; 10]), "person", UtcMs(NOW.0 + at)) }
}

fn put_entry(client: &Client, entry: &RegisterEntry) -> Answer {
    client.json("PUT", "/v1/register", &Register { entries: vec![entry.clone()] })
}

/// What a server calls somebody.
fn called(client: &Client, n: u8) -> Option<String> {
    let register: Register = client.get("/v1/register").json();
    register.entries.iter().find(|e| e.id == named(n, "", 0).id).and_then(RegisterEntry::called)
}

#[test]
fn names_the_office_signed_go_on_from_hub_to_hub_and_no_hub_changes_one() {
    let mut scene = Scene::new();
    let (one, two) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let (first, second) = (hub(one.path(), 36), hub(two.path(), 37));
    let key = SecretKey::from_seed(scene.office.key.seed());
    // The office, out with a crew, gives the first hub a signed name, and one without a signature.
    let mut away = scene.office.copied();
    visit(&mut away, &first);
    away.exchange(&scene.books()).unwrap();
    assert_eq!(put_entry(&away, &named(1, "signed", 0).sign(&key).unwrap()).status, 204);
    assert_eq!(put_entry(&away, &named(2, "bare", 0)).status, 204);
    assert_eq!(put_entry(&scene.office, &named(3, "from the main server", 0)).status, 204);
    let passed = pass_on(&first.app, &scene.server.url).unwrap();
    assert_eq!((passed.entries_given, passed.entries_taken), (1, 1), "{passed:?}");
    assert_eq!(called(&scene.office, 1).as_deref(), Some("signed"));
    assert_eq!(called(&scene.office, 2), None, "nobody but the first hub says so");
    assert_eq!(called(&away, 3).as_deref(), Some("from the main server"));
    // The second hub learns of it by the main server, and a crew there too.
    pass_on(&second.app, &scene.server.url).unwrap();
    visit(&mut scene.crew, &second);
    assert_eq!(called(&scene.crew, 1).as_deref(), Some("signed"));
    // A later word without a signature does not take its place, whoever brings it.
    assert_eq!(put_entry(&away, &named(1, "changed by a hub", 9)).status, 204);
    pass_on(&first.app, &scene.server.url).unwrap();
    assert_eq!(called(&away, 1).as_deref(), Some("signed"));
    // A later signed one does, and an erasure over all.
    assert_eq!(put_entry(&away, &named(1, "married", 20).sign(&key).unwrap()).status, 204);
    let erasing = Erasing { at: NOW, by: None, reason: "asked".into(), photo: None };
    let gone = tombstone(named(3, "", 0).id, "person", &key, erasing).unwrap();
    assert_eq!(put_entry(&away, &gone).status, 204);
    let passed = pass_on(&first.app, &scene.server.url).unwrap();
    assert_eq!(passed.entries_given, 2, "{passed:?}");
    assert_eq!(called(&scene.office, 1).as_deref(), Some("married"));
    assert!(called(&scene.office, 3).unwrap().starts_with("erased"));
    pass_on(&first.app, &scene.server.url).unwrap();
    assert_eq!(pass_on(&first.app, &scene.server.url).unwrap(), Passed::default());
}

#[test]
fn a_name_counts_from_a_crew_or_hub_only_on_the_word_of_an_office_device_that_still_holds() {
    let mut scene = Scene::new();
    let (crew, office) = (&scene.crew, SecretKey::from_seed(scene.office.key.seed()));
    let own = SecretKey::from_seed(crew.key.seed());
    assert_eq!(put_entry(crew, &named(1, "bare", 0)).problem().code, "office-only");
    assert_eq!(
        put_entry(crew, &named(1, "by itself", 0).sign(&own).unwrap()).problem().code,
        "entry-unproven"
    );
    let mut forged = named(1, "true", 0).sign(&office).unwrap();
    forged.fields.insert("name".into(), "false".into());
    assert_eq!(put_entry(crew, &forged).problem().code, "entry-unproven");
    let elsewhere = RegisterEntry { id: named(2, "", 0).id, ..named(1, "true", 0).sign(&office).unwrap() };
    assert_eq!(put_entry(crew, &elsewhere).problem().code, "entry-unproven");
    assert_eq!(put_entry(crew, &named(1, "true", 0).sign(&office).unwrap()).status, 204);
    // Another office device, revoked: what it signed does not come in by others any more.
    let second = scene.device(44, Role::Office);
    let late = named(4, "late", 0).sign(&SecretKey::from_seed(second.key.seed())).unwrap();
    assert_eq!(put_entry(&second, &named(3, "in time", 0)).status, 204);
    let device = second.key.device();
    scene
        .office
        .write(support::yard(), vec![Revocation { device, reason: "lost".into(), accepted: vec![] }.into()]);
    scene.office.exchange(&scene.books()).unwrap();
    assert_eq!(put_entry(&scene.crew, &late).problem().code, "entry-unproven");
    assert_eq!(put_entry(&scene.office, &late).status, 204, "the office answers for what it brings");
}
