//! `person erase`, `client erase`, `photo erase`, holds, and what was erased: keeping as long as the
//! law asks, and no longer.

use bolebook_core::day::Day;
use bolebook_core::ids::{RecordId, Sha256Hash};
use bolebook_core::keeping::{self, Erasing, LegalHold, PHOTO, Scheme, Whose, last_use};
use bolebook_core::record::{Body, Kind};
use bolebook_core::service::RegisterEntry;
use serde_json::json;

use crate::app::{App, Need};
use crate::desk::Desk;
use crate::error::CliError;
use crate::figures::Typed;
use crate::names::{self, Named};
use crate::output::{Answer, Table, short};

/// Clients: whom the jobs are for.
#[derive(Debug, clap::Subcommand)]
pub enum ClientCommand {
    List(ClientList),
    Erase(EraseName),
    Hold(Hold),
}

/// Lists the clients, and from when each may be erased.
#[derive(Debug, clap::Args)]
pub struct ClientList {}

/// Erases a name with all its details from the register, for good: here now, on the server and every
/// device at their next exchange. Records stay, and show 'erased person' or 'erased client' with the end
/// of the id. Copies that are out cannot be called back: devices that never exchange again, exports,
/// bundles and backups made before.
#[derive(Debug, clap::Args)]
pub struct EraseName {
    /// Whose.
    name: String,
    /// Why, without the name: it is kept.
    #[arg(long)]
    reason: String,
    /// The law that keeps records of the applications: us, 2 years; eu, 3 years. Without it, the longest.
    #[arg(long, value_parser = ["us", "eu"])]
    under: Option<String>,
}

/// Forbids erasing before a day, for example while a claim is open.
#[derive(Debug, clap::Args)]
pub struct Hold {
    /// Whose.
    name: String,
    /// The first day on which it no longer holds.
    #[arg(long, value_name = "DAY")]
    until: Typed,
    /// Why.
    #[arg(long)]
    reason: String,
}

/// Erases a photo's bytes, for good: here now, on the server and every device at their next exchange.
/// Its record and its digest stay, and the same bytes are not taken in again.
#[derive(Debug, clap::Args)]
pub struct ErasePhoto {
    /// The photo's record, by its id or the end of it, or the SHA-256 of its bytes.
    photo: String,
    /// Why, without any name: it is kept.
    #[arg(long)]
    reason: String,
}

/// Lists what was erased, when, by whom and why.
#[derive(Debug, clap::Args)]
pub struct Erased {}

/// Whose name.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Of {
    /// A person of the company.
    Person,
    /// A client.
    Client,
}

impl Of {
    fn kind(self) -> &'static str {
        match self {
            Self::Person => "person",
            Self::Client => "client",
        }
    }

    fn whose(self, id: RecordId) -> Whose {
        match self {
            Self::Person => Whose::Person(id),
            Self::Client => Whose::Client(id),
        }
    }

    fn find(self, desk: &Desk<'_>, name: &str) -> Result<RecordId, CliError> {
        if self == Self::Person {
            return desk.person(name);
        }
        Ok(names::find("client", name, &clients(desk))?)
    }
}

fn clients(desk: &Desk<'_>) -> Vec<Named> {
    let of_kind = desk.register.iter().filter(|e| e.kind == "client");
    of_kind.map(|e| Named { id: e.id, name: e.called().unwrap_or_else(|| short(e.id)) }).collect()
}

/// What stands against erasing.
struct Kept {
    last: Option<Day>,
    free_from: Option<Day>,
    scheme: Scheme,
}

fn kept(app: &App, of: Of, name: &str, scheme: Scheme) -> Result<(RecordId, Kept), CliError> {
    app.read_all(Need::Yard, |desk, views, _| {
        desk.office_only("erase a name or forbid it")?;
        let id = of.find(desk, name)?;
        let last = last_use(views, of.whose(id));
        Ok((id, Kept { last, free_from: last.and_then(|day| scheme.free_from(day)), scheme }))
    })
}

