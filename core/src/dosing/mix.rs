//! A product that its label has mixed with a diluent before it is put in.
//!
//! Everything that is recorded, limited and balanced is product. Only vessels hold the mix: a
//! container filled with it gives less product than its size, and a reservoir holds more liquid than
//! the product put in. Between the two stand these few reckonings, by the label's parts by volume;
//! that volumes add is common practice, no source (water and alcohols shrink by a few per cent).
//! Each container is rounded up to a whole microlitre of product, so that a sum is overstated by at most
//! 1 µL a container and never understated.

use crate::dosing::charges::ChargePlan;
use crate::quantity::{Ul, word_for};
use crate::record::kit::ContainerKind;
use crate::record::label::{Label, Mix};

/// Parts beyond this are no mix anybody makes; a label with them does not pass its own checks.
const MOST_PARTS: i64 = 1_000_000;

impl Mix {
    /// Product in a volume of mix: rounded up, so that what is counted toward limits is never less
    /// than what went in. All of it for parts that are no mix.
    pub fn product_in(&self, mix: Ul) -> Ul {
        let (product, both) = self.parts();
        up(i128::from(mix.0) * product, both)
    }

    /// The volume of mix that a volume of product makes, rounded up: more room, never less.
    pub fn volume_of(&self, product: Ul) -> Ul {
        let (parts, both) = self.parts();
        up(i128::from(product.0) * both, parts)
    }

    /// The volume of mix that is surely there when this much product was reckoned to be in it, by
    /// [`Self::product_in`]: a limit is passed only by what certainly passes it.
    pub fn surely_of(&self, product: Ul) -> Ul {
        let slack = self.volume_of(Ul(1)).0;
        Ul(self.volume_of(product).0.saturating_sub(slack).max(product.0))
    }

    /// The diluent for a volume of product, rounded up.
    pub fn diluent_for(&self, product: Ul) -> Ul {
        Ul(self.volume_of(product).0.saturating_sub(product.0))
    }

    /// How it is made, in words: `1 part of product with 3 parts of water`.
    pub fn in_words(&self) -> String {
        let parts = |n: i64| format!("{n} {}", word_for(n, "part", "parts"));
        format!(
            "{} of product with {} of {}",
            parts(self.product_parts),
            parts(self.diluent_parts),
            self.diluent
        )
    }

    /// Parts of product, and of both together.
    fn parts(&self) -> (i128, i128) {
        let sound = |n: i64| (1..=MOST_PARTS).contains(&n);
        match sound(self.product_parts) && sound(self.diluent_parts) {
            true => (
                i128::from(self.product_parts),
                i128::from(self.product_parts) + i128::from(self.diluent_parts),
            ),
            false => (1, 1),
        }
    }
}

fn up(above: i128, below: i128) -> Ul {
    Ul(i64::try_from(-(-above).div_euclid(below)).unwrap_or(i64::MAX))
}

/// A kit's containers as a label fills them: charges, scale steps and uncertainties in product.
///
/// With a mix, a part charge can be read off a scale only where each step is a whole number of
/// microlitres of product; else the container is filled whole or not at all.
pub fn in_product(kinds: &[ContainerKind], label: &Label) -> Vec<ContainerKind> {
    let Some(mix) = &label.mix else { return kinds.to_vec() };
    let (product, both) = mix.parts();
    let exact = |step: &Ul| i128::from(step.0) * product % both == 0;
    let of = |kind: &ContainerKind| ContainerKind {
        charge_ul: mix.product_in(kind.charge_ul),
        scale_step_ul: kind.scale_step_ul.filter(exact).map(|step| mix.product_in(step)),
        charge_u_ul: mix.product_in(kind.charge_u_ul),
        shared_u_ul: mix.product_in(kind.shared_u_ul),
        ..kind.clone()
    };
    kinds.iter().map(of).collect()
}

/// Says of each fill of a plan worked out in product how much of the mix goes into the container.
pub fn say_mix(plan: &mut ChargePlan, kinds: &[ContainerKind], label: &Label) {
    let Some(mix) = &label.mix else { return };
    let mut said: Vec<String> = vec![];
    for fill in &mut plan.fills {
        let same =
            |k: &&ContainerKind| k.name == fill.container && mix.product_in(k.charge_ul) == fill.charge_ul;
        let whole = kinds.iter().find(same).map(|k| k.charge_ul);
        // A part charge stands on a step that comes out even, so that this is exact.
        let volume = whole.filter(|_| !fill.part).unwrap_or_else(|| mix.volume_of(fill.charge_ul));
        fill.mix_ul = Some(volume);
        said.push(format!("{} × {} mL", fill.count, volume.ml_exact()));
    }
    plan.note = format!("{} (product; of the mix, {})", plan.note, said.join(" + "));
}

