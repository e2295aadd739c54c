//! Whose a place in a store is: one yard's, and of its logs one's. Another log, and a copy of a log's
//! database, are told apart from it; they serve, and sweep nothing.

use std::path::Path;
use std::process::Command;

use bolebook_core::ids::Sha256Hash;
use bolebook_objects::{Area, Key, LogClaim, ObjectError, Objects};
use bolebook_server::database::Place;
use bolebook_server::migrate::migrate;
use bolebook_server::photos::place::{ClaimError, Whose, claim, take};
use bolebook_server::photos::{remove, tidy};
use bolebook_server::{App, Config, PhotoStore, StartError};
use bolebook_tests::cluster::Cluster;

use crate::process::{binary, init};
use crate::store::{Store, in_bucket, listed, place_at, variables};
use crate::support::tus::photo;
use crate::support::{NOW, Server, yard};
use crate::way::{Trouble, Way};

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

fn piece(objects: &Objects) {
    objects.put(&Key::piece("ab", "cd").unwrap(), b"an upload's that one of them knows").unwrap();
}

#[test]
fn of_two_logs_of_one_yard_the_second_serves_in_the_firsts_place_and_sweeps_nothing_there() {
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
    let hub = open(hub.path(), &photos).unwrap();
    let found = whose(&hub, &photos).unwrap();
    assert!(matches!(&found, Whose::Anothers { found, ours } if *found == named.log && ours != found));
    let said = found.why_not().unwrap();
    for what in ["--to folder", "--to bucket", "a prefix of its own", "take-photos", "the same --store as"] {
        assert!(said.contains(what), "{said}");
    }
    piece(&objects);
    // What was removed for good goes, also where another puts the place in order.
    let bytes = photo(3_000, 41);
    let (key, hash) = (Key::photo(Sha256Hash::of(&bytes)), Sha256Hash::of(&bytes));
    remove::remove(&hub, hash).unwrap();
    objects.put(&key, &bytes).unwrap();
    let done = tidy::once(&hub, 0).unwrap();
    assert_eq!((done.removed, done.swept), (1, 0));
    assert_eq!((listed(&objects, Area::Uploads).len(), objects.has(&key).unwrap()), (1, false));
    assert_eq!(objects.log().unwrap(), Some(named), "nothing of it is changed");
    // The older server still finds what it looks for.
    objects.claim(&yard().to_string()).unwrap();
    assert_eq!(tidy::once(&app, 0).unwrap().swept, 1);
    // The place is the hub's when somebody says so.
    take(&hub.database, &objects).unwrap();
    piece(&objects);
    assert!(matches!(whose(&app, &photos).unwrap(), Whose::Anothers { .. }));
    assert_eq!(tidy::once(&app, 0).unwrap().swept, 0);
    assert_eq!(tidy::once(&hub, 0).unwrap().swept, 1);
    drop(app);
    drop(open(one.path(), &photos).unwrap());
}

#[test]
fn another_yards_place_is_refused_as_before() {
    let store = Store::start();
    let photos = store.place();
    in_bucket(&photos).claim("another yard").unwrap();
    let one = data();
    let refused = open(one.path(), &photos).map(drop).unwrap_err();
    assert!(matches!(refused, StartError::Objects(ObjectError::Taken { .. })), "{refused}");
}

#[test]
fn a_place_whose_log_cannot_be_read_locks_nobody_out_and_can_be_taken() {
    let store = Store::start();
    let photos = store.place();
    let objects = in_bucket(&photos);
    let one = data();
    let app = open(one.path(), &photos).unwrap();
    objects.name_log(&LogClaim { log: "something".into(), turn: "else".into() }).unwrap();
    assert!(matches!(objects.log(), Err(ObjectError::Wrong { .. })));
    drop(app);
    let app = open(one.path(), &photos).unwrap();
    assert_eq!(whose(&app, &photos).unwrap(), Whose::Unknown);
    piece(&objects);
    assert_eq!(tidy::once(&app, 0).unwrap().swept, 0);
    let mut now = take(&app.database, &objects).unwrap();
    // As an editor leaves it.
    now.turn.push('\n');
    objects.name_log(&now).unwrap();
    assert_eq!(tidy::once(&app, 0).unwrap().swept, 1);
}

