//! Whose a place in a store is: one yard's, and of its logs one's. A copy of a log's database is told apart
//! from it, and sweeps nothing.

use std::path::Path;

use bolebook_objects::{Area, Key, LogClaim, ObjectError};
use bolebook_server::database::{Database, Place};
use bolebook_server::migrate::migrate;
use bolebook_server::photos::place::{ClaimError, Whose, claim, take};
use bolebook_server::photos::tidy;
use bolebook_server::{App, Config, PhotoStore, StartError};
use bolebook_tests::cluster::Cluster;

use crate::store::{Store, in_bucket, listed};
use crate::support::{NOW, Server, yard};

fn config(data: &Path, photos: &PhotoStore, store: Option<&str>) -> Config {
    Config { photos: Some(photos.clone()), store: store.map(str::to_owned), ..Config::new(data.to_owned()) }
}

fn open(data: &Path, photos: &PhotoStore) -> Result<App, StartError> {
    App::open(config(data, photos, None), std::sync::Arc::new(|| NOW))
}

/// A data folder of the same yard's, with a database of its own.
fn data() -> tempfile::TempDir {
    let data = tempfile::tempdir().unwrap();
    Server::init(data.path());
    data
}

fn copy(from: &Path, to: &Path) {
    for entry in std::fs::read_dir(from).unwrap().map(Result::unwrap) {
        if entry.file_type().unwrap().is_file() {
            std::fs::copy(entry.path(), to.join(entry.file_name())).unwrap();
        }
    }
}

fn whose(app: &App, photos: &PhotoStore) -> Result<Whose, ClaimError> {
    claim(&app.database, &in_bucket(photos), yard())
}

#[test]
fn of_two_logs_of_one_yard_the_second_does_not_start_in_the_firsts_place() {
    let store = Store::start();
    let photos = store.place();
    let objects = in_bucket(&photos);
    let (one, hub) = (data(), data());
    // An older server has claimed it, which named the yard and no log: it is taken over once.
    objects.claim(&yard().to_string()).unwrap();
    assert_eq!(objects.log().unwrap(), None);
    let app = open(one.path(), &photos).unwrap();
    let named = objects.log().unwrap().expect("a log");
    assert_eq!(whose(&app, &photos).unwrap(), Whose::Ours);
    let refused = open(hub.path(), &photos).map(drop).unwrap_err();
    let StartError::Objects(ObjectError::OtherLog { found, .. }) = &refused else { panic!("{refused}") };
    assert_eq!(*found, named.log);
    let said = refused.to_string();
    assert!(said.contains("a prefix of its own") && said.contains("take-photos"), "{said}");
    assert_eq!(objects.log().unwrap(), Some(named.clone()), "nothing of it is changed");
    // The older server still finds what it looks for.
    objects.claim(&yard().to_string()).unwrap();
    drop(app);
    drop(open(one.path(), &photos).unwrap());
    // Its place is free elsewhere, and in the first's when somebody says so.
    drop(open(hub.path(), &store.place()).unwrap());
    let hubs = Database::new(Place::of(hub.path(), None), Place::of(hub.path(), None).lay_out().unwrap());
    take(&hubs, &objects).unwrap();
    drop(open(hub.path(), &photos).unwrap());
    assert!(matches!(
        open(one.path(), &photos).map(drop),
        Err(StartError::Objects(ObjectError::OtherLog { .. }))
    ));
}

#[test]
fn who_claims_a_place_second_changes_nothing_even_at_the_same_moment() {
    let store = Store::start();
    let objects = in_bucket(&store.place());
    let [first, second] = ["a1", "b2"].map(|log| LogClaim { log: log.into(), turn: log.into() });
    // Both have seen that nobody has it.
    assert_eq!(objects.log().unwrap(), None);
    objects.name_log(&first, true).unwrap();
    objects.name_log(&second, true).unwrap();
    assert_eq!(objects.log().unwrap(), Some(first));
    objects.name_log(&second, false).unwrap();
    assert_eq!(objects.log().unwrap(), Some(second));
}

#[test]
fn a_copy_of_the_database_sweeps_nothing_until_it_goes_on_in_the_others_place() {
    let store = Store::start();
    let photos = store.place();
    let objects = in_bucket(&photos);
    let (one, restored) = (data(), tempfile::tempdir().unwrap());
    drop(open(one.path(), &photos).unwrap());
    copy(one.path(), restored.path());
    let [one, restored] = [one.path(), restored.path()].map(|data| open(data, &photos).unwrap());
    // Nobody can tell yet which is which; each knows all that was said.
    assert_eq!(whose(&restored, &photos).unwrap(), Whose::Ours);
    let piece =
        || objects.put(&Key::piece("ab", "cd").unwrap(), b"an upload's that one of them knows").unwrap();
    piece();
    assert_eq!(tidy::once(&one, 0).unwrap().swept, 1);
    assert_eq!(whose(&restored, &photos).unwrap(), Whose::ACopys);
    piece();
    for _ in 0..2 {
        assert_eq!(tidy::once(&restored, 0).unwrap().swept, 0);
        assert_eq!(listed(&objects, Area::Uploads).len(), 1);
    }
    // It goes on: and now the other is the copy.
    take(&restored.database, &objects).unwrap();
    assert_eq!(tidy::once(&restored, 0).unwrap().swept, 1);
    piece();
    assert_eq!(tidy::once(&one, 0).unwrap().swept, 0);
    assert_eq!(whose(&one, &photos).unwrap(), Whose::ACopys);
}

#[test]
fn servers_over_one_database_and_a_log_that_moved_to_it_share_a_place() {
    let store = Store::start();
    let photos = store.place();
    let cluster = Cluster::quick();
    let (one, other) = (data(), data());
    drop(open(one.path(), &photos).unwrap());
    let url = cluster.database();
    migrate(&Place::of(one.path(), None), &Place::Shared(url.clone()), None).unwrap();
    let both = [one.path(), other.path()]
        .map(|data| App::open(config(data, &photos, Some(&url)), std::sync::Arc::new(|| NOW)).unwrap());
    for _ in 0..3 {
        std::thread::scope(|scope| {
            for app in &both {
                scope.spawn(|| tidy::once(app, 0).unwrap());
            }
        });
        for app in &both {
            assert_eq!(whose(app, &photos).unwrap(), Whose::Ours);
        }
    }
}
