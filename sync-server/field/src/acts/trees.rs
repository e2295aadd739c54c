//! Listing a tree, measuring it, looking at it, leaving it alone.

use bolebook_core::dosing::stem::{diameter_from_reading, looks_like};
use bolebook_core::ids::TreeId;
use bolebook_core::quantity::{AsRead, Measured, ReadUnit, Um};
use bolebook_core::record::stand::{
    Bloom, Condition, Damage, DamageKind, Diameter, GroundDatum, ReferenceMark, SoilMoisture, Tree,
};
use bolebook_core::record::work::{NotTreated, NotTreatedReason};
use serde::de::DeserializeOwned;

use super::{ActError, Asked, Done, crew_of};
use crate::field::Field;
use crate::figures;
use crate::outside::{Outside, setting};
use crate::sentences::Said;
use crate::state::{Screen, Units};
use crate::writer::Staged;

pub(super) async fn perform<D: Outside>(field: &Field<D>, asked: &Asked<'_>) -> Result<Done, ActError> {
    match asked.word(0)? {
        "list" => list(field, asked).await,
        "measure" => Ok(Done::to(Screen::Measure(asked.id(1)?, asked.number(2)?))),
        "measured" => measured(field, asked).await,
        "see" => Ok(Done::to(Screen::Condition(asked.id(1)?))),
        "seen" => seen(field, asked).await,
        "not" => Ok(Done::to(Screen::NotTreated(asked.id(1)?))),
        _ => not_treated(field, asked).await,
    }
}

/// One of the words a record knows.
fn word<T: DeserializeOwned>(text: &str) -> Option<T> {
    serde_json::from_value(serde_json::Value::String(text.to_owned())).ok()
}

async fn list<D: Outside>(field: &Field<D>, asked: &Asked<'_>) -> Result<Done, ActError> {
    let ground = field.ground()?;
    let tag = asked.filled("tag").ok_or_else(|| field.say("say-tag"))?.to_owned();
    if let Some(known) = ground.summary.trees.iter().find(|t| t.tag.eq_ignore_ascii_case(&tag)) {
        let text = field.words().with("tag-taken", &[("tag", &known.tag)]);
        return Err(ActError::Say(text));
    }
    let species = match asked.filled("other-species") {
        Some(other) => Some(other.to_uppercase()),
        None => asked.filled("species").map(str::to_owned),
    };
    // Where one stands, of the same species: it may be the tree another crew logged here.
    let twin = {
        let state = field.state();
        let alike = crate::screens::find::near(&state, &ground.summary).find(|t| t.species == species);
        alike.map(|t| t.tag.clone())
    };
    if let Some(tag) = twin.filter(|_| asked.field("another") != "yes") {
        return Err(ActError::Say(field.words().with("may-be-this", &[("tag", &tag)])));
    }
    let stems = asked.filled("stems").map_or(Ok(1), |s| s.parse()).map_err(|_| field.say("say-stems"))?;
    let fix = field.state().fix.filter(|f| ground.now.0 - f.at.0 <= crate::place::FRESH_MS);
    let body = Tree {
        tag: tag.clone(),
        species: species.clone(),
        block: None,
        position: fix.map(|f| f.position),
        stems,
        mark: Some(ReferenceMark::Tag),
    };
    let staged = vec![Staged::new(ground.job, body, ground.now)];
    let remember = |state: &mut crate::state::State, _: &[_]| state.choices.species = species;
    let ids = field.write(staged, remember, &[setting::CHOICES]).await?;
    let id = ids.first().copied().ok_or_else(|| asked.unknown())?;
    let said = field.words().with("listed", &[("tag", &tag)]);
    Ok(Done::to(Screen::Measure(id, 1)).saying(said).undone_by(Some(id)))
}

/// The reading typed, and the diameter it gives.
pub(super) fn reading<D: Outside>(field: &Field<D>, asked: &Asked<'_>) -> Result<(AsRead, Um), ActError> {
    let of = match asked.field("of") {
        "girth" => Measured::Girth,
        "diameter" => Measured::Diameter,
        _ => return Err(field.say("say-what-measured")),
    };
    let unit = figures::read_unit(asked.field("unit")).ok_or_else(|| field.say("say-unit"))?;
    let text = asked.filled("reading").map(figures::pointed).ok_or_else(|| field.say("say-reading"))?;
    let as_read = AsRead { text, unit, of };
    let diameter_um = diameter_from_reading(&as_read).map_err(|e| ActError::Core(e.to_string()))?;
    Ok((as_read, diameter_um))
}

