//! Doses against the label: over, under, below the smallest diameter, species, label not usable.

use std::collections::BTreeSet;

use crate::check::Treatment;
use crate::check::work::{Treated, Work};
use crate::dosing::dose::{DoseError, allows_species, dose_for};
use crate::finding::{Code, Finding};
use crate::quantity::Ul;
use crate::view::View;

/// Findings of this rule.
pub fn check(view: &View<'_>, work: &Work<'_>, findings: &mut Vec<Finding>) {
    for treated in &work.treated {
        for treatment in &treated.treatments {
            treatment_findings(view, work, treated, treatment, findings);
        }
    }
}

fn treatment_findings(
    view: &View<'_>,
    work: &Work<'_>,
    treated: &Treated<'_>,
    treatment: &Treatment<'_>,
    findings: &mut Vec<Finding>,
) {
    let Some((first, _, application)) = treatment.parts.first() else { return };
    let tag = treated.called();
    let mut records = treatment.records();
    let mut add = |code, message, records: Vec<_>| {
        let found = Finding::new(code, &[first.id.text(&mut [0; 36])], message, records);
        findings.push(found.about(treated.id).on(treatment.days(view)));
    };
    let Some(entered) = work.label(application.label) else {
        let message =
            format!("Tree {tag}: treated under label {}, which is not in the yard.", application.label);
        add(Code::LabelNotUsable, message, records);
        return;
    };
    let label = entered.label;
    // One finding with every reason, so that a ruling on one of them does not settle the other; every
    // part's own label version is judged, on its own day.
    let mut unusable = BTreeSet::new();
    for (_, version, part) in &treatment.parts {
        let Some(entered) = work.label(part.label) else {
            unusable.insert(format!("label {} is not in the yard", part.label));
            continue;
        };
        let label = entered.label;
        if !entered.confirmed {
            unusable.insert(format!("label {} has not been confirmed by a second person", label.name));
        }
        if let (Some(used), Some(expires)) = (view.crew_day(version), label.expires)
            && expires < used.day
        {
            unusable
                .insert(format!("label {} could be used until {expires}, used on {}", label.name, used.day));
        }
    }
    if !unusable.is_empty() {
        let message = format!("Tree {tag}: {}.", unusable.into_iter().collect::<Vec<_>>().join("; "));
        add(Code::LabelNotUsable, message, records.clone());
    }
    let species = treated.listed.and_then(|t| t.species.as_deref());
    if let Some(species) = species
        && !allows_species(label, species)
    {
        let message = format!("Tree {tag}: {species} is not on label {}.", label.name);
        add(Code::DoseSpecies, message, records.clone());
    }
    let Some((diameter_record, diameter)) = view.dosed_from(treated.tree, application) else {
        let message = format!("Tree {tag}, stem {}: treated without any diameter.", application.stem);
        add(Code::DoseNoRate, message, records);
        return;
    };
    records.push(diameter_record);
    let (put_in, discharged) = (treatment.put_in_ul(), treatment.discharged_ul());
    let cm = diameter.cm();
    match dose_for(label, &application.purpose, diameter) {
        Err(DoseError::BelowSmallest { smallest_um, .. }) => {
            let message = format!(
                "Tree {tag}: {cm} cm is below the smallest diameter of {} cm, yet {} mL were discharged.",
                smallest_um.cm(),
                Ul(discharged.1).ml()
            );
            add(Code::DoseBelowSmallest, message, records);
        }
        Err(error) => add(Code::DoseNoRate, format!("Tree {tag}: {error}."), records),
        Ok(dose) => {
            if discharged.1 > dose.max_ul.0 {
                let message = format!(
                    "Tree {tag}, {cm} cm: {} mL discharged, {} mL over the label's most of {} mL.",
                    Ul(discharged.1).ml(),
                    Ul(discharged.1 - dose.max_ul.0).ml(),
                    dose.max_ul.ml()
                );
                add(Code::DoseOverLabel, message, records);
            } else if put_in.0 < dose.min_ul.0 {
                let message = format!(
                    "Tree {tag}, {cm} cm: {} mL taken up, less than the label's least of {} mL.",
                    Ul(put_in.0).ml(),
                    dose.min_ul.ml()
                );
                add(Code::DoseUnderLabel, message, records);
            }
        }
    }
}
