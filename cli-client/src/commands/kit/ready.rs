//! `kit ready`: what stops a kit, what to mind, and what its calibrations say.

use bolebook_core::day::Day;
use bolebook_core::dosing::calibrated;
use bolebook_core::dosing::calibration::Assessment;
use bolebook_core::dosing::kit::ready;
use bolebook_core::record::kit::ContainerKind;
use serde_json::json;

use super::{Found, KitArgs};
use crate::desk::Desk;
use crate::error::{CliError, exit};
use crate::output::Answer;

/// Says whether anything on record stops a kit: ratings, relief valve, inspections, gauge, calibrations.
///
/// Ends with exit code 3 when something does. That nothing stops it is necessary for work, not
/// sufficient: the crew looks the kit over too.
#[derive(Debug, clap::Args)]
pub struct Ready {
    #[command(flatten)]
    kit: KitArgs,
}

/// A container's last calibration.
struct LastCalibration {
    day: Day,
    found: Result<Assessment, String>,
}

impl Ready {
    pub(super) fn answer(&self, desk: &mut Desk<'_>) -> Result<Answer, CliError> {
        let found = self.kit.find(desk)?;
        let today = desk.day(None)?;
        let state = ready(Some(&found.kit), found.label_max(), today);
        let calibrations: Vec<(&ContainerKind, Option<LastCalibration>)> =
            found.kit.containers.iter().map(|kind| (kind, last(desk, &found, kind))).collect();
        let failed = |c: &Option<LastCalibration>| {
            c.as_ref().is_some_and(|c| c.found.as_ref().is_ok_and(Assessment::failed))
        };
        let stops = state.stops.len() + calibrations.iter().filter(|(_, c)| failed(c)).count();
        let name = &found.kit.name;
        let mut answer = match stops {
            0 => Answer::line(format!("Nothing on record stops {name}. Look it over before air is put on.")),
            1 => Answer::line(format!("DO NOT USE {name}: 1 thing stops it.")),
            _ => Answer::line(format!("DO NOT USE {name}: {stops} things stop it.")),
        };
        answer.text.extend(state.stops.iter().map(|stop| format!("STOP. {stop}")));
        let mut rows = vec![];
        for (kind, last) in &calibrations {
            let mark = if failed(last) { "STOP. " } else { "" };
            let said = match last {
                None => "never calibrated: 'bolebook calibrate'.".to_owned(),
                Some(LastCalibration { day, found: Ok(found) }) => format!("calibrated {day}: {found}"),
                Some(LastCalibration { day, found: Err(why) }) => {
                    format!("calibrated {day}, no verdict: {why}.")
                }
            };
            answer.say(format!("{mark}{}: {said}", kind.name));
            let assessment = last.as_ref().and_then(|l| l.found.as_ref().ok());
            rows.push(json!({
                "container": kind.name, "day": last.as_ref().map(|l| l.day.to_string()), "assessment": assessment,
                "failed": failed(last),
            }));
        }
        answer.text.extend(state.limit.map(|limit| limit.to_string()));
        answer.text.extend(found.no_label());
        answer.text.extend(state.notes.iter().map(|note| format!("- {note}")));
        answer.cautions.extend(state.cautions.iter().map(|c| (*c).to_owned()));
        if stops > 0 {
            answer.exit = exit::STOPPED;
        }
        Ok(answer
            .with("kit", name.clone())
            .with("label", found.label.as_ref().map(|(name, _)| name.clone()))
            .with("day", today.to_string())
            .with("stopped", stops > 0)
            .with("calibrations", rows)
            .with("ready", serde_json::to_value(&state).unwrap_or_default()))
    }
}

/// The calibration of a kit's container that stands.
fn last(desk: &Desk<'_>, found: &Found, kind: &ContainerKind) -> Option<LastCalibration> {
    let standing = calibrated::standing(desk.yard, found.id, kind)?;
    let day = Day::of(standing.at, &desk.zone());
    Some(LastCalibration { day, found: standing.found.map_err(|e| e.to_string()) })
}
