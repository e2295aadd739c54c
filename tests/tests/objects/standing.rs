//! What stands in a store and in the database beside it: few pieces, one that was lost, what a crash
//! left over, what was put and not noted.

use bolebook_core::ids::{DeviceId, Sha256Hash};
use bolebook_core::record::people::Role;
use bolebook_core::service::PhotoList;
use bolebook_objects::{Area, Key};
use bolebook_server::photos::{held, remove, tidy};
use bolebook_server::{Config, PhotoStore};

use crate::store::{Store, everything, in_bucket, listed, put_behind_the_back};
use crate::support::tus::{begin, create, is_there, offset, patch, photo};
use crate::support::{Client, Server, yard};

fn server(data: &std::path::Path, photos: &PhotoStore) -> (Server, Client) {
    let config = Config { photos: Some(photos.clone()), ..Config::new(data.to_owned()) };
    let server = Server::start_with(config);
    let office = Client::certified(&server.url, 1, Role::Office);
    (server, office)
}

fn start(store: &Store) -> (tempfile::TempDir, PhotoStore, Server, Client) {
    let (data, photos) = (tempfile::tempdir().unwrap(), store.place());
    Server::init(data.path());
    let (server, mut office) = server(data.path(), &photos);
    office.open_yard();
    office.exchange(&[yard()]).unwrap();
    (data, photos, server, office)
}

#[test]
fn many_short_requests_leave_few_pieces_and_one_that_is_lost_is_sent_again() {
    let store = Store::start();
    let (_data, photos, _server, office) = start(&store);
    let objects = in_bucket(&photos);
    let bytes = photo(900_000, 3);
    let path = begin(&office, &bytes);
    for (number, part) in bytes.chunks(9_000).enumerate().take(80) {
        assert_eq!(patch(&office, &path, number * 9_000, part).status, 204);
    }
    let pieces = listed(&objects, Area::Uploads);
    assert!(pieces.len() <= 4, "{} pieces of 720,000 bytes", pieces.len());
    assert_eq!(pieces.iter().map(|p| p.bytes).sum::<u64>(), 720_000, "what was written anew is gone");
    // The store loses one; the upload stands before it, and goes on from there.
    let lost = pieces.iter().max_by_key(|p| p.age_s).unwrap();
    objects.forget(&lost.key).unwrap();
    let last = patch(&office, &path, 720_000, &bytes[720_000..]);
    assert_eq!((last.status, last.problem().code), (409, "upload-offset".into()));
    let at = offset(&office, &path);
    assert!(at < 720_000, "{at}");
    assert_eq!(patch(&office, &path, at, &bytes[at..]).status, 204);
    is_there(&office, &bytes);
    // The same for one that came back damaged.
    let bytes = photo(600_000, 5);
    let path = begin(&office, &bytes);
    assert_eq!(patch(&office, &path, 0, &bytes[..500_000]).status, 204);
    let fresh = listed(&objects, Area::Uploads).into_iter().find(|p| p.bytes == 500_000).unwrap();
    objects.put(&fresh.key, &photo(500_000, 7)).unwrap();
    assert_eq!(patch(&office, &path, 500_000, &bytes[500_000..]).status, 409);
    assert_eq!(offset(&office, &path), 0);
    assert_eq!(patch(&office, &path, 0, &bytes).status, 204);
    is_there(&office, &bytes);
    assert_eq!(listed(&objects, Area::Uploads), [], "the damaged one went with the others");
}

#[test]
fn what_is_not_the_photo_promised_is_refused_and_nothing_of_it_stays() {
    let store = Store::start();
    let (_data, photos, _server, office) = start(&store);
    let bytes = photo(1_500_000, 9);
    let made = create(&office, Sha256Hash([1; 32]), bytes.len() as u64);
    let path = made.headers["location"].to_str().unwrap().to_owned();
    assert_eq!(patch(&office, &path, 0, &bytes).problem().code, "hash-mismatch");
    let page = [&b"<html><script>alert(1)</script>"[..], &[b' '; 5_000]].concat();
    let path = begin(&office, &page);
    assert_eq!(patch(&office, &path, 0, &page[..1_000]).problem().code, "photo-type");
    // A part whose checksum does not hold counts for nothing.
    let path = begin(&office, &bytes);
    let sum = ("upload-checksum", "sha1 AAAAAAAAAAAAAAAAAAAAAAAAAAA=");
    let headers = [crate::support::tus::TUS, crate::support::tus::PART, ("upload-offset", "0"), sum];
    let answer = office.send("PATCH", &path, &headers, &bytes[..1_200_000]).unwrap();
    assert_eq!((answer.status, offset(&office, &path)), (460, 0));
    assert_eq!(everything(&photos), [], "nothing of all this is there");
    // One that is given up.
    assert_eq!(patch(&office, &path, 0, &bytes[..1_200_000]).status, 204);
    assert!(!everything(&photos).is_empty());
    assert_eq!(office.send("DELETE", &path, &[crate::support::tus::TUS], &[]).unwrap().status, 204);
    assert_eq!(everything(&photos), []);
}

