//! Five seasons of one job: what the server's file keeps for a tree and season, against zstd of the same
//! records; what it costs to have a season's findings at hand after a start; and what a day's exchange costs
//! in the fifth season, against the same day in a new job. Once as it is meant to be, a book a season, each
//! opened from the last one's trees; and once with all five in one book.
//!
//! `cargo xtask bench history [TREES-A-CREW [FILE]]`: five crews, 400 trees each unless said otherwise.
//! INVENTED: NOT FOR USE.

#![allow(
    clippy::print_stdout,
    clippy::disallowed_methods,
    reason = "it measures, and prints what it measured"
)]

use std::collections::BTreeMap;
use std::path::Path;
use std::time::Instant;

use bolebook_core::book::Book;
use bolebook_core::exchange::{Entry, LogLine};
use bolebook_core::ids::{BookId, RecordId};
use bolebook_core::quantity::UtcMs;
use bolebook_core::record::stand::Tree;
use bolebook_core::record::{Body, Record};
use bolebook_db::Connection;
use bolebook_tests::scale::crews::{
    Crew, Plan, TREES, another_job, day, lines, log_of, morning, put, random,
};
use bolebook_tests::scale::server::{Server, Way};
use bolebook_tests::world::{MORNING, World};
use serde_json::{Value, json};

const CREWS: usize = 5;
const SEASONS: u16 = 5;
/// The label asks for 700 days between two treatments.
const BETWEEN_MS: i64 = 710 * 86_400_000;
/// Crews more, whose day is timed.
const TIMED: usize = 3;

/// A server and the office's log, which has everything.
struct Scene<'a> {
    world: &'a World,
    data: tempfile::TempDir,
    log: Connection,
    minted: u64,
    each: usize,
}

impl<'a> Scene<'a> {
    fn new(world: &'a World, each: usize) -> Self {
        let data = tempfile::tempdir().expect("a folder");
        Server::init(data.path(), world);
        Self { world, data, log: log_of(&[&world.yard]), minted: 0, each }
    }

    fn take(&mut self, book: &Book) {
        put(&mut self.log, book.id(), &lines(book));
    }

    fn plan<'b>(
        &mut self,
        book: BookId,
        crew: usize,
        season: u16,
        listed: Option<&'b [RecordId]>,
    ) -> Plan<'b> {
        let [actor @ .., _, _, _, _, _, _, _, _, _, _, _, _, _, _, _, _] = random(crew, &mut self.minted);
        let at = UtcMs(MORNING.0 + i64::from(season) * BETWEEN_MS);
        Plan { crew, book, actor, at, trees: self.each, listed }
    }

    /// A season of all crews; gives the trees of each as they are listed.
    fn season(&mut self, book: BookId, number: u16, known: Option<&Stand>) -> Stand {
        let mut stand = vec![];
        for crew in 0..CREWS {
            let ids: Option<Vec<RecordId>> = known.map(|k| k[crew].iter().map(|(id, _)| *id).collect());
            let plan = self.plan(book, crew, number, ids.as_deref());
            let worked = day(self.world, &plan, &self.log, &mut self.minted);
            stand.push(trees_of(&worked));
            put(&mut self.log, book, &worked.lines);
        }
        known.cloned().unwrap_or(stand)
    }

    /// Brings the server what the office's log has, and stops it.
    fn bring(&mut self, books: &[BookId]) {
        let server = Server::start(self.data.path(), None);
        let office = Way::office(&server.url);
        for book in books {
            office.exchange(&mut self.log, &[self.world.yard.id(), *book], &mut [0; 3]);
        }
    }

    /// A server that has just been started until it has a job's findings: clock and processor seconds.
    fn cold(&self, book: BookId) -> (f64, f64, usize) {
        let server = Server::start(self.data.path(), None);
        let office = Way::office(&server.url);
        let (begun, cpu) = (Instant::now(), server.process.cpu_s());
        let text = office.findings(book);
        let spent = (begun.elapsed().as_secs_f64(), server.process.cpu_s() - cpu);
        let found: Value = serde_json::from_slice(&text).expect("findings");
        let count = found["findings"].as_array().or(found.as_array()).map_or(0, Vec::len);
        (spent.0, spent.1, count)
    }

    /// Processor seconds of the server for a crew's day of new trees, findings current at its end.
    fn days(&mut self, book: BookId, season: u16) -> f64 {
        let server = Server::start(self.data.path(), None);
        let office = Way::office(&server.url);
        let yard = self.world.yard.id();
        office.findings(book);
        let mut sum = 0.0;
        // Crews of their own, whose trees stand elsewhere.
        for crew in CREWS..CREWS + TIMED {
            let way = Way::crew(&server.url, self.world, crew);
            let mut db = bolebook_log::open_in_memory().expect("a log");
            way.exchange(&mut db, &[yard, book], &mut [0; 3]);
            let plan = self.plan(book, crew, season, None);
            let worked = day(self.world, &plan, &db, &mut self.minted);
            put(&mut db, book, &worked.lines);
            let cpu = server.process.cpu_s();
            way.exchange(&mut db, &[yard, book], &mut [0; 3]);
            office.findings(book);
            sum += server.process.cpu_s() - cpu;
        }
        sum / TIMED as f64
    }
}

