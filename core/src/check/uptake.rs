//! Uptake far slower than that of its peers, as a note with what it likely means.

use std::collections::BTreeMap;

use crate::check::work::Work;
use crate::dosing::forecast::log::{self, Logged, Visit};
use crate::dosing::forecast::peers::{Peers, Timed};
use crate::dosing::forecast::uptake::{OfTree, SlowUptake, Times, report};
use crate::finding::{Code, Finding};
use crate::view::View;

/// Findings of this rule.
pub fn check(view: &View<'_>, work: &Work<'_>, findings: &mut Vec<Finding>) {
    let usable = work.done.iter().filter(|d| d.first && log::usable(d.body).is_none());
    let times: Vec<_> =
        usable.filter_map(|d| Some((d, d.day?.day, Times::of_application(d.body)?))).collect();
    let peers = Peers::of(times.iter().map(|(done, day, times)| Timed {
        key: (done.tree, done.fact.id),
        species: done.listed.and_then(|t| t.species.as_deref()),
        day: *day,
        times,
    }));
    // What else is logged of a tree is read of the few that are slow.
    let far = peers.slow();
    let mut visits: BTreeMap<OfTree, (Visit, Times)> = BTreeMap::new();
    for (id, tree) in far.iter().filter_map(|((id, _), _)| view.trees.get_key_value(id)) {
        let mut logged = Logged::default();
        log::of_tree(view, *id, tree, &mut logged);
        let timed = logged.visits.into_iter().filter_map(|v| Times::of(&v).map(|times| (v, times)));
        visits.extend(timed.map(|one| ((*id, one.0.record), one)));
    }
    say(view, report(&peers, &far, |key| visits.get(&key).map(|(v, times)| (v, times))), findings);
}

/// The findings on slow stems.
pub(crate) fn say(view: &View<'_>, slow: Vec<SlowUptake>, findings: &mut Vec<Finding>) {
    for slow in slow {
        let version = view.facts.fact_of(slow.record).map(|f| view.facts.shown(f));
        // Its numbers move with every new peer; what a ruling stands on is the application itself.
        let message = format!("{slow}.");
        let found = Finding::on_records(
            Code::UptakeSlow,
            &[&slow.record.to_string()],
            message,
            version.map(|v| v.id()).into_iter().collect(),
        );
        findings.push(found.about(slow.tree).on(version.and_then(|v| view.crew_day(v))));
    }
}
