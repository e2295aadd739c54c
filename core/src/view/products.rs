//! Which labels are of one product: limits hold for the product, under whatever version of its label.

use std::collections::BTreeMap;

use crate::day::Day;
use crate::facts::{Fact, Standing, Version};
use crate::ids::LabelId;
use crate::quantity::UtcMs;
use crate::record::label::Label;
use crate::record::{Body, Kind};
use crate::view::Yard;

/// The yard's label versions, told apart by product.
///
/// Versions of one label are of one product even where an amendment corrected the registration
/// number, and so are labels entered apart that carry the same number, however it is spaced.
#[derive(Clone, Debug, Default)]
pub struct Products {
    /// Each version's product, by the least id of its labels.
    of: BTreeMap<LabelId, LabelId>,
}

impl Products {
    /// What stands for the product of a label version: the same for all its versions and labels.
    /// Nothing for a label that is not in the yard.
    pub fn of(&self, label: LabelId) -> Option<LabelId> {
        self.of.get(&label).copied()
    }

    /// Whether two label versions are of one product; `None` when one of them is not in the yard.
    pub fn same(&self, one: LabelId, other: LabelId) -> Option<bool> {
        Some(self.of(one)? == self.of(other)?)
    }
}

/// How long before a label was entered its limits count already, in milliseconds: a day's clocks that
/// are off never set a limit aside.
const ENTERED_TOLERANCE_MS: i64 = 24 * 60 * 60 * 1_000;

/// A label version that may limit a dose although nobody named it.
#[derive(Clone, Copy, Debug)]
struct Stands<'v> {
    id: LabelId,
    product: LabelId,
    label: &'v Label,
    entered: UtcMs,
    /// From when a newer version of the same label, confirmed, stands in its place.
    replaced: Option<UtcMs>,
}

/// The label versions of the yard that stand, by product: the limits of all of them hold for a dose,
/// whichever of them it is given under.
///
/// Of one label its versions now in force count, and those before them until a newer one was confirmed
/// by a second licensed person. A struck label does not count, nor one past its last day.
#[derive(Clone, Debug, Default)]
pub struct StandingLabels<'v> {
    of: Vec<Stands<'v>>,
}

impl<'v> StandingLabels<'v> {
    /// The versions whose limits hold for a dose of a label's product today, the label's own included.
    pub fn today<'a>(
        &'a self,
        products: &'a Products,
        label: LabelId,
        today: Day,
    ) -> impl Iterator<Item = (LabelId, &'v Label)> + 'a {
        self.at(products, label, UtcMs(i64::MAX), Some(today))
    }

    /// The same for what was put in at a time, on a day if it is known: a label entered since does not
    /// count.
    pub fn at<'a>(
        &'a self,
        products: &'a Products,
        label: LabelId,
        at: UtcMs,
        day: Option<Day>,
    ) -> impl Iterator<Item = (LabelId, &'v Label)> + 'a {
        let product = products.of(label);
        let known = at.0.saturating_add(ENTERED_TOLERANCE_MS);
        let stands = move |s: &&Stands<'v>| {
            Some(s.product) == product
                && s.entered.0 <= known
                && s.replaced.is_none_or(|then| then > at)
                && day.is_none_or(|day| s.label.expires.is_none_or(|last| day <= last))
        };
        self.of.iter().filter(stands).map(|s| (s.id, s.label))
    }
}

/// A registration number without spaces, dashes and case: `1234-56` and `1234 56` are one.
pub(crate) fn plain_number(text: &str) -> String {
    text.chars().filter(|c| c.is_alphanumeric()).collect::<String>().to_lowercase()
}

impl Yard {
    /// What every version of every label says.
    pub fn label_texts(&self) -> impl Iterator<Item = &Label> {
        let versions = self.facts.of_kind(Kind::Label).flat_map(|fact| &fact.history);
        versions.filter_map(|v| match &self.facts.versions[*v].record.body {
            Body::Label(label) => Some(&**label),
            _ => None,
        })
    }

    /// The yard's labels by product. Looks at every label once.
    pub fn products(&self) -> Products {
        let mut of = BTreeMap::new();
        let mut by_number: BTreeMap<String, LabelId> = BTreeMap::new();
        for fact in self.facts.of_kind(Kind::Label) {
            let versions = fact.history.iter().map(|v| &self.facts.versions[*v]);
            let numbers = versions.clone().filter_map(|v| match &v.record.body {
                Body::Label(label) => Some(plain_number(&label.registration)),
                _ => None,
            });
            // A number that is none, or only signs, says nothing about the product.
            let numbers: Vec<String> = numbers.filter(|n| !n.is_empty()).collect();
            let known: Vec<LabelId> = numbers.iter().filter_map(|n| by_number.get(n).copied()).collect();
            let product = known.iter().copied().chain([fact.id]).min().unwrap_or(fact.id);
            // A label under two numbers joins what was known of both.
            for value in of.values_mut().chain(by_number.values_mut()) {
                if known.contains(value) {
                    *value = product;
                }
            }
            of.extend(versions.map(|v| (v.id(), product)));
            by_number.extend(numbers.into_iter().map(|n| (n, product)));
        }
        Products { of }
    }
    /// The label versions that stand, for the limits that hold besides those of the label named.
    pub fn standing_labels(&self, products: &Products) -> StandingLabels<'_> {
        let mut of = vec![];
        for fact in self.facts.in_force(Kind::Label) {
            let Some(product) = products.of(fact.id) else { continue };
            for (place, index) in fact.history.iter().enumerate() {
                let version = &self.facts.versions[*index];
                let Body::Label(label) = &version.record.body else { continue };
                if version.standing != Standing::InForce {
                    continue;
                }
                let now = fact.current.contains(index);
                let replaced = if now { None } else { self.replaced(fact, place) };
                let (id, entered) = (version.id(), version.record.envelope.at);
                of.push(Stands { id, product, label, entered, replaced });
            }
        }
        StandingLabels { of }
    }

    /// When a confirmed version first stood in the place of the one at `place` of a label's history.
    fn replaced(&self, fact: &Fact, place: usize) -> Option<UtcMs> {
        let later = fact.history.iter().skip(place + 1).map(|v| &self.facts.versions[*v]);
        let of = later.filter_map(|newer: &Version| {
            let by = self.confirmed(newer.id())?;
            Some(newer.record.envelope.at.max(by.record.envelope.at))
        });
        of.min()
    }
}
