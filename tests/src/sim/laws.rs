//! The laws, checked at a quiet point over all stores. What the records say is read here from
//! their JSON, apart from the code under test.

use std::collections::{BTreeMap, BTreeSet};

use bolebook_core::balance::{Balance, Span};
use bolebook_core::facts::Standing;
use bolebook_core::finding::{Code, Finding};
use bolebook_core::ids::{BookId, DeviceId, RecordId};
use bolebook_core::record::Kind;
use bolebook_core::view::View;
use bolebook_db::Connection;
use serde_json::Value;

use crate::sim::ledger::{Ledger, Seen};
use crate::sim::shown::look;
use crate::sim::{Broken, Law, Sabotage};

/// What there is to check.
pub struct Quiet<'a> {
    /// Every node's store.
    pub stores: Vec<&'a Connection>,
    /// What was seen from outside.
    pub ledger: &'a Ledger,
    /// The yard book.
    pub yard: BookId,
    /// The job book.
    pub job: BookId,
    /// Devices with a certificate that may log work.
    pub crews: &'a BTreeSet<DeviceId>,
    /// What is broken on purpose.
    pub sabotage: Option<Sabotage>,
    /// Whether every store's hashes are computed again, or one's.
    pub thorough: bool,
}

/// What a quiet point saw.
#[derive(Clone, Copy, Debug, Default)]
pub struct SeenQuiet {
    /// Findings, all codes.
    pub findings: usize,
    /// Applications of product.
    pub applications: usize,
    /// Records that came after their day was signed off.
    pub late: usize,
}

fn broken<T>(law: Law, why: impl Into<String>) -> Result<T, Broken> {
    Err(Broken { law, why: why.into() })
}

