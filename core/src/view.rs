//! The view of a job: what is true now, with its history, from the job's and the yard's facts.

mod clock;
mod grow;
mod history;
pub(crate) mod products;

use std::collections::{BTreeMap, BTreeSet};
use std::ops::Deref;
use std::sync::Arc;

use crate::book::{Book, Carrier};
use crate::causality::Past;
use crate::day::Day;
use crate::dosing::label::confirmation_problems;
use crate::facts::{Authority, Fact, Facts, NoDays, SignedDays, Standing, Version};
use crate::ids::{BookId, CommitHash, CrewId, DeviceId, LabelId, PersonId, RecordId, Sha256Hash, TreeId};
use crate::quantity::{Ul, Um, UtcMs};
use crate::record::book_kinds::{BookContent, Job, Zone};
use crate::record::kit::Kit;
use crate::record::label::{Label, Mix};
use crate::record::office::SignOff;
use crate::record::people::Crew;
use crate::record::product::Lot;
use crate::record::stand::{Diameter, Tree};
use crate::record::work::{Application, NotTreated, NotTreatedReason};
use crate::record::{Body, Kind, Record};

/// Why no view could be made.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ViewError {
    /// The book has no genesis yet.
    #[error("book {0} has no genesis yet: exchange with a server or import its bundle first")]
    NoGenesis(BookId),
    /// A yard book was given where a job book is wanted, or the other way round.
    #[error("book {book} is not a {wanted} book")]
    WrongKind {
        /// The book.
        book: BookId,
        /// What it should be.
        wanted: &'static str,
    },
    /// The job belongs to another yard.
    #[error("job {job} belongs to yard {wanted}, not to {found}")]
    OtherYard {
        /// The job book.
        job: BookId,
        /// The yard it names.
        wanted: BookId,
        /// The yard given.
        found: BookId,
    },
}

/// A crew's day.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct CrewDay {
    /// The crew.
    pub crew: CrewId,
    /// The day, in the job's zone.
    pub day: Day,
}

/// What became of a listed tree.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, serde::Serialize, serde::Deserialize)]
pub enum TreeState {
    /// Product went in.
    Treated,
    /// Decided against, for this reason.
    NotTreated(NotTreatedReason),
    /// Neither yet.
    Left,
}

/// A tree with everything logged about it; facts are indices into the job's facts, ascending by id.
#[derive(Clone, Debug, Default)]
pub struct TreeView {
    /// Its own `tree` fact and those of the trees joined to it.
    pub listed_as: Vec<usize>,
    /// Diameters.
    pub diameters: Vec<usize>,
    /// Conditions.
    pub conditions: Vec<usize>,
    /// Doses planned.
    pub doses: Vec<usize>,
    /// Applications.
    pub applications: Vec<usize>,
    /// Decisions not to treat.
    pub not_treated: Vec<usize>,
    /// Photos of it or of its records.
    pub photos: Vec<usize>,
    /// Inspections after treatment.
    pub inspections: Vec<usize>,
}

/// The yard's facts and what names them.
#[derive(Clone, Debug)]
pub struct Yard {
    /// The yard book.
    pub book: BookId,
    /// The company.
    pub company: String,
    /// Its heads.
    pub heads: Vec<CommitHash>,
    /// Its facts.
    pub facts: Facts,
    /// What each of its commits knew.
    pub(crate) pasts: BTreeMap<CommitHash, Past>,
}

/// The yard a view is read with: lent while the view lives, or shared so that the view can be kept.
#[derive(Clone, Debug)]
pub enum YardRef<'y> {
    /// Lent.
    Lent(&'y Yard),
    /// Shared.
    Shared(Arc<Yard>),
}

impl Deref for YardRef<'_> {
    type Target = Yard;

    fn deref(&self) -> &Yard {
        match self {
            Self::Lent(yard) => yard,
            Self::Shared(yard) => yard,
        }
    }
}

impl<'y> From<&'y Yard> for YardRef<'y> {
    fn from(yard: &'y Yard) -> Self {
        Self::Lent(yard)
    }
}

impl From<Arc<Yard>> for YardRef<'_> {
    fn from(yard: Arc<Yard>) -> Self {
        Self::Shared(yard)
    }
}

