//! What servers and commits say of time: records dated ahead, clocks set back, changes after a sign-off.

use std::collections::BTreeMap;

use crate::book::{Book, Carrier};
use crate::check::entry::CLOCK_TOLERANCE_MS;
use crate::facts::{Authority, Standing};
use crate::ids::{ActorId, CrewId, DeviceId, RecordId};
use crate::quantity::UtcMs;
use crate::record::office::Requirements;
use crate::record::people::Role;
use crate::record::{Body, Kind};
use crate::view::{CrewDay, View};

impl View<'_> {
    /// Compares the date of each of some versions with the earliest receipt that covers its commit.
    pub(super) fn find_ahead(&mut self, book: &Book, of: &[usize]) {
        let mut arrivals: BTreeMap<ActorId, Vec<(u64, UtcMs)>> = BTreeMap::new();
        for fact in self.facts.in_force(Kind::Receipt) {
            for version in self.facts.current(fact) {
                let Body::Receipt(receipt) = &version.record.body else { continue };
                for end in &receipt.through {
                    arrivals.entry(end.actor).or_default().push((end.seq, receipt.arrived_at));
                }
            }
        }
        for of_actor in arrivals.values_mut() {
            of_actor.sort_unstable();
            // A receipt covers every commit up to its own: the earliest of those from here on counts,
            // so that one look-up answers for a commit however many receipts there are.
            let mut earliest = UtcMs(i64::MAX);
            for (_, at) in of_actor.iter_mut().rev() {
                earliest = earliest.min(*at);
                *at = earliest;
            }
        }
        for (index, version) in of.iter().map(|v| (*v, &self.facts.versions[*v])) {
            // A receipt names the log's own chains: of a rescued commit it says nothing.
            let Some(commit) = book.commits().get(version.carrier.commit) else { continue };
            let arrived = arrivals.get(&commit.actor()).and_then(|of_actor| {
                let from = of_actor.partition_point(|(seq, _)| *seq < commit.seq());
                of_actor.get(from).map(|(_, at)| *at)
            });
            if let (Some(at), Kind::Photo) = (arrived, version.record.kind()) {
                let first = self.photos_arrived.entry(version.id()).or_insert(at);
                *first = at.min(*first);
            }
            if let Some(at) = arrived
                && version.record.envelope.at.0 > at.0.saturating_add(CLOCK_TOLERANCE_MS)
            {
                self.ahead.push((index, at));
            }
        }
    }

    /// Compares the date of each of some versions with the receipts its writer had seen: a server's clock
    /// says how late it was by then.
    pub(super) fn find_backdated(&mut self, book: &Book, of: &[usize]) {
        let mut seen: Vec<(UtcMs, Carrier)> = vec![];
        for fact in self.facts.in_force(Kind::Receipt) {
            for version in self.facts.current(fact) {
                if let Body::Receipt(receipt) = &version.record.body {
                    seen.push((receipt.arrived_at, version.carrier));
                }
            }
        }
        seen.sort_unstable_by(|a, b| b.cmp(a));
        for (index, version) in of.iter().map(|v| (*v, &self.facts.versions[*v])) {
            if matches!(
                version.record.kind(),
                Kind::Receipt | Kind::PhotoReceived | Kind::Rescue | Kind::Certificate
            ) {
                continue;
            }
            let latest = version.record.envelope.at.0.saturating_add(CLOCK_TOLERANCE_MS);
            let mut later = seen.iter().take_while(|(at, _)| at.0 > latest);
            if let Some((at, _)) = later.find(|(_, receipt)| book.knew(version.carrier, *receipt)) {
                self.backdated.push((index, *at));
            }
        }
    }

    /// Finds commits, among those of some versions, that a device dated earlier than the one of its own
    /// before it.
    pub(super) fn find_set_back(&mut self, book: &Book, of: &[usize]) {
        let mut seen = BTreeMap::new();
        for index in of {
            seen.entry(self.facts.versions[*index].carrier.commit).or_insert(*index);
        }
        for (place, index) in seen {
            let Some(commit) = book.commits().get(place) else { continue };
            let device = commit.actor().device();
            let own = commit.deps().iter().filter_map(|d| book.commit(*d));
            let before = own.filter(|c| c.actor().device() == device).map(|c| c.time()).max();
            if let Some(before) = before
                && commit.time().0.saturating_add(CLOCK_TOLERANCE_MS) < before.0
            {
                self.set_back.push((index, commit.time(), before));
            }
        }
    }

    /// Finds what the office struck or amended in a crew's signed-off day without a new sign-off.
    pub(super) fn find_changed(
        &mut self,
        book: &Book,
        authority: &impl Authority,
        signed: &BTreeMap<CrewDay, Vec<usize>>,
    ) {
        if signed.is_empty() {
            return;
        }
        let by_id: BTreeMap<RecordId, usize> =
            self.facts.of_kind(Kind::Strike).filter_map(|f| f.current.last().map(|v| (f.id, *v))).collect();
        for fact in &self.facts.facts {
            let Some(first) = fact.history.first().map(|v| &self.facts.versions[*v]) else { continue };
            let strike = fact.struck_by.and_then(|id| by_id.get(&id)).copied();
            let amended = fact.history.iter().skip(1).copied();
            let changes: Vec<usize> = amended.chain(strike).collect();
            if changes.is_empty() {
                continue;
            }
            let Some(day) = self.crew_day(first) else { continue };
            for sign_off in signed.get(&day).into_iter().flatten() {
                let sign_off = &self.facts.versions[*sign_off];
                for change in &changes {
                    let version = &self.facts.versions[*change];
                    let office = authority.role(version.author) == Some(Role::Office);
                    let unknown = !book.knew(sign_off.carrier, version.carrier);
                    if office && unknown && version.standing == Standing::InForce {
                        self.changed.push((*change, fact.id, sign_off.id(), day));
                    }
                }
            }
        }
    }

    /// What the job asks of every record, as the office last said it; nothing while it has said nothing.
    pub fn requirements(&self) -> Requirements {
        let versions = self.facts.in_force(Kind::Requirements).map(|fact| self.facts.shown(fact));
        let last = versions.max_by_key(|v| (v.op, v.id()));
        match last.map(|v| &v.record.body) {
            Some(Body::Requirements(body)) => (**body).clone(),
            _ => Requirements::default(),
        }
    }

    /// The crew of a device, if it is a crew's.
    pub fn crew_of(&self, device: DeviceId) -> Option<CrewId> {
        self.crews_of_devices.get(&device).copied().flatten()
    }
}
