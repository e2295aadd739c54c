//! Cautions, shown where the act happens. The label, local law and the licensed applicator decide.

use bolebook_core::dosing::caution::{Act, cautions};
use bolebook_core::record::label::Label;

/// Before drilling and injecting: what holds always, then the label's own words.
pub fn treating(label: &Label) -> Vec<String> {
    let mut all =
        vec!["The label and local law decide; a licensed applicator treats or supervises.".to_owned()];
    all.extend(of_acts(&[Act::Charge, Act::Uptake, Act::TakeOff]));
    all.extend(of_label(label));
    all
}

/// While containers come off: what is logged has been done, what comes next has not.
pub fn taking_off(label: &Label) -> Vec<String> {
    of_acts(&[Act::TakeOff]).into_iter().chain(of_label(label)).collect()
}

/// Before opening and filling a reservoir.
pub fn filling(label: Option<&Label>) -> Vec<String> {
    of_acts(&[Act::Fill, Act::Leave]).into_iter().chain(label.into_iter().flat_map(of_label)).collect()
}

/// Before a truck is loaded.
pub fn carrying(label: &Label) -> Vec<String> {
    of_acts(&[Act::Leave]).into_iter().chain(of_label(label)).collect()
}

/// While charges are caught to be measured.
pub fn calibrating() -> Vec<String> {
    of_acts(&[Act::Calibrate])
}

/// What the core says at these acts, each line once.
pub fn of_acts(acts: &[Act]) -> Vec<String> {
    let mut all: Vec<String> = vec![];
    for text in acts.iter().flat_map(|act| cautions(*act)) {
        if !all.iter().any(|known| known == text) {
            all.push((*text).to_owned());
        }
    }
    all
}

fn of_label(label: &Label) -> Vec<String> {
    let invented = label.invented.iter().map(|text| format!("Label {}: {text}", label.name));
    invented.chain(label.cautions.iter().cloned()).collect()
}
