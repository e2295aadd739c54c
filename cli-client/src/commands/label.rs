//! `label`: product labels as the office entered them.

use std::path::{Path, PathBuf};

use bolebook_core::dosing::invented;
use bolebook_core::dosing::label::not_stated;
use bolebook_core::dosing::label::paper::{Taken, from_paper, to_paper};
use bolebook_core::entering;
use bolebook_core::ids::RecordId;
use bolebook_core::quantity::{Ul, Um};
use bolebook_core::record::label::{Label, LabelConfirmation, WorkedDose};
use bolebook_core::record::{Body, Kind};
use serde_json::Value;

use super::once::Once;
use crate::app::{App, Need};
use crate::desk::Desk;
use crate::error::CliError;
use crate::figures::Typed;
use crate::output::{Answer, Table, short};

/// Product labels: enter them from the paper, have them confirmed by a second person.
#[derive(Debug, clap::Subcommand)]
pub enum LabelCommand {
    Template(Template),
    Check(Check),
    Add(Add),
    ConfirmTemplate(Template),
    Confirm(Confirm),
    List(List),
}

/// Prints JSON to fill in from the paper: every figure with the unit the paper gives it in, such as
/// "2.4 mL/cm", "6 mL/in", "150 psi" or "41 °F". What stays null, or is left away, is not stated.
#[derive(Debug, clap::Args)]
pub struct Template {
    /// Filled in with an example whose figures are INVENTED: NOT FOR USE.
    #[arg(long, value_name = "WHICH", num_args = 0..=1, default_missing_value = "ash", require_equals = true)]
    invented: Option<Example>,
}

/// An invented label.
#[derive(Clone, Copy, Debug, clap::ValueEnum)]
enum Example {
    Ash,
    Hemlock,
}

impl Template {
    fn label(&self) -> Option<Label> {
        Some(match self.invented? {
            Example::Ash => invented::ash_label(),
            Example::Hemlock => invented::hemlock_label(),
        })
    }
}

/// Checks a label file without entering it.
#[derive(Debug, clap::Args)]
pub struct Check {
    /// The file ('-' for standard input).
    file: PathBuf,
}

/// Enters a label from a JSON file. It is usable once a second licensed person has confirmed it.
#[derive(Debug, clap::Args)]
pub struct Add {
    /// The file ('-' for standard input); see `bolebook label template`.
    file: PathBuf,
}

/// Confirms a label: a second licensed person re-enters its rates from the paper and works three doses.
#[derive(Debug, clap::Args)]
pub struct Confirm {
    /// The label.
    label: Typed,
    /// The file ('-' for standard input) with `rates`, three `worked` doses and, if the paper
    /// has the product mixed, the `mix` (`diluent`, `product_parts`, `diluent_parts`); see
    /// `bolebook label confirm-template`.
    file: PathBuf,
}

/// Lists the labels.
#[derive(Debug, clap::Args)]
pub struct List {}

/// The rates and worked doses of a second person.
#[derive(Debug, serde::Serialize, serde::Deserialize)]
#[serde(deny_unknown_fields)]
struct Again {
    rates: Vec<bolebook_core::record::label::RateRow>,
    worked: Vec<bolebook_core::record::label::WorkedDose>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    mix: Option<bolebook_core::record::label::Mix>,
}

impl Again {
    /// One rate and three doses to fill in.
    fn empty() -> Self {
        let worked = WorkedDose { purpose: String::new(), diameter_um: Um(0), dose_ul: Ul(0) };
        Self { rates: invented::template().rates, worked: vec![worked; 3], mix: None }
    }
}

impl LabelCommand {
    /// Runs it.
    pub fn run(self, app: &App) -> Result<Answer, CliError> {
        match self {
            Self::Template(template) => {
                let label = template.label();
                form(&label.clone().unwrap_or_else(invented::template), |form| match label {
                    Some(_) => {}
                    None => not_stated(&invented::template()).into_iter().for_each(|name| open(form, name)),
                })
            }
            Self::ConfirmTemplate(template) => {
                let label = template.label();
                let again = match &label {
                    Some(label) => {
                        let again = invented::confirmation_of(label, RecordId::new(0, [0; 10]));
                        Again { rates: again.rates, worked: again.worked, mix: again.mix }
                    }
                    None => Again::empty(),
                };
                form(&again, |form| match label {
                    Some(_) => {}
                    None => ["mix", "rates: below"].into_iter().for_each(|name| open(form, name)),
                })
            }
            Self::Check(check) => {
                let (label, taken): (Label, _) = paper_file(&check.file)?;
                let mut answer = Answer::line(format!("Label {} can be entered.", label.name));
                answer.warnings = passes(&label)?;
                echo(&mut answer, &label, &taken);
                Ok(answer)
            }
            Self::Add(add) => {
                let (label, taken): (Label, _) = paper_file(&add.file)?;
                app.write(Need::Yard, |desk| {
                    desk.answer.warnings = passes(&label)?;
                    echo(&mut desk.answer, &label, &taken);
                    let id = desk.log_in_yard(label.clone(), desk.now)?;
                    desk.logged(format_args!("Label {} entered", label.name), id);
                    desk.answer.say("It is usable once a second licensed person has confirmed it.");
                    desk.answer.json.insert("label".into(), id.to_string().into());
                    Ok(())
                })
            }
            Self::Confirm(confirm) => {
                let (again, _): (Again, _) = paper_file(&confirm.file)?;
                app.write(Need::Yard, |desk| confirm.stage(desk, &again))
            }
            Self::List(_) => app.read(Need::Yard, list),
        }
    }
}

