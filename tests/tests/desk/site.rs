//! A server with desk and portal over the invented contractor's books, and a browser without scripts.
//! INVENTED: NOT FOR USE.

use std::net::SocketAddr;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use std::thread::JoinHandle;

use bolebook_core::authority::{Offer, invite};
use bolebook_core::book::Book;
use bolebook_core::exchange::LogLine;
use bolebook_core::ids::{BookId, RecordId};
use bolebook_core::quantity::UtcMs;
use bolebook_core::record::people::{Person, PersonWork, Role};
use bolebook_core::service::{InvitationFile, RegisterEntry};
use bolebook_core::signing::SecretKey;
use bolebook_server::desk::accounts;
use bolebook_server::desk::write::FILE;
use bolebook_server::identity::Identity;
use bolebook_server::{App, Config, Listeners, serve_all, store};
use bolebook_tests::scale::crews::lines;
use bolebook_tests::world::{Who, World};
use tokio::sync::oneshot;

pub const PASSWORD: &str = "four invented words here";
/// Threads for blocking work.
pub const THREADS: usize = 16;
const END: UtcMs = UtcMs(1_900_000_000_000);

/// The root key of the invented contractor.
pub fn root() -> SecretKey {
    SecretKey::from_seed([200; 32])
}

/// A server in this process with all three listeners on free ports.
pub struct Site {
    pub desk: String,
    pub portal: String,
    pub app: App,
    pub clock: Arc<AtomicI64>,
    /// Who `olive` is.
    pub olive: RecordId,
    pub data: tempfile::TempDir,
    stop: Option<oneshot::Sender<()>>,
    thread: Option<JoinHandle<()>>,
}

fn invitation(folder: &Path, yard: BookId, role: Role, code: &str) -> std::path::PathBuf {
    let offer = Offer {
        yard,
        role,
        crew: None,
        name: format!("{role:?}").to_lowercase(),
        use_by: END,
        not_after: END,
    };
    let file = InvitationFile {
        code: code.into(),
        root: root().public(),
        invitation: invite(&root(), code, offer).unwrap(),
    };
    let path = folder.join(format!("{role:?}.json"));
    std::fs::write(&path, serde_json::to_string(&file).unwrap()).unwrap();
    path
}

impl Site {
    /// A server over a world's books; the desk may write when `certified`.
    pub fn new(world: &mut World, certified: bool) -> Self {
        Self::with(world, certified, |_| {})
    }

    pub fn with(world: &mut World, certified: bool, set: impl FnOnce(&mut Config)) -> Self {
        let data = tempfile::tempdir().unwrap();
        let olive = world.yard_write(Who::Office, Person { work: PersonWork::Office });
        let path = invitation(data.path(), world.yard.id(), Role::Server, "10000000000000000001");
        Identity::init(data.path(), &path, [7; 32], [7; 10], world.now).unwrap();
        let clock = Arc::new(AtomicI64::new(world.now.0 + 60_000));
        let hand = clock.clone();
        let mut config = Config::new(data.path().to_owned());
        config.portal_url = Some("https://trees.example.org".into());
        set(&mut config);
        let app = App::open(config, Arc::new(move || UtcMs(hand.load(Ordering::Relaxed)))).unwrap();
        let mut site = Self {
            desk: String::new(),
            portal: String::new(),
            app: app.clone(),
            clock,
            olive,
            data,
            stop: None,
            thread: None,
        };
        site.take(world);
        site.names(world);
        app.write(|tx| accounts::add(tx, "olive", olive, PASSWORD, UtcMs(1))).unwrap();
        if certified {
            site.certify(world);
        }
        site.serve();
        site
    }

    /// Gives the desk its office certificate, as `bolebook-server desk` does.
    pub fn certify(&self, world: &World) {
        let path = invitation(self.data.path(), world.yard.id(), Role::Office, "20000000000000000002");
        Identity::init_as(&self.data.path().join(FILE), Role::Office, &path, [8; 32], [8; 10], world.now)
            .unwrap();
    }

    /// Takes in what a world has and the server lacks, as an exchange does.
    pub fn take(&self, world: &World) {
        for book in [&world.yard, &world.job] {
            self.take_book(book);
        }
        self.clock.fetch_max(world.now.0 + 60_000, Ordering::Relaxed);
    }

    pub fn take_book(&self, book: &Book) {
        self.app.write(|tx| Ok(bolebook_log::append(tx, book.id(), &lines(book))?)).unwrap();
    }

