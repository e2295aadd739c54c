//! `rule`, `join-trees`, `part-trees`, `sign-off`, `reopen`, `ask`, `answer`: what the office settles.

use bolebook_core::check;
use bolebook_core::finding::Ruled;
use bolebook_core::ids::{RecordId, TreeId};
use bolebook_core::record::book_kinds::Strike;
use bolebook_core::record::office::{
    Answer as AnswerBody, Decision, Join, Question, Reopening, Ruling, SignOff,
};
use bolebook_core::record::{Body, Kind};
use bolebook_core::view::CrewDay;

use crate::app::{App, Need};
use crate::desk::Desk;
use crate::error::CliError;
use crate::figures::Typed;
use crate::names::{self, NameError};
use crate::output::Answer;

/// Rules on a finding.
///
/// A finding that is explained is accepted. A violation of label or law cannot be: it is confirmed,
/// with what was done about it and the report the law asks for. A ruling holds while its facts do.
#[derive(Debug, clap::Args)]
pub struct Rule {
    /// The finding, by the beginning of its id.
    finding: String,
    /// The decision.
    #[arg(value_parser = ["accept", "confirm"])]
    decision: String,
    /// Why.
    #[arg(long)]
    reason: String,
    /// With 'confirm': what was done about it.
    #[arg(long, required_if_eq("decision", "confirm"))]
    done: Option<String>,
    /// With 'confirm': the report the law asks for, and to whom it went.
    #[arg(long, required_if_eq("decision", "confirm"))]
    reported: Option<String>,
}

impl Rule {
    /// Runs it.
    pub fn run(self, app: &App) -> Result<Answer, CliError> {
        app.write_all(|desk, findings| {
            desk.office_only("rule on findings")?;
            let finding = names::finding(findings, &self.finding)?;
            let decision = match (&self.done, &self.reported) {
                (Some(done), Some(reported)) if self.decision == "confirm" => {
                    Decision::ConfirmViolation { done: done.clone(), reported: reported.clone() }
                }
                _ => Decision::Accept,
            };
            if !check::allowed(finding.code, &decision) {
                return Err(CliError::NotAllowed {
                    message: format!(
                        "{} is a violation of label or law and cannot be accepted",
                        finding.code.name()
                    ),
                    hint: "amend what was logged wrong, or confirm the violation with --done and --reported"
                        .into(),
                });
            }
            if finding.code.ruled() == Ruled::Accepted && decision != Decision::Accept {
                desk.answer.warnings.push("this finding could also be explained and accepted".into());
            }
            let body =
                Ruling { finding: finding.id, facts: finding.facts, decision, reason: self.reason.clone() };
            let line = format!("Finding {} ruled on: {}", names::finding_name(finding), self.reason);
            let id = desk.log_in_job(body, desk.now)?;
            desk.logged(line, id);
            Ok(())
        })
    }
}

/// Joins trees that are one: their histories are kept, their applications summed.
#[derive(Debug, clap::Args)]
pub struct JoinTrees {
    /// The tree that stays.
    keep: Typed,
    /// The others.
    #[arg(required = true)]
    others: Vec<Typed>,
    /// Why.
    #[arg(long)]
    reason: String,
}

impl JoinTrees {
    /// Runs it.
    pub fn run(self, app: &App) -> Result<Answer, CliError> {
        app.write(Need::Job, |desk| {
            let keep = desk.tree(&self.keep)?;
            let joined: Vec<TreeId> = self.others.iter().map(|t| desk.tree(t)).collect::<Result<_, _>>()?;
            if joined.contains(&keep) {
                return Err(CliError::Refused(vec!["a tree cannot be joined to itself".into()]));
            }
            let (stays, gone) = (desk.stand()?.tag(keep), joined.len());
            let id = desk.log_in_job(Join { keep, joined, reason: self.reason.clone() }, desk.now)?;
            desk.logged(format_args!("{gone} joined to tree {stays}"), id);
            Ok(())
        })
    }
}

/// Parts trees that were joined, by striking what joined them.
#[derive(Debug, clap::Args)]
pub struct PartTrees {
    /// The tree that stayed, or one of the others.
    tree: Typed,
    /// Why.
    #[arg(long)]
    reason: String,
}

impl PartTrees {
    /// Runs it.
    pub fn run(self, app: &App) -> Result<Answer, CliError> {
        app.write(Need::Job, |desk| {
            desk.office_only("part trees")?;
            let tree = desk.tree(&self.tree)?;
            let view = desk.view()?;
            let named = |fact: &&bolebook_core::facts::Fact| match &view.facts.shown(fact).record.body {
                Body::Join(join) => {
                    join.keep == tree || join.joined.contains(&tree) || view.stays(join.keep) == tree
                }
                _ => false,
            };
            let records: Vec<RecordId> =
                view.facts.in_force(Kind::Join).filter(named).map(|f| f.id).collect();
            if records.is_empty() {
                return Err(CliError::Refused(vec!["nothing joined this tree to another".into()]));
            }
            let id = desk.log_in_job(Strike { records, reason: self.reason.clone() }, desk.now)?;
            desk.logged("Trees parted", id);
            Ok(())
        })
    }
}

/// Signs a crew's day off, on the state of the books as they are here.
#[derive(Debug, clap::Args)]
pub struct SignOffCommand {
    /// The day.
    day: Typed,
    /// The crew.
    #[arg(long)]
    crew: Option<Typed>,
}

