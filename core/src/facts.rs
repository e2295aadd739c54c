//! A book folded into facts: what stands, what was amended, struck, held or only proposed.
//!
//! The fold is a function of the set of commits and head signatures, never of their order of
//! arrival. It is evaluated in one pass along the operation numbers, which grow along causality,
//! so chains of any length and any reference a hostile writer invents are handled in a loop.

mod grow;

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use crate::book::{Book, Carrier};
use crate::causality::Spot;
use crate::commit::Commit;
use crate::ids::{CrewId, DeviceId, RecordId};
use crate::quantity::UtcMs;
use crate::record::people::Role;
use crate::record::{Body, Kind, Record, RecordError};

pub use grow::Grown;

/// Why a record is held: shown, but not in force until the office admits it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum HeldReason {
    /// The device has no certificate in the yard book.
    NoCertificate,
    /// Written outside the certificate's time.
    OutsideCertificate,
    /// No valid head signature covers the commit.
    NotVouched,
    /// The device was revoked before this commit was accepted.
    Revoked,
    /// The record names another device than the one that wrote its commit.
    NotItsAuthor,
}

/// Why a record is only a proposal: shown, without effect.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum ProposalReason {
    /// Only the office may write this kind.
    OfficeOnly,
    /// Only the author's device or the office may amend or strike a record.
    NotOwn,
    /// The crew's day was signed off before.
    AfterSignOff,
    /// It amends what the office had struck, and its writer knew.
    AfterStrike,
}

/// How a record stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Standing {
    /// In force.
    InForce,
    /// Held.
    Held(HeldReason),
    /// A proposal.
    Proposal(ProposalReason),
}

/// What a reader of a book knows of the devices that write in it.
pub trait Authority {
    /// The role of a device, if it has a certificate.
    fn role(&self, device: DeviceId) -> Option<Role>;
    /// The crew of a device.
    fn crew(&self, device: DeviceId) -> Option<CrewId>;
    /// The role a device had at a time: what it did then is judged by what it was then.
    fn role_at(&self, device: DeviceId, _at: UtcMs) -> Option<Role> {
        self.role(device)
    }
    /// The crew a device belonged to at a time.
    fn crew_at(&self, device: DeviceId, _at: UtcMs) -> Option<CrewId> {
        self.crew(device)
    }
    /// Why a commit's records are held, if they are.
    fn hold(&self, book: &Book, commit: &Commit) -> Option<HeldReason>;
}

/// One readable text of a record.
#[derive(Clone, Debug)]
pub struct Version {
    /// The record, shared with the book.
    pub record: Arc<Record>,
    /// The commit that carries it.
    pub carrier: Carrier,
    /// Where that commit stands among the replica's chains.
    pub spot: Spot,
    /// Its operation number, which grows along causality.
    pub op: u64,
    /// The device that wrote the commit.
    pub author: DeviceId,
    /// The role the device had when it wrote it.
    pub role: Option<Role>,
    /// The crew the device belonged to when it wrote it.
    pub crew: Option<CrewId>,
    /// How it stands.
    pub standing: Standing,
    /// The fact it belongs to, by index.
    pub fact: usize,
    superseded: bool,
}

impl Version {
    /// The record's id.
    pub fn id(&self) -> RecordId {
        self.record.envelope.id
    }
}

/// Why a fact has several values side by side.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Contest {
    /// One id, different texts.
    SameId,
    /// Two amendments made apart.
    AmendedTwoWays,
    /// Struck by someone who did not know its latest amendment.
    AmendedAndStruck,
}

/// A fact with its history.
#[derive(Clone, Debug)]
pub struct Fact {
    /// The id of its first record, by which everything else names it.
    pub id: RecordId,
    /// Its kind.
    pub kind: Kind,
    /// Every version, oldest first, by index into [`Facts::versions`].
    pub history: Vec<usize>,
    /// The versions in force; one, unless contested.
    pub current: Vec<usize>,
    /// The strike in force against it.
    pub struck_by: Option<RecordId>,
    /// Why it has several values, if it has.
    pub contested: Option<Contest>,
}

impl Fact {
    /// Whether it counts: it has a version in force and is not struck.
    pub fn in_force(&self) -> bool {
        self.struck_by.is_none() && !self.current.is_empty()
    }
}

