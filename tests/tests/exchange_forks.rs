//! Bad luck and strangers, with a real server and real clients: copied and restored stores, two
//! hubs with two branches, a chain that someone else appended to, a damaged line. Nothing is lost.

#[path = "exchange_forks/evidence.rs"]
mod evidence;
mod support;

use std::collections::BTreeMap;

use bolebook_core::authority::Directory;
use bolebook_core::book::Book;
use bolebook_core::exchange::{Entry, LogLine};
use bolebook_core::facts::{HeldReason, Standing};
use bolebook_core::ids::{BookId, DeviceId, RecordId};
use bolebook_core::record::people::{Admission, Revocation, Role};
use bolebook_core::record::{Body, Kind};
use bolebook_core::service::InvitationFile;
use bolebook_core::view::{View, Yard};
use bolebook_db::Connection;
use bolebook_log::client::ClientError;
use bolebook_log::set_aside::{State, list};
use bolebook_log::{Form, repack, verify};
use bolebook_server::identity::Identity;
use support::{Client, NOW, Server, invitation, root, sorted_lines, yard};

struct Scene {
    data: tempfile::TempDir,
    server: Server,
    office: Client,
    crew: Client,
    job: BookId,
}

impl Scene {
    fn new() -> Self {
        let data = tempfile::tempdir().unwrap();
        Server::init(data.path());
        let server = Server::start(data.path());
        let mut office = Client::certified(&server.url, 1, Role::Office);
        office.open_yard();
        let job = office.open_job(1);
        office.exchange(&[yard(), job]).unwrap();
        let mut crew = Client::certified(&server.url, 2, Role::Crew);
        crew.exchange(&[yard(), job]).unwrap();
        let certificate = crew.certificate.clone().unwrap();
        crew.write(yard(), vec![certificate.into()]);
        crew.note(job, "before");
        crew.exchange(&[yard(), job]).unwrap();
        office.exchange(&[yard(), job]).unwrap();
        Self { data, server, office, crew, job }
    }

    fn books(&self) -> [BookId; 2] {
        [yard(), self.job]
    }
}

fn book(db: &Connection, id: BookId) -> Book {
    let mut book = Book::new(id);
    for line in bolebook_log::read(db, id, 0, bolebook_log::Page::ALL).unwrap() {
        match LogLine::parse(&line.text).unwrap().into_entry() {
            Entry::Commit(commit) => drop(book.take(commit).unwrap()),
            Entry::Signature(signed) => book.take_signature(signed),
        }
    }
    book
}

/// Every note of the job with its author and how it stands, as this device sees it.
fn notes(db: &Connection, job: BookId) -> BTreeMap<String, (DeviceId, Standing)> {
    let yard_book = book(db, yard());
    let directory = Directory::read(&yard_book, &root().public()).unwrap();
    let yard = Yard::read(&yard_book, &directory.for_book(&yard_book)).unwrap();
    let job = book(db, job);
    let view = View::read(&job, &yard, &directory.for_book(&job)).unwrap();
    let notes = view.facts.versions.iter().filter_map(|v| match &v.record.body {
        Body::Note(note) => Some((note.text.clone(), (v.author, v.standing))),
        _ => None,
    });
    notes.collect()
}

fn ids_of(db: &Connection, job: BookId, text: &str) -> Vec<RecordId> {
    let job = book(db, job);
    let carriers = job.records().filter(|(_, c)| c.iter().any(|c| job.text(*c).contains(text)));
    carriers.map(|(id, _)| id).collect()
}

fn in_force(device: &Client) -> (DeviceId, Standing) {
    (device.key.device(), Standing::InForce)
}

