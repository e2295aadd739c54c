//! A real server on port 0 and real clients: enrolling, converging, receipts, restores, and
//! everything around the exchange.

mod support;

use std::sync::atomic::Ordering;

use bolebook_core::authority::{Directory, Grant, certify};
use bolebook_core::book::Book;
use bolebook_core::exchange::{Entry, LogLine, code};
use bolebook_core::ids::{BookId, RecordId, Sha256Hash};
use bolebook_core::quantity::UtcMs;
use bolebook_core::record::book_kinds::{Genesis, Receipt};
use bolebook_core::record::people::{Revocation, Role};
use bolebook_core::record::{Body, Record};
use bolebook_core::service::{BookList, PhotoStored, Register, RegisterEntry, assertion};
use bolebook_core::signing::SecretKey;
use bolebook_log::verify;
use bolebook_server::{Config, router};
use support::{Client, NOW, Server, fresh, invitation, job_content, root, sorted_lines, yard};

const CODE: &str = "22223333444455556666";

fn contractor(data: &std::path::Path) -> (Server, Client) {
    Server::init(data);
    let server = Server::start(data);
    let mut office = Client::certified(&server.url, 1, Role::Office);
    office.open_yard();
    office.exchange(&[yard()]).unwrap();
    (server, office)
}

fn receipts(db: &bolebook_db::Connection, book: BookId) -> Vec<Receipt> {
    let lines = bolebook_log::read(db, book, 0, bolebook_log::Page::ALL).unwrap();
    let commits = lines.iter().filter_map(|l| match LogLine::parse(&l.text).unwrap().into_entry() {
        Entry::Commit(commit) => Some(commit),
        Entry::Signature(_) => None,
    });
    let texts = commits.flat_map(|c| c.records().to_vec());
    texts
        .filter_map(|text| match Record::read(&text).unwrap().body {
            Body::Receipt(receipt) => Some(*receipt),
            _ => None,
        })
        .collect()
}

fn directory(db: &bolebook_db::Connection) -> Directory {
    let mut book = Book::new(yard());
    for line in bolebook_log::read(db, yard(), 0, bolebook_log::Page::ALL).unwrap() {
        match LogLine::parse(&line.text).unwrap().into_entry() {
            Entry::Commit(commit) => drop(book.take(commit).unwrap()),
            Entry::Signature(signed) => book.take_signature(signed),
        }
    }
    Directory::read(&book, &root().public()).unwrap()
}

#[test]
fn i1_crews_who_worked_apart_have_the_same_books_after_exchanging() {
    let data = tempfile::tempdir().unwrap();
    let (server, mut office) = contractor(data.path());
    let job = office.open_job(1);
    office.exchange(&[yard(), job]).unwrap();
    let mut crews: Vec<_> = (2..5).map(|seed| Client::certified(&server.url, seed, Role::Crew)).collect();
    for crew in &mut crews {
        crew.exchange(&[yard(), job]).unwrap();
        let certificate = crew.certificate.clone().unwrap();
        crew.write(yard(), vec![certificate.into()]);
    }
    for round in 0..3 {
        for crew in &mut crews {
            for note in 0..4 {
                crew.note(job, &format!("round {round}, note {note}"));
            }
        }
        crews[round].exchange(&[job, yard()]).unwrap();
    }
    for _ in 0..2 {
        crews.iter_mut().chain([&mut office]).for_each(|c| drop(c.exchange(&[yard(), job]).unwrap()));
    }
    for book in [yard(), job] {
        for crew in &crews {
            assert_eq!(sorted_lines(&crew.db, book), sorted_lines(&office.db, book));
        }
        verify(&office.db, book).unwrap();
    }
    let texts = sorted_lines(&office.db, job);
    assert_eq!(texts.iter().filter(|t| t.contains("\"kind\":\"note\"")).count(), 36);
}

