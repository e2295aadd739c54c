//! What the planning commands share: under which label and with which kit, and the trees left.

pub mod time;

use bolebook_core::day::Day;
use bolebook_core::dosing::label::{LabelProblem, validate};
use bolebook_core::dosing::supply::{Closing, Listed, Request, Stores, SupplyPlan, plan, trees_left};
use bolebook_core::ids::{CrewId, LabelId, RecordId};
use bolebook_core::quantity::{PerMille, Ul};
use bolebook_core::record::kit::Kit;
use bolebook_core::record::label::Label;

use crate::desk::Desk;
use crate::error::CliError;
use crate::figures::Typed;
use crate::names;

/// Under which label, for what, with which kit.
#[derive(Debug, clap::Args)]
pub struct UnderArgs {
    /// The label, if not that of the lot in the kit.
    #[arg(long)]
    label: Option<Typed>,
    /// The purpose, as the label names it.
    #[arg(long)]
    purpose: Option<Typed>,
    /// The kit, whose containers are chosen from.
    #[arg(long)]
    kit: Option<Typed>,
}

/// What a plan is worked from.
#[derive(Debug)]
pub struct Under {
    /// The label version's id.
    pub label_id: LabelId,
    /// The label.
    pub label: Label,
    /// The purpose.
    pub purpose: String,
    /// The kit.
    pub kit: Kit,
}

/// What a plan of charges is worked with where nothing is loaded by it.
const NO_STORES: Stores =
    Stores { allowance: PerMille(0), priming_ul: Ul(0), holes_per_bit: 1, closing: Closing::Plugs };

impl UnderArgs {
    /// Finds label, purpose and kit; `what` is what is asked for, `day` the first day it is for.
    ///
    /// # Errors
    /// [`CliError::NoAnswer`] for a label that may not be used, and names that stand for nothing.
    pub fn find(
        &self,
        desk: &Desk<'_>,
        what: &'static str,
        day: Day,
        crew: Option<CrewId>,
    ) -> Result<Under, CliError> {
        let crew = crew.or_else(|| desk.crew(None).ok());
        let kit_id = desk.kit(self.kit.as_ref(), crew)?;
        let missing = || CliError::Unexpected("a kit that was named is not there".into());
        let kit = desk.yard.kit(kit_id).ok_or_else(missing)?.clone();
        let lot = desk.lot(None, Some(kit_id)).ok();
        let (label_id, label) = desk.label(self.label.as_ref(), lot)?;
        let why = doubts(desk, label_id, &label, day);
        if !why.is_empty() {
            let hint = "a doubt stops a dose, and so the plan: settle it with the office first";
            return Err(CliError::NoAnswer { what, why, hint });
        }
        let purpose = desk.purpose(self.purpose.as_ref(), &label)?;
        Ok(Under { label_id, label, purpose, kit })
    }
}

/// What keeps a label from being planned with.
fn doubts(desk: &Desk<'_>, id: LabelId, label: &Label, day: Day) -> Vec<String> {
    let mut why = vec![];
    let name = &label.name;
    if desk.yard.confirmed(id).is_none() {
        why.push(format!("label {name} has not been confirmed by a second licensed person"));
    }
    let facts = &desk.yard.facts;
    let newest = facts.standing_fact(id).is_some_and(|f| facts.current(f).any(|v| v.id() == id));
    if !newest {
        why.push(format!("label {name} has been amended since: use the version now in force"));
    }
    why.extend(validate(label).iter().filter(|p| p.blocks()).take(3).map(LabelProblem::to_string));
    if let Some(last) = label.expires.filter(|last| *last < day) {
        why.push(format!("label {name} could be used until {last}"));
    }
    why
}

impl Under {
    /// The request for a supply plan with these stores.
    pub fn request(&self, stores: Stores) -> Request<'_> {
        Request {
            label: &self.label,
            label_id: self.label_id,
            purpose: &self.purpose,
            containers: &self.kit.containers,
            stores,
        }
    }

    /// The charges of the trees, with no stores laid down.
    ///
    /// # Errors
    /// [`CliError::NoAnswer`].
    pub fn charges(&self, what: &'static str, trees: &[Listed]) -> Result<SupplyPlan, CliError> {
        plan(trees, &self.request(NO_STORES)).map_err(|e| no_answer(what, &e))
    }
}

/// An error of the core as one of this command.
pub fn no_answer(what: &'static str, error: &dyn std::fmt::Display) -> CliError {
    let hint = "correct the figure, or the record it comes from";
    CliError::NoAnswer { what, why: vec![error.to_string()], hint }
}

/// The trees of the job that are left, of these blocks where any is named.
///
/// # Errors
/// [`CliError::NoAnswer`] when there are none, and names that stand for nothing.
pub fn left(desk: &Desk<'_>, what: &'static str, blocks: &[Typed]) -> Result<Vec<Listed>, CliError> {
    let view = desk.view()?;
    let there = names::blocks(view);
    let wanted: Vec<RecordId> =
        blocks.iter().map(|b| names::find("block", b.text(), &there)).collect::<Result<_, _>>()?;
    let mut trees = trees_left(view);
    trees.retain(|t| {
        wanted.is_empty() || view.tree(t.tree).and_then(|t| t.block).is_some_and(|b| wanted.contains(&b))
    });
    if trees.is_empty() {
        let listed = view.counts().listed;
        let (why, hint) = match (listed, wanted.is_empty()) {
            (0, _) => (
                "no tree is listed in this job".to_owned(),
                "list them: 'bolebook stand import', 'bolebook tree add'",
            ),
            (_, true) => (format!("none of the {listed} trees is left to treat"), "see 'bolebook tree list'"),
            (_, false) => {
                ("no tree is left to treat in what was named".to_owned(), "see 'bolebook tree list --block'")
            }
        };
        return Err(CliError::NoAnswer { what, why: vec![why], hint });
    }
    Ok(trees)
}

/// `1 tree`, `2 trees`.
pub fn count(n: usize, one: &str) -> String {
    if n == 1 { format!("1 {one}") } else { format!("{n} {one}s") }
}

/// Tags named one by one; the rest is counted.
const TAGS: usize = 6;

/// Stems that are in no sum, in a line; none when all are.
pub fn left_out(plan: &SupplyPlan) -> Option<String> {
    let (all, unmeasured) = (plan.left_out.len(), plan.not_measured());
    if all == 0 {
        return None;
    }
    let no_dose = format!("{} without a dose under this label and kit", all - unmeasured);
    let parts = match (unmeasured, all - unmeasured) {
        (_, 0) => format!("{unmeasured} not measured yet"),
        (0, _) => no_dose,
        _ => format!("{unmeasured} not measured yet, {no_dose}"),
    };
    let mut tags: Vec<&str> = plan.left_out.iter().map(|l| l.tag.as_str()).collect();
    tags.sort_unstable();
    tags.dedup();
    let more = if tags.len() > TAGS { format!(" and {} more", tags.len() - TAGS) } else { String::new() };
    tags.truncate(TAGS);
    Some(format!("NOT in these figures: {}: {parts} ({}{more}).", count(all, "stem"), tags.join(", ")))
}
