//! Advice: may this stem be treated now, and with what?
//!
//! One call looks at everything that can stop a treatment before the first hole: the tree and what
//! was put into it, the label, lot, kit and people, the day's conditions. Only when nothing stops
//! does it give dose, charges and layout. A doubt stops; it never rounds a dose up. The label, local
//! law and the licensed applicator decide: advice is no permission.

use serde::Serialize;

use crate::check::{Treatment, treatments};
use crate::day::Day;
use crate::dosing::caution::{self, Act};
use crate::dosing::charges::ChargePlan;
use crate::dosing::conditions::{Caution, Circumstances, Weight, cautions};
use crate::dosing::dose::StemDose;
use crate::dosing::layout::Layout;
use crate::dosing::uncertainty::Interval;
use crate::finding::Finding;
use crate::ids::{KitId, LabelId, LotId, PersonId, RecordId, TreeId};
use crate::quantity::{Ul, UtcMs};
use crate::record::label::Label;
use crate::view::{TreeView, View};

mod limits;
mod past;
mod plan;
mod product;
mod text;
mod tree;

pub(crate) use past::SameSeason;
pub use past::{Past, PastDamage, PastTreatment, PastTree, PastUse};
pub use plan::earlier_holes;

/// A rule of this program rather than of a label or law.
const DESIGN: &str = "design rule: a doubt stops the dose";

/// What is asked.
#[derive(Clone, Debug)]
pub struct AdviceRequest<'a> {
    /// The tree.
    pub tree: TreeId,
    /// Which stem, from 1.
    pub stem: i64,
    /// The label version.
    pub label: LabelId,
    /// The rate row's purpose.
    pub purpose: &'a str,
    /// The kit.
    pub kit: KitId,
    /// The lot in it; without one, that of the kit's last fill.
    pub lot: Option<LotId>,
    /// Who is to apply.
    pub applicator: Option<PersonId>,
    /// The certified applicator in charge, when another person.
    pub supervisor: Option<PersonId>,
    /// The time, by the device's clock.
    pub now: UtcMs,
    /// What the crew sees and measures now; it replaces what was logged. Day, hour and species are
    /// taken from the job and the tree, whatever stands here.
    pub seen: Circumstances,
    /// The findings of the same view ([`crate::check::check`], or [`crate::check::check_trees`]): an open one
    /// about this tree counts.
    pub findings: &'a [Finding],
    /// This tree in earlier seasons ([`Past::of`]); `None` when nobody has looked it up.
    pub past: Option<&'a PastTree>,
    /// The application this one is to finish.
    pub continues: Option<RecordId>,
}

/// The answer.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// Something stops: do not treat.
    Stop,
    /// Nothing stops, but read the cautions.
    Cautions,
    /// Nothing stops and nothing is out of the ordinary.
    Clear,
}

/// What to put in, and where.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Plan {
    /// The dose, after every limit.
    pub dose: StemDose,
    /// The dose as far as the tape knows it (about 95 %).
    pub dose_interval: Interval,
    /// The charges.
    pub charges: ChargePlan,
    /// What they truly put in, as far as the kit's calibration knows it (about 95 %).
    pub charges_interval: Interval,
    /// The charges of each hole, in the layout's order.
    pub by_hole_ul: Vec<Vec<Ul>>,
    /// How much of the mix goes into the containers of each hole, where the label has one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub mix_by_hole_ul: Option<Vec<Vec<Ul>>>,
    /// The holes.
    pub layout: Layout,
}

/// May this stem be treated now, and with what?
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Advice {
    /// The answer.
    pub verdict: Verdict,
    /// The tree that stays, where trees were joined.
    pub tree: TreeId,
    /// Its tag.
    pub tag: String,
    /// Which stem.
    pub stem: i64,
    /// The day asked about, in the job's zone.
    pub day: Day,
    /// The reading the dose is worked from, in both measures.
    pub reading: Option<String>,
    /// The label's name, when it is known.
    pub label: Option<String>,
    /// What marks the label as invented.
    pub invented: Option<String>,
    /// The lot that is to be used.
    pub lot: Option<LotId>,
    /// What stops the treatment; empty when nothing does.
    pub stops: Vec<Caution>,
    /// What to read before the first hole.
    pub cautions: Vec<Caution>,
    /// The label's own cautions, in its words.
    pub label_cautions: Vec<String>,
    /// First aid, in the label's words.
    pub first_aid: Vec<String>,
    /// What to mind at charging, waiting and taking off; empty when nothing is to be done.
    pub handling: Vec<&'static str>,
    /// Dose, charges and layout; none when anything stops.
    pub plan: Option<Plan>,
}

