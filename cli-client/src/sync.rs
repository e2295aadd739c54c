//! An exchange from end to end: token, books, register, photos, and a joining device's certificate.

mod evidence;

use std::collections::{BTreeMap, BTreeSet};
use std::io::BufReader;

use bolebook_core::exchange::code;
use bolebook_core::ids::{ActorId, BookId, DeviceId, RecordId, Sha256Hash};
use bolebook_core::quantity::UtcMs;
use bolebook_core::record::people::{Certificate, Role};
use bolebook_core::record::{Body, Envelope, Record};
use bolebook_core::service::{Register, RegisterEntry};
use bolebook_log::LogError;
use bolebook_log::client::{ClientError, Session};
use bolebook_log::evidence::Pass;
use indicatif::ProgressBar;

use crate::app::App;
use crate::error::CliError;
use crate::local_store::{Store, StoreError, setting};
use crate::photo_upload;
use crate::transport::{Server, TransportError};
use crate::writer;

/// The server a store knows.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct KnownServer {
    /// Its address.
    pub url: String,
    /// Its device.
    pub device: DeviceId,
    /// The last access token.
    #[serde(default)]
    pub token: Option<String>,
    /// Until when, by this device's clock, it is worth trying.
    #[serde(default)]
    pub token_until: Option<UtcMs>,
}

/// A certificate that is not yet in the yard book, because the book was not here yet.
#[derive(Clone, Debug, serde::Serialize, serde::Deserialize)]
pub struct Pending {
    /// The certificate.
    pub certificate: Certificate,
    /// The id of its record.
    pub record: RecordId,
}

/// What an exchange did.
#[derive(Clone, Debug, Default, serde::Serialize)]
pub struct Outcome {
    /// The server's address.
    pub server: String,
    /// How many requests it took.
    pub requests: u64,
    /// Per book: lines that were new to the server, and here.
    pub books: BTreeMap<BookId, Moved>,
    /// Books that the office has not opened to this device. What is here of them stays.
    #[serde(skip_serializing_if = "BTreeSet::is_empty")]
    pub books_refused: BTreeSet<BookId>,
    /// Register entries sent and taken in.
    pub register: Moved,
    /// Photos sent and fetched.
    pub photos: Moved,
    /// Photos the server does not have yet.
    pub photos_missing: u64,
    /// Photos the server would not take, each with the reason. They stay here.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub photos_refused: Vec<String>,
    /// Invitations deposited.
    pub invitations: u64,
    /// Names and photos erased here, because the office erased them.
    pub erased: u64,
    /// Lines that had to be set aside, commits the server put back, and records written again.
    pub set_aside: SetAside,
}

/// What became of lines that could not stay.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize)]
pub struct SetAside {
    /// Lines set aside in this exchange.
    pub lines: u64,
    /// Commits the server put back.
    pub rescued: u64,
    /// Records written again under a fresh actor.
    pub reput: u64,
}

impl Outcome {
    /// Lines given and taken in, over all books.
    pub fn lines(&self) -> (u64, u64) {
        self.books.values().fold((0, 0), |(sent, received), m| (sent + m.sent, received + m.received))
    }
}

/// How much went which way.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize)]
pub struct Moved {
    /// There.
    pub sent: u64,
    /// Here.
    pub received: u64,
}

