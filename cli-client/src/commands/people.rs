//! `person`, `licence`, `crew`: who works, by what leave, with whom.

use bolebook_core::record::people::{Crew, Licence, Person, PersonWork};
use bolebook_core::record::{Body, Kind};

use super::erase::{EraseName, Hold, Of};
use crate::app::{App, Need};
use crate::desk::Desk;
use crate::error::CliError;
use crate::figures::{self, Typed};
use crate::output::{Answer, Table, short};

/// People who work for the company.
#[derive(Debug, clap::Subcommand)]
pub enum PersonCommand {
    Add(PersonAdd),
    List(PersonList),
    Erase(EraseName),
    Hold(Hold),
}

/// Adds a person. The name goes into the register, outside all books, where it can be erased.
#[derive(Debug, clap::Args)]
pub struct PersonAdd {
    /// The name.
    name: String,
    /// What they do.
    #[arg(long, value_parser = ["office", "crew-lead", "crew-member"])]
    work: String,
    /// A detail for the register, for example `telephone=555 0100`.
    #[arg(long = "detail", value_name = "NAME=VALUE")]
    details: Vec<String>,
}

/// Lists the people with their licences.
#[derive(Debug, clap::Args)]
pub struct PersonList {}

/// Licences to apply pesticides.
#[derive(Debug, clap::Subcommand)]
pub enum LicenceCommand {
    Add(LicenceAdd),
}

/// Adds a person's licence. Its number goes into the register.
#[derive(Debug, clap::Args)]
pub struct LicenceAdd {
    /// Whose.
    person: String,
    /// The authority or scheme that gave it.
    #[arg(long)]
    scheme: String,
    /// Its category, as the authority names it.
    #[arg(long)]
    category: String,
    /// Its number, for the register.
    #[arg(long)]
    number: String,
    /// First day it holds.
    #[arg(long, value_name = "DAY")]
    from: Typed,
    /// Last day it holds.
    #[arg(long, value_name = "DAY")]
    to: Typed,
    /// Its holder may apply under supervision only.
    #[arg(long)]
    supervised: bool,
}

/// Crews.
#[derive(Debug, clap::Subcommand)]
pub enum CrewCommand {
    Add(CrewAdd),
    List(CrewList),
}

/// Adds a crew.
#[derive(Debug, clap::Args)]
pub struct CrewAdd {
    /// A short name that is not a person's.
    name: String,
    /// Who leads it.
    #[arg(long, value_name = "PERSON")]
    lead: String,
    /// Who else works in it.
    #[arg(long = "member", value_name = "PERSON")]
    members: Vec<String>,
}

/// Lists the crews.
#[derive(Debug, clap::Args)]
pub struct CrewList {}

impl PersonCommand {
    /// Runs it.
    pub fn run(self, app: &App) -> Result<Answer, CliError> {
        match self {
            Self::Add(add) => app.write(Need::Yard, |desk| add.stage(desk)),
            Self::List(_) => app.read(Need::Yard, people),
            Self::Erase(erase) => erase.run(app, Of::Person),
            Self::Hold(hold) => hold.run(app, Of::Person),
        }
    }
}

impl PersonAdd {
    fn stage(self, desk: &mut Desk<'_>) -> Result<(), CliError> {
        let work: PersonWork = figures::word(&self.work, "kind of work")?;
        let name = self.name.trim().to_owned();
        if name.is_empty() {
            return Err(CliError::Refused(vec!["the name is empty".into()]));
        }
        if desk.named(Kind::Person).iter().any(|n| n.name.eq_ignore_ascii_case(&name)) {
            desk.answer.warnings.push(format!("there is another {name}: name them apart, or use ids"));
        }
        let details: Vec<(String, String)> = self
            .details
            .iter()
            .map(|detail| match detail.split_once('=') {
                Some((key, value)) => Ok((key.trim().to_owned(), value.trim().to_owned())),
                None => Err(figures::wrong(detail, "detail", "write NAME=VALUE")),
            })
            .collect::<Result<_, _>>()?;
        let id = desk.log_in_yard(Person { work }, desk.now)?;
        desk.keep_in_register(id, "person", &name, &details);
        desk.logged(format_args!("{name} added"), id);
        desk.answer.json.insert("person".into(), id.to_string().into());
        Ok(())
    }
}

