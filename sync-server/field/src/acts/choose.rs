//! Going from screen to screen, joining, and what is chosen once.

use bolebook_core::day::Day;

use super::{ActError, Asked, Done};
use crate::field::Field;
use crate::join;
use crate::outside::{Outside, setting};
use crate::state::{Choices, Look, Screen, Units};
use crate::words::Language;

pub(super) async fn perform<D: Outside>(field: &Field<D>, asked: &Asked<'_>) -> Result<Done, ActError> {
    match asked.word(0)? {
        "go" => go(field, asked),
        "back" => Ok(Done::to(parent(&field.state().screen))),
        "tree" => Ok(Done::to(Screen::Tree(asked.id(1)?))),
        "dismiss" => Ok(Done::default()),
        "join" => take_part(field, asked).await,
        "read" => read(field, asked).await,
        "tick" => tick(field, asked).await,
        _ => choose(field, asked).await,
    }
}

/// Where a screen was reached from.
pub(crate) fn parent(screen: &Screen) -> Screen {
    match screen {
        Screen::Join => Screen::Join,
        Screen::Who | Screen::Today => Screen::Today,
        Screen::Tree(_) | Screen::NewTree => Screen::Find { text: String::new() },
        Screen::Measure(tree, _)
        | Screen::Condition(tree)
        | Screen::NotTreated(tree)
        | Screen::Plan(tree, ..) => Screen::Tree(*tree),
        Screen::Finish(..) => Screen::Board,
        Screen::Hole(tree, stem, _) => Screen::Finish(*tree, *stem),
        Screen::Kits(..) => Screen::Board,
        Screen::Fill | Screen::Move | Screen::Label | Screen::Calibrate => Screen::Kit,
        Screen::Map | Screen::Amend(_) => Screen::Find { text: String::new() },
        _ => Screen::Today,
    }
}

fn go<D: Outside>(field: &Field<D>, asked: &Asked<'_>) -> Result<Done, ActError> {
    if field.state().member.is_none() {
        return Ok(Done::to(Screen::Join));
    }
    Ok(Done::to(match asked.word(1)? {
        "today" => Screen::Today,
        "find" => Screen::Find { text: String::new() },
        "new" => Screen::NewTree,
        "map" => Screen::Map,
        "board" => Screen::Board,
        "kit" => Screen::Kit,
        "fill" => Screen::Fill,
        "move" => Screen::Move,
        "close" => Screen::Close,
        "unsent" => Screen::Unsent,
        "incident" => Screen::Incident,
        "label" => Screen::Label,
        "settings" => Screen::Settings,
        "who" => Screen::Who,
        _ => return Err(asked.unknown()),
    }))
}

async fn take_part<D: Outside>(field: &Field<D>, asked: &Asked<'_>) -> Result<Done, ActError> {
    if field.state().member.is_some() {
        return Ok(Done::to(Screen::Today));
    }
    let url = asked.filled("url").unwrap_or(&field.origin).trim_end_matches('/').to_owned();
    let (member, server) = join::join(&field.outside, &url, asked.field("code")).await?;
    field
        .set(
            |state| (state.member, state.server) = (Some(member), Some(server)),
            &[setting::MEMBER, setting::SERVER, setting::CHOICES],
        )
        .await?;
    // The device is in; books that do not come now come with the next exchange.
    let fetched = field.exchange().await;
    let done = Done::to(Screen::Who);
    Ok(match fetched {
        Ok(_) => done,
        Err(error) => done.saying(field.words().core(&error.to_string())),
    })
}

async fn choose<D: Outside>(field: &Field<D>, asked: &Asked<'_>) -> Result<Done, ActError> {
    let mut choices: Choices = field.state().choices.clone();
    let mut done = Done::default();
    match asked.word(0)? {
        "person" => {
            choices.person = Some(asked.id(1)?);
            done = Done::to(Screen::Today);
        }
        "supervisor" => choices.supervisor = asked.id(1).ok(),
        "kit" => {
            let summary = field.ground()?.summary;
            let before = crate::plan::kit(&field.state(), &summary);
            choices.take_kit(before, asked.id(1)?);
        }
        "also" => {
            let kit = asked.id(1)?;
            match choices.also.iter().position(|k| *k == kit) {
                Some(index) => drop(choices.also.remove(index)),
                None => choices.also.push(kit),
            }
        }
        "job" => choices.job = Some(asked.book(1)?),
        "purpose" => choices.purpose = Some(asked.parts[1..].join(":")),
        "language" => {
            choices.language = Language::of_tag(asked.word(1)?).ok_or_else(|| asked.unknown())?;
        }
        "units" => choices.units = if asked.word(1)? == "us" { Units::Us } else { Units::Metric },
        "speak" => choices.speak = asked.word(1)? == "yes",
        "look" => {
            choices.look = match asked.word(1)? {
                "night" => Look::Night,
                "sun" => Look::Sun,
                _ => Look::Day,
            }
        }
        _ => return Err(asked.unknown()),
    }
    let set = |state: &mut crate::state::State| {
        if state.choices.job != choices.job {
            state.forget_view(false);
        }
        state.choices = choices;
    };
    field.set(set, &[setting::CHOICES]).await?;
    Ok(done)
}

/// The day in the job's zone, as choices keep it.
pub(crate) fn today<D: Outside>(field: &Field<D>) -> Result<String, ActError> {
    let ground = field.ground()?;
    Ok(Day::of(ground.now, &ground.summary.zone).to_string())
}

async fn read<D: Outside>(field: &Field<D>, asked: &Asked<'_>) -> Result<Done, ActError> {
    let (label, day) = (asked.id(1)?, today(field)?);
    let set = |state: &mut crate::state::State| {
        // Yesterday's reading is of no more use.
        state.choices.read.retain(|(_, d)| *d == day);
        state.choices.read.push((label, day));
    };
    field.set(set, &[setting::CHOICES]).await?;
    Ok(Done::default())
}

async fn tick<D: Outside>(field: &Field<D>, asked: &Asked<'_>) -> Result<Done, ActError> {
    let (step, day) = (asked.parts[1..].join(":"), today(field)?);
    let set = |state: &mut crate::state::State| {
        let ticked = &mut state.choices.ticked;
        ticked.retain(|(d, _)| *d == day);
        let mark = (day, step);
        match ticked.iter().position(|t| *t == mark) {
            Some(index) => drop(ticked.remove(index)),
            None => ticked.push(mark),
        }
    };
    field.set(set, &[setting::CHOICES]).await?;
    Ok(Done::default())
}
