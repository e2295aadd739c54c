//! Licences: who applied must be certified on that day, or work under someone who is.

use crate::check::work::Work;
use crate::day::Day;
use crate::finding::{Code, Finding};
use crate::ids::PersonId;
use crate::record::office::Requirements;
use crate::record::{Body, Kind};
use crate::view::View;

/// What the yard knows of a person's licence on a day.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Licensed {
    /// A certifying licence holds on the day.
    Yes,
    /// The last one ended on this day.
    Expired(Day),
    /// The only one begins on this day.
    NotYet(Day),
    /// None is entered.
    None,
}

impl Licensed {
    /// Why it does not let its holder apply.
    pub fn why_not(self) -> String {
        match self {
            Self::Expired(on) => format!("the licence ended on {on}"),
            Self::NotYet(on) => format!("the licence begins on {on}"),
            Self::None | Self::Yes => "no certifying licence is entered".into(),
        }
    }
}

/// Findings of this rule.
pub fn check(view: &View<'_>, work: &Work<'_>, findings: &mut Vec<Finding>) {
    category(view, work, findings);
    for done in &work.done {
        let Some(day) = done.day else { continue };
        let by = licensed(view, done.body.applicator, day.day);
        let under = done.body.supervisor.map(|s| licensed(view, s, day.day));
        if matches!(by, Licensed::Yes) || matches!(under, Some(Licensed::Yes)) {
            continue;
        }
        let (tag, on, why) = (done.called(), day.day, under.unwrap_or(by).why_not());
        let message = match under {
            Some(_) => {
                format!("Tree {tag}: neither the applicator nor the supervisor is certified on {on}: {why}.")
            }
            None => format!("Tree {tag}: the applicator is not certified on {on}: {why}."),
        };
        findings.push(done.find(Code::LicenceMissing, message));
    }
}

/// Whether a person may apply, or stand behind who does, on a day.
pub fn licensed(view: &View<'_>, person: PersonId, day: Day) -> Licensed {
    let mut best = Licensed::None;
    for fact in view.yard.facts.in_force(Kind::Licence) {
        let Body::Licence(licence) = &view.yard.facts.shown(fact).record.body else { continue };
        if licence.person != person || !licence.certified {
            continue;
        }
        if licence.valid_from <= day && day <= licence.valid_to {
            return Licensed::Yes;
        }
        best = if day < licence.valid_from {
            Licensed::NotYet(licence.valid_from)
        } else {
            Licensed::Expired(licence.valid_to)
        };
    }
    best
}

/// What certified people hold who are in no category or scheme that the job says counts here:
/// `for 3a of X; the job asks for 7a`. None when one fits, when the job does not ask, and when nobody
/// is certified at all, which is said elsewhere.
pub(crate) fn other_category(
    view: &View<'_>,
    asks: &Requirements,
    people: &[PersonId],
    day: Day,
) -> Option<String> {
    if asks.licence_categories.is_empty() && asks.licence_schemes.is_empty() {
        return None;
    }
    let among = |wanted: &[String], text: &str| {
        wanted.is_empty() || wanted.iter().any(|w| w.trim().eq_ignore_ascii_case(text.trim()))
    };
    let held = view.yard.facts.in_force(Kind::Licence).filter_map(|fact| {
        match &view.yard.facts.shown(fact).record.body {
            Body::Licence(l) if people.contains(&l.person) && l.certified => Some(&**l),
            _ => None,
        }
    });
    let held: Vec<_> = held.filter(|l| l.valid_from <= day && day <= l.valid_to).collect();
    let fits = held
        .iter()
        .any(|l| among(&asks.licence_categories, &l.category) && among(&asks.licence_schemes, &l.scheme));
    if fits || held.is_empty() {
        return None;
    }
    let has: Vec<String> = held.iter().map(|l| format!("{} of {}", l.category, l.scheme)).collect();
    let asked = [&asks.licence_categories[..], &asks.licence_schemes[..]].concat().join(", ");
    Some(format!("for {}; the job asks for {asked}", has.join(" and ")))
}

fn category(view: &View<'_>, work: &Work<'_>, findings: &mut Vec<Finding>) {
    if work.asks.licence_categories.is_empty() && work.asks.licence_schemes.is_empty() {
        return;
    }
    for done in &work.done {
        let Some(day) = done.day else { continue };
        let people: Vec<_> = done.body.supervisor.into_iter().chain([done.body.applicator]).collect();
        let Some(has) = other_category(view, &work.asks, &people, day.day) else { continue };
        let message = format!("Tree {}: who applied on {} is certified {has}.", done.called(), day.day);
        findings.push(done.find(Code::WrongCategory, message));
    }
}
