//! What the app asks of the device it runs on. The browser answers in `sync-server/web`; tests
//! answer from memory, so that a whole day can be played without a browser.

use bolebook_core::ids::{BookId, Sha256Hash};
use bolebook_core::quantity::UtcMs;
use bolebook_core::signing::{PublicKey, Signature};

use crate::words::Language;

/// The device did not do what was asked.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Trouble {
    /// The server did not answer.
    #[error("no answer: {0}")]
    NoSignal(String),
    /// The device's storage refused; nothing of the transaction is kept.
    #[error("the device could not store it: {0}")]
    Storage(String),
    /// Another tab or window of the app writes now.
    #[error("the app is open in another window, which writes now")]
    OtherWriter,
    /// The device has no key, or cannot sign.
    #[error("the device's key: {0}")]
    Key(String),
}

/// One thing to store. All of a call's are stored in one transaction, or none.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Put {
    /// A line of a book's log.
    Line {
        /// The book.
        book: BookId,
        /// Its position, from 1.
        position: u64,
        /// Its text.
        text: String,
    },
    /// A setting, under one of the names of [`setting`].
    Setting {
        /// Its name.
        name: &'static str,
        /// Its JSON.
        json: String,
    },
    /// The ready-made view of the books, in the place of the one before.
    Ready(Vec<u8>),
}

/// Names of the settings.
pub mod setting {
    /// The yard joined, the root key pinned, this device's public key and certificate.
    pub const MEMBER: &str = "member";
    /// The server: its address, device and token.
    pub const SERVER: &str = "server";
    /// How far the exchange with the server has come, by book.
    pub const PEERS: &str = "peers";
    /// Who works, with which kit, on which job; language, units, look.
    pub const CHOICES: &str = "choices";
    /// The stems being treated now.
    pub const OPEN: &str = "open";
    /// Names and numbers from the register.
    pub const REGISTER: &str = "register";
    /// The ready-made view of the books: bytes, where the others are JSON.
    pub const READY: &str = "ready";
}

/// What was stored before, but for the lines themselves.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Kept {
    /// Settings by name, as JSON.
    pub settings: Vec<(String, String)>,
    /// The ready-made view of the books; empty when there is none, or one that is no bytes.
    pub ready: Vec<u8>,
    /// How many lines there are, all books together.
    pub lines: u64,
}

/// A request to the server.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Request {
    /// `GET`, `POST` or `PUT`.
    pub method: &'static str,
    /// The whole address.
    pub url: String,
    /// Headers.
    pub headers: Vec<(&'static str, String)>,
    /// The body, if it has one.
    pub body: Option<String>,
}

/// The server's answer.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Answer {
    /// Its HTTP status.
    pub status: u16,
    /// Its body.
    pub body: String,
}

/// A photo kept here that no server has yet.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct KeptPhoto {
    /// Its digest.
    pub sha256: Sha256Hash,
    /// Its length in bytes.
    pub bytes: u64,
}

/// Bytes of a kept photo, from the first to before the last.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Part {
    /// The photo.
    pub photo: Sha256Hash,
    /// Where it begins.
    pub from: u64,
    /// Before where it ends.
    pub to: u64,
}

/// A request of a resumable upload.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Upload {
    /// `POST`, `HEAD` or `PATCH`.
    pub method: &'static str,
    /// The whole address.
    pub url: String,
    /// Headers.
    pub headers: Vec<(&'static str, String)>,
}

/// Its answer.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Uploaded {
    /// Its HTTP status.
    pub status: u16,
    /// `Upload-Offset`: so many bytes are on the server's disk.
    pub offset: Option<u64>,
    /// `Location`: where the upload is.
    pub location: Option<String>,
}

/// The device and its browser.
#[expect(async_fn_in_trait, reason = "one thread: futures need not be Send")]
pub trait Outside {
    /// The device's clock.
    fn now(&self) -> UtcMs;

    /// A language's messages, with the core's sentences ([`Language::messages`]).
    fn messages(&self, language: Language) -> String {
        language.messages()
    }

    /// Fresh random bytes.
    ///
    /// # Errors
    /// [`Trouble::Key`] when the device has no random source.
    fn random(&self) -> Result<[u8; 32], Trouble>;

    /// The device's public key; made and kept by the device if there is none yet.
    ///
    /// # Errors
    /// [`Trouble::Key`], [`Trouble::Storage`].
    async fn key(&self) -> Result<PublicKey, Trouble>;

    /// Signs with the device's key.
    ///
    /// # Errors
    /// [`Trouble::Key`].
    async fn sign(&self, message: &[u8]) -> Result<Signature, Trouble>;

    /// The settings stored, and how many lines there are beside them.
    ///
    /// # Errors
    /// [`Trouble::Storage`].
    async fn settings(&self) -> Result<Kept, Trouble>;

    /// Every line stored, ascending by book and position.
    ///
    /// # Errors
    /// [`Trouble::Storage`].
    async fn lines(&self) -> Result<Vec<(BookId, String)>, Trouble>;

    /// Lets the device answer taps before long work goes on.
    async fn pause(&self);

    /// Stores in one transaction; returns when it is durable.
    ///
    /// # Errors
    /// [`Trouble::Storage`], [`Trouble::OtherWriter`]; nothing is then stored.
    async fn store(&self, puts: &[Put]) -> Result<(), Trouble>;

    /// Asks the server.
    ///
    /// # Errors
    /// [`Trouble::NoSignal`].
    async fn ask(&self, request: &Request) -> Result<Answer, Trouble>;

    /// The photos kept here that no server has yet.
    ///
    /// # Errors
    /// [`Trouble::Storage`].
    async fn photos(&self) -> Result<Vec<KeptPhoto>, Trouble>;

    /// Asks about an upload. With a part, its bytes are the body, and `Upload-Checksum` of them goes along
    /// (`sha256`).
    ///
    /// # Errors
    /// [`Trouble::NoSignal`], [`Trouble::Storage`].
    async fn upload(&self, request: &Upload, part: Option<&Part>) -> Result<Uploaded, Trouble>;

    /// Lets go of a photo that the server has.
    ///
    /// # Errors
    /// [`Trouble::Storage`].
    async fn drop_photo(&self, photo: Sha256Hash) -> Result<(), Trouble>;
}

/// The first bytes of 32 random ones.
pub(crate) fn first<const N: usize>(random: [u8; 32]) -> [u8; N] {
    std::array::from_fn(|i| random.get(i).copied().unwrap_or(0))
}
