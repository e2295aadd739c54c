//! Sums of what trees need.

use std::collections::BTreeMap;

use serde::Serialize;

use crate::dosing::charges::ChargePlan;
use crate::dosing::supply::{Closing, Request};
use crate::dosing::uncertainty::{Interval, Sum};
use crate::quantity::{Mg, PerMille, Ul};
use crate::record::kit::ContainerKind;
use crate::record::label::Sealing;

/// What a set of trees needs.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Need {
    /// Trees with at least one stem dosed.
    pub trees: usize,
    /// Stems dosed.
    pub stems: usize,
    /// Product the charges hold.
    pub product_ul: Ul,
    /// What they will truly hold, by the kit's stated uncertainties (about 95 %, coverage factor 2);
    /// absent where the kit states none.
    pub interval: Option<Interval>,
    /// The same with the allowance and, in the total, the priming.
    pub product_to_carry_ul: Ul,
    /// Diluent for the product to carry, when the label has it mixed.
    pub diluent_ul: Option<Ul>,
    /// Charges.
    pub charges: usize,
    /// By container kind, ascending by name.
    pub containers: Vec<ContainerNeed>,
    /// Holes.
    pub holes: usize,
    /// Bits, for the holes with the allowance.
    pub bits: i64,
    /// Plugs with the allowance; none when holes stay open or are waxed.
    pub plugs: i64,
    /// Wax with the allowance.
    pub wax_mg: Mg,
}

/// Charges of one container kind.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct ContainerNeed {
    /// The kind's name.
    pub container: String,
    /// Charges that fill it.
    pub full: usize,
    /// Charges that fill it in part.
    pub part: usize,
    /// Product they hold together.
    pub product_ul: Ul,
    /// Most at one tree: with so many containers every tree can be done in one go.
    pub most_at_a_tree: usize,
}

impl Need {
    /// Adds a tree's stems: charges and holes of each.
    pub(super) fn add_tree(&mut self, stems: &[(ChargePlan, usize)]) {
        self.trees += 1;
        let mut here: BTreeMap<&str, (usize, usize, Ul)> = BTreeMap::new();
        for (plan, holes) in stems {
            self.stems += 1;
            self.product_ul = self.product_ul.saturating_add(plan.total_ul);
            self.charges += plan.charges_ul.len();
            self.holes += holes;
            for fill in &plan.fills {
                let (full, part, held) = here.entry(&fill.container).or_default();
                *(if fill.part { part } else { full }) += fill.count;
                let count = i64::try_from(fill.count).unwrap_or(i64::MAX);
                *held = held.saturating_add(Ul(fill.charge_ul.0.saturating_mul(count)));
            }
        }
        for (name, (full, part, held)) in here {
            let at = self.containers.binary_search_by(|c| c.container.as_str().cmp(name));
            let index = at.unwrap_or_else(|index| {
                let container = name.to_owned();
                let none =
                    ContainerNeed { container, full: 0, part: 0, product_ul: Ul(0), most_at_a_tree: 0 };
                self.containers.insert(index, none);
                index
            });
            if let Some(need) = self.containers.get_mut(index) {
                need.full += full;
                need.part += part;
                need.product_ul = need.product_ul.saturating_add(held);
                need.most_at_a_tree = need.most_at_a_tree.max(full + part);
            }
        }
    }

    /// Works out what to carry, once every tree is in.
    pub(super) fn finish(&mut self, request: &Request<'_>, priming: Ul) {
        let (label, stores) = (request.label, request.stores);
        self.interval = self.known_to(request.containers);
        self.product_to_carry_ul = Ul(raised(self.product_ul.0, stores.allowance)).saturating_add(priming);
        self.diluent_ul = label.mix.as_ref().map(|mix| mix.diluent_for(self.product_to_carry_ul));
        let holes = raised(i64::try_from(self.holes).unwrap_or(i64::MAX), stores.allowance);
        self.bits = up(i128::from(holes), i128::from(stores.holes_per_bit));
        let closed = if label.holes.sealing == Sealing::Forbidden { 0 } else { holes };
        match stores.closing {
            Closing::Open => {}
            Closing::Plugs => self.plugs = closed,
            Closing::Wax { mg_per_hole } => self.wax_mg = Mg(closed.saturating_mul(mg_per_hole)),
        }
    }

    /// What the charges hold as an interval: the kit's shared parts add linearly over all of them.
    fn known_to(&self, kinds: &[ContainerKind]) -> Option<Interval> {
        let mut sum = Sum::new();
        for need in &self.containers {
            let kind = kinds.iter().find(|k| k.name == need.container)?;
            if kind.charge_u_ul.0 <= 0 && kind.shared_u_ul.0 <= 0 {
                return None;
            }
            sum.charges(need.product_ul, need.full + need.part, kind).ok()?;
        }
        (!self.containers.is_empty()).then(|| sum.interval())
    }
}

/// A figure with the allowance, rounded up.
fn raised(figure: i64, allowance: PerMille) -> i64 {
    up(i128::from(figure) * (1_000 + i128::from(allowance.0)), 1_000)
}

fn up(above: i128, below: i128) -> i64 {
    let below = below.max(1);
    i64::try_from((above + below - 1) / below).unwrap_or(i64::MAX)
}
