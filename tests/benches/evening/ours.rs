//! The evening at Bolebook's own server: the shipped program, the shipped client side.

use std::io::Read as _;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Instant;

use bolebook_core::authority::{Offer, invite};
use bolebook_core::exchange::{MEDIA_TYPE, short};
use bolebook_core::ids::{BookId, DeviceId};
use bolebook_core::quantity::UtcMs;
use bolebook_core::record::people::{Certificate, Role};
use bolebook_core::service::{Health, InvitationFile, TokenAnswer, assertion};
use bolebook_core::signing::SecretKey;
use bolebook_log::append;
use bolebook_log::client::Session;
use bolebook_tests::world::{Who, World, certificate_for, key, root};
use rusqlite::Connection;

use super::crews::Crew;
use super::process::Process;
use super::site::lines;
use super::{Evening, Measured};

const END: UtcMs = UtcMs(1_900_000_000_000);

fn log() -> Connection {
    bolebook_log::open_in_memory().expect("a log")
}

/// The way of one device to the server.
struct Way<'a> {
    agent: ureq::Agent,
    url: &'a str,
    server: DeviceId,
    token: String,
}

struct Answer {
    status: u16,
    bytes: Vec<u8>,
}

fn ask(agent: &ureq::Agent, request: ureq::http::Request<Vec<u8>>) -> Answer {
    let mut response = agent.run(request).expect("an answer");
    let mut bytes = vec![];
    response.body_mut().as_reader().read_to_end(&mut bytes).expect("a whole answer");
    Answer { status: response.status().as_u16(), bytes }
}

impl<'a> Way<'a> {
    fn new(url: &'a str, key: &SecretKey, certificate: &Certificate) -> Self {
        let agent: ureq::Agent = ureq::Agent::config_builder().http_status_as_error(false).build().into();
        let builder = |method: &str, path: &str| {
            ureq::http::Request::builder().method(method).uri(format!("{url}{path}"))
        };
        let health = ask(&agent, builder("GET", "/health").body(vec![]).expect("a request"));
        let health: Health = serde_json::from_slice(&health.bytes).expect("health");
        let kind = "urn:ietf:params:oauth:client-assertion-type:jwt-bearer";
        let word = assertion(key, health.server, health.now, key.public().device().expect("a key").0);
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
        Self { agent, url, server: health.server, token: token.access_token }
    }

    /// Exchanges to the end; adds (round trips, bytes up, bytes down).
    fn exchange(&self, db: &mut Connection, books: &[BookId], used: &mut [u64; 3]) {
        let mut session = Session::new(self.server, books.iter().copied());
        while let Some(request) = session.request(db, END).expect("a request") {
            let short = short::shorten(&request.body);
            let text = short.as_ref().unwrap_or(&request.body);
            let packed = zstd::encode_all(text.as_bytes(), 9).expect("packed");
            used[0] += 1;
            used[1] += packed.len() as u64;
            let request_out = ureq::http::Request::builder()
                .method("POST")
                .uri(format!("{}/v1/exchange", self.url))
                .header("content-type", MEDIA_TYPE)
                .header("content-encoding", "zstd")
                .header("accept-encoding", "zstd")
                .header("authorization", format!("Bearer {}", self.token));
            let answer = ask(&self.agent, request_out.body(packed).expect("a request"));
            used[2] += answer.bytes.len() as u64;
            assert_eq!(answer.status, 200, "{}", String::from_utf8_lossy(&answer.bytes));
            let text = zstd::decode_all(answer.bytes.as_slice()).expect("packed as asked");
            session.apply(db, &request, text.as_slice()).expect("an answer that can be believed");
        }
    }

    fn findings(&self, job: BookId) -> Answer {
        let request = ureq::http::Request::builder()
            .uri(format!("{}/v1/books/{job}/findings", self.url))
            .header("authorization", format!("Bearer {}", self.token));
        ask(&self.agent, request.body(vec![]).expect("a request"))
    }
}

