//! Whoever cannot read a packed line, or may only look: an older server that still runs, a line that is
//! damaged, an account that may not write, a server that starts while others read.

use std::process::Command;

use bolebook_core::exchange::LogLine;
use bolebook_core::ids::{ActorId, Sha256Hash};
use bolebook_core::quantity::UtcMs;
use bolebook_core::record::people::Role;
use bolebook_core::record::work::Photo;
use bolebook_core::signing::SecretKey;
use bolebook_db::Connection;
use bolebook_log::{Form, Page, repack};
use bolebook_server::database::Place;
use bolebook_server::photos::held;
use bolebook_tests::cluster::Cluster;

use crate::contract::{commit, commit_of, lines, put};
use crate::packing::older;
use crate::process::{binary, soon};
use crate::quick;
use crate::support::{Client, Server, fresh as number, yard};

/// How the version before packed lines reads them (layout 2, `sql::LINES` and `sql::SIGNATURES_OF` there).
const OLD_LINES: &str = "
    SELECT position, hash, chain, line FROM lines
    WHERE book_id = ?1 AND position > ?2 ORDER BY position LIMIT ?3";
const OLD_SIGNATURES: &str = "
    SELECT lines.line FROM signatures JOIN lines
        ON lines.book_id = signatures.book_id AND lines.position = signatures.position
    WHERE signatures.book_id = ?1";

fn old_read(db: &Connection, statement: &str, column: usize) -> Result<Vec<String>, bolebook_db::Error> {
    let mut query = db.prepare_cached(statement)?;
    let get = |row: &bolebook_db::Row<'_>| row.get(column);
    let rows = match column {
        0 => query.query_map([yard().as_bytes()], get)?,
        _ => query.query_map(bolebook_db::params![yard().as_bytes(), 0, 1_000], get)?,
    };
    rows.collect()
}

#[test]
fn an_older_server_that_still_runs_fails_on_packed_lines_and_passes_over_none() {
    let cluster = quick();
    let place = Place::Shared(cluster.database());
    let all = lines(40, "note");
    drop(older(&place, &all));
    // It prepared its statements before anybody of this version came.
    let old = place.connect().unwrap();
    let texts: Vec<&str> = all.iter().map(LogLine::text).collect();
    assert_eq!(old_read(&old, OLD_LINES, 3).unwrap(), texts);
    assert_eq!(old_read(&old, OLD_SIGNATURES, 0).unwrap().len(), texts.len() / 2);
    let db = place.lay_out().unwrap();
    assert_eq!(old_read(&old, OLD_LINES, 3).unwrap(), texts, "it goes on while nothing is packed");
    repack::all(&db, Form::Packed).unwrap();
    for db in [&old, &place.connect().unwrap()] {
        let failed = old_read(db, OLD_LINES, 3).unwrap_err();
        assert!(failed.to_string().contains("Null"), "{failed}");
        old_read(db, OLD_SIGNATURES, 0).unwrap_err();
    }
    // What is appended packed is no text to it either; back to text, it reads all of it.
    let key = SecretKey::from_seed([4; 32]);
    let more = commit(&db, &key, ActorId::new(key.device(), number()), &["after it".into()]);
    put(&db, yard(), &more).unwrap();
    let count = "SELECT count(*) FROM lines WHERE line IS NULL AND packed IS NOT NULL";
    let packed: i64 = db.query_row(count, [], |row| row.get(0)).unwrap();
    assert_eq!(packed as usize, texts.len() + 2);
    repack::all(&db, Form::Text).unwrap();
    let texts: Vec<&str> = texts.into_iter().chain(more.iter().map(LogLine::text)).collect();
    assert_eq!(old_read(&old, OLD_LINES, 3).unwrap(), texts);
}

