//! A bucket of an S3-compatible object store.
//!
//! Every object is put by one request, which such a store takes whole or not at all, and names no byte
//! before it has them; the digest of the bytes is signed with the request. Every call has limits of
//! time. What may pass (a line that broke, a store that is busy) is tried again a few times; putting
//! the same twice comes to the same.

mod claim;

use std::fs::File;
use std::io::Read as _;
use std::path::Path;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

use bolebook_core::ids::Sha256Hash;
use jiff::Timestamp;
use ureq::http::{Request, Response};
use ureq::{Agent, Body};

use crate::access::{Access, Place};
use crate::answer;
use crate::error::{ObjectError, Result};
use crate::key::Key;
use crate::sign::{Signed, query, signed};
use crate::{Head, Listed};

/// How often something is tried in all, and how long it waits before the second and third time.
const TRIES: usize = 3;
const PAUSES_MS: [u64; TRIES - 1] = [200, 800];
/// How long a line may take to be there, and a store to answer `ready`.
const CONNECT: Duration = Duration::from_secs(5);
const QUICK: Duration = Duration::from_secs(3);
/// How long a call may take at most: a photo of 40 MiB over a line of half a mebibyte a second.
const LONGEST: Duration = Duration::from_secs(100);
/// Largest object read, in bytes, and largest error or page of a listing.
const MOST_BYTES: u64 = 256 << 20;
const MOST_TEXT: u64 = 8 << 20;
/// Most calls at once; further ones are turned away, so that a store that hangs never takes every
/// thread of a server.
const MOST_CALLS: usize = 256;

/// A bucket, what names in it begin with, and the way there.
pub struct Bucket {
    place: Place,
    access: Access,
    host: String,
    /// Of the bucket itself.
    path: String,
    agent: Agent,
    quick: Agent,
    calls: AtomicUsize,
    /// Nothing is asked of a store that kept silent until it is over.
    silence: Mutex<Option<Instant>>,
    patience: Duration,
}

impl std::fmt::Debug for Bucket {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Bucket")
            .field("place", &self.place)
            .field("access", &self.access)
            .finish_non_exhaustive()
    }
}

/// Where it is, without credentials.
impl std::fmt::Display for Bucket {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{} at {}", self.place, self.host)
    }
}

/// A call's body.
#[derive(Clone, Copy)]
enum Payload<'a> {
    Nothing,
    Bytes(&'a [u8]),
    File(&'a Path, Sha256Hash),
}

/// What a call is for.
struct Call<'a> {
    method: &'static str,
    /// Beyond the bucket; empty for the bucket itself.
    name: &'a str,
    query: &'a str,
    /// First byte and the one after the last.
    range: Option<(u64, u64)>,
    payload: Payload<'a>,
    /// Only where there is no such object: a store that has one says so, and changes nothing.
    only_first: bool,
}

impl<'a> Call<'a> {
    const fn get(name: &'a str) -> Self {
        Self { method: "GET", name, query: "", range: None, payload: Payload::Nothing, only_first: false }
    }
}

/// Leaves the number of calls as it was.
struct Counted<'a>(&'a AtomicUsize);

impl Drop for Counted<'_> {
    fn drop(&mut self) {
        self.0.fetch_sub(1, Ordering::Relaxed);
    }
}

/// Why one try failed, and whether another may not.
struct Failed {
    error: ObjectError,
    again: bool,
}

fn agent(patience: Duration, whole: Duration) -> Agent {
    Agent::config_builder()
        .http_status_as_error(false)
        .max_redirects(0)
        .max_redirects_will_error(false)
        .max_idle_connections_per_host(16)
        .timeout_connect(Some(CONNECT.min(patience)))
        .timeout_recv_response(Some(patience))
        .timeout_per_read(Some(patience))
        .timeout_per_write(Some(patience))
        .timeout_global(Some(whole))
        .build()
        .into()
}

impl Bucket {
    /// How long a store may say nothing, usually.
    pub const PATIENCE: Duration = Duration::from_secs(15);

    /// A bucket; nothing is asked of it yet. `patience` is how long it may say nothing.
    ///
    /// # Errors
    /// [`ObjectError::Setting`] for an address without a host.
    pub fn new(place: Place, access: Access, patience: Duration) -> Result<Self> {
        let none = || ObjectError::Setting("the store's address has no host".into());
        let authority = access.endpoint.authority().ok_or_else(none)?;
        let usual = match access.endpoint.scheme_str() {
            Some("https") => ":443",
            _ => ":80",
        };
        let host = authority.as_str().strip_suffix(usual).unwrap_or(authority.as_str()).to_owned();
        let path = format!("{}/{}", access.endpoint.path().trim_end_matches('/'), place.bucket);
        let (agent, quick) = (agent(patience, LONGEST), agent(QUICK.min(patience), QUICK));
        let (calls, silence) = (AtomicUsize::new(0), Mutex::new(None));
        Ok(Self { place, access, host, path, agent, quick, calls, silence, patience })
    }

