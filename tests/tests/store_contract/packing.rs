//! Packing a store's lines where they lie, and the way back, while servers append and after every kill.

use std::process::{Command, Stdio};
use std::sync::atomic::AtomicUsize;

use bolebook_core::exchange::LogLine;
use bolebook_core::ids::ActorId;
use bolebook_core::signing::SecretKey;
use bolebook_db::{Connection, Transaction, TransactionBehavior};
use bolebook_log::{Form, LogError, Page, repack, verify};
use bolebook_server::database::Place;
use bolebook_server::packing::{PackError, pack};

use crate::contract::{commit, many, put};
use crate::guarded::put_guarded;
use crate::process::{binary, soon};
use crate::quick;
use crate::support::{fresh as number, yard};

/// How many lines are packed, and how many are not.
fn forms(db: &Connection) -> (i64, i64) {
    let count = if db.is_shared() {
        "SELECT count(packed), count(*) - count(packed) FROM lines"
    } else {
        "SELECT count(CASE WHEN typeof(line) = 'blob' THEN 1 END),
                count(CASE WHEN typeof(line) = 'text' THEN 1 END) FROM lines"
    };
    db.query_row(count, [], |row| Ok((row.get(0)?, row.get(1)?))).unwrap()
}

fn layout(db: &Connection) -> i64 {
    let number =
        if db.is_shared() { "SELECT version FROM log_layout WHERE id = 1" } else { "PRAGMA user_version" };
    db.query_row(number, [], |row| row.get(0)).unwrap()
}

fn texts(db: &Connection) -> Vec<String> {
    bolebook_log::read(db, yard(), 0, Page::ALL).unwrap().into_iter().map(|line| line.text).collect()
}

/// A place as an older program left it: of layout 2, and in a shared database without the column that
/// packed lines have.
pub fn older(place: &Place, all: &[LogLine]) -> Connection {
    let db = place.lay_out().unwrap();
    repack::all(&db, Form::Text).unwrap();
    put(&db, yard(), all).unwrap();
    if db.is_shared() {
        let back = "ALTER TABLE lines DROP COLUMN packed; ALTER TABLE lines ALTER COLUMN line SET NOT NULL;
            DELETE FROM log_layout WHERE id = 2";
        db.execute_batch(back).unwrap();
    }
    db
}

/// Lines of a book, one of them in pieces where rows are short, and one that packing keeps in pieces.
fn with_long_ones(db: &Connection) -> Vec<LogLine> {
    let mut all = many(600).to_vec();
    put(db, yard(), &all).unwrap();
    let key = SecretKey::from_seed([3; 32]);
    let smooth: Vec<String> = (0..200)
        .map(|n| (0..280).map(|ring| format!("{n}: Jahresring é 枝 {} ", ring * ring % (97 + n))).collect())
        .collect();
    let rough: Vec<String> = (0..100u64)
        .map(|n| {
            let mut state = n + 1;
            let mut digit = || {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                char::from(33 + (state >> 33) as u8 % 90)
            };
            (0..10_000).map(|_| digit()).collect()
        })
        .collect();
    for texts in [smooth, rough] {
        let long = commit(db, &key, ActorId::new(key.device(), number()), &texts);
        assert!(long[0].text().len() > 900_000);
        put(db, yard(), &long).unwrap();
        all.extend(long);
    }
    all
}

