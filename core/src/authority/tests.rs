//! Forged, replayed, stripped and stretched: none of it gives authority.

use super::*;
use crate::facts::{Authority as _, HeldReason};
use crate::ids::{ActorId, CommitHash, RecordId};
use crate::record::book_kinds::{BookContent, ChainEnd};
use crate::record::people::{AcceptedChains, Revocation};
use crate::record::work::Note;
use crate::record::{Body, Envelope, Record};

const CODE: &str = "0123 4567 8901 2345 6789";
const END: UtcMs = UtcMs(1_000_000_000_000);

fn yard_id() -> BookId {
    BookId::new(1, [1; 10])
}

fn root() -> SecretKey {
    SecretKey::from_seed([1; 32])
}

fn offer(role: Role) -> Offer {
    Offer { yard: yard_id(), role, crew: None, name: "phone".into(), use_by: UtcMs(500), not_after: END }
}

fn grant(key: &SecretKey, role: Role) -> Grant {
    let (not_before, not_after) = (UtcMs(100), END);
    Grant { key: key.public(), role, crew: None, name: "desk".into(), not_before, not_after }
}

/// A device that writes into a shared book.
struct Writer {
    key: SecretKey,
    actor: ActorId,
    count: u8,
}

impl Writer {
    fn new(number: u8) -> Self {
        let key = SecretKey::from_seed([number; 32]);
        let actor = ActorId::new(key.device(), [number; 16]);
        Self { key, actor, count: 0 }
    }

    fn write(&mut self, book: &mut Book, at: i64, body: impl Into<Body>) -> Commit {
        self.count += 1;
        let id = RecordId::new(at, [self.count, self.key.device().0[0], 0, 0, 0, 0, 0, 0, 0, 0]);
        let envelope = Envelope { id, at: UtcMs(at), device: self.key.device(), by: None, replaces: vec![] };
        let text = Record { envelope, body: body.into() }.to_canonical().unwrap();
        book.write(self.actor, UtcMs(at), &[text]).unwrap().remove(0)
    }

    fn sign(&self, book: &mut Book, commit: &Commit) {
        let signed = HeadSignature::sign(&self.key, book.id(), self.actor, commit.seq(), commit.hash());
        book.take_signature(signed);
    }

    fn note(&mut self, book: &mut Book, at: i64) -> Commit {
        self.write(book, at, Note { about: None, text: "checked the gate".into() })
    }
}

fn yard_book() -> Book {
    let mut book = Book::new(yard_id());
    let mut writer = Writer::new(1);
    let content = BookContent::Yard { company: "Invented Tree Care".into() };
    let root = root().public();
    let genesis = Genesis { format: 1, book: yard_id(), root, title: "Yard".into(), content };
    let commit = writer.write(&mut book, 1, genesis);
    writer.sign(&mut book, &commit);
    book
}

fn hold(book: &Book, commit: &Commit) -> Option<HeldReason> {
    let directory = Directory::read(book, &root().public()).unwrap();
    directory.for_book(book).hold(book, commit)
}

#[test]
fn a_certificate_holds_by_the_root_or_by_invitation_and_code() {
    let device = SecretKey::from_seed([2; 32]);
    let by_root = certify(&root(), grant(&device, Role::Office)).unwrap();
    assert_eq!(verify_certificate(&by_root, &root().public(), yard_id()), Ok(device.device()));
    let invitation = invite(&root(), CODE, offer(Role::Crew)).unwrap();
    let by_code = accept(&invitation, "01234567890123456789", device.public(), UtcMs(400)).unwrap();
    assert_eq!(verify_certificate(&by_code, &root().public(), yard_id()), Ok(device.device()));
    assert_eq!(by_code.role, Role::Crew);
}

#[test]
fn a_short_code_or_a_wrong_one_makes_nothing() {
    assert_eq!(invite(&root(), "1234 5678", offer(Role::Crew)), Err(AuthorityError::Code));
    let invitation = invite(&root(), CODE, offer(Role::Crew)).unwrap();
    let other = "99999999999999999999";
    assert!(accept(&invitation, other, root().public(), UtcMs(1)).is_err());
}