#[test]
fn the_server_says_in_the_book_what_arrived_and_its_word_is_certified() {
    let data = tempfile::tempdir().unwrap();
    let (server, mut office) = contractor(data.path());
    let first = receipts(&office.db, yard());
    assert_eq!(first.len(), 1);
    assert_eq!(first[0].delivered_by, office.key.device());
    assert_eq!(first[0].through.len(), 2, "the root's chain and the device's");
    assert_eq!(directory(&office.db).role_of(office.server.unwrap()), Some(Role::Server));
    office.now -= 86_400_000;
    server.clock.fetch_add(5, Ordering::Relaxed);
    office.note(yard(), "the clock is a day behind");
    office.exchange(&[yard()]).unwrap();
    let second = receipts(&office.db, yard()).remove(1);
    assert_eq!(second.arrived_at, UtcMs(NOW.0 + 5));
    assert!((-86_400_010..-86_399_990).contains(&second.clock_offset_ms.0), "{second:?}");
    let outcomes = office.exchange(&[yard()]).unwrap();
    assert_eq!((outcomes.len(), receipts(&office.db, yard()).len()), (1, 2), "asking alone needs no receipt");
}

#[test]
fn a_code_enrols_one_device_once_while_it_lasts() {
    let data = tempfile::tempdir().unwrap();
    let (server, office) = contractor(data.path());
    let other = "11112222333344445555";
    for code in [CODE, other] {
        assert_eq!(office.json("POST", "/v1/invitations", &invitation(Role::Crew, code)).status, 204);
    }
    let mut crew = Client::new(&server.url, 2);
    assert_eq!(crew.enrol_answer("99998888777766665555").problem().code, "code-unknown");
    crew.enrol(CODE);
    crew.enrol(CODE);
    crew.exchange(&[yard()]).unwrap();
    assert_eq!(
        crew.json("POST", "/v1/invitations", &invitation(Role::Crew, CODE)).problem().code,
        "office-only"
    );
    let thief = Client::new(&server.url, 3);
    assert_eq!(thief.enrol_answer(CODE).problem().code, "code-used");
    server.clock.fetch_add(86_400_001, Ordering::Relaxed);
    assert_eq!(thief.enrol_answer(other).problem().code, "code-expired");
    // Whoever knows the code but did not enrol here does not get in with a certificate made from it.
    let mut forger = Client::new(&server.url, 4);
    let made =
        bolebook_core::authority::accept(&invitation(Role::Crew, other), other, forger.key.public(), NOW);
    forger.certificate = Some(made.unwrap());
    assert_eq!(forger.sign_in().unwrap_err().code, "not-enrolled");
}

#[test]
fn guessing_codes_is_slowed_down() {
    let data = tempfile::tempdir().unwrap();
    Server::init(data.path());
    let config = Config { enrolments_per_minute: 3, ..Config::new(data.path().to_owned()) };
    let server = Server::start_with(config);
    let guesser = Client::new(&server.url, 9);
    for _ in 0..3 {
        assert_eq!(guesser.enrol_answer("99998888777766665555").status, 403);
    }
    let answer = guesser.enrol_answer("99998888777766665555");
    assert_eq!(answer.problem().code, code::RATE);
    assert_eq!(answer.headers["retry-after"], "61");
    server.clock.fetch_add(60_000, Ordering::Relaxed);
    assert_eq!(guesser.enrol_answer("99998888777766665555").status, 403);
}

#[test]
fn a_token_is_given_for_a_fresh_assertion_of_the_devices_own_key_only() {
    let data = tempfile::tempdir().unwrap();
    let (server, office) = contractor(data.path());
    let audience = office.server.unwrap();
    let refused = |client: &Client, text: &str| client.token_request(text).problem().code;
    let once = assertion(&office.key, audience, NOW, fresh());
    assert_eq!(office.token_request(&once).status, 200);
    assert_eq!(refused(&office, &once), code::TOKEN, "used twice");
    let late = assertion(&office.key, audience, UtcMs(NOW.0 - 600_000), fresh());
    assert_eq!(refused(&office, &late), code::TOKEN);
    let early = assertion(&office.key, audience, UtcMs(NOW.0 + 600_000), fresh());
    assert_eq!(refused(&office, &early), code::TOKEN);
    let elsewhere = assertion(&office.key, office.key.device(), NOW, fresh());
    assert_eq!(refused(&office, &elsewhere), code::TOKEN);
    // Another key under this device's name, and the algorithm 'none'.
    let forged = assertion(&SecretKey::from_seed([66; 32]), audience, NOW, fresh());
    let good = assertion(&office.key, audience, NOW, fresh());
    let part = |text: &str, i: usize| text.split('.').nth(i).unwrap().to_owned();
    let swapped = format!("{}.{}.{}", part(&good, 0), part(&good, 1), part(&forged, 2));
    assert_eq!(refused(&office, &swapped), code::TOKEN);
    // {"alg":"none"}
    let none = format!("eyJhbGciOiJub25lIn0.{}.", part(&good, 1));
    assert_eq!(refused(&office, &none), code::TOKEN);
    assert_eq!(refused(&office, "x.y.z"), code::TOKEN);
    let stranger = Client::new(&server.url, 67);
    let unknown = assertion(&stranger.key, audience, NOW, fresh());
    assert_eq!(refused(&stranger, &unknown), "device-unknown");
}