/// A job as it stands now.
#[derive(Clone, Debug)]
pub struct View<'y> {
    /// The yard it is read with.
    pub yard: YardRef<'y>,
    /// The job book.
    pub book: BookId,
    /// The job's title.
    pub title: String,
    /// What holds for the whole job.
    pub job: Job,
    /// The job book's heads.
    pub heads: Vec<CommitHash>,
    /// Its facts.
    pub facts: Facts,
    /// Its trees, by the id of the tree that stays when trees are joined.
    pub trees: BTreeMap<TreeId, TreeView>,
    /// Trees joined to another: which one stays.
    pub joined: BTreeMap<TreeId, TreeId>,
    /// Facts about a tree no one has listed.
    pub unknown_tree: Vec<usize>,
    /// Every crew-day with work in it.
    pub crew_days: BTreeSet<CrewDay>,
    /// The sign-off in force of each signed crew-day.
    pub signed_off: BTreeMap<CrewDay, RecordId>,
    /// Versions that arrived after their crew-day was signed off without knowing of it: (version, sign-off).
    pub late: Vec<(usize, RecordId)>,
    /// Versions dated after a server had already received them: (version, arrival).
    pub ahead: Vec<(usize, UtcMs)>,
    /// Of each photo's record, when it arrived at a server at first; its bytes come apart from it.
    pub photos_arrived: BTreeMap<RecordId, UtcMs>,
    /// Versions dated before a receipt that their writer had seen: (version, arrival it tells of).
    pub backdated: Vec<(usize, UtcMs)>,
    /// Commits dated before the device's own commit before them: (first version, its time, the time before).
    pub set_back: Vec<(usize, UtcMs, UtcMs)>,
    /// What the office changed in a signed-off day: (change, fact, sign-off, day).
    pub changed: Vec<(usize, RecordId, RecordId, CrewDay)>,
    crews_of_devices: BTreeMap<DeviceId, Option<CrewId>>,
    /// What facts in force are about and lead to no tree: a tree not listed, a record not here.
    looked_for: BTreeSet<RecordId>,
    /// What each sign-off in force knew.
    pub(crate) signed_knowing: BTreeMap<RecordId, Past>,
}

impl Yard {
    /// Folds the yard book.
    ///
    /// # Errors
    /// [`ViewError`] when the book has no genesis or is not a yard.
    pub fn read(book: &Book, authority: &impl Authority) -> Result<Self, ViewError> {
        let genesis = book.genesis().ok_or(ViewError::NoGenesis(book.id()))?;
        let BookContent::Yard { company } = &genesis.content else {
            return Err(ViewError::WrongKind { book: book.id(), wanted: "yard" });
        };
        let facts = Facts::fold(book, authority, &NoDays);
        let carriers = (0..).map(|commit| Carrier { commit, index: 0 });
        let pasts =
            book.commits().iter().zip(carriers).filter_map(|(c, at)| Some((c.hash(), book.past(at)?)));
        let pasts = pasts.collect();
        Ok(Self { book: book.id(), company: company.clone(), heads: book.heads(), facts, pasts })
    }

    /// A label version: the record with exactly this id, in force when it was written, whatever
    /// versions came later. A later version never changes what was done under an earlier one.
    pub fn label(&self, id: LabelId) -> Option<&Label> {
        let fact = self.facts.standing_fact(id)?;
        fact.history.iter().map(|v| &self.facts.versions[*v]).find_map(|v| match &v.record.body {
            Body::Label(label) if v.id() == id && v.standing == Standing::InForce => Some(&**label),
            _ => None,
        })
    }

    /// Whether a second licensed person has confirmed a label version: rates entered again and doses
    /// worked must agree with it, and who confirmed it must be another person than who entered it and
    /// hold a certifying licence then. Where either is not named it may have been one person: no.
    pub fn confirmed(&self, id: LabelId) -> Option<&Version> {
        let label = self.label(id)?;
        let entered_by = self.facts.versions.iter().filter(|v| v.id() == id);
        let entered_by: Vec<PersonId> = entered_by.filter_map(|v| v.record.envelope.by).collect();
        self.facts.in_force(Kind::LabelConfirmation).flat_map(|fact| self.facts.current(fact)).find(
            |version| {
                let Body::LabelConfirmation(body) = &version.record.body else { return false };
                let named = version.record.envelope.by;
                let second = named.is_some_and(|by| {
                    !entered_by.is_empty()
                        && !entered_by.contains(&by)
                        && self.licensed_about(by, version.record.envelope.at)
                });
                body.label == id && second && confirmation_problems(label, body).is_empty()
            },
        )
    }