#[test]
fn who_claims_a_place_second_changes_nothing_even_at_the_same_moment() {
    let store = Store::start();
    let objects = in_bucket(&store.place());
    let [first, second] = ["a1", "b2"].map(|log| LogClaim { log: log.into(), turn: log.into() });
    // Both have seen that nobody has it.
    assert_eq!(objects.log().unwrap(), None);
    assert_eq!(objects.name_log_first(&first).unwrap(), first);
    assert_eq!(objects.name_log_first(&second).unwrap(), first);
    assert_eq!(objects.log().unwrap(), Some(first));
    objects.name_log(&second).unwrap();
    assert_eq!(objects.log().unwrap(), Some(second));
}

#[test]
fn a_store_that_does_not_know_the_condition_is_claimed_too_and_one_that_is_busy_with_it_waited_for() {
    let store = Store::start();
    let way = Way::to(store.port);
    for trouble in [Trouble::NoCondition, Trouble::BadCondition] {
        way.set(trouble);
        let (direct, photos) = store.place_by(way.port);
        let one = data();
        let app = open(one.path(), &photos).unwrap();
        assert_eq!(whose(&app, &photos).unwrap(), Whose::Ours, "{trouble:?}");
        assert!(in_bucket(&direct).log().unwrap().is_some(), "{trouble:?}");
    }
    way.set(Trouble::Conflict);
    let (direct, photos) = store.place_by(way.port);
    let before = way.asked.load(std::sync::atomic::Ordering::SeqCst);
    let error = in_bucket(&photos).claim("one").unwrap_err();
    assert!(error.passes() && error.to_string().contains("another is being put"), "{error}");
    let asked = way.asked.load(std::sync::atomic::Ordering::SeqCst) - before;
    assert_eq!(asked, 1 + 3, "a look, and three tries");
    in_bucket(&direct).claim("one").unwrap();
}

#[test]
fn a_full_store_is_swept_and_its_tries_leave_one_word() {
    let store = Store::start();
    let way = Way::to(store.port);
    let (direct, photos) = store.place_by(way.port);
    let one = data();
    let app = open(one.path(), &photos).unwrap();
    let words = || {
        let count = "SELECT count(*) FROM photo_claims";
        app.read(|db| Ok(db.query_row(count, [], |row| row.get::<_, i64>(0))?)).unwrap()
    };
    tidy::once(&app, 0).unwrap();
    assert_eq!(words(), 2, "the name, and the word of once");
    way.set(Trouble::PutsFull);
    for _ in 0..4 {
        piece(&in_bucket(&direct));
        assert_eq!(tidy::once(&app, 0).unwrap().swept, 1);
    }
    assert_eq!(words(), 3);
    way.set(Trouble::None);
    tidy::once(&app, 0).unwrap();
    assert_eq!(words(), 4);
    // A copy that was made while the store was full is told apart.
    let stands = in_bucket(&direct).log().unwrap().unwrap().turn;
    let newest = "SELECT word FROM photo_claims WHERE number = 4";
    let newest = app.read(|db| Ok(db.query_row(newest, [], |row| row.get::<_, String>(0))?)).unwrap();
    assert_eq!(stands, newest);
}

