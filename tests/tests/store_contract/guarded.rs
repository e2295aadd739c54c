//! What a book's row guards alone: nothing else watches such a transaction, so everything hangs on the row
//! being taken first. The repetitions are counted: without the row, positions would be kept apart by the
//! key of the lines, and each clash would be a transaction undone.

use std::sync::Barrier;
use std::sync::atomic::{AtomicUsize, Ordering};

use bolebook_core::exchange::LogLine;
use bolebook_core::gate::Refusal;
use bolebook_core::ids::{ActorId, BookId, Sha256Hash};
use bolebook_core::quantity::UtcMs;
use bolebook_core::record::people::Role;
use bolebook_core::record::work::Photo;
use bolebook_core::signing::SecretKey;
use bolebook_db::{Connection, Trouble};
use bolebook_log::{Appended, LogError, Page, append, take};
use bolebook_server::Config;
use bolebook_server::database::Place;

use crate::contract::{commit, lines, put, whole};
use crate::support::{Client, Server, fresh as number, job, job_content, yard};
use crate::{Fresh, quick};

const AT_ONCE: usize = 4;
const ROUNDS: usize = 25;

/// Appends under the book's row alone; counts how often it was undone.
pub fn put_guarded(db: &Connection, lines: &[LogLine], undone: &AtomicUsize) -> Result<Appended, LogError> {
    loop {
        let once = || {
            let tx = db.guarded()?;
            assert!(take(&tx, &[yard()])?, "it was opened before");
            let done = append(&tx, yard(), lines)?;
            tx.commit()?;
            Ok::<_, LogError>(done)
        };
        match once() {
            Err(error) if error.trouble() == Some(Trouble::Again) => {
                undone.fetch_add(1, Ordering::Relaxed);
            }
            done => return done,
        }
    }
}

/// Several connections at the same moment, round after round: commits of their own, one that all of them
/// have, and two that claim the same place in one actor's chain.
pub fn what_a_row_guards_is_one_sequence_and_nothing_is_done_twice(fresh: Fresh<'_>) {
    let place = fresh();
    let db = place.lay_out().unwrap();
    put(&db, yard(), &lines(2, "note")).unwrap();
    let before = bolebook_log::book(&db, yard()).unwrap().unwrap().end.position as usize;
    let (key, shared) = (SecretKey::from_seed([9; 32]), SecretKey::from_seed([8; 32]));
    let forked = ActorId::new(key.device(), [1; 16]);
    let undone = AtomicUsize::new(0);
    let mut expected = before;
    for round in 0..ROUNDS {
        let common = commit(&db, &shared, ActorId::new(shared.device(), number()), &[format!("all {round}")]);
        let claims = ["one", "other"].map(|text| commit(&db, &key, forked, &[format!("{text} {round}")]));
        let own: Vec<Vec<LogLine>> = (0..AT_ONCE)
            .map(|who| commit(&db, &key, ActorId::new(key.device(), number()), &[format!("{who} {round}")]))
            .collect();
        let start = Barrier::new(AT_ONCE);
        let came: Vec<[Result<Appended, LogError>; 3]> = std::thread::scope(|scope| {
            let at_work = own.iter().enumerate().map(|(who, own)| {
                let (place, start, undone): (&Place, _, _) = (&place, &start, &undone);
                let (common, claim) = (&common, &claims[who % 2]);
                scope.spawn(move || {
                    let db = place.connect().unwrap();
                    start.wait();
                    [own, common, claim].map(|lines| put_guarded(&db, lines, undone))
                })
            });
            let at_work: Vec<_> = at_work.collect();
            at_work.into_iter().map(|thread| thread.join().unwrap()).collect()
        });
        let new = |which: usize| came.iter().flat_map(move |c| c[which].as_ref()).map(|a| a.new.len()).sum();
        let counts: [usize; 3] = [new(0), new(1), new(2)];
        assert_eq!(counts, [2 * AT_ONCE, 2, 2], "round {round}: each once, of the two claims one");
        expected += 2 * AT_ONCE + 4;
        let refused = came.iter().filter(|c| {
            matches!(&c[2], Err(LogError::Refused { refusal, .. }) if matches!(**refusal, Refusal::Fork { .. }))
        });
        assert_eq!(refused.count(), AT_ONCE / 2, "round {round}: whoever had the other claim");
    }
    assert_eq!(bolebook_log::book(&db, yard()).unwrap().unwrap().end.position as usize, expected);
    whole(&db);
    assert_eq!(undone.into_inner(), 0, "the row keeps others away: nothing is undone");
}

pub fn a_book_that_is_not_there_is_guarded_by_nothing(fresh: Fresh<'_>) {
    let db = fresh().lay_out().unwrap();
    put(&db, yard(), &lines(1, "note")).unwrap();
    let tx = db.guarded().unwrap();
    assert!(take(&tx, &[yard()]).unwrap());
    assert!(!take(&tx, &[yard(), job(1)]).unwrap());
    tx.rollback().unwrap();
    assert!(bolebook_log::book(&db, yard()).unwrap().is_some());
}

fn told(db: &Connection, book: BookId, photo: Sha256Hash) -> usize {
    let text = photo.to_string();
    let all = bolebook_log::read(db, book, 0, Page::ALL).unwrap();
    all.iter().filter(|l| l.text.contains(r#""kind":"photo_received""#) && l.text.contains(&text)).count()
}

/// The record comes at one server while the photo comes at another. Neither transaction watches the other.
#[test]
fn a_photo_and_its_record_that_come_at_the_same_moment_meet_and_the_book_is_told_once() {
    let cluster = quick();
    let data = tempfile::tempdir().unwrap();
    Server::init(data.path());
    let store = cluster.database();
    let config = || Config { store: Some(store.clone()), ..Config::new(data.path().into()) };
    let (one, other) = (Server::start_with(config()), Server::start_with(config()));
    let mut office = Client::certified(&one.url, 1, Role::Office);
    office.open_yard();
    office.open(job(1), job_content(yard()));
    office.exchange(&[yard(), job(1)]).unwrap();
    let mut sender = Client::certified(&other.url, 2, Role::Office);
    sender.exchange(&[yard(), job(1)]).unwrap();
    let mut photos = vec![];
    for round in 0..20u8 {
        let bytes = [&[0xff, 0xd8, 0xff, 0xe0], [round; 60].as_slice()].concat();
        let sha256 = Sha256Hash::of(&bytes);
        let (media_type, taken_at) = ("image/jpeg".into(), UtcMs(5));
        let photo = Photo { sha256, bytes: 64, media_type, about: None, taken_at, caption: None };
        office.write(job(1), vec![photo.into()]);
        let start = Barrier::new(2);
        std::thread::scope(|scope| {
            scope.spawn(|| {
                start.wait();
                office.exchange(&[yard(), job(1)]).unwrap();
            });
            start.wait();
            let put = sender.send("PUT", &format!("/v1/photos/{sha256}"), &[], &bytes).unwrap();
            assert_eq!(put.status, 201);
        });
        photos.push(sha256);
    }
    let db = Connection::postgres(&store).unwrap();
    let told: Vec<usize> = photos.iter().map(|photo| told(&db, job(1), *photo)).collect();
    assert_eq!(told, [1; 20]);
}
