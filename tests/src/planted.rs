//! Days with one thing planted in them, for the tests of the checks. For tests only: what cannot
//! happen here panics.

use bolebook_core::finding::Finding;
use bolebook_core::ids::RecordId;
use bolebook_core::quantity::{Ul, UtcMs};
use bolebook_core::record::label::Label;
use bolebook_core::record::office::Requirements;
use bolebook_core::record::product::Lot;
use bolebook_core::record::stand::Tree;
use bolebook_core::record::work::Application;

use crate::crowd::in_order;
use crate::world::{Who, World, day, label};

/// The contractor with a litre in each crew's kit.
pub fn base() -> World {
    let mut w = World::new();
    w.fill(0, 900_000);
    w.fill(1, 900_000);
    w
}

/// The same under another label, confirmed, with a lot of its own in both kits.
pub fn under(edit: impl FnOnce(&mut Label)) -> World {
    let mut w = World::new();
    relabel(&mut w, edit);
    w.fill(0, 900_000);
    w.fill(1, 900_000);
    w
}

/// From here on the crews work under another confirmed label, with a lot of its own.
pub fn relabel(w: &mut World, edit: impl FnOnce(&mut Label)) {
    let mut new = label();
    edit(&mut new);
    w.label = w.confirmed(new);
    let lot = Lot { label: w.label, number: "L-77".into(), expires: day("2027-12-31"), recalled: None };
    w.lot = w.yard_write(Who::Office, lot);
}

/// A listed ash of 30 cm.
pub fn ash(w: &mut World, tag: &str) -> RecordId {
    let tree = w.tree(Who::Crew(0), tag);
    w.diameter(Who::Crew(0), tree, 3_000);
    tree
}

/// A tree's own record, changed.
pub fn relist(w: &mut World, tree: RecordId, edit: impl FnOnce(&mut Tree)) {
    let mut body = w.look(|view, _, _| view.tree(tree).unwrap().clone());
    edit(&mut body);
    w.amend(Who::Office, &[tree], body);
}

/// Half an hour later a crew treats a tree with seven charges, as changed by `edit`.
pub fn treat(w: &mut World, crew: usize, tree: RecordId, edit: impl FnOnce(&mut Application)) -> RecordId {
    w.now = UtcMs(w.now.0 + 30 * 60_000);
    let mut application = w.application(crew, tree, 7);
    edit(&mut application);
    w.write(Who::Crew(crew), application)
}

/// What the job asks for from now on.
pub fn require(w: &mut World, asks: Requirements) -> RecordId {
    w.write(Who::Office, asks)
}

/// A kit's fill of the lot in use, read off as given.
pub fn filled(w: &mut World, crew: usize, amount_ul: i64, number: &str, lot: &str) -> RecordId {
    let fill = bolebook_core::record::product::Fill {
        kit: w.kits[crew],
        lot: w.lot,
        crew: w.crews[crew],
        amount_ul: Ul(amount_ul),
        registration_read: number.into(),
        lot_read: lot.into(),
    };
    w.yard_write(Who::Crew(crew), fill)
}

/// The same books, their commits taken in another order.
pub fn reordered(w: &World, key: u32) -> World {
    let mut other = w.clone();
    for (book, from) in [(&mut other.yard, &w.yard), (&mut other.job, &w.job)] {
        let mut fresh = bolebook_core::book::Book::new(from.id());
        for commit in in_order(from.commits(), &[key, key.rotate_left(7) | 1, 3]) {
            fresh.take(commit).unwrap();
        }
        from.signatures().for_each(|s| fresh.take_signature(s.clone()));
        *book = fresh;
    }
    other
}

/// Everything found, which must be the same in whatever order the commits came.
pub fn found(w: &World) -> Vec<Finding> {
    let all = |w: &World| w.look(|_, _, findings| findings.to_vec());
    let here = all(w);
    for key in [0x9e37_79b9, 0x1234_5671] {
        assert_eq!(here, all(&reordered(w, key)), "the findings depend on the order of arrival");
    }
    here
}

/// Asserts that a code is found, and gives its finding's message.
#[track_caller]
pub fn finds(w: &World, code: &str) -> String {
    let found = found(w);
    let of = found.iter().find(|f| f.code.name() == code);
    let codes: Vec<_> = found.iter().map(|f| f.code.name()).collect();
    of.unwrap_or_else(|| panic!("{code} is not among {codes:?}")).message.clone()
}

/// Asserts that a code is not found.
#[track_caller]
pub fn silent(w: &World, code: &str) {
    let found = found(w);
    let of = found.iter().find(|f| f.code.name() == code);
    assert!(of.is_none(), "{code} should not be found: {}", of.unwrap().message);
}
