//! A stem being treated: what was planned, what has been done so far, and what differed. Kept from
//! tap to tap, so that a dark screen or a restart loses nothing; it becomes an application when the
//! last container is off.

use bolebook_core::dosing::advice::Plan;
use bolebook_core::ids::{CrewId, KitId, LabelId, LotId, PersonId, RecordId, TreeId};
use bolebook_core::quantity::{Pa, Ul, Um, UtcMs};
use bolebook_core::record::label::{Label, Sealing};
use bolebook_core::record::work::{Application, Hole};
use serde::{Deserialize, Serialize};

/// A planned hole.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct OpenHole {
    /// Clockwise arc from the mark.
    pub arc_um: Um,
    /// Height above ground.
    pub height_um: Um,
    /// What is to go in.
    pub charge_ul: Ul,
    /// How much of the mix that is in its containers, where the label has the product mixed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mix_ul: Option<Ul>,
    /// What differed; nothing yet when absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub differs: Option<Differs>,
    /// The kit its charge came from, when another than the stem was begun with.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub kit: Option<KitId>,
}

impl OpenHole {
    /// What its containers hold: the charge, or the mix it is in.
    pub fn held_ul(&self) -> Ul {
        self.mix_ul.unwrap_or(self.charge_ul)
    }

    /// What has left its kit: the charge, or what is marked.
    pub fn discharged_ul(&self) -> Ul {
        self.differs.map_or(self.charge_ul, |d| d.put_in_ul.saturating_add(d.leaked_ul))
    }

    /// The product in a part of what they hold, rounded up.
    pub fn product_in(&self, part: Ul) -> Ul {
        let product = i128::from(part.0) * i128::from(self.charge_ul.0);
        let held = i128::from(self.held_ul().0.max(1));
        Ul(i64::try_from((product + held - 1) / held).unwrap_or(i64::MAX))
    }
}

/// What differed at a hole.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Differs {
    /// Taken up by the tree.
    pub put_in_ul: Ul,
    /// Leaked out.
    pub leaked_ul: Ul,
    /// Whether the hole was closed.
    pub sealed: bool,
    /// Whether the container was put on again.
    #[serde(default)]
    pub reseated: bool,
}

/// A kit of which charges came besides the one the stem was begun with, the lot in it (of the same
/// label), and since when.
pub type OtherKit = (KitId, LotId, UtcMs);

/// A stem being treated.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct OpenStem {
    /// The tree.
    pub tree: TreeId,
    /// Its tag.
    pub tag: String,
    /// Which stem.
    pub stem: i64,
    /// The label version.
    pub label: LabelId,
    /// The purpose.
    pub purpose: String,
    /// The lot.
    pub lot: LotId,
    /// The kit.
    pub kit: KitId,
    /// The crew.
    pub crew: CrewId,
    /// Who applies.
    pub applicator: PersonId,
    /// The certified applicator in charge, when another person.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub supervisor: Option<PersonId>,
    /// The diameter the dose was worked from.
    pub diameter: Option<RecordId>,
    /// When the first hole was begun.
    pub started_at: UtcMs,
    /// When the last container was put on.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub on_at: Option<UtcMs>,
    /// Reservoir pressure while charging, if read.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pressure_pa: Option<Pa>,
    /// Depth in sapwood.
    pub depth_um: Um,
    /// The holes.
    pub holes: Vec<OpenHole>,
    /// Longest time for a charge to be taken up, in seconds.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub uptake_limit_s: Option<i64>,
    /// Time a container stays on after emptying, in seconds.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hold_after_s: Option<i64>,
    /// Whether the label has the holes closed.
    pub sealing: SealingRule,
    /// The application this one finishes.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub continues: Option<RecordId>,
    /// Further kits that some holes got their charge from.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub others: Vec<OtherKit>,
}

/// What the label says of closing holes; [`Sealing`], kept here so that an old state can be read.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum SealingRule {
    /// Must be closed.
    Required,
    /// As the crew sees fit.
    Optional,
    /// Must stay open.
    Forbidden,
}

impl From<Sealing> for SealingRule {
    fn from(sealing: Sealing) -> Self {
        match sealing {
            Sealing::Required => Self::Required,
            Sealing::Optional => Self::Optional,
            Sealing::Forbidden => Self::Forbidden,
        }
    }
}

/// What a stem is opened with besides its plan.
#[derive(Clone, Debug)]
pub struct Opening {
    /// The tree.
    pub tree: TreeId,
    /// Its tag.
    pub tag: String,
    /// Which stem.
    pub stem: i64,
    /// The label version.
    pub label: LabelId,
    /// The purpose.
    pub purpose: String,
    /// The lot.
    pub lot: LotId,
    /// The kit.
    pub kit: KitId,
    /// The crew.
    pub crew: CrewId,
    /// Who applies.
    pub applicator: PersonId,
    /// The certified applicator in charge, when another person.
    pub supervisor: Option<PersonId>,
    /// The diameter record.
    pub diameter: Option<RecordId>,
    /// The application this one finishes.
    pub continues: Option<RecordId>,
}

