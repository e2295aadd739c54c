//! `device`: inviting devices, listing them, saying what they may have, taking their certificates back.

use std::path::PathBuf;

use bolebook_core::authority::{Offer, invite};
use bolebook_core::ids::{ActorId, DeviceId, RecordId, Sha256Hash};
use bolebook_core::quantity::UtcMs;
use bolebook_core::record::book_kinds::ChainEnd;
use bolebook_core::record::people::{AcceptedChains, Admission, Revocation, Role};
use bolebook_core::service::InvitationFile;
use bolebook_core::signing::PublicKey;
use serde_json::json;

use super::access;
use crate::app::{App, Need};
use crate::desk::Desk;
use crate::error::CliError;
use crate::figures::{self, Typed};
use crate::names::NameError;
use crate::output::{Answer, Table, short};

/// Devices: invite them, list them, say which jobs they may have, take their certificates back.
#[derive(Debug, clap::Subcommand)]
pub enum DeviceCommand {
    Invite(Invite),
    List(List),
    Access(access::Access),
    Revoke(Revoke),
    Admit(Admit),
}

/// Invites a device: prints a one-time code for it, and writes an invitation file if asked.
///
/// Only the device that holds the yard's root key can. Give code or file to that device alone.
#[derive(Debug, clap::Args)]
pub struct Invite {
    /// What the device is called.
    name: String,
    /// What it may do.
    #[arg(long, value_parser = ["crew", "office", "server"])]
    role: String,
    /// Its crew, for a crew's device.
    #[arg(long)]
    crew: Option<Typed>,
    /// The last moment the code can be used; 24 hours from now if not said.
    #[arg(long, value_name = "TIME")]
    use_by: Option<Typed>,
    /// Until when the certificate will hold; a year from now if not said.
    #[arg(long, value_name = "TIME")]
    until: Option<Typed>,
    /// Writes the invitation with its code to a file, for a server or a device without signal.
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
}

/// Lists the devices.
#[derive(Debug, clap::Args)]
pub struct List {}

/// Takes a device's certificate back: what it wrote beyond what this store has is held.
#[derive(Debug, clap::Args)]
pub struct Revoke {
    /// The device, by name or the end of its id.
    device: String,
    /// Why.
    #[arg(long)]
    reason: String,
}

/// Lets held records in.
#[derive(Debug, clap::Args)]
pub struct Admit {
    /// The records.
    #[arg(required = true)]
    records: Vec<Typed>,
    /// Why they are let in.
    #[arg(long)]
    reason: String,
}

const DAY_MS: i64 = 86_400_000;

impl DeviceCommand {
    /// Runs it.
    pub fn run(self, app: &App) -> Result<Answer, CliError> {
        match self {
            Self::Invite(invite) => invite.run(app),
            Self::List(_) => app.read(Need::Yard, list),
            Self::Access(access) => app.write(Need::Yard, |desk| access.stage(desk)),
            Self::Revoke(revoke) => app.write(Need::MayJob, |desk| revoke.stage(desk)),
            Self::Admit(admit) => app.write(Need::MayJob, |desk| admit.stage(desk)),
        }
    }
}

/// Twenty digits in groups of five, drawn evenly.
fn code(desk: &Desk<'_>) -> Result<String, CliError> {
    let mut digits = String::new();
    while digits.chars().filter(char::is_ascii_digit).count() < 20 {
        let [byte] = desk.outside.random::<1>()?;
        // 250 is the largest multiple of ten a byte holds: above it some digits would come up more often.
        if byte >= 250 {
            continue;
        }
        if digits.chars().filter(char::is_ascii_digit).count() % 5 == 0 && !digits.is_empty() {
            digits.push('-');
        }
        digits.push(char::from(b'0' + byte % 10));
    }
    Ok(digits)
}

