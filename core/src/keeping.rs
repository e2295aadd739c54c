//! Keeping and erasing: how long the law keeps a name, and the office's signed word that one is gone.
//!
//! Books are add-only and hold no names; names stand in the register under the books' ids, and a
//! photo's bytes lie outside under their digest. So either can be erased without touching a record:
//! sums, hashes and heads stay. What is left of an erased entry is its id, its kind and an
//! [`Erasure`], which wins over every other state of the entry on every store it reaches.

use std::cmp::Ordering;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::authority::Directory;
use crate::day::Day;
use crate::ids::{ClientId, DeviceId, PersonId, RecordId, Sha256Hash};
use crate::quantity::UtcMs;
use crate::record::people::Role;
use crate::record::{Body, canonical};
use crate::service::RegisterEntry;
use crate::signing::{SecretKey, Signature, statement};
use crate::view::View;

const ERASURE_DOMAIN: &str = "bolebook/erasure/1";
const ENTRY_DOMAIN: &str = "bolebook/register/1";
/// Longest kind of an entry, in bytes.
pub const MAX_KIND_BYTES: usize = 64;
/// Most bytes of an entry's fields together.
pub const MAX_FIELD_BYTES: usize = 16 * 1024;
/// Longest reason, in bytes.
pub const MAX_REASON_BYTES: usize = 1_000;
/// The kind of a photo's entry.
pub const PHOTO: &str = "photo";

/// The office's word that an entry, or a photo's bytes, was erased.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Erasure {
    /// When.
    pub at: UtcMs,
    /// Who, by the id the books use.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub by: Option<PersonId>,
    /// On which device: one of the office.
    pub device: DeviceId,
    /// Why, without any name.
    pub reason: String,
    /// The photo whose bytes are gone, for an entry of kind `photo`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub photo: Option<Sha256Hash>,
    /// By the device, over `bolebook/erasure/1` and the canonical erasure without `signature`, with
    /// the entry's `id` and `kind` beside it.
    pub signature: Signature,
}

/// The office's word for an entry: with it any device, hubs included, may carry the entry to a server.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct OfficeWord {
    /// On which device: one of the office.
    pub device: DeviceId,
    /// By the device, over `bolebook/register/1` and the canonical entry without `signed`.
    pub signature: Signature,
}

/// A date before which an entry must not be erased, whatever else is over.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct LegalHold {
    /// The first day on which it no longer holds.
    pub until: Day,
    /// Why, for example a claim's number.
    pub reason: String,
}

/// An entry of the register that must not be kept or believed.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum KeepingError {
    /// A part of it is too long, missing or too much.
    #[error("register entry {id}: {why}")]
    Form {
        /// Which.
        id: RecordId,
        /// What is wrong.
        why: String,
    },
    /// Its state, or its erasure, was not signed by a device of the office.
    #[error("register entry {0}: no device of the office signed what it says")]
    Unproven(RecordId),
    /// It cannot be written canonically.
    #[error(transparent)]
    Canonical(#[from] canonical::CanonicalError),
}

#[derive(Serialize)]
struct Signed<'a> {
    id: RecordId,
    kind: &'a str,
    erased: serde_json::Value,
}

fn message(id: RecordId, kind: &str, erasure: &Erasure) -> Result<Vec<u8>, KeepingError> {
    let mut erased =
        serde_json::to_value(erasure).map_err(|e| canonical::CanonicalError::Syntax(e.to_string()))?;
    if let Some(object) = erased.as_object_mut() {
        object.remove("signature");
    }
    Ok(statement(ERASURE_DOMAIN, &Signed { id, kind, erased }, "")?)
}

/// What an erasure says, before it is signed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Erasing {
    /// When.
    pub at: UtcMs,
    /// Who.
    pub by: Option<PersonId>,
    /// Why.
    pub reason: String,
    /// The photo, for an entry of kind `photo`.
    pub photo: Option<Sha256Hash>,
}