#[test]
fn a_store_that_was_copied_goes_on_in_both_copies_and_nothing_is_lost() {
    let mut scene = Scene::new();
    let (books, job) = (scene.books(), scene.job);
    let mut copy = scene.crew.copied();
    scene.crew.note(job, "first copy");
    scene.crew.exchange(&books).unwrap();
    copy.note(job, "second copy");
    copy.note(job, "and once more");
    copy.exchange_and_settle(&books).unwrap();
    scene.crew.exchange_and_settle(&books).unwrap();
    scene.office.exchange(&books).unwrap();
    for db in [&scene.office.db, &scene.crew.db, &copy.db] {
        let notes = notes(db, job);
        for text in ["before", "first copy", "second copy", "and once more"] {
            assert_eq!(notes.get(text), Some(&in_force(&copy)), "{text}");
        }
        assert_eq!(sorted_lines(db, job), sorted_lines(&scene.office.db, job));
    }
    assert_eq!(book(&copy.db, job).rescued().count(), 2);
    let aside = list(&copy.db).unwrap();
    assert_eq!(aside.len(), 4, "two commits and their signatures");
    assert!(aside.iter().all(|s| s.state == State::Rescued && !s.code.is_empty()), "{aside:?}");
    // Both copies work on, under actors of their own.
    copy.note_safely(job, "later");
    copy.exchange_and_settle(&books).unwrap();
    scene.office.exchange(&books).unwrap();
    assert_eq!(notes(&scene.office.db, job).get("later"), Some(&in_force(&copy)));
    let server = bolebook_log::open(&scene.data.path().join("bolebook.sqlite")).unwrap();
    verify(&server, job).unwrap();
    verify(&copy.db, job).unwrap();
}

#[test]
fn what_was_rescued_without_a_signature_is_held_until_the_office_admits_it() {
    let mut scene = Scene::new();
    let (books, job) = (scene.books(), scene.job);
    let mut copy = scene.crew.copied();
    scene.crew.note(job, "first copy");
    scene.crew.exchange(&books).unwrap();
    let lines = copy.note(job, "unsigned");
    let signature = lines[1].hash();
    copy.db.execute("DELETE FROM lines WHERE hash = ?1", [signature.0]).unwrap();
    copy.exchange_and_settle(&books).unwrap();
    scene.office.exchange(&books).unwrap();
    let held = Standing::Held(HeldReason::NotVouched);
    let device = copy.key.device();
    assert_eq!(notes(&scene.office.db, job).get("unsigned"), Some(&(device, held)));
    let records = ids_of(&scene.office.db, job, "unsigned");
    scene.office.write(job, vec![Admission { records, reason: "asked the crew".into() }.into()]);
    assert_eq!(notes(&scene.office.db, job).get("unsigned"), Some(&in_force(&copy)));
}

#[test]
fn a_revoked_devices_second_branch_is_held() {
    let mut scene = Scene::new();
    let (books, job) = (scene.books(), scene.job);
    let mut copy = scene.crew.copied();
    scene.crew.note(job, "first copy");
    scene.crew.exchange(&books).unwrap();
    scene.office.exchange(&books).unwrap();
    // The office accepts all that it has of the device.
    let mut accepted = vec![];
    for id in books {
        let own = book(&scene.office.db, id);
        let end = own.chain_end_of(scene.crew.actor);
        let ends =
            end.map(|(seq, _)| bolebook_core::record::book_kinds::ChainEnd { actor: scene.crew.actor, seq });
        let ends = ends.into_iter().collect();
        accepted.push(bolebook_core::record::people::AcceptedChains { book: id, ends });
    }
    copy.note(job, "by whoever has the phone");
    copy.exchange_and_settle(&books).unwrap();
    let revocation = Revocation { device: copy.key.device(), reason: "stolen".into(), accepted };
    scene.office.write(yard(), vec![revocation.into()]);
    scene.office.exchange(&books).unwrap();
    let notes = notes(&scene.office.db, job);
    assert_eq!(notes.get("first copy"), Some(&in_force(&copy)));
    let held = Standing::Held(HeldReason::Revoked);
    assert_eq!(notes.get("by whoever has the phone"), Some(&(copy.key.device(), held)));
}

