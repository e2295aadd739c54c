//! `join`, `exchange`: becoming a device of a yard, and meeting its server.

use std::path::PathBuf;

use bolebook_core::authority::{accept, enrol_statement, verify_certificate, verify_invitation};
use bolebook_core::ids::BookId;
use bolebook_core::record::people::{Invitation, Role};
use bolebook_core::service::{EnrolRequest, InvitationFile};
use bolebook_core::signing::{PublicKey, SecretKey};

use super::device::fingerprint;
use crate::app::{App, Need};
use crate::desk::Defaults;
use crate::error::CliError;
use crate::local_store::{Store, StoreError, setting};
use crate::names;
use crate::output::Answer;
use crate::sync::{self, KnownServer, Pending};
use crate::transport::Server;

/// Joins a yard with a one-time code: through its server, or with an invitation file.
#[derive(Debug, clap::Args)]
pub struct Join {
    /// The server's address.
    #[arg(required_unless_present = "file", requires = "code")]
    url: Option<String>,
    /// The one-time code the office gave out.
    code: Option<String>,
    /// An invitation file, for a device without signal.
    #[arg(long, conflicts_with = "url")]
    file: Option<PathBuf>,
    /// Gives a device that is in the yard already a new key, and keeps its books. The office then
    /// revokes the old one.
    #[arg(long)]
    new_key: bool,
    /// Who will use this device, as the office's register names them.
    #[arg(long, value_name = "NAME")]
    person: Option<String>,
}

impl Join {
    /// Runs it.
    pub fn run(self, app: &App) -> Result<Answer, CliError> {
        let before = self.store_before(app)?;
        let key = SecretKey::from_seed(app.outside.random()?);
        let (code, root, invitation, server) = match (&self.file, &self.url, &self.code) {
            (Some(path), _, _) => {
                let file: InvitationFile = super::json_file(path)?;
                (file.code, file.root, file.invitation, None)
            }
            (None, Some(url), Some(code)) => {
                let server = Server::new(url);
                let code_key = SecretKey::from_code(code);
                let signature = code_key.sign(&enrol_statement(&key.public())?);
                let request =
                    EnrolRequest { code_key: code_key.public(), device_key: key.public(), signature };
                // The server is asked before anything is made here, so a wrong code leaves no store behind.
                let enrolment = server.enrol(&request)?;
                (code.clone(), enrolment.root, enrolment.invitation, Some((server, enrolment.server)))
            }
            _ => {
                return Err(CliError::Usage {
                    message: "no way to join".into(),
                    hint: "bolebook join URL CODE, or bolebook join --file FILE".into(),
                });
            }
        };
        let mut store = self.take_place(app, before, &key, &code, (&root, &invitation))?;
        if let Some((server, device)) = &server {
            let known =
                KnownServer { url: server.url().to_owned(), device: *device, token: None, token_until: None };
            store.set(setting::SERVER, &known)?;
        }
        let mut answer =
            Answer::line(format!("Joined as {} ({}).", invitation.name, super::spelled(invitation.role)));
        answer.say(format!(
            "The yard's root key shows as {}: compare it with the office's.",
            fingerprint(&root)
        ));
        answer = answer
            .with("device", key.device().to_string())
            .with("yard", invitation.yard.to_string())
            .with("root", fingerprint(&root))
            .with("name", invitation.name.clone());
        if server.is_some() {
            let outcome = sync::exchange(app, &mut store, None, false, false)?;
            answer.say(format!("{} books fetched.", outcome.books.len()));
            answer.json.insert("exchange".into(), serde_json::to_value(&outcome).unwrap_or_default());
        } else {
            answer.say("Now take in the office's bundle: 'bolebook bundle import FILE'.");
        }
        if let Some(name) = &self.person {
            person(&store, name)?;
        }
        Ok(answer)
    }

