//! A tree's season: treated twice, too soon again, over the limit per tree and season.

use std::collections::{BTreeMap, BTreeSet};

use crate::check::Treatment;
use crate::check::work::{Treated, Work};
use crate::day::Day;
use crate::dosing::dose::season_limit_ul;
use crate::finding::{Code, Finding, Named};
use crate::ids::{LabelId, TreeId};
use crate::quantity::{Ul, Um, decimal, word_for};
use crate::record::label::{ActiveIngredient, Label};
use crate::view::View;
use crate::view::products::{Products, StandingLabels};

/// Findings of this rule.
pub fn check<'v>(view: &'v View<'_>, work: &Work<'v>, findings: &mut Vec<Finding>) {
    let (standing, products) = work.standing(view);
    let labels = Labels { standing, products };
    for treated in &work.treated {
        let treatments: Vec<_> = treated.treatments.iter().filter(|t| t.discharged_ul().1 > 0).collect();
        if treatments.len() < 2 {
            // The only one of its season: it can only be too much by itself.
            season(view, work, &labels, treated, &treatments, findings);
            continue;
        }
        again(view, treated.id, &treatments, findings);
        ingredients(view, &labels, treated.id, &treatments, findings);
        let mut products = BTreeMap::new();
        for treatment in treatments {
            let Some((_, _, application)) = treatment.parts.first() else { continue };
            let product = labels.products.of(application.label).unwrap_or(application.label);
            products.entry(product).or_insert_with(Vec::new).push(treatment);
        }
        for treatments in products.values() {
            season(view, work, &labels, treated, treatments, findings);
        }
    }
}

/// Every treatment of a stem against the one before it: on different days the label's interval
/// judges; without an interval, or on one day, a second treatment is a mistake.
fn again(view: &View<'_>, id: TreeId, treatments: &[&Treatment<'_>], findings: &mut Vec<Finding>) {
    let day = |t: &Treatment<'_>| t.days(view).map(|d| d.day).min();
    let mut order: Vec<(i64, Option<Day>, &Treatment<'_>)> =
        treatments.iter().map(|t| (t.stem, day(t), *t)).collect();
    order.sort_by_key(|(stem, day, t)| (*stem, *day, t.records()));
    for pair in order.windows(2) {
        let [(stem_a, Some(day_a), a), (stem_b, Some(day_b), b)] = pair else { continue };
        if stem_a != stem_b {
            continue;
        }
        let Some((first, _, earlier)) = a.parts.first() else { continue };
        let Some((second, _, _)) = b.parts.first() else { continue };
        let interval = view.yard.label(earlier.label).and_then(|l| l.interval_days);
        let days = day_a.days_until(*day_b);
        let (code, message) = match interval {
            Some(interval) if days > 0 && days >= interval => continue,
            Some(interval) if days > 0 => (
                Code::DoseTooSoon,
                format!(
                    "Tree {}, stem {stem_a}: treated on {day_a} and again on {day_b}, {days} {} later; the label asks for {interval}.",
                    view.tag(id),
                    word_for(days, "day", "days")
                ),
            ),
            _ => (
                Code::TreatedTwice,
                format!(
                    "Tree {}, stem {stem_a}: treated twice, {} mL ({}) and {} mL ({}).",
                    view.tag(id),
                    Ul(a.discharged_ul().1).ml(),
                    who(view, a),
                    Ul(b.discharged_ul().1).ml(),
                    who(view, b)
                ),
            ),
        };
        let mut records = a.records();
        records.extend(b.records());
        let subjects = [first.id.min(second.id).to_string(), first.id.max(second.id).to_string()];
        findings.push(
            Finding::new(code, &[&subjects[0], &subjects[1]], message, records)
                .about(id)
                .on(a.days(view).chain(b.days(view))),
        );
    }
}

fn who(view: &View<'_>, treatment: &Treatment<'_>) -> String {
    let Some((_, _, application)) = treatment.parts.first() else { return String::new() };
    let day = treatment.days(view).map(|d| d.day).min().map(|d| d.to_string()).unwrap_or_default();
    format!("crew {}, {day}", Named(application.crew))
}

/// The yard's labels, for the limits of those that stand for the same product.
struct Labels<'w, 'v> {
    standing: &'w StandingLabels<'v>,
    products: &'w Products,
}

impl<'v> Labels<'_, 'v> {
    /// The label versions that stood for a treatment's product when it was made.
    fn of(&self, view: &View<'_>, treatment: &Treatment<'_>) -> Vec<(LabelId, &'v Label)> {
        let Some((_, _, first)) = treatment.parts.first() else { return vec![] };
        let day = treatment.days(view).map(|d| d.day).min();
        self.standing.at(self.products, first.label, treatment.last_begun(), day).collect()
    }
}

