//! What a replica shows: its books read from its own store in its own order, and everything that
//! is computed from them.

use std::collections::{BTreeMap, BTreeSet};

use bolebook_core::authority::Directory;
use bolebook_core::balance::{Balance, balance};
use bolebook_core::book::Book;
use bolebook_core::check::check;
use bolebook_core::exchange::{Entry, LogLine};
use bolebook_core::export::{
    NoNames, applications_csv, balance_json, findings_json, summary_json, trees_csv, trees_geojson,
};
use bolebook_core::finding::Finding;
use bolebook_core::ids::{BookId, CommitHash, RecordId};
use bolebook_core::record::{Body, Record};
use bolebook_core::view::{View, Yard};
use bolebook_db::Connection;
use bolebook_log::{Page, read};

use crate::crowd::shown as fold_text;
use crate::sim::Sabotage;
use crate::sim::cast::root_key;

/// Reads a book as a device does: stored lines, in the order of their positions.
fn load(db: &Connection, id: BookId, sabotage: Option<Sabotage>) -> Book {
    let mut book = Book::new(id);
    let stored = read(db, id, 0, Page::ALL).unwrap();
    let entries: Vec<Entry> =
        stored.iter().map(|line| LogLine::parse_stored(&line.text).unwrap().into_entry()).collect();
    let hidden = hidden(&entries, sabotage);
    for entry in entries {
        match entry {
            Entry::Signature(signed) => book.take_signature(signed),
            Entry::Commit(commit) if hidden.contains(&commit.hash()) => {}
            Entry::Commit(commit) => book.take_stored(commit),
        }
    }
    book
}

/// The commits a reader broken on purpose passes over: all that begin with an application, or all
/// but the one with the lowest id for each tree.
fn hidden(entries: &[Entry], sabotage: Option<Sabotage>) -> BTreeSet<CommitHash> {
    let spare_lowest = match sabotage {
        Some(Sabotage::HideApplication) => false,
        Some(Sabotage::OneApplicationWins) => true,
        _ => return BTreeSet::new(),
    };
    let mut by_tree: BTreeMap<RecordId, BTreeMap<RecordId, CommitHash>> = BTreeMap::new();
    for entry in entries {
        let Entry::Commit(commit) = entry else { continue };
        let Some(Ok(record)) = commit.records().first().map(|text| Record::read(text)) else { continue };
        if let Body::Application(body) = record.body {
            by_tree.entry(body.tree).or_default().insert(record.envelope.id, commit.hash());
        }
    }
    by_tree.into_values().flat_map(|of| of.into_values().skip(usize::from(spare_lowest))).collect()
}

/// Shows a store's books to `look`: view, balance, findings, and each thing shown as text.
pub fn look<T>(
    db: &Connection,
    yard: BookId,
    job: BookId,
    sabotage: Option<Sabotage>,
    look: impl FnOnce(&View<'_>, &Balance, &[Finding], Vec<(&'static str, String)>) -> T,
) -> T {
    let yard_book = load(db, yard, None);
    let job_book = load(db, job, sabotage);
    let devices = Directory::read(&yard_book, &root_key()).unwrap();
    let yard = Yard::read(&yard_book, &devices.for_book(&yard_book)).unwrap();
    let view = View::read(&job_book, &yard, &devices.for_book(&job_book)).unwrap();
    let mut balance = balance(&yard, &[&view]);
    if sabotage == Some(Sabotage::AbsorbUnexplained) {
        for lot in &mut balance.lots {
            lot.unexplained_ul = bolebook_core::balance::Span::default();
        }
    }
    let findings = check(&view, &balance);
    let texts = vec![
        ("view", fold_text(&job_book, &view.facts)),
        ("yard", fold_text(&yard_book, &yard.facts)),
        ("trees.csv", trees_csv(&view, &findings).unwrap()),
        ("applications.csv", applications_csv(&view, &findings, &NoNames).unwrap()),
        ("trees.geojson", trees_geojson(&view, &findings).unwrap()),
        ("findings.json", findings_json(&view, &findings).unwrap()),
        ("balance.json", balance_json(&view, &balance).unwrap()),
        ("summary.json", summary_json(&view, &findings, &balance).unwrap()),
    ];
    look(&view, &balance, &findings, texts)
}
