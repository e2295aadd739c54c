//! A contractor with a real server on port 0 and real clients: the shipped log, gate, client and
//! server, with only the transport written here. INVENTED: NOT FOR USE.

#![allow(dead_code, reason = "each test program uses its part")]

pub mod camera;
pub mod scene;
pub mod tus;

use std::io::Read as _;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, AtomicU64, Ordering};
use std::thread::JoinHandle;

use bolebook_core::authority::{Grant, Offer, accept, certify, enrol_statement, invite};
use bolebook_core::commit::{Commit, Draft};
use bolebook_core::exchange::{LogLine, MEDIA_TYPE, Problem};
use bolebook_core::ids::{ActorId, BookId, DeviceId, RecordId, Sha256Hash};
use bolebook_core::quantity::{Um, UtcMs};
use bolebook_core::record::book_kinds::{BookContent, Genesis, Job, Zone, ZoneOffset};
use bolebook_core::record::people::{Certificate, Invitation, Role};
use bolebook_core::record::work::Note;
use bolebook_core::record::{Body, Envelope, Record};
use bolebook_core::service::{EnrolRequest, Enrolment, Health, InvitationFile, TokenAnswer, assertion};
use bolebook_core::signing::{HeadSignature, SecretKey};
use bolebook_db::Connection;
use bolebook_log::client::{ClientError, Outcome, Session};
use bolebook_log::evidence::{Next, Pass};
use bolebook_log::{Writer, append, basis, set_aside};
use bolebook_server::identity::Identity;
use bolebook_server::{App, Config, serve};
use tokio::sync::oneshot;

pub const NOW: UtcMs = UtcMs(1_780_315_200_000);
pub const END: UtcMs = UtcMs(1_900_000_000_000);
pub const SERVER_CODE: &str = "10000000000000000001";

/// Numbers that were not given out before in this process.
static FRESH: AtomicU64 = AtomicU64::new(1);

pub fn fresh<const N: usize>() -> [u8; N] {
    let mut bytes = [0; N];
    let number = FRESH.fetch_add(1, Ordering::Relaxed).to_be_bytes();
    let start = N.saturating_sub(number.len());
    bytes[start..].copy_from_slice(&number[number.len().saturating_sub(N)..]);
    bytes
}

pub fn root() -> SecretKey {
    SecretKey::from_seed([200; 32])
}

pub fn yard() -> BookId {
    BookId::new(1, [1; 10])
}

pub fn job(number: u8) -> BookId {
    BookId::new(1, [100 + number; 10])
}

pub fn invitation(role: Role, code: &str) -> Invitation {
    let use_by = UtcMs(NOW.0 + 86_400_000);
    let offer = Offer { yard: yard(), role, crew: None, name: "device".into(), use_by, not_after: END };
    invite(&root(), code, offer).unwrap()
}

/// Writes the invitation file of a server.
pub fn server_invitation(folder: &Path) -> PathBuf {
    let file = InvitationFile {
        code: SERVER_CODE.into(),
        root: root().public(),
        invitation: invitation(Role::Server, SERVER_CODE),
    };
    let path = folder.join("invitation.json");
    std::fs::write(&path, serde_json::to_string(&file).unwrap()).unwrap();
    path
}

/// The shipped server in this process, on a free port and with a clock of its own.
pub struct Server {
    pub url: String,
    pub app: App,
    pub clock: Arc<AtomicI64>,
    stop: Option<oneshot::Sender<()>>,
    thread: Option<JoinHandle<()>>,
}

impl Server {
    pub fn init(data: &Path) {
        let invitation = server_invitation(data);
        Identity::init(data, &invitation, [7; 32], [7; 10], NOW).unwrap();
    }

    pub fn start(data: &Path) -> Self {
        Self::start_with(Config::new(data.to_owned()))
    }

