//! Supply: what product, containers, bits and plugs a set of trees needs, with a stated allowance.
//!
//! The sheet a crew loads its truck by is in [`sheet`](SupplyPlan::sheet); trees that cannot be
//! dosed stand on it with the reason.

mod need;
mod text;

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;

use serde::Serialize;

use crate::day::Day;
use crate::dosing::charges::{ChargeError, ChargePlan, choose_within, hole_count};
use crate::dosing::dose::{StemDose, allows_species};
use crate::dosing::label::holes_in_a_turn;
use crate::dosing::mix::in_product;
use crate::dosing::stem::girth_of_diameter;
use crate::dosing::tree_dose::{TreeDoseError, tree_dose};
use crate::ids::{BlockId, LabelId, TreeId};
use crate::quantity::{PerMille, Ul, Um};
use crate::record::Body;
use crate::record::kit::ContainerKind;
use crate::record::label::{Label, Mix, Sealing};
use crate::view::{TreeState, View};

pub use need::{ContainerNeed, Need};
pub use text::Heading;
pub(crate) use text::line;

/// A tree to plan for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Listed {
    /// Its id.
    pub tree: TreeId,
    /// The tag on it.
    pub tag: String,
    /// What it is counted under: a block, a day, a crew, or the whole job.
    pub group: String,
    /// Its species (EPPO code), if noted.
    pub species: Option<String>,
    /// The diameter of each stem, where measured.
    pub diameters: Vec<Option<Um>>,
    /// Already discharged at it this season; counts toward the label's limit.
    pub already_ul: Ul,
}

/// How holes are closed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Closing {
    /// They stay open.
    Open,
    /// One plug a hole.
    Plugs,
    /// Wax.
    Wax {
        /// Milligrams a hole takes.
        mg_per_hole: i64,
    },
}

/// What the office lays down for the truck.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct Stores {
    /// Added to product, holes and plugs or wax, 0 to 1000 ‰.
    pub allowance: PerMille,
    /// Product for priming and calibration, added once and not raised by the allowance.
    pub priming_ul: Ul,
    /// Holes a bit drills before it is changed, at least 1.
    pub holes_per_bit: i64,
    /// How holes are closed where the label leaves it open.
    pub closing: Closing,
}

/// Under which label and with what the trees are treated.
#[derive(Clone, Copy, Debug)]
pub struct Request<'a> {
    /// The label version.
    pub label: &'a Label,
    /// Its id.
    pub label_id: LabelId,
    /// The rate row's purpose.
    pub purpose: &'a str,
    /// The containers at hand.
    pub containers: &'a [ContainerKind],
    /// What the office lays down.
    pub stores: Stores,
}

/// What is needed, in all and by group.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct SupplyPlan {
    /// The label it was worked from.
    pub label: LabelLine,
    /// The rate row's purpose.
    pub purpose: String,
    /// The label's mix.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub mix: Option<Mix>,
    /// What the office laid down.
    pub stores: Stores,
    /// For all groups together.
    pub total: Need,
    /// By group, ascending by name; bits are rounded up in each, so they may add up to more than the total's.
    pub groups: Vec<Group>,
    /// Trees whose doses the label's limit per tree and season holds down, by tag.
    pub held_by_limit: Vec<String>,
    /// Stems without a dose, and why, in the order given.
    pub left_out: Vec<LeftOut>,
    /// Stems with a dose, in the order given: for forecasts and day plans, not for the sheet.
    #[serde(skip)]
    pub stems: Vec<PlannedStem>,
}

/// A stem that is in the sums.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PlannedStem {
    /// Its tree.
    pub tree: TreeId,
    /// Which stem, from 1.
    pub stem: usize,
    /// Charges planned.
    pub charges: usize,
    /// Their sum.
    pub total_ul: Ul,
}

/// A label named as a record names it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct LabelLine {
    /// What the office calls the product.
    pub name: String,
    /// The version's id.
    pub version: LabelId,
    /// Registration number.
    pub registration: String,
    /// Its mark, when the label is invented.
    pub invented: Option<String>,
    /// The last day it may be used.
    pub expires: Option<Day>,
}

/// The need of one group.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Group {
    /// Block, day or crew.
    pub name: String,
    /// What it needs.
    pub need: Need,
}

/// A stem that is not in the sums.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct LeftOut {
    /// The tree.
    pub tree: TreeId,
    /// Its tag.
    pub tag: String,
    /// What it would have been counted under.
    pub group: String,
    /// Which stem, from 1; absent when it concerns the whole tree.
    pub stem: Option<usize>,
    /// Why.
    pub reason: Reason,
}