#[test]
fn what_a_crash_left_is_noted_finished_or_swept_and_what_was_removed_stays_so() {
    let store = Store::start();
    let (data, photos, first, office) = start(&store);
    let objects = in_bucket(&photos);
    // Put and not noted: whoever brings it again is told that it is there, and it is noted.
    let (put, again) = (photo(40_000, 11), photo(40_000, 13));
    for bytes in [&put, &again] {
        objects.put(&Key::photo(Sha256Hash::of(bytes)), bytes).unwrap();
    }
    let noted = |server: &Server, bytes: &[u8]| {
        server.app.read(|db| held::noted(db, Sha256Hash::of(bytes))).unwrap().map(|n| (n.bytes, n.media_type))
    };
    let jpeg = Some((40_000, Some("image/jpeg".to_owned())));
    let at = format!("/v1/photos/{}", Sha256Hash::of(&again));
    assert_eq!((noted(&first, &again), office.send("PUT", &at, &[], &again).unwrap().status), (None, 200));
    assert_eq!(noted(&first, &again), jpeg);
    let lacking = |client: &Client| {
        let asked = PhotoList { photos: vec![Sha256Hash::of(&put), Sha256Hash::of(&again)] };
        client
            .json("POST", "/v1/photos/lacking", &asked)
            .json::<bolebook_core::service::PhotosLacking>()
            .lacking
    };
    assert_eq!(lacking(&Client::certified(&first.url, 5, Role::Office)), [Sha256Hash::of(&put)]);
    // A piece that was put by a server that was killed, and pieces of an upload nobody goes on with.
    objects.put(&Key::piece("ab", "cd").unwrap(), b"left").unwrap();
    let waiting = photo(60_000, 15);
    let path = begin(&office, &waiting);
    assert_eq!(patch(&office, &path, 0, &waiting[..30_000]).status, 204);
    // A photo removed, and brought back by a copy of the bucket.
    let gone = Sha256Hash::of(&photo(700, 17));
    assert!(!remove::remove(&first.app, gone).unwrap());
    objects.put(&Key::photo(gone), &photo(700, 17)).unwrap();
    objects.put(&Key::thumbnail(gone), b"small").unwrap();
    assert_eq!(
        office.get(&format!("/v1/photos/{gone}")).problem().code,
        "photo-removed",
        "before it is gone"
    );

    let young = tidy::once(&first.app, tidy::OLD_S).unwrap();
    assert_eq!((young.held, young.removed, young.swept), (2, 1, 0), "what is young may be on its way");
    assert_eq!(noted(&first, &put), None);
    assert!(!objects.has(&Key::photo(gone)).unwrap() && !objects.has(&Key::thumbnail(gone)).unwrap());
    let old = tidy::once(&first.app, 0).unwrap();
    assert_eq!((old.held, old.removed, old.swept), (2, 0, 1));
    assert_eq!(noted(&first, &put), jpeg);
    assert_eq!(lacking(&Client::certified(&first.url, 5, Role::Office)), []);
    assert_eq!(offset(&office, &path), 30_000, "an upload under way keeps its pieces");
    first.clock.fetch_add(8 * 86_400_000, std::sync::atomic::Ordering::Relaxed);
    assert_eq!(tidy::once(&first.app, 0).unwrap().swept, 1, "until its time is over");
    assert_eq!(listed(&objects, Area::Uploads), []);
    assert_eq!(tidy::once(&first.app, 0).unwrap(), tidy::Tidied { held: 2, removed: 0, swept: 0 });

    // A server that starts puts it in order by itself.
    drop(first);
    objects.put(&Key::photo(gone), &photo(700, 17)).unwrap();
    let (_second, _) = server(data.path(), &photos);
    crate::process::soon("the removed photo", || !objects.has(&Key::photo(gone)).unwrap());
}

#[test]
fn verify_reads_every_photo_of_the_store() {
    let store = Store::start();
    let (_data, photos, server, office) = start(&store);
    let objects = in_bucket(&photos);
    let (good, bad) = (photo(40_000, 21), photo(40_000, 23));
    for bytes in [&good, &bad] {
        let at = format!("/v1/photos/{}", Sha256Hash::of(bytes));
        assert_eq!(office.send("PUT", &at, &[], bytes).unwrap().status, 201);
    }
    // Behind the server's back, as a fault of the store would.
    put_behind_the_back(&photos, &Key::photo(Sha256Hash::of(&bad)), &good);
    let census = server.app.read(|db| held::census(db, &objects)).unwrap();
    assert_eq!(
        (census.held, census.damaged.into_iter().collect::<Vec<_>>()),
        (2, vec![Sha256Hash::of(&bad)])
    );
    let got = office.get(&format!("/v1/photos/{}", Sha256Hash::of(&bad)));
    assert_eq!((got.status, got.problem().code), (503, "photo-store".into()));
    // Brought again it is put again.
    let photo = bolebook_core::service::PhotoStored {
        sha256: Sha256Hash::of(&bad),
        media_type: "image/jpeg".into(),
        bytes: 40_000,
    };
    objects.put(&Key::photo(photo.sha256), &bad).unwrap();
    held::note(&server.app, &photo, DeviceId([1; 16]), |_| Ok(())).unwrap();
    is_there(&office, &bad);
}