    fn names(&self, world: &World) {
        let entry = |id, kind: &str, fields: &[(&str, &str)]| RegisterEntry {
            fields: fields.iter().map(|(k, v)| ((*k).to_owned(), (*v).into())).collect(),
            ..RegisterEntry::new(id, kind, UtcMs(1))
        };
        let entries = [
            entry(self.olive, "person", &[("name", "Olive Invented")]),
            entry(world.leads[0], "person", &[("name", "Ann Invented"), ("licence_number", "INV-1")]),
            entry(world.leads[1], "person", &[("name", "Ben Invented"), ("licence_number", "INV-2")]),
            entry(
                RecordId::new(0, [0; 10]),
                "client",
                &[("name", "Client Invented"), ("address", "1 Nowhere Road")],
            ),
        ];
        self.app.write(|tx| store::put_register(tx, &entries)).unwrap();
    }

    fn serve(&mut self) {
        let (stop, stopped) = oneshot::channel();
        let (say, hear) = std::sync::mpsc::channel();
        let served = self.app.clone();
        let thread = std::thread::spawn(move || {
            // Fewer threads for blocking work than a test has clients that stop reading.
            let mut threads = tokio::runtime::Builder::new_multi_thread();
            let runtime = threads.max_blocking_threads(THREADS).enable_all().build().unwrap();
            runtime.block_on(async move {
                let free = || tokio::net::TcpListener::bind(SocketAddr::from(([127, 0, 0, 1], 0)));
                let (api, desk, portal) =
                    (free().await.unwrap(), free().await.unwrap(), free().await.unwrap());
                say.send((desk.local_addr().unwrap(), portal.local_addr().unwrap())).unwrap();
                let until = async {
                    let _ = stopped.await;
                };
                let listeners = Listeners { api, desk: Some(desk), portal: Some(portal) };
                serve_all(served, listeners, until).await.unwrap();
            });
        });
        let (desk, portal) = hear.recv().unwrap();
        (self.desk, self.portal) = (format!("http://{desk}"), format!("http://{portal}"));
        (self.stop, self.thread) = (Some(stop), Some(thread));
    }

    /// Ends the server and starts another over what it kept.
    pub fn restart(&mut self) {
        self.stop();
        let hand = self.clock.clone();
        let clock = Arc::new(move || UtcMs(hand.load(Ordering::Relaxed)));
        self.app = App::open(self.app.config.clone(), clock).unwrap();
        self.serve();
    }

    fn stop(&mut self) {
        drop(self.stop.take());
        if let Some(thread) = self.thread.take() {
            thread.join().unwrap();
        }
    }

    /// A browser that is signed in.
    pub fn browser(&self) -> Browser {
        let mut browser = Browser::new(&self.desk);
        let answer = browser.post("/sign-in", &[("name", "olive"), ("password", PASSWORD)]);
        assert_eq!(answer.status, 303, "{}", answer.text);
        browser
    }

    /// The job's book as the log has it now.
    pub fn job_book(&self, id: BookId) -> Book {
        let mut book = Book::new(id);
        let lines = self.app.read(|db| Ok(bolebook_log::read(db, id, 0, bolebook_log::Page::ALL)?)).unwrap();
        for line in lines {
            match LogLine::parse(&line.text).unwrap().into_entry() {
                bolebook_core::exchange::Entry::Commit(commit) => drop(book.take(commit).unwrap()),
                bolebook_core::exchange::Entry::Signature(signed) => book.take_signature(signed),
            }
        }
        book
    }
}

impl Drop for Site {
    fn drop(&mut self) {
        self.stop();
    }
}

/// What came back.
pub struct Answer {
    pub status: u16,
    pub headers: ureq::http::HeaderMap,
    pub text: String,
    pub bytes: Vec<u8>,
}

impl Answer {
    pub fn header(&self, name: &str) -> &str {
        self.headers.get(name).map_or("", |v| v.to_str().unwrap())
    }

    /// The hidden and preset fields of the form that goes to `action`.
    pub fn form(&self, action: &str) -> Vec<(String, String)> {
        let start =
            self.text.find(&format!("action=\"{action}\"")).unwrap_or_else(|| panic!("no form to {action}"));
        let form = self.text[start..].split("</form>").next().unwrap();
        let mut fields = vec![];
        for input in form.split("<input").skip(1) {
            let part = |name: &str| {
                input.split('>').next()?.split(&format!(" {name}=\"")).nth(1)?.split('"').next().map(unescape)
            };
            let kind = part("type").unwrap_or_default();
            if let Some(name) = part("name")
                && kind != "checkbox"
                && (kind != "radio" || input.split('>').next().unwrap().contains(" checked"))
            {
                fields.push((name, part("value").unwrap_or_default()));
            }
        }
        fields
    }
}

