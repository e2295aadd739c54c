//! The log on its own: appending, reading, verifying, and two logs exchanging without a network.

use std::collections::BTreeMap;

use bolebook_core::commit::{Commit, Draft};
use bolebook_core::exchange::{AnswerStart, Entry, LogLine, Problem, RequestLine, code};
use bolebook_core::gate::Refusal;
use bolebook_core::ids::{ActorId, BookId, CommitHash, DeviceId, RecordId};
use bolebook_core::quantity::{Ms, UtcMs};
use bolebook_core::record::book_kinds::{BookContent, ChainEnd, Genesis, Receipt};
use bolebook_core::record::work::Note;
use bolebook_core::record::{Body, Envelope, Record};
use bolebook_core::signing::{HeadSignature, SecretKey};
use bolebook_db::Connection;
use bolebook_log::client::{ClientError, Outcome, Session};
use bolebook_log::serve::{CursorCheck, arrived, check_cursor, hand_out};
use bolebook_log::{Form, LogError, Page, append, basis, book, open, open_in_memory, read, repack, verify};

const SERVER: DeviceId = DeviceId([9; 16]);

struct Device {
    db: Connection,
    key: SecretKey,
    actor: ActorId,
    next_id: i64,
}

impl Device {
    fn new(number: u8) -> Self {
        let key = SecretKey::from_seed([number; 32]);
        let actor = ActorId::new(key.device(), [number; 16]);
        Self { db: open_in_memory().unwrap(), key, actor, next_id: 0 }
    }

    fn record(&mut self, body: impl Into<Body>) -> String {
        self.next_id += 1;
        let id = RecordId::new(self.next_id, [self.key.device().0[0]; 10]);
        let envelope = Envelope { id, at: UtcMs(0), device: self.key.device(), by: None, replaces: vec![] };
        Record { envelope, body: body.into() }.to_canonical().unwrap()
    }

    fn write(&mut self, book: BookId, body: impl Into<Body>) -> Vec<LogLine> {
        let records = vec![self.record(body)];
        let b = basis(&self.db, book, self.actor).unwrap();
        let draft = Draft {
            actor: self.actor,
            seq: b.seq,
            start_op: b.start_op,
            time: UtcMs(0),
            deps: b.deps,
            records,
        };
        let commit = Commit::author(draft).unwrap();
        let signed = HeadSignature::sign(&self.key, book, self.actor, commit.seq(), commit.hash());
        let lines = vec![commit.into(), signed.into()];
        self.append(book, &lines).unwrap();
        lines
    }

    fn append(&mut self, book: BookId, lines: &[LogLine]) -> Result<bolebook_log::Appended, LogError> {
        let tx = self.db.transaction().unwrap();
        let appended = append(&tx, book, lines)?;
        tx.commit().unwrap();
        Ok(appended)
    }

    fn found(&mut self, number: u8) -> BookId {
        let book = BookId::new(1, [number; 10]);
        let content = BookContent::Yard { company: "Invented Tree Care".into() };
        let root = self.key.public();
        self.write(book, Genesis { format: 1, book, root, title: "Yard".into(), content });
        book
    }

    fn note(&mut self, book: BookId, text: &str) -> Vec<LogLine> {
        self.write(book, Note { about: None, text: text.into() })
    }
}

/// A server with nothing around its log.
struct Server {
    db: Connection,
    page: Page,
}

impl Server {
    fn new() -> Self {
        Self { db: open_in_memory().unwrap(), page: Page { lines: 7, bytes: usize::MAX } }
    }

    fn exchange(&mut self, body: &str) -> Result<String, Box<Problem>> {
        let mut answer = serde_json::to_string(&AnswerStart { exchange: 1, server: SERVER, now: UtcMs(5) })
            .unwrap()
            + "\n";
        let mut books: Vec<(_, Vec<LogLine>)> = vec![];
        for line in body.lines() {
            match RequestLine::parse(line).unwrap() {
                RequestLine::Start(_) => {}
                RequestLine::Book(b) => books.push((b, vec![])),
                RequestLine::Log(line) => books.last_mut().unwrap().1.push(line),
            }
        }
        let tx = self.db.transaction().unwrap();
        for (request, lines) in &books {
            let refuse = |code: &str| {
                Box::new(Problem { code: code.into(), book: Some(request.book), ..Problem::default() })
            };
            match check_cursor(&tx, SERVER, request).unwrap() {
                CursorCheck::Holds => {}
                CursorCheck::OtherServer => return Err(refuse(code::OTHER_SERVER)),
                CursorCheck::Mismatch { .. } => return Err(refuse(code::CHAIN_MISMATCH)),
            }
            let appended = append(&tx, request.book, lines).map_err(|e| match e {
                LogError::Refused { refusal, .. } => refuse(refusal.code()),
                other => panic!("{other}"),
            })?;
            let mut out = hand_out(&tx, request, lines, self.page).unwrap();
            out.head.appended = appended.new.len() as u64;
            out.head.known = appended.known;
            answer += &(serde_json::to_string(&out.head).unwrap() + "\n" + &out.body);
        }
        tx.commit().unwrap();
        Ok(answer)
    }
}