    fn name(&self, key: &Key) -> String {
        format!("{}{}", self.place.prefix, key.path())
    }

    fn away(&self, doing: &str, why: String) -> ObjectError {
        ObjectError::Away { place: self.to_string(), doing: doing.into(), why }
    }

    fn wrong(&self, doing: &str, why: impl Into<String>) -> ObjectError {
        ObjectError::Wrong { place: self.to_string(), doing: doing.into(), why: why.into() }
    }

    /// One call, whatever its answer's status.
    fn send(&self, agent: &Agent, call: &Call<'_>) -> std::result::Result<Response<Body>, ureq::Error> {
        let payload = match call.payload {
            Payload::Nothing => Sha256Hash::of(b""),
            Payload::Bytes(bytes) => Sha256Hash::of(bytes),
            Payload::File(_, digest) => digest,
        };
        let path = match call.name {
            "" => format!("{}/", self.path),
            name => format!("{}/{name}", self.path),
        };
        let (method, host, query) = (call.method, self.host.as_str(), call.query);
        let request = Signed { method, host, path: &path, query, payload };
        let scheme = self.access.endpoint.scheme_str().unwrap_or("https");
        let asked = if query.is_empty() { String::new() } else { format!("?{query}") };
        // The real time, whatever the time of the story is: the store compares it with its own.
        let fields = signed(&self.access, &request, Timestamp::now());
        let mut builder = Request::builder().method(method).uri(format!("{scheme}://{host}{path}{asked}"));
        for (name, value) in fields {
            builder = builder.header(name, value);
        }
        builder = builder.header("accept-encoding", "identity");
        if let Some((from, end)) = call.range {
            builder = builder.header("range", format!("bytes={from}-{}", end.saturating_sub(1)));
        }
        if call.only_first {
            builder = builder.header("if-none-match", "*");
        }
        match call.payload {
            Payload::Nothing => agent.run(builder.body(())?),
            Payload::Bytes(bytes) => agent.run(builder.body(bytes)?),
            Payload::File(path, _) => agent.run(builder.body(File::open(path)?)?),
        }
    }

    /// A call until its answer is a success or a clear no; `read` gets the answer.
    fn tried<T>(
        &self,
        doing: &str,
        call: &Call<'_>,
        mut read: impl FnMut(Answer) -> std::result::Result<T, Failed>,
    ) -> Result<T> {
        let mut pauses = PAUSES_MS.into_iter();
        if self.was_silent() {
            return Err(self.away(doing, "it kept silent a moment ago".into()));
        }
        loop {
            let failed = match self.once(&self.agent, doing, call).and_then(&mut read) {
                Ok(done) => return Ok(done),
                Err(failed) => failed,
            };
            let Some(pause) = pauses.next().filter(|_| failed.again) else { return Err(failed.error) };
            std::thread::sleep(Duration::from_millis(pause));
        }
    }

    fn once(&self, agent: &Agent, doing: &str, call: &Call<'_>) -> std::result::Result<Answer, Failed> {
        let counted = Counted(&self.calls);
        if self.calls.fetch_add(1, Ordering::Relaxed) >= MOST_CALLS {
            let why = format!("{MOST_CALLS} calls wait for its answer already");
            return Err(Failed { error: self.away(doing, why), again: false });
        }
        let sent = self.send(agent, call);
        drop(counted);
        let mut response = sent.map_err(|error| self.broken(doing, &error))?;
        // It speaks again: nobody is spared it any longer.
        *self.silence.lock().unwrap_or_else(PoisonError::into_inner) = None;
        let status = response.status().as_u16();
        if (200..300).contains(&status) {
            return Ok(Answer::Yes(response));
        }
        // 416: the object is there and ends before the range begins.
        if status == 416 && call.range.is_some() {
            return Ok(Answer::Beyond(response));
        }
        if call.only_first && status == 412 {
            return Ok(Answer::No);
        }
        let mut body = String::new();
        // Without its body an answer is told apart by its status.
        let _ = response.body_mut().as_reader().take(MOST_TEXT).read_to_string(&mut body);
        let code = answer::code(&body);
        if status == 404 && code == "NoSuchKey" {
            return Ok(Answer::No);
        }
        let (place, doing) = (self.to_string(), doing.to_owned());
        Err(match status {
            507 => Failed { error: ObjectError::Full { place, doing, code }, again: false },
            _ if code == "QuotaExceeded" || code.ends_with("StorageFull") => {
                Failed { error: ObjectError::Full { place, doing, code }, again: false }
            }
            // While another is being put under this name: the next try finds it.
            409 if call.only_first => {
                let why = "another is being put there".to_owned();
                Failed { error: ObjectError::Away { place, doing, why }, again: true }
            }
            // It does not know the condition: waiting does not teach it.
            429 | 500.. if !(status == 501 && call.only_first) => {
                let why = format!("it answers {status} {code}");
                Failed { error: ObjectError::Away { place, doing, why }, again: true }
            }
            // Its own word for 'you were too slow'.
            408 | 400 if code == "RequestTimeout" => {
                let why = "it waited too long for the bytes".to_owned();
                Failed { error: ObjectError::Away { place, doing, why }, again: true }
            }
            _ => {
                let hint = answer::hint(status, &code);
                Failed { error: ObjectError::Refused { place, doing, status, code, hint }, again: false }
            }
        })
    }

