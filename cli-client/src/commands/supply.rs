//! `supply`: what product, containers, bits and plugs the trees left need; the load-out sheet.

use std::collections::{BTreeMap, BTreeSet};

use bolebook_core::day::Day;
use bolebook_core::dosing::supply::{self, Closing, Heading, Listed, Stores, SupplyPlan};
use bolebook_core::dosing::units::MassUnit;
use bolebook_core::ids::TreeId;
use bolebook_core::quantity::{PerMille, Ul};

use crate::app::{App, Need};
use crate::cautions;
use crate::desk::Desk;
use crate::error::CliError;
use crate::figures::{self, Typed};
use crate::output::Answer;
use crate::planning::time::DayArgs;
use crate::planning::{Under, UnderArgs, count, left, left_out, no_answer};

/// Works out what the trees left need: product, charges, holes, bits, plugs or wax.
///
/// From each stem's dose as the crew will get it, with the office's allowance on top. A stem that
/// cannot be dosed (not measured, species not on the label) is counted and named, never dropped.
#[derive(Debug, clap::Args)]
pub struct SupplyCommand {
    #[command(flatten)]
    under: UnderArgs,
    /// Holes a bit drills before it is changed.
    #[arg(long, value_name = "N")]
    holes_per_bit: Typed,
    /// Added to product, holes and what closes them, in per cent (10: common practice, no source).
    #[arg(long, value_name = "PERCENT", default_value = "10")]
    allowance: Typed,
    /// Product for priming and calibration, added once.
    #[arg(long, value_name = "ML", default_value = "0")]
    priming: Typed,
    /// How holes are closed; a label that requires it must have plugs or wax.
    #[arg(long, value_parser = ["plugs", "wax", "open"], default_value = "open")]
    close: String,
    /// Wax for a hole, in mg without a unit.
    #[arg(long, value_name = "MASS", required_if_eq("close", "wax"))]
    wax: Option<Typed>,
    /// Summed up by block, or the whole job at once.
    #[arg(long, value_parser = ["block", "job"], default_value = "block", conflicts_with = "one_day")]
    per: String,
    /// Only the trees of this block; may be given several times.
    #[arg(long)]
    block: Vec<Typed>,
    /// Only what the crews get done in a day, by crew, as 'bolebook day-plan' shares it out.
    #[arg(long)]
    one_day: bool,
    #[command(flatten)]
    day: DayArgs,
    /// Prints the load-out sheet for the truck instead, with the label's cautions and first aid.
    #[arg(long)]
    load_out: bool,
    /// The day it is loaded for, if not today.
    #[arg(long = "for", value_name = "DAY")]
    loaded: Option<Typed>,
}

const WHAT: &str = "supply plan";

impl SupplyCommand {
    /// Runs it.
    pub fn run(&self, app: &App) -> Result<Answer, CliError> {
        app.read(Need::Job, |desk| self.answer(desk))
    }

    fn answer(&self, desk: &mut Desk<'_>) -> Result<Answer, CliError> {
        if !self.one_day && !self.day.crews.is_empty() {
            return Err(CliError::Usage {
                message: "--crew would stand over the sums of the whole job".into(),
                hint: "add --one-day for what a crew needs in a day, or leave --crew out".into(),
            });
        }
        let day = desk.day(self.loaded.as_ref())?;
        let stores = self.stores()?;
        let trees = left(desk, WHAT, &self.block)?;
        let under = self.under.find(desk, WHAT, day, self.day.one_crew(desk)?)?;
        let trees = self.grouped(desk, &under, trees)?;
        let plan = supply::plan(&trees, &under.request(stores)).map_err(|e| no_answer(WHAT, &e))?;
        let mut answer = Answer::line(first_line(&plan));
        answer.text.extend(left_out(&plan));
        answer.cautions.extend(cautions::carrying(&under.label));
        self.say(desk, &under, &plan, day, &mut answer)?;
        Ok(answer
            .with("day", day.to_string())
            .with("not_measured", plan.not_measured())
            .with("supply", serde_json::to_value(&plan).unwrap_or_default()))
    }

