//! Laptops in trucks: hubs that take crews' exchanges all day and pass them on in the evening. One
//! of two dies, work comes after the sign-off, an actor forks between them. Nothing is lost.

mod support;

use bolebook_core::authority::{Grant, certify};
use bolebook_core::balance::balance;
use bolebook_core::check::check;
use bolebook_core::exchange::Entry;
use bolebook_core::facts::Standing;
use bolebook_core::finding::Code;
use bolebook_core::ids::RecordId;
use bolebook_core::quantity::UtcMs;
use bolebook_core::record::office::SignOff;
use bolebook_core::record::people::{Crew as CrewRecord, Role};
use bolebook_log::verify;
use bolebook_server::relay::{Passed, RelayError, pass_on};
use support::scene::{Scene, hub, look, standings, visit};
use support::{Client, END, NOW, root, sorted_lines, yard};

#[test]
fn a_hub_passes_the_days_work_on_and_brings_back_what_the_office_wrote() {
    let mut scene = Scene::new();
    let (books, job) = (scene.books(), scene.job);
    let folder = tempfile::tempdir().unwrap();
    let hub = hub(folder.path(), 21);
    visit(&mut scene.crew, &hub);
    scene.crew.note(job, "first at the hub");
    scene.crew.exchange(&books).unwrap();
    scene.office.note(job, "from the office");
    scene.office.exchange(&books).unwrap();
    let passed = pass_on(&hub.app, &scene.server.url).unwrap();
    assert!(passed.given > 0 && passed.taken > 0 && passed.rescued == 0, "{passed:?}");
    scene.office.exchange(&books).unwrap();
    scene.crew.exchange(&books).unwrap();
    for db in [&scene.office.db, &scene.crew.db] {
        for text in ["first at the hub", "from the office"] {
            assert_eq!(standings(db, job, text), [Standing::InForce], "{text}");
        }
    }
    // Nothing new: nothing goes over, and receipts do not answer receipts for ever.
    pass_on(&hub.app, &scene.server.url).unwrap();
    assert_eq!(pass_on(&hub.app, &scene.server.url).unwrap(), Passed::default());
    let log = |data: &std::path::Path| bolebook_log::open(&data.join("bolebook.sqlite")).unwrap();
    let (there, here) = (log(scene.data.path()), log(folder.path()));
    for book in books {
        assert_eq!(sorted_lines(&there, book), sorted_lines(&here, book));
        verify(&here, book).unwrap();
    }
}

#[test]
fn of_two_hubs_one_dies_before_it_passed_anything_on_and_its_crews_still_bring_all_of_it() {
    let mut scene = Scene::new();
    let (books, job) = (scene.books(), scene.job);
    let (first, second) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let dead = hub(first.path(), 22);
    let alive = hub(second.path(), 23);
    let mut others: Vec<Client> = [41, 42].map(|seed| scene.device(seed, Role::Crew)).into();
    visit(&mut scene.crew, &dead);
    visit(&mut others[0], &dead);
    visit(&mut others[1], &alive);
    scene.crew.note(job, "acknowledged by the dead hub");
    scene.crew.exchange(&books).unwrap();
    // The other crew has it from there and goes on from it.
    others[0].exchange(&books).unwrap();
    others[0].note(job, "on top of it");
    others[0].exchange(&books).unwrap();
    others[1].note(job, "at the other hub");
    others[1].exchange(&books).unwrap();
    drop(dead);
    std::fs::remove_dir_all(first.path()).unwrap();
    assert!(others[0].exchange(&books).is_err());
    pass_on(&alive.app, &scene.server.url).unwrap();
    // One crew goes to the hub that is left, one to the main server: each was told 'shared' by the
    // dead one alone, so each gives everything again.
    visit(&mut others[0], &alive);
    others[0].exchange(&books).unwrap();
    pass_on(&alive.app, &scene.server.url).unwrap();
    visit(&mut scene.crew, &scene.server);
    scene.crew.exchange(&books).unwrap();
    scene.office.exchange(&books).unwrap();
    for text in ["acknowledged by the dead hub", "on top of it", "at the other hub"] {
        assert_eq!(standings(&scene.office.db, job, text), [Standing::InForce], "{text}");
    }
}