/// A text of a book that this version cannot read as a record.
#[derive(Clone, Debug)]
pub struct Unreadable {
    /// Its id.
    pub id: RecordId,
    /// The commit that carries it.
    pub carrier: Carrier,
    /// The device that wrote it.
    pub author: DeviceId,
    /// What does not fit.
    pub error: RecordError,
}

/// A reference that has no effect: unknown, of another kind, not in the writer's past, or naming several facts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct BadReference {
    /// The record that names another.
    pub from: RecordId,
    /// The record named.
    pub to: RecordId,
}

/// A book, folded.
#[derive(Clone, Debug, Default)]
pub struct Facts {
    /// Every readable version, in causal order.
    pub versions: Vec<Version>,
    /// Every fact, by the id of its first record, ascending.
    pub facts: Vec<Fact>,
    /// What cannot be read.
    pub unreadable: Vec<Unreadable>,
    /// References without effect.
    pub bad_references: Vec<BadReference>,
    /// Ids under which different texts were written, ascending.
    pub conflicting: Vec<RecordId>,
    /// The sign-offs in force, as versions.
    pub signed_off: Vec<usize>,
    /// Versions that are held or only proposed.
    pub not_in_force: Vec<usize>,
    /// Facts with several values side by side.
    pub contested: Vec<usize>,
    /// How each commit was held, by its place in the replica.
    holds: Vec<Option<HeldReason>>,
    by_id: BTreeMap<RecordId, Vec<usize>>,
    by_kind: BTreeMap<Kind, Vec<usize>>,
}

/// Whether only the office may write a kind.
pub fn office_only(kind: Kind) -> bool {
    use Kind::{
        Access, Admission, Authorisation, Block, Crew, Join, Kit, Label, LabelConfirmation, Licence, Lot,
        Person, Question, Reopening, Requirements, Revocation, Ruling, SignOff,
    };
    matches!(
        kind,
        Access
            | Admission
            | Authorisation
            | Block
            | Crew
            | Join
            | Kit
            | Label
            | LabelConfirmation
            | Licence
            | Lot
            | Person
            | Question
            | Reopening
            | Requirements
            | Revocation
            | Ruling
            | SignOff
    )
}

impl Facts {
    /// Folds a book. `authority` judges authorship; `days` says which records a sign-off covers.
    pub fn fold(book: &Book, authority: &impl Authority, days: &impl SignedDays) -> Self {
        let mut facts = Self::read(book, authority);
        facts.admit(book);
        let closed = facts.signed_off(book, days);
        facts.link(book, days, &closed);
        facts.strike(book, days, &closed);
        facts.signed_off = closed;
        facts.finish();
        facts
    }

    /// Reads every record once, judges authorship, and sorts along causality.
    fn read(book: &Book, authority: &impl Authority) -> Self {
        let mut facts = Self::default();
        let holds = Self::holds(book, authority);
        let rescued_holds: Vec<_> = book.rescued().map(|r| authority.hold(book, r.commit())).collect();
        let held = |carrier: Carrier| match carrier.rescued() {
            None => holds.get(carrier.commit).copied().flatten(),
            Some(number) => rescued_holds.get(number).copied().flatten(),
        };
        for (id, carriers) in book.records() {
            let mut texts: BTreeMap<&str, Vec<Carrier>> = BTreeMap::new();
            for carrier in carriers {
                texts.entry(book.text(*carrier)).or_default().push(*carrier);
            }
            if texts.len() > 1 {
                facts.conflicting.push(id);
            }
            for mut carriers in texts.into_values() {
                let Some(first) = carriers.first() else { continue };
                let read = book.record(*first);
                let device = read.as_ref().ok().map(|r| r.envelope.device);
                // Several commits may carry one fact; the one that vouches best for it counts.
                carriers.sort_by_cached_key(|c| {
                    let commit = book.carrying(*c);
                    let own = device.is_some() && device == commit.map(|c| c.actor().device());
                    let place = commit.map(|c| (c.start_op(), c.hash()));
                    (!own, held(*c).is_some(), place, c.rescued().is_some())
                });
                let carrier = carriers[0];
                let Some(commit) = book.carrying(carrier) else { continue };
                let author = commit.actor().device();
                match read {
                    Err(error) => facts.unreadable.push(Unreadable { id, carrier, author, error }),
                    Ok(record) => {
                        let (role, crew) = (
                            authority.role_at(author, commit.time()),
                            authority.crew_at(author, commit.time()),
                        );
                        let standing = standing(&record, author, held(carrier), role);
                        let op = commit.start_op() + carrier.index as u64;
                        facts.versions.push(Version {
                            record,
                            carrier,
                            spot: book.spot(carrier),
                            op,
                            author,
                            role,
                            crew,
                            standing,
                            fact: usize::MAX,
                            superseded: false,
                        });
                    }
                }
            }
        }
        facts.holds = holds;
        facts.versions.sort_by_cached_key(|v| (v.op, v.id(), book.carrying(v.carrier).map(Commit::hash)));
        for (index, version) in facts.versions.iter().enumerate() {
            facts.by_id.entry(version.id()).or_default().push(index);
        }
        facts
    }

