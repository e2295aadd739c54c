//! Dose, charges and layout of a stem, under every limit that still leaves something.

use std::collections::BTreeMap;

use crate::check::Treatment;
use crate::dosing::advice::tree::{MeasuredStem, damage};
use crate::dosing::advice::{Before, Case, DESIGN, PastTreatment, PastTree, Plan};
use crate::dosing::charges::{choose_within, pack};
use crate::dosing::conditions::Weight;
use crate::dosing::dose::{StemDose, season_limit_ul};
use crate::dosing::layout::{EarlierHole, LayoutRequest, plan as lay_out, room};
use crate::dosing::mix::{in_product, mix_by_hole, say_mix};
use crate::dosing::stem::girth_of_diameter;
use crate::dosing::tree_dose::tree_dose;
use crate::dosing::uncertainty::{Tape, of_diameter, of_plan, of_target};
use crate::facts::{Fact, Standing, Version};
use crate::geo::area_m2;
use crate::ids::{LabelId, TreeId};
use crate::quantity::{Ul, Um};
use crate::record::kit::Kit;
use crate::record::label::{ActiveIngredient, Label};
use crate::record::work::Application;
use crate::record::{Body, Kind};
use crate::view::products::Products;
use crate::view::{TreeView, View};

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
            "The tree was listed with {} stems when it was treated on {}, and has {stems} now: find out which stem is which, and when this one was last treated.",
            other.of_stems, other.day
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
            let earlier = if earlier.is_empty() {
                String::new()
            } else {
                format!(" ({} earlier holes are left out)", earlier.len())
            };
            case.stop(code, format!("Nothing to drill: {why}{earlier}."), "the label");
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
                    "No earlier season of this site is known here: find out whether the tree was treated in the {days} days before today."
                );
                case.caution("past.no_book", text, INTERVAL);
            }
            return;
        }
        let text = "Last season's book was not looked up for this tree: find out when it was last treated, and where.";
        match label.interval_days {
            Some(_) => case.stop("past.not_known", text, INTERVAL),
            None => case.caution("past.not_known", text, WOUNDS),
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
            let text =
                format!("Last treated on {last}, {days} days ago; the label asks for {least} between.");
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

/// A limit, what it still leaves for this stem, and its source.
struct Limit {
    left_ul: i64,
    of: String,
}

/// Lowers a dose to what every limit leaves, or stops.
fn hold(case: &mut Case<'_, '_>, dose: StemDose, limits: &[Result<Limit, String>]) -> Option<StemDose> {
    let mut held = dose;
    let mut refused = false;
    for limit in limits {
        match limit {
            Err(unknown) => {
                case.stop("limit.not_known", unknown.clone(), "the label's limits");
                refused = true;
            }
            Ok(limit) if limit.left_ul < held.min_ul.0 => {
                let text = format!(
                    "{} leaves {} mL, less than the least dose of {} mL for this stem.",
                    limit.of,
                    Ul(limit.left_ul.max(0)).ml_exact(),
                    held.min_ul.ml_exact()
                );
                case.stop("limit.reached", text, "the label's limits");
                refused = true;
            }
            Ok(limit) if limit.left_ul < held.max_ul.0 => {
                held.max_ul = Ul(limit.left_ul);
                if held.target_ul > held.max_ul {
                    held.target_ul = held.max_ul;
                    let text = format!(
                        "{} leaves {} mL: the dose is held to that.",
                        limit.of,
                        held.max_ul.ml_exact()
                    );
                    case.caution("limit.holds", text, "the label's limits");
                }
            }
            Ok(_) => {}
        }
    }
    (!refused).then_some(held)
}

fn limits(
    case: &Case<'_, '_>,
    label: &Label,
    measured: &MeasuredStem,
    before: &Before<'_>,
) -> Vec<Result<Limit, String>> {
    let view = case.view;
    let mut limits = vec![];
    let products = view.yard.products();
    let given = with_held(view, &before.all, |id| id == case.id);
    let known: Vec<Um> = measured.stems.iter().flatten().copied().collect();
    let of_past = case.ask.past.into_iter().flat_map(|past| past.of_season(&view.job.season));
    let used = given.iter().flat_map(|t| t.parts.iter().map(|(_, _, a)| a.label));
    let counting = counting(case, label, &products, used.chain(of_past.filter_map(|t| t.label)));
    let past = case.ask.past.map_or(0, |past| past_ul(view, &products, case.ask.label, past));
    for (id, counts) in &counting.of_product {
        if let Some(limit) = season_limit_ul(counts, &known) {
            let used = product_ul(&products, case.ask.label, given.iter()).saturating_add(past);
            let of = whose("limit per tree and season", case, *id, counts);
            limits.push(Ok(Limit { left_ul: limit.0.saturating_sub(used), of }));
        }
    }
    for ingredient in &label.active_ingredients {
        let Some(limit) = counting.least(ingredient, |a| a.tree_season_max_ug) else { continue };
        let of = format!("The limit of {} per tree and season", ingredient.name);
        if case.ask.past.is_some_and(|past| past.of_season(&view.job.season).next().is_some()) {
            // Rare enough that the reckoning is left to a person.
            let text =
                format!("{of} cannot be reckoned: the tree was treated this season in another job's book.");
            limits.push(Err(text));
            continue;
        }
        limits.push(left_of(view, ingredient, limit, of, given.iter()));
    }
    area_limits(case, label, &products, &mut limits);
    limits
}

/// The labels whose limits hold for a dose: the one asked about, and those under which product went in
/// before, which a later entry or version never sets aside.
struct Counting<'v> {
    /// Labels of the same product, by version.
    of_product: BTreeMap<LabelId, &'v Label>,
    /// All of them.
    all: Vec<&'v Label>,
}

