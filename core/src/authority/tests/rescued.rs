//! Rescued commits: what proves itself counts as its author wrote it, and nothing else does.

use super::*;
use crate::book::Carrier;
use crate::facts::{Contest, Facts, NoDays, Standing};
use crate::record::Kind;
use crate::record::book_kinds::{Rescue, Strike};

/// A yard whose crew's chain has forked: the log has `kept`, and lacks the branch of `lost`.
struct Scene {
    book: Book,
    before: Book,
    crew: Writer,
    server: Writer,
    lost: Vec<Commit>,
}

impl Scene {
    fn new() -> Self {
        let mut book = yard_book();
        let (mut crew, mut server) = (Writer::new(2), Writer::new(6));
        for (writer, role) in [(&mut crew, Role::Crew), (&mut server, Role::Server)] {
            let certificate = certify(&root(), grant(&writer.key, role)).unwrap();
            let commit = writer.write(&mut book, 1_000, certificate);
            writer.sign(&mut book, &commit);
        }
        let before = book.clone();
        let mut branch = before.clone();
        let lost = vec![crew.note(&mut branch, 1_001), crew.note(&mut branch, 1_002)];
        let kept = crew.note(&mut book, 1_003);
        crew.sign(&mut book, &kept);
        Self { book, before, crew, server, lost }
    }

    fn signed(&self, commit: &Commit) -> HeadSignature {
        HeadSignature::sign(&self.crew.key, self.book.id(), commit.actor(), commit.seq(), commit.hash())
    }

    /// The server's commit with these commits' texts and evidence.
    fn put_back(&mut self, rescues: Vec<Rescue>, texts: &[&Commit]) -> Commit {
        let mut records: Vec<String> = texts.iter().flat_map(|c| c.records().to_vec()).collect();
        for rescue in rescues {
            self.server.count += 1;
            let device = self.server.key.device();
            let id = RecordId::new(2_000, [self.server.count, 9, 0, 0, 0, 0, 0, 0, 0, 0]);
            let envelope = Envelope { id, at: UtcMs(2_000), device, by: None, replaces: vec![] };
            records.push(Record { envelope, body: rescue.into() }.to_canonical().unwrap());
        }
        let commit = self.book.write(self.server.actor, UtcMs(2_000), &records).unwrap().remove(0);
        self.server.sign(&mut self.book, &commit);
        commit
    }

    fn standings(&self, id: RecordId) -> Vec<Standing> {
        let directory = Directory::read(&self.book, &root().public()).unwrap();
        let facts = Facts::fold(&self.book, &directory.for_book(&self.book), &NoDays);
        facts.versions.iter().filter(|v| v.id() == id).map(|v| v.standing).collect()
    }
}

fn evidence(commit: &Commit, signatures: Vec<HeadSignature>) -> Rescue {
    Rescue {
        actor: commit.actor(),
        deps: commit.deps().to_vec(),
        hash: commit.hash(),
        records: commit.record_ids().to_vec(),
        seq: commit.seq(),
        start_op: commit.start_op(),
        time: commit.time(),
        signatures,
    }
}

#[test]
fn a_signature_on_the_last_rescued_commit_vouches_for_its_whole_branch() {
    let mut scene = Scene::new();
    let lost = scene.lost.clone();
    let signed = scene.signed(&lost[1]);
    let rescues = vec![evidence(&lost[0], vec![]), evidence(&lost[1], vec![signed])];
    scene.put_back(rescues, &[&lost[0], &lost[1]]);
    for commit in &lost {
        assert_eq!(scene.standings(commit.record_ids()[0]), [Standing::InForce]);
    }
    assert_eq!(scene.book.rescued().count(), 2);
    // What is rescued is in no chain and no head, and the document still opens.
    let end = scene.book.chain_end_of(scene.crew.actor).unwrap();
    assert!(lost.iter().all(|c| c.hash() != end.1 && scene.book.commit(c.hash()).is_none()));
    scene.book.document().unwrap();
}

#[test]
fn what_does_not_come_out_proves_nothing_and_its_texts_are_held() {
    type Change = fn(&mut Rescue);
    let changes: [(&str, Change); 6] = [
        ("its hash", |r| r.hash = CommitHash([7; 32])),
        ("its number", |r| r.seq += 1),
        ("its time", |r| r.time = UtcMs(1)),
        ("its operations", |r| r.start_op += 1),
        ("its author", |r| r.actor = ActorId::new(root().device(), [1; 16])),
        ("what it depends on", |r| r.deps = vec![CommitHash([3; 32])]),
    ];
    for (what, change) in changes {
        let mut scene = Scene::new();
        let lost = scene.lost[0].clone();
        let mut rescue = evidence(&lost, vec![scene.signed(&lost)]);
        change(&mut rescue);
        scene.put_back(vec![rescue], &[&lost]);
        assert_eq!(scene.book.rescued().count(), 0, "{what}");
        let held = Standing::Held(HeldReason::NotItsAuthor);
        assert_eq!(scene.standings(lost.record_ids()[0]), [held], "{what}");
    }
}