/// Each crew's trees.
type Stand = Vec<Vec<(RecordId, Tree)>>;

fn trees_of(crew: &Crew) -> Vec<(RecordId, Tree)> {
    let first = crew.day.iter().filter_map(|texts| texts.first());
    let read = first.map(|(id, text)| (*id, Record::read(text).expect("a record").body));
    read.filter_map(|(id, body)| if let Body::Tree(tree) = body { Some((id, *tree)) } else { None }).collect()
}

fn main() {
    let words: Vec<String> = std::env::args().skip(1).filter(|word| word != "--bench").collect();
    let each: usize = words.first().and_then(|n| n.parse().ok()).unwrap_or(TREES);
    let world = morning(CREWS + TIMED);
    let all = [("a book a season", lineage(&world, each)), ("all in one book", in_one_book(&world, each))];
    // The same day in a job that was opened this morning.
    let mut fresh = Scene::new(&world, each);
    let job = another_job(&world, 1, "2034", None, &[]);
    fresh.take(&job);
    fresh.bring(&[job.id()]);
    let empty = fresh.days(job.id(), SEASONS - 1);
    println!("a day of {each} trees into a new job: {empty:.3} s of the server's processor");
    let mut raw =
        json!({ "trees": each * CREWS, "seasons": SEASONS, "a day into a new job, processor s": empty });
    for (name, figures) in all {
        let ratio = figures["a day into the last season, processor s"].as_f64().unwrap_or(f64::NAN) / empty;
        println!("{name}: {figures:#}\n  a day costs {ratio:.2} times the day in a new job");
        raw[name] = figures;
    }
    if let Some(path) = words.get(1) {
        std::fs::write(path, serde_json::to_string_pretty(&raw).expect("figures") + "\n").expect("written");
    }
}

/// Each season a book, opened from the last one's trees.
fn lineage(world: &World, each: usize) -> Value {
    let mut scene = Scene::new(world, each);
    let (mut stand, mut previous): (Option<Stand>, Option<BookId>) = (None, None);
    let mut cold = vec![];
    for number in 0..SEASONS {
        let listed: Vec<(RecordId, Tree)> = stand.iter().flatten().flatten().cloned().collect();
        let job = another_job(world, number, &season(number), previous, &listed);
        scene.take(&job);
        stand = Some(scene.season(job.id(), number, stand.as_ref()));
        scene.bring(&[job.id()]);
        cold.push(cold_figures(&scene, job.id()));
        previous = Some(job.id());
    }
    let kept = kept(scene.data.path(), each);
    let last = previous.expect("the last season");
    json!({ "kept": kept, "after a start": cold, "a day into the last season, processor s": scene.days(last, SEASONS - 1) })
}

/// The same work in one book: trees are listed once, and treated five times.
fn in_one_book(world: &World, each: usize) -> Value {
    let mut scene = Scene::new(world, each);
    let job = another_job(world, 0, &season(0), None, &[]);
    scene.take(&job);
    let mut stand: Option<Stand> = None;
    let mut cold = vec![];
    for number in 0..SEASONS {
        stand = Some(scene.season(job.id(), number, stand.as_ref()));
        scene.bring(&[job.id()]);
        cold.push(cold_figures(&scene, job.id()));
    }
    let kept = kept(scene.data.path(), each);
    json!({ "kept": kept, "after a start": cold, "a day into the last season, processor s": scene.days(job.id(), SEASONS - 1) })
}

fn season(number: u16) -> String {
    (2026 + 2 * number).to_string()
}

fn cold_figures(scene: &Scene<'_>, job: BookId) -> Value {
    let (clock, cpu, findings) = scene.cold(job);
    json!({ "clock s": clock, "processor s": cpu, "findings": findings })
}

