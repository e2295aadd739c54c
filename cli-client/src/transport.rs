//! The way to a server: enrolment, tokens, the exchange, the register, photos. No state of its own.

use std::io::Read;
use std::time::Duration;

use bolebook_core::exchange::{MEDIA_TYPE, Problem, code, short};
use bolebook_core::ids::{DeviceId, Sha256Hash};
use bolebook_core::quantity::UtcMs;
use bolebook_core::record::people::{Certificate, Invitation};
use bolebook_core::service::{
    BookList, EnrolRequest, Enrolment, Health, Register, RescueAnswer, TokenAnswer, assertion,
};
use bolebook_core::signing::SecretKey;
use serde::de::DeserializeOwned;
use ureq::http::{Response, StatusCode};
use ureq::{Agent, Body};

/// The server could not be reached, or did not do what was asked.
#[derive(Debug, thiserror::Error)]
pub enum TransportError {
    /// No answer.
    #[error("{url}: {why}")]
    Unreachable {
        /// Where.
        url: String,
        /// Why.
        why: String,
    },
    /// An answer that is not one of a sync server.
    #[error("{url} does not answer as a sync server does: {why}")]
    NotAServer {
        /// Where.
        url: String,
        /// What is odd.
        why: String,
    },
    /// The server refused.
    #[error("the server refused ({}): {}", .0.code, .0.detail)]
    Refused(Box<Problem>),
    /// No server was named yet.
    #[error("this store knows no server")]
    NoServer,
    /// The exchange could not be completed.
    #[error(transparent)]
    Exchange(#[from] bolebook_log::client::ClientError),
}

impl TransportError {
    /// The code of a refusal.
    fn code(&self) -> Option<&str> {
        if let Self::Refused(problem) = self { Some(&problem.code) } else { None }
    }

    /// What to do.
    pub fn hint(&self) -> String {
        match self {
            Self::Unreachable { .. } => {
                "go on working: everything is kept here and goes with the next exchange".into()
            }
            Self::NotAServer { .. } => "check the address".into(),
            Self::NoServer => "name it once: 'bolebook exchange URL'".into(),
            Self::Refused(problem) => match problem.status {
                401 | 403 => {
                    "ask the office whether this device is admitted; what is logged stays here".into()
                }
                503 => {
                    "what is logged stays here: exchange again in some minutes, and tell the office if it goes on"
                        .into()
                }
                429 => "wait a little and exchange again; what is logged stays here".into(),
                _ => "what is logged stays here; send the office this message".into(),
            },
            Self::Exchange(_) => {
                "what is logged stays here; exchange again, or send the office this message".into()
            }
        }
    }
}

/// How hard a request is packed: on a weak line bytes cost more than a moment of work.
const PACKING: i32 = 9;
/// How much of an answer is read at most.
const MAX_ANSWER: u64 = 512 * 1024 * 1024;
/// How often a busy server is asked again, and how long it may ask to wait.
const TRIES: u32 = 4;
const LONGEST_WAIT: Duration = Duration::from_secs(10);

/// A server's address.
#[derive(Debug)]
pub struct Server {
    agent: Agent,
    url: String,
}

type Answered = Result<Response<Body>, ureq::Error>;

impl Server {
    /// A server at an address like `https://books.example`.
    pub fn new(url: &str) -> Self {
        let config = Agent::config_builder()
            .http_status_as_error(false)
            .timeout_connect(Some(Duration::from_secs(10)))
            .timeout_global(Some(Duration::from_secs(150)))
            .user_agent(concat!("bolebook/", env!("CARGO_PKG_VERSION")))
            .build();
        Self { agent: config.new_agent(), url: url.trim_end_matches('/').to_owned() }
    }

    /// Its address.
    pub fn url(&self) -> &str {
        &self.url
    }

    /// Who it is and what time it has.
    pub fn health(&self) -> Result<Health, TransportError> {
        self.json("/health", |url| self.agent.get(url).call())
    }

    /// Enrols this device with the key of a one-time code; the code itself is never sent.
    pub fn enrol(&self, request: &EnrolRequest) -> Result<Enrolment, TransportError> {
        self.json("/v1/enrol", |url| self.agent.post(url).send_json(request))
    }

    /// An access token for this device. `id` are fresh random bytes.
    pub fn token(
        &self,
        key: &SecretKey,
        certificate: Option<&Certificate>,
        (server, now): (DeviceId, UtcMs),
        id: [u8; 16],
    ) -> Result<TokenAnswer, TransportError> {
        let certificate = certificate.and_then(|c| serde_json::to_string(c).ok());
        let mut form = vec![
            ("grant_type", "client_credentials".to_owned()),
            ("client_assertion_type", "urn:ietf:params:oauth:client-assertion-type:jwt-bearer".to_owned()),
            ("client_assertion", assertion(key, server, now, id)),
        ];
        form.extend(certificate.map(|c| ("certificate", c)));
        self.json("/v1/token", |url| {
            self.agent.post(url).send_form(form.iter().map(|(k, v)| (*k, v.as_str())))
        })
    }

