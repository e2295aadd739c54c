//! Dose, charges and layout of a stem, under every limit that still leaves something.

use crate::check::Treatment;
use crate::dosing::advice::limits::{hold, limits};
use crate::dosing::advice::tree::{MeasuredStem, damage};
use crate::dosing::advice::{Before, Case, DESIGN, PastTreatment, PastTree, Plan};
use crate::dosing::charges::{choose_within, pack};
use crate::dosing::conditions::Weight;
use crate::dosing::dose::{StemDose, limits_season};
use crate::dosing::layout::{EarlierHole, LayoutRequest, plan as lay_out, room};
use crate::dosing::mix::{in_product, mix_by_hole, say_mix};
use crate::dosing::stem::girth_of_diameter;
use crate::dosing::tree_dose::tree_dose;
use crate::dosing::uncertainty::{Tape, of_diameter, of_plan, of_target};
use crate::quantity::{Ul, word_for};
use crate::record::kit::Kit;
use crate::record::label::Label;
use crate::view::TreeView;

const INTERVAL: &str = "the label's shortest interval between treatments";
const WOUNDS: &str = "Herms et al. 2009, multi-state extension bulletin: wounds may do long-term damage, \
    especially if made every year; Doccola 2011, Arboric. & Urban For. 37(1): healthy green ash closed every wound";

pub(super) fn plan(
    case: &mut Case<'_, '_>,
    tree: &TreeView,
    label: &Label,
    kit: &Kit,
    measured: &MeasuredStem,
    before: &Before<'_>,
) -> Option<Plan> {
    interval(case, label);
    let dose = dose(case, label, measured, before)?;
    let dose = hold(case, dose, &limits(case, label, measured, before))?;
    // What stops already would only be drowned by what the trunk says on top of it.
    if case.found.iter().any(|c| c.weight == Weight::Stop) {
        return None;
    }
    let mut wounds = damage(case.view, tree, case.ask.stem);
    let nothing = PastTree::default();
    let past = case.ask.past.unwrap_or(&nothing);
    let girth = girth_of_diameter(measured.record.diameter_um);
    for damage in past.damage.iter().filter(|d| d.damage.stem == case.ask.stem) {
        let damage = damage.grown_to(girth);
        if !wounds.contains(&damage) {
            wounds.push(damage);
        }
    }
    let stems = case.view.tree(case.id).map_or(1, |t| t.stems);
    if let Some(other) = past.treatments.iter().find(|p| p.of_stems != stems) {
        let text = format!(
            "The tree was listed with {} {} when it was treated on {}, and has {stems} now: find out which stem is which, and when this one was last treated.",
            other.of_stems,
            word_for(other.of_stems, "stem", "stems"),
            other.day
        );
        case.stop("past.other_stems", text, DESIGN);
    }
    let earlier = earlier_holes(&before.all, case.ask.stem, &past.treatments);
    let mark = case.view.tree(case.id).and_then(|t| t.mark);
    if mark.is_some() && past.marks(case.ask.stem).any(|earlier| earlier != mark) {
        let text = "Earlier holes or wounds were measured from another mark than the tree has now: find them on the trunk and set the mark they were measured from.";
        case.stop("layout.other_mark", text, DESIGN);
    }
    if mark.is_none() && !(wounds.is_empty() && earlier.is_empty()) {
        let text = "Damage or earlier holes are logged by their arc, but the tree has no lasting mark: find them on the trunk, set a mark, and log the arcs from it.";
        case.stop("layout.no_mark", text, DESIGN);
    }
    if measured.record.bark_um.is_none() {
        let text = "Bark is not measured: depth counts from the sapwood, so measure the bark before setting the depth.";
        case.caution("layout.bark", text, "the label's depth in sapwood");
    }
    let mut request = LayoutRequest {
        rules: &label.holes,
        holes: 1,
        diameter_um: measured.record.diameter_um,
        band_low_girth_um: measured.record.band_low_girth_um,
        band_high_girth_um: measured.record.band_high_girth_um,
        bark_um: measured.record.bark_um,
        mark,
        damage: &wounds,
        earlier: &earlier,
        clearance_um: label.holes.spacing_um,
        past_clearance_um: label.holes.past_clearance_um(),
    };
    let containers = in_product(&kit.containers, label);
    let charges = room(&request).map_err(|e| ("layout.none", e.to_string())).and_then(|fits| {
        choose_within(&dose, &label.charges, &containers, fits).map_err(|e| ("charges.none", e.to_string()))
    });
    let mut charges = match charges {
        Ok(charges) => charges,
        Err((code, why)) => {
            let text = match earlier.len() {
                0 => format!("Nothing to drill: {why}."),
                count => format!(
                    "Nothing to drill: {why} ({count} earlier {} left out).",
                    word_for(count, "hole is", "holes are")
                ),
            };
            case.stop(code, text, "the label");
            return None;
        }
    };
    say_mix(&mut charges, &kit.containers, label);
    let by_hole_ul = pack(&charges.charges_ul, &label.charges);
    let mix_by_hole_ul = mix_by_hole(&charges, &by_hole_ul);
    request.holes = by_hole_ul.len();
    let layout = lay_out(&request).ok()?;
    if layout.short() {
        case.stop("layout.short", format!("{}.", layout.instruction), "the label's spacing");
        return None;
    }
    let record = &measured.record;
    let tape = Tape::of_reading(&record.as_read, record.diameter_um);
    let dose_interval = of_diameter(&tape).and_then(|of| of_target(dose.target_ul, record.diameter_um, of));
    let known = dose_interval.and_then(|dose| Ok((dose, of_plan(&charges, &containers)?)));
    let (dose_interval, charges_interval) = match known {
        Ok(known) => known,
        Err(error) => {
            case.stop("kit.uncertainty", format!("How well a charge is known cannot be: {error}."), DESIGN);
            return None;
        }
    };
    Some(Plan { dose, dose_interval, charges, charges_interval, by_hole_ul, mix_by_hole_ul, layout })
}

