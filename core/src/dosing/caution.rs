//! Cautions where the act happens: what is said beside a figure before someone acts on it.
//!
//! These are defaults. The label, the kit's manual, local law and a licensed applicator come first.

use serde::Serialize;

/// An act that can hurt someone.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Act {
    /// Filling product into the reservoir.
    Fill,
    /// Putting air on the reservoir.
    Pressurise,
    /// Charging a container.
    Charge,
    /// Waiting for a charge to be taken up.
    Uptake,
    /// Taking a container off.
    TakeOff,
    /// Looking for a leak.
    LeakCheck,
    /// Leaving, carrying or driving a charged kit.
    Leave,
    /// Catching charges to measure or weigh them.
    Calibrate,
}

/// Skin is broken by a jet of about 7 bar (100 psi), and the wound is often small and painless at
/// first (Merck Manual, home edition, 'High-Pressure Injection Injuries'; a hand surgery manual for
/// the figure).
pub const UNDER_THE_SKIN: &str = "Product under the skin is a hospital emergency even if it does not hurt: go at once, take the label along.";

const GOGGLES: &str = "Wear goggles and the gloves the label asks for; keep your face out of the line of the container, hose and fittings.";
const NOTHING_LOOSENED: &str = "Loosen nothing that is under pressure.";
const ONLY_AIR: &str = "Use air only: never oxygen, never a flammable gas.";

/// What to say at an act, most urgent first.
pub const fn cautions(act: Act) -> &'static [&'static str] {
    match act {
        Act::Fill => &[
            GOGGLES,
            "Release all pressure before opening the reservoir; fill no higher than its mark, the head space is not room for product.",
            "Compare the registration number and lot on the container with the label on this device.",
        ],
        Act::Pressurise => &[
            GOGGLES,
            ONLY_AIR,
            "Set the air source's own limit before connecting it; stop at the kit's limit, which is that of its weakest part.",
            NOTHING_LOOSENED,
        ],
        Act::Charge => &[
            GOGGLES,
            "Let the container vent before it is filled again: air left in it under pressure takes the place of product.",
            UNDER_THE_SKIN,
        ],
        Act::Uptake => &[
            "No uptake in the label's time: stop, recover the product, record it. Never raise the pressure.",
            "A container that has not emptied is under pressure.",
            "A loaded container warms in the sun like the reservoir: shade it, do not leave it.",
        ],
        Act::TakeOff => &[
            GOGGLES,
            "A container that has not emptied is under pressure: release it only as the label and the kit's manual say.",
            UNDER_THE_SKIN,
        ],
        Act::LeakCheck => &[
            GOGGLES,
            "Look for bubbles with soapy water; never feel for a leak with the hand.",
            "Release all pressure before tightening or loosening anything.",
            UNDER_THE_SKIN,
        ],
        Act::Leave => &[
            "Never leave a charged reservoir or loaded container in the sun or in a vehicle: release the pressure first.",
            NOTHING_LOOSENED,
        ],
        Act::Calibrate => &[
            GOGGLES,
            "Catch every charge in a closed vessel and return it as the label says; it is product, and it counts in the balance.",
            UNDER_THE_SKIN,
        ],
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn said_at(act: Act, words: &str) -> bool {
        cautions(act).iter().any(|line| line.contains(words))
    }

    #[test]
    fn each_danger_is_named_where_it_happens() {
        assert!(said_at(Act::Pressurise, "never oxygen, never a flammable gas"));
        assert!(said_at(Act::Pressurise, "under pressure"));
        assert!(said_at(Act::Charge, "vent before it is filled again"));
        assert!(said_at(Act::Uptake, "stop, recover the product, record it. Never raise the pressure"));
        assert!(said_at(Act::TakeOff, "only as the label and the kit's manual say"));
        assert!(said_at(Act::LeakCheck, "never feel for a leak with the hand"));
        for act in [Act::Charge, Act::TakeOff, Act::LeakCheck, Act::Calibrate] {
            assert!(said_at(act, "hospital emergency even if it does not hurt"), "{act:?}");
        }
        for act in [Act::Fill, Act::Pressurise, Act::Charge, Act::TakeOff, Act::LeakCheck, Act::Calibrate] {
            assert!(said_at(act, "goggles") && said_at(act, "face"), "{act:?}");
        }
    }
}
