//! kill -9 of the real server binary under real clients: nothing it acknowledged is lost.

mod support;

use std::io::{BufRead as _, BufReader, Write as _};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::mpsc;

use bolebook_core::ids::BookId;
use bolebook_core::record::people::Role;
use bolebook_core::service::InvitationFile;
use bolebook_log::client::{ClientError, peer};
use bolebook_log::{Page, verify};
use support::{Client, END, job_content, root, sorted_lines, yard};

/// The binary, built by the cargo that runs this test.
fn binary() -> PathBuf {
    xtask::process::programs().unwrap().join("bolebook-server")
}

struct Process {
    child: Child,
    url: String,
}

impl Process {
    fn start(binary: &Path, data: &Path) -> Self {
        Self::start_with(binary, data, None)
    }

    /// With a limit on the size of every file, in KiB, if there is one.
    fn start_with(binary: &Path, data: &Path, limit: Option<u64>) -> Self {
        let mut command = match limit {
            None => Command::new(binary),
            Some(kib) => {
                let mut shell = Command::new("sh");
                // POSIX: the unit of 'ulimit -f' is 512 bytes.
                let script = format!("trap '' XFSZ; ulimit -S -f {}; exec \"$0\" \"$@\"", kib * 2);
                shell.arg("-c").arg(script).arg(binary);
                shell
            }
        };
        command.args(["serve", "--listen", "127.0.0.1:0", "--data"]).arg(data).env("RUST_LOG", "error");
        let mut child = command.stdout(Stdio::piped()).spawn().unwrap();
        let mut line = String::new();
        BufReader::new(child.stdout.as_mut().unwrap()).read_line(&mut line).unwrap();
        let address: serde_json::Value = serde_json::from_str(&line).unwrap();
        let written = std::fs::read_to_string(data.join("address.json")).unwrap();
        assert_eq!(written, line);
        Self { url: address["url"].as_str().unwrap().to_owned(), child }
    }

    /// Sets the limit on the size of files while it runs.
    fn limit(&self, bytes: &str) {
        let args = [format!("--pid={}", self.child.id()), format!("--fsize={bytes}:unlimited")];
        assert!(Command::new("prlimit").args(args).status().unwrap().success());
    }

    /// SIGKILL: no handler runs, no buffer is written.
    fn kill(mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }
}

/// An invitation of now, since the binary has the system's clock.
fn init(binary: &Path, data: &Path) {
    let code = support::SERVER_CODE;
    let offer = bolebook_core::authority::Offer {
        yard: yard(),
        role: Role::Server,
        crew: None,
        name: "server".into(),
        use_by: END,
        not_after: END,
    };
    let invitation = bolebook_core::authority::invite(&root(), code, offer).unwrap();
    let file = InvitationFile { code: code.into(), root: root().public(), invitation };
    let path = data.join("invitation.json");
    std::fs::write(&path, serde_json::to_string(&file).unwrap()).unwrap();
    let done = Command::new(binary)
        .arg("init")
        .arg("--data")
        .arg(data)
        .arg("--invitation")
        .arg(&path)
        .output()
        .unwrap();
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    use std::os::unix::fs::PermissionsExt as _;
    let mode = std::fs::metadata(data.join("identity.json")).unwrap().permissions().mode();
    assert_eq!(mode & 0o777, 0o600);
    let again = Command::new(binary)
        .arg("init")
        .arg("--data")
        .arg(data)
        .arg("--invitation")
        .arg(&path)
        .output()
        .unwrap();
    assert!(!again.status.success());
}

/// What a client believes the server has must be on the server's disk.
fn nothing_acknowledged_is_lost(data: &Path, clients: &[Client], books: &[BookId]) {
    let db = bolebook_log::open(&data.join("bolebook.sqlite")).unwrap();
    for book in books {
        let kept = sorted_lines(&db, *book);
        for client in clients {
            let (cursor, sent_to) = peer(&client.db, *book, client.server.unwrap()).unwrap();
            for line in bolebook_log::read(&client.db, *book, 0, Page::ALL).unwrap() {
                let safe = line.position > sent_to || kept.binary_search(&line.text).is_ok();
                assert!(safe, "position {} of {book} was acknowledged and is lost", line.position);
            }
            let chain = bolebook_log::chain_at(&db, *book, cursor.position).unwrap();
            assert_eq!(chain, Some(cursor.chain), "the cursor holds after the restart");
        }
    }
}

