//! Treating: a plan becomes an open stem, an open stem an application.

use bolebook_core::ids::{RecordId, TreeId};
use bolebook_core::quantity::Ul;
use bolebook_core::record::Body;
use bolebook_core::record::book_kinds::Strike;
use bolebook_core::record::work::Dose;

use super::{ActError, Asked, Done, choose};
use crate::field::Field;
use crate::figures;
use crate::open_stem::{Differs, OpenStem, Opening, SealingRule};
use crate::outside::{Outside, setting};
use crate::plan;
use crate::state::Screen;
use crate::writer::Staged;

pub(super) async fn perform<D: Outside>(field: &Field<D>, asked: &Asked<'_>) -> Result<Done, ActError> {
    match asked.word(0)? {
        "undo" => return undo(field, asked.id(1)?).await,
        "strike" => return strike(field, asked, asked.id(1)?).await,
        _ => {}
    }
    let (tree, stem) = asked.stem()?;
    match asked.word(0)? {
        "plan" => Ok(Done::to(Screen::Plan(tree, stem, asked.id(3).ok()))),
        "finish" => Ok(Done::to(Screen::Finish(tree, stem))),
        "hole" => Ok(Done::to(Screen::Hole(tree, stem, index(asked)?))),
        "begin" => begin(field, tree, stem, asked.id(3).ok()).await,
        "done" => done(field, asked, tree, stem).await,
        "differs" => differs(field, asked, tree, stem).await,
        _ => change(field, asked, tree, stem).await,
    }
}

fn index(asked: &Asked<'_>) -> Result<usize, ActError> {
    usize::try_from(asked.number(3)?).map_err(|_| asked.unknown())
}

/// An open stem, or what to do without one.
pub(super) fn open_stem<D: Outside>(field: &Field<D>, tree: TreeId, stem: i64) -> Result<OpenStem, ActError> {
    let open = field.state().open.iter().find(|being| (being.tree, being.stem) == (tree, stem)).cloned();
    open.ok_or_else(|| field.say("not-open"))
}

async fn begin<D: Outside>(
    field: &Field<D>,
    tree: TreeId,
    stem: i64,
    continues: Option<RecordId>,
) -> Result<Done, ActError> {
    let ground = field.ground()?;
    let (tools, advice) = {
        let state = field.state();
        if state.open.iter().any(|being| (being.tree, being.stem) == (tree, stem)) {
            return Ok(Done::to(Screen::Board));
        }
        let tools = plan::tools(&state, &ground.summary).map_err(|m| field.say(m.message()))?;
        let advice = plan::ask(&state, &tools, (tree, stem), continues, ground.now)?;
        (tools, advice)
    };
    let label = ground.summary.label(tools.label).ok_or_else(|| field.say("missing-label"))?;
    let today = choose::today(field)?;
    if !field.state().choices.read.iter().any(|(l, d)| *l == tools.label && *d == today) {
        return Err(field.say("read-first"));
    }
    let Some(found) = &advice.plan else { return Err(field.say("stopped")) };
    {
        let state = field.state();
        let asked = plan::Together { tools: &tools, stem: (tree, stem), continues, now: ground.now };
        if !plan::apart(&state, &ground.summary, &asked, &plan::by_hole(found)).is_empty() {
            return Err(field.say("stopped"));
        }
    }
    let line = ground.summary.tree(advice.tree);
    let at = usize::try_from(stem - 1).unwrap_or(usize::MAX);
    let diameter = line.and_then(|t| t.diameters.get(at)?.as_ref().map(|(id, _)| *id));
    let measured = diameter.ok_or_else(|| field.say("measure-first"))?;
    let dose = Dose {
        tree: advice.tree,
        stem,
        label: tools.label,
        purpose: tools.purpose.clone(),
        diameter: measured,
        target_ul: found.dose.target_ul,
        max_ul: found.dose.max_ul,
        charges_ul: found.charges.charges_ul.clone(),
    };
    let opening = Opening {
        tree: advice.tree,
        tag: advice.tag.clone(),
        stem,
        label: tools.label,
        purpose: tools.purpose,
        lot: tools.lot,
        kit: tools.kit,
        crew: tools.crew,
        applicator: tools.person,
        supervisor: tools.supervisor,
        diameter,
        continues,
    };
    let open = OpenStem::new(opening, found, label, ground.now);
    let staged = vec![Staged::new(ground.job, dose, ground.now)];
    field.write(staged, |state, _| state.open.push(open), &[setting::OPEN]).await?;
    Ok(Done::to(Screen::Board))
}

