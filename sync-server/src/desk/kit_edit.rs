//! Entering a kit, figure by figure with the units on its plates; or a new version of one.

use axum::response::{Html, Response};
use bolebook_core::day::Day;
use bolebook_core::dosing::kit::ready;
use bolebook_core::dosing::units::{LengthUnit, PressureUnit, Rounding, Unit, VolumeUnit, named, parse};
use bolebook_core::entering::kit_name;
use bolebook_core::ids::RecordId;
use bolebook_core::quantity::{Pa, Ul, Um, decimal};
use bolebook_core::record::Kind;
use bolebook_core::record::kit::{ContainerKind, Gauge, Kit, Reservoir};
use maud::{Markup, html};

use crate::desk::entry::{Answer, Form, Problems, Typed, answered};
use crate::desk::forms::Posted;
use crate::desk::page::{Desk, Page, clean, shown, text};
use crate::desk::people::today;
use crate::desk::write::{Staged, write};
use crate::error::ApiError;

const HERE: &str = "/kits/new";
const CONTAINERS: [(&str, usize); 1] = [("containers", 1)];

/// The units of each kind of figure.
const PRESSURES: [&str; 4] = ["kPa", "bar", "psi", "MPa"];
const VOLUMES: [&str; 5] = ["mL", "L", "µL", "US fl oz", "US gal"];
const LENGTHS: [&str; 3] = ["mm", "in", "64ths in"];

