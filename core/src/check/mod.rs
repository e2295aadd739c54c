//! The checks: one file a rule, each from a [`View`] to [`Finding`]s.
//!
//! To add one, see 'how to add a check' in DEVELOPERS.md: a code in `finding.rs`, a function here,
//! a test that plants the fault and one that shows a normal day stays quiet.

pub mod area;
pub mod backdated;
pub mod conditions;
pub mod crew;
pub mod day;
pub mod diameter;
pub mod dose;
pub mod entry;
pub mod fill;
pub mod holes;
pub mod job;
pub mod kept;
pub mod kit;
pub mod law;
pub mod licence;
pub mod lot;
pub mod photo;
pub mod place;
pub mod record;
pub mod rules;
pub mod same_tree;
pub mod season;
pub mod signed;
pub mod suits;
pub mod times;
pub mod tree;
pub mod uptake;
pub mod volume;
pub mod work;

use std::collections::BTreeMap;

use crate::balance::Balance;
use crate::check::rules::{ABOUT_DAYS, ABOUT_TREES, Case, Reach, Rule, WHOLE};
use crate::check::work::{Parts, Work};
use crate::facts::{Fact, Version};
use crate::finding::{Code, Finding, Ruled, State, resolve};
use crate::ids::{FindingId, RecordId};
use crate::quantity::UtcMs;
use crate::record::office::{Decision, Ruling};
use crate::record::work::Application;
use crate::record::{Body, Kind};
use crate::view::{CrewDay, TreeView, View};

/// Every finding of a job, with its rulings applied, ascending by severity, code and id.
///
/// `balance` is that of the yard over all jobs the replica holds, so that product used on another
/// job is not missed here.
pub fn check(view: &View<'_>, balance: &Balance) -> Vec<Finding> {
    check_among(view, &[], balance)
}

/// The same, with what only the earlier seasons' books show; `all` holds those that are at hand,
/// in any order, and may hold others.
pub fn check_among(view: &View<'_>, all: &[&View<'_>], balance: &Balance) -> Vec<Finding> {
    let past = crate::seasons::past(&crate::seasons::earlier(view, all));
    // First, so that of one finding seen with and without the earlier books the fuller one stays.
    let of_seasons = |findings: &mut Vec<Finding>| crate::seasons::check(view, &past, findings);
    found(view, Parts::default(), of_seasons, ABOUT_DAYS, |case, findings| {
        // Without any other book at hand nobody looked for it: a phone has this season's alone.
        if !all.is_empty() {
            crate::seasons::check_missing(view, all, findings);
        }
        // Before the same of this book alone, for the same reason as the trees' seasons.
        area::blocks(view, case.work, Some(&past), findings);
        WHOLE.iter().for_each(|rule| (rule.check)(case, balance, findings));
        // Last, for it looks at what the others found.
        let past_stops = signed::among(view, findings.iter());
        findings.extend(past_stops);
    })
}

/// What [`check`] finds that may be about a tree: enough for advice, and without a balance.
pub fn check_trees(view: &View<'_>) -> Vec<Finding> {
    found(view, Parts::default(), |_| {}, &[], |_, _| {})
}

/// What the rules about trees and days find on a job that is taken apart so: the same for all parts of one
/// tree, or one application, or more.
pub fn check_in_parts(view: &View<'_>, parts: Parts) -> Vec<Finding> {
    found(view, parts, |_| {}, ABOUT_DAYS, |_, _| {})
}

/// What the rules about trees find, after what is found `first` and before `more`. The rest of the rules
/// comes as functions, so that a phone, which does without them, need not carry them.
fn found<'v>(
    view: &'v View<'_>,
    parts: Parts,
    first: impl FnOnce(&mut Vec<Finding>),
    about_days: &[Rule],
    more: impl FnOnce(&Case<'_, 'v, '_>, &mut Vec<Finding>),
) -> Vec<Finding> {
    let mut findings = vec![];
    first(&mut findings);
    let rules: Vec<&Rule> = ABOUT_TREES.iter().chain(about_days).collect();
    let (work, each) = in_parts(view, parts, &rules);
    findings.extend(each.into_iter().flatten());
    more(&Case { view, work: &work, only: None, facts: None }, &mut findings);
    settle(view, &mut findings);
    findings.sort_by_cached_key(|f| (f.severity, f.code.name(), f.id));
    findings.dedup_by_key(|f| f.id);
    resolve(&view.yard, &mut findings);
    findings
}