    pub fn start_with(config: Config) -> Self {
        let clock = Arc::new(AtomicI64::new(NOW.0));
        let hand = clock.clone();
        let app = App::open(config, Arc::new(move || UtcMs(hand.load(Ordering::Relaxed)))).unwrap();
        let (stop, stopped) = oneshot::channel();
        let (say, hear) = std::sync::mpsc::channel();
        let served = app.clone();
        let thread = std::thread::spawn(move || {
            let runtime = tokio::runtime::Runtime::new().unwrap();
            runtime.block_on(async move {
                let listener =
                    tokio::net::TcpListener::bind(SocketAddr::from(([127, 0, 0, 1], 0))).await.unwrap();
                say.send(listener.local_addr().unwrap()).unwrap();
                let until = async {
                    let _ = stopped.await;
                };
                serve(served, listener, until).await.unwrap();
            });
        });
        let url = format!("http://{}", hear.recv().unwrap());
        Self { url, app, clock, stop: Some(stop), thread: Some(thread) }
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        drop(self.stop.take());
        if let Some(thread) = self.thread.take() {
            thread.join().unwrap();
        }
    }
}

/// An answer of the server.
#[derive(Debug)]
pub struct Answer {
    pub status: u16,
    pub headers: ureq::http::HeaderMap,
    pub bytes: Vec<u8>,
}

impl Answer {
    pub fn problem(&self) -> Problem {
        let media = self.headers.get("content-type").map(|v| v.to_str().unwrap());
        assert_eq!(media, Some("application/problem+json"), "{self:?}");
        let problem: Problem = serde_json::from_slice(&self.bytes).unwrap();
        assert_eq!(problem.status, self.status);
        assert!(problem.request_id.is_some() && !problem.detail.is_empty() && !problem.code.is_empty());
        problem
    }

    pub fn json<T: serde::de::DeserializeOwned>(&self) -> T {
        assert!(self.status < 300, "{} {}", self.status, String::from_utf8_lossy(&self.bytes));
        serde_json::from_slice(&self.bytes).unwrap()
    }
}

/// What became of a request that may get no answer.
pub type Sent = Result<Answer, ureq::Error>;

fn agent() -> ureq::Agent {
    let config = ureq::Agent::config_builder();
    config.http_status_as_error(false).timeout_global(Some(std::time::Duration::from_secs(60))).build().into()
}

/// A device with a store of its own and the way to a server.
pub struct Client {
    pub url: String,
    pub server: Option<DeviceId>,
    pub key: SecretKey,
    pub certificate: Option<Certificate>,
    pub token: Option<String>,
    pub db: Connection,
    pub actor: ActorId,
    pub now: i64,
    agent: ureq::Agent,
}

impl Client {
    /// A device with this key seed that no one knows yet.
    pub fn new(url: &str, seed: u8) -> Self {
        let key = SecretKey::from_seed([seed; 32]);
        let actor = ActorId::new(key.device(), fresh());
        let db = bolebook_log::open_in_memory().unwrap();
        let (server, certificate, token) = (None, None, None);
        Self { url: url.into(), server, key, certificate, token, db, actor, now: NOW.0, agent: agent() }
    }

    /// A device with a root-signed certificate, signed in.
    pub fn certified(url: &str, seed: u8, role: Role) -> Self {
        let mut client = Self::new(url, seed);
        let key = client.key.public();
        let grant = Grant { key, role, crew: None, name: "device".into(), not_before: NOW, not_after: END };
        client.certificate = Some(certify(&root(), grant).unwrap());
        client.sign_in().unwrap();
        client
    }

    pub fn send(&self, method: &str, path: &str, headers: &[(&str, &str)], body: &[u8]) -> Sent {
        let url = format!("{}{path}", self.url);
        let mut request = ureq::http::Request::builder().method(method).uri(url);
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        if let Some(token) = &self.token {
            request = request.header("authorization", format!("Bearer {token}"));
        }
        let mut response = self.agent.run(request.body(body).unwrap())?;
        let (status, headers) = (response.status().as_u16(), response.headers().clone());
        let mut bytes = vec![];
        response.body_mut().as_reader().read_to_end(&mut bytes).map_err(ureq::Error::Io)?;
        Ok(Answer { status, headers, bytes })
    }

