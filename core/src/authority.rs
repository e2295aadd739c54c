//! Authority: which devices may write what, checked by every receiver.
//!
//! A certificate proves itself: the root's signature stands on it, or on the invitation whose
//! one-time code bound the device's key to it. So it does not matter who carried it, and a hub
//! cannot invent a device. A commit is vouched for when its device signed the end of the chain it
//! lies on; a record of a device that is unknown, unvouched or revoked is held, never refused.

use std::collections::BTreeMap;

use serde_json::Value;

use crate::book::Book;
use crate::commit::Commit;
use crate::facts::{Authority, HeldReason};
use crate::ids::{ActorId, BookId, CrewId, DeviceId, RecordId};
use crate::quantity::UtcMs;
use crate::record::book_kinds::BookContent;
use crate::record::canonical::CanonicalError;
use crate::record::people::{Certificate, CertificateProof, Invitation, Revocation, Role};
use crate::record::{Body, Record};
use crate::signing::{HeadSignature, PublicKey, SecretKey, Signature, SigningError, statement};

const CERTIFICATE: &str = "bolebook/certificate/1";
const INVITATION: &str = "bolebook/invitation/1";

/// Why a certificate or invitation does not hold.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum AuthorityError {
    /// A signature does not hold.
    #[error("{what}: {why}")]
    Signature {
        /// What was signed.
        what: &'static str,
        /// Why it does not hold.
        why: SigningError,
    },
    /// The certificate gives more than its invitation.
    #[error("the certificate's {0} is not what the invitation gives")]
    NotAsInvited(&'static str),
    /// The invitation is for another yard.
    #[error("the invitation is for yard {0}")]
    OtherYard(BookId),
    /// The statement could not be written.
    #[error(transparent)]
    Statement(#[from] CanonicalError),
}

/// An invitation for one device, signed by the root. Give the code to the device, nobody else.
///
/// # Errors
/// [`AuthorityError::Statement`] when it cannot be written.
#[expect(clippy::too_many_arguments, reason = "an invitation is these facts and nothing else")]
pub fn invite(
    root: &SecretKey,
    yard: BookId,
    code: &str,
    role: Role,
    crew: Option<CrewId>,
    name: &str,
    use_by: UtcMs,
    not_after: UtcMs,
) -> Result<Invitation, AuthorityError> {
    let mut invitation = Invitation {
        yard,
        code_key: SecretKey::from_code(code).public(),
        role,
        crew,
        name: name.into(),
        use_by,
        not_after,
        signature: Signature(String::new()),
    };
    invitation.signature = root.sign(&statement(INVITATION, &invitation, "signature")?);
    Ok(invitation)
}

/// A certificate from an invitation, made by the device that holds the code.
///
/// # Errors
/// [`AuthorityError::Statement`] when it cannot be written.
pub fn certificate_by_invitation(
    invitation: &Invitation,
    code: &str,
    key: PublicKey,
    not_before: UtcMs,
) -> Result<Certificate, AuthorityError> {
    let proof =
        CertificateProof::Invitation { invitation: invitation.clone(), signature: Signature(String::new()) };
    let mut certificate = Certificate {
        key,
        role: invitation.role,
        crew: invitation.crew,
        name: invitation.name.clone(),
        not_before,
        not_after: invitation.not_after,
        proof,
    };
    let signature = SecretKey::from_code(code).sign(&statement(CERTIFICATE, &certificate, "proof")?);
    certificate.proof = CertificateProof::Invitation { invitation: invitation.clone(), signature };
    Ok(certificate)
}

/// A certificate signed by the root itself: for the office's own devices and for devices without signal.
///
/// # Errors
/// [`AuthorityError::Statement`] when it cannot be written.
pub fn certificate_by_root(
    root: &SecretKey,
    key: PublicKey,
    role: Role,
    crew: Option<CrewId>,
    name: &str,
    not_before: UtcMs,
    not_after: UtcMs,
) -> Result<Certificate, AuthorityError> {
    let proof = CertificateProof::Root { signature: Signature(String::new()) };
    let mut certificate = Certificate { key, role, crew, name: name.into(), not_before, not_after, proof };
    let signature = root.sign(&statement(CERTIFICATE, &certificate, "proof")?);
    certificate.proof = CertificateProof::Root { signature };
    Ok(certificate)
}

/// Checks an invitation against the pinned root key.
///
/// # Errors
/// [`AuthorityError`] when it is for another yard or the root did not sign it.
pub fn check_invitation(
    invitation: &Invitation,
    yard: BookId,
    root: &PublicKey,
) -> Result<(), AuthorityError> {
    if invitation.yard != yard {
        return Err(AuthorityError::OtherYard(invitation.yard));
    }
    let signed = statement(INVITATION, invitation, "signature")?;
    root.verify(&signed, &invitation.signature)
        .map_err(|why| AuthorityError::Signature { what: "the invitation", why })
}

/// Checks a certificate against the pinned root key and gives the device it is for.
///
/// # Errors
/// [`AuthorityError`] when it does not prove itself.
pub fn check_certificate(
    certificate: &Certificate,
    yard: BookId,
    root: &PublicKey,
) -> Result<DeviceId, AuthorityError> {
    let bad = |what| move |why| AuthorityError::Signature { what, why };
    let device = certificate.key.device().map_err(bad("the device's key"))?;
    let signed = statement(CERTIFICATE, certificate, "proof")?;
    match &certificate.proof {
        CertificateProof::Root { signature } => {
            root.verify(&signed, signature).map_err(bad("the certificate"))?;
        }
        CertificateProof::Invitation { invitation, signature } => {
            check_invitation(invitation, yard, root)?;
            invitation.code_key.verify(&signed, signature).map_err(bad("the certificate"))?;
            let as_invited = [
                ("role", certificate.role == invitation.role),
                ("crew", certificate.crew == invitation.crew),
                ("name", certificate.name == invitation.name),
                ("end", certificate.not_after <= invitation.not_after),
                ("start", certificate.not_before <= invitation.use_by),
            ];
            if let Some((what, _)) = as_invited.into_iter().find(|(_, holds)| !holds) {
                return Err(AuthorityError::NotAsInvited(what));
            }
        }
    }
    Ok(device)
}

/// The devices of a yard, as its book proves them.
#[derive(Clone, Debug, Default)]
pub struct Devices {
    devices: BTreeMap<DeviceId, Certificate>,
    revocations: BTreeMap<DeviceId, Vec<Revocation>>,
    /// Certificates that prove nothing: shown to the office.
    pub rejected: Vec<(RecordId, AuthorityError)>,
    /// One-time codes that more than one device used: (code key, devices). The first in the order
    /// of device ids is no better than the others, so all of them are held.
    pub shared_codes: Vec<(String, Vec<DeviceId>)>,
    vouched: BTreeMap<BookId, BTreeMap<ActorId, u64>>,
}

impl Devices {
    /// Reads the certificates and revocations of a yard book.
    pub fn of(yard: &Book) -> Self {
        let mut devices = Self::default();
        let Some(root) = yard.genesis().map(|g| g.root.clone()) else { return devices };
        let mut codes: BTreeMap<String, Vec<DeviceId>> = BTreeMap::new();
        let mut revocations = vec![];
        for (id, carriers) in yard.records() {
            for carrier in carriers {
                let text = yard.text(*carrier);
                // Most records of a yard are of other kinds: look before reading.
                if !text.contains(r#""kind":"certificate""#) && !text.contains(r#""kind":"revocation""#) {
                    continue;
                }
                let Ok(record) = serde_json::from_str::<Value>(text)
                    .map_err(|_| ())
                    .and_then(|v| Record::from_value(v).map_err(|_| ()))
                else {
                    continue;
                };
                match record.body {
                    Body::Certificate(certificate) => match check_certificate(&certificate, yard.id(), &root)
                    {
                        Err(error) => devices.rejected.push((id, error)),
                        Ok(device) => {
                            if let CertificateProof::Invitation { invitation, .. } = &certificate.proof {
                                codes.entry(invitation.code_key.key.clone()).or_default().push(device);
                            }
                            devices.admit(device, *certificate);
                        }
                    },
                    Body::Revocation(revocation) => revocations.push((*carrier, *revocation)),
                    _ => {}
                }
            }
        }
        for (code, mut users) in codes {
            users.sort_unstable();
            users.dedup();
            if users.len() > 1 {
                for device in &users {
                    devices.devices.remove(device);
                }
                devices.shared_codes.push((code, users));
            }
        }
        devices.vouch(yard);
        for (carrier, revocation) in revocations {
            let commit = &yard.commits()[carrier.commit];
            let office = devices.role(commit.actor().device()) == Some(Role::Office);
            if office && devices.vouched_through(yard.id(), commit.actor()) >= commit.seq() {
                devices.revocations.entry(revocation.device).or_default().push(revocation);
            }
        }
        devices
    }

    /// A later certificate for the same key replaces the earlier one; the choice depends on the
    /// certificates alone, not on their arrival.
    fn admit(&mut self, device: DeviceId, certificate: Certificate) {
        let rank = |c: &Certificate| (c.not_before, c.not_after, c.role, c.name.clone());
        match self.devices.get(&device) {
            Some(known) if rank(known) >= rank(&certificate) => {}
            _ => drop(self.devices.insert(device, certificate)),
        }
    }

    /// Checks a book's head signatures and remembers how far each chain is vouched for. Call it for
    /// every book before folding it.
    pub fn vouch(&mut self, book: &Book) {
        let mut ends: BTreeMap<ActorId, u64> = BTreeMap::new();
        // Only the last valid signature of a chain matters, so chains are tried from their end.
        let mut by_actor: BTreeMap<ActorId, Vec<&HeadSignature>> = BTreeMap::new();
        for signed in book.signatures() {
            by_actor.entry(signed.actor).or_default().push(signed);
        }
        for (actor, mut signed) in by_actor {
            let Some(certificate) = self.devices.get(&actor.device()) else { continue };
            signed.sort_by_key(|s| std::cmp::Reverse(s.seq));
            let valid = signed.into_iter().find(|s| {
                let commit = book.commit(s.hash);
                commit.is_some_and(|c| c.actor() == s.actor && c.seq() == s.seq)
                    && s.verify(book.id(), &certificate.key).is_ok()
            });
            if let Some(signed) = valid {
                ends.insert(actor, signed.seq);
            }
        }
        self.vouched.insert(book.id(), ends);
    }

    fn vouched_through(&self, book: BookId, actor: ActorId) -> u64 {
        self.vouched.get(&book).and_then(|ends| ends.get(&actor)).copied().unwrap_or(0)
    }

    /// A device's certificate.
    pub fn certificate(&self, device: DeviceId) -> Option<&Certificate> {
        self.devices.get(&device)
    }

    /// Every device with a certificate, ascending.
    pub fn iter(&self) -> impl Iterator<Item = (DeviceId, &Certificate)> {
        self.devices.iter().map(|(id, c)| (*id, c))
    }

    /// Whether a device has been revoked.
    pub fn revoked(&self, device: DeviceId) -> bool {
        self.revocations.contains_key(&device)
    }

    /// Whether a commit of a revoked device lies beyond what was accepted. Several revocations of
    /// one device all hold.
    fn beyond_revocation(&self, book: BookId, commit: &Commit) -> bool {
        let revocations = self.revocations.get(&commit.actor().device());
        revocations.into_iter().flatten().any(|revocation| {
            let accepted = revocation.accepted.iter().filter(|a| a.book == book).flat_map(|a| &a.ends);
            let last = accepted.filter(|end| end.actor == commit.actor()).map(|end| end.seq).max();
            last.is_none_or(|seq| commit.seq() > seq)
        })
    }
}

impl Authority for Devices {
    fn role(&self, device: DeviceId) -> Option<Role> {
        self.devices.get(&device).map(|c| c.role)
    }

    fn crew(&self, device: DeviceId) -> Option<CrewId> {
        self.devices.get(&device).and_then(|c| c.crew)
    }

    fn hold(&self, book: &Book, commit: &Commit) -> Option<HeldReason> {
        let Some(certificate) = self.devices.get(&commit.actor().device()) else {
            return Some(HeldReason::NoCertificate);
        };
        if self.beyond_revocation(book.id(), commit) {
            return Some(HeldReason::Revoked);
        }
        if self.vouched_through(book.id(), commit.actor()) < commit.seq() {
            return Some(HeldReason::NotVouched);
        }
        let outside = commit.time() < certificate.not_before || commit.time() > certificate.not_after;
        outside.then_some(HeldReason::OutsideCertificate)
    }
}

/// Whether a genesis is signed by the root key it names, and that root is the pinned one.
///
/// The root signs genesis commits with an actor of its own, so an ordinary head signature proves it.
///
/// # Errors
/// [`SigningError`] when no signature in the book proves it.
pub fn check_genesis(book: &Book, root: &PublicKey) -> Result<(), SigningError> {
    let genesis = book.genesis().ok_or(SigningError::Key)?;
    let first = book.commits().first().ok_or(SigningError::Key)?;
    let pinned = genesis.root == *root && root.device()? == first.actor().device();
    if !pinned || !matches!(genesis.content, BookContent::Yard { .. } | BookContent::Job(_)) {
        return Err(SigningError::Key);
    }
    let mut signatures = book.signatures().filter(|s| s.hash == first.hash());
    let proven = signatures.any(|s| s.verify(book.id(), root).is_ok());
    proven.then_some(()).ok_or(SigningError::Signature)
}
