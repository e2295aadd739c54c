//! Servers killed, the database restarted and replaced, all under load: nothing acknowledged is lost.

use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::time::Duration;

use bolebook_core::authority::{Offer, invite};
use bolebook_core::exchange::code;
use bolebook_core::ids::BookId;
use bolebook_core::record::people::Role;
use bolebook_db::{Connection, Trouble};
use bolebook_log::client::peer;
use bolebook_log::{Page, verify};
use bolebook_server::Config;
use bolebook_server::error::ApiError;
use bolebook_tests::cluster::Cluster;

use crate::process::{Process, init, soon};
use crate::support::{Client, END, Server, job, job_content, root, sorted_lines, yard};

const BOOKS: fn() -> [BookId; 2] = || [yard(), job(1)];

/// An office and two crews, signed in, that have the yard and a job.
fn people(url: &str) -> Vec<Client> {
    let mut office = Client::certified(url, 1, Role::Office);
    office.open_yard();
    office.open(job(1), job_content(yard()));
    office.exchange(&BOOKS()).unwrap();
    let mut people = vec![office];
    for seed in [2, 3] {
        let mut crew = Client::certified(url, seed, Role::Crew);
        crew.exchange(&BOOKS()).unwrap();
        people.push(crew);
    }
    people
}

/// Clients at work: each writes and exchanges, and goes to the next server when one does not answer.
fn under_load(people: Vec<Client>, urls: &[String], fault: impl FnOnce(&AtomicUsize)) -> Vec<Client> {
    let (stop, acknowledged) = (AtomicBool::new(false), AtomicUsize::new(0));
    std::thread::scope(|scope| {
        let workers: Vec<_> = people
            .into_iter()
            .enumerate()
            .map(|(who, mut client)| {
                let (stop, acknowledged) = (&stop, &acknowledged);
                scope.spawn(move || {
                    let mut at = who;
                    while !stop.load(Ordering::Relaxed) {
                        for note in 0..4 {
                            client.note(
                                job(1),
                                &format!("{who} {note} {}", acknowledged.load(Ordering::Relaxed)),
                            );
                        }
                        client.url.clone_from(&urls[at % urls.len()]);
                        match client.exchange(&BOOKS()) {
                            Ok(_) => drop(acknowledged.fetch_add(1, Ordering::Relaxed)),
                            Err(_) => std::thread::sleep(Duration::from_millis(20)),
                        }
                        at += 1;
                    }
                    client
                })
            })
            .collect();
        fault(&acknowledged);
        stop.store(true, Ordering::Relaxed);
        workers.into_iter().map(|worker| worker.join().unwrap()).collect()
    })
}

/// Waits for so many further acknowledgements.
fn further(acknowledged: &AtomicUsize, count: usize) {
    let until = acknowledged.load(Ordering::Relaxed) + count;
    soon("exchanges", || acknowledged.load(Ordering::Relaxed) >= until);
}

/// What a client believes the servers have must be in the database.
fn nothing_acknowledged_is_lost(db: &Connection, clients: &[Client]) {
    for book in BOOKS() {
        verify(db, book).unwrap();
        let kept = sorted_lines(db, book);
        for client in clients {
            let (cursor, sent_to) = peer(&client.db, book, client.server.unwrap()).unwrap();
            for line in bolebook_log::read(&client.db, book, 0, Page::ALL).unwrap() {
                let safe = line.position > sent_to || kept.binary_search(&line.text).is_ok();
                assert!(safe, "position {} of {book} was acknowledged and is lost", line.position);
            }
            let chain = bolebook_log::chain_at(db, book, cursor.position).unwrap();
            assert_eq!(chain, Some(cursor.chain), "the cursor still holds");
        }
    }
}

/// Everybody ends with the same lines.
fn all_agree(clients: &mut [Client], url: &str) {
    for _ in 0..2 {
        for client in &mut *clients {
            url.clone_into(&mut client.url);
            client.exchange(&BOOKS()).unwrap();
        }
    }
    for book in BOOKS() {
        let all: Vec<_> = clients.iter().map(|c| sorted_lines(&c.db, book)).collect();
        assert!(all.windows(2).all(|pair| pair[0] == pair[1]), "{book}");
    }
}

#[test]
fn i6_two_servers_share_a_database_and_lose_nothing_when_one_is_killed_and_the_database_crashes() {
    let mut cluster = Cluster::new();
    let data = tempfile::tempdir().unwrap();
    init(data.path());
    let store = cluster.database();
    let (first, second) = (Process::start(data.path(), &store), Process::start(data.path(), &store));
    let clients = people(&first.url);
    // A code that was used at one server is used at the other; one's token opens the other.
    let mut invited = Client::new(&first.url, 7);
    let code = "30000000000000000003";
    assert_eq!(clients[0].json("POST", "/v1/invitations", &now_invitation(code)).status, 204);
    assert_eq!(invited.enrol_answer(code).status, 200);
    invited.url.clone_from(&second.url);
    assert_eq!(invited.enrol_answer(code).status, 200, "the same device may ask again");
    let other = Client::new(&second.url, 8);
    assert_eq!(other.enrol_answer(code).problem().code, "code-used");

    let urls = [first.url.clone(), second.url.clone()];
    let mut first = Some(first);
    let mut clients = under_load(clients, &urls, |acknowledged| {
        further(acknowledged, 6);
        drop(first.take());
        further(acknowledged, 6);
        cluster.crash();
        cluster.start();
        further(acknowledged, 6);
    });
    nothing_acknowledged_is_lost(&Connection::postgres(&store).unwrap(), &clients);
    // The killed one comes back to the same database.
    let third = Process::start(data.path(), &store);
    all_agree(&mut clients, &third.url);
}

