//! What label, lot, kit, people and job say.

use crate::check::fill::content::in_kit;
use crate::check::fill::over_limit;
use crate::check::job::{leave_on, notice_by};
use crate::check::law::cautions_read;
use crate::check::licence::{Licensed, licensed, other_category};
use crate::day::Day;
use crate::dosing::advice::{Case, DESIGN};
use crate::dosing::calibrated::{self, Calibrated};
use crate::dosing::invented::INVENTED;
use crate::dosing::kit::{Stop, ready};
use crate::dosing::label::{LabelProblem, confirmation_problems, validate};
use crate::facts::Version;
use crate::finding::Code;
use crate::ids::{LabelId, LotId};
use crate::quantity::{Ul, UtcMs};
use crate::record::kit::Kit;
use crate::record::label::{Label, LabelConfirmation};
use crate::record::product::Fill;
use crate::record::{Body, Kind};
use crate::view::View;

const CONFIRM: &str = "design rule: a label is usable after a second licensed person re-entered it";
const FILL: &str = "design rule: the crew reads number and lot off the container at each fill";
const CALIBRATED: &str = "design rule: a failed calibration stops the dose";
const KIT: &str = "design rule: ratings, relief valve and inspections are part of the kit";

/// The label version, when it may be used.
pub(super) fn label<'v>(case: &mut Case<'v, '_>) -> Option<&'v Label> {
    let (view, id) = (case.view, case.ask.label);
    let Some(label) = view.yard.label(id) else {
        case.stop(
            "label.unknown",
            format!("Label {id} is not in the yard's book, or is not in force."),
            DESIGN,
        );
        return None;
    };
    let newer =
        view.yard.facts.standing_fact(id).is_none_or(|fact| {
            !view.yard.facts.current(fact).any(|v| v.id() == id) || fact.contested.is_some()
        });
    if newer {
        let text = format!("Label {} has been amended since: use the version now in force.", label.name);
        case.stop("label.superseded", text, DESIGN);
    }
    let wrong: Vec<String> =
        validate(label).iter().filter(|p| p.blocks()).take(3).map(LabelProblem::to_string).collect();
    if !wrong.is_empty() {
        let text = format!("The entry of label {} does not hold: {}.", label.name, wrong.join("; "));
        case.stop("label.entry", text, DESIGN);
    }
    confirmed(case, id, label);
    if view.yard.mix_amended(id) {
        let text = format!(
            "The mix of label {} was amended: what stands in reservoirs and containers may be mixed as before. Enter it as a label of its own, with lots of its own.",
            label.name
        );
        case.stop("label.mix_amended", text, DESIGN);
    }
    if let Some(mix) = &label.mix {
        let text = format!(
            "Label {} has the product mixed: {}. Containers and reservoir hold the mix; the dose, its limits and what is logged are of product. Say of each volume which of the two it is.",
            label.name,
            mix.in_words()
        );
        case.caution("label.mix", text, "the label's mix");
    }
    if let Some(expires) = label.expires.filter(|day| *day < case.today) {
        let text = format!("Label {} could be used until {expires}.", label.name);
        case.stop("label.expired", text, "the label's last day");
    }
    let marked = |text: &str| text.to_lowercase().contains("invented");
    match &label.invented {
        Some(mark) if marked(&view.title) || marked(&view.yard.company) => {
            case.caution("label.invented", format!("{mark}: this label is part of a demonstration."), INVENTED);
        }
        Some(mark) => case.stop(
            "label.invented",
            format!("{mark}. An invented label is never used outside a demonstration, whose job or company is marked invented."),
            INVENTED,
        ),
        None => {}
    }
    Some(label)
}

/// Whether some second licensed person's re-entry confirms the label; else why none does.
fn confirmed(case: &mut Case<'_, '_>, id: LabelId, label: &Label) {
    let view = case.view;
    let mut why = vec![];
    let mut nameless = false;
    for fact in view.yard.facts.in_force(Kind::LabelConfirmation) {
        for version in view.yard.facts.current(fact) {
            let Body::LabelConfirmation(body) = &version.record.body else { continue };
            if body.label != id {
                continue;
            }
            match doubts(view, id, label, version, body) {
                Ok(named) if named => return,
                Ok(_) => nameless = true,
                Err(doubt) => why.push(doubt),
            }
        }
    }
    if nameless {
        let text = format!(
            "Who entered or who confirmed label {} is not recorded, so that they were two people is not known: have a second licensed person confirm it.",
            label.name
        );
        case.stop("label.confirmed_by", text, CONFIRM);
        return;
    }
    let why =
        why.into_iter().next().unwrap_or_else(|| "nobody has re-entered its rates from the paper".into());
    case.stop("label.not_confirmed", format!("Label {} is not confirmed: {why}.", label.name), CONFIRM);
}