impl ClientCommand {
    /// Runs it.
    pub fn run(self, app: &App) -> Result<Answer, CliError> {
        match self {
            Self::List(_) => app.read_all(Need::Yard, |desk, views, _| {
                let mut table = Table::new(&["name", "last treated for", "may be erased from", "id"]);
                let mut rows = vec![];
                for client in clients(desk) {
                    let last = last_use(views, Whose::Client(client.id));
                    let free = last.and_then(|day| Scheme::longest().free_from(day));
                    let shown = |day: Option<Day>| day.map_or("-".to_owned(), |d| d.to_string());
                    rows.push(
                        json!({ "id": client.id, "name": client.name, "last": last, "free_from": free }),
                    );
                    table.row([client.name, shown(last), shown(free), short(client.id)]);
                }
                let mut answer = Answer::default().with("clients", rows);
                answer.table(&table);
                Ok(answer)
            }),
            Self::Erase(erase) => erase.run(app, Of::Client),
            Self::Hold(hold) => hold.run(app, Of::Client),
        }
    }
}

impl EraseName {
    /// Runs it.
    pub fn run(self, app: &App, of: Of) -> Result<Answer, CliError> {
        let scheme = self.under.as_deref().and_then(Scheme::named).unwrap_or(Scheme::longest());
        let (id, kept) = kept(app, of, &self.name, scheme)?;
        let answer = app.write(Need::Yard, |desk| {
            let today = desk.day(None)?;
            let entry = desk.register.iter().rev().find(|e| e.id == id).cloned();
            if entry.as_ref().is_some_and(|e| e.erased.is_some()) {
                desk.answer.say("It was erased before; the store's file is written anew.");
                return Ok(());
            }
            if let (Some(last), Some(free)) = (kept.last, kept.free_from)
                && today < free
            {
                return Err(CliError::Refused(vec![format!(
                    "the {} was last named in an application of {last}; {} keeps it: it may be erased from {free}",
                    of.kind(),
                    kept.scheme.source(),
                )]));
            }
            if let Some(hold) = entry.as_ref().and_then(|e| e.hold.as_ref())
                && today < hold.until
            {
                let (until, reason) = (hold.until, &hold.reason);
                return Err(CliError::Refused(vec![format!("on hold until {until}: {reason}")]));
            }
            let called = entry.as_ref().and_then(RegisterEntry::called).unwrap_or_default();
            let words = self.reason.to_lowercase();
            if !called.is_empty() && words.contains(&called.to_lowercase()) {
                return Err(CliError::Refused(vec!["the reason is kept: leave the name out of it".into()]));
            }
            let mut all = vec![(id, of.kind().to_owned())];
            if of == Of::Person {
                let facts = &desk.yard.facts;
                let own = facts.of_kind(Kind::Licence).filter(|fact| {
                    matches!(&facts.shown(fact).record.body, Body::Licence(l) if l.person == id)
                });
                all.extend(own.map(|fact| (fact.id, "licence".to_owned())));
            }
            for (id, kind) in &all {
                erase(desk, *id, kind, &self.reason, None)?;
            }
            desk.answer.say(format!("Erased: from now on shown as 'erased {} {}'.", of.kind(), short(id)));
            desk.answer.warnings.push(OUT.into());
            desk.answer.json.insert("erased".into(), json!(all.iter().map(|(id, _)| id).collect::<Vec<_>>()));
            Ok(())
        })?;
        wiped(app, answer)
    }
}

const OUT: &str = "exchange now, so that the server and the devices erase it too; what is out cannot be called back: \
    exports, bundles, backups, devices that never exchange again";

/// Stages the tombstone of an entry.
fn erase(
    desk: &mut Desk<'_>,
    id: RecordId,
    kind: &str,
    reason: &str,
    photo: Option<Sha256Hash>,
) -> Result<(), CliError> {
    let what = Erasing { at: desk.now, by: desk.user().ok(), reason: reason.trim().to_owned(), photo };
    let key = desk.store.device_key()?;
    let entry =
        keeping::tombstone(id, kind, &key, what).map_err(|e| CliError::Refused(vec![e.to_string()]))?;
    desk.put_in_register(entry);
    Ok(())
}

/// Leaves nothing of what was erased in the store's file.
fn wiped(app: &App, mut answer: Answer) -> Result<Answer, CliError> {
    let store = app.store()?;
    store.remove_erased_photos()?;
    if !store.wipe()? {
        answer
            .warnings
            .push("another command was reading: run this again, so that nothing is left in the file".into());
    }
    Ok(answer)
}

