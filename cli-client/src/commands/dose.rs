//! `dose`: what to put into a stem, and where to drill.

use bolebook_core::day::Day;
use bolebook_core::dosing::charges::{choose_within, hole_count, pack};
use bolebook_core::dosing::conditions::{Circumstances, Weight, cautions};
use bolebook_core::dosing::dose::allows_species;
use bolebook_core::dosing::layout::{Layout, LayoutRequest, plan, room};
use bolebook_core::dosing::picture::drawing;
use bolebook_core::dosing::tree_dose::tree_dose;
use bolebook_core::ids::{RecordId, TreeId};
use bolebook_core::record::label::Label;
use bolebook_core::record::stand::Diameter;
use bolebook_core::record::work::Dose;

use super::Entry;
use super::field::stem_of;
use crate::app::{App, Need};
use crate::desk::Desk;
use crate::error::CliError;
use crate::figures::Typed;
use crate::output::Answer;

/// Works out the dose for a stem, its charges, and where to drill.
///
/// From the label's rate, the stem's diameter, the kit's containers, and what is known of the tree
/// and the day. A doubt stops the dose. The label and local law decide; a licensed applicator treats
/// or supervises.
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
    /// The crew.
    #[arg(long)]
    crew: Option<Typed>,
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
        let tree = desk.tree(&self.tree)?;
        let stem = stem_of(desk, tree, &self.stem)?;
        let crew = desk.crew(self.crew.as_ref()).ok();
        let kit = desk.kit(self.kit.as_ref(), crew)?;
        let lot = desk.lot(None, Some(kit)).ok();
        let (label_id, label) = desk.label(self.label.as_ref(), lot)?;
        let purpose = desk.purpose(self.purpose.as_ref(), &label)?;
        self.stops(desk, label_id, &label, tree)?;
        let refused = |e: &dyn std::fmt::Display| CliError::Refused(vec![e.to_string()]);
        let (diameter, measured) = measured(desk, tree, stem)?;
        let listed = desk.stand()?.tree(tree).cloned();
        let stems = listed.as_ref().map_or(1, |t| t.stems).clamp(1, 64);
        let stand = desk.stand()?;
        let diameters: Vec<_> = (1..=stems).map(|s| stand.diameter(tree, s).map(|(_, d)| d)).collect();
        let already = desk.discharged(tree, label_id)?;
        let doses = tree_dose(&label, &purpose, &diameters, already);
        let index = usize::try_from(stem - 1).unwrap_or(usize::MAX);
        let missing = || CliError::Unexpected("a stem without a dose".into());
        let dose = doses.stems.into_iter().nth(index).ok_or_else(missing)?.map_err(|e| refused(&e))?;
        let containers = desk.yard.kit(kit).map(|k| k.containers.clone()).unwrap_or_default();
        let damage = desk.damage(tree, stem)?;
        let request = LayoutRequest {
            rules: &label.holes,
            holes: 1,
            diameter_um: measured.diameter_um,
            band_low_girth_um: measured.band_low_girth_um,
            band_high_girth_um: measured.band_high_girth_um,
            bark_um: measured.bark_um,
            mark: listed.and_then(|t| t.mark),
            damage: &damage,
            earlier: &[],
            clearance_um: label.holes.spacing_um,
        };
        let holes = room(&request).map_err(|e| refused(&e))?;
        let chosen = choose_within(&dose, &label.charges, &containers, holes).map_err(|e| refused(&e))?;
        let wanted = hole_count(&chosen.charges_ul, &label.charges);
        let layout = plan(&LayoutRequest { holes: wanted, ..request }).map_err(|e| refused(&e))?;
        for caution in crate::cautions::treating(&label) {
            desk.caution(caution);
        }
        let tag = desk.stand()?.tag(tree);
        let answer = &mut desk.answer;
        answer.say(format!(
            "Tree {tag}, stem {stem}: {} cm, {} for {purpose}",
            measured.diameter_um.cm(),
            label.name
        ));
        answer.say(format!(
            "dose    {} mL (label: {} to {} mL)",
            dose.target_ul.ml_exact(),
            dose.min_ul.ml_exact(),
            dose.max_ul.ml_exact()
        ));
        answer.say(format!("charges {}", chosen.note));
        say_layout(answer, &layout, &pack(&chosen.charges_ul, &label.charges));
        answer.json.insert("dose".into(), serde_json::to_value(&dose).unwrap_or_default());
        answer.json.insert("charges".into(), serde_json::to_value(&chosen).unwrap_or_default());
        answer.json.insert("layout".into(), serde_json::to_value(&layout).unwrap_or_default());
        Ok(Dose {
            tree,
            stem,
            label: label_id,
            purpose,
            diameter,
            target_ul: dose.target_ul,
            max_ul: dose.max_ul,
            charges_ul: chosen.charges_ul,
        })
    }

    /// What keeps a label from being used on a tree now: a doubt stops the dose.
    fn stops(&self, desk: &mut Desk<'_>, id: RecordId, label: &Label, tree: TreeId) -> Result<(), CliError> {
        let mut stops = vec![];
        let at = desk.moment(self.at.as_ref())?;
        let zone = desk.zone();
        let today = Day::of(at, &zone);
        if desk.yard.confirmed(id).is_none() {
            stops.push(format!("label {} has not been confirmed by a second licensed person", label.name));
        }
        if let Some(last) = label.expires.filter(|last| *last < today) {
            stops.push(format!("label {} could be used until {last}", label.name));
        }
        let species = desk.stand()?.tree(tree).and_then(|t| t.species.clone());
        let tag = desk.stand()?.tag(tree);
        match &species {
            None => stops.push(format!("tree {tag} has no species: the label names which it may be used on")),
            Some(species) if !allows_species(label, species) => {
                stops.push(format!("{species} is not on label {}", label.name));
            }
            Some(_) => {}
        }
        let hour = zone.rfc3339(at).get(11..13).and_then(|h| h.parse().ok());
        let mut now = Circumstances { species, day: Some(today), hour, ..Circumstances::default() };
        for condition in desk.conditions(tree)? {
            now.take(&condition);
        }
        let closed = desk.view()?.job.closed.clone();
        for caution in cautions(label, &closed, &now) {
            match caution.weight {
                Weight::Stop => stops.push(caution.text),
                Weight::Caution => desk.caution(format!("{} ({})", caution.text, caution.source)),
            }
        }
        if stops.is_empty() { Ok(()) } else { Err(CliError::NoDose { tag, stops }) }
    }
}

/// Shows where to drill: as a table, and as a drawing of the unrolled trunk.
fn say_layout(answer: &mut Answer, layout: &Layout, charges: &[Vec<bolebook_core::quantity::Ul>]) {
    answer.text.extend(layout.text(charges).lines().map(str::to_owned));
    answer.text.extend(drawing(layout).lines().map(str::to_owned));
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
