//! How checks and matching grow with the job. Each figure is the
//! best of three. Timings belong here, never into tests.

#![allow(
    clippy::print_stdout,
    clippy::disallowed_methods,
    reason = "it measures, and prints what it measured"
)]

use std::collections::BTreeMap;
use std::time::Instant;

use bolebook_core::balance::balance;
use bolebook_core::book::Book;
use bolebook_core::check::kept::{Kept, Touched};
use bolebook_core::check::rules::{ABOUT_DAYS, ABOUT_TREES, Case, WHOLE};
use bolebook_core::check::work::Work;
use bolebook_core::check::{check, same_tree};
use bolebook_core::ids::Sha256Hash;
use bolebook_core::linkage::link;
use bolebook_core::view::{View, Yard};
use bolebook_probe::Everyone;
use bolebook_tests::season::{A_DAY, opened, write_season, yard};

fn best<T>(what: &str, mut f: impl FnMut() -> T) -> T {
    let mut shortest = f64::INFINITY;
    let mut last = None;
    for _ in 0..3 {
        let begun = Instant::now();
        last = Some(f());
        shortest = shortest.min(begun.elapsed().as_secs_f64());
    }
    println!("{what}: {:.1} ms", shortest * 1e3);
    last.expect("three were run")
}

fn main() {
    let yard_book = yard();
    let yard = Yard::read(&yard_book, &Everyone).expect("a yard");
    for trees in [1_000, 10_000, 100_000] {
        let mut book = opened();
        write_season(&mut book, 0..trees, true);
        let view = View::read(&book, &yard, &Everyone).expect("a view");
        let account = balance(&yard, &[&view]);
        println!("{trees} trees, {} records", view.facts.versions.len());
        let found = best("  full check", || check(&view, &account));
        let mut codes: BTreeMap<&str, usize> = BTreeMap::new();
        found.iter().for_each(|f| *codes.entry(f.code.name()).or_default() += 1);
        println!("  {} findings: {codes:?}", found.len());
        // Whether another build finds the same, to the letter.
        let text = serde_json::to_vec(&found).expect("findings");
        println!("  digest of the findings: {}", Sha256Hash::of(&text));
        if trees == 100_000 {
            let work = best("    work laid out", || Work::of(&view));
            let case = Case { view: &view, work: &work, only: None, facts: None };
            for rule in ABOUT_TREES.iter().chain(ABOUT_DAYS) {
                best(&format!("    {}", rule.name), || {
                    let mut found = vec![];
                    (rule.check)(&case, &mut found);
                    found.len()
                });
            }
            for rule in &WHOLE {
                best(&format!("    {}", rule.name), || {
                    let mut found = vec![];
                    (rule.check)(&case, &account, &mut found);
                    found.len()
                });
            }
        }
        recheck(book.clone(), &yard, &view, trees);
        let listings = best("  listings", || same_tree::listings(&view));
        let linked = best("  matching, all located by satellite", || link(&listings));
        println!("  {} pairs, {} shown", linked.pairs.len(), linked.doubtful.len());
    }
}

/// A day of 400 trees comes to a job that is checked: what it costs to bring the findings up, and what the
/// parts around it cost.
fn recheck(mut book: Book, yard: &Yard, view: &View<'_>, trees: usize) {
    let kept = best("  checked to be kept", || Kept::of(view, &[], &balance(yard, &[view])));
    write_season(&mut book, trees..trees + A_DAY, true);
    let new =
        best("  view read whole, with a day more", || View::read(&book, yard, &Everyone).expect("a view"));
    let account = best("  balance, whole", || balance(yard, &[&new]));
    let touched = best("  what differs, looked for in all facts", || Touched::between(view, &new));
    let mut shortest = f64::INFINITY;
    let mut last = None;
    for _ in 0..3 {
        let mut again = kept.clone();
        let begun = Instant::now();
        again.update(&new, &[], &account, &touched);
        shortest = shortest.min(begun.elapsed().as_secs_f64());
        last = Some(again);
    }
    println!("  checked again, what the day touched: {:.1} ms", shortest * 1e3);
    assert!(last.expect("three were run").findings() == check(&new, &account), "part and whole differ");
}
