//! `dose`: may this stem be treated now, and with what?

use bolebook_core::dosing::advice::{Advice, AdviceRequest, Verdict, advise};
use bolebook_core::dosing::conditions::{Caution, Circumstances};
use bolebook_core::dosing::layout::scale::Scale;
use bolebook_core::ids::{RecordId, TreeId};
use bolebook_core::record::stand::Diameter;
use bolebook_core::record::work::Dose;

use super::Entry;
use super::field::stem_of;
use crate::app::{App, Need};
use crate::desk::Desk;
use crate::error::CliError;
use crate::figures::{self, Typed};
use crate::output::Answer;

/// Says whether a stem may be treated now, and with what: dose, charges, and where to drill.
///
/// Looks at the tree and all that was put into it, the label, lot, kit and people, and the day. A
/// doubt stops the dose. The label and local law decide; a licensed applicator treats or supervises.
#[derive(Debug, clap::Args, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DoseEntry {
    /// The tree.
    tree: Typed,
    /// Which stem.
    #[arg(long, default_value = "1")]
    #[serde(default = "one")]
    stem: Typed,
    /// The label, if not that of the lot in the kit.
    #[arg(long)]
    label: Option<Typed>,
    /// The purpose, as the label names it.
    #[arg(long)]
    purpose: Option<Typed>,
    /// The kit, whose containers are chosen from.
    #[arg(long)]
    kit: Option<Typed>,
    /// The lot, if not the one last filled into the kit.
    #[arg(long)]
    lot: Option<Typed>,
    /// The crew.
    #[arg(long)]
    crew: Option<Typed>,
    /// Who is to apply, if not who is using the device.
    #[arg(long, value_name = "PERSON")]
    applicator: Option<String>,
    /// The certified applicator in charge, when another person.
    #[arg(long, value_name = "PERSON")]
    supervisor: Option<String>,
    /// The application this one is to finish, when a crew left it unfinished.
    #[arg(long, value_name = "ID")]
    continues: Option<Typed>,
    /// What arcs and heights are said in.
    #[arg(long, value_parser = ["cm", "in"], default_value = "cm")]
    #[serde(default = "cm")]
    unit: String,
    /// Log the plan.
    #[arg(long)]
    #[serde(default = "yes")]
    record: bool,
    /// When, if not now.
    #[arg(long, value_name = "TIME")]
    at: Option<Typed>,
}

fn one() -> Typed {
    "1".into()
}

fn cm() -> String {
    "cm".into()
}

fn yes() -> bool {
    true
}

impl DoseEntry {
    /// Runs it: logs the plan when asked to, shows it otherwise.
    pub fn run(&self, app: &App) -> Result<Answer, CliError> {
        if self.record {
            return super::log_one(app, self);
        }
        app.read(Need::Job, |desk| {
            self.plan(desk)?;
            Ok(std::mem::take(&mut desk.answer))
        })
    }

    fn plan(&self, desk: &mut Desk<'_>) -> Result<Dose, CliError> {
        let (tree, stem) = self.stem(desk)?;
        let advice = self.advise(desk, tree, stem)?;
        let tag = desk.stand()?.tag(tree);
        let Some(plan) = advice.plan.as_ref().filter(|_| advice.verdict != Verdict::Stop) else {
            return Err(CliError::NoDose { tag, stops: advice.stops });
        };
        let (diameter, _) = measured(desk, tree, stem)?;
        let (label, purpose) = (self.label_id(desk)?, plan.dose.purpose.clone());
        let body = Dose {
            tree,
            stem,
            label,
            purpose,
            diameter,
            target_ul: plan.dose.target_ul,
            max_ul: plan.dose.max_ul,
            charges_ul: plan.charges.charges_ul.clone(),
        };
        let scale: Scale = figures::word(&self.unit, "unit")?;
        let answer = &mut desk.answer;
        answer.text.extend(advice.text(scale).lines().map(str::to_owned));
        for (name, value) in [
            ("dose", serde_json::to_value(&plan.dose)),
            ("charges", serde_json::to_value(&plan.charges)),
            ("layout", serde_json::to_value(&plan.layout)),
            ("instruction", serde_json::to_value(plan.layout.instruction_in(scale))),
            ("cautions", serde_json::to_value(cautions(&advice))),
            ("advice", serde_json::to_value(&advice)),
        ] {
            answer.json.insert(name.into(), value.unwrap_or_default());
        }
        Ok(body)
    }

