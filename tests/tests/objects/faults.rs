//! A store that is away, slow, busy, full or wrong: what is said, and that nothing acknowledged is lost.

use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::time::Duration;

use bolebook_core::ids::Sha256Hash;
use bolebook_core::record::people::Role;
use bolebook_objects::{Area, Key, ObjectError, Objects};
use bolebook_server::{App, Config, PhotoStore, StartError};

use crate::process::soon;
use crate::store::{SECRET, Store, free_port, listed, place_at};
use crate::support::tus::{PART, TUS, begin, offset, patch, photo};
use crate::support::{Answer, Client, Server, yard};
use crate::way::{Trouble, Way};
use crate::{impatient, in_bucket};

fn said<T: std::fmt::Debug>(done: Result<T, ObjectError>) -> ObjectError {
    let error = done.unwrap_err();
    let text = error.to_string();
    assert!(!text.contains(SECRET) && !text.contains("INVENTEDKEY") && !text.contains("Signature"), "{text}");
    assert!(text.contains("s3://bole-photos/yard"), "where: {text}");
    error
}

#[test]
fn every_trouble_has_its_error_and_what_may_pass_is_tried_again() {
    let store = Store::start();
    let way = Way::to(store.port);
    let objects = in_bucket(&impatient(store.place_by(way.port).1));
    let bytes = photo(40_000, 3);
    let key = Key::photo(Sha256Hash::of(&bytes));
    objects.put(&key, &bytes).unwrap();
    let tries = |what: &mut dyn FnMut()| {
        let before = way.asked.load(Ordering::SeqCst);
        what();
        way.asked.load(Ordering::SeqCst) - before
    };
    // It passes by itself, and each is tried three times, but waited for in silence once.
    for (trouble, times) in
        [(Trouble::Cut, 3), (Trouble::Busy, 3), (Trouble::AnswerLost, 3), (Trouble::Silent, 1)]
    {
        way.set(trouble);
        let tried = tries(&mut || {
            let error = said(objects.put(&key, &bytes));
            assert!(error.passes(), "{trouble:?}: {error}");
        });
        assert_eq!(tried, times, "{trouble:?}");
        let read = said(objects.get(&key));
        assert!(read.passes() && read.to_string().contains("reading photos/"), "{trouble:?}: {read}");
        assert!(said(objects.list(Area::Photos, &mut |_| Ok(()))).passes(), "{trouble:?}");
        assert!(said(objects.remove(&key)).passes(), "{trouble:?}");
        assert!(said(objects.ready()).passes(), "{trouble:?}");
    }
    // The last of them was the silence: for a third of the patience nothing is asked.
    let spared = tries(&mut || assert!(said(objects.get(&key)).to_string().contains("silent a moment ago")));
    assert_eq!(spared, 0);
    std::thread::sleep(Duration::from_millis(600));
    way.set(Trouble::Half);
    assert!(said(objects.get(&key)).passes(), "an answer that breaks off is none");
    assert!(said(objects.list(Area::Photos, &mut |_| Ok(()))).passes());
    way.set(Trouble::Stalled);
    let silence = || std::thread::sleep(Duration::from_millis(600));
    let asked = tries(&mut || assert!(said(objects.get(&key)).passes(), "nor is one that stops"));
    silence();
    let ranged = tries(&mut || assert!(said(objects.range(&key, 0, 1 << 20)).passes()));
    assert_eq!((asked, ranged), (1, 1), "what was waited for is not waited for again");
    silence();
    // It stays so until somebody does something, and is not tried again.
    for (trouble, what) in [
        (Trouble::Denied, "403 AccessDenied: look at the credentials"),
        (Trouble::NoBucket, "404 NoSuchBucket: there is no such bucket"),
        (Trouble::Page, "is this the address of an S3-compatible store?"),
    ] {
        way.set(trouble);
        let tried = tries(&mut || {
            let error = said(objects.put(&key, &bytes)).to_string();
            assert!(error.contains(what), "{error}");
        });
        assert_eq!(tried, 1, "{trouble:?}");
        let read = said(objects.get(&key));
        assert!(matches!(read, ObjectError::Refused { .. }), "never taken for 'not there': {read}");
        assert!(matches!(said(objects.head(&key, 16)), ObjectError::Refused { .. }));
        assert!(matches!(said(objects.ready()), ObjectError::Refused { .. }));
    }
    way.set(Trouble::Full);
    assert!(matches!(said(objects.put(&key, &bytes)), ObjectError::Full { .. }));
    way.set(Trouble::Bit);
    let wrong = said(objects.get(&key));
    assert!(matches!(wrong, ObjectError::Wrong { .. }), "{wrong}");
    assert!(wrong.to_string().contains(key.path()), "{wrong}");
    // Nothing listens there.
    let nobody = in_bucket(&place_at(free_port(), &Store::address()));
    assert!(said(nobody.put(&key, &bytes)).passes());
    way.set(Trouble::None);
    assert!(objects.get(&key).unwrap().unwrap() == bytes, "and all the time it was there");
}

