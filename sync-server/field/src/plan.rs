//! What a plan is asked with: crew, kit, lot, label, purpose and person, as the day has them; and
//! the core's answer.

use bolebook_core::dosing::advice::{Advice, AdviceRequest, Plan, advise};
use bolebook_core::dosing::conditions::{Caution, Circumstances};
use bolebook_core::ids::{CrewId, KitId, LabelId, LotId, PersonId, RecordId, TreeId};
use bolebook_core::quantity::{Ul, UtcMs};
use bolebook_core::record::label::Label;

use crate::open_stem::OpenStem;
use crate::state::{NoView, State};
use crate::summary::{KitLine, Summary};

/// Who works, with what.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Tools {
    /// The crew.
    pub crew: CrewId,
    /// Who is using the device, and applies.
    pub person: PersonId,
    /// The certified applicator in charge, when another person.
    pub supervisor: Option<PersonId>,
    /// The kit.
    pub kit: KitId,
    /// The lot last filled into it.
    pub lot: LotId,
    /// Its label's newest version.
    pub label: LabelId,
    /// The purpose.
    pub purpose: String,
}

/// What is not said yet; each has a message of its own.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Missing {
    /// The crew.
    Crew,
    /// The person.
    Person,
    /// The kit.
    Kit,
    /// What is in the kit.
    Fill,
    /// The label of what is in it.
    Label,
    /// For what the product is used.
    Purpose,
}

impl Missing {
    /// The message that says what to do.
    pub const fn message(self) -> &'static str {
        match self {
            Self::Crew => "missing-crew",
            Self::Person => "missing-person",
            Self::Kit => "missing-kit",
            Self::Fill => "missing-fill",
            Self::Label => "missing-label",
            Self::Purpose => "missing-purpose",
        }
    }
}

/// The device's crew, else the only one.
pub fn crew(state: &State, summary: &Summary) -> Option<CrewId> {
    let own = state.member.as_ref().and_then(|m| m.crew);
    own.or_else(|| if summary.crews.len() == 1 { summary.crews.keys().next().copied() } else { None })
}

/// The kit chosen, else the crew's only one, else the only one there is.
pub fn kit(state: &State, summary: &Summary) -> Option<KitId> {
    let chosen = state.choices.kit.filter(|id| summary.kit(*id).is_some());
    let crew = crew(state, summary);
    let own: Vec<KitId> =
        summary.kits.iter().filter(|k| crew.is_some() && k.kit.crew == crew).map(|k| k.id).collect();
    let only = |ids: &[KitId]| if let [one] = ids { Some(*one) } else { None };
    let all = || summary.kits.iter().map(|k| k.id).collect::<Vec<_>>();
    chosen.or_else(|| only(&own)).or_else(|| only(&all()))
}

/// The kits in reach that something was filled into: the crew's own, and the one chosen.
pub fn kits(state: &State, summary: &Summary) -> Vec<KitId> {
    let (crew, chosen) = (crew(state, summary), kit(state, summary));
    let own = |k: &&KitLine| k.kit.crew.is_none() || k.kit.crew == crew || Some(k.id) == chosen;
    let near = summary.kits.iter().filter(own);
    near.filter(|k| k.filled.is_some()).map(|k| k.id).collect()
}

/// The lot in a kit and the version in force of its label.
pub fn product_of(summary: &Summary, kit: KitId) -> Option<(LotId, LabelId)> {
    let (_, lot) = summary.kit(kit)?.filled?;
    let (label, _) = newest(summary, summary.lot(lot)?.label)?;
    Some((lot, label))
}

/// The purposes of a label, each once.
pub fn purposes(label: &Label) -> Vec<String> {
    let mut all: Vec<String> = label.rates.iter().map(|r| r.purpose.clone()).collect();
    all.sort();
    all.dedup();
    all
}

/// Everything a plan is asked with.
///
/// # Errors
/// [`Missing`] with the first thing that is not said yet.
pub fn tools(state: &State, summary: &Summary) -> Result<Tools, Missing> {
    let crew = crew(state, summary).ok_or(Missing::Crew)?;
    let person = state.choices.person.ok_or(Missing::Person)?;
    let kit = kit(state, summary).ok_or(Missing::Kit)?;
    let (_, lot) = summary.kit(kit).and_then(|k| k.filled).ok_or(Missing::Fill)?;
    let entered = summary.lot(lot).map(|l| l.label).ok_or(Missing::Label)?;
    // The lot names the label as it was entered; the version in force now is the one to be used.
    let (label, text) = newest(summary, entered).ok_or(Missing::Label)?;
    let there = purposes(&text);
    let chosen = state.choices.purpose.as_ref().and_then(|p| there.iter().find(|known| *known == p));
    let purpose = match (chosen, &there[..]) {
        (Some(chosen), _) => chosen.clone(),
        (None, [one]) => one.clone(),
        (None, _) => return Err(Missing::Purpose),
    };
    let supervisor = state.choices.supervisor.filter(|s| *s != person);
    Ok(Tools { crew, person, supervisor, kit, lot, label, purpose })
}