#[test]
fn whatever_is_changed_in_a_certificate_breaks_it() {
    let device = SecretKey::from_seed([2; 32]);
    let (root_key, stranger) = (root().public(), SecretKey::from_seed([3; 32]));
    let invitation = invite(&root(), CODE, offer(Role::Crew)).unwrap();
    let by_root = certify(&root(), grant(&device, Role::Crew)).unwrap();
    let by_code = accept(&invitation, CODE, device.public(), UtcMs(400)).unwrap();
    type Change = fn(&mut Certificate);
    let changes: [(&str, Change); 7] = [
        ("role", |c| c.role = Role::Office),
        ("name", |c| c.name.push('!')),
        ("end", |c| c.not_after = UtcMs(c.not_after.0 + 1)),
        ("beginning", |c| c.not_before = UtcMs(c.not_before.0 - 1)),
        ("key", |c| c.key = SecretKey::from_seed([3; 32]).public()),
        ("crew", |c| c.crew = Some(RecordId::new(1, [1; 10]))),
        ("proof stripped", |c| {
            c.proof = CertificateProof::Root { signature: Signature("00".repeat(64)) };
        }),
    ];
    for (what, change) in changes {
        for certificate in [&by_root, &by_code] {
            let mut changed = certificate.clone();
            change(&mut changed);
            assert!(verify_certificate(&changed, &root_key, yard_id()).is_err(), "{what}");
        }
    }
    let late = accept(&invitation, CODE, device.public(), UtcMs(501)).unwrap();
    let error = verify_certificate(&late, &root_key, yard_id());
    assert_eq!(error, Err(AuthorityError::NotAsInvited("beginning")));
    let forged = certify(&stranger, grant(&device, Role::Office)).unwrap();
    assert!(verify_certificate(&forged, &root_key, yard_id()).is_err());
    let other_yard = BookId::new(1, [9; 10]);
    let error = verify_certificate(&by_code, &root_key, other_yard).unwrap_err();
    assert!(matches!(error, AuthorityError::OtherYard { .. }));
    // A larger invitation cannot be put under the code's signature.
    let mut stretched = by_code.clone();
    if let CertificateProof::Invitation { invitation, .. } = &mut stretched.proof {
        invitation.role = Role::Office;
    }
    stretched.role = Role::Office;
    assert!(verify_certificate(&stretched, &root_key, yard_id()).is_err());
}

#[test]
fn a_genesis_counts_only_with_the_pinned_root_key_and_its_signature() {
    let book = yard_book();
    assert!(Directory::read(&book, &root().public()).is_ok());
    let stranger = SecretKey::from_seed([3; 32]).public();
    assert_eq!(Directory::read(&book, &stranger).unwrap_err(), AuthorityError::OtherRoot);
    let mut stripped = Book::new(yard_id());
    stripped.take(book.commits()[0].clone()).unwrap();
    let error = Directory::read(&stripped, &root().public()).unwrap_err();
    assert_eq!(error, AuthorityError::GenesisUnsigned);
}

#[test]
fn work_is_held_until_certificate_and_signature_are_there() {
    let mut book = yard_book();
    let mut crew = Writer::new(2);
    let note = crew.note(&mut book, 1_000);
    assert_eq!(hold(&book, &note), Some(HeldReason::NoCertificate));
    let invitation = invite(&root(), CODE, offer(Role::Crew)).unwrap();
    let certificate = accept(&invitation, CODE, crew.key.public(), UtcMs(400)).unwrap();
    let commit = crew.write(&mut book, 1_000, certificate);
    assert_eq!(hold(&book, &note), Some(HeldReason::NotVouched));
    crew.sign(&mut book, &commit);
    assert_eq!(hold(&book, &note), None);
    let more = crew.note(&mut book, 1_001);
    assert_eq!(hold(&book, &more), Some(HeldReason::NotVouched));
}

#[test]
fn a_signature_from_another_book_actor_or_key_covers_nothing() {
    let mut book = yard_book();
    let mut crew = Writer::new(2);
    let certificate = certify(&root(), grant(&crew.key, Role::Crew)).unwrap();
    let commit = crew.write(&mut book, 1_000, certificate);
    let (key, actor, hash) = (&crew.key, crew.actor, commit.hash());
    let stranger = SecretKey::from_seed([3; 32]);
    let other_book = BookId::new(1, [9; 10]);
    let by_stranger = key_signed(&stranger, book.id(), actor, 1, hash);
    for bad in [
        HeadSignature::sign(key, other_book, actor, 1, hash),
        HeadSignature::sign(key, book.id(), actor, 2, hash),
        HeadSignature::sign(key, book.id(), actor, 1, CommitHash([7; 32])),
        by_stranger,
    ] {
        book.take_signature(bad);
    }
    assert_eq!(hold(&book, &commit), Some(HeldReason::NotVouched));
    // One that holds still counts among those that do not.
    crew.sign(&mut book, &commit);
    assert_eq!(hold(&book, &commit), None);
}

