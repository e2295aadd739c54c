//! Which calibration of a container stands: a failure stands until another one passes.

use crate::dosing::calibration::{Assessment, CalibrationError, Verdict, assess_record};
use crate::ids::KitId;
use crate::quantity::UtcMs;
use crate::record::kit::{Calibration, ContainerKind};
use crate::record::{Body, Kind};
use crate::view::Yard;

/// A calibration in force, worked out.
#[derive(Clone, Debug)]
pub struct Calibrated {
    /// When.
    pub at: UtcMs,
    /// What it says.
    pub found: Result<Assessment, CalibrationError>,
}

impl Calibrated {
    /// Whether it failed.
    pub fn failed(&self) -> bool {
        self.found.as_ref().is_ok_and(Assessment::failed)
    }
}

/// The calibration of a kit's container that stands: the last one, unless an earlier one failed and
/// none passed since. One with too few charges for a verdict takes no failure back.
pub fn standing(yard: &Yard, kit: KitId, kind: &ContainerKind) -> Option<Calibrated> {
    let record = yard.kit(kit)?;
    let of_kind = |body: &Calibration| body.kit == kit && body.container.eq_ignore_ascii_case(&kind.name);
    let all = yard.facts.in_force(Kind::Calibration).map(|fact| yard.facts.shown(fact));
    let of_kind = all.filter_map(|version| match &version.record.body {
        Body::Calibration(body) if of_kind(body) => Some((version.record.envelope.at, version.op, body)),
        _ => None,
    });
    let mut in_order: Vec<_> = of_kind.collect();
    in_order.sort_by_key(|(at, op, _)| (*at, *op));
    let mut standing: Option<Calibrated> = None;
    for (at, _, body) in in_order {
        let next = Calibrated { at, found: assess_record(body, record, None) };
        let passed = next.found.as_ref().is_ok_and(|a| a.verdict == Verdict::Agrees);
        if standing.as_ref().is_none_or(|s| !s.failed()) || passed || next.failed() {
            standing = Some(next);
        }
    }
    standing
}