    pub fn get(&self, path: &str) -> Answer {
        self.send("GET", path, &[], &[]).unwrap()
    }

    pub fn json(&self, method: &str, path: &str, body: &impl serde::Serialize) -> Answer {
        let headers = [("content-type", "application/json")];
        self.send(method, path, &headers, serde_json::to_string(body).unwrap().as_bytes()).unwrap()
    }

    pub fn health(&self) -> Health {
        self.get("/health").json()
    }

    /// The form of a token request with this assertion.
    pub fn token_request(&self, assertion: &str) -> Answer {
        self.token_request_sent(assertion).unwrap()
    }

    fn token_request_sent(&self, assertion: &str) -> Sent {
        let kind = "urn:ietf:params:oauth:client-assertion-type:jwt-bearer";
        let mut form = format!(
            "grant_type=client_credentials&client_assertion_type={kind}&client_assertion={assertion}"
        );
        if let Some(certificate) = &self.certificate {
            let text = serde_json::to_string(certificate).unwrap();
            let text: String = text.bytes().map(|b| format!("%{b:02x}")).collect();
            form += &format!("&certificate={text}");
        }
        let headers = [("content-type", "application/x-www-form-urlencoded")];
        self.send("POST", "/v1/token", &headers, form.as_bytes())
    }

    pub fn sign_in(&mut self) -> Result<TokenAnswer, Box<Problem>> {
        let health = self.health();
        self.server = Some(health.server);
        self.token = None;
        let answer = self.token_request(&assertion(&self.key, health.server, health.now, fresh()));
        if answer.status != 200 {
            return Err(Box::new(answer.problem()));
        }
        let token: TokenAnswer = answer.json();
        self.token = Some(token.access_token.clone());
        Ok(token)
    }

    /// Signs in with a server that may be killed meanwhile; false when it was.
    pub fn sign_in_unless_gone(&mut self) -> bool {
        self.token = None;
        let Ok(answer) = self.send("GET", "/health", &[], &[]) else { return false };
        let health: Health = answer.json();
        let answer = self.token_request_sent(&assertion(&self.key, health.server, health.now, fresh()));
        let Ok(answer) = answer else { return false };
        self.token = Some(answer.json::<TokenAnswer>().access_token);
        true
    }

    pub fn enrol_answer(&self, code: &str) -> Answer {
        let code_key = SecretKey::from_code(code);
        let device_key = self.key.public();
        let signature = code_key.sign(&enrol_statement(&device_key).unwrap());
        let request = EnrolRequest { code_key: code_key.public(), device_key, signature };
        self.json("POST", "/v1/enrol", &request)
    }

    /// Enrols with a one-time code and signs in.
    pub fn enrol(&mut self, code: &str) {
        let enrolment: Enrolment = self.enrol_answer(code).json();
        assert_eq!(enrolment.root, root().public());
        let certificate = accept(&enrolment.invitation, code, self.key.public(), UtcMs(self.now)).unwrap();
        self.certificate = Some(certificate);
        self.sign_in().unwrap();
    }

    /// Writes records as one signed commit into the local log.
    pub fn write(&mut self, book: BookId, bodies: Vec<Body>) -> Vec<LogLine> {
        let (actor, device) = (self.actor, self.key.device());
        let lines = self.lines(book, actor, device, bodies);
        let tx = self.db.transaction().unwrap();
        append(&tx, book, &lines).unwrap();
        tx.commit().unwrap();
        lines
    }