fn sync(device: &mut Device, server: &mut Server, books: &[BookId]) -> Vec<Outcome> {
    let mut session =
        Session::new(SERVER, books.iter().copied()).with_page(Page { lines: 5, bytes: usize::MAX });
    let mut outcomes = vec![];
    while let Some(request) = session.request(&device.db, UtcMs(1)).unwrap() {
        match server.exchange(&request.body) {
            Ok(answer) => outcomes.push(session.apply(&mut device.db, &request, answer.as_bytes()).unwrap()),
            Err(problem) => session.refused(&mut device.db, &request, &problem).unwrap(),
        }
        assert!(outcomes.len() < 200, "the session must end");
    }
    outcomes
}

fn lines(db: &Connection, book: BookId) -> BTreeMap<String, u64> {
    read(db, book, 0, Page::ALL).unwrap().into_iter().map(|l| (l.text, l.position)).collect()
}

fn same(a: &Connection, b: &Connection, book: BookId) {
    assert!(lines(a, book).keys().eq(lines(b, book).keys()));
    assert_eq!(
        bolebook_log::book(a, book).unwrap().unwrap().heads,
        bolebook_log::book(b, book).unwrap().unwrap().heads
    );
}

fn refused(error: LogError) -> (usize, Refusal) {
    match error {
        LogError::Refused { line, refusal, .. } => (line, *refusal),
        other => panic!("{other}"),
    }
}

#[test]
fn a_line_is_appended_once_and_the_chain_holds() {
    let mut a = Device::new(1);
    let yard = a.found(1);
    let note = a.note(yard, "one");
    let again = a.append(yard, &note).unwrap();
    assert_eq!((again.new.len(), again.known), (0, 2));
    let whole = verify(&a.db, yard).unwrap();
    assert_eq!((whole.commits, whole.signatures, whole.end.position), (2, 2, 4));
    let info = book(&a.db, yard).unwrap().unwrap();
    assert_eq!((info.heads.len(), info.last_op), (1, 2));
}

#[test]
fn a_refused_line_changes_nothing_and_is_named() {
    let (mut a, mut b) = (Device::new(1), Device::new(2));
    let yard = a.found(1);
    let genesis: Vec<_> = read(&a.db, yard, 0, Page::ALL).unwrap();
    let genesis: Vec<_> = genesis.iter().map(|l| LogLine::parse(&l.text).unwrap()).collect();
    let (one, two) = (a.note(yard, "one"), a.note(yard, "two"));
    b.append(yard, &genesis).unwrap();
    let before = verify(&b.db, yard).unwrap();
    let Entry::Commit(missing) = one[0].entry() else { panic!() };
    let missing = missing.hash();
    let error = b.append(yard, &[genesis[0].clone(), two[0].clone()]).unwrap_err();
    assert_eq!(refused(error), (1, Refusal::UnknownDependency(missing)));
    let error = b.append(yard, &[one[0].clone(), two[1].clone()]).unwrap_err();
    assert!(matches!(refused(error), (1, Refusal::SignatureTarget(_))));
    assert_eq!(verify(&b.db, yard).unwrap(), before);
    let other = BookId::new(1, [77; 10]);
    let error = b.append(other, &genesis[..1]).unwrap_err();
    assert!(matches!(refused(error), (0, Refusal::Genesis(_))));
    assert!(book(&b.db, other).unwrap().is_none());
}

