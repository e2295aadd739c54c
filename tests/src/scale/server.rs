//! The shipped server in a process of its own, and a device's way to it: the shipped client side, with
//! only the transport written here.

use std::io::Read as _;
use std::path::{Path, PathBuf};
use std::process::Command;

use base64::Engine as _;
use base64::prelude::BASE64_STANDARD;
use bolebook_core::authority::{Offer, invite};
use bolebook_core::exchange::{MEDIA_TYPE, short};
use bolebook_core::ids::{BookId, DeviceId, Sha256Hash};
use bolebook_core::quantity::UtcMs;
use bolebook_core::record::people::{Certificate, Role};
use bolebook_core::service::{Health, InvitationFile, TokenAnswer, assertion};
use bolebook_core::signing::SecretKey;
use bolebook_db::Connection;
use bolebook_log::client::Session;

use super::process::Process;
use crate::root as repository;
use crate::world::{Who, World, certificate_for, key, root};

const END: UtcMs = UtcMs(1_900_000_000_000);

/// The server's program: `BOLEBOOK_BENCH_SERVER`, or what `cargo build --release` made.
pub fn program() -> PathBuf {
    match std::env::var_os("BOLEBOOK_BENCH_SERVER") {
        Some(path) => path.into(),
        None => repository().join("target/release/bolebook-server"),
    }
}

/// A running server and where it is reached.
pub struct Server {
    /// Its process.
    pub process: Process,
    /// Its address.
    pub url: String,
    /// Where its figures are read.
    figures: String,
}

impl Server {
    /// Makes a server's data folder for a contractor.
    ///
    /// # Panics
    /// When the program is not there, or refuses.
    pub fn init(data: &Path, world: &World) {
        let code = "10000000000000000001";
        let offer = Offer {
            yard: world.yard.id(),
            role: Role::Server,
            crew: None,
            name: "server".into(),
            use_by: END,
            not_after: END,
        };
        let invitation = invite(&root(), code, offer).expect("an invitation");
        let file = InvitationFile { code: code.into(), root: root().public(), invitation };
        let path = data.join("invitation.json");
        std::fs::write(&path, serde_json::to_string(&file).expect("a file")).expect("written");
        let mut init = Command::new(program());
        let init = init.args(["init", "--data"]).arg(data).arg("--invitation").arg(&path).output();
        let init =
            init.expect("the server's program: cargo build --release --package bolebook-server comes first");
        assert!(init.status.success(), "{}", String::from_utf8_lossy(&init.stderr));
    }

    /// Starts a server on a folder, over a database of several if one is named, and waits until it listens.
    /// `BOLEBOOK_BENCH_UNDER` names a profiler to run it under (`valgrind --tool=callgrind`, say).
    ///
    /// # Panics
    /// When it does not start.
    pub fn start(data: &Path, store: Option<&str>) -> Self {
        Self::start_with(data, store, &[], &[])
    }

    /// The same with more options and variables.
    ///
    /// # Panics
    /// When it does not start.
    pub fn start_with(
        data: &Path,
        store: Option<&str>,
        options: &[&str],
        variables: &[(&str, String)],
    ) -> Self {
        let mut command = match std::env::var_os("BOLEBOOK_BENCH_UNDER") {
            Some(under) => {
                let under = under.to_string_lossy().into_owned();
                let mut words = under.split_whitespace();
                let mut command = Command::new(words.next().expect("a program"));
                command.args(words).arg(program());
                command
            }
            None => Command::new(program()),
        };
        command.args(["serve", "--listen", "127.0.0.1:0", "--desk", "off", "--portal", "off", "--data"]);
        command.arg(data).args(options).env("RUST_LOG", "error");
        command.envs(variables.iter().map(|(name, value)| (name, value)));
        // Free a moment ago; nobody else on a machine that measures takes it within another.
        let free = std::net::TcpListener::bind("127.0.0.1:0").and_then(|l| l.local_addr());
        let figures = free.expect("a free port").to_string();
        command.args(["--metrics", &figures]);
        store.map(|store| command.args(["--store", store]));
        let process = Process::start(&mut command);
        let said: serde_json::Value = serde_json::from_str(&process.said).expect("where it listens");
        let url = said["url"].as_str().expect("an address").to_owned();
        Self { process, url, figures: format!("http://{figures}/metrics") }
    }

