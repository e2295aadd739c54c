//! Amending what was logged: a record of the same kind that names what it replaces, and the reason
//! as a note about it. The old one stays readable.

use bolebook_core::ids::RecordId;
use bolebook_core::record::Body;
use bolebook_core::record::stand::Diameter;
use bolebook_core::record::work::{Application, Note};

use super::trees::reading;
use super::{ActError, Asked, Done};
use crate::field::Field;
use crate::figures;
use crate::outside::Outside;
use crate::state::Screen;
use crate::writer::Staged;

pub(super) async fn perform<D: Outside>(field: &Field<D>, asked: &Asked<'_>) -> Result<Done, ActError> {
    let record = asked.id(1)?;
    match asked.word(0)? {
        "amend" => Ok(Done::to(Screen::Amend(record))),
        _ => amended(field, asked, record).await,
    }
}

async fn amended<D: Outside>(
    field: &Field<D>,
    asked: &Asked<'_>,
    record: RecordId,
) -> Result<Done, ActError> {
    let ground = field.ground()?;
    let reason = asked.filled("reason").ok_or_else(|| field.say("say-why-struck"))?.to_owned();
    let (before, replaces) = {
        let reading = field.state().reading()?;
        let facts = &reading.view.facts;
        let fact = facts.standing_fact(record).ok_or_else(|| field.say("not-to-amend"))?;
        // All values in force are replaced, which also settles a fact that was amended two ways.
        let replaces: Vec<RecordId> = fact.current.iter().map(|v| facts.versions[*v].id()).collect();
        (facts.shown(fact).record.body.clone(), replaces)
    };
    let (body, tree): (Body, _) = match before {
        Body::Diameter(old) => {
            let tree = old.tree;
            (diameter(field, asked, &old)?.into(), tree)
        }
        Body::Application(old) => {
            let tree = old.tree;
            (application(field, asked, &old)?.into(), tree)
        }
        _ => return Err(field.say("not-to-amend")),
    };
    let mut change = Staged::new(ground.job, body, ground.now);
    change.replaces = replaces;
    let why = Note { about: Some(record), text: reason };
    let staged = vec![change, Staged::new(ground.job, why, ground.now)];
    field.write(staged, |_, _| {}, &[]).await?;
    Ok(Done::to(Screen::Tree(tree)).saying(field.words().say("amended")))
}

/// The diameter with the reading as it should have been.
fn diameter<D: Outside>(field: &Field<D>, asked: &Asked<'_>, old: &Diameter) -> Result<Diameter, ActError> {
    let (as_read, diameter_um) = reading(field, asked)?;
    if as_read == old.as_read {
        return Err(field.say("nothing-changed"));
    }
    Ok(Diameter { diameter_um, as_read, ..old.clone() })
}

/// The application with one hole as it truly was.
fn application<D: Outside>(
    field: &Field<D>,
    asked: &Asked<'_>,
    old: &Application,
) -> Result<Application, ActError> {
    let number: usize = asked.filled("hole").and_then(|n| n.parse().ok()).unwrap_or(0);
    let mut new = old.clone();
    let hole = number.checked_sub(1).and_then(|at| new.holes.get_mut(at));
    let hole = hole.ok_or_else(|| field.say("say-which-hole"))?;
    let volume = |name: &str| asked.filled(name).map(figures::volume).transpose();
    hole.put_in_ul = volume("took")?.unwrap_or(hole.put_in_ul);
    hole.leaked_ul = volume("leaked")?.unwrap_or(hole.leaked_ul);
    match asked.field("sealed") {
        "yes" => hole.sealed = true,
        "no" => hole.sealed = false,
        _ => {}
    }
    if new == *old { Err(field.say("nothing-changed")) } else { Ok(new) }
}
