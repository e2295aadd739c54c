//! A disk that forgets what was not synced, below a device's store and below the real server's: the
//! power is cut at every sync, and everything acknowledged is there afterwards, whatever became of
//! the rest. `crash_store.rs` cuts a disk that keeps writes in order; this one does not.

mod support;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use bolebook_core::exchange::{Cursor, LogLine};
use bolebook_core::ids::BookId;
use bolebook_db::Connection;
use bolebook_log::{Page, append, books, read, verify};
use bolebook_lossy::{Disk, Event, Fate, mark, record, recorded};
use bolebook_tests::sim::dice::Dice;
use support::scene::Scene;
use support::{Client, Server, yard};

/// Where every book stood when something was acknowledged.
type Stand = BTreeMap<BookId, Cursor>;

fn stand(db: &Connection) -> Stand {
    books(db).unwrap().into_iter().map(|info| (info.book, info.end)).collect()
}

/// What the cuts did.
#[derive(Debug, Default)]
struct Cuts {
    places: usize,
    disks: usize,
    /// Where something that was acknowledged is not there.
    losses: usize,
}

/// Whether a store opens whole and has all that was acknowledged.
fn holds(file: &Path, acknowledged: &Stand) -> bool {
    let Ok(db) = bolebook_log::open(file) else { return false };
    let sound: String = db.query_row("PRAGMA quick_check", [], |row| row.get(0)).unwrap_or_default();
    if sound != "ok" {
        return false;
    }
    acknowledged.iter().all(|(book, end)| {
        let lines = read(&db, *book, 0, Page::ALL).unwrap_or_default();
        let there = lines.iter().find(|line| line.position == end.position);
        verify(&db, *book).is_ok() && there.is_some_and(|line| line.chain == end.chain)
    })
}

/// Cuts the power just before each sync and at each mark, and looks at what four disks may have then.
fn cut(events: &[Event], marks: &[Stand], seed: u64) -> Cuts {
    let (mut disk, mut cuts, mut dice) = (Disk::default(), Cuts::default(), Dice::new(seed));
    let mut acknowledged = Stand::new();
    for event in events {
        if let Event::Mark(number) = event {
            acknowledged.clone_from(&marks[*number]);
        }
        if matches!(event, Event::Mark(_) | Event::Sync(_)) && !acknowledged.is_empty() {
            cuts.places += 1;
            for kind in 0..4 {
                let mut left = disk.waiting();
                let files = disk.after_power_cut(|| {
                    left -= 1;
                    match kind {
                        // Nothing that was not synced; all but the first; any part; the last one torn.
                        0 => Fate::Dropped,
                        1 if left + 1 == disk.waiting() => Fate::Dropped,
                        2 if dice.chance(500) => Fate::Dropped,
                        2 if dice.chance(300) => Fate::Torn(dice.below(1_000) as u64),
                        3 if left == 0 => Fate::Torn(dice.below(1_000) as u64),
                        _ => Fate::Kept,
                    }
                });
                cuts.disks += 1;
                let (store, _folder) = put(&files);
                cuts.losses += usize::from(!holds(&store, &acknowledged));
            }
        }
        disk.play(event);
    }
    cuts
}

fn put(files: &BTreeMap<PathBuf, Vec<u8>>) -> (PathBuf, tempfile::TempDir) {
    let folder = tempfile::tempdir().unwrap();
    let mut store = folder.path().join("store.sqlite");
    for (path, bytes) in files {
        let name = path.file_name().unwrap();
        std::fs::write(folder.path().join(name), bytes).unwrap();
        if name.to_string_lossy().ends_with(".sqlite") {
            store = folder.path().join(name);
        }
    }
    (store, folder)
}

/// A device takes in a day's lines batch by batch; its log is copied into the database now and then.
fn device(lines: &[(BookId, Vec<LogLine>)], pragma: &str) -> Cuts {
    let folder = tempfile::tempdir().unwrap();
    record(folder.path());
    let mut db = bolebook_log::open(&folder.path().join("store.sqlite")).unwrap();
    db.execute_batch(pragma).unwrap();
    let mut marks = vec![];
    for (book, lines) in lines {
        for part in lines.chunks(5) {
            let tx = db.transaction().unwrap();
            append(&tx, *book, part).unwrap();
            tx.commit().unwrap();
            mark(marks.len());
            marks.push(stand(&db));
        }
    }
    drop(db);
    cut(&recorded(), &marks, 7)
}

fn day(client: &Client, of: &[BookId]) -> Vec<(BookId, Vec<LogLine>)> {
    let lines = |book| read(&client.db, book, 0, Page::ALL).unwrap();
    let parsed = |book| lines(book).iter().map(|l| LogLine::parse_stored(&l.text).unwrap()).collect();
    of.iter().map(|book| (*book, parsed(*book))).collect()
}

/// One test, for the file layer is the whole process's.
#[test]
#[allow(clippy::print_stdout, reason = "the counts are for whoever runs it")]
fn i6_a_disk_that_forgets_what_was_not_synced_loses_nothing_that_was_acknowledged() {
    let mut scene = Scene::new();
    let (job, all) = (scene.job, scene.books());
    for n in 0..6 {
        scene.office.note(job, &format!("note {n}"));
    }
    let lines = day(&scene.office, &all);
    let cuts = device(&lines, "PRAGMA wal_autocheckpoint = 12");
    println!("device: {cuts:?}");
    assert!(cuts.places > 12 && cuts.losses == 0, "{cuts:?}");

    // The same store without syncs: this disk must show the loss, or it shows nothing.
    let careless = device(&lines, "PRAGMA wal_autocheckpoint = 12; PRAGMA synchronous = OFF");
    println!("without syncs: {careless:?}");
    assert!(careless.losses > careless.disks / 4, "{careless:?}");

    // The real server: every exchange that it answered 200 to.
    scene.office.exchange(&all).unwrap();
    let data = tempfile::tempdir().unwrap();
    Server::init(data.path());
    record(data.path());
    let server = Server::start(data.path());
    let other = bolebook_log::open(&data.path().join("bolebook.sqlite")).unwrap();
    scene.office.url.clone_from(&server.url);
    scene.office.sign_in().unwrap();
    let mut marks = vec![];
    for n in 0..5 {
        scene.office.note(job, &format!("evening {n}"));
        scene.office.exchange(&[yard(), job]).unwrap();
        mark(marks.len());
        marks.push(stand(&other));
    }
    drop((server, other));
    let cuts = cut(&recorded(), &marks, 8);
    println!("server: {cuts:?}");
    assert!(cuts.places > 8 && cuts.losses == 0, "{cuts:?}");
}
