//! Long answers of an exchange go out piece by piece: the same lines, no more memory than a bound however
//! many wait, nothing held for a slow reader but what is on its way to it, and nothing lost when one ends in
//! the middle.

mod support;

use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::net::TcpStream;

use bolebook_core::exchange::{
    AnswerLine, BookAnswer, BookRequest, CHAIN_START, Cursor, LogLine, MEDIA_TYPE, RequestStart, chain_after,
};
use bolebook_core::ids::{BookId, Sha256Hash};
use bolebook_core::record::people::Role;
use bolebook_log::client::{ClientError, peer};
use bolebook_log::{Page, verify};
use bolebook_server::Config;
use bolebook_server::answer::{MAKERS, MOST_KEPT, PIECE};
use support::scene::{Scene, visit};
use support::{Answer, Client, NOW, Server, sorted_lines};

/// Text that no packing makes much shorter, and the same in every run.
fn noise(number: usize, words: usize) -> String {
    (0..words).map(|word| Sha256Hash::of(format!("{number} {word}").as_bytes()).to_string()).collect()
}

/// A request for all of a job, without anything offered.
fn all_of(scene: &Scene) -> String {
    let line = |value: String| value + "\n";
    let start = RequestStart { exchange: 1, now: NOW };
    let book = BookRequest { book: scene.job, server: None, position: 0, chain: CHAIN_START };
    line(serde_json::to_string(&start).unwrap()) + &line(serde_json::to_string(&book).unwrap())
}

fn server_lines(scene: &Scene) -> Vec<String> {
    let db = bolebook_log::open(&scene.data.path().join("bolebook.sqlite")).unwrap();
    let lines = bolebook_log::read(&db, scene.job, 0, bolebook_log::Page::ALL).unwrap();
    lines.into_iter().map(|line| line.text).collect()
}

fn unpacked(bytes: &[u8], encoding: &str) -> String {
    let mut text = String::new();
    match encoding {
        "zstd" => zstd::Decoder::new(bytes).unwrap().read_to_string(&mut text).unwrap(),
        // One member: browsers read no second one.
        "gzip" => {
            let mut rest = flate2::bufread::GzDecoder::new(bytes);
            rest.read_to_string(&mut text).unwrap();
            assert!(rest.into_inner().is_empty(), "one member, and nothing after it");
            0
        }
        _ => (&mut &bytes[..]).read_to_string(&mut text).unwrap(),
    };
    text
}

/// The office writes more lines than two pieces hold: each note is a commit and its signature.
fn two_pieces_of_notes(scene: &mut Scene) {
    for number in 0..2 * PIECE.lines {
        scene.office.note(scene.job, &format!("for the crew {number}"));
    }
    scene.office.exchange(&scene.books()).unwrap();
}

fn text_of(answer: Answer) -> String {
    match answer.headers.get("content-encoding") {
        // The library below unpacks gzip by itself, and then names it no more.
        None => String::from_utf8(answer.bytes).unwrap(),
        Some(packed) => unpacked(&answer.bytes, packed.to_str().unwrap()),
    }
}

#[test]
fn a_long_answer_says_the_same_however_it_is_packed_and_whoever_asked_before() {
    let mut scene = Scene::new();
    for number in 0..3 * PIECE.lines {
        scene.office.note(scene.job, &format!("note {number}"));
    }
    scene.office.exchange(&scene.books()).unwrap();
    let expected = server_lines(&scene);
    assert!(expected.len() > 6 * PIECE.lines);
    // The second time the packed pieces are there already.
    for encoding in ["zstd", "zstd", "gzip", "identity"] {
        let headers = [("content-type", MEDIA_TYPE), ("accept-encoding", encoding)];
        let answer = scene.crew.send("POST", "/v1/exchange", &headers, all_of(&scene).as_bytes()).unwrap();
        assert_eq!(answer.status, 200);
        assert!(!answer.headers.contains_key("content-length"), "it was not made whole");
        let text = text_of(answer);
        let mut lines = text.lines();
        assert!(matches!(AnswerLine::parse(lines.next().unwrap()).unwrap(), AnswerLine::Start(_)));
        let AnswerLine::Book(head) = AnswerLine::parse(lines.next().unwrap()).unwrap() else { panic!() };
        assert_eq!((head.end as usize, head.more), (expected.len(), false));
        assert!(lines.eq(expected.iter().map(String::as_str)), "{encoding}");
    }
    assert!(scene.server.app.answers.held() <= MOST_KEPT);
}