impl SignOffCommand {
    /// Runs it.
    pub fn run(self, app: &App) -> Result<Answer, CliError> {
        app.write_all(|desk, findings| {
            desk.office_only("sign a day off")?;
            let day = CrewDay { crew: desk.crew(self.crew.as_ref())?, day: desk.day(Some(&self.day))? };
            let view = desk.view()?;
            let name = desk.yard.crew_name(day.crew);
            if !view.crew_days.contains(&day) {
                return Err(CliError::Refused(vec![format!("crew {name} has no work on {}", day.day)]));
            }
            if view.signed_off.contains_key(&day) {
                return Err(CliError::Refused(vec![format!(
                    "crew {name}'s {} is signed off already",
                    day.day
                )]));
            }
            let stops: Vec<String> = check::blocking(findings, day)
                .map(|f| format!("{} {}: {}", names::finding_name(f), f.code.name(), f.message))
                .collect();
            if !stops.is_empty() {
                return Err(CliError::Stopped { day: day.day, crew: name, stops });
            }
            let open = findings.iter().filter(|f| f.open() && f.crew_days.contains(&day)).count();
            if open > 0 {
                desk.answer.warnings.push(format!("{open} findings of this day are still open for review"));
            }
            let body = SignOff {
                crew: day.crew,
                day: day.day,
                job_heads: view.heads.clone(),
                yard_heads: desk.yard.heads.clone(),
            };
            let id = desk.log_in_job(body, desk.now)?;
            desk.logged(format_args!("Crew {name}'s {} signed off", day.day), id);
            Ok(())
        })
    }
}

/// Opens a signed-off day again.
#[derive(Debug, clap::Args)]
pub struct Reopen {
    /// The day.
    day: Typed,
    /// The crew.
    #[arg(long)]
    crew: Option<Typed>,
    /// Why.
    #[arg(long)]
    reason: String,
}

impl Reopen {
    /// Runs it.
    pub fn run(self, app: &App) -> Result<Answer, CliError> {
        app.write(Need::Job, |desk| {
            let day = CrewDay { crew: desk.crew(self.crew.as_ref())?, day: desk.day(Some(&self.day))? };
            let view = desk.view()?;
            let name = desk.yard.crew_name(day.crew);
            let in_force = view.facts.signed_off.iter().map(|v| &view.facts.versions[*v]);
            let of_day = in_force.filter(|version| match &version.record.body {
                Body::SignOff(b) => b.crew == day.crew && b.day == day.day,
                _ => false,
            });
            let sign_offs: Vec<RecordId> = of_day.map(bolebook_core::facts::Version::id).collect();
            if sign_offs.is_empty() {
                return Err(CliError::Refused(vec![format!("crew {name}'s {} is not signed off", day.day)]));
            }
            for sign_off in sign_offs {
                let id = desk.log_in_job(Reopening { sign_off, reason: self.reason.clone() }, desk.now)?;
                desk.logged(format_args!("Crew {name}'s {} opened again", day.day), id);
            }
            Ok(())
        })
    }
}

/// Asks a crew.
#[derive(Debug, clap::Args)]
pub struct Ask {
    /// The question.
    text: String,
    /// The crew.
    #[arg(long)]
    crew: Typed,
    /// The finding it is about.
    #[arg(long)]
    finding: Option<String>,
    /// A tree or record it is about.
    #[arg(long)]
    about: Vec<Typed>,
}

impl Ask {
    /// Runs it.
    pub fn run(self, app: &App) -> Result<Answer, CliError> {
        app.write_all(|desk, findings| {
            let finding = self.finding.as_ref().map(|f| names::finding(findings, f)).transpose()?;
            let mut records: Vec<RecordId> = finding.map(|f| f.records.clone()).unwrap_or_default();
            for about in &self.about {
                records.push(super::field::about(desk, about)?);
            }
            let crew = desk.crew(Some(&self.crew))?;
            let body = Question { crew, finding: finding.map(|f| f.id), records, text: self.text.clone() };
            let id = desk.log_in_job(body, desk.now)?;
            desk.logged("Question put", id);
            desk.answer.json.insert("question".into(), id.to_string().into());
            Ok(())
        })
    }
}

/// Answers a question of the office.
#[derive(Debug, clap::Args)]
pub struct AnswerCommand {
    /// The question; the only open one if not said.
    #[arg(long)]
    question: Option<Typed>,
    /// The answer.
    text: String,
}

impl AnswerCommand {
    /// Runs it.
    pub fn run(self, app: &App) -> Result<Answer, CliError> {
        app.write(Need::Job, |desk| {
            let question = match &self.question {
                Some(typed) => desk.fact(typed.text())?.1.id,
                None => only_open(desk)?,
            };
            let id = desk.log_in_job(AnswerBody { question, text: self.text.clone() }, desk.now)?;
            desk.logged("Answer given", id);
            Ok(())
        })
    }
}

/// The one question nobody has answered.
fn only_open(desk: &Desk<'_>) -> Result<RecordId, CliError> {
    let facts = &desk.view()?.facts;
    let answered: Vec<RecordId> = facts
        .in_force(Kind::Answer)
        .filter_map(|f| match &facts.shown(f).record.body {
            Body::Answer(answer) => Some(answer.question),
            _ => None,
        })
        .collect();
    let open: Vec<RecordId> =
        facts.in_force(Kind::Question).map(|f| f.id).filter(|id| !answered.contains(id)).collect();
    match open[..] {
        [one] => Ok(one),
        _ => {
            let why = format!("{} are open", open.len());
            Err(NameError::Unsaid { what: "question", why, option: "--question ID" }.into())
        }
    }
}