    /// Whether a person held a certifying licence on the day of a moment somewhere on earth: the
    /// yard has no time zone of its own.
    pub(crate) fn licensed_about(&self, person: PersonId, at: UtcMs) -> bool {
        let hours = |h: i64| Day::of(UtcMs(at.0.saturating_add(h * 3_600_000)), &utc());
        let (first, last) = (hours(-12), hours(14));
        self.facts.in_force(Kind::Licence).any(|fact| match &self.facts.shown(fact).record.body {
            Body::Licence(l) => {
                l.person == person && l.certified && l.valid_from <= last && first <= l.valid_to
            }
            _ => false,
        })
    }

    /// A lot as it stands.
    pub fn lot(&self, id: RecordId) -> Option<&Lot> {
        let fact = self.facts.standing_fact(id)?;
        if let Body::Lot(lot) = &self.facts.shown(fact).record.body { Some(lot) } else { None }
    }

    /// How a lot's product is mixed, by the label it is used under; nothing where it is put in as it is.
    pub fn mix_of(&self, lot: RecordId) -> Option<&Mix> {
        self.label(self.label_now(self.lot(lot)?.label))?.mix.as_ref()
    }

    /// What every version of a label says, those amended since too.
    pub fn label_versions(&self, id: LabelId) -> impl Iterator<Item = &Label> {
        let history = self.facts.fact_of(id).into_iter().flat_map(|fact| &fact.history);
        history.filter_map(|v| match &self.facts.versions[*v].record.body {
            Body::Label(label) => Some(&**label),
            _ => None,
        })
    }

    /// Whether a label's mix was amended: how what stands in a vessel was mixed is then not known.
    pub fn mix_amended(&self, id: LabelId) -> bool {
        let mut mixes = self.label_versions(id).map(|label| &label.mix);
        mixes.next().is_some_and(|first| mixes.any(|mix| mix != first))
    }

    /// The version in force of the label that a version is of; the version itself when there is none,
    /// or several that were made apart.
    pub fn label_now(&self, id: LabelId) -> LabelId {
        let Some(fact) = self.facts.standing_fact(id) else { return id };
        let mut current = self.facts.current(fact).map(Version::id);
        match (current.next(), current.next()) {
            (Some(only), None) => only,
            _ => id,
        }
    }

    /// Every value of a lot in force: several when it was amended two ways; none when it is unknown.
    pub fn lots(&self, id: RecordId) -> impl Iterator<Item = &Lot> {
        let current = self.facts.standing_fact(id).into_iter().flat_map(|fact| self.facts.current(fact));
        current.filter_map(|v| if let Body::Lot(lot) = &v.record.body { Some(&**lot) } else { None })
    }

    /// A kit as it stands.
    pub fn kit(&self, id: RecordId) -> Option<&Kit> {
        let fact = self.facts.standing_fact(id)?;
        if let Body::Kit(kit) = &self.facts.shown(fact).record.body { Some(kit) } else { None }
    }

    /// A crew as it stands.
    pub fn crew(&self, id: CrewId) -> Option<&Crew> {
        let fact = self.facts.standing_fact(id)?;
        if let Body::Crew(crew) = &self.facts.shown(fact).record.body { Some(crew) } else { None }
    }

    /// A crew's name, or its id when it is not known.
    pub fn crew_name(&self, id: CrewId) -> String {
        self.crew(id).map_or_else(|| id.to_string(), |c| c.name.clone())
    }

    /// A lot's number, or its id when it is not known.
    pub fn lot_number(&self, id: RecordId) -> String {
        self.lot(id).map_or_else(|| id.to_string(), |l| l.number.clone())
    }

    /// A digest that names the state of a set of books.
    pub fn state(&self, jobs: &[&[CommitHash]]) -> Sha256Hash {
        let mut text = String::from("bolebook/state/1");
        for hash in self.heads.iter().chain(jobs.iter().copied().flatten()) {
            text.push_str(&hash.to_string());
        }
        Sha256Hash::of(text.as_bytes())
    }
}

/// The crew-day a record counts to: that of its own fields where it has them, else its device's
/// crew on the day it was logged.
pub fn crew_day_of(record: &Record, device_crew: Option<CrewId>, zone: &Zone) -> Option<CrewDay> {
    let (crew, at) = match &record.body {
        Body::Application(b) => (b.crew, b.started_at),
        Body::NotTreated(b) => (b.crew, record.envelope.at),
        Body::Incident(b) => (b.crew, b.happened_at),
        Body::DayClosing(b) => return Some(CrewDay { crew: b.crew, day: b.day }),
        Body::Fill(b) => (b.crew, record.envelope.at),
        _ => (device_crew?, record.envelope.at),
    };
    Some(CrewDay { crew, day: Day::of(at, zone) })
}