#[test]
fn a_place_belongs_to_one_yard() {
    let store = Store::start();
    let place = store.place();
    let objects = in_bucket(&place);
    objects.claim("one").unwrap();
    objects.claim("one").unwrap();
    let other = said(objects.claim("another"));
    assert!(matches!(&other, ObjectError::Taken { owner, .. } if owner == "one"), "{other}");
    // A server of another yard does not start on it; what is not set, or refused, says what to do.
    let data = tempfile::tempdir().unwrap();
    Server::init(data.path());
    let open = |photos: PhotoStore| {
        let config = Config { photos: Some(photos), ..Config::new(data.path().to_owned()) };
        App::open(config, std::sync::Arc::new(|| crate::support::NOW)).map(drop)
    };
    let refused = open(place).unwrap_err();
    assert!(matches!(refused, StartError::Objects(ObjectError::Taken { .. })), "{refused}");
    let nowhere = open(place_at(store.port, "s3://no-such-bucket/x")).unwrap_err().to_string();
    assert!(nowhere.contains("make it, or name another with --photos"), "{nowhere}");
    assert!(!nowhere.contains(SECRET));
    // One that is away may come.
    open(place_at(free_port(), &Store::address())).unwrap();
}

/// A server whose photos lie behind a way.
fn server(photos: PhotoStore) -> (tempfile::TempDir, Server, Client) {
    let data = tempfile::tempdir().unwrap();
    Server::init(data.path());
    let config = Config { photos: Some(impatient(photos)), ..Config::new(data.path().to_owned()) };
    let server = Server::start_with(config);
    let mut office = Client::certified(&server.url, 1, Role::Office);
    office.open_yard();
    office.exchange(&[yard()]).unwrap();
    (data, server, office)
}

fn put(client: &Client, bytes: &[u8]) -> Answer {
    client.send("PUT", &format!("/v1/photos/{}", Sha256Hash::of(bytes)), &[], bytes).unwrap()
}

