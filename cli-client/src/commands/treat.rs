//! `dose`, `treat`: what to put into a stem, and what truly went in.

use bolebook_core::dosing::charges::choose;
use bolebook_core::dosing::dose::{allows_species, dose_for};
use bolebook_core::ids::{RecordId, TreeId};
use bolebook_core::quantity::{Ul, Um};
use bolebook_core::record::label::{ForkedRule, Label, Sealing};
use bolebook_core::record::work::{Application, Dose, Hole};

use super::Entry;
use super::field::stem_of;
use crate::app::{App, Need};
use crate::cautions;
use crate::desk::Desk;
use crate::error::CliError;
use crate::figures::{self, Typed, wrong};
use crate::output::Answer;

/// Works out the dose for a stem: from the label's rate and the stem's diameter.
///
/// A doubt stops the dose. The label and local law decide; a licensed applicator treats or supervises.
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
        usable(desk, label_id, &label, tree)?;
        let (diameter, diameter_um) = measured(desk, tree, stem)?;
        let refused = |e: &dyn std::fmt::Display| CliError::Refused(vec![e.to_string()]);
        let dose = dose_for(&label, &purpose, diameter_um).map_err(|e| refused(&e))?;
        let containers = desk.yard.kit(kit).map(|k| k.containers.clone()).unwrap_or_default();
        let plan = choose(&dose, &label.charges, &containers).map_err(|e| refused(&e))?;
        for caution in cautions::treating(&label) {
            desk.caution(caution);
        }
        let tag = desk.stand()?.tag(tree);
        let answer = &mut desk.answer;
        answer.say(format!("Tree {tag}, stem {stem}: {} cm, {} for {purpose}", diameter_um.cm(), label.name));
        answer.say(format!(
            "dose    {} mL (label: {} to {} mL)",
            dose.target_ul.ml(),
            dose.min_ul.ml(),
            dose.max_ul.ml()
        ));
        answer.say(format!("charges {}", plan.note));
        answer.json.insert("dose".into(), serde_json::to_value(&dose).unwrap_or_default());
        answer.json.insert("charges".into(), serde_json::to_value(&plan).unwrap_or_default());
        Ok(Dose {
            tree,
            stem,
            label: label_id,
            purpose,
            diameter,
            target_ul: dose.target_ul,
            max_ul: dose.max_ul,
            charges_ul: plan.charges_ul,
        })
    }
}

impl Entry for DoseEntry {
    const NEED: Need = Need::Job;

    fn stage(&self, desk: &mut Desk<'_>) -> Result<(), CliError> {
        let dose = self.plan(desk)?;
        let at = desk.moment(self.at.as_ref())?;
        let id = desk.to_job(dose, at)?;
        desk.logged("Dose logged", id);
        Ok(())
    }
}

/// The last diameter of a stem.
fn measured(desk: &mut Desk<'_>, tree: TreeId, stem: i64) -> Result<(RecordId, Um), CliError> {
    let stand = desk.stand()?;
    let tag = stand.tag(tree);
    stand.diameter(tree, stem).ok_or_else(|| {
        CliError::Refused(vec![format!("tree {tag}, stem {stem} has no diameter: measure it first")])
    })
}

/// What keeps a label from being used on a tree: a doubt stops the dose.
fn usable(desk: &mut Desk<'_>, id: RecordId, label: &Label, tree: TreeId) -> Result<(), CliError> {
    let mut stops = vec![];
    if desk.yard.confirmed(id).is_none() {
        stops.push(format!("label {} has not been confirmed by a second licensed person", label.name));
    }
    if label.expires.is_some_and(|last| desk.day(None).is_ok_and(|today| last < today)) {
        stops.push(format!("label {} can no longer be used", label.name));
    }
    let listed = desk.stand()?.tree(tree).cloned();
    let tag = desk.stand()?.tag(tree);
    match listed.as_ref().and_then(|t| t.species.as_deref()) {
        None => stops.push(format!("tree {tag} has no species: the label names which it may be used on")),
        Some(species) if !allows_species(label, species) => {
            stops.push(format!("{species} is not on label {}", label.name));
        }
        Some(_) => {}
    }
    if listed.is_some_and(|t| t.stems > 1) && label.forked == ForkedRule::Silent {
        stops.push(format!("tree {tag} forks below breast height, and label {} is silent on that", label.name));
    }
    if stops.is_empty() { Ok(()) } else { Err(CliError::Refused(stops)) }
}