/// Refuses a label that cannot be right; gives what it cannot do.
fn passes(label: &Label) -> Result<Vec<String>, CliError> {
    entering::label::passes(label).map_err(CliError::Refused)
}

/// A label file, its figures as integers or as the paper has them.
fn paper_file<T: serde::de::DeserializeOwned>(path: &Path) -> Result<(T, Vec<Taken>), CliError> {
    let Once(mut form) = super::json_file(path)?;
    close(&mut form);
    let (form, taken) = from_paper(form)
        .map_err(|wrong| CliError::Refused(wrong.iter().map(ToString::to_string).collect()))?;
    match serde_json::from_value(form) {
        Ok(read) => Ok((read, taken)),
        // Only the file itself can say in which line the fault lies.
        Err(_) if taken.is_empty() => super::json_file(path).map(|read| (read, taken)),
        Err(error) => Err(CliError::Refused(vec![format!("{}: {error}", path.display())])),
    }
}

/// Shows the rates in both units, and what the units written are easily taken for.
fn echo(answer: &mut Answer, label: &Label, taken: &[Taken]) {
    let said = entering::label::said(label, taken);
    answer.say("Rates, to be held against the paper:");
    said.rates.iter().chain(&said.traps).chain(&said.mix).for_each(|line| answer.say(format!("  {line}")));
    if !said.not_stated.is_empty() {
        answer.say("Taken as NOT STATED on the label. Look for each on the paper, and enter what it states under this name:");
        answer.say(format!("  {}.", said.not_stated.join("; ")));
    }
    said.earlier.iter().for_each(|line| answer.say(format!("  {line}")));
    answer.json.insert("rates".into(), said.rates.into());
    answer.json.insert("not_stated".into(), said.not_stated.into());
}

/// A form as JSON, its figures as the paper has them, with what `more` adds.
fn form(value: &impl serde::Serialize, more: impl FnOnce(&mut Value)) -> Result<Answer, CliError> {
    let value = serde_json::to_value(value).map_err(|e| CliError::Unexpected(e.to_string()))?;
    let mut value = to_paper(value);
    more(&mut value);
    let text = serde_json::to_string_pretty(&value).map_err(|e| CliError::Unexpected(e.to_string()))?;
    super::template(&text)
}

/// Puts `null` where a figure that a paper may not state would be entered, as [`not_stated`] names it:
/// `interval_days`, `holes: most_holes`, `mix: diluent, product_parts, diluent_parts`.
fn open(form: &mut Value, name: &str) {
    let place = match name.split_once(": ") {
        Some(("mix", _)) => return open(form, "mix"),
        Some((around, inner)) => match form.get_mut(around) {
            Some(Value::Array(list)) => return list.iter_mut().for_each(|one| open(one, inner)),
            Some(one) => return open(one, inner),
            None => return,
        },
        None => name,
    };
    if let Some(form) = form.as_object_mut() {
        form.entry(place).or_insert(Value::Null);
    }
}

/// Leaves away what stands as `null`: it is not stated.
fn close(form: &mut Value) {
    match form {
        Value::Object(fields) => {
            fields.retain(|_, value| !value.is_null());
            fields.values_mut().for_each(close);
        }
        Value::Array(list) => list.iter_mut().for_each(close),
        _ => {}
    }
}

impl Confirm {
    fn stage(&self, desk: &mut Desk<'_>, again: &Again) -> Result<(), CliError> {
        let (id, label) = desk.label(Some(&self.label), None)?;
        entering::label::not_who_entered(desk.yard, id, desk.user()?).map_err(|why| {
            CliError::NotAllowed {
                message: why.to_string(),
                hint: "let a second licensed person do it, with --by NAME".into(),
            }
        })?;
        let body = LabelConfirmation {
            label: id,
            rates: again.rates.clone(),
            worked: again.worked.clone(),
            mix: again.mix.clone(),
        };
        entering::label::agrees(&label, &body).map_err(CliError::Refused)?;
        // Whoever holds no licence yet may have one entered later that held by then: it is kept, and said.
        let lacks = entering::label::may_confirm(desk.yard, id, desk.user()?, desk.now).err();
        let confirmation = desk.log_in_yard(body, desk.now)?;
        match lacks {
            None => desk.logged(format_args!("Label {} confirmed", label.name), confirmation),
            Some(why) => {
                desk.logged(format_args!("Label {} re-entered, WITHOUT EFFECT", label.name), confirmation);
                desk.answer.warnings.push(format!(
                    "{why}. The label is NOT confirmed and stops every dose: let a licensed person confirm it, or have the licence entered if one held today"
                ));
            }
        }
        desk.answer.json.insert("confirmed".into(), lacks.is_none().into());
        Ok(())
    }
}

fn list(desk: &mut Desk<'_>) -> Result<Answer, CliError> {
    let mut table = Table::new(&["label", "registration", "purposes", "confirmed", "id"]);
    let mut rows = vec![];
    for fact in desk.yard.facts.in_force(Kind::Label) {
        let version = desk.yard.facts.shown(fact);
        let Body::Label(label) = &version.record.body else { continue };
        let confirmed = desk.yard.confirmed(version.id()).is_some();
        let mut purposes: Vec<_> = label.rates.iter().map(|r| r.purpose.clone()).collect();
        purposes.dedup();
        let shown = if confirmed { "yes" } else { "no" };
        table.row([
            label.name.clone(),
            label.registration.clone(),
            purposes.join(", "),
            shown.into(),
            short(version.id()),
        ]);
        rows.push(serde_json::json!({ "id": version.id(), "confirmed": confirmed, "label": label }));
    }
    let mut answer = Answer::default().with("labels", rows);
    answer.table(&table);
    Ok(answer)
}
