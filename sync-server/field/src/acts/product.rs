//! Product: filling the kit, what moved otherwise, and the day's end.

use bolebook_core::day::Day;
use bolebook_core::ids::LotId;
use bolebook_core::quantity::Ul;
use bolebook_core::record::product::{Fill, Found, Movement, MovementKind};
use bolebook_core::record::work::{DayClosing, KitContent};

use super::{ActError, Asked, Done, crew_of};
use crate::field::Field;
use crate::figures;
use crate::outside::Outside;
use crate::plan;
use crate::state::Screen;
use crate::summary::Summary;
use crate::writer::Staged;

pub(super) async fn perform<D: Outside>(field: &Field<D>, asked: &Asked<'_>) -> Result<Done, ActError> {
    match asked.word(0)? {
        "fill" => fill(field, asked).await,
        "moved" => moved(field, asked).await,
        _ => close(field, asked).await,
    }
}

async fn fill<D: Outside>(field: &Field<D>, asked: &Asked<'_>) -> Result<Done, ActError> {
    let ground = field.ground()?;
    let in_vessel = figures::volume(asked.filled("amount").ok_or_else(|| field.say("say-amount"))?)?;
    let lot_read = asked.filled("lot").ok_or_else(|| field.say("say-lot"))?.to_owned();
    let registration_read =
        asked.filled("registration").ok_or_else(|| field.say("say-registration"))?.to_owned();
    let lot = ground.summary.lots.iter().find(|l| l.number.eq_ignore_ascii_case(&lot_read));
    let lot = lot.ok_or_else(|| ActError::Say(field.words().with("lot-unknown", &[("lot", &lot_read)])))?;
    if let Some(label) = ground.summary.label_of(lot.id)
        && !label.registration.eq_ignore_ascii_case(&registration_read)
    {
        let texts = [
            ("read", registration_read.as_str()),
            ("label", label.name.as_str()),
            ("wanted", label.registration.as_str()),
        ];
        return Err(ActError::Say(field.words().with("registration-differs", &texts)));
    }
    let (crew, kit) = {
        let state = field.state();
        let kit = plan::kit(&state, &ground.summary).ok_or_else(|| field.say("missing-kit"))?;
        (crew_of(field, &state, &ground.summary)?, kit)
    };
    let line = ground.summary.kit(kit).ok_or_else(|| field.say("missing-kit"))?;
    let limit = line.kit.reservoir.fill_limit_ul;
    if in_vessel > limit {
        let texts = [("most", limit.ml())];
        let texts: Vec<(&str, &str)> = texts.iter().map(|(k, v)| (*k, v.as_str())).collect();
        return Err(ActError::Say(field.words().with("over-fill-limit", &texts)));
    }
    let amount_ul = ground.summary.product_in(lot.id, in_vessel);
    let body = Fill { kit, lot: lot.id, crew, amount_ul, registration_read, lot_read };
    let ids = field.write(vec![Staged::new(ground.yard, body, ground.now)], |_, _| {}, &[]).await?;
    let mut said = field.words().with("filled", &[("volume", &in_vessel.ml()), ("lot", &lot.number)]);
    said.push_str(&product_said(field, &ground.summary, lot.id, amount_ul));
    Ok(Done::to(Screen::Kit).saying(said).undone_by(ids.first().copied()))
}

async fn moved<D: Outside>(field: &Field<D>, asked: &Asked<'_>) -> Result<Done, ActError> {
    let ground = field.ground()?;
    let what = match asked.field("what") {
        "primed_or_tested" => MovementKind::PrimedOrTested,
        "returned" => MovementKind::Returned,
        "spilled" => MovementKind::Spilled,
        "disposed" => MovementKind::Disposed,
        "in_kit" => MovementKind::InKit,
        _ => return Err(field.say("say-what-moved")),
    };
    let in_vessel = figures::volume(asked.filled("amount").ok_or_else(|| field.say("say-amount"))?)?;
    let (crew, kit) = {
        let state = field.state();
        let kit = plan::kit(&state, &ground.summary).ok_or_else(|| field.say("missing-kit"))?;
        (crew_of(field, &state, &ground.summary)?, kit)
    };
    let filled = ground.summary.kit(kit).and_then(|k| k.filled);
    let (_, lot) = filled.ok_or_else(|| field.say("missing-fill"))?;
    let found = if asked.field("found") == "estimated" { Found::Estimated } else { Found::Measured };
    let note = asked.filled("note").map(str::to_owned);
    let amount_ul = ground.summary.product_in(lot, in_vessel);
    let body = Movement { lot, what, amount_ul, kit: Some(kit), crew: Some(crew), found, note };
    let ids = field.write(vec![Staged::new(ground.yard, body, ground.now)], |_, _| {}, &[]).await?;
    let mut said = field.words().with("moved", &[("volume", &in_vessel.ml())]);
    said.push_str(&product_said(field, &ground.summary, lot, amount_ul));
    Ok(Done::to(Screen::Kit).saying(said).undone_by(ids.first().copied()))
}

/// How much product is in what was typed, where a vessel holds the mix.
fn product_said<D: Outside>(field: &Field<D>, summary: &Summary, lot: LotId, product: Ul) -> String {
    match summary.mix_of(lot) {
        Some(_) => format!(" {}", field.words().with("in-product", &[("volume", &product.ml_exact())])),
        None => String::new(),
    }
}

async fn close<D: Outside>(field: &Field<D>, asked: &Asked<'_>) -> Result<Done, ActError> {
    let ground = field.ground()?;
    let crew = {
        let state = field.state();
        if !state.open.is_empty() {
            return Err(field.say("close-open"));
        }
        crew_of(field, &state, &ground.summary)?
    };
    let mut kits = vec![];
    for line in ground.summary.kits.iter().filter(|k| k.kit.crew == Some(crew)) {
        let name = format!("kit-{}", line.id);
        let Some((_, lot)) = line.filled else { continue };
        let typed = asked
            .filled(&name)
            .ok_or_else(|| ActError::Say(field.words().with("measure-kit", &[("kit", &line.kit.name)])))?;
        let content_ul = ground.summary.product_in(lot, figures::volume(typed)?);
        kits.push(KitContent { kit: line.id, lot, content_ul });
    }
    if asked.field("none-out") != "yes" {
        return Err(field.say("say-none-out"));
    }
    let day = Day::of(ground.now, &ground.summary.zone);
    let body = DayClosing { crew, day, containers_out: 0, kits };
    let ids = field.write(vec![Staged::new(ground.job, body, ground.now)], |_, _| {}, &[]).await?;
    let said = field.words().with("day-closed", &[("day", &day.to_string())]);
    Ok(Done::to(Screen::Unsent).saying(said).undone_by(ids.first().copied()))
}
