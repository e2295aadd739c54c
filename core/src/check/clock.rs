//! Clocks: what a server measured at an exchange, and records dated before what their writer had seen.

use std::collections::BTreeMap;

use crate::check::entry::CLOCK_TOLERANCE_MS;
use crate::check::record::label_of;
use crate::finding::{Code, Finding};
use crate::ids::{DeviceId, RecordId};
use crate::quantity::UtcMs;
use crate::record::{Body, Kind};
use crate::view::{View, tree_named};

/// Findings of this rule.
pub fn check(view: &View<'_>, findings: &mut Vec<Finding>) {
    off(view, findings);
    backdated(view, findings);
}

/// Of each device whose clock was off when it delivered its own work, the exchange where it was most.
fn off(view: &View<'_>, findings: &mut Vec<Finding>) {
    let mut worst: BTreeMap<DeviceId, (u64, RecordId, i64, UtcMs)> = BTreeMap::new();
    for fact in view.facts.in_force(Kind::Receipt) {
        for version in view.facts.current(fact) {
            let Body::Receipt(receipt) = &version.record.body else { continue };
            let device = receipt.delivered_by;
            let (offset, own) =
                (receipt.clock_offset_ms.0, receipt.through.iter().any(|end| end.actor.device() == device));
            if !own || offset.unsigned_abs() <= CLOCK_TOLERANCE_MS.unsigned_abs() {
                continue;
            }
            let found = (offset.unsigned_abs(), version.id(), offset, receipt.arrived_at);
            let most = worst.entry(device).or_insert(found);
            *most = found.max(*most);
        }
    }
    for (device, (size, receipt, offset, at)) in worst {
        let (hours, minutes) = (size / 3_600_000, size % 3_600_000 / 60_000);
        let by = match (hours, minutes) {
            (0, minutes) => format!("{minutes} min"),
            (hours, 0) => format!("{hours} h"),
            (hours, minutes) => format!("{hours} h {minutes} min"),
        };
        let way = if offset < 0 { "behind" } else { "ahead of" };
        let message = format!(
            "The clock of device {device} was {by} {way} the server's when it delivered its work on {}.",
            view.local_time(at)
        );
        findings.push(Finding::new(Code::ClockOff, &[&device.to_string()], message, vec![receipt]));
    }
}

fn backdated(view: &View<'_>, findings: &mut Vec<Finding>) {
    for (index, seen) in &view.backdated {
        let version = &view.facts.versions[*index];
        let message = format!(
            "The {} {} is dated {}, but its device had already seen the server at {}.",
            label_of(version.record.kind()),
            version.id(),
            view.local_time(version.record.envelope.at),
            view.local_time(*seen),
        );
        let mut finding =
            Finding::new(Code::Backdated, &[&version.id().to_string()], message, vec![version.id()])
                .on(view.crew_day(version));
        finding.tree = tree_named(&version.record.body).map(|t| view.stays(t));
        findings.push(finding);
    }
}
