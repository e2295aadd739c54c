//! Who may speak: invitations, certificates, the genesis, revocations, and what a signature covers.
//!
//! Everything hangs on the office's root key, pinned when a device is enrolled. A certificate
//! proves itself by its signatures, so it may travel in any commit. Whether a commit's records are
//! in force follows from the certificate of its author, the head signatures of its chain and the
//! revocations of the yard; every receiver finds the same from the same books. Nothing is refused
//! for want of authority: it is held, and said why ([`HeldReason`](crate::facts::HeldReason)).

mod directory;
mod revocations;

use crate::book::Book;
use crate::commit::Commit;
use crate::ids::{BookId, CrewId, DeviceId};
use crate::quantity::UtcMs;
use crate::record::CanonicalError;
use crate::record::book_kinds::Genesis;
use crate::record::people::{Certificate, CertificateProof, Invitation, Role};
use crate::signing::{HeadSignature, PublicKey, SecretKey, Signature, SigningError, statement};

pub use directory::{BookAccess, BookAuthority, Directory, Unproven, Vouched, may_matter};

/// Domain of a certificate's signatures.
pub const CERTIFICATE_DOMAIN: &str = "bolebook/certificate/1";
/// Domain of an invitation's signature.
pub const INVITATION_DOMAIN: &str = "bolebook/invitation/1";
/// Domain of the statement by which a one-time code is used.
pub const ENROL_DOMAIN: &str = "bolebook/enrol/1";
/// Fewest digits of a one-time code: 20 digits are 66 bits, out of reach of guessing offline.
pub const CODE_DIGITS: usize = 20;
/// A device's clock may be this far behind at its certificate's beginning, or ahead at its end: one day.
pub const CLOCK_TOLERANCE_MS: i64 = 86_400_000;

/// A certificate, invitation or genesis proves nothing.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum AuthorityError {
    /// A signature that does not hold, or a key that is none.
    #[error("{what}: {source}")]
    Signature {
        /// Whose or which.
        what: &'static str,
        /// Why.
        source: SigningError,
    },
    /// Signed for another yard.
    #[error("it was made for yard {found}, not for {wanted}")]
    OtherYard {
        /// The yard it names.
        found: BookId,
        /// This yard.
        wanted: BookId,
    },
    /// A genesis that names another root key than the pinned one.
    #[error("it names another root key than the one pinned at enrolment")]
    OtherRoot,
    /// A certificate that says otherwise than its invitation.
    #[error("the certificate's {0} is not what the invitation gives")]
    NotAsInvited(&'static str),
    /// A genesis without the root's signature.
    #[error("the genesis commit does not carry the root key's signature")]
    GenesisUnsigned,
    /// A book that is not of the kind asked for, or has not begun.
    #[error("the book has no genesis of kind '{0}'")]
    NoGenesis(&'static str),
    /// An invitation that made certificates for several devices: none of them counts.
    #[error("the one-time code was used for several devices")]
    UsedTwice,
    /// A one-time code that is too short.
    #[error("a one-time code has at least {CODE_DIGITS} digits")]
    Code,
    /// A statement that cannot be written.
    #[error(transparent)]
    Canonical(#[from] CanonicalError),
}

fn signature(what: &'static str) -> impl Fn(SigningError) -> AuthorityError {
    move |source| AuthorityError::Signature { what, source }
}

/// What a certificate will say, before it is proven.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Grant {
    /// The device's public key.
    pub key: PublicKey,
    /// What it may do.
    pub role: Role,
    /// Its crew.
    pub crew: Option<CrewId>,
    /// What the office calls it.
    pub name: String,
    /// From when.
    pub not_before: UtcMs,
    /// Until when.
    pub not_after: UtcMs,
}

impl Grant {
    fn proven(self, proof: CertificateProof) -> Certificate {
        let Self { key, role, crew, name, not_before, not_after } = self;
        Certificate { key, role, crew, name, not_before, not_after, proof }
    }

    fn statement(&self) -> Result<Vec<u8>, AuthorityError> {
        let signature = Signature(String::new());
        certificate_statement(&self.clone().proven(CertificateProof::Root { signature }))
    }
}

fn certificate_statement(certificate: &Certificate) -> Result<Vec<u8>, AuthorityError> {
    Ok(statement(CERTIFICATE_DOMAIN, certificate, "proof")?)
}

/// A certificate signed by the root key.
///
/// # Errors
/// [`AuthorityError::Canonical`] when a time lies outside the safe integers.
pub fn certify(root: &SecretKey, grant: Grant) -> Result<Certificate, AuthorityError> {
    let signature = root.sign(&grant.statement()?);
    Ok(grant.proven(CertificateProof::Root { signature }))
}

/// What an invitation will say.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Offer {
    /// The yard.
    pub yard: BookId,
    /// The role it gives.
    pub role: Role,
    /// The crew it joins.
    pub crew: Option<CrewId>,
    /// What the office calls the device.
    pub name: String,
    /// The last moment the code can be used.
    pub use_by: UtcMs,
    /// Until when the certificate will hold.
    pub not_after: UtcMs,
}

