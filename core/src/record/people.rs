//! People, licences, crews and devices.
//!
//! Names, addresses and licence numbers never stand here: they live in the register outside the
//! books, under the same ids, where they can be erased when the law allows.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::day::Day;
use crate::ids::{BookId, CrewId, DeviceId, PersonId, RecordId};
use crate::quantity::UtcMs;
use crate::record::book_kinds::ChainEnd;
use crate::signing::{PublicKey, Signature};

/// A person who works for the company.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Person {
    /// What they do.
    pub work: PersonWork,
}

/// A person's part in the work.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum PersonWork {
    /// Settles findings, signs days off.
    Office,
    /// Leads a crew.
    CrewLead,
    /// Works in a crew.
    CrewMember,
}

/// A licence to apply pesticides. Its number stands in the register.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Licence {
    /// Whose.
    pub person: PersonId,
    /// The authority or scheme that gave it, for example `state commercial applicator`.
    pub scheme: String,
    /// Its category, as the authority names it.
    pub category: String,
    /// Whether it lets its holder apply unsupervised (a certified applicator).
    pub certified: bool,
    /// First day it holds.
    pub valid_from: Day,
    /// Last day it holds.
    pub valid_to: Day,
}

/// A crew.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Crew {
    /// A short name that is not a person's.
    pub name: String,
    /// Who leads it.
    pub lead: PersonId,
    /// Who works in it, the lead included.
    pub members: Vec<PersonId>,
}

/// What a device may do.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Role {
    /// Everything a person of the office may do.
    Office,
    /// Log work; amend and strike its own records until sign-off.
    Crew,
    /// Take in and hand out commits and write receipts.
    Server,
}

/// A device's certificate. It proves itself by its signatures, whoever carries it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Certificate {
    /// The device's public key; its id is derived from it.
    pub key: PublicKey,
    /// What it may do.
    pub role: Role,
    /// Its crew, for a crew's device.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub crew: Option<CrewId>,
    /// What the office calls the device.
    pub name: String,
    /// From when it holds.
    pub not_before: UtcMs,
    /// Until when it holds.
    pub not_after: UtcMs,
    /// What makes it true.
    pub proof: CertificateProof,
}

/// The root's word for a device.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(tag = "type", rename_all = "snake_case", deny_unknown_fields)]
pub enum CertificateProof {
    /// The root signed this very certificate.
    Root {
        /// Over `bolebook/certificate/1` and the canonical certificate without `proof`.
        signature: Signature,
    },
    /// The root signed an invitation; the holder of its one-time code bound the device's key to it.
    Invitation {
        /// The invitation, with the root's signature.
        invitation: Invitation,
        /// By the invitation's code key, over `bolebook/certificate/1` and the canonical
        /// certificate without `proof`.
        signature: Signature,
    },
}

/// Leave for one device to join, signed by the root key when the office issues a one-time code.
///
/// The code's own key pair is derived from the code, so whoever relays the invitation cannot use it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Invitation {
    /// The yard book.
    pub yard: BookId,
    /// The public key derived from the one-time code.
    pub code_key: PublicKey,
    /// The role it gives.
    pub role: Role,
    /// The crew it joins, if any.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub crew: Option<CrewId>,
    /// What the office calls the device.
    pub name: String,
    /// The last moment the code can be used.
    pub use_by: UtcMs,
    /// Until when the certificate will hold.
    pub not_after: UtcMs,
    /// By the root, over `bolebook/invitation/1` and the canonical invitation without `signature`.
    pub signature: Signature,
}

/// A device's certificate taken back: what it wrote after the named ends is held.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Revocation {
    /// The device.
    pub device: DeviceId,
    /// Why.
    pub reason: String,
    /// The last accepted commit of each of its actors, per book. What is not listed is held.
    pub accepted: Vec<AcceptedChains>,
}

/// The last accepted commits of a device in one book.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct AcceptedChains {
    /// The book.
    pub book: BookId,
    /// The last accepted commit of each actor.
    pub ends: Vec<ChainEnd>,
}

/// Which books a crew's device may have from a server. Its newest list holds; of lists written apart,
/// only what all of them name.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Access {
    /// The device.
    pub device: DeviceId,
    /// The job books it may have, the yard book aside; absent, it may have every one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub books: Option<Vec<BookId>>,
}

/// Held records let in by the office, with its reason.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Admission {
    /// The records, all of this book and known to the writer.
    pub records: Vec<RecordId>,
    /// Why they are let in.
    pub reason: String,
}