#[test]
fn what_was_removed_for_good_goes_also_from_a_store_in_which_nothing_can_be_claimed() {
    let store = Store::start();
    let way = Way::to(store.port);
    let (direct, photos) = store.place_by(way.port);
    let (direct, one) = (in_bucket(&direct), data());
    // As a version before this left it, and full.
    direct.claim(&yard().to_string()).unwrap();
    way.set(Trouble::PutsFull);
    let app = open(one.path(), &photos).unwrap();
    let bytes = photo(3_000, 47);
    let (key, hash) = (Key::photo(Sha256Hash::of(&bytes)), Sha256Hash::of(&bytes));
    remove::remove(&app, hash).unwrap();
    direct.put(&key, &bytes).unwrap();
    piece(&direct);
    assert!(tidy::once(&app, 0).is_err(), "whose it is is not known: nothing is swept");
    assert_eq!((listed(&direct, Area::Uploads).len(), direct.has(&key).unwrap()), (1, false));
    way.set(Trouble::None);
    assert_eq!(tidy::once(&app, 0).unwrap().swept, 1);
}

#[test]
fn words_of_years_are_dropped_and_never_the_one_that_stands_in_the_store() {
    let store = Store::start();
    let photos = store.place();
    let objects = in_bucket(&photos);
    let one = data();
    let app = open(one.path(), &photos).unwrap();
    let early = take(&app.database, &objects).unwrap();
    let years = "WITH RECURSIVE n(i) AS (SELECT 3 UNION ALL SELECT i + 1 FROM n WHERE i < 45000)
        INSERT INTO photo_claims (number, word) SELECT i, printf('%08x', i) FROM n";
    app.write(|tx| Ok(tx.execute(years, [])?)).unwrap();
    // A slow server's comes last.
    objects.name_log(&early).unwrap();
    assert_eq!(whose(&app, &photos).unwrap(), Whose::Ours);
    take(&app.database, &objects).unwrap();
    assert_eq!(whose(&app, &photos).unwrap(), Whose::Ours);
    let count = "SELECT count(*) FROM photo_claims";
    let kept: i64 = app.read(|db| Ok(db.query_row(count, [], |row| row.get(0))?)).unwrap();
    assert_eq!(kept, 1 + 20_000, "the log's name, and as many words");
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
    let piece = || piece(&objects);
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

#[test]
fn photos_moved_without_the_database_are_the_logs_that_is_served_with_them() {
    let store = Store::start();
    let cluster = Cluster::quick();
    let url = cluster.database();
    let data = tempfile::tempdir().unwrap();
    init(data.path());
    let bytes = photo(4_000, 43);
    let key = Key::photo(Sha256Hash::of(&bytes));
    let folder = Objects::Folder(bolebook_objects::Folder::new(data.path().to_owned()));
    folder.put(&key, &bytes).unwrap();
    let address = Store::address();
    let run = |arguments: &[&str]| {
        let mut command = Command::new(binary());
        command.args(arguments).arg("--data").arg(data.path()).args(["--photos", &address]);
        let done = command.envs(variables(store.port)).output().unwrap();
        (done.status.success(), String::from_utf8([done.stdout, done.stderr].concat()).unwrap())
    };
    let moved = run(&["migrate", "--to", "bucket"]);
    assert!(moved.0, "{}", moved.1);
    let photos = place_at(store.port, &address);
    let objects = in_bucket(&photos);
    assert_eq!(objects.log().unwrap(), None, "only the server knows which log");
    let shared = App::open(config(data.path(), &photos, Some(&url)), std::sync::Arc::new(|| NOW)).unwrap();
    assert_eq!(whose(&shared, &photos).unwrap(), Whose::Ours);
    piece(&objects);
    assert_eq!(tidy::once(&shared, 0).unwrap().swept, 1);
    let named = objects.log().unwrap();
    // Whoever forgets --store takes the place for no log that would have to be made first, nor for an empty one.
    for _ in 0..2 {
        let refused = run(&["take-photos"]);
        let text = &refused.1;
        assert!(!refused.0 && text.contains("--store") && text.contains("BOLEBOOK_DATABASE"), "{text}");
        drop(Place::of(data.path(), None).lay_out().unwrap());
    }
    assert_eq!(objects.log().unwrap(), named);
    let taken = run(&["take-photos", "--store", &url]);
    assert!(taken.0 && taken.1.contains(&named.unwrap().log), "{}", taken.1);
    assert_eq!(whose(&shared, &photos).unwrap(), Whose::Ours);
}
