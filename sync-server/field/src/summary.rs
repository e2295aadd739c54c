//! What the screens show of the books, computed once each time the books change.

mod packed;
mod seen;
mod vessels;

use std::collections::BTreeMap;

use bolebook_core::day::Day;
use bolebook_core::facts::Facts;
use bolebook_core::ids::{BlockId, CrewId, KitId, LabelId, LotId, PersonId, RecordId, TreeId};
use bolebook_core::quantity::{Ul, Um, UtcMs};
use bolebook_core::record::book_kinds::Zone;
use bolebook_core::record::label::Label;
use bolebook_core::record::product::MovementKind;
use bolebook_core::record::stand::{Corner, Position};
use bolebook_core::record::{Body, Kind};
use bolebook_core::view::{TreeCounts, TreeState, TreeView, View, Yard};

use crate::changed::{ChangedLine, changes};
use crate::state::{NoView, State};

pub use seen::Seen;

/// A tree as the lists show it.
#[derive(Clone, Debug)]
pub struct TreeLine {
    /// The tree.
    pub id: TreeId,
    /// Its tag.
    pub tag: String,
    /// Its species.
    pub species: Option<String>,
    /// Its block.
    pub block: Option<BlockId>,
    /// Where it stands.
    pub position: Option<Position>,
    /// How many stems it has.
    pub stems: i64,
    /// The last diameter of each stem, with its record; empty for none.
    pub diameters: Vec<Option<(RecordId, Um)>>,
    /// What became of it.
    pub state: TreeState,
    /// Who treated it: crew, day, stem, volume put in, record.
    pub treated: Vec<TreatedLine>,
    /// The last look at it.
    pub condition: Option<Seen>,
}

/// An application as the lists show it.
#[derive(Clone, Debug)]
pub struct TreatedLine {
    /// The application.
    pub record: RecordId,
    /// Which stem.
    pub stem: i64,
    /// The crew.
    pub crew: CrewId,
    /// The day it counts to.
    pub day: Day,
    /// Put in.
    pub put_in_ul: Ul,
    /// Leaked.
    pub leaked_ul: Ul,
    /// How many holes.
    pub holes: usize,
    /// When it ended.
    pub ended_at: UtcMs,
}

/// A kit as the screens show it.
#[derive(Clone, Debug)]
pub struct KitLine {
    /// The kit.
    pub id: KitId,
    /// Its record.
    pub kit: bolebook_core::record::kit::Kit,
    /// The lot last filled into it, and when.
    pub filled: Option<(UtcMs, LotId)>,
    /// What should be in it, by what was logged.
    pub content_ul: i64,
}

/// A lot as the screens show it.
#[derive(Clone, Debug)]
pub struct LotLine {
    /// The lot.
    pub id: LotId,
    /// Its number.
    pub number: String,
    /// Its label.
    pub label: LabelId,
    /// The last day it may be used.
    pub expires: Day,
    /// Whether it was taken out of use.
    pub recalled: bool,
}

/// A question of the office without an answer.
#[derive(Clone, Debug)]
pub struct QuestionLine {
    /// The question.
    pub record: RecordId,
    /// What is asked.
    pub text: String,
}

/// A crew-day's volumes, in microlitres.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct DayVolumes {
    /// Filled into the crew's kits.
    pub filled: i64,
    /// Put into trees.
    pub put_in: i64,
    /// Leaked at holes.
    pub leaked: i64,
    /// Primed and tested.
    pub primed: i64,
    /// Given back.
    pub returned: i64,
    /// Spilled.
    pub spilled: i64,
    /// Disposed of.
    pub disposed: i64,
}

