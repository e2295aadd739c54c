//! What the app holds in memory: what is stored, what is on the screen, and what was computed
//! from the books for it.

use std::collections::BTreeMap;

use bolebook_core::authority::AuthorityError;
use bolebook_core::exchange::LogLine;
use bolebook_core::ids::{ActorId, BookId, CrewId, DeviceId, KitId, PersonId, RecordId, TreeId};
use bolebook_core::quantity::{Measured, MilliCelsius, Pa, ReadUnit, UtcMs};
use bolebook_core::record::book_kinds::BookContent;
use bolebook_core::record::people::Certificate;
use bolebook_core::record::stand::Position;
use bolebook_core::service::RegisterEntry;
use bolebook_core::signing::PublicKey;
use bolebook_core::view::{View, ViewError};
use serde::{Deserialize, Serialize};

use crate::early::Tips;
use crate::exchange::{Logs, Peers};
use crate::log::Log;
use crate::open_stem::OpenStem;
use crate::outside::{Put, setting};
use crate::photos::{Sending, Waits};
use crate::reading::Readings;
use crate::ready::About;
use crate::sentences::Said;
use crate::summary::Summary;
use crate::words::Language;

/// The yard this device joined.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Member {
    /// The yard book.
    pub yard: BookId,
    /// The office's root key, pinned when the device joined.
    pub root: PublicKey,
    /// This device's public key.
    pub key: PublicKey,
    /// This device.
    pub device: DeviceId,
    /// What the office calls it.
    pub name: String,
    /// Its crew.
    pub crew: Option<CrewId>,
    /// Its certificate.
    pub certificate: Certificate,
    /// The id of the certificate's record, until it stands in the yard book.
    pub pending: Option<RecordId>,
}

/// The server.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Server {
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
    /// When everything was last exchanged.
    #[serde(default)]
    pub exchanged: Option<UtcMs>,
}

/// Which units lengths are shown and read in.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Units {
    /// Centimetres, metres, °C.
    #[default]
    Metric,
    /// Inches, feet, °F. Product stays in millilitres, as the label has it.
    Us,
}

/// How the screen looks.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Look {
    /// Dark on light.
    #[default]
    Day,
    /// Light on dark, dimmed.
    Night,
    /// Black on white, thick, for full sun.
    Sun,
}

/// A reading of the gauge.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct GaugeRead {
    /// When.
    pub at: UtcMs,
    /// What it showed.
    pub pa: Pa,
    /// The temperature then.
    pub mc: MilliCelsius,
}

/// What was read at a kit, kept while another one is chosen, for a gauge's fall is that kit's own: the
/// kit, when air was last put on, and the first reading since.
pub type AtKit = (KitId, Option<UtcMs>, Option<GaugeRead>);

/// What was chosen and is kept.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct Choices {
    /// The job.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub job: Option<BookId>,
    /// Who is using the device.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub person: Option<PersonId>,
    /// The certified applicator in charge, when that is another person.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub supervisor: Option<PersonId>,
    /// The kit.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub kit: Option<KitId>,
    /// Kits in use beside it on the same tree.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub also: Vec<KitId>,
    /// What was read at kits while another was chosen.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub put_aside: Vec<AtKit>,
    /// The purpose, where a label has several.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub purpose: Option<String>,
    /// The language.
    pub language: Language,
    /// Units.
    pub units: Units,
    /// Look.
    pub look: Look,
    /// What the tape was last used for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub measured: Option<Measured>,
    /// The tape's unit.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub unit: Option<ReadUnit>,
    /// Label cautions read and acknowledged: (label, day as text).
    pub read: Vec<(RecordId, String)>,
    /// Steps of the kits' check lists ticked today: (day as text, step and kit).
    pub ticked: Vec<(String, String)>,
    /// Whether what cannot wait is said aloud.
    pub speak: bool,
    /// When air was last put on the kit.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub aired_at: Option<UtcMs>,
    /// The first reading of the gauge since.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub gauge: Option<GaugeRead>,
    /// The species last listed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub species: Option<String>,
}