fn now_invitation(code: &str) -> bolebook_core::record::people::Invitation {
    let (role, name) = (Role::Crew, "phone".into());
    invite(&root(), code, Offer { yard: yard(), role, crew: None, name, use_by: END, not_after: END })
        .unwrap()
}

#[test]
fn i6_a_standby_that_takes_over_has_everything_that_was_acknowledged() {
    let mut primary = Cluster::new();
    let store = primary.database();
    let name = store.rsplit('/').next().unwrap();
    let standby = primary.standby();
    let wait_for = |names: &str| {
        let admin = primary.admin();
        let set = ["ALTER SYSTEM SET synchronous_standby_names = '", names, "'"].concat();
        admin.execute_batch(&set).unwrap();
        admin.execute_batch("SELECT pg_reload_conf()").unwrap();
        let shown = "SELECT setting FROM pg_settings WHERE name = 'synchronous_standby_names'";
        soon("the setting", || {
            primary.admin().query_row(shown, [], |r| r.get::<_, String>(0)).unwrap() == names
        });
    };
    let streams = "SELECT CAST(count(*) AS BIGINT) FROM pg_stat_replication WHERE state = 'streaming'";
    soon("the standby", || primary.admin().query_row(streams, [], |r| r.get::<_, i64>(0)).unwrap() == 1);
    wait_for("standby");
    let data = tempfile::tempdir().unwrap();
    init(data.path());
    // Whichever of the two takes writes.
    let both = format!(
        "postgres://bole@127.0.0.1:{},127.0.0.1:{}/{name}?target_session_attrs=read-write",
        primary.port, standby.port
    );
    let server = Process::start(data.path(), &both);
    let mut clients = people(&server.url);

    // A commit that may stand on one machine only is no acknowledgement: nothing waits to be replicated
    // to a standby that is not there, the wait is cut off with a warning, and still no answer comes.
    wait_for("nobody");
    let (mut office, answered) = (clients.remove(0), AtomicBool::new(false));
    std::thread::scope(|scope| {
        let at_work = scope.spawn(|| {
            office.note(job(1), "not acknowledged before it stands on two machines");
            office.exchange(&BOOKS()).unwrap();
            answered.store(true, Ordering::SeqCst);
        });
        let cancel = "SELECT CAST(count(pg_cancel_backend(pid)) AS BIGINT) FROM pg_stat_activity
            WHERE wait_event = 'SyncRep'";
        // Twice: tried again, it waits again, though by now every line is known.
        for _ in 0..2 {
            soon("a commit that waits", || {
                primary.admin().query_row(cancel, [], |r| r.get::<_, i64>(0)).unwrap() > 0
            });
        }
        std::thread::sleep(Duration::from_millis(300));
        assert!(!answered.load(Ordering::SeqCst), "a warning is no acknowledgement");
        wait_for("standby");
        at_work.join().unwrap();
    });
    clients.insert(0, office);

    let urls = [server.url.clone()];
    let mut clients = under_load(clients, &urls, |acknowledged| {
        further(acknowledged, 9);
        primary.kill();
        standby.promote();
        further(acknowledged, 6);
    });
    nothing_acknowledged_is_lost(&Connection::postgres(&standby.url(name)).unwrap(), &clients);
    all_agree(&mut clients, &server.url);
}

#[test]
fn a_server_hears_of_what_another_wrote_and_an_assertion_counts_once_at_both() {
    let cluster = Cluster::new();
    let data = tempfile::tempdir().unwrap();
    Server::init(data.path());
    let config =
        || Config { store: Some(cluster.database_named("shared")), ..Config::new(data.path().into()) };
    let (one, other) = (Server::start_with(config()), Server::start_with(config()));
    let mut clients = people(&one.url);
    let mut news = other.app.findings.news();
    // What it saw at its first look is no news.
    std::thread::sleep(Duration::from_millis(1_500));
    news.mark_unchanged();
    clients[1].note(job(1), "written at one server");
    clients[1].exchange(&BOOKS()).unwrap();
    soon("news at the other", || news.has_changed().unwrap());

    let assertion = bolebook_core::service::assertion(
        &clients[1].key,
        clients[1].server.unwrap(),
        clients[1].health().now,
        crate::support::fresh(),
    );
    assert_eq!(clients[1].token_request(&assertion).status, 200);
    clients[1].url.clone_from(&other.url);
    assert_eq!(clients[1].token_request(&assertion).problem().code, code::TOKEN);
}

/// A statement that was stopped (57014 in PostgreSQL 15's appendix A) is somebody's doing, or one that needs
/// for ever: a device that comes again at once would do the same again.
#[test]
fn a_statement_that_was_stopped_is_a_failure_and_none_that_passes() {
    let cluster = crate::quick();
    let db = Connection::postgres(&cluster.database()).unwrap();
    let stopped = db.execute_batch("SET statement_timeout = 20; SELECT pg_sleep(5)").unwrap_err();
    assert_eq!(stopped.trouble(), Trouble::Busy, "{stopped}");
    let answer = ApiError::from(stopped);
    assert!(answer.is("internal") && answer.trouble().is_none(), "{answer:?}");
}