impl OpenStem {
    /// Opens a stem for a plan.
    pub fn new(opening: Opening, plan: &Plan, label: &Label, now: UtcMs) -> Self {
        let Opening {
            tree,
            tag,
            stem,
            label: id,
            purpose,
            lot,
            kit,
            crew,
            applicator,
            supervisor,
            diameter,
            continues,
        } = opening;
        let holes = plan.layout.holes.iter().zip(&plan.by_hole_ul).enumerate();
        let holes = holes.map(|(index, (place, charges))| OpenHole {
            arc_um: place.arc_um,
            height_um: place.height_um,
            charge_ul: charges.iter().copied().sum(),
            mix_ul: plan.mix_by_hole_ul.as_ref().and_then(|m| Some(m.get(index)?.iter().copied().sum())),
            differs: None,
            kit: None,
        });
        Self {
            tree,
            tag,
            stem,
            label: id,
            purpose,
            lot,
            kit,
            crew,
            applicator,
            supervisor,
            diameter,
            started_at: now,
            on_at: None,
            pressure_pa: None,
            depth_um: plan.layout.depth.sapwood_min_um,
            holes: holes.collect(),
            uptake_limit_s: label.charges.uptake_limit_s,
            hold_after_s: label.charges.hold_after_s,
            sealing: label.holes.sealing.into(),
            continues,
            others: vec![],
        }
    }

    /// What is to go in, all together.
    pub fn charge_ul(&self) -> Ul {
        self.holes.iter().map(|h| h.charge_ul).sum()
    }

    /// How many holes differ from the plan.
    pub fn differing(&self) -> usize {
        self.holes.iter().filter(|h| h.differs.is_some()).count()
    }

    /// Milliseconds since the last container was put on.
    pub fn waiting_ms(&self, now: UtcMs) -> Option<i64> {
        self.on_at.map(|at| (now.0 - at.0).max(0))
    }

    /// Whether the label's time for uptake is over.
    pub fn overdue(&self, now: UtcMs) -> bool {
        self.waiting_ms(now).zip(self.uptake_limit_s).is_some_and(|(waited, limit)| waited > limit * 1_000)
    }

    /// The kit a hole's charge came from.
    pub fn kit_of(&self, hole: &OpenHole) -> KitId {
        hole.kit.unwrap_or(self.kit)
    }

    /// The kits that charges came from, each once, in the order of the holes, with the holes' numbers.
    pub fn by_kit(&self) -> Vec<(KitId, Vec<usize>)> {
        let mut all: Vec<(KitId, Vec<usize>)> = vec![];
        for (index, hole) in self.holes.iter().enumerate() {
            let kit = self.kit_of(hole);
            match all.iter_mut().find(|(known, _)| *known == kit) {
                Some((_, holes)) => holes.push(index + 1),
                None => all.push((kit, vec![index + 1])),
            }
        }
        all
    }

    /// Says that the holes from `first` on, an index, got their charge from a kit.
    pub fn charge_from(&mut self, first: usize, kit: OtherKit) {
        for hole in self.holes.iter_mut().skip(first) {
            hole.kit = Some(kit.0).filter(|k| *k != self.kit);
        }
        self.note_kit(kit);
    }

    /// Says that one hole got its charge from a kit.
    pub fn hole_from(&mut self, index: usize, kit: OtherKit) {
        if let Some(hole) = self.holes.get_mut(index) {
            hole.kit = Some(kit.0).filter(|k| *k != self.kit);
        }
        self.note_kit(kit);
    }

    fn note_kit(&mut self, kit: OtherKit) {
        if kit.0 != self.kit && !self.others.iter().any(|o| o.0 == kit.0) {
            self.others.push(kit);
        }
        let used: Vec<KitId> = self.holes.iter().filter_map(|h| h.kit).collect();
        self.others.retain(|o| used.contains(&o.0));
    }

    /// What has left a kit into this stem's containers and is not logged yet.
    pub fn out_of(&self, kit: KitId) -> Ul {
        let charged = self.holes.iter().filter(|h| self.on_at.is_some() && self.kit_of(h) == kit);
        charged.map(OpenHole::discharged_ul).sum()
    }

    /// The applications this stem becomes: one a kit, for a record names one kit and one lot. The first is
    /// of the first hole's kit, and the others are to continue it.
    pub fn applications(&self, sealed: bool, ended_at: UtcMs) -> Vec<Application> {
        self.by_kit().into_iter().map(|(kit, _)| self.application(kit, sealed, ended_at)).collect()
    }

    /// The application of one kit: every hole full, or as marked, and `sealed` where nothing else was
    /// marked.
    fn application(&self, kit: KitId, sealed: bool, ended_at: UtcMs) -> Application {
        let other = self.others.iter().find(|o| o.0 == kit);
        let started_at = other.map_or(self.started_at, |o| o.2.max(self.started_at));
        let holes = self.holes.iter().filter(|hole| self.kit_of(hole) == kit).map(|hole| {
            let full = Differs { put_in_ul: hole.charge_ul, leaked_ul: Ul::ZERO, sealed, reseated: false };
            let done = hole.differs.unwrap_or(full);
            Hole {
                arc_um: hole.arc_um,
                height_um: hole.height_um,
                depth_um: self.depth_um,
                put_in_ul: done.put_in_ul,
                leaked_ul: done.leaked_ul,
                sealed: done.sealed,
                reseated: done.reseated,
                removed_at: None,
            }
        });
        Application {
            tree: self.tree,
            stem: self.stem,
            crew: self.crew,
            applicator: self.applicator,
            supervisor: self.supervisor,
            label: self.label,
            purpose: self.purpose.clone(),
            lot: other.map_or(self.lot, |o| o.1),
            kit,
            diameter: self.diameter,
            started_at,
            ended_at: ended_at.max(started_at),
            // It was read off the gauge of the kit the stem was begun with.
            pressure_pa: self.pressure_pa.filter(|_| other.is_none()),
            holes: holes.collect(),
            continues: self.continues,
            position: None,
        }
    }
}