/// Logs product put into a stem: what truly went in, hole by hole.
///
/// Figures that cannot be are refused. What happened against the label is logged with a loud
/// warning, and becomes a finding.
#[derive(Debug, clap::Args, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TreatEntry {
    /// The tree.
    tree: Typed,
    /// A hole: ARC_CM,HEIGHT_CM,DEPTH_MM,PUT_IN_ML[,LEAKED_ML], the arc clockwise from the mark.
    #[arg(long = "hole", value_name = "ARC,HEIGHT,DEPTH,ML[,LEAKED]")]
    #[serde(default)]
    hole: Vec<Typed>,
    /// Instead of --hole: how many holes took one charge each, laid out as planned.
    #[arg(long, requires = "each", conflicts_with = "hole")]
    charges: Option<Typed>,
    /// What each of --charges put in, in mL.
    #[arg(long, value_name = "ML", requires = "charges")]
    each: Option<Typed>,
    /// Which stem.
    #[arg(long, default_value = "1")]
    #[serde(default = "one")]
    stem: Typed,
    /// The crew.
    #[arg(long)]
    crew: Option<Typed>,
    /// Who applied, if not who is using the device.
    #[arg(long, value_name = "PERSON")]
    applicator: Option<String>,
    /// The certified applicator in charge, when another person.
    #[arg(long, value_name = "PERSON")]
    supervisor: Option<String>,
    /// The label, if not the lot's.
    #[arg(long)]
    label: Option<Typed>,
    /// The purpose, as the label names it.
    #[arg(long)]
    purpose: Option<Typed>,
    /// The lot, if not the one last filled into the kit.
    #[arg(long)]
    lot: Option<Typed>,
    /// The kit.
    #[arg(long)]
    kit: Option<Typed>,
    /// Reservoir pressure while charging, with its unit.
    #[arg(long)]
    pressure: Option<Typed>,
    /// First hole, if not when it ended.
    #[arg(long, value_name = "TIME")]
    started: Option<Typed>,
    /// Last container off, if not now.
    #[arg(long, value_name = "TIME")]
    ended: Option<Typed>,
    /// Whether the holes were closed, when the label leaves it open.
    #[arg(long, value_name = "BOOL")]
    sealed: Option<bool>,
    /// The application this one finishes, when another crew began it.
    #[arg(long, value_name = "ID")]
    continues: Option<Typed>,
    /// When it was logged, if not now.
    #[arg(long, value_name = "TIME")]
    at: Option<Typed>,
}

impl Entry for TreatEntry {
    const NEED: Need = Need::Job;

