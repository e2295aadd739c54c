//! Many crews at once: each brings a day at the same moment, to one, two and four server processes over one
//! PostgreSQL, into one book and into a book each. What it takes of the servers' processors and the
//! database's carries over to other machines; the clock of a machine that all of them share does not.
//!
//! `cargo xtask bench load [CREWS [FILE]]`; with a file the raw figures go there. The crews' own work is left
//! out as far as it can be: their requests are made before the clock starts, and of the answer they read
//! the bytes. INVENTED: NOT FOR USE.

#![allow(
    clippy::print_stdout,
    clippy::disallowed_methods,
    reason = "it measures, and prints what it measured"
)]

use std::sync::Barrier;
use std::sync::atomic::Ordering;
use std::time::Instant;

use bolebook_core::book::Book;
use bolebook_core::ids::BookId;
use bolebook_core::quantity::UtcMs;
use bolebook_db::Connection;
use bolebook_tests::cluster::Cluster;
use bolebook_tests::scale::crews::{Plan, TREES, another_job, day, log_of, morning, put};
use bolebook_tests::scale::process::own_processor_s;
use bolebook_tests::scale::server::{BUSY, Server, Way};
use bolebook_tests::world::{MORNING, World};
use serde::Serialize;

/// Server processes over one database; `BOLEBOOK_BENCH_PROCESSES=1` takes one of them alone.
const PROCESSES: [usize; 3] = [1, 2, 4];
const NOW: UtcMs = UtcMs(1_900_000_000_000);

/// Where the crews' days go.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
enum Books {
    /// All into one book: one lock.
    OneBook,
    /// Each into a book of its own.
    ABookEach,
}

#[derive(Clone, Debug, Serialize)]
struct Measured {
    into: Books,
    processes: usize,
    crews: usize,
    lines: usize,
    /// Until every crew had its answer, in seconds on the clock.
    answered_s: f64,
    /// Until the findings of all books were current as well.
    current_s: f64,
    /// Processor seconds until the findings were current.
    servers_cpu_s: f64,
    database_cpu_s: f64,
    /// Of this program, which plays the crews.
    crews_cpu_s: f64,
    /// How long a crew waited for its answer: half of them, and the longest, in seconds.
    median_s: f64,
    longest_s: f64,
    bytes_up: usize,
    bytes_down: usize,
    servers_peak_mb: f64,
    /// The same when the last crew had its answer; findings are being worked out meanwhile.
    answered_peak_mb: f64,
    /// Processor seconds of a server for a photo of 2 MB, taken in and kept.
    photo_cpu_s: f64,
    /// Bytes in the database that the crews' records added, and of them in indices, for each record.
    bytes_a_record: f64,
    index_bytes_a_record: f64,
    /// Rows put in for each record, those of transactions that were undone and done again among them.
    rows_a_record: f64,
    /// Writing transactions, and how often one of them was done again (the servers' own figures).
    transactions: f64,
    repeated: f64,
    /// How often the database undid one because of what it read, and because of a row that another wrote.
    undone_for_reading: usize,
    undone_for_a_row: usize,
    /// Exchanges that were turned away as too busy, and made again by their crew.
    turned_away: u64,
}

/// The database's words for the one and the other.
const UNDONE: [&str; 2] = [
    "could not serialize access due to read/write dependencies",
    "could not serialize access due to concurrent update",
];

/// Photos that are sent to be measured, and the bytes of each.
const PHOTOS: u8 = 60;
const PHOTO_BYTES: usize = 2_000_000;

/// Processor seconds a photo, of the first server.
fn photos(server: &Server) -> f64 {
    let office = Way::office(&server.url);
    let before = server.process.cpu_s();
    for number in 0..PHOTOS {
        // A JPEG by its first bytes; a server takes it in without looking at the rest.
        let mut bytes = vec![number; PHOTO_BYTES];
        bytes[..4].copy_from_slice(&[0xff, 0xd8, 0xff, 0xe0]);
        office.photo(&bytes);
    }
    (server.process.cpu_s() - before) / f64::from(PHOTOS)
}

/// Bytes of a database's tables with their indices, and of the indices.
fn size(store: &str) -> (f64, f64) {
    let db = Connection::postgres(store).expect("the database");
    let sum = "SELECT CAST(sum(pg_total_relation_size(relid)) AS BIGINT), CAST(sum(pg_indexes_size(relid)) AS BIGINT) FROM pg_stat_user_tables";
    let both = db.query_row(sum, [], |row| Ok((row.get::<usize, i64>(0)?, row.get::<usize, i64>(1)?)));
    let (all, indices) = both.expect("its sizes");
    (all as f64, indices as f64)
}

