//! `yard`: the company's own book.

use bolebook_core::authority::{Grant, certify};
use bolebook_core::ids::{ActorId, RecordId};
use bolebook_core::quantity::UtcMs;
use bolebook_core::record::book_kinds::BookContent;
use bolebook_core::record::people::{Person, PersonWork, Role};
use bolebook_core::record::{Envelope, Kind, Record};
use bolebook_core::signing::SecretKey;

use crate::app::{App, Need};
use crate::desk::Defaults;
use crate::error::CliError;
use crate::founding;
use crate::local_store::{register_entry, setting};
use crate::output::{Answer, short};
use crate::writer;

/// The company's own book: make it, look at it.
#[derive(Debug, clap::Subcommand)]
pub enum Yard {
    New(New),
    Show(Show),
}

/// Makes a new yard on this device, which becomes its first office device.
///
/// The root key of the yard stays in this store: keep a copy of the folder in a safe place.
#[derive(Debug, clap::Args)]
pub struct New {
    /// The company's name.
    company: String,
    /// Who runs the office; kept in the register, never in a book.
    #[arg(long, value_name = "NAME")]
    person: String,
    /// What this device is called.
    #[arg(long, default_value = "office")]
    device_name: String,
}

/// Shows the yard: company, people, crews, devices, what is entered.
#[derive(Debug, clap::Args)]
pub struct Show {}

impl Yard {
    /// Runs it.
    pub fn run(self, app: &App) -> Result<Answer, CliError> {
        match self {
            Self::New(new) => new.run(app),
            Self::Show(_) => app.read(Need::MayJob, show),
        }
    }
}

impl New {
    fn run(self, app: &App) -> Result<Answer, CliError> {
        let company = self.company.trim().to_owned();
        if company.is_empty() || self.person.trim().is_empty() {
            return Err(CliError::Refused(vec!["company and person need a name".into()]));
        }
        let store = app.new_store()?;
        let outside = &app.outside;
        let root = SecretKey::from_seed(outside.random()?);
        let key = SecretKey::from_seed(outside.random()?);
        let now = outside.now();
        let tx = store.begin()?;
        let content = BookContent::Yard { company: company.clone() };
        let yard = founding::found(&tx, outside, &root, &company, content)?;
        let not_after = UtcMs(now.0 + founding::OFFICE_TERM.0);
        let grant = Grant {
            key: key.public(),
            role: Role::Office,
            crew: None,
            name: self.device_name.clone(),
            not_before: now,
            not_after,
        };
        let certificate = certify(&root, grant)?;
        let envelope = |by: Option<RecordId>| {
            let id = outside.record_id()?;
            Ok::<_, CliError>(Envelope { id, at: now, device: key.device(), by, replaces: vec![] })
        };
        let certificate = Record { envelope: envelope(None)?, body: certificate.into() };
        let person = Record { envelope: envelope(None)?, body: Person { work: PersonWork::Office }.into() };
        let person_id = person.envelope.id;
        let texts = vec![certificate.to_canonical()?, person.to_canonical()?];
        writer::append(&tx, &key, ActorId::new(key.device(), outside.random()?), yard, now, texts)?;
        store.keep_key(setting::ROOT_SEED, &root)?;
        store.keep_key(setting::DEVICE_SEED, &key)?;
        store.set(setting::YARD, &yard)?;
        store.set(setting::ROOT_KEY, &root.public())?;
        store.set(setting::DEFAULTS, &Defaults { person: Some(person_id), ..Defaults::default() })?;
        store.register_put(&register_entry(person_id, "person", &self.person, now), false)?;
        tx.commit()?;
        let mut answer = Answer::line(format!("Yard of {company} made [{}].", short(yard)));
        answer.say(format!(
            "The root key is in {}: keep a copy of that folder in a safe place.",
            store.folder().display()
        ));
        Ok(answer
            .with("yard", yard.to_string())
            .with("device", key.device().to_string())
            .with("person", person_id.to_string()))
    }
}

fn show(desk: &mut crate::desk::Desk<'_>) -> Result<Answer, CliError> {
    let count = |kind| desk.yard.facts.in_force(kind).count();
    let mut answer = Answer::line(format!("{} [{}]", desk.yard.company, short(desk.yard.book)))
        .with("yard", desk.yard.book.to_string())
        .with("company", desk.yard.company.clone())
        .with("device", desk.device.to_string())
        .with("role", serde_json::to_value(desk.role).unwrap_or_default());
    let kinds = [
        ("people", Kind::Person),
        ("licences", Kind::Licence),
        ("crews", Kind::Crew),
        ("kits", Kind::Kit),
        ("labels", Kind::Label),
        ("lots", Kind::Lot),
        ("movements", Kind::Movement),
        ("fills", Kind::Fill),
    ];
    for (name, kind) in kinds {
        answer.say(format!("{name:<10} {}", count(kind)));
        answer.json.insert(name.into(), count(kind).into());
    }
    let devices = desk.devices.devices().count();
    answer.say(format!("{:<10} {devices}", "devices"));
    let heads: Vec<String> = desk.yard.heads.iter().map(ToString::to_string).collect();
    Ok(answer.with("devices", devices).with("heads", heads))
}
