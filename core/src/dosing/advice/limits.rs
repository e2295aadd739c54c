//! The limits that hold for a dose, and what each still leaves.

use std::collections::{BTreeMap, BTreeSet};

use crate::check::Treatment;
use crate::dosing::advice::tree::MeasuredStem;
use crate::dosing::advice::{Before, Case, PastUse, SameSeason};
use crate::dosing::dose::{StemDose, limits_area, season_limit_ul};
use crate::facts::{Fact, Standing, Version};
use crate::geo::area_m2;
use crate::ids::{LabelId, TreeId};
use crate::quantity::{Ul, Um};
use crate::record::label::{ActiveIngredient, Label};
use crate::record::work::Application;
use crate::record::{Body, Kind};
use crate::view::View;
use crate::view::products::Products;

/// A limit, what it still leaves for this stem, and its source.
pub(super) struct Limit {
    left_ul: i64,
    of: String,
}

/// Lowers a dose to what every limit leaves, or stops.
pub(super) fn hold(
    case: &mut Case<'_, '_>,
    dose: StemDose,
    limits: &[Result<Limit, String>],
) -> Option<StemDose> {
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

/// Every limit that a dose of this label meets, with what was put in before.
pub(super) fn limits(
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
    let days = given.iter().flat_map(|t| t.days(view)).map(|d| d.day).chain([case.today]);
    let past: Vec<PastUse> = case
        .ask
        .past
        .map_or_else(Vec::new, |past| past.of_season(&view.job.season, days).map(PastUse::from).collect());
    let used = given.iter().flat_map(|t| t.parts.iter().map(|(_, _, a)| a.label));
    let counting = counting(case, label, &products, used.chain(past.iter().filter_map(|t| t.label)));
    let of_past = past_ul(&products, case.ask.label, &past);
    for (id, counts) in &counting.of_product {
        if let Some(limit) = season_limit_ul(counts, &known) {
            let used = product_ul(&products, case.ask.label, given.iter()).saturating_add(of_past);
            let of = counting.whose(false, case, *id, counts);
            limits.push(Ok(Limit { left_ul: limit.0.saturating_sub(used), of }));
        }
    }
    for ingredient in &label.active_ingredients {
        let Some(limit) = counting.least(ingredient, |a| a.tree_season_max_ug) else { continue };
        let of = format!("The limit of {} per tree and season", ingredient.name);
        if !past.is_empty() {
            // Rare enough that the reckoning is left to a person.
            let text =
                format!("{of} cannot be reckoned: the tree was treated this season in another job's book.");
            limits.push(Err(text));
            continue;
        }
        limits.push(left_of(view, ingredient, limit, of, (given.iter(), &[])));
    }
    area_limits(case, label, &products, &mut limits);
    limits
}

/// The labels whose limits hold for a dose: the one asked about, those under which product went in
/// before, which a later entry or version never sets aside, and every other that stands for the product.
struct Counting<'v> {
    /// Labels of the same product, by version.
    of_product: BTreeMap<LabelId, &'v Label>,
    /// All of them.
    all: Vec<&'v Label>,
    /// Those under which product went in.
    used: BTreeSet<LabelId>,
}

impl Counting<'_> {
    /// The least limit of an active ingredient that any of them sets.
    fn least(&self, of: &ActiveIngredient, limit: fn(&ActiveIngredient) -> Option<i64>) -> Option<i64> {
        let named = |a: &&ActiveIngredient| a.name.trim().eq_ignore_ascii_case(of.name.trim());
        self.all.iter().flat_map(|l| l.active_ingredients.iter().filter(named)).filter_map(limit).min()
    }

    /// The name of a label's limit per tree and season, or per hectare and season; with its label's
    /// where that is another than the one asked about.
    fn whose(&self, per_hectare: bool, case: &Case<'_, '_>, id: LabelId, label: &Label) -> String {
        let name = &label.name;
        match (per_hectare, id == case.ask.label, self.used.contains(&id)) {
            (false, true, _) => "The label's limit per tree and season".into(),
            (true, true, _) => "The label's limit per hectare and season".into(),
            (false, false, true) => {
                format!("The limit per tree and season of label {name}, under which product went in before,")
            }
            (false, false, false) => {
                format!("The limit per tree and season of label {name}, in force for the same product,")
            }
            (true, false, true) => format!(
                "The limit per hectare and season of label {name}, under which product went in before,"
            ),
            (true, false, false) => {
                format!("The limit per hectare and season of label {name}, in force for the same product,")
            }
        }
    }
}

