//! What is wrong with records themselves: unreadable, conflicting, amended two ways, held,
//! proposed, late.

use crate::facts::{Contest, Facts, HeldReason, ProposalReason, Standing};
use crate::finding::{Code, Finding};
use crate::record::Kind;
use crate::view::{View, tree_named};

/// Findings of this rule, for the job's book and the yard's: a held fill or a lot amended two ways
/// bears on every job.
pub fn check(view: &View<'_>, findings: &mut Vec<Finding>) {
    in_book(view, &view.facts, findings);
    in_book(view, &view.yard.facts, findings);
    late(view, findings);
    changed(view, findings);
}

fn in_book(view: &View<'_>, facts: &Facts, findings: &mut Vec<Finding>) {
    for item in &facts.unreadable {
        let message = format!("Record {} of device {} cannot be read: {}", item.id, item.author, item.error);
        findings.push(Finding::new(Code::Unreadable, &[&item.id.to_string()], message, vec![item.id]));
    }
    for id in &facts.conflicting {
        let texts = facts.texts_of(*id);
        let message = format!(
            "Record {id} was written with {texts} different texts; all of them are counted, as a range."
        );
        let days =
            facts.fact_of(*id).into_iter().flat_map(|f| facts.current(f)).filter_map(|v| view.crew_day(v));
        findings.push(Finding::new(Code::Conflicting, &[&id.to_string()], message, vec![*id]).on(days));
    }
    for fact in facts.contested.iter().map(|i| &facts.facts[*i]) {
        let code = match fact.contested {
            Some(Contest::AmendedTwoWays) => Code::AmendedTwoWays,
            Some(Contest::AmendedAndStruck) => Code::AmendedAndStruck,
            Some(Contest::SameId) | None => continue,
        };
        let shown = facts.shown(fact);
        let what = subject(view, fact.kind, shown);
        let message = match code {
            Code::AmendedTwoWays => format!("The {what} was amended in two ways, apart from each other."),
            _ => format!("The {what} was amended and struck, apart from each other."),
        };
        let records = facts.current(fact).map(|v| v.id()).collect();
        let days: Vec<_> = facts.current(fact).filter_map(|v| view.crew_day(v)).collect();
        let mut finding = Finding::new(code, &[&fact.id.to_string()], message, records).on(days);
        finding.tree = tree_named(&shown.record.body).map(|t| view.stays(t));
        findings.push(finding);
    }
    for version in facts.not_in_force.iter().map(|i| &facts.versions[*i]) {
        let (code, why) = match version.standing {
            Standing::InForce => continue,
            Standing::Held(HeldReason::NotItsAuthor) => {
                (Code::WrongAuthor, "names another device than the one that wrote it")
            }
            Standing::Held(HeldReason::NoCertificate) => (Code::Held, "its device has no certificate"),
            Standing::Held(HeldReason::OutsideCertificate) => {
                (Code::Held, "written outside its device's certificate")
            }
            Standing::Held(HeldReason::NotVouched) => (Code::Held, "no valid signature covers it"),
            Standing::Held(HeldReason::Revoked) => {
                (Code::Held, "its device was revoked before it was accepted")
            }
            Standing::Proposal(ProposalReason::OfficeOnly) => {
                (Code::Proposal, "only the office writes this kind")
            }
            Standing::Proposal(ProposalReason::NotOwn) => {
                (Code::Proposal, "it changes another device's record")
            }
            Standing::Proposal(ProposalReason::AfterSignOff) => {
                (Code::Proposal, "it changes a day that was already signed off")
            }
            Standing::Proposal(ProposalReason::AfterStrike) => {
                (Code::Proposal, "it changes what the office had struck")
            }
        };
        let what = subject(view, version.record.kind(), version);
        let message = match code {
            Code::Proposal => format!("The {what} is shown as a proposal: {why}."),
            _ => format!("The {what} is held: {why}."),
        };
        let mut finding = Finding::new(code, &[&version.id().to_string()], message, vec![version.id()])
            .on(view.crew_day(version));
        finding.tree = tree_named(&version.record.body).map(|t| view.stays(t));
        findings.push(finding);
    }
    for bad in &facts.bad_references {
        let message = format!(
            "Record {} names {}, which is not a record of its kind that it knew; the reference has no effect.",
            bad.from, bad.to
        );
        findings.push(Finding::new(
            Code::BadReference,
            &[&bad.from.to_string(), &bad.to.to_string()],
            message,
            vec![bad.from, bad.to],
        ));
    }
}

fn late(view: &View<'_>, findings: &mut Vec<Finding>) {
    let facts = &view.facts;
    for (index, sign_off) in &view.late {
        let version = &facts.versions[*index];
        if version.standing != Standing::InForce
            || matches!(version.record.kind(), Kind::Answer | Kind::Receipt | Kind::PhotoReceived)
        {
            continue;
        }
        let what = subject(view, version.record.kind(), version);
        let message = format!("The {what} arrived after its day was signed off.");
        let mut finding = Finding::new(
            Code::AfterSignOff,
            &[&version.id().to_string(), &sign_off.to_string()],
            message,
            vec![version.id(), *sign_off],
        )
        .on(view.crew_day(version));
        finding.tree = tree_named(&version.record.body).map(|t| view.stays(t));
        findings.push(finding);
    }
}

/// What the office struck or amended in a day that was signed off without knowing of it.
fn changed(view: &View<'_>, findings: &mut Vec<Finding>) {
    for (change, fact, sign_off, day) in &view.changed {
        let version = &view.facts.versions[*change];
        let Some(of) = view.facts.fact_of(*fact) else { continue };
        let (what, day_of) = (subject(view, of.kind, view.facts.shown(of)), day.day);
        let message = match version.record.kind() {
            Kind::Strike => {
                format!("The {what} of {day_of} was struck by the office after its day was signed off.")
            }
            _ => format!("The {what} of {day_of} was amended by the office after its day was signed off."),
        };
        let subjects = [fact.to_string(), version.id().to_string(), sign_off.to_string()];
        let subjects: Vec<&str> = subjects.iter().map(String::as_str).collect();
        let records = vec![*fact, version.id(), *sign_off];
        let mut finding = Finding::new(Code::ChangedAfterSignOff, &subjects, message, records).on([*day]);
        finding.tree = tree_named(&view.facts.shown(of).record.body).map(|t| view.stays(t));
        findings.push(finding);
    }
}

/// A kind in plain words.
pub fn label_of(kind: Kind) -> String {
    kind.name().replace('_', " ")
}

fn subject(view: &View<'_>, kind: Kind, version: &crate::facts::Version) -> String {
    let kind = label_of(kind);
    match tree_named(&version.record.body) {
        Some(tree) if version.record.kind() != Kind::Photo => format!("{kind} of tree {}", view.tag(tree)),
        _ => format!("{kind} {}", version.id()),
    }
}