impl Quiet<'_> {
    /// Checks everything.
    pub fn check(&self) -> Result<SeenQuiet, Broken> {
        for (node, db) in self.stores.iter().enumerate() {
            self.ledger.still_durable(node, db)?;
        }
        self.ledger.everywhere(&self.stores)?;
        let verified = if self.thorough { self.stores.len() } else { 1 };
        for db in &self.stores[..verified] {
            for book in [self.yard, self.job] {
                if let Err(error) = bolebook_log::verify(db, book) {
                    return broken(Law::AddOnly, error.to_string());
                }
            }
        }
        let mut first = None;
        for (node, db) in self.stores.iter().enumerate() {
            let sabotage =
                self.sabotage.filter(|s| *s != Sabotage::HideApplication || node == self.stores.len() - 1);
            let shown = look(db, self.yard, self.job, sabotage, |view, balance, findings, texts| {
                if node == 0 {
                    self.check_view(view, balance, findings, &texts)?;
                }
                Ok((texts, SeenQuiet::of(view, findings)))
            })?;
            match &first {
                None => first = Some(shown),
                Some(first) => same(node, &first.0, &shown.0)?,
            }
        }
        Ok(first.map(|(_, seen)| seen).unwrap_or_default())
    }

    fn check_view(
        &self,
        view: &View<'_>,
        balance: &Balance,
        findings: &[Finding],
        texts: &[(&'static str, String)],
    ) -> Result<(), Broken> {
        let raw = Raw::read(self.ledger, self.job);
        self.merge_is_total(view, &raw)?;
        self.nothing_hidden(view, findings, texts, &raw)?;
        volume_is_conserved(view, balance, &raw, self.crews)
    }

    /// Law 5: every text is a version of a fact or listed as unreadable.
    fn merge_is_total(&self, view: &View<'_>, raw: &Raw) -> Result<(), Broken> {
        let read: BTreeSet<RecordId> = view.facts.versions.iter().map(|v| v.id()).collect();
        let unread: BTreeSet<RecordId> = view.facts.unreadable.iter().map(|u| u.id).collect();
        match raw.ids.iter().find(|id| !read.contains(*id) && !unread.contains(*id)) {
            Some(id) if raw.applications.contains_key(id) => {
                broken(Law::NothingHidden, format!("application {id} is not in the view"))
            }
            Some(id) => broken(Law::MergeIsTotal, format!("record {id} is neither read nor unreadable")),
            None => Ok(()),
        }
    }

    /// Law 3: every application is listed, and two on one tree are a finding.
    fn nothing_hidden(
        &self,
        view: &View<'_>,
        findings: &[Finding],
        texts: &[(&'static str, String)],
        raw: &Raw,
    ) -> Result<(), Broken> {
        let table = texts.iter().find(|(name, _)| *name == "applications.csv").map_or("", |(_, t)| t);
        let cells: BTreeSet<&str> = table.split([',', '\n', '"']).collect();
        for (id, application) in &raw.applications {
            let Some(fact) = view.facts.fact_of(*id) else {
                return broken(Law::NothingHidden, format!("application {id} belongs to no fact"));
            };
            if application.untouched(self.crews) && !fact.in_force() {
                return broken(Law::NothingHidden, format!("application {id} is not in force"));
            }
            let listed = cells.contains(fact.id.to_string().as_str());
            if fact.in_force() && fact.kind == Kind::Application && !listed {
                return broken(Law::NothingHidden, format!("application {id} is not in the export"));
            }
        }
        let mut by_tree: BTreeMap<RecordId, Vec<RecordId>> = BTreeMap::new();
        for (id, application) in &raw.applications {
            if application.untouched(self.crews) && application.volume_ul > 0 {
                by_tree.entry(view.stays(application.tree)).or_default().push(*id);
            }
        }
        for (tree, applications) in
            by_tree.iter().filter(|(tree, of)| of.len() > 1 && view.trees.contains_key(tree))
        {
            let said = findings
                .iter()
                .any(|f| [Code::TreatedTwice, Code::DoseTooSoon].contains(&f.code) && f.tree == Some(*tree));
            if !said {
                let why = format!("tree {tree} was treated by {applications:?}, and no finding says so");
                return broken(Law::NothingHidden, why);
            }
        }
        Ok(())
    }
}

/// Law 4: both equations for every lot, and what went into trees lies between what is sure and all.
fn volume_is_conserved(
    view: &View<'_>,
    balance: &Balance,
    raw: &Raw,
    crews: &BTreeSet<DeviceId>,
) -> Result<(), Broken> {
    for lot in &balance.lots {
        let parts = [lot.spent.total(), lot.in_kits_ul, lot.not_yet_measured_ul, lot.unexplained_ul];
        let sum = |of: &[Span]| of.iter().fold((0, 0), |(low, high), s| (low + s.low, high + s.high));
        let (low, high) = sum(&parts);
        let (all_low, all_high) = sum(&[lot.on_hand_ul, lot.drawn_ul]);
        let exact = parts.iter().chain([&lot.on_hand_ul, &lot.drawn_ul]).all(|s| s.low == s.high);
        let holds = if exact {
            (low, all_low) == (lot.drawn_ul.low, lot.received_ul.low)
        } else {
            low <= lot.drawn_ul.high
                && lot.drawn_ul.low <= high
                && all_low <= lot.received_ul.high
                && lot.received_ul.low <= all_high
        };
        if !holds {
            return broken(Law::VolumeConserved, format!("lot {}: {lot:?}", lot.lot));
        }
    }
    let into_trees =
        |of: fn(&Span) -> i64| balance.lots.iter().map(|l| of(&l.spent.into_trees_ul)).sum::<i64>();
    let sure: i64 = raw.applications.values().filter(|a| a.untouched(crews)).map(|a| a.volume_ul).sum();
    let most: i64 = raw.applications.values().map(|a| a.volume_ul).sum();
    let (low, high) = (into_trees(|s| s.low), into_trees(|s| s.high));
    if low < sure || high > most {
        let why = format!("{low} to {high} µL went into trees; logged are {sure} to {most}");
        return broken(Law::VolumeConserved, why);
    }
    let counts = view.counts();
    if counts.listed == counts.treated + counts.not_treated + counts.left {
        Ok(())
    } else {
        broken(Law::VolumeConserved, format!("trees do not add up: {counts:?}"))
    }
}

fn same(
    node: usize,
    first: &[(&'static str, String)],
    other: &[(&'static str, String)],
) -> Result<(), Broken> {
    match first.iter().zip(other).find(|(a, b)| a != b) {
        None => Ok(()),
        Some(((name, a), (_, b))) => {
            let line = a.lines().zip(b.lines()).find(|(a, b)| a != b);
            broken(Law::Converges, format!("node {node} shows another {name} than node 0: {line:?}"))
        }
    }
}

impl SeenQuiet {
    fn of(view: &View<'_>, findings: &[Finding]) -> Self {
        let versions = view.facts.versions.iter();
        let applications =
            versions.filter(|v| v.record.kind() == Kind::Application && v.standing == Standing::InForce);
        Self { findings: findings.len(), applications: applications.count(), late: view.late.len() }
    }
}

/// What the records of the job say, read from their JSON alone.
#[derive(Default)]
struct Raw {
    ids: BTreeSet<RecordId>,
    applications: BTreeMap<RecordId, RawApplication>,
    /// The commits that a signature covers: its own, and those of the same actor before it.
    signed: BTreeSet<String>,
}

struct RawApplication {
    tree: RecordId,
    /// Over all its texts.
    volume_ul: i64,
    /// Whether it names another, another names it, or its id has several texts.
    named: bool,
    /// Whether a commit without a signature carries it.
    unsigned: bool,
    authors: BTreeSet<DeviceId>,
}

impl RawApplication {
    /// Whether nobody changed it and crews' own devices wrote and signed it: then it is surely in force.
    fn untouched(&self, crews: &BTreeSet<DeviceId>) -> bool {
        // Where every copy of the commit itself is gone, nothing here says who signed it.
        let known = !self.authors.is_empty();
        known && !self.named && !self.unsigned && self.authors.is_subset(crews)
    }
}

impl Raw {
    fn read(ledger: &Ledger, job: BookId) -> Self {
        let mut raw = Self::default();
        let lines = || ledger.lines().filter(|(book, _)| *book == job).map(|(_, seen)| seen);
        raw.cover(lines());
        let mut named: BTreeSet<String> = BTreeSet::new();
        let mut texts: BTreeMap<RecordId, String> = BTreeMap::new();
        let mut several: BTreeSet<RecordId> = BTreeSet::new();
        for seen in lines().filter(|seen| !seen.records.is_empty()) {
            let line: Value = serde_json::from_str(&seen.text).unwrap();
            let signed = raw.signed.contains(&line["hash"].to_string());
            let records = line["records"].as_array().unwrap();
            // What a rescue puts back is its author's word, not the rescuer's.
            let rescued = records.iter().filter(|r| r["kind"] == "rescue");
            let rescued: Vec<&Value> =
                rescued.filter_map(|r| r["body"]["records"].as_array()).flatten().collect();
            for ((id, _), record) in seen.records.iter().zip(records) {
                let put_back = rescued.contains(&&record["id"]);
                let lists = [&record["replaces"], &record["body"]["records"]];
                named.extend(lists.iter().filter_map(|l| l.as_array()).flatten().map(Value::to_string));
                let text = record.to_string();
                let new_text = texts.get(id) != Some(&text);
                if raw.ids.insert(*id) {
                    texts.insert(*id, text);
                } else if new_text {
                    several.insert(*id);
                }
                if record["kind"] == "application" && record["body"]["holes"].is_array() {
                    let author = (!put_back).then_some((seen.author, signed));
                    raw.application(*id, author, record, new_text);
                }
            }
        }
        for (id, application) in &mut raw.applications {
            application.named |= several.contains(id) || named.contains(&format!("\"{id}\""));
        }
        raw
    }

    /// Every commit that a signature covers.
    fn cover<'a>(&mut self, lines: impl Iterator<Item = &'a Seen>) {
        let mut before: BTreeMap<String, (String, Vec<String>)> = BTreeMap::new();
        let mut ends = vec![];
        for seen in lines {
            let line: Value = serde_json::from_str(&seen.text).unwrap();
            if seen.records.is_empty() {
                ends.push(line["hash"].to_string());
                continue;
            }
            let deps = line["deps"].as_array().unwrap().iter().map(Value::to_string).collect();
            before.insert(line["hash"].to_string(), (line["actor"].to_string(), deps));
        }
        while let Some(hash) = ends.pop() {
            let Some((actor, deps)) = before.get(&hash) else { continue };
            if self.signed.insert(hash) {
                let own = deps.iter().filter(|dep| before.get(*dep).is_some_and(|(of, _)| of == actor));
                ends.extend(own.cloned());
            }
        }
    }

    /// An application's text in a commit; `author` with whether it was signed, or nothing where a
    /// rescue put the text back.
    fn application(
        &mut self,
        id: RecordId,
        author: Option<(DeviceId, bool)>,
        record: &Value,
        new_text: bool,
    ) {
        let holes = record["body"]["holes"].as_array().unwrap();
        let volume_ul: i64 = holes.iter().filter_map(|h| h["put_in_ul"].as_i64()).sum();
        let Some(tree) = record["body"]["tree"].as_str().and_then(|t| t.parse().ok()) else { return };
        let named = record.get("replaces").is_some();
        let authors = BTreeSet::new();
        let fresh = RawApplication { tree, volume_ul: 0, named, unsigned: false, authors };
        let application = self.applications.entry(id).or_insert(fresh);
        if let Some((author, signed)) = author {
            application.authors.insert(author);
            application.unsigned |= !signed;
        }
        if new_text {
            application.volume_ul += volume_ul;
        }
    }
}
