//! The log's part of the contract.

use std::sync::LazyLock;

use bolebook_core::commit::{Commit, Draft};
use bolebook_core::exchange::{
    AnswerStart, BookRequest, CHAIN_START, EXCHANGE_VERSION, Entry, LogLine, chain_after,
};
use bolebook_core::ids::{ActorId, BookId, DeviceId, RecordId};
use bolebook_core::quantity::UtcMs;
use bolebook_core::record::work::Note;
use bolebook_core::record::{Body, Envelope, Record};
use bolebook_core::signing::{HeadSignature, SecretKey};
use bolebook_db::{Connection, TransactionBehavior, Trouble};
use bolebook_log::client::Session;
use bolebook_log::salvage::{Salvaged, keep, take_waiting, waiting};
use bolebook_log::serve::hand_out;
use bolebook_log::{Appended, Form, KeyOf, LogError, Page, Rescuer, append, basis, repack, rescue, verify};
use bolebook_server::database::Place;

use crate::Fresh;
use crate::support::{Client, fresh as number, yard};
use bolebook_core::record::book_kinds::BookContent;

const BOOK_LINES: usize = 12;

/// The lines of a book with notes: genesis, its signature, then commits and signatures of a device.
pub fn lines(notes: usize, text: &str) -> Vec<LogLine> {
    let mut device = Client::new("", 1);
    device.open(yard(), BookContent::Yard { company: "Invented Tree Care".into() });
    for note in 0..notes {
        device.note(yard(), &format!("{text} {note}"));
    }
    let lines = bolebook_log::read(&device.db, yard(), 0, Page::ALL).unwrap();
    lines.iter().map(|l| LogLine::parse(&l.text).unwrap()).collect()
}

/// As many lines of one book that is made once: where thousands are wanted.
pub fn many(notes: usize) -> &'static [LogLine] {
    const MOST: usize = 1_500;
    static ALL: LazyLock<Vec<LogLine>> = LazyLock::new(|| lines(MOST, "note"));
    assert_eq!(ALL.len(), 2 + 2 * MOST, "each commit with its signature");
    &ALL[..2 + 2 * notes]
}

/// A commit of a device and its signature, standing on what a log says of its actor.
pub fn commit(db: &Connection, key: &SecretKey, actor: ActorId, texts: &[String]) -> Vec<LogLine> {
    let notes = texts.iter().map(|text| Note { about: None, text: text.clone() }.into());
    commit_of(db, key, actor, notes.collect())
}

/// The same with records of any kind.
pub fn commit_of(db: &Connection, key: &SecretKey, actor: ActorId, bodies: Vec<Body>) -> Vec<LogLine> {
    let records = bodies.into_iter().map(|body| {
        let id = RecordId::new(5, number());
        let envelope = Envelope { id, at: UtcMs(5), device: key.device(), by: None, replaces: vec![] };
        Record { envelope, body }.to_canonical().unwrap()
    });
    let b = basis(db, yard(), actor).unwrap();
    let (seq, start_op) = (b.seq, b.start_op);
    let draft = Draft { actor, seq, start_op, time: UtcMs(5), deps: b.deps, records: records.collect() };
    let commit = Commit::author(draft).unwrap();
    let signed = HeadSignature::sign(key, yard(), actor, commit.seq(), commit.hash());
    vec![commit.into(), signed.into()]
}

/// Appends as a server does: again for as long as another transaction comes between.
pub fn put(db: &Connection, book: BookId, lines: &[LogLine]) -> Result<Appended, LogError> {
    loop {
        let once = || {
            let tx = db.begin(TransactionBehavior::Immediate)?;
            let done = append(&tx, book, lines)?;
            tx.commit()?;
            Ok::<_, LogError>(done)
        };
        match once() {
            Err(error) if error.trouble() == Some(Trouble::Again) => {}
            done => return done,
        }
    }
}

