//! A device in memory: a key, a store that keeps what a transaction held, and the real way to a
//! server. It can be told to refuse, as a full disk or another window would.

use std::cell::{Cell, RefCell};
use std::collections::BTreeMap;
use std::future::Future;
use std::pin::pin;
use std::rc::Rc;
use std::task::{Context, Poll, Waker};

use bolebook_core::ids::{BookId, Sha256Hash};
use bolebook_core::quantity::UtcMs;
use bolebook_core::signing::{PublicKey, SecretKey, Signature};
use bolebook_field_core::field::{Field, Fields};
use bolebook_field_core::outside::{Answer, Kept, Outside, Put, Request, Trouble};

/// What outlives a restart.
#[derive(Default)]
pub struct Disk {
    lines: BTreeMap<(BookId, u64), String>,
    settings: BTreeMap<String, String>,
}

/// The device; clones share the disk and the clock.
#[derive(Clone)]
pub struct Memory {
    /// Its clock.
    pub clock: Rc<Cell<i64>>,
    /// Whether it has a signal.
    pub signal: Rc<Cell<bool>>,
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

    /// What the disk holds, as the browser's device gives it.
    pub fn stored(&self) -> serde_json::Value {
        let disk = self.disk.borrow();
        let lines: Vec<_> = disk.lines.iter().map(|((book, _), text)| (book.to_string(), text)).collect();
        let settings: Vec<_> = disk.settings.iter().collect();
        serde_json::json!({ "lines": lines, "settings": settings })
    }

    /// How many lines the disk holds.
    pub fn lines(&self) -> usize {
        self.disk.borrow().lines.len()
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
        Ok(Kept { settings, lines: disk.lines.len() as u64 })
    }

    async fn lines(&self) -> Result<Vec<(BookId, String)>, Trouble> {
        Ok(self.disk.borrow().lines.iter().map(|((book, _), text)| (*book, text.clone())).collect())
    }

    async fn pause(&self) {}

    async fn store(&self, puts: &[Put]) -> Result<(), Trouble> {
        if let Some(trouble) = &*self.refuses.borrow() {
            return Err(trouble.clone());
        }
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
            }
        }
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

    async fn photos(&self) -> Result<Vec<Sha256Hash>, Trouble> {
        Ok(vec![])
    }

    async fn send_photo(&self, _: Sha256Hash, _: &str, _: &str) -> Result<u16, Trouble> {
        Ok(404)
    }
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
