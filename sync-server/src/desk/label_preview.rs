//! What a label gives at a few diameters: dose, charges and holes, to be compared with the paper.

use bolebook_core::day::Day;
use bolebook_core::dosing::dose_table::{Entry, NoEntry, Request, dose_table};
use bolebook_core::ids::{LabelId, RecordId};
use bolebook_core::quantity::{ReadUnit, Ul, Um, decimal};
use bolebook_core::record::Kind;
use bolebook_core::record::kit::ContainerKind;
use bolebook_core::record::label::Label;
use maud::{Markup, html};

use crate::desk::page::{Desk, text};

/// The diameters shown, in centimetres and in inches.
const IN_CM: [i64; 7] = [10, 15, 20, 30, 45, 60, 90];
const IN_INCHES: [i64; 7] = [4, 6, 8, 12, 18, 24, 36];

/// Whose containers the charges are worked out with.
pub struct Containers {
    /// In words.
    pub whose: String,
    kinds: Vec<ContainerKind>,
}

/// The containers of a kit; without one, of the yard's first; without any, one that holds the
/// label's most at one hole.
pub fn containers(desk: &Desk, label: &Label, kit: Option<RecordId>) -> Containers {
    let yard = &desk.snapshot.yard;
    let mut kits = yard.facts.in_force(Kind::Kit).map(|f| f.id);
    match kit.or_else(|| kits.next()).and_then(|id| yard.kit(id)) {
        Some(kit) if !kit.containers.is_empty() => {
            Containers { whose: format!("the containers of kit {}", kit.name), kinds: kit.containers.clone() }
        }
        _ => {
            let charge_ul = label.charges.most_per_hole_ul;
            let kind = ContainerKind {
                name: "the label's most at one hole".into(),
                charge_ul,
                inner_volume_ul: None,
                scale_step_ul: None,
                charge_u_ul: Ul(0),
                shared_u_ul: Ul(0),
            };
            let whose = format!("containers of {} mL, for no kit is entered", charge_ul.ml_exact());
            Containers { whose, kinds: vec![kind] }
        }
    }
}

/// What goes in at exactly one diameter.
fn at(
    label: &Label,
    purpose: &str,
    diameter: Um,
    containers: &Containers,
    today: Day,
) -> Option<Result<Entry, NoEntry>> {
    let request = Request {
        label,
        label_id: LabelId::new(0, [0; 10]),
        purpose,
        containers: &containers.kinds,
        unit: ReadUnit::Cm,
        from_um: diameter,
        to_um: diameter,
        step_um: Um(1),
        printed: today,
    };
    dose_table(&request).ok()?.rows.into_iter().next().map(|row| row.entry)
}

/// The table.
pub fn table(label: &Label, containers: &Containers, today: Day) -> Markup {
    let inches = label.rates.iter().any(|r| r.per_inch.is_some());
    let (unit, each, diameters) = if inches { ("in", 25_400, IN_INCHES) } else { ("cm", 10_000, IN_CM) };
    let mut purposes: Vec<&str> = label.rates.iter().map(|r| r.purpose.as_str()).collect();
    let mut seen = std::collections::BTreeSet::new();
    purposes.retain(|p| seen.insert(*p));
    html! {
        @for purpose in purposes {
            table.cards.doses {
                caption { (text(purpose)) }
                thead { tr { th scope="col" { "Diameter" } th.num scope="col" { "Usual dose" } th.num scope="col" { "Most" } th scope="col" { "Charges" } th.num scope="col" { "Holes" } } }
                tbody { @for diameter in diameters { tr {
                    th scope="row" { (decimal(diameter, 1, 0)) " " (unit) }
                    @match at(label, purpose, Um(diameter * each), containers, today) {
                        Some(Ok(entry)) => {
                            td.num data-label="Usual dose" { (entry.usual_ul.ml_exact()) " mL" }
                            td.num data-label="Most" { (entry.max_ul.ml_exact()) " mL" }
                            td data-label="Charges" { (text(&entry.plan.note)) }
                            td.num data-label="Holes" { (entry.holes) }
                        }
                        Some(Err(why)) => { td colspan="4" { span.muted { "none: " (text(&why.to_string())) } } }
                        None => { td colspan="4" { span.muted { "none" } } }
                    }
                } } }
            }
        }
        p.small.muted { "In mL of product, worked out with " (text(&containers.whose)) ", before anything known of the tree or the day. Not a plan: a stem is dosed by its own diameter in the field, or with " code { "bolebook dose" } "." }
    }
}