fn utc() -> Zone {
    Zone { name: "Etc/UTC".into(), offsets: vec![] }
}

struct JobDays<'a>(&'a Zone);

impl SignedDays for JobDays<'_> {
    fn apply(&self) -> bool {
        true
    }

    fn covers(&self, sign_off: &SignOff, record: &Record, crew: Option<CrewId>) -> bool {
        crew_day_of(record, crew, self.0) == Some(CrewDay { crew: sign_off.crew, day: sign_off.day })
    }
}

impl<'y> View<'y> {
    /// Reads a job book with its yard.
    ///
    /// # Errors
    /// [`ViewError`] when the book has no genesis, is not a job, or belongs to another yard.
    pub fn read(
        book: &Book,
        yard: impl Into<YardRef<'y>>,
        authority: &impl Authority,
    ) -> Result<Self, ViewError> {
        let yard = yard.into();
        let genesis = book.genesis().ok_or(ViewError::NoGenesis(book.id()))?;
        let BookContent::Job(job) = &genesis.content else {
            return Err(ViewError::WrongKind { book: book.id(), wanted: "job" });
        };
        if job.yard != yard.book {
            return Err(ViewError::OtherYard { job: book.id(), wanted: job.yard, found: yard.book });
        }
        let facts = Facts::fold(book, authority, &JobDays(&job.zone));
        let mut view = Self {
            yard,
            book: book.id(),
            title: genesis.title.clone(),
            job: job.clone(),
            heads: book.heads(),
            facts,
            trees: BTreeMap::new(),
            joined: BTreeMap::new(),
            unknown_tree: vec![],
            crew_days: BTreeSet::new(),
            signed_off: BTreeMap::new(),
            late: vec![],
            ahead: vec![],
            photos_arrived: BTreeMap::new(),
            backdated: vec![],
            set_back: vec![],
            changed: vec![],
            crews_of_devices: BTreeMap::new(),
            looked_for: BTreeSet::new(),
            signed_knowing: BTreeMap::new(),
        };
        view.list_trees();
        (0..view.facts.facts.len()).for_each(|fact| view.attach(fact));
        view.find_days(book, authority);
        let all: Vec<usize> = (0..view.facts.versions.len()).collect();
        view.find_ahead(book, &all);
        view.find_backdated(book, &all);
        view.find_set_back(book, &all);
        Ok(view)
    }

    fn list_trees(&mut self) {
        let ids: Vec<TreeId> = self.facts.in_force(Kind::Tree).map(|f| f.id).collect();
        let mut stays: BTreeMap<TreeId, TreeId> = BTreeMap::new();
        let mut joins: Vec<&Version> =
            self.facts.in_force(Kind::Join).map(|fact| self.facts.shown(fact)).collect();
        joins.sort_by_key(|v| (v.op, v.id()));
        for version in joins {
            let Body::Join(join) = &version.record.body else { continue };
            let keep = follow(&stays, join.keep);
            for other in &join.joined {
                let other = follow(&stays, *other);
                if other != keep {
                    stays.insert(other, keep);
                }
            }
        }
        for id in &ids {
            let keep = follow(&stays, *id);
            if keep != *id {
                self.joined.insert(*id, keep);
            }
        }
        for (index, fact) in self.facts.facts.iter().enumerate() {
            if fact.kind == Kind::Tree && fact.in_force() {
                let keep = self.joined.get(&fact.id).copied().unwrap_or(fact.id);
                self.trees.entry(keep).or_default().listed_as.push(index);
            }
        }
    }