    /// Deposits an invitation, so that its code can be used there.
    pub fn deposit(&self, token: &str, invitation: &Invitation) -> Result<(), TransportError> {
        self.done("/v1/invitations", |url| {
            self.agent.post(url).header("authorization", bearer(token)).send_json(invitation)
        })
    }

    /// The books it has.
    pub fn books(&self, token: &str) -> Result<BookList, TransportError> {
        self.json("/v1/books", |url| self.agent.get(url).header("authorization", bearer(token)).call())
    }

    /// One round trip of an exchange; gives the answer's lines, unpacked. What is offered goes in the
    /// short form, and whole to a server that does not know it or got it damaged.
    pub fn exchange(&self, token: &str, body: &str) -> Result<impl Read + use<>, TransportError> {
        short::send(body, |body| self.exchange_as(token, body), TransportError::code)
    }

    fn exchange_as(&self, token: &str, body: &str) -> Result<Box<dyn Read + Send>, TransportError> {
        let packed = zstd::encode_all(body.as_bytes(), PACKING).map_err(|e| self.unreachable(&e))?;
        let response = self.call("/v1/exchange", |url| {
            self.agent
                .post(url)
                .header("authorization", bearer(token))
                .header("content-type", MEDIA_TYPE)
                .header("content-encoding", "zstd")
                .header("accept-encoding", "zstd")
                .send(&packed[..])
        })?;
        let zstd = response.headers().get("content-encoding").is_some_and(|v| v == "zstd");
        let reader = response.into_body().into_with_config().limit(MAX_ANSWER).reader();
        let unpacked: Box<dyn Read + Send> = if zstd {
            let decoder = zstd::Decoder::new(reader).map_err(|e| self.unreachable(&e))?;
            Box::new(decoder.take(MAX_ANSWER))
        } else {
            Box::new(reader)
        };
        Ok(unpacked)
    }

    /// Sends evidence of what the server could not take in.
    pub fn rescue(&self, token: &str, body: &str) -> Result<RescueAnswer, TransportError> {
        let packed = zstd::encode_all(body.as_bytes(), 3).map_err(|e| self.unreachable(&e))?;
        self.json("/v1/rescue", |url| {
            self.agent
                .post(url)
                .header("authorization", bearer(token))
                .header("content-type", MEDIA_TYPE)
                .header("content-encoding", "zstd")
                .send(&packed[..])
        })
    }

    /// The register.
    pub fn register(&self, token: &str) -> Result<Register, TransportError> {
        self.json("/v1/register", |url| self.agent.get(url).header("authorization", bearer(token)).call())
    }

    /// Puts entries into the register.
    pub fn put_register(&self, token: &str, register: &Register) -> Result<(), TransportError> {
        self.done("/v1/register", |url| {
            self.agent.put(url).header("authorization", bearer(token)).send_json(register)
        })
    }

    /// Gives a photo's bytes to the server.
    pub fn put_photo(&self, token: &str, digest: Sha256Hash, bytes: &[u8]) -> Result<(), TransportError> {
        self.done(&format!("/v1/photos/{digest}"), |url| {
            self.agent
                .put(url)
                .header("authorization", bearer(token))
                .header("content-type", "application/octet-stream")
                .send(bytes)
        })
    }

    /// Begins, or finds again, the resumable upload of a photo (tus 1.0.0): its path and how many bytes
    /// the server has.
    pub fn begin_upload(
        &self,
        token: &str,
        digest: Sha256Hash,
        length: u64,
    ) -> Result<(String, u64), TransportError> {
        use base64::Engine as _;
        let named = base64::prelude::BASE64_STANDARD.encode(digest.to_string());
        let response = self.call("/v1/uploads", |url| {
            self.agent
                .post(url)
                .header("authorization", bearer(token))
                .header("tus-resumable", "1.0.0")
                .header("upload-length", length.to_string())
                .header("upload-metadata", format!("sha256 {named}"))
                .send_empty()
        })?;
        let place = response.headers().get("location").and_then(|v| v.to_str().ok());
        let path = place.filter(|p| p.starts_with('/')).map(str::to_owned);
        let path = path.ok_or_else(|| self.not_a_server("it names no upload".into()))?;
        Ok((path, self.offset_of(&response)?))
    }

