//! Amending an entry: what stands, what it should have been, and why.

use bolebook_core::ids::RecordId;
use bolebook_core::quantity::{Measured, ReadUnit};
use bolebook_core::record::Body;
use bolebook_core::record::stand::Diameter;
use bolebook_core::record::work::Application;

use super::Scene;
use crate::figures;
use crate::page::Page;

pub(super) fn amend(p: &mut Page, scene: &Scene<'_>, record: RecordId) {
    let reading = match scene.state.reading() {
        Ok(reading) => reading,
        Err(error) => return p.core("p", "alert", &scene.core(&error.to_string())),
    };
    let facts = &reading.view.facts;
    let Some(fact) = facts.standing_fact(record) else {
        return p.say("alert", &scene.say("not-to-amend"));
    };
    let version = facts.shown(fact);
    p.say("hint", &scene.time(version.record.envelope.at));
    match &version.record.body {
        Body::Diameter(diameter) => reading_again(p, scene, diameter),
        Body::Application(application) => one_hole(p, scene, application),
        _ => return p.say("alert", &scene.say("not-to-amend")),
    }
    p.field("reason", &scene.say("why-struck"), "", "text", "");
    p.button("big", &format!("amended:{record}"), &scene.say("log-amendment"));
    p.say("hint", &scene.say("amend-hint"));
}

fn reading_again(p: &mut Page, scene: &Scene<'_>, old: &Diameter) {
    let of = match old.as_read.of {
        Measured::Girth => "girth",
        Measured::Diameter => "diameter",
    };
    let unit = match old.as_read.unit {
        ReadUnit::Cm => "cm",
        ReadUnit::Mm => "mm",
        ReadUnit::In => "in",
    };
    let diameter = figures::trunk(old.diameter_um, scene.units());
    p.say("lead", &format!("{} {} {unit} = {diameter}", scene.say(of), old.as_read.text));
    p.tag("div", &[("class", "reading")], |p| {
        p.field("reading", &scene.say("reading"), "", "decimal", "");
        let options = [("girth", scene.say("girth")), ("diameter", scene.say("diameter"))];
        p.choices("of", &scene.say("what-measured"), &options, None);
        let options = [("cm", "cm".to_owned()), ("in", "in".to_owned()), ("mm", "mm".to_owned())];
        p.choices("unit", &scene.say("unit"), &options, Some(unit));
    });
}

fn one_hole(p: &mut Page, scene: &Scene<'_>, old: &Application) {
    p.tag("table", &[], |p| {
        p.line("caption", &[], &scene.say("holes"));
        p.tag("thead", &[], |p| {
            p.tag("tr", &[], |p| {
                for text in
                    [scene.say("hole"), scene.say("took-ml"), scene.say("leaked-ml"), scene.say("sealed")]
                {
                    p.line("th", &[("scope", "col")], &text);
                }
            });
        });
        p.tag("tbody", &[], |p| {
            for (hole, number) in old.holes.iter().zip(1..) {
                p.tag("tr", &[], |p| {
                    p.line("th", &[("scope", "row")], &format!("{number}"));
                    p.line("td", &[], &hole.put_in_ul.ml_exact());
                    p.line("td", &[], &hole.leaked_ul.ml_exact());
                    p.line("td", &[], &scene.say(if hole.sealed { "yes" } else { "no" }));
                });
            }
        });
    });
    if scene.summary.as_ref().is_ok_and(|s| s.mix_of(old.lot).is_some()) {
        p.say("mind", &scene.say("volumes-of-product"));
    }
    p.field("hole", &scene.say("which-hole"), "", "numeric", "");
    p.field("took", &scene.say("took-ml"), "", "decimal", &scene.say("blank-stays"));
    p.field("leaked", &scene.say("leaked-ml"), "", "decimal", "");
    let options = [("yes", scene.say("sealed")), ("no", scene.say("left-open"))];
    p.choices("sealed", &scene.say("hole-closed"), &options, None);
}