#[test]
fn a_rescue_without_texts_or_without_what_it_depends_on_proves_nothing() {
    let mut scene = Scene::new();
    let lost = scene.lost.clone();
    scene.put_back(vec![evidence(&lost[0], vec![])], &[]);
    assert_eq!(scene.book.rescued().count(), 0, "no texts");
    scene.put_back(vec![evidence(&lost[1], vec![])], &[&lost[1]]);
    assert_eq!(scene.book.rescued().count(), 0, "its own commit before it is not there");
    scene.put_back(vec![evidence(&lost[0], vec![])], &[&lost[0]]);
    scene.put_back(vec![evidence(&lost[1], vec![])], &[&lost[1]]);
    assert_eq!(scene.book.rescued().count(), 2, "the one before it was rescued earlier");
}

#[test]
fn texts_may_stand_in_the_commit_before_the_evidence() {
    let mut scene = Scene::new();
    let lost = scene.lost[0].clone();
    scene.put_back(vec![], &[&lost]);
    let signed = scene.signed(&lost);
    scene.put_back(vec![evidence(&lost, vec![signed])], &[]);
    assert_eq!(scene.standings(lost.record_ids()[0]), [Standing::InForce]);
}

#[test]
fn a_signature_of_another_book_device_or_branch_vouches_for_nothing_rescued() {
    let mut scene = Scene::new();
    let lost = scene.lost[0].clone();
    let (key, actor, hash) = (&scene.crew.key, lost.actor(), lost.hash());
    let other_book = HeadSignature::sign(key, BookId::new(1, [9; 10]), actor, lost.seq(), hash);
    let stranger = key_signed(&SecretKey::from_seed([3; 32]), scene.book.id(), actor, lost.seq(), hash);
    // The log's own branch is signed, under the same actor and number.
    scene.put_back(vec![evidence(&lost, vec![other_book, stranger])], &[&lost]);
    let held = Standing::Held(HeldReason::NotVouched);
    assert_eq!(scene.standings(lost.record_ids()[0]), [held]);
    // A signature that comes later is taken as evidence too.
    let signed = scene.signed(&lost);
    scene.put_back(vec![evidence(&lost, vec![signed])], &[&lost]);
    assert_eq!(scene.standings(lost.record_ids()[0]), [Standing::InForce]);
}

#[test]
fn a_rescued_strike_acts_on_what_its_author_knew() {
    let mut scene = Scene::new();
    // In the log an office-less crew amends a note that the lost branch strikes.
    let mut branch = scene.before.clone();
    let mut own = Writer { count: 40, ..Writer::new(2) };
    let note = own.note(&mut branch, 1_001);
    let id = note.record_ids()[0];
    let strike = own.write(&mut branch, 1_002, Strike { records: vec![id], reason: "a mistake".into() });
    let mut log = scene.before.clone();
    log.take(note.clone()).unwrap();
    let envelope = Envelope {
        id: RecordId::new(1_003, [77; 10]),
        at: UtcMs(1_003),
        device: own.key.device(),
        by: None,
        replaces: vec![id],
    };
    let body = Note { about: None, text: "checked it again".into() };
    let text = Record { envelope, body: body.into() }.to_canonical().unwrap();
    let amended = log.write(own.actor, UtcMs(1_003), &[text]).unwrap().remove(0);
    own.sign(&mut log, &amended);
    scene.book = log;
    let signed = scene.signed(&strike);
    scene.put_back(vec![evidence(&strike, vec![signed])], &[&strike]);
    let directory = Directory::read(&scene.book, &root().public()).unwrap();
    let facts = Facts::fold(&scene.book, &directory.for_book(&scene.book), &NoDays);
    let fact = facts.fact_of(id).unwrap();
    assert_eq!((fact.kind, fact.contested), (Kind::Note, Some(Contest::AmendedAndStruck)));
    assert!(fact.in_force(), "the amendment it did not know stands");
}

#[test]
fn i1_what_was_rescued_is_the_same_in_whatever_order_it_arrived() {
    let mut scene = Scene::new();
    let lost = scene.lost.clone();
    let signed = scene.signed(&lost[1]);
    scene.put_back(vec![evidence(&lost[0], vec![]), evidence(&lost[1], vec![signed])], &[&lost[0], &lost[1]]);
    let base = scene.book.clone();
    // Two that go on apart, one of them rescuing the branch again.
    let mut one = Writer { count: 60, ..Writer::new(6) };
    one.actor = ActorId::new(one.key.device(), [61; 16]);
    let (mut left, mut right) = (base.clone(), base.clone());
    let beside = one.note(&mut left, 3_000);
    scene.book = right.clone();
    scene.server.actor = ActorId::new(scene.server.key.device(), [62; 16]);
    let again = scene.put_back(vec![evidence(&lost[0], vec![])], &[&lost[0]]);
    right.take(again.clone()).unwrap();
    right.take(beside.clone()).unwrap();
    left.take(again).unwrap();
    let shown = |book: &Book| {
        let directory = Directory::read(book, &root().public()).unwrap();
        let facts = Facts::fold(book, &directory.for_book(book), &NoDays);
        facts.versions.iter().map(|v| (v.id(), v.op, v.author, v.standing)).collect::<Vec<_>>()
    };
    assert_eq!(shown(&left), shown(&right));
    assert_eq!((left.rescued().count(), right.rescued().count()), (2, 2));
    let first = left.carriers(lost[0].record_ids()[0]).iter().find(|c| c.rescued().is_some());
    let end = Carrier { commit: left.commits().len() - 1, index: 0 };
    assert!(left.knew(end, *first.unwrap()));
}
