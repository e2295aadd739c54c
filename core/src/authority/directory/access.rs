//! Which books a crew's device may have, as the yard's book says. What serves books asks this; a
//! device of its own never does, so it is read apart from the directory.

use std::collections::{BTreeMap, BTreeSet};

use super::{Directory, may_matter};
use crate::book::{Book, Carrier};
use crate::ids::{BookId, DeviceId, RecordId};
use crate::record::people::{Access, Role};
use crate::record::{Body, Record};

/// A list that the office wrote, and where it stands.
struct Claim {
    record: RecordId,
    carriers: Vec<Carrier>,
    body: Access,
}

/// The lists in force, by device. A device without one may have every book.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct BookAccess {
    lists: BTreeMap<DeviceId, BTreeSet<BookId>>,
    waiting: bool,
}

impl BookAccess {
    /// Reads the lists of a yard book. Of two lists for a device the one whose writer knew the other
    /// holds; of lists written apart only the books that all of them name: a doubt closes.
    pub fn read(yard: &Book, directory: &Directory) -> Self {
        let mut access = Self::default();
        let found = claims(yard);
        if found.is_empty() {
            return access;
        }
        let vouched = directory.vouched(yard);
        let arrivals = directory.arrivals(yard, &vouched);
        let mut in_force: BTreeMap<DeviceId, Vec<Claim>> = BTreeMap::new();
        for mut claim in found {
            claim.carriers.retain(|carrier| {
                let by_office = yard
                    .carrying(*carrier)
                    .is_some_and(|c| directory.of_office(yard, &vouched, &arrivals, c));
                let author = yard.carrying(*carrier).map(|c| c.actor().device());
                // A crew's is no list, whatever is still to come.
                access.waiting |= !by_office && author.and_then(|a| directory.role_of(a)) != Some(Role::Crew);
                by_office
            });
            if !claim.carriers.is_empty() {
                in_force.entry(claim.body.device).or_default().push(claim);
            }
        }
        for (device, claims) in in_force {
            if let Some(books) = holding(yard, &claims) {
                access.lists.insert(device, books);
            }
        }
        access
    }

    /// The only books a device may have, or nothing when it may have every one.
    pub fn books_of(&self, device: DeviceId) -> Option<&BTreeSet<BookId>> {
        self.lists.get(&device)
    }

    /// Whether a list waits for its signature or its author's certificate: any signature that
    /// arrives may then change the answer.
    pub fn waiting(&self) -> bool {
        self.waiting
    }
}

/// Every list written by the device that signs for it. One text that several commits carry is one.
fn claims(yard: &Book) -> Vec<Claim> {
    let mut claims: Vec<Claim> = vec![];
    for (record, carriers) in yard.records() {
        for carrier in carriers {
            let text = yard.text(*carrier);
            if !may_matter(text) {
                continue;
            }
            let (Ok(read), Some(commit)) = (Record::read(text), yard.carrying(*carrier)) else { continue };
            let Body::Access(body) = read.body else { continue };
            if read.envelope.device != commit.actor().device() {
                continue;
            }
            match claims.iter_mut().find(|c| c.record == record && c.body == *body) {
                Some(known) => known.carriers.push(*carrier),
                None => claims.push(Claim { record, carriers: vec![*carrier], body: *body }),
            }
        }
    }
    claims
}

/// What is left of a device's lists; nothing when every book is open to it.
fn holding(yard: &Book, claims: &[Claim]) -> Option<BTreeSet<BookId>> {
    let knew = |b: &Claim, a: &Claim| {
        b.carriers.iter().any(|later| a.carriers.iter().any(|earlier| yard.knew(*later, *earlier)))
    };
    // Two that each knew the other (one was written again) decide nothing against each other.
    let replaced = |a: &&Claim| claims.iter().any(|b| knew(b, a) && !knew(a, b));
    let mut newest: Vec<&Claim> = claims.iter().filter(|a| !replaced(a)).collect();
    if newest.is_empty() {
        newest = claims.iter().collect();
    }
    let lists = newest.iter().filter_map(|c| c.body.books.as_ref());
    lists.map(|books| books.iter().copied().collect()).reduce(|a: BTreeSet<BookId>, b| &a & &b)
}
