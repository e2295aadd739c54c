//! Targets that take what other devices send: records, commits, exchange bodies, certificates.

use std::cell::RefCell;
use std::sync::LazyLock;

use bolebook_core::authority::{Offer, accept, invite, verify_certificate};
use bolebook_core::book::Book;
use bolebook_core::commit::{Commit, Draft};
use bolebook_core::exchange::{AnswerLine, LogLine, RequestLine};
use bolebook_core::facts::{Facts, NoDays};
use bolebook_core::gate::Verdict;
use bolebook_core::ids::{ActorId, CommitHash, DeviceId};
use bolebook_core::quantity::UtcMs;
use bolebook_core::record::people::{Certificate, Role};
use bolebook_core::record::{Record, canonical};
use bolebook_core::signing::SecretKey;
use bolebook_db::Connection;
use serde_json::{Value, json};

use crate::crowd::{Crowd, Trusting, accepted_examples};
use crate::fuzz::{Ended, mutate};
use crate::sim::dice::Dice;
use crate::world;

static EXAMPLES: LazyLock<Vec<Value>> =
    LazyLock::new(|| accepted_examples().iter().map(|text| serde_json::from_str(text).unwrap()).collect());
pub(super) static BOOK: LazyLock<Book> = LazyLock::new(|| Crowd::play(&[]).all());

thread_local! {
    /// A log with the genesis; every execution's transaction is dropped.
    static LOG: RefCell<Connection> = RefCell::new({
        let mut db = bolebook_log::open_in_memory().unwrap();
        let lines: Vec<LogLine> = BOOK.commits().iter().cloned().map(LogLine::from).collect();
        let tx = db.transaction().unwrap();
        bolebook_log::append(&tx, BOOK.id(), &lines).unwrap();
        tx.commit().unwrap();
        db
    });
}

fn example(dice: &mut Dice) -> Value {
    EXAMPLES[dice.below(EXAMPLES.len())].clone()
}

/// An example record changed in a few places, canonical again.
fn changed_record(dice: &mut Dice) -> String {
    let mut record = example(dice);
    mutate::value(dice, &mut record);
    canonical::write(&record).unwrap_or_else(|_| record.to_string())
}

/// Makes a record: canonical most of the time.
pub fn make_record(dice: &mut Dice) -> Vec<u8> {
    let mut text = changed_record(dice).into_bytes();
    if dice.chance(250) {
        mutate::bytes(dice, &mut text);
    }
    text
}

/// Reads a record. What is written of it must be read as the same record. (Not the same bytes: an
/// empty list may be written out or left out.)
pub fn record(bytes: &[u8]) -> Ended {
    let Ok(text) = std::str::from_utf8(bytes) else { return Ended::early("not UTF-8") };
    let canonical = canonical::check(text).is_ok();
    match Record::read(text) {
        Ok(record) => {
            let written = record.to_canonical().unwrap();
            assert_eq!(
                Record::read(&written).as_ref(),
                Ok(&record),
                "a record is not read as it was written"
            );
            Ended::passed(format!("read {}", record.kind().name()))
        }
        Err(error) if canonical => Ended::passed(variant(&error)),
        Err(error) => Ended::early(variant(&error)),
    }
}

/// The first word of an error's debug text: its variant.
fn variant(error: &impl std::fmt::Debug) -> String {
    let text = format!("{error:?}");
    text.split([' ', '(', '{']).next().unwrap_or("?").to_owned()
}

/// A line of a commit on the genesis, with its hash right most of the time.
pub(super) fn changed_commit(dice: &mut Dice) -> String {
    let actor = ActorId::new(DeviceId([1 + dice.below(3) as u8; 16]), dice.bytes());
    let records = (0..=dice.below(3)).map(|_| changed_record(dice)).collect();
    let mut draft: Draft = BOOK.draft(actor, UtcMs(dice.between(0, 2_000_000_000_000)), records);
    match dice.below(12) {
        0 => draft.seq = dice.number() >> dice.below(64),
        1 => draft.start_op = dice.number() >> dice.below(64),
        2 => draft.deps = vec![CommitHash(dice.bytes())],
        3 => draft.deps.clear(),
        4 => draft.deps.push(CommitHash(dice.bytes())),
        5 => draft.time = UtcMs(dice.number().cast_signed()),
        _ => {}
    }
    // What the author's own check would not let through is sent as it is.
    match Commit::author(draft.clone()) {
        Ok(commit) => commit.line(),
        Err(_) => {
            let records: Vec<Value> =
                draft.records.iter().map(|r| serde_json::from_str(r).unwrap_or(Value::Null)).collect();
            json!({
                "actor": draft.actor, "deps": draft.deps, "hash": CommitHash(dice.bytes()),
                "records": records, "seq": draft.seq, "start_op": draft.start_op, "time": draft.time,
            })
            .to_string()
        }
    }
}

/// Makes a commit's line.
pub fn make_commit(dice: &mut Dice) -> Vec<u8> {
    let mut line = changed_commit(dice).into_bytes();
    if dice.chance(200) {
        mutate::bytes(dice, &mut line);
    }
    line
}