fn hub(data: &std::path::Path) -> Server {
    let code = "10000000000000000002";
    let invitation = invitation(Role::Server, code);
    let file = InvitationFile { code: code.into(), root: root().public(), invitation };
    let path = data.join("invitation.json");
    std::fs::write(&path, serde_json::to_string(&file).unwrap()).unwrap();
    Identity::init(data, &path, [8; 32], [8; 10], NOW).unwrap();
    Server::start(data)
}

#[test]
fn two_hubs_took_two_branches_and_what_depended_on_the_other_comes_back_too() {
    let mut scene = Scene::new();
    let (books, job) = (scene.books(), scene.job);
    let at_hub = tempfile::tempdir().unwrap();
    let hub = hub(at_hub.path());
    let main = scene.server.url.clone();
    let visit = |client: &mut Client, url: &str| {
        client.url = url.to_owned();
        client.sign_in().unwrap();
    };
    let mut other = Client::certified(&main, 3, Role::Crew);
    other.exchange(&books).unwrap();
    let certificate = other.certificate.clone().unwrap();
    other.write(yard(), vec![certificate.into()]);
    other.exchange(&books).unwrap();
    let mut copy = scene.crew.copied();
    scene.crew.note(job, "at the main server");
    scene.crew.exchange(&books).unwrap();
    visit(&mut copy, &hub.url);
    copy.note(job, "at the hub");
    copy.exchange(&books).unwrap();
    // Another crew takes it in at the hub and goes on from it. The copied phone is never seen again.
    visit(&mut other, &hub.url);
    other.exchange(&books).unwrap();
    other.note(job, "on top of it");
    other.exchange(&books).unwrap();
    visit(&mut other, &main);
    other.exchange_and_settle(&books).unwrap();
    scene.office.exchange(&books).unwrap();
    let notes_there = notes(&scene.office.db, job);
    assert_eq!(notes_there.get("at the main server"), Some(&in_force(&scene.crew)));
    assert_eq!(notes_there.get("at the hub"), Some(&in_force(&copy)));
    assert_eq!(notes_there.get("on top of it"), Some(&in_force(&other)));
    assert_eq!(notes_there, notes(&other.db, job));
    // Who wrote on top of it knew it, and not what the main server had.
    let book = book(&scene.office.db, job);
    let carrier = |text: &str| {
        let all = book.records().flat_map(|(_, c)| c);
        let mut rescued = all.filter(|c| c.rescued().is_some() && book.text(**c).contains(text));
        *rescued.next().unwrap()
    };
    assert!(book.knew(carrier("on top of it"), carrier("at the hub")));
    let (id, carriers) =
        book.records().find(|(_, c)| book.text(c[0]).contains("at the main server")).unwrap();
    assert!(!book.knew(carrier("on top of it"), carriers[0]), "{id}");
    // The hub still has its own branch: the device says so and keeps what it has.
    visit(&mut other, &hub.url);
    let before = sorted_lines(&other.db, job);
    other.note_safely(job, "elsewhere");
    let error = other.exchange_and_settle(&books).unwrap_err();
    assert!(matches!(error, ClientError::OtherBranch { .. }), "{error}");
    let after = sorted_lines(&other.db, job);
    assert!(before.iter().all(|l| after.binary_search(l).is_ok()));
    visit(&mut other, &main);
    other.exchange_and_settle(&books).unwrap();
    scene.office.exchange(&books).unwrap();
    assert_eq!(notes(&scene.office.db, job).get("elsewhere"), Some(&in_force(&other)));
}