impl LicenceCommand {
    /// Runs it.
    pub fn run(self, app: &App) -> Result<Answer, CliError> {
        let Self::Add(add) = self;
        app.write(Need::Yard, |desk| {
            let person = desk.person(&add.person)?;
            let (valid_from, valid_to) = (desk.day(Some(&add.from))?, desk.day(Some(&add.to))?);
            if valid_to < valid_from {
                return Err(CliError::Refused(vec![format!("it ends on {valid_to}, before it begins")]));
            }
            let licence = Licence {
                person,
                scheme: add.scheme.clone(),
                category: add.category.clone(),
                certified: !add.supervised,
                valid_from,
                valid_to,
            };
            let id = desk.log_in_yard(licence, desk.now)?;
            desk.keep_in_register(id, "licence", &add.number, &[]);
            // Exports name a person's licence: its number stands with the person, too.
            let known = desk.register.iter().rev().find(|e| e.id == person).cloned();
            if let Some(mut entry) = known.filter(|e| e.erased.is_none()) {
                entry.fields.insert("licence_number".into(), add.number.trim().into());
                entry.updated_at = desk.now;
                desk.put_in_register(entry);
            }
            desk.logged(format_args!("Licence of {} added", desk.person_name(person)), id);
            desk.answer.json.insert("licence".into(), id.to_string().into());
            Ok(())
        })
    }
}

impl CrewCommand {
    /// Runs it.
    pub fn run(self, app: &App) -> Result<Answer, CliError> {
        match self {
            Self::Add(add) => app.write(Need::Yard, |desk| add.stage(desk)),
            Self::List(_) => app.read(Need::Yard, crews),
        }
    }
}

impl CrewAdd {
    fn stage(self, desk: &mut Desk<'_>) -> Result<(), CliError> {
        let name = self.name.trim().to_owned();
        if name.is_empty() || desk.named(Kind::Crew).iter().any(|n| n.name.eq_ignore_ascii_case(&name)) {
            return Err(CliError::Refused(vec![format!("a crew needs a name of its own; '{name}' is not")]));
        }
        let lead = desk.person(&self.lead)?;
        let mut members = vec![lead];
        for member in &self.members {
            let id = desk.person(member)?;
            if !members.contains(&id) {
                members.push(id);
            }
        }
        let id = desk.log_in_yard(Crew { name: name.clone(), lead, members }, desk.now)?;
        desk.logged(format_args!("Crew {name} added"), id);
        desk.answer.json.insert("crew".into(), id.to_string().into());
        Ok(())
    }
}

fn people(desk: &mut Desk<'_>) -> Result<Answer, CliError> {
    let mut table = Table::new(&["name", "work", "licences", "id"]);
    let mut rows = vec![];
    for fact in desk.yard.facts.in_force(Kind::Person) {
        let Body::Person(person) = &desk.yard.facts.shown(fact).record.body else { continue };
        let licences: Vec<String> = desk
            .yard
            .facts
            .in_force(Kind::Licence)
            .filter_map(|l| match &desk.yard.facts.shown(l).record.body {
                Body::Licence(licence) if licence.person == fact.id => {
                    Some(format!("{} to {}", licence.category, licence.valid_to))
                }
                _ => None,
            })
            .collect();
        let work = super::spelled(person.work);
        let name = desk.person_name(fact.id);
        rows.push(serde_json::json!({ "id": fact.id, "name": name, "work": work, "licences": licences }));
        table.row([name, work, licences.join("; "), short(fact.id)]);
    }
    let mut answer = Answer::default().with("people", rows);
    answer.table(&table);
    Ok(answer)
}

fn crews(desk: &mut Desk<'_>) -> Result<Answer, CliError> {
    let mut table = Table::new(&["crew", "lead", "members", "id"]);
    let mut rows = vec![];
    for fact in desk.yard.facts.in_force(Kind::Crew) {
        let Body::Crew(crew) = &desk.yard.facts.shown(fact).record.body else { continue };
        let names: Vec<String> = crew.members.iter().map(|m| desk.person_name(*m)).collect();
        let lead = desk.person_name(crew.lead);
        rows.push(serde_json::json!({ "id": fact.id, "name": crew.name, "lead": lead, "members": names }));
        table.row([crew.name.clone(), lead, names.join(", "), short(fact.id)]);
    }
    let mut answer = Answer::default().with("crews", rows);
    answer.table(&table);
    Ok(answer)
}