/// What the server's file holds, and where its bytes lie.
fn kept(data: &Path, each: usize) -> Value {
    let path = data.join("bolebook.sqlite");
    let log = bolebook_log::open(&path).expect("the server's log");
    let (mut records, mut texts) = (String::new(), vec![]);
    let (mut framed, mut alone) = ([(10u32, 0), (100, 0), (400, 0)], 0);
    for book in bolebook_log::books(&log).expect("its books") {
        let all = bolebook_log::read(&log, book.book, 0, bolebook_log::Page::ALL).expect("its lines");
        let all: Vec<String> = all.into_iter().map(|line| line.text).collect();
        for (lines, sum) in &mut framed {
            *sum += all.chunks(*lines as usize).map(|some| packed(&some.join("\n"), 3) as u64).sum::<u64>();
        }
        alone += all.iter().map(|line| packed(line, 3)).sum::<usize>();
        for text in &all {
            if let Entry::Commit(commit) = LogLine::parse_stored(text).expect("a line").entry() {
                commit.records().iter().for_each(|record| records.extend([record, "\n"]));
            }
        }
        texts.extend(all);
    }
    drop(log);
    let db = rusqlite::Connection::open(&path).expect("the file");
    db.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(())).expect("all in one file");
    let file = std::fs::metadata(&path).expect("the file").len();
    let mut parts = db
        .prepare("SELECT name, sum(pgsize), sum(payload), sum(unused) FROM dbstat GROUP BY name ORDER BY 2 DESC LIMIT 8")
        .expect("where bytes lie");
    let row =
        |row: &rusqlite::Row<'_>| Ok((row.get::<_, String>(0)?, [row.get(1)?, row.get(2)?, row.get(3)?]));
    let parts: BTreeMap<String, [i64; 3]> =
        parts.query_map([], row).expect("rows").collect::<Result<_, _>>().expect("rows");
    let compacted: Vec<(u32, u64)> =
        [4_096, 8_192, 16_384, 32_768].map(|page| (page, compact(&path, &data.join("compact"), page))).into();
    let tree_seasons = (each * CREWS * usize::from(SEASONS)) as f64;
    let per = |bytes: usize| bytes as f64 / tree_seasons;
    let (three, nine) = (packed(&records, 3), packed(&records, 9));
    json!({
        "bytes a tree and season": per(file as usize),
        "of its records as they are": per(records.len()),
        "of its records as zstd 3": per(three),
        "of its records as zstd 9": per(nine),
        "of its lines as they are": per(texts.iter().map(String::len).sum()),
        "times zstd 3": file as f64 / three as f64,
        "times zstd 9": file as f64 / nine as f64,
        "compacted with pages of so many bytes, a tree and season": named(&compacted, &per),
        "compacted, times zstd 3": compacted[0].1 as f64 / three as f64,
        "lines as zstd 3 in frames of so many, a tree and season": named(&framed, &per),
        "lines as zstd 3 each by itself, a tree and season": per(alone),
        "with a dictionary of 32 KB made from the first thousand": per(with_dictionary(&texts)),
        "tables and indices: bytes of pages, payload and unused, a tree and season":
            parts.iter().map(|(name, of)| (name.clone(), json!(of.map(|n| n as f64 / tree_seasons)))).collect::<serde_json::Map<_, _>>(),
    })
}

/// Figures a tree and season under their numbers.
fn named(of: &[(u32, u64)], per: &impl Fn(usize) -> f64) -> Value {
    of.iter()
        .map(|(n, sum)| (n.to_string(), json!(per(*sum as usize))))
        .collect::<serde_json::Map<_, _>>()
        .into()
}

/// How large a file is when it is written anew with pages of so many bytes.
fn compact(from: &Path, to: &Path, page: u32) -> u64 {
    let _ = std::fs::remove_file(to);
    let db = rusqlite::Connection::open(from).expect("the file");
    db.execute("VACUUM INTO ?1", [to.to_str().expect("a path")]).expect("a compact copy");
    let copy = rusqlite::Connection::open(to).expect("the copy");
    // The size of pages is changed by writing them all, and not while there is a log of writes.
    copy.pragma_update_and_check(None, "journal_mode", "DELETE", |_| Ok(())).expect("no log of writes");
    copy.pragma_update(None, "page_size", page).expect("a size");
    copy.execute_batch("VACUUM").expect("written anew");
    drop(copy);
    std::fs::metadata(to).expect("the copy").len()
}

/// What lines take when each is packed by itself, with a dictionary that all of them share.
fn with_dictionary(lines: &[String]) -> usize {
    let samples: Vec<&[u8]> = lines.iter().take(1_000).map(|line| line.as_bytes()).collect();
    let dictionary = zstd::dict::from_samples(&samples, 32 << 10).expect("a dictionary");
    let mut packer = zstd::bulk::Compressor::with_dictionary(3, &dictionary).expect("a packer");
    lines.iter().map(|line| packer.compress(line.as_bytes()).expect("packed in memory").len()).sum()
}

fn packed(text: &str, level: i32) -> usize {
    zstd::encode_all(text.as_bytes(), level).expect("packed in memory").len()
}