/// The sum of what was put in, one treatment after the other, against the least limit that held at each:
/// of the labels used until then, which a later entry or version never sets aside, and of those that
/// stood for the product.
fn season(
    view: &View<'_>,
    work: &Work<'_>,
    labels: &Labels<'_, '_>,
    treated: &Treated<'_>,
    treatments: &[&Treatment<'_>],
    findings: &mut Vec<Finding>,
) {
    let Some((_, _, application)) = treatments.first().and_then(|t| t.parts.first()) else { return };
    let stems = treated.listed.map_or(1, |t| t.stems.clamp(1, 64));
    let diameters: Vec<Um> = (1..=stems).filter_map(|stem| view.diameter(treated.tree, stem)).collect();
    let mut order = treatments.to_vec();
    order.sort_by_key(|t| t.last_begun());
    let (mut discharged, mut of_used) = (0i64, None);
    let mut over: Option<(Ul, Option<LabelId>)> = None;
    for treatment in order {
        discharged = discharged.saturating_add(treatment.discharged_ul().1);
        let used = treatment.parts.iter().filter_map(|(_, _, a)| work.label(a.label));
        let limits = used.filter_map(|l| season_limit_ul(l.label, &diameters)).map(|limit| (limit, None));
        of_used = limits.chain(of_used).min();
        let standing = labels.of(view, treatment);
        let standing =
            standing.iter().filter_map(|(id, l)| Some((season_limit_ul(l, &diameters)?, Some(*id))));
        let least = standing.chain(of_used).min();
        let broken = least.filter(|(limit, _)| discharged > limit.0);
        over = broken.into_iter().chain(over).min();
    }
    let Some((limit, other)) = over else { return };
    let (tag, used, limit) = (treated.called(), Ul(discharged).ml(), limit.ml());
    let message = match other {
        None => format!(
            "Tree {tag}: {used} mL discharged this season, over the label's limit of {limit} mL per tree and season."
        ),
        Some(label) => format!(
            "Tree {tag}: {used} mL discharged this season, over the label's limit of {limit} mL per tree and season (label {}, in force for the same product).",
            Named(label)
        ),
    };
    let records = treatments.iter().flat_map(|t| t.records()).collect();
    let subjects = [treated.id.to_string(), application.label.to_string()];
    findings.push(
        Finding::new(Code::DoseSeasonLimit, &[&subjects[0], &subjects[1]], message, records)
            .about(treated.id)
            .on(treatments.iter().flat_map(|t| t.days(view))),
    );
}

/// The limit of an active ingredient per tree and season, over all products that hold it. Of one
/// product alone, the label's own limit has said it already.
fn ingredients(
    view: &View<'_>,
    labels: &Labels<'_, '_>,
    id: TreeId,
    treatments: &[&Treatment<'_>],
    findings: &mut Vec<Finding>,
) {
    let mut used: BTreeMap<String, (i128, Option<i64>, BTreeSet<&str>)> = BTreeMap::new();
    for treatment in treatments {
        let Some((_, _, application)) = treatment.parts.first() else { continue };
        let Some(label) = view.yard.label(application.label) else { continue };
        for ingredient in &label.active_ingredients {
            let name = ingredient.name.trim().to_lowercase();
            let (ng, limit, products) = used.entry(name.clone()).or_default();
            *ng += i128::from(treatment.discharged_ul().1) * i128::from(ingredient.ug_per_ml.max(0));
            let same = |a: &&ActiveIngredient| a.name.trim().to_lowercase() == name;
            let standing = labels.of(view, treatment).into_iter().flat_map(|(_, l)| &l.active_ingredients);
            let standing = standing.filter(same).filter_map(|a| a.tree_season_max_ug);
            *limit = standing.chain(*limit).chain(ingredient.tree_season_max_ug).min();
            products.insert(&label.registration);
        }
    }
    for (name, (ng, limit, products)) in used {
        let Some(limit) = limit.filter(|_| products.len() > 1) else { continue };
        if ng <= i128::from(limit) * 1_000 {
            continue;
        }
        let message = format!(
            "Tree {}: {} mg of {name} this season from {} products, over the limit of {} mg per tree and season.",
            view.tag(id),
            decimal(i64::try_from(ng / 1_000).unwrap_or(i64::MAX), 1_000, 1),
            products.len(),
            decimal(limit, 1_000, 1)
        );
        let records = treatments.iter().flat_map(|t| t.records()).collect();
        findings.push(
            Finding::new(Code::DoseSeasonLimit, &[&id.to_string(), &name], message, records)
                .about(id)
                .on(treatments.iter().flat_map(|t| t.days(view))),
        );
    }
}
