//! Cautions, shown where the act happens. The label, local law and the licensed applicator decide.

use bolebook_core::record::label::Label;

/// Before drilling and injecting: what holds always, then the label's own words.
pub fn treating(label: &Label) -> Vec<String> {
    let mut cautions = vec![
        "Goggles and gloves on; keep face and hands out of line with reservoir, hose, container and hole."
            .to_owned(),
        "Product under the skin is a hospital emergency, even if it does not hurt.".to_owned(),
        "The label and local law decide; a licensed applicator treats or supervises.".to_owned(),
    ];
    cautions.extend(of_label(label));
    cautions
}

/// Before opening and filling a reservoir.
pub fn filling(label: Option<&Label>) -> Vec<String> {
    let mut cautions = vec![
        "Let all pressure out before opening. Goggles and gloves on, face aside.".to_owned(),
        "Never leave a filled reservoir in the sun or in a closed vehicle.".to_owned(),
    ];
    cautions.extend(label.into_iter().flat_map(of_label));
    cautions
}

fn of_label(label: &Label) -> Vec<String> {
    let invented = label.invented.iter().map(|text| format!("Label {}: {text}", label.name));
    invented.chain(label.cautions.iter().cloned()).collect()
}