/// Everything the screens show of the books.
#[derive(Clone, Debug)]
pub struct Summary {
    /// The company.
    pub company: String,
    /// The job's title.
    pub title: String,
    /// Its zone.
    pub zone: Zone,
    /// Breast height of this job.
    pub breast_height_um: Um,
    /// How many trees, by what became of them.
    pub counts: TreeCounts,
    /// Trees by tag, in the order people count.
    pub trees: Vec<TreeLine>,
    /// Position in `trees` by id.
    pub by_id: BTreeMap<TreeId, usize>,
    /// Blocks by id.
    pub blocks: BTreeMap<BlockId, String>,
    /// Boundaries of the blocks that have one.
    pub boundaries: BTreeMap<BlockId, Vec<Corner>>,
    /// Crews by id.
    pub crews: BTreeMap<CrewId, String>,
    /// Who works in each crew.
    pub members: BTreeMap<CrewId, Vec<PersonId>>,
    /// People by id.
    pub people: Vec<PersonId>,
    /// Kits.
    pub kits: Vec<KitLine>,
    /// Lots.
    pub lots: Vec<LotLine>,
    /// Labels' newest versions.
    pub labels: Vec<(LabelId, Label)>,
    /// The version in force now, by every version there was.
    pub labels_now: BTreeMap<LabelId, LabelId>,
    /// Questions to a crew.
    pub questions: Vec<(CrewId, QuestionLine)>,
    /// What the office made of the crews' entries.
    pub changed: Vec<ChangedLine>,
    /// Closings: crew and day.
    pub closed: Vec<(CrewId, Day)>,
    /// Volumes by crew and day.
    pub volumes: BTreeMap<(CrewId, Day), DayVolumes>,
    /// Trees not treated, by crew and day.
    pub not_treated: BTreeMap<(CrewId, Day), usize>,
}

/// `A-9` before `A-10`: numbers in a tag count as numbers.
fn natural(tag: &str) -> Vec<(u8, u64, String)> {
    let mut parts: Vec<(u8, u64, String)> = vec![];
    let mut rest = tag;
    while !rest.is_empty() {
        let digits = rest.bytes().take_while(u8::is_ascii_digit).count();
        let length =
            if digits > 0 { digits } else { rest.bytes().take_while(|b| !b.is_ascii_digit()).count() };
        let (part, after) = rest.split_at(length);
        parts.push(match part.parse::<u64>() {
            Ok(number) if digits > 0 => (0, number, part.to_owned()),
            _ => (1, 0, part.to_lowercase()),
        });
        rest = after;
    }
    parts
}

impl State {
    /// The summary, computed anew only after the books changed.
    ///
    /// # Errors
    /// [`NoView`].
    pub fn summary(&mut self) -> Result<std::rc::Rc<Summary>, NoView> {
        if let Some(summary) = &self.summary {
            return Ok(summary.clone());
        }
        let summary = std::rc::Rc::new(self.with_view(Summary::read)?);
        self.summary = Some(summary.clone());
        Ok(summary)
    }
}

impl Summary {
    /// Reads it off a view.
    pub fn read(view: &View<'_>) -> Self {
        let mut trees: Vec<TreeLine> =
            view.trees.iter().map(|(id, tree)| tree_line(view, *id, tree)).collect();
        trees.sort_by_cached_key(|t| (natural(&t.tag), t.id));
        let mut summary = Self {
            company: view.yard.company.clone(),
            title: view.title.clone(),
            zone: view.job.zone.clone(),
            breast_height_um: view.job.breast_height_um,
            counts: view.counts(),
            trees,
            by_id: BTreeMap::new(),
            blocks: BTreeMap::new(),
            boundaries: BTreeMap::new(),
            crews: BTreeMap::new(),
            members: BTreeMap::new(),
            people: vec![],
            kits: vec![],
            lots: vec![],
            labels: vec![],
            labels_now: BTreeMap::new(),
            questions: vec![],
            changed: changes(view),
            closed: vec![],
            volumes: BTreeMap::new(),
            not_treated: BTreeMap::new(),
        };
        summary.read_job(view);
        summary.read_yard(&view.yard);
        summary.kits = kits(view);
        summary.index();
        summary
    }

    /// Finds the trees' places again.
    pub(crate) fn index(&mut self) {
        self.by_id = self.trees.iter().enumerate().map(|(i, t)| (t.id, i)).collect();
    }