/// `Ok(true)` for a confirmation by a named second licensed person, `Ok(false)` when nobody is named.
fn doubts(
    view: &View<'_>,
    id: LabelId,
    label: &Label,
    version: &Version,
    body: &LabelConfirmation,
) -> Result<bool, String> {
    if let Some(problem) = confirmation_problems(label, body).first() {
        return Err(problem.to_string());
    }
    let Some(by) = version.record.envelope.by else { return Ok(false) };
    let facts = &view.yard.facts;
    let entered_by = facts.versions.iter().filter(|v| v.id() == id).find_map(|v| v.record.envelope.by);
    if entered_by == Some(by) {
        return Err("the person who entered it confirmed it".into());
    }
    let day = Day::of(version.record.envelope.at, &view.job.zone);
    match licensed(view, by, day) {
        Licensed::Yes => Ok(entered_by.is_some()),
        other => Err(format!("of the person who confirmed it on {day}, {}", other.why_not())),
    }
}

/// The lot to be used, when it may be.
pub(super) fn lot(case: &mut Case<'_, '_>, label: Option<&Label>) -> Option<LotId> {
    let view = case.view;
    let fill = last_fill(view, case);
    let Some(id) = case.ask.lot.or(fill.map(|f| f.lot)) else {
        case.stop("lot.none", "No fill of this kit is logged: log which lot is in it.", FILL);
        return None;
    };
    let Some(lot) = view.yard.lot(id) else {
        case.stop("lot.unknown", format!("Lot {id} is not in the yard's list."), Code::LotUnknown.source());
        return Some(id);
    };
    let number = &lot.number;
    if let Some(why) = &lot.recalled {
        case.stop(
            "lot.recalled",
            format!("Lot {number} was taken out of use: {why}."),
            Code::LotRecalled.source(),
        );
    }
    if lot.expires < case.today {
        let text = format!("Lot {number} could be used until {}.", lot.expires);
        case.stop("lot.expired", text, Code::LotExpired.source());
    }
    let fact = |id| view.yard.facts.fact_of(id).map(|f| f.id);
    if lot.label != case.ask.label && fact(lot.label) != fact(case.ask.label) {
        let text = format!("Lot {number} belongs to another label.");
        case.stop("lot.other_label", text, Code::LotOfOtherLabel.source());
    }
    match fill {
        None => {
            let text =
                "No fill of this kit is logged: log it, with number and lot as read off the container.";
            case.stop("fill.none", text, FILL);
        }
        Some(fill) if fill.lot != id => {
            let text = format!("The kit's last fill was not of lot {number}: find out what is in it.");
            case.stop("fill.other_lot", text, FILL);
        }
        Some(fill) => read_off(case, label, number, fill),
    }
    content(case, Some(id));
    Some(id)
}

/// Two products in one reservoir, a lot out of use under a later fill, more than the reservoir may hold.
fn content(case: &mut Case<'_, '_>, lot: Option<LotId>) {
    let view = case.view;
    let now = in_kit(view, case.ask.kit);
    if let Some((filled, (other, left))) = now.onto_other {
        let (filled, other) = (view.yard.lot_number(filled), view.yard.lot_number(other));
        let text = format!(
            "The kit was filled with lot {filled} while {} mL of lot {other}, another product, should still have been in it. If it had been emptied, log a count of nothing of lot {other}; else drain and clean it, log a count of nothing of both, and fill it again.",
            left.ml()
        );
        case.stop("fill.onto_other", text, Code::OtherProduct.source());
    }
    for (other, left) in now.lots.iter().filter(|(other, _)| Some(*other) != lot) {
        let Some(entered) = view.yard.lot(*other) else { continue };
        let still = format!("{} mL of lot {} should still be in the kit", left.ml(), entered.number);
        if let Some(why) = &entered.recalled {
            let text = format!("{still}, which was taken out of use: {why}. Drain it, and log the count.");
            case.stop("lot.recalled", text, Code::LotRecalled.source());
        }
        if entered.expires < case.today {
            let text = format!(
                "{still}, which could be used until {}. Drain it, and log the count.",
                entered.expires
            );
            case.stop("lot.expired", text, Code::LotExpired.source());
        }
    }
    let limit = view.yard.kit(case.ask.kit).map(|k| k.reservoir.fill_limit_ul).filter(|l| l.0 > 0);
    if let Some(limit) = limit.filter(|limit| over_limit(now.volume_ul, *limit)) {
        let text = format!(
            "{} mL should be in the kit, over its fill limit of {} mL: release the pressure, measure what is in it, take the surplus out, and log both.",
            Ul(now.volume_ul).ml(),
            limit.ml()
        );
        case.stop("fill.over_limit", text, Code::FillOverLimit.source());
    }
}

fn read_off(case: &mut Case<'_, '_>, label: Option<&Label>, number: &str, fill: &Fill) {
    let same = |a: &str, b: &str| a.trim().eq_ignore_ascii_case(b.trim());
    if !same(&fill.lot_read, number) {
        let text = format!("Lot '{}' was read off the container, not {number}.", fill.lot_read);
        case.stop("fill.lot_read", text, FILL);
    }
    if let Some(label) = label.filter(|l| !same(&fill.registration_read, &l.registration)) {
        let text = format!(
            "Registration number '{}' was read off the container, not {}.",
            fill.registration_read, label.registration
        );
        case.stop("fill.registration_read", text, FILL);
    }
}

