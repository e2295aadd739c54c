//! Ten crews and what each logged in a day away from the line. INVENTED: NOT FOR USE.

use bolebook_core::commit::{Commit, Draft};
use bolebook_core::exchange::LogLine;
use bolebook_core::geo;
use bolebook_core::ids::{ActorId, RecordId, Sha256Hash};
use bolebook_core::quantity::{Um, UtcMs};
use bolebook_core::record::stand::{Position, PositionSource, Tree};
use bolebook_core::record::{Body, Envelope, Record};
use bolebook_core::signing::{HeadSignature, SecretKey};
use bolebook_log::{append, basis, open_in_memory};
use bolebook_tests::stand::ORIGIN;
use bolebook_tests::world::{MORNING, Who, World, key};

use super::site::lines;

/// How many crews come in of an evening.
pub const CREWS: usize = 10;
/// How many trees each has treated: listed, measured, treated, so three records a tree.
pub const TREES: usize = 400;

/// A crew's device with its day.
pub struct Crew {
    /// Its key.
    pub key: SecretKey,
    /// What its log gets in the day.
    pub lines: Vec<LogLine>,
    /// The records of its day, by tree.
    pub day: Vec<Vec<(RecordId, String)>>,
}

/// The contractor in the morning, with a fill for every kit.
pub fn morning() -> World {
    let mut world = World::with_crews(CREWS);
    (0..CREWS).for_each(|crew| {
        world.fill(crew, 40_000_000);
    });
    world
}

/// Bytes as random as a device's, and the same in every run: what no packing makes smaller.
fn random(crew: usize, number: &mut u64) -> [u8; 32] {
    *number += 1;
    Sha256Hash::of(&(((crew as u64) << 32) + *number).to_be_bytes()).0
}

fn id(at: i64, crew: usize, number: &mut u64) -> RecordId {
    let [a, b, c, d, e, f, g, h, i, j, ..] = random(crew, number);
    RecordId::new(at, [a, b, c, d, e, f, g, h, i, j])
}

/// A crew that came in the morning, and worked all day.
pub fn crew(world: &World, crew: usize) -> Crew {
    let key = key(Who::Crew(crew));
    let (mut day, mut logged): (Vec<_>, Vec<LogLine>) = (vec![], vec![]);
    let (device, mut number) = (key.device(), 0);
    let actor = ActorId::new(device, [9; 16]);
    let mut morning = open_in_memory().expect("a log");
    let tx = morning.transaction().expect("a transaction");
    append(&tx, world.job.id(), &lines(&world.job)).expect("the morning's lines");
    let begin = basis(&tx, world.job.id(), actor).expect("a basis");
    let (mut deps, mut seq, mut start_op) = (begin.deps, begin.seq, begin.start_op);
    for n in 0..TREES {
        let noise = random(crew, &mut number).map(i64::from);
        // About seventy seconds a tree, to the millisecond.
        let at = MORNING.0 + n as i64 * 70_000 + noise[0] * 97 + noise[1];
        let tree = id(at, crew, &mut number);
        // Each crew's row of the wood, trees 8 m apart.
        let place = |side: i64, of: usize| Um(side * 8_000_000 * 25 + (of % 25) as i64 * 8_000_000);
        let position = geo::place(ORIGIN, place(crew as i64, n), Um((n / 25) as i64 * 8_000_000));
        let position = Some(Position { accuracy_um: None, source: PositionSource::Mapped, ..position });
        let (tag, species) = (format!("{crew}-{n}"), Some("FRXAM".into()));
        let listed = Tree { tag, species, block: None, position, stems: 1, mark: None };
        let mut treated = world.application(crew, tree, 9);
        (treated.started_at, treated.ended_at) = (UtcMs(at + 9_000), UtcMs(at + 60_000));
        for (hole, noise) in treated.holes.iter_mut().zip(&noise[2..]) {
            hole.arc_um.0 += noise * 100;
            hole.removed_at = Some(treated.ended_at);
        }
        let diameter = world.diameter_body(tree, 3_000 + noise[20] / 8);
        let bodies: [(RecordId, Body); 3] = [
            (tree, listed.into()),
            (id(at, crew, &mut number), diameter.into()),
            (id(at, crew, &mut number), treated.into()),
        ];
        let by = Some(world.leads[crew]);
        let texts = bodies.map(|(id, body)| {
            let envelope = Envelope { id, at: UtcMs(at), device, by, replaces: vec![] };
            (id, Record { envelope, body }.to_canonical().expect("a record"))
        });
        let records = texts.iter().map(|(_, text)| text.clone()).collect();
        day.push(texts.into());
        let commit = Commit::author(Draft { actor, seq, start_op, time: UtcMs(at), deps, records });
        let commit = commit.expect("a commit");
        (deps, seq, start_op) = (vec![commit.hash()], commit.seq() + 1, commit.last_op() + 1);
        // As the field app signs: the last commit of the chain, at the exchange.
        let end = (n + 1 == TREES)
            .then(|| HeadSignature::sign(&key, world.job.id(), actor, commit.seq(), commit.hash()));
        logged.push(commit.into());
        logged.extend(end.map(LogLine::from));
    }
    Crew { key, lines: logged, day }
}
