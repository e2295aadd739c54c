//! Whose word counts, and when: admissions struck, sign-offs amended, strikes the office made,
//! devices that change hands, clocks that are off.

use bolebook_core::authority::{Grant, certify};
use bolebook_core::commit::{Commit, Draft};
use bolebook_core::dosing::invented::confirmation_of;
use bolebook_core::facts::{ProposalReason, Standing};
use bolebook_core::ids::{ActorId, CrewId, RecordId};
use bolebook_core::quantity::{Ms, UtcMs};
use bolebook_core::record::book_kinds::{ChainEnd, Receipt};
use bolebook_core::record::label::LabelConfirmation;
use bolebook_core::record::office::{Decision, Ruling, SignOff};
use bolebook_core::record::people::{Admission, Certificate, Role};
use bolebook_core::record::product::MovementKind;
use bolebook_core::record::work::Note;
use bolebook_core::record::{Body, Envelope, Kind, Record};
use bolebook_core::signing::{HeadSignature, SecretKey};
use bolebook_core::view::{CrewDay, Yard};
use bolebook_tests::world::{HOUR, MORNING, Who, World, day, label};

const A: Who = Who::Crew(0);

fn standing(w: &World, id: RecordId) -> Standing {
    w.look(|view, _, _| {
        let facts = [&view.facts, &view.yard.facts];
        facts.iter().flat_map(|f| &f.versions).find(|v| v.id() == id).unwrap().standing
    })
}

fn note(text: &str) -> Note {
    Note { about: None, text: text.into() }
}

#[test]
fn a_struck_or_amended_admission_lets_in_only_what_it_still_names() {
    let mut w = World::new();
    let (one, two) = (w.write(Who::Stranger, note("one")), w.write(Who::Stranger, note("two")));
    let reason = || "asked them".to_owned();
    let admission = w.write(Who::Office, Admission { records: vec![one, two], reason: reason() });
    assert_eq!((standing(&w, one), standing(&w, two)), (Standing::InForce, Standing::InForce));
    let amended = w.amend(Who::Office, &[admission], Admission { records: vec![two], reason: reason() });
    assert!(matches!(standing(&w, one), Standing::Held(_)));
    assert_eq!(standing(&w, two), Standing::InForce);
    let strike = w.strike(Who::Office, amended);
    assert!(matches!(standing(&w, two), Standing::Held(_)));
    // The strike itself struck, the admission admits again.
    w.strike(Who::Office, strike);
    assert_eq!(standing(&w, two), Standing::InForce);
}

#[test]
fn an_amended_sign_off_closes_the_day_it_names_now_and_no_other() {
    let mut w = World::new();
    let of = |w: &World, on: &str| SignOff {
        crew: w.crews[0],
        day: day(on),
        job_heads: w.job.heads(),
        yard_heads: w.yard.heads(),
    };
    let wrong = of(&w, "2026-06-02");
    let first = w.write(Who::Office, wrong);
    let right = of(&w, "2026-06-01");
    w.amend(Who::Office, &[first], right);
    let signed: Vec<CrewDay> = w.look(|view, _, _| view.signed_off.keys().copied().collect());
    assert_eq!(signed, [CrewDay { crew: w.crews[0], day: day("2026-06-01") }]);
}

#[test]
fn a_crew_that_knew_of_the_offices_strike_does_not_revive_the_record() {
    let mut w = World::new();
    let tree = w.tree(A, "T1");
    let treated = w.treat(0, tree, 7);
    w.strike(Who::Office, treated);
    let again = w.application(0, tree, 7);
    let revived = w.amend(A, &[treated], again);
    assert!(matches!(standing(&w, revived), Standing::Proposal(_)), "{:?}", standing(&w, revived));
    let in_force = w.look(|view, _, _| view.facts.in_force(Kind::Application).count());
    assert_eq!(in_force, 0);
    // The office itself may.
    let body = w.application(0, tree, 7);
    w.amend(Who::Office, &[treated], body);
    assert_eq!(w.look(|view, _, _| view.facts.in_force(Kind::Application).count()), 1);
}

#[test]
fn i3_a_crew_that_did_not_know_of_the_strike_is_shown_beside_it() {
    let mut w = World::new();
    let tree = w.tree(A, "T1");
    let treated = w.treat(0, tree, 7);
    let mut apart = w.apart();
    w.strike(Who::Office, treated);
    let body = apart.application(0, tree, 8);
    apart.amend(A, &[treated], body);
    w.merge(&apart);
    assert!(w.codes().contains(&"record.amended_and_struck"), "{:?}", w.codes());
    assert_eq!(w.look(|view, _, _| view.facts.in_force(Kind::Application).count()), 1);
}

