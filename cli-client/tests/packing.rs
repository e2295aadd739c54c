//! A store that is there is packed, and made text again for an older program: beside other commands, after
//! a kill, and when somebody runs both at once. What an older program finds is the layout's number, which
//! is all it looks at; what its store looks like is in `sync-server/log/tests/packed.rs`.

mod common;

use std::path::PathBuf;
use std::time::Duration;

use bolebook_core::commit::{Commit, Draft};
use bolebook_core::exchange::LogLine;
use bolebook_core::ids::{ActorId, BookId, RecordId};
use bolebook_core::quantity::UtcMs;
use bolebook_core::record::work::Note;
use bolebook_core::record::{Envelope, Record};
use bolebook_core::signing::SecretKey;
use bolebook_db::{Connection, TransactionBehavior};
use bolebook_log::{Form, Page, append, basis, repack};
use common::server::{join, with_server};
use common::{Device, found, limited};
use tempfile::TempDir;

fn file(device: &Device) -> PathBuf {
    device.path("store/bolebook.db")
}

fn open(device: &Device) -> Connection {
    bolebook_log::open(&file(device)).unwrap()
}

/// What an older program looks at: it opens 2, and refuses 3 and 4.
fn layout(db: &Connection) -> i64 {
    db.query_row("PRAGMA user_version", [], |row| row.get(0)).unwrap()
}

/// How many lines are packed, and how many are text.
fn forms(db: &Connection) -> (u64, u64) {
    let count = "SELECT count(CASE WHEN typeof(line) = 'blob' THEN 1 END),
        count(CASE WHEN typeof(line) = 'text' THEN 1 END) FROM lines";
    let (packed, text): (i64, i64) = db.query_row(count, [], |row| Ok((row.get(0)?, row.get(1)?))).unwrap();
    (packed as u64, text as u64)
}

fn texts(db: &Connection) -> Vec<String> {
    let books = bolebook_log::books(db).unwrap();
    let lines = books.iter().flat_map(|info| bolebook_log::read(db, info.book, 0, Page::ALL).unwrap());
    lines.map(|line| line.text).collect()
}

/// A store as an older program left it, with so many more lines in its yard's book.
fn older(device: &Device, more: usize) -> Connection {
    let db = open(device);
    repack::all(&db, Form::Text).unwrap();
    let yard = bolebook_log::books(&db).unwrap()[0].book;
    let tx = db.begin(TransactionBehavior::Immediate).unwrap();
    for n in 0..more {
        append(&tx, yard, &[note(&tx, yard, n)]).unwrap();
    }
    tx.commit().unwrap();
    assert_eq!((layout(&db), forms(&db).0), (2, 0));
    db
}

/// Somebody's note; whose does not matter to how it lies.
fn note(db: &Connection, book: BookId, n: usize) -> LogLine {
    let key = SecretKey::from_seed([7; 32]);
    let number = 1_000 + n as u64;
    let mut tail = [0; 10];
    tail[2..].copy_from_slice(&number.to_be_bytes());
    let id = RecordId::new(5, tail);
    let envelope = Envelope { id, at: UtcMs(5), device: key.device(), by: None, replaces: vec![] };
    let body = Note { about: None, text: format!("note {n} of many") }.into();
    let records = vec![Record { envelope, body }.to_canonical().unwrap()];
    let actor = ActorId::new(key.device(), [2; 16]);
    let b = basis(db, book, actor).unwrap();
    let (seq, start_op) = (b.seq, b.start_op);
    Commit::author(Draft { actor, seq, start_op, time: UtcMs(5), deps: b.deps, records }).unwrap().into()
}