    fn say(
        &self,
        desk: &Desk<'_>,
        under: &Under,
        plan: &SupplyPlan,
        day: Day,
        answer: &mut Answer,
    ) -> Result<(), CliError> {
        if !self.load_out {
            answer.say("");
            answer.text.extend(plan.to_string().lines().map(str::to_owned));
            return Ok(());
        }
        let crew = self.day.one_crew(desk)?.map(|c| desk.yard.crew_name(c));
        let heading = Heading { job: &desk.view()?.title, crew: crew.as_deref(), day };
        let sheet = plan.sheet(&heading, &under.label);
        // The sheet alone: what is printed from it must not begin with something else.
        answer.text = sheet.lines().map(str::to_owned).collect();
        answer.json.insert("sheet".into(), sheet.into());
        Ok(())
    }

    /// Under what each tree is counted; with a day, only the trees of that day.
    fn grouped(
        &self,
        desk: &Desk<'_>,
        under: &Under,
        mut trees: Vec<Listed>,
    ) -> Result<Vec<Listed>, CliError> {
        if !self.one_day {
            if self.per == "job" {
                trees.iter_mut().for_each(|t| t.group = "whole job".into());
            }
            return Ok(trees);
        }
        let charges = under.charges(WHAT, &trees)?;
        let (plan, _) = self.day.plan(desk, WHAT, &trees, &charges)?;
        let crews = plan.crews.iter().flat_map(|c| c.stops.iter().map(|s| (s.tree, c.name.as_str())));
        let crew_of: BTreeMap<TreeId, &str> = crews.collect();
        // What the day leaves over is another day's; what has no dose stays, so that it is seen.
        let other_day: BTreeSet<TreeId> = plan.not_today.iter().map(|s| s.tree).collect();
        trees.retain(|t| !other_day.contains(&t.tree));
        for tree in &mut trees {
            tree.group = crew_of.get(&tree.tree).map_or_else(|| "no crew".into(), |c| (*c).to_owned());
        }
        Ok(trees)
    }

    fn stores(&self) -> Result<Stores, CliError> {
        let closing = match (self.close.as_str(), &self.wax) {
            ("plugs", _) => Closing::Plugs,
            ("wax", Some(wax)) => {
                Closing::Wax { mg_per_hole: figures::in_unit(wax.text(), Some(MassUnit::Milligram))?.0 }
            }
            _ => Closing::Open,
        };
        let allowance: PerMille = figures::share(self.allowance.text(), "allowance")?;
        let priming_ul: Ul = figures::volume(self.priming.text(), "priming")?;
        let holes_per_bit = figures::count(self.holes_per_bit.text(), "number of holes per bit")?;
        Ok(Stores { allowance, priming_ul, holes_per_bit, closing })
    }
}

/// What is to be loaded, in a line.
fn first_line(plan: &SupplyPlan) -> String {
    let need = &plan.total;
    if need.trees == 0 {
        return "NOTHING TO LOAD: no stem listed has a dose yet.".to_owned();
    }
    let closed = match (need.plugs, need.wax_mg.0) {
        (0, 0) => String::new(),
        (0, wax) => {
            format!(", {} g of wax", bolebook_core::quantity::decimal(wax.saturating_add(99) / 100, 10, 1))
        }
        (plugs, _) => format!(", {}", count(usize::try_from(plugs).unwrap_or(usize::MAX), "plug")),
    };
    format!(
        "Load {} mL of product for {}: {}, {}, {}{closed}.",
        // Rounded up: what is loaded must not fall short.
        Ul(need.product_to_carry_ul.0.saturating_add(99) / 100 * 100).ml(),
        count(need.trees, "tree"),
        count(need.charges, "charge"),
        count(need.holes, "hole"),
        count(usize::try_from(need.bits).unwrap_or(usize::MAX), "bit")
    )
}