#[test]
fn work_that_a_hub_brings_after_the_sign_off_is_kept_and_found() {
    let mut scene = Scene::new();
    let (books, job) = (scene.books(), scene.job);
    let folder = tempfile::tempdir().unwrap();
    let hub = hub(folder.path(), 24);
    // The phone belongs to a crew from here on.
    let person = RecordId::new(1, [90; 10]);
    let lines = scene
        .office
        .write(yard(), vec![CrewRecord { name: "North".into(), lead: person, members: vec![person] }.into()]);
    let crew = match lines[0].entry() {
        Entry::Commit(commit) => commit.record_ids()[0],
        Entry::Signature(_) => panic!("a commit comes first"),
    };
    let grant = Grant {
        key: scene.crew.key.public(),
        role: Role::Crew,
        crew: Some(crew),
        name: "phone of North".into(),
        not_before: UtcMs(NOW.0 + 1),
        not_after: END,
    };
    scene.office.write(yard(), vec![certify(&root(), grant).unwrap().into()]);
    scene.office.exchange(&books).unwrap();
    visit(&mut scene.crew, &hub);
    scene.crew.note(job, "late, and it did not know");
    scene.crew.exchange(&books).unwrap();
    // The invented job's zone is UTC, so its day is that of the clock.
    let day = "2026-06-01".parse().unwrap();
    let (job_heads, yard_heads) = {
        let heads = |book| bolebook_log::book(&scene.office.db, book).unwrap().unwrap().heads;
        (heads(job), heads(yard()))
    };
    scene.office.write(job, vec![SignOff { crew, day, job_heads, yard_heads }.into()]);
    scene.office.exchange(&books).unwrap();
    pass_on(&hub.app, &scene.server.url).unwrap();
    scene.office.exchange(&books).unwrap();
    assert_eq!(standings(&scene.office.db, job, "late, and it did not know"), [Standing::InForce]);
    look(&scene.office.db, job, |view, _, _| {
        let found = check(view, &balance(&view.yard, &[view]));
        let late: Vec<_> = found.iter().filter(|f| f.code == Code::AfterSignOff).collect();
        assert_eq!(late.len(), 1, "{found:?}");
    });
}

#[test]
fn an_actor_that_forked_at_two_hubs_comes_back_when_the_hubs_pass_on() {
    let mut scene = Scene::new();
    let (books, job) = (scene.books(), scene.job);
    let folder = tempfile::tempdir().unwrap();
    let hub = hub(folder.path(), 25);
    let mut copy = scene.crew.copied();
    scene.crew.note(job, "one branch");
    scene.crew.exchange(&books).unwrap();
    visit(&mut copy, &hub);
    copy.note(job, "the other branch");
    copy.exchange(&books).unwrap();
    let passed = pass_on(&hub.app, &scene.server.url).unwrap();
    // The commit, and the hub's receipt that stands on it.
    assert_eq!(passed.rescued, 2, "{passed:?}");
    scene.office.exchange(&books).unwrap();
    for text in ["one branch", "the other branch"] {
        assert_eq!(standings(&scene.office.db, job, text), [Standing::InForce], "{text}");
    }
    // The hub follows the main server's branch now, and whoever has the other settles with it.
    copy.exchange_and_settle(&books).unwrap();
    copy.note_safely(job, "and on");
    copy.exchange_and_settle(&books).unwrap();
    pass_on(&hub.app, &scene.server.url).unwrap();
    scene.office.exchange(&books).unwrap();
    assert_eq!(standings(&scene.office.db, job, "and on"), [Standing::InForce]);
    let db = bolebook_log::open(&folder.path().join("bolebook.sqlite")).unwrap();
    verify(&db, job).unwrap();
}

#[test]
fn a_hub_passes_on_to_a_server_of_its_own_yard_and_to_no_other_address() {
    let scene = Scene::new();
    let folder = tempfile::tempdir().unwrap();
    let hub = hub(folder.path(), 26);
    assert!(matches!(pass_on(&hub.app, &hub.url), Err(RelayError::Wrong { .. })));
    assert!(matches!(pass_on(&hub.app, "http://127.0.0.1:9"), Err(RelayError::Unreachable { .. })));
    // A second server with the same code: the first that came has used it.
    pass_on(&hub.app, &scene.server.url).unwrap();
    let other = tempfile::tempdir().unwrap();
    std::fs::copy(folder.path().join("invitation.json"), other.path().join("invitation.json")).unwrap();
    let path = other.path().join("invitation.json");
    bolebook_server::identity::Identity::init(other.path(), &path, [27; 32], [27; 10], NOW).unwrap();
    let second = support::Server::start(other.path());
    match pass_on(&second.app, &scene.server.url) {
        Err(RelayError::Refused(problem)) => {
            assert!(["not-enrolled", "code-shared"].contains(&problem.code.as_str()), "{problem:?}");
        }
        other => panic!("{other:?}"),
    }
}
