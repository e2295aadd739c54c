//! `picture`: where to drill, as an SVG or a terminal drawing.

use std::path::PathBuf;

use bolebook_core::check;
use bolebook_core::dosing::advice::{AdviceRequest, advise};
use bolebook_core::dosing::conditions::Circumstances;
use bolebook_core::dosing::layout::scale::Scale;
use bolebook_core::dosing::picture::{drawing, svg};

use super::export::write_whole;
use super::field::stem_of;
use crate::app::{App, Need};
use crate::cautions;
use crate::error::CliError;
use crate::figures::{self, Typed};
use crate::output::Answer;

/// Draws where to drill a stem: holes, heights, what is left out; with --out, as an SVG to print.
///
/// Only for a stem that nothing stops: whatever stops the treatment stops its picture too. The
/// label, local law and the licensed applicator decide.
#[derive(Debug, clap::Args)]
pub struct PictureCommand {
    /// The tree.
    tree: Typed,
    /// Which stem.
    #[arg(long, default_value = "1")]
    stem: Typed,
    /// The label, if not that of the lot in the kit.
    #[arg(long)]
    label: Option<Typed>,
    /// The purpose, as the label names it.
    #[arg(long)]
    purpose: Option<Typed>,
    /// The kit.
    #[arg(long)]
    kit: Option<Typed>,
    /// The certified applicator in charge, when another person than who is using the device.
    #[arg(long, value_name = "PERSON")]
    supervisor: Option<String>,
    /// The application this one is to finish, when a crew left it unfinished.
    #[arg(long, value_name = "ID")]
    continues: Option<Typed>,
    /// What arcs and heights are said in.
    #[arg(long, value_parser = ["cm", "in"], default_value = "cm")]
    unit: String,
    /// Writes the SVG to this file.
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
}

impl PictureCommand {
    /// Runs it.
    pub fn run(&self, app: &App) -> Result<Answer, CliError> {
        app.read_all(Need::Job, |desk, _, balance| {
            let tree = desk.tree(&self.tree)?;
            let stem = stem_of(desk, tree, &self.stem)?;
            let crew = desk.crew(None).ok();
            let kit = desk.kit(self.kit.as_ref(), crew)?;
            let lot = desk.lot(None, Some(kit)).ok();
            let (label_id, label) = desk.label(self.label.as_ref(), lot)?;
            let purpose = desk.purpose(self.purpose.as_ref(), &label)?;
            let continues =
                self.continues.as_ref().map(|id| desk.fact(id.text()).map(|(_, f)| f.id)).transpose()?;
            let view = desk.view()?;
            let supervisor = self.supervisor.as_deref().map(|name| desk.person(name)).transpose()?;
            let findings = check::check(view, balance);
            let past = desk.past(tree)?;
            let advice = advise(
                view,
                &AdviceRequest {
                    tree,
                    stem,
                    label: label_id,
                    purpose: &purpose,
                    kit,
                    lot,
                    applicator: desk.user().ok(),
                    supervisor,
                    now: desk.now,
                    seen: Circumstances::default(),
                    findings: &findings,
                    past: past.as_ref(),
                    continues,
                },
            );
            let Some(plan) = advice.plan else {
                let stops = advice.stops.clone();
                return Err(CliError::NoDose { tag: advice.tag, stops });
            };
            let title = format!("Tree {}, stem {stem}", advice.tag);
            let scale: Scale = figures::word(&self.unit, "unit")?;
            let instruction = plan.layout.instruction_in(scale);
            let picture = svg(&plan.layout, scale, &title, &instruction);
            let mut answer = Answer::line(format!("{title}: {instruction}."));
            answer.cautions.extend(cautions::treating(&label));
            answer.cautions.extend(advice.cautions.iter().map(|c| format!("{} ({})", c.text, c.source)));
            answer.say(format!("{}.", plan.layout.depth_text(scale)));
            answer.text.extend(drawing(&plan.layout, scale).lines().map(str::to_owned));
            if let Some(path) = &self.out {
                write_whole(path, &picture)?;
                answer.say(format!("Written: {}", path.display()));
                answer.json.insert("written".into(), path.display().to_string().into());
            }
            Ok(answer
                .with("title", title)
                .with("instruction", instruction)
                .with("layout", serde_json::to_value(&plan.layout).unwrap_or_default())
                .with("svg", picture))
        })
    }
}