    fn stage(&self, desk: &mut Desk<'_>) -> Result<(), CliError> {
        let tree = desk.tree(&self.tree)?;
        let stem = stem_of(desk, tree, &self.stem)?;
        let crew = desk.crew(self.crew.as_ref())?;
        let kit = desk.kit(self.kit.as_ref(), Some(crew))?;
        let lot = desk.lot(self.lot.as_ref(), Some(kit))?;
        let (label_id, label) = desk.label(self.label.as_ref(), Some(lot))?;
        let purpose = desk.purpose(self.purpose.as_ref(), &label)?;
        let sealed = self.sealed.unwrap_or(label.holes.sealing == Sealing::Required);
        let diameter = desk.stand()?.diameter(tree, stem);
        let at = desk.moment(self.at.as_ref())?;
        let ended_at = self.ended.as_ref().map_or(Ok(at), |t| desk.moment(Some(t)))?;
        let body = Application {
            tree,
            stem,
            crew,
            applicator: self.applicator.as_ref().map_or_else(|| desk.user(), |p| desk.person(p))?,
            supervisor: self.supervisor.as_ref().map(|p| desk.person(p)).transpose()?,
            label: label_id,
            purpose,
            lot,
            kit,
            diameter: diameter.map(|(id, _)| id),
            started_at: self.started.as_ref().map_or(Ok(ended_at), |t| desk.moment(Some(t)))?,
            ended_at,
            pressure_pa: self.pressure.as_ref().map(|p| figures::pressure(p.text(), "pressure")).transpose()?,
            holes: self.holes(&label, diameter.map(|(_, d)| d), sealed)?,
            continues: self.continues.as_ref().map(|id| desk.fact(id.text()).map(|(_, f)| f.id)).transpose()?,
            position: None,
        };
        for caution in cautions::treating(&label) {
            desk.caution(caution);
        }
        let tag = desk.stand()?.tag(tree);
        let line = format!("Tree {tag}: {} mL into {} holes", body.put_in_ul().ml(), body.holes.len());
        let id = desk.to_job(body, at)?;
        desk.logged(line, id);
        desk.answer.json.insert("application".into(), id.to_string().into());
        Ok(())
    }
}

impl TreatEntry {
    fn holes(&self, label: &Label, diameter: Option<Um>, sealed: bool) -> Result<Vec<Hole>, CliError> {
        let (Some(count), Some(each)) = (&self.charges, &self.each) else {
            if self.hole.is_empty() {
                return Err(CliError::Usage {
                    message: "no holes".into(),
                    hint: "give each with --hole, or all with --charges and --each; a tree that took nothing is 'bolebook not-treated'"
                        .into(),
                });
            }
            return self.hole.iter().map(|h| Ok(hole(h, sealed)?)).collect();
        };
        let count = figures::count(count.text(), "number of charges")?;
        if !(1..=400).contains(&count) {
            return Err(CliError::Refused(vec![format!("{count} charges in one stem")]));
        }
        let put_in_ul = figures::volume(each.text(), "charge")?;
        let Some(diameter) = diameter else {
            return Err(CliError::Refused(vec!["the holes cannot be laid out on a stem without a diameter".into()]));
        };
        let girth = bolebook_core::dosing::stem::girth_of_diameter(diameter).0;
        let rules = &label.holes;
        let rise = rules.band_high_um.0 - rules.band_low_um.0;
        let holes = (0..count).map(|i| Hole {
            arc_um: Um(girth * i / count),
            height_um: Um(rules.band_low_um.0 + rise * i / count),
            depth_um: rules.depth_min_um,
            put_in_ul,
            leaked_ul: Ul::ZERO,
            sealed,
            removed_at: None,
        });
        Ok(holes.collect())
    }
}

fn hole(typed: &Typed, sealed: bool) -> Result<Hole, figures::FigureError> {
    let parts: Vec<&str> = typed.text().split(',').collect();
    let (arc, height, depth, put_in, leaked) = match parts[..] {
        [arc, height, depth, put_in] => (arc, height, depth, put_in, "0"),
        [arc, height, depth, put_in, leaked] => (arc, height, depth, put_in, leaked),
        _ => return Err(wrong(typed.text(), "hole", "write ARC_CM,HEIGHT_CM,DEPTH_MM,PUT_IN_ML[,LEAKED_ML]")),
    };
    Ok(Hole {
        arc_um: figures::length(arc, "cm", "arc")?,
        height_um: figures::length(height, "cm", "height")?,
        depth_um: figures::length(depth, "mm", "depth")?,
        put_in_ul: figures::volume(put_in, "volume")?,
        leaked_ul: figures::volume(leaked, "volume")?,
        sealed,
        removed_at: None,
    })
}