    /// The store that is here already and is to go on under a new key: one that lost its key, or
    /// any with `--new-key`.
    fn store_before(&self, app: &App) -> Result<Option<Store>, CliError> {
        let store = match app.store() {
            Err(CliError::Store(StoreError::None(_))) => return Ok(None),
            other => other?,
        };
        let lost = store.setting::<String>(setting::DEVICE_SEED)?.is_none();
        if !lost && !self.new_key {
            return Err(StoreError::Exists(app.folder.clone()).into());
        }
        if store.root_key()?.is_some() && !lost {
            return Err(CliError::NotAllowed {
                message: "this store holds the yard's root key: its device keeps its own".into(),
                hint: "invite another office device and use that from day to day".into(),
            });
        }
        Ok(Some(store))
    }

    fn take_place(
        &self,
        app: &App,
        before: Option<Store>,
        key: &SecretKey,
        code: &str,
        (root, invitation): (&PublicKey, &Invitation),
    ) -> Result<Store, CliError> {
        let now = app.outside.now();
        verify_invitation(invitation, root, invitation.yard)?;
        if invitation.role == Role::Server {
            return Err(CliError::Usage {
                message: "this invitation is for a server".into(),
                hint: "use it with 'bolebook-server init'".into(),
            });
        }
        if now > invitation.use_by {
            return Err(CliError::NotAllowed {
                message: "the code can no longer be used".into(),
                hint: "ask the office for another".into(),
            });
        }
        let certificate = accept(invitation, code, key.public(), now)?;
        verify_certificate(&certificate, root, invitation.yard)?;
        let store = match before {
            Some(store) => {
                same_yard(&store, root, invitation)?;
                store
            }
            None => app.new_store()?,
        };
        let tx = store.begin()?;
        store.keep_key(setting::DEVICE_SEED, key)?;
        store.set(setting::ROOT_KEY, root)?;
        store.set(setting::YARD, &invitation.yard)?;
        store.set(setting::CERTIFICATE, &Pending { certificate, record: app.outside.record_id()? })?;
        tx.commit()?;
        Ok(store)
    }
}

/// A store that goes on under a new key goes on in its own yard, under the root key it pinned.
fn same_yard(store: &Store, root: &PublicKey, invitation: &Invitation) -> Result<(), CliError> {
    let yard = store.setting::<BookId>(setting::YARD)?;
    let pinned = store.setting::<PublicKey>(setting::ROOT_KEY)?;
    if yard.is_some_and(|yard| yard != invitation.yard) || pinned.is_some_and(|pinned| pinned != *root) {
        return Err(CliError::NotAllowed {
            message: "the invitation is of another yard or root key than this store's".into(),
            hint: "ask this store's own office for a code; nothing was changed here".into(),
        });
    }
    Ok(())
}

/// Remembers who uses the device, once the register names them.
fn person(store: &Store, name: &str) -> Result<(), CliError> {
    let people: Vec<names::Named> = store
        .register()?
        .iter()
        .filter(|e| e.kind == "person")
        .filter_map(|e| Some(names::Named { id: e.id, name: e.fields.get("name")?.as_str()?.to_owned() }))
        .collect();
    let id = names::find("person", name, &people)?;
    let mut defaults = store.setting::<Defaults>(setting::DEFAULTS)?.unwrap_or_default();
    defaults.person = Some(id);
    store.set(setting::DEFAULTS, &defaults)?;
    Ok(())
}

/// Exchanges with a server: gives it what it lacks, takes in what is new there.
///
/// Without signal nothing is lost: go on working and exchange later.
#[derive(Debug, clap::Args)]
pub struct Exchange {
    /// The server's address, if not the one last used.
    url: Option<String>,
    /// Fetches photos that are not here.
    #[arg(long)]
    photos: bool,
    /// Checks every hash of the books here first, and mends from the server what is damaged.
    #[arg(long)]
    recheck: bool,
}

