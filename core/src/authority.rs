//! Who may speak: invitations, certificates, the genesis, revocations, and what a signature covers.
//!
//! Everything hangs on the office's root key, pinned when a device is enrolled. A certificate
//! proves itself by its signatures, so it may travel in any commit. Whether a commit's records are
//! in force follows from the certificate of its author, the head signatures of its chain and the
//! revocations of the yard; every receiver finds the same from the same books. Nothing is refused
//! for want of authority: it is held, and said why ([`HeldReason`]).

use std::collections::{BTreeMap, BTreeSet};

use crate::book::Book;
use crate::commit::Commit;
use crate::facts::{Authority, HeldReason};
use crate::ids::{ActorId, BookId, CrewId, DeviceId, RecordId};
use crate::quantity::UtcMs;
use crate::record::book_kinds::{BookContent, Genesis};
use crate::record::people::{Certificate, CertificateProof, Invitation, Revocation, Role};
use crate::record::{Body, CanonicalError, Kind, Record};
use crate::signing::{HeadSignature, PublicKey, SecretKey, Signature, SigningError, statement};

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

/// A certificate record that proves nothing.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Unproven {
    /// The record.
    pub record: RecordId,
    /// Why.
    pub error: AuthorityError,
}

/// A yard's devices: the root key, every proven certificate and every revocation in force.
#[derive(Clone, Debug)]
pub struct Directory {
    yard: BookId,
    root: PublicKey,
    root_device: DeviceId,
    devices: BTreeMap<DeviceId, Vec<Certificate>>,
    revoked: BTreeMap<DeviceId, BTreeMap<(BookId, ActorId), u64>>,
    unproven: Vec<Unproven>,
    waiting: bool,
}

impl Directory {
    /// Reads a yard book, whose genesis must be signed by the pinned root key.
    ///
    /// # Errors
    /// [`AuthorityError`] when the book is not the yard of this root key.
    pub fn read(yard: &Book, root: &PublicKey) -> Result<Self, AuthorityError> {
        let genesis = book_genesis(yard, root, "yard")?;
        if !matches!(genesis.content, BookContent::Yard { .. }) {
            return Err(AuthorityError::NoGenesis("yard"));
        }
        let root_device = root.device().map_err(signature("the root key"))?;
        let mut directory = Self {
            yard: yard.id(),
            root: root.clone(),
            root_device,
            devices: BTreeMap::new(),
            revoked: BTreeMap::new(),
            unproven: vec![],
            waiting: false,
        };
        let mut revocations = vec![];
        let mut proven: Vec<(RecordId, DeviceId, Certificate)> = vec![];
        for (id, carriers) in yard.records() {
            let mut seen = BTreeSet::new();
            for carrier in carriers {
                let text = yard.text(*carrier);
                if !may_matter(text) {
                    continue;
                }
                let (Ok(record), Some(commit)) = (Record::read(text), yard.commits().get(carrier.commit))
                else {
                    continue;
                };
                match record.body {
                    Body::Certificate(certificate) if seen.insert(text) => {
                        match verify_certificate(&certificate, root, yard.id()) {
                            Ok(device) => proven.push((id, device, *certificate)),
                            Err(error) => directory.unproven.push(Unproven { record: id, error }),
                        }
                    }
                    Body::Revocation(body) if record.envelope.device == commit.actor().device() => {
                        let op = commit.start_op() + carrier.index as u64;
                        revocations.push((op, commit.hash(), commit, body));
                    }
                    _ => {}
                }
            }
        }
        directory.take_certificates(proven);
        revocations.sort_by_key(|(op, hash, ..)| (*op, *hash));
        let vouched = directory.vouched(yard);
        for (_, _, commit, body) in revocations {
            let office = directory.role_of(commit.actor().device()) == Some(Role::Office);
            if office && directory.hold_with(&vouched, yard.id(), commit).is_none() {
                directory.revoke(&body);
            } else {
                directory.waiting = true;
            }
        }
        Ok(directory)
    }