/// Exchanges with a server, named or known.
///
/// # Errors
/// [`CliError`]; what was stored before it stays.
pub fn exchange(
    app: &App,
    store: &mut Store,
    url: Option<&str>,
    fetch_photos: bool,
    recheck: bool,
) -> Result<Outcome, CliError> {
    let known: Option<KnownServer> = store.setting(setting::SERVER)?;
    let address = url.map(str::to_owned).or_else(|| known.as_ref().map(|k| k.url.clone()));
    let server = Server::new(&address.ok_or(TransportError::NoServer)?);
    let known =
        known.filter(|k| k.url == server.url() && k.token_until.is_some_and(|t| t > app.outside.now()));
    let mut link = match known {
        Some(KnownServer { device, token: Some(token), .. }) => Link { server, device, token },
        _ => Link::open(app, store, server)?,
    };
    let mut outcome = Outcome { server: link.server.url().to_owned(), ..Outcome::default() };
    let list = link.retry(app, store, |s, token| s.books(token))?;
    let mut books: BTreeSet<BookId> = list.books.iter().map(|b| b.book).collect();
    books.extend(bolebook_log::books(store.db())?.iter().map(|b| b.book));
    books.insert(store.yard()?);
    // The yard first: it says who may open jobs, and a joining device's certificate goes into it.
    let yard = store.yard()?;
    let damaged = damaged(store, &books, recheck)?;
    let split = |of_yard: bool| damaged.iter().copied().filter(move |b| (*b == yard) == of_yard).collect();
    books_round(app, store, &mut link, &mut outcome, [yard].into(), &split(true))?;
    if take_place(app, store)? {
        books_round(app, store, &mut link, &mut outcome, [yard].into(), &BTreeSet::new())?;
    }
    books.remove(&yard);
    books_round(app, store, &mut link, &mut outcome, books.clone(), &split(false))?;
    books.retain(|book| !outcome.books_refused.contains(book));
    let saved = take_saved(app, store, link.device)?;
    let mut pass = Pass::default();
    if evidence::put_back(app, store, &mut link, &mut pass, &mut outcome)? || saved {
        books.insert(yard);
        books_round(app, store, &mut link, &mut outcome, books, &BTreeSet::new())?;
        evidence::waits_no_more(store, &pass, link.device)?;
    }
    register_round(app, store, &mut link, &mut outcome)?;
    photos_round(app, store, &mut link, &mut outcome, fetch_photos)?;
    Ok(outcome)
}

/// The books here that cannot be read, or with `recheck` are not what was stored.
fn damaged(store: &Store, books: &BTreeSet<BookId>, recheck: bool) -> Result<BTreeSet<BookId>, CliError> {
    let mut damaged = BTreeSet::new();
    for book in books {
        let whole = match store.book(*book) {
            Err(StoreError::Damaged { .. }) => false,
            Err(other) => return Err(other.into()),
            Ok(_) if !recheck => true,
            Ok(_) => match bolebook_log::verify(store.db(), *book) {
                Err(LogError::Damaged { .. }) => false,
                Err(LogError::NoBook(_)) | Ok(_) => true,
                Err(other) => return Err(other.into()),
            },
        };
        if !whole {
            damaged.insert(*book);
        }
    }
    Ok(damaged)
}

/// Puts into the books what was saved from a damaged store, now that the server's lines are here;
/// what still cannot go in is written again. True when anything waited: exchange once more.
fn take_saved(app: &App, store: &Store, server: DeviceId) -> Result<bool, CliError> {
    if bolebook_log::salvage::waiting(store.db())? == 0 {
        return Ok(false);
    }
    let tx = store.begin()?;
    bolebook_log::salvage::take_waiting(&tx)?;
    bolebook_log::salvage::stop_waiting(&tx, server, app.outside.now())?;
    tx.commit()?;
    Ok(true)
}

/// A server with a token that works.
pub struct Link {
    server: Server,
    device: DeviceId,
    token: String,
}

impl Link {
    /// Asks for a token.
    ///
    /// # Errors
    /// [`CliError`].
    pub fn open(app: &App, store: &Store, server: Server) -> Result<Self, CliError> {
        let health = server.health()?;
        if health.yard != store.yard()? {
            return Err(TransportError::NotAServer {
                url: server.url().to_owned(),
                why: format!("it serves yard {}, and this device belongs to {}", health.yard, store.yard()?),
            }
            .into());
        }
        let pending: Option<Pending> = store.setting(setting::CERTIFICATE)?;
        let certificate = match pending {
            Some(pending) => Some(pending.certificate),
            None => own_certificate(store)?,
        };
        let key = store.device_key()?;
        let at = (health.server, health.now);
        let answer = server.token(&key, certificate.as_ref(), at, app.outside.random()?)?;
        let life = answer.expires_in.clamp(0, 86_400) - 60;
        let known = KnownServer {
            url: server.url().to_owned(),
            device: health.server,
            token: Some(answer.access_token.clone()),
            token_until: Some(UtcMs(app.outside.now().0 + life * 1_000)),
        };
        store.set(setting::SERVER, &known)?;
        Ok(Self { server, device: health.server, token: answer.access_token })
    }