    /// How many bytes of an upload the server has on its disk.
    pub fn upload_offset(&self, token: &str, path: &str) -> Result<u64, TransportError> {
        let response = self.call(path, |url| {
            let head = self.agent.head(url).header("authorization", bearer(token));
            head.header("tus-resumable", "1.0.0").call()
        })?;
        self.offset_of(&response)
    }

    /// Sends the next bytes of an upload, with their checksum; gives how many it then has.
    pub fn upload_part(
        &self,
        token: &str,
        path: &str,
        offset: u64,
        bytes: &[u8],
    ) -> Result<u64, TransportError> {
        use base64::Engine as _;
        let checksum = base64::prelude::BASE64_STANDARD.encode(Sha256Hash::of(bytes).0);
        let response = self.call(path, |url| {
            self.agent
                .patch(url)
                .header("authorization", bearer(token))
                .header("tus-resumable", "1.0.0")
                .header("content-type", "application/offset+octet-stream")
                .header("upload-offset", offset.to_string())
                .header("upload-checksum", format!("sha256 {checksum}"))
                .send(bytes)
        })?;
        self.offset_of(&response)
    }

    fn offset_of(&self, response: &Response<Body>) -> Result<u64, TransportError> {
        let offset = response.headers().get("upload-offset").and_then(|v| v.to_str().ok()?.parse().ok());
        offset.ok_or_else(|| self.not_a_server("it does not say how far the upload is".into()))
    }

    /// A photo's bytes, if the server has them.
    pub fn photo(&self, token: &str, digest: Sha256Hash) -> Result<Option<Vec<u8>>, TransportError> {
        let asked = self.call(&format!("/v1/photos/{digest}"), |url| {
            self.agent.get(url).header("authorization", bearer(token)).call()
        });
        match asked {
            // No record of a book that is open to this device names it.
            Err(TransportError::Refused(problem)) if problem.code == code::BOOK_REFUSED => Ok(None),
            // Not there yet, or removed for good.
            Err(TransportError::Refused(problem)) if matches!(problem.status, 404 | 410) => Ok(None),
            Err(error) => Err(error),
            Ok(response) => {
                let bytes = response.into_body().into_with_config().limit(64 << 20).read_to_vec();
                Ok(Some(bytes.map_err(|e| self.unreachable(&e))?))
            }
        }
    }

    fn json<T: DeserializeOwned>(
        &self,
        path: &str,
        ask: impl Fn(&str) -> Answered,
    ) -> Result<T, TransportError> {
        let mut response = self.call(path, ask)?;
        let text = response.body_mut().with_config().limit(16 << 20).read_to_string();
        let text = text.map_err(|e| self.unreachable(&e))?;
        serde_json::from_str(&text).map_err(|e| self.not_a_server(e.to_string()))
    }

    fn done(&self, path: &str, ask: impl Fn(&str) -> Answered) -> Result<(), TransportError> {
        self.call(path, ask).map(drop)
    }

    /// Asks, again when the server is busy, and turns every refusal into an error.
    fn call(&self, path: &str, ask: impl Fn(&str) -> Answered) -> Result<Response<Body>, TransportError> {
        let url = format!("{}{path}", self.url);
        let mut tries = 1;
        loop {
            let response = ask(&url).map_err(|e| self.unreachable(&e))?;
            let status = response.status();
            if status.is_success() {
                return Ok(response);
            }
            let busy = matches!(status, StatusCode::TOO_MANY_REQUESTS | StatusCode::SERVICE_UNAVAILABLE);
            if busy && tries < TRIES {
                std::thread::sleep(wait(&response, tries));
                tries += 1;
                continue;
            }
            return Err(self.refused(status, response));
        }
    }

    fn refused(&self, status: StatusCode, response: Response<Body>) -> TransportError {
        let text = response.into_body().into_with_config().limit(64 << 10).read_to_string();
        let problem: Option<Problem> = text.ok().and_then(|t| serde_json::from_str(&t).ok());
        match problem {
            Some(problem) => TransportError::Refused(Box::new(problem)),
            None => self.not_a_server(format!("it answers {status}")),
        }
    }

    fn unreachable(&self, why: &dyn std::fmt::Display) -> TransportError {
        TransportError::Unreachable { url: self.url.clone(), why: why.to_string() }
    }

    fn not_a_server(&self, why: String) -> TransportError {
        TransportError::NotAServer { url: self.url.clone(), why }
    }
}

fn bearer(token: &str) -> String {
    format!("Bearer {token}")
}

/// As long as the server asks, else longer at each try.
fn wait(response: &Response<Body>, tries: u32) -> Duration {
    let asked = response.headers().get("retry-after").and_then(|v| v.to_str().ok()?.parse().ok());
    asked.map_or(Duration::from_millis(250 << tries), Duration::from_secs).min(LONGEST_WAIT)
}
