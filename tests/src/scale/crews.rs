//! Crews and what each logged in a day away from the line. INVENTED: NOT FOR USE.

use bolebook_core::book::Book;
use bolebook_core::commit::{Commit, Draft};
use bolebook_core::exchange::LogLine;
use bolebook_core::geo;
use bolebook_core::ids::{ActorId, BookId, RecordId, Sha256Hash};
use bolebook_core::quantity::{Um, UtcMs};
use bolebook_core::record::book_kinds::{BookContent, Genesis, Job};
use bolebook_core::record::stand::{Position, PositionSource, Tree};
use bolebook_core::record::{Body, Envelope, Record};
use bolebook_core::signing::{HeadSignature, SecretKey};
use bolebook_db::Connection;
use bolebook_log::{append, basis, open_in_memory};

use crate::stand::ORIGIN;
use crate::world::{MORNING, Who, World, key, root};

/// How many trees a crew has treated in a day: listed, measured, treated, so three records a tree.
pub const TREES: usize = 400;
/// About seventy seconds a tree.
const TREE_MS: i64 = 70_000;

/// A crew's device with its day.
pub struct Crew {
    /// Its key.
    pub key: SecretKey,
    /// What its log gets in the day.
    pub lines: Vec<LogLine>,
    /// The records of its day, by tree.
    pub day: Vec<Vec<(RecordId, String)>>,
}

/// What a crew does in a day.
#[derive(Clone, Copy, Debug)]
pub struct Plan<'a> {
    /// Which crew.
    pub crew: usize,
    /// In which book.
    pub book: BookId,
    /// The tail of the actor's id, as a device draws it at each opening of its store.
    pub actor: [u8; 16],
    /// When it begins.
    pub at: UtcMs,
    /// How many trees.
    pub trees: usize,
    /// The trees, when they are listed already; without it the crew lists them.
    pub listed: Option<&'a [RecordId]>,
}

/// The contractor in the morning, with a fill for every kit.
pub fn morning(crews: usize) -> World {
    let mut world = World::with_crews(crews);
    (0..crews).for_each(|crew| {
        world.fill(crew, 40_000_000);
    });
    world
}

/// Every line of a book, as another replica would hand it over.
pub fn lines(book: &Book) -> Vec<LogLine> {
    let commits = book.commits().iter().map(|c| LogLine::from(c.clone()));
    commits.chain(book.signatures().map(|s| s.clone().into())).collect()
}

/// A log in memory with these books.
///
/// # Panics
/// When a book does not pass the gate.
pub fn log_of(books: &[&Book]) -> Connection {
    let mut db = open_in_memory().expect("a log");
    books.iter().for_each(|book| put(&mut db, book.id(), &lines(book)));
    db
}

/// Appends lines to a log.
///
/// # Panics
/// When they do not pass the gate.
pub fn put(db: &mut Connection, book: BookId, lines: &[LogLine]) {
    let tx = db.transaction().expect("a transaction");
    append(&tx, book, lines).expect("lines that pass the gate");
    tx.commit().expect("kept");
}

/// Bytes as random as a device's, and the same in every run: what no packing makes smaller.
pub fn random(crew: usize, number: &mut u64) -> [u8; 32] {
    *number += 1;
    Sha256Hash::of(&(((crew as u64) << 32) + *number).to_be_bytes()).0
}

fn id(at: i64, crew: usize, number: &mut u64) -> RecordId {
    let [a, b, c, d, e, f, g, h, i, j, ..] = random(crew, number);
    RecordId::new(at, [a, b, c, d, e, f, g, h, i, j])
}

/// A crew that came in the morning, and worked all day in the world's job.
pub fn crew(world: &World, crew: usize) -> Crew {
    let morning = log_of(&[&world.job]);
    let (book, trees) = (world.job.id(), TREES);
    let plan = Plan { crew, book, actor: [9; 16], at: MORNING, trees, listed: None };
    day(world, &plan, &morning, &mut 0)
}