#[test]
fn a_stranger_who_appends_to_a_chain_neither_speaks_for_its_device_nor_stops_it() {
    let mut scene = Scene::new();
    let (books, job) = (scene.books(), scene.job);
    let mut stranger = Client::certified(&scene.server.url, 3, Role::Crew);
    stranger.exchange(&books).unwrap();
    let victim = (scene.crew.actor, scene.crew.key.device());
    // Forged: the crew's actor, the crew's device in the record, the stranger's own signature.
    let forged = stranger.lines(job, victim.0, victim.1, vec![note("forged")]);
    let tx = stranger.db.transaction().unwrap();
    bolebook_log::append(&tx, job, &forged).unwrap();
    tx.commit().unwrap();
    stranger.exchange(&books).unwrap();
    // The crew wrote meanwhile, without signal, under the same actor and number.
    scene.crew.note_safely(job, "own, before it knew");
    scene.crew.exchange_and_settle(&books).unwrap();
    scene.crew.note_safely(job, "own, after it knew");
    scene.crew.exchange_and_settle(&books).unwrap();
    scene.office.exchange(&books).unwrap();
    let notes = notes(&scene.office.db, job);
    assert_eq!(notes.get("own, before it knew"), Some(&in_force(&scene.crew)));
    assert_eq!(notes.get("own, after it knew"), Some(&in_force(&scene.crew)));
    let held = Standing::Held(HeldReason::NotVouched);
    assert_eq!(notes.get("forged"), Some(&(victim.1, held)));
}

fn note(text: &str) -> Body {
    bolebook_core::record::work::Note { about: None, text: text.into() }.into()
}

#[test]
fn a_device_does_not_vouch_for_what_a_stranger_put_at_the_end_of_its_chain() {
    let mut scene = Scene::new();
    let (books, job) = (scene.books(), scene.job);
    let mut stranger = Client::certified(&scene.server.url, 3, Role::Crew);
    stranger.exchange(&books).unwrap();
    let (actor, device) = (scene.crew.actor, scene.crew.key.device());
    let forged = stranger.lines(job, actor, device, vec![note("forged")]);
    let tx = stranger.db.transaction().unwrap();
    bolebook_log::append(&tx, job, &forged).unwrap();
    tx.commit().unwrap();
    stranger.exchange(&books).unwrap();
    scene.crew.exchange(&books).unwrap();
    let key = &scene.crew.key;
    assert!(!bolebook_log::may_continue(&scene.crew.db, job, key, actor).unwrap());
    assert!(!book(&scene.crew.db, job).may_continue(actor, &key.public()));
    scene.crew.note_safely(job, "own");
    assert_ne!(scene.crew.actor, actor);
    scene.crew.exchange(&books).unwrap();
    scene.office.exchange(&books).unwrap();
    let notes = notes(&scene.office.db, job);
    assert_eq!(notes.get("own"), Some(&in_force(&scene.crew)));
    assert_eq!(notes.get("forged"), Some(&(device, Standing::Held(HeldReason::NotVouched))));
}

#[test]
fn a_damaged_commit_in_the_middle_of_a_chain_is_set_aside_and_the_rest_goes_on() {
    let mut scene = Scene::new();
    let (books, job) = (scene.books(), scene.job);
    for text in ["one", "two", "three"] {
        scene.crew.note(job, text);
    }
    repack::all(&scene.crew.db, Form::Text).unwrap();
    let changed = "UPDATE lines SET line = replace(line, '\"text\":\"two\"', '\"text\":\"2wo\"')";
    assert!(scene.crew.db.execute(changed, []).unwrap() > 3);
    scene.crew.exchange_and_settle(&books).unwrap();
    scene.office.exchange(&books).unwrap();
    let notes = notes(&scene.office.db, job);
    for text in ["before", "one", "three"] {
        assert_eq!(notes.get(text), Some(&in_force(&scene.crew)), "{text}");
    }
    assert!(!notes.contains_key("2wo"), "what may have been changed is not vouched for again");
    let aside = list(&scene.crew.db).unwrap();
    let damaged: Vec<_> = aside.iter().filter(|s| s.text.contains("2wo")).collect();
    assert_eq!(damaged.len(), 1);
    assert_eq!((damaged[0].code.as_str(), damaged[0].state), ("hash-mismatch", State::Kept));
    assert!(aside.iter().any(|s| s.text.contains("three") && s.state == State::Reput));
    verify(&scene.crew.db, job).unwrap();
    scene.crew.note_safely(job, "four");
    scene.crew.exchange(&books).unwrap();
}