/// What is read off a kit: path, name, hint, units; a day has no units.
type Place = (&'static str, &'static str, &'static str, &'static [&'static str]);

const VESSEL: [Place; 6] = [
    ("rating", "Pressure rating", "By the gauge, as on its plate.", &PRESSURES),
    ("volume", "Whole inner volume", "", &VOLUMES),
    ("fill_limit", "Most product filled in", "The rest is head space.", &VOLUMES),
    ("relief_set", "Relief valve opens at", "", &PRESSURES),
    ("relief_inspected", "Relief valve inspected", "", &[]),
    ("relief_due", "Next inspection of the valve", "", &[]),
];
const REST: [Place; 11] = [
    ("hose_rating", "Rating of the weakest hose", "", &PRESSURES),
    ("fittings_rating", "Rating of the weakest fitting or valve", "", &PRESSURES),
    ("air_source", "Most the air source may be set to", "", &PRESSURES),
    ("work_low", "Worked from", "The band the kit is worked in.", &PRESSURES),
    ("work_high", "Worked up to", "", &PRESSURES),
    ("bit", "Bit diameter", "", &LENGTHS),
    ("gauge_range", "Top of the gauge's scale", "", &PRESSURES),
    ("gauge_u", "Standard uncertainty of the gauge", "", &PRESSURES),
    ("gauge_checked", "Gauge compared with a reference", "", &[]),
    ("inspected", "Whole kit inspected", "", &[]),
    ("inspection_due", "Next inspection of the kit", "", &[]),
];
const CONTAINER: [Place; 5] = [
    ("charge", "Charge when full", "", &VOLUMES),
    ("inner", "Inner volume", "Only for one filled against the air trapped in it.", &VOLUMES),
    ("step", "Step of its scale", "Empty when it is only filled whole.", &VOLUMES),
    ("charge_u", "Standard uncertainty of one charge", "Independent from charge to charge.", &VOLUMES),
    ("shared_u", "Standard uncertainty common to all charges", "Of the calibration.", &VOLUMES),
];

/// The form, empty or with what a kit has.
pub async fn page(desk: Desk) -> Result<Html<String>, ApiError> {
    shown(desk, |desk| {
        let mut typed = Typed::default();
        if let Some(from) = desk.query.some("from") {
            let none = || ApiError::not_found("the yard has no such kit");
            let id: RecordId = from.parse().map_err(|_| none())?;
            typed = typed_of(desk.snapshot.yard.kit(id).ok_or_else(none)?);
            typed.put("amends", id.to_string());
        }
        Ok(form_page(desk, &typed, &Problems::default(), None))
    })
    .await
}

/// Adds and takes away containers, checks, and enters.
pub async fn post(Posted { desk, fields }: Posted) -> Result<Response, ApiError> {
    answered(desk, move |desk| {
        let mut typed = Typed::of(&fields);
        if typed.edited(fields.text("do"), &CONTAINERS) {
            return Ok(Answer::Page(form_page(desk, &typed, &Problems::default(), None)));
        }
        let yard = &desk.snapshot.yard;
        let (kit, mut problems) = read(desk, &typed);
        let amended = match typed.some("amends") {
            None => None,
            Some(id) => {
                let none = || ApiError::not_found("the yard has no such kit");
                let id: RecordId = id.parse().map_err(|_| none())?;
                Some(yard.facts.standing_fact(id).filter(|f| f.kind == Kind::Kit).ok_or_else(none)?)
            }
        };
        let before = amended.and_then(|f| yard.kit(f.id));
        let same_name = before.is_some_and(|k| k.name.trim().eq_ignore_ascii_case(typed.text("name")));
        if !same_name && let Err(why) = kit_name(yard, typed.text("name")) {
            problems.wrong("name", why);
        }
        if kit.is_some() && kit.as_ref() == before {
            problems.wrong("", "nothing is changed");
        }
        let Some(kit) = kit.filter(|_| problems.none()) else {
            return Ok(Answer::Refused(form_page(desk, &typed, &problems, None)));
        };
        if fields.text("do") != "enter" || typed.text("checked") != typed.digest() {
            return Ok(Answer::Page(form_page(desk, &typed, &problems, Some(&kit))));
        }
        let replaces = amended.map(|f| f.current.iter().map(|v| yard.facts.versions[*v].id()).collect());
        let staged = Staged::replacing(kit, replaces.unwrap_or_default());
        write(desk, yard.book, vec![staged], Some(&yard.heads))?;
        Ok(Answer::Went("/kits?done=added".into()))
    })
    .await
}

struct Reader<'a> {
    typed: &'a Typed,
    problems: Problems,
}

impl Reader<'_> {
    fn text(&mut self, path: &str, what: &str) -> String {
        if self.typed.text(path).is_empty() {
            self.problems.wrong(path, format!("{what} is missing"));
        }
        self.typed.text(path).to_owned()
    }

    fn day(&mut self, path: &str) -> Day {
        let read = self.typed.text(path).parse::<Day>().map_err(|e| e.to_string());
        match read {
            Ok(day) => day,
            Err(why) => {
                self.problems.wrong(path, why);
                Day::of(bolebook_core::quantity::UtcMs(0), &utc())
            }
        }
    }

    /// A figure of at least `least` record units.
    fn figure<U: Unit>(&mut self, path: &str, least: i64, rounding: Rounding) -> U::Of {
        let (figure, unit) = (self.typed.text(path), self.typed.text(&format!("{path}.unit")));
        let read = match (figure, unit) {
            ("", _) => Err("the figure is missing".to_owned()),
            (_, "") => Err(format!("'{figure}' has no unit: choose it")),
            _ => named::<U>(unit)
                .map_err(|e| e.to_string())
                .and_then(|unit| parse(figure, unit, rounding).map_err(|e| e.to_string())),
        };
        let read = read.and_then(|of| match U::integer(of) >= least {
            true => Ok(of),
            false if least > 0 => Err(format!("{figure} {unit} is nothing: read it off the part's plate")),
            false => Err(format!("{figure} {unit} is less than nothing")),
        });
        match read {
            Ok(of) => of,
            Err(why) => {
                self.problems.wrong(path, why);
                U::quantity(0)
            }
        }
    }

    fn maybe(&mut self, path: &str, rounding: Rounding) -> Option<Ul> {
        self.typed.some(path)?;
        Some(self.figure::<VolumeUnit>(path, 1, rounding))
    }
}

fn utc() -> bolebook_core::record::book_kinds::Zone {
    let offset = bolebook_core::record::book_kinds::ZoneOffset {
        from: bolebook_core::quantity::UtcMs(0),
        offset_s: 0,
    };
    bolebook_core::record::book_kinds::Zone { name: "UTC".into(), offsets: vec![offset] }
}

