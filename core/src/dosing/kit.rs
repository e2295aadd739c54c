//! A kit before work: its limit, what stops it, and how much may be filled in.
//!
//! The working limit is the lowest rating among vessel, hose, fittings and label. The air source's
//! limit is another thing: a source that can give more is a danger to be set first, not a rating.

use serde::Serialize;

use crate::day::Day;
use crate::dosing::caution::{Act, cautions};
use crate::dosing::gas::SEA_LEVEL;
use crate::dosing::trapped_air::over_band;
use crate::dosing::units;
use crate::quantity::{MilliCelsius, Pa, Ul};
use crate::record::kit::Kit;

/// Longest time between comparisons of a gauge before it is mentioned (common practice, no source).
const GAUGE_DAYS: i64 = 365;
/// Head space below this share of the vessel is mentioned (common practice, no source).
const SMALL_HEAD_SPACE_PERCENT: i128 = 20;

/// What can set the working limit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Part {
    /// The reservoir.
    Vessel,
    /// The weakest hose.
    Hose,
    /// The weakest fitting or valve.
    Fittings,
    /// The label's highest pressure.
    Label,
}

impl std::fmt::Display for Part {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Self::Vessel => "the vessel",
            Self::Hose => "the hose",
            Self::Fittings => "the fittings",
            Self::Label => "the label",
        })
    }
}

/// The highest pressure a kit may be worked at.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct WorkingLimit {
    /// The limit.
    pub limit_pa: Pa,
    /// What sets it; of equals, the first of vessel, hose, fittings, label.
    pub set_by: Part,
    /// The label names no pressure, so the kit's own ratings alone hold.
    pub label_silent: bool,
}

impl std::fmt::Display for WorkingLimit {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "Never above {}: {} sets the limit.", units::pressure(self.limit_pa), self.set_by)?;
        if self.label_silent { f.write_str(" The label names no pressure.") } else { Ok(()) }
    }
}

/// What stops a kit. Nothing is pressurised while one of these stands.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, thiserror::Error)]
#[serde(tag = "stop", rename_all = "snake_case")]
pub enum Stop {
    /// The kit is not in the yard's book, so nothing is known of its ratings and inspections.
    #[error("This kit is not in the yard's book: no ratings, no inspection. Do not use it.")]
    NoRecord,
    /// A part without a rating.
    #[error(
        "The record gives no pressure rating for {part}. Do not use the kit until the office has entered it."
    )]
    NoRating {
        /// The part.
        part: Part,
    },
    /// The kit's inspection is overdue.
    #[error("The kit's inspection was due on {due}. Do not use it.")]
    InspectionOverdue {
        /// When it was due.
        due: Day,
    },
    /// The relief valve's inspection is overdue.
    #[error("The relief valve's inspection was due on {due}. Do not use the kit.")]
    ReliefOverdue {
        /// When it was due.
        due: Day,
    },
    /// An inspection dated after today, or due before it was done: as good as none.
    #[error(
        "The inspection of {what} is dated {inspected}, next due {due}: that cannot be. Do not use the kit until the office has corrected it."
    )]
    InspectionDates {
        /// What was inspected.
        what: &'static str,
        /// The date entered.
        inspected: Day,
        /// Next due.
        due: Day,
    },
    /// The relief valve opens only above a part's rating.
    #[error("The relief valve opens at {}, above the rating of {part}, {}: it would not protect it. Do not use the kit.", units::pressure(*.set_pa), units::pressure(*.rating_pa))]
    ReliefTooHigh {
        /// Where it opens.
        set_pa: Pa,
        /// The part.
        part: Part,
        /// Its rating.
        rating_pa: Pa,
    },
    /// No relief valve setting.
    #[error("The record gives no set pressure for the relief valve. Do not use the kit.")]
    NoRelief,
    /// The working band passes the limit.
    #[error("The kit's working band goes to {}, above its limit of {} set by {part}. Do not use that band.", units::pressure(*.high_pa), units::pressure(*.limit_pa))]
    BandAboveLimit {
        /// Top of the band.
        high_pa: Pa,
        /// The limit.
        limit_pa: Pa,
        /// What sets it.
        part: Part,
    },
    /// The working band is no band.
    #[error("The kit's working band from {} to {} is none: the office must correct it.", units::pressure(*.low_pa), units::pressure(*.high_pa))]
    NoBand {
        /// Its bottom.
        low_pa: Pa,
        /// Its top.
        high_pa: Pa,
    },
    /// The gauge ends below the working band's top.
    #[error("The gauge ends at {}, below the working band's top of {}: the pressure could not be read. Do not use the kit.", units::pressure(*.range_pa), units::pressure(*.high_pa))]
    GaugeTooShort {
        /// Top of its scale.
        range_pa: Pa,
        /// Top of the band.
        high_pa: Pa,
    },
    /// The fill limit leaves no head space, or is none.
    #[error("A fill limit of {} mL in a vessel of {} mL leaves no head space or no product: the office must correct it.", .fill_limit_ul.ml(), .volume_ul.ml())]
    NoHeadSpace {
        /// The fill limit.
        fill_limit_ul: Ul,
        /// The vessel.
        volume_ul: Ul,
    },
}