    /// Puts a fact to the tree it is about.
    fn attach(&mut self, index: usize) {
        let fact = &self.facts.facts[index];
        if !fact.in_force() {
            return;
        }
        let Some(named) = tree_named(&self.facts.shown(fact).record.body) else { return };
        let kind = fact.kind;
        let about = match kind {
            Kind::Photo => self.facts.fact_of(named).and_then(|f| {
                if f.kind == Kind::Tree { Some(f.id) } else { tree_named(&self.facts.shown(f).record.body) }
            }),
            _ => Some(named),
        };
        let tree = about.map(|id| self.stays(id)).and_then(|id| self.trees.get_mut(&id));
        let Some(tree) = tree else {
            self.looked_for.extend([named].into_iter().chain(about));
            if kind != Kind::Photo {
                put(&mut self.unknown_tree, index);
            }
            return;
        };
        let list = match kind {
            Kind::Diameter => &mut tree.diameters,
            Kind::Condition => &mut tree.conditions,
            Kind::Dose => &mut tree.doses,
            Kind::Application => &mut tree.applications,
            Kind::NotTreated => &mut tree.not_treated,
            Kind::Photo => &mut tree.photos,
            Kind::Inspection => &mut tree.inspections,
            _ => return,
        };
        put(list, index);
    }

    fn find_days(&mut self, book: &Book, authority: &impl Authority) {
        let mut signed: BTreeMap<CrewDay, Vec<usize>> = BTreeMap::new();
        for index in &self.facts.signed_off {
            let version = &self.facts.versions[*index];
            if let Body::SignOff(body) = &version.record.body {
                let day = CrewDay { crew: body.crew, day: body.day };
                signed.entry(day).or_default().push(*index);
                self.signed_off.insert(day, version.id());
                self.signed_knowing.extend(book.past(version.carrier).map(|past| (version.id(), past)));
            }
        }
        for (index, version) in self.facts.versions.iter().enumerate() {
            let crew = version.crew;
            // The last certificate counts: versions come in causal order.
            self.crews_of_devices.insert(version.author, crew);
            let Some(day) = crew_day_of(&version.record, crew, &self.job.zone) else { continue };
            if is_work(version.record.kind()) && version.standing == Standing::InForce {
                self.crew_days.insert(day);
            }
            for sign_off in signed.get(&day).into_iter().flatten() {
                let sign_off = &self.facts.versions[*sign_off];
                if crew.is_some() && !book.knew(sign_off.carrier, version.carrier) {
                    self.late.push((index, sign_off.id()));
                }
            }
        }
        self.find_changed(book, authority, &signed);
    }

    /// The tree that stays, for a tree that may have been joined to another.
    pub fn stays(&self, tree: TreeId) -> TreeId {
        self.joined.get(&tree).copied().unwrap_or(tree)
    }

    /// The crew-day a version counts to.
    pub fn crew_day(&self, version: &Version) -> Option<CrewDay> {
        crew_day_of(&version.record, version.crew, &self.job.zone)
    }

    /// The fact at an index.
    pub fn fact(&self, index: usize) -> &Fact {
        &self.facts.facts[index]
    }

    /// The tree as listed under the id that stays.
    pub fn tree(&self, id: TreeId) -> Option<&Tree> {
        let fact = self.facts.standing_fact(self.stays(id))?;
        if let Body::Tree(tree) = &self.facts.shown(fact).record.body { Some(tree) } else { None }
    }