/// The text of an answer that names no device's own lines.
fn asked(scene: &Scene, encoding: &str) -> String {
    let headers = [("content-type", MEDIA_TYPE), ("accept-encoding", encoding)];
    let answer = scene.crew.send("POST", "/v1/exchange", &headers, all_of(scene).as_bytes()).unwrap();
    assert_eq!(answer.status, 200);
    unpacked(&answer.bytes, encoding)
}

/// As a hub's log that was laid out anew, or a database put back under a running server.
#[test]
fn what_was_kept_of_a_log_that_went_on_differently_is_in_no_answer() {
    let mut scene = Scene::new();
    two_pieces_of_notes(&mut scene);
    for _ in 0..2 {
        assert!(asked(&scene, "zstd").lines().skip(2).eq(server_lines(&scene)));
    }
    assert!(scene.server.app.answers.held() > 0, "kept");
    // Two lines within the first piece change places, and the chain from there on.
    let db = bolebook_log::open(&scene.data.path().join("bolebook.sqlite")).unwrap();
    let job = scene.job.as_bytes();
    let turn = "UPDATE lines SET position = ?2 WHERE book_id = ?1 AND position = ?3";
    for (to, from) in [(1_000_000, 101), (101, 102), (102, 1_000_000)] {
        db.execute(turn, bolebook_db::params![job, to, from]).unwrap();
    }
    let mut chain = bolebook_log::chain_at(&db, scene.job, 100).unwrap().unwrap();
    for stored in bolebook_log::read(&db, scene.job, 100, bolebook_log::Page::ALL).unwrap() {
        chain = chain_after(chain, stored.hash);
        let set = "UPDATE lines SET chain = ?3 WHERE book_id = ?1 AND position = ?2";
        let position = i64::try_from(stored.position).unwrap();
        db.execute(set, bolebook_db::params![job, position, chain.0]).unwrap();
    }
    let end = "UPDATE books SET chain = ?2 WHERE book_id = ?1";
    db.execute(end, bolebook_db::params![job, chain.0]).unwrap();
    for _ in 0..2 {
        assert!(asked(&scene, "zstd").lines().skip(2).eq(server_lines(&scene)));
    }
}

/// The first book's head in an answer to a crew that asks for a job from a place on.
fn head_after(crew: &Client, (book, encoding): (BookId, &str), after: u64, chain: Sha256Hash) -> BookAnswer {
    let start = serde_json::to_string(&RequestStart { exchange: 1, now: NOW }).unwrap();
    let server = (after > 0).then(|| crew.server.unwrap());
    let asked = serde_json::to_string(&BookRequest { book, server, position: after, chain }).unwrap();
    let headers = [("content-type", MEDIA_TYPE), ("accept-encoding", encoding)];
    let body = format!("{start}\n{asked}\n");
    let answer = crew.send("POST", "/v1/exchange", &headers, body.as_bytes()).unwrap();
    assert_eq!(answer.status, 200);
    let text = text_of(answer);
    let AnswerLine::Book(head) = AnswerLine::parse(text.lines().nth(1).unwrap()).unwrap() else { panic!() };
    let lines = u64::try_from(text.lines().count()).unwrap() - 2;
    assert_eq!(lines, head.end - head.from);
    head
}