fn there_and_back(place: &Place) {
    let source = bolebook_log::open_in_memory().unwrap();
    let all = with_long_ones(&source);
    drop(older(place, &all));
    let before: Vec<&str> = all.iter().map(LogLine::text).collect();
    // A server of this version on what an older one left: nothing changes, and both may go on with it.
    let db = place.lay_out().unwrap();
    assert_eq!((layout(&db), forms(&db), texts(&db) == before), (2, (0, all.len() as i64), true));

    for to in [Form::Packed, Form::Text] {
        let mut cuts = 0;
        let done = loop {
            match pack(place, to, Some(cuts)) {
                Ok(done) => break done,
                Err(PackError::Cut) => cuts += 1,
                Err(error) => panic!("{error}"),
            }
            // At every cut everything is there, in whatever form, and no older program starts.
            assert!(texts(&db) == before, "{to:?} after {cuts}");
            assert_eq!(layout(&db) != 2, cuts > 1 || to == Form::Text, "{to:?} after {cuts}");
            assert!(cuts < 40, "it comes to an end");
        };
        assert!(cuts >= 4, "{cuts}: in several transactions");
        assert_eq!((done.run.books, done.run.lines.lines, done.run.lines.damaged), (1, all.len() as u64, 0));
        verify(&db, yard()).unwrap();
        let (packed, text) = forms(&db);
        match to {
            // What would not fit into a row stays in its pieces.
            Form::Packed => assert_eq!((layout(&db), text), (3, i64::from(db.is_shared()))),
            Form::Text => assert_eq!((layout(&db), packed), (2, 0)),
        }
        if let Some([from, to]) = done.file_bytes {
            assert!(from > 0 && to > 0, "{from} {to}");
        }
    }
    let rest = "SELECT count(*) FROM line_rest";
    if db.is_shared() {
        assert!(db.query_row(rest, [], |row| row.get::<_, i64>(0)).unwrap() >= 4, "in pieces again");
    }
    // Twice comes to the same; and what comes afterwards has the new form.
    pack(place, Form::Packed, None).unwrap();
    assert_eq!(pack(place, Form::Packed, None).unwrap().run.lines.changed, 0);
    let (packed, text) = forms(&db);
    let key = SecretKey::from_seed([4; 32]);
    put(&db, yard(), &commit(&db, &key, ActorId::new(key.device(), number()), &["after it".into()])).unwrap();
    assert_eq!(forms(&db), (packed + 2, text));
}

#[test]
fn a_store_is_packed_and_made_text_again_and_a_run_that_was_cut_off_goes_on() {
    let folder = tempfile::tempdir().unwrap();
    there_and_back(&Place::of(folder.path(), None));
    let cluster = quick();
    there_and_back(&Place::Shared(cluster.database()));
}

/// Servers append to books that are there and make new ones, all through packing and back.
fn under_load(place: &Place) {
    const EACH: usize = 12;
    let db = place.lay_out().unwrap();
    repack::all(&db, Form::Text).unwrap();
    let begun = many(300);
    put(&db, yard(), begun).unwrap();
    std::thread::scope(|scope| {
        let writers: Vec<_> = (1..4)
            .map(|seed| {
                scope.spawn(move || {
                    let db = place.connect().unwrap();
                    let key = SecretKey::from_seed([seed; 32]);
                    for note in 0..EACH {
                        let actor = ActorId::new(key.device(), number());
                        let fresh = commit(&db, &key, actor, &[format!("{seed} {note}")]);
                        // By the order of everything and by the book's row alone, as servers do either.
                        if note % 2 == 0 {
                            put(&db, yard(), &fresh).unwrap();
                        } else {
                            put_guarded(&db, &fresh, &AtomicUsize::new(0)).unwrap();
                        }
                    }
                })
            })
            .collect();
        let mut to = Form::Packed;
        // At least there, back and there again, and on until all have written.
        let mut rounds = 0;
        while rounds < 3 || writers.iter().any(|writer| !writer.is_finished()) {
            pack(place, to, None).unwrap();
            to = if to == Form::Packed { Form::Text } else { Form::Packed };
            rounds += 1;
        }
    });
    let done = pack(place, Form::Text, None).unwrap();
    assert_eq!(done.run.lines.lines as usize, begun.len() + 3 * EACH * 2);
    assert_eq!((layout(&db), forms(&db).0), (2, 0), "an older program finds nothing that it cannot read");
    verify(&db, yard()).unwrap();
}

#[test]
fn servers_append_while_their_store_is_packed_and_made_text_again() {
    let folder = tempfile::tempdir().unwrap();
    under_load(&Place::of(folder.path(), None));
    let cluster = quick();
    under_load(&Place::Shared(cluster.database()));
}

