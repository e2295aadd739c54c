//! `label`: product labels as the office entered them.

use std::path::PathBuf;

use bolebook_core::dosing::dose::dose_for;
use bolebook_core::record::label::{Label, LabelConfirmation};
use bolebook_core::record::{Body, Kind};

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

/// Prints JSON to fill in from the paper. Its figures are INVENTED: NOT FOR USE.
#[derive(Debug, clap::Args)]
pub struct Template {}

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
    /// The file ('-' for standard input) with `rates` and three `worked` doses; see
    /// `bolebook label confirm-template`.
    file: PathBuf,
}

/// Lists the labels.
#[derive(Debug, clap::Args)]
pub struct List {}

/// The rates and worked doses of a second person.
#[derive(Debug, serde::Deserialize)]
#[serde(deny_unknown_fields)]
struct Again {
    rates: Vec<bolebook_core::record::label::RateRow>,
    worked: Vec<bolebook_core::record::label::WorkedDose>,
}

impl LabelCommand {
    /// Runs it.
    pub fn run(self, app: &App) -> Result<Answer, CliError> {
        match self {
            Self::Template(_) => super::template(include_str!("label_template.json")),
            Self::ConfirmTemplate(_) => super::template(include_str!("confirmation_template.json")),
            Self::Check(check) => {
                let label: Label = super::json_file(&check.file)?;
                let faults = faults(&label);
                if faults.is_empty() {
                    Ok(Answer::line(format!("Label {} closes.", label.name)).with("closes", true))
                } else {
                    Err(CliError::Refused(faults))
                }
            }
            Self::Add(add) => {
                let label: Label = super::json_file(&add.file)?;
                app.write(Need::Yard, |desk| {
                    let faults = faults(&label);
                    if !faults.is_empty() {
                        return Err(CliError::Refused(faults));
                    }
                    let id = desk.to_yard(label.clone(), desk.now)?;
                    desk.logged(format_args!("Label {} entered", label.name), id);
                    desk.answer.say("It is usable once a second licensed person has confirmed it.");
                    desk.answer.json.insert("label".into(), id.to_string().into());
                    Ok(())
                })
            }
            Self::Confirm(confirm) => {
                let again: Again = super::json_file(&confirm.file)?;
                app.write(Need::Yard, |desk| confirm.stage(desk, &again))
            }
            Self::List(_) => app.read(Need::Yard, list),
        }
    }
}

/// What keeps a label's numbers from being usable.
fn faults(label: &Label) -> Vec<String> {
    let mut faults = vec![];
    if label.rates.is_empty() {
        faults.push("it has no rates".to_owned());
    }
    for (row, rate) in label.rates.iter().enumerate() {
        let at = rate.from_um.max(label.smallest_diameter_um);
        if let Err(error) = dose_for(label, &rate.purpose, at) {
            faults.push(format!("rate {}: {error}", row + 1));
        }
    }
    faults
}

impl Confirm {
    fn stage(&self, desk: &mut Desk<'_>, again: &Again) -> Result<(), CliError> {
        let (id, label) = desk.label(Some(&self.label), None)?;
        let entered = desk.yard.facts.fact_of(id).map(|f| desk.yard.facts.shown(f).record.envelope.by);
        if entered.flatten() == Some(desk.user()?) {
            return Err(CliError::NotAllowed {
                message: "the person who entered a label cannot confirm it".into(),
                hint: "let a second licensed person do it, with --by NAME".into(),
            });
        }
        let mut faults = vec![];
        if again.rates != label.rates {
            faults.push("the rates are not those entered: compare both with the paper".to_owned());
        }
        if again.worked.len() < 3 {
            faults.push(format!("{} worked doses; three are needed", again.worked.len()));
        }
        for worked in &again.worked {
            match dose_for(&label, &worked.purpose, worked.diameter_um) {
                Err(error) => faults.push(error.to_string()),
                Ok(dose) if dose.target_ul != worked.dose_ul => faults.push(format!(
                    "worked by hand, {} cm takes {} mL; by the rates entered it takes {} mL",
                    worked.diameter_um.cm(),
                    worked.dose_ul.ml(),
                    dose.target_ul.ml()
                )),
                Ok(_) => {}
            }
        }
        if !faults.is_empty() {
            return Err(CliError::Refused(faults));
        }
        let body =
            LabelConfirmation { label: id, rates: again.rates.clone(), worked: again.worked.clone() };
        let confirmation = desk.to_yard(body, desk.now)?;
        desk.logged(format_args!("Label {} confirmed", label.name), confirmation);
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

/// Used by the documentation's example: the dose worked by hand in the template.
#[cfg(test)]
mod tests {
    use super::*;
    use bolebook_core::quantity::{Ul, Um};

    #[test]
    fn the_templates_close_and_agree_with_each_other() {
        let label: Label = serde_json::from_str(include_str!("label_template.json")).unwrap();
        assert!(faults(&label).is_empty(), "{:?}", faults(&label));
        assert!(label.invented.is_some());
        let again: Again = serde_json::from_str(include_str!("confirmation_template.json")).unwrap();
        assert_eq!(again.rates, label.rates);
        for worked in &again.worked {
            let dose = dose_for(&label, &worked.purpose, worked.diameter_um).unwrap();
            assert_eq!(dose.target_ul, worked.dose_ul);
        }
        // 2.4 mL per cm × 30 cm = 72 mL, worked by hand.
        assert_eq!(dose_for(&label, "preventive", Um(300_000)).unwrap().target_ul, Ul(72_000));
    }
}