#[test]
fn while_the_store_is_away_photos_wait_books_go_on_and_ready_says_so() {
    let store = Store::start();
    let way = Way::to(store.port);
    let (direct, photos) = store.place_by(way.port);
    let (_data, server, mut office) = server(photos);
    let (kept, late) = (photo(2_500_000, 5), photo(30_000, 7));
    assert_eq!(put(&office, &kept).status, 201);
    let path = begin(&office, &late);
    assert_eq!(patch(&office, &path, 0, &late[..10_000]).status, 204);
    assert_eq!(office.get("/ready").status, 200);
    for trouble in
        [Trouble::Cut, Trouble::Silent, Trouble::Busy, Trouble::Denied, Trouble::NoBucket, Trouble::Page]
    {
        way.set(trouble);
        let photo_path = format!("/v1/photos/{}", Sha256Hash::of(&kept));
        for answer in [
            put(&office, &photo(9_000, 9)),
            office.get(&photo_path),
            patch(&office, &path, 10_000, &late[10_000..]),
            office.get("/ready"),
        ] {
            assert!(answer.headers.contains_key("retry-after"), "{trouble:?}");
            let problem = answer.problem();
            assert_eq!((answer.status, problem.code.as_str()), (503, "photo-store"), "{trouble:?}");
            let text = format!("{problem:?}");
            assert!(problem.detail.contains("books go on") || problem.detail.contains("Ask again"), "{text}");
            assert!(!text.contains(SECRET) && !text.contains("bole-photos"), "{text}");
        }
        assert_eq!(offset(&office, &path), 10_000, "{trouble:?}: what was acknowledged stands");
        office.note(yard(), "the books go on");
        office.exchange(&[yard()]).unwrap();
        assert_eq!(office.get("/health").status, 200);
        // After a silence the store is spared for a moment; the next trouble is to be met itself.
        std::thread::sleep(Duration::from_millis(600));
    }
    way.set(Trouble::Full);
    assert_eq!(put(&office, &photo(9_000, 9)).problem().code, "no-room");
    // Damaged on its way, or in the store: not handed out.
    way.set(Trouble::Bit);
    let answer = office.get(&format!("/v1/photos/{}", Sha256Hash::of(&kept)));
    assert_eq!((answer.status, answer.problem().code), (503, "photo-store".into()));
    way.set(Trouble::None);
    assert_eq!(office.get("/ready").status, 200);
    assert_eq!(patch(&office, &path, 10_000, &late[10_000..]).status, 204);
    for bytes in [&kept, &late] {
        assert!(office.get(&format!("/v1/photos/{}", Sha256Hash::of(bytes))).bytes == **bytes);
    }
    let _ = bolebook_server::photos::tidy::once(&server.app, 0).unwrap();
    assert_eq!(listed(&in_bucket(&direct), Area::Uploads), []);
}

#[test]
fn a_photo_removed_while_the_store_is_away_is_handed_out_no_more_and_goes_when_it_is_back() {
    let store = Store::start();
    let way = Way::to(store.port);
    let (direct, photos) = store.place_by(way.port);
    let (_data, server, office) = server(photos);
    let bytes = photo(9_000, 31);
    let hash = Sha256Hash::of(&bytes);
    assert_eq!(put(&office, &bytes).status, 201);
    way.set(Trouble::Cut);
    let refused = bolebook_server::photos::remove::remove(&server.app, hash).unwrap_err();
    assert!(refused.is("photo-store"), "{refused}");
    assert!(in_bucket(&direct).has(&Key::photo(hash)).unwrap());
    way.set(Trouble::None);
    assert_eq!(office.get(&format!("/v1/photos/{hash}")).problem().code, "photo-removed");
    assert_eq!(put(&office, &bytes).problem().code, "photo-removed");
    bolebook_server::photos::tidy::once(&server.app, 0).unwrap();
    assert!(!in_bucket(&direct).has(&Key::photo(hash)).unwrap());
}

/// Devices at work: each brings photo after photo, whole or in parts, and goes on after a 503.
#[test]
fn i6_no_photo_acknowledged_is_lost_while_the_store_comes_and_goes() {
    let store = Store::start();
    let way = Way::to(store.port);
    let (direct, photos) = store.place_by(way.port);
    let (_data, server, office) = server(photos);
    let crew = Client::certified(&server.url, 2, Role::Office);
    let (stop, done) = (AtomicBool::new(false), AtomicUsize::new(0));
    let acknowledged = std::thread::scope(|scope| {
        let workers: Vec<_> = [office, crew]
            .into_iter()
            .enumerate()
            .map(|(who, client)| {
                let (stop, done) = (&stop, &done);
                scope.spawn(move || {
                    let mut acknowledged = vec![];
                    for number in 0.. {
                        if stop.load(Ordering::SeqCst) {
                            break;
                        }
                        let bytes = photo(200_000 + 1_000 * who, 1_001 + 2 * (number * 2 + who as u64));
                        let brought = if number % 2 == 0 {
                            whole(&client, &bytes, stop)
                        } else {
                            in_parts(&client, &bytes, stop)
                        };
                        if brought {
                            acknowledged.push(bytes);
                            done.fetch_add(1, Ordering::SeqCst);
                        }
                    }
                    acknowledged
                })
            })
            .collect();
        for trouble in [
            Trouble::Bad,
            Trouble::Cut,
            Trouble::AnswerLost,
            Trouble::Busy,
            Trouble::Bad,
            Trouble::Silent,
            Trouble::Half,
        ] {
            way.set(trouble);
            std::thread::sleep(Duration::from_millis(700));
            way.set(Trouble::None);
            let until = done.load(Ordering::SeqCst) + 3;
            soon("photos", || done.load(Ordering::SeqCst) >= until);
        }
        stop.store(true, Ordering::SeqCst);
        workers.into_iter().flat_map(|worker| worker.join().unwrap()).collect::<Vec<_>>()
    });
    assert!(acknowledged.len() >= 20, "{}", acknowledged.len());
    let objects = in_bucket(&direct);
    for bytes in &acknowledged {
        let kept = objects.get(&Key::photo(Sha256Hash::of(bytes))).unwrap();
        assert!(kept.is_some_and(|kept| kept == *bytes), "acknowledged, and lost");
    }
    let db = server.app.read(|db| bolebook_server::photos::held::census(db, &objects)).unwrap();
    assert!(db.damaged.is_empty() && db.held >= acknowledged.len() as u64, "{db:?}");
}