pub fn whole(db: &Connection) {
    let found = verify(db, yard()).unwrap();
    let lines = bolebook_log::read(db, yard(), 0, Page::ALL).unwrap();
    let mut chain = bolebook_core::exchange::CHAIN_START;
    for (index, line) in lines.iter().enumerate() {
        chain = chain_after(chain, line.hash);
        assert_eq!((line.position, line.chain), (index as u64 + 1, chain));
    }
    assert_eq!((found.end.position, found.end.chain), (lines.len() as u64, chain));
}

pub fn positions_have_no_gaps_and_what_comes_twice_is_kept_once(fresh: Fresh<'_>) {
    let db = fresh().lay_out().unwrap();
    let lines = lines(BOOK_LINES, "note");
    let (first, rest) = lines.split_at(7);
    assert_eq!(put(&db, yard(), first).unwrap().new.len(), 7);
    let done = put(&db, yard(), &lines).unwrap();
    assert_eq!((done.new.len(), done.known, done.before.position), (rest.len(), 7, 7));
    let again = put(&db, yard(), &lines).unwrap();
    assert_eq!((again.new.len(), again.known as usize), (0, lines.len()));
    assert_eq!(again.end, done.end);
    // In pages by lines and by bytes, each going on where the one before ended.
    for page in [Page { lines: 3, bytes: usize::MAX }, Page { lines: 1_000, bytes: 900 }] {
        let mut read = vec![];
        loop {
            let after = read.last().map_or(0, |l: &bolebook_log::StoredLine| l.position);
            let some = bolebook_log::read(&db, yard(), after, page).unwrap();
            if some.is_empty() {
                break;
            }
            read.extend(some);
        }
        let texts: Vec<&str> = read.iter().map(|l| l.text.as_str()).collect();
        assert_eq!(texts, lines.iter().map(LogLine::text).collect::<Vec<_>>());
    }
    let book = bolebook_log::book(&db, yard()).unwrap().unwrap();
    assert_eq!(bolebook_log::books(&db).unwrap(), [book]);
    whole(&db);
}

pub fn a_refused_line_changes_nothing(fresh: Fresh<'_>) {
    let db = fresh().lay_out().unwrap();
    let all = lines(4, "note");
    put(&db, yard(), &all[..4]).unwrap();
    let before = bolebook_log::book(&db, yard()).unwrap();
    // Good lines, and at their end one whose past is not here.
    let mut offered = all[4..6].to_vec();
    offered.push(all[8].clone());
    let refused = put(&db, yard(), &offered).unwrap_err();
    assert!(matches!(refused, LogError::Refused { line: 2, .. }), "{refused}");
    assert_eq!(bolebook_log::book(&db, yard()).unwrap(), before);
    whole(&db);
}

pub fn a_line_of_megabytes_comes_back_byte_for_byte(fresh: Fresh<'_>) {
    let db = fresh().lay_out().unwrap();
    put(&db, yard(), &lines(1, "note")).unwrap();
    let key = SecretKey::from_seed([3; 32]);
    let texts: Vec<String> = (0..200).map(|n| format!("{n} {}", "Jahresring é 枝 ".repeat(280))).collect();
    let long = commit(&db, &key, ActorId::new(key.device(), number()), &texts);
    assert!(long[0].text().len() > 900_000, "{}", long[0].text().len());
    put(&db, yard(), &long).unwrap();
    let read = bolebook_log::read(&db, yard(), 4, Page::ALL).unwrap();
    assert_eq!(read[0].text, long[0].text());
    whole(&db);
    if db.is_shared() {
        // The bound that engines which spread a database over machines ask for.
        let longest = "SELECT CAST(max(octet_length(line)) AS BIGINT) FROM lines";
        let longest: i64 = db.query_row(longest, [], |row| row.get(0)).unwrap();
        assert!(longest < 512 * 1_024, "{longest}");
        let longest = "SELECT CAST(coalesce(max(octet_length(packed)), 0) AS BIGINT) FROM lines";
        let longest: i64 = db.query_row(longest, [], |row| row.get(0)).unwrap();
        assert!(longest < 512 * 1_024, "{longest}");
    }
}

