//! One tree: what is known of it, measuring it, looking at it, leaving it alone.

use bolebook_core::ids::TreeId;
use bolebook_core::quantity::{Measured, ReadUnit};
use bolebook_core::record::stand::Condition;
use bolebook_core::view::TreeState;

use super::{Scene, find};
use crate::figures;
use crate::page::Page;
use crate::state::Units;
use crate::summary::{Summary, TreeLine};

fn known<'s>(p: &mut Page, scene: &Scene<'_>, summary: &'s Summary, tree: TreeId) -> Option<&'s TreeLine> {
    let line = summary.tree(tree);
    if line.is_none() {
        p.say("alert", &scene.say("no-such-tree"));
    }
    line
}

pub(super) fn tree(p: &mut Page, scene: &Scene<'_>, summary: &Summary, tree: TreeId) {
    let Some(line) = known(p, scene, summary, tree) else { return };
    treated(p, scene, summary, line);
    let mut about: Vec<String> = vec![];
    about.push(line.species.clone().unwrap_or_else(|| scene.say("species-unknown")));
    about.extend(line.block.and_then(|b| summary.blocks.get(&b).cloned()));
    about.extend(find::away(scene, line).map(|m| figures::distance(m, scene.units())));
    about.push(find::state_word(scene, line.state).0);
    p.say("lead", &about.join(" · "));
    for (index, measured) in line.diameters.iter().enumerate() {
        let stem = index + 1;
        let number = stem.to_string();
        let diameter = measured.as_ref().map(|(_, d)| figures::trunk(*d, scene.units()));
        let text = diameter.clone().unwrap_or_else(|| scene.say("not-measured"));
        let name = if line.stems > 1 {
            scene.words.with("stem-is", &[("stem", &number)])
        } else {
            scene.say("diameter")
        };
        p.card("stem", &format!("{name}: {text}"), |p| {
            let open = scene.state.open.iter().any(|being| being.tree == tree && being.stem == stem as i64);
            if open {
                p.button("big", "go:board", &scene.say("state-open"));
            } else if diameter.is_some() {
                p.button("big", &format!("plan:{tree}:{stem}"), &scene.say("plan"));
                p.button("wide", &format!("measure:{tree}:{stem}"), &scene.say("measure-again"));
            } else {
                p.button("big", &format!("measure:{tree}:{stem}"), &scene.say("measure"));
            }
        });
    }
    p.tag("div", &[("class", "grid")], |p| {
        p.button("wide", &format!("see:{tree}"), &scene.say("look-at"));
        p.button("wide", &format!("not:{tree}"), &scene.say("not-treat"));
    });
    p.tag("label", &[("class", "photo")], |p| {
        p.text(&scene.say("photo"));
        let about = tree.to_string();
        p.void(
            "input",
            &[("type", "file"), ("accept", "image/*"), ("capture", "environment"), ("data-photo", &about)],
        );
    });
    correct(p, scene, line);
    p.tag("details", &[], |p| {
        p.line("summary", &[], &scene.say("add-note"));
        p.field("note", &scene.say("note"), "", "text", "");
        p.button("wide", &format!("note:{tree}"), &scene.say("log-note"));
    });
}

/// Already treated, by whomever: not to be missed.
fn treated(p: &mut Page, scene: &Scene<'_>, summary: &Summary, line: &TreeLine) {
    for done in &line.treated {
        let crew = summary.crews.get(&done.crew).cloned().unwrap_or_default();
        let (day, stem) = (done.day.to_string(), done.stem.to_string());
        let volume = done.put_in_ul.ml();
        let texts = [
            ("crew", crew.as_str()),
            ("day", day.as_str()),
            ("volume", volume.as_str()),
            ("stem", stem.as_str()),
        ];
        p.say("stopped", &scene.words.count("treated-by", done.holes, &texts));
        // What another crew left unfinished is finished as that application, never as another one.
        if done.put_in_ul.0 > 0 && scene.today(summary).number() - done.day.number() <= 1 {
            let act = format!("plan:{}:{}:{}", line.id, done.stem, done.record);
            p.button("wide", &act, &scene.say("finish-theirs"));
        }
    }
    if let TreeState::NotTreated(_) = line.state {
        p.say("stopped", &scene.say("decided-against"));
    }
}