    /// The same as [`View::tree`] of a tree's own id, for whoever has what is logged of it.
    pub fn listed<'a>(&'a self, id: TreeId, tree: &TreeView) -> Option<&'a Tree> {
        let fact = self.facts.fact_near(self.stays(id), &tree.listed_as).filter(|f| f.in_force())?;
        if let Body::Tree(tree) = &self.facts.shown(fact).record.body { Some(tree) } else { None }
    }

    /// A tree's tag, or its id when no one has listed it.
    pub fn tag(&self, id: TreeId) -> String {
        self.tree(id).map_or_else(|| id.to_string(), |t| t.tag.clone())
    }

    /// The applications of a tree, every value of each: several when a fact is contested.
    pub fn applications<'a>(
        &'a self,
        tree: &'a TreeView,
    ) -> impl Iterator<Item = (&'a Fact, &'a Version, &'a Application)> {
        tree.applications.iter().flat_map(move |index| {
            let fact = self.fact(*index);
            self.facts.current(fact).filter_map(move |version| match &version.record.body {
                Body::Application(body) => Some((fact, version, &**body)),
                _ => None,
            })
        })
    }

    /// The decisions not to treat a tree.
    pub fn not_treated<'a>(&'a self, tree: &'a TreeView) -> impl Iterator<Item = &'a NotTreated> {
        tree.not_treated.iter().filter_map(|index| {
            let body = &self.facts.shown(self.fact(*index)).record.body;
            if let Body::NotTreated(body) = body { Some(&**body) } else { None }
        })
    }

    /// The diameters of a tree's stem, oldest record first.
    pub fn diameters<'a>(
        &'a self,
        tree: &'a TreeView,
        stem: i64,
    ) -> impl Iterator<Item = (&'a Version, &'a Diameter)> {
        tree.diameters.iter().flat_map(move |index| {
            let fact = self.fact(*index);
            self.facts.current(fact).filter_map(move |version| match &version.record.body {
                Body::Diameter(body) if body.stem == stem => Some((version, &**body)),
                _ => None,
            })
        })
    }

    /// The diameter of a stem that counts now: the last one logged.
    pub fn diameter(&self, tree: &TreeView, stem: i64) -> Option<Um> {
        self.diameters(tree, stem)
            .max_by_key(|(v, _)| (v.record.envelope.at, v.id()))
            .map(|(_, d)| d.diameter_um)
    }

    /// The diameter an application was dosed from, as it stands now, else the stem's.
    pub fn dosed_from(&self, tree: &TreeView, application: &Application) -> Option<(RecordId, Um)> {
        let near = |id| self.facts.fact_near(id, &tree.diameters).filter(|f| f.in_force());
        let named = application.diameter.and_then(near).and_then(|fact| {
            let version = self.facts.shown(fact);
            match &version.record.body {
                // Another tree's or stem's diameter licenses no dose here.
                Body::Diameter(d)
                    if d.stem == application.stem && self.stays(d.tree) == self.stays(application.tree) =>
                {
                    Some((version.id(), d.diameter_um))
                }
                _ => None,
            }
        });
        named.or_else(|| {
            self.diameters(tree, application.stem)
                .max_by_key(|(v, _)| (v.record.envelope.at, v.id()))
                .map(|(v, d)| (v.id(), d.diameter_um))
        })
    }

    /// What became of a tree.
    pub fn state(&self, tree: &TreeView) -> TreeState {
        if self.applications(tree).any(|(_, _, a)| a.put_in_ul() > Ul::ZERO) {
            return TreeState::Treated;
        }
        match self.not_treated(tree).last() {
            Some(decision) => TreeState::NotTreated(decision.reason),
            None => TreeState::Left,
        }
    }

    /// How many trees are (listed, treated, not treated, left); the last three add up to the first.
    pub fn counts(&self) -> TreeCounts {
        let mut counts = TreeCounts { listed: self.trees.len(), ..TreeCounts::default() };
        for tree in self.trees.values() {
            match self.state(tree) {
                TreeState::Treated => counts.treated += 1,
                TreeState::NotTreated(_) => counts.not_treated += 1,
                TreeState::Left => counts.left += 1,
            }
        }
        counts
    }

    /// A digest that names the state of both books.
    pub fn state_digest(&self) -> Sha256Hash {
        self.yard.state(&[&self.heads])
    }

    /// When a version was logged, in the job's local time.
    pub fn local_time(&self, at: UtcMs) -> String {
        self.job.zone.rfc3339(at)
    }
}

/// Trees of a job by what became of them.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct TreeCounts {
    /// All trees listed.
    pub listed: usize,
    /// Product went in.
    pub treated: usize,
    /// Decided against.
    pub not_treated: usize,
    /// Neither yet.
    pub left: usize,
}

/// Puts a place into a list of places, which stays ascending.
fn put(list: &mut Vec<usize>, index: usize) {
    let at = list.partition_point(|other| *other < index);
    list.insert(at, index);
}

fn follow(stays: &BTreeMap<TreeId, TreeId>, mut id: TreeId) -> TreeId {
    // Each step was entered only between two different ends, so the walk cannot turn in a circle.
    while let Some(next) = stays.get(&id) {
        id = *next;
    }
    id
}

/// The tree a record is about, or for a photo the record it belongs to.
pub fn tree_named(body: &Body) -> Option<RecordId> {
    match body {
        Body::Diameter(b) => Some(b.tree),
        Body::Condition(b) => Some(b.tree),
        Body::Dose(b) => Some(b.tree),
        Body::Application(b) => Some(b.tree),
        Body::NotTreated(b) => Some(b.tree),
        Body::Inspection(b) => Some(b.tree),
        Body::Photo(b) => b.about,
        _ => None,
    }
}

fn is_work(kind: Kind) -> bool {
    matches!(kind, Kind::Application | Kind::NotTreated | Kind::DayClosing | Kind::Incident)
}
