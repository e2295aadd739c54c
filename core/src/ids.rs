//! Identifiers: record ids (UUIDv7), and the hashes that name devices, actors, commits and findings.

use std::fmt;
use std::marker::PhantomData;
use std::str::FromStr;

use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::de::Visitor;
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use sha2::{Digest, Sha256};
use uuid::{Uuid, Variant};

/// An identifier could not be read.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("'{text}' is not a {what}")]
pub struct IdError {
    /// What was given, cut to 80 characters.
    pub text: String,
    /// What it should have been.
    pub what: &'static str,
}

fn id_error(text: &str, what: &'static str) -> IdError {
    IdError { text: text.chars().take(80).collect(), what }
}

/// Reads an id from its text without a copy of it.
struct Spelled<T>(PhantomData<T>);

impl<T: FromStr<Err: fmt::Display>> Visitor<'_> for Spelled<T> {
    type Value = T;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a string")
    }

    fn visit_str<E: serde::de::Error>(self, text: &str) -> Result<T, E> {
        text.parse().map_err(E::custom)
    }
}

macro_rules! text_serde {
    ($name:ident, $what:literal, $pattern:literal) => {
        impl fmt::Debug for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                write!(f, concat!(stringify!($name), "({})"), self)
            }
        }

        impl Serialize for $name {
            fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
                serializer.collect_str(self)
            }
        }

        impl<'de> Deserialize<'de> for $name {
            fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
                deserializer.deserialize_str(Spelled(PhantomData))
            }
        }

        impl JsonSchema for $name {
            fn schema_name() -> std::borrow::Cow<'static, str> {
                stringify!($name).into()
            }

            fn json_schema(_: &mut SchemaGenerator) -> Schema {
                json_schema!({ "type": "string", "description": $what, "pattern": $pattern })
            }
        }
    };
}

