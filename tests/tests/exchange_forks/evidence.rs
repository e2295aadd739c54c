//! What was set aside waits until the log has it again, or a rescue that proves it: a server's word
//! is not the end of it.

use bolebook_core::exchange::{Entry, LogLine, Problem};
use bolebook_core::signing::{HeadSignature, SecretKey};
use bolebook_log::evidence::{Next, Pass};
use bolebook_log::set_aside::{State, list};
use bolebook_log::{Page, verify};

use crate::support::{NOW, Server};
use crate::{Scene, book, in_force, notes};

/// A copy of the server's log and identity, which another can be started on.
fn backup(scene: &Scene) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    let db = bolebook_log::open(&scene.data.path().join("bolebook.sqlite")).unwrap();
    let path = folder.path().join("bolebook.sqlite");
    db.execute("VACUUM INTO ?1", [path.to_str().unwrap()]).unwrap();
    std::fs::copy(scene.data.path().join("identity.json"), folder.path().join("identity.json")).unwrap();
    folder
}

#[test]
fn i3_evidence_that_a_server_took_in_and_lost_with_a_restore_is_given_again() {
    let mut scene = Scene::new();
    let (books, job) = (scene.books(), scene.job);
    let mut copy = scene.crew.copied();
    scene.crew.note(job, "first copy");
    scene.crew.exchange(&books).unwrap();
    let before = backup(&scene);
    copy.note(job, "second copy");
    copy.note(job, "and once more");
    copy.exchange(&books).unwrap();
    assert!(copy.give_evidence(&mut Pass::default()).unwrap());
    let states = |copy: &crate::support::Client| -> Vec<State> {
        list(&copy.db).unwrap().iter().map(|line| line.state).collect()
    };
    assert_eq!(states(&copy), [State::ToRescue; 4], "nothing here shows yet that it is back");
    // Before anybody took it in from there, the server is put back to what it was before.
    let restored = Server::start(before.path());
    for client in [&mut copy, &mut scene.office, &mut scene.crew] {
        client.url = restored.url.clone();
        client.sign_in().unwrap();
    }
    copy.exchange_and_settle(&books).unwrap();
    assert_eq!(states(&copy), [State::Rescued; 4]);
    scene.office.exchange(&books).unwrap();
    scene.crew.exchange(&books).unwrap();
    for db in [&scene.office.db, &scene.crew.db, &copy.db] {
        let notes = notes(db, job);
        for text in ["first copy", "second copy", "and once more"] {
            assert_eq!(notes.get(text), Some(&in_force(&copy)), "{text}");
        }
        verify(db, job).unwrap();
    }
    // It is known: nothing goes there again.
    assert!(!copy.give_evidence(&mut Pass::default()).unwrap());
    drop(restored);
}

#[test]
fn what_was_set_aside_later_goes_before_what_depends_on_it() {
    let mut scene = Scene::new();
    let (books, job) = (scene.books(), scene.job);
    let mut copy = scene.crew.copied();
    scene.crew.note(job, "first copy");
    scene.crew.exchange(&books).unwrap();
    for text in ["one", "two", "three"] {
        copy.note(job, text);
    }
    copy.exchange(&books).unwrap();
    // As after two layings-out: the end of the chain was set aside before its beginning.
    let turned = "UPDATE set_aside SET number = 1000 - number";
    assert_eq!(copy.db.execute(turned, []).unwrap(), 6);
    copy.exchange_and_settle(&books).unwrap();
    assert!(list(&copy.db).unwrap().iter().all(|line| line.state == State::Rescued));
    scene.office.exchange(&books).unwrap();
    let notes = notes(&scene.office.db, job);
    for text in ["first copy", "one", "two", "three"] {
        assert_eq!(notes.get(text), Some(&in_force(&copy)), "{text}");
    }
}

#[test]
fn evidence_goes_in_pages_and_no_signature_without_its_commit() {
    let mut scene = Scene::new();
    let (books, job) = (scene.books(), scene.job);
    let mut copy = scene.crew.copied();
    scene.crew.note(job, "first copy");
    scene.crew.exchange(&books).unwrap();
    let texts = ["one", "two", "three", "four"];
    for text in texts {
        copy.note(job, text);
    }
    copy.exchange(&books).unwrap();
    let pages = [1, 2, 3, 5].map(|lines| {
        let page = Page { lines, bytes: 1 << 20 };
        let (mut pass, mut pages) = (Pass::default().with_page(page), vec![]);
        while let Some(request) = pass.request(&copy.db, copy.server.unwrap(), NOW).unwrap() {
            let kinds = request.body.lines().skip(2).map(|line| line.contains("\"records\""));
            pages.push(kinds.collect::<Vec<_>>());
            pass.given(&request);
        }
        pages
    });
    let pair = [true, false];
    assert_eq!(pages[..3], [(); 3].map(|()| vec![pair.to_vec(); 4]));
    assert_eq!(pages[3], vec![[pair, pair].concat(); 2]);
    // A page at a time comes to the same.
    let mut pass = Pass::default().with_page(Page { lines: 1, bytes: 1 });
    assert!(copy.give_evidence(&mut pass).unwrap());
    copy.exchange_and_settle(&books).unwrap();
    scene.office.exchange(&books).unwrap();
    let notes = notes(&scene.office.db, job);
    assert!(texts.iter().all(|text| notes.get(*text) == Some(&in_force(&copy))), "{notes:?}");
}