/// Why a stem is not in the sums.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Reason {
    /// No species noted.
    #[error("no species is noted, so whether the label allows it is not known: note the species")]
    SpeciesUnknown,
    /// Not on the label.
    #[error("species {0} is not on the label")]
    Species(String),
    /// Not a single stem listed.
    #[error("no stem is listed: correct the tree's record")]
    NoStems,
    /// No dose.
    #[error(transparent)]
    Dose(#[from] TreeDoseError),
    /// No charges.
    #[error(transparent)]
    Charges(#[from] ChargeError),
}

impl Serialize for Reason {
    /// As its message.
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

/// Why there is no plan at all.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum SupplyError {
    /// An allowance outside 0 to 100 %.
    #[error("an allowance of {0} ‰ is not between 0 and 1000 ‰ (100 %)")]
    Allowance(i64),
    /// A figure of the stores that must not be zero or negative.
    #[error("{what} must be {least} or more, not {given}")]
    Figure {
        /// Which figure.
        what: &'static str,
        /// The least it may be.
        least: i64,
        /// What was given.
        given: i64,
    },
    /// Holes would stay open though the label has them closed.
    #[error("the label requires holes to be closed: plan plugs or wax")]
    MustClose,
    /// One tree listed twice.
    #[error("tree {0} is listed twice: its product would be counted twice")]
    Twice(String),
}

/// Works out what a set of trees needs.
///
/// Every dose and charge is the one a crew gets for the same stem ([`tree_dose`], [`choose_within`]).
/// Allowances round up. Holes that fit are counted on one turn at breast height, girth ÷ spacing
/// rounded down; the layout of a tree, which knows its flares and wounds, may fit fewer.
///
/// # Errors
/// [`SupplyError`] when the request itself cannot be met. A tree that cannot be dosed is no error:
/// it stands in [`SupplyPlan::left_out`].
pub fn plan(trees: &[Listed], request: &Request<'_>) -> Result<SupplyPlan, SupplyError> {
    check(trees, request)?;
    let containers = in_product(request.containers, request.label);
    let request = &Request { containers: &containers, ..*request };
    let mut groups: BTreeMap<&str, Need> = BTreeMap::new();
    let mut total = Need::default();
    let (mut left_out, mut held_by_limit) = (vec![], vec![]);
    let (mut known, mut stems): (Known, _) = (BTreeMap::new(), vec![]);
    for tree in trees {
        let mut add_left = |stem: Option<usize>, reason: Reason| {
            let (tag, group) = (tree.tag.clone(), tree.group.clone());
            left_out.push(LeftOut { tree: tree.tree, tag, group, stem, reason });
        };
        if let Err(reason) = treatable(tree, request.label) {
            add_left(None, reason);
            continue;
        }
        let doses = tree_dose(request.label, request.purpose, &tree.diameters, tree.already_ul);
        if doses.held_to_ul.is_some() {
            held_by_limit.push(tree.tag.clone());
        }
        let mut planned = vec![];
        for (index, dose) in doses.stems.into_iter().enumerate() {
            match dose.map_err(Reason::from).and_then(|d| stem(&d, request, &mut known)) {
                Ok((plan, holes)) => {
                    let (charges, total_ul) = (plan.charges_ul.len(), plan.total_ul);
                    stems.push(PlannedStem { tree: tree.tree, stem: index + 1, charges, total_ul });
                    planned.push((plan, holes));
                }
                Err(reason) => add_left(Some(index + 1), reason),
            }
        }
        if !planned.is_empty() {
            total.add_tree(&planned);
            groups.entry(&tree.group).or_default().add_tree(&planned);
        }
    }
    total.finish(request, request.stores.priming_ul);
    let groups = groups.into_iter().map(|(name, mut need)| {
        need.finish(request, Ul::ZERO);
        Group { name: name.to_owned(), need }
    });
    Ok(SupplyPlan {
        label: LabelLine::of(request.label, request.label_id),
        purpose: request.purpose.to_owned(),
        mix: request.label.mix.clone(),
        stores: request.stores,
        total,
        groups: groups.collect(),
        held_by_limit,
        left_out,
        stems,
    })
}

impl SupplyPlan {
    /// How many of the stems left out only lack a diameter.
    pub fn not_measured(&self) -> usize {
        let unmeasured = |l: &&LeftOut| {
            use TreeDoseError::{NotAllMeasured, NotMeasured};
            matches!(&l.reason, Reason::Dose(NotMeasured(_) | NotAllMeasured(_)))
        };
        self.left_out.iter().filter(unmeasured).count()
    }
}

impl LabelLine {
    /// How a label version is named on sheets and tables.
    pub fn of(label: &Label, version: LabelId) -> Self {
        Self {
            name: label.name.clone(),
            version,
            registration: label.registration.clone(),
            invented: label.invented.clone(),
            expires: label.expires,
        }
    }
}

impl fmt::Display for LabelLine {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some(mark) = &self.invented {
            writeln!(f, "{}", line(mark))?;
        }
        let (name, registration) = (line(&self.name), line(&self.registration));
        write!(f, "Label: {name}, registration {registration}, version {}", self.version)?;
        self.expires.map_or(Ok(()), |day| write!(f, ", to be used until {day}"))
    }
}

