//! Findings, balance and summary as JSON, pretty enough to read and stable enough to compare.

use serde::Serialize;
use serde::ser::Error as _;
use serde_json::{Value, json};

use crate::balance::Balance;
use crate::export::ExportError;
use crate::finding::{Finding, Severity, State};
use crate::ids::TreeId;
use crate::quantity::{Ul, Um};
use crate::view::{TreeState, View};

fn about(view: &View<'_>) -> Value {
    // What the law or a doctor needs cannot wait for the sign-off; it says that it may change.
    let provisional = view.crew_days.iter().any(|day| !view.signed_off.contains_key(day));
    json!({
        "provisional": provisional,
        "book": view.book, "yard": view.yard.book, "title": view.title, "season": view.job.season,
        "company": view.yard.company, "site": view.job.site,
        "state": view.state_digest(), "job_heads": view.heads, "yard_heads": view.yard.heads,
    })
}

fn pretty(value: &impl Serialize) -> Result<String, ExportError> {
    pretty_of(value, 0)
}

/// In a text with room for about so many bytes.
fn pretty_of(value: &impl Serialize, bytes: usize) -> Result<String, ExportError> {
    let mut text = Vec::with_capacity(bytes);
    serde_json::to_writer_pretty(&mut text, value)?;
    text.push(b'\n');
    text.shrink_to_fit();
    Ok(String::from_utf8(text).map_err(serde_json::Error::custom)?)
}

/// What is said of a tree in a list.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct TreeRow {
    /// The tree.
    pub id: TreeId,
    /// Its tag.
    pub tag: String,
    /// EPPO code of its species, if it was said.
    pub species: Option<String>,
    /// Diameter of each stem in micrometres, the first stem first; null where none was logged.
    pub diameters_um: Vec<Option<Um>>,
    /// `treated`, `not_treated` or `left`.
    pub state: &'static str,
    /// What went into it, in microlitres of product.
    pub put_in_ul: Ul,
}

impl TreeRow {
    /// Of a tree of the view; nothing of one that nobody listed.
    pub fn of(view: &View<'_>, id: TreeId) -> Option<Self> {
        let (tree, listed) = (view.trees.get(&id)?, view.tree(id)?);
        Some(Self {
            id,
            tag: listed.tag.clone(),
            species: listed.species.clone(),
            diameters_um: (1..=listed.stems.clamp(1, 64)).map(|stem| view.diameter(tree, stem)).collect(),
            state: match view.state(tree) {
                TreeState::Treated => "treated",
                TreeState::NotTreated(_) => "not_treated",
                TreeState::Left => "left",
            },
            put_in_ul: view.applications(tree).map(|(_, _, a)| a.put_in_ul()).sum(),
        })
    }
}

/// Trees of a job, with the heads they were read from.
///
/// # Errors
/// [`ExportError::Json`].
pub fn trees_json(view: &View<'_>, trees: &[TreeId]) -> Result<String, ExportError> {
    let rows: Vec<TreeRow> = trees.iter().filter_map(|id| TreeRow::of(view, *id)).collect();
    pretty(&json!({ "about": about(view), "trees": rows }))
}

/// Every finding, settled or not.
///
/// # Errors
/// [`ExportError::Json`].
pub fn findings_json(view: &View<'_>, findings: &[Finding]) -> Result<String, ExportError> {
    pretty_of(&Found { about: about(view), findings }, 2_048 + findings.len() * A_FINDING_BYTES)
}

/// About what a finding takes: one that has no long words is shorter.
const A_FINDING_BYTES: usize = 1_024;

/// Written one finding after another, which are many, and not as one tree of values.
#[derive(Serialize)]
struct Found<'a> {
    about: Value,
    findings: &'a [Finding],
}

/// The balance by lot, by crew-day and by kit.
///
/// # Errors
/// [`ExportError::Json`].
pub fn balance_json(view: &View<'_>, balance: &Balance) -> Result<String, ExportError> {
    pretty(&json!({
        "about": about(view), "lots": balance.lots, "crew_days": balance.crew_days, "kits": balance.kits,
    }))
}

/// The job in numbers: trees, volumes, days and their sign-off, findings by code.
///
/// # Errors
/// [`ExportError::Json`].
pub fn summary_json(view: &View<'_>, findings: &[Finding], balance: &Balance) -> Result<String, ExportError> {
    let days: Vec<Value> = view
        .crew_days
        .iter()
        .map(|day| {
            json!({
                "crew": view.yard.crew_name(day.crew), "day": day.day,
                "signed_off": view.signed_off.get(day),
                "blocking_findings": crate::check::blocking(findings, *day).count(),
            })
        })
        .collect();
    let mut by_code: std::collections::BTreeMap<&str, (u32, u32)> = std::collections::BTreeMap::new();
    for finding in findings {
        let entry = by_code.entry(finding.code.name()).or_default();
        entry.0 += 1;
        entry.1 += u32::from(finding.open());
    }
    let codes: serde_json::Map<String, Value> = by_code
        .into_iter()
        .map(|(code, (all, open))| (code.to_owned(), json!({ "all": all, "open": open })))
        .collect();
    let confirmed = |f: &&Finding| matches!(&f.state, State::Settled { done: Some(_), .. });
    let violations: Vec<&Finding> = findings.iter().filter(confirmed).collect();
    let open_stops = findings.iter().filter(|f| f.open() && f.severity == Severity::Stop).count();
    let sum = |of: fn(&crate::balance::LotBalance) -> i64| balance.lots.iter().map(of).sum::<i64>();
    pretty(&json!({
        "about": about(view),
        "trees": view.counts(),
        "applications": view.facts.in_force(crate::record::Kind::Application).count(),
        "into_trees_ul": sum(|l| l.spent.into_trees_ul.high),
        "received_ul": sum(|l| l.received_ul.high),
        "unexplained_ul": sum(|l| l.unexplained_ul.high),
        "crew_days": days,
        "findings": codes,
        "violations": violations,
        "open_stops": open_stops,
    }))
}
