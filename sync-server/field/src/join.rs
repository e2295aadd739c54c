//! Joining a yard with the office's one-time code.

use bolebook_core::authority::{
    AuthorityError, CODE_DIGITS, accept, enrol_statement, verify_certificate, verify_invitation,
};
use bolebook_core::ids::RecordId;
use bolebook_core::quantity::UtcMs;
use bolebook_core::record::people::Role;
use bolebook_core::service::{EnrolRequest, Enrolment};
use bolebook_core::signing::{PublicKey, SecretKey, SigningError};

use crate::http::{self, AskError};
use crate::outside::{Outside, Trouble, first};
use crate::state::{Member, Server};

/// The device could not join.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum JoinError {
    /// Too few digits.
    #[error("a code has {CODE_DIGITS} digits or more; this one has {0}")]
    Short(usize),
    /// The server was not reached, or refused.
    #[error(transparent)]
    Ask(#[from] AskError),
    /// The invitation proves nothing.
    #[error("the invitation does not hold: {0}; ask the office for another code")]
    Authority(#[from] AuthorityError),
    /// The invitation is for a server.
    #[error("this code is for a server, not for a crew's device")]
    ForServer,
    /// The code is over.
    #[error("the code can no longer be used: ask the office for another")]
    Over,
    /// The device has no key.
    #[error(transparent)]
    Trouble(#[from] Trouble),
    /// The device's key is none.
    #[error("the device's key: {0}")]
    Key(#[from] SigningError),
}

/// The digits of a code, whatever stands between them.
pub fn digits(code: &str) -> String {
    code.chars().filter(char::is_ascii_digit).collect()
}

/// Enrols this device. Nothing is stored here but the device's own key.
///
/// # Errors
/// [`JoinError`].
pub async fn join(outside: &impl Outside, url: &str, code: &str) -> Result<(Member, Server), JoinError> {
    let code = digits(code);
    if code.len() < CODE_DIGITS {
        return Err(JoinError::Short(code.len()));
    }
    let key: PublicKey = outside.key().await?;
    let code_key = SecretKey::from_code(&code);
    let signature = code_key.sign(&enrol_statement(&key)?);
    let request = EnrolRequest { code_key: code_key.public(), device_key: key.clone(), signature };
    let enrolment: Enrolment = http::ask_json(outside, &http::enrol(url, &request)).await?;
    let Enrolment { invitation, root, server, .. } = enrolment;
    let now: UtcMs = outside.now();
    verify_invitation(&invitation, &root, invitation.yard)?;
    if invitation.role == Role::Server {
        return Err(JoinError::ForServer);
    }
    if now > invitation.use_by {
        return Err(JoinError::Over);
    }
    let certificate = accept(&invitation, &code, key.clone(), now)?;
    verify_certificate(&certificate, &root, invitation.yard)?;
    let member = Member {
        yard: invitation.yard,
        device: key.device()?,
        root,
        key,
        name: invitation.name.clone(),
        crew: invitation.crew,
        certificate,
        pending: Some(RecordId::new(now.0, first(outside.random()?))),
    };
    let server =
        Server { url: url.to_owned(), device: server, token: None, token_until: None, exchanged: None };
    Ok((member, server))
}

/// A root key as people compare it, the same as the office's `bolebook` shows it.
pub fn fingerprint(root: &PublicKey) -> String {
    let digest = bolebook_core::ids::Sha256Hash::of(root.key.as_bytes()).to_string();
    let groups = digest.as_bytes().chunks(4).take(5).map(|c| String::from_utf8_lossy(c).into_owned());
    groups.collect::<Vec<_>>().join("-")
}