    /// One of the server's own figures (docs/operations.md), summed over its labels.
    ///
    /// # Panics
    /// When it does not say them.
    pub fn figure(&self, name: &str) -> f64 {
        let mut answer = ureq::get(&self.figures).call().expect("its figures");
        let text = answer.body_mut().read_to_string().expect("text");
        let of = text.lines().filter(|l| l.strip_prefix(name).is_some_and(|l| l.starts_with(['{', ' '])));
        of.filter_map(|l| l.rsplit(' ').next()?.parse::<f64>().ok()).sum()
    }
}

/// The way of one device to a server.
pub struct Way {
    agent: ureq::Agent,
    url: String,
    server: DeviceId,
    token: String,
}

/// What came back.
pub struct Answer {
    /// The status.
    pub status: u16,
    /// The body, as it travelled.
    pub bytes: Vec<u8>,
}

fn ask(agent: &ureq::Agent, request: ureq::http::Request<Vec<u8>>) -> Answer {
    let mut response = agent.run(request).expect("an answer");
    let mut bytes = vec![];
    response.body_mut().as_reader().read_to_end(&mut bytes).expect("a whole answer");
    Answer { status: response.status().as_u16(), bytes }
}

impl Way {
    /// A device with a root-signed certificate, signed in.
    ///
    /// # Panics
    /// When the server does not take it.
    pub fn new(url: &str, key: &SecretKey, certificate: &Certificate) -> Self {
        let agent: ureq::Agent = ureq::Agent::config_builder().http_status_as_error(false).build().into();
        let builder = |method: &str, path: &str| {
            ureq::http::Request::builder().method(method).uri(format!("{url}{path}"))
        };
        let health = ask(&agent, builder("GET", "/health").body(vec![]).expect("a request"));
        let health: Health = serde_json::from_slice(&health.bytes).expect("health");
        let kind = "urn:ietf:params:oauth:client-assertion-type:jwt-bearer";
        // A number that no other assertion of this device has: a server takes each once.
        let unique = ASKED.fetch_add(1, std::sync::atomic::Ordering::Relaxed).to_be_bytes();
        let mut nonce = key.public().device().expect("a key").0;
        nonce[..unique.len()].copy_from_slice(&unique);
        let word = assertion(key, health.server, health.now, nonce);
        let text = serde_json::to_string(certificate).expect("a certificate");
        let text: String = text.bytes().map(|b| format!("%{b:02x}")).collect();
        let form = format!(
            "grant_type=client_credentials&client_assertion_type={kind}&client_assertion={word}&certificate={text}"
        );
        let request =
            builder("POST", "/v1/token").header("content-type", "application/x-www-form-urlencoded");
        let answer = ask(&agent, request.body(form.into_bytes()).expect("a request"));
        let said = String::from_utf8_lossy(&answer.bytes).into_owned();
        assert_eq!(answer.status, 200, "{said}");
        let token: TokenAnswer = serde_json::from_str(&said).expect("a token");
        Self { agent, url: url.to_owned(), server: health.server, token: token.access_token }
    }

    /// The office's.
    pub fn office(url: &str) -> Self {
        let key = key(Who::Office);
        let certificate = certificate_for(&key, Role::Office, None, "desk");
        Self::new(url, &key, &certificate)
    }

    /// A crew's.
    pub fn crew(url: &str, world: &World, crew: usize) -> Self {
        let key = key(Who::Crew(crew));
        let certificate = certificate_for(&key, Role::Crew, Some(world.crews[crew]), "phone");
        Self::new(url, &key, &certificate)
    }

    /// A session with this server, of these books.
    pub fn session(&self, books: &[BookId]) -> Session {
        Session::new(self.server, books.iter().copied())
    }

    /// An exchange's body as the command packs it: the short form, zstd at level 9.
    ///
    /// # Panics
    /// Never: it is packed in memory.
    pub fn pack(body: &str) -> Vec<u8> {
        let short = short::shorten(body);
        zstd::encode_all(short.as_deref().unwrap_or(body).as_bytes(), 9).expect("packed")
    }

    /// Sends a packed exchange and reads the whole answer; again, as a device does, when it is told that the
    /// server is too busy.
    ///
    /// # Panics
    /// When it is not taken.
    pub fn post(&self, packed: Vec<u8>) -> Answer {
        for _ in 0..BUSY_TRIES {
            let answer = self.post_once(packed.clone());
            if answer.status != 503 {
                assert_eq!(answer.status, 200, "{}", String::from_utf8_lossy(&answer.bytes));
                return answer;
            }
            BUSY.fetch_add(1, std::sync::atomic::Ordering::Relaxed);
            std::thread::sleep(std::time::Duration::from_secs(2));
        }
        panic!("too busy {BUSY_TRIES} times");
    }