/// Puts a text of its own under an id, as a broken device would.
fn overwrite(w: &mut World, id: RecordId, text: &str) {
    let key = SecretKey::from_seed([10; 32]);
    let envelope = Envelope { id, at: w.now, device: key.device(), by: None, replaces: vec![] };
    let text = Record { envelope, body: note(text).into() }.to_canonical().unwrap();
    let mut random = [77; 16];
    random[0] = w.job.commits().len() as u8;
    let actor = ActorId::new(key.device(), random);
    for commit in w.job.write(actor, w.now, &[text]).unwrap() {
        let signed = HeadSignature::sign(&key, w.job.id(), actor, commit.seq(), commit.hash());
        w.job.take_signature(signed);
    }
}

#[test]
fn a_third_text_under_one_id_opens_the_finding_again() {
    let mut w = World::new();
    let id = w.write(A, note("one"));
    overwrite(&mut w, id, "two");
    let open = |w: &World| {
        w.look(|_, _, findings| {
            findings.iter().filter(|f| f.code.name() == "record.conflicting" && f.open()).count()
        })
    };
    assert_eq!(open(&w), 1);
    let (finding, facts) = w.look(|_, _, findings| {
        let found = findings.iter().find(|f| f.code.name() == "record.conflicting").unwrap();
        (found.id, found.facts)
    });
    w.write(Who::Office, Ruling { finding, facts, decision: Decision::Accept, reason: "seen".into() });
    assert_eq!(open(&w), 0);
    overwrite(&mut w, id, "three");
    assert_eq!(open(&w), 1);
}

#[test]
fn stock_is_the_offices_to_count() {
    let mut w = World::new();
    for what in [MovementKind::Received, MovementKind::OnHand] {
        let id = w.movement(A, what, 5_000_000, None);
        assert_eq!(standing(&w, id), Standing::Proposal(ProposalReason::OfficeOnly), "{what:?}");
    }
    let id = w.movement(A, MovementKind::Spilled, 1_000, Some(0));
    assert_eq!(standing(&w, id), Standing::InForce);
    let received = |w: &World| w.look(|_, balance, _| balance.lots[0].received_ul);
    assert_eq!(received(&w), received(&World::new()));
}

#[test]
fn a_confirmation_that_does_not_agree_with_the_label_confirms_nothing() {
    let mut w = World::new();
    let confirmed = |w: &World, id| {
        let devices = w.devices();
        Yard::read(&w.yard, &devices.for_book(&w.yard)).unwrap().confirmed(id).is_some()
    };
    assert!(confirmed(&w, w.label));
    w.by = Some(w.leads[0]);
    let second = w.yard_write(Who::Office, label());
    w.by = Some(w.leads[1]);
    let good = confirmation_of(&label(), second);
    let rates = LabelConfirmation { rates: vec![], ..good.clone() };
    w.yard_write(Who::Office, rates);
    assert!(!confirmed(&w, second), "rates that were not entered again");
    let worked = LabelConfirmation { worked: good.worked[..1].to_vec(), ..good.clone() };
    w.yard_write(Who::Office, worked);
    assert!(!confirmed(&w, second), "fewer than three doses worked");
    w.by = Some(w.leads[0]);
    w.yard_write(Who::Office, good.clone());
    assert!(!confirmed(&w, second), "by the person who entered it");
    w.by = Some(w.crews[0]);
    w.yard_write(Who::Office, good.clone());
    assert!(!confirmed(&w, second), "by someone without a licence");
    w.by = Some(w.leads[1]);
    w.yard_write(Who::Office, good);
    assert!(confirmed(&w, second));
}

fn crew_certificate(role: Role, crew: Option<CrewId>, from: i64) -> Certificate {
    let key = SecretKey::from_seed([10; 32]).public();
    let (not_before, not_after) = (UtcMs(from), UtcMs(MORNING.0 * 2));
    let grant = Grant { key, role, crew, name: "phone".into(), not_before, not_after };
    certify(&SecretKey::from_seed([200; 32]), grant).unwrap()
}

#[test]
fn what_a_device_did_before_it_changed_hands_is_judged_by_what_it_was() {
    let mut w = World::new();
    let tree = w.tree(A, "T1");
    w.treat(0, tree, 7);
    let heads = (w.job.heads(), w.yard.heads());
    let on = day("2026-06-01");
    let body = SignOff { crew: w.crews[0], day: on, job_heads: heads.0, yard_heads: heads.1 };
    let sign_off = w.write(A, body.clone());
    assert_eq!(standing(&w, sign_off), Standing::Proposal(ProposalReason::OfficeOnly));
    let noted = w.write(A, note("of the first crew"));
    // Two days on, the phone becomes the office's.
    let from = w.now.0 + 48 * HOUR;
    w.yard_write(Who::Office, crew_certificate(Role::Office, None, from));
    assert_eq!(standing(&w, sign_off), Standing::Proposal(ProposalReason::OfficeOnly));
    let crew_day = w.look(|view, _, _| {
        let version = view.facts.versions.iter().find(|v| v.id() == noted).unwrap();
        view.crew_day(version)
    });
    assert_eq!(crew_day, Some(CrewDay { crew: w.crews[0], day: on }));
    w.now = UtcMs(from + HOUR);
    let later = w.write(A, body);
    assert_eq!(standing(&w, later), Standing::InForce);
}

