//! What differs between two states of a job, as far as findings can tell.

use std::collections::BTreeSet;

use crate::day::Day;
use crate::facts::{Fact, Facts, Version};
use crate::ids::{RecordId, TreeId};
use crate::record::{Body, Kind};
use crate::view::{CrewDay, View, Yard, tree_named};

/// What a change touched: the facts that are new or stand otherwise than before, and what they are about,
/// before the change and after it.
#[derive(Clone, Debug, Default)]
pub struct Touched {
    /// Whether something changed that bears on everything, such as a label or what the job asks for.
    pub(crate) everything: bool,
    pub(crate) facts: BTreeSet<RecordId>,
    /// All versions of those facts, and which of them were there before.
    pub(crate) versions: BTreeSet<RecordId>,
    pub(crate) known: BTreeSet<RecordId>,
    pub(crate) trees: BTreeSet<TreeId>,
    pub(crate) days: BTreeSet<CrewDay>,
    /// Days of whatever crew.
    pub(crate) dates: BTreeSet<Day>,
    pub(crate) rulings: bool,
}

impl Touched {
    /// What differs between two views of one job, each with its yard. It looks at every fact:
    /// what a part's re-check spares is the checks.
    pub fn between(old: &View<'_>, new: &View<'_>) -> Self {
        let mut touched = Self { everything: yard_differs(&old.yard, &new.yard), ..Self::default() };
        if touched.everything {
            return touched;
        }
        let conflicting = |fact: &Fact| {
            let has = |v: &usize| {
                let id = new.facts.versions[*v].id();
                new.facts.conflicting.binary_search(&id).is_ok()
            };
            fact.history.iter().any(has)
        };
        each_pair(&old.facts, &new.facts, |before, after| {
            if let (Some(a), Some(b)) = (before, after)
                && same(&old.facts, a, &new.facts, b)
                && !conflicting(b)
            {
                return;
            }
            if let Some(fact) = before {
                touched.known.extend(fact.history.iter().map(|v| old.facts.versions[*v].id()));
                touched.note(old, fact);
            }
            if let Some(fact) = after {
                touched.note(new, fact);
            }
        });
        touched
    }

    /// The same of a view that [grew](View::grown) out of another, by what is new in it.
    pub fn grown(old: &View<'_>, new: &View<'_>, facts: &[usize]) -> Self {
        let mut touched = Self { everything: yard_differs(&old.yard, &new.yard), ..Self::default() };
        if !touched.everything {
            facts.iter().for_each(|fact| touched.note(new, new.fact(*fact)));
        }
        touched
    }

    /// Whether everything must be checked again.
    pub fn is_everything(&self) -> bool {
        self.everything
    }

    /// Takes in a fact that is new or changed, as a view has it.
    pub(crate) fn note(&mut self, view: &View<'_>, fact: &Fact) {
        self.facts.insert(fact.id);
        match fact.kind {
            Kind::Requirements
            | Kind::Authorisation
            | Kind::Notice
            | Kind::Block
            | Kind::Genesis
            | Kind::Rescue => self.everything = true,
            Kind::Ruling => self.rulings = true,
            Kind::Tree => self.trees.extend([fact.id, view.stays(fact.id)]),
            _ => {}
        }
        for version in fact.history.iter().map(|v| &view.facts.versions[*v]) {
            self.versions.insert(version.id());
            self.days.extend(view.crew_day(version));
            match &version.record.body {
                Body::Join(join) => {
                    let all = join.joined.iter().chain([&join.keep]);
                    self.trees.extend(all.flat_map(|id| [*id, view.stays(*id)]));
                }
                Body::Acknowledgement(said) => drop(self.dates.insert(said.day)),
                body => {
                    let about = tree_named(body).map(|about| of_tree(view, fact.kind, about));
                    self.trees.extend(about.into_iter().flat_map(|id| [id, view.stays(id)]));
                }
            }
        }
    }
}

/// The tree that a record is about; a photo may be about another record.
fn of_tree(view: &View<'_>, kind: Kind, about: RecordId) -> TreeId {
    let named = |f: &Fact| {
        if f.kind == Kind::Tree { Some(f.id) } else { tree_named(&view.facts.shown(f).record.body) }
    };
    let of = || view.facts.fact_of(about).and_then(named);
    if kind == Kind::Photo { of().unwrap_or(about) } else { about }
}

/// Every fact of two states, each with its like in the other.
fn each_pair<'f>(old: &'f Facts, new: &'f Facts, mut met: impl FnMut(Option<&'f Fact>, Option<&'f Fact>)) {
    let sorted = |facts: &'f Facts| {
        let mut all: Vec<&Fact> = facts.facts.iter().collect();
        all.sort_by_key(|f| (f.id, f.kind));
        all
    };
    let (old, new) = (sorted(old), sorted(new));
    let (mut old, mut new) = (old.into_iter().peekable(), new.into_iter().peekable());
    loop {
        let order = match (old.peek(), new.peek()) {
            (None, None) => return,
            (Some(_), None) => std::cmp::Ordering::Less,
            (None, Some(_)) => std::cmp::Ordering::Greater,
            (Some(a), Some(b)) => (a.id, a.kind).cmp(&(b.id, b.kind)),
        };
        let before = if order.is_le() { old.next() } else { None };
        let after = if order.is_ge() { new.next() } else { None };
        met(before, after);
    }
}

/// Whether a fact stands as it stood.
fn same(old: &Facts, a: &Fact, new: &Facts, b: &Fact) -> bool {
    let as_seen = |v: &Version| (v.id(), v.op, v.author, v.role, v.crew, v.standing);
    let alike = |x: &[usize], y: &[usize]| {
        x.len() == y.len()
            && x.iter().zip(y).all(|(x, y)| as_seen(&old.versions[*x]) == as_seen(&new.versions[*y]))
    };
    (a.struck_by, a.contested) == (b.struck_by, b.contested)
        && alike(&a.history, &b.history)
        && alike(&a.current, &b.current)
}

/// Whether a yard says something else that may bear on any tree. Fills, movements and what servers say
/// do not: whatever stands on those is found anew at every change.
fn yard_differs(old: &Yard, new: &Yard) -> bool {
    let mut differs = old.book != new.book;
    // One and the same; two with the same heads may differ by a signature that came since.
    if std::ptr::eq(old, new) {
        return differs;
    }
    each_pair(&old.facts, &new.facts, |before, after| {
        let kind = after.or(before).map(|f| f.kind);
        let plain = matches!(
            kind,
            Some(
                Kind::Fill
                    | Kind::Movement
                    | Kind::Receipt
                    | Kind::PhotoReceived
                    | Kind::Certificate
                    | Kind::Revocation
                    | Kind::Access
                    | Kind::Strike
                    | Kind::Admission
                    | Kind::Note
            )
        );
        if let (Some(a), Some(b)) = (before, after)
            && same(&old.facts, a, &new.facts, b)
        {
            return;
        }
        differs |= !plain;
    });
    differs
}
