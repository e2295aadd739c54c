//! `tree show`, `show`: a tree or a record with its whole history.

use bolebook_core::facts::{Fact, Facts, Standing, Version};
use bolebook_core::record::{Body, Record};
use serde_json::{Value, json};

use crate::app::{App, Need};
use crate::desk::Desk;
use crate::error::CliError;
use crate::figures::Typed;
use crate::output::{Answer, short};

/// Shows a tree with everything logged about it.
#[derive(Debug, clap::Args)]
pub struct TreeShow {
    /// The tree.
    tree: Typed,
}

impl TreeShow {
    /// Runs it.
    pub fn run(self, app: &App) -> Result<Answer, CliError> {
        app.read(Need::Job, |desk| {
            let id = desk.tree(&self.tree)?;
            let view = desk.view()?;
            let Some(tree) = view.trees.get(&id) else {
                return Err(CliError::Unexpected("a tree found by its tag is not listed".into()));
            };
            let facts = view.history(id, tree);
            let state = super::list::state_word(view.state(tree));
            let mut answer = Answer::line(format!("Tree {} [{}]: {state}", view.tag(id), short(id)));
            let mut rows = vec![];
            for index in facts {
                let fact = view.fact(index);
                history(desk, &view.facts, fact, &mut answer);
                rows.push(fact_json(&view.facts, fact));
            }
            Ok(answer
                .with("tree", id.to_string())
                .with("tag", view.tag(id))
                .with("state", state.replace(' ', "_"))
                .with("facts", rows))
        })
    }
}

/// Shows a record with its history: every amendment and strike, who and when.
#[derive(Debug, clap::Args)]
pub struct Show {
    /// The record's id, or its end.
    record: Typed,
}

impl Show {
    /// Runs it.
    pub fn run(self, app: &App) -> Result<Answer, CliError> {
        app.read(Need::MayJob, |desk| {
            let (book, fact) = desk.fact(self.record.text())?;
            let facts = match desk.view_if_any() {
                Some(view) if view.book == book => &view.facts,
                _ => &desk.yard.facts,
            };
            let mut answer = Answer::default();
            history(desk, facts, fact, &mut answer);
            for version in &fact.history {
                let record = &facts.versions[*version].record;
                let text = serde_json::to_string_pretty(&record_json(record)["body"]).unwrap_or_default();
                answer.say(format!("{} [{}]", record.kind().name(), record.envelope.id));
                answer.text.extend(text.lines().map(|l| format!("  {l}")));
            }
            Ok(answer.with("book", book.to_string()).with("fact", fact_json(facts, fact)))
        })
    }
}

/// A fact's versions as lines, oldest first.
fn history(desk: &Desk<'_>, facts: &Facts, fact: &Fact, answer: &mut Answer) {
    let zone = desk.zone();
    for (place, index) in fact.history.iter().enumerate() {
        let version = &facts.versions[*index];
        let at = zone.rfc3339(version.record.envelope.at);
        let by = version.record.envelope.by.map_or_else(|| "?".into(), |p| desk.person_name(p));
        let mark = if fact.current.contains(index) && fact.struck_by.is_none() { " " } else { "-" };
        let what = if place == 0 { String::new() } else { "amended: ".into() };
        answer.say(format!(
            "{mark} {} {by}: {what}{}{} [{}]",
            at.get(..16).unwrap_or(&at).replace('T', " "),
            headline(desk, version),
            standing_note(version),
            short(version.id())
        ));
    }
    if let Some(strike) = fact.struck_by {
        let reason = facts.fact_of(strike).map(|f| &*facts.shown(f).record);
        if let Some(Record { body: Body::Strike(body), envelope }) = reason {
            let by = envelope.by.map_or_else(|| "?".into(), |p| desk.person_name(p));
            answer.say(format!("  struck by {by}: {}", body.reason));
        }
    }
}

fn standing_note(version: &Version) -> String {
    match version.standing {
        Standing::InForce => String::new(),
        Standing::Held(why) => format!(" (held: {})", words(&format!("{why:?}"))),
        Standing::Proposal(why) => format!(" (only a proposal: {})", words(&format!("{why:?}"))),
    }
}

/// `AfterSignOff` is `after sign off`.
fn words(name: &str) -> String {
    let mut text = String::new();
    for c in name.chars() {
        if c.is_uppercase() && !text.is_empty() {
            text.push(' ');
        }
        text.extend(c.to_lowercase());
    }
    text
}