/// Takes a commit in, folds the book. A refused one leaves it as it was; one that is taken is
/// handed on in the same bytes, and every record is read or shown as unreadable.
pub fn commit(bytes: &[u8]) -> Ended {
    let Ok(text) = std::str::from_utf8(bytes) else { return Ended::early("not UTF-8") };
    let commit = match Commit::parse(text) {
        Ok(commit) => commit,
        Err(error) => return Ended::early(variant(&error)),
    };
    assert_eq!(commit.line(), text, "a commit has two spellings");
    let mut book = BOOK.clone();
    match book.take(commit.clone()) {
        Err(refusal) => {
            assert_eq!(book.heads(), BOOK.heads(), "a refused commit changed the book");
            Ended::passed(refusal.code())
        }
        Ok(Verdict::Known) => Ended::passed("known"),
        Ok(Verdict::New) => {
            let facts = Facts::fold(&book, &Trusting, &NoDays);
            for id in commit.record_ids() {
                let shown = facts.versions.iter().any(|v| v.id() == *id)
                    || facts.unreadable.iter().any(|u| u.id == *id);
                assert!(shown, "record {id} is nowhere");
            }
            let unread = if facts.unreadable.is_empty() { "all read" } else { "some unreadable" };
            Ended::passed(format!("taken, {unread}"))
        }
    }
}

/// Makes an exchange body: opening lines and log lines, some changed, some out of order.
pub fn make_exchange(dice: &mut Dice) -> Vec<u8> {
    let (book, server) = (BOOK.id(), DeviceId([9; 16]));
    let zero = "0".repeat(64);
    let mut opening = json!({ "exchange": 1, "now": dice.between(0, 2_000_000_000_000) });
    let mut head = match dice.below(3) {
        0 => json!({ "book": book, "server": server, "position": dice.below(5), "chain": zero }),
        1 => {
            opening["server"] = json!(server);
            json!({ "book": book, "from": 0, "appended": 1, "known": 0, "end": 3, "chain": zero,
                "more": false, "findings_to": null })
        }
        _ => json!({ "book": book, "server": null, "position": 0, "chain": zero }),
    };
    for value in [&mut opening, &mut head] {
        if dice.chance(150) {
            mutate::value(dice, value);
        }
    }
    let mut lines = vec![opening.to_string(), head.to_string()];
    for _ in 0..dice.below(3) {
        lines.push(changed_commit(dice));
    }
    if dice.chance(100) {
        lines.push(json!({ "yours": [dice.below(3), dice.number() >> dice.below(64)] }).to_string());
    }
    if dice.chance(100) {
        let place = dice.below(lines.len());
        lines.swap(0, place);
    }
    let mut body = lines.join("\n").into_bytes();
    body.push(b'\n');
    if dice.chance(150) {
        mutate::bytes(dice, &mut body);
    }
    body
}

/// Reads a body as a server and as a client do, and offers its lines to a log. A refused batch
/// leaves no trace in the transaction.
pub fn exchange(bytes: &[u8]) -> Ended {
    let text = String::from_utf8_lossy(bytes);
    let mut lines = vec![];
    let mut whole = true;
    for line in text.lines() {
        match RequestLine::parse(line) {
            Ok(RequestLine::Log(log)) => {
                // Half the work of an execution is to build commits: one in eight is read twice.
                let twice = line.len().is_multiple_of(8);
                assert!(
                    !twice || matches!(AnswerLine::parse(line), Ok(AnswerLine::Log(_))),
                    "one line, two readings"
                );
                lines.push(log);
            }
            Ok(_) => {}
            Err(_) => whole &= AnswerLine::parse(line).is_ok(),
        }
    }
    let class = LOG.with_borrow_mut(|db| {
        let tx = db.transaction().unwrap();
        let before = bolebook_log::book(&tx, BOOK.id()).unwrap();
        match bolebook_log::append(&tx, BOOK.id(), &lines) {
            Ok(appended) => format!("{} new", appended.new.len()),
            Err(bolebook_log::LogError::Refused { refusal, .. }) => {
                assert_eq!(bolebook_log::book(&tx, BOOK.id()).unwrap(), before, "half a batch is in the log");
                refusal.code().to_owned()
            }
            Err(error) => panic!("{error}"),
        }
    });
    Ended { passed: whole && !text.is_empty(), class: if whole { class } else { "a line is none".into() } }
}

/// Certificates of a crew's phone: signed by the root, and made with an invitation's code.
static CERTIFICATES: LazyLock<[Certificate; 2]> = LazyLock::new(|| {
    let key = SecretKey::from_seed([33; 32]);
    let (use_by, not_after) = (UtcMs(1_790_000_000_000), UtcMs(1_900_000_000_000));
    let offer =
        Offer { yard: BOOK.id(), role: Role::Crew, crew: None, name: "phone".into(), use_by, not_after };
    let invitation = invite(&world::root(), CODE, offer).unwrap();
    let by_code = accept(&invitation, CODE, key.public(), UtcMs(1_780_315_200_000)).unwrap();
    [world::certificate_for(&key, Role::Crew, None, "phone"), by_code]
});
const CODE: &str = "10000000000000000001";

/// Makes a certificate, nearly that of a crew's phone.
pub fn make_certificate(dice: &mut Dice) -> Vec<u8> {
    let mut value = serde_json::to_value(&CERTIFICATES[dice.below(2)]).unwrap();
    if dice.chance(980) {
        mutate::once(dice, &mut value);
    }
    value.to_string().into_bytes()
}

/// Checks a certificate. Only the very ones that the root signed, or invited, may prove anything.
pub fn certificate(bytes: &[u8]) -> Ended {
    let Ok(certificate) = serde_json::from_slice::<Certificate>(bytes) else {
        return Ended::early("no certificate");
    };
    match verify_certificate(&certificate, &world::root().public(), BOOK.id()) {
        Ok(_) => {
            assert!(CERTIFICATES.contains(&certificate), "a changed certificate holds: {certificate:?}");
            Ended::passed("holds")
        }
        Err(error) => Ended::passed(variant(&error)),
    }
}