#[test]
fn a_certificate_that_is_over_is_not_stretched_by_a_backdated_commit() {
    let mut w = World::new();
    let key = SecretKey::from_seed([33; 32]);
    let grant = Grant {
        key: key.public(),
        role: Role::Crew,
        crew: Some(w.crews[0]),
        name: "old phone".into(),
        not_before: UtcMs(0),
        not_after: MORNING,
    };
    let certificate = certify(&SecretKey::from_seed([200; 32]), grant).unwrap();
    w.yard_write(Who::Office, certificate);
    let write = |w: &mut World, at: i64, number: u8| {
        let id = RecordId::new(at, [number; 10]);
        let envelope = Envelope { id, at: UtcMs(at), device: key.device(), by: None, replaces: vec![] };
        let records = vec![Record { envelope, body: note("old").into() }.to_canonical().unwrap()];
        let actor = ActorId::new(key.device(), [number; 16]);
        let draft: Draft = w.job.draft(actor, UtcMs(at), records);
        let commit = Commit::author(draft).unwrap();
        w.job.take(commit.clone()).unwrap();
        w.job.take_signature(HeadSignature::sign(&key, w.job.id(), actor, 1, commit.hash()));
        id
    };
    // Done in time, and delivered long after: in force.
    let in_time = write(&mut w, MORNING.0 - HOUR, 1);
    w.now = UtcMs(MORNING.0 + 240 * HOUR);
    receipt(&mut w, 0, 240 * HOUR);
    assert_eq!(standing(&w, in_time), Standing::InForce);
    // Dated in time by a device that had seen what the server wrote ten days later: held.
    let backdated = write(&mut w, MORNING.0 - HOUR, 2);
    assert!(matches!(standing(&w, backdated), Standing::Held(_)), "{:?}", standing(&w, backdated));
}

/// The server's word that crew A's chain arrived `after` the morning, its clock off by this much.
fn receipt(w: &mut World, offset_ms: i64, after: i64) {
    let key = SecretKey::from_seed([10; 32]);
    let actor = ActorId::new(key.device(), [0; 16]);
    let seq = w.job.chain_end_of(actor).map_or(0, |(seq, _)| seq);
    let through = if seq == 0 { vec![] } else { vec![ChainEnd { actor, seq }] };
    let body = Receipt {
        delivered_by: key.device(),
        arrived_at: UtcMs(MORNING.0 + after),
        clock_offset_ms: Ms(offset_ms),
        through,
    };
    w.write(Who::Server, body);
}

#[test]
fn a_clock_a_day_off_is_a_finding_and_no_record_is_lost() {
    for (hours, says) in [(-24, "24 h behind"), (25, "25 h ahead")] {
        let mut w = World::new();
        let id = w.write(A, note("measured"));
        receipt(&mut w, hours * HOUR, HOUR);
        let found = w.look(|_, _, findings| {
            let mut off = findings.iter().filter(|f| f.code.name() == "time.clock_off");
            off.next().map(|f| f.message.clone())
        });
        assert!(found.clone().is_some_and(|m| m.contains(says)), "{found:?}");
        assert_eq!(standing(&w, id), Standing::InForce);
    }
    let mut w = World::new();
    w.write(A, note("measured"));
    receipt(&mut w, 90_000, HOUR);
    assert!(!w.codes().contains(&"time.clock_off"), "a minute and a half is no finding");
}

#[test]
fn a_record_dated_before_what_its_writer_had_seen_is_found() {
    let mut w = World::new();
    w.write(A, note("first"));
    receipt(&mut w, 0, HOUR);
    w.now = UtcMs(MORNING.0 + HOUR + 60_000);
    let mut apart = w.apart();
    let honest = w.write(A, note("honest"));
    w.now = UtcMs(MORNING.0 - 20 * HOUR);
    let backdated = w.write(A, note("backdated"));
    // Written apart, by someone who had not seen the second receipt.
    receipt(&mut w, 0, 9 * HOUR);
    apart.now = UtcMs(MORNING.0 + 2 * HOUR);
    let unaware = apart.write(Who::Crew(1), note("unaware"));
    w.merge(&apart);
    let found = w.look(|_, _, findings| {
        let of = findings.iter().filter(|f| f.code.name() == "entry.backdated");
        of.flat_map(|f| f.records.clone()).collect::<Vec<_>>()
    });
    assert_eq!(found, [backdated], "not {honest} and not {unaware}");
    let _: Body = note("").into();
}
