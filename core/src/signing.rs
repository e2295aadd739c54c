//! Keys and signatures: who wrote what, checkable by every receiver.
//!
//! Nothing here draws randomness: secret keys are made from seeds the caller supplies.

use ed25519_dalek::Signer as _;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use serde_json::Value;

use crate::ids::{ActorId, BookId, CommitHash, DeviceId, Sha256Hash};
use crate::record::canonical;

/// Signature algorithms a certificate can name.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Alg {
    /// Ed25519 (RFC 8032), verified strictly: small-order keys and non-canonical values refused.
    Ed25519,
    /// ECDSA on P-256 with SHA-256 (FIPS 186-5), signature as r ‖ s.
    P256,
}

/// A public key: 32 bytes for Ed25519, the 65 bytes of the uncompressed point for P-256, in hexadecimal.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct PublicKey {
    /// Its algorithm.
    pub alg: Alg,
    /// Its bytes, in lower-case hexadecimal.
    pub key: String,
}

/// A signature of 64 bytes, in lower-case hexadecimal.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
#[serde(transparent)]
pub struct Signature(pub String);

/// A signature does not hold, or a key is not one.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum SigningError {
    /// The public key is not one of its algorithm.
    #[error("the public key is not a valid key of its algorithm")]
    Key,
    /// The signature does not hold for these bytes and this key.
    #[error("the signature does not hold for this key and these bytes")]
    Signature,
}

impl PublicKey {
    /// The device this key belongs to: the first 128 bits of the SHA-256 of its bytes.
    ///
    /// # Errors
    /// [`SigningError::Key`] when the hexadecimal is not a key's bytes.
    pub fn device(&self) -> Result<DeviceId, SigningError> {
        let digest = Sha256Hash::of(&self.bytes()?);
        let mut id = [0; 16];
        id.copy_from_slice(&digest.0[..16]);
        Ok(DeviceId(id))
    }

    fn bytes(&self) -> Result<Vec<u8>, SigningError> {
        let wanted = match self.alg {
            Alg::Ed25519 => 32,
            Alg::P256 => 65,
        };
        let bytes = hex::decode(&self.key).map_err(|_| SigningError::Key)?;
        let one_spelling = bytes.len() == wanted && hex::encode(&bytes) == self.key;
        one_spelling.then_some(bytes).ok_or(SigningError::Key)
    }

    /// Checks a signature over `message`.
    ///
    /// # Errors
    /// [`SigningError`] when the key is none or the signature does not hold.
    pub fn verify(&self, message: &[u8], signature: &Signature) -> Result<(), SigningError> {
        let key = self.bytes()?;
        let bytes = hex::decode(&signature.0).map_err(|_| SigningError::Signature)?;
        if bytes.len() != 64 || hex::encode(&bytes) != signature.0 {
            return Err(SigningError::Signature);
        }
        match self.alg {
            Alg::Ed25519 => {
                let key: [u8; 32] = key.try_into().map_err(|_| SigningError::Key)?;
                let key = ed25519_dalek::VerifyingKey::from_bytes(&key).map_err(|_| SigningError::Key)?;
                let signature =
                    ed25519_dalek::Signature::from_slice(&bytes).map_err(|_| SigningError::Signature)?;
                key.verify_strict(message, &signature).map_err(|_| SigningError::Signature)
            }
            Alg::P256 => {
                use p256::ecdsa::signature::Verifier as _;
                let key = p256::ecdsa::VerifyingKey::from_sec1_bytes(&key).map_err(|_| SigningError::Key)?;
                let signature =
                    p256::ecdsa::Signature::from_slice(&bytes).map_err(|_| SigningError::Signature)?;
                key.verify(message, &signature).map_err(|_| SigningError::Signature)
            }
        }
    }
}

/// An Ed25519 secret key.
pub struct SecretKey(ed25519_dalek::SigningKey);

impl std::fmt::Debug for SecretKey {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("SecretKey(kept to itself)")
    }
}

impl SecretKey {
    /// The key of a 32-byte seed; the caller draws the seed from the system's random source.
    pub fn from_seed(seed: [u8; 32]) -> Self {
        Self(ed25519_dalek::SigningKey::from_bytes(&seed))
    }

    /// The key pair of a one-time code: its seed is the SHA-256 of `bolebook/code/1` and the
    /// code's digits (spaces and hyphens dropped).
    pub fn from_code(code: &str) -> Self {
        let digits: String = code.chars().filter(char::is_ascii_digit).collect();
        Self::from_seed(Sha256Hash::of(format!("bolebook/code/1{digits}").as_bytes()).0)
    }

    /// The seed, for keeping.
    pub fn seed(&self) -> [u8; 32] {
        self.0.to_bytes()
    }

