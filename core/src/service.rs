//! What a server's endpoints carry besides the exchange: enrolment, tokens, books, the register.

use base64::Engine as _;
use base64::prelude::BASE64_URL_SAFE_NO_PAD;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value, json};

use crate::exchange::Cursor;
use crate::ids::{BookId, DeviceId, RecordId, Sha256Hash};
use crate::keeping::{Erasure, LegalHold, OfficeWord};
use crate::quantity::UtcMs;
use crate::record::people::{Invitation, Role};
use crate::signing::{Alg, PublicKey, SecretKey, Signature, SigningError};

/// Longest life of an assertion, in seconds.
pub const ASSERTION_SECONDS: i64 = 120;

/// What the office hands to whoever sets a server or a device up, as a file or a QR code.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct InvitationFile {
    /// The one-time code: who reads it can use the invitation.
    pub code: String,
    /// The office's root public key, to be pinned.
    pub root: PublicKey,
    /// The invitation.
    pub invitation: Invitation,
}

/// A device's request to be enrolled by a one-time code.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct EnrolRequest {
    /// The public key derived from the code: the code itself is never sent.
    pub code_key: PublicKey,
    /// The device's public key.
    pub device_key: PublicKey,
    /// By the code's key, over `bolebook/enrol/1` and the canonical device key.
    pub signature: Signature,
}

/// The answer: what the device needs to make its own certificate.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Enrolment {
    /// The invitation of the code.
    pub invitation: Invitation,
    /// The yard book.
    pub yard: BookId,
    /// The office's root public key. It is believed only as far as the code's way was safe: compare
    /// its digest with what the office shows.
    pub root: PublicKey,
    /// The server's device.
    pub server: DeviceId,
}

/// An access token.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct TokenAnswer {
    /// The token, for the `Authorization: Bearer` header.
    pub access_token: String,
    /// `Bearer`.
    pub token_type: String,
    /// Its life from now, in seconds.
    pub expires_in: i64,
    /// What the device may do.
    pub role: Role,
}

/// A server's state, for anyone.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Health {
    /// `ok`.
    pub status: String,
    /// The server's device: the audience of assertions.
    pub server: DeviceId,
    /// The yard it serves.
    pub yard: BookId,
    /// Its clock. Assertions are dated by it, so that a device whose clock is off gets in.
    pub now: UtcMs,
}

/// A book a server has.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct BookEntry {
    /// The book.
    pub book: BookId,
    /// `yard` or `job`.
    pub kind: String,
    /// Its title.
    pub title: String,
    /// Its last position.
    pub end: u64,
    /// The chain there.
    pub chain: Sha256Hash,
}

impl BookEntry {
    /// Where it stands.
    pub fn cursor(&self) -> Cursor {
        Cursor { position: self.end, chain: self.chain }
    }
}

/// The books a server has.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct BookList {
    /// Ascending by id, the yard's first.
    pub books: Vec<BookEntry>,
}

/// What the register says of a person or a client: it stands outside the books, so that it can be erased.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct RegisterEntry {
    /// Whose: the id the books use.
    pub id: RecordId,
    /// What it is about, for example `person` or `client`.
    pub kind: String,
    /// Its fields, for example `name`, `address`, `licence_number`. None when it is erased.
    pub fields: Map<String, Value>,
    /// When it was last changed; of two states the later one stays, unless one is erased.
    pub updated_at: UtcMs,
    /// A date before which it must not be erased.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hold: Option<LegalHold>,
    /// That it was erased: wins over every other state.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub erased: Option<Erasure>,
    /// Which office device says so: then any device may bring it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub signed: Option<OfficeWord>,
}

/// The register, or a part of it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Register {
    /// Ascending by id.
    pub entries: Vec<RegisterEntry>,
}

/// Photos by their SHA-256: those asked about.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct PhotoList {
    /// At most 1,000.
    pub photos: Vec<Sha256Hash>,
}

/// What a server lacks of the photos it was asked about.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct PhotosLacking {
    /// Those it would take, in the order asked.
    pub lacking: Vec<Sha256Hash>,
    /// Those whose bytes were removed for good: it will not take them, and nobody should offer them.
    pub removed: Vec<Sha256Hash>,
}

/// A photo a server has.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct PhotoStored {
    /// The SHA-256 of its bytes.
    pub sha256: Sha256Hash,
    /// Its media type, by its bytes.
    pub media_type: String,
    /// Its length in bytes.
    pub bytes: u64,
}

/// What became of the lines sent for one book to be rescued.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct RescuedBook {
    /// The book.
    pub book: BookId,
    /// Lines the log took in as they are.
    pub appended: u64,
    /// Commits put back with evidence.
    pub rescued: u64,
    /// Lines that were there, or put back, before.
    pub known: u64,
}

/// The answer to a rescue. What was put back comes with the next exchange.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct RescueAnswer {
    /// In the order of the request.
    pub books: Vec<RescuedBook>,
}

/// What a device signs to ask `server` for an access token (RFC 7523 §2.2): header and claims of
/// the assertion, as they travel.
///
/// `now` is the server's time, from [`Health`]; `id` are fresh random bytes, for an assertion is
/// taken once.
///
/// # Errors
/// [`SigningError::Key`] when the key is none of its algorithm.
pub fn assertion_text(
    key: &PublicKey,
    server: DeviceId,
    now: UtcMs,
    id: [u8; 16],
) -> Result<String, SigningError> {
    let device = key.device()?;
    let seconds = now.0.div_euclid(1_000);
    let alg = match key.alg {
        Alg::Ed25519 => "EdDSA",
        Alg::P256 => "ES256",
    };
    let header = json!({ "alg": alg, "kid": device, "typ": "JWT" });
    let claims = json!({
        "iss": device, "sub": device, "aud": server, "jti": hex::encode(id),
        "nbf": seconds - 30, "iat": seconds, "exp": seconds + ASSERTION_SECONDS - 30,
    });
    let part = |value: &Value| BASE64_URL_SAFE_NO_PAD.encode(value.to_string());
    Ok(format!("{}.{}", part(&header), part(&claims)))
}

/// The assertion, once its text is signed.
pub fn assertion_signed(text: &str, signature: &Signature) -> String {
    // A signature is made of hexadecimal by whoever signs here, so it always decodes.
    let signature = hex::decode(&signature.0).unwrap_or_default();
    format!("{text}.{}", BASE64_URL_SAFE_NO_PAD.encode(signature))
}

/// The same in one step, for a device whose key is at hand.
pub fn assertion(key: &SecretKey, server: DeviceId, now: UtcMs, id: [u8; 16]) -> String {
    // The public key of a secret key is one.
    let text = assertion_text(&key.public(), server, now, id).unwrap_or_default();
    let signature = key.sign(text.as_bytes());
    assertion_signed(&text, &signature)
}