#[test]
fn an_access_token_lasts_a_quarter_of_an_hour_and_a_revocation_ends_it_at_once() {
    let data = tempfile::tempdir().unwrap();
    let (server, mut office) = contractor(data.path());
    let mut crew = Client::certified(&server.url, 2, Role::Crew);
    crew.exchange(&[yard()]).unwrap();
    let certificate = crew.certificate.clone().unwrap();
    crew.write(yard(), vec![certificate.into()]);
    crew.exchange(&[yard()]).unwrap();
    server.clock.fetch_add(901_000, Ordering::Relaxed);
    assert_eq!(crew.get("/v1/books").problem().code, code::TOKEN);
    crew.sign_in().unwrap();
    office.sign_in().unwrap();
    assert_eq!(crew.get("/v1/books").status, 200);
    office.exchange(&[yard()]).unwrap();
    let revocation = Revocation { device: crew.key.device(), reason: "lost".into(), accepted: vec![] };
    office.write(yard(), vec![revocation.into()]);
    office.exchange(&[yard()]).unwrap();
    assert_eq!(crew.get("/v1/books").problem().code, "device-revoked");
    assert_eq!(crew.sign_in().unwrap_err().code, "device-revoked");
    assert_eq!(office.get("/v1/books").status, 200);
    let mut without = Client::new(&server.url, 2);
    assert_eq!(without.get("/v1/books").problem().status, 401);
    without.token = Some(office.token.clone().unwrap().replace('.', ".x"));
    assert_eq!(without.get("/v1/books").problem().status, 401);
}