#[test]
fn a_changed_byte_on_disk_is_found() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("log.sqlite");
    let mut a = Device { db: open(&path).unwrap(), ..Device::new(1) };
    repack::all(&a.db, Form::Text).unwrap();
    let yard = a.found(1);
    a.note(yard, "one");
    for change in [
        "UPDATE lines SET line = replace(line, 'one', 'two') WHERE position = 3",
        "UPDATE lines SET chain = zeroblob(32) WHERE position = 2",
        "DELETE FROM lines WHERE position = 2",
        "DELETE FROM commits WHERE seq = 2",
        "UPDATE books SET heads = zeroblob(32)",
        "DELETE FROM record_index",
        "DELETE FROM signatures",
    ] {
        let tx = a.db.transaction().unwrap();
        tx.execute(change, []).unwrap();
        assert!(matches!(verify(&tx, yard), Err(LogError::Damaged { .. })), "{change}");
        tx.rollback().unwrap();
        verify(&a.db, yard).unwrap();
    }
}

#[test]
fn two_devices_converge_page_by_page_and_then_have_nothing_to_say() {
    let (mut a, mut b, mut server) = (Device::new(1), Device::new(2), Server::new());
    let yard = a.found(1);
    sync(&mut a, &mut server, &[yard]);
    sync(&mut b, &mut server, &[yard]);
    for i in 0..12 {
        a.note(yard, &format!("a{i}"));
        b.note(yard, &format!("b{i}"));
    }
    let pushed: u64 = sync(&mut a, &mut server, &[yard]).iter().map(|o| o.books[&yard].pushed).sum();
    assert_eq!(pushed, 24);
    sync(&mut b, &mut server, &[yard]);
    let last = sync(&mut a, &mut server, &[yard]);
    assert_eq!(last.iter().map(|o| o.books[&yard].pulled).sum::<u64>(), 24);
    same(&a.db, &b.db, yard);
    same(&a.db, &server.db, yard);
    let quiet = sync(&mut a, &mut server, &[yard]);
    let known: u64 = quiet.iter().map(|o| o.books[&yard].known + o.books[&yard].pulled).sum();
    assert_eq!((quiet.len(), known), (1, 0));
}

#[test]
fn an_answer_that_never_came_is_asked_for_again() {
    let (mut a, mut server) = (Device::new(1), Server::new());
    let yard = a.found(1);
    let mut session = Session::new(SERVER, [yard]);
    let request = session.request(&a.db, UtcMs(1)).unwrap().unwrap();
    let answer = server.exchange(&request.body).unwrap();
    for cut in 0..answer.len() {
        let error = session.apply(&mut a.db, &request, &answer.as_bytes()[..cut]).unwrap_err();
        assert!(!matches!(error, ClientError::Log(_)), "cut at {cut}: {error}");
    }
    let outcomes = sync(&mut a, &mut server, &[yard]);
    assert_eq!((outcomes[0].books[&yard].pushed, outcomes[0].books[&yard].known), (0, 2));
    same(&a.db, &server.db, yard);
}

#[test]
fn a_server_restored_from_an_old_backup_gets_everything_back() {
    let (mut a, mut b, mut server) = (Device::new(1), Device::new(2), Server::new());
    let yard = a.found(1);
    sync(&mut a, &mut server, &[yard]);
    sync(&mut b, &mut server, &[yard]);
    let mut backup = rusqlite::Connection::open_in_memory().unwrap();
    rusqlite::backup::Backup::new(server.db.only_sqlite().unwrap(), &mut backup)
        .unwrap()
        .run_to_completion(1_000, std::time::Duration::ZERO, None)
        .unwrap();
    for i in 0..9 {
        a.note(yard, &format!("a{i}"));
    }
    sync(&mut a, &mut server, &[yard]);
    sync(&mut b, &mut server, &[yard]);
    server.db = backup.into();
    b.note(yard, "after the restore");
    sync(&mut b, &mut server, &[yard]);
    sync(&mut a, &mut server, &[yard]);
    sync(&mut b, &mut server, &[yard]);
    same(&a.db, &server.db, yard);
    same(&b.db, &server.db, yard);
    assert_eq!(verify(&server.db, yard).unwrap().commits, 11);
    let quiet = sync(&mut a, &mut server, &[yard]);
    assert_eq!((quiet.len(), quiet[0].books[&yard].known), (1, 0));
}

#[test]
fn an_actor_that_forks_is_refused_for_good() {
    let (mut a, mut server) = (Device::new(1), Server::new());
    let yard = a.found(1);
    sync(&mut a, &mut server, &[yard]);
    let b = basis(&a.db, yard, a.actor).unwrap();
    let records = vec![a.record(Note { about: None, text: "branch".into() })];
    let draft =
        Draft { actor: a.actor, seq: b.seq, start_op: b.start_op, time: UtcMs(0), deps: b.deps, records };
    let branch = Commit::author(draft).unwrap();
    a.note(yard, "trunk");
    sync(&mut a, &mut server, &[yard]);
    let error = a.append(yard, &[branch.into()]).unwrap_err();
    assert_eq!(refused(error), (0, Refusal::Fork { seq: 2 }));
    assert!(bolebook_log::commit_position(&a.db, yard, CommitHash([0; 32])).unwrap().is_none());
}