pub fn appends_at_the_same_time_make_one_sequence(fresh: Fresh<'_>) {
    const EACH: usize = 15;
    let place = fresh();
    let db = place.lay_out().unwrap();
    let begun = lines(2, "note");
    put(&db, yard(), &begun).unwrap();
    std::thread::scope(|scope| {
        for seed in 1..4 {
            let (place, begun): (&Place, &[LogLine]) = (&place, &begun);
            scope.spawn(move || {
                let db = place.connect().unwrap();
                let key = SecretKey::from_seed([seed; 32]);
                for note in 0..EACH {
                    let actor = ActorId::new(key.device(), number());
                    let fresh = commit(&db, &key, actor, &[format!("{seed} {note}")]);
                    assert_eq!(put(&db, yard(), &fresh).unwrap().new.len(), 2);
                    // What all have is offered by all.
                    assert_eq!(put(&db, yard(), begun).unwrap().new.len(), 0);
                }
            });
        }
    });
    let end = bolebook_log::book(&db, yard()).unwrap().unwrap().end.position;
    assert_eq!(end as usize, begun.len() + 3 * EACH * 2);
    whole(&db);
}

pub fn a_reader_sees_one_state_while_others_write(fresh: Fresh<'_>) {
    let place = fresh();
    let db = place.lay_out().unwrap();
    let all = lines(5, "note");
    put(&db, yard(), &all[..4]).unwrap();
    let reader = place.connect().unwrap();
    let snapshot = reader.snapshot().unwrap();
    let end = |db: &Connection| bolebook_log::book(db, yard()).unwrap().unwrap().end.position;
    assert_eq!(end(&snapshot), 4);
    put(&db, yard(), &all).unwrap();
    assert_eq!(end(&snapshot), 4, "the state it began with");
    assert_eq!(bolebook_log::read(&snapshot, yard(), 0, Page::ALL).unwrap().len(), 4);
    drop(snapshot);
    assert_eq!(end(&reader), all.len() as u64);
}

pub fn a_fork_is_put_back_once(fresh: Fresh<'_>) {
    let db = fresh().lay_out().unwrap();
    put(&db, yard(), &lines(1, "note")).unwrap();
    let key = SecretKey::from_seed([3; 32]);
    let actor = ActorId::new(key.device(), number());
    let (one, other) =
        (commit(&db, &key, actor, &["one".into()]), commit(&db, &key, actor, &["other".into()]));
    put(&db, yard(), &one).unwrap();
    assert!(matches!(put(&db, yard(), &other), Err(LogError::Refused { .. })));
    let server = SecretKey::from_seed([9; 32]);
    for (rescued, known) in [(1, 0), (0, 1)] {
        let actor = ActorId::new(server.device(), number());
        let by = Rescuer { key: &server, actor, now: UtcMs(7), seed: number(), key_of: &|_| None };
        let tx = db.begin(TransactionBehavior::Immediate).unwrap();
        let done = rescue(&tx, yard(), &other, &by).unwrap();
        tx.commit().unwrap();
        assert_eq!((done.rescued, done.known), (rescued, known), "{done:?}");
    }
    whole(&db);
}

/// What a server answers to whoever reads its whole log.
fn whole_log(server: &Connection, device: DeviceId) -> String {
    let start = AnswerStart { exchange: EXCHANGE_VERSION, server: device, now: UtcMs(8) };
    let request = BookRequest { book: yard(), server: None, position: 0, chain: CHAIN_START };
    let out = hand_out(server, &request, &[], Page::ALL).unwrap();
    let line = |value: String| value + "\n";
    line(serde_json::to_string(&start).unwrap())
        + &line(serde_json::to_string(&out.head).unwrap())
        + &out.body
}

