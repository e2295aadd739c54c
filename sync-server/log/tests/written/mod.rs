//! A yard's book with notes, as one device writes them.

use bolebook_core::commit::{Commit, Draft};
use bolebook_core::exchange::LogLine;
use bolebook_core::ids::{ActorId, BookId, RecordId};
use bolebook_core::quantity::UtcMs;
use bolebook_core::record::book_kinds::{BookContent, Genesis};
use bolebook_core::record::work::Note;
use bolebook_core::record::{Body, Envelope, Record};
use bolebook_core::signing::{HeadSignature, SecretKey};
use bolebook_db::Connection;
use bolebook_log::{Page, append, basis, read};

const SEED: [u8; 32] = [3; 32];

pub fn yard() -> BookId {
    BookId::new(1, [1; 10])
}

fn write(db: &mut Connection, body: impl Into<Body>) {
    let key = SecretKey::from_seed(SEED);
    let actor = ActorId::new(key.device(), [7; 16]);
    assert!(bolebook_log::may_continue(db, yard(), &key, actor).unwrap(), "its own end");
    let b = basis(db, yard(), actor).unwrap();
    let id = RecordId::new(i64::try_from(b.start_op).unwrap(), [4; 10]);
    let envelope = Envelope { id, at: UtcMs(5), device: key.device(), by: None, replaces: vec![] };
    let records = vec![Record { envelope, body: body.into() }.to_canonical().unwrap()];
    let (seq, start_op) = (b.seq, b.start_op);
    let draft = Draft { actor, seq, start_op, time: UtcMs(5), deps: b.deps, records };
    let commit = Commit::author(draft).unwrap();
    let signed = HeadSignature::sign(&key, yard(), actor, commit.seq(), commit.hash());
    let tx = db.transaction().unwrap();
    append(&tx, yard(), &[commit.into(), signed.into()]).unwrap();
    tx.commit().unwrap();
}

pub fn note(db: &mut Connection, text: &str) {
    write(db, Note { about: None, text: text.into() });
}

/// A genesis and so many notes, each with a signature.
pub fn book_of_notes(db: &mut Connection, notes: usize) {
    let root = SecretKey::from_seed(SEED).public();
    let content = BookContent::Yard { company: "Invented Trees".into() };
    write(db, Genesis { format: 1, book: yard(), root, title: "Yard".into(), content });
    (0..notes).for_each(|n| note(db, &format!("note {n}")));
}

pub fn lines(db: &Connection) -> Vec<LogLine> {
    let stored = read(db, yard(), 0, Page::ALL).unwrap();
    stored.iter().map(|line| LogLine::parse(&line.text).unwrap()).collect()
}