fn key_signed(key: &SecretKey, book: BookId, actor: ActorId, seq: u64, hash: CommitHash) -> HeadSignature {
    HeadSignature { actor, hash, seq, signature: key.sign(&HeadSignature::message(book, actor, seq, hash)) }
}

#[test]
fn a_clock_a_day_off_is_forgiven_and_a_certificate_that_ended_is_not() {
    let mut book = yard_book();
    let mut crew = Writer::new(2);
    let mut grant = grant(&crew.key, Role::Crew);
    grant.not_before = UtcMs(CLOCK_TOLERANCE_MS * 5);
    grant.not_after = UtcMs(CLOCK_TOLERANCE_MS * 9);
    let certificate = certify(&root(), grant).unwrap();
    crew.write(&mut book, 1, certificate);
    let expected = [(4, None), (3, Some(HeldReason::OutsideCertificate)), (10, None)];
    let last = (11, Some(HeldReason::OutsideCertificate));
    for (day, reason) in expected.into_iter().chain([last]) {
        let commit = crew.note(&mut book, CLOCK_TOLERANCE_MS * day);
        crew.sign(&mut book, &commit);
        assert_eq!(hold(&book, &commit), reason, "day {day}");
    }
}

#[test]
fn one_code_used_for_two_devices_proves_neither_until_the_root_says_so() {
    let mut book = yard_book();
    let (mut a, mut b) = (Writer::new(2), Writer::new(3));
    let invitation = invite(&root(), CODE, offer(Role::Crew)).unwrap();
    for writer in [&mut a, &mut b] {
        let certificate = accept(&invitation, CODE, writer.key.public(), UtcMs(400)).unwrap();
        let commit = writer.write(&mut book, 1_000, certificate);
        writer.sign(&mut book, &commit);
    }
    let directory = Directory::read(&book, &root().public()).unwrap();
    assert_eq!(directory.devices().count(), 0);
    assert!(directory.unproven().iter().all(|u| u.error == AuthorityError::UsedTwice));
    let certificate = certify(&root(), grant(&a.key, Role::Crew)).unwrap();
    b.write(&mut book, 1_001, certificate);
    let directory = Directory::read(&book, &root().public()).unwrap();
    assert_eq!(directory.role_of(a.key.device()), Some(Role::Crew));
    assert_eq!(directory.role_of(b.key.device()), None);
}

#[test]
fn only_the_office_revokes_and_what_it_accepted_stays() {
    let mut book = yard_book();
    let (mut crew, mut other, mut office) = (Writer::new(2), Writer::new(3), Writer::new(4));
    for (writer, role) in [(&mut crew, Role::Crew), (&mut other, Role::Crew), (&mut office, Role::Office)] {
        let certificate = certify(&root(), grant(&writer.key, role)).unwrap();
        writer.write(&mut book, 1_000, certificate);
    }
    let accepted = crew.note(&mut book, 1_000);
    let later = crew.note(&mut book, 1_000);
    crew.sign(&mut book, &later);
    let ends = vec![ChainEnd { actor: crew.actor, seq: accepted.seq() }];
    let revocation = Revocation {
        device: crew.key.device(),
        reason: "phone lost".into(),
        accepted: vec![AcceptedChains { book: book.id(), ends }],
    };
    let by_crew = other.write(&mut book, 1_001, revocation.clone());
    other.sign(&mut book, &by_crew);
    assert_eq!(hold(&book, &later), None);
    let by_office = office.write(&mut book, 1_001, revocation);
    assert_eq!(hold(&book, &later), None, "unsigned, it has no force yet");
    office.sign(&mut book, &by_office);
    assert_eq!(hold(&book, &accepted), None);
    assert_eq!(hold(&book, &later), Some(HeldReason::Revoked));
    let directory = Directory::read(&book, &root().public()).unwrap();
    assert_eq!(directory.admits(crew.key.device(), UtcMs(2_000)), Err(HeldReason::Revoked));
    assert_eq!(directory.admits(office.key.device(), UtcMs(2_000)), Ok(Role::Office));
}

#[test]
fn the_root_keys_own_device_is_the_office() {
    let mut book = yard_book();
    let mut writer = Writer { count: 9, ..Writer::new(1) };
    let note = writer.note(&mut book, 5);
    assert_eq!(hold(&book, &note), Some(HeldReason::NotVouched));
    writer.sign(&mut book, &note);
    assert_eq!(hold(&book, &note), None);
    let directory = Directory::read(&book, &root().public()).unwrap();
    assert_eq!(directory.role_of(root().device()), Some(Role::Office));
}

mod rescued;
mod rogue;
