//! An office device in the wrong hands: what it says of others, whatever numbers and times it gives.

use super::*;
use crate::commit::Draft;

/// A yard with two office devices and a crew's phone, each with a note the office has seen.
struct Scene {
    book: Book,
    first: Writer,
    second: Writer,
    crew: Writer,
    genesis: Commit,
    accepted: Vec<Commit>,
}

impl Scene {
    fn new() -> Self {
        let mut book = yard_book();
        let genesis = book.commits()[0].clone();
        let (mut first, mut second, mut crew) = (Writer::new(4), Writer::new(5), Writer::new(2));
        let mut accepted = vec![];
        for (writer, role) in
            [(&mut first, Role::Office), (&mut second, Role::Office), (&mut crew, Role::Crew)]
        {
            let certificate = certify(&root(), grant(&writer.key, role)).unwrap();
            writer.write(&mut book, 1_000, certificate);
            let note = writer.note(&mut book, 1_001);
            writer.sign(&mut book, &note);
            accepted.push(note);
        }
        Self { book, first, second, crew, genesis, accepted }
    }

    /// A revocation of `device` that accepts what was there at the start.
    fn revocation(&self, device: &Writer) -> Revocation {
        let ends = self.accepted.iter().filter(|c| c.actor() == device.actor);
        let ends = ends.map(|c| ChainEnd { actor: c.actor(), seq: c.seq() }).collect();
        Revocation {
            device: device.key.device(),
            reason: "stolen".into(),
            accepted: vec![AcceptedChains { book: self.book.id(), ends }],
        }
    }

    /// A commit by a fresh actor that claims to know nothing but these, and so has a low number.
    fn slip_in(&mut self, key: &SecretKey, number: u8, deps: &[&Commit], body: impl Into<Body>) -> Commit {
        let actor = ActorId::new(key.device(), [number; 16]);
        let id = RecordId::new(1, [number, key.device().0[0], 1, 0, 0, 0, 0, 0, 0, 0]);
        let envelope = Envelope { id, at: UtcMs(900), device: key.device(), by: None, replaces: vec![] };
        let records = vec![Record { envelope, body: body.into() }.to_canonical().unwrap()];
        let start_op = deps.iter().map(|c| c.last_op()).max().unwrap() + 1;
        let deps = deps.iter().map(|c| c.hash()).collect();
        let draft = Draft { actor, seq: 1, start_op, time: UtcMs(900), deps, records };
        let commit = Commit::author(draft).unwrap();
        self.book.take(commit.clone()).unwrap();
        let signed = HeadSignature::sign(key, self.book.id(), actor, 1, commit.hash());
        self.book.take_signature(signed);
        commit
    }

    fn read(&self) -> Directory {
        Directory::read(&self.book, &root().public()).unwrap()
    }
}

fn key(number: u8) -> SecretKey {
    SecretKey::from_seed([number; 32])
}

#[test]
fn a_stolen_office_device_does_not_undo_its_revocation_with_a_lower_number() {
    let mut scene = Scene::new();
    let by_office = scene.revocation(&scene.second);
    let commit = scene.first.write(&mut scene.book, 2_000, by_office);
    scene.first.sign(&mut scene.book, &commit);
    let by_thief = scene.revocation(&scene.first);
    let genesis = scene.genesis.clone();
    let slipped = scene.slip_in(&key(5), 50, &[&genesis], by_thief);
    assert!(slipped.start_op() < commit.start_op());
    let directory = scene.read();
    assert!(directory.revoked(key(5).device()), "the thief's device is out, whatever it says");
    // Nobody can tell which of two that speak against each other was first: both wait for the root.
    assert!(directory.revoked(key(4).device()));
    let by_root = scene.revocation(&scene.second);
    let mut root = Writer { count: 9, ..Writer::new(1) };
    let commit = root.write(&mut scene.book, 3_000, by_root);
    root.sign(&mut scene.book, &commit);
    let directory = scene.read();
    assert!(directory.revoked(key(5).device()) && !directory.revoked(key(4).device()));
    assert_eq!(directory.admits(key(4).device(), UtcMs(3_000)), Ok(Role::Office));
}