    /// The lines a write would append: for tests that want them elsewhere.
    pub fn lines(
        &mut self,
        book: BookId,
        actor: ActorId,
        device: DeviceId,
        bodies: Vec<Body>,
    ) -> Vec<LogLine> {
        let mut records = vec![];
        for body in bodies {
            self.now += 1;
            let envelope = Envelope {
                id: RecordId::new(self.now, fresh()),
                at: UtcMs(self.now),
                device,
                by: None,
                replaces: vec![],
            };
            records.push(Record { envelope, body }.to_canonical().unwrap());
        }
        let b = basis(&self.db, book, actor).unwrap();
        let time = UtcMs(self.now);
        let draft = Draft { actor, seq: b.seq, start_op: b.start_op, time, deps: b.deps, records };
        let commit = Commit::author(draft).unwrap();
        let root = root();
        let key = if device == root.device() { &root } else { &self.key };
        let signed = HeadSignature::sign(key, book, actor, commit.seq(), commit.hash());
        vec![commit.into(), signed.into()]
    }

    pub fn note(&mut self, book: BookId, text: &str) -> Vec<LogLine> {
        self.write(book, vec![Note { about: None, text: text.into() }.into()])
    }

    /// Opens a book with the root key.
    pub fn open(&mut self, book: BookId, content: BookContent) -> Vec<LogLine> {
        let root = root();
        let genesis = Genesis { format: 1, book, root: root.public(), title: "Invented".into(), content };
        let actor = ActorId::new(root.device(), fresh());
        let lines = self.lines(book, actor, root.device(), vec![genesis.into()]);
        let tx = self.db.transaction().unwrap();
        append(&tx, book, &lines).unwrap();
        tx.commit().unwrap();
        lines
    }

    /// The yard book, with this device's certificate in it.
    pub fn open_yard(&mut self) {
        self.open(yard(), BookContent::Yard { company: "Invented Tree Care".into() });
        let certificate = self.certificate.clone().unwrap();
        self.write(yard(), vec![certificate.into()]);
    }

    pub fn open_job(&mut self, number: u8) -> BookId {
        self.open(job(number), job_content(yard()));
        job(number)
    }

    pub fn post_exchange(&self, body: &[u8], encoding: Option<&str>) -> Sent {
        let mut headers = vec![("content-type", MEDIA_TYPE)];
        headers.extend(encoding.map(|e| ("content-encoding", e)));
        self.send("POST", "/v1/exchange", &headers, body)
    }

    /// Exchanges, has what was set aside put back, and exchanges again: as the command does.
    pub fn exchange_and_settle(&mut self, books: &[BookId]) -> Result<(), ClientError> {
        self.exchange(books)?;
        let mut pass = Pass::default();
        if self.give_evidence(&mut pass)? {
            self.exchange(books)?;
            self.waits_no_more(&pass);
        }
        Ok(())
    }

    /// Gives the server what waits, and writes own records again that it does not take; whether there
    /// was anything.
    pub fn give_evidence(&mut self, pass: &mut Pass) -> Result<bool, ClientError> {
        let mut any = false;
        self.waits_no_more(pass);
        while let Some(request) = pass.request(&self.db, self.server.unwrap(), UtcMs(self.now))? {
            any = true;
            let headers = [("content-type", MEDIA_TYPE)];
            let answer = self.send("POST", "/v1/rescue", &headers, request.body.as_bytes()).unwrap();
            if answer.status == 200 {
                pass.given(&request);
            } else {
                let (tx, problem) = (self.db.transaction().unwrap(), answer.problem());
                let next = pass.refused(&tx, &request, &problem)?;
                assert_ne!(next, Next::Say, "{problem:?}");
                tx.commit().unwrap();
                if next == Next::Later {
                    break;
                }
            }
        }
        let tx = self.db.transaction().unwrap();
        let actor = ActorId::new(self.key.device(), fresh());
        let by = Writer { key: &self.key, actor, time: UtcMs(self.now) };
        any |= set_aside::reput(&tx, &by)? > 0;
        tx.commit().unwrap();
        Ok(any)
    }

    fn waits_no_more(&mut self, pass: &Pass) {
        let back = pass.look(&self.db, self.server.unwrap()).unwrap();
        let tx = self.db.transaction().unwrap();
        back.note(&tx).unwrap();
        tx.commit().unwrap();
    }