#[test]
fn what_a_server_lost_between_an_exchange_and_the_rescue_waits_and_is_not_given_up() {
    let mut scene = Scene::new();
    let (books, job) = (scene.books(), scene.job);
    let mut copy = scene.crew.copied();
    let before = backup(&scene);
    copy.note(job, "on its own branch");
    scene.crew.note(job, "first copy");
    scene.crew.exchange(&books).unwrap();
    scene.office.exchange(&books).unwrap();
    scene.office.note(job, "from the office");
    scene.office.exchange(&books).unwrap();
    copy.exchange(&books).unwrap();
    let request = Pass::default().request(&copy.db, copy.server.unwrap(), NOW).unwrap().unwrap();
    let problem = Problem {
        status: 409,
        code: "unknown-dependency".into(),
        book: Some(job),
        line: Some(0),
        ..Problem::default()
    };
    let tx = copy.db.transaction().unwrap();
    assert_eq!(Pass::default().refused(&tx, &request, &problem).unwrap(), Next::Later);
    let wrong = Problem { code: "start-op".into(), ..problem };
    assert_eq!(Pass::default().refused(&tx, &request, &wrong).unwrap(), Next::Again);
    drop(tx);
    assert!(list(&copy.db).unwrap().iter().all(|line| line.state == State::ToRescue));
    let restored = Server::start(before.path());
    for client in [&mut copy, &mut scene.office] {
        client.url = restored.url.clone();
        client.sign_in().unwrap();
        client.exchange_and_settle(&books).unwrap();
    }
    scene.office.exchange(&books).unwrap();
    for text in ["first copy", "from the office", "on its own branch"] {
        assert!(notes(&scene.office.db, job).contains_key(text), "{text}");
    }
}

/// A request for a rescue of some lines, with the opening lines of an exchange.
fn request(scene: &Scene, lines: &[LogLine]) -> String {
    let mut body = format!("{{\"exchange\":1,\"now\":{}}}\n", scene.office.now);
    let (book, none) = (scene.job, "0".repeat(64));
    body.push_str(&format!("{{\"book\":\"{book}\",\"chain\":\"{none}\",\"position\":0}}\n"));
    for line in lines {
        body.push_str(line.text());
        body.push('\n');
    }
    body
}

#[test]
fn a_strangers_signature_that_came_first_does_not_keep_the_devices_own_out() {
    let mut scene = Scene::new();
    let (books, job) = (scene.books(), scene.job);
    let mut copy = scene.crew.copied();
    scene.crew.note(job, "first copy");
    scene.crew.exchange(&books).unwrap();
    let lines = copy.note(job, "signed");
    let Entry::Commit(commit) = lines[0].entry() else { panic!("a commit first") };
    let stranger = SecretKey::from_seed([99; 32]);
    let forged = HeadSignature::sign(&stranger, job, commit.actor(), commit.seq(), commit.hash());
    let give = |lines: &[LogLine]| {
        let headers = [("content-type", bolebook_core::exchange::MEDIA_TYPE)];
        let answer =
            scene.office.send("POST", "/v1/rescue", &headers, request(&scene, lines).as_bytes()).unwrap();
        assert_eq!(answer.status, 200, "{answer:?}");
    };
    let forged = [lines[0].clone(), forged.into()];
    give(&forged);
    copy.exchange_and_settle(&books).unwrap();
    assert!(list(&copy.db).unwrap().iter().all(|line| line.state == State::Rescued));
    // Once is enough, whoever brings it; and what does not hold puts nothing into the log a second time.
    for _ in 0..2 {
        give(&lines);
        let other = SecretKey::from_seed([98; 32]);
        let other = HeadSignature::sign(&other, job, commit.actor(), commit.seq(), commit.hash());
        give(&[lines[0].clone(), other.into()]);
        give(&forged);
    }
    scene.office.exchange(&books).unwrap();
    assert_eq!(notes(&scene.office.db, job).get("signed"), Some(&in_force(&copy)));
    let book = book(&scene.office.db, job);
    let rescued: Vec<_> = book.rescued().collect();
    assert_eq!((rescued.len(), rescued[0].signatures().count()), (1, 2));
    let told = bolebook_log::read(&scene.office.db, job, 0, bolebook_log::Page::ALL).unwrap();
    let told = told.iter().map(|line| line.text.matches(r#""kind":"rescue""#).count());
    assert_eq!(told.sum::<usize>(), 2, "one rescue a signature that was new");
}
