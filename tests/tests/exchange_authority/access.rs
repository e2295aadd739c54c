//! Access by book: what the office's lists open and close to a crew's device, at every endpoint.

use std::collections::BTreeSet;

use base64::Engine as _;
use base64::prelude::BASE64_STANDARD;
use bolebook_core::authority::{BookAccess, Directory};
use bolebook_core::exchange::{MEDIA_TYPE, short};
use bolebook_core::facts::{ProposalReason, Standing};
use bolebook_core::ids::{BookId, Sha256Hash};
use bolebook_core::record::Body;
use bolebook_core::record::people::{Access, Role};
use bolebook_core::record::work::Photo;
use bolebook_core::service::BookList;

use super::push;
use super::support::scene::{Scene, book, standings};
use super::support::{Answer, Client, NOW, job, root, sorted_lines, yard};

/// A refusal that names no book.
const NO_BOOK: &str = "no book";
const TUS: (&str, &str) = ("tus-resumable", "1.0.0");

/// A scene with a second job that the server has.
fn two_jobs() -> (Scene, BookId) {
    let mut scene = Scene::new();
    let other = scene.office.open_job(2);
    scene.office.exchange(&[yard(), other]).unwrap();
    (scene, other)
}

fn list(device: &Client, books: Option<&[BookId]>) -> Body {
    Access { device: device.key.device(), books: books.map(<[_]>::to_vec) }.into()
}

/// The office says which books the crew's device may have, and the server knows it.
fn open(scene: &mut Scene, books: Option<&[BookId]>) {
    let body = list(&scene.crew, books);
    scene.office.write(yard(), vec![body]);
    scene.office.exchange(&[yard()]).unwrap();
}

/// What a refusal says, without what is different at each request, and with the book's name taken out.
fn refusal(answer: &Answer, book: &str) -> serde_json::Value {
    let problem = answer.problem();
    assert_eq!((problem.status, problem.code.as_str()), (403, "book-refused"), "{problem:?}");
    let text = String::from_utf8(answer.bytes.clone()).unwrap().replace(book, "IT");
    let mut value: serde_json::Value = serde_json::from_str(&text).unwrap();
    value.as_object_mut().unwrap().remove("request_id");
    value
}