#[test]
fn how_far_an_answer_goes_does_not_depend_on_who_asked_before() {
    let mut scene = Scene::new();
    for number in 0..2 * PIECE.lines {
        // Around the end of a piece one that is longer than what may be left.
        let words = if number == PIECE.lines { 300 } else { 1 };
        scene.office.note(scene.job, &noise(number, words));
    }
    scene.office.exchange(&scene.books()).unwrap();
    let Scene { data, server, mut crew, job, .. } = scene;
    drop(server);
    let db = bolebook_log::open(&data.path().join("bolebook.sqlite")).unwrap();
    let log = bolebook_log::read(&db, job, 0, Page::ALL).unwrap();
    let long = log.iter().position(|line| line.text.len() > 10_000).unwrap();
    let bytes = |range: std::ops::Range<usize>| log[range].iter().map(|line| line.text.len()).sum::<usize>();
    let piece = PIECE.lines;
    let mut pages: Vec<Page> = [piece + 1, 2 * piece - 1, 2 * piece, 2 * piece + 1, 3 * piece + 7]
        .map(|n| Page { lines: n, ..Page::ALL })
        .into();
    for to in [long - 1, long, long + 1, 2 * piece, 3 * piece, 3 * piece + 40] {
        let whole = bytes(0..to);
        pages.extend([whole - 1, whole, whole + 1].map(|bytes| Page { bytes, ..Page::ALL }));
    }
    let mut led = 0;
    for page in pages {
        let mut config = Config::new(data.path().to_owned());
        config.page = page;
        let server = Server::start_with(config);
        visit(&mut crew, &server);
        for after in [0, piece, piece + 5] {
            let chain = bolebook_log::chain_at(&db, job, after as u64).unwrap().unwrap();
            let ask = |encoding| head_after(&crew, (job, encoding), after as u64, chain);
            let alone = ask("identity");
            // Pieces are kept of this one, which are there for the next.
            assert_eq!(ask("zstd"), alone, "{page:?} after {after}");
            let from = Cursor { position: after as u64, chain };
            let (to, _) = server.app.answers.lead(&db, job, (from, u64::MAX), page).unwrap();
            led += usize::from(to.position > from.position);
            for encoding in ["identity", "zstd", "gzip"] {
                assert_eq!(ask(encoding), alone, "{page:?} after {after}, {encoding}");
            }
            // As many lines as the page holds, and one at least.
            let (mut end, mut sum) = (after, 0);
            while let Some(line) = log.get(end).filter(|_| end - after < page.lines) {
                sum += line.text.len();
                if sum > page.bytes && end > after {
                    break;
                }
                end += 1;
            }
            assert_eq!(
                (alone.end as usize, alone.chain),
                (end, log[end - 1].chain),
                "{page:?} after {after}"
            );
            assert_eq!(alone.more, (alone.end as usize) < log.len());
        }
    }
    assert!(led > 30, "{led}: most of them had pieces to be led by");
}

#[test]
fn whoever_brings_lines_is_led_by_pieces_as_far_as_others_lines_go_and_gets_all_in_small_pages() {
    let mut scene = Scene::new();
    let (books, job) = (scene.books(), scene.job);
    two_pieces_of_notes(&mut scene);
    for number in 0..20 {
        scene.crew.note(job, &format!("of the crew {number}"));
    }
    let Scene { data, server, mut office, mut crew, .. } = scene;
    drop(server);
    let mut config = Config::new(data.path().to_owned());
    config.page = Page { lines: PIECE.lines + 20, ..Page::ALL };
    let server = Server::start_with(config);
    let mut cut = crew.copied();
    for client in [&mut crew, &mut cut, &mut office] {
        visit(client, &server);
    }
    head_after(&office, (job, "zstd"), 0, CHAIN_START);
    assert!(server.app.answers.held() > 0, "kept");
    // The first brings new lines, the second all that it has, which is known then.
    let has = sorted_lines(&cut.db, job).len() as u64;
    let trips = crew.exchange(&books).unwrap();
    assert!(trips.len() > 2, "{} round trips: pages are small", trips.len());
    assert_eq!(cut.exchange(&books).unwrap()[0].books[&job].known, has);
    office.exchange(&books).unwrap();
    for client in [&crew, &cut] {
        verify(&client.db, job).unwrap();
        assert_eq!(sorted_lines(&client.db, job), sorted_lines(&office.db, job));
    }
}

