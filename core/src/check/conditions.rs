//! Conditions of label and job: canopy, temperature, soil, bloom, closed seasons, food, water,
//! felling; and what was not judged although it is asked for.

use std::borrow::Cow;

use crate::check::work::{Done, Together, Work};
use crate::dosing::conditions::{Circumstances, Weight, cautions};
use crate::finding::{Code, Finding, Named};
use crate::ids::LabelId;
use crate::record::Body;
use crate::record::label::{ClosedSeason, Label};
use crate::record::stand::Condition;
use crate::view::{CrewDay, TreeView, View};

/// A tree's circumstances under a label, and what was judged of them.
type JudgedOnce = (LabelId, Circumstances, Vec<(Judged, String)>);

/// Findings of this rule.
pub fn check(view: &View<'_>, work: &Work<'_>, findings: &mut Vec<Finding>) {
    each(view, work, |done, day, stops, _| {
        for (judged, text) in stops {
            if let Judged::Broken(code) = judged {
                let message = format!("Tree {}, treated on {}: {text}", done.tag, day.day);
                findings.push(done.find(*code, message));
            }
        }
    });
}

/// Judges what was done of every tree's circumstances, and whether any were logged.
fn each<'v>(
    view: &View<'_>,
    work: &Work<'v>,
    mut met: impl FnMut(&Done<'v>, CrewDay, &[(Judged, String)], bool),
) {
    // Trees of one day are often in the same circumstances: these are judged once.
    let mut last: Option<JudgedOnce> = None;
    for done in &work.done {
        let (Some(label), Some(day)) = (done.label, done.day) else { continue };
        let species = done.listed.and_then(|t| t.species.as_deref());
        let mut now = Circumstances { day: Some(day.day), ..Circumstances::default() };
        let mut seen = false;
        for condition in conditions(view, done.of, done.body.ended_at.0, day.day) {
            now.take(condition);
            seen = true;
        }
        let again = last.as_mut().is_some_and(|(id, then, _)| {
            let of = then.species.take();
            let again = *id == done.body.label && of.as_deref() == species && *then == now;
            then.species = of;
            again
        });
        if !again {
            now.species = species.map(str::to_owned);
            let stops = stops(label, &view.job.closed, &now);
            last = Some((done.body.label, now, stops));
        }
        if let Some((_, _, stops)) = &last {
            met(done, day, stops, seen);
        }
    }
}

/// What was not judged although label or job asks for it.
pub fn not_assessed(view: &View<'_>, work: &Work<'_>, findings: &mut Vec<Finding>) {
    let mut not_assessed = Together::default();
    each(view, work, |done, day, stops, seen| {
        let not_known = stops.iter().filter_map(|(judged, _)| match judged {
            Judged::NotKnown(what) => Some(*what),
            Judged::Broken(_) => None,
        });
        let mut missing: Vec<_> = not_known.collect();
        if missing.is_empty() && work.asks.condition && !seen {
            missing.push("condition");
        }
        if !missing.is_empty() && done.first {
            not_assessed.add(day, missing, Cow::Borrowed(done.tag), done.version.id());
        }
    });
    not_assessed.findings(
        Code::NotAssessed,
        |missing| missing.join(", "),
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

/// Each caution that stops, as far as it bears on logged work, with its text.
fn stops(label: &Label, closed: &[ClosedSeason], now: &Circumstances) -> Vec<(Judged, String)> {
    let stops = cautions(label, closed, now).into_iter().filter(|c| c.weight == Weight::Stop);
    stops.filter_map(|c| judged(c.code, label, now).map(|judged| (judged, c.text))).collect()
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