/// What was put in in earlier seasons, as far as it is known.
fn interval(case: &mut Case<'_, '_>, label: &Label) {
    let Some(past) = case.ask.past else {
        if case.view.job.previous.is_none() {
            if let Some(days) = label.interval_days {
                let text = format!(
                    "No earlier season of this site is known here: find out whether the tree was treated in the {days} {} before today.",
                    word_for(days, "day", "days")
                );
                case.caution("past.no_book", text, INTERVAL);
            }
            return;
        }
        let text = "Last season's book was not looked up for this tree: find out when it was last treated, and where.";
        // What that book put in may have used up a limit that its label, or another of the product, sets.
        let yard = &case.view.yard;
        let products = yard.products();
        let standing = yard.standing_labels(&products);
        let mut of_product = standing.today(&products, case.ask.label, case.today);
        let limited = limits_season(label) || of_product.any(|(_, label)| limits_season(label));
        if label.interval_days.is_some() || limited {
            case.stop("past.not_known", text, INTERVAL);
        } else {
            case.caution("past.not_known", text, WOUNDS);
        }
        return;
    };
    let of_stem = past.treatments.iter().filter(|p| p.stem == case.ask.stem && p.discharged_ul > Ul(0));
    let Some(last) = of_stem.map(|p| p.day).max() else { return };
    let days = last.days_until(case.today);
    match label.interval_days {
        _ if days < 0 => {
            case.stop(
                "past.ahead",
                format!("Last treated on {last}, after today: check the clock."),
                INTERVAL,
            );
        }
        Some(least) if days < least => {
            let text = format!(
                "Last treated on {last}, {days} {} ago; the label asks for {least} between.",
                word_for(days, "day", "days")
            );
            case.stop("past.too_soon", text, INTERVAL);
        }
        _ if days < 400 => {
            case.caution(
                "past.last_season",
                format!("Wounded on {last}, a season ago: look how the holes closed."),
                WOUNDS,
            );
        }
        _ => {}
    }
}

/// The stem's dose, less what the application to be continued has put in.
fn dose(
    case: &mut Case<'_, '_>,
    label: &Label,
    measured: &MeasuredStem,
    before: &Before<'_>,
) -> Option<StemDose> {
    let index = usize::try_from(case.ask.stem).ok()?.checked_sub(1)?;
    let doses = tree_dose(label, case.ask.purpose, &measured.stems, Ul(0));
    let dose = match doses.stems.into_iter().nth(index)? {
        Ok(dose) => dose,
        Err(error) => {
            case.stop("dose.none", format!("No dose: {error}."), "the label's rate table");
            return None;
        }
    };
    let Some(begun) = before.continued.and_then(|i| before.all.get(i)) else { return Some(dose) };
    if begun.parts.iter().any(|(_, _, a)| a.label != case.ask.label || a.purpose != case.ask.purpose) {
        case.stop(
            "continue.other_label",
            "The application to be continued was made under another label or purpose.",
            DESIGN,
        );
        return None;
    }
    let ((put_in, _), (_, discharged)) = (begun.put_in_ul(), begun.discharged_ul());
    let left = StemDose {
        // What leaked counts as given: a leak never licenses a second dose.
        max_ul: Ul(dose.max_ul.0.saturating_sub(discharged)),
        target_ul: Ul(dose.target_ul.0.saturating_sub(discharged)),
        min_ul: Ul(dose.min_ul.0.saturating_sub(put_in).max(1)),
        ..dose
    };
    if left.target_ul.0 < 1 || left.max_ul < left.min_ul {
        let text = format!(
            "{} mL were discharged already: nothing may be added, whatever leaked.",
            Ul(discharged).ml_exact()
        );
        case.stop("continue.nothing_left", text, "the label's rate row");
        return None;
    }
    if left.min_ul > left.target_ul {
        let text = "With what leaked counted, the label's least can no longer be put in within the usual dose: what is left is planned, and the office will see the shortfall.";
        case.caution("continue.under_least", text, "the label's rate row");
        return Some(StemDose { min_ul: Ul(1), max_ul: left.target_ul, ..left });
    }
    Some(left)
}

/// Holes already in a stem, ordered: of this season's applications, and of those looked up.
pub fn earlier_holes(treatments: &[Treatment<'_>], stem: i64, past: &[PastTreatment]) -> Vec<EarlierHole> {
    let ours = treatments.iter().filter(|t| t.stem == stem).flat_map(|t| t.parts.iter());
    let ours = ours.flat_map(|(_, _, a)| a.holes.iter()).map(|h| EarlierHole {
        arc_um: h.arc_um,
        height_um: h.height_um,
        past: false,
        girth_um: None,
    });
    let past = past.iter().filter(|p| p.stem == stem);
    let mut holes: Vec<EarlierHole> = ours.chain(past.flat_map(|p| p.holes.iter().copied())).collect();
    holes.sort_by_key(|h| (h.arc_um, h.height_um));
    holes.dedup();
    holes
}
