//! Kinds that belong to every book: its genesis, receipts and strikes.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::ids::{ActorId, BookId, ClientId, CommitHash, DeviceId, RecordId, Sha256Hash};
use crate::quantity::{Ms, Um, UtcMs};
use crate::record::label::ClosedSeason;
use crate::signing::{HeadSignature, PublicKey};

/// The first record of a book, alone in its genesis commit, signed by the office's root key.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Genesis {
    /// The record and commit format, 1.
    pub format: i64,
    /// The book's id.
    pub book: BookId,
    /// The office's root public key, pinned for the book's life.
    pub root: PublicKey,
    /// What the book is for, shown as its title.
    pub title: String,
    /// What kind of book, and what holds for the whole of it.
    pub content: BookContent,
}

/// What kind of book a genesis opens.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(tag = "type", rename_all = "snake_case", deny_unknown_fields)]
pub enum BookContent {
    /// The company's own book: people, devices, labels, kits, product.
    Yard {
        /// The company's name.
        company: String,
    },
    /// One job and season.
    Job(Job),
}

/// What holds for a whole job.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Job {
    /// The yard book this job belongs to.
    pub yard: BookId,
    /// The season, for example `2026`.
    pub season: String,
    /// The client, in the register.
    pub client: ClientId,
    /// Where the site is, in words that may be published: never a person's address.
    pub site: String,
    /// The time zone that says which day it is.
    pub zone: Zone,
    /// Breast height above ground for this job: 1 300 000 µm (metric convention) or 1 371 600 µm
    /// (4.5 ft, USDA FIADB User Guide v9.3 §3.1.18).
    pub breast_height_um: Um,
    /// Parts of the year when trees of the site's region may not be wounded, by law or good practice.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub closed: Vec<ClosedSeason>,
    /// The last season's job book, if this one was opened from it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub previous: Option<BookId>,
}

/// A time zone as the offsets in force, so that every replica agrees on the day whatever edition
/// of the time-zone database it carries.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Zone {
    /// The IANA name, for display.
    pub name: String,
    /// Offsets from UTC, ascending by `from`; the first also holds before its `from`.
    pub offsets: Vec<ZoneOffset>,
}

/// An offset from UTC and when it begins.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ZoneOffset {
    /// In force from here on.
    pub from: UtcMs,
    /// Local time minus UTC, in seconds (−93 600 to 93 600).
    pub offset_s: i64,
}

/// A server's signed word on what arrived when. Written by servers and hubs only.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Receipt {
    /// When the exchange arrived, by the server's clock.
    pub arrived_at: UtcMs,
    /// The delivering device's clock minus the server's, as measured at this exchange.
    pub clock_offset_ms: Ms,
    /// The device that delivered, by its access token.
    pub delivered_by: DeviceId,
    /// The chains that arrived: through which sequence number of which actor.
    pub through: Vec<ChainEnd>,
}

/// A server's signed word that it holds the bytes of a photo. Written by servers and hubs only.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct PhotoReceived {
    /// When the last byte was on the server's disk, by the server's clock.
    pub arrived_at: UtcMs,
    /// The device that delivered them, by its access token.
    pub delivered_by: DeviceId,
    /// SHA-256 of the bytes, as the photo's record names them; the server has recomputed it.
    pub sha256: Sha256Hash,
}

/// A place in an actor's chain of commits.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ChainEnd {
    /// The actor.
    pub actor: ActorId,
    /// Its sequence number.
    pub seq: u64,
}

/// A struck record: like a line through an entry of a paper field book, it stays readable.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Strike {
    /// The records struck, all of this book and known to the writer.
    pub records: Vec<RecordId>,
    /// Why. At least one character.
    pub reason: String,
}

/// A commit that a log could not take in, because its author's chain had forked or because it
/// depends on such a commit: everything its author wrote and signed, as evidence. The texts of its
/// records stand in the commit that carries this record, or in the one before it in that chain.
/// It proves itself: the commit is built from it again and its hash must come out the same.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Rescue {
    /// Who wrote it.
    pub actor: ActorId,
    /// What it depends on: commits of this book, or rescued ones.
    pub deps: Vec<CommitHash>,
    /// Its hash.
    pub hash: CommitHash,
    /// The ids of its records, in their order.
    pub records: Vec<RecordId>,
    /// Its place in the actor's chain.
    pub seq: u64,
    /// Number of its first operation.
    pub start_op: u64,
    /// When it was written, by the writer's clock.
    pub time: UtcMs,
    /// Head signatures on it.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub signatures: Vec<HeadSignature>,
}