    /// Lets in what the office admitted, and did not take back.
    fn admit(&mut self, book: &Book) {
        let mut admitted = vec![];
        let undone = self.undone(book);
        for admission in &self.versions {
            let Body::Admission(body) = &admission.record.body else { continue };
            if admission.standing != Standing::InForce || undone.contains(&admission.id()) {
                continue;
            }
            for id in &body.records {
                for held in self.by_id.get(id).into_iter().flatten() {
                    let of = self.versions[*held].carrier;
                    let knew = book.knew(admission.carrier, of)
                        || book
                            .carriers(*id)
                            .iter()
                            .any(|c| book.knew(admission.carrier, *c) && book.text(*c) == book.text(of));
                    // A copy written later under another commit does not take an admission back.
                    if knew {
                        admitted.push(*held);
                    }
                }
            }
        }
        for index in admitted {
            let version = &mut self.versions[index];
            if matches!(version.standing, Standing::Held(_)) && version.record.kind() != Kind::Admission {
                version.standing = Standing::InForce;
            }
        }
    }

    /// What the office took back: admissions and sign-offs struck, amended or reopened, and strikes
    /// and reopenings struck in their turn. Latest first, so that what was itself undone undoes nothing.
    fn undone(&self, book: &Book) -> BTreeSet<RecordId> {
        let mut undone: BTreeSet<RecordId> = BTreeSet::new();
        for version in self.versions.iter().rev() {
            if version.standing != Standing::InForce {
                continue;
            }
            let by_office = version.role == Some(Role::Office);
            let kind = version.record.kind();
            // What an amendment replaced does not come back when the amendment is taken back in its turn.
            let amends = matches!(kind, Kind::SignOff | Kind::Admission);
            if !amends && undone.contains(&version.id()) {
                continue;
            }
            let named: &[RecordId] = match &version.record.body {
                Body::Reopening(b) => std::slice::from_ref(&b.sign_off),
                Body::Strike(b) if by_office => &b.records,
                Body::SignOff(_) | Body::Admission(_) if by_office => &version.record.envelope.replaces,
                _ => continue,
            };
            for id in named {
                let target = self.by_id.get(id).and_then(|v| v.first()).map(|i| &self.versions[*i]);
                let relevant = target.is_some_and(|t| {
                    let decision = matches!(
                        t.record.kind(),
                        Kind::SignOff | Kind::Admission | Kind::Reopening | Kind::Strike
                    );
                    let alike = matches!(kind, Kind::Strike | Kind::Reopening) || t.record.kind() == kind;
                    decision && alike && book.knew(version.carrier, t.carrier)
                });
                if relevant {
                    undone.insert(*id);
                }
            }
        }
        undone
    }

    /// The sign-offs in force: not struck or amended by the office, not reopened.
    fn signed_off(&self, book: &Book, days: &impl SignedDays) -> Vec<usize> {
        if !days.apply() {
            return vec![];
        }
        let undone = self.undone(book);
        let in_force = |v: &usize| {
            let version = &self.versions[*v];
            let kind = version.record.kind();
            kind == Kind::SignOff && version.standing == Standing::InForce && !undone.contains(&version.id())
        };
        (0..self.versions.len()).filter(in_force).collect()
    }

    /// The office's strikes in force, by the records they name.
    fn office_strikes(&self, book: &Book) -> BTreeMap<RecordId, Vec<usize>> {
        let undone = self.undone(book);
        let mut strikes: BTreeMap<RecordId, Vec<usize>> = BTreeMap::new();
        for (index, version) in self.versions.iter().enumerate() {
            let Body::Strike(body) = &version.record.body else { continue };
            let holds = version.standing == Standing::InForce && !undone.contains(&version.id());
            if holds && version.role == Some(Role::Office) {
                body.records.iter().for_each(|id| strikes.entry(*id).or_default().push(index));
            }
        }
        strikes
    }