/// Where the crew is in the app.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub enum Screen {
    /// Join with the office's code.
    #[default]
    Join,
    /// Who works, with which kit, on which job.
    Who,
    /// The day at a glance.
    Today,
    /// Find a tree.
    Find {
        /// What was typed.
        text: String,
    },
    /// Trees near here, as a picture.
    Map,
    /// List a tree.
    NewTree,
    /// Amend an entry.
    Amend(RecordId),
    /// A tree.
    Tree(TreeId),
    /// Measure a stem.
    Measure(TreeId, i64),
    /// What the crew sees of a tree.
    Condition(TreeId),
    /// Dose, charges and layout of a stem; of what is left, when it finishes an application.
    Plan(TreeId, i64, Option<RecordId>),
    /// Why a tree is not treated.
    NotTreated(TreeId),
    /// The stems being treated.
    Board,
    /// Closing a stem: what was done.
    Finish(TreeId, i64),
    /// Which of its holes got their charge from which kit.
    Kits(TreeId, i64),
    /// One hole that differs.
    Hole(TreeId, i64, usize),
    /// The kit: check lists, fill, movements.
    Kit,
    /// Measure charges one by one.
    Calibrate,
    /// Fill the reservoir.
    Fill,
    /// Product that moved otherwise.
    Move,
    /// Close the day.
    Close,
    /// What is unsent; exchange.
    Unsent,
    /// An incident.
    Incident,
    /// Cautions, first aid and label.
    Label,
    /// Language, units, look.
    Settings,
}

/// Something to say above the screen.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Message {
    /// What, in the crew's language.
    pub said: Said,
    /// Whether it is trouble rather than confirmation.
    pub bad: bool,
    /// The record that one tap takes back.
    pub undo: Option<RecordId>,
}

/// Where the device is, as far as it knows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Fix {
    /// The position with its accuracy.
    pub position: Position,
    /// When it was taken.
    pub at: UtcMs,
}

/// Everything.
#[derive(Debug, Default)]
pub struct State {
    /// The yard joined.
    pub member: Option<Member>,
    /// The server.
    pub server: Option<Server>,
    /// The books, once they are open.
    pub logs: Logs,
    /// Whether they are: until then the screens show the ready-made view.
    pub books_open: bool,
    /// What else is known of them until then.
    pub about: Option<About>,
    /// Of how many lines the ready-made view kept is.
    pub ready_lines: u64,
    /// Where the books end, as far as it was kept with the view, until they are open.
    pub(crate) tips: Tips,
    /// What was stored before they were: book, position, line.
    pub(crate) early: Vec<(BookId, u64, LogLine)>,
    /// How far the exchange has come.
    pub peers: Peers,
    /// What was chosen.
    pub choices: Choices,
    /// The stems being treated.
    pub open: Vec<OpenStem>,
    /// The register.
    pub register: BTreeMap<RecordId, RegisterEntry>,
    /// The stem closed last, with its applications, for one tap to take back.
    pub last_closed: Option<(Vec<RecordId>, OpenStem)>,
    /// Under which actor this opening of the store writes.
    pub actor: Option<ActorId>,
    /// On the screen.
    pub screen: Screen,
    /// Said above it.
    pub message: Option<Message>,
    /// Where the device is.
    pub fix: Option<Fix>,
    /// How many photos kept here no server has yet.
    pub photos: usize,
    /// How far they have come, while they are being sent.
    pub sending: Option<Sending>,
    /// Why they wait, when they were tried.
    pub photos_wait: Option<Waits>,
    /// Whether an exchange is under way.
    pub exchanging: bool,
    /// Why the last exchange failed.
    pub no_exchange: Option<String>,
    /// What was computed from the books; dropped when they change.
    pub summary: Option<std::rc::Rc<Summary>>,
    /// What it was computed from.
    pub(crate) readings: Readings,
}

/// The stored state cannot be read.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error(
    "what this device stored cannot be read ({what}): {why}. What is stored stays: open the app again, and if it says so again, show it to the office"
)]
pub struct Damaged {
    /// What.
    pub what: String,
    /// Why.
    pub why: String,
}