/// Two runs that go opposite ways, step by step: the one that began first notices, and changes nothing more.
fn one_turns_the_other_round(place: &Place) {
    let (one, other) = (place.lay_out().unwrap(), place.connect().unwrap());
    repack::all(&one, Form::Text).unwrap();
    let all = many(600);
    put(&one, yard(), all).unwrap();
    for (first, then) in [(Form::Packed, Form::Text), (Form::Text, Form::Packed)] {
        repack::all(&one, then).unwrap();
        step(&one, |tx| repack::begin(tx, first));
        let some = |db: &Connection, after, to| {
            step(db, |tx| repack::some(tx, yard(), after, to, &mut repack::Repacked::default()))
        };
        let at = some(&one, 0, first).unwrap();
        let changed = forms(&one);
        step(&other, |tx| repack::begin(tx, then));
        for refused in [
            one_step(&one, |tx| repack::some(tx, yard(), at, first, &mut repack::Repacked::default()))
                .map(|_| ()),
            one_step(&one, |tx| repack::finish(tx, first)).map(|_| ()),
        ] {
            assert!(matches!(refused, Err(LogError::Turned { .. })), "{refused:?}");
        }
        assert_eq!(forms(&one), changed, "nothing more");
        let done = repack::all(&other, then).unwrap();
        assert_eq!((done.lines, done.damaged), (all.len() as u64, 0));
        let (packed, text) = forms(&one);
        match then {
            Form::Text => assert_eq!((layout(&one), packed), (2, 0)),
            Form::Packed => assert_eq!((layout(&one), text), (3, 0)),
        }
        // The first goes on where it was, in vain: also when the other has ended.
        let late = one_step(&one, |tx| repack::finish(tx, first));
        assert!(matches!(late, Err(LogError::Turned { .. })), "{late:?}");
        let late = pack_from(&one, first);
        assert!(matches!(late, Err(LogError::Turned { .. })), "{late:?}");
        verify(&one, yard()).unwrap();
    }
    // Two that go the same way do not mind each other.
    step(&one, |tx| repack::begin(tx, Form::Text));
    repack::all(&other, Form::Text).unwrap();
    pack_from(&one, Form::Text).unwrap();
    step(&one, |tx| repack::finish(tx, Form::Text));
    assert_eq!((layout(&one), forms(&one)), (2, (0, all.len() as i64)));
    // What came meanwhile is said as such, and not as damage.
    let left = repack::still_packed(yard(), 7, &repack::Repacked::default());
    assert!(matches!(left, LogError::StillPacked { position: 7, .. }) && left.to_string().contains("again"));
}

