//! Which labels are of one product: limits hold for the product, under whatever version of its label.

use std::collections::BTreeMap;

use crate::ids::LabelId;
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
}