fn main() {
    let words: Vec<String> = std::env::args().skip(1).filter(|word| word != "--bench").collect();
    let crews: usize = words.first().and_then(|n| n.parse().ok()).unwrap_or(40);
    let trees: usize =
        std::env::var("BOLEBOOK_BENCH_TREES").ok().and_then(|n| n.parse().ok()).unwrap_or(TREES);
    let alone: Option<usize> = std::env::var("BOLEBOOK_BENCH_PROCESSES").ok().and_then(|n| n.parse().ok());
    let world = morning(crews);
    let jobs: Vec<Book> = (0..crews).map(|n| another_job(&world, n as u16, "2026", None, &[])).collect();
    let cluster = Cluster::new();
    let mut all: Vec<Measured> = vec![];
    for into in [Books::OneBook, Books::ABookEach] {
        for processes in PROCESSES.into_iter().filter(|n| alone.is_none_or(|alone| alone == *n)) {
            let measured = run(&world, &jobs, &cluster, into, processes, trees);
            say(&measured, all.iter().find(|m| m.into == into));
            all.push(measured);
        }
    }
    if let Some(path) = words.get(1) {
        std::fs::write(path, serde_json::to_string_pretty(&all).expect("figures") + "\n").expect("written");
    }
}

fn run(
    world: &World,
    jobs: &[Book],
    cluster: &Cluster,
    into: Books,
    processes: usize,
    trees: usize,
) -> Measured {
    let store = cluster.database();
    let data = tempfile::tempdir().expect("a folder");
    Server::init(data.path(), world);
    let servers: Vec<Server> = (0..processes).map(|_| Server::start(data.path(), Some(&store))).collect();
    let yard = world.yard.id();
    let books: Vec<&Book> = match into {
        Books::OneBook => vec![&world.job; jobs.len()],
        Books::ABookEach => jobs.iter().collect(),
    };
    let office = Way::office(&servers[0].url);
    let mut morning: Vec<&Book> = vec![&world.yard];
    morning.extend(if into == Books::OneBook { &books[..1] } else { &books[..] });
    let ids: Vec<BookId> = morning.iter().map(|b| b.id()).collect();
    // So many books at a time, that no request holds more than a request may.
    let mut log = log_of(&morning);
    ids[1..].chunks(8).for_each(|some| office.exchange(&mut log, &[&[yard], some].concat(), &mut [0; 3]));
    let mut lines = 0;
    let mut ready: Vec<(Way, Vec<u8>)> = vec![];
    for (n, book) in books.iter().enumerate() {
        let way = Way::crew(&servers[n % processes].url, world, n);
        let both = [yard, book.id()];
        let mut db = bolebook_log::open_in_memory().expect("a log");
        way.exchange(&mut db, &both, &mut [0; 3]);
        let plan = Plan { crew: n, book: book.id(), actor: [9; 16], at: MORNING, trees, listed: None };
        let logged = day(world, &plan, &db, &mut 0).lines;
        lines += logged.len();
        put(&mut db, book.id(), &logged);
        let request = way.session(&both).request(&db, NOW).expect("a request").expect("a day to bring");
        ready.push((way, Way::pack(&request.body)));
    }
    // Each job's findings are asked where its crew went, which has them in memory.
    let mut asked: Vec<(Way, BookId)> = vec![];
    for (n, job) in ids[1..].iter().enumerate() {
        asked.push((Way::office(&servers[n % processes].url), *job));
    }
    asked.iter().for_each(|(way, job)| drop(way.findings(*job)));
    let peak_mb = |servers: &[Server]| servers.iter().map(|s| s.process.peak_mb()).sum();
    let cpu = |servers: &[Server]| servers.iter().map(|s| s.process.cpu_s()).sum::<f64>();
    let (bytes, index_bytes) = size(&store);
    let rows_before = rows(&store);
    let figure =
        |name: &str| servers.iter().map(|s| s.figure(&format!("bolebook_{name}_total"))).sum::<f64>();
    let counted = || [figure("transactions"), figure("transactions_repeated")];
    let undone = || UNDONE.map(|words| cluster.said_how_often(words));
    let (counted_before, undone_before) = (counted(), undone());
    let busy_before = BUSY.load(Ordering::Relaxed);
    let before = (cpu(&servers), cluster.processor_s(), own_processor_s());
    let bytes_up = ready.iter().map(|(_, packed)| packed.len()).sum();
    let start = Barrier::new(ready.len() + 1);
    let mut answered_peak_mb = 0.0;
    let (mut waits, bytes_down, begun, answered_s) = std::thread::scope(|scope| {
        let running: Vec<_> = ready
            .into_iter()
            .map(|(way, packed)| {
                let start = &start;
                scope.spawn(move || {
                    start.wait();
                    let begun = Instant::now();
                    let bytes = way.post(packed).bytes.len();
                    (begun.elapsed().as_secs_f64(), bytes)
                })
            })
            .collect();
        start.wait();
        let begun = Instant::now();
        let ended: Vec<(f64, usize)> = running.into_iter().map(|r| r.join().expect("a crew")).collect();
        let answered_s = begun.elapsed().as_secs_f64();
        answered_peak_mb = peak_mb(&servers);
        let waits: Vec<f64> = ended.iter().map(|(s, _)| *s).collect();
        (waits, ended.iter().map(|(_, bytes)| bytes).sum(), begun, answered_s)
    });
    asked.iter().for_each(|(way, job)| drop(way.findings(*job)));
    let current_s = begun.elapsed().as_secs_f64();
    waits.sort_by(f64::total_cmp);
    let spent = (cpu(&servers) - before.0, cluster.processor_s() - before.1, own_processor_s() - before.2);
    let (counted, undone) = (counted(), undone());
    let records = (waits.len() * trees * 3) as f64;
    let (bytes_now, index_bytes_now) = size(&store);
    Measured {
        into,
        processes,
        crews: waits.len(),
        lines,
        answered_s,
        current_s,
        servers_cpu_s: spent.0,
        database_cpu_s: spent.1,
        crews_cpu_s: spent.2,
        median_s: waits[waits.len() / 2],
        longest_s: waits.last().copied().unwrap_or_default(),
        bytes_up,
        bytes_down,
        servers_peak_mb: peak_mb(&servers),
        answered_peak_mb,
        photo_cpu_s: photos(&servers[0]),
        bytes_a_record: (bytes_now - bytes) / records,
        index_bytes_a_record: (index_bytes_now - index_bytes) / records,
        // After the photos, when the sessions have told their counts.
        rows_a_record: (rows(&store) - rows_before) / records,
        transactions: counted[0] - counted_before[0],
        repeated: counted[1] - counted_before[1],
        undone_for_reading: undone[0] - undone_before[0],
        undone_for_a_row: undone[1] - undone_before[1],
        turned_away: BUSY.load(Ordering::Relaxed) - busy_before,
    }
}

