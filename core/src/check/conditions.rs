//! Conditions of label and job: canopy, temperature, soil, bloom, closed seasons, food, water,
//! felling; and what was not judged although it is asked for.

use crate::check::work::{Together, Work};
use crate::dosing::conditions::{Circumstances, Weight, cautions};
use crate::finding::{Code, Finding, Named};
use crate::record::Body;
use crate::record::label::Label;
use crate::record::stand::Condition;
use crate::view::{TreeView, View};

/// Findings of this rule.
pub fn check(view: &View<'_>, work: &Work<'_>, findings: &mut Vec<Finding>) {
    let mut not_assessed = Together::default();
    for done in &work.done {
        let (Some(label), Some(day)) = (done.label, done.day) else { continue };
        let species = done.listed.and_then(|t| t.species.clone());
        let mut now = Circumstances { species, day: Some(day.day), ..Circumstances::default() };
        let mut seen = false;
        for condition in conditions(view, done.of, done.body.ended_at.0, day.day) {
            now.take(condition);
            seen = true;
        }
        let tag = done.tag;
        let mut missing = vec![];
        for caution in cautions(label, &view.job.closed, &now) {
            if caution.weight != Weight::Stop {
                continue;
            }
            match judged(caution.code, label, &now) {
                Some(Judged::Broken(code)) => {
                    let message = format!("Tree {tag}, treated on {}: {}", day.day, caution.text);
                    findings.push(done.find(code, message));
                }
                Some(Judged::NotKnown(what)) => missing.push(what),
                None => {}
            }
        }
        if !missing.is_empty() && done.first {
            not_assessed.add(day, missing.join(", "), tag.to_owned(), done.version.id());
        } else if work.asks.condition && !seen && done.first {
            not_assessed.add(day, "condition", tag.to_owned(), done.version.id());
        }
    }
    not_assessed.findings(
        Code::NotAssessed,
        |day, what, trees| {
            format!(
                "Crew {} on {}: not judged before treatment, though label or job asks for it: {what} of {trees}.",
                Named(day.crew),
                day.day
            )
        },
        findings,
    );
}

/// What was logged of a tree by the end of its treatment, or later on the same day: taps come late.
fn conditions<'v>(
    view: &'v View<'_>,
    tree: &'v TreeView,
    ended: i64,
    day: crate::day::Day,
) -> Vec<&'v Condition> {
    let mut found: Vec<_> = tree
        .conditions
        .iter()
        .flat_map(|index| view.facts.current(view.fact(*index)))
        .filter(|v| {
            let at = v.record.envelope.at;
            at.0 <= ended || crate::day::Day::of(at, &view.job.zone) == day
        })
        .collect();
    found.sort_by_key(|v| (v.record.envelope.at, v.id()));
    let body = |v: &'v crate::facts::Version| match &v.record.body {
        Body::Condition(condition) => Some(&**condition),
        _ => None,
    };
    found.into_iter().filter_map(body).collect()
}

enum Judged {
    Broken(Code),
    NotKnown(&'static str),
}

/// Whether a caution that stops is a limit broken, or one that could not be judged.
fn judged(code: &str, label: &Label, now: &Circumstances) -> Option<Judged> {
    let of =
        |known: bool, code, what| Some(if known { Judged::Broken(code) } else { Judged::NotKnown(what) });
    match code {
        "condition.air_cold" | "condition.air_hot" => {
            of(now.air_mc.is_some(), Code::ConditionTemperature, "air temperature")
        }
        "condition.soil_cold" => of(now.soil_mc.is_some(), Code::ConditionTemperature, "soil temperature"),
        "condition.soil" => of(now.soil.is_some(), Code::ConditionSoil, "soil moisture"),
        "condition.canopy" => of(now.canopy_loss.is_some(), Code::ConditionCanopy, "canopy loss"),
        "condition.bloom" => of(now.bloom.is_some(), Code::ConditionBloom, "bloom"),
        "condition.closed" => Some(Judged::Broken(Code::ConditionClosed)),
        // What a label does not forbid is no violation of it, whatever a crew is told to ask first.
        "condition.food" if label.conditions.not_for_food => {
            of(now.food.is_some(), Code::ConditionFood, "whether it gives food")
        }
        "condition.water" => of(now.water_um.is_some(), Code::ConditionWater, "distance to water"),
        "condition.felling" if label.conditions.days_before_felling.is_some() => {
            Some(Judged::Broken(Code::ConditionFelling))
        }
        _ => None,
    }
}