#[test]
fn a_store_is_packed_where_it_lies_and_made_text_again() {
    let base = TempDir::new().unwrap();
    let office = Device::new(&base, "office");
    found(&office);
    drop(older(&office, 400));
    let db = open(&office);
    let before = texts(&db);
    bolebook_log::empty_log(&db).unwrap();
    let as_text = std::fs::metadata(file(&office)).unwrap().len();
    let done = office.json(&["pack"]);
    let count = before.len() as u64;
    assert_eq!((&done["lines_are"], &done["lines"]), (&"packed".into(), &count.into()), "{done}");
    assert_eq!((layout(&db), forms(&db)), (3, (count, 0)));
    assert!(texts(&db) == before);
    office.json(&["verify"]);
    // Half of such short lines is ids and hashes; what a day's lines save is in docs/performance.md.
    let sizes = &done["file_bytes"];
    assert_eq!(sizes[0], as_text, "{done}");
    assert!(sizes[1].as_u64().unwrap() * 5 < as_text * 4, "{done}");
    // Again: nothing to do. And what is logged after it is packed.
    assert_eq!(office.json(&["pack"])["changed"], 0);
    office.json(&["note", "after it"]);
    assert_eq!((layout(&db), forms(&db).1), (3, 0));
    let undone = office.run(&["pack", "--undo"]).ok();
    assert!(undone.out.contains("lie as text"), "{undone:?}");
    assert_eq!((layout(&db), forms(&db).0), (2, 0));
    // What an older program is given goes on as text.
    office.json(&["note", "as text"]);
    assert_eq!((layout(&db), forms(&db).0), (2, 0));
    office.json(&["verify"]);
    assert_eq!(office.json(&["list", "note"])["records"].as_array().unwrap().len(), 400 + 2);
}

#[test]
fn where_there_is_no_store_none_is_made_to_be_packed() {
    let base = TempDir::new().unwrap();
    let nobody = Device::new(&base, "nobody");
    nobody.refused(6, &["pack"]);
    assert!(!nobody.path("store").exists());
}

#[test]
fn commands_write_into_a_store_while_it_is_packed_and_made_text_again() {
    let base = TempDir::new().unwrap();
    let (office, server) = with_server(&base);
    let phone = join(&base, &office, &server, "phone");
    phone.json(&["exchange"]);
    let db = older(&phone, 700);
    const EACH: usize = 5;
    std::thread::scope(|scope| {
        let writers: Vec<_> = ["one", "other"]
            .map(|who| {
                let phone = &phone;
                scope.spawn(move || {
                    for n in 0..EACH {
                        phone.json(&["note", &format!("{who} {n}")]);
                    }
                })
            })
            .into();
        let mut rounds = 0;
        while rounds < 3 || writers.iter().any(|writer| !writer.is_finished()) {
            phone.json(if rounds % 2 == 0 { &["pack"] } else { &["pack", "--undo"] });
            rounds += 1;
        }
    });
    phone.json(&["pack", "--undo"]);
    assert_eq!((layout(&db), forms(&db).0), (2, 0), "an older program finds nothing that it cannot read");
    phone.json(&["verify"]);
    assert_eq!(phone.json(&["list", "note"])["records"].as_array().unwrap().len(), 700 + 2 * EACH);
    // Both at once: one may be turned round, and then says so; none leaves a packed line in a log of text.
    for _ in 0..3 {
        let both = [phone.command(&["--json", "pack"]), phone.command(&["--json", "pack", "--undo"])];
        let both = both.map(|mut command| {
            command.stdout(std::process::Stdio::piped()).stderr(std::process::Stdio::piped()).spawn().unwrap()
        });
        let mut ended = 0;
        for run in both.map(|run| run.wait_with_output().unwrap()) {
            let said = String::from_utf8(run.stderr).unwrap();
            assert!(run.status.success() || said.contains("turned it round"), "{said}");
            ended += usize::from(run.status.success());
        }
        assert!(ended >= 1, "of two, one comes to its end");
        assert!(layout(&db) != 2 || forms(&db).0 == 0, "{} {:?}", layout(&db), forms(&db));
        phone.json(&["verify"]);
    }
}