    fn read_job(&mut self, view: &View<'_>) {
        let zone = &view.job.zone;
        let answered: Vec<RecordId> = shown(&view.facts, Kind::Answer)
            .filter_map(|(_, _, body)| if let Body::Answer(a) = body { Some(a.question) } else { None })
            .collect();
        for (id, _, body) in shown(&view.facts, Kind::Question) {
            if let Body::Question(q) = body
                && !answered.contains(&id)
            {
                self.questions.push((q.crew, QuestionLine { record: id, text: q.text.clone() }));
            }
        }
        for (id, _, body) in shown(&view.facts, Kind::Block) {
            if let Body::Block(block) = body {
                self.blocks.insert(id, block.name.clone());
                if block.boundary.len() > 2 {
                    self.boundaries.insert(id, block.boundary.clone());
                }
            }
        }
        for (_, _, body) in shown(&view.facts, Kind::DayClosing) {
            if let Body::DayClosing(b) = body {
                self.closed.push((b.crew, b.day));
            }
        }
        for (_, at, body) in shown(&view.facts, Kind::NotTreated) {
            if let Body::NotTreated(b) = body {
                *self.not_treated.entry((b.crew, Day::of(at, zone))).or_default() += 1;
            }
        }
        for line in self.trees.iter().flat_map(|t| &t.treated) {
            let day = self.volumes.entry((line.crew, line.day)).or_default();
            day.put_in += line.put_in_ul.0;
            day.leaked += line.leaked_ul.0;
        }
        for (_, at, body) in shown(&view.yard.facts, Kind::Fill) {
            if let Body::Fill(b) = body {
                self.volumes.entry((b.crew, Day::of(at, zone))).or_default().filled += b.amount_ul.0;
            }
        }
        for (_, at, body) in shown(&view.yard.facts, Kind::Movement) {
            let Body::Movement(b) = body else { continue };
            let of_kit = b.kit.and_then(|k| view.yard.kit(k)).and_then(|k| k.crew);
            let Some(crew) = b.crew.or(of_kit) else { continue };
            let day = self.volumes.entry((crew, Day::of(at, zone))).or_default();
            match b.what {
                MovementKind::PrimedOrTested => day.primed += b.amount_ul.0,
                MovementKind::Returned => day.returned += b.amount_ul.0,
                MovementKind::Spilled => day.spilled += b.amount_ul.0,
                MovementKind::Disposed => day.disposed += b.amount_ul.0,
                MovementKind::Received | MovementKind::OnHand | MovementKind::InKit => {}
            }
        }
    }

    fn read_yard(&mut self, yard: &Yard) {
        for (id, _, body) in shown(&yard.facts, Kind::Crew) {
            if let Body::Crew(crew) = body {
                self.crews.insert(id, crew.name.clone());
                self.members.insert(id, crew.members.clone());
            }
        }
        self.people = shown(&yard.facts, Kind::Person).map(|(id, _, _)| id).collect();
        for (id, _, body) in shown(&yard.facts, Kind::Lot) {
            let Body::Lot(lot) = body else { continue };
            let (number, label, expires) = (lot.number.clone(), lot.label, lot.expires);
            self.lots.push(LotLine { id, number, label, expires, recalled: lot.recalled.is_some() });
        }
        for fact in yard.facts.in_force(Kind::Label) {
            let version = yard.facts.shown(fact);
            let versions = fact.history.iter().map(|v| yard.facts.versions[*v].id());
            self.labels_now.extend(versions.map(|old| (old, version.id())));
            let Body::Label(label) = &version.record.body else { continue };
            self.labels.push((version.id(), (**label).clone()));
        }
    }

    /// A tree by its id.
    pub fn tree(&self, id: TreeId) -> Option<&TreeLine> {
        self.by_id.get(&id).and_then(|i| self.trees.get(*i))
    }

    /// A kit by its id.
    pub fn kit(&self, id: KitId) -> Option<&KitLine> {
        self.kits.iter().find(|k| k.id == id)
    }

    /// A lot by its id.
    pub fn lot(&self, id: LotId) -> Option<&LotLine> {
        self.lots.iter().find(|l| l.id == id)
    }

    /// A label version by its id.
    pub fn label(&self, id: LabelId) -> Option<&Label> {
        self.labels.iter().find(|(known, _)| *known == id).map(|(_, l)| l)
    }
}

/// The facts of a kind in force: id, time, body as shown.
fn shown(facts: &Facts, kind: Kind) -> impl Iterator<Item = (RecordId, UtcMs, &Body)> {
    facts.in_force(kind).map(|fact| {
        let version = facts.shown(fact);
        (fact.id, version.record.envelope.at, &version.record.body)
    })
}