/// A root key's digest in short, to be compared by eye when a device joins.
pub fn fingerprint(root: &PublicKey) -> String {
    let digest = Sha256Hash::of(root.key.as_bytes()).to_string();
    digest
        .as_bytes()
        .chunks(4)
        .take(5)
        .map(|c| String::from_utf8_lossy(c).into_owned())
        .collect::<Vec<_>>()
        .join("-")
}

impl Invite {
    fn run(self, app: &App) -> Result<Answer, CliError> {
        app.read(Need::MayJob, |desk| {
            let Some(root) = desk.store.root_key()? else {
                return Err(CliError::NotAllowed {
                    message:
                        "invitations are signed with the yard's root key, which this store does not hold"
                            .into(),
                    hint: "invite from the device the yard was made on".into(),
                });
            };
            let role: Role = figures::word(&self.role, "role")?;
            let crew = match (role, &self.crew) {
                (Role::Crew, crew) => Some(desk.crew(crew.as_ref())?),
                (_, None) => None,
                (_, Some(_)) => {
                    return Err(CliError::Usage {
                        message: "only a crew's device has a crew".into(),
                        hint: "leave --crew out, or use --role crew".into(),
                    });
                }
            };
            let named = |(_, c): (DeviceId, &bolebook_core::record::people::Certificate)| {
                c.name.eq_ignore_ascii_case(self.name.trim())
            };
            if desk.devices.devices().any(named) {
                return Err(CliError::Refused(vec![format!("there is a device '{}' already", self.name)]));
            }
            let after = |text: &Option<Typed>, days: i64| match text {
                Some(_) => desk.moment(text.as_ref()),
                None => Ok(UtcMs(desk.now.0 + days * DAY_MS)),
            };
            let offer = Offer {
                yard: desk.yard.book,
                role,
                crew,
                name: self.name.trim().to_owned(),
                use_by: after(&self.use_by, 1)?,
                not_after: after(&self.until, 366)?,
            };
            let code = code(desk)?;
            let invitation = invite(&root, &code, offer)?;
            if role != Role::Server {
                desk.store.keep_invitation(&invitation)?;
            }
            let until = desk.zone().rfc3339(invitation.use_by);
            let mut answer = Answer::line(format!("Code for {}: {code}", self.name.trim()));
            answer.say(format!("It can be used once, until {until}."));
            answer.say(format!("The yard's root key shows as {}.", fingerprint(&root.public())));
            if let Some(path) = &self.out {
                let file = InvitationFile {
                    code: code.clone(),
                    root: root.public(),
                    invitation: invitation.clone(),
                };
                super::write_private(path, &serde_json::to_vec_pretty(&file).unwrap_or_default())?;
                answer.say(format!(
                    "Invitation with its code written to {}: delete it when used.",
                    path.display()
                ));
            }
            if role != Role::Server {
                answer.say("The server takes the code after the next 'bolebook exchange' here.");
            }
            Ok(answer
                .with("code", code)
                .with("root", fingerprint(&root.public()))
                .with("invitation", serde_json::to_value(&invitation).unwrap_or_default()))
        })
    }
}

fn list(desk: &mut Desk<'_>) -> Result<Answer, CliError> {
    let mut table = Table::new(&["device", "role", "crew", "until", "state", "id"]);
    let (mut rows, mut lines) = (vec![], vec![]);
    let access = access::in_force(desk)?;
    for (id, certificate) in desk.devices.devices() {
        let crew = certificate.crew.map(|c| desk.yard.crew_name(c)).unwrap_or_default();
        let until = desk.zone().rfc3339(certificate.not_after);
        let state = match desk.devices.admits(id, desk.now) {
            Ok(_) if id == desk.device => "this one",
            Ok(_) => "admitted",
            Err(_) if desk.devices.revoked(id) => "revoked",
            Err(_) => "over, or not begun",
        };
        let mut row = json!({ "id": id, "certificate": certificate, "state": state });
        // Without a list there is no such field: the device may have every job.
        if let (Some(books), Some(fields)) = (access.books_of(id), row.as_object_mut()) {
            fields.insert("books".into(), json!(books));
        }
        lines.extend(access::line(desk, &access, id, &certificate.name)?);
        rows.push(row);
        table.row([
            certificate.name.clone(),
            super::spelled(certificate.role),
            crew,
            until.get(..10).unwrap_or(&until).to_owned(),
            state.into(),
            short(id),
        ]);
    }
    let mut answer = Answer::default().with("devices", rows);
    answer.table(&table);
    answer.text.extend(lines);
    for unproven in desk.devices.unproven() {
        answer.warnings.push(format!("certificate {} proves nothing: {}", unproven.record, unproven.error));
    }
    Ok(answer)
}