#[test]
fn what_a_stolen_office_device_backdates_revokes_no_one() {
    let mut scene = Scene::new();
    let by_office = scene.revocation(&scene.second);
    let commit = scene.first.write(&mut scene.book, 2_000, by_office);
    scene.first.sign(&mut scene.book, &commit);
    let by_thief = scene.revocation(&scene.crew);
    let genesis = scene.genesis.clone();
    scene.slip_in(&key(5), 50, &[&genesis], by_thief);
    let late = scene.crew.note(&mut scene.book, 2_001);
    scene.crew.sign(&mut scene.book, &late);
    assert_eq!(hold(&scene.book, &late), None);
}

#[test]
fn a_revocation_made_before_and_accepted_stays_in_force() {
    let mut scene = Scene::new();
    let of_crew = scene.revocation(&scene.crew);
    let commit = scene.second.write(&mut scene.book, 2_000, of_crew);
    scene.second.sign(&mut scene.book, &commit);
    scene.accepted.push(commit);
    let of_second = scene.revocation(&scene.second);
    let commit = scene.first.write(&mut scene.book, 2_001, of_second);
    scene.first.sign(&mut scene.book, &commit);
    let late = scene.crew.note(&mut scene.book, 2_002);
    scene.crew.sign(&mut scene.book, &late);
    assert_eq!(hold(&scene.book, &late), Some(HeldReason::Revoked));
}

#[test]
fn whoever_knew_of_its_revocation_revokes_no_one_after_it() {
    for knew in [true, false] {
        let mut scene = Scene::new();
        let by_office = scene.revocation(&scene.second);
        let commit = scene.first.write(&mut scene.book, 2_000, by_office);
        scene.first.sign(&mut scene.book, &commit);
        let by_thief = scene.revocation(&scene.first);
        let genesis = scene.genesis.clone();
        let base = if knew { &commit } else { &genesis };
        scene.slip_in(&key(5), 50, &[base], by_thief);
        assert_eq!(scene.read().revoked(key(4).device()), !knew);
        assert!(scene.read().revoked(key(5).device()));
    }
}

#[test]
fn revocations_in_a_ring_hold_all_of_them_and_the_root_opens_it() {
    let mut scene = Scene::new();
    let third = Writer::new(6);
    let certificate = certify(&root(), grant(&third.key, Role::Office)).unwrap();
    let genesis = scene.genesis.clone();
    scene.slip_in(&key(6), 60, &[&genesis], certificate);
    for (by, of, number) in [(4, 5, 61), (5, 6, 62), (6, 4, 63)] {
        let body = Revocation { device: key(of).device(), reason: "ring".into(), accepted: vec![] };
        scene.slip_in(&key(by), number, &[&genesis], body);
    }
    let directory = scene.read();
    assert!([4, 5, 6].into_iter().all(|n| directory.revoked(key(n).device())));
    let body = Revocation { device: key(4).device(), reason: "stolen".into(), accepted: vec![] };
    scene.slip_in(&key(1), 64, &[&genesis], body);
    let directory = scene.read();
    let revoked = [4, 5, 6].map(|n| directory.revoked(key(n).device()));
    assert_eq!(revoked, [true, false, true], "4's word falls, so 5 stands, and 5's word on 6 holds");
}

#[test]
fn i1_who_is_revoked_is_the_same_in_whatever_order_it_arrived() {
    let mut scene = Scene::new();
    let genesis = scene.genesis.clone();
    let (first, second, crew) =
        (scene.revocation(&scene.first), scene.revocation(&scene.second), scene.revocation(&scene.crew));
    scene.slip_in(&key(4), 51, &[&genesis], second);
    scene.slip_in(&key(5), 52, &[&genesis], first);
    scene.slip_in(&key(5), 53, &[&genesis], crew);
    let state = |d: &Directory| [2, 4, 5].map(|n| d.revoked(key(n).device()));
    let expected = state(&scene.read());
    for turn in 0..3 {
        let mut other = Book::new(scene.book.id());
        let commits = scene.book.commits();
        let split = commits.len() - 3;
        for commit in &commits[..split] {
            other.take(commit.clone()).unwrap();
        }
        let mut late = commits[split..].to_vec();
        late.rotate_left(turn);
        for commit in late {
            other.take(commit).unwrap();
        }
        scene.book.signatures().for_each(|s| other.take_signature(s.clone()));
        assert_eq!(state(&Directory::read(&other, &root().public()).unwrap()), expected);
    }
}