/// An invitation for the holder of `code`, signed by the root key.
///
/// # Errors
/// [`AuthorityError::Code`] when the code has fewer than [`CODE_DIGITS`] digits.
pub fn invite(root: &SecretKey, code: &str, offer: Offer) -> Result<Invitation, AuthorityError> {
    if code.chars().filter(char::is_ascii_digit).count() < CODE_DIGITS {
        return Err(AuthorityError::Code);
    }
    let Offer { yard, role, crew, name, use_by, not_after } = offer;
    let code_key = SecretKey::from_code(code).public();
    let signature = Signature(String::new());
    let mut invitation = Invitation { yard, code_key, role, crew, name, use_by, not_after, signature };
    invitation.signature = root.sign(&statement(INVITATION_DOMAIN, &invitation, "signature")?);
    Ok(invitation)
}

/// A device's certificate, made by the device itself from an invitation and its code.
///
/// # Errors
/// [`AuthorityError::Signature`] when the code is not that of the invitation.
pub fn accept(
    invitation: &Invitation,
    code: &str,
    key: PublicKey,
    now: UtcMs,
) -> Result<Certificate, AuthorityError> {
    let code_key = SecretKey::from_code(code);
    if code_key.public() != invitation.code_key {
        return Err(signature("the one-time code")(SigningError::Key));
    }
    let Invitation { role, crew, ref name, not_after, .. } = *invitation;
    let grant = Grant { key, role, crew, name: name.clone(), not_before: now, not_after };
    let signature = code_key.sign(&grant.statement()?);
    Ok(grant.proven(CertificateProof::Invitation { invitation: invitation.clone(), signature }))
}

/// What the holder of a one-time code signs with the code's key to enrol a device.
///
/// # Errors
/// [`AuthorityError::Canonical`].
pub fn enrol_statement(device: &PublicKey) -> Result<Vec<u8>, AuthorityError> {
    Ok(statement(ENROL_DOMAIN, device, "")?)
}

/// Checks an invitation against the pinned root key and its yard.
///
/// # Errors
/// [`AuthorityError`] with what does not hold.
pub fn verify_invitation(
    invitation: &Invitation,
    root: &PublicKey,
    yard: BookId,
) -> Result<(), AuthorityError> {
    if invitation.yard != yard {
        return Err(AuthorityError::OtherYard { found: invitation.yard, wanted: yard });
    }
    let bytes = statement(INVITATION_DOMAIN, invitation, "signature")?;
    root.verify(&bytes, &invitation.signature).map_err(signature("the root's signature on the invitation"))
}

/// Checks a certificate against the pinned root key and its yard, and gives the device it is for.
///
/// # Errors
/// [`AuthorityError`] with what does not hold.
pub fn verify_certificate(
    certificate: &Certificate,
    root: &PublicKey,
    yard: BookId,
) -> Result<DeviceId, AuthorityError> {
    let device = certificate.key.device().map_err(signature("the device's key"))?;
    let bytes = certificate_statement(certificate)?;
    match &certificate.proof {
        CertificateProof::Root { signature: signed } => {
            root.verify(&bytes, signed).map_err(signature("the root's signature on the certificate"))?;
        }
        CertificateProof::Invitation { invitation, signature: signed } => {
            verify_invitation(invitation, root, yard)?;
            let differs = [
                ("role", invitation.role != certificate.role),
                ("crew", invitation.crew != certificate.crew),
                ("name", invitation.name != certificate.name),
                ("end", invitation.not_after != certificate.not_after),
                ("beginning", invitation.use_by < certificate.not_before),
            ];
            if let Some((what, _)) = differs.into_iter().find(|(_, differs)| *differs) {
                return Err(AuthorityError::NotAsInvited(what));
            }
            let code_key = &invitation.code_key;
            code_key.verify(&bytes, signed).map_err(signature("the code key's signature"))?;
        }
    }
    Ok(device)
}

/// Checks that a genesis commit is the root key's own and signed by it.
///
/// # Errors
/// [`AuthorityError::OtherRoot`], [`AuthorityError::GenesisUnsigned`].
pub fn verify_genesis<'a>(
    genesis: &Genesis,
    commit: &Commit,
    signatures: impl IntoIterator<Item = &'a HeadSignature>,
    root: &PublicKey,
) -> Result<(), AuthorityError> {
    if genesis.root != *root {
        return Err(AuthorityError::OtherRoot);
    }
    let signed = signatures.into_iter().any(|s| {
        (s.actor, s.seq, s.hash) == (commit.actor(), commit.seq(), commit.hash())
            && s.verify(genesis.book, root).is_ok()
    });
    if signed { Ok(()) } else { Err(AuthorityError::GenesisUnsigned) }
}

fn book_genesis<'a>(
    book: &'a Book,
    root: &PublicKey,
    kind: &'static str,
) -> Result<&'a Genesis, AuthorityError> {
    let genesis = book.genesis().ok_or(AuthorityError::NoGenesis(kind))?;
    let commit = book.commits().iter().find(|c| c.deps().is_empty());
    let commit = commit.ok_or(AuthorityError::NoGenesis(kind))?;
    verify_genesis(genesis, commit, book.signatures(), root)?;
    Ok(genesis)
}

#[cfg(test)]
mod tests;
