//! A tree's season: treated twice, too soon again, over the limit per tree and season.

use std::collections::{BTreeMap, BTreeSet};

use crate::check::Treatment;
use crate::check::work::{Treated, Work};
use crate::day::Day;
use crate::dosing::dose::season_limit_ul;
use crate::finding::{Code, Finding, Named};
use crate::ids::TreeId;
use crate::quantity::{Ul, Um, decimal};
use crate::view::View;

/// Findings of this rule.
pub fn check(view: &View<'_>, work: &Work<'_>, findings: &mut Vec<Finding>) {
    let of_yard = view.yard.products();
    for treated in &work.treated {
        let treatments: Vec<_> = treated.treatments.iter().filter(|t| t.discharged_ul().1 > 0).collect();
        if treatments.len() < 2 {
            // The only one of its season: it can only be too much by itself.
            season(view, work, treated, &treatments, findings);
            continue;
        }
        again(view, treated.id, &treatments, findings);
        ingredients(view, treated.id, &treatments, findings);
        let mut products = BTreeMap::new();
        for treatment in treatments {
            let Some((_, _, application)) = treatment.parts.first() else { continue };
            let product = of_yard.of(application.label).unwrap_or(application.label);
            products.entry(product).or_insert_with(Vec::new).push(treatment);
        }
        for treatments in products.values() {
            season(view, work, treated, treatments, findings);
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
                    "Tree {}, stem {stem_a}: treated on {day_a} and again on {day_b}, {days} days later; the label asks for {interval}.",
                    view.tag(id)
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

fn season(
    view: &View<'_>,
    work: &Work<'_>,
    treated: &Treated<'_>,
    treatments: &[&Treatment<'_>],
    findings: &mut Vec<Finding>,
) {
    let Some((_, _, application)) = treatments.first().and_then(|t| t.parts.first()) else { return };
    let stems = treated.listed.map_or(1, |t| t.stems.clamp(1, 64));
    let diameters: Vec<Um> = (1..=stems).filter_map(|stem| view.diameter(treated.tree, stem)).collect();
    // Whichever label sets the least: a later entry or version never sets an earlier one's limit aside.
    let used = treatments.iter().flat_map(|t| t.parts.iter().map(|(_, _, a)| a.label));
    let limits = used.filter_map(|l| work.label(l)).filter_map(|l| season_limit_ul(l.label, &diameters));
    let Some(limit) = limits.min() else { return };
    let discharged = treatments.iter().map(|t| t.discharged_ul().1).fold(0i64, i64::saturating_add);
    if discharged <= limit.0 {
        return;
    }
    let message = format!(
        "Tree {}: {} mL discharged this season, over the label's limit of {} mL per tree and season.",
        treated.called(),
        Ul(discharged).ml(),
        limit.ml()
    );
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
fn ingredients(view: &View<'_>, id: TreeId, treatments: &[&Treatment<'_>], findings: &mut Vec<Finding>) {
    let mut used: BTreeMap<String, (i128, Option<i64>, BTreeSet<&str>)> = BTreeMap::new();
    for treatment in treatments {
        let Some((_, _, application)) = treatment.parts.first() else { continue };
        let Some(label) = view.yard.label(application.label) else { continue };
        for ingredient in &label.active_ingredients {
            let name = ingredient.name.trim().to_lowercase();
            let (ng, limit, products) = used.entry(name).or_default();
            *ng += i128::from(treatment.discharged_ul().1) * i128::from(ingredient.ug_per_ml.max(0));
            *limit = [*limit, ingredient.tree_season_max_ug].into_iter().flatten().min();
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
