//! What the tree itself says: who it is, what was put into it, how thick it is, how it fares.

use crate::check::Treatment;
use crate::check::diameter::tolerance_um;
use crate::day::Day;
use crate::dosing::advice::{Before, Case, DESIGN};
use crate::dosing::conditions::Circumstances;
use crate::dosing::dose::allows_species;
use crate::dosing::stem::{
    LEAST_OTHERS, LEAST_STAND, diameter_from_reading, echo, looks_like, outlier_in_stand,
};
use crate::facts::{Standing, Version};
use crate::finding::{Code, Severity};
use crate::ids::TreeId;
use crate::quantity::{Measured, Ul, Um, UtcMs, word_for};
use crate::record::label::Label;
use crate::record::stand::{Condition, Damage, Diameter};
use crate::record::work::NotTreatedReason;
use crate::record::{Body, Kind};
use crate::view::{TreeView, View};

const ONCE: &str = "common practice, no source: a tree is treated once";
/// A diameter may differ from its reading by what rounding to a millimetre makes.
const ROUNDED_UM: i64 = 1_000;
/// Bloom seen longer ago than this is no longer known (common practice, no source).
const BLOOM_DAYS: i64 = 7;

/// The treatment a continuing application is to finish, by index.
pub(super) fn continued(case: &Case<'_, '_>, treatments: &[Treatment<'_>]) -> Option<usize> {
    let fact = case.view.facts.fact_of(case.ask.continues?)?.id;
    treatments.iter().position(|t| t.stem == case.ask.stem && t.parts.iter().any(|(f, _, _)| f.id == fact))
}

pub(super) fn check(case: &mut Case<'_, '_>, tree: &TreeView, before: &Before<'_>) {
    let stems = case.view.tree(case.id).map_or(1, |t| t.stems);
    if case.ask.stem < 1 || case.ask.stem > stems {
        let text = format!(
            "Tree {} has {stems} {}, and no stem {}.",
            case.tag,
            word_for(stems, "stem", "stems"),
            case.ask.stem
        );
        case.stop("tree.no_such_stem", text, DESIGN);
    }
    treated(case, before);
    not_in_force(case);
    decided_against(case, tree);
    findings(case);
}

fn treated(case: &mut Case<'_, '_>, before: &Before<'_>) {
    let view = case.view;
    if case.ask.continues.is_some() && before.continued.is_none() {
        case.stop(
            "tree.nothing_to_continue",
            "The application to be continued is not one of this stem.",
            DESIGN,
        );
    }
    if let Some(begun) = before.continued.and_then(|i| before.all.get(i)) {
        let days = begun.parts.iter().filter_map(|(_, version, _)| view.crew_day(version)).map(|d| d.day);
        let ago = days.min().map(|day| (day, day.days_until(case.today)));
        if let Some((day, ago)) = ago.filter(|(_, ago)| !(0..=1).contains(ago)) {
            let text = format!(
                "The application to be continued was made on {day}, {ago} days ago: only that day or the next finishes it. Anything later is another treatment."
            );
            case.stop("continue.too_late", text, ONCE);
        }
    }
    for (index, treatment) in before.all.iter().enumerate() {
        if treatment.stem != case.ask.stem || before.continued == Some(index) {
            continue;
        }
        let (_, discharged) = treatment.discharged_ul();
        if discharged <= 0 {
            continue;
        }
        let parts = treatment.parts.iter().map(|(_, version, application)| {
            let day = view.crew_day(version).map(|d| d.day.to_string()).unwrap_or_default();
            format!("crew {} on {day}", view.yard.crew_name(application.crew))
        });
        let mut who: Vec<String> = parts.collect();
        who.dedup();
        let text = format!(
            "Tree {}, stem {}, has been treated this season: {} mL by {}. If that work was left unfinished, continue that application; never begin another.",
            case.tag,
            case.ask.stem,
            Ul(discharged).ml_exact(),
            who.join(", ")
        );
        case.stop("tree.treated", text, ONCE);
    }
}

/// Applications of this stem that do not count, yet may be true.
fn not_in_force(case: &mut Case<'_, '_>) {
    let view = case.view;
    let (mut held, mut struck) = (0, 0);
    for fact in view.facts.of_kind(Kind::Application).filter(|f| !f.in_force()) {
        let Body::Application(body) = &view.facts.shown(fact).record.body else { continue };
        if view.stays(body.tree) != case.id || body.stem != case.ask.stem || body.discharged_ul() == Ul(0) {
            continue;
        }
        let is_held =
            |v: &usize| view.facts.versions.get(*v).is_some_and(|v| matches!(v.standing, Standing::Held(_)));
        match fact.struck_by {
            Some(_) => struck += 1,
            None if fact.history.iter().any(is_held) => held += 1,
            None => {}
        }
    }
    if held > 0 {
        case.stop(
            "tree.held_application",
            "An application to this stem is held until the office admits it: it may be true. Ask the office.",
            DESIGN,
        );
    }
    if struck > 0 {
        case.caution(
            "tree.struck_application",
            "An application to this stem was struck: look for its holes before drilling.",
            DESIGN,
        );
    }
}

fn decided_against(case: &mut Case<'_, '_>, tree: &TreeView) {
    let Some(decision) = case.view.not_treated(tree).last() else { return };
    let why = match decision.reason {
        NotTreatedReason::TooSmall => "it is too small",
        NotTreatedReason::TooFarGone => "its canopy is too far gone",
        NotTreatedReason::WrongSpecies => "its species is not on the label",
        NotTreatedReason::NoUptake => "it took nothing up",
        NotTreatedReason::TrunkDamage => "its trunk is too damaged",
        NotTreatedReason::NotReached => "it could not be reached or found",
        NotTreatedReason::Refused => "the owner said no",
        NotTreatedReason::Conditions => "weather or soil was against it",
        NotTreatedReason::Other => "of a reason in the note",
    };
    let (crew, tag) = (case.view.yard.crew_name(decision.crew), &case.tag);
    let text = match &decision.note {
        None => format!("Crew {crew} decided not to treat tree {tag}, because {why}."),
        Some(note) => format!("Crew {crew} decided not to treat tree {tag}, because {why} ({note})."),
    };
    match decision.reason {
        NotTreatedReason::NotReached | NotTreatedReason::Conditions => {
            case.caution("tree.decided_against", text, DESIGN);
        }
        _ => case.stop(
            "tree.decided_against",
            format!("{text} Have that struck first if it no longer holds."),
            DESIGN,
        ),
    }
}

/// Open findings about this tree: grave ones stop, and so do doubts about which tree it is and how thick.
fn findings(case: &mut Case<'_, '_>) {
    for finding in case.ask.findings.iter().filter(|f| f.open()) {
        if finding.tree.map(|t| case.view.stays(t)) != Some(case.id) && !finding.records.contains(&case.id) {
            continue;
        }
        let other_treated = || {
            let others = finding.records.iter().map(|r| case.view.stays(*r)).filter(|r| *r != case.id);
            others.filter_map(|r| case.view.trees.get(&r)).any(|t| !t.applications.is_empty())
        };
        let stops = match finding.code {
            Code::MayBeSame => other_treated(),
            Code::SameTag | Code::DiametersDisagree => true,
            _ => finding.severity == Severity::Stop,
        };
        let text = format!("{} {}", finding.message, finding.next);
        match (stops, finding.severity) {
            (true, _) => case.stop(finding.code.name(), text, finding.source),
            (false, Severity::Note) => {}
            (false, _) => case.caution(finding.code.name(), text, finding.source),
        }
    }
}

/// The reading a dose is worked from.
pub(super) struct MeasuredStem {
    /// The reading in both measures.
    pub(super) echo: String,
    /// The record in force.
    pub(super) record: Diameter,
    /// The diameter of every stem, in order.
    pub(super) stems: Vec<Option<Um>>,
}

/// The stem's diameter, when it can be trusted.
pub(super) fn measured(case: &mut Case<'_, '_>, tree: &TreeView) -> Option<MeasuredStem> {
    let view = case.view;
    let mut readings: Vec<(&Version, &Diameter)> = view.diameters(tree, case.ask.stem).collect();
    readings.sort_by_key(|(v, _)| v.record.envelope.at);
    let Some((last, record)) = readings.last().copied() else {
        let text = format!("Tree {}, stem {}, has no diameter: measure it first.", case.tag, case.ask.stem);
        case.stop("diameter.none", text, DESIGN);
        return None;
    };
    let echo = echo(&record.as_read, record.diameter_um);
    if !diameter_from_reading(&record.as_read).is_ok_and(|d| (d.0 - record.diameter_um.0).abs() <= ROUNDED_UM)
    {
        let text = format!("The reading ({echo}) does not give the diameter logged: measure again.");
        case.stop("diameter.not_as_read", text, DESIGN);
    }
    let agree = |d: &Diameter| {
        let gap = d.diameter_um.0.saturating_sub(record.diameter_um.0).abs();
        gap <= tolerance_um(d.diameter_um.0.max(record.diameter_um.0))
    };
    // The same figure typed again repeats the mistake: only the other measure, or another person, tells.
    let apart = |v: &Version, d: &Diameter| {
        let (a, b) = (&v.record.envelope, &last.record.envelope);
        d.as_read.of != record.as_read.of || a.device != b.device || a.by != b.by
    };
    let confirmed = readings.iter().any(|(v, d)| agree(d) && apart(v, d));
    for (_, other) in readings.iter().filter(|(_, d)| !agree(d)) {
        let (one, two) = (other.diameter_um.cm(), record.diameter_um.cm());
        let text = match looks_like(other.diameter_um, record.diameter_um) {
            None => format!(
                "Diameters of {one} and {two} cm are logged for this stem: strike or amend the wrong one."
            ),
            Some(like) => format!(
                "Diameters of {one} and {two} cm are logged for this stem ({}): strike or amend the wrong one.",
                like.question()
            ),
        };
        case.stop("diameter.disagree", text, Code::DiametersDisagree.source());
    }
    against_stand(case, record, &echo, confirmed);
    let off = record.height_um.0.saturating_sub(view.job.breast_height_um.0).saturating_abs();
    if off > 50_000 {
        let text = format!(
            "Measured at {} cm, not at this job's breast height of {} cm.",
            record.height_um.cm(),
            view.job.breast_height_um.cm()
        );
        case.caution("diameter.height", text, "USDA FIADB User Guide v9.3 §3.1.18; RWG2 code §2.1.1");
    }
    let stems = view.tree(case.id).map_or(1, |t| t.stems.clamp(1, 64));
    let stems = (1..=stems).map(|stem| view.diameter(tree, stem)).collect();
    Some(MeasuredStem { echo, record: record.clone(), stems })
}

/// A reading outside the stand asks for a second one before the first hole.
fn against_stand(case: &mut Case<'_, '_>, record: &Diameter, echo: &str, confirmed: bool) {
    let view = case.view;
    let species = view.tree(case.id).and_then(|t| t.species.as_deref());
    let of = |same_species: bool| -> Vec<Um> {
        let like = |id: &TreeId| view.tree(*id).is_some_and(|t| t.species.as_deref() == species);
        let others = view.trees.iter().filter(|(id, _)| **id != case.id && (!same_species || like(id)));
        others.filter_map(|(_, tree)| view.diameter(tree, 1)).collect()
    };
    // Where its own species is hardly there, the other trees of the place are better than nothing.
    let others = Some(of(true)).filter(|o| o.len() >= LEAST_OTHERS).unwrap_or_else(|| of(false));
    if others.len() < LEAST_STAND && !confirmed {
        let text = format!(
            "Only {} measured {} to compare with: look at the trunk, is {echo} right? A girth entered as a diameter is three times the dose.",
            others.len(),
            word_for(others.len(), "tree", "trees")
        );
        case.caution("diameter.few_to_compare", text, "common practice, no source");
    }
    let Some(outlier) = outlier_in_stand(&others, record.diameter_um) else { return };
    let text = format!("{echo} lies outside this stand: {}", outlier.question());
    let source = "common practice, no source: see the dosing core's outlier_in_stand";
    let again = match record.as_read.of {
        Measured::Girth => {
            "Measure the diameter too (caliper), or let another person measure the girth, and log it: the same figure typed again is no second reading."
        }
        Measured::Diameter => {
            "Measure the girth too, or let another person measure, and log it: the same figure typed again is no second reading."
        }
    };
    // Among few others a small tree is likely enough, and a reading too small gives no overdose.
    let too_large = others.iter().all(|other| *other < record.diameter_um);
    if confirmed {
        case.caution("diameter.outlier", format!("{text} Two readings agree."), source);
    } else if too_large || others.len() >= LEAST_STAND {
        case.stop("diameter.outlier", format!("{text} {again}"), source);
    } else {
        case.caution("diameter.outlier", format!("{text} {again}"), source);
    }
}

/// Species and pest against the label.
pub(super) fn against_label(case: &mut Case<'_, '_>, tree: &TreeView, label: &Label) {
    match case.view.tree(case.id).and_then(|t| t.species.clone()) {
        None => case.stop(
            "tree.species_unknown",
            format!(
                "The species of tree {} is not known; the label names those it may be used on.",
                case.tag
            ),
            Code::DoseSpecies.source(),
        ),
        Some(species) if !allows_species(label, &species) => case.stop(
            "tree.species",
            format!("{species} is not on label {}.", label.name),
            Code::DoseSpecies.source(),
        ),
        Some(_) => {}
    }
    let pest = logged(case.view, tree).iter().rev().find_map(|(_, c)| c.pest.clone());
    if let Some(pest) = pest.filter(|p| !label.pests.contains(p)) {
        let text = format!("{pest} was seen on the tree, which label {} does not name.", label.name);
        case.stop("tree.pest", text, "the label's list of pests");
    }
}

/// Condition records in force, oldest first.
pub(super) fn logged<'v>(view: &'v View<'_>, tree: &'v TreeView) -> Vec<(UtcMs, &'v Condition)> {
    let facts = tree.conditions.iter().flat_map(|i| view.facts.current(view.fact(*i)));
    let mut found: Vec<_> = facts
        .filter_map(|v| match &v.record.body {
            Body::Condition(c) => Some((v.record.envelope.at, v.id(), &**c)),
            _ => None,
        })
        .collect();
    found.sort_by_key(|(at, id, _)| (*at, *id));
    found.into_iter().map(|(at, _, c)| (at, c)).collect()
}