    /// The line broke, or was too slow.
    fn broken(&self, doing: &str, error: &ureq::Error) -> Failed {
        use std::io::ErrorKind::{TimedOut, WouldBlock};
        let silent = match error {
            ureq::Error::Timeout(_) => true,
            ureq::Error::Io(error) => matches!(error.kind(), TimedOut | WouldBlock),
            _ => false,
        };
        if silent {
            self.note_silence();
        }
        // What was waited for once is not waited for again: a device would wait for nothing.
        Failed { error: self.away(doing, error.to_string()), again: !silent }
    }

    /// Whether the store kept silent a moment ago: a page of fifty photos does not wait fifty times.
    fn was_silent(&self) -> bool {
        let mut silence = self.silence.lock().unwrap_or_else(PoisonError::into_inner);
        *silence = silence.filter(|since| since.elapsed() < self.patience / 3);
        silence.is_some()
    }

    #[expect(clippy::disallowed_methods, reason = "how long a silence is past, and nothing else")]
    fn note_silence(&self) {
        *self.silence.lock().unwrap_or_else(PoisonError::into_inner) = Some(Instant::now());
    }

    /// The bytes of an answer, as many as it announced.
    fn body(
        &self,
        doing: &str,
        response: &mut Response<Body>,
        most: u64,
    ) -> std::result::Result<Vec<u8>, Failed> {
        let announced = answer::content_length(response.headers());
        let mut bytes = vec![];
        let read = response.body_mut().as_reader().take(most + 1).read_to_end(&mut bytes);
        read.map_err(|e| self.broken(doing, &ureq::Error::from(e)))?;
        if bytes.len() as u64 > most {
            let error = self.wrong(doing, format!("it sends more than {most} bytes"));
            return Err(Failed { error, again: false });
        }
        if announced.is_some_and(|length| length != bytes.len() as u64) {
            let why = format!("the answer broke off after {} bytes", bytes.len());
            return Err(Failed { error: self.away(doing, why), again: true });
        }
        Ok(bytes)
    }

    fn sent(&self, doing: &str, call: &Call<'_>) -> Result<()> {
        self.tried(doing, call, |answer| match answer {
            Answer::Yes(_) => Ok(()),
            Answer::No | Answer::Beyond(_) => {
                Err(Failed { error: self.wrong(doing, "it has not put it"), again: false })
            }
        })
    }

    pub(crate) fn put(&self, key: &Key, bytes: &[u8]) -> Result<()> {
        let payload = Payload::Bytes(bytes);
        let name = self.name(key);
        let call = Call { method: "PUT", payload, ..Call::get(&name) };
        self.sent(&format!("putting {}", key.path()), &call)
    }

    pub(crate) fn put_file(&self, key: &Key, file: &Path, found: Sha256Hash) -> Result<()> {
        let payload = Payload::File(file, found);
        let name = self.name(key);
        let call = Call { method: "PUT", payload, ..Call::get(&name) };
        self.sent(&format!("putting {}", key.path()), &call)
    }

    pub(crate) fn get(&self, key: &Key) -> Result<Option<Vec<u8>>> {
        let doing = format!("reading {}", key.path());
        self.tried(&doing, &Call::get(&self.name(key)), |answer| {
            let Answer::Yes(mut response) = answer else { return Ok(None) };
            let bytes = self.body(&doing, &mut response, MOST_BYTES)?;
            if let Err(other) = key.must_be_of(Sha256Hash::of(&bytes)) {
                tracing::warn!(%other, "the object store gave other bytes than were put");
                let why = "its bytes do not come to their name";
                return Err(Failed { error: self.wrong(&doing, why), again: true });
            }
            Ok(Some(bytes))
        })
    }