#[test]
fn i6_what_was_acknowledged_survives_kill_9_in_mid_exchange() {
    // BOLEBOOK_KILLS=200 is the long form; docs/reliability.md has its last result.
    #[expect(clippy::disallowed_methods, reason = "the one setting of this test program")]
    let rounds = std::env::var("BOLEBOOK_KILLS").ok().and_then(|n| n.parse().ok()).unwrap_or(30);
    let data = tempfile::tempdir().unwrap();
    let binary = binary();
    init(&binary, data.path());
    let server = Process::start(&binary, data.path());
    let mut clients: Vec<Client> = (1..4)
        .map(|seed| Client::certified(&server.url, seed, if seed == 1 { Role::Office } else { Role::Crew }))
        .collect();
    clients[0].open_yard();
    let job = support::job(1);
    clients[0].open(job, job_content(yard()));
    let books = [yard(), job];
    for client in &mut clients {
        client.exchange(&books).unwrap();
    }
    server.kill();
    let mut acknowledged = 0;
    for round in 0..rounds {
        let server = Process::start(&binary, data.path());
        let (say, hear) = mpsc::channel();
        let workers: Vec<_> = clients
            .drain(..)
            .map(|mut client| {
                client.url = server.url.clone();
                let say = say.clone();
                std::thread::spawn(move || {
                    // Until the server is gone: write, exchange, say so.
                    let mut acknowledged = 0;
                    if client.sign_in_unless_gone() {
                        loop {
                            for note in 0..8 {
                                client.note(job, &format!("round {round}, {acknowledged}, {note}"));
                            }
                            if client.exchange(&books).is_err() {
                                break;
                            }
                            acknowledged += 1;
                            let _ = say.send(());
                        }
                    }
                    (client, acknowledged)
                })
            })
            .collect();
        drop(say);
        // The others are in the middle of theirs when one has its answer.
        for _ in 0..=round % 5 {
            hear.recv().unwrap();
        }
        server.kill();
        for worker in workers {
            let (client, count) = worker.join().unwrap();
            clients.push(client);
            acknowledged += count;
        }
        nothing_acknowledged_is_lost(data.path(), &clients, &books);
    }
    assert!(acknowledged >= rounds, "{acknowledged} exchanges were acknowledged");
    let server = Process::start(&binary, data.path());
    for _ in 0..2 {
        for client in &mut clients {
            client.url = server.url.clone();
            client.sign_in().unwrap();
            client.exchange(&books).unwrap();
        }
    }
    let db = bolebook_log::open(&data.path().join("bolebook.sqlite")).unwrap();
    for book in books {
        for client in &clients {
            assert_eq!(sorted_lines(&client.db, book).len(), sorted_lines(&clients[0].db, book).len());
        }
        verify(&db, book).unwrap();
    }
    server.kill();
}

