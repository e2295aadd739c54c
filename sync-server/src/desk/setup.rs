//! Setting a job up: the client's leave, notices, what is asked of every record, and what holds for
//! its trees before a crew comes: food, water, felling, metal in the wood.

use std::collections::{BTreeMap, BTreeSet};

use axum::response::{Html, Response};
use bolebook_core::day::Day;
use bolebook_core::dosing::units::{LengthUnit, Rounding, Unit as _, named, parse};
use bolebook_core::entering::stems_per_hour;
use bolebook_core::figures::{count, local_moment, share, time_of_day};
use bolebook_core::ids::{BookId, RecordId, Sha256Hash, TreeId};
use bolebook_core::quantity::decimal;
use bolebook_core::record::office::{Element, Requirements, Scheme};
use bolebook_core::record::stand::{Authorisation, Condition, Notice};
use bolebook_core::record::{Body, Kind};

use crate::body::Id;
use crate::desk::entry::{Answer, Problems, Typed, answered};
use crate::desk::forms::Posted;
use crate::desk::page::{Desk, shown};
use crate::desk::setup_page::{ELEMENTS, SCHEMES, page_of};
use crate::desk::write::{Staged, write};
use crate::error::ApiError;
use crate::snapshot::JobState;

/// Most trees one entry says something of.
const MOST_TREES: usize = 5_000;

/// The page.
pub async fn page(desk: Desk, Id(book): Id<BookId>) -> Result<Html<String>, ApiError> {
    shown(desk, move |desk| {
        let job = desk.job(book)?;
        Ok(page_of(desk, job, &typed_of(&job.view.requirements()), &Problems::default()))
    })
    .await
}

/// What the job asks for now, as its form shows it.
pub fn typed_of(asks: &Requirements) -> Typed {
    let mut typed = Typed::default();
    let mut tick = |path: String, on: bool| {
        if on {
            typed.put(path, "yes");
        }
    };
    for (scheme, name, _) in SCHEMES {
        tick(format!("require.scheme.{name}"), asks.schemes.contains(&scheme));
    }
    for (element, name, _) in ELEMENTS {
        tick(format!("require.element.{name}"), asks.elements.contains(&element));
    }
    for (name, on) in [
        ("photo", asks.photo),
        ("condition", asks.condition),
        ("cautions", asks.cautions),
        ("notice", asks.notice),
    ] {
        tick(format!("require.{name}"), on);
    }
    typed.put("require.categories", asks.licence_categories.join("\n"));
    typed.put("require.schemes", asks.licence_schemes.join("\n"));
    if let Some(stems) = asks.stems_per_hour {
        typed.put("require.stems", stems.to_string());
    }
    if let Some(leak) = asks.leak_share {
        typed.put("require.leak", decimal(leak.0, 10, 1).trim_end_matches(".0"));
    }
    typed
}

/// Writes what one of the page's forms says.
pub async fn post(Id(book): Id<BookId>, Posted { desk, fields }: Posted) -> Result<Response, ApiError> {
    answered(desk, move |desk| {
        let job = desk.job(book)?;
        let typed = Typed::of(&fields);
        let mut problems = Problems::default();
        let records = match fields.text("do") {
            "authorise" => authorisation(job, &typed, &mut problems),
            "notice" => notice(job, &typed, &mut problems),
            "require" => requirements(&typed, &mut problems),
            "trees" => circumstances(job, &typed, &mut problems),
            _ => return Err(ApiError::bad("form", "the form says nothing to do: load the page again")),
        };
        if !problems.none() || records.is_empty() {
            let mut again = match fields.text("do") {
                "require" => Typed::default(),
                _ => typed_of(&job.view.requirements()),
            };
            for (name, value) in fields.iter().filter(|(name, _)| !["token", "do"].contains(name)) {
                again.put(name, value.trim());
            }
            return Ok(Answer::Refused(page_of(desk, job, &again, &problems)));
        }
        write(desk, book, records, Some(&job.view.heads))?;
        Ok(Answer::Went(format!("/jobs/{book}/setup?done=set-up")))
    })
    .await
}

