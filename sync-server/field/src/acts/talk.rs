//! What is said rather than measured: answers, incidents, notes; and the exchange.

use bolebook_core::record::office::Answer;
use bolebook_core::record::work::{Incident, IncidentKind, Note, Photo};

use super::{ActError, Asked, Done, crew_of};
use crate::field::Field;
use crate::outside::Outside;
use crate::state::Screen;
use crate::writer::Staged;

pub(super) async fn perform<D: Outside>(field: &Field<D>, asked: &Asked<'_>) -> Result<Done, ActError> {
    match asked.word(0)? {
        "exchange" => {
            let moved = field.exchange().await?;
            let lines = [("sent", moved.sent as u64), ("received", moved.received as u64)];
            Ok(Done::default().saying(field.words().numbers("exchanged", &lines, &[])))
        }
        "photo" => photo(field, asked).await,
        "answer" => answer(field, asked).await,
        "incident" => incident(field, asked).await,
        _ => note(field, asked).await,
    }
}

/// A photo that the device has kept under its digest.
async fn photo<D: Outside>(field: &Field<D>, asked: &Asked<'_>) -> Result<Done, ActError> {
    let ground = field.ground()?;
    let sha256 = asked.field("photo-sha256").parse().map_err(|_| asked.unknown())?;
    let bytes = asked.field("photo-bytes").parse().map_err(|_| asked.unknown())?;
    let body = Photo {
        sha256,
        bytes,
        media_type: "image/jpeg".into(),
        about: Some(asked.id(1)?),
        taken_at: ground.now,
        caption: None,
    };
    let ids = field.write(vec![Staged::new(ground.job, body, ground.now)], |_, _| {}, &[]).await?;
    let kept = field.outside.photos().await?.len();
    field.state_mut().photos = kept;
    let said = field.words().say("photo-kept");
    Ok(Done::default().saying(said).undone_by(ids.first().copied()))
}

async fn answer<D: Outside>(field: &Field<D>, asked: &Asked<'_>) -> Result<Done, ActError> {
    let ground = field.ground()?;
    let question = asked.id(1)?;
    let name = format!("answer-{question}");
    let text = asked.filled(&name).ok_or_else(|| field.say("say-answer"))?.to_owned();
    let staged = vec![Staged::new(ground.job, Answer { question, text }, ground.now)];
    let ids = field.write(staged, |_, _| {}, &[]).await?;
    let said = field.words().say("answered");
    Ok(Done::to(Screen::Today).saying(said).undone_by(ids.first().copied()))
}

async fn incident<D: Outside>(field: &Field<D>, asked: &Asked<'_>) -> Result<Done, ActError> {
    let ground = field.ground()?;
    let what = match asked.field("what") {
        "exposure" => IncidentKind::Exposure,
        "injury" => IncidentKind::Injury,
        "spill" => IncidentKind::Spill,
        "bystander" => IncidentKind::Bystander,
        "damage" => IncidentKind::Damage,
        _ => return Err(field.say("say-what-happened")),
    };
    let text = asked.filled("text").ok_or_else(|| field.say("say-what-happened"))?.to_owned();
    let done = asked.filled("done").ok_or_else(|| field.say("say-what-was-done"))?.to_owned();
    let told = asked.filled("told").map(|t| t.split(',').map(|w| w.trim().to_owned()).collect());
    let crew = crew_of(field, &field.state(), &ground.summary)?;
    let tree = asked
        .filled("tree")
        .and_then(|tag| ground.summary.trees.iter().find(|t| t.tag.eq_ignore_ascii_case(tag)).map(|t| t.id));
    let body =
        Incident { what, crew, happened_at: ground.now, tree, text, done, told: told.unwrap_or_default() };
    let ids = field.write(vec![Staged::new(ground.job, body, ground.now)], |_, _| {}, &[]).await?;
    let said = field.words().say("incident-logged");
    Ok(Done::to(Screen::Today).saying(said).undone_by(ids.first().copied()))
}

async fn note<D: Outside>(field: &Field<D>, asked: &Asked<'_>) -> Result<Done, ActError> {
    let ground = field.ground()?;
    let text = asked.filled("note").ok_or_else(|| field.say("say-answer"))?.to_owned();
    let about = asked.id(1).ok();
    let ids =
        field.write(vec![Staged::new(ground.job, Note { about, text }, ground.now)], |_, _| {}, &[]).await?;
    let said = field.words().say("note-logged");
    Ok(Done::default().saying(said).undone_by(ids.first().copied()))
}