/// Normative: the bytes of lines that are only named are not counted against an answer's limit, also where a
/// packed piece that holds them is there for others.
#[test]
fn what_is_only_named_does_not_fill_an_answer() {
    let mut scene = Scene::new();
    let (books, job) = (scene.books(), scene.job);
    for number in 0..20 {
        scene.crew.note(job, &noise(number, 300));
    }
    let mut cut = scene.crew.copied();
    scene.crew.exchange(&books).unwrap();
    two_pieces_of_notes(&mut scene);
    let lengths: Vec<usize> = server_lines(&scene).iter().map(String::len).collect();
    let (all, long) = (lengths.iter().sum::<usize>(), lengths.iter().filter(|n| **n > 10_000).sum::<usize>());
    let Scene { data, server, mut office, .. } = scene;
    drop(server);
    let mut config = Config::new(data.path().to_owned());
    // Too little for all, enough for all but the crew's own.
    config.page = Page { bytes: all - 50_000, ..Page::ALL };
    assert!(all - long < config.page.bytes && long < config.page.bytes);
    let server = Server::start_with(config);
    visit(&mut cut, &server);
    visit(&mut office, &server);
    assert!(head_after(&office, (job, "zstd"), 0, CHAIN_START).more);
    assert!(server.app.answers.held() > long / 4, "the crew's lines are in what is kept");
    let trips = cut.exchange(&books).unwrap();
    assert_eq!(trips.len(), 1, "one round trip holds it all");
    assert_eq!(trips[0].books[&job].pushed, 0);
    office.exchange(&books).unwrap();
    assert_eq!(sorted_lines(&cut.db, job), sorted_lines(&office.db, job));
}

#[test]
fn what_a_crew_brought_itself_is_named_in_a_long_answer_and_named_again_when_it_is_brought_again() {
    let mut scene = Scene::new();
    let (books, job) = (scene.books(), scene.job);
    two_pieces_of_notes(&mut scene);
    for number in 0..PIECE.lines {
        scene.crew.note(job, &format!("of the crew {number}"));
    }
    let mut cut = scene.crew.copied();
    let outcome = scene.crew.exchange(&books).unwrap();
    let done = outcome[0].books[&job];
    assert_eq!((done.pushed, done.known), (2 * PIECE.lines as u64, 0));
    assert!(done.pulled > 4 * PIECE.lines as u64);
    assert_eq!(outcome.len(), 1, "one round trip");
    // The same device from a copy that has no cursor: all that it has is known there, and stands among others'.
    let has = sorted_lines(&cut.db, job).len() as u64;
    scene.office.note(job, "after the crew");
    scene.office.exchange(&books).unwrap();
    let outcome = cut.exchange(&books).unwrap();
    let done = outcome[0].books[&job];
    assert_eq!((done.pushed, done.known), (0, has));
    for client in [&scene.crew, &cut] {
        verify(&client.db, job).unwrap();
    }
    assert_eq!(sorted_lines(&cut.db, job), sorted_lines(&scene.office.db, job));
}

/// An exchange whose answer is not read beyond its head.
fn ask_and_wait(client: &Client, body: &str, encoding: &str) -> BufReader<TcpStream> {
    let address = client.url.strip_prefix("http://").unwrap();
    let mut stream = TcpStream::connect(address).unwrap();
    let token = client.token.as_ref().unwrap();
    let head = format!(
        "POST /v1/exchange HTTP/1.1\r\nhost: x\r\nconnection: close\r\nauthorization: Bearer {token}\r\ncontent-type: {MEDIA_TYPE}\r\naccept-encoding: {encoding}\r\ncontent-length: {}\r\n\r\n",
        body.len()
    );
    stream.write_all(head.as_bytes()).and_then(|()| stream.write_all(body.as_bytes())).unwrap();
    let mut reader = BufReader::with_capacity(512, stream);
    let mut line = String::new();
    reader.read_line(&mut line).unwrap();
    assert!(line.contains("200"), "{line}");
    reader
}