async fn measured<D: Outside>(field: &Field<D>, asked: &Asked<'_>) -> Result<Done, ActError> {
    let (tree, stem) = asked.stem()?;
    let ground = field.ground()?;
    let (as_read, diameter_um) = reading(field, asked)?;
    let (of, unit) = (as_read.of, as_read.unit);
    let length = |name: &str| {
        let small = if unit == ReadUnit::In {
            "in"
        } else if name == "bark" {
            "mm"
        } else {
            "cm"
        };
        asked.filled(name).map(|t| figures::length(t, small)).transpose()
    };
    let body = Diameter {
        tree,
        stem,
        diameter_um,
        height_um: ground.summary.breast_height_um,
        datum: word(asked.field("datum")).unwrap_or(GroundDatum::Level),
        band_low_girth_um: length("band-low")?,
        band_high_girth_um: length("band-high")?,
        bark_um: length("bark")?,
        as_read,
    };
    let units = field.state().choices.units;
    let known = ground.summary.tree(tree);
    let before = known.and_then(|t| *t.diameters.get(usize::try_from(stem - 1).ok()?)?);
    let mut said: Said =
        field.words().with("measured", &[("diameter", &figures::trunk(diameter_um, units))]).into();
    if let Some(outlier) = before.and_then(|(_, d)| looks_like(d, diameter_um)) {
        said = said.and(&field.words().core(outlier.question()));
    }
    let staged = vec![Staged::new(ground.job, body, ground.now)];
    let remember = |state: &mut crate::state::State, _: &[_]| {
        (state.choices.measured, state.choices.unit) = (Some(of), Some(unit));
    };
    let ids = field.write(staged, remember, &[setting::CHOICES]).await?;
    // The next stem, then a look at the tree, then the plan.
    let stems = known.map_or(1, |t| t.stems);
    let looked = seen_today(field, tree)?;
    let screen = match (stem < stems, looked) {
        (true, _) => Screen::Measure(tree, stem + 1),
        (false, false) => Screen::Condition(tree),
        (false, true) => Screen::Plan(tree, if stems > 1 { 1 } else { stem }, None),
    };
    Ok(Done::to(screen).saying(said).undone_by(ids.first().copied()))
}

fn seen_today<D: Outside>(field: &Field<D>, tree: TreeId) -> Result<bool, ActError> {
    use bolebook_core::day::Day;
    let ground = field.ground()?;
    let zone = &ground.summary.zone;
    let last = ground.summary.tree(tree).and_then(|t| t.condition.as_ref()).map(|look| look.at);
    Ok(last.is_some_and(|at| Day::of(at, zone) == Day::of(ground.now, zone)))
}

async fn seen<D: Outside>(field: &Field<D>, asked: &Asked<'_>) -> Result<Done, ActError> {
    let tree = asked.id(1)?;
    let ground = field.ground()?;
    let units = field.state().choices.units;
    let degrees = |name: &str| asked.filled(name).map(|t| figures::temperature(t, units)).transpose();
    let far = if units == Units::Us { "ft" } else { "m" };
    let body = Condition {
        tree,
        canopy_loss: asked.filled("canopy").map(figures::percent).transpose()?,
        bloom: word::<Bloom>(asked.field("bloom")),
        soil: word::<SoilMoisture>(asked.field("soil")),
        air_mc: degrees("air")?,
        soil_mc: degrees("soil-temperature")?,
        food: match asked.field("food") {
            "yes" => Some(true),
            "no" => Some(false),
            _ => None,
        },
        water_um: asked.filled("water").map(|t| figures::length(t, far)).transpose()?,
        felling: asked.filled("felling").map(str::parse).transpose().map_err(|_| field.say("say-day"))?,
        metal: asked.filled("metal").map(str::to_owned),
        pest: asked.filled("pest").map(str::to_uppercase),
        damage: damage(field, asked)?.into_iter().collect(),
        note: asked.filled("note").map(str::to_owned),
    };
    let staged = vec![Staged::new(ground.job, body, ground.now)];
    let ids = field.write(staged, |_, _| {}, &[]).await?;
    let said = field.words().say("condition-logged");
    Ok(Done::to(Screen::Plan(tree, 1, None)).saying(said).undone_by(ids.first().copied()))
}

/// One damaged arc, when its kind was chosen.
fn damage<D: Outside>(field: &Field<D>, asked: &Asked<'_>) -> Result<Option<Damage>, ActError> {
    let Some(what) = word::<DamageKind>(asked.field("damage")) else { return Ok(None) };
    let unit = figures::unit_name(field.state().choices.units);
    let arc = |name: &str| -> Result<_, ActError> {
        let text = asked.filled(name).ok_or_else(|| field.say("say-arc"))?;
        Ok(figures::length(text, unit)?)
    };
    let stem = asked.filled("damage-stem").map_or(Ok(1), str::parse).map_err(|_| field.say("say-stems"))?;
    Ok(Some(Damage { stem, what, from_um: arc("damage-from")?, to_um: arc("damage-to")? }))
}

async fn not_treated<D: Outside>(field: &Field<D>, asked: &Asked<'_>) -> Result<Done, ActError> {
    let tree = asked.id(1)?;
    let ground = field.ground()?;
    let reason: NotTreatedReason = word(asked.field("reason")).ok_or_else(|| field.say("say-reason"))?;
    let note = asked.filled("note").map(str::to_owned);
    if reason == NotTreatedReason::Other && note.is_none() {
        return Err(field.say("say-other"));
    }
    let crew = crew_of(field, &field.state(), &ground.summary)?;
    let body = NotTreated { tree, crew, reason, note };
    let ids = field.write(vec![Staged::new(ground.job, body, ground.now)], |_, _| {}, &[]).await?;
    let tag = ground.summary.tree(tree).map(|t| t.tag.clone()).unwrap_or_default();
    let said = field.words().with("not-treated-logged", &[("tag", &tag)]);
    Ok(Done::to(Screen::Find { text: String::new() }).saying(said).undone_by(ids.first().copied()))
}
