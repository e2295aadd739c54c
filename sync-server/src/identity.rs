//! The server's own key and certificate, made once by `init` and kept in the data folder.

use std::fs;
use std::io::Write as _;
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::{Path, PathBuf};

use bolebook_core::authority::{AuthorityError, accept, verify_certificate};
use bolebook_core::ids::{BookId, DeviceId, RecordId};
use bolebook_core::quantity::UtcMs;
use bolebook_core::record::people::{Certificate, Role};
use bolebook_core::record::{Envelope, Record, RecordError};
use bolebook_core::service::InvitationFile;
use bolebook_core::signing::{PublicKey, SecretKey};
use serde::{Deserialize, Serialize};

/// Name of the file in the data folder.
pub const FILE: &str = "identity.json";

/// An identity could not be made or read.
#[derive(Debug, thiserror::Error)]
pub enum IdentityError {
    /// A file could not be read or written.
    #[error("{path}: {source}")]
    File {
        /// Which.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// A file is not what it should be.
    #[error("{path}: {why}")]
    Content {
        /// Which.
        path: PathBuf,
        /// Why.
        why: String,
    },
    /// The folder has an identity already.
    #[error("{0} is there already: this folder is set up; use another one, or serve it")]
    Exists(PathBuf),
    /// The invitation does not make a server of this yard.
    #[error("the invitation does not hold: {0}")]
    Authority(#[from] AuthorityError),
    /// The invitation is for something else.
    #[error("the invitation does not give the role '{0}': ask the office for one with that role")]
    Role(&'static str),
    /// The invitation is over.
    #[error("the invitation could be used until {0} (ms UTC): ask the office for another")]
    Expired(i64),
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Stored {
    seed: String,
    root: PublicKey,
    yard: BookId,
    certificate_record: RecordId,
    certificate: Certificate,
}

/// Who this server is.
#[derive(Debug)]
pub struct Identity {
    /// Its key.
    pub key: SecretKey,
    /// The office's root key, pinned at `init`.
    pub root: PublicKey,
    /// The yard it serves.
    pub yard: BookId,
    /// Its certificate.
    pub certificate: Certificate,
    /// The id under which it puts its certificate into the yard book.
    pub certificate_record: RecordId,
}

impl Identity {
    /// Its device.
    pub fn device(&self) -> DeviceId {
        self.key.device()
    }

    /// The record that carries its certificate into the yard book: the same bytes every time.
    ///
    /// # Errors
    /// [`RecordError`] when a time lies outside the safe integers.
    pub fn certificate_text(&self) -> Result<String, RecordError> {
        let at = self.certificate.not_before;
        let (id, device) = (self.certificate_record, self.device());
        let envelope = Envelope { id, at, device, by: None, replaces: vec![] };
        Record { envelope, body: self.certificate.clone().into() }.to_canonical()
    }

    /// Makes the server's identity from the office's invitation file.
    ///
    /// # Errors
    /// [`IdentityError`]; the folder is then as it was.
    pub fn init(
        data: &Path,
        invitation: &Path,
        seed: [u8; 32],
        random: [u8; 10],
        now: UtcMs,
    ) -> Result<Self, IdentityError> {
        Self::init_as(&data.join(FILE), Role::Server, invitation, seed, random, now)
    }

    /// Makes an identity of a role in a file of its own: the server's, or its desk's.
    ///
    /// # Errors
    /// [`IdentityError`]; nothing was written then.
    pub fn init_as(
        path: &Path,
        role: Role,
        invitation: &Path,
        seed: [u8; 32],
        random: [u8; 10],
        now: UtcMs,
    ) -> Result<Self, IdentityError> {
        if path.exists() {
            return Err(IdentityError::Exists(path.into()));
        }
        let file: InvitationFile = read_json(invitation)?;
        if file.invitation.role != role {
            return Err(IdentityError::Role(match role {
                Role::Server => "server",
                Role::Office => "office",
                Role::Crew => "crew",
            }));
        }
        if now > file.invitation.use_by {
            return Err(IdentityError::Expired(file.invitation.use_by.0));
        }
        let key = SecretKey::from_seed(seed);
        let certificate = accept(&file.invitation, &file.code, key.public(), now)?;
        verify_certificate(&certificate, &file.root, file.invitation.yard)?;
        let stored = Stored {
            seed: hex::encode(seed),
            root: file.root,
            yard: file.invitation.yard,
            certificate_record: RecordId::new(now.0, random),
            certificate,
        };
        let data = path.parent().unwrap_or(Path::new("."));
        fs::create_dir_all(data).map_err(|source| IdentityError::File { path: data.into(), source })?;
        write_secret(path, &stored)?;
        Self::load_from(path)
    }

    /// Reads the identity of a data folder.
    ///
    /// # Errors
    /// [`IdentityError`] when it is not there, not readable, or its certificate does not hold.
    pub fn load(data: &Path) -> Result<Self, IdentityError> {
        Self::load_from(&data.join(FILE))
    }

    /// Reads an identity from its file.
    ///
    /// # Errors
    /// As [`Identity::load`].
    pub fn load_from(path: &Path) -> Result<Self, IdentityError> {
        let path = path.to_owned();
        let stored: Stored = read_json(&path)?;
        let mut seed = [0; 32];
        hex::decode_to_slice(&stored.seed, &mut seed)
            .map_err(|e| IdentityError::Content { path: path.clone(), why: format!("seed: {e}") })?;
        let key = SecretKey::from_seed(seed);
        let device = verify_certificate(&stored.certificate, &stored.root, stored.yard)?;
        if device != key.device() {
            return Err(IdentityError::Content { path, why: "the certificate is for another key".into() });
        }
        let Stored { root, yard, certificate, certificate_record, .. } = stored;
        Ok(Self { key, root, yard, certificate, certificate_record })
    }
}

fn read_json<T: serde::de::DeserializeOwned>(path: &Path) -> Result<T, IdentityError> {
    let text =
        fs::read_to_string(path).map_err(|source| IdentityError::File { path: path.into(), source })?;
    serde_json::from_str(&text).map_err(|e| IdentityError::Content { path: path.into(), why: e.to_string() })
}

/// Written under another name, synced, then renamed: a crash leaves all of it or none.
fn write_secret(path: &Path, stored: &Stored) -> Result<(), IdentityError> {
    let failed = |source| IdentityError::File { path: path.into(), source };
    let text = serde_json::to_string_pretty(stored)
        .map_err(|e| IdentityError::Content { path: path.into(), why: e.to_string() })?;
    let draft = path.with_extension("draft");
    let mut options = fs::OpenOptions::new();
    let mut file =
        options.write(true).create(true).truncate(true).mode(0o600).open(&draft).map_err(failed)?;
    file.write_all(text.as_bytes()).and_then(|()| file.sync_all()).map_err(failed)?;
    fs::rename(&draft, path).map_err(failed)?;
    let folder = path.parent().unwrap_or(Path::new("."));
    fs::File::open(folder).and_then(|f| f.sync_all()).map_err(failed)
}