/// The kit a form says, with everything wrong beside its field. Ratings round down, what works
/// against them up.
fn read(desk: &Desk, typed: &Typed) -> (Option<Kit>, Problems) {
    use Rounding::{Down, Nearest, Up};
    let mut r = Reader { typed, problems: Problems::default() };
    let crew = match typed.some("crew") {
        None => None,
        Some(id) => match crews(desk).iter().find(|(known, _)| known == id) {
            Some((known, _)) => known.parse().ok(),
            None => {
                r.problems.wrong("crew", "the yard has no such crew");
                None
            }
        },
    };
    let containers = (0..typed.rows("containers", 1)).map(|row| {
        let at = |name: &str| format!("containers.{row}.{name}");
        ContainerKind {
            name: r.text(&at("name"), "the container's name"),
            charge_ul: r.figure::<VolumeUnit>(&at("charge"), 1, Nearest),
            inner_volume_ul: r.maybe(&at("inner"), Nearest),
            scale_step_ul: r.maybe(&at("step"), Nearest),
            charge_u_ul: r.figure::<VolumeUnit>(&at("charge_u"), 0, Up),
            shared_u_ul: r.figure::<VolumeUnit>(&at("shared_u"), 0, Up),
        }
    });
    let containers: Vec<ContainerKind> = containers.collect();
    let kit = Kit {
        name: r.text("name", "the kit's name"),
        crew,
        reservoir: Reservoir {
            serial: r.text("serial", "the serial number on the vessel"),
            rating_pa: r.figure::<PressureUnit>("rating", 1, Down),
            volume_ul: r.figure::<VolumeUnit>("volume", 1, Down),
            fill_limit_ul: r.figure::<VolumeUnit>("fill_limit", 1, Down),
            relief_set_pa: r.figure::<PressureUnit>("relief_set", 1, Up),
            relief_inspected: r.day("relief_inspected"),
            relief_due: r.day("relief_due"),
        },
        hose_rating_pa: r.figure::<PressureUnit>("hose_rating", 1, Down),
        fittings_rating_pa: r.figure::<PressureUnit>("fittings_rating", 1, Down),
        air_source_limit_pa: r.figure::<PressureUnit>("air_source", 1, Up),
        work_low_pa: r.figure::<PressureUnit>("work_low", 1, Nearest),
        work_high_pa: r.figure::<PressureUnit>("work_high", 1, Up),
        containers,
        bit_um: r.figure::<LengthUnit>("bit", 1, Nearest),
        gauge: Gauge {
            range_pa: r.figure::<PressureUnit>("gauge_range", 1, Down),
            u_pa: r.figure::<PressureUnit>("gauge_u", 0, Up),
            checked: r.day("gauge_checked"),
        },
        inspected: r.day("inspected"),
        inspection_due: r.day("inspection_due"),
    };
    for (row, kind) in kit.containers.iter().enumerate() {
        if kit.containers[..row].iter().any(|k| k.name.eq_ignore_ascii_case(&kind.name)) {
            r.problems.wrong(
                format!("containers.{row}.name"),
                format!("two containers are called '{}'", kind.name),
            );
        }
    }
    if r.problems.none() { (Some(kit), r.problems) } else { (None, r.problems) }
}

fn typed_of(kit: &Kit) -> Typed {
    let mut typed = Typed::default();
    let mut put = |path: &str, integer: i64, unit: &str, below: i64| {
        let text = decimal(integer, below, below.ilog10());
        typed.put(path, text.trim_end_matches('0').trim_end_matches('.'));
        typed.put(format!("{path}.unit"), unit);
    };
    let vessel = &kit.reservoir;
    let pressures: [(&str, Pa); 9] = [
        ("rating", vessel.rating_pa),
        ("relief_set", vessel.relief_set_pa),
        ("hose_rating", kit.hose_rating_pa),
        ("fittings_rating", kit.fittings_rating_pa),
        ("air_source", kit.air_source_limit_pa),
        ("work_low", kit.work_low_pa),
        ("work_high", kit.work_high_pa),
        ("gauge_range", kit.gauge.range_pa),
        ("gauge_u", kit.gauge.u_pa),
    ];
    pressures.iter().for_each(|(path, of)| put(path, of.0, "kPa", 1_000));
    put("volume", vessel.volume_ul.0, "mL", 1_000);
    put("fill_limit", vessel.fill_limit_ul.0, "mL", 1_000);
    let Um(bit) = kit.bit_um;
    put("bit", bit, "mm", 1_000);
    for (row, kind) in kit.containers.iter().enumerate() {
        let mut volume = |name: &str, of: Option<Ul>| {
            if let Some(of) = of {
                put(&format!("containers.{row}.{name}"), of.0, "mL", 1_000);
            }
        };
        volume("charge", Some(kind.charge_ul));
        volume("inner", kind.inner_volume_ul);
        volume("step", kind.scale_step_ul);
        volume("charge_u", Some(kind.charge_u_ul));
        volume("shared_u", Some(kind.shared_u_ul));
    }
    for (row, kind) in kit.containers.iter().enumerate() {
        typed.put(format!("containers.{row}.name"), kind.name.as_str());
    }
    let days = [
        ("relief_inspected", vessel.relief_inspected),
        ("relief_due", vessel.relief_due),
        ("gauge_checked", kit.gauge.checked),
        ("inspected", kit.inspected),
        ("inspection_due", kit.inspection_due),
    ];
    days.iter().for_each(|(path, day)| typed.put(*path, day.to_string()));
    typed.put("name", kit.name.as_str());
    typed.put("serial", vessel.serial.as_str());
    if let Some(crew) = kit.crew {
        typed.put("crew", crew.to_string());
    }
    typed
}