/// Changes an open stem without a record: containers on, taken back, begun by mistake, a hole as planned.
async fn change<D: Outside>(
    field: &Field<D>,
    asked: &Asked<'_>,
    tree: TreeId,
    stem: i64,
) -> Result<Done, ActError> {
    let mut open = open_stem(field, tree, stem)?;
    let now = field.now();
    let mut screen = Screen::Board;
    match asked.word(0)? {
        "on" => {
            let typed = asked.filled(&format!("pressure-{tree}-{stem}"));
            let units = field.state().choices.units;
            open.pressure_pa = typed.map(|t| figures::pressure(t, units)).transpose()?;
            open.on_at = Some(now);
        }
        "off" => open.on_at = None,
        "same" => {
            let hole = open.holes.get_mut(index(asked)?).ok_or_else(|| asked.unknown())?;
            hole.differs = None;
            screen = Screen::Finish(tree, stem);
        }
        "cancel" => {
            // Once containers are on, product may be in the tree: it is logged, never dropped.
            if open.on_at.is_some() {
                return Err(field.say("cancel-too-late"));
            }
            field
                .set(|s| s.open.retain(|being| (being.tree, being.stem) != (tree, stem)), &[setting::OPEN])
                .await?;
            return Ok(Done::to(Screen::Tree(tree)));
        }
        _ => return Err(asked.unknown()),
    }
    put_back(field, open).await?;
    Ok(Done::to(screen))
}

pub(super) async fn put_back<D: Outside>(field: &Field<D>, open: OpenStem) -> Result<(), ActError> {
    let set = |state: &mut crate::state::State| {
        if let Some(known) =
            state.open.iter_mut().find(|being| (being.tree, being.stem) == (open.tree, open.stem))
        {
            *known = open;
        }
    };
    Ok(field.set(set, &[setting::OPEN]).await?)
}

async fn differs<D: Outside>(
    field: &Field<D>,
    asked: &Asked<'_>,
    tree: TreeId,
    stem: i64,
) -> Result<Done, ActError> {
    let mut open = open_stem(field, tree, stem)?;
    let rule = open.sealing;
    let index = index(asked)?;
    let hole = open.holes.get_mut(index).ok_or_else(|| asked.unknown())?;
    let charge = hole.charge_ul;
    let amount = || -> Result<Ul, ActError> {
        let text = asked.filled("amount").ok_or_else(|| field.say("say-amount"))?;
        let amount = figures::volume(text)?;
        let held = hole.held_ul();
        if amount > held {
            return Err(ActError::Say(field.words().with("more-than-charge", &[("most", &held.ml())])));
        }
        Ok(hole.product_in(amount))
    };
    let (put_in_ul, leaked_ul) = match asked.field("what") {
        "full" => (charge, Ul::ZERO),
        "part" => (amount()?, Ul::ZERO),
        "leaked" => {
            let leaked = amount()?;
            (Ul(charge.0 - leaked.0), leaked)
        }
        "nothing" => (Ul::ZERO, Ul::ZERO),
        _ => return Err(field.say("say-what-differs")),
    };
    let sealed = match (rule, asked.field("sealed")) {
        (_, "yes") => true,
        (_, "no") => false,
        _ => return Err(field.say("say-sealed")),
    };
    let reseated = asked.field("reseated") == "yes";
    hole.differs = Some(Differs { put_in_ul, leaked_ul, sealed, reseated });
    if let Some(kit) = asked.filled("from-kit") {
        open.hole_from(index, super::kits::same_product(field, asked, &open, kit)?);
    }
    put_back(field, open).await?;
    Ok(Done::to(Screen::Finish(tree, stem)))
}