macro_rules! uuid_v7 {
    ($(#[$doc:meta])* $name:ident, $what:literal) => {
        $(#[$doc])*
        #[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub struct $name(Uuid);

        impl $name {
            /// Made from the time it was minted and 74 random bits (of the 80 given), both passed in (RFC 9562 §5.7).
            pub fn new(unix_ms: i64, random: [u8; 10]) -> Self {
                let ms = u64::try_from(unix_ms).unwrap_or(0);
                Self(uuid::Builder::from_unix_timestamp_millis(ms, &random).into_uuid())
            }

            /// The time part, in milliseconds since 1970.
            pub fn unix_ms(self) -> i64 {
                let b = self.0.as_bytes();
                b[..6].iter().fold(0i64, |ms, byte| (ms << 8) | i64::from(*byte))
            }

            /// Its text, written into a buffer: what [`Display`](fmt::Display) gives, without a string of its own.
            pub fn text(self, buffer: &mut [u8; 36]) -> &str {
                self.0.as_hyphenated().encode_lower(buffer)
            }

            /// The sixteen bytes.
            pub fn as_bytes(&self) -> &[u8; 16] {
                self.0.as_bytes()
            }
        }

        impl FromStr for $name {
            type Err = IdError;

            /// Reads the lower-case hyphenated form only, so that one id has one spelling.
            fn from_str(text: &str) -> Result<Self, IdError> {
                let uuid = Uuid::try_parse(text).map_err(|_| id_error(text, $what))?;
                let canonical = text.len() == 36 && !text.bytes().any(|b| b.is_ascii_uppercase());
                let v7 = uuid.get_version_num() == 7 && uuid.get_variant() == Variant::RFC4122;
                if canonical && v7 { Ok(Self(uuid)) } else { Err(id_error(text, $what)) }
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                self.0.as_hyphenated().fmt(f)
            }
        }

        text_serde!($name, $what, "^[0-9a-f]{8}-[0-9a-f]{4}-7[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}$");
    };
}

uuid_v7!(
    /// The id of a record, and of what it brings into being: a tree's id is the id of its `tree` record.
    RecordId, "lower-case UUIDv7"
);
uuid_v7!(
    /// The id of a book, minted with its genesis.
    BookId, "lower-case UUIDv7 of a book"
);

/// A person's id: that of the `person` record. The name stands in the register, never in a book.
pub type PersonId = RecordId;
/// A client's id in the register.
pub type ClientId = RecordId;
/// A tree's id: that of its `tree` record.
pub type TreeId = RecordId;
/// A block's id: that of its `block` record.
pub type BlockId = RecordId;
/// A crew's id: that of its `crew` record in the yard book.
pub type CrewId = RecordId;
/// A label version's id: that of its `label` record. An amended label is another version.
pub type LabelId = RecordId;
/// A product lot's id: that of its `lot` record.
pub type LotId = RecordId;
/// A kit's id: that of its `kit` record.
pub type KitId = RecordId;

macro_rules! bytes_id {
    ($(#[$doc:meta])* $name:ident, $len:literal, $what:literal, $pattern:literal) => {
        $(#[$doc])*
        #[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub struct $name(pub [u8; $len]);

        impl FromStr for $name {
            type Err = IdError;

            /// Reads lower-case hexadecimal of the exact length only.
            fn from_str(text: &str) -> Result<Self, IdError> {
                if text.bytes().any(|b| b.is_ascii_uppercase()) {
                    return Err(id_error(text, $what));
                }
                let mut bytes = [0; $len];
                hex::decode_to_slice(text, &mut bytes).map_err(|_| id_error(text, $what))?;
                Ok(Self(bytes))
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                let mut digits = [0; 2 * $len];
                hex::encode_to_slice(self.0, &mut digits).map_err(|_| fmt::Error)?;
                f.write_str(std::str::from_utf8(&digits).map_err(|_| fmt::Error)?)
            }
        }

        text_serde!($name, $what, $pattern);
    };
}

bytes_id!(
    /// A device: the first 128 bits of its public key's SHA-256.
    DeviceId, 16, "device id of 32 hexadecimal digits", "^[0-9a-f]{32}$"
);
bytes_id!(
    /// One opening of a store by a device: its [`DeviceId`] followed by 128 fresh random bits.
    ///
    /// A store restored from an old backup therefore never writes twice under one (actor, seq).
    ActorId, 32, "actor id of 64 hexadecimal digits", "^[0-9a-f]{64}$"
);
bytes_id!(
    /// The hash of a commit: that of the Automerge change it stands for.
    CommitHash, 32, "commit hash of 64 hexadecimal digits", "^[0-9a-f]{64}$"
);
bytes_id!(
    /// A SHA-256 digest: of a log line, a chain position or a photo.
    Sha256Hash, 32, "SHA-256 of 64 hexadecimal digits", "^[0-9a-f]{64}$"
);
bytes_id!(
    /// A finding: 128 bits of the SHA-256 of its code and subjects, the same at every recomputation.
    FindingId, 16, "finding id of 32 hexadecimal digits", "^[0-9a-f]{32}$"
);

impl ActorId {
    /// An actor of `device` with 128 fresh random bits.
    pub fn new(device: DeviceId, random: [u8; 16]) -> Self {
        let mut bytes = [0; 32];
        bytes[..16].copy_from_slice(&device.0);
        bytes[16..].copy_from_slice(&random);
        Self(bytes)
    }

    /// The device this actor belongs to.
    pub fn device(self) -> DeviceId {
        let mut bytes = [0; 16];
        bytes.copy_from_slice(&self.0[..16]);
        DeviceId(bytes)
    }
}

impl Sha256Hash {
    /// The digest of some bytes.
    pub fn of(bytes: &[u8]) -> Self {
        Self(Sha256::digest(bytes).into())
    }

    /// The digest of a text followed by records' ids, each on a line of its own.
    pub fn of_lines(text: &str, ids: &[RecordId]) -> Self {
        let mut hasher = Sha256::new();
        hasher.update(text);
        for id in ids {
            hasher.update(b"\n");
            hasher.update(id.text(&mut [0; 36]));
        }
        Self(hasher.finalize().into())
    }
}

impl FindingId {
    /// Derived from the parts that make a finding what it is; parts are length-prefixed, so
    /// `["ab","c"]` and `["a","bc"]` differ.
    pub fn derive<'a>(parts: impl IntoIterator<Item = &'a str>) -> Self {
        let mut hasher = Sha256::new();
        for part in parts {
            hasher.update((part.len() as u64).to_be_bytes());
            hasher.update(part.as_bytes());
        }
        let digest: [u8; 32] = hasher.finalize().into();
        let mut bytes = [0; 16];
        bytes.copy_from_slice(&digest[..16]);
        Self(bytes)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 9562 appendix A.6: the example UUIDv7 of 2022-02-22T19:22:22Z.
    #[test]
    fn reads_the_uuid_v7_example_of_rfc_9562() {
        let id: RecordId = "017f22e2-79b0-7cc3-98c4-dc0c0c07398f".parse().unwrap();
        assert_eq!(id.unix_ms(), 1_645_557_742_000);
        assert_eq!(id.to_string(), "017f22e2-79b0-7cc3-98c4-dc0c0c07398f");
        let made = RecordId::new(id.unix_ms(), [0x0c, 0xc3, 0x18, 0xc4, 0xdc, 0x0c, 0x0c, 0x07, 0x39, 0x8f]);
        assert_eq!(made, id);
    }

    #[test]
    fn a_digest_of_lines_is_that_of_the_text_they_make() {
        let ids = [RecordId::new(7, [1; 10]), RecordId::new(8, [255; 10])];
        for ids in [&ids[..0], &ids[..1], &ids] {
            let mut text = "Tree 'Å-1'".to_owned();
            ids.iter().for_each(|id| text.push_str(&format!("\n{id}")));
            assert_eq!(Sha256Hash::of_lines("Tree 'Å-1'", ids), Sha256Hash::of(text.as_bytes()));
        }
    }

    #[test]
    fn one_id_has_one_spelling() {
        for bad in [
            "017F22E2-79B0-7CC3-98C4-DC0C0C07398F",
            "017f22e279b07cc398c4dc0c0c07398f",
            "{017f22e2-79b0-7cc3-98c4-dc0c0c07398f}",
            "919108f7-52d1-4320-9bac-f847db4148a8",
            "",
        ] {
            assert!(bad.parse::<RecordId>().is_err(), "{bad}");
        }
    }
}
