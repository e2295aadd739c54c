//! Days signed off although a stop of them was not settled: this program refuses to, but an older one,
//! another one or a hostile one may write the record all the same.

use std::collections::{BTreeMap, BTreeSet};

use crate::causality::Past;
use crate::check::allowed;
use crate::facts::Version;
use crate::finding::{Code, Finding, Named, Severity};
use crate::ids::FindingId;
use crate::quantity::word_for;
use crate::record::office::{Ruling, SignOff};
use crate::record::{Body, Kind};
use crate::view::{CrewDay, View};

/// Findings of this rule, among what the others found. A stop counts against a sign-off when
/// - every record of the job it stands on was known to the sign-off: what came later says so by itself;
/// - nothing came to the yard's book after the heads that the sign-off names, and the job asked nothing
///   new, which may have raised it: a lot recalled next month is no one's fault at sign-off;
/// - no ruling in force that the sign-off knew settles it, on the facts as they are.
pub fn among<'f>(view: &View<'_>, findings: impl Iterator<Item = &'f Finding>) -> Vec<Finding> {
    if view.signed_knowing.is_empty() {
        return vec![];
    }
    let mut stops: BTreeMap<CrewDay, Vec<&Finding>> = BTreeMap::new();
    for finding in findings.filter(|f| f.severity == Severity::Stop && f.code != Code::SignedPastStop) {
        finding.crew_days.iter().for_each(|day| stops.entry(*day).or_default().push(finding));
    }
    let rulings = Rulings::of(view);
    let mut past_stops = vec![];
    for version in view.facts.signed_off.iter().map(|i| &view.facts.versions[*i]) {
        let (Body::SignOff(body), Some(past)) =
            (&version.record.body, view.signed_knowing.get(&version.id()))
        else {
            continue;
        };
        let day = CrewDay { crew: body.crew, day: body.day };
        let Some(of_day) = stops.get(&day) else { continue };
        let mut later = yard_later(view, body);
        let mut asked = view.facts.of_kind(Kind::Requirements).flat_map(|f| &f.history);
        if asked.any(|v| !past.holds(view.facts.versions[*v].spot)) {
            later.insert(Kind::Requirements);
        }
        let mut codes: BTreeMap<&str, BTreeSet<FindingId>> = BTreeMap::new();
        for stop in of_day {
            let known = stop.records.iter().all(|id| view.facts.texts(*id).all(|v| past.holds(v.spot)));
            let by_yard = later.iter().any(|kind| may_raise(*kind, stop.code));
            if known && !by_yard && !rulings.settle(stop, past) {
                codes.entry(stop.code.name()).or_default().insert(stop.id);
            }
        }
        if codes.is_empty() {
            continue;
        }
        let n: usize = codes.values().map(BTreeSet::len).sum();
        let listed: Vec<String> = codes.iter().map(|(code, of)| format!("{} {code}", of.len())).collect();
        let (crew, on, listed) = (Named(day.crew), day.day, listed.join(", "));
        let stops = word_for(n, "stop", "stops");
        let message =
            format!("Crew {crew} on {on}: the day was signed off past {n} {stops} not settled: {listed}.");
        let id = version.id();
        let found = Finding::new(Code::SignedPastStop, &[&id.to_string()], message, vec![id]);
        past_stops.push(found.on([day]));
    }
    past_stops
}

/// The rulings in force, by finding.
struct Rulings<'v>(BTreeMap<FindingId, Vec<(&'v Version, &'v Ruling)>>);

impl<'v> Rulings<'v> {
    fn of(view: &'v View<'_>) -> Self {
        let mut of: BTreeMap<FindingId, Vec<_>> = BTreeMap::new();
        for version in view.facts.in_force(Kind::Ruling).flat_map(|f| view.facts.current(f)) {
            if let Body::Ruling(ruling) = &version.record.body {
                of.entry(ruling.finding).or_default().push((version, &**ruling));
            }
        }
        Self(of)
    }

    /// Whether one that was known then settles a finding.
    fn settle(&self, finding: &Finding, past: &Past) -> bool {
        self.0.get(&finding.id).into_iter().flatten().any(|(version, ruling)| {
            past.holds(version.spot)
                && ruling.facts == finding.facts
                && allowed(finding.code, &ruling.decision)
                && !ruling.reason.trim().is_empty()
        })
    }
}

/// The kinds of record that came to the yard's book after the heads a sign-off names. One that names
/// none that is known here is taken to have seen everything: it gives no excuse.
fn yard_later(view: &View<'_>, sign_off: &SignOff) -> BTreeSet<Kind> {
    let seen: Vec<&Past> = sign_off.yard_heads.iter().filter_map(|h| view.yard.pasts.get(h)).collect();
    if seen.is_empty() {
        return BTreeSet::new();
    }
    let unseen = view.yard.facts.versions.iter().filter(|v| !seen.iter().any(|past| past.holds(v.spot)));
    unseen.map(|v| v.record.kind()).collect()
}

/// Whether a record of the yard, or a change of what the job asks, may raise a stop that was not there
/// without it.
fn may_raise(kind: Kind, code: Code) -> bool {
    let of = code.name().split('.').next().unwrap_or_default();
    let among = |groups: &[&str]| groups.contains(&of);
    match kind {
        Kind::Strike | Kind::Admission => true,
        Kind::Certificate | Kind::Revocation => among(&["record"]),
        Kind::Label | Kind::LabelConfirmation => {
            among(&["label", "dose", "hole", "condition", "lot", "kit", "caution"])
        }
        Kind::Lot => among(&["lot", "kit", "balance"]),
        Kind::Kit => among(&["kit", "hole", "balance"]),
        Kind::Fill | Kind::Movement => among(&["kit", "balance"]),
        Kind::Licence | Kind::Person => among(&["licence", "law"]),
        Kind::Requirements => among(&["law", "caution", "photo", "condition", "job", "licence", "crew"]),
        _ => false,
    }
}
