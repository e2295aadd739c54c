//! The server's own tables' part of the contract: through the same functions as its handlers use.

use bolebook_core::ids::{DeviceId, PersonId, RecordId, Sha256Hash};
use bolebook_core::keeping::Erasure;
use bolebook_core::quantity::UtcMs;
use bolebook_core::record::people::Role;
use bolebook_core::service::RegisterEntry;
use bolebook_db::Connection;
use bolebook_server::database::{Database, Place};
use bolebook_server::desk::accounts;
use bolebook_server::error::ApiError;
use bolebook_server::portal::links;
use bolebook_server::uploads::table::{self as uploads, Upload};
use bolebook_server::{store, token_keys};

use crate::Fresh;
use crate::support::{fresh as number, invitation, job};

fn database(place: &Place) -> Database {
    Database::new(place.clone(), place.lay_out().unwrap())
}

fn entry(id: u8, name: &str, at: i64) -> RegisterEntry {
    let fields = serde_json::json!({ "name": name }).as_object().unwrap().clone();
    let id = RecordId::new(1, [id; 10]);
    let kind = "client".into();
    RegisterEntry { id, kind, fields, updated_at: UtcMs(at), hold: None, erased: None, signed: None }
}

fn photo() -> Sha256Hash {
    Sha256Hash([7; 32])
}

pub fn the_register_keeps_the_newest_and_what_is_erased_stays_so(fresh: Fresh<'_>) {
    let db = database(&fresh());
    let put = |e: &RegisterEntry| db.write(|tx| store::put_register(tx, std::slice::from_ref(e))).unwrap();
    assert!(!put(&entry(2, "Invented Client", 5)) && !put(&entry(1, "Second \u{e9} Client", 5)));
    put(&entry(2, "older", 4));
    put(&entry(2, "newer", 6));
    let names = || -> Vec<Option<String>> {
        let all = db.read(store::register).unwrap();
        all.iter().map(|e| e.text("name")).collect()
    };
    assert_eq!(names(), [Some("Second \u{e9} Client".into()), Some("newer".into())], "ascending by id");
    let erased: Erasure = serde_json::from_value(serde_json::json!({
        "at": 9, "device": DeviceId([1; 16]), "reason": "asked for", "photo": photo(),
        "signature": "00".repeat(64),
    }))
    .unwrap();
    let gone = RegisterEntry { fields: serde_json::Map::new(), erased: Some(erased), ..entry(2, "", 3) };
    assert!(put(&gone), "it was erased");
    put(&entry(2, "back again", 99));
    assert_eq!(names()[1], None);
    assert_eq!(db.read(store::erased_photos).unwrap(), [photo()]);
    assert_eq!(db.read(|db| store::photo_erased(db, photo())).unwrap(), Some(UtcMs(9)));
    assert!(db.wipe().unwrap(), "nobody reads");
    assert_eq!(names().len(), 2);
}

/// What each of several at once gets, every one with connections of its own.
fn at_once<T: Send>(place: &Place, work: impl Fn(&Database, u8) -> T + Sync) -> Vec<T> {
    std::thread::scope(|scope| {
        let threads: Vec<_> = (0..4u8)
            .map(|who| {
                let work = &work;
                scope.spawn(move || {
                    let db = Database::new(place.clone(), place.connect().unwrap());
                    work(&db, who)
                })
            })
            .collect();
        threads.into_iter().map(|t| t.join().unwrap()).collect()
    })
}

pub fn a_code_an_assertion_and_a_step_count_once_whoever_asks_at_the_same_time(fresh: Fresh<'_>) {
    let place = fresh();
    let db = database(&place);
    let code = invitation(Role::Crew, "20000000000000000002");
    db.write(|tx| store::add_invitation(tx, &code)).unwrap();
    db.write(|tx| store::add_invitation(tx, &code)).unwrap();
    let key = &code.code_key.key;
    let used = at_once(&place, |db, who| {
        db.write_idempotent(|tx| {
            let stored = store::invitation(tx, key)?.unwrap();
            if stored.used_by.is_none() {
                store::use_invitation(tx, key, DeviceId([who; 16]), UtcMs(5))?;
            }
            Ok(stored.used_by.is_none())
        })
        .unwrap()
    });
    assert_eq!(used.iter().filter(|once| **once).count(), 1, "{used:?}");

    let took = at_once(&place, |db, _| db.write(|tx| store::take_assertion(tx, "device id", 90, 5)).unwrap());
    assert_eq!(took.iter().filter(|once| **once).count(), 1, "{took:?}");
    assert!(db.write(|tx| store::take_assertion(tx, "device id", 200, 91)).unwrap(), "it is over");

    let person = PersonId::new(1, [1; 10]);
    db.write(|tx| accounts::add(tx, "olive", person, "four words in a row", UtcMs(0))).unwrap();
    let user = db.read(|db| accounts::user(db, "olive")).unwrap().unwrap();
    let steps = at_once(&place, |db, _| db.write(|tx| accounts::use_step(tx, &user, 77)).unwrap());
    assert_eq!(steps.iter().filter(|once| **once).count(), 1, "{steps:?}");
}