/// The server's program: built by the task that runs this.
fn program() -> PathBuf {
    match std::env::var_os("BOLEBOOK_BENCH_SERVER") {
        Some(path) => path.into(),
        None => Path::new(env!("CARGO_MANIFEST_DIR")).join("../target/release/bolebook-server"),
    }
}

fn start(data: &Path, world: &World) -> Process {
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
    let init =
        Command::new(program()).args(["init", "--data"]).arg(data).arg("--invitation").arg(&path).output();
    let init = init.expect("cargo build --release --package bolebook-server comes first");
    assert!(init.status.success(), "{}", String::from_utf8_lossy(&init.stderr));
    let mut command = match std::env::var_os("BOLEBOOK_BENCH_UNDER") {
        // For profiling: `valgrind --tool=callgrind`, say.
        Some(under) => {
            let under = under.to_string_lossy().into_owned();
            let mut words = under.split_whitespace();
            let mut command = Command::new(words.next().expect("a program"));
            command.args(words).arg(program());
            command
        }
        None => Command::new(program()),
    };
    command.args(["serve", "--listen", "127.0.0.1:0", "--data"]).arg(data).env("RUST_LOG", "error");
    Process::start(&mut command)
}

/// The evening of these crews.
pub fn evening(world: &World, crews: &[Crew], how: Evening) -> Measured {
    let data = tempfile::tempdir().expect("a folder");
    let server = start(data.path(), world);
    let said: serde_json::Value = serde_json::from_str(&server.said).expect("where it listens");
    let url = said["url"].as_str().expect("an address").to_owned();
    let (yard, job) = (world.yard.id(), world.job.id());
    let office_key = key(Who::Office);
    let certificate = certificate_for(&office_key, Role::Office, None, "desk");
    let office = Way::new(&url, &office_key, &certificate);
    // The morning stands on the server, and on every device, before the clock starts.
    let books = [yard, job];
    let mut db = log();
    let tx = db.transaction().expect("a transaction");
    for book in [&world.yard, &world.job] {
        append(&tx, book.id(), &lines(book)).expect("lines");
    }
    tx.commit().expect("kept");
    office.exchange(&mut db, &books, &mut [0; 3]);
    let mut devices: Vec<(Way<'_>, Connection)> = vec![];
    for (n, crew) in crews.iter().enumerate() {
        let certificate = certificate_for(&crew.key, Role::Crew, Some(world.crews[n]), "phone");
        let way = Way::new(&url, &crew.key, &certificate);
        let mut db = log();
        way.exchange(&mut db, &books, &mut [0; 3]);
        let tx = db.transaction().expect("a transaction");
        append(&tx, job, &crew.lines).expect("the day's lines");
        tx.commit().expect("kept");
        devices.push((way, db));
    }
    assert_eq!(office.findings(job).status, 200);
    let (cpu, begun) = (server.cpu_s(), Instant::now());
    let mut used = [0; 3];
    match how {
        Evening::InTurns => {
            devices.iter_mut().for_each(|(way, db)| way.exchange(db, &books, &mut used));
        }
        Evening::AtOnce => {
            // Twice: what came after a crew's own exchange reaches it with the second.
            for _ in 0..2 {
                let parts = std::thread::scope(|scope| {
                    let running: Vec<_> = devices
                        .iter_mut()
                        .map(|(way, db)| {
                            scope.spawn(move || {
                                let mut used = [0; 3];
                                way.exchange(db, &books, &mut used);
                                used
                            })
                        })
                        .collect();
                    running.into_iter().map(|r| r.join().expect("a crew")).collect::<Vec<_>>()
                });
                parts.iter().for_each(|part| used.iter_mut().zip(part).for_each(|(sum, n)| *sum += n));
            }
        }
    }
    let findings = office.findings(job);
    let wall_s = begun.elapsed().as_secs_f64();
    assert_eq!(findings.status, 200);
    Measured {
        cpu_s: server.cpu_s() - cpu,
        peak_mb: server.peak_mb(),
        wall_s,
        round_trips: used[0],
        up: used[1],
        down: used[2],
    }
}