/// Everything gathered so far about one question.
struct Case<'v, 'r> {
    view: &'v View<'v>,
    ask: &'r AdviceRequest<'r>,
    id: TreeId,
    tag: String,
    today: Day,
    found: Vec<Caution>,
}

impl Case<'_, '_> {
    fn stop(&mut self, code: &'static str, text: impl Into<String>, source: impl Into<String>) {
        self.found.push(Caution::stop(code, text, source));
    }

    fn caution(&mut self, code: &'static str, text: impl Into<String>, source: impl Into<String>) {
        self.found.push(Caution::to_read(code, text, source));
    }
}

/// What was put into this tree this season, sorted out for one stem.
struct Before<'v> {
    all: Vec<Treatment<'v>>,
    /// The treatment to be finished, by index.
    continued: Option<usize>,
}

/// Answers 'may I treat this stem now, and with what?' on the books as this device has them.
///
/// Never fails: whatever cannot be judged is a stop that says what to find out.
pub fn advise(view: &View<'_>, ask: &AdviceRequest<'_>) -> Advice {
    let id = view.stays(ask.tree);
    let today = Day::of(ask.now, &view.job.zone);
    let mut case = Case { view, ask, id, tag: view.tag(id), today, found: vec![] };
    let nothing = TreeView::default();
    let listed = view.trees.get(&id);
    let tree = listed.unwrap_or(&nothing);
    let before = Before { continued: None, all: treatments(view, tree) };
    let before = Before { continued: tree::continued(&case, &before.all), ..before };
    if listed.is_none() {
        case.stop(
            "tree.unknown",
            format!("No tree {} is listed in this job: list it first.", ask.tree),
            DESIGN,
        );
    } else {
        tree::check(&mut case, tree, &before);
    }
    let label = product::label(&mut case);
    let lot = product::lot(&mut case, label);
    let kit = product::kit(&mut case, label);
    product::people(&mut case);
    product::job(&mut case);
    let measured = tree::measured(&mut case, tree);
    let mut plan = None;
    if let Some(label) = label {
        tree::against_label(&mut case, tree, label);
        let now = tree::circumstances(&case, tree);
        case.found.extend(cautions(label, &view.job.closed, &now));
        if let (Some(kit), Some(measured), Some(_)) = (kit, &measured, listed) {
            plan = plan::plan(&mut case, tree, label, kit, measured, &before);
        }
    }
    answer(case, label, lot, measured.map(|m| m.echo), plan)
}

fn answer(
    case: Case<'_, '_>,
    label: Option<&Label>,
    lot: Option<LotId>,
    reading: Option<String>,
    plan: Option<Plan>,
) -> Advice {
    let mut seen: Vec<Caution> = vec![];
    for caution in case.found {
        if !seen.contains(&caution) {
            seen.push(caution);
        }
    }
    let (stops, cautions): (Vec<_>, Vec<_>) = seen.into_iter().partition(|c| c.weight == Weight::Stop);
    let verdict = match (stops.is_empty() && plan.is_some(), cautions.is_empty()) {
        (false, _) => Verdict::Stop,
        (true, false) => Verdict::Cautions,
        (true, true) => Verdict::Clear,
    };
    Advice {
        verdict,
        tree: case.id,
        tag: case.tag,
        stem: case.ask.stem,
        day: case.today,
        reading,
        label: label.map(|l| l.name.clone()),
        invented: label.and_then(|l| l.invented.clone()),
        lot,
        stops,
        cautions,
        label_cautions: label.map(|l| l.cautions.clone()).unwrap_or_default(),
        first_aid: label.map(|l| l.first_aid.clone()).unwrap_or_default(),
        handling: if verdict == Verdict::Stop { vec![] } else { handling() },
        plan: plan.filter(|_| verdict != Verdict::Stop),
    }
}

fn handling() -> Vec<&'static str> {
    let mut lines: Vec<&'static str> = vec![];
    for line in [Act::Charge, Act::Uptake, Act::TakeOff].iter().flat_map(|act| caution::cautions(*act)) {
        if !lines.contains(line) {
            lines.push(line);
        }
    }
    lines
}