    fn stem(&self, desk: &mut Desk<'_>) -> Result<(TreeId, i64), CliError> {
        let tree = desk.tree(&self.tree)?;
        Ok((tree, stem_of(desk, tree, &self.stem)?))
    }

    fn label_id(&self, desk: &mut Desk<'_>) -> Result<RecordId, CliError> {
        let crew = desk.crew(self.crew.as_ref()).ok();
        let kit = desk.kit(self.kit.as_ref(), crew)?;
        let lot = self.lot(desk, kit)?;
        Ok(desk.label(self.label.as_ref(), lot)?.0)
    }

    /// The lot named, else that of the kit's last fill, else none: advice then says so.
    fn lot(&self, desk: &Desk<'_>, kit: RecordId) -> Result<Option<RecordId>, CliError> {
        match &self.lot {
            Some(lot) => desk.lot(Some(lot), Some(kit)).map(Some),
            None => Ok(desk.lot(None, Some(kit)).ok()),
        }
    }

    fn advise(&self, desk: &mut Desk<'_>, tree: TreeId, stem: i64) -> Result<Advice, CliError> {
        let crew = desk.crew(self.crew.as_ref()).ok();
        let kit = desk.kit(self.kit.as_ref(), crew)?;
        let lot = self.lot(desk, kit)?;
        let (label, entry) = desk.label(self.label.as_ref(), lot)?;
        let purpose = desk.purpose(self.purpose.as_ref(), &entry)?;
        let applicator = match &self.applicator {
            Some(name) => Some(desk.person(name)?),
            None => desk.user().ok(),
        };
        let supervisor = self.supervisor.as_ref().map(|name| desk.person(name)).transpose()?;
        let continues =
            self.continues.as_ref().map(|id| desk.fact(id.text()).map(|(_, f)| f.id)).transpose()?;
        let now = desk.moment(self.at.as_ref())?;
        let past = desk.past(tree)?;
        let ahead = desk.ahead()?;
        Ok(advise(
            ahead.view(),
            &AdviceRequest {
                tree,
                stem,
                label,
                purpose: &purpose,
                kit,
                lot,
                applicator,
                supervisor,
                now,
                seen: Circumstances::default(),
                findings: ahead.findings(),
                past: past.as_ref(),
                continues,
            },
        ))
    }
}

/// What a program shows before the first hole, in the order a person reads it.
fn cautions(advice: &Advice) -> Vec<String> {
    let own = advice.cautions.iter().map(Caution::to_string);
    let label = advice.invented.iter().chain(&advice.label_cautions).cloned();
    own.chain(label).chain(advice.handling.iter().map(|line| (*line).to_owned())).collect()
}

impl Entry for DoseEntry {
    const NEED: Need = Need::Job;

    fn stage(&self, desk: &mut Desk<'_>) -> Result<(), CliError> {
        let dose = self.plan(desk)?;
        let at = desk.moment(self.at.as_ref())?;
        let id = desk.log_in_job(dose, at)?;
        desk.logged("Dose logged", id);
        Ok(())
    }
}

/// The last diameter of a stem, with its record.
///
/// # Errors
/// [`CliError::Refused`] when it was never measured.
pub fn measured(desk: &mut Desk<'_>, tree: TreeId, stem: i64) -> Result<(RecordId, Diameter), CliError> {
    let tag = desk.stand()?.tag(tree);
    let unmeasured =
        || CliError::Refused(vec![format!("tree {tag}, stem {stem} has no diameter: measure it first")]);
    let (id, _) = desk.stand()?.diameter(tree, stem).ok_or_else(unmeasured)?;
    let diameter = desk.diameter_record(id).ok_or_else(unmeasured)?;
    Ok((id, diameter))
}