#[test]
fn a_line_damaged_after_the_server_had_it_is_mended_from_the_server() {
    let mut scene = Scene::new();
    let (books, job) = (scene.books(), scene.job);
    scene.crew.note(job, "kept there");
    scene.crew.exchange(&books).unwrap();
    scene.crew.note(job, "unsent");
    repack::all(&scene.crew.db, Form::Text).unwrap();
    scene
        .crew
        .db
        .execute("UPDATE lines SET line = substr(line, 1, 90) WHERE line LIKE '%kept there%'", [])
        .unwrap();
    let mut session = bolebook_log::client::Session::new(scene.crew.server.unwrap(), books);
    session.check_anew(job);
    while let Some(request) = session.request(&scene.crew.db, NOW).unwrap() {
        let answer = scene.crew.post_exchange(request.body.as_bytes(), None).unwrap();
        session.apply(&mut scene.crew.db, &request, answer.bytes.as_slice()).unwrap();
    }
    verify(&scene.crew.db, job).unwrap();
    assert!(list(&scene.crew.db).unwrap().is_empty(), "the server's copy took its place");
    scene.office.exchange(&books).unwrap();
    assert!(notes(&scene.office.db, job).contains_key("unsent"));
    assert!(notes(&scene.crew.db, job).contains_key("kept there"));
}

#[test]
fn i6_an_old_backup_restored_on_a_device_that_kept_its_actor_loses_nothing() {
    let mut scene = Scene::new();
    let (books, job) = (scene.books(), scene.job);
    let mut backup = scene.crew.copied();
    for text in ["sent one", "sent two"] {
        scene.crew.note(job, text);
    }
    scene.crew.exchange(&books).unwrap();
    // The phone breaks; the new one gets the backup, which is two commits behind.
    for text in ["anew one", "anew two", "anew three"] {
        backup.note(job, text);
    }
    backup.exchange_and_settle(&books).unwrap();
    scene.office.exchange(&books).unwrap();
    let notes = notes(&scene.office.db, job);
    for text in ["sent one", "sent two", "anew one", "anew two", "anew three"] {
        assert_eq!(notes.get(text), Some(&in_force(&backup)), "{text}");
    }
    let kinds = book(&scene.office.db, job);
    assert!(kinds.commits().iter().flat_map(|c| c.records()).any(|t| t.contains(Kind::Rescue.name())));
}

#[test]
fn over_its_quota_an_author_waits_unacknowledged_and_others_do_not() {
    let data = tempfile::tempdir().unwrap();
    Server::init(data.path());
    let config = bolebook_server::Config {
        author_bytes_per_hour: 20_000,
        ..bolebook_server::Config::new(data.path().into())
    };
    let server = Server::start_with(config);
    let mut office = Client::certified(&server.url, 1, Role::Office);
    office.open_yard();
    let job = office.open_job(1);
    let books = [yard(), job];
    office.exchange(&books).unwrap();
    let mut crew = Client::certified(&server.url, 2, Role::Crew);
    crew.exchange(&books).unwrap();
    crew.note(job, &"long ".repeat(700));
    crew.exchange(&books).unwrap();
    for _ in 0..6 {
        crew.note(job, &"long ".repeat(700));
    }
    let error = crew.exchange(&books).unwrap_err();
    assert!(
        matches!(&error, ClientError::Refused(p) if (p.status, p.code.as_str()) == (429, "quota")),
        "{error}"
    );
    office.note(job, "not stopped by it");
    office.exchange(&books).unwrap();
    server.clock.fetch_add(3_600_000, std::sync::atomic::Ordering::Relaxed);
    crew.sign_in().unwrap();
    crew.exchange(&books).unwrap();
    let here = bolebook_log::open(&data.path().join("bolebook.sqlite")).unwrap();
    assert_eq!(sorted_lines(&here, job), sorted_lines(&crew.db, job));
}