/// A cursor that no log has ever had: a server that looked at it would say so.
fn strange(book: BookId) -> String {
    let head = format!(r#"{{"book":"{book}","server":null,"position":3,"chain":"{}"}}"#, "1".repeat(64));
    format!("{{\"exchange\":1,\"now\":1}}\n{head}\n")
}

/// Asks the server for something of a book.
type Ask<'a> = Box<dyn Fn(BookId) -> Answer + 'a>;

#[test]
fn a_book_that_is_closed_to_a_device_and_one_that_is_not_there_are_refused_alike_everywhere() {
    let (mut scene, closed) = two_jobs();
    let job = scene.job;
    open(&mut scene, Some(&[job]));
    let nowhere = super::support::job(99);
    let line = scene.office.note(closed, "of the other job")[0].text().to_owned();
    let crew = &scene.crew;
    let asks: Vec<(&str, Ask<'_>)> = vec![
        ("asking", Box::new(|b| crew.post_exchange(strange(b).as_bytes(), None).unwrap())),
        ("offering", Box::new(|b| push(crew, b, &[&line]))),
        (
            "offering in the short form",
            Box::new(|b| {
                let head =
                    format!(r#"{{"book":"{b}","server":null,"position":0,"chain":"{}"}}"#, "0".repeat(64));
                let long = format!("{{\"exchange\":1,\"now\":1}}\n{head}\n{line}\n");
                crew.post_exchange(short::shorten(&long).unwrap().as_bytes(), None).unwrap()
            }),
        ),
        (
            "rescue",
            Box::new(|b| {
                let body = format!("{}{line}\n", strange(b));
                crew.send("POST", "/v1/rescue", &[("content-type", MEDIA_TYPE)], body.as_bytes()).unwrap()
            }),
        ),
        ("findings", Box::new(|b| crew.get(&format!("/v1/books/{b}/findings")))),
        ("an export", Box::new(|b| crew.get(&format!("/v1/books/{b}/exports/trees.csv")))),
        ("no export", Box::new(|b| crew.get(&format!("/v1/books/{b}/exports/nothing.xyz")))),
    ];
    for (what, ask) in &asks {
        let known = refusal(&ask(closed), &closed.to_string());
        assert_eq!(known, refusal(&ask(nowhere), &nowhere.to_string()), "{what}");
    }
    let listed: BookList = crew.get("/v1/books").json();
    assert_eq!(listed.books.iter().map(|b| b.book).collect::<Vec<_>>(), [yard(), job]);
    // What is open goes on, and the office has every book.
    assert_eq!(crew.get(&format!("/v1/books/{job}/findings")).status, 200);
    assert_eq!(crew.get(&format!("/v1/books/{job}/exports/trees.csv")).status, 200);
    assert_eq!(crew.get(&format!("/v1/books/{}/findings", yard())).status, 404, "the yard is never closed");
    assert_eq!(scene.office.get(&format!("/v1/books/{closed}/findings")).status, 200);
    let listed: BookList = scene.office.get("/v1/books").json();
    assert_eq!(listed.books.len(), 3);
}

#[test]
fn a_list_about_a_device_of_the_office_or_a_server_closes_nothing() {
    let (scene, closed) = two_jobs();
    let hub = scene.device(3, Role::Server);
    for device in [&scene.office, &hub] {
        let body = list(device, Some(&[]));
        let mut writer = scene.office.copied();
        writer.actor = bolebook_core::ids::ActorId::new(writer.key.device(), super::fresh());
        writer.write(yard(), vec![body]);
        writer.exchange(&[yard()]).unwrap();
    }
    for device in [&scene.office, &hub] {
        assert_eq!(device.get(&format!("/v1/books/{closed}/findings")).status, 200);
    }
}

fn photo(bytes: &[u8]) -> Body {
    let sha256 = Sha256Hash::of(bytes);
    let (media_type, caption) = ("image/jpeg".into(), None);
    Photo { sha256, bytes: bytes.len() as i64, media_type, about: None, taken_at: NOW, caption }.into()
}

fn create(client: &Client, hash: Sha256Hash, length: usize) -> Answer {
    let metadata = format!("sha256 {}", BASE64_STANDARD.encode(hash.to_string()));
    let length = length.to_string();
    let headers = [TUS, ("upload-length", &*length), ("upload-metadata", &*metadata)];
    client.send("POST", "/v1/uploads", &headers, &[]).unwrap()
}

#[test]
fn photos_go_up_and_down_with_the_books_whose_records_name_them() {
    let (mut scene, closed) = two_jobs();
    let job = scene.job;
    let picture = |byte: u8| [&[0xff, 0xd8, 0xff, 0xe0][..], &[byte; 300]].concat();
    let (of_job, of_closed, missing) = (picture(1), picture(2), picture(3));
    scene.office.write(job, vec![photo(&of_job)]);
    scene.office.write(closed, vec![photo(&of_closed)]);
    scene.office.exchange(&[job, closed]).unwrap();
    let put = |client: &Client, bytes: &[u8]| {
        client.send("PUT", &format!("/v1/photos/{}", Sha256Hash::of(bytes)), &[], bytes).unwrap()
    };
    for bytes in [&of_job, &of_closed] {
        assert_eq!(put(&scene.office, bytes).status, 201);
    }
    // An upload that was begun before the list came.
    let begun = picture(4);
    scene.office.write(closed, vec![photo(&begun)]);
    scene.office.exchange(&[closed]).unwrap();
    let place = create(&scene.crew, Sha256Hash::of(&begun), begun.len());
    assert_eq!(place.status, 201);
    let place = place.headers["location"].to_str().unwrap().to_owned();
    open(&mut scene, Some(&[job]));
    let crew = &scene.crew;
    for path in ["", "/clean", "/thumbnail", "/details"] {
        let get = |bytes: &[u8]| crew.get(&format!("/v1/photos/{}{path}", Sha256Hash::of(bytes)));
        assert_ne!(get(&of_job).status, 403, "{path}");
        assert_eq!(refusal(&get(&of_closed), NO_BOOK), refusal(&get(&missing), NO_BOOK), "{path}");
    }
    assert_eq!(crew.get(&format!("/v1/photos/{}", Sha256Hash::of(&of_job))).bytes, of_job);
    assert_eq!(put(crew, &of_job).status, 200);
    assert_eq!(refusal(&put(crew, &of_closed), NO_BOOK), refusal(&put(crew, &missing), NO_BOOK));
    let upload = |bytes: &[u8]| create(crew, Sha256Hash::of(bytes), bytes.len());
    assert_eq!(upload(&of_job).status, 201);
    assert_eq!(refusal(&upload(&of_closed), NO_BOOK), refusal(&upload(&missing), NO_BOOK));
    let part = [TUS, ("content-type", "application/offset+octet-stream"), ("upload-offset", "0")];
    refusal(&crew.send("PATCH", &place, &part, &begun).unwrap(), NO_BOOK);
    assert_eq!(crew.send("HEAD", &place, &[TUS], &[]).unwrap().status, 403);
    assert_eq!(scene.office.get(&format!("/v1/photos/{}", Sha256Hash::of(&begun))).status, 404);
    // Opened again, it goes on where it was.
    open(&mut scene, None);
    assert_eq!(scene.crew.send("PATCH", &place, &part, &begun).unwrap().status, 204);
}

#[test]
fn a_list_taken_back_in_the_middle_counts_at_the_next_request_and_what_is_unsent_stays() {
    let (mut scene, other) = two_jobs();
    let job = scene.job;
    scene.crew.exchange(&[yard(), job, other]).unwrap();
    scene.crew.note(other, "written while it was open");
    let unsent = sorted_lines(&scene.crew.db, other);
    open(&mut scene, Some(&[job]));
    scene.crew.note(job, "of the open job");
    // The token is the one from before; the client leaves the closed book out and goes on.
    scene.crew.exchange(&[yard(), job, other]).unwrap();
    assert_eq!(sorted_lines(&scene.crew.db, other), unsent, "nothing here was deleted");
    scene.office.exchange(&[yard(), job, other]).unwrap();
    assert_eq!(standings(&scene.office.db, job, "of the open job"), [Standing::InForce]);
    assert!(!sorted_lines(&scene.office.db, other).concat().contains("written while"));
    // Opened again, what waited goes.
    open(&mut scene, None);
    scene.crew.exchange(&[yard(), job, other]).unwrap();
    scene.office.exchange(&[yard(), job, other]).unwrap();
    assert_eq!(standings(&scene.office.db, other, "written while it was open"), [Standing::InForce]);
}

#[test]
fn a_list_that_comes_with_the_request_counts_for_its_other_books() {
    let (mut scene, other) = two_jobs();
    let job = scene.job;
    scene.crew.exchange(&[yard(), job, other]).unwrap();
    // The list reaches the crew by a file, and the crew's device is the one that brings it.
    let body = list(&scene.crew, Some(&[job]));
    let lines = scene.office.write(yard(), vec![body]);
    let head = |book: BookId| {
        format!(r#"{{"book":"{book}","server":null,"position":0,"chain":"{}"}}"#, "0".repeat(64))
    };
    let list = lines.iter().map(|l| format!("{}\n", l.text())).collect::<String>();
    let start = "{\"exchange\":1,\"now\":1}\n";
    for body in [
        format!("{start}{}\n{list}{}\n", head(yard()), head(other)),
        format!("{start}{}\n{}\n{list}", head(other), head(yard())),
    ] {
        let answer = scene.crew.post_exchange(body.as_bytes(), None).unwrap();
        assert_eq!(refusal(&answer, NO_BOOK)["book"], other.to_string());
        assert_eq!(scene.crew.get(&format!("/v1/books/{other}/findings")).status, 200, "nothing was changed");
    }
    let body = format!("{start}{}\n{list}{}\n", head(yard()), head(job));
    assert_eq!(scene.crew.post_exchange(body.as_bytes(), None).unwrap().status, 200);
    refusal(&scene.crew.get(&format!("/v1/books/{other}/findings")), NO_BOOK);
}

#[test]
fn a_crews_phone_that_writes_a_list_opens_and_closes_nothing() {
    let (mut scene, other) = two_jobs();
    let job = scene.job;
    open(&mut scene, Some(&[job]));
    let mut second = scene.device(3, Role::Crew);
    for body in [list(&scene.crew, None), list(&second, Some(&[]))] {
        scene.crew.write(yard(), vec![body]);
    }
    scene.crew.exchange(&[yard(), job]).unwrap();
    refusal(&scene.crew.get(&format!("/v1/books/{other}/findings")), NO_BOOK);
    assert_eq!(second.get(&format!("/v1/books/{other}/findings")).status, 200);
    second.exchange(&[yard(), job, other]).unwrap();
    scene.office.exchange(&[yard(), job]).unwrap();
    let of_crew: Vec<Standing> = standings(&scene.office.db, job, r#""kind":"access""#);
    let proposal = Standing::Proposal(ProposalReason::OfficeOnly);
    assert_eq!(of_crew.iter().filter(|s| **s == proposal).count(), 2, "{of_crew:?}");
    // Under the office's name, signed by the crew's own key, it is held.
    let forged = list(&scene.crew, None);
    let (actor, device) = (scene.crew.actor, scene.office.key.device());
    let lines = scene.crew.lines(yard(), actor, device, vec![forged]);
    assert_eq!(push(&scene.crew, yard(), &lines.iter().map(|l| l.text()).collect::<Vec<_>>()).status, 200);
    refusal(&scene.crew.get(&format!("/v1/books/{other}/findings")), NO_BOOK);
}

/// What the lists come to for the crew's device, read from a device's own yard book.
fn open_to(scene: &Scene, device: &Client) -> Option<BTreeSet<BookId>> {
    let yard = book(&device.db, yard());
    let directory = Directory::read(&yard, &root().public()).unwrap();
    BookAccess::read(&yard, &directory).books_of(scene.crew.key.device()).cloned()
}

#[test]
fn the_newest_list_holds_and_of_lists_written_apart_only_what_all_name() {
    let mut scene = Scene::new();
    let [a, b, c] = [job(11), job(12), job(13)];
    let set = |books: &[BookId]| Some(books.iter().copied().collect::<BTreeSet<_>>());
    assert_eq!(open_to(&scene, &scene.office), None, "without a list every book is open");
    open(&mut scene, Some(&[a]));
    // A clock that runs behind makes no list older: what its writer knew counts.
    scene.office.now -= 3_600_000;
    open(&mut scene, Some(&[b, c]));
    assert_eq!(open_to(&scene, &scene.office), set(&[b, c]));
    let mut second = scene.device(5, Role::Office);
    second.exchange(&[yard()]).unwrap();
    let apart = [list(&scene.crew, Some(&[a, b])), list(&scene.crew, Some(&[b, c]))];
    let [one, two] = apart;
    scene.office.write(yard(), vec![one]);
    second.write(yard(), vec![two]);
    for _ in 0..2 {
        scene.office.exchange(&[yard()]).unwrap();
        second.exchange(&[yard()]).unwrap();
    }
    for device in [&scene.office, &second] {
        assert_eq!(open_to(&scene, device), set(&[b]));
    }
    // 'Every book' written apart from a list leaves the list.
    let everything = list(&scene.crew, None);
    let some = list(&scene.crew, Some(&[c]));
    scene.office.write(yard(), vec![everything]);
    second.write(yard(), vec![some]);
    for _ in 0..2 {
        scene.office.exchange(&[yard()]).unwrap();
        second.exchange(&[yard()]).unwrap();
    }
    assert_eq!(open_to(&scene, &scene.office), set(&[c]));
    // Whoever knows both settles it; of two in one commit the later one holds.
    let both = vec![list(&scene.crew, Some(&[a])), list(&scene.crew, None)];
    second.write(yard(), both);
    second.exchange(&[yard()]).unwrap();
    assert_eq!(open_to(&scene, &second), None);
}
