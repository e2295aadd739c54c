//! Lots: unknown, expired, recalled, of another label.

use std::collections::BTreeMap;

use crate::check::work::Work;
use crate::day::Day;
use crate::finding::{Code, Finding};
use crate::ids::{LabelId, LotId};
use crate::view::View;

/// Findings of this rule.
pub fn check(view: &View<'_>, work: &Work<'_>, findings: &mut Vec<Finding>) {
    // What the yard says of a lot is the same for every application of it under one label.
    let mut known: BTreeMap<(LotId, LabelId), Known<'_>> = BTreeMap::new();
    for done in &work.done {
        let key = (done.body.lot, done.body.label);
        let known = known.entry(key).or_insert_with(|| Known::of(view, key));
        for (code, text) in known.wrong(done.day.map(|d| d.day)) {
            findings.push(done.find(code, format!("Tree {}: lot {text}.", done.called())));
        }
    }
}

/// What the yard says of a lot that was used under a label version. A lot amended two ways is judged
/// by every value it has: a recall made on one device is not lost to a correction made on another.
struct Known<'v> {
    lot: LotId,
    number: Option<&'v str>,
    recalled: Option<&'v String>,
    of_other_label: bool,
    expires: Option<Day>,
}

impl<'v> Known<'v> {
    fn of(view: &'v View<'_>, (lot, label): (LotId, LabelId)) -> Self {
        let lots: Vec<_> = view.yard.lots(lot).collect();
        let root = |id| view.yard.facts.fact_of(id).map_or(id, |f| f.id);
        Self {
            lot,
            number: lots.first().map(|lot| lot.number.as_str()),
            recalled: lots.iter().find_map(|lot| lot.recalled.as_ref()),
            of_other_label: lots.iter().any(|lot| root(lot.label) != root(label)),
            expires: lots.iter().map(|lot| lot.expires).min(),
        }
    }

    /// What is wrong with its use on a day, in words that follow 'lot'.
    fn wrong(&self, used: Option<Day>) -> Vec<(Code, String)> {
        let Some(number) = self.number else {
            return vec![(Code::LotUnknown, format!("{} is not in the yard's list", self.lot))];
        };
        let mut wrong = vec![];
        if let Some(why) = self.recalled {
            wrong.push((Code::LotRecalled, format!("{number} was taken out of use: {why}")));
        }
        if self.of_other_label {
            let text = format!("{number} belongs to another label than the one the dose was worked from");
            wrong.push((Code::LotOfOtherLabel, text));
        }
        if let (Some(expires), Some(used)) = (self.expires, used)
            && expires < used
        {
            wrong.push((Code::LotExpired, format!("{number} expired on {expires}, used on {used}")));
        }
        wrong
    }
}