/// How much of the mix goes into the containers of each hole; nothing where there is no mix.
pub fn mix_by_hole(plan: &ChargePlan, by_hole: &[Vec<Ul>]) -> Option<Vec<Vec<Ul>>> {
    let of = |charge: &Ul| plan.fills.iter().find(|f| f.charge_ul == *charge)?.mix_ul;
    by_hole.iter().map(|charges| charges.iter().map(of).collect()).collect()
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::dosing::charges::choose;
    use crate::dosing::dose::dose_for;
    use crate::dosing::invented::ash_label;
    use crate::quantity::Um;

    fn mix(product_parts: i64, diluent_parts: i64) -> Mix {
        Mix { diluent: "water".into(), product_parts, diluent_parts }
    }

    fn containers() -> Vec<ContainerKind> {
        let kind = |name: &str, charge, step: Option<i64>| ContainerKind {
            name: name.into(),
            charge_ul: Ul(charge),
            inner_volume_ul: None,
            scale_step_ul: step.map(Ul),
            charge_u_ul: Ul(100),
            shared_u_ul: Ul(50),
        };
        vec![kind("10 mL", 10_000, Some(1_000))]
    }

    /// 30 cm at 2.4 mL/cm are 72 mL of product (arithmetic). Mixed one to one, containers of 10 mL hold
    /// 5 mL of it: 14 whole ones are 70 mL, 15 are 75 mL and within the label's 2.6 mL/cm = 78 mL.
    #[test]
    fn a_container_of_mix_counts_with_the_product_in_it() {
        let mut label = ash_label();
        label.mix = Some(mix(1, 1));
        label.charges.part_charge = false;
        let dose = dose_for(&label, &label.rates[0].purpose, Um(300_000)).unwrap();
        let kinds = in_product(&containers(), &label);
        assert_eq!((kinds[0].charge_ul, kinds[0].scale_step_ul), (Ul(5_000), Some(Ul(500))));
        let mut plan = choose(&dose, &label.charges, &kinds).unwrap();
        assert_eq!((plan.fills[0].count, plan.total_ul), (14, Ul(70_000)));
        say_mix(&mut plan, &containers(), &label);
        assert_eq!(plan.fills[0].mix_ul, Some(Ul(10_000)));
        let by_hole = vec![vec![Ul(5_000)]; 14];
        assert_eq!(mix_by_hole(&plan, &by_hole), Some(vec![vec![Ul(10_000)]; 14]));
        assert!(plan.note.ends_with("(product; of the mix, 14 × 10.0 mL)"), "{}", plan.note);
    }

    #[test]
    fn a_mix_that_does_not_come_out_even_rounds_to_the_safe_side() {
        let thirds = mix(1, 2);
        assert_eq!(thirds.product_in(Ul(10_000)), Ul(3_334));
        assert_eq!((thirds.volume_of(Ul(500)), thirds.diluent_for(Ul(500))), (Ul(1_500), Ul(1_000)));
        let mut label = ash_label();
        label.mix = Some(thirds);
        assert_eq!(in_product(&containers(), &label)[0].scale_step_ul, None);
        // A reservoir filled to 1000 mL with one part in seven is not over a limit of 1000 mL.
        let sevenths = mix(1, 6);
        assert!(sevenths.surely_of(sevenths.product_in(Ul(1_000_000))) <= Ul(1_000_000));
        assert!(sevenths.surely_of(sevenths.product_in(Ul(1_000_010))) > Ul(1_000_000));
        // Parts that are none leave a volume as it is.
        for broken in [mix(0, 1), mix(-1, 2), mix(1, i64::MAX), mix(i64::MIN, 0)] {
            assert_eq!((broken.product_in(Ul(7)), broken.volume_of(Ul(7))), (Ul(7), Ul(7)));
        }
    }

    proptest! {
        #[test]
        fn product_is_never_understated(volume in 0i64..10_000_000, p in 1i64..1_000, d in 1i64..1_000) {
            let mix = mix(p, d);
            let product = mix.product_in(Ul(volume));
            let exact = i128::from(volume) * i128::from(p);
            let both = i128::from(p + d);
            prop_assert!(i128::from(product.0) * both >= exact && i128::from(product.0) * both < exact + both);
            prop_assert!(mix.volume_of(product) >= Ul(volume));
        }
    }
}
