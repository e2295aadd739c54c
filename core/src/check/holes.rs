//! Holes against the label: depth, height, spacing, number, charge, closing, and what became of the
//! containers.

use std::collections::{BTreeMap, BTreeSet};

use crate::check::work::{Done, Treated, Work, joined};
use crate::dosing::stem::girth_of_diameter;
use crate::finding::{Code, Finding};
use crate::ids::{KitId, LabelId};
use crate::quantity::{Ul, Um, decimal, word_for};
use crate::record::Body;
use crate::record::label::{Label, Sealing};
use crate::record::work::{Application, Hole};
use crate::view::{CrewDay, View};

/// A hole is placed and its height read by hand on rough bark: 10 mm (common practice, no source).
const BY_HAND_UM: i64 = 10_000;
/// A leak below this is a drop on the bark (common practice, no source).
const LEAST_LEAK_UL: i64 = 1_000;
/// A tenth of what is discharged may leak before anybody asks (common practice, no source).
const LEAK_SHARE: i64 = 100;

/// Findings of this rule.
pub fn check(view: &View<'_>, work: &Work<'_>, findings: &mut Vec<Finding>) {
    for done in &work.done {
        let tag = done.tag;
        if let Some(label) = done.label {
            places(tag, label, done, findings);
            charges(tag, label, done, findings);
            held(view, label, done, findings);
            sealing(tag, label, done, findings);
            early(tag, label, done, findings);
        }
        leaks(tag, work.asks.leak_share.map_or(LEAK_SHARE, |s| s.0), done, findings);
        not_off(tag, done, findings);
    }
    for treated in &work.treated {
        spacing(view, work, treated, findings);
    }
}

fn wrong(holes: &[Hole], say: impl Fn(&Hole, usize) -> Option<String>) -> Vec<String> {
    let numbered = holes.iter().zip(1usize..);
    numbered.filter_map(|(hole, number)| say(hole, number)).collect()
}

fn places(tag: &str, label: &Label, done: &Done<'_>, findings: &mut Vec<Finding>) {
    let rules = &label.holes;
    let depths = wrong(&done.body.holes, |h, n| {
        let fits = rules.depth_min_um <= h.depth_um && h.depth_um <= rules.depth_max_um;
        (!fits).then(|| format!("hole {n} is {} mm deep", h.depth_um.mm()))
    });
    if !depths.is_empty() {
        let message = format!(
            "Tree {tag}: {}; the label asks for {} to {} mm in the sapwood.",
            joined(&depths),
            rules.depth_min_um.mm(),
            rules.depth_max_um.mm()
        );
        findings.push(done.find(Code::HoleDepth, message));
    }
    let (low, high) = (rules.band_low_um.0 - BY_HAND_UM, rules.band_high_um.0.saturating_add(BY_HAND_UM));
    let heights = wrong(&done.body.holes, |h, n| {
        let outside = h.height_um.0 < low || h.height_um.0 > high;
        outside.then(|| format!("hole {n} is at {} cm", h.height_um.cm()))
    });
    if !heights.is_empty() {
        let message = format!(
            "Tree {tag}: {}; the label's band is from {} to {} cm above ground.",
            joined(&heights),
            rules.band_low_um.cm(),
            rules.band_high_um.cm()
        );
        findings.push(done.find(Code::HoleBand, message));
    }
}

fn charges(tag: &str, label: &Label, done: &Done<'_>, findings: &mut Vec<Finding>) {
    let most = label.charges.most_per_hole_ul.0.saturating_mul(label.charges.per_hole.clamp(1, 1_000));
    let over = wrong(&done.body.holes, |h, n| {
        let discharged = h.discharged_ul();
        (discharged.0 > most).then(|| format!("hole {n} took {} mL", discharged.ml_exact()))
    });
    if !over.is_empty() {
        let message =
            format!("Tree {tag}: {}; the label allows {} mL a hole.", joined(&over), Ul(most).ml_exact());
        findings.push(done.find(Code::HoleCharge, message));
    }
}

/// What the containers cannot have held was logged wrong, whatever the label allows.
fn held(view: &View<'_>, label: &Label, done: &Done<'_>, findings: &mut Vec<Finding>) {
    let (tag, facts) = (done.tag, &view.yard.facts);
    // A kit amended since may have had larger containers then.
    let Some(kit) = facts.fact_of(done.body.kit) else { return };
    let containers = kit.history.iter().flat_map(|v| match &facts.versions[*v].record.body {
        Body::Kit(kit) => kit.containers.as_slice(),
        _ => &[],
    });
    let in_product = |charge: Ul| label.mix.as_ref().map_or(charge, |mix| mix.product_in(charge));
    let Some(largest) = containers.map(|c| in_product(c.charge_ul)).max() else { return };
    let most = largest.0.saturating_mul(label.charges.per_hole.clamp(1, 1_000));
    let over = wrong(&done.body.holes, |h, n| {
        let discharged = h.discharged_ul();
        let over = discharged.0 > most.saturating_add(most / 10);
        over.then(|| format!("hole {n} took {} mL", discharged.ml_exact()))
    });
    if over.is_empty() {
        return;
    }
    let (over, most) = (joined(&over), Ul(most).ml_exact());
    let message = match label.mix {
        None => format!("Tree {tag}: {over}; the kit's containers hold {most} mL for one hole."),
        Some(_) => format!(
            "Tree {tag}: {over}; the kit's containers hold {most} mL of product, mixed as the label says for one hole."
        ),
    };
    findings.push(done.find(Code::HoleOverContainer, message));
}