/// Rows put into a database's tables so far; sessions say so within some seconds of their end.
fn rows(store: &str) -> f64 {
    let db = Connection::postgres(store).expect("the database");
    let count = "SELECT CAST(sum(n_tup_ins) AS BIGINT) FROM pg_stat_user_tables";
    db.query_row(count, [], |row| row.get::<usize, i64>(0)).expect("a count") as f64
}

/// The figures in words; where the time went, and how many times the same with one process.
fn say(m: &Measured, one: Option<&Measured>) {
    let one = one.unwrap_or(m);
    let each = |cpu: f64| cpu / m.crews as f64;
    let rate = |of: &Measured| of.crews as f64 / of.answered_s;
    println!("{:?}, {} processes, {} crews, {} lines:", m.into, m.processes, m.crews, m.lines);
    println!(
        "  {:.2} exchanges and {:.0} lines a second ({:.2} times one process); an answer after {:.2} s, the last after {:.2} s; findings current after {:.2} s",
        rate(m),
        rate(m) * m.lines as f64 / m.crews as f64,
        rate(m) / rate(one),
        m.median_s,
        m.longest_s,
        m.current_s
    );
    println!(
        "  processor seconds an exchange: servers {:.3} ({:.2} times), database {:.3} ({:.2} times), crews {:.3}; servers' memory {:.0} MB ({:.0} when all were answered); kB an exchange up {:.0}, down {:.0}",
        each(m.servers_cpu_s),
        m.servers_cpu_s / one.servers_cpu_s,
        each(m.database_cpu_s),
        m.database_cpu_s / one.database_cpu_s,
        each(m.crews_cpu_s),
        m.servers_peak_mb,
        m.answered_peak_mb,
        m.bytes_up as f64 / 1e3 / m.crews as f64,
        m.bytes_down as f64 / 1e3 / m.crews as f64
    );
    let cores = std::thread::available_parallelism().map_or(1, std::num::NonZero::get) as f64;
    let share = |cpu: f64| 100.0 * cpu / (m.current_s * cores);
    let used = m.servers_cpu_s + m.database_cpu_s + m.crews_cpu_s;
    println!(
        "  rows put in a record {:.2}; bytes in the database a record {:.0}, of them indices {:.0}; a server's processor a photo {:.1} ms",
        m.rows_a_record,
        m.bytes_a_record,
        m.index_bytes_a_record,
        m.photo_cpu_s * 1e3
    );
    println!(
        "  {:.0} transactions, {:.0} of them done again; the database undid {} for what they read, {} for a row; {} exchanges turned away",
        m.transactions, m.repeated, m.undone_for_reading, m.undone_for_a_row, m.turned_away
    );
    println!(
        "  of {cores} processors: servers {:.0} %, database {:.0} %, crews {:.0} %, others or idle {:.0} %",
        share(m.servers_cpu_s),
        share(m.database_cpu_s),
        share(m.crews_cpu_s),
        100.0 - share(used)
    );
}