    /// Asks something, once more with a fresh token when the old one is over.
    pub(crate) fn retry<T>(
        &mut self,
        app: &App,
        store: &Store,
        ask: impl Fn(&Server, &str) -> Result<T, TransportError>,
    ) -> Result<T, CliError> {
        match ask(&self.server, &self.token) {
            Err(TransportError::Refused(problem)) if problem.status == 401 => {
                let fresh = Self::open(app, store, Server::new(self.server.url()))?;
                *self = fresh;
                Ok(ask(&self.server, &self.token)?)
            }
            other => Ok(other?),
        }
    }
}

/// This device's certificate as the yard book here has it.
fn own_certificate(store: &Store) -> Result<Option<Certificate>, CliError> {
    let yard = match store.book(store.yard()?) {
        // The server knows the device; a damaged book is mended by the exchange that asks for this.
        Err(StoreError::Damaged { .. }) => return Ok(None),
        other => other?,
    };
    let directory = bolebook_core::authority::Directory::read(&yard, &store.root_pin()?)?;
    Ok(directory.certificate(store.device_key()?.device()).cloned())
}

fn books_round(
    app: &App,
    store: &mut Store,
    link: &mut Link,
    outcome: &mut Outcome,
    books: BTreeSet<BookId>,
    damaged: &BTreeSet<BookId>,
) -> Result<(), CliError> {
    let mut session = Session::new(link.device, books);
    damaged.iter().for_each(|book| session.check_anew(*book));
    let failed = |e: ClientError| CliError::from(TransportError::from(e));
    let mut fresh_token = false;
    let progress = ProgressBar::new_spinner();
    while let Some(request) = session.request(store.db(), app.outside.now()).map_err(failed)? {
        outcome.requests += 1;
        match link.server.exchange(&link.token, &request.body) {
            Ok(answer) => {
                let applied =
                    session.apply(store.db_mut(), &request, BufReader::new(answer)).map_err(failed)?;
                outcome.set_aside.lines += applied.set_aside;
                for (book, moved) in applied.books {
                    let total = outcome.books.entry(book).or_default();
                    total.sent += moved.pushed;
                    total.received += moved.pulled;
                }
                let (sent, received) = outcome.lines();
                progress.set_message(format!("{sent} lines given, {received} taken in"));
                progress.tick();
            }
            Err(TransportError::Refused(problem)) if problem.code == code::TOKEN && !fresh_token => {
                fresh_token = true;
                *link = Link::open(app, store, Server::new(link.server.url()))?;
            }
            Err(TransportError::Refused(problem)) => {
                session.refused(store.db_mut(), &request, &problem).map_err(|e| match e {
                    ClientError::Refused(problem) => CliError::from(TransportError::Refused(problem)),
                    other => failed(other),
                })?;
            }
            Err(other) => return Err(other.into()),
        }
    }
    outcome.books_refused.extend(session.closed());
    progress.finish_and_clear();
    Ok(())
}

/// Puts a joining device's certificate into the yard book, once the book is here.
///
/// # Errors
/// [`CliError`].
pub fn take_place(app: &App, store: &Store) -> Result<bool, CliError> {
    let Some(Pending { certificate, record }) = store.setting(setting::CERTIFICATE)? else {
        return Ok(false);
    };
    let yard = store.yard()?;
    if bolebook_log::book(store.db(), yard)?.is_none() {
        return Ok(false);
    }
    let key = store.device_key()?;
    let envelope =
        Envelope { id: record, at: certificate.not_before, device: key.device(), by: None, replaces: vec![] };
    let text = Record { envelope, body: certificate.into() }.to_canonical()?;
    let tx = store.begin()?;
    let actor = ActorId::new(key.device(), app.outside.random()?);
    writer::append(&tx, &key, actor, yard, app.outside.now(), vec![text])?;
    store.unset(setting::CERTIFICATE)?;
    tx.commit()?;
    Ok(true)
}