    /// A code used for several devices proves none of them; the root's own certificates stand.
    fn take_certificates(&mut self, proven: Vec<(RecordId, DeviceId, Certificate)>) {
        let mut uses: BTreeMap<String, BTreeSet<DeviceId>> = BTreeMap::new();
        let code = |c: &Certificate| match &c.proof {
            CertificateProof::Root { .. } => None,
            CertificateProof::Invitation { invitation, .. } => Some(invitation.code_key.key.clone()),
        };
        for (_, device, certificate) in &proven {
            if let Some(code) = code(certificate) {
                uses.entry(code).or_default().insert(*device);
            }
        }
        for (record, device, certificate) in proven {
            let used = code(&certificate).and_then(|c| uses.get(&c)).map_or(1, BTreeSet::len);
            if used > 1 {
                self.unproven.push(Unproven { record, error: AuthorityError::UsedTwice });
            } else {
                self.devices.entry(device).or_default().push(certificate);
            }
        }
        // The newest last, by what the certificates say and not by when they came.
        let key = |c: &Certificate| (c.not_before, c.not_after, c.role, c.crew, c.name.clone());
        self.devices.values_mut().for_each(|certificates| certificates.sort_by_key(key));
    }

    fn revoke(&mut self, revocation: &Revocation) {
        let mut accepted: BTreeMap<(BookId, ActorId), u64> = BTreeMap::new();
        for chains in &revocation.accepted {
            for end in &chains.ends {
                let seq = accepted.entry((chains.book, end.actor)).or_default();
                *seq = end.seq.max(*seq);
            }
        }
        match self.revoked.get_mut(&revocation.device) {
            // Revoked twice: what both accept.
            Some(before) => before.retain(|chain, seq| match accepted.get(chain) {
                Some(other) => {
                    *seq = (*seq).min(*other);
                    true
                }
                None => false,
            }),
            None => {
                self.revoked.insert(revocation.device, accepted);
            }
        }
    }

    /// The yard book.
    pub fn yard(&self) -> BookId {
        self.yard
    }

    /// The pinned root key.
    pub fn root(&self) -> &PublicKey {
        &self.root
    }

    /// A device's newest certificate.
    pub fn certificate(&self, device: DeviceId) -> Option<&Certificate> {
        self.devices.get(&device).and_then(|c| c.last())
    }

    /// Every device with a certificate, ascending.
    pub fn devices(&self) -> impl Iterator<Item = (DeviceId, &Certificate)> {
        self.devices.iter().filter_map(|(device, c)| Some((*device, c.last()?)))
    }

    /// Whether a device was revoked.
    pub fn revoked(&self, device: DeviceId) -> bool {
        self.revoked.contains_key(&device)
    }

    /// Certificates that prove nothing, and why.
    pub fn unproven(&self) -> &[Unproven] {
        &self.unproven
    }

    /// Whether a revocation waits for its signature or its author's certificate: any signature that
    /// arrives may then change this directory.
    pub fn waiting(&self) -> bool {
        self.waiting
    }

    /// The key a device signs with.
    pub fn key(&self, device: DeviceId) -> Option<&PublicKey> {
        if device == self.root_device { Some(&self.root) } else { self.certificate(device).map(|c| &c.key) }
    }

    /// A device's role; the root key's own device is the office.
    pub fn role_of(&self, device: DeviceId) -> Option<Role> {
        if device == self.root_device { Some(Role::Office) } else { self.certificate(device).map(|c| c.role) }
    }

    /// What a device may do at `now`: its role, unless it has none, is revoked, or its certificate
    /// has ended or not begun.
    ///
    /// # Errors
    /// [`HeldReason`] for which its work would be held.
    pub fn admits(&self, device: DeviceId, now: UtcMs) -> Result<Role, HeldReason> {
        let role = self.role_of(device).ok_or(HeldReason::NoCertificate)?;
        if self.revoked(device) {
            return Err(HeldReason::Revoked);
        }
        if self.covers(device, now) { Ok(role) } else { Err(HeldReason::OutsideCertificate) }
    }

    fn covers(&self, device: DeviceId, at: UtcMs) -> bool {
        device == self.root_device
            || self.devices.get(&device).into_iter().flatten().any(|c| {
                at.0 >= c.not_before.0.saturating_sub(CLOCK_TOLERANCE_MS)
                    && at.0 <= c.not_after.0.saturating_add(CLOCK_TOLERANCE_MS)
            })
    }