/// Striking what is wrong, with a reason: it stays readable. Only this crew's own counts.
fn correct(p: &mut Page, scene: &Scene<'_>, line: &TreeLine) {
    let mut records: Vec<(String, String)> = vec![];
    for done in &line.treated {
        let text = format!("{} · {} mL · {}", scene.time(done.ended_at), done.put_in_ul.ml(), done.holes);
        records.push((done.record.to_string(), text));
    }
    for (id, diameter) in line.diameters.iter().flatten() {
        let text = format!("{} {}", scene.say("diameter"), figures::trunk(*diameter, scene.units()));
        records.push((id.to_string(), text));
    }
    if records.is_empty() {
        return;
    }
    p.tag("details", &[], |p| {
        p.line("summary", &[], &scene.say("correct"));
        for (id, text) in &records {
            p.button("wide", &format!("amend:{id}"), &scene.words.with("amend-this", &[("what", text)]));
        }
        p.say("hint", &scene.say("correct-hint"));
        let options: Vec<(&str, String)> =
            records.iter().map(|(id, text)| (id.as_str(), text.clone())).collect();
        p.choices("struck", &scene.say("which-record"), &options, None);
        p.field("reason", &scene.say("why-struck"), "", "text", "");
        p.button("wide", &format!("strike:{}", line.id), &scene.say("strike"));
    });
}

pub(super) fn measure(p: &mut Page, scene: &Scene<'_>, summary: &Summary, tree: TreeId, stem: i64) {
    let Some(line) = known(p, scene, summary, tree) else { return };
    treated(p, scene, summary, line);
    if line.stems > 1 {
        let (number, of) = (stem.to_string(), line.stems.to_string());
        p.say("lead", &scene.words.with("stem-of", &[("stem", &number), ("of", &of)]));
    }
    let choices = &scene.state.choices;
    let height = match scene.units() {
        Units::Metric => {
            format!("{} m", bolebook_core::quantity::decimal(summary.breast_height_um.0, 1_000_000, 2))
        }
        Units::Us => format!(
            "{} ft",
            bolebook_core::dosing::units::shown(
                summary.breast_height_um,
                bolebook_core::dosing::units::LengthUnit::Foot,
                1
            )
        ),
    };
    p.say("hint", &scene.words.with("breast-height", &[("height", &height)]));
    p.tag("div", &[("class", "reading")], |p| {
        p.field("reading", &scene.say("reading"), "", "decimal", "");
        let of = match choices.measured {
            Some(Measured::Girth) => Some("girth"),
            Some(Measured::Diameter) => Some("diameter"),
            None => None,
        };
        let options = [("girth", scene.say("girth")), ("diameter", scene.say("diameter"))];
        p.choices("of", &scene.say("what-measured"), &options, of);
        let usual = if choices.units == Units::Us { "in" } else { "cm" };
        let unit = match choices.unit {
            Some(ReadUnit::Cm) => "cm",
            Some(ReadUnit::Mm) => "mm",
            Some(ReadUnit::In) => "in",
            None => usual,
        };
        let options = [("cm", "cm".to_owned()), ("in", "in".to_owned()), ("mm", "mm".to_owned())];
        p.choices("unit", &scene.say("unit"), &options, Some(unit));
    });
    p.button("big", &format!("measured:{tree}:{stem}"), &scene.say("log-diameter"));
    p.tag("details", &[], |p| {
        p.line("summary", &[], &scene.say("more-measures"));
        p.field("bark", &scene.say("bark"), "", "decimal", &scene.say("bark-hint"));
        p.field("band-low", &scene.say("band-low"), "", "decimal", "");
        p.field("band-high", &scene.say("band-high"), "", "decimal", "");
        let options = [
            ("level", scene.say("datum-level")),
            ("uphill", scene.say("datum-uphill")),
            ("mid_slope", scene.say("datum-mid")),
        ];
        p.choices("datum", &scene.say("datum"), &options, Some("level"));
    });
}

/// The last look of today at any tree: air and soil are the day's, not the tree's.
pub(super) fn of_today(scene: &Scene<'_>, summary: &Summary) -> Option<Condition> {
    let today = scene.today(summary);
    let looks = summary.trees.iter().filter_map(|t| t.condition.as_ref());
    let looks = looks.filter(|look| bolebook_core::day::Day::of(look.at, &summary.zone) == today);
    looks.max_by_key(|look| look.at)?.condition()
}