/// What each of some rules finds, and the job's work. Rules that look at a tree or a day are run on some at a
/// time: what is logged of these is near the processor then, which waits for most of what each rule reads
/// when one after the other goes through a whole job.
fn in_parts<'v>(view: &'v View<'_>, parts: Parts, rules: &[&Rule]) -> (Work<'v>, Vec<Vec<Finding>>) {
    let mut each: Vec<Vec<Finding>> = rules.iter().map(|_| vec![]).collect();
    let mut run = |case: &Case<'_, 'v, '_>, reach: &dyn Fn(Reach) -> bool| {
        for (rule, found) in rules.iter().zip(&mut each).filter(|(rule, _)| reach(rule.reach)) {
            (rule.check)(case, found);
        }
    };
    let mut entered = Entered { seen: vec![false; view.facts.facts.len()], odd: vec![] };
    let mut work = Work::in_parts(view, parts, |trees, work| {
        run(&Case { view, work, only: Some(trees), facts: None }, &|reach| reach == Reach::Tree);
        trees.iter().flat_map(|(_, tree)| tree.facts()).for_each(|fact| entered.look(view, fact));
    });
    let odd = entered.odd(view);
    let case = Case { view, work: &work, only: None, facts: Some(&odd) };
    run(&case, &|reach| !matches!(reach, Reach::Tree | Reach::Day));
    work.in_days(parts, |work| {
        run(&Case { view, work, only: None, facts: None }, &|reach| reach == Reach::Day);
    });
    (work, each)
}

/// Which facts were looked at with their trees, and of which `entry` has something to say.
struct Entered {
    seen: Vec<bool>,
    odd: Vec<usize>,
}

impl Entered {
    fn look(&mut self, view: &View<'_>, fact: usize) {
        if !std::mem::replace(&mut self.seen[fact], true) && entry::is_odd(view, view.fact(fact)) {
            self.odd.push(fact);
        }
    }

    /// Looks at those that are about no tree, and gives the odd ones in order.
    fn odd(mut self, view: &View<'_>) -> Vec<usize> {
        (0..self.seen.len()).for_each(|fact| self.look(view, fact));
        self.odd.sort_unstable();
        self.odd
    }
}

/// The findings that keep a crew-day from being signed off.
pub fn blocking(findings: &[Finding], day: CrewDay) -> impl Iterator<Item = &Finding> {
    findings.iter().filter(move |f| f.blocks() && f.crew_days.contains(&day))
}

/// Whether a decision is open to a finding: a violation of label or law cannot be accepted.
pub fn allowed(code: Code, decision: &Decision) -> bool {
    matches!(decision, Decision::ConfirmViolation { .. }) || code.ruled() == Ruled::Accepted
}

pub(crate) fn settle(view: &View<'_>, findings: &mut [Finding]) {
    let mut rulings: BTreeMap<FindingId, Vec<(&Version, &Ruling)>> = BTreeMap::new();
    for fact in view.facts.in_force(Kind::Ruling) {
        for version in view.facts.current(fact) {
            if let Body::Ruling(ruling) = &version.record.body {
                rulings.entry(ruling.finding).or_default().push((version, ruling));
            }
        }
    }
    for finding in findings {
        let Some(made) = rulings.get_mut(&finding.id) else { continue };
        made.sort_by_key(|(v, _)| (v.op, v.id()));
        let holds = made.iter().rev().find(|(_, r)| {
            r.facts == finding.facts && allowed(finding.code, &r.decision) && !r.reason.trim().is_empty()
        });
        finding.state = match (holds, made.last()) {
            (Some((version, ruling)), _) => State::Settled {
                ruling: version.id(),
                decision: match ruling.decision {
                    Decision::Accept => "accept",
                    Decision::ConfirmViolation { .. } => "confirm_violation",
                },
                reason: ruling.reason.clone(),
                at: version.record.envelope.at,
                by: version.record.envelope.by,
                done: confirmed(&ruling.decision).map(|(done, _)| done.to_owned()),
                reported: confirmed(&ruling.decision).map(|(_, reported)| reported.to_owned()),
            },
            (None, Some((version, _))) => State::Reopened { ruling: version.id() },
            (None, None) => State::Open,
        };
    }
}

/// Of a confirmed violation, what was done and the report.
fn confirmed(decision: &Decision) -> Option<(&str, &str)> {
    match decision {
        Decision::Accept => None,
        Decision::ConfirmViolation { done, reported } => Some((done, reported)),
    }
}

/// One treatment of a stem: an application and those that continue it, whoever finished it.
pub struct Treatment<'v> {
    /// The stem, from 1.
    pub stem: i64,
    /// Its applications, ascending by id; every value of a contested one.
    pub parts: Vec<(&'v Fact, &'v Version, &'v Application)>,
}