    /// Some bytes from an offset on, and the length of the whole.
    fn part(&self, key: &Key, offset: u64, most: u64) -> Result<Option<(Vec<u8>, u64)>> {
        let doing = format!("reading {}", key.path());
        let range = Some((offset, offset.saturating_add(most.max(1))));
        let name = self.name(key);
        let call = Call { range, ..Call::get(&name) };
        self.tried(&doing, &call, |answer| {
            let mut response = match answer {
                Answer::No => return Ok(None),
                Answer::Beyond(response) => {
                    let length = answer::content_range(response.headers()).map_or(0, |(_, length)| length);
                    return Ok(Some((vec![], length)));
                }
                Answer::Yes(response) => response,
            };
            let (from, length) = match response.status().as_u16() {
                206 => answer::content_range(response.headers()),
                // An empty object, or a store that knows no ranges, sends the whole.
                _ => answer::content_length(response.headers()).map(|length| (0, length)),
            }
            .ok_or_else(|| Failed {
                error: self.wrong(&doing, "it does not say how long it is"),
                again: false,
            })?;
            if from > offset || (from < offset && response.status().as_u16() == 206) {
                return Err(Failed { error: self.wrong(&doing, "it sends another part"), again: false });
            }
            let mut bytes = vec![];
            let mut reader = response.body_mut().as_reader();
            let skipped = std::io::copy(&mut (&mut reader).take(offset - from), &mut std::io::sink());
            let read = skipped.and_then(|_| reader.take(most).read_to_end(&mut bytes));
            read.map_err(|e| self.broken(&doing, &ureq::Error::from(e)))?;
            let expected = length.saturating_sub(offset).min(most);
            if bytes.len() as u64 != expected {
                let why = format!("the answer broke off after {} of {expected} bytes", bytes.len());
                return Err(Failed { error: self.away(&doing, why), again: true });
            }
            Ok(Some((bytes, length)))
        })
    }

    pub(crate) fn range(&self, key: &Key, offset: u64, most: u64) -> Result<Option<Vec<u8>>> {
        Ok(self.part(key, offset, most)?.map(|(bytes, _)| bytes))
    }

    pub(crate) fn head(&self, key: &Key, first: usize) -> Result<Option<Head>> {
        let found = self.part(key, 0, first as u64)?;
        Ok(found.map(|(start, bytes)| Head { bytes, start }))
    }

    pub(crate) fn remove(&self, key: &Key) -> Result<bool> {
        // The answer to a removal is the same whether it was there or not.
        if self.head(key, 1)?.is_none() {
            return Ok(false);
        }
        self.forget(key).map(|()| true)
    }

    /// Removes what may be there, without asking whether it was.
    pub(crate) fn forget(&self, key: &Key) -> Result<()> {
        let doing = format!("removing {}", key.path());
        let name = self.name(key);
        let call = Call { method: "DELETE", ..Call::get(&name) };
        self.tried(&doing, &call, |_| Ok(()))
    }

    /// Names what begins with `folder`, which may end in the middle of a name.
    pub(crate) fn list(&self, folder: &str, each: &mut dyn FnMut(Listed) -> Result<()>) -> Result<()> {
        let doing = format!("listing {folder}");
        let mut prefix = format!("{}{folder}", self.place.prefix);
        if !prefix.ends_with('/') {
            prefix.push('/');
        }
        let mut token = None;
        loop {
            let mut pairs = vec![("list-type", "2"), ("prefix", prefix.as_str())];
            pairs.extend(token.as_deref().map(|token: &str| ("continuation-token", token)));
            let asked = query(&pairs);
            let page = self.tried(&doing, &Call { query: &asked, ..Call::get("") }, |answer| {
                let Answer::Yes(mut response) = answer else {
                    return Err(Failed { error: self.wrong(&doing, "it gives no list"), again: false });
                };
                let text = self.body(&doing, &mut response, MOST_TEXT)?;
                let page = String::from_utf8(text).ok().and_then(|text| answer::page(&text));
                page.ok_or_else(|| Failed {
                    error: self.wrong(&doing, "its list cannot be read"),
                    again: false,
                })
            })?;
            for found in page.objects {
                let path = found.name.strip_prefix(&self.place.prefix);
                let Some(key) = path.and_then(Key::read) else { continue };
                let age = found.put_at.map(|at| Timestamp::now().as_second() - at.as_second());
                let age_s = age.and_then(|age| u64::try_from(age).ok());
                each(Listed { key, bytes: found.bytes, age_s })?;
            }
            // The same token again would never end.
            match page.next {
                None => return Ok(()),
                next if next == token => return Err(self.wrong(&doing, "its list goes round in a circle")),
                next => token = next,
            }
        }
    }

    pub(crate) fn ready(&self) -> Result<()> {
        let doing = "asking whether it is there";
        let name = self.name(&Key::owner());
        self.once(&self.quick, doing, &Call::get(&name)).map(drop).map_err(|failed| failed.error)
    }
}

/// What a store's answer comes to.
enum Answer {
    Yes(Response<Body>),
    /// There is no such object; or, where only the first is put, there is one.
    No,
    /// The object ends before what was asked for.
    Beyond(Response<Body>),
}