impl Counting<'_> {
    /// The least limit of an active ingredient that any of them sets.
    fn least(&self, of: &ActiveIngredient, limit: fn(&ActiveIngredient) -> Option<i64>) -> Option<i64> {
        let named = |a: &&ActiveIngredient| a.name.trim().eq_ignore_ascii_case(of.name.trim());
        self.all.iter().flat_map(|l| l.active_ingredients.iter().filter(named)).filter_map(limit).min()
    }
}

fn counting<'v>(
    case: &Case<'v, '_>,
    label: &'v Label,
    products: &Products,
    used: impl Iterator<Item = LabelId>,
) -> Counting<'v> {
    let asked = case.ask.label;
    let mut versions: BTreeMap<LabelId, &'v Label> = BTreeMap::from([(asked, label)]);
    versions.extend(used.filter_map(|id| Some((id, case.view.yard.label(id)?))));
    let all = versions.values().copied().collect();
    versions.retain(|id, _| *id == asked || products.same(*id, asked) == Some(true));
    Counting { of_product: versions, all }
}

/// A limit's name, with its label's where that is another than the one asked about.
fn whose(what: &str, case: &Case<'_, '_>, id: LabelId, label: &Label) -> String {
    match id == case.ask.label {
        true => format!("The label's {what}"),
        false => format!("The {what} of label {}, under which product went in before,", label.name),
    }
}

/// Limits per hectare, over all trees of the tree's block and the block's area.
fn area_limits(
    case: &Case<'_, '_>,
    label: &Label,
    products: &Products,
    limits: &mut Vec<Result<Limit, String>>,
) {
    let view = case.view;
    // The block's trees are gone through only where some label of the yard has such a limit.
    let limited = |l: &Label| {
        l.area_season_max_ul_per_ha.is_some()
            || l.active_ingredients.iter().any(|a| a.area_season_max_ug_per_ha.is_some())
    };
    if !limited(label) && !view.yard.label_texts().any(limited) {
        return;
    }
    let block = view.tree(case.id).and_then(|t| t.block);
    let boundary = block.and_then(|b| view.facts.standing_fact(b)).and_then(|fact| {
        match &view.facts.shown(fact).record.body {
            Body::Block(block) if fact.kind == Kind::Block => Some(&block.boundary),
            _ => None,
        }
    });
    let in_block = view.trees.iter().filter(|(id, _)| view.tree(**id).is_some_and(|t| t.block == block));
    let all: Vec<Treatment<'_>> = in_block.flat_map(|(_, t)| crate::check::treatments(view, t)).collect();
    let all = with_held(view, &all, |id| view.tree(id).is_some_and(|t| t.block == block));
    let used = all.iter().flat_map(|t| t.parts.iter().map(|(_, _, a)| a.label));
    let counting = counting(case, label, products, used);
    let of_ingredients: Vec<_> = label
        .active_ingredients
        .iter()
        .filter_map(|a| Some((a, counting.least(a, |a| a.area_season_max_ug_per_ha)?)))
        .collect();
    if of_ingredients.is_empty()
        && counting.of_product.values().all(|l| l.area_season_max_ul_per_ha.is_none())
    {
        return;
    }
    let area = boundary.map(|b| area_m2(b)).filter(|a| *a >= 1.0);
    let Some(area) = area else {
        limits.push(Err(
            "The label has a limit per hectare, and the tree's block has no boundary: have the office draw it.".into(),
        ));
        return;
    };
    // Whole square metres, rounded down: the area never gives more than it has.
    let per_area = |limit: i64| {
        i64::try_from(i128::from(limit) * (libm::floor(area) as i128) / 10_000).unwrap_or(i64::MAX)
    };
    for (id, counts) in &counting.of_product {
        if let Some(limit) = counts.area_season_max_ul_per_ha {
            let used = product_ul(products, case.ask.label, all.iter());
            let of = whose("limit per hectare and season", case, *id, counts);
            limits.push(Ok(Limit { left_ul: per_area(limit.0).saturating_sub(used), of }));
        }
    }
    for (ingredient, limit) in of_ingredients {
        let of = format!("The limit of {} per hectare and season", ingredient.name);
        limits.push(left_of(view, ingredient, per_area(limit), of, all.iter()));
    }
}