fn register_round(app: &App, store: &Store, link: &mut Link, outcome: &mut Outcome) -> Result<(), CliError> {
    let office = own_certificate(store)?.is_some_and(|c| c.role == Role::Office);
    if office {
        for invitation in store.invitations_to_deposit()? {
            link.retry(app, store, |s, token| s.deposit(token, &invitation))?;
            store.invitation_deposited(&invitation)?;
            outcome.invitations += 1;
        }
        // What was entered on this device goes with its signature, so that a hub may carry it on.
        let key = store.device_key()?;
        let unsent = store.register_unsent()?.into_iter();
        // One that cannot be signed goes as it is: it is the office that brings it.
        let entries: Vec<_> = unsent.map(|entry| entry.clone().sign(&key).unwrap_or(entry)).collect();
        for part in entries.chunks(500) {
            let register = Register { entries: part.to_vec() };
            link.retry(app, store, |s, token| s.put_register(token, &register))?;
            for entry in part {
                store.register_put(entry, true)?;
            }
            outcome.register.sent += part.len() as u64;
        }
    }
    let theirs = link.retry(app, store, Server::register)?.entries;
    // A server restored from an older backup is told again what was erased, by whoever meets it first;
    // the office tells it the rest as well.
    let there: BTreeMap<RecordId, &RegisterEntry> = theirs.iter().map(|e| (e.id, e)).collect();
    let mut again = store.register()?;
    again
        .retain(|e| (office || e.erased.is_some()) && there.get(&e.id).is_none_or(|other| e.replaces(other)));
    for part in again.chunks(500) {
        let register = Register { entries: part.to_vec() };
        link.retry(app, store, |s, token| s.put_register(token, &register))?;
        outcome.register.sent += part.len() as u64;
    }
    let (received, erased) = take_register(store, theirs)?;
    outcome.register.received += received;
    outcome.erased += erased;
    Ok(())
}

/// Takes register entries in, and erases what they say is erased: only on the word of a device that
/// the root made the office's. Gives how many were new, and how many of them erasures.
///
/// # Errors
/// [`CliError`]; the register is then as it was.
pub fn take_register(store: &Store, entries: Vec<RegisterEntry>) -> Result<(u64, u64), CliError> {
    let yard = store.book(store.yard()?)?;
    let directory = bolebook_core::authority::Directory::read(&yard, &store.root_pin()?)?;
    let (mut received, mut erased) = (0, 0);
    let tx = store.begin()?;
    for entry in entries {
        if entry.check().and_then(|()| entry.verify(&directory)).is_err() {
            continue;
        }
        if store.register_put(&entry, true)? {
            received += 1;
            erased += u64::from(entry.erased.is_some());
        }
    }
    tx.commit()?;
    if erased > 0 {
        store.remove_erased_photos()?;
        store.wipe()?;
    }
    Ok((received, erased))
}

fn photos_round(
    app: &App,
    store: &Store,
    link: &mut Link,
    outcome: &mut Outcome,
    fetch: bool,
) -> Result<(), CliError> {
    let erased = store.erased_photos()?;
    for digest in photos_named(store)?.into_iter().filter(|digest| !erased.contains(digest)) {
        let path = store.photo_path(digest);
        if !path.is_file() {
            if !fetch {
                continue;
            }
            match link.retry(app, store, |s, token| s.photo(token, digest))? {
                Some(bytes) if Sha256Hash::of(&bytes) == digest => {
                    store.keep_photo(&bytes)?;
                    store.photo_sent(link.device, digest)?;
                    outcome.photos.received += 1;
                }
                _ => outcome.photos_missing += 1,
            }
        } else if !store.is_photo_sent(link.device, digest)? {
            let failed = |source| StoreError::File { doing: "reading", path: path.clone(), source };
            let bytes = std::fs::read(&path).map_err(failed)?;
            match photo_upload::send(app, store, link, digest, &bytes) {
                Ok(()) => {
                    store.photo_sent(link.device, digest)?;
                    outcome.photos.sent += 1;
                }
                // One photo the server will not have keeps no other from going.
                Err(CliError::Transport(TransportError::Refused(problem))) => {
                    if problem.code == "photo-removed" {
                        // Removed for good: said once, and never offered again.
                        store.photo_sent(link.device, digest)?;
                    }
                    outcome.photos_refused.push(format!("{digest}: {} ({})", problem.detail, problem.code));
                }
                Err(error) => return Err(error),
            }
        }
    }
    Ok(())
}

/// Every photo the job books name.
fn photos_named(store: &Store) -> Result<BTreeSet<Sha256Hash>, CliError> {
    let mut digests = BTreeSet::new();
    for id in store.jobs()? {
        let book = store.book(id)?;
        for text in book.commits().iter().flat_map(bolebook_core::commit::Commit::records) {
            if !text.contains(r#""kind":"photo""#) {
                continue;
            }
            if let Ok(Record { body: Body::Photo(photo), .. }) = Record::read(text) {
                digests.insert(photo.sha256);
            }
        }
    }
    Ok(digests)
}