    /// Its public key.
    pub fn public(&self) -> PublicKey {
        PublicKey { alg: Alg::Ed25519, key: hex::encode(self.0.verifying_key().as_bytes()) }
    }

    /// The device of this key.
    pub fn device(&self) -> DeviceId {
        let digest = Sha256Hash::of(self.0.verifying_key().as_bytes());
        let mut id = [0; 16];
        id.copy_from_slice(&digest.0[..16]);
        DeviceId(id)
    }

    /// Signs bytes.
    pub fn sign(&self, message: &[u8]) -> Signature {
        Signature(hex::encode(self.0.sign(message).to_bytes()))
    }
}

/// What a JSON statement is signed as: its domain, then its canonical text without `without`.
///
/// # Errors
/// [`canonical::CanonicalError`] when the value cannot be written.
pub fn statement(
    domain: &str,
    value: &impl Serialize,
    without: &str,
) -> Result<Vec<u8>, canonical::CanonicalError> {
    let mut value: Value =
        serde_json::to_value(value).map_err(|e| canonical::CanonicalError::Syntax(e.to_string()))?;
    if let Some(object) = value.as_object_mut() {
        object.remove(without);
    }
    let mut bytes = domain.as_bytes().to_vec();
    bytes.extend_from_slice(canonical::write(&value)?.as_bytes());
    Ok(bytes)
}

/// A device's word for the end of one of its chains, and by the hashes for all before it.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct HeadSignature {
    /// The actor.
    pub actor: ActorId,
    /// The commit signed.
    pub hash: CommitHash,
    /// Its sequence number.
    pub seq: u64,
    /// Over `bolebook/head/1`, the book's 16 bytes, the actor's 32, `seq` as 8 bytes big-endian
    /// and the hash's 32.
    pub signature: Signature,
}

impl HeadSignature {
    /// The bytes a head signature is made over. FROZEN with format 1.
    pub fn message(book: BookId, actor: ActorId, seq: u64, hash: CommitHash) -> Vec<u8> {
        let mut bytes = b"bolebook/head/1".to_vec();
        bytes.extend_from_slice(book.as_bytes());
        bytes.extend_from_slice(&actor.0);
        bytes.extend_from_slice(&seq.to_be_bytes());
        bytes.extend_from_slice(&hash.0);
        bytes
    }

    /// Signs the end of a chain.
    pub fn sign(key: &SecretKey, book: BookId, actor: ActorId, seq: u64, hash: CommitHash) -> Self {
        Self { actor, hash, seq, signature: key.sign(&Self::message(book, actor, seq, hash)) }
    }

    /// Checks it against the author's public key, which must be the actor's own.
    ///
    /// # Errors
    /// [`SigningError`] when it does not hold.
    pub fn verify(&self, book: BookId, key: &PublicKey) -> Result<(), SigningError> {
        if key.device()? != self.actor.device() {
            return Err(SigningError::Key);
        }
        key.verify(&Self::message(book, self.actor, self.seq, self.hash), &self.signature)
    }

    /// Its one spelling as a line of the log.
    pub fn line(&self) -> String {
        format!(
            r#"{{"actor":"{}","hash":"{}","seq":{},"signature":"{}"}}"#,
            self.actor, self.hash, self.seq, self.signature.0
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 8032 §7.1, test 2.
    #[test]
    fn signs_test_2_of_rfc_8032() {
        let mut seed = [0; 32];
        hex::decode_to_slice("4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb", &mut seed)
            .unwrap();
        let key = SecretKey::from_seed(seed);
        assert_eq!(key.public().key, "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c");
        let signature = key.sign(&[0x72]);
        assert_eq!(
            signature.0,
            "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00"
        );
        assert_eq!(key.public().verify(&[0x72], &signature), Ok(()));
        assert_eq!(key.public().verify(&[0x73], &signature), Err(SigningError::Signature));
    }

    #[test]
    fn a_head_signature_holds_for_one_book_actor_and_place_only() {
        let key = SecretKey::from_seed([7; 32]);
        let book = BookId::new(1, [1; 10]);
        let actor = ActorId::new(key.device(), [2; 16]);
        let signed = HeadSignature::sign(&key, book, actor, 3, CommitHash([4; 32]));
        assert_eq!(signed.verify(book, &key.public()), Ok(()));
        assert!(signed.verify(BookId::new(2, [1; 10]), &key.public()).is_err());
        assert!(HeadSignature { seq: 4, ..signed.clone() }.verify(book, &key.public()).is_err());
        let stranger = SecretKey::from_seed([8; 32]);
        assert_eq!(signed.verify(book, &stranger.public()), Err(SigningError::Key));
    }
}