/// What is left of an entry that is erased: no field, and the device's signed word.
///
/// # Errors
/// [`KeepingError`] for a reason that is empty or too long.
pub fn tombstone(
    id: RecordId,
    kind: &str,
    key: &SecretKey,
    Erasing { at, by, reason, photo }: Erasing,
) -> Result<RegisterEntry, KeepingError> {
    let signature = Signature(String::new());
    let mut erasure = Erasure { at, by, device: key.device(), reason, photo, signature };
    erasure.signature = key.sign(&message(id, kind, &erasure)?);
    let entry = RegisterEntry { erased: Some(erasure), ..RegisterEntry::new(id, kind, at) };
    entry.check()?;
    Ok(entry)
}

impl RegisterEntry {
    /// An entry without fields.
    pub fn new(id: RecordId, kind: &str, updated_at: UtcMs) -> Self {
        Self {
            id,
            kind: kind.to_owned(),
            fields: serde_json::Map::new(),
            updated_at,
            hold: None,
            erased: None,
            signed: None,
        }
    }

    /// A field's text.
    pub fn text(&self, field: &str) -> Option<String> {
        self.fields.get(field)?.as_str().map(str::to_owned)
    }

    /// What it is called: its name, or that it was erased with the end of its id, the same everywhere.
    pub fn called(&self) -> Option<String> {
        if self.erased.is_some() {
            let id = self.id.to_string();
            return Some(format!("erased {} {}", self.kind, id.get(id.len().saturating_sub(8)..)?));
        }
        self.text("name")
    }

    /// Checks its form and sizes.
    ///
    /// # Errors
    /// [`KeepingError::Form`].
    pub fn check(&self) -> Result<(), KeepingError> {
        let wrong = |why: String| Err(KeepingError::Form { id: self.id, why });
        if self.kind.is_empty() || self.kind.len() > MAX_KIND_BYTES {
            return wrong(format!("its kind has 1 to {MAX_KIND_BYTES} bytes"));
        }
        let bytes: usize = self.fields.iter().map(|(k, v)| k.len() + v.to_string().len()).sum();
        if bytes > MAX_FIELD_BYTES {
            return wrong(format!("its fields have at most {MAX_FIELD_BYTES} bytes"));
        }
        let reasons = self.hold.iter().map(|h| &h.reason).chain(self.erased.iter().map(|e| &e.reason));
        for reason in reasons {
            if reason.trim().is_empty() || reason.len() > MAX_REASON_BYTES {
                return wrong(format!("a reason has 1 to {MAX_REASON_BYTES} bytes"));
            }
        }
        if let Some(erasure) = &self.erased {
            if !self.fields.is_empty() || self.hold.is_some() || self.signed.is_some() {
                return wrong("an erased entry has no fields, no hold and no second signature".into());
            }
            if (self.kind == PHOTO) != erasure.photo.is_some() {
                return wrong("the erasure of a photo, and of nothing else, names its SHA-256".into());
            }
        }
        Ok(())
    }

    /// Signs what it says now, as a device of the office. An erasure has its own signature and stays
    /// as it is.
    ///
    /// # Errors
    /// [`KeepingError::Canonical`].
    pub fn sign(mut self, key: &SecretKey) -> Result<Self, KeepingError> {
        if self.erased.is_none() {
            let signature = key.sign(&statement(ENTRY_DOMAIN, &self, "signed")?);
            self.signed = Some(OfficeWord { device: key.device(), signature });
        }
        Ok(self)
    }

    /// The office device whose word stands behind it, if it carries one.
    pub fn vouched_by(&self) -> Option<DeviceId> {
        let erased = self.erased.as_ref().map(|erasure| erasure.device);
        erased.or_else(|| self.signed.as_ref().map(|word| word.device))
    }

    /// Whether this state takes the place of another of the same id. An erasure wins over every
    /// state that is none, and a signed state over one that is not; of two erasures the earlier
    /// stays, of two others the later. Ties go by the text, so that every store ends with the same
    /// one whatever came first.
    pub fn replaces(&self, other: &Self) -> bool {
        let text = |entry: &Self| serde_json::to_string(entry).unwrap_or_default();
        let order = match (&self.erased, &other.erased) {
            (Some(mine), Some(theirs)) => theirs.at.cmp(&mine.at),
            (Some(_), None) => Ordering::Greater,
            (None, Some(_)) => Ordering::Less,
            // Nobody who merely carries names can change one the office has signed.
            (None, None) => {
                let signed = self.signed.is_some().cmp(&other.signed.is_some());
                signed.then_with(|| self.updated_at.cmp(&other.updated_at))
            }
        };
        order.then_with(|| text(self).cmp(&text(other))) == Ordering::Greater
    }

