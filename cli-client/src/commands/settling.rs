//! `rule-all`, `questions`, `day-sheet`: a day settled as a whole.

use bolebook_core::check;
use bolebook_core::export::{DaySheet, day_sheet};
use bolebook_core::finding::State;
use bolebook_core::record::office::{Decision, Ruling};
use bolebook_core::record::{Body, Kind};
use bolebook_core::view::{CrewDay, View};
use serde_json::json;

use super::export::FromRegister;
use crate::app::{App, Need};
use crate::desk::Desk;
use crate::error::CliError;
use crate::figures::Typed;
use crate::names;
use crate::output::{Answer, Table, short};

/// Rules on every open finding of one code on a day, with one reason: all of them, or none.
#[derive(Debug, clap::Args)]
pub struct RuleAll {
    /// The decision.
    #[arg(value_parser = ["accept", "confirm"])]
    decision: String,
    /// The findings' code, as 'bolebook check' shows it.
    #[arg(long)]
    code: String,
    /// The day.
    #[arg(long)]
    on: Typed,
    /// Only this crew's.
    #[arg(long)]
    crew: Option<Typed>,
    /// Why.
    #[arg(long)]
    reason: String,
    /// With 'confirm': what was done about them.
    #[arg(long, required_if_eq("decision", "confirm"))]
    done: Option<String>,
    /// With 'confirm': the report the law asks for, and to whom it went.
    #[arg(long, required_if_eq("decision", "confirm"))]
    reported: Option<String>,
}

impl RuleAll {
    /// Runs it.
    pub fn run(self, app: &App) -> Result<Answer, CliError> {
        app.write_all(|desk, findings| {
            desk.office_only("rule on findings")?;
            let day = desk.day(Some(&self.on))?;
            let crew = self.crew.as_ref().map(|c| desk.crew(Some(c))).transpose()?;
            let of_day = |d: &CrewDay| d.day == day && crew.is_none_or(|c| d.crew == c);
            let all: Vec<_> = findings
                .iter()
                .filter(|f| f.open() && f.code.name() == self.code && f.crew_days.iter().any(of_day))
                .collect();
            if all.is_empty() {
                return Err(CliError::Refused(vec![format!("no open finding {} on {day}", self.code)]));
            }
            let decision = match (&self.done, &self.reported) {
                (Some(done), Some(reported)) if self.decision == "confirm" => {
                    Decision::ConfirmViolation { done: done.clone(), reported: reported.clone() }
                }
                _ => Decision::Accept,
            };
            if all.iter().any(|f| !check::allowed(f.code, &decision)) {
                return Err(CliError::NotAllowed {
                    message: format!("{} is a violation of label or law and cannot be accepted", self.code),
                    hint: "amend what was logged wrong, or confirm the violation with --done and --reported"
                        .into(),
                });
            }
            for finding in all {
                let (decision, reason) = (decision.clone(), self.reason.clone());
                let body = Ruling { finding: finding.id, facts: finding.facts, decision, reason };
                let id = desk.log_in_job(body, desk.now)?;
                desk.logged(
                    format!("Finding {} ruled on: {}", names::finding_name(finding), self.reason),
                    id,
                );
            }
            Ok(())
        })
    }
}

/// Lists the office's questions with their answers.
#[derive(Debug, clap::Args)]
pub struct Questions {
    /// Answered ones too.
    #[arg(long)]
    all: bool,
    /// Only those to this crew.
    #[arg(long)]
    crew: Option<Typed>,
}

impl Questions {
    /// Runs it.
    pub fn run(self, app: &App) -> Result<Answer, CliError> {
        app.read(Need::Job, |desk| {
            let crew = self.crew.as_ref().map(|c| desk.crew(Some(c))).transpose()?;
            let facts = &desk.view()?.facts;
            let (mut answer, mut rows) = (Answer::default(), vec![]);
            for fact in facts.in_force(Kind::Question) {
                let Body::Question(question) = &facts.shown(fact).record.body else { continue };
                let answers: Vec<String> = facts
                    .in_force(Kind::Answer)
                    .filter_map(|f| match &facts.shown(f).record.body {
                        Body::Answer(a) if a.question == fact.id => Some(a.text.clone()),
                        _ => None,
                    })
                    .collect();
                if crew.is_some_and(|c| c != question.crew) || !(self.all || answers.is_empty()) {
                    continue;
                }
                let to = desk.yard.crew_name(question.crew);
                answer.say(format!("{}  to {to}: {}", short(fact.id), question.text));
                answer.text.extend(answers.iter().map(|text| format!("       answered: {text}")));
                rows.push(json!({
                    "question": fact.id, "crew": question.crew, "crew_name": to, "text": question.text,
                    "finding": question.finding, "records": question.records, "answers": answers,
                }));
            }
            if rows.is_empty() {
                answer.say("No question is open.");
            }
            Ok(answer.with("questions", rows))
        })
    }
}