    /// Checks that a job book is of this yard and root key and its genesis signed.
    ///
    /// # Errors
    /// [`AuthorityError`] with what does not hold.
    pub fn check_job(&self, job: &Book) -> Result<(), AuthorityError> {
        match &book_genesis(job, &self.root, "job")?.content {
            BookContent::Job(content) if content.yard == self.yard => Ok(()),
            BookContent::Job(content) => {
                Err(AuthorityError::OtherYard { found: content.yard, wanted: self.yard })
            }
            BookContent::Yard { .. } => Err(AuthorityError::NoGenesis("job")),
        }
    }

    /// Up to which sequence number each actor's chain in a book is vouched for by its device.
    ///
    /// Of every actor only as many signatures are checked as it takes to find one that holds.
    pub fn vouched(&self, book: &Book) -> Vouched {
        let mut by_actor: BTreeMap<ActorId, Vec<&HeadSignature>> = BTreeMap::new();
        for signed in book.signatures() {
            by_actor.entry(signed.actor).or_default().push(signed);
        }
        let mut ends = BTreeMap::new();
        for (actor, mut signatures) in by_actor {
            let Some(key) = self.key(actor.device()) else { continue };
            signatures.sort_by_key(|s| std::cmp::Reverse(s.seq));
            let holds = |s: &&&HeadSignature| {
                let own = book.commit(s.hash).is_some_and(|c| c.actor() == actor && c.seq() == s.seq);
                own && s.verify(book.id(), key).is_ok()
            };
            if let Some(signed) = signatures.iter().find(holds) {
                ends.insert(actor, signed.seq);
            }
        }
        Vouched { ends }
    }

    /// This directory's word on one book.
    pub fn for_book(&self, book: &Book) -> BookAuthority<'_> {
        BookAuthority { directory: self, book: book.id(), vouched: self.vouched(book) }
    }

    fn hold_with(&self, vouched: &Vouched, book: BookId, commit: &Commit) -> Option<HeldReason> {
        let device = commit.actor().device();
        if self.role_of(device).is_none() {
            return Some(HeldReason::NoCertificate);
        }
        if !vouched.covers(commit) {
            return Some(HeldReason::NotVouched);
        }
        let accepted =
            self.revoked.get(&device).map(|a| a.get(&(book, commit.actor())).copied().unwrap_or(0));
        if accepted.is_some_and(|seq| commit.seq() > seq) {
            return Some(HeldReason::Revoked);
        }
        (!self.covers(device, commit.time())).then_some(HeldReason::OutsideCertificate)
    }
}

/// Whether a record's or commit's text may change a directory: a cheap look before reading it
/// whole, for canonical text has one spelling of a kind.
pub fn may_matter(text: &str) -> bool {
    [Kind::Certificate, Kind::Revocation].iter().any(|k| text.contains(&format!(r#""kind":"{}""#, k.name())))
}

/// Up to where the chains of a book are vouched for.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Vouched {
    ends: BTreeMap<ActorId, u64>,
}

impl Vouched {
    /// Whether a signature that holds covers the commit: one for it or for a later one of its chain.
    pub fn covers(&self, commit: &Commit) -> bool {
        self.ends.get(&commit.actor()).is_some_and(|seq| commit.seq() <= *seq)
    }
}

/// A directory's word on one book, with the signatures of its chains checked once.
#[derive(Clone, Debug)]
pub struct BookAuthority<'d> {
    directory: &'d Directory,
    book: BookId,
    vouched: Vouched,
}

impl Authority for BookAuthority<'_> {
    fn role(&self, device: DeviceId) -> Option<Role> {
        self.directory.role_of(device)
    }

    fn crew(&self, device: DeviceId) -> Option<CrewId> {
        self.directory.certificate(device).and_then(|c| c.crew)
    }

    fn hold(&self, book: &Book, commit: &Commit) -> Option<HeldReason> {
        if book.id() == self.book {
            return self.directory.hold_with(&self.vouched, self.book, commit);
        }
        self.directory.hold_with(&self.directory.vouched(book), book.id(), commit)
    }
}

#[cfg(test)]
mod tests;
