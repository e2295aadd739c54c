//! A yard's devices as its book says: certificates, revocations, and what signatures cover.

mod access;

use std::collections::{BTreeMap, BTreeSet};

use super::revocations::{Claim, in_force};
use super::{AuthorityError, CLOCK_TOLERANCE_MS, book_genesis, signature, verify_certificate};
use crate::book::{Book, Carrier};
use crate::commit::Commit;
use crate::facts::{Authority, HeldReason};
use crate::ids::{ActorId, BookId, CommitHash, CrewId, DeviceId, RecordId};
use crate::quantity::UtcMs;
use crate::record::book_kinds::BookContent;
use crate::record::people::{Certificate, CertificateProof, Revocation, Role};
use crate::record::{Body, Kind, Record};
use crate::signing::{HeadSignature, PublicKey};

pub use access::BookAccess;

/// A certificate record that proves nothing.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Unproven {
    /// The record.
    pub record: RecordId,
    /// Why.
    pub error: AuthorityError,
}

/// A yard's devices: the root key, every proven certificate and every revocation in force.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Directory {
    yard: BookId,
    root: PublicKey,
    root_device: DeviceId,
    devices: BTreeMap<DeviceId, Vec<Certificate>>,
    revoked: BTreeMap<DeviceId, BTreeMap<(BookId, ActorId), u64>>,
    unproven: Vec<Unproven>,
    shared_codes: BTreeSet<String>,
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
            shared_codes: BTreeSet::new(),
            waiting: false,
        };
        let mut revocations: Vec<(Carrier, Box<Revocation>)> = vec![];
        let mut proven: Vec<(RecordId, DeviceId, Certificate)> = vec![];
        for (id, carriers) in yard.records() {
            let mut seen = BTreeSet::new();
            for carrier in carriers {
                let text = yard.text(*carrier);
                if !may_matter(text) {
                    continue;
                }
                let (Ok(record), Some(commit)) = (Record::read(text), yard.carrying(*carrier)) else {
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
                        revocations.push((*carrier, body));
                    }
                    _ => {}
                }
            }
        }
        directory.take_certificates(proven);
        directory.take_revocations(yard, &revocations);
        Ok(directory)
    }

    /// Takes in the revocations that are in force (`super::revocations`).
    fn take_revocations(&mut self, yard: &Book, revocations: &[(Carrier, Box<Revocation>)]) {
        let vouched = self.vouched(yard);
        let arrivals = self.arrivals(yard, &vouched);
        let mut claims = vec![];
        for (carrier, body) in revocations {
            let Some(commit) = yard.carrying(*carrier) else { continue };
            let author = commit.actor().device();
            if self.of_office(yard, &vouched, &arrivals, commit) {
                let (at, by_root) = ((commit.actor(), commit.seq()), author == self.root_device);
                claims.push((*carrier, Claim { author, at, commit: claims.len(), by_root, body }));
            } else {
                self.waiting = true;
            }
        }
        let (carriers, claims): (Vec<_>, Vec<_>) = claims.into_iter().unzip();
        // A revocation knows another of its own commit in both directions: it decides nothing.
        let knew = |b: usize, a: usize| {
            carriers[a].commit != carriers[b].commit && yard.knew(carriers[b], carriers[a])
        };
        let holds = in_force(self.yard, &claims, knew);
        for (claim, _) in claims.iter().zip(holds).filter(|(_, holds)| *holds) {
            self.revoke(claim.body);
        }
    }

    /// Whether a commit of the yard book is the office's and in force.
    fn of_office(
        &self,
        yard: &Book,
        vouched: &Vouched,
        arrivals: &[(UtcMs, Carrier)],
        commit: &Commit,
    ) -> bool {
        let author = commit.actor().device();
        let then = self.certificate_at(author, commit.time()).map(|c| c.role);
        let office = author == self.root_device || then == Some(Role::Office);
        office
            && self.hold_with(vouched, yard.id(), commit).is_none()
            && !self.written_after_end(yard, arrivals, commit)
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
        let shared = uses.iter().filter(|(_, devices)| devices.len() > 1);
        self.shared_codes = shared.map(|(code, _)| code.clone()).collect();
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
        // Everything hangs on the root key; no certificate made by it can take it back.
        if revocation.device == self.root_device {
            return;
        }
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

    /// The certificate that held for a device at a time: of several the newest, and one that really
    /// held before one that only held within the tolerance for clocks.
    pub fn certificate_at(&self, device: DeviceId, at: UtcMs) -> Option<&Certificate> {
        let all = self.devices.get(&device)?;
        let within = |tolerance: i64| {
            all.iter().rfind(|c| {
                at.0 >= c.not_before.0.saturating_sub(tolerance)
                    && at.0 <= c.not_after.0.saturating_add(tolerance)
            })
        };
        within(0).or_else(|| within(CLOCK_TOLERANCE_MS))
    }

    /// Whether a one-time code made certificates for several devices.
    pub fn is_code_shared(&self, code_key: &PublicKey) -> bool {
        self.shared_codes.contains(&code_key.key)
    }

    /// What a device may do at `now`: its role, unless it has none, is revoked, or its certificate
    /// has ended or not begun.
    ///
    /// # Errors
    /// [`HeldReason`] for which its work would be held.
    pub fn admits(&self, device: DeviceId, now: UtcMs) -> Result<Role, HeldReason> {
        // Also when its certificate never came into the yard book.
        if self.revoked(device) {
            return Err(HeldReason::Revoked);
        }
        let role = self.role_of(device).ok_or(HeldReason::NoCertificate)?;
        if self.covers(device, now) { Ok(role) } else { Err(HeldReason::OutsideCertificate) }
    }

    fn covers(&self, device: DeviceId, at: UtcMs) -> bool {
        device == self.root_device || self.certificate_at(device, at).is_some()
    }

    /// The latest moment after which no certificate of the device holds.
    fn ends(&self, device: DeviceId) -> Option<UtcMs> {
        let last = self.devices.get(&device)?.iter().map(|c| c.not_after).max()?;
        Some(UtcMs(last.0.saturating_add(CLOCK_TOLERANCE_MS)))
    }

    /// The servers' receipts of a book that are vouched for: when, and in which commit; latest first.
    fn arrivals(&self, book: &Book, vouched: &Vouched) -> Vec<(UtcMs, Carrier)> {
        let mut arrivals = vec![];
        for (position, commit) in book.commits().iter().enumerate() {
            let server = self.role_of(commit.actor().device()) == Some(Role::Server);
            if !server || !vouched.covers(commit) {
                continue;
            }
            for (index, text) in commit.records().iter().enumerate() {
                if text.ends_with(r#","kind":"receipt","v":1}"#)
                    && let Ok(Record { body: Body::Receipt(receipt), .. }) = Record::read(text)
                {
                    arrivals.push((receipt.arrived_at, Carrier { commit: position, index }));
                }
            }
        }
        arrivals.sort_unstable_by(|a, b| b.cmp(a));
        arrivals
    }

    /// Whether a commit was written after its device's last certificate was over, whatever its own
    /// time says: its writer had seen a server's receipt from after it.
    fn written_after_end(&self, book: &Book, arrivals: &[(UtcMs, Carrier)], commit: &Commit) -> bool {
        let Some(end) = self.ends(commit.actor().device()) else { return false };
        let mut after = arrivals.iter().take_while(|(at, _)| *at > end);
        after.any(|(_, receipt)| book.commit_knew(commit.hash(), *receipt))
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
                own && book.holds(s, key)
            };
            if let Some(signed) = signatures.iter().find(holds) {
                ends.insert(actor, signed.seq);
            }
        }
        let rescued = self.vouched_rescued(book, &mut ends);
        Vouched { ends, rescued }
    }

    /// Which rescued commits are vouched for: by a signature on them, or on one that follows them
    /// in their chain. Such a one also vouches for what the log itself has of the chain before it.
    fn vouched_rescued(&self, book: &Book, ends: &mut BTreeMap<ActorId, u64>) -> BTreeMap<CommitHash, bool> {
        let mut latest: Vec<_> = book.rescued().collect();
        latest.sort_by_key(|r| std::cmp::Reverse((r.commit().seq(), r.commit().hash())));
        let mut linked: BTreeSet<(ActorId, CommitHash)> = BTreeSet::new();
        let mut rescued = BTreeMap::new();
        for one in latest {
            let commit = one.commit();
            let (actor, hash) = (commit.actor(), commit.hash());
            let signed = self.key(actor.device()).is_some_and(|key| {
                linked.contains(&(actor, hash))
                    || one.signatures().any(|s| s.hash == hash && s.verify(book.id(), key).is_ok())
            });
            if signed {
                linked.extend(commit.deps().iter().map(|d| (actor, *d)));
                for before in commit.deps().iter().filter_map(|d| book.commit(*d)) {
                    if before.actor() == actor && before.seq() + 1 == commit.seq() {
                        let end = ends.entry(actor).or_default();
                        *end = before.seq().max(*end);
                    }
                }
            }
            if book.commit(hash).is_none() {
                rescued.insert(hash, signed);
            }
        }
        rescued
    }

    /// This directory's word on one book.
    pub fn for_book(&self, book: &Book) -> BookAuthority<'_> {
        let vouched = self.vouched(book);
        let arrivals = self.arrivals(book, &vouched);
        BookAuthority { directory: self, book: book.id(), vouched, arrivals }
    }

    fn hold_with(&self, vouched: &Vouched, book: BookId, commit: &Commit) -> Option<HeldReason> {
        let device = commit.actor().device();
        if self.role_of(device).is_none() {
            return Some(HeldReason::NoCertificate);
        }
        if !vouched.covers(commit) {
            return Some(HeldReason::NotVouched);
        }
        if let Some(accepted) = self.revoked.get(&device) {
            let through = accepted.get(&(book, commit.actor())).copied().unwrap_or(0);
            // What was accepted was the log's own branch: whoever has the key can sign another one.
            if commit.seq() > through || vouched.is_rescued(commit) {
                return Some(HeldReason::Revoked);
            }
        }
        (!self.covers(device, commit.time())).then_some(HeldReason::OutsideCertificate)
    }
}