/// Prints a crew's day on one page: what was applied, found and decided. Provisional until signed off.
#[derive(Debug, clap::Args)]
pub struct DaySheetCommand {
    /// The crew.
    crew: Typed,
    /// The day.
    day: Typed,
    /// Leaves people's names out.
    #[arg(long)]
    no_names: bool,
}

impl DaySheetCommand {
    /// Runs it.
    pub fn run(self, app: &App) -> Result<Answer, CliError> {
        app.read_all(Need::Job, |desk, views, balance| {
            let Some(view) = views.first() else {
                return Err(CliError::Unexpected("no job was read".into()));
            };
            let day = CrewDay { crew: desk.crew(Some(&self.crew))?, day: desk.day(Some(&self.day))? };
            if !view.crew_days.contains(&day) {
                let name = desk.yard.crew_name(day.crew);
                return Err(CliError::Refused(vec![format!("crew {name} has no work on {}", day.day)]));
            }
            let all: Vec<&View<'_>> = views.iter().collect();
            let findings = check::check_among(view, &all, balance);
            let register = if self.no_names { &[][..] } else { &desk.register };
            let sheet = day_sheet(view, &findings, day, &FromRegister(register));
            let mut answer = Answer::default();
            page(desk, view, &sheet, &mut answer);
            Ok(answer.with("day_sheet", serde_json::to_value(&sheet).unwrap_or_default()))
        })
    }
}

fn page(desk: &Desk<'_>, view: &View<'_>, sheet: &DaySheet, answer: &mut Answer) {
    answer.say(format!("Day sheet: crew {}, {}, {}", sheet.crew_name, sheet.day, view.title));
    answer.say(match sheet.signed_off {
        Some(id) => format!("Signed off ({})", short(id)),
        None => "PROVISIONAL: not signed off, it may still change".into(),
    });
    for (at, why) in &sheet.reopened {
        answer.say(format!("Opened again {}: {why}", view.local_time(*at)));
    }
    let head = ["tree", "stem", "began", "mL", "leaked", "holes", "lot", "applied by", ""];
    let mut table = Table::new(&head).right(&[1, 3, 4, 5]);
    for row in &sheet.rows {
        table.row([
            row.tag.clone(),
            row.stem.to_string(),
            row.started_at.get(11..16).unwrap_or(&row.started_at).to_owned(),
            row.put_in_ul.ml(),
            row.leaked_ul.ml(),
            row.holes.to_string(),
            row.lot.clone(),
            row.applicator.clone(),
            match (row.standing, row.day_state) {
                ("in force", "arrived after sign-off") => "LATE".into(),
                ("in force", _) => String::new(),
                (standing, _) => standing.to_uppercase(),
            },
        ]);
    }
    answer.table(&table);
    let mut products: Vec<_> = sheet.rows.iter().map(|r| (&r.product, &r.registration)).collect();
    products.sort();
    products.dedup();
    for (product, registration) in products {
        answer.say(format!("Product: {product}, registration {registration}"));
    }
    for (tag, reason) in &sheet.not_treated {
        answer.say(format!("Not treated: {tag}, {reason}"));
    }
    for caution in &sheet.cautions {
        answer.say(format!("Caution: {caution}"));
    }
    for line in &sheet.first_aid {
        answer.say(format!("First aid: {line}"));
    }
    for finding in &sheet.findings {
        answer.say(format!("{} {}: {}", names::finding_name(finding), finding.code.name(), finding.message));
        answer.text.extend(finding.evidence.iter().map(|line| format!("       ? {line}")));
        if let State::Settled { decision, reason, at, by, done, reported, .. } = &finding.state {
            let who = by.map(|id| format!(" by {}", desk.person_name(id))).unwrap_or_default();
            let (what, when) = (decision.replace('_', " "), view.local_time(*at));
            answer.say(format!("       {what}{who}, {when}: {reason}"));
            for (name, text) in [("done", done), ("reported", reported)] {
                answer.text.extend(text.iter().map(|t| format!("       {name}: {t}")));
            }
        }
    }
    answer.say(format!("State {}", sheet.state));
}