#[test]
fn a_request_cut_off_at_any_byte_leaves_nothing_behind() {
    let data = tempfile::tempdir().unwrap();
    support::Server::init(data.path());
    let server = support::Server::start(data.path());
    let mut office = Client::certified(&server.url, 1, Role::Office);
    office.open_yard();
    office.exchange(&[yard()]).unwrap();
    let line = office.note(yard(), "half sent")[0].text().to_owned();
    let (cursor, _) = peer(&office.db, yard(), office.server.unwrap()).unwrap();
    let head = format!(
        r#"{{"book":"{}","server":null,"position":{},"chain":"{}"}}"#,
        yard(),
        cursor.position,
        cursor.chain
    );
    let body = format!("{{\"exchange\":1,\"now\":1}}\n{head}\n{line}\n");
    let host = server.url.strip_prefix("http://").unwrap();
    let token = office.token.clone().unwrap();
    let request = format!(
        "POST /v1/exchange HTTP/1.1\r\nhost: {host}\r\nauthorization: Bearer {token}\r\ncontent-type: application/x-ndjson\r\ncontent-length: {}\r\n\r\n{body}",
        body.len()
    );
    let db = bolebook_log::open(&data.path().join("bolebook.sqlite")).unwrap();
    let before = verify(&db, yard()).unwrap();
    for cut in (0..request.len()).step_by(37).chain([request.len() - 1]) {
        let mut stream = std::net::TcpStream::connect(host).unwrap();
        stream.write_all(&request.as_bytes()[..cut]).unwrap();
        stream.shutdown(std::net::Shutdown::Write).unwrap();
        // The server answers with a 4xx or closes; either way it has then given the request up.
        let mut answer = vec![];
        let _ = std::io::Read::read_to_end(&mut stream, &mut answer);
        let refused = answer.is_empty() || answer.starts_with(b"HTTP/1.1 4");
        assert!(refused, "cut at {cut}: {}", String::from_utf8_lossy(&answer));
        assert_eq!(verify(&db, yard()).unwrap(), before, "cut at {cut}");
    }
    office.exchange(&[yard()]).unwrap();
    assert!(sorted_lines(&db, yard()).contains(&line));
}

/// A full disk, as a used-up quota makes one: no file may grow past a limit (POSIX RLIMIT_FSIZE, soft,
/// its signal ignored so that the write fails). It is raised again while the server runs.
#[test]
fn i6_a_server_on_a_full_disk_keeps_what_it_acknowledged_says_so_and_goes_on_when_there_is_room() {
    let data = tempfile::tempdir().unwrap();
    let binary = binary();
    init(&binary, data.path());
    let server = Process::start(&binary, data.path());
    let mut office = Client::certified(&server.url, 1, Role::Office);
    let mut crew = Client::certified(&server.url, 2, Role::Crew);
    office.open_yard();
    let job = support::job(1);
    office.open(job, job_content(yard()));
    let books = [yard(), job];
    office.exchange(&books).unwrap();
    crew.exchange(&books).unwrap();
    server.kill();
    let size = std::fs::metadata(data.path().join("bolebook.sqlite")).unwrap().len() / 1_024;
    let (mut full, mut acknowledged) = (0, 0);
    for room in [160, 400, 700] {
        let server = Process::start_with(&binary, data.path(), Some(size + room));
        crew.url.clone_from(&server.url);
        office.url.clone_from(&server.url);
        if !crew.sign_in_unless_gone() || !office.sign_in_unless_gone() {
            panic!("a server that has room to start lets devices in");
        }
        let mut refusals = 0;
        for round in 0..400 {
            for note in 0..8 {
                crew.note(job, &format!("{room} KiB, {round}, {note}: {}", "x".repeat(2_000)));
            }
            match crew.exchange(&books) {
                Ok(_) => acknowledged += 1,
                Err(ClientError::Refused(problem)) => {
                    assert_eq!((problem.status, problem.code.as_str()), (507, "no-room"), "{problem:?}");
                    refusals += 1;
                }
                Err(other) => panic!("not an answer: {other}"),
            }
            if refusals == 3 {
                break;
            }
        }
        assert_eq!(refusals, 3, "{room} KiB are never used up");
        full += refusals;
        nothing_acknowledged_is_lost(data.path(), std::slice::from_ref(&crew), &books);
        // What is there can still be read.
        assert_eq!(office.get("/health").status, 200);
        office.exchange(&books).unwrap();
        // Room again, without a restart: the same lines go through, and nothing is there twice.
        server.limit("unlimited");
        crew.exchange(&books).unwrap();
        office.exchange(&books).unwrap();
        let db = bolebook_log::open(&data.path().join("bolebook.sqlite")).unwrap();
        assert_eq!(sorted_lines(&db, job), sorted_lines(&crew.db, job));
        assert_eq!(sorted_lines(&db, job), sorted_lines(&office.db, job));
        verify(&db, job).unwrap();
        drop(db);
        server.kill();
        nothing_acknowledged_is_lost(data.path(), &[], &books);
    }
    assert!(full == 9 && acknowledged >= 3, "{full} refused, {acknowledged} acknowledged");
}