/// Whether a record's or commit's text may change a directory, or who may have which book: a cheap
/// look before reading it whole, for canonical text has one spelling of a kind.
pub fn may_matter(text: &str) -> bool {
    [Kind::Certificate, Kind::Revocation, Kind::Rescue, Kind::Access]
        .iter()
        .any(|k| text.contains(&format!(r#""kind":"{}""#, k.name())))
}

/// Up to where the chains of a book are vouched for.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Vouched {
    ends: BTreeMap<ActorId, u64>,
    /// Commits that are not in the log but were rescued, and whether a signature covers them. They
    /// go by their hash: the log has another commit of the same actor and number.
    rescued: BTreeMap<CommitHash, bool>,
}

impl Vouched {
    /// Whether a signature that holds covers the commit: one for it or for a later one of its chain.
    pub fn covers(&self, commit: &Commit) -> bool {
        match self.rescued.get(&commit.hash()) {
            Some(signed) => *signed,
            None => self.ends.get(&commit.actor()).is_some_and(|seq| commit.seq() <= *seq),
        }
    }

    fn is_rescued(&self, commit: &Commit) -> bool {
        self.rescued.contains_key(&commit.hash())
    }
}

/// A directory's word on one book, with the signatures of its chains checked once.
#[derive(Clone, Debug)]
pub struct BookAuthority<'d> {
    directory: &'d Directory,
    book: BookId,
    vouched: Vouched,
    arrivals: Vec<(UtcMs, Carrier)>,
}

impl Authority for BookAuthority<'_> {
    fn role(&self, device: DeviceId) -> Option<Role> {
        self.directory.role_of(device)
    }

    fn crew(&self, device: DeviceId) -> Option<CrewId> {
        self.directory.certificate(device).and_then(|c| c.crew)
    }

    fn role_at(&self, device: DeviceId, at: UtcMs) -> Option<Role> {
        let held = self.directory.certificate_at(device, at).map(|c| c.role);
        if device == self.directory.root_device { Some(Role::Office) } else { held.or(self.role(device)) }
    }

    fn crew_at(&self, device: DeviceId, at: UtcMs) -> Option<CrewId> {
        match self.directory.certificate_at(device, at) {
            Some(certificate) => certificate.crew,
            None => self.crew(device),
        }
    }

    fn hold(&self, book: &Book, commit: &Commit) -> Option<HeldReason> {
        if book.id() != self.book {
            return self.directory.for_book(book).hold(book, commit);
        }
        let held = self.directory.hold_with(&self.vouched, self.book, commit);
        let over = || self.directory.written_after_end(book, &self.arrivals, commit);
        held.or_else(|| over().then_some(HeldReason::OutsideCertificate))
    }
}