fn one_step<T>(
    db: &Connection,
    work: impl Fn(&Transaction<'_>) -> Result<T, LogError>,
) -> Result<T, LogError> {
    let tx = db.begin(TransactionBehavior::Immediate)?;
    let done = work(&tx)?;
    tx.commit()?;
    Ok(done)
}

fn step<T>(db: &Connection, work: impl Fn(&Transaction<'_>) -> Result<T, LogError>) -> T {
    one_step(db, work).unwrap()
}

/// The steps between the first and the last.
fn pack_from(db: &Connection, to: Form) -> Result<(), LogError> {
    let mut after = Some(0);
    while let Some(at) = after {
        after = one_step(db, |tx| repack::some(tx, yard(), at, to, &mut repack::Repacked::default()))?;
    }
    Ok(())
}

/// Both commands at once, again and again: whichever ends, no packed line lies in a log that says it has none.
fn to_and_fro(place: &Place) {
    let db = place.lay_out().unwrap();
    put(&db, yard(), many(600)).unwrap();
    let run = |to| {
        move || match pack(place, to, None) {
            Ok(_) => 0,
            Err(PackError::Log { source: LogError::Turned { .. }, .. }) => 1,
            Err(error) => panic!("{error}"),
        }
    };
    let mut turned = 0;
    for _ in 0..4 {
        turned += std::thread::scope(|scope| {
            let both = [scope.spawn(run(Form::Packed)), scope.spawn(run(Form::Text))];
            both.into_iter().map(|run| run.join().unwrap()).sum::<i32>()
        });
        assert!(layout(&db) != 2 || forms(&db).0 == 0, "{} {:?}", layout(&db), forms(&db));
        verify(&db, yard()).unwrap();
    }
    assert!(turned <= 4, "{turned}: of two, one comes to its end");
}

#[test]
fn packing_and_its_way_back_at_the_same_time_leave_no_packed_line_behind() {
    let folder = tempfile::tempdir().unwrap();
    for (number, run) in [one_turns_the_other_round as fn(&Place), to_and_fro].into_iter().enumerate() {
        let data = folder.path().join(number.to_string());
        std::fs::create_dir(&data).unwrap();
        run(&Place::of(&data, None));
    }
    let cluster = quick();
    one_turns_the_other_round(&Place::Shared(cluster.database()));
    to_and_fro(&Place::Shared(cluster.database()));
}

/// The shipped command, killed while it packs, and started again.
fn killed(place: &Place, arguments: &[&str]) {
    let all = many(1_500);
    let db = older(place, all);
    let before: Vec<&str> = all.iter().map(LogLine::text).collect();
    drop(db);
    let db = place.lay_out().unwrap();
    let command = || {
        let mut command = Command::new(binary());
        command.arg("pack").args(arguments).stdout(Stdio::piped()).stderr(Stdio::piped());
        command
    };
    let mut child = command().spawn().unwrap();
    soon("the first lines are packed", || forms(&db).0 > 0);
    // SIGKILL; if it was quicker, it is killed in writing the file anew, or has ended.
    child.kill().unwrap();
    child.wait().unwrap();
    assert!(texts(&db) == before, "everything is there");
    verify(&db, yard()).unwrap();
    assert_eq!(layout(&db), 3, "no older program starts on it");
    let run = command().output().unwrap();
    let said = String::from_utf8(run.stdout).unwrap();
    assert!(run.status.success(), "{said} {}", String::from_utf8_lossy(&run.stderr));
    let said: serde_json::Value = serde_json::from_str(&said).unwrap();
    assert_eq!((&said["lines_are"], &said["done"]["lines"]), (&"packed".into(), &all.len().into()));
    assert_eq!(forms(&db), (all.len() as i64, 0));
    assert!(texts(&db) == before);
    verify(&db, yard()).unwrap();
    let undone = command().arg("--undo").status().unwrap();
    assert_eq!((undone.success(), layout(&db), forms(&db).0), (true, 2, 0));
}

#[test]
fn i6_a_pack_that_was_killed_loses_nothing_and_goes_on() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path().to_str().unwrap();
    let place = Place::of(folder.path(), None);
    killed(&place, &["--data", data]);
    // The file is smaller for it, once nobody reads it.
    let Place::File(file) = &place else { panic!("a file") };
    let bytes = || std::fs::metadata(file).unwrap().len();
    bolebook_log::empty_log(&place.connect().unwrap()).unwrap();
    let as_text = bytes();
    let done = pack(&place, Form::Packed, None).unwrap();
    assert_eq!(done.file_bytes, Some([as_text, bytes()]));
    // Of lines as short as these, half signatures; what a day's lines save is in docs/performance.md.
    assert!(bytes() * 5 < as_text * 4, "{as_text} became {}", bytes());
    let cluster = quick();
    let url = cluster.database();
    killed(&Place::Shared(url.clone()), &["--data", data, "--store", &url]);
    // Where there is no log, none is made.
    let nothing = tempfile::tempdir().unwrap();
    let refused = pack(&Place::of(nothing.path(), None), Form::Packed, None).unwrap_err();
    assert!(matches!(refused, PackError::NoLog(_)), "{refused}");
    assert_eq!(std::fs::read_dir(nothing.path()).unwrap().count(), 0);
}