/// A temperature in the crew's scale, to the degree.
pub(super) fn degrees(t: bolebook_core::quantity::MilliCelsius, units: Units) -> String {
    match units {
        Units::Metric => bolebook_core::quantity::decimal(t.0, 1_000, 0),
        Units::Us => bolebook_core::quantity::decimal(t.0 * 9 + 160_000, 5_000, 0),
    }
}

pub(super) fn degree_sign(units: Units) -> &'static str {
    if units == Units::Us { "°F" } else { "°C" }
}

pub(super) fn condition(p: &mut Page, scene: &Scene<'_>, summary: &Summary, tree: TreeId) {
    let Some(line) = known(p, scene, summary, tree) else { return };
    let day = of_today(scene, summary);
    let degrees = degree_sign(scene.units());
    p.field("canopy", &scene.say("canopy"), "", "decimal", &scene.say("canopy-hint"));
    let options = ["none", "before", "in", "after"].map(|w| (w, scene.say(&format!("bloom-{w}"))));
    p.choices("bloom", &scene.say("bloom"), &options, None);
    let options = [("no", scene.say("no")), ("yes", scene.say("yes"))];
    p.choices("food", &scene.say("food"), &options, None);
    let soil = day.as_ref().and_then(|d| d.soil).and_then(|s| serde_json::to_value(s).ok());
    let options = ["dry", "moist", "saturated"].map(|w| (w, scene.say(&format!("soil-{w}"))));
    p.choices("soil", &scene.say("soil"), &options, soil.as_ref().and_then(|s| s.as_str()));
    let air = day.and_then(|d| d.air_mc).map(|t| self::degrees(t, scene.units())).unwrap_or_default();
    let hint = if air.is_empty() { String::new() } else { scene.say("as-earlier-today") };
    p.field("air", &format!("{} ({degrees})", scene.say("air")), &air, "decimal", &hint);
    p.button("big", &format!("seen:{tree}"), &scene.say("log-condition"));
    p.tag("details", &[], |p| {
        p.line("summary", &[], &scene.say("damage"));
        let options = ["wound", "canker", "included_bark", "fold", "earlier_hole"]
            .map(|w| (w, scene.say(&format!("damage-{}", w.replace('_', "-")))));
        p.choices("damage", &scene.say("damage-what"), &options, None);
        let unit = figures::unit_name(scene.units());
        p.field(
            "damage-from",
            &format!("{} ({unit})", scene.say("damage-from")),
            "",
            "decimal",
            &scene.say("damage-hint"),
        );
        p.field("damage-to", &format!("{} ({unit})", scene.say("damage-to")), "", "decimal", "");
        if line.stems > 1 {
            p.field("damage-stem", &scene.say("stem"), "1", "numeric", "");
        }
    });
    p.tag("details", &[], |p| {
        p.line("summary", &[], &scene.say("more"));
        p.field(
            "soil-temperature",
            &format!("{} ({degrees})", scene.say("soil-temperature")),
            "",
            "decimal",
            "",
        );
        let far = if scene.units() == Units::Us { "ft" } else { "m" };
        p.field("water", &format!("{} ({far})", scene.say("water")), "", "decimal", "");
        p.field("pest", &scene.say("pest"), "", "text", &scene.say("pest-hint"));
        p.field("metal", &scene.say("metal"), "", "text", &scene.say("metal-hint"));
        p.field("felling", &scene.say("felling"), "", "text", "YYYY-MM-DD");
        p.field("note", &scene.say("note"), "", "text", "");
    });
}

pub(super) fn not_treated(p: &mut Page, scene: &Scene<'_>, summary: &Summary, tree: TreeId) {
    if known(p, scene, summary, tree).is_none() {
        return;
    }
    let options = [
        "too_small",
        "too_far_gone",
        "wrong_species",
        "no_uptake",
        "trunk_damage",
        "not_reached",
        "refused",
        "conditions",
        "other",
    ]
    .map(|w| (w, scene.say(&format!("not-{}", w.replace('_', "-")))));
    p.choices("reason", &scene.say("why-not"), &options, None);
    p.field("note", &scene.say("note"), "", "text", "");
    p.button("big", &format!("nottreated:{tree}"), &scene.say("log-not"));
}