fn check(trees: &[Listed], request: &Request<'_>) -> Result<(), SupplyError> {
    let stores = &request.stores;
    if !(0..=1_000).contains(&stores.allowance.0) {
        return Err(SupplyError::Allowance(stores.allowance.0));
    }
    let wax = match stores.closing {
        Closing::Wax { mg_per_hole } => mg_per_hole,
        _ => 1,
    };
    for (what, least, given) in [
        ("holes per bit", 1, stores.holes_per_bit),
        ("product for priming, in µL,", 0, stores.priming_ul.0),
        ("wax per hole, in mg,", 1, wax),
        ("the label's spacing, in µm,", 1, request.label.holes.spacing_um.0),
    ] {
        if given < least {
            return Err(SupplyError::Figure { what, least, given });
        }
    }
    if request.label.holes.sealing == Sealing::Required && stores.closing == Closing::Open {
        return Err(SupplyError::MustClose);
    }
    let mut seen = BTreeSet::new();
    trees
        .iter()
        .find(|t| !seen.insert(t.tree))
        .map_or(Ok(()), |twice| Err(SupplyError::Twice(twice.tag.clone())))
}

fn treatable(tree: &Listed, label: &Label) -> Result<(), Reason> {
    let species = tree.species.as_deref().ok_or(Reason::SpeciesUnknown)?;
    if !allows_species(label, species) {
        return Err(Reason::Species(species.to_owned()));
    }
    if tree.diameters.is_empty() { Err(Reason::NoStems) } else { Ok(()) }
}

/// Charges already chosen, by least, usual and most and the holes that fit: a stand has far fewer
/// different doses than stems.
type Known = BTreeMap<(Ul, Ul, Ul, usize), Result<(ChargePlan, usize), ChargeError>>;

fn stem(dose: &StemDose, request: &Request<'_>, known: &mut Known) -> Result<(ChargePlan, usize), Reason> {
    let rules = &request.label.charges;
    let fit = holes_that_fit(request.label, dose.diameter_um);
    let chosen = known.entry((dose.min_ul, dose.target_ul, dose.max_ul, fit)).or_insert_with(|| {
        let plan = choose_within(dose, rules, request.containers, fit)?;
        let holes = hole_count(&plan.charges_ul, rules);
        Ok((plan, holes))
    });
    Ok(chosen.clone()?)
}

/// Holes that fit one turn of a sound, round trunk of this diameter at breast height.
pub fn holes_that_fit(label: &Label, diameter: Um) -> usize {
    usize::try_from(holes_in_a_turn(girth_of_diameter(diameter), &label.holes)).unwrap_or(0)
}

/// The trees of a job that are neither treated nor decided against, grouped by block.
///
/// A tree without a block is counted under `no block`. What was discharged at a tree without any
/// being taken up (all of it leaked) counts toward its season limit.
pub fn trees_left(view: &View<'_>) -> Vec<Listed> {
    let left = view.trees.iter().filter(|(_, tree)| view.state(tree) == TreeState::Left);
    let listed = left.map(|(id, tree)| {
        let record = view.tree(*id);
        let stems = record.map_or(1, |t| t.stems.clamp(1, MOST_STEMS));
        Listed {
            tree: *id,
            tag: view.tag(*id),
            group: record.and_then(|t| t.block).map_or_else(|| "no block".into(), |b| block_name(view, b)),
            species: record.and_then(|t| t.species.clone()),
            diameters: (1..=stems).map(|stem| view.diameter(tree, stem)).collect(),
            already_ul: view.applications(tree).map(|(_, _, a)| a.discharged_ul()).sum(),
        }
    });
    listed.collect()
}

/// Most stems a record may claim ([`crate::check::entry`]); one that claims more is planned for this many.
const MOST_STEMS: i64 = 64;