fn last_fill<'v>(view: &'v View<'_>, case: &Case<'_, '_>) -> Option<&'v Fill> {
    let facts = &view.yard.facts;
    let fills = facts.in_force(Kind::Fill).flat_map(|fact| facts.current(fact));
    let of_kit = fills.filter_map(|version| match &version.record.body {
        Body::Fill(fill) if fill.kit == case.ask.kit => Some((version, &**fill)),
        _ => None,
    });
    of_kit.max_by_key(|(v, _)| (v.record.envelope.at, v.op, v.id())).map(|(_, fill)| fill)
}

/// The kit, when it may be used ([`ready`]) and drills what the label asks for.
pub(super) fn kit<'v>(case: &mut Case<'v, '_>, label: Option<&Label>) -> Option<&'v Kit> {
    let kit = case.view.yard.kit(case.ask.kit);
    let readiness = ready(kit, label.and_then(|l| l.pressure_max_pa), case.today);
    for stop in &readiness.stops {
        let code = match stop {
            Stop::NoRecord => "kit.unknown",
            Stop::InspectionOverdue { .. } | Stop::ReliefOverdue { .. } | Stop::InspectionDates { .. } => {
                "kit.overdue"
            }
            Stop::NoRating { .. } | Stop::BandAboveLimit { .. } | Stop::NoBand { .. } => "kit.pressure",
            Stop::ReliefTooHigh { .. } | Stop::NoRelief => "kit.relief",
            Stop::GaugeTooShort { .. } => "kit.gauge",
            Stop::NoHeadSpace { .. } => "kit.head_space",
        };
        case.stop(code, stop.to_string(), KIT);
    }
    let kit = kit?;
    for note in readiness.notes {
        case.caution("kit.note", note, KIT);
    }
    for kind in &kit.containers {
        let standing = calibrated::standing(&case.view.yard, case.ask.kit, kind);
        if let Some(found) = standing.filter(Calibrated::failed).and_then(|c| c.found.ok()) {
            let text =
                format!("Container {}: {found} It stops the kit until a calibration agrees.", kind.name);
            case.stop("kit.calibration", text, CALIBRATED);
        }
    }
    if let Some(label) = label.filter(|l| l.holes.bit_um != kit.bit_um) {
        let text = format!(
            "Kit {} drills {} mm; the label asks for {} mm.",
            kit.name,
            kit.bit_um.mm(),
            label.holes.bit_um.mm()
        );
        case.stop("kit.bit", text, "the label's hole diameter");
    }
    Some(kit)
}

/// Who is to apply.
pub(super) fn people(case: &mut Case<'_, '_>) {
    let Some(applicator) = case.ask.applicator else {
        case.stop("licence.nobody", "Nobody is named who is to apply.", Code::LicenceMissing.source());
        return;
    };
    let people: Vec<_> = case.ask.supervisor.into_iter().chain([applicator]).collect();
    if let Some(has) = other_category(case.view, &case.view.requirements(), &people, case.today) {
        let text = format!("Who is to apply is certified {has}.");
        case.stop("licence.wrong_category", text, Code::WrongCategory.source());
    }
    let by = licensed(case.view, applicator, case.today);
    let under = case.ask.supervisor.map(|s| licensed(case.view, s, case.today));
    if by == Licensed::Yes || under == Some(Licensed::Yes) {
        return;
    }
    let (today, why) = (case.today, under.unwrap_or(by).why_not());
    let text = match under {
        Some(_) => format!("Neither applicator nor supervisor is certified on {today}: {why}."),
        None => format!("The applicator is not certified on {today}: {why}."),
    };
    case.stop("licence.not_valid", text, Code::LicenceMissing.source());
}

/// The client's leave, and the device's clock.
pub(super) fn job(case: &mut Case<'_, '_>) {
    let view = case.view;
    if let Err(why) = leave_on(view, case.today) {
        let text = format!("The client's leave is not on record: {why}. Have the office enter it.");
        case.stop("job.not_authorised", text, Code::NotAuthorised.source());
    }
    let asks = view.requirements();
    if asks.notice
        && let Err(why) = notice_by(view, case.ask.now)
    {
        let text = format!("The job asks for a notice before the work begins: {why}.");
        case.caution("job.notice", text, Code::NoticeMissing.source());
    }
    if let Some(applicator) = case.ask.applicator.filter(|_| asks.cautions)
        && !cautions_read(view, applicator, case.ask.label, case.today)
    {
        let text = "The job asks for the applicator's word that the label's cautions were read today: read them, and log it.";
        case.caution("job.cautions_not_read", text, Code::CautionUnread.source());
    }
    let last = view.facts.versions.iter().map(|v| v.record.envelope.at).max().unwrap_or(UtcMs(0));
    if case.ask.now.0 < last.0.saturating_sub(crate::check::entry::CLOCK_TOLERANCE_MS) {
        let text = format!(
            "This device says {}, yet the job holds a record of {}: check the clock, on which expiry dates and seasons hang.",
            view.local_time(case.ask.now),
            view.local_time(last)
        );
        case.caution("job.clock", text, DESIGN);
    }
}
