//! The office's evening: view, balance, checks and matching of a job, whole and brought up by a day, and how
//! each grows with the job. Each figure is the best of three, in milliseconds that a processor worked for it:
//! others may use the machine. Timings belong here, never into tests.
//!
//! `cargo xtask bench check [quiet] [TREES…]`; 1,000, 10,000 and 100,000 unless said otherwise. In a quiet
//! season the label fits the trees, else it does not, and there are three findings a tree.

#![allow(
    clippy::print_stdout,
    clippy::disallowed_methods,
    reason = "it measures, and prints what it measured"
)]

use std::collections::BTreeMap;

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
use bolebook_tests::season::{A_DAY, opened, write_quiet_season, write_season, yard};

/// What was measured, by step and number of trees.
#[derive(Default)]
struct Table {
    trees: usize,
    steps: Vec<&'static str>,
    seconds: BTreeMap<(&'static str, usize), f64>,
}

impl Table {
    fn best<T>(&mut self, what: &'static str, mut f: impl FnMut() -> T) -> T {
        let (last, shortest) = best(what, || timed(&mut f));
        self.note(what, shortest);
        last
    }

    fn note(&mut self, what: &'static str, seconds: f64) {
        if !self.steps.contains(&what) {
            self.steps.push(what);
        }
        self.seconds.insert((what, self.trees), seconds);
    }

    /// Each step with the power of the number of trees by which it grows from one job to the next: 1 is in
    /// proportion, 0 not at all, 2 with the square.
    fn slopes(&self, sizes: &[usize]) {
        println!("how steps grow: the power of the number of trees between one job and the next");
        for what in &self.steps {
            let of: Vec<(usize, f64)> =
                sizes.iter().filter_map(|n| Some((*n, *self.seconds.get(&(*what, *n))?))).collect();
            let powers: Vec<String> = of
                .windows(2)
                .map(|two| {
                    let (trees, seconds) = (two[1].0 as f64 / two[0].0 as f64, two[1].1 / two[0].1);
                    format!("{:.2}", libm::log10(seconds) / libm::log10(trees))
                })
                .collect();
            if !powers.is_empty() {
                println!("  {what}: {}", powers.join(", "));
            }
        }
    }
}

/// Seconds that a processor worked for this thread (proc(5): schedstat, nanoseconds).
fn worked() -> f64 {
    let text = std::fs::read_to_string("/proc/thread-self/schedstat").expect("Linux");
    text.split(' ').next().and_then(|ns| ns.parse::<f64>().ok()).expect("nanoseconds") / 1e9
}

fn timed<T>(f: &mut impl FnMut() -> T) -> (T, f64) {
    let begun = worked();
    let last = f();
    (last, worked() - begun)
}

/// The shortest of three, of a step that says itself how long it took.
fn best<T>(what: &str, mut f: impl FnMut() -> (T, f64)) -> (T, f64) {
    let mut shortest = f64::INFINITY;
    let mut last = None;
    for _ in 0..3 {
        let (made, seconds) = f();
        shortest = shortest.min(seconds);
        last = Some(made);
    }
    println!("  {what}: {:.1} ms", shortest * 1e3);
    (last.expect("three were run"), shortest)
}

fn loud(book: &mut Book, trees: std::ops::Range<usize>) {
    write_season(book, trees, true);
}

fn main() {
    let given: Vec<usize> = std::env::args().skip(1).filter_map(|word| word.parse().ok()).collect();
    let sizes = if given.is_empty() { vec![1_000, 10_000, 100_000] } else { given };
    let yard_book = yard();
    let yard = Yard::read(&yard_book, &Everyone).expect("a yard");
    let quiet = std::env::args().any(|word| word == "quiet");
    let write = if quiet { write_quiet_season } else { loud };
    let mut table = Table::default();
    for trees in sizes.iter().copied() {
        table.trees = trees;
        let mut book = opened();
        write(&mut book, 0..trees);
        let read = || View::read(&book, &yard, &Everyone).expect("a view");
        let (view, first) = timed(&mut &read);
        println!("{trees} trees, {} records", view.facts.versions.len());
        println!("  view, its records read as well: {:.1} ms", first * 1e3);
        drop(view);
        let view = table.best("view, folded whole", read);
        let account = table.best("balance", || balance(&yard, &[&view]));
        let found = table.best("full check", || check(&view, &account));
        let mut codes: BTreeMap<&str, usize> = BTreeMap::new();
        found.iter().for_each(|f| *codes.entry(f.code.name()).or_default() += 1);
        println!("  {} findings: {codes:?}", found.len());
        // Whether another build finds the same, to the letter.
        let text = serde_json::to_vec(&found).expect("findings");
        println!("  digest of the findings: {}", Sha256Hash::of(&text));
        if trees == 100_000 {
            let work = table.best("work laid out", || Work::of(&view));
            let case = Case { view: &view, work: &work, only: None, facts: None };
            for rule in ABOUT_TREES.iter().chain(ABOUT_DAYS) {
                table.best(rule.name, || {
                    let mut found = vec![];
                    (rule.check)(&case, &mut found);
                    found.len()
                });
            }
            for rule in &WHOLE {
                table.best(rule.name, || {
                    let mut found = vec![];
                    (rule.check)(&case, &account, &mut found);
                    found.len()
                });
            }
        }
        let listings = table.best("listings", || same_tree::listings(&view));
        let linked = table.best("matching, all located by satellite", || link(&listings));
        println!("  {} pairs, {} shown", linked.pairs.len(), linked.doubtful.len());
        drop((listings, linked));
        recheck(&mut table, book.clone(), &yard, &view, write);
    }
    table.slopes(&sizes);
}

/// A day of 400 trees comes to a job that is checked: what it costs to bring view and findings up, and what
/// the same costs whole.
fn recheck(
    table: &mut Table,
    mut book: Book,
    yard: &Yard,
    view: &View<'_>,
    write: fn(&mut Book, std::ops::Range<usize>),
) {
    let trees = table.trees;
    let kept = table.best("checked to be kept", || Kept::of(view, &[], &balance(yard, &[view])));
    write(&mut book, trees..trees + A_DAY);
    let (new, facts) =
        table.best("a day more: view grown", || view.grown(&book, &Everyone).expect("a day only adds"));
    let account = table.best("a day more: balance, whole", || balance(yard, &[&new]));
    let touched = table.best("a day more: what it touched", || Touched::grown(view, &new, &facts));
    let (again, seconds) = best("a day more: checked again, what it touched", || {
        let mut again = kept.clone();
        // Nothing yet: its findings are its own from then on, as they are where nobody shows the old ones.
        again.update(view, &[], &balance(yard, &[view]), &Touched::between(view, view));
        let ((), seconds) = timed(&mut || again.update(&new, &[], &account, &touched));
        (again, seconds)
    });
    table.note("a day more: checked again, what it touched", seconds);
    table.best("what differs, looked for in all facts", || Touched::between(view, &new));
    assert!(**again.findings() == check(&new, &account), "part and whole differ");
}