async fn done<D: Outside>(
    field: &Field<D>,
    asked: &Asked<'_>,
    tree: TreeId,
    stem: i64,
) -> Result<Done, ActError> {
    let open = open_stem(field, tree, stem)?;
    if open.on_at.is_none() {
        return Err(field.say("not-on"));
    }
    let sealed = match (asked.word(3)?, open.sealing) {
        ("sealed", SealingRule::Required | SealingRule::Optional) => true,
        ("open", SealingRule::Optional | SealingRule::Forbidden) => false,
        _ => return Err(asked.unknown()),
    };
    let ground = field.ground()?;
    let bodies = open.applications(sealed, ground.now);
    let (put_in, holes) = (bodies.iter().map(|b| b.put_in_ul()).sum::<Ul>().ml(), open.holes.len());
    let named = |kit| ground.summary.kit(kit).map_or_else(String::new, |k| k.kit.name.clone());
    let each = bodies.iter().filter(|_| bodies.len() > 1);
    let each: Vec<String> = each.map(|b| format!("{}: {} mL", named(b.kit), b.put_in_ul().ml())).collect();
    let staged = bodies.into_iter().enumerate().map(|(index, body)| Staged {
        continues_first: index > 0,
        ..Staged::new(ground.job, body, ground.now)
    });
    let staged: Vec<Staged> = staged.collect();
    let close = |state: &mut crate::state::State, _: &[RecordId]| {
        state.open.retain(|being| (being.tree, being.stem) != (tree, stem));
    };
    let ids = field.write(staged, close, &[setting::OPEN]).await?;
    let mut said = field.words().count("treated-logged", holes, &[("tag", &open.tag), ("volume", &put_in)]);
    if !each.is_empty() {
        said.push_str(&format!(" {}.", each.join(", ")));
    }
    field.state_mut().last_closed = Some((ids.clone(), open));
    let screen = if field.state().open.is_empty() { Screen::Today } else { Screen::Board };
    Ok(Done::to(screen).saying(said).undone_by(ids.first().copied()))
}

/// Strikes a record of this device with the reason given.
async fn strike<D: Outside>(field: &Field<D>, asked: &Asked<'_>, tree: RecordId) -> Result<Done, ActError> {
    let ground = field.ground()?;
    let record: RecordId =
        asked.filled("struck").and_then(|t| t.parse().ok()).ok_or_else(|| field.say("say-which-record"))?;
    let reason = asked.filled("reason").ok_or_else(|| field.say("say-why-struck"))?.to_owned();
    let body = Strike { records: vec![record], reason };
    field.write(vec![Staged::new(ground.job, body, ground.now)], |_, _| {}, &[]).await?;
    Ok(Done::to(Screen::Tree(tree)).saying(field.words().say("struck")))
}

/// Takes back what this device wrote last: the record is struck, and stays readable.
async fn undo<D: Outside>(field: &Field<D>, record: RecordId) -> Result<Done, ActError> {
    let ground = field.ground()?;
    let (book, struck) = {
        let state = field.state();
        let found = state.logs.iter().find_map(|(id, log)| {
            let carrier = log.book().carriers(record).first()?;
            Some((*id, bolebook_core::record::Record::read(log.book().text(*carrier)).ok()?))
        });
        found.ok_or_else(|| field.say("nothing-to-undo"))?
    };
    // What was logged by mistake is open again, so that its product is not left unexplained.
    let closed = field.state().last_closed.clone().filter(|(ids, _)| ids.contains(&record));
    let (records, again) = closed.map_or((vec![record], None), |(ids, open)| (ids, Some(open)));
    let body = Strike { records, reason: field.words().say("mis-tap") };
    let reopened = again.is_some();
    // Forgotten when it is written, and not before: a second tap must take back all of it too.
    let reopen = |state: &mut crate::state::State, _: &[RecordId]| {
        state.last_closed = None;
        state.open.extend(again);
    };
    field.write(vec![Staged::new(book, body, ground.now)], reopen, &[setting::OPEN]).await?;
    let screen = match &struck.body {
        Body::Application(a) if reopened => Some(Screen::Finish(a.tree, a.stem)),
        Body::Application(a) => Some(Screen::Tree(a.tree)),
        Body::Diameter(d) => Some(Screen::Measure(d.tree, d.stem)),
        Body::Condition(c) => Some(Screen::Condition(c.tree)),
        Body::NotTreated(n) => Some(Screen::Tree(n.tree)),
        Body::Tree(_) => Some(Screen::NewTree),
        _ => None,
    };
    let said = field.words().say("undone");
    Ok(Done { screen, said: Some(said.into()), undo: None })
}