/// A kit before work.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Readiness {
    /// The working limit; absent when a rating is missing.
    pub limit: Option<WorkingLimit>,
    /// What stops it. Empty is necessary for work, not sufficient: the crew looks at the kit too.
    pub stops: Vec<Stop>,
    /// What to mind about this kit.
    pub notes: Vec<String>,
    /// What to mind whenever air is put on.
    pub cautions: &'static [&'static str],
}

impl std::fmt::Display for Readiness {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        for stop in &self.stops {
            writeln!(f, "STOP. {stop}")?;
        }
        if let Some(limit) = &self.limit {
            writeln!(f, "{limit}")?;
        }
        for line in self.notes.iter().map(String::as_str).chain(self.cautions.iter().copied()) {
            writeln!(f, "- {line}")?;
        }
        Ok(())
    }
}

/// The working limit: the lowest rating among vessel, hose, fittings and label.
///
/// # Errors
/// [`Stop::NoRating`] for a rating of zero or less.
pub fn working_limit(kit: &Kit, label_max: Option<Pa>) -> Result<WorkingLimit, Stop> {
    let label = label_max.map(|pa| (Part::Label, pa));
    let mut lowest: Option<(Part, Pa)> = None;
    for (part, rating) in ratings(kit).into_iter().chain(label) {
        if rating.0 <= 0 {
            return Err(Stop::NoRating { part });
        }
        if lowest.is_none_or(|(_, known)| rating < known) {
            lowest = Some((part, rating));
        }
    }
    match lowest {
        Some((set_by, limit_pa)) => Ok(WorkingLimit { limit_pa, set_by, label_silent: label.is_none() }),
        None => Err(Stop::NoRecord),
    }
}

fn ratings(kit: &Kit) -> [(Part, Pa); 3] {
    [
        (Part::Vessel, kit.reservoir.rating_pa),
        (Part::Hose, kit.hose_rating_pa),
        (Part::Fittings, kit.fittings_rating_pa),
    ]
}

/// Everything that stops a kit or is to be minded on a day, under a label's highest pressure.
pub fn ready(kit: Option<&Kit>, label_max: Option<Pa>, today: Day) -> Readiness {
    let mut found =
        Readiness { limit: None, stops: vec![], notes: vec![], cautions: cautions(Act::Pressurise) };
    let Some(kit) = kit else {
        found.stops.push(Stop::NoRecord);
        return found;
    };
    inspections(kit, today, &mut found);
    match working_limit(kit, label_max) {
        Ok(limit) => {
            band(kit, limit, &mut found);
            found.limit = Some(limit);
        }
        Err(stop) => found.stops.push(stop),
    }
    relief(kit, &mut found);
    gauge(kit, today, &mut found);
    head_space(kit, &mut found);
    containers(kit, &mut found);
    found
}

