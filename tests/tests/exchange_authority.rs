//! Whose word a receiver takes, from outside: signatures forged, replayed and stripped, a crew's
//! phone that writes what only the office may, a hub that invents devices, one code at two servers.
//! Nothing of it is refused for want of authority; it is kept, shown and without effect.

#[path = "exchange_authority/access.rs"]
mod access;
mod support;

use bolebook_core::authority::{accept, certify, invite};
use bolebook_core::exchange::{Entry, LogLine};
use bolebook_core::facts::{HeldReason, ProposalReason, Standing};
use bolebook_core::ids::{ActorId, RecordId};
use bolebook_core::record::Body;
use bolebook_core::record::office::SignOff;
use bolebook_core::record::people::{Certificate, CertificateProof, Role};
use bolebook_core::record::work::Note;
use bolebook_core::signing::{HeadSignature, SecretKey, Signature};
use support::scene::{Scene, hub, look, standings, visit};
use support::{Client, END, NOW, fresh, invitation, root, yard};

fn note(text: &str) -> Body {
    Note { about: None, text: text.into() }.into()
}

fn push(client: &Client, book: bolebook_core::ids::BookId, lines: &[&str]) -> support::Answer {
    let head = format!(r#"{{"book":"{book}","server":null,"position":0,"chain":"{}"}}"#, "0".repeat(64));
    let body = format!("{{\"exchange\":1,\"now\":1}}\n{head}\n{}\n", lines.join("\n"));
    client.post_exchange(body.as_bytes(), None).unwrap()
}

#[test]
fn a_forged_signature_vouches_for_nothing_whoever_brings_it() {
    let mut scene = Scene::new();
    let (books, job) = (scene.books(), scene.job);
    let mut forger = scene.device(3, Role::Crew);
    // In the crew's name and under a fresh actor of the crew's device, signed with the forger's key.
    let actor = ActorId::new(scene.crew.key.device(), fresh());
    let lines = forger.lines(job, actor, scene.crew.key.device(), vec![note("forged")]);
    assert_eq!(push(&forger, job, &[lines[0].text(), lines[1].text()]).status, 200);
    // And with the crew's own signature of something else, its hash put right.
    let Entry::Commit(commit) = lines[0].entry() else { panic!("a commit comes first") };
    let taken = HeadSignature::sign(&scene.crew.key, job, actor, commit.seq() + 1, commit.hash());
    let altered = HeadSignature { seq: commit.seq(), ..taken };
    assert_eq!(push(&forger, job, &[LogLine::from(altered).text()]).status, 200);
    for client in [&mut scene.office, &mut scene.crew, &mut forger] {
        client.exchange(&books).unwrap();
        assert_eq!(standings(&client.db, job, "forged"), [Standing::Held(HeldReason::NotVouched)]);
    }
    let codes = scene.office.get(&format!("/v1/books/{job}/findings"));
    assert!(String::from_utf8_lossy(&codes.bytes).contains("record.held"));
}

#[test]
fn what_was_signed_in_one_book_counts_in_no_other() {
    let mut scene = Scene::new();
    let other = scene.office.open_job(2);
    let books = [yard(), scene.job, other];
    scene.office.exchange(&books).unwrap();
    scene.crew.exchange(&books).unwrap();
    let lines = scene.crew.note(scene.job, "replayed");
    scene.crew.exchange(&books).unwrap();
    let mut thief = scene.device(3, Role::Crew);
    thief.exchange(&books).unwrap();
    // The whole commit: it descends from another genesis.
    let refused = push(&thief, other, &[lines[0].text(), lines[1].text()]).problem();
    assert_eq!((refused.status, refused.code.as_str()), (409, "unknown-dependency"));
    // The same record in a commit made for the other book, under the crew's actor, with the crew's
    // signature from the first: the signature names a commit this book does not have.
    let record = match lines[0].entry() {
        Entry::Commit(commit) => commit.records()[0].clone(),
        Entry::Signature(_) => panic!("a commit comes first"),
    };
    let actor = ActorId::new(scene.crew.key.device(), fresh());
    let b = bolebook_log::basis(&thief.db, other, actor).unwrap();
    let draft = bolebook_core::commit::Draft {
        actor,
        seq: b.seq,
        start_op: b.start_op,
        time: NOW,
        deps: b.deps,
        records: vec![record],
    };
    let made = LogLine::from(bolebook_core::commit::Commit::author(draft).unwrap());
    let with = push(&thief, other, &[made.text(), lines[1].text()]);
    assert_eq!(with.status, 422, "{:?}", with.problem());
    assert_eq!(push(&thief, other, &[made.text()]).status, 200);
    scene.office.exchange(&books).unwrap();
    assert_eq!(standings(&scene.office.db, other, "replayed"), [Standing::Held(HeldReason::NotVouched)]);
    assert_eq!(standings(&scene.office.db, scene.job, "replayed"), [Standing::InForce]);
    // Signed over for the other book with the thief's own key and actor: then it is the thief's word,
    // and the record names somebody else.
    let actor = ActorId::new(thief.key.device(), fresh());
    let lines = thief.lines(other, actor, scene.crew.key.device(), vec![note("in another's name")]);
    assert_eq!(push(&thief, other, &[lines[0].text(), lines[1].text()]).status, 200);
    scene.office.exchange(&books).unwrap();
    let held = Standing::Held(HeldReason::NotItsAuthor);
    assert_eq!(standings(&scene.office.db, other, "in another's name"), [held]);
}

#[test]
fn work_whose_signatures_were_stripped_on_the_way_is_held_until_its_device_comes_itself() {
    let mut scene = Scene::new();
    let (books, job) = (scene.books(), scene.job);
    let folder = tempfile::tempdir().unwrap();
    let hub = hub(folder.path(), 12);
    visit(&mut scene.crew, &hub);
    scene.crew.note(job, "through a bad hub");
    scene.crew.exchange(&books).unwrap();
    // The hub hands the commits on and keeps the crew's signatures back.
    let db = bolebook_log::open(&folder.path().join("bolebook.sqlite")).unwrap();
    let all = bolebook_log::read(&db, job, 0, bolebook_log::Page::ALL).unwrap();
    let stripped: Vec<String> = all
        .into_iter()
        .map(|line| line.text)
        .filter(|text| match LogLine::parse(text).unwrap().entry() {
            Entry::Commit(_) => true,
            Entry::Signature(s) => s.actor.device() != scene.crew.key.device(),
        })
        .collect();
    let of_hub = Client::certified(&scene.server.url, 12, Role::Server);
    let lines: Vec<&str> = stripped.iter().map(String::as_str).collect();
    let answer = push(&of_hub, job, &lines);
    assert_eq!(answer.status, 200, "{}", String::from_utf8_lossy(&answer.bytes));
    scene.office.exchange(&books).unwrap();
    let text = "through a bad hub";
    assert_eq!(standings(&scene.office.db, job, text), [Standing::Held(HeldReason::NotVouched)]);
    visit(&mut scene.crew, &scene.server);
    scene.crew.exchange(&books).unwrap();
    scene.office.exchange(&books).unwrap();
    assert_eq!(standings(&scene.office.db, job, text), [Standing::InForce]);
}

#[test]
fn what_only_the_office_may_write_is_a_proposal_from_a_crews_phone() {
    let mut scene = Scene::new();
    let (books, job) = (scene.books(), scene.job);
    let crew = RecordId::new(1, [77; 10]);
    let sign_off =
        SignOff { crew, day: "2026-06-01".parse().unwrap(), job_heads: vec![], yard_heads: vec![] };
    let label = bolebook_tests::world::label();
    scene.crew.write(job, vec![sign_off.into(), note("a note of its own")]);
    scene.crew.write(yard(), vec![label.into()]);
    scene.crew.exchange(&books).unwrap();
    scene.office.exchange(&books).unwrap();
    let proposal = Standing::Proposal(ProposalReason::OfficeOnly);
    assert_eq!(standings(&scene.office.db, job, r#""kind":"sign_off""#), [proposal]);
    assert_eq!(standings(&scene.office.db, job, r#""kind":"label""#), [proposal]);
    assert_eq!(standings(&scene.office.db, job, "a note of its own"), [Standing::InForce]);
    look(&scene.office.db, job, |_, yard, _| {
        use bolebook_core::record::Kind;
        assert_eq!(yard.facts.in_force(Kind::Label).count(), 0, "no dose is ever worked out from it");
    });
    // The same from the office counts.
    let label = bolebook_tests::world::label();
    scene.office.write(yard(), vec![label.into()]);
    assert!(standings(&scene.office.db, job, r#""kind":"label""#).contains(&Standing::InForce));
}

#[test]
fn a_hub_that_invents_devices_makes_none() {
    let mut scene = Scene::new();
    let (books, job) = (scene.books(), scene.job);
    let folder = tempfile::tempdir().unwrap();
    let hub = hub(folder.path(), 13);
    drop(hub);
    let hub_key = SecretKey::from_seed([13; 32]);
    let mut of_hub = Client::certified(&scene.server.url, 13, Role::Server);
    of_hub.exchange(&books).unwrap();
    let invented = SecretKey::from_seed([99; 32]);
    let grant = |role| bolebook_core::authority::Grant {
        key: invented.public(),
        role,
        crew: None,
        name: "invented".into(),
        not_before: NOW,
        not_after: END,
    };
    // Signed by the hub as if it were the root; with an invitation of the hub's own; with the root's
    // signature of another certificate.
    let by_hub = certify(&hub_key, grant(Role::Office)).unwrap();
    let code = "88887777666655554444";
    let offer = bolebook_core::authority::Offer {
        yard: yard(),
        role: Role::Office,
        crew: None,
        name: "invented".into(),
        use_by: END,
        not_after: END,
    };
    let own_invitation = invite(&hub_key, code, offer).unwrap();
    let by_invitation = accept(&own_invitation, code, invented.public(), NOW).unwrap();
    let real = certify(&root(), grant(Role::Crew)).unwrap();
    let raised = Certificate { role: Role::Office, ..real };
    let blank = CertificateProof::Root { signature: Signature("00".repeat(64)) };
    let unsigned = Certificate { proof: blank, ..by_hub.clone() };
    let forged = [by_hub, by_invitation, raised, unsigned];
    of_hub.write(yard(), forged.iter().cloned().map(Body::from).collect());
    // The invented device's work, signed with its own key, handed on by the hub.
    let mut ghost = Client::new(&scene.server.url, 99);
    ghost.db = of_hub.copied().db;
    let lines = ghost.note(job, "by nobody");
    of_hub.exchange(&books).unwrap();
    assert_eq!(push(&of_hub, job, &[lines[0].text(), lines[1].text()]).status, 200);
    scene.office.exchange(&books).unwrap();
    assert_eq!(standings(&scene.office.db, job, "by nobody"), [Standing::Held(HeldReason::NoCertificate)]);
    look(&scene.office.db, job, |_, _, directory| {
        assert!(directory.certificate(invented.device()).is_none());
        assert_eq!(directory.unproven().len(), forged.len());
    });
    for certificate in forged {
        ghost.certificate = Some(certificate);
        let refused = ghost.sign_in().unwrap_err();
        assert_eq!(refused.status, 403, "{refused:?}");
    }
    // Nor does a server's certificate let it write what the office writes.
    of_hub.write(yard(), vec![bolebook_tests::world::label().into()]);
    of_hub.exchange(&books).unwrap();
    scene.office.exchange(&books).unwrap();
    let standing = standings(&scene.office.db, job, r#""kind":"label""#);
    assert!(standing.iter().all(|s| *s != Standing::InForce) && standing.len() == 1, "{standing:?}");
}

#[test]
fn a_code_used_at_two_servers_lets_neither_device_in_once_they_know_of_each_other() {
    let mut scene = Scene::new();
    let books = scene.books();
    let folder = tempfile::tempdir().unwrap();
    let hub = hub(folder.path(), 14);
    let code = "55556666777788889999";
    // The hub has the yard from the office, which deposits the invitation at both.
    visit(&mut scene.office, &hub);
    scene.office.exchange(&books).unwrap();
    assert_eq!(scene.office.json("POST", "/v1/invitations", &invitation(Role::Crew, code)).status, 204);
    visit(&mut scene.office, &scene.server);
    assert_eq!(scene.office.json("POST", "/v1/invitations", &invitation(Role::Crew, code)).status, 204);
    // Both are let in, each by a server that cannot know of the other.
    let mut at_main = Client::new(&scene.server.url, 31);
    at_main.enrol(code);
    at_main.exchange(&books).unwrap();
    let mut at_hub = Client::new(&hub.url, 32);
    at_hub.enrol(code);
    at_hub.exchange(&books).unwrap();
    for client in [&mut at_main, &mut at_hub] {
        let own = client.certificate.clone().unwrap();
        client.write(yard(), vec![own.into()]);
        let text =
            if client.key.device() == SecretKey::from_seed([31; 32]).device() { "main" } else { "hub" };
        client.note(scene.job, &format!("written at the {text}"));
        client.exchange(&books).unwrap();
    }
    bolebook_server::relay::pass_on(&hub.app, &scene.server.url).unwrap();
    scene.office.exchange(&books).unwrap();
    // Both are held and shown, and neither comes in any more: the office decides with the root key.
    for text in ["written at the main", "written at the hub"] {
        let held = [Standing::Held(HeldReason::NoCertificate)];
        assert_eq!(standings(&scene.office.db, scene.job, text), held, "{text}");
    }
    assert_eq!(at_main.sign_in().unwrap_err().code, "code-shared");
    assert_eq!(at_hub.sign_in().unwrap_err().code, "code-shared");
    let grant = bolebook_core::authority::Grant {
        key: at_main.key.public(),
        role: Role::Crew,
        crew: None,
        name: "the one meant".into(),
        not_before: NOW,
        not_after: END,
    };
    scene.office.write(yard(), vec![certify(&root(), grant).unwrap().into()]);
    scene.office.exchange(&books).unwrap();
    assert_eq!(standings(&scene.office.db, scene.job, "written at the main"), [Standing::InForce]);
    let held = [Standing::Held(HeldReason::NoCertificate)];
    assert_eq!(standings(&scene.office.db, scene.job, "written at the hub"), held);
    at_main.sign_in().unwrap();
}