/// Treatments with everything of some trees that is held until the office admits it: it may be true,
/// so it counts toward every limit, a held amendment where it says more than what is in force.
fn with_held<'v>(
    view: &'v View<'_>,
    given: &[Treatment<'v>],
    trees: impl Fn(TreeId) -> bool,
) -> Vec<Treatment<'v>> {
    let held = |fact: &'v Fact| -> Vec<(&'v Fact, &'v Version, &'v Application)> {
        let versions = fact.history.iter().filter_map(|v| view.facts.versions.get(*v));
        let held = versions.filter(|v| matches!(v.standing, Standing::Held(_)));
        let parts = held.filter_map(|version| match &version.record.body {
            Body::Application(body) if trees(view.stays(body.tree)) => Some((fact, version, &**body)),
            _ => None,
        });
        parts.collect()
    };
    let mut all: Vec<Treatment<'v>> = vec![];
    for treatment in given {
        let mut parts = treatment.parts.clone();
        let facts: Vec<&'v Fact> = treatment.parts.iter().map(|(fact, ..)| *fact).collect();
        facts.into_iter().for_each(|fact| parts.extend(held(fact)));
        all.push(Treatment { stem: treatment.stem, parts });
    }
    let facts = view.facts.of_kind(Kind::Application).filter(|f| !f.in_force() && f.struck_by.is_none());
    for parts in facts.map(held) {
        if let Some((_, _, body)) = parts.first() {
            all.push(Treatment { stem: body.stem, parts });
        }
    }
    all
}

/// What was discharged of the label's product, under whatever version of its label. A product whose
/// label is not known may be this one.
fn product_ul<'t, 'v: 't>(
    products: &Products,
    label: LabelId,
    treatments: impl Iterator<Item = &'t Treatment<'v>>,
) -> i64 {
    let may_be = |t: &&Treatment<'_>| {
        t.parts.first().is_none_or(|(_, _, a)| products.same(a.label, label).unwrap_or(true))
    };
    treatments.filter(may_be).map(|t| t.discharged_ul().1).fold(0, i64::saturating_add)
}

/// The same of another book of this season.
fn past_ul(view: &View<'_>, products: &Products, label: LabelId, past: &PastTree) -> i64 {
    let may_be =
        |t: &&PastTreatment| t.label.is_none_or(|theirs| products.same(theirs, label).unwrap_or(true));
    let of_season = past.of_season(&view.job.season).filter(may_be);
    of_season.map(|t| t.discharged_ul.0).fold(0, i64::saturating_add)
}

/// What a limit in micrograms leaves, as product of this label, rounded down.
fn left_of<'t, 'v: 't>(
    view: &View<'_>,
    ingredient: &ActiveIngredient,
    limit_ug: i64,
    of: String,
    treatments: impl Iterator<Item = &'t Treatment<'v>>,
) -> Result<Limit, String> {
    let mut used_ug = 0i128;
    for treatment in treatments {
        let same = |a: &&ActiveIngredient| a.name.trim().eq_ignore_ascii_case(ingredient.name.trim());
        // Of parts under several label versions the strongest counts for all.
        let mut strength = 0i128;
        for (_, _, application) in &treatment.parts {
            let Some(label) = view.yard.label(application.label) else {
                return Err(format!(
                    "{of} cannot be reckoned: the tree or block was treated under a label that is not in the yard."
                ));
            };
            let of_label = label.active_ingredients.iter().filter(same).map(|a| i128::from(a.ug_per_ml));
            strength = strength.max(of_label.sum());
        }
        used_ug += i128::from(treatment.discharged_ul().1) * strength / 1_000 + 1;
    }
    let left_ul = (i128::from(limit_ug) - used_ug) * 1_000 / i128::from(ingredient.ug_per_ml.max(1));
    Ok(Limit { left_ul: i64::try_from(left_ul).unwrap_or(0), of })
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