impl Hold {
    /// Runs it.
    pub fn run(self, app: &App, of: Of) -> Result<Answer, CliError> {
        app.write(Need::Yard, |desk| {
            desk.office_only("erase a name or forbid it")?;
            let id = of.find(desk, &self.name)?;
            let until = desk.day(Some(&self.until))?;
            let known = desk.register.iter().rev().find(|e| e.id == id).cloned();
            let mut entry = known.unwrap_or_else(|| RegisterEntry::new(id, of.kind(), desk.now));
            if entry.erased.is_some() {
                return Err(CliError::Refused(vec!["it is erased already".into()]));
            }
            entry.updated_at = desk.now;
            entry.hold = Some(LegalHold { until, reason: self.reason.trim().to_owned() });
            entry.check().map_err(|e| CliError::Refused(vec![e.to_string()]))?;
            desk.put_in_register(entry);
            desk.answer.say(format!("Not to be erased before {until}."));
            desk.answer.json.insert("hold".into(), json!({ "id": id, "until": until }));
            Ok(())
        })
    }
}

impl ErasePhoto {
    /// Runs it.
    pub fn run(self, app: &App) -> Result<Answer, CliError> {
        let wanted = self.photo.trim().to_lowercase();
        let found = app.read_all(Need::Yard, |desk, views, _| {
            desk.office_only("erase a photo")?;
            let mut found: Vec<(RecordId, Sha256Hash)> = vec![];
            for version in views.iter().flat_map(|v| &v.facts.versions) {
                let Body::Photo(photo) = &version.record.body else { continue };
                let id = version.id();
                let named = photo.sha256.to_string() == wanted
                    || (wanted.len() >= 6 && id.to_string().ends_with(&wanted));
                if named && found.iter().all(|(_, digest)| *digest != photo.sha256) {
                    found.push((id, photo.sha256));
                }
            }
            let named = |(id, digest): &(RecordId, Sha256Hash)| Named { id: *id, name: digest.to_string() };
            match found[..] {
                [one] => Ok(one),
                _ => {
                    let there: Vec<Named> = found.iter().map(named).collect();
                    let id = names::find("photo", &wanted, &there)?;
                    found
                        .into_iter()
                        .find(|(one, _)| *one == id)
                        .ok_or(CliError::Unexpected("no photo".into()))
                }
            }
        })?;
        let answer = app.write(Need::Yard, |desk| {
            let (id, digest) = found;
            if desk.register.iter().any(|e| e.erased.as_ref().is_some_and(|e| e.photo == Some(digest))) {
                desk.answer.say("It was erased before.");
                return Ok(());
            }
            erase(desk, id, PHOTO, &self.reason, Some(digest))?;
            desk.answer.say(format!("The bytes of photo {digest} are erased; its record and digest stay."));
            desk.answer.warnings.push(OUT.into());
            desk.answer.json.insert("erased".into(), json!([id]));
            desk.answer.json.insert("sha256".into(), digest.to_string().into());
            Ok(())
        })?;
        wiped(app, answer)
    }
}

impl Erased {
    /// Runs it.
    pub fn run(self, app: &App) -> Result<Answer, CliError> {
        app.read(Need::Yard, |desk| {
            let mut table = Table::new(&["what", "when", "by", "device", "reason"]);
            let mut rows = vec![];
            for entry in &desk.register {
                let Some(erasure) = &entry.erased else { continue };
                let called = entry.called().unwrap_or_default();
                let at = desk.zone().rfc3339(erasure.at);
                let by = erasure.by.map_or("-".to_owned(), |id| desk.person_name(id));
                let device = desk.devices.certificate(erasure.device);
                let device = device.map_or_else(|| short(erasure.device), |c| c.name.clone());
                rows.push(json!({
                    "id": entry.id, "kind": entry.kind, "at": erasure.at, "by": erasure.by,
                    "device": erasure.device, "reason": erasure.reason, "sha256": erasure.photo,
                }));
                table.row([called, at, by, device, erasure.reason.clone()]);
            }
            let mut answer = Answer::default().with("erased", rows);
            answer.table(&table);
            Ok(answer)
        })
    }
}