#[test]
fn a_change_of_the_yard_makes_a_jobs_findings_stand_no_more_until_they_are_worked_out_again() {
    let mut scene = Scene::new();
    let job = scene.job;
    scene.office.get(&format!("/v1/books/{job}/findings"));
    let up_to = |office: &mut Client| office.exchange(&[job]).unwrap()[0].books[&job].findings_to;
    assert!(up_to(&mut scene.office).is_some());
    // No worker has run when the exchange answers, so a figure here would be of the yard before.
    let person =
        bolebook_core::record::people::Person { work: bolebook_core::record::people::PersonWork::Office };
    scene.office.write(yard(), vec![person.into()]);
    let outcomes = scene.office.exchange(&[yard(), job]).unwrap();
    let after = outcomes.iter().filter_map(|o| o.books.get(&job)).next().unwrap();
    assert_eq!(after.findings_to, None);
}

#[test]
fn a_code_that_made_two_devices_lets_neither_in() {
    let scene = Scene::new();
    let code = "22223333444455556666";
    let mut office = scene.office;
    assert_eq!(office.json("POST", "/v1/invitations", &invitation(Role::Crew, code)).status, 204);
    let mut first = Client::new(&scene.server.url, 20);
    first.enrol(code);
    // Somebody else who knew the code makes a certificate too, and gets it into the yard book.
    let second = Client::new(&scene.server.url, 21);
    let stolen =
        bolebook_core::authority::accept(&invitation(Role::Crew, code), code, second.key.public(), NOW);
    let own = first.certificate.clone().unwrap();
    office.write(yard(), vec![own.into(), stolen.unwrap().into()]);
    office.exchange(&[yard()]).unwrap();
    assert_eq!(first.sign_in().unwrap_err().code, "code-shared");
}

#[test]
fn a_rescue_needs_what_it_depends_on_and_takes_nothing_that_is_wrong_in_itself() {
    let mut scene = Scene::new();
    let job = scene.job;
    let mut copy = scene.crew.copied();
    scene.crew.note(job, "first copy");
    scene.crew.exchange(&scene.books()).unwrap();
    let (one, two) = (copy.note(job, "second copy"), copy.note(job, "more"));
    let rescue = |lines: &[&str]| {
        let head = format!(r#"{{"book":"{job}","server":null,"position":0,"chain":"{}"}}"#, "0".repeat(64));
        let body = format!("{{\"exchange\":1,\"now\":1}}\n{head}\n{}\n", lines.join("\n"));
        copy.send("POST", "/v1/rescue", &[("content-type", "application/x-ndjson")], body.as_bytes()).unwrap()
    };
    let state = || {
        let db = bolebook_log::open(&scene.data.path().join("bolebook.sqlite")).unwrap();
        verify(&db, job).unwrap()
    };
    let before = state();
    assert_eq!(rescue(&[two[0].text()]).problem().code, "unknown-dependency");
    let changed = one[0].text().replace("second", "zecond");
    assert_eq!(rescue(&[&changed]).problem().code, "hash-mismatch");
    assert_eq!(state(), before);
    let lines: Vec<&str> = one.iter().chain(&two).map(LogLine::text).collect();
    let answer: bolebook_core::service::RescueAnswer = rescue(&lines).json();
    assert_eq!((answer.books[0].rescued, answer.books[0].known), (2, 0));
    let again: bolebook_core::service::RescueAnswer = rescue(&lines).json();
    assert_eq!((again.books[0].rescued, again.books[0].known), (0, 2));
    let stranger = Client::new(&scene.server.url, 9);
    let answer =
        stranger.send("POST", "/v1/rescue", &[("content-type", "application/x-ndjson")], b"").unwrap();
    assert_eq!(answer.problem().status, 401);
}