impl Treatment<'_> {
    /// The records of this treatment.
    pub fn records(&self) -> Vec<RecordId> {
        self.parts.iter().map(|(_, version, _)| version.id()).collect()
    }

    /// The crew-days it counts to.
    pub fn days<'a>(&'a self, view: &'a View<'_>) -> impl Iterator<Item = CrewDay> + 'a {
        self.parts.iter().filter_map(|(_, version, _)| view.crew_day(version))
    }

    /// When the last of it was begun.
    pub fn last_begun(&self) -> UtcMs {
        self.parts.iter().map(|(_, _, a)| a.started_at).max().unwrap_or(UtcMs(0))
    }

    /// The least and most that may have been discharged: they differ when a part is contested.
    pub fn discharged_ul(&self) -> (i64, i64) {
        self.range(Application::discharged_ul)
    }

    /// The least and most that may have gone into the stem.
    pub fn put_in_ul(&self) -> (i64, i64) {
        self.range(Application::put_in_ul)
    }

    fn range(&self, volume: impl Fn(&Application) -> crate::quantity::Ul) -> (i64, i64) {
        if let [(_, _, only)] = self.parts[..] {
            let v = volume(only).0;
            return (v, v);
        }
        let mut facts: BTreeMap<RecordId, (i64, i64)> = BTreeMap::new();
        for (fact, _, application) in &self.parts {
            let v = volume(application).0;
            let range = facts.entry(fact.id).or_insert((v, v));
            *range = (range.0.min(v), range.1.max(v));
        }
        facts
            .values()
            .fold((0, 0), |sum: (i64, i64), r| (sum.0.saturating_add(r.0), sum.1.saturating_add(r.1)))
    }
}

/// A tree's treatments, in order of their first application. An application and what it continues
/// are one treatment whichever of them was amended last, so that their volumes are always summed.
pub fn treatments<'v>(view: &'v View<'_>, tree: &'v TreeView) -> Vec<Treatment<'v>> {
    let begun = |fact: &Fact| fact.history.first().map(|v| view.facts.versions[*v].op);
    let mut parts: Vec<_> = view.applications(tree).collect();
    if let [(.., only)] = parts[..] {
        return vec![Treatment { stem: only.stem, parts }];
    }
    parts.sort_by_key(|(fact, version, _)| (begun(fact), fact.id, version.op, version.id()));
    // Of each (fact, stem), the part it is grouped with.
    let mut first: BTreeMap<(RecordId, i64), usize> = BTreeMap::new();
    let mut group: Vec<usize> = (0..parts.len()).collect();
    for (i, (fact, _, application)) in parts.iter().enumerate() {
        let one = *first.entry((fact.id, application.stem)).or_insert(i);
        join(&mut group, one, i);
    }
    let mut begins = vec![true; parts.len()];
    for (i, (fact, _, application)) in parts.iter().enumerate() {
        let of = application.continues.and_then(|id| view.facts.fact_of(id)).filter(|f| f.id != fact.id);
        if let Some(other) = of.and_then(|f| first.get(&(f.id, application.stem)))
            && finishes(view, parts[*other], parts[i])
        {
            join(&mut group, i, *other);
            begins[i] = false;
        }
    }
    let mut treatments: Vec<Treatment<'v>> = vec![];
    let mut of: BTreeMap<usize, usize> = BTreeMap::new();
    // What continues nothing comes first in its treatment: the others are judged with it.
    let order = (0..parts.len()).filter(|i| begins[*i]).chain((0..parts.len()).filter(|i| !begins[*i]));
    for i in order {
        let index = *of.entry(root(&mut group, i)).or_insert_with(|| {
            treatments.push(Treatment { stem: parts[i].2.stem, parts: vec![] });
            treatments.len() - 1
        });
        treatments[index].parts.push(parts[i]);
    }
    treatments
}

/// Whether one application can finish another: the same label's product, on the same day or the next
/// (common practice, no source). Anything else is a treatment of its own, whatever it says it
/// continues: neither another product nor a visit weeks later escapes the label's interval.
fn finishes(
    view: &View<'_>,
    (_, began, first): (&Fact, &Version, &Application),
    (_, ended, second): (&Fact, &Version, &Application),
) -> bool {
    let label = |a: &Application| view.yard.facts.fact_of(a.label).map_or(a.label, |f| f.id);
    let days = view.crew_day(began).zip(view.crew_day(ended)).map(|(a, b)| a.day.days_until(b.day));
    label(first) == label(second) && days.is_some_and(|d| (0..=1).contains(&d))
}

fn root(group: &mut [usize], mut i: usize) -> usize {
    while group[i] != i {
        group[i] = group[group[i]];
        i = group[i];
    }
    i
}

fn join(group: &mut [usize], a: usize, b: usize) {
    let (a, b) = (root(group, a), root(group, b));
    group[a.max(b)] = a.min(b);
}