fn unescape(text: &str) -> String {
    text.replace("&quot;", "\"").replace("&lt;", "<").replace("&gt;", ">").replace("&amp;", "&")
}

/// A browser with one cookie jar and no scripts.
pub struct Browser {
    pub base: String,
    cookie: Option<String>,
    agent: ureq::Agent,
}

impl Browser {
    pub fn new(base: &str) -> Self {
        let config = ureq::Agent::config_builder().http_status_as_error(false).max_redirects(0);
        let config = config.max_redirects_will_error(false);
        let agent = config.timeout_global(Some(std::time::Duration::from_secs(60))).build().into();
        Self { base: base.into(), cookie: None, agent }
    }

    pub fn send(&mut self, method: &str, path: &str, headers: &[(&str, &str)], body: &str) -> Answer {
        self.send_bytes(method, path, headers, body.as_bytes())
    }

    /// Sends a form with a file, as a browser does.
    pub fn upload(&mut self, path: &str, token: &str, name: &str, file: &[u8]) -> Answer {
        let head = format!(
            "--edge\r\ncontent-disposition: form-data; name=\"token\"\r\n\r\n{token}\r\n--edge\r\ncontent-disposition: form-data; name=\"file\"; filename=\"{name}\"\r\ncontent-type: application/octet-stream\r\n\r\n"
        );
        let body = [head.as_bytes(), file, b"\r\n--edge--\r\n"].concat();
        self.send_bytes("POST", path, &[("content-type", "multipart/form-data; boundary=edge")], &body)
    }

    fn send_bytes(&mut self, method: &str, path: &str, headers: &[(&str, &str)], body: &[u8]) -> Answer {
        use std::io::Read as _;
        let mut request = ureq::http::Request::builder().method(method).uri(format!("{}{path}", self.base));
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        if let Some(cookie) = &self.cookie {
            request = request.header("cookie", cookie);
        }
        let mut response = self.agent.run(request.body(body).unwrap()).unwrap();
        let (status, headers) = (response.status().as_u16(), response.headers().clone());
        let mut bytes = vec![];
        response.body_mut().as_reader().read_to_end(&mut bytes).unwrap();
        if let Some(set) = headers.get("set-cookie") {
            let pair = set.to_str().unwrap().split(';').next().unwrap().to_owned();
            self.cookie = Some(pair).filter(|p| !p.ends_with('='));
        }
        Answer { status, headers, text: String::from_utf8_lossy(&bytes).into_owned(), bytes }
    }

    pub fn get(&mut self, path: &str) -> Answer {
        self.send("GET", path, &[], "")
    }

    /// What it says at each request of who it is.
    pub fn cookie(&self) -> &str {
        self.cookie.as_deref().unwrap_or_default()
    }

    /// A page that must be there.
    pub fn page(&mut self, path: &str) -> Answer {
        let answer = self.get(path);
        assert_eq!(answer.status, 200, "{path}: {}", answer.text);
        answer
    }

    pub fn post(&mut self, path: &str, fields: &[(&str, &str)]) -> Answer {
        self.post_from(path, fields, &[])
    }

    pub fn post_from(&mut self, path: &str, fields: &[(&str, &str)], headers: &[(&str, &str)]) -> Answer {
        let encode =
            |t: &str| {
                t.bytes()
                    .map(|b| {
                        if b.is_ascii_alphanumeric() {
                            char::from(b).to_string()
                        } else {
                            format!("%{b:02X}")
                        }
                    })
                    .collect::<String>()
            };
        let body: Vec<String> = fields.iter().map(|(k, v)| format!("{}={}", encode(k), encode(v))).collect();
        let mut all = vec![("content-type", "application/x-www-form-urlencoded")];
        all.extend(headers);
        self.send("POST", path, &all, &body.join("&"))
    }

    /// Fills in a form of a page and sends it; fields given replace those of the page.
    pub fn submit(&mut self, page: &Answer, action: &str, fill: &[(&str, &str)]) -> Answer {
        let mut fields: Vec<(String, String)> = page.form(action);
        fields.retain(|(name, _)| !fill.iter().any(|(n, _)| n == name));
        fields.extend(fill.iter().map(|(n, v)| ((*n).to_owned(), (*v).to_owned())));
        let fields: Vec<(&str, &str)> = fields.iter().map(|(n, v)| (n.as_str(), v.as_str())).collect();
        self.post(action, &fields)
    }

    /// The page a redirect leads to.
    pub fn follow(&mut self, answer: &Answer) -> Answer {
        assert_eq!(answer.status, 303, "{}", answer.text);
        let to = answer.header("location").split('#').next().unwrap().to_owned();
        self.page(&to)
    }
}