#[test]
fn a_book_is_opened_by_the_roots_signature_and_by_nothing_else() {
    let data = tempfile::tempdir().unwrap();
    let (server, mut office) = contractor(data.path());
    let code_of = |error: bolebook_log::client::ClientError| match error {
        bolebook_log::client::ClientError::Refused(problem) => problem.code,
        other => panic!("{other}"),
    };
    let other_yard = BookId::new(1, [77; 10]);
    let foreign = support::job(2);
    office.open(foreign, job_content(other_yard));
    assert_eq!(code_of(office.exchange(&[foreign]).unwrap_err()), "other-yard");
    let job = office.open_job(3);
    let lines: Vec<String> =
        sorted_lines(&office.db, job).into_iter().filter(|l| l.contains("deps")).collect();
    let head = format!(r#"{{"book":"{job}","server":null,"position":0,"chain":"{}"}}"#, "0".repeat(64));
    let body = format!("{{\"exchange\":1,\"now\":1}}\n{head}\n{}\n", lines[0]);
    let answer = office.post_exchange(body.as_bytes(), None).unwrap();
    assert_eq!(answer.problem().code, "genesis-unproven");
    let list: BookList = office.get("/v1/books").json();
    assert_eq!(list.books.len(), 1);
    // Another key's signature on a genesis that names the root.
    let mut crew = Client::certified(&server.url, 2, Role::Crew);
    let genesis = Genesis {
        format: 1,
        book: support::job(4),
        root: root().public(),
        title: "Invented".into(),
        content: job_content(yard()),
    };
    crew.write(support::job(4), vec![genesis.into()]);
    assert_eq!(code_of(crew.exchange(&[support::job(4)]).unwrap_err()), "genesis-unproven");
    office.exchange(&[job]).unwrap();
    let list: BookList = office.get("/v1/books").json();
    let kinds: Vec<_> = list.books.iter().map(|b| (b.kind.as_str(), b.book)).collect();
    assert_eq!(kinds, [("yard", yard()), ("job", job)]);
}

#[test]
fn i6_a_server_restored_from_a_backup_gets_back_what_it_had_acknowledged() {
    let (data, copy) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let (server, mut office) = contractor(data.path());
    let job = office.open_job(1);
    office.exchange(&[yard(), job]).unwrap();
    let mut crew = Client::certified(&server.url, 2, Role::Crew);
    crew.exchange(&[yard(), job]).unwrap();
    // The backup, taken as the operations page says: a copy by the database's own means.
    let backup = copy.path().join("bolebook.sqlite");
    let db = bolebook_log::open(&data.path().join("bolebook.sqlite")).unwrap();
    db.execute("VACUUM INTO ?1", [backup.to_str().unwrap()]).unwrap();
    std::fs::copy(data.path().join("identity.json"), copy.path().join("identity.json")).unwrap();
    for note in 0..5 {
        crew.note(job, &format!("before {note}"));
    }
    crew.exchange(&[yard(), job]).unwrap();
    office.exchange(&[yard(), job]).unwrap();
    let acknowledged = sorted_lines(&crew.db, job);
    drop(server);
    let restored = Server::start(copy.path());
    for client in [&mut office, &mut crew] {
        client.url = restored.url.clone();
        client.sign_in().unwrap();
        client.note(job, "after the restore");
        client.exchange(&[yard(), job]).unwrap();
    }
    office.exchange(&[yard(), job]).unwrap();
    assert_eq!(sorted_lines(&office.db, job), sorted_lines(&crew.db, job));
    let kept = sorted_lines(&bolebook_log::open(&backup).unwrap(), job);
    assert_eq!(kept, sorted_lines(&crew.db, job));
    assert!(acknowledged.iter().all(|line| kept.binary_search(line).is_ok()));
}

#[test]
fn i6_a_crew_brings_back_a_whole_book_that_a_restored_server_never_had() {
    let (data, copy) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let (server, mut office) = contractor(data.path());
    let backup = copy.path().join("bolebook.sqlite");
    let db = bolebook_log::open(&data.path().join("bolebook.sqlite")).unwrap();
    db.execute("VACUUM INTO ?1", [backup.to_str().unwrap()]).unwrap();
    std::fs::copy(data.path().join("identity.json"), copy.path().join("identity.json")).unwrap();
    let job = office.open_job(1);
    office.exchange(&[yard(), job]).unwrap();
    let mut crew = Client::certified(&server.url, 2, Role::Crew);
    crew.exchange(&[yard(), job]).unwrap();
    crew.note(job, "kept");
    crew.exchange(&[yard(), job]).unwrap();
    let acknowledged = sorted_lines(&crew.db, job);
    drop(server);
    let restored = Server::start(copy.path());
    crew.url = restored.url.clone();
    crew.sign_in().unwrap();
    crew.exchange(&[yard(), job]).unwrap();
    let kept = sorted_lines(&bolebook_log::open(&backup).unwrap(), job);
    assert!(acknowledged.iter().all(|line| kept.binary_search(line).is_ok()));
    assert_eq!(kept, sorted_lines(&crew.db, job));
}

#[test]
fn a_renewed_certificate_lets_a_device_in_when_the_old_one_is_over() {
    let data = tempfile::tempdir().unwrap();
    let (server, office) = contractor(data.path());
    let mut crew = Client::new(&server.url, 2);
    let certificate = |from: i64, to: i64| {
        let key = SecretKey::from_seed([2; 32]).public();
        let (role, name) = (Role::Crew, "phone".into());
        let grant = Grant { key, role, crew: None, name, not_before: UtcMs(from), not_after: UtcMs(to) };
        certify(&root(), grant).unwrap()
    };
    let day = 86_400_000;
    crew.certificate = Some(certificate(NOW.0, NOW.0 + day));
    crew.sign_in().unwrap();
    crew.exchange(&[yard()]).unwrap();
    crew.write(yard(), vec![crew.certificate.clone().unwrap().into()]);
    crew.exchange(&[yard()]).unwrap();
    server.clock.fetch_add(3 * day, Ordering::Relaxed);
    assert_eq!(crew.sign_in().unwrap_err().code, "certificate-over");
    crew.certificate = Some(certificate(NOW.0 + 3 * day, NOW.0 + 9 * day));
    crew.sign_in().unwrap();
    assert_eq!(crew.get("/v1/books").status, 200);
    let form = vec![b'a'; 2 << 20];
    let headers = [("content-type", "application/x-www-form-urlencoded")];
    // A server that stops reading may close before the client has sent everything.
    if let Ok(answer) = office.send("POST", "/v1/token", &headers, &form) {
        assert_eq!(answer.problem().status, 413);
    }
}

#[test]
fn one_request_carries_several_books_or_none_of_them() {
    let data = tempfile::tempdir().unwrap();
    let (_server, mut office) = contractor(data.path());
    let (a, b) = (office.open_job(1), office.open_job(2));
    office.exchange(&[yard(), a, b]).unwrap();
    let (good, other) = (office.note(a, "good"), office.note(b, "other"));
    let head = |book: BookId| {
        let (cursor, _) = bolebook_log::client::peer(&office.db, book, office.server.unwrap()).unwrap();
        format!(
            r#"{{"book":"{book}","server":null,"position":{},"chain":"{}"}}"#,
            cursor.position, cursor.chain
        )
    };
    let bad = other[0].text().replace("\"seq\":1", "\"seq\":9");
    let body = format!("{{\"exchange\":1,\"now\":1}}\n{}\n{}\n{}\n{bad}\n", head(a), good[0].text(), head(b));
    let problem = office.post_exchange(body.as_bytes(), None).unwrap().problem();
    assert_eq!((problem.code.as_str(), problem.book, problem.line), ("hash-mismatch", Some(b), Some(0)));
    let outcome = office.exchange(&[yard(), a, b]).unwrap();
    assert_eq!(outcome[0].books[&a].known, 0, "the good line of the refused request was not kept");
    assert_eq!(outcome[0].books[&a].pushed, 2);
}

#[test]
fn findings_and_exports_are_those_of_the_core() {
    let data = tempfile::tempdir().unwrap();
    let (_server, mut office) = contractor(data.path());
    let job = office.open_job(1);
    office.exchange(&[yard(), job]).unwrap();
    let findings: serde_json::Value = office.get(&format!("/v1/books/{job}/findings")).json();
    assert!(findings["findings"].is_array(), "{findings}");
    let trees = office.get(&format!("/v1/books/{job}/exports/trees.csv"));
    assert!(trees.headers["content-type"].to_str().unwrap().starts_with("text/csv"));
    let problem = office.get(&format!("/v1/books/{job}/exports/nothing.xyz")).problem();
    assert!(problem.detail.contains("balance.json"), "{problem:?}");
    assert_eq!(office.get(&format!("/v1/books/{}/findings", yard())).problem().status, 404);
    assert_eq!(office.get("/v1/books/not-an-id/findings").problem().code, "id");
    office.note(job, "one more");
    office.exchange(&[job]).unwrap();
    office.get(&format!("/v1/books/{job}/findings"));
    let outcomes = office.exchange(&[job]).unwrap();
    let cursor = outcomes[0].books[&job].cursor;
    assert_eq!(outcomes[0].books[&job].findings_to, Some(cursor.position));
}

#[test]
fn photos_are_kept_by_their_bytes_and_nothing_else_is_kept() {
    let data = tempfile::tempdir().unwrap();
    Server::init(data.path());
    let config = Config { photo_bytes: 1_000, ..Config::new(data.path().to_owned()) };
    let server = Server::start_with(config);
    let office = Client::certified(&server.url, 1, Role::Office);
    let photo = [&[0xff, 0xd8, 0xff, 0xe0][..], &[7; 500]].concat();
    let put = |bytes: &[u8], hash: Sha256Hash| {
        office.send("PUT", &format!("/v1/photos/{hash}"), &[], bytes).unwrap()
    };
    let hash = Sha256Hash::of(&photo);
    let kept = put(&photo, hash);
    assert_eq!(kept.status, 201);
    assert_eq!(
        kept.json::<PhotoStored>(),
        PhotoStored { sha256: hash, media_type: "image/jpeg".into(), bytes: 504 }
    );
    assert_eq!(put(&photo, hash).status, 200);
    let got = office.get(&format!("/v1/photos/{hash}"));
    assert_eq!(
        (got.bytes.as_slice(), got.headers["content-type"].to_str().unwrap()),
        (photo.as_slice(), "image/jpeg")
    );
    let page = b"<html><script>alert(1)</script>".to_vec();
    assert_eq!(put(&page, Sha256Hash::of(&page)).problem().code, "photo-type");
    let large = [&photo[..], &[0; 600]].concat();
    assert_eq!(put(&large, Sha256Hash::of(&large)).problem().status, 413);
    assert_eq!(put(&photo, Sha256Hash([1; 32])).problem().code, "hash-mismatch");
    let outside = office.get("/v1/photos/..%2F..%2Fidentity.json");
    assert_eq!(outside.problem().code, "id");
    assert_eq!(std::fs::read_dir(data.path().join("tmp")).unwrap().count(), 0);
    assert_eq!(office.get(&format!("/v1/photos/{}", Sha256Hash([9; 32]))).problem().status, 404);
}

#[test]
fn the_register_is_the_offices_to_write_and_can_be_erased() {
    let data = tempfile::tempdir().unwrap();
    let (server, office) = contractor(data.path());
    let crew = Client::certified(&server.url, 2, Role::Crew);
    let id = RecordId::new(5, [5; 10]);
    let entry = |name: Option<&str>, at: i64| {
        let fields = name.map(|n| ("name".to_owned(), n.into())).into_iter().collect();
        Register { entries: vec![RegisterEntry { fields, ..RegisterEntry::new(id, "person", UtcMs(at)) }] }
    };
    assert_eq!(crew.json("PUT", "/v1/register", &entry(Some("A"), 1)).problem().code, "office-only");
    assert_eq!(office.json("PUT", "/v1/register", &entry(Some("An Invented Name"), 10)).status, 204);
    assert_eq!(office.json("PUT", "/v1/register", &entry(Some("older"), 9)).status, 204);
    assert_eq!(crew.get("/v1/register").json::<Register>(), entry(Some("An Invented Name"), 10));
    assert_eq!(office.json("PUT", "/v1/register", &entry(None, 11)).status, 204);
    assert_eq!(crew.get("/v1/register").json::<Register>(), entry(None, 11));
}

#[test]
fn every_error_is_a_problem_with_its_request_id() {
    let data = tempfile::tempdir().unwrap();
    let (_server, office) = contractor(data.path());
    assert_eq!(office.get("/nothing").problem().code, "not-found");
    let wrong_method = office.send("DELETE", "/v1/books", &[], &[]).unwrap();
    assert_eq!(wrong_method.problem().code, "method-not-allowed");
    assert_eq!(wrong_method.headers["allow"], "GET,HEAD");
    let html = office.send("POST", "/v1/exchange", &[("content-type", "text/html")], b"x").unwrap();
    assert_eq!((html.problem().status, html.problem().code.as_str()), (415, "media-type"));
    let json = office.send("PUT", "/v1/register", &[("content-type", "application/json")], b"{").unwrap();
    assert_eq!(json.problem().code, "json");
    let id = html.headers["x-request-id"].to_str().unwrap().to_owned();
    assert_eq!(html.problem().request_id, Some(id));
    assert_eq!(office.get("/ready").status, 200);
}

#[test]
fn the_openapi_page_names_every_route_and_no_other() {
    let data = tempfile::tempdir().unwrap();
    let (_server, office) = contractor(data.path());
    let document: serde_json::Value = office.get("/openapi.json").json();
    assert_eq!(document["openapi"], "3.1.0");
    let mut described: Vec<(String, String)> = vec![];
    for (path, operations) in document["paths"].as_object().unwrap() {
        for (method, operation) in operations.as_object().unwrap() {
            assert!(operation["responses"]["default"].is_object());
            described.push((method.clone(), path.clone()));
        }
    }
    let mut routed: Vec<_> =
        router::routes().into_iter().map(|(m, p, _)| (m.to_owned(), p.to_owned())).collect();
    described.sort();
    routed.sort();
    assert_eq!(described, routed);
    let text = document.to_string();
    let schemas = document["components"]["schemas"].as_object().unwrap();
    for reference in text.split("\"#/components/schemas/").skip(1) {
        let name = reference.split('"').next().unwrap();
        assert!(schemas.contains_key(name), "{name}");
    }
}

/// openapi-spec-validator (PyPI) checks the page against the OpenAPI 3.1 specification's own schema.
#[test]
fn an_outside_validator_accepts_the_openapi_page() {
    let document = bolebook_server::openapi::document().unwrap().to_string();
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("openapi.json");
    std::fs::write(&path, document).unwrap();
    let python = xtask::setup::python().unwrap();
    let script = "import json, sys; from openapi_spec_validator import OpenAPIV31SpecValidator as V; V(json.load(open(sys.argv[1]))).validate()";
    let done = std::process::Command::new(python).args(["-c", script]).arg(&path).output().unwrap();
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
}