/// What a server answered; nothing where it said no before it had read the body, and the line was gone.
fn asked(client: &Client, method: &str, path: &str, headers: &[(&str, &str)], body: &[u8]) -> Option<Answer> {
    let answer = client.send(method, path, headers, body).ok()?;
    let known = matches!(answer.status, 200 | 201 | 204 | 409 | 503);
    assert!(known, "{method} {path}: {}", String::from_utf8_lossy(&answer.bytes));
    Some(answer)
}

fn pause() {
    std::thread::sleep(Duration::from_millis(20));
}

fn whole(client: &Client, bytes: &[u8], stop: &AtomicBool) -> bool {
    let path = format!("/v1/photos/{}", Sha256Hash::of(bytes));
    while !stop.load(Ordering::SeqCst) {
        match asked(client, "PUT", &path, &[], bytes) {
            Some(answer) if answer.status < 300 => return true,
            _ => pause(),
        }
    }
    false
}

fn in_parts(client: &Client, bytes: &[u8], stop: &AtomicBool) -> bool {
    use base64::Engine as _;
    let digest = base64::prelude::BASE64_STANDARD.encode(Sha256Hash::of(bytes).to_string());
    let (length, metadata) = (bytes.len().to_string(), format!("sha256 {digest}"));
    let named = [TUS, ("upload-length", &*length), ("upload-metadata", &*metadata)];
    let (mut path, mut stood) = (None, 0);
    while !stop.load(Ordering::SeqCst) {
        let Some(upload) = &path else {
            let made = asked(client, "POST", "/v1/uploads", &named, &[]).filter(|a| a.status == 201);
            path = made.map(|made| made.headers["location"].to_str().unwrap().to_owned());
            if path.is_none() {
                pause();
            }
            continue;
        };
        let Some(head) = asked(client, "HEAD", upload, &[TUS], &[]).filter(|a| a.status == 200) else {
            pause();
            continue;
        };
        let at: usize = head.headers["upload-offset"].to_str().unwrap().parse().unwrap();
        assert!(at >= stood, "{at} of {stood} that were acknowledged");
        stood = at;
        let (end, offset) = (bytes.len().min(at + 70_000), at.to_string());
        let part = [TUS, PART, ("upload-offset", &*offset)];
        if asked(client, "PATCH", upload, &part, &bytes[at..end]).is_some_and(|a| a.status == 204) {
            stood = end;
            if end == bytes.len() {
                return true;
            }
        } else {
            pause();
        }
    }
    false
}

/// `Objects` says where it is, and nothing secret.
#[test]
fn a_store_is_shown_without_its_credentials() {
    let photos = place_at(9, "s3://bole-photos/yard");
    let objects: Objects = in_bucket(&photos);
    for shown in [format!("{objects}"), format!("{objects:?}"), format!("{photos:?}")] {
        assert!(shown.contains("bole-photos") && shown.contains("127.0.0.1:9"), "{shown}");
        assert!(!shown.contains(SECRET) && !shown.contains("INVENTEDKEY"), "{shown}");
    }
}
