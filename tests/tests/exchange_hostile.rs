//! Hostile bodies: each gets the 4xx that says what is wrong, and changes nothing.

#[path = "exchange_hostile/limits.rs"]
mod limits;
mod support;

use std::io::Write as _;

use bolebook_core::commit::{Commit, Draft};
use bolebook_core::exchange::{Entry, LogLine};
use bolebook_core::ids::{ActorId, BookId, CommitHash, RecordId};
use bolebook_core::quantity::UtcMs;
use bolebook_core::record::people::Role;
use bolebook_log::{Page, Verified, verify};
use support::{Client, Server, fresh, sorted_lines, yard};

/// A server with a yard and a job, and a crew's device in step with it.
struct Scene {
    data: tempfile::TempDir,
    _server: Server,
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
        Self { data, _server: server, crew, job }
    }

    fn state(&self) -> [Verified; 2] {
        let db = bolebook_log::open(&self.data.path().join("bolebook.sqlite")).unwrap();
        [yard(), self.job].map(|book| verify(&db, book).unwrap())
    }

    /// The opening lines of a request that stands at the log's end.
    fn opening(&self) -> String {
        let (cursor, _) =
            bolebook_log::client::peer(&self.crew.db, self.job, self.crew.server.unwrap()).unwrap();
        let (book, chain, position) = (self.job, cursor.chain, cursor.position);
        format!(
            "{{\"exchange\":1,\"now\":1}}\n{{\"book\":\"{book}\",\"server\":null,\"position\":{position},\"chain\":\"{chain}\"}}\n"
        )
    }

    fn refused(&self, body: &[u8], encoding: Option<&str>, expected: (u16, &str)) {
        let before = self.state();
        match self.crew.post_exchange(body, encoding) {
            Ok(answer) => {
                let problem = answer.problem();
                assert_eq!((problem.status, problem.code.as_str()), expected, "{}", problem.detail);
            }
            // A server that stops reading may close before the client has sent everything.
            Err(error) => assert_eq!(expected.0, 413, "{error}"),
        }
        assert_eq!(self.state(), before);
        assert_eq!(self.crew.get("/health").status, 200);
    }

    fn refused_lines(&self, lines: &[&str], expected: (u16, &str)) {
        let body = self.opening() + &lines.join("\n") + "\n";
        self.refused(body.as_bytes(), None, expected);
        self.refused(&zstd::encode_all(body.as_bytes(), 3).unwrap(), Some("zstd"), expected);
        let mut gzip = flate2::write::GzEncoder::new(vec![], flate2::Compression::fast());
        gzip.write_all(body.as_bytes()).unwrap();
        self.refused(&gzip.finish().unwrap(), Some("gzip"), expected);
    }

    /// A commit at the log's end, as its author would write it, changed before it is hashed.
    fn commit(&mut self, change: impl FnOnce(&mut Draft)) -> String {
        let actor = ActorId::new(self.crew.key.device(), fresh());
        let b = bolebook_log::basis(&self.crew.db, self.job, actor).unwrap();
        let id = RecordId::new(1, fresh());
        let mut draft = Draft {
            actor,
            seq: b.seq,
            start_op: b.start_op,
            time: UtcMs(1),
            deps: b.deps,
            records: vec![format!(r#"{{"id":"{id}"}}"#)],
        };
        change(&mut draft);
        Commit::author(draft).unwrap().line()
    }

    fn accepted(&self, line: &str) {
        let body = self.opening() + line + "\n";
        let answer = self.crew.post_exchange(body.as_bytes(), None).unwrap();
        assert_eq!(answer.status, 200, "{}", String::from_utf8_lossy(&answer.bytes));
    }
}

#[test]
fn what_is_wrong_in_a_commit_is_named() {
    let mut scene = Scene::new();
    let good = scene.commit(|_| {});
    let hash = LogLine::parse(&good).unwrap().hash().to_string();
    scene.refused_lines(&[&good.replace(&hash, &"ab".repeat(32))], (422, "hash-mismatch"));
    scene.refused_lines(&[&good.replace("\"time\":1", "\"time\":2")], (422, "hash-mismatch"));
    scene.refused_lines(&[&good.replace("\"time\"", " \"time\"")], (422, "commit-malformed"));
    scene.refused_lines(
        &[&good.replace("\"time\":1", "\"message\":\"x\",\"time\":1")],
        (422, "commit-malformed"),
    );
    let unknown = scene.commit(|d| d.deps = vec![CommitHash([9; 32])]);
    scene.refused_lines(&[&unknown], (409, "unknown-dependency"));
    let orphan = scene.commit(|d| (d.deps, d.start_op) = (vec![], 1));
    scene.refused_lines(&[&orphan], (422, "not-genesis"));
    let ahead = scene.commit(|d| d.start_op += 5);
    scene.refused_lines(&[&ahead], (422, "operation-numbers"));
    let gap = scene.commit(|d| d.seq = 3);
    scene.refused_lines(&[&gap], (409, "sequence-gap"));
    // The commit that all these were made from is taken.
    scene.accepted(&good);
}

#[test]
fn a_reused_sequence_number_is_a_conflict_and_the_log_keeps_what_it_has() {
    let mut scene = Scene::new();
    let actor = ActorId::new(scene.crew.key.device(), fresh());
    let (first, second) = (scene.commit(|d| d.actor = actor), scene.commit(|d| d.actor = actor));
    assert_ne!(first, second);
    scene.refused_lines(&[&first, &second], (409, "actor-forked"));
    scene.accepted(&first);
    let job = scene.job;
    scene.crew.exchange(&[job]).unwrap();
    scene.refused_lines(&[&second], (409, "actor-forked"));
}

/// In the line format a key cannot be overwritten, only written twice: within a commit that is
/// refused, across commits both are kept and neither wins.
#[test]
fn an_overwritten_key_has_no_way_in() {
    let mut scene = Scene::new();
    let id = RecordId::new(1, fresh());
    let line = scene.commit(|d| d.records = vec![format!(r#"{{"id":"{id}"}}"#)]);
    let twice =
        line.replace(&format!(r#"{{"id":"{id}"}}"#), &format!(r#"{{"id":"{id}"}},{{"a":1,"id":"{id}"}}"#));
    scene.refused_lines(&[&twice], (422, "commit-malformed"));
    for operation in [r#""pred":["1@aa"]"#, r#""del":true"#, r#""action":"del""#] {
        let with = line.replace("\"seq\"", &format!("{operation},\"seq\""));
        scene.refused_lines(&[&with], (422, "commit-malformed"));
    }
    scene.accepted(&line);
    let job = scene.job;
    scene.crew.exchange(&[job]).unwrap();
    let other = scene.commit(|d| d.records = vec![format!(r#"{{"a":1,"id":"{id}"}}"#)]);
    scene.accepted(&other);
    scene.crew.exchange(&[job]).unwrap();
    let kept = bolebook_log::record_positions(&scene.crew.db, job, id).unwrap();
    assert_eq!(kept.len(), 2);
}

#[test]
fn records_that_are_not_canonical_json_are_refused() {
    let mut scene = Scene::new();
    let id = RecordId::new(1, fresh());
    let plain = format!(r#"{{"id":"{id}"}}"#);
    let line = scene.commit(|d| d.records = vec![plain.clone()]);
    let deep_in_limit = format!(r#"{{"a":{}{},"id":"{id}"}}"#, "[".repeat(40), "]".repeat(40));
    let deep = format!(r#"{{"a":{}{},"id":"{id}"}}"#, "[".repeat(100_000), "]".repeat(100_000));
    let long = format!(r#"{{"a":"{}","id":"{id}"}}"#, "x".repeat(70_000));
    let uuid4 = r#"{"id":"919108f7-52d1-4320-9bac-f847db4148a8"}"#.to_owned();
    for bad in
        [deep_in_limit, deep, long, uuid4, r#"{"id":1}"#.into(), "1".into(), format!(r#"{{"id": "{id}"}}"#)]
    {
        scene.refused_lines(&[&line.replace(&plain, &bad)], (422, "commit-malformed"));
    }
    let many = std::iter::repeat_n(plain.as_str(), 501).collect::<Vec<_>>().join(",");
    scene.refused_lines(&[&line.replace(&plain, &many)], (422, "commit-malformed"));
    scene.refused_lines(&[&line.replace(&plain, "")], (422, "commit-malformed"));
}

#[test]
fn lines_that_are_none_are_refused() {
    let mut scene = Scene::new();
    let good = scene.commit(|_| {});
    for bad in ["", "{}", "null", "[", "{\"a\":1}", "\u{0}"] {
        scene.refused_lines(&[&good, bad], (400, "line-malformed"));
    }
    scene.refused_lines(&[&"[".repeat(4_000)], (400, "line-malformed"));
    scene.refused_lines(&[&format!("{{\"book\":{}", "{\"a\":".repeat(500))], (400, "line-malformed"));
    scene.refused_lines(&["{\"actor\":1}"], (422, "commit-malformed"));
    let Entry::Commit(commit) = LogLine::parse(&good).unwrap().into_entry() else { panic!() };
    let signature = |actor, seq, hash, digits: &str| {
        format!(r#"{{"actor":"{actor}","hash":"{hash}","seq":{seq},"signature":"{digits}"}}"#)
    };
    let digits = "0".repeat(128);
    let unknown = signature(commit.actor(), 1, CommitHash([3; 32]), &digits);
    scene.refused_lines(&[&unknown], (422, "signature-target"));
    scene.refused_lines(
        &[&good, &signature(commit.actor(), 2, commit.hash(), &digits)],
        (422, "signature-target"),
    );
    scene.refused_lines(
        &[&good, &signature(commit.actor(), 1, commit.hash(), "00")],
        (422, "signature-malformed"),
    );
    // Without an opening line, with two, with a book twice, cut off.
    let opening = scene.opening();
    let (start, book) = opening.split_once('\n').unwrap();
    for (body, code) in [
        (String::new(), "line-order"),
        (book.to_owned(), "line-order"),
        (format!("{start}\n{good}\n"), "line-order"),
        (format!("{start}\n{start}\n"), "line-order"),
        (format!("{start}\n{book}{book}"), "books"),
        (format!("{opening}{good}"), "body-cut"),
        ("{\"exchange\":3,\"now\":1}\n".to_owned(), "exchange-version"),
    ] {
        scene.refused(body.as_bytes(), None, (400, code));
    }
}

/// Version 2 leaves hashes out: what was damaged on its way must still never be taken for a commit.
#[test]
fn a_short_body_without_its_check_or_not_what_it_checks_is_refused_and_the_whole_one_taken() {
    let mut scene = Scene::new();
    let good = scene.commit(|_| {});
    let long = format!("{}{good}\n", scene.opening());
    let short = bolebook_core::exchange::short::shorten(&long).unwrap();
    assert!(!short.contains("\"hash\""), "{short}");
    let (lines, check) = short.trim_end().rsplit_once('\n').unwrap();
    let short_line = lines.lines().last().unwrap();
    // Reads well, and is another commit.
    let time = short_line.rsplit_once(r#""time":"#).unwrap().1.trim_end_matches('}');
    let other = short.replace(&format!(r#""time":{time}}}"#), r#""time":77}"#);
    assert_ne!(other, short);
    for (body, code) in [
        (format!("{lines}\n"), "body-cut"),
        (other, "lines-mismatch"),
        (format!("{short}{check}\n"), "line-order"),
        (format!("{short}{good}\n"), "line-order"),
        (format!("{lines}\n{{\"signature\":\"\"}}\n"), "signature-malformed"),
        (short.replace("\"exchange\":2", "\"exchange\":1"), "line-malformed"),
    ] {
        let status = if code == "signature-malformed" { 422 } else { 400 };
        scene.refused(body.as_bytes(), None, (status, code));
    }
    let taken = scene.crew.post_exchange(short.as_bytes(), None).unwrap();
    assert_eq!(taken.status, 200);
    let again = scene.crew.post_exchange(long.as_bytes(), None).unwrap();
    assert!(String::from_utf8(again.bytes).unwrap().contains(r#""appended":0,"known":1"#));
}

#[test]
fn bytes_that_are_not_utf_8_are_refused() {
    let mut scene = Scene::new();
    let good = scene.commit(|_| {});
    for bad in [&b"\xff"[..], b"\xc0\x80", b"\xed\xa0\x80", b"\xf5\x80\x80\x80"] {
        let mut body = (scene.opening() + &good).into_bytes();
        let middle = body.len() - 20;
        body.splice(middle..middle, bad.iter().copied());
        body.push(b'\n');
        scene.refused(&body, None, (400, "not-utf-8"));
    }
}

#[test]
fn too_much_of_anything_is_refused() {
    let scene = Scene::new();
    // A line of 100 MB, packed small: stopped at the longest line.
    let mut long = zstd::Encoder::new(vec![], 1).unwrap();
    long.write_all(scene.opening().as_bytes()).unwrap();
    long.write_all(b"{\"actor\":\"").unwrap();
    (0..100).for_each(|_| long.write_all(&[b'a'; 1 << 20]).unwrap());
    scene.refused(&long.finish().unwrap(), Some("zstd"), (413, "too-large"));
    // The same unpacked: stopped at the longest body.
    let mut body = scene.opening().into_bytes();
    body.resize(100 << 20, b'a');
    scene.refused(&body, None, (413, "too-large"));
    // Too many lines.
    let blank = scene.opening() + &"{\"exchange\":1,\"now\":1}\n".repeat(3);
    scene.refused(blank.as_bytes(), None, (400, "line-order"));
    let signature = format!(
        r#"{{"actor":"{}","hash":"{}","seq":1,"signature":"{}"}}"#,
        "0".repeat(64),
        "0".repeat(64),
        "0".repeat(128)
    );
    let books: String = (0..501)
        .map(|n: u64| {
            let book = BookId::new(1, [&[9, 9][..], &n.to_be_bytes()].concat().try_into().unwrap());
            let zero = "0".repeat(64);
            format!("{{\"book\":\"{book}\",\"server\":null,\"position\":0,\"chain\":\"{zero}\"}}\n")
        })
        .collect();
    let many_books = format!("{{\"exchange\":1,\"now\":1}}\n{books}");
    scene.refused(many_books.as_bytes(), None, (400, "books"));
    let many = scene.opening() + &format!("{signature}\n").repeat(50_000);
    scene.refused(&zstd::encode_all(many.as_bytes(), 1).unwrap(), Some("zstd"), (413, "too-large"));
}

#[test]
fn bombs_stop_at_the_limit() {
    let scene = Scene::new();
    // 1 GiB of line ends and of spaces, packed into a few kilobytes as zstd and a few megabytes as gzip.
    for byte in [b'\n', b' '] {
        let mut bomb = zstd::Encoder::new(vec![], 1).unwrap();
        bomb.write_all(scene.opening().as_bytes()).unwrap();
        let chunk = vec![byte; 16 << 20];
        (0..64).for_each(|_| bomb.write_all(&chunk).unwrap());
        let bomb = bomb.finish().unwrap();
        let expected = if byte == b'\n' { (400, "line-malformed") } else { (413, "too-large") };
        scene.refused(&bomb, Some("zstd"), expected);
        let mut bomb = flate2::write::GzEncoder::new(vec![], flate2::Compression::fast());
        bomb.write_all(scene.opening().as_bytes()).unwrap();
        (0..64).for_each(|_| bomb.write_all(&chunk).unwrap());
        scene.refused(&bomb.finish().unwrap(), Some("gzip"), expected);
    }
    // Lines within every limit but the whole: 20 commits' worth of 4 MiB.
    let line = format!("{{\"actor\":\"{}\"}}", "a".repeat(4 * 1024 * 1024 - 100));
    let whole = scene.opening() + &format!("{line}\n").repeat(20);
    scene.refused(&zstd::encode_all(whole.as_bytes(), 1).unwrap(), Some("zstd"), (422, "commit-malformed"));
    // A frame that asks for a window of 128 MB.
    let mut wide = zstd::Encoder::new(vec![], 3).unwrap();
    wide.window_log(27).unwrap();
    wide.long_distance_matching(true).unwrap();
    wide.write_all(scene.opening().as_bytes()).unwrap();
    (0..130).for_each(|_| wide.write_all(&vec![b' '; 1 << 20]).unwrap());
    scene.refused(&wide.finish().unwrap(), Some("zstd"), (400, "unreadable"));
    // Bytes that are not packed at all, and a frame cut short.
    scene.refused(b"not packed", Some("zstd"), (400, "unreadable"));
    scene.refused(b"not packed", Some("gzip"), (400, "unreadable"));
    let packed = zstd::encode_all(scene.opening().as_bytes(), 3).unwrap();
    scene.refused(&packed[..packed.len() - 4], Some("zstd"), (400, "unreadable"));
    scene.refused(&packed, Some("br"), (415, "content-encoding"));
    scene.refused(&packed, Some("gzip, zstd"), (415, "content-encoding"));
}

#[test]
fn a_cursor_that_is_not_of_this_log_is_a_conflict() {
    let scene = Scene::new();
    let head = |server: &str, position: u64, chain: &str| {
        let book = scene.job;
        format!(
            "{{\"exchange\":1,\"now\":1}}\n{{\"book\":\"{book}\",\"server\":{server},\"position\":{position},\"chain\":\"{chain}\"}}\n"
        )
    };
    let zero = "0".repeat(64);
    let before = scene.state()[1];
    for (position, chain) in
        [(1, zero.clone()), (9_999, zero.clone()), (0, "1".repeat(64)), (u64::MAX, zero.clone())]
    {
        let answer = scene.crew.post_exchange(head("null", position, &chain).as_bytes(), None).unwrap();
        let problem = answer.problem();
        assert_eq!((problem.status, problem.code.as_str()), (409, "chain-mismatch"));
        assert_eq!((problem.end, problem.chain), (Some(before.end.position), Some(before.end.chain)));
    }
    let other = format!("\"{}\"", "ab".repeat(16));
    let answer = scene.crew.post_exchange(head(&other, 0, &zero).as_bytes(), None).unwrap();
    assert_eq!(answer.problem().code, "other-server");
    scene.refused(head("null", 0, "xyz").as_bytes(), None, (400, "line-malformed"));
}

#[test]
fn a_device_without_a_token_gets_nothing_and_no_body_is_read() {
    let mut scene = Scene::new();
    scene.crew.token = None;
    let before = scene.state();
    for path in ["/v1/books", "/v1/register"] {
        assert_eq!(scene.crew.get(path).problem().status, 401);
    }
    let answer = scene.crew.post_exchange(scene.opening().as_bytes(), None).unwrap();
    assert_eq!(answer.problem().status, 401);
    assert_eq!(scene.state(), before);
}

/// What a relay or a stolen phone cannot do: signatures under another's name vouch for nothing,
/// so they are kept as lines and change no one's standing (`core::authority` has the tests of that).
#[test]
fn a_signature_by_the_wrong_key_is_kept_and_vouches_for_nothing() {
    let mut scene = Scene::new();
    let line = scene.commit(|_| {});
    let Entry::Commit(commit) = LogLine::parse(&line).unwrap().into_entry() else { panic!() };
    let stranger = bolebook_core::signing::SecretKey::from_seed([66; 32]);
    let bytes = bolebook_core::signing::HeadSignature::message(scene.job, commit.actor(), 1, commit.hash());
    let forged = bolebook_core::signing::HeadSignature {
        actor: commit.actor(),
        hash: commit.hash(),
        seq: 1,
        signature: stranger.sign(&bytes),
    };
    scene.accepted(&(line + "\n" + &forged.line()));
    let job = scene.job;
    scene.crew.exchange(&[job]).unwrap();
    assert!(sorted_lines(&scene.crew.db, job).contains(&forged.line()));
    let stored = bolebook_log::read(&scene.crew.db, job, 0, Page::ALL).unwrap();
    let mut book = bolebook_core::book::Book::new(job);
    for line in stored {
        match LogLine::parse(&line.text).unwrap().into_entry() {
            Entry::Commit(commit) => drop(book.take(commit).unwrap()),
            Entry::Signature(signed) => book.take_signature(signed),
        }
    }
    let mut yard_book = bolebook_core::book::Book::new(yard());
    for line in bolebook_log::read(&scene.crew.db, yard(), 0, Page::ALL).unwrap() {
        match LogLine::parse(&line.text).unwrap().into_entry() {
            Entry::Commit(commit) => drop(yard_book.take(commit).unwrap()),
            Entry::Signature(signed) => yard_book.take_signature(signed),
        }
    }
    let directory = bolebook_core::authority::Directory::read(&yard_book, &support::root().public()).unwrap();
    assert!(!directory.vouched(&book).covers(&commit));
}