    fn post_once(&self, packed: Vec<u8>) -> Answer {
        let request = ureq::http::Request::builder()
            .method("POST")
            .uri(format!("{}/v1/exchange", self.url))
            .header("content-type", MEDIA_TYPE)
            .header("content-encoding", "zstd")
            .header("accept-encoding", "zstd")
            .header("authorization", format!("Bearer {}", self.token));
        ask(&self.agent, request.body(packed).expect("a request"))
    }

    /// Exchanges to the end; adds (round trips, bytes up, bytes down).
    ///
    /// # Panics
    /// When the server refuses, or its answer cannot be believed.
    pub fn exchange(&self, db: &mut Connection, books: &[BookId], used: &mut [u64; 3]) {
        let mut session = self.session(books);
        while let Some(request) = session.request(db, END).expect("a request") {
            let packed = Self::pack(&request.body);
            used[0] += 1;
            used[1] += packed.len() as u64;
            let answer = self.post(packed);
            used[2] += answer.bytes.len() as u64;
            let text = zstd::decode_all(answer.bytes.as_slice()).expect("packed as asked");
            session.apply(db, &request, text.as_slice()).expect("an answer that can be believed");
        }
    }

    /// Sends a photo whole.
    ///
    /// # Panics
    /// When it is not kept.
    pub fn photo(&self, bytes: &[u8]) {
        let request = ureq::http::Request::builder()
            .method("PUT")
            .uri(format!("{}/v1/photos/{}", self.url, Sha256Hash::of(bytes)))
            .header("authorization", format!("Bearer {}", self.token));
        let answer = ask(&self.agent, request.body(bytes.to_vec()).expect("a request"));
        assert_eq!(answer.status, 201, "{}", String::from_utf8_lossy(&answer.bytes));
    }

    /// Sends a photo in pieces, each in a request of its own (tus 1.0.0), as the field app does.
    ///
    /// # Panics
    /// When it is not kept.
    pub fn photo_in_pieces(&self, bytes: &[u8], piece: usize) {
        let metadata = format!("sha256 {}", BASE64_STANDARD.encode(Sha256Hash::of(bytes).to_string()));
        let (authorization, tus) = (format!("Bearer {}", self.token), "1.0.0");
        let request = ureq::http::Request::builder()
            .method("POST")
            .uri(format!("{}/v1/uploads", self.url))
            .header("tus-resumable", tus)
            .header("upload-length", bytes.len())
            .header("upload-metadata", metadata)
            .header("authorization", &authorization);
        let made = self.agent.run(request.body(vec![]).expect("a request")).expect("an answer");
        let path =
            made.headers().get("location").and_then(|path| path.to_str().ok()).expect("where").to_owned();
        for (number, part) in bytes.chunks(piece).enumerate() {
            let request = ureq::http::Request::builder()
                .method("PATCH")
                .uri(format!("{}{path}", self.url))
                .header("tus-resumable", tus)
                .header("content-type", "application/offset+octet-stream")
                .header("upload-offset", number * piece)
                .header("authorization", &authorization);
            let answer = ask(&self.agent, request.body(part.to_vec()).expect("a request"));
            assert_eq!(answer.status, 204, "{}", String::from_utf8_lossy(&answer.bytes));
        }
    }

    /// Fetches a photo.
    ///
    /// # Panics
    /// When it is not there.
    pub fn fetch_photo(&self, sha256: Sha256Hash) -> Vec<u8> {
        let request = ureq::http::Request::builder()
            .uri(format!("{}/v1/photos/{sha256}", self.url))
            .header("authorization", format!("Bearer {}", self.token));
        let answer = ask(&self.agent, request.body(vec![]).expect("a request"));
        assert_eq!(answer.status, 200, "{}", String::from_utf8_lossy(&answer.bytes));
        answer.bytes
    }

    /// A job's findings, worked out now unless they were.
    ///
    /// # Panics
    /// When the server does not give them.
    pub fn findings(&self, job: BookId) -> Vec<u8> {
        let request = ureq::http::Request::builder()
            .uri(format!("{}/v1/books/{job}/findings", self.url))
            .header("authorization", format!("Bearer {}", self.token));
        let answer = ask(&self.agent, request.body(vec![]).expect("a request"));
        assert_eq!(answer.status, 200, "{}", String::from_utf8_lossy(&answer.bytes));
        answer.bytes
    }
}

const BUSY_TRIES: u32 = 30;

/// How often an exchange was told that the server is too busy, so far.
pub static BUSY: std::sync::atomic::AtomicU64 = std::sync::atomic::AtomicU64::new(0);
static ASKED: std::sync::atomic::AtomicU64 = std::sync::atomic::AtomicU64::new(1);