/// Fourteen answers of 17 MB each, which are not read: what is there of them at once has a bound, and others
/// are served meanwhile.
#[test]
fn answers_that_nobody_reads_hold_no_more_than_what_is_on_its_way_and_keep_nobody_away() {
    const READERS: usize = 14;
    let mut scene = Scene::new();
    let (books, job) = (scene.books(), scene.job);
    // Beyond what the system's own buffers take of an answer.
    for number in 0..300 {
        scene.office.note(job, &noise(number, 900));
    }
    scene.office.exchange(&books).unwrap();
    let text: usize = server_lines(&scene).iter().map(String::len).sum();
    assert!(text > 16 << 20, "{text}");
    let body = all_of(&scene);
    let encodings = ["zstd", "gzip", "identity"];
    let mut waiting: Vec<_> =
        (0..READERS).map(|n| ask_and_wait(&scene.crew, &body, encodings[n % 3])).collect();
    // Whoever asks while they wait is answered: a writer, and a reader of all of it.
    scene.office.note(job, "while others wait");
    scene.office.exchange(&books).unwrap();
    let mut late = scene.device(5, Role::Crew);
    late.exchange(&books).unwrap();
    assert_eq!(sorted_lines(&late.db, job).len(), server_lines(&scene).len());
    // What each has on its way: what the connection takes at a time (408 KiB), and one piece.
    let on_its_way = (408 << 10) + PIECE.bytes + (320 << 10);
    let most = MOST_KEPT + MAKERS * 3 * PIECE.bytes + READERS * on_its_way;
    let held = scene.server.app.answers.most_held();
    assert!(held <= most, "{held} of {most}");
    assert!(held > READERS * PIECE.bytes / 4, "{held}: pieces are counted, and are what goes out");
    assert!(held < READERS * text / 8, "{held}, and whole answers would have taken {}", READERS * text);
    // One of them reads on, and its answer is whole.
    let mut rest = vec![];
    waiting.pop().unwrap().read_to_end(&mut rest).unwrap();
    assert!(rest.ends_with(b"0\r\n\r\n"), "the end of a body in chunks");
    drop(waiting);
    while scene.server.app.answers.held() > MOST_KEPT {
        std::thread::yield_now();
    }
}

#[test]
fn i6_an_answer_that_the_server_ends_in_the_middle_is_a_cut_one_and_nothing_is_lost() {
    let mut scene = Scene::new();
    let (books, job) = (scene.books(), scene.job);
    two_pieces_of_notes(&mut scene);
    scene.crew.note(job, "kept, whatever becomes of the answer");
    let cursor = |crew: &Client| peer(&crew.db, job, crew.server.unwrap()).unwrap();
    let before = (sorted_lines(&scene.crew.db, job), cursor(&scene.crew));
    // A row where a piece begins no longer goes on from the one before it.
    let db = bolebook_log::open(&scene.data.path().join("bolebook.sqlite")).unwrap();
    let at = 3 * PIECE.lines as i64 + 1;
    let whole: Vec<u8> = db
        .query_row(
            "SELECT chain FROM lines WHERE book_id = ?1 AND position = ?2",
            bolebook_db::params![job.as_bytes(), at],
            |row| row.get(0),
        )
        .unwrap();
    let set = "UPDATE lines SET chain = ?3 WHERE book_id = ?1 AND position = ?2";
    db.execute(set, bolebook_db::params![job.as_bytes(), at, vec![0_u8; 32]]).unwrap();
    let error = scene.crew.exchange(&books).unwrap_err();
    assert!(matches!(error, ClientError::Cut(_)), "{error}");
    assert_eq!((sorted_lines(&scene.crew.db, job), cursor(&scene.crew)), before, "nothing of it is taken in");
    // What was offered is on the disk nevertheless, and is known when it is brought again.
    assert!(server_lines(&scene).iter().any(|line| line.contains("kept, whatever")));
    db.execute(set, bolebook_db::params![job.as_bytes(), at, whole]).unwrap();
    let outcome = scene.crew.exchange(&books).unwrap();
    assert_eq!((outcome[0].books[&job].pushed, outcome[0].books[&job].known), (0, 2));
    let lines: Vec<LogLine> =
        sorted_lines(&scene.crew.db, job).iter().map(|text| LogLine::parse(text).unwrap()).collect();
    assert_eq!(lines.len(), server_lines(&scene).len());
    verify(&scene.crew.db, job).unwrap();
}
