//! What an exchange costs the server: a crew's day (400 commits, 1,200 records) into books of
//! growing size, beside a plain SQLite insert of the same rows with the same durability.
//!
//! `cargo bench -p bolebook-server --bench exchange`. The slope over the book's size says whether
//! taking in depends on it; the last group says how many times a plain insert it takes.

use std::hint::black_box;
use std::io::Write as _;

use bolebook_core::commit::{Commit, Draft};
use bolebook_core::exchange::short::shorten;
use bolebook_core::exchange::{Cursor, LogLine};
use bolebook_core::ids::{ActorId, BookId, RecordId, Sha256Hash};
use bolebook_core::quantity::UtcMs;
use bolebook_core::record::book_kinds::{BookContent, Genesis};
use bolebook_core::record::work::Note;
use bolebook_core::record::{Body, Envelope, Record};
use bolebook_core::signing::{HeadSignature, SecretKey};
use bolebook_db::{Connection, TransactionBehavior, params};
use bolebook_log::{append, basis, open};
use bolebook_server::body::{Encoding, read_exchange};
use criterion::{BatchSize, BenchmarkId, Criterion, criterion_group, criterion_main};

const DAY: usize = 400;
const RECORDS: usize = 3;
const SIZES: [usize; 4] = [500, 5_000, 20_000, 50_000];

struct Writer {
    key: SecretKey,
    book: BookId,
    minted: u64,
}

impl Writer {
    fn new() -> Self {
        Self { key: SecretKey::from_seed([1; 32]), book: BookId::new(0, [2; 10]), minted: 0 }
    }

    /// Bytes as random as a device's, and the same in every run: what no packing makes smaller.
    fn random(&mut self) -> [u8; 32] {
        self.minted += 1;
        Sha256Hash::of(&self.minted.to_be_bytes()).0
    }

    fn id(&mut self, at: UtcMs) -> RecordId {
        let [a, b, c, d, e, f, g, h, i, j, ..] = self.random();
        RecordId::new(at.0, [a, b, c, d, e, f, g, h, i, j])
    }

    fn record(&mut self, body: Body) -> String {
        let at = UtcMs(1_780_315_200_000 + i64::try_from(self.minted).unwrap_or(0) * 7_919);
        let id = self.id(at);
        let envelope = Envelope { id, at, device: self.key.device(), by: None, replaces: vec![] };
        Record { envelope, body }.to_canonical().expect("a record of our own")
    }

    /// About what a treatment carries: a tree's id and the figures of its holes, none like the last.
    fn note(&mut self) -> Body {
        let about = Some(self.id(UtcMs(1_780_000_000_000)));
        let figures = self.random();
        let holes = figures.chunks_exact(4).take(4);
        let text =
            holes.map(|h| format!("height {} offset {} uptake {}{}; ", h[0], h[1], h[2], h[3])).collect();
        Note { about, text }.into()
    }

    /// A chain of commits by a fresh actor on what the log has, signed at its end.
    fn chain(&mut self, db: &Connection, actor: [u8; 16], commits: usize, records: usize) -> Vec<LogLine> {
        let actor = ActorId::new(self.key.device(), actor);
        let b = basis(db, self.book, actor).expect("the log can be read");
        let (mut deps, mut seq, mut start_op) = (b.deps, b.seq, b.start_op);
        let mut lines: Vec<LogLine> = vec![];
        let mut last = None;
        for _ in 0..commits {
            let texts = (0..records).map(|_| self.note()).collect::<Vec<_>>();
            let records: Vec<String> = texts.into_iter().map(|body| self.record(body)).collect();
            let next = start_op + records.len() as u64;
            let draft = Draft { actor, seq, start_op, time: UtcMs(1_780_315_200_000), deps, records };
            let commit = Commit::author(draft).expect("a commit of our own");
            (deps, seq, start_op) = (vec![commit.hash()], seq + 1, next);
            last = Some((commit.seq(), commit.hash()));
            lines.push(commit.into());
        }
        if let Some((seq, hash)) = last {
            lines.push(HeadSignature::sign(&self.key, self.book, actor, seq, hash).into());
        }
        lines
    }

    fn genesis(&mut self) -> LogLine {
        let content = BookContent::Yard { company: "Invented Trees".into() };
        let (book, root) = (self.book, self.key.public());
        let genesis = Genesis { format: 1, book, root, title: "Yard".into(), content };
        let records = vec![self.record(genesis.into())];
        let actor = ActorId::new(self.key.device(), [0; 16]);
        let draft = Draft { actor, seq: 1, start_op: 1, time: UtcMs(0), deps: vec![], records };
        Commit::author(draft).expect("a genesis of our own").into()
    }
}

/// A log on disk with a book of `size` records, and the body of a crew's day on top of it.
fn scene(size: usize) -> (tempfile::TempDir, Connection, Writer, Vec<LogLine>, Vec<u8>) {
    let folder = tempfile::tempdir().expect("a folder");
    let mut db = open(&folder.path().join("log.sqlite")).expect("a log");
    let mut writer = Writer::new();
    let genesis = writer.genesis();
    let tx = db.transaction().expect("a transaction");
    append(&tx, writer.book, &[genesis]).expect("the genesis");
    tx.commit().expect("a commit");
    let lines = writer.chain(&db, [1; 16], size / RECORDS, RECORDS);
    let tx = db.transaction().expect("a transaction");
    append(&tx, writer.book, &lines).expect("the book");
    tx.commit().expect("a commit");
    let day = writer.chain(&db, [2; 16], DAY, RECORDS);
    let body = pack(&writer, &day);
    (folder, db, writer, day, body)
}