    /// Whether a crew's change to `target` comes after a sign-off that did not know it.
    fn too_late(
        &self,
        book: &Book,
        days: &impl SignedDays,
        closed: &[usize],
        change: usize,
        target: usize,
    ) -> bool {
        closed.iter().any(|s| {
            let Body::SignOff(sign_off) = &self.versions[*s].record.body else { return false };
            days.covers(sign_off, &self.versions[target].record, self.versions[target].crew)
                && !book.knew(self.versions[*s].carrier, self.versions[change].carrier)
        })
    }

    /// Links amendments to their facts, oldest first: what a record replaces lies in its past and
    /// so was linked before it.
    fn link(&mut self, book: &Book, days: &impl SignedDays, closed: &[usize]) {
        let strikes = self.office_strikes(book);
        let mut roots: BTreeMap<(RecordId, Kind), usize> = BTreeMap::new();
        for index in 0..self.versions.len() {
            let (root, replaced) = self.targets(book, days, (closed, &strikes), index);
            let id = root.unwrap_or_else(|| self.versions[index].id());
            let kind = self.versions[index].record.kind();
            let fact = *roots.entry((id, kind)).or_insert_with(|| {
                self.facts.push(Fact {
                    id,
                    kind,
                    history: vec![],
                    current: vec![],
                    struck_by: None,
                    contested: None,
                });
                self.facts.len() - 1
            });
            self.versions[index].fact = fact;
            self.facts[fact].history.push(index);
            if self.versions[index].standing == Standing::InForce {
                for target in replaced {
                    self.versions[target].superseded = true;
                }
            }
        }
        for fact in &mut self.facts {
            let versions = &self.versions;
            let in_force = |v: &usize| versions[*v].standing == Standing::InForce && !versions[*v].superseded;
            fact.current = fact.history.iter().copied().filter(in_force).collect();
            if let [first, .., last] = fact.current[..] {
                let same = versions[first].id() == versions[last].id();
                fact.contested = Some(if same { Contest::SameId } else { Contest::AmendedTwoWays });
            }
        }
    }

    /// The fact an amendment belongs to and the versions it replaces; nothing for a new fact and
    /// for a reference without effect, whose record then stands by itself: no volume is hidden.
    fn targets(
        &mut self,
        book: &Book,
        days: &impl SignedDays,
        (closed, strikes): (&[usize], &BTreeMap<RecordId, Vec<usize>>),
        index: usize,
    ) -> (Option<RecordId>, Vec<usize>) {
        let names = self.versions[index].record.envelope.replaces.clone();
        let (mut root, mut replaced, mut bad) = (None, vec![], vec![]);
        for to in names {
            let known: Vec<usize> = self
                .by_id
                .get(&to)
                .into_iter()
                .flatten()
                .copied()
                .filter(|t| self.known_and_alike(book, index, *t))
                .collect();
            let of = known.first().map(|t| self.facts[self.versions[*t].fact].id);
            if of.is_none() || (root.is_some() && root != of) {
                bad.push(BadReference { from: self.versions[index].id(), to });
                continue;
            }
            root = of;
            replaced.extend(known);
        }
        if !bad.is_empty() {
            self.bad_references.extend(bad);
            return (None, vec![]);
        }
        // Every version replaced must be the writer's to replace, not only the first one named.
        if self.versions[index].standing == Standing::InForce
            && let Some(reason) = replaced.iter().find_map(|t| {
                self.limit(book, days, closed, index, *t).or_else(|| self.revives(book, strikes, index, *t))
            })
        {
            self.versions[index].standing = Standing::Proposal(reason);
        }
        (root, replaced)
    }

    /// Whether the writer of one version knew another: by any commit that carries its text.
    fn knew(&self, book: &Book, by: usize, of: usize) -> bool {
        let (by, of) = (&self.versions[by], &self.versions[of]);
        book.knew(by.carrier, of.carrier)
            || book.carriers(of.id()).iter().any(|c| {
                *c != of.carrier && book.knew(by.carrier, *c) && book.text(*c) == book.text(of.carrier)
            })
    }