#[test]
fn a_packed_line_that_cannot_be_read_is_not_taken_for_one_that_says_nothing() {
    let data = tempfile::tempdir().unwrap();
    Server::init(data.path());
    let server = Server::start(data.path());
    let mut office = Client::certified(&server.url, 1, Role::Office);
    office.open_yard();
    office.exchange(&[yard()]).unwrap();
    let known = || server.app.read(|db| server.app.directory(db));
    assert!(known().unwrap().is_some(), "the directory is known");
    // Another process brings a line, and the disk damages it.
    let place = Place::of(data.path(), None);
    let db = place.connect().unwrap();
    let key = SecretKey::from_seed([4; 32]);
    let bytes = [&[0xff, 0xd8, 0xff, 0xe0], [7; 60].as_slice()].concat();
    let sha256 = Sha256Hash::of(&bytes);
    let put_photo = office.send("PUT", &format!("/v1/photos/{sha256}"), &[], &bytes).unwrap();
    assert_eq!(put_photo.status, 201);
    let (media_type, taken_at) = ("image/jpeg".into(), UtcMs(5));
    let photo = Photo { sha256, bytes: 64, media_type, about: None, taken_at, caption: None };
    let named = commit_of(&db, &key, ActorId::new(key.device(), number()), vec![photo.into()]);
    put(&db, yard(), &named).unwrap();
    let last = bolebook_log::book(&db, yard()).unwrap().unwrap().end.position;
    let (book, position) = (yard(), last as i64 - 1);
    let at = bolebook_db::params![book.as_bytes(), position];
    let whole: Vec<u8> = db
        .query_row("SELECT line FROM lines WHERE book_id = ?1 AND position = ?2", at, |row| row.get(0))
        .unwrap();
    let damage = "UPDATE lines SET line = substr(line, 1, 60) WHERE book_id = ?1 AND position = ?2";
    db.execute(damage, at).unwrap();
    let read = bolebook_log::read(&db, yard(), last - 2, Page::ALL).unwrap();
    assert_eq!(read.iter().map(bolebook_log::StoredLine::is_unreadable).collect::<Vec<_>>(), [true, false]);
    known().expect_err("a revocation may have stood there");
    let objects = bolebook_server::state::objects(data.path(), None).unwrap();
    let failed = held::census(&db, &objects).expect_err("a photo's record may have stood there");
    drop(failed);
    let tx = db.begin(bolebook_db::TransactionBehavior::Immediate).unwrap();
    assert_eq!(held::news(&tx, yard(), u64::MAX).unwrap(), []);
    let passed_over = |db: &Connection| held::passed_over(db, &yard().to_string()).unwrap();
    assert_eq!(passed_over(&tx), [last - 1], "the index goes past it, and remembers");
    tx.commit().unwrap();
    // Mended, all of it goes on.
    let mend = "UPDATE lines SET line = ?3 WHERE book_id = ?1 AND position = ?2";
    db.execute(mend, bolebook_db::params![book.as_bytes(), position, whole]).unwrap();
    assert!(known().unwrap().is_some());
    held::census(&db, &objects).unwrap();
    let tx = db.begin(bolebook_db::TransactionBehavior::Immediate).unwrap();
    let told: Vec<Sha256Hash> =
        held::news(&tx, yard(), u64::MAX).unwrap().iter().map(|news| news.sha256).collect();
    assert_eq!((told, passed_over(&tx)), (vec![sha256], vec![]), "and takes it in now");
    tx.commit().unwrap();
    // As text it may read as a line that names no photo: it is not what was stored all the same.
    let bytes = [&[0xff, 0xd8, 0xff, 0xe0], [9; 60].as_slice()].concat();
    let sha256 = Sha256Hash::of(&bytes);
    let put_photo = office.send("PUT", &format!("/v1/photos/{sha256}"), &[], &bytes).unwrap();
    assert_eq!(put_photo.status, 201);
    let photo =
        Photo { sha256, bytes: 64, media_type: "image/jpeg".into(), about: None, taken_at, caption: None };
    let named = commit_of(&db, &key, ActorId::new(key.device(), number()), vec![photo.into()]);
    put(&db, yard(), &named).unwrap();
    repack::all(&db, Form::Text).unwrap();
    let last = bolebook_log::book(&db, yard()).unwrap().unwrap().end.position;
    let swap = "UPDATE lines SET line = replace(line, ?2, ?3) WHERE book_id = ?1 AND instr(line, ?2) > 0
        AND position = ?4";
    let (kind, other) = (r#""kind":"photo""#, r#""kind":"phono""#);
    let swapped = |from: &str, to: &str| {
        let at = bolebook_db::params![book.as_bytes(), from, to, last as i64 - 1];
        assert_eq!(db.execute(swap, at).unwrap(), 1);
    };
    swapped(kind, other);
    let tx = db.begin(bolebook_db::TransactionBehavior::Immediate).unwrap();
    assert_eq!((held::news(&tx, yard(), u64::MAX).unwrap(), passed_over(&tx)), (vec![], vec![last - 1]));
    tx.commit().unwrap();
    swapped(other, kind);
    let tx = db.begin(bolebook_db::TransactionBehavior::Immediate).unwrap();
    let told: Vec<Sha256Hash> =
        held::news(&tx, yard(), u64::MAX).unwrap().iter().map(|news| news.sha256).collect();
    assert_eq!((told, passed_over(&tx)), (vec![sha256], vec![]));
    tx.commit().unwrap();
}

#[test]
fn verify_only_looks_at_a_shared_log_of_either_version() {
    // Its own: a standby copies all databases there are.
    let cluster = Cluster::quick();
    let url = cluster.database();
    let place = Place::Shared(url.clone());
    let all = lines(40, "note");
    let db = older(&place, &all);
    cluster.admin().execute_batch("CREATE ROLE looker LOGIN").unwrap();
    db.execute_batch("GRANT SELECT ON ALL TABLES IN SCHEMA public TO looker").unwrap();
    let data = tempfile::tempdir().unwrap();
    let verify_at = |url: &str| {
        let looker = url.replace("bole@", "looker@");
        let run =
            Command::new(binary()).args(["verify", "--store", &looker, "--data"]).arg(data.path()).output();
        let run = run.unwrap();
        (run.status.success(), String::from_utf8_lossy(&[run.stdout, run.stderr].concat()).into_owned())
    };
    let verify = || verify_at(&url);
    let (whole, said) = verify();
    assert!(whole && said.contains(&format!(r#""end":{}"#, all.len())), "{said}");
    let has_column = || place.connect().unwrap().has_column("lines", "packed").unwrap();
    assert!(!has_column(), "nothing was laid out");
    assert!(!db.exists("SELECT 1 FROM log_layout WHERE id = 2", []).unwrap());
    // Packed it is read too, a changed byte found, and a log of a later version refused.
    repack::all(&place.lay_out().unwrap(), Form::Packed).unwrap();
    assert!(has_column());
    let (whole, said) = verify();
    assert!(whole && said.contains(&format!(r#""end":{}"#, all.len())), "{said}");
    let standby = cluster.standby();
    let (whole, said) = verify_at(&standby.url(url.rsplit('/').next().unwrap()));
    assert!(whole && said.contains(&format!(r#""end":{}"#, all.len())), "{said}");
    db.execute("UPDATE lines SET packed = substr(packed, 1, 50) WHERE position = 5", []).unwrap();
    let (whole, said) = verify();
    assert!(!whole && said.contains("position 5"), "{said}");
    db.execute("UPDATE log_layout SET version = 5 WHERE id = 1", []).unwrap();
    let (whole, said) = verify();
    assert!(!whole && said.contains("layout is 5"), "{said}");
    let empty = cluster.database();
    let run = Command::new(binary()).args(["verify", "--store", &empty, "--data"]).arg(data.path()).output();
    let said = String::from_utf8(run.unwrap().stderr).unwrap();
    assert!(said.contains("no such log"), "{said}");
    let made = "SELECT 1 FROM pg_tables WHERE schemaname = 'public'";
    assert!(!Connection::postgres(&empty).unwrap().exists(made, []).unwrap(), "nothing was laid out");
}

/// The column needs the table for a moment, and whoever comes after it waits behind it.
#[test]
fn a_server_that_adds_the_column_keeps_readers_waiting_for_two_seconds_at_most() {
    let cluster = Cluster::quick();
    let place = Place::Shared(cluster.database());
    let all = lines(10, "note");
    drop(older(&place, &all));
    let long = place.connect().unwrap();
    let tx = long.snapshot().unwrap();
    assert_eq!(bolebook_log::read(&tx, yard(), 0, Page::ALL).unwrap().len(), all.len());
    std::thread::scope(|scope| {
        let start = scope.spawn(|| place.lay_out().map(drop));
        let waits = "SELECT 1 FROM pg_locks WHERE mode = 'AccessExclusiveLock' AND NOT granted";
        let admin = cluster.admin();
        soon("the new server waits for the table", || admin.exists(waits, []).unwrap());
        // Far less than what a statement waits otherwise, and more than the new server does.
        let reader = place.connect().unwrap();
        reader.execute_batch("SET lock_timeout = '12s'").unwrap();
        assert_eq!(bolebook_log::read(&reader, yard(), 0, Page::ALL).unwrap().len(), all.len());
        drop(tx);
        start.join().unwrap().unwrap();
    });
    assert!(place.connect().unwrap().has_column("lines", "packed").unwrap());
}