/// A field that must be filled in; a problem beside it where it is not.
fn needed(typed: &Typed, path: &str, what: &str, problems: &mut Problems) -> Option<String> {
    let found = typed.some(path).map(str::to_owned);
    if found.is_none() {
        problems.wrong(path, format!("{what} is missing"));
    }
    found
}

fn day(typed: &Typed, path: &str, problems: &mut Problems) -> Option<Day> {
    let text = typed.some(path)?;
    text.parse().map_err(|e: bolebook_core::day::DayError| problems.wrong(path, e.to_string())).ok()
}

fn authorisation(job: &JobState, typed: &Typed, problems: &mut Problems) -> Vec<Staged> {
    let covers = needed(typed, "authorise.covers", "what it covers", problems);
    needed(typed, "authorise.given", "the day it was given", problems);
    let given = day(typed, "authorise.given", problems);
    let document = typed.some("authorise.document").and_then(|text| {
        let read = text.to_lowercase().parse::<Sha256Hash>();
        let why = "the digest of the signed paper is 64 hexadecimal digits: take it with 'sha256sum', or leave it empty";
        read.map_err(|_| problems.wrong("authorise.document", why)).ok()
    });
    let Some((covers, given)) = covers.zip(given) else { return vec![] };
    vec![Staged::new(Authorisation { client: job.view.job.client, given, covers, document })]
}

fn notice(job: &JobState, typed: &Typed, problems: &mut Problems) -> Vec<Staged> {
    let to = needed(typed, "notice.to", "to whom it was given", problems);
    let how = needed(typed, "notice.how", "how it was given", problems);
    let text = needed(typed, "notice.text", "what was said", problems);
    needed(typed, "notice.day", "the day it was given", problems);
    needed(typed, "notice.time", "the time it was given", problems);
    let day = day(typed, "notice.day", problems);
    let time = typed
        .some("notice.time")
        .and_then(|text| time_of_day(text).map_err(|e| problems.wrong("notice.time", e.to_string())).ok());
    let (Some(to), Some(how), Some(text), Some(day), Some(time)) = (to, how, text, day, time) else {
        return vec![];
    };
    let given_at = local_moment(day, time, &job.view.job.zone);
    vec![Staged::new(Notice { to, how, given_at, text })]
}

fn requirements(typed: &Typed, problems: &mut Problems) -> Vec<Staged> {
    let on = |path: &str| typed.some(&format!("require.{path}")).is_some();
    let lines = |path: &str| -> Vec<String> {
        typed.text(path).lines().map(str::trim).filter(|l| !l.is_empty()).map(str::to_owned).collect()
    };
    let stems = typed.some("require.stems").and_then(|text| {
        count(text, "number of stems").map_err(|e| problems.wrong("require.stems", e.to_string())).ok()
    });
    if let Err(why) = stems_per_hour(stems) {
        problems.wrong("require.stems", why);
    }
    let leak_share = typed.some("require.leak").and_then(|text| {
        share(text, "share").map_err(|e| problems.wrong("require.leak", e.to_string())).ok()
    });
    let schemes: Vec<Scheme> =
        SCHEMES.into_iter().filter(|(_, name, _)| on(&format!("scheme.{name}"))).map(|(s, ..)| s).collect();
    let elements: Vec<Element> =
        ELEMENTS.into_iter().filter(|(_, name, _)| on(&format!("element.{name}"))).map(|(e, ..)| e).collect();
    vec![Staged::new(Requirements {
        schemes,
        elements,
        photo: on("photo"),
        condition: on("condition"),
        cautions: on("cautions"),
        notice: on("notice"),
        licence_categories: lines("require.categories"),
        licence_schemes: lines("require.schemes"),
        stems_per_hour: stems,
        leak_share,
    })]
}