    fn known_and_alike(&self, book: &Book, index: usize, target: usize) -> bool {
        let (by, of) = (&self.versions[index], &self.versions[target]);
        of.fact != usize::MAX
            && by.record.kind() == of.record.kind()
            && by.id() != of.id()
            && self.knew(book, index, target)
    }

    /// Whether anyone but the office amends what the office, as the writer knew, had struck.
    fn revives(
        &self,
        book: &Book,
        strikes: &BTreeMap<RecordId, Vec<usize>>,
        change: usize,
        target: usize,
    ) -> Option<ProposalReason> {
        if self.versions[change].role == Some(Role::Office) {
            return None;
        }
        let fact = &self.facts[self.versions[target].fact];
        let mut named = fact.history.iter().filter_map(|v| strikes.get(&self.versions[*v].id())).flatten();
        let known = named.any(|s| book.knew(self.versions[change].carrier, self.versions[*s].carrier));
        known.then_some(ProposalReason::AfterStrike)
    }

    /// Why a change by this author to that record has no effect, if it has none.
    fn limit(
        &self,
        book: &Book,
        days: &impl SignedDays,
        closed: &[usize],
        change: usize,
        target: usize,
    ) -> Option<ProposalReason> {
        if self.versions[change].role == Some(Role::Office) {
            return None;
        }
        if self.versions[change].author != self.versions[target].author {
            return Some(ProposalReason::NotOwn);
        }
        self.too_late(book, days, closed, change, target).then_some(ProposalReason::AfterSignOff)
    }

    /// Applies strikes, latest first, so that a strike that is itself struck has no effect.
    fn strike(&mut self, book: &Book, days: &impl SignedDays, closed: &[usize]) {
        for index in (0..self.versions.len()).rev() {
            let Body::Strike(body) = &self.versions[index].record.body else { continue };
            let fact = &self.facts[self.versions[index].fact];
            if self.versions[index].standing != Standing::InForce
                || fact.struck_by.is_some()
                || !fact.current.contains(&index)
            {
                continue;
            }
            let from = self.versions[index].id();
            let mut targets = BTreeSet::new();
            for to in &body.records {
                let known = self.by_id.get(to).into_iter().flatten();
                let known =
                    known.copied().find(|t| self.versions[*t].id() != from && self.knew(book, index, *t));
                match known {
                    Some(target) => drop(targets.insert(self.versions[target].fact)),
                    None => self.bad_references.push(BadReference { from, to: *to }),
                }
            }
            let limit = targets.iter().find_map(|fact| {
                // Whoever wrote the first version may not strike out what another made of it since.
                let fact = &self.facts[*fact];
                let mut touched = fact.history.iter().take(1).chain(&fact.current);
                touched.find_map(|v| self.limit(book, days, closed, index, *v))
            });
            if let Some(reason) = limit {
                self.versions[index].standing = Standing::Proposal(reason);
                continue;
            }
            for struck in targets {
                let all_known = self.facts[struck].current.iter().all(|v| self.knew(book, index, *v));
                if all_known {
                    self.facts[struck].struck_by = Some(from);
                } else if self.facts[struck].contested.is_none() {
                    self.facts[struck].contested = Some(Contest::AmendedAndStruck);
                }
            }
        }
    }

    fn finish(&mut self) {
        self.facts.sort_by_key(|f| f.id);
        for (index, fact) in self.facts.iter().enumerate() {
            for version in &fact.history {
                self.versions[*version].fact = index;
            }
            self.by_kind.entry(fact.kind).or_default().push(index);
        }
        // A strike that was found to be a proposal is no longer current.
        let versions = &self.versions;
        for fact in &mut self.facts {
            fact.current.retain(|v| versions[*v].standing == Standing::InForce);
        }
        let odd = |v: &usize| self.versions[*v].standing != Standing::InForce;
        self.not_in_force = (0..self.versions.len()).filter(odd).collect();
        self.contested = (0..self.facts.len()).filter(|f| self.facts[*f].contested.is_some()).collect();
        self.unreadable.sort_by_key(|u| u.id);
        self.bad_references.sort_unstable();
        self.bad_references.dedup();
    }

    /// Every readable text under an id, in causal order.
    pub fn texts(&self, id: RecordId) -> impl Iterator<Item = &Version> {
        self.by_id.get(&id).into_iter().flatten().map(|v| &self.versions[*v])
    }