    /// Checks who signed it, or its erasure, if somebody did: a device that the root made the
    /// office's. One revoked since counts too, for what it erased is gone and what it signed may be
    /// older; whoever brings an entry is judged by the receiver.
    ///
    /// # Errors
    /// [`KeepingError::Unproven`].
    pub fn verify(&self, directory: &Directory) -> Result<(), KeepingError> {
        let (device, message, signature) = match (&self.erased, &self.signed) {
            (Some(erasure), _) => {
                (erasure.device, message(self.id, &self.kind, erasure)?, &erasure.signature)
            }
            (None, Some(word)) => (word.device, statement(ENTRY_DOMAIN, self, "signed")?, &word.signature),
            (None, None) => return Ok(()),
        };
        let unproven = KeepingError::Unproven(self.id);
        let office = directory.certificate(device).is_some_and(|c| c.role == Role::Office);
        let Some(key) = directory.key(device).filter(|_| office) else { return Err(unproven) };
        key.verify(&message, signature).map_err(|_| unproven)
    }
}

/// A rule of law that keeps records of applications.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Scheme {
    /// 40 CFR 171.303(b)(7): commercial applicators of restricted-use pesticides in the United
    /// States keep name and address of the person served, and the applicators' names and
    /// certification number, for at least 2 years.
    Us,
    /// Regulation (EC) 1107/2009 art. 67 with Implementing Regulation (EU) 2023/564: professional
    /// users keep their records for at least 3 years (the number of years from memory).
    Eu,
}

impl Scheme {
    /// Every scheme.
    pub const ALL: [Self; 2] = [Self::Us, Self::Eu];

    /// Its name in commands.
    pub fn name(self) -> &'static str {
        match self {
            Self::Us => "us",
            Self::Eu => "eu",
        }
    }

    /// The scheme of a name.
    pub fn named(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|s| s.name() == name)
    }

    /// Where the rule stands.
    pub fn source(self) -> &'static str {
        match self {
            Self::Us => "40 CFR 171.303(b)(7): 2 years",
            Self::Eu => "Regulation (EC) 1107/2009 art. 67: 3 years",
        }
    }

    /// Whole years of keeping after the application.
    pub fn years(self) -> i32 {
        match self {
            Self::Us => 2,
            Self::Eu => 3,
        }
    }

    /// The scheme that keeps longest: what holds when nobody says which law applies.
    pub fn longest() -> Self {
        Self::ALL.into_iter().max_by_key(|s| s.years()).unwrap_or(Self::Eu)
    }

    /// The first day on which what was used last on `last` need no longer be kept: the day after the
    /// anniversary, so that whichever way the days are counted the years are over. None beyond the
    /// calendar.
    pub fn free_from(self, last: Day) -> Option<Day> {
        let (year, month, day) = last.ymd();
        let year = year.checked_add(self.years())?;
        // 29 February has no anniversary in most years: 1 March then.
        let anniversary = Day::from_ymd(year, month, day).or_else(|| Day::from_ymd(year, month + 1, 1))?;
        anniversary.after(1)
    }
}

/// Whose last use is asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Whose {
    /// An applicator, or the one who supervised.
    Person(PersonId),
    /// Who was served.
    Client(ClientId),
}

/// The last day of an application that names a person, or was done for a client, in any job; each
/// day by its job's own zone. Every version counts, struck and held ones too: they are records as well.
pub fn last_use(views: &[View<'_>], whose: Whose) -> Option<Day> {
    let mut last: Option<Day> = None;
    for view in views {
        if matches!(whose, Whose::Client(client) if view.job.client != client) {
            continue;
        }
        for version in &view.facts.versions {
            let Body::Application(application) = &version.record.body else { continue };
            let named = match whose {
                Whose::Client(_) => true,
                Whose::Person(person) => {
                    application.applicator == person || application.supervisor == Some(person)
                }
            };
            let end = application.ended_at.max(application.started_at).max(version.record.envelope.at);
            if named {
                last = last.max(Some(Day::of(end, &view.job.zone)));
            }
        }
    }
    last
}

#[cfg(test)]
mod tests;
