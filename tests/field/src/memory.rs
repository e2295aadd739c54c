//! A device in memory: a key, a store that keeps what a transaction held, and the real way to a
//! server. It can be told to refuse, as a full disk or another window would.

use std::cell::{Cell, RefCell};
use std::collections::BTreeMap;
use std::future::{Future, poll_fn};
use std::io::Write as _;
use std::net::{Shutdown, TcpStream};
use std::pin::pin;
use std::rc::Rc;
use std::task::{Context, Poll, Waker};

use base64::Engine as _;
use bolebook_core::ids::{BookId, Sha256Hash};
use bolebook_core::quantity::UtcMs;
use bolebook_core::signing::{PublicKey, SecretKey, Signature};
use bolebook_field_core::field::{Field, Fields};
use bolebook_field_core::outside::{
    Answer, Kept, KeptPhoto, Outside, Part, Put, Request, Trouble, Upload, Uploaded,
};

/// What outlives a restart.
#[derive(Default)]
pub struct Disk {
    lines: BTreeMap<(BookId, u64), String>,
    settings: BTreeMap<String, String>,
    ready: Vec<u8>,
    photos: BTreeMap<Sha256Hash, Vec<u8>>,
}

/// The device; clones share the disk and the clock.
#[derive(Clone)]
pub struct Memory {
    /// Its clock.
    pub clock: Rc<Cell<i64>>,
    /// Whether it has a signal.
    pub signal: Rc<Cell<bool>>,
    /// After so many bytes of a photo's piece the line drops, once.
    pub drops_after: Rc<Cell<Option<usize>>>,
    /// After so many pieces of photos the signal goes.
    pub dies_after: Rc<Cell<Option<usize>>>,
    /// What is answered to the next requests of a method in the server's stead.
    pub answers: Rc<RefCell<Vec<(&'static str, u16)>>>,
    /// What was asked of the server about photos: method and status, 0 where the line dropped.
    pub asked: Rc<RefCell<Vec<(&'static str, u16)>>>,
    /// Whether the next reading of its lines, or the next storing, is done and answers later only.
    pub answers_later: Rc<Cell<(bool, bool)>>,
    /// Why its storage refuses, if it does.
    pub refuses: Rc<RefCell<Option<Trouble>>>,
    seed: u8,
    drawn: Rc<Cell<u64>>,
    disk: Rc<RefCell<Disk>>,
}

impl Memory {
    /// A device whose key comes from a seed.
    pub fn new(seed: u8, now: UtcMs) -> Self {
        Self {
            clock: Rc::new(Cell::new(now.0)),
            signal: Rc::new(Cell::new(true)),
            drops_after: Rc::default(),
            dies_after: Rc::default(),
            answers: Rc::default(),
            asked: Rc::default(),
            answers_later: Rc::default(),
            refuses: Rc::default(),
            seed,
            drawn: Rc::default(),
            disk: Rc::default(),
        }
    }

    /// Lets time pass, in minutes.
    pub fn wait(&self, minutes: i64) {
        self.clock.set(self.clock.get() + minutes * 60_000);
    }

    /// Opens the app on what the disk holds.
    pub fn open(&self, url: &str) -> Field<Self> {
        block_on(Field::open(self.clone(), url, "en-GB")).unwrap()
    }

    /// Keeps a photo, as the page does before it is logged.
    pub fn keep_photo(&self, bytes: Vec<u8>) -> Sha256Hash {
        let digest = Sha256Hash::of(&bytes);
        self.disk.borrow_mut().photos.insert(digest, bytes);
        digest
    }

    /// Sends a part of a request and drops the line.
    fn break_off(url: &str, request: &Upload, body: &[u8], after: usize) {
        let (host, path) = url.strip_prefix("http://").unwrap().split_once('/').unwrap();
        let mut line = TcpStream::connect(host).unwrap();
        let mut head = format!(
            "{} /{path} HTTP/1.1\r\nhost: {host}\r\ncontent-length: {}\r\n",
            request.method,
            body.len()
        );
        for (name, value) in &request.headers {
            head.push_str(&format!("{name}: {value}\r\n"));
        }
        head.push_str("\r\n");
        line.write_all(head.as_bytes()).unwrap();
        line.write_all(&body[..after.min(body.len())]).unwrap();
        line.shutdown(Shutdown::Both).unwrap();
    }

    /// What the disk holds, as the browser's device gives it.
    pub fn stored(&self) -> serde_json::Value {
        let disk = self.disk.borrow();
        let lines: Vec<_> = disk.lines.iter().map(|((book, _), text)| (book.to_string(), text)).collect();
        let settings: Vec<_> = disk.settings.iter().collect();
        serde_json::json!({ "lines": lines, "settings": settings })
    }

    /// Puts a ready-made view in the place of the one it holds, and gives that.
    pub fn put_ready(&self, bytes: Vec<u8>) -> Vec<u8> {
        std::mem::replace(&mut self.disk.borrow_mut().ready, bytes)
    }

    /// Puts a setting in its place, as another version of the app would have.
    pub fn put_setting(&self, name: &str, json: &str) {
        self.disk.borrow_mut().settings.insert(name.to_owned(), json.to_owned());
    }

    /// How many lines the disk holds.
    pub fn lines(&self) -> usize {
        self.disk.borrow().lines.len()
    }

    fn keep(&self, puts: &[Put]) {
        let mut disk = self.disk.borrow_mut();
        for put in puts {
            match put {
                Put::Line { book, position, text } => {
                    let taken = disk.lines.insert((*book, *position), text.clone());
                    assert_eq!(taken, None, "a line was written over");
                }
                Put::Setting { name, json } => {
                    disk.settings.insert((*name).to_owned(), json.clone());
                }
                Put::Ready(bytes) => disk.ready.clone_from(bytes),
            }
        }
    }
}

impl Outside for Memory {
    fn now(&self) -> UtcMs {
        // A clock that never says the same twice.
        self.clock.set(self.clock.get() + 1);
        UtcMs(self.clock.get())
    }

    fn random(&self) -> Result<[u8; 32], Trouble> {
        self.drawn.set(self.drawn.get() + 1);
        Ok(Sha256Hash::of(format!("{} {}", self.seed, self.drawn.get()).as_bytes()).0)
    }

    async fn key(&self) -> Result<PublicKey, Trouble> {
        Ok(SecretKey::from_seed([self.seed; 32]).public())
    }

    async fn sign(&self, message: &[u8]) -> Result<Signature, Trouble> {
        Ok(SecretKey::from_seed([self.seed; 32]).sign(message))
    }

    async fn settings(&self) -> Result<Kept, Trouble> {
        let disk = self.disk.borrow();
        let settings = disk.settings.iter().map(|(k, v)| (k.clone(), v.clone())).collect();
        Ok(Kept { settings, ready: disk.ready.clone(), lines: disk.lines.len() as u64 })
    }

    async fn lines(&self) -> Result<Vec<(BookId, String)>, Trouble> {
        let of = |((book, _), text): (&(BookId, u64), &String)| (*book, text.clone());
        let lines = self.disk.borrow().lines.iter().map(of).collect();
        let (later, store) = self.answers_later.get();
        self.answers_later.set((false, store));
        once(later).await;
        Ok(lines)
    }

    async fn pause(&self) {}

    async fn store(&self, puts: &[Put]) -> Result<(), Trouble> {
        if let Some(trouble) = &*self.refuses.borrow() {
            return Err(trouble.clone());
        }
        self.keep(puts);
        let (lines, later) = self.answers_later.get();
        self.answers_later.set((lines, false));
        once(later).await;
        Ok(())
    }

    async fn ask(&self, request: &Request) -> Result<Answer, Trouble> {
        if !self.signal.get() {
            return Err(Trouble::NoSignal("flight mode".into()));
        }
        let config = ureq::Agent::config_builder().http_status_as_error(false).build();
        let mut builder = ureq::http::Request::builder().method(request.method).uri(&request.url);
        for (name, value) in &request.headers {
            builder = builder.header(*name, value);
        }
        let body = request.body.clone().unwrap_or_default();
        let answer = config.new_agent().run(builder.body(body).unwrap());
        let mut answer = answer.map_err(|e| Trouble::NoSignal(e.to_string()))?;
        let status = answer.status().as_u16();
        let body = answer.body_mut().with_config().limit(64 << 20).read_to_string().unwrap();
        Ok(Answer { status, body })
    }

    async fn photos(&self) -> Result<Vec<KeptPhoto>, Trouble> {
        let disk = self.disk.borrow();
        let photo = |(sha256, bytes): (&Sha256Hash, &Vec<u8>)| KeptPhoto {
            sha256: *sha256,
            bytes: bytes.len() as u64,
        };
        Ok(disk.photos.iter().map(photo).collect())
    }

    async fn upload(&self, request: &Upload, part: Option<&Part>) -> Result<Uploaded, Trouble> {
        if !self.signal.get() {
            return Err(Trouble::NoSignal("flight mode".into()));
        }
        let put = self.answers.borrow().iter().position(|(method, _)| *method == request.method);
        if let Some(at) = put {
            let (method, status) = self.answers.borrow_mut().remove(at);
            self.asked.borrow_mut().push((method, status));
            return Ok(Uploaded { status, ..Uploaded::default() });
        }
        let mut request = request.clone();
        let body = part.map_or(vec![], |p| {
            let place = |at: u64| usize::try_from(at).unwrap();
            self.disk.borrow().photos[&p.photo][place(p.from)..place(p.to)].to_vec()
        });
        if part.is_some() {
            let sum = base64::prelude::BASE64_STANDARD.encode(Sha256Hash::of(&body).0);
            request.headers.push(("upload-checksum", format!("sha256 {sum}")));
            if let Some(after) = self.drops_after.take() {
                Self::break_off(&request.url, &request, &body, after);
                self.asked.borrow_mut().push((request.method, 0));
                return Err(Trouble::NoSignal("the line dropped".into()));
            }
        }
        let config =
            ureq::Agent::config_builder().http_status_as_error(false).allow_non_standard_methods(true);
        let mut builder = ureq::http::Request::builder().method(request.method).uri(&request.url);
        for (name, value) in &request.headers {
            builder = builder.header(*name, value);
        }
        let answer = config.build().new_agent().run(builder.body(body).unwrap());
        let answer = answer.map_err(|e| Trouble::NoSignal(e.to_string()))?;
        let status = answer.status().as_u16();
        self.asked.borrow_mut().push((request.method, status));
        if part.is_some() && self.dies_after.get().is_some() {
            let left = self.dies_after.get().map(|n| n - 1).filter(|n| *n > 0);
            self.signal.set(left.is_some());
            self.dies_after.set(left);
        }
        let header = |name: &str| answer.headers().get(name).map(|v| v.to_str().unwrap().to_owned());
        let offset = header("upload-offset").map(|text| text.parse().unwrap());
        Ok(Uploaded { status, offset, location: header("location") })
    }

    async fn drop_photo(&self, photo: Sha256Hash) -> Result<(), Trouble> {
        self.disk.borrow_mut().photos.remove(&photo);
        Ok(())
    }
}

/// Waits once, if it is to.
async fn once(mut wait: bool) {
    poll_fn(|_| if std::mem::take(&mut wait) { Poll::Pending } else { Poll::Ready(()) }).await;
}

/// Runs a future that never truly waits.
pub fn block_on<T>(future: impl Future<Output = T>) -> T {
    let mut future = pin!(future);
    let mut context = Context::from_waker(Waker::noop());
    match future.as_mut().poll(&mut context) {
        Poll::Ready(done) => done,
        Poll::Pending => panic!("nothing here waits"),
    }
}

/// Taps a button with these fields filled in, and gives the screen that follows.
pub fn tap(field: &Field<Memory>, act: &str, fields: &[(&str, &str)]) -> String {
    let fields: Fields = fields.iter().map(|(k, v)| ((*k).to_owned(), (*v).to_owned())).collect();
    block_on(field.act(act, &fields));
    field.screen()
}