/// The trees an entry is about: all, those of a block, or those with the tags listed.
fn trees(job: &JobState, typed: &Typed, problems: &mut Problems) -> Vec<TreeId> {
    let view = &job.view;
    let listed = |keep: &dyn Fn(TreeId) -> bool| -> Vec<TreeId> {
        view.trees.keys().copied().filter(|t| keep(*t)).collect()
    };
    let found = match typed.text("trees.which") {
        "all" => listed(&|_| true),
        "tags" => {
            let mut by_tag: BTreeMap<String, Vec<TreeId>> = BTreeMap::new();
            for tree in view.trees.keys() {
                by_tag.entry(view.tag(*tree).trim().to_uppercase()).or_default().push(*tree);
            }
            let tags = typed.text("trees.tags");
            let mut found = vec![];
            for tag in tags.split(['\n', ',', ';']).map(str::trim).filter(|t| !t.is_empty()) {
                match by_tag.get(&tag.to_uppercase()).map(Vec::as_slice) {
                    Some([one]) => found.push(*one),
                    None | Some([]) => problems.wrong("trees.tags", format!("there is no tree '{tag}'")),
                    Some(several) => problems.wrong(
                        "trees.tags",
                        format!("'{tag}' stands on {} trees: settle that first", several.len()),
                    ),
                }
            }
            found.sort_unstable();
            found.dedup();
            found
        }
        block => {
            let block = block
                .parse::<RecordId>()
                .ok()
                .filter(|id| view.facts.standing_fact(*id).is_some_and(|f| f.kind == Kind::Block));
            match block {
                Some(block) => listed(&|t| view.tree(t).is_some_and(|tree| tree.block == Some(block))),
                None => {
                    problems.wrong("trees.which", "say which trees it is about");
                    return vec![];
                }
            }
        }
    };
    if found.len() > MOST_TREES {
        problems.wrong(
            "trees.which",
            format!("{} trees at once are more than {MOST_TREES}: take a block at a time", found.len()),
        );
    } else if found.is_empty() && problems.none() {
        problems.wrong("trees.which", "no tree of this job is meant by that");
    }
    found
}

fn circumstances(job: &JobState, typed: &Typed, problems: &mut Problems) -> Vec<Staged> {
    let food = match typed.text("trees.food") {
        "" => None,
        said => Some(said == "yes"),
    };
    let water_um = typed.some("trees.water").and_then(|figure| {
        // Nearer is less favourable: what a record cannot hold is left away.
        let unit = typed.text("trees.water.unit");
        let read = match unit {
            "" => Err("choose the unit: m or ft".to_owned()),
            unit => named::<LengthUnit>(unit)
                .map_err(|e| e.to_string())
                .and_then(|unit| parse(figure, unit, Rounding::Down).map_err(|e| e.to_string())),
        };
        let read = read.and_then(|um| {
            if LengthUnit::integer(um) < 0 { Err("a distance is not less than 0".into()) } else { Ok(um) }
        });
        read.map_err(|why| problems.wrong("trees.water", why)).ok()
    });
    let felling = day(typed, "trees.felling", problems);
    let metal = typed.some("trees.metal").map(str::to_owned);
    let note = typed.some("trees.note").map(str::to_owned);
    let said = food.is_some() || water_um.is_some() || felling.is_some() || metal.is_some();
    if !said && problems.none() {
        problems.wrong("trees.food", "say at least one thing of these trees");
    }
    let trees = trees(job, typed, problems);
    if !problems.none() {
        return vec![];
    }
    let condition = |tree| Condition {
        food,
        water_um,
        felling,
        metal: metal.clone(),
        note: note.clone(),
        ..Condition::about(tree)
    };
    trees.into_iter().map(|tree| Staged::new(condition(tree))).collect()
}

/// What the office or a crew has said of a job's trees: how many give food, stand near water, are to
/// be felled, or hold metal.
pub fn said_of_trees(job: &JobState) -> [(&'static str, usize); 4] {
    let facts = &job.view.facts;
    let conditions: Vec<&Condition> = facts
        .in_force(Kind::Condition)
        .filter_map(|f| if let Body::Condition(c) = &facts.shown(f).record.body { Some(&**c) } else { None })
        .collect();
    let of = |said: &dyn Fn(&Condition) -> bool| {
        let trees: BTreeSet<TreeId> =
            conditions.iter().filter(|c| said(c)).map(|c| job.view.stays(c.tree)).collect();
        trees.len()
    };
    [
        ("with a word on food", of(&|c| c.food.is_some())),
        ("with a distance to water", of(&|c| c.water_um.is_some())),
        ("with a day of felling", of(&|c| c.felling.is_some())),
        ("with metal in the wood", of(&|c| c.metal.is_some())),
    ]
}