/// How a fact stands, in a few words.
pub fn state_of(facts: &Facts, fact: &Fact) -> String {
    if fact.struck_by.is_some() {
        return "struck".into();
    }
    match (fact.contested, &fact.current[..]) {
        (Some(_), _) => "contested".into(),
        (None, []) => standing_note(facts.shown(fact)).trim().trim_matches(['(', ')']).to_owned(),
        (None, _) if fact.history.len() > 1 => "amended".into(),
        _ => "in force".into(),
    }
}

/// A record in a few words.
pub fn headline(desk: &Desk<'_>, version: &Version) -> String {
    let yard = desk.yard;
    let tag = |id| desk.view_if_any().map_or_else(|| short(id), |v| v.tag(id));
    match &version.record.body {
        Body::Tree(b) => format!("tree {} {}", b.tag, b.species.as_deref().unwrap_or("")).trim().to_owned(),
        Body::Diameter(b) => format!("tree {} diameter {} cm", tag(b.tree), b.diameter_um.cm()),
        Body::Condition(b) => {
            let loss = b.canopy_loss.map(|c| format!(", canopy loss {} %", c.0 / 10)).unwrap_or_default();
            let metal = b.metal.as_ref().map(|m| format!(", metal in the wood: {m}")).unwrap_or_default();
            format!("tree {} condition{loss}{metal}", tag(b.tree))
        }
        Body::Dose(b) => format!("tree {} dose {} mL planned", tag(b.tree), b.target_ul.ml()),
        Body::Application(b) => format!(
            "tree {} {} mL into {} holes, crew {}, lot {}",
            tag(b.tree),
            b.put_in_ul().ml(),
            b.holes.len(),
            yard.crew_name(b.crew),
            yard.lot_number(b.lot)
        ),
        Body::NotTreated(b) => format!("tree {} not treated: {}", tag(b.tree), super::spelled(b.reason)),
        Body::Inspection(b) => format!("tree {} inspected: {}", tag(b.tree), b.text),
        Body::Note(b) => format!("note: {}", b.text),
        Body::Photo(b) => format!("photo {}", b.caption.as_deref().unwrap_or("")).trim().to_owned(),
        Body::Incident(b) => format!("{}: {}", super::spelled(b.what), b.text),
        Body::DayClosing(b) => format!("day {} of crew {} closed", b.day, yard.crew_name(b.crew)),
        Body::SignOff(b) => format!("day {} of crew {} signed off", b.day, yard.crew_name(b.crew)),
        Body::Reopening(b) => format!("sign-off {} taken back: {}", short(b.sign_off), b.reason),
        Body::Ruling(b) => format!("ruling on finding {}: {}", &b.finding.to_string()[..8], b.reason),
        Body::Strike(b) => format!("{} struck: {}", b.records.len(), b.reason),
        Body::Join(b) => format!("{} joined to tree {}: {}", b.joined.len(), tag(b.keep), b.reason),
        Body::Movement(b) => {
            format!("{} mL {}, lot {}", b.amount_ul.ml(), super::spelled(b.what), yard.lot_number(b.lot))
        }
        Body::Fill(b) => format!("{} mL filled, lot {}", b.amount_ul.ml(), yard.lot_number(b.lot)),
        Body::Lot(b) => format!("lot {}, expires {}", b.number, b.expires),
        Body::Label(b) => format!("label {}", b.name),
        Body::Kit(b) => format!("kit {}", b.name),
        Body::Crew(b) => format!("crew {}", b.name),
        Body::Block(b) => format!("block {}", b.name),
        Body::Person(b) => format!("{} ({})", desk.person_name(version.id()), super::spelled(b.work)),
        Body::Certificate(b) => format!("device {} ({})", b.name, super::spelled(b.role)),
        Body::Question(b) => format!("question: {}", b.text),
        Body::Answer(b) => format!("answer: {}", b.text),
        other => other.kind().name().replace('_', " "),
    }
}

/// A record as JSON.
pub fn record_json(record: &Record) -> Value {
    let text = record.to_canonical().unwrap_or_default();
    serde_json::from_str(&text).unwrap_or_default()
}

fn fact_json(facts: &Facts, fact: &Fact) -> Value {
    let versions: Vec<Value> = fact
        .history
        .iter()
        .map(|index| {
            let version = &facts.versions[*index];
            json!({
                "record": record_json(&version.record),
                "author": version.author,
                "standing": words(&format!("{:?}", version.standing)),
                "current": fact.current.contains(index),
            })
        })
        .collect();
    json!({
        "id": fact.id, "kind": fact.kind.name(), "state": state_of(facts, fact),
        "struck_by": fact.struck_by, "versions": versions,
    })
}