/// A crew's day on what a log has; `minted` counts what was drawn at random before.
///
/// # Panics
/// When the log cannot be read.
pub fn day(world: &World, plan: &Plan<'_>, on: &Connection, minted: &mut u64) -> Crew {
    let Plan { crew, book, .. } = *plan;
    let key = key(Who::Crew(crew));
    let (mut day, mut logged): (Vec<_>, Vec<LogLine>) = (vec![], vec![]);
    let device = key.device();
    let actor = ActorId::new(device, plan.actor);
    let begin = basis(on, book, actor).expect("a basis");
    let (mut deps, mut seq, mut start_op) = (begin.deps, begin.seq, begin.start_op);
    for n in 0..plan.trees {
        let noise = random(crew, minted).map(i64::from);
        let at = plan.at.0 + n as i64 * TREE_MS + noise[0] * 97 + noise[1];
        let mut bodies: Vec<(RecordId, Body)> = vec![];
        let tree = match plan.listed {
            Some(listed) => listed[n],
            None => {
                let tree = id(at, crew, minted);
                bodies.push((tree, listing(crew, n).into()));
                tree
            }
        };
        let mut treated = world.application(crew, tree, 9);
        (treated.started_at, treated.ended_at) = (UtcMs(at + 9_000), UtcMs(at + 60_000));
        for (hole, noise) in treated.holes.iter_mut().zip(&noise[2..]) {
            hole.arc_um.0 += noise * 100;
            hole.removed_at = Some(treated.ended_at);
        }
        let diameter = world.diameter_body(tree, 3_000 + noise[20] / 8);
        bodies.push((id(at, crew, minted), diameter.into()));
        bodies.push((id(at, crew, minted), treated.into()));
        let by = Some(world.leads[crew]);
        let texts: Vec<(RecordId, String)> = bodies
            .into_iter()
            .map(|(id, body)| {
                let envelope = Envelope { id, at: UtcMs(at), device, by, replaces: vec![] };
                (id, Record { envelope, body }.to_canonical().expect("a record"))
            })
            .collect();
        let records = texts.iter().map(|(_, text)| text.clone()).collect();
        day.push(texts);
        let commit = Commit::author(Draft { actor, seq, start_op, time: UtcMs(at), deps, records });
        let commit = commit.expect("a commit");
        (deps, seq, start_op) = (vec![commit.hash()], commit.seq() + 1, commit.last_op() + 1);
        // As the field app signs: the last commit of the chain, at the exchange.
        let end = (n + 1 == plan.trees)
            .then(|| HeadSignature::sign(&key, book, actor, commit.seq(), commit.hash()));
        logged.push(commit.into());
        logged.extend(end.map(LogLine::from));
    }
    Crew { key, lines: logged, day }
}

/// Each crew's row of the wood, trees 8 m apart.
fn listing(crew: usize, n: usize) -> Tree {
    let place = |side: i64, of: usize| Um(side * 8_000_000 * 25 + (of % 25) as i64 * 8_000_000);
    let position = geo::place(ORIGIN, place(crew as i64, n), Um((n / 25) as i64 * 8_000_000));
    let position = Some(Position { accuracy_um: None, source: PositionSource::Mapped, ..position });
    Tree {
        tag: format!("{crew}-{n}"),
        species: Some("FRXAM".into()),
        block: None,
        position,
        stems: 1,
        mark: None,
    }
}

/// Another job of the contractor's, opened by the office like the world's own: its season and the job it
/// follows on, and these trees listed in it under the ids they had.
///
/// # Panics
/// When the world has no job.
pub fn another_job(
    world: &World,
    number: u16,
    season: &str,
    previous: Option<BookId>,
    trees: &[(RecordId, Tree)],
) -> Book {
    let Some(BookContent::Job(like)) = world.job.genesis().map(|g| g.content.clone()) else {
        panic!("the job book has a genesis")
    };
    let (root, office) = (root(), key(Who::Office));
    let [high, low] = number.to_be_bytes();
    let id = BookId::new(MORNING.0, [100, 100, 100, 100, 100, 100, 100, 100, high, low]);
    let mut book = Book::new(id);
    let content = BookContent::Job(Job { season: season.into(), previous, ..like });
    let genesis = Genesis { format: 1, book: id, root: root.public(), title: "Invented".into(), content };
    let tail = |n: u8| [high, low, n, 0, 0, 0, 0, 0, 0, 0];
    write(&mut book, &root, vec![(RecordId::new(MORNING.0, tail(1)), Body::from(genesis))]);
    // Whatever the world's own job was authorised by.
    let texts = world.job.commits().iter().flat_map(|c| c.records());
    let bodies = texts.map(|text| Record::read(text).expect("a record").body);
    let leave = bodies.filter(|body| matches!(body, Body::Authorisation(_)));
    let leave = leave.map(|body| (RecordId::new(MORNING.0, tail(2)), body));
    let listed = trees.iter().map(|(id, tree)| (*id, tree.clone().into()));
    write(&mut book, &office, leave.chain(listed).collect());
    book
}

fn write(book: &mut Book, key: &SecretKey, bodies: Vec<(RecordId, Body)>) {
    let device = key.device();
    let text = |(id, body)| {
        let envelope = Envelope { id, at: MORNING, device, by: None, replaces: vec![] };
        Record { envelope, body }.to_canonical().expect("a record")
    };
    let texts: Vec<String> = bodies.into_iter().map(text).collect();
    let actor = ActorId::new(device, [3; 16]);
    for commit in book.write(actor, MORNING, &texts).expect("commits of our own") {
        let signed = HeadSignature::sign(key, book.id(), actor, commit.seq(), commit.hash());
        book.take_signature(signed);
    }
}