fn pack(writer: &Writer, day: &[LogLine]) -> Vec<u8> {
    let start = Cursor::START;
    let mut text = format!(
        "{{\"exchange\":1,\"now\":0}}\n{{\"book\":\"{}\",\"server\":null,\"position\":{},\"chain\":\"{}\"}}\n",
        writer.book, start.position, start.chain
    );
    for line in day {
        text.push_str(line.text());
        text.push('\n');
    }
    // As the shipped clients send it.
    let text = shorten(&text).expect("a chain of commits has a short form");
    zstd::encode_all(text.as_bytes(), 3).expect("zstd in memory")
}

/// A copy of a log's file with nothing left for the disk to write, and its log of writes begun: what
/// is timed on it is the transaction, not the copying before it.
fn settled_copy(folder: &std::path::Path, name: &str) -> Connection {
    let path = folder.join(name);
    let source = Connection::open(folder.join("log.sqlite")).expect("the log");
    source.execute("VACUUM INTO ?1", [path.to_str().expect("a path")]).expect("a copy");
    let db = open(&path).expect("the copy");
    db.execute_batch(
        "CREATE TABLE plain (round INTEGER, number INTEGER, record TEXT, PRIMARY KEY (round, number))",
    )
    .expect("a table");
    std::fs::File::open(&path).and_then(|f| f.sync_all()).expect("on the disk");
    db
}

/// Everything the server does with a body, rolled back instead of committed: the same work each time.
fn take_in(db: &mut Connection, body: &[u8], commit: bool) {
    let read = read_exchange(body, Encoding::Zstd).expect("a body of our own");
    let tx = db.transaction_with_behavior(TransactionBehavior::Immediate).expect("a transaction");
    for (request, lines) in &read.books {
        let appended = append(&tx, request.book, lines).expect("passes the gate");
        assert_eq!(appended.new.len(), DAY + 1);
    }
    if commit {
        tx.commit().expect("a commit");
    } else {
        tx.rollback().expect("a rollback");
    }
}

fn by_size(c: &mut Criterion) {
    let mut group = c.benchmark_group("a_day_into_a_book_of_records");
    group.sample_size(10);
    for size in SIZES {
        let (_folder, mut db, _, _, body) = scene(size);
        group.bench_with_input(BenchmarkId::from_parameter(size), &size, |b, _| {
            b.iter(|| take_in(&mut db, black_box(&body), false));
        });
    }
    group.finish();
}

/// Rows as a plain program would keep them: one a record, same file settings, one transaction.
fn plain(db: &mut Connection, day: &[LogLine], round: u64) {
    let tx = db.transaction_with_behavior(TransactionBehavior::Immediate).expect("a transaction");
    {
        let mut insert = tx
            .prepare_cached("INSERT INTO plain (round, number, record) VALUES (?1, ?2, ?3)")
            .expect("the statement");
        let mut number = 0;
        for line in day {
            if let bolebook_core::exchange::Entry::Commit(commit) = line.entry() {
                for record in commit.records() {
                    number += 1;
                    insert.execute(params![round as i64, number, record]).expect("the row");
                }
            }
        }
    }
    tx.commit().expect("a commit");
}

fn against_plain_insert(c: &mut Criterion) {
    let mut group = c.benchmark_group("a_day_made_durable");
    group.sample_size(10);
    let (folder, _, writer, day, body) = scene(5_000);
    let records: usize = DAY * RECORDS;
    let alone: Vec<u8> = day
        .iter()
        .flat_map(|line| match line.entry() {
            bolebook_core::exchange::Entry::Commit(commit) => commit.records().join("\n").into_bytes(),
            bolebook_core::exchange::Entry::Signature(_) => vec![],
        })
        .collect();
    let alone = zstd::encode_all(alone.as_slice(), 3).expect("zstd in memory");
    let ratio = body.len() as f64 / alone.len() as f64;
    let mut out = std::io::stdout();
    let _ = writeln!(
        out,
        "{records} records: {} bytes up, {} as zstd of the records alone: {ratio:.2} times",
        body.len(),
        alone.len()
    );
    // Both into a copy of the same file, each time a fresh one.
    let mut copies = 0;
    let mut copy = || {
        copies += 1;
        settled_copy(folder.path(), &format!("copy{copies}.sqlite"))
    };
    group.bench_function("plain_insert_of_the_records", |b| {
        b.iter_batched(
            &mut copy,
            |mut db| {
                plain(&mut db, black_box(&day), 1);
                db
            },
            BatchSize::PerIteration,
        );
    });
    group.bench_function("exchange", |b| {
        b.iter_batched(
            &mut copy,
            |mut db| {
                take_in(&mut db, black_box(&body), true);
                db
            },
            BatchSize::PerIteration,
        );
    });
    group.bench_function("exchange_without_the_disk", |b| {
        b.iter(|| black_box(read_exchange(black_box(&body), Encoding::Zstd).expect("a body of our own")));
    });
    group.finish();
    drop(writer);
}

criterion_group!(benches, by_size, against_plain_insert);
criterion_main!(benches);