impl Exchange {
    /// Runs it.
    pub fn run(self, app: &App) -> Result<Answer, CliError> {
        let mut store = app.store()?;
        let outcome = sync::exchange(app, &mut store, self.url.as_deref(), self.photos, self.recheck)?;
        let (sent, received) = outcome.lines();
        let mut answer =
            Answer::line(format!("{}: {sent} lines given, {received} taken in.", outcome.server));
        if outcome.photos.sent + outcome.photos.received > 0 {
            answer
                .say(format!("Photos: {} given, {} fetched.", outcome.photos.sent, outcome.photos.received));
        }
        if outcome.photos_missing > 0 {
            answer.warnings.push(format!("{} photos are not on the server yet", outcome.photos_missing));
        }
        if outcome.erased > 0 {
            answer.say(format!("Erased here, as the office did: {}.", outcome.erased));
        }
        if !outcome.books_refused.is_empty() {
            let titles = super::access::titles(&store, &outcome.books_refused)?;
            answer.warnings.push(format!(
                "the office has not opened these to this device, so they were not exchanged: {titles}; what is here of them stays, and what is unsent waits"
            ));
        }
        for refused in &outcome.photos_refused {
            answer.warnings.push(format!("the server would not take photo {refused}; it stays here"));
        }
        let aside = outcome.set_aside;
        if aside.lines > 0 {
            answer.warnings.push(format!(
                "{} lines could not stay in this store's books and were set aside ('bolebook set-aside'): the server put {} commits back, and {} records were written again",
                aside.lines, aside.rescued, aside.reput
            ));
        }
        if outcome.invitations > 0 {
            answer.say(format!("Invitations deposited: {}.", outcome.invitations));
        }
        if let serde_json::Value::Object(fields) = serde_json::to_value(&outcome).unwrap_or_default() {
            answer.json = fields;
        }
        Ok(answer)
    }
}

/// Shows what this device is, whom it serves, and what waits for the next exchange.
#[derive(Debug, clap::Args)]
pub struct Status {}

impl Status {
    /// Runs it.
    pub fn run(self, app: &App) -> Result<Answer, CliError> {
        app.read(Need::Yard, |desk| {
            let store = desk.store;
            let own = desk.devices.certificate(desk.device);
            let name = own.map_or_else(|| "not yet in the yard book".to_owned(), |c| c.name.clone());
            let crew = own.and_then(|c| c.crew).map(|c| desk.yard.crew_name(c));
            let role = desk.role.map_or_else(|| "no role".to_owned(), super::spelled);
            let mut answer = Answer::line(format!("{name} ({role}) of {}", desk.yard.company));
            answer
                .say(format!("used by  {}", desk.user().map_or("not said".into(), |p| desk.person_name(p))));
            answer.text.extend(crew.iter().map(|c| format!("crew     {c}")));
            let server: Option<KnownServer> = store.setting(setting::SERVER)?;
            let mut waiting = vec![];
            for info in bolebook_log::books(store.db())? {
                let unshared = match &server {
                    Some(known) => bolebook_log::client::unshared(store.db(), info.book, known.device)?,
                    None => info.end.position,
                };
                let title = bolebook_log::genesis(store.db(), info.book)?.title;
                waiting.push(serde_json::json!({ "book": info.book, "title": title, "unshared": unshared }));
                answer.say(format!("{title}: {unshared} lines for the next exchange"));
            }
            let aside = bolebook_log::set_aside::list(store.db())?;
            let left = aside.iter().filter(|s| s.state.waits()).count();
            if left > 0 {
                answer.say(format!("{left} lines set aside wait for the next exchange"));
            }
            let url = server.as_ref().map(|s| s.url.clone());
            answer.say(format!("server   {}", url.clone().unwrap_or_else(|| "none known".into())));
            Ok(answer
                .with("device", desk.device.to_string())
                .with("name", name)
                .with("role", serde_json::to_value(desk.role).unwrap_or_default())
                .with("crew", crew)
                .with("person", desk.user().ok().map(|p| p.to_string()))
                .with("server", url)
                .with("set_aside_waiting", left)
                .with("books", waiting))
        })
    }
}