fn counting<'v>(
    case: &Case<'v, '_>,
    label: &'v Label,
    products: &Products,
    used: impl Iterator<Item = LabelId>,
) -> Counting<'v> {
    let (asked, yard) = (case.ask.label, &case.view.yard);
    let used: BTreeSet<LabelId> = used.collect();
    let mut versions: BTreeMap<LabelId, &'v Label> = BTreeMap::from([(asked, label)]);
    versions.extend(used.iter().filter_map(|id| Some((*id, yard.label(*id)?))));
    versions.extend(yard.standing_labels(products).today(products, asked, case.today));
    let all = versions.values().copied().collect();
    versions.retain(|id, _| *id == asked || products.same(*id, asked) == Some(true));
    Counting { of_product: versions, all, used }
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
    if !limits_area(label) && !view.yard.label_texts().any(limits_area) {
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
    let days = all.iter().flat_map(|t| t.days(view)).map(|d| d.day).chain([case.today]);
    let same = SameSeason::new(&view.job.season, days);
    let past = case.ask.past.map_or(&[][..], |past| &past.of_block[..]).iter();
    let past: Vec<PastUse> = past.filter(|u| same.has(u.day, &u.season)).cloned().collect();
    let used = all.iter().flat_map(|t| t.parts.iter().map(|(_, _, a)| a.label));
    let counting = counting(case, label, products, used.chain(past.iter().filter_map(|u| u.label)));
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
            let used = used.saturating_add(past_ul(products, case.ask.label, &past));
            let of = counting.whose(true, case, *id, counts);
            limits.push(Ok(Limit { left_ul: per_area(limit.0).saturating_sub(used), of }));
        }
    }
    for (ingredient, limit) in of_ingredients {
        let of = format!("The limit of {} per hectare and season", ingredient.name);
        limits.push(left_of(view, ingredient, per_area(limit), of, (all.iter(), &past)));
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
fn past_ul(products: &Products, label: LabelId, past: &[PastUse]) -> i64 {
    let may_be = |t: &&PastUse| t.label.is_none_or(|theirs| products.same(theirs, label).unwrap_or(true));
    past.iter().filter(may_be).map(|t| t.discharged_ul.0).fold(0, i64::saturating_add)
}

/// What a limit in micrograms leaves, as product of this label, rounded down.
fn left_of<'t, 'v: 't>(
    view: &View<'_>,
    ingredient: &ActiveIngredient,
    limit_ug: i64,
    of: String,
    (treatments, past): (impl Iterator<Item = &'t Treatment<'v>>, &[PastUse]),
) -> Result<Limit, String> {
    let here = treatments
        .map(|t| (t.discharged_ul().1, t.parts.iter().map(|(_, _, a)| Some(a.label)).collect::<Vec<_>>()));
    let earlier = past.iter().map(|u| (u.discharged_ul.0, vec![u.label]));
    let mut used_ug = 0i128;
    for (discharged_ul, labels) in here.chain(earlier) {
        let same = |a: &&ActiveIngredient| a.name.trim().eq_ignore_ascii_case(ingredient.name.trim());
        // Of parts under several label versions the strongest counts for all.
        let mut strength = 0i128;
        for label in labels {
            let Some(label) = label.and_then(|label| view.yard.label(label)) else {
                return Err(format!(
                    "{of} cannot be reckoned: the tree or block was treated under a label that is not in the yard."
                ));
            };
            let of_label = label.active_ingredients.iter().filter(same).map(|a| i128::from(a.ug_per_ml));
            strength = strength.max(of_label.sum());
        }
        used_ug += i128::from(discharged_ul) * strength / 1_000 + 1;
    }
    let left_ul = (i128::from(limit_ug) - used_ug) * 1_000 / i128::from(ingredient.ug_per_ml.max(1));
    Ok(Limit { left_ul: i64::try_from(left_ul).unwrap_or(0), of })
}
