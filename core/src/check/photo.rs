//! Photos whose bytes never came: the record is in the book, the picture is nowhere but on a phone.

use std::collections::BTreeSet;

use crate::finding::{Code, Finding};
use crate::ids::{RecordId, Sha256Hash};
use crate::quantity::UtcMs;
use crate::record::{Body, Kind};
use crate::view::{View, tree_named};

/// So long after its record a photo may still be under way: records are small and go at noon from
/// the edge of a field, photos go in the evening from where there is signal (common practice, no
/// source). Above it the phone may be lost, and with it the only copy.
pub const LONGEST_WAIT_MS: i64 = 12 * 3_600_000;

/// Findings of this rule: a photo's record was received, no server of the yard has said that it holds
/// the bytes, and a server's word in this book is [`LONGEST_WAIT_MS`] younger than the record's
/// arrival. Time is the servers' alone, so the finding is a function of the heads; on the evening
/// itself, and while no server says anything, it stays quiet.
pub fn check(view: &View<'_>, findings: &mut Vec<Finding>) {
    let Some((held, last)) = servers_words(view) else { return };
    for fact in view.facts.in_force(Kind::Photo) {
        for version in view.facts.current(fact) {
            let Body::Photo(photo) = &version.record.body else { continue };
            let Some(arrived) = view.photos_arrived.get(&version.id()) else { continue };
            let waited = last.0.saturating_sub(arrived.0);
            if held.contains(&photo.sha256) || waited < LONGEST_WAIT_MS {
                continue;
            }
            let (at, hours) = (view.local_time(*arrived), LONGEST_WAIT_MS / 3_600_000);
            let message = match &photo.caption {
                None => format!(
                    "The photo was logged and its record arrived {at}, but {hours} hours later no server had its bytes."
                ),
                Some(caption) => format!(
                    "The photo '{caption}' was logged and its record arrived {at}, but {hours} hours later no server had its bytes."
                ),
            };
            let subjects = [version.id().to_string(), photo.sha256.to_string()];
            let subjects = [subjects[0].as_str(), subjects[1].as_str()];
            let mut finding = Finding::new(Code::PhotoNotReceived, &subjects, message, vec![version.id()])
                .on(view.crew_day(version));
            finding.tree = tree_of(view, photo.about);
            findings.push(finding);
        }
    }
}

/// The tree that a photo's record is about, or the record it belongs to.
fn tree_of(view: &View<'_>, about: Option<RecordId>) -> Option<RecordId> {
    let fact = view.facts.fact_of(about?)?;
    let tree =
        if fact.kind == Kind::Tree { Some(fact.id) } else { tree_named(&view.facts.shown(fact).record.body) };
    tree.map(|t| view.stays(t))
}

/// The photos that a server holds, and when a server last wrote into this book; none before it did.
fn servers_words(view: &View<'_>) -> Option<(BTreeSet<Sha256Hash>, UtcMs)> {
    let (mut held, mut last) = (BTreeSet::new(), None);
    for kind in [Kind::Receipt, Kind::PhotoReceived] {
        for version in view.facts.in_force(kind).flat_map(|fact| view.facts.current(fact)) {
            let at = match &version.record.body {
                Body::Receipt(receipt) => receipt.arrived_at,
                Body::PhotoReceived(received) => {
                    held.insert(received.sha256);
                    received.arrived_at
                }
                _ => continue,
            };
            last = last.max(Some(at));
        }
    }
    last.map(|last| (held, last))
}