/// The books give no view.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NoView {
    /// The device has not joined.
    #[error("this device has not joined a yard")]
    NotJoined,
    /// The yard book is not here yet.
    #[error("the yard's book is not here yet: exchange with the office's server")]
    NoYard,
    /// No job was chosen, or it is not here.
    #[error("no job is chosen, or its book is not here yet")]
    NoJob,
    /// The yard proves nothing.
    #[error(transparent)]
    Authority(#[from] AuthorityError),
    /// The book is none.
    #[error(transparent)]
    View(#[from] ViewError),
}

impl Choices {
    /// Takes another kit into the hand: what was read at `from` is put aside, what was read at `to` is
    /// there again.
    pub fn take_kit(&mut self, from: Option<KitId>, to: KitId) {
        self.kit = Some(to);
        self.also.retain(|k| *k != to);
        if from == Some(to) {
            return;
        }
        let (_, aired_at, gauge) = match self.put_aside.iter().position(|a| a.0 == to) {
            Some(place) => self.put_aside.remove(place),
            None => (to, None, None),
        };
        if let Some(kit) = from {
            self.put_aside.retain(|a| a.0 != kit);
            self.put_aside.push((kit, self.aired_at, self.gauge));
        }
        (self.aired_at, self.gauge) = (aired_at, gauge);
    }
}

impl State {
    /// What has left a kit into containers on trees and is not logged yet.
    pub fn out_of(&self, kit: KitId) -> i64 {
        self.open.iter().map(|stem| stem.out_of(kit).0).sum()
    }

    /// The state as its settings were stored, the books not open yet.
    ///
    /// # Errors
    /// [`Damaged`] when a setting is not what the app stored.
    pub fn read(settings: &[(String, String)]) -> Result<Self, Damaged> {
        let mut state = Self::default();
        for (name, json) in settings {
            let damaged = |e: serde_json::Error| Damaged { what: name.clone(), why: e.to_string() };
            match name.as_str() {
                setting::MEMBER => state.member = Some(serde_json::from_str(json).map_err(damaged)?),
                setting::SERVER => state.server = Some(serde_json::from_str(json).map_err(damaged)?),
                setting::PEERS => state.peers = serde_json::from_str(json).map_err(damaged)?,
                setting::CHOICES => state.choices = serde_json::from_str(json).map_err(damaged)?,
                setting::OPEN => state.open = serde_json::from_str(json).map_err(damaged)?,
                setting::REGISTER => {
                    let entries: Vec<RegisterEntry> = serde_json::from_str(json).map_err(damaged)?;
                    state.register = entries.into_iter().map(|e| (e.id, e)).collect();
                }
                // A later version of the app kept something this one does not know: leave it be.
                _ => {}
            }
        }
        Ok(state)
    }

    /// A setting as it is now, to be stored.
    pub fn put(&self, name: &'static str) -> Put {
        let json = match name {
            setting::MEMBER => serde_json::to_string(&self.member),
            setting::SERVER => serde_json::to_string(&self.server),
            setting::PEERS => serde_json::to_string(&self.peers),
            setting::CHOICES => serde_json::to_string(&self.choices),
            setting::OPEN => serde_json::to_string(&self.open),
            _ => serde_json::to_string(&self.register.values().collect::<Vec<_>>()),
        };
        // These hold ids, numbers and texts under text keys only; writing them cannot fail.
        Put::Setting { name, json: json.unwrap_or_default() }
    }

    /// The job books, ascending by id, with their titles.
    pub fn jobs(&self) -> Vec<(BookId, String)> {
        if let Some(about) = &self.about {
            return about.jobs.clone();
        }
        let genesis = |log: &Log| {
            log.book().genesis().map(|g| (matches!(g.content, BookContent::Job(_)), g.title.clone()))
        };
        let all = self.logs.iter().filter_map(|(id, log)| genesis(log).map(|(job, title)| (*id, job, title)));
        all.filter(|(_, job, _)| *job).map(|(id, _, title)| (id, title)).collect()
    }

    /// The job in use: the one chosen, else the only one.
    pub fn job(&self) -> Option<BookId> {
        let jobs = self.jobs();
        let chosen = self.choices.job.filter(|id| jobs.iter().any(|(known, _)| known == id));
        chosen.or(if let [(only, _)] = &jobs[..] { Some(*only) } else { None })
    }

    /// Hands the view of the job in use to `look`.
    ///
    /// # Errors
    /// [`NoView`].
    pub fn with_view<T>(&self, look: impl FnOnce(&View<'_>) -> T) -> Result<T, NoView> {
        Ok(look(&self.reading()?.view))
    }

    /// Drops what was computed from the books, because lines were added or another job was chosen.
    pub(crate) fn forget_view(&mut self, yard: bool) {
        self.summary = None;
        self.readings.forget(yard);
    }

    /// How many records of this device the server has not had, and since when.
    pub fn unsent(&self) -> (usize, Option<UtcMs>) {
        let Some(member) = &self.member else { return (0, None) };
        if let Some(about) = &self.about {
            return about.unsent;
        }
        let (mut count, mut since) = (0, None::<UtcMs>);
        for (book, log) in &self.logs {
            let sent_to = self.peers.get(book).map_or(0, |p| p.sent_to);
            for commit in log.commits_after(sent_to).filter(|c| c.actor().device() == member.device) {
                count += commit.records().len();
                since = Some(since.map_or(commit.time(), |s| s.min(commit.time())));
            }
        }
        (count, since)
    }

    /// A person's name in the register, or that it was erased, else the end of the id.
    pub fn person_name(&self, id: PersonId) -> String {
        let name = self.register.get(&id).and_then(RegisterEntry::called);
        name.unwrap_or_else(|| id.to_string().chars().skip(28).collect())
    }
}