/// A block's name, or its id when it is not known.
pub(crate) fn block_name(view: &View<'_>, id: BlockId) -> String {
    let name = view.facts.standing_fact(id).and_then(|f| match &view.facts.shown(f).record.body {
        Body::Block(b) => Some(b.name.clone()),
        _ => None,
    });
    name.unwrap_or_else(|| id.to_string())
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::dosing::tree_dose::invented_label;

    fn id(n: u8) -> TreeId {
        TreeId::new(1_000, [n; 10])
    }

    fn tree(n: u8, group: &str, diameters_mm: &[i64]) -> Listed {
        Listed {
            tree: id(n),
            tag: format!("A{n}"),
            group: group.into(),
            species: Some("FRXAM".into()),
            diameters: diameters_mm.iter().map(|d| Some(Um(d * 1_000))).collect(),
            already_ul: Ul(0),
        }
    }

    fn ten() -> Vec<ContainerKind> {
        vec![ContainerKind {
            name: "10 mL".into(),
            charge_ul: Ul(10_000),
            inner_volume_ul: None,
            scale_step_ul: None,
            charge_u_ul: Ul(0),
            shared_u_ul: Ul(0),
        }]
    }

    const STORES: Stores = Stores {
        allowance: PerMille(100),
        priming_ul: Ul(20_000),
        holes_per_bit: 5,
        closing: Closing::Plugs,
    };

    fn request<'a>(label: &'a Label, containers: &'a [ContainerKind]) -> Request<'a> {
        Request { label, label_id: id(200), purpose: "preventive", containers, stores: STORES }
    }

    /// Worked by hand: 13 charges of 10 mL with 0.12 mL each by itself and 0.06 mL in common are known
    /// to 2 √(13 · 0.12² + (13 · 0.06)²) = 1.784 mL (JCGM 100:2008, 5.1.2 and 5.2.2).
    #[test]
    fn the_charges_of_a_plan_are_known_to_what_the_kit_states() {
        let (label, mut containers) = (invented_label(), ten());
        let trees = [tree(1, "North", &[300]), tree(2, "North", &[250])];
        assert_eq!(plan(&trees, &request(&label, &containers)).unwrap().total.interval, None);
        (containers[0].charge_u_ul, containers[0].shared_u_ul) = (Ul(120), Ul(60));
        let found = plan(&trees, &request(&label, &containers)).unwrap();
        assert_eq!(found.total.containers[0].product_ul, Ul(130_000));
        let known = found.total.interval.unwrap();
        assert_eq!((known.value_ul, known.low_ul, known.high_ul), (Ul(130_000), Ul(128_216), Ul(131_784)));
        assert!(found.to_string().contains("hold 128.2 to 131.8 mL"), "{found}");
    }

    /// Worked by hand: 30.0 cm × 2.4 mL = 72 mL gives 7 charges of 10; 25.0 cm gives 60 mL, 6 charges.
    #[test]
    fn a_block_needs_what_its_trees_need_and_the_allowance() {
        let (label, containers) = (invented_label(), ten());
        let trees = [tree(1, "North", &[300]), tree(2, "South", &[250]), tree(3, "North", &[250])];
        let plan = plan(&trees, &request(&label, &containers)).unwrap();
        assert_eq!((plan.total.trees, plan.total.charges, plan.total.holes), (3, 19, 19));
        assert_eq!(plan.total.product_ul, Ul(190_000));
        assert_eq!(plan.total.product_to_carry_ul, Ul(209_000 + 20_000));
        // 19 holes and 10 % are 20.9, so 21 plugs and, at 5 holes a bit, 5 bits.
        assert_eq!((plan.total.plugs, plan.total.bits), (21, 5));
        let kind = &plan.total.containers[0];
        assert_eq!((kind.full, kind.part, kind.most_at_a_tree), (19, 0, 7));
        let north = &plan.groups[0];
        assert_eq!((north.name.as_str(), north.need.product_to_carry_ul), ("North", Ul(143_000)));
        assert!(plan.left_out.is_empty());
    }

    #[test]
    fn what_cannot_be_dosed_stands_on_the_sheet_with_the_reason() {
        let (mut label, containers) = (invented_label(), ten());
        label.holes.most_holes = Some(5);
        let mut trees =
            vec![tree(1, "N", &[90]), tree(2, "N", &[300]), tree(3, "N", &[240]), tree(4, "N", &[])];
        trees.push(Listed { species: None, ..tree(5, "N", &[250]) });
        trees.push(Listed { species: Some("QUEAL".into()), ..tree(6, "N", &[250]) });
        trees.push(Listed { diameters: vec![None], ..tree(7, "N", &[]) });
        let plan = plan(&trees, &request(&label, &containers)).unwrap();
        assert_eq!(plan.total.trees, 1);
        let reasons: Vec<String> = plan.left_out.iter().map(|l| format!("{} {}", l.tag, l.reason)).collect();
        assert_eq!(
            reasons,
            [
                "A1 9.0 cm is below the label's smallest diameter of 10.0 cm: do not treat this stem",
                "A2 no charges between 60.0 and 72.0 mL go into the 5 holes that fit: leave the stem; holes are never crowded to meet a dose",
                "A4 no stem is listed: correct the tree's record",
                "A5 no species is noted, so whether the label allows it is not known: note the species",
                "A6 species QUEAL is not on the label",
                "A7 stem 1 has no diameter: measure it first",
            ]
        );
        let day = "2026-06-01".parse().unwrap();
        let sheet = plan.sheet(&Heading { job: "Invented job", crew: Some("Crew 1"), day }, &label);
        for reason in &plan.left_out {
            assert!(sheet.contains(&reason.reason.to_string()), "{sheet}");
        }
        for part in ["INVENTED: NOT FOR USE", "INVENTED-0001", "go to a hospital at once", "2026-06-01"] {
            assert!(sheet.contains(part), "{part} is not on\n{sheet}");
        }
    }

    #[test]
    fn a_request_that_cannot_be_met_is_refused_by_name() {
        let (label, containers) = (invented_label(), ten());
        let with = |stores: Stores| plan(&[], &Request { stores, ..request(&label, &containers) });
        assert_eq!(with(Stores { allowance: PerMille(1_001), ..STORES }), Err(SupplyError::Allowance(1_001)));
        assert!(with(Stores { holes_per_bit: 0, ..STORES }).is_err());
        assert!(with(Stores { priming_ul: Ul(-1), ..STORES }).is_err());
        assert!(with(Stores { closing: Closing::Wax { mg_per_hole: 0 }, ..STORES }).is_err());
        let twice = [tree(1, "N", &[300]), tree(1, "S", &[300])];
        assert_eq!(plan(&twice, &request(&label, &containers)), Err(SupplyError::Twice("A1".into())));
        let mut closed = label.clone();
        closed.holes.sealing = Sealing::Required;
        let open = Stores { closing: Closing::Open, ..STORES };
        let refused = plan(&[], &Request { stores: open, ..request(&closed, &containers) });
        assert_eq!(refused, Err(SupplyError::MustClose));
    }

    #[test]
    fn holes_that_must_stay_open_get_no_plugs() {
        let (mut label, containers) = (invented_label(), ten());
        label.holes.sealing = Sealing::Forbidden;
        let plan = plan(&[tree(1, "N", &[300])], &request(&label, &containers)).unwrap();
        assert_eq!(plan.total.plugs, 0);
        assert!(plan.to_string().contains("holes stay open"), "{plan}");
    }

    #[test]
    fn control_characters_of_a_tag_do_not_reach_the_sheet() {
        let (label, containers) = (invented_label(), ten());
        let odd = Listed { tag: "A\u{1b}[2J\n".into(), ..tree(1, "N", &[50]) };
        let text = plan(&[odd], &request(&label, &containers)).unwrap().to_string();
        assert!(text.contains("A [2J  (N)"), "{text}");
    }

    proptest! {
        #[test]
        fn any_trees_and_stores_give_a_plan_or_an_error_and_no_stem_is_lost(
            stems in prop::collection::vec(prop::collection::vec(prop::option::of(prop_oneof![any::<i64>(), 0i64..900_000]), 0..4), 0..12),
            allowance in -5i64..1_100, priming in any::<i64>(), per_bit in any::<i64>(), wax in any::<i64>(),
            charge in any::<i64>(), spacing in any::<i64>(),
        ) {
            let mut label = invented_label();
            if spacing % 2 == 0 { label.holes.spacing_um = Um(spacing); }
            let mut containers = ten();
            containers[0].charge_ul = Ul(if charge % 2 == 0 { charge } else { 10_000 });
            let stores = Stores {
                allowance: PerMille(allowance), priming_ul: Ul(priming), holes_per_bit: per_bit,
                closing: Closing::Wax { mg_per_hole: wax },
            };
            let trees: Vec<Listed> = stems.iter().enumerate().map(|(n, stems)| Listed {
                diameters: stems.iter().map(|d| d.map(Um)).collect(), ..tree(n as u8, "N", &[])
            }).collect();
            if let Ok(plan) = plan(&trees, &Request { stores, ..request(&label, &containers) }) {
                let stems: usize = stems.iter().map(|s| s.len().max(1)).sum();
                prop_assert_eq!(plan.total.stems + plan.left_out.len(), stems);
                prop_assert!(plan.total.product_to_carry_ul >= plan.total.product_ul);
                prop_assert!(!plan.to_string().is_empty());
            }
        }
    }
}