fn crews(desk: &Desk) -> Vec<(String, String)> {
    let yard = &desk.snapshot.yard;
    yard.facts.in_force(Kind::Crew).map(|f| (f.id.to_string(), yard.crew_name(f.id))).collect()
}

fn place(form: Form<'_>, path: &str, (name, label, hint, units): Place) -> Markup {
    let needed = !["inner", "step"].contains(&name);
    match units {
        [] => form.text(path, label, hint, needed, "date"),
        units => form.figure(path, label, hint, needed, units),
    }
}

fn form_page(desk: &Desk, typed: &Typed, problems: &Problems, checked: Option<&Kit>) -> Page {
    let form = Form { typed, problems };
    let title = if typed.some("amends").is_some() { "A new version of a kit" } else { "Enter a kit" };
    let body = html! {
        p { a href="/kits" { "← Kits" } }
        h1 { (title) }
        p { "Read ratings, serial number and dates off the kit and its papers, each figure with the unit that stands there." }
        (problems.summary())
        form.paper method="post" action=(HERE) novalidate {
            (desk.token_field())
            @if let Some(id) = typed.some("amends") { input type="hidden" name="amends" value=(clean(id)); }
            p { button.main name="do" value="check" { "Check" } }
            section aria-labelledby="kit" {
                h2 id="kit" { "The kit" }
                div.entries {
                    (form.text("name", "Name", "Short, as crews say it.", true, "text"))
                    (form.choice("crew", "Whose it usually is", "", false, &crews(desk)))
                    @for one in REST { (place(form, one.0, one)) }
                }
            }
            section aria-labelledby="vessel" {
                h2 id="vessel" { "The reservoir" }
                div.entries {
                    (form.text("serial", "Serial number", "", true, "text"))
                    @for one in VESSEL { (place(form, one.0, one)) }
                }
            }
            section aria-labelledby="containers" {
                h2 id="containers" { "Containers" }
                @for row in 0..typed.rows("containers", 1) {
                    fieldset.entryrow {
                        legend { "Container " (row + 1) }
                        div.entries {
                            (form.text(&format!("containers.{row}.name"), "Name", "Such as 10 mL.", true, "text"))
                            @for one in CONTAINER { (place(form, &format!("containers.{row}.{}", one.0), one)) }
                        }
                        (form.remove("containers", row, "container"))
                    }
                }
                (form.add("containers", "a container"))
            }
            @if let Some(kit) = checked { (result(desk, typed, kit)) }
            p { button.main name="do" value="check" { "Check" } }
        }
    };
    Page { title: title.into(), job: None, body }
}

/// What stops the kit as it would be entered, and the way to enter it.
fn result(desk: &Desk, typed: &Typed, kit: &Kit) -> Markup {
    let found = ready(Some(kit), None, today(desk));
    html! {
        section.result aria-labelledby="result" {
            h2 id="result" { "What holds for it" }
            @if !found.stops.is_empty() {
                p { "As entered, it could not be used today:" }
                ul { @for stop in &found.stops { li.fault { (text(&stop.to_string())) } } }
            }
            @if let Some(limit) = &found.limit { p { (text(&limit.to_string())) } }
            @if !found.notes.is_empty() { ul { @for note in &found.notes { li { (text(note)) } } } }
            input type="hidden" name="checked" value=(typed.digest());
            p { button.main name="do" value="enter" disabled[desk.read_only.is_some()] { "Enter this kit" } }
        }
    }
}