fn sealing(tag: &str, label: &Label, done: &Done<'_>, findings: &mut Vec<Finding>) {
    let (open, all) = (done.body.holes.iter().filter(|h| !h.sealed).count(), done.body.holes.len());
    let message = match label.holes.sealing {
        Sealing::Required if open > 0 => {
            let (holes, were) = (word_for(all, "hole", "holes"), word_for(open, "was", "were"));
            format!("Tree {tag}: {open} of {all} {holes} {were} not closed; the label asks for it.")
        }
        Sealing::Forbidden if open < all => {
            let closed = all - open;
            let (holes, were) = (word_for(all, "hole", "holes"), word_for(closed, "was", "were"));
            format!("Tree {tag}: {closed} of {all} {holes} {were} closed; the label forbids it.")
        }
        _ => return,
    };
    findings.push(done.find(Code::HoleSealing, message));
}

/// Only what is certain: a container that came off sooner after the first hole than the label has it
/// stay on after emptying.
fn early(tag: &str, label: &Label, done: &Done<'_>, findings: &mut Vec<Finding>) {
    let Some(hold_s) = label.charges.hold_after_s.filter(|s| *s > 0) else { return };
    let since = |at: i64| at.saturating_sub(done.body.started_at.0);
    let soon = |ms: i64| ms > 0 && ms < hold_s.saturating_mul(1_000);
    let mut early = wrong(&done.body.holes, |h, n| {
        let ms = since(h.removed_at?.0);
        soon(ms).then(|| format!("hole {n} was off after {} s", ms / 1_000))
    });
    let whole = since(done.body.ended_at.0);
    if early.is_empty() && soon(whole) {
        early.push(format!("everything was off after {} s", whole / 1_000));
    }
    if !early.is_empty() {
        let message = format!(
            "Tree {tag}: {}; the label has a container stay on for {hold_s} s after it emptied.",
            joined(&early)
        );
        findings.push(done.find(Code::HoleRemovedEarly, message));
    }
}

fn leaks(tag: &str, share: i64, done: &Done<'_>, findings: &mut Vec<Finding>) {
    let (leaked, discharged) = (done.body.leaked_ul(), done.body.discharged_ul());
    let part = i128::from(leaked.0) * 1_000;
    if leaked.0 < LEAST_LEAK_UL || part <= i128::from(discharged.0) * i128::from(share) {
        return;
    }
    let percent = i64::try_from(part / i128::from(discharged.0.max(1))).unwrap_or(1_000);
    let message = format!(
        "Tree {tag}: {} of {} mL leaked, {} %; more than {} % is asked about.",
        leaked.ml(),
        discharged.ml(),
        decimal(percent, 10, 1),
        decimal(share, 10, 1)
    );
    findings.push(done.find(Code::HoleLeaks, message));
}

/// Where some containers were logged as off, the others are still on. Where none was, nothing is known.
fn not_off(tag: &str, done: &Done<'_>, findings: &mut Vec<Finding>) {
    let holes = &done.body.holes;
    if holes.iter().all(|h| h.removed_at.is_none()) {
        return;
    }
    let on = wrong(holes, |h, n| h.removed_at.is_none().then(|| format!("hole {n} is not logged as off")));
    if !on.is_empty() {
        let message = format!("Tree {tag}: the container of {}.", joined(&on));
        findings.push(done.find(Code::ContainerNotOff, message));
    }
}