/// A stated charge is told when it is off by this part of it, a tenth (common practice, no source).
const CHARGE_OFF_PART: i64 = 10;

/// Containers whose inner volume and stated charge do not belong together anywhere in the working band,
/// at sea level and 20 °C: far from the weather's and altitude's few per cent.
fn containers(kit: &Kit, found: &mut Readiness) {
    let band = (kit.work_low_pa, kit.work_high_pa);
    for kind in kit.containers.iter().filter(|kind| kind.inner_volume_ul.is_some()) {
        let Ok(charges) = over_band(kind, band, SEA_LEVEL, MilliCelsius(20_000)) else {
            found.notes.push(format!(
                "Container '{}': its charge cannot be reckoned from its inner volume and the working band; the office must correct the kit's record.",
                kind.name
            ));
            continue;
        };
        let (least, most) = (charges.at_low.settled_ul, charges.at_high.settled_ul);
        let allowed = kind.charge_ul.0 / CHARGE_OFF_PART;
        if least.0 > kind.charge_ul.0 + allowed || most.0 < kind.charge_ul.0 - allowed {
            found.notes.push(format!(
                "Container '{}': its record states {} mL a charge, but filled against trapped air it would take {} to {} mL. Calibrate it before use.",
                kind.name,
                kind.charge_ul.ml(),
                least.ml(),
                most.ml()
            ));
        }
    }
}

fn inspections(kit: &Kit, today: Day, found: &mut Readiness) {
    let vessel = &kit.reservoir;
    let of = [
        ("the kit", kit.inspected, kit.inspection_due),
        ("the relief valve", vessel.relief_inspected, vessel.relief_due),
    ];
    for (place, (what, inspected, due)) in of.into_iter().enumerate() {
        if inspected > today || due <= inspected {
            found.stops.push(Stop::InspectionDates { what, inspected, due });
        } else if due < today {
            found.stops.push(match place {
                0 => Stop::InspectionOverdue { due },
                _ => Stop::ReliefOverdue { due },
            });
        }
    }
}

fn band(kit: &Kit, limit: WorkingLimit, found: &mut Readiness) {
    let (low_pa, high_pa) = (kit.work_low_pa, kit.work_high_pa);
    if low_pa.0 <= 0 || high_pa <= low_pa {
        found.stops.push(Stop::NoBand { low_pa, high_pa });
    }
    if high_pa > limit.limit_pa {
        found.stops.push(Stop::BandAboveLimit { high_pa, limit_pa: limit.limit_pa, part: limit.set_by });
    }
    let source = kit.air_source_limit_pa;
    if source > limit.limit_pa {
        found.notes.push(format!(
            "The air source can give {}, more than the kit's limit of {}: set it to {} or less before connecting it.",
            units::pressure(source),
            units::pressure(limit.limit_pa),
            units::pressure(high_pa.min(limit.limit_pa))
        ));
    } else if source < low_pa {
        found.notes.push(format!(
            "The air source gives {} at most and cannot reach the working band.",
            units::pressure(source)
        ));
    }
}

fn relief(kit: &Kit, found: &mut Readiness) {
    let set_pa = kit.reservoir.relief_set_pa;
    if set_pa.0 <= 0 {
        found.stops.push(Stop::NoRelief);
        return;
    }
    for (part, rating_pa) in ratings(kit) {
        if rating_pa.0 > 0 && set_pa > rating_pa {
            found.stops.push(Stop::ReliefTooHigh { set_pa, part, rating_pa });
        }
    }
    if set_pa <= kit.work_high_pa {
        found.notes.push(format!(
            "The relief valve opens at {}, inside the working band: expect it to blow.",
            units::pressure(set_pa)
        ));
    }
}