fn newest(summary: &Summary, entered: LabelId) -> Option<(LabelId, Label)> {
    if let Some(label) = summary.label(entered) {
        return Some((entered, label.clone()));
    }
    let id = *summary.labels_now.get(&entered)?;
    summary.label(id).map(|l| (id, l.clone()))
}

/// The core's answer for a stem, on the books as they are here.
///
/// # Errors
/// [`NoView`].
pub fn ask(
    state: &State,
    tools: &Tools,
    (tree, stem): (TreeId, i64),
    continues: Option<RecordId>,
    now: UtcMs,
) -> Result<Advice, NoView> {
    let reading = state.reading()?;
    let past = reading.past(state, tree);
    let request = AdviceRequest {
        tree,
        stem,
        label: tools.label,
        purpose: &tools.purpose,
        kit: tools.kit,
        lot: Some(tools.lot),
        applicator: Some(tools.person),
        supervisor: tools.supervisor,
        now,
        seen: Circumstances::default(),
        findings: reading.findings(),
        past: past.as_ref(),
        continues,
    };
    Ok(advise(&reading.view, &request))
}

/// What goes into each hole of a plan.
pub fn by_hole(plan: &Plan) -> Vec<Ul> {
    plan.by_hole_ul.iter().map(|charges| charges.iter().copied().sum()).collect()
}

/// A treatment for which several kits are to be used.
#[derive(Clone, Copy, Debug)]
pub struct Together<'a> {
    /// Who works, with the first kit.
    pub tools: &'a Tools,
    /// Tree and stem.
    pub stem: (TreeId, i64),
    /// The application it finishes.
    pub continues: Option<RecordId>,
    /// The time.
    pub now: UtcMs,
}

/// Why a kit may not be used on a stem besides the one it is planned with.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Apart {
    /// No fill of it is logged.
    Empty,
    /// It holds the product of this other label.
    Product(LabelId),
    /// What the core says against it.
    Stops(Vec<Caution>),
    /// Its containers give other charges.
    Charges,
}

/// The kits chosen besides the first that may not be used with it, and why: each is asked about like
/// the first. `planned` is what goes into each hole by the first.
pub fn apart(state: &State, summary: &Summary, ask: &Together<'_>, planned: &[Ul]) -> Vec<(KitId, Apart)> {
    let near = kits(state, summary);
    let also = state.choices.also.iter().filter(|k| **k != ask.tools.kit && near.contains(*k));
    also.filter_map(|k| Some((*k, apart_from(state, summary, ask, *k, planned)?))).collect()
}

fn apart_from(
    state: &State,
    summary: &Summary,
    asked: &Together<'_>,
    kit: KitId,
    planned: &[Ul],
) -> Option<Apart> {
    let Some((lot, label)) = product_of(summary, kit) else { return Some(Apart::Empty) };
    if label != asked.tools.label {
        return Some(Apart::Product(label));
    }
    let tools = Tools { kit, lot, ..asked.tools.clone() };
    match ask(state, &tools, asked.stem, asked.continues, asked.now) {
        Err(_) => Some(Apart::Stops(vec![])),
        Ok(advice) => match &advice.plan {
            None => Some(Apart::Stops(advice.stops)),
            Some(plan) if by_hole(plan) != planned => Some(Apart::Charges),
            Some(_) => None,
        },
    }
}

/// Why a kit may not go on with a stem that is open; nothing when it may.
pub fn apart_from_open(
    state: &State,
    summary: &Summary,
    open: &OpenStem,
    kit: KitId,
    now: UtcMs,
) -> Option<Apart> {
    let OpenStem { crew, applicator, supervisor, label, purpose, continues, .. } = open.clone();
    let tools = Tools { crew, person: applicator, supervisor, kit: open.kit, lot: open.lot, label, purpose };
    let planned: Vec<Ul> = open.holes.iter().map(|h| h.charge_ul).collect();
    let asked = Together { tools: &tools, stem: (open.tree, open.stem), continues, now };
    apart_from(state, summary, &asked, kit, &planned)
}