pub fn sessions_and_accounts_end_together(fresh: Fresh<'_>) {
    let db = database(&fresh());
    let person = PersonId::new(1, [1; 10]);
    let add = |name: &str| db.write(|tx| accounts::add(tx, name, person, "four words in a row", UtcMs(0)));
    assert!(add("olive").unwrap() && !add("olive").unwrap() && add("Ash").unwrap());
    let (one, two) = ([1; 32], [2; 32]);
    for id in [&one, &two] {
        db.write(|tx| accounts::begin(tx, "olive", id, UtcMs(10))).unwrap();
    }
    let session = |id: &[u8; 32]| db.read(|db| accounts::session(db, id, UtcMs(20))).unwrap();
    assert_eq!(session(&one).unwrap().0.name, "olive");
    db.write(|tx| accounts::end_others(tx, "olive", &one)).unwrap();
    assert!(session(&one).is_some() && session(&two).is_none());
    // Names sort by their bytes on both engines.
    let names: Vec<String> = db.read(accounts::users).unwrap().into_iter().map(|u| u.name).collect();
    assert_eq!(names, ["Ash", "olive"]);
    db.write(|tx| accounts::remove_of(tx, person)).unwrap();
    assert!(session(&one).is_none() && db.read(accounts::users).unwrap().is_empty());
}

pub fn token_keys_follow_one_another(fresh: Fresh<'_>) {
    let place = fresh();
    let db = database(&place);
    let now = UtcMs(1_000);
    // Several servers that start at once agree on one key.
    let first = at_once(&place, |db, _| {
        db.write(|tx| token_keys::renew(tx, (number(), number()), now, false)).unwrap()
    });
    assert!(first.iter().all(|kid| *kid == first[0]), "{first:?}");
    let second = db.write(|tx| token_keys::renew(tx, (number(), number()), now, true)).unwrap();
    assert_eq!(db.read(token_keys::newest).unwrap().unwrap().kid, second);
    assert!(db.read(|db| token_keys::named(db, &first[0], now)).unwrap().is_none(), "thrown out");
}

pub fn the_turn_at_an_upload_is_one_processs(fresh: Fresh<'_>) {
    let db = database(&fresh());
    let upload = Upload {
        id: "0a".into(),
        device: DeviceId([1; 16]),
        sha256: photo(),
        length: 9,
        offset: 0,
        metadata: "sha256 x".into(),
        expires_at: UtcMs(50),
        done: false,
    };
    db.write(|tx| uploads::add(tx, &upload)).unwrap();
    assert_eq!(db.read(|db| uploads::get(db, "0a")).unwrap(), Some(upload.clone()));
    assert_eq!(db.read(|db| uploads::load(db, upload.device)).unwrap(), (1, 9));
    let has = |process: &str| db.read(|db| uploads::has_turn(db, "0a", process)).unwrap();
    for process in ["a", "b"] {
        db.write(|tx| uploads::take_turn(tx, "0a", process)).unwrap();
    }
    assert!(!has("a") && has("b"));
    db.write(|tx| uploads::moved(tx, "0a", 9, UtcMs(60))).unwrap();
    db.write(|tx| uploads::done(tx, "0a")).unwrap();
    let under_way = db.read(|db| uploads::under_way(db, upload.device, photo(), 9)).unwrap();
    assert_eq!((under_way, db.read(|db| uploads::load(db, upload.device)).unwrap()), (None, (0, 0)));
    assert_eq!(db.write(|tx| uploads::expire(tx, UtcMs(60))).unwrap(), ["0a"]);
    assert!(!has("b"));
}

pub fn links_are_numbered_and_withdrawn_once(fresh: Fresh<'_>) {
    let place = fresh();
    let db = database(&place);
    let add = |db: &Connection, secret: u8| -> Result<(), ApiError> {
        let (book, now, expires) = (job(1), UtcMs(1), UtcMs(9));
        let new =
            links::New { token: [secret; 32], book, note: "them", language: "en", by: "me", now, expires };
        links::add(db, &new)
    };
    at_once(&place, |db, who| db.write(|tx| add(tx, who)).unwrap());
    let mut ids: Vec<i64> = db.read(|db| links::of_job(db, job(1))).unwrap().iter().map(|l| l.id).collect();
    assert_eq!(ids, [4, 3, 2, 1], "newest first");
    let id = ids.remove(0);
    let gone = at_once(&place, |db, _| db.write(|tx| links::withdraw(tx, id, job(1), UtcMs(5))).unwrap());
    assert_eq!(gone.iter().filter(|once| **once).count(), 1);
    assert_eq!(db.read(|db| links::find(db, &[2; 32])).unwrap().unwrap().note, "them");
}
