//! A crowd of devices that write, amend, strike and exchange at random, and what they see. For
//! tests only: whatever cannot happen here panics.

use bolebook_core::book::Book;
use bolebook_core::commit::Commit;
use bolebook_core::facts::{Authority, Facts, HeldReason};
use bolebook_core::ids::{ActorId, BookId, CrewId, DeviceId, RecordId};
use bolebook_core::quantity::UtcMs;
use bolebook_core::record::book_kinds::Strike;
use bolebook_core::record::people::Role;
use bolebook_core::record::work::Note;
use bolebook_core::record::{Body, Envelope, Record};

use crate::root;

/// Devices in a crowd; device 0 is the office's, device 3 has no valid signature.
pub const DEVICES: u8 = 4;

/// One thing a device does.
#[derive(Clone, Copy, Debug)]
pub struct Step {
    /// Which device.
    pub device: u8,
    /// 0 and 1: a note; 2: an amendment; 3: a strike; 4: an exchange; 5: another text under
    /// an id that is taken.
    pub act: u8,
    /// Which record, or which other device.
    pub pick: u16,
}

/// Example records, by file name.
pub fn accepted_examples() -> Vec<String> {
    let folder = root().join("schemas/examples/accepted");
    let mut paths: Vec<_> = std::fs::read_dir(folder).unwrap().map(|e| e.unwrap().path()).collect();
    paths.sort();
    paths.iter().map(|path| std::fs::read_to_string(path).unwrap().trim_end().to_owned()).collect()
}

fn genesis() -> (BookId, String) {
    let text = accepted_examples().into_iter().find(|t| t.contains(r#""type":"job""#)).unwrap();
    match Record::read(&text).unwrap().body {
        Body::Genesis(genesis) => (genesis.book, text),
        _ => unreachable!("the example of a job is a genesis"),
    }
}

/// The example job's book, without a commit.
pub fn empty_book() -> Book {
    Book::new(genesis().0)
}

/// Devices with a replica each.
pub struct Crowd {
    replicas: Vec<Book>,
}

impl Crowd {
    /// Plays steps from the genesis on.
    pub fn play(steps: &[Step]) -> Self {
        Self::play_watched(steps, |_| {})
    }

    /// The same, showing device 0's book after every step.
    pub fn play_watched(steps: &[Step], mut watch: impl FnMut(&Book)) -> Self {
        let mut book = empty_book();
        book.write(ActorId::new(DeviceId([99; 16]), [0; 16]), UtcMs(0), &[genesis().1]).unwrap();
        let mut crowd = Self { replicas: vec![book; usize::from(DEVICES)] };
        for (number, step) in steps.iter().enumerate() {
            crowd.act(number, *step);
            watch(&crowd.replicas[0]);
        }
        crowd
    }

    fn act(&mut self, number: usize, step: Step) {
        let device = usize::from(step.device);
        if step.act == 4 {
            let other = usize::from(step.pick) % self.replicas.len();
            let commits = self.replicas[other].commits().to_vec();
            exchange(&mut self.replicas[device], &commits);
            return;
        }
        let known: Vec<RecordId> = self.replicas[device].records().map(|(id, _)| id).collect();
        let picked = known[usize::from(step.pick) % known.len()];
        let fresh = RecordId::new(1_000 + number as i64, [step.device; 10]);
        let id = if step.act == 5 { picked } else { fresh };
        let note = Body::Note(Box::new(Note { about: None, text: format!("note {number}") }));
        let (body, replaces) = match step.act {
            2 => (note, vec![picked]),
            3 => (Body::Strike(Box::new(Strike { records: vec![picked], reason: "wrong".into() })), vec![]),
            _ => (note, vec![]),
        };
        let envelope = Envelope { id, at: UtcMs(0), device: DeviceId([step.device; 16]), by: None, replaces };
        let text = Record { envelope, body }.to_canonical().unwrap();
        let actor = ActorId::new(DeviceId([step.device; 16]), [0; 16]);
        self.replicas[device].write(actor, UtcMs(0), &[text]).unwrap();
    }

    /// A book with every commit of every device.
    pub fn all(&self) -> Book {
        let mut all = self.replicas[0].clone();
        for replica in &self.replicas[1..] {
            exchange(&mut all, replica.commits());
        }
        all
    }
}

fn exchange(to: &mut Book, commits: &[Commit]) {
    for commit in commits {
        to.take(commit.clone()).unwrap();
    }
}

/// The commits in the order of random keys, as far as their dependencies allow it.
pub fn in_order(commits: &[Commit], keys: &[u32]) -> Vec<Commit> {
    let mut left: Vec<(u32, &Commit)> = commits
        .iter()
        .enumerate()
        .map(|(i, c)| (keys[i % keys.len()].wrapping_mul(i as u32 + 1), c))
        .collect();
    left.sort_by_key(|(key, _)| *key);
    let mut ordered: Vec<Commit> = vec![];
    while !left.is_empty() {
        let ready =
            left.iter().position(|(_, c)| c.deps().iter().all(|d| ordered.iter().any(|o| o.hash() == *d)));
        let (_, commit) = left.remove(ready.expect("commits of one book depend on each other only"));
        ordered.push(commit.clone());
    }
    ordered
}

/// Trusts device 0 as the office, others as crews; what device 3 writes is not vouched for.
pub struct Trusting;

impl Authority for Trusting {
    fn role(&self, device: DeviceId) -> Option<Role> {
        Some(if device == DeviceId([0; 16]) { Role::Office } else { Role::Crew })
    }

    fn crew(&self, _: DeviceId) -> Option<CrewId> {
        None
    }

    fn hold(&self, _: &Book, commit: &Commit) -> Option<HeldReason> {
        (commit.actor().device() == DeviceId([3; 16])).then_some(HeldReason::NotVouched)
    }
}

/// Everything a fold says, without the places that depend on the order of arrival.
pub fn shown(book: &Book, facts: &Facts) -> String {
    use std::fmt::Write as _;
    let mut out = String::new();
    let id = |v: &usize| facts.versions[*v].id();
    for v in &facts.versions {
        let hash = book.carrying(v.carrier).unwrap().hash();
        let _ = writeln!(out, "{} {hash} {} {:?} {}", v.id(), v.op, v.standing, facts.facts[v.fact].id);
    }
    for f in &facts.facts {
        let history: Vec<RecordId> = f.history.iter().map(id).collect();
        let current: Vec<RecordId> = f.current.iter().map(id).collect();
        let _ = writeln!(out, "{} {history:?} {current:?} {:?} {:?}", f.id, f.struck_by, f.contested);
    }
    for u in &facts.unreadable {
        let _ = writeln!(out, "{} {} {}", u.id, u.author, u.error);
    }
    let _ = writeln!(out, "{:?} {:?}", facts.bad_references, facts.conflicting);
    out
}
