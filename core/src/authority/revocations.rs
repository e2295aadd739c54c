//! Which revocations are in force, when devices of the office speak against each other.
//!
//! Times and operation numbers are the writer's own, so they decide nothing: a stolen device would
//! give itself a low one. What counts is the root's word, what a revocation accepted, and what its
//! writer provably knew (`docs/decisions/0005-revocations.md`).

use std::collections::BTreeMap;

use crate::ids::{ActorId, BookId, DeviceId};
use crate::record::people::Revocation;

/// A revocation whose author was entitled to make it, as far as its certificate and signature go.
#[derive(Clone, Copy, Debug)]
pub(super) struct Claim<'a> {
    /// Who made it.
    pub author: DeviceId,
    /// The chain and number of its commit.
    pub at: (ActorId, u64),
    /// The commit, for asking what it knew.
    pub commit: usize,
    /// Whether the root key made it.
    pub by_root: bool,
    /// What it says.
    pub body: &'a Revocation,
}

impl Claim<'_> {
    /// Whether this one accepts the commit that carries the other.
    fn accepts(&self, yard: BookId, other: &Claim<'_>) -> bool {
        let ends = self.body.accepted.iter().filter(|a| a.book == yard).flat_map(|a| &a.ends);
        ends.into_iter().any(|end| end.actor == other.at.0 && other.at.1 <= end.seq)
    }

    /// Whether this one, if it is in force, takes the other's author the right to have said it.
    fn denies(&self, yard: BookId, other: &Claim<'_>) -> bool {
        // A device that revokes itself says nothing against its other words.
        self.body.device == other.author
            && self.author != other.author
            && !other.by_root
            && !self.accepts(yard, other)
    }
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum State {
    Open,
    Holds,
    Falls,
}

/// Says of each claim whether it is in force.
///
/// A claim falls when one that holds denies it. It holds when every one that denies it falls. Of
/// two that deny each other, one that knew the other falls: its author went on after it was told.
/// What that leaves open (two or more that deny each other and did not know of it) is in force,
/// all of it: the devices concerned are held until the root key settles it. `knew(b, a)` says
/// whether commit `b` knew commit `a`.
pub(super) fn in_force(yard: BookId, claims: &[Claim<'_>], knew: impl Fn(usize, usize) -> bool) -> Vec<bool> {
    let mut against: BTreeMap<DeviceId, Vec<usize>> = BTreeMap::new();
    for (index, claim) in claims.iter().enumerate() {
        against.entry(claim.body.device).or_default().push(index);
    }
    let denied_by: Vec<Vec<usize>> = claims
        .iter()
        .map(|claim| {
            let candidates = against.get(&claim.author).into_iter().flatten().copied();
            let denies = |other: &usize| {
                let other = &claims[*other];
                let told = knew(other.commit, claim.commit) && claim.denies(yard, other);
                other.denies(yard, claim) && !told
            };
            candidates.filter(denies).collect()
        })
        .collect();
    let mut state = vec![State::Open; claims.len()];
    let mut changed = true;
    while changed {
        changed = false;
        for index in 0..claims.len() {
            if state[index] != State::Open {
                continue;
            }
            let found = if denied_by[index].iter().any(|d| state[*d] == State::Holds) {
                State::Falls
            } else if denied_by[index].iter().all(|d| state[*d] == State::Falls) {
                State::Holds
            } else {
                continue;
            };
            state[index] = found;
            changed = true;
        }
    }
    state.into_iter().map(|s| s != State::Falls).collect()
}