/// tus 1.0.0: the offset a server names is what it has; here, what it has after SIGKILL in mid-PATCH.
#[test]
fn i6_a_photo_goes_on_after_kill_9_in_mid_patch() {
    use base64::Engine as _;
    const ROUNDS: u64 = 12;
    let data = tempfile::tempdir().unwrap();
    let binary = binary();
    init(&binary, data.path());
    let mut server = Process::start(&binary, data.path());
    let mut office = Client::certified(&server.url, 1, Role::Office);
    office.open_yard();
    office.exchange(&[yard()]).unwrap();
    let mut photo = vec![0xff, 0xd8, 0xff, 0xe0];
    photo.extend((0..12_000_000_u32).map(|n| (n.wrapping_mul(2_654_435_761) >> 13) as u8));
    let digest = bolebook_core::ids::Sha256Hash::of(&photo);
    let named = format!("sha256 {}", base64::prelude::BASE64_STANDARD.encode(digest.to_string()));
    let length = photo.len().to_string();
    let tus = ("tus-resumable", "1.0.0");
    let headers = [tus, ("upload-length", &*length), ("upload-metadata", &*named)];
    let made = office.send("POST", "/v1/uploads", &headers, &[]).unwrap();
    let path = made.headers["location"].to_str().unwrap().to_owned();
    let (mut at, mut further) = (0_usize, 0);
    for round in 0..ROUNDS {
        let address = server.url.strip_prefix("http://").unwrap().to_owned();
        let head = format!(
            "PATCH {path} HTTP/1.1\r\nHost: {address}\r\nAuthorization: Bearer {}\r\nTus-Resumable: 1.0.0\r\n\
             Content-Type: application/offset+octet-stream\r\nUpload-Offset: {at}\r\nContent-Length: {}\r\n\r\n",
            office.token.as_ref().unwrap(),
            photo.len() - at
        );
        let rest = photo[at..photo.len() - 1].to_vec();
        let sender = std::thread::spawn(move || {
            let mut line = std::net::TcpStream::connect(address).unwrap();
            line.write_all(head.as_bytes()).unwrap();
            // The last byte is held back, so that the server dies in the middle whenever it dies.
            for piece in rest.chunks(64 << 10) {
                if line.write_all(piece).is_err() {
                    return;
                }
                std::thread::sleep(std::time::Duration::from_millis(1));
            }
            let _ = std::io::Read::read_to_end(&mut line, &mut vec![]);
        });
        std::thread::sleep(std::time::Duration::from_millis(20 + 17 * round));
        server.kill();
        sender.join().unwrap();
        server = Process::start(&binary, data.path());
        office.url = server.url.clone();
        assert!(office.sign_in_unless_gone());
        let asked = office.send("HEAD", &path, &[tus], &[]).unwrap();
        assert_eq!(asked.status, 200);
        let now: usize = asked.headers["upload-offset"].to_str().unwrap().parse().unwrap();
        assert!(now >= at, "what was acknowledged at {at} is lost: {now}");
        let kept = std::fs::read(data.path().join("uploads").join(path.rsplit('/').next().unwrap()));
        let kept = kept.unwrap_or_default();
        assert!(kept.len() >= now && kept[..now] == photo[..now], "the bytes up to the offset are there");
        further += usize::from(now > at);
        at = now;
    }
    assert!(further > 0, "no round got as far as a sync: the test kills too early");
    let offset = at.to_string();
    let part = [tus, ("content-type", "application/offset+octet-stream"), ("upload-offset", &*offset)];
    assert_eq!(office.send("PATCH", &path, &part, &photo[at..]).unwrap().status, 204);
    assert!(office.get(&format!("/v1/photos/{digest}")).bytes == photo);
    server.kill();
}