#[test]
fn i6_a_device_whose_pack_was_killed_has_lost_nothing_and_goes_on() {
    let base = TempDir::new().unwrap();
    let office = Device::new(&base, "office");
    found(&office);
    let db = older(&office, 2_500);
    let before = texts(&db);
    for (arguments, half) in [(&["pack"][..], 3), (&["pack", "--undo"], 4)] {
        let mut child = office.command(arguments).stdout(std::process::Stdio::null()).spawn().unwrap();
        let begun = |db: &Connection| match half {
            3 => forms(db).0 > 0,
            _ => forms(db).1 > 0,
        };
        let mut patience = 6_000;
        while !begun(&db) {
            patience -= 1;
            assert!(patience > 0, "{arguments:?}: nothing is changed in a minute");
            std::thread::sleep(Duration::from_millis(10));
        }
        // SIGKILL; if it was quicker, it is killed in writing the file anew, or has ended.
        child.kill().unwrap();
        child.wait().unwrap();
        assert!(texts(&db) == before, "everything is there");
        assert!(layout(&db) == half || forms(&db).0 == 0, "no older program opens it half way");
        office.json(&["verify"]);
        let done = office.json(arguments);
        assert_eq!(done["lines"], before.len());
        assert!(texts(&db) == before);
        match half {
            3 => assert_eq!((layout(&db), forms(&db)), (3, (before.len() as u64, 0))),
            _ => assert_eq!((layout(&db), forms(&db)), (2, (0, before.len() as u64))),
        }
    }
}

#[test]
fn a_pack_that_finds_no_room_half_way_does_not_say_that_nothing_was_changed() {
    let base = TempDir::new().unwrap();
    let office = Device::new(&base, "office");
    found(&office);
    let db = older(&office, 600);
    let before = texts(&db);
    bolebook_log::empty_log(&db).unwrap();
    // The first transaction writes one page of 4 KiB into the write-ahead log, a step some hundred.
    let error = limited(&office, 64, &["--json", "pack"]).error();
    let hint = error["hint"].as_str().unwrap();
    assert!(hint.contains("packed as far as it came") && hint.contains("make room"), "{error}");
    assert!(!hint.contains("othing"), "{error}");
    assert_eq!(error["exit"], 6);
    assert_eq!(layout(&db), 3, "it has begun");
    assert!(texts(&db) == before);
    office.json(&["pack"]);
    assert_eq!(forms(&db), (before.len() as u64, 0));
    assert!(texts(&db) == before);
    // No room for the first transaction even: then nothing was changed.
    office.json(&["pack", "--undo"]);
    bolebook_log::empty_log(&db).unwrap();
    let error = limited(&office, 2, &["--json", "pack"]).error();
    assert!(error["hint"].as_str().unwrap().contains("Nothing of it was stored"), "{error}");
    assert_eq!((layout(&db), forms(&db).0), (2, 0));
}

#[test]
fn a_damaged_line_is_named_and_left_as_it_lies_until_it_was_mended() {
    let base = TempDir::new().unwrap();
    let (office, server) = with_server(&base);
    let phone = join(&base, &office, &server, "phone");
    phone.json(&["note", "sent"]);
    phone.json(&["exchange"]);
    let db = older(&phone, 0);
    let damage = "UPDATE lines SET line = replace(line, '\"sent\"', '\"lent\"') WHERE line LIKE '%\"sent\"%'";
    assert_eq!(db.execute(damage, []).unwrap(), 1);
    let error = phone.refused(6, &["pack"]);
    assert!(error["message"].as_str().unwrap().contains("1 of "), "{error}");
    assert!(error["hint"].as_str().unwrap().contains("bolebook exchange --recheck"), "{error}");
    assert_eq!((layout(&db), forms(&db).1), (3, 1), "all the others are packed");
    phone.json(&["exchange", "--recheck"]);
    phone.json(&["pack"]);
    assert_eq!(forms(&db).1, 0);
    phone.json(&["verify"]);
}