fn spacing(view: &View<'_>, work: &Work<'_>, treated: &Treated<'_>, findings: &mut Vec<Finding>) {
    let marked = treated.listed.is_some_and(|t| t.mark.is_some());
    for treatment in &treated.treatments {
        let Some((fact, _, application)) = treatment.parts.first() else { continue };
        let Some(label) = work.label(application.label).map(|entered| entered.label) else { continue };
        let holes: usize = treatment.parts.iter().map(|(_, _, a)| a.holes.len()).sum();
        let contested = treatment.parts.iter().any(|(f, ..)| f.contested.is_some());
        let limit = label.holes.most_holes.and_then(|m| usize::try_from(m).ok());
        let mut add = |code, text: String, records| {
            let message = format!("Tree {}, stem {}: {text}.", treated.called(), application.stem);
            let found = Finding::new(code, &[&fact.id.to_string()], message, records);
            findings.push(found.about(treated.id).on(treatment.days(view)));
        };
        if let Some(most) = limit
            && holes > most
            && !contested
        {
            add(Code::HoleTooMany, format!("{holes} holes; the label allows {most}"), treatment.records());
        }
        if holes < 2 {
            continue;
        }
        let girth = girth(view, treated, application);
        let mut closest: Option<(i64, Vec<crate::ids::RecordId>)> = None;
        let mut take = |holes: Vec<i64>, records: Vec<_>| {
            if let Some(gap) = least_gap(holes, girth)
                && closest.as_ref().is_none_or(|(least, _)| gap < *least)
            {
                closest = Some((gap, records));
            }
        };
        // Arcs of two visits can only be compared where both count from one lasting mark.
        if marked && !contested {
            let all = treatment.parts.iter().flat_map(|(_, _, a)| arcs(a)).collect();
            take(all, treatment.records());
        } else {
            for (_, version, part) in &treatment.parts {
                take(arcs(part).collect(), vec![version.id()]);
            }
        }
        if let Some((gap, records)) = closest
            && gap < label.holes.spacing_um.0 - BY_HAND_UM
        {
            let text = format!(
                "two holes are {} cm apart around the trunk; the label asks for {} cm",
                Um(gap).cm(),
                label.holes.spacing_um.cm()
            );
            add(Code::HoleSpacing, text, records);
        }
    }
}

/// Arcs of an application's holes; none where all are 0, which is how a tool writes that nobody measured.
fn arcs(application: &Application) -> impl Iterator<Item = i64> + '_ {
    let measured = application.holes.iter().any(|h| h.arc_um.0 != 0);
    application.holes.iter().filter(move |_| measured).map(|h| h.arc_um.0)
}

/// The girth where holes are drilled: the least measured in the band, else breast height's.
fn girth(view: &View<'_>, treated: &Treated<'_>, application: &Application) -> Option<i64> {
    let (id, diameter) = view.dosed_from(treated.tree, application)?;
    let fact = view.facts.fact_near(id, &treated.tree.diameters);
    let record = fact.map(|f| &view.facts.shown(f).record.body);
    let band = match record {
        Some(Body::Diameter(d)) => d.band_low_girth_um.into_iter().chain(d.band_high_girth_um).min(),
        _ => None,
    };
    Some(band.unwrap_or_else(|| girth_of_diameter(diameter)).0).filter(|g| *g > 0)
}

/// The smallest offset around the trunk between any two holes, in micrometres.
fn least_gap(mut arcs: Vec<i64>, girth: Option<i64>) -> Option<i64> {
    if let Some(girth) = girth {
        arcs.iter_mut().for_each(|arc| *arc = arc.rem_euclid(girth));
    }
    arcs.sort_unstable();
    let around = match (arcs.first(), arcs.last(), girth) {
        (Some(first), Some(last), Some(girth)) if arcs.len() > 1 => Some(girth - last + first),
        _ => None,
    };
    let between = arcs.windows(2).filter_map(|w| Some(w.get(1)?.saturating_sub(*w.first()?)));
    between.chain(around).min()
}

/// Kits used under a label whose bit is another.
pub fn bits(view: &View<'_>, work: &Work<'_>, findings: &mut Vec<Finding>) {
    let mut pairs: BTreeMap<(KitId, LabelId), BTreeSet<CrewDay>> = BTreeMap::new();
    for done in &work.done {
        if let (Some(kit), Some(label)) = (done.kit, done.label)
            && kit.bit_um != label.holes.bit_um
        {
            pairs.entry((done.body.kit, done.body.label)).or_default().extend(done.day);
        }
    }
    other_bits(view, &pairs, findings);
}

/// The same, of kits and labels used together, and when.
pub(crate) fn other_bits(
    view: &View<'_>,
    used: &BTreeMap<(KitId, LabelId), BTreeSet<CrewDay>>,
    findings: &mut Vec<Finding>,
) {
    for ((kit_id, label_id), days) in used {
        let Some((kit, label)) = view.yard.kit(*kit_id).zip(view.yard.label(*label_id)) else { continue };
        if kit.bit_um == label.holes.bit_um {
            continue;
        }
        let message = format!(
            "Kit {}: its bit is {} mm, label {} asks for {} mm.",
            crate::finding::Named(*kit_id),
            kit.bit_um.mm(),
            label.name,
            label.holes.bit_um.mm()
        );
        let subjects = [kit_id.to_string(), label_id.to_string()];
        let found =
            Finding::new(Code::HoleBit, &[&subjects[0], &subjects[1]], message, vec![*kit_id, *label_id]);
        findings.push(found.on(days.iter().copied()));
    }
}