fn gauge(kit: &Kit, today: Day, found: &mut Readiness) {
    let (range_pa, high_pa) = (kit.gauge.range_pa, kit.work_high_pa);
    if range_pa < high_pa {
        found.stops.push(Stop::GaugeTooShort { range_pa, high_pa });
    } else if i128::from(high_pa.0) * 4 > i128::from(range_pa.0) * 3 {
        // EN 837-2, from memory: a steady pressure stays within three quarters of the scale.
        found.notes.push(format!(
            "The working band's top is beyond three quarters of the gauge's scale ({}): a gauge of longer range lasts and reads better.",
            units::pressure(range_pa)
        ));
    }
    let checked = kit.gauge.checked;
    if checked > today || checked.days_until(today) > GAUGE_DAYS {
        found
            .notes
            .push(format!("The gauge was last compared on {checked}: compare it with a reference gauge."));
    }
}

fn head_space(kit: &Kit, found: &mut Readiness) {
    let (fill_limit_ul, volume_ul) = (kit.reservoir.fill_limit_ul, kit.reservoir.volume_ul);
    if fill_limit_ul.0 <= 0 || fill_limit_ul >= volume_ul {
        found.stops.push(Stop::NoHeadSpace { fill_limit_ul, volume_ul });
    } else if i128::from(volume_ul.saturating_sub(fill_limit_ul).0) * 100
        < i128::from(volume_ul.0) * SMALL_HEAD_SPACE_PERCENT
    {
        found.notes.push(format!(
            "Filled to its limit the vessel keeps {} mL of head space, less than {SMALL_HEAD_SPACE_PERCENT} %: few charges to a pressurisation, and a steep rise when it warms.",
            volume_ul.saturating_sub(fill_limit_ul).ml()
        ));
    }
}

/// What a fill leads to.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct FillPlan {
    /// Product in the vessel afterwards.
    pub content_ul: Ul,
    /// Air above it.
    pub head_space_ul: Ul,
    /// The smallest head space the kit allows.
    pub least_head_space_ul: Ul,
    /// What to mind.
    pub cautions: &'static [&'static str],
}

impl std::fmt::Display for FillPlan {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(
            f,
            "{} mL of product, {} mL of head space (at least {} mL).",
            self.content_ul.ml(),
            self.head_space_ul.ml(),
            self.least_head_space_ul.ml()
        )
    }
}

/// Why a fill may not be made.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum FillError {
    /// The kit itself cannot be filled.
    #[error(transparent)]
    Kit(#[from] Stop),
    /// An amount that cannot be.
    #[error("{} mL cannot be filled in or be there already: correct it", .0.ml())]
    Amount(Ul),
    /// Over the fill limit.
    #[error("{} mL and {} mL pass the fill limit of {} mL: fill {} mL at most", .present.ml(), .adding.ml(), .limit.ml(), .room.ml())]
    OverLimit {
        /// In the vessel.
        present: Ul,
        /// To be added.
        adding: Ul,
        /// The limit.
        limit: Ul,
        /// What still fits.
        room: Ul,
    },
}

/// Checks a fill against the kit's fill limit.
///
/// # Errors
/// [`FillError`] for what does not fit; never a fill over the limit.
pub fn fill(kit: &Kit, present: Ul, adding: Ul) -> Result<FillPlan, FillError> {
    let (limit, volume) = (kit.reservoir.fill_limit_ul, kit.reservoir.volume_ul);
    if limit.0 <= 0 || limit >= volume {
        return Err(Stop::NoHeadSpace { fill_limit_ul: limit, volume_ul: volume }.into());
    }
    if present.0 < 0 {
        return Err(FillError::Amount(present));
    }
    if adding.0 <= 0 {
        return Err(FillError::Amount(adding));
    }
    let content_ul = present.saturating_add(adding);
    if content_ul > limit {
        let room = limit.saturating_sub(present).max(Ul::ZERO);
        return Err(FillError::OverLimit { present, adding, limit, room });
    }
    Ok(FillPlan {
        content_ul,
        head_space_ul: volume.saturating_sub(content_ul),
        least_head_space_ul: volume.saturating_sub(limit),
        cautions: cautions(Act::Fill),
    })
}

#[cfg(test)]
#[path = "kit_tests.rs"]
mod tests;