/// The device a text means: its name, or the end of its id; with its name.
///
/// # Errors
/// [`NameError`].
pub fn find(desk: &Desk<'_>, text: &str) -> Result<(DeviceId, String), NameError> {
    let wanted = text.trim().to_lowercase();
    let hits: Vec<_> = desk
        .devices
        .devices()
        .filter(|(id, c)| {
            c.name.to_lowercase() == wanted || (wanted.len() >= 6 && id.to_string().ends_with(&wanted))
        })
        .map(|(id, c)| (id, c.name.clone()))
        .collect();
    match &hits[..] {
        [one] => Ok(one.clone()),
        [] => {
            let there = desk.devices.devices().map(|(_, c)| c.name.clone()).collect();
            Err(NameError::Unknown { what: "device", name: text.to_owned(), there })
        }
        _ => {
            let there = hits.iter().map(|(id, name)| format!("{name} [{}]", short(id))).collect();
            Err(NameError::Ambiguous { what: "device", name: text.to_owned(), there })
        }
    }
}

impl Revoke {
    fn stage(&self, desk: &mut Desk<'_>) -> Result<(), CliError> {
        let (device, name) = find(desk, &self.device)?;
        if device == desk.device {
            return Err(CliError::NotAllowed {
                message: "a device cannot revoke itself".into(),
                hint: "revoke it from another office device".into(),
            });
        }
        let mut accepted = vec![];
        for info in bolebook_log::books(desk.store.db())? {
            let book = desk.store.book(info.book)?;
            let mut actors: Vec<ActorId> = book.commits().iter().map(|c| c.actor()).collect();
            actors.sort_unstable();
            actors.dedup();
            let ends = actors.into_iter().filter(|a| a.device() == device);
            let ends =
                ends.filter_map(|actor| book.chain_end_of(actor).map(|(seq, _)| ChainEnd { actor, seq }));
            let ends: Vec<ChainEnd> = ends.collect();
            if !ends.is_empty() {
                accepted.push(AcceptedChains { book: info.book, ends });
            }
        }
        let id = desk.log_in_yard(Revocation { device, reason: self.reason.clone(), accepted }, desk.now)?;
        desk.logged(format_args!("Device {name} revoked; what it wrote and is here stays in force"), id);
        Ok(())
    }
}

impl Admit {
    fn stage(&self, desk: &mut Desk<'_>) -> Result<(), CliError> {
        let mut by_book: Vec<(bolebook_core::ids::BookId, Vec<RecordId>)> = vec![];
        for typed in &self.records {
            let (book, fact) = desk.fact(typed.text())?;
            let facts = desk.facts_of(book);
            let ids = fact.history.iter().map(|v| facts.versions[*v].id());
            match by_book.iter_mut().find(|(b, _)| *b == book) {
                Some((_, records)) => records.extend(ids),
                None => by_book.push((book, ids.collect())),
            }
        }
        for (book, records) in by_book {
            let count = records.len();
            let body = Admission { records, reason: self.reason.clone() };
            let id = desk.stage(book, body.into(), desk.now, vec![])?;
            desk.logged(format_args!("{count} records let in"), id);
        }
        Ok(())
    }
}