    /// How many different texts stand under an id, readable or not.
    pub fn texts_of(&self, id: RecordId) -> usize {
        self.by_id.get(&id).map_or(0, Vec::len) + self.unreadable.iter().filter(|u| u.id == id).count()
    }

    /// Every fact of a kind, ascending by id, whatever its standing.
    pub fn of_kind(&self, kind: Kind) -> impl Iterator<Item = &Fact> {
        self.by_kind.get(&kind).into_iter().flatten().map(|i| &self.facts[*i])
    }

    /// Every fact of a kind that is in force, ascending by id.
    pub fn in_force(&self, kind: Kind) -> impl Iterator<Item = &Fact> {
        self.of_kind(kind).filter(|f| f.in_force())
    }

    /// The fact a record belongs to: by its own id or that of any of its amendments.
    pub fn fact_of(&self, id: RecordId) -> Option<&Fact> {
        let version = self.by_id.get(&id)?.first()?;
        self.facts.get(self.versions[*version].fact)
    }

    /// The same as [`Facts::fact_of`], looked for first among the facts at `near`: where a tree's own
    /// facts are at hand, the book's index need not be searched.
    pub fn fact_near(&self, id: RecordId, near: &[usize]) -> Option<&Fact> {
        let is_of = |f: &&Fact| f.id == id || f.history.iter().any(|v| self.versions[*v].id() == id);
        // Of an id with several texts the first in the book counts, which may be of another kind.
        let found = near.iter().map(|i| &self.facts[*i]).find(is_of);
        found.filter(|_| self.conflicting.binary_search(&id).is_err()).or_else(|| self.fact_of(id))
    }

    /// The fact with this id, if it is in force.
    pub fn standing_fact(&self, id: RecordId) -> Option<&Fact> {
        self.fact_of(id).filter(|f| f.in_force())
    }

    /// The versions of a fact in force.
    pub fn current<'a>(&'a self, fact: &'a Fact) -> impl Iterator<Item = &'a Version> {
        fact.current.iter().map(|v| &self.versions[*v])
    }

    /// The one version to show for a fact: the last in force, or the last of all when none is.
    pub fn shown(&self, fact: &Fact) -> &Version {
        let index = fact.current.last().or(fact.history.last()).copied().unwrap_or_default();
        &self.versions[index]
    }
}

/// How sign-offs close days, for books that have days.
pub trait SignedDays {
    /// Whether sign-offs apply to this book at all.
    fn apply(&self) -> bool;
    /// Whether a sign-off covers a record written by a device of `crew`.
    fn covers(
        &self,
        sign_off: &crate::record::office::SignOff,
        record: &Record,
        crew: Option<CrewId>,
    ) -> bool;
}

/// For books without days: the yard.
pub struct NoDays;

impl SignedDays for NoDays {
    fn apply(&self) -> bool {
        false
    }

    fn covers(&self, _: &crate::record::office::SignOff, _: &Record, _: Option<CrewId>) -> bool {
        false
    }
}

/// What came into the yard's stock, and what was counted there, is the office's to say.
fn counts_stock(body: &Body) -> bool {
    use crate::record::product::MovementKind::{OnHand, Received};
    matches!(body, Body::Movement(b) if matches!(b.what, Received | OnHand))
}

fn standing(record: &Record, author: DeviceId, hold: Option<HeldReason>, role: Option<Role>) -> Standing {
    let kind = record.kind();
    // A genesis is proven by the root's signature, a certificate and a rescue by their own proof.
    if matches!(kind, Kind::Genesis | Kind::Certificate | Kind::Rescue) {
        return Standing::InForce;
    }
    if record.envelope.device != author {
        return Standing::Held(HeldReason::NotItsAuthor);
    }
    if let Some(reason) = hold {
        return Standing::Held(reason);
    }
    let servers_word = matches!(kind, Kind::Receipt | Kind::PhotoReceived);
    let allowed = match role {
        Some(Role::Office) => !servers_word,
        Some(Role::Crew) => !office_only(kind) && !servers_word && !counts_stock(&record.body),
        Some(Role::Server) => servers_word,
        None => return Standing::Held(HeldReason::NoCertificate),
    };
    if allowed { Standing::InForce } else { Standing::Proposal(ProposalReason::OfficeOnly) }
}