    /// Writes as a device's own store does: never on a chain whose end is a stranger's.
    pub fn note_safely(&mut self, book: BookId, text: &str) {
        let body = Note { about: None, text: text.into() };
        self.now += 1;
        let id = RecordId::new(self.now, fresh());
        let envelope =
            Envelope { id, at: UtcMs(self.now), device: self.key.device(), by: None, replaces: vec![] };
        let text = Record { envelope, body: body.into() }.to_canonical().unwrap();
        if !bolebook_log::may_continue(&self.db, book, &self.key, self.actor).unwrap() {
            self.actor = ActorId::new(self.key.device(), fresh());
        }
        let tx = self.db.transaction().unwrap();
        let by = Writer { key: &self.key, actor: self.actor, time: UtcMs(self.now) };
        bolebook_log::write(&tx, book, &by, vec![text]).unwrap();
        tx.commit().unwrap();
    }

    /// The same device from a copy of its store: same key, same actor, everything it had.
    pub fn copied(&self) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("copy.sqlite");
        self.db.execute("VACUUM INTO ?1", [path.to_str().unwrap()]).unwrap();
        let mut db = bolebook_log::open_in_memory().unwrap();
        let from = bolebook_log::open(&path).unwrap();
        for info in bolebook_log::books(&from).unwrap() {
            let lines = bolebook_log::read(&from, info.book, 0, bolebook_log::Page::ALL).unwrap();
            let lines: Vec<_> = lines.iter().map(|l| LogLine::parse(&l.text).unwrap()).collect();
            let tx = db.transaction().unwrap();
            append(&tx, info.book, &lines).unwrap();
            tx.commit().unwrap();
        }
        let mut other = Self::new(&self.url, 0);
        other.key = SecretKey::from_seed(self.key.seed());
        (other.server, other.certificate) = (self.server, self.certificate.clone());
        (other.token, other.actor, other.now, other.db) = (self.token.clone(), self.actor, self.now, db);
        other
    }

    /// Exchanges until both logs have the same lines.
    pub fn exchange(&mut self, books: &[BookId]) -> Result<Vec<Outcome>, ClientError> {
        let mut session = Session::new(self.server.unwrap(), books.iter().copied());
        let mut outcomes = vec![];
        while let Some(request) = session.request(&self.db, UtcMs(self.now))? {
            // In the short form, as the shipped clients send it.
            let short = bolebook_core::exchange::short::shorten(&request.body);
            let packed = zstd::encode_all(short.as_ref().unwrap_or(&request.body).as_bytes(), 3)?;
            let answer = self.post_exchange(&packed, Some("zstd")).map_err(std::io::Error::other)?;
            if answer.status == 200 {
                outcomes.push(session.apply(&mut self.db, &request, answer.bytes.as_slice())?);
            } else {
                session.refused(&mut self.db, &request, &answer.problem())?;
            }
            assert!(outcomes.len() < 100, "a session ends");
        }
        Ok(outcomes)
    }
}

/// Where a data folder keeps a photo's bytes.
pub fn placed(data: &Path, photo: Sha256Hash) -> PathBuf {
    bolebook_objects::Folder::new(data.to_owned()).place(&bolebook_objects::Key::photo(photo))
}

pub fn job_content(yard: BookId) -> BookContent {
    let offsets = vec![ZoneOffset { from: UtcMs(0), offset_s: 0 }];
    BookContent::Job(Job {
        yard,
        season: "2026".into(),
        client: RecordId::new(1, [50; 10]),
        site: "Invented Grove".into(),
        zone: Zone { name: "Etc/UTC".into(), offsets },
        breast_height_um: Um(1_300_000),
        closed: vec![],
        previous: None,
    })
}

/// Every line of a book, sorted: what two logs that agree have in common.
pub fn sorted_lines(db: &Connection, book: BookId) -> Vec<String> {
    let lines = bolebook_log::read(db, book, 0, bolebook_log::Page::ALL).unwrap();
    let mut lines: Vec<String> = lines.into_iter().map(|l| l.text).collect();
    lines.sort_unstable();
    lines
}
