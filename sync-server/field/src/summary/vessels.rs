//! What vessels hold: the product, or the mix its label has it made into.

use bolebook_core::ids::LotId;
use bolebook_core::quantity::Ul;
use bolebook_core::record::label::{Label, Mix};

use super::{KitLine, Summary};

impl Summary {
    /// The liquid in a kit's reservoir: more than its product, where the label has it mixed.
    pub fn liquid_ul(&self, line: &KitLine) -> Ul {
        self.liquid_of(line, line.content_ul)
    }

    /// The liquid of so much product in a kit's reservoir.
    pub fn liquid_of(&self, line: &KitLine, product_ul: i64) -> Ul {
        let (product, label) = (Ul(product_ul.max(0)), self.label_in(line));
        label.and_then(|label| label.mix.as_ref()).map_or(product, |mix| mix.volume_of(product))
    }

    /// The label of what was last filled into a kit.
    pub fn label_in(&self, line: &KitLine) -> Option<&Label> {
        self.label_of(line.filled?.1)
    }

    /// The version in force of a lot's label.
    pub fn label_of(&self, lot: LotId) -> Option<&Label> {
        self.label(*self.labels_now.get(&self.lot(lot)?.label)?)
    }

    /// How a lot is mixed before it stands in a vessel.
    pub fn mix_of(&self, lot: LotId) -> Option<&Mix> {
        self.label_of(lot)?.mix.as_ref()
    }

    /// The product in what a vessel holds of a lot.
    pub fn product_in(&self, lot: LotId, vessel: Ul) -> Ul {
        self.mix_of(lot).map_or(vessel, |mix| mix.product_in(vessel))
    }
}