/// A hub put a commit back with a stranger's signature, and then follows another server's branch: what its log
/// proves is known to it still, and the device's own signature is taken in once, and no other.
pub fn a_hub_that_was_laid_out_anew_knows_what_it_put_back(fresh: Fresh<'_>) {
    let (mut hub, main) = (fresh().lay_out().unwrap(), fresh().lay_out().unwrap());
    let begun = lines(1, "note");
    for db in [&hub, &main] {
        put(db, yard(), &begun).unwrap();
    }
    let key = SecretKey::from_seed([3; 32]);
    let actor = ActorId::new(key.device(), number());
    let (one, other) =
        (commit(&hub, &key, actor, &["one".into()]), commit(&hub, &key, actor, &["other".into()]));
    for db in [&hub, &main] {
        put(db, yard(), &one).unwrap();
    }
    let Entry::Commit(put_back) = other[0].entry() else { panic!("a commit first") };
    let signed = |by: u8| {
        let by = SecretKey::from_seed([by; 32]);
        let signed = HeadSignature::sign(&by, yard(), actor, put_back.seq(), put_back.hash());
        [other[0].clone(), signed.into()]
    };
    let own = SecretKey::from_seed([9; 32]);
    let give = |hub: &Connection, lines: &[LogLine], key_of: KeyOf<'_>| {
        let actor = ActorId::new(own.device(), number());
        let by = Rescuer { key: &own, actor, now: UtcMs(7), seed: number(), key_of };
        let tx = hub.begin(TransactionBehavior::Immediate).unwrap();
        let done = rescue(&tx, yard(), lines, &by).unwrap();
        tx.commit().unwrap();
        (done.rescued, done.known)
    };
    // Before the device's certificate is here nobody can tell whose signature it is.
    assert_eq!(give(&hub, &signed(66), &|_| None), (1, 0));
    let server = SecretKey::from_seed([10; 32]).device();
    let mut session = Session::new(server, [yard()]);
    session.check_anew(yard());
    let request = session.request(&hub, UtcMs(8)).unwrap().unwrap();
    session.apply(&mut hub, &request, whole_log(&main, server).as_bytes()).unwrap();
    let public = key.public();
    let key_of = |device: DeviceId| (device == key.device()).then(|| public.clone());
    for (lines, done) in
        [(signed(66), (0, 1)), (signed(3), (1, 1)), (signed(3), (0, 1)), (signed(67), (0, 1))]
    {
        assert_eq!(give(&hub, &lines, &key_of), done);
    }
    whole(&hub);
}

pub fn what_was_salvaged_waits_for_what_it_depends_on(fresh: Fresh<'_>) {
    let db = fresh().lay_out().unwrap();
    let all = lines(3, "note");
    let mut found = Salvaged::default();
    found.lines.insert(yard(), all[4..].to_vec());
    let tx = db.begin(TransactionBehavior::Immediate).unwrap();
    assert_eq!(keep(&tx, &found).unwrap(), (0, all.len() as u64 - 4));
    tx.commit().unwrap();
    put(&db, yard(), &all[..4]).unwrap();
    let tx = db.begin(TransactionBehavior::Immediate).unwrap();
    assert_eq!(take_waiting(&tx).unwrap(), all.len() as u64 - 4);
    assert_eq!(waiting(&tx).unwrap(), 0);
    tx.commit().unwrap();
    whole(&db);
}

pub fn damage_is_found(fresh: Fresh<'_>) {
    let db = fresh().lay_out().unwrap();
    repack::all(&db, Form::Text).unwrap();
    put(&db, yard(), &lines(3, "note")).unwrap();
    let changed = "UPDATE lines SET line = replace(line, 'note 1', 'note 7') WHERE line LIKE '%note 1%'";
    assert_eq!(db.execute(changed, []).unwrap(), 1);
    assert!(matches!(verify(&db, yard()), Err(LogError::Damaged { .. })));
}