#[test]
fn more_heads_than_a_commit_may_depend_on_are_taken_up_by_several() {
    let mut a = Device::new(1);
    let yard = a.found(1);
    let on_genesis = basis(&a.db, yard, ActorId([9; 32])).unwrap();
    let mut lines = vec![];
    for number in 0..600u16 {
        let mut random = [0; 16];
        random[..2].copy_from_slice(&number.to_be_bytes());
        let actor = ActorId::new(DeviceId([7; 16]), random);
        let b = on_genesis.clone();
        let records = vec![a.record(Note { about: None, text: number.to_string() })];
        let draft = Draft { actor, seq: 1, start_op: b.start_op, time: UtcMs(0), deps: b.deps, records };
        lines.push(LogLine::from(Commit::author(draft).unwrap()));
    }
    a.append(yard, &lines).unwrap();
    assert_eq!(book(&a.db, yard).unwrap().unwrap().heads.len(), 600);
    a.note(yard, "takes up the first 511");
    a.note(yard, "takes up the rest");
    assert_eq!(book(&a.db, yard).unwrap().unwrap().heads.len(), 1);
    verify(&a.db, yard).unwrap();
}

#[test]
fn a_request_cut_off_at_the_end_of_a_line_does_not_count_as_sent() {
    let (mut a, mut server) = (Device::new(1), Server::new());
    let yard = a.found(1);
    sync(&mut a, &mut server, &[yard]);
    a.note(yard, "one");
    let mut session = Session::new(SERVER, [yard]);
    let request = session.request(&a.db, UtcMs(1)).unwrap().unwrap();
    let cut: String = request.body.lines().take(2).map(|line| format!("{line}\n")).collect();
    let answer = server.exchange(&cut).unwrap();
    let taken = session.apply(&mut a.db, &request, answer.as_bytes());
    assert!(matches!(taken, Err(ClientError::Answer(_))), "{taken:?}");
    sync(&mut a, &mut server, &[yard]);
    same(&a.db, &server.db, yard);
}

#[test]
fn what_was_pushed_before_the_logs_end_was_read_survives_a_restored_server_whose_cursor_holds() {
    let (mut a, mut b, mut server) = (Device::new(1), Device::new(2), Server::new());
    let yard = a.found(1);
    sync(&mut a, &mut server, &[yard]);
    sync(&mut b, &mut server, &[yard]);
    for number in 0..10 {
        a.note(yard, &number.to_string());
    }
    sync(&mut a, &mut server, &[yard]);
    let mut copy = rusqlite::Connection::open_in_memory().unwrap();
    rusqlite::backup::Backup::new(server.db.only_sqlite().unwrap(), &mut copy).unwrap().step(-1).unwrap();
    b.note(yard, "of the second device");
    let mut session = Session::new(SERVER, [yard]);
    let request = session.request(&b.db, UtcMs(1)).unwrap().unwrap();
    let answer = server.exchange(&request.body).unwrap();
    session.apply(&mut b.db, &request, answer.as_bytes()).unwrap();
    server.db = copy.into();
    sync(&mut b, &mut server, &[yard]);
    same(&b.db, &server.db, yard);
}

#[test]
fn receipts_alone_are_owed_no_receipt() {
    let (mut a, mut server) = (Device::new(1), Device::new(2));
    let yard = a.found(1);
    let owed = |lines: &[LogLine], server: &mut Device| {
        let appended = server.append(yard, lines).unwrap();
        arrived(&appended, lines).len()
    };
    let mut all: Vec<LogLine> = lines(&a.db, yard).keys().map(|text| LogLine::parse(text).unwrap()).collect();
    all.sort_by_key(|line| matches!(line.entry(), Entry::Signature(_)));
    assert_eq!(owed(&all, &mut server), 1);
    let receipt = Receipt {
        delivered_by: SERVER,
        arrived_at: UtcMs(1),
        clock_offset_ms: Ms(0),
        through: vec![ChainEnd { actor: a.actor, seq: 1 }],
    };
    let receipt = a.write(yard, receipt);
    assert_eq!(owed(&receipt, &mut server), 0);
    let note = a.note(yard, "\"kind\":\"receipt\"");
    assert_eq!(owed(&note, &mut server), 1);
}