fn tree_line(view: &View<'_>, id: TreeId, tree: &TreeView) -> TreeLine {
    let listed = view.tree(id);
    let stems = listed.map_or(1, |t| t.stems.clamp(1, 64));
    let diameters = (1..=stems).map(|stem| {
        let last = view.diameters(tree, stem).max_by_key(|(v, _)| (v.record.envelope.at, v.id()));
        last.map(|(v, d)| (v.id(), d.diameter_um))
    });
    let treated = view.applications(tree).map(|(fact, version, body)| TreatedLine {
        record: fact.id,
        stem: body.stem,
        crew: body.crew,
        day: view.crew_day(version).map_or_else(|| Day::of(body.started_at, &view.job.zone), |d| d.day),
        put_in_ul: body.put_in_ul(),
        leaked_ul: body.leaked_ul(),
        holes: body.holes.len(),
        ended_at: body.ended_at,
    });
    let looks = tree.conditions.iter().map(|i| view.facts.shown(view.fact(*i)));
    let looks = looks.filter(|v| matches!(v.record.body, Body::Condition(_)));
    let look = looks.max_by_key(|v| (v.record.envelope.at, v.id()));
    TreeLine {
        id,
        tag: view.tag(id),
        species: listed.and_then(|t| t.species.clone()),
        block: listed.and_then(|t| t.block),
        position: listed.and_then(|t| t.position),
        stems,
        diameters: diameters.collect(),
        state: view.state(tree),
        treated: treated.collect(),
        condition: look.map(|v| Seen::read(&v.record)),
    }
}

/// Each kit with what should be in it: its last measurement, what was filled in since, less what
/// went out since.
fn kits(view: &View<'_>) -> Vec<KitLine> {
    let mut events: BTreeMap<KitId, Vec<(UtcMs, Option<i64>, i64)>> = BTreeMap::new();
    let mut filled: BTreeMap<KitId, (UtcMs, LotId)> = BTreeMap::new();
    for (_, at, body) in shown(&view.yard.facts, Kind::Fill) {
        let Body::Fill(b) = body else { continue };
        events.entry(b.kit).or_default().push((at, None, b.amount_ul.0));
        let last = filled.entry(b.kit).or_insert((at, b.lot));
        *last = (*last).max((at, b.lot));
    }
    for (_, at, body) in shown(&view.yard.facts, Kind::Movement) {
        let Body::Movement(b) = body else { continue };
        let Some(kit) = b.kit else { continue };
        let event = match b.what {
            MovementKind::InKit => (at, Some(b.amount_ul.0), 0),
            MovementKind::Received | MovementKind::OnHand => continue,
            _ => (at, None, -b.amount_ul.0),
        };
        events.entry(kit).or_default().push(event);
    }
    for (_, at, body) in shown(&view.facts, Kind::DayClosing) {
        let Body::DayClosing(b) = body else { continue };
        for content in &b.kits {
            events.entry(content.kit).or_default().push((at, Some(content.content_ul.0), 0));
        }
    }
    for (_, _, body) in shown(&view.facts, Kind::Application) {
        let Body::Application(b) = body else { continue };
        events.entry(b.kit).or_default().push((b.ended_at, None, -b.discharged_ul().0));
    }
    let kits = shown(&view.yard.facts, Kind::Kit).filter_map(|(id, _, body)| {
        let Body::Kit(kit) = body else { return None };
        let mut history = events.remove(&id).unwrap_or_default();
        history.sort_by_key(|(at, _, _)| *at);
        let content_ul = history.iter().fold(0i64, |content, (_, counted, moved)| match counted {
            Some(counted) => *counted,
            None => content.saturating_add(*moved),
        });
        Some(KitLine { id, kit: (**kit).clone(), filled: filled.get(&id).copied(), content_ul })
    });
    kits.collect()
}

#[cfg(test)]
mod tests {
    use super::natural;

    #[test]
    fn tags_are_in_the_order_people_count() {
        let mut tags = ["A-10", "A-9", "b-1", "A-9a", "12", "A"];
        tags.sort_by_key(|t| natural(t));
        assert_eq!(tags, ["12", "A", "A-9", "A-9a", "A-10", "b-1"]);
    }
}