/// What is known of tree and day: what was logged, then what the crew sees now. Weather and soil of
/// another day are not known; bloom holds for a week.
pub(super) fn circumstances(case: &Case<'_, '_>, tree: &TreeView) -> Circumstances {
    let zone = &case.view.job.zone;
    let mut known = Circumstances::default();
    for piece in case.ask.past.iter().flat_map(|past| &past.metal) {
        if !known.metal.contains(piece) {
            known.metal.push(piece.clone());
        }
    }
    for (at, condition) in logged(case.view, tree) {
        let mut condition = condition.clone();
        let age = Day::of(at, zone).days_until(case.today);
        if age != 0 {
            (condition.air_mc, condition.soil_mc, condition.soil) = (None, None, None);
        }
        if !(0..=BLOOM_DAYS).contains(&age) {
            condition.bloom = None;
        }
        known.take(&condition);
    }
    let seen = &case.ask.seen;
    let unsaid = |piece: &&String| !known.metal.contains(piece);
    let metal = known.metal.iter().chain(seen.metal.iter().filter(unsaid)).cloned().collect();
    let local_ms = case.ask.now.0.saturating_add(zone.offset_ms(case.ask.now));
    Circumstances {
        species: case.view.tree(case.id).and_then(|t| t.species.clone()),
        day: Some(case.today),
        hour: u8::try_from(local_ms.div_euclid(3_600_000).rem_euclid(24)).ok(),
        canopy_loss: seen.canopy_loss.or(known.canopy_loss),
        bloom: seen.bloom.or(known.bloom),
        soil: seen.soil.or(known.soil),
        air_mc: seen.air_mc.or(known.air_mc),
        soil_mc: seen.soil_mc.or(known.soil_mc),
        food: seen.food.or(known.food),
        water_um: seen.water_um.or(known.water_um),
        felling: seen.felling.or(known.felling),
        metal,
    }
}

/// All damage ever logged for a stem: a wound does not heal by a later look that leaves it out.
pub(super) fn damage(view: &View<'_>, tree: &TreeView, stem: i64) -> Vec<Damage> {
    let mut found: Vec<Damage> = vec![];
    for (_, condition) in logged(view, tree) {
        for damage in condition.damage.iter().filter(|d| d.stem == stem) {
            if !found.contains(damage) {
                found.push(damage.clone());
            }
        }
    }
    found
}
