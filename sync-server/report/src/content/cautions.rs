//! Cautions in plain words, and the label's own: what the portal says, in its words.

use super::Writer;
use crate::clean;
use crate::layout::{BODY, SMALL};

/// The section.
pub fn section(w: &mut Writer<'_, '_, '_>) {
    w.section("cautions");
    let company = w.asked.view.yard.company.clone();
    let at = |w: &Writer<'_, '_, '_>, id: &str, product: &str| {
        w.with(id, &[("product", product.to_owned()), ("company", company.clone())])
    };
    let labels: Vec<_> = w.seen.labels.values().copied().collect();
    let mut said = vec![w.say("caution-person")];
    if !labels.is_empty() {
        said.push(w.say("caution-holes"));
        said.push(at(w, "caution-wood", ""));
    }
    for label in &labels {
        let harvest =
            if label.conditions.not_for_food { "caution-harvest-never" } else { "caution-harvest-ask" };
        said.push(at(w, harvest, &label.name));
        if label.conditions.not_in_bloom {
            said.push(at(w, "caution-bees", &label.name));
        }
        if let Some(days) = label.conditions.days_before_felling {
            let values = [("product", label.name.clone()), ("days", days.to_string())];
            said.push(w.with("caution-felling", &values));
        }
    }
    w.flow.list(said.iter().map(String::as_str), BODY);
    for label in labels {
        w.flow.heading(2, &clean(&label.name));
        let mut line = w.with("registration", &[("number", label.registration.clone())]);
        if let Some(invented) = &label.invented {
            line = format!("{line}. {invented}");
        }
        w.flow.paragraph(&line, BODY);
        let names: Vec<String> = label.active_ingredients.iter().map(|a| a.name.clone()).collect();
        let line = format!("{}: {}", w.say("ingredients"), names.join(", "));
        w.flow.paragraph(&line, BODY);
        for (head, lines) in [("label-says", &label.cautions), ("first-aid", &label.first_aid)] {
            if !lines.is_empty() {
                let head = format!("{}:", w.say(head));
                w.flow.paragraph(&head, SMALL);
                w.flow.list(lines.iter().map(String::as_str), BODY);
            }
        }
    }
}
