//! Quiet on a normal week, and nothing lost in a bad one: three crews, five days, invented from seeds.

use std::collections::BTreeMap;

use bolebook_core::check::work::{Parts, Work};
use bolebook_core::check::{check_in_parts, check_trees};
use bolebook_core::finding::{Finding, Severity};
use bolebook_core::geo;
use bolebook_core::record::work::Application;
use bolebook_core::view::CrewDay;
use bolebook_tests::week::faults::{AFTERWARDS, FAULTS};
use bolebook_tests::week::{DAYS, bad, normal};
use bolebook_tests::world::{CREWS, Who, World};

#[path = "support/spoken.rs"]
mod spoken;

const SEEDS: [u64; 3] = [1, 2, 3];

fn found(w: &World) -> Vec<Finding> {
    w.look(|_, _, findings| findings.to_vec())
}

fn lines(found: &[&Finding]) -> String {
    found.iter().map(|f| format!("{}: {}\n", f.code.name(), f.message)).collect()
}

/// The sizes in use take these weeks whole: small ones have a border between any two trees, and days.
#[test]
fn what_is_found_does_not_hang_on_how_a_job_is_taken_apart() {
    for w in [normal(SEEDS[0]), bad(SEEDS[0])] {
        w.look(|view, _, _| {
            let whole = check_in_parts(view, Parts { trees: usize::MAX, applications: usize::MAX });
            for (trees, applications) in [(1, 1), (7, 3), (100, 40)] {
                assert!(view.trees.len() > trees && view.crew_days.len() > 1);
                let parts = check_in_parts(view, Parts { trees, applications });
                assert!(parts == whole, "{trees} trees, {applications} applications at a time");
            }
            assert!(check_in_parts(view, Parts::default()) == whole);
        });
    }
}

/// What the rules share is looked up once, or near at hand: it must be what a look-up by itself gives.
#[test]
fn what_is_laid_out_for_all_rules_is_what_the_books_say_of_each_application() {
    let (mut confirmed, mut unlisted) = (BTreeMap::new(), 0);
    let mut w = bad(SEEDS[0]);
    // A label that nobody confirmed, one the yard never had, and a tree that nobody lists any more.
    let tree = w.tree(Who::Crew(0), "SHARED-1");
    let stranger = w.tree(Who::Crew(0), "SHARED-2");
    let first = w.diameter(Who::Crew(0), tree, 3_000);
    let unconfirmed = w.yard_write(Who::Office, bolebook_tests::world::label());
    for (tree, label) in [(tree, unconfirmed), (tree, tree), (stranger, unconfirmed)] {
        let like = Application { label, diameter: Some(first), ..w.application(0, tree, 3) };
        w.write(Who::Crew(0), like);
    }
    w.strike(Who::Crew(0), stranger);
    w.look(|view, _, _| {
        let work = Work::of(view);
        for done in &work.done {
            let (entered, id) = (work.label(done.body.label), done.body.label);
            assert_eq!(entered.map(|e| e.label), view.yard.label(id), "{id}");
            assert_eq!(entered.is_some_and(|e| e.confirmed), view.yard.confirmed(id).is_some(), "{id}");
            *confirmed.entry(entered.map(|e| e.confirmed)).or_insert(0) += 1;
            assert_eq!(done.listed, view.tree(done.tree));
            assert_eq!(done.called(), view.tag(done.tree));
        }
        for treated in &work.treated {
            assert_eq!(treated.listed, view.tree(treated.id));
            assert_eq!(treated.called(), view.tag(treated.id));
        }
        unlisted = view.unknown_tree.len();
    });
    assert_eq!(confirmed.into_keys().collect::<Vec<_>>(), [None, Some(false), Some(true)]);
    assert!(unlisted > 0, "the struck tree's application hangs in the air");
}

/// Advice on a phone goes by the rules about trees alone: they find all that names a tree, but notes, which
/// advice passes over.
#[test]
fn the_rules_about_trees_find_everything_that_names_one() {
    let (mut about_trees, mut whole) = (0, 0);
    for w in SEEDS.into_iter().flat_map(|seed| [bad(seed), normal(seed)]) {
        w.look(|view, _, findings| {
            let names_a_tree = |f: &&Finding| {
                let named = f.tree.is_some() || f.records.iter().any(|r| view.trees.contains_key(r));
                named && f.severity != Severity::Note
            };
            let few = check_trees(view);
            let of_all: Vec<&Finding> = findings.iter().filter(names_a_tree).collect();
            assert_eq!(few.iter().filter(names_a_tree).collect::<Vec<_>>(), of_all);
            about_trees += of_all.len();
            whole += findings.len() - few.len();
        });
    }
    assert!(about_trees > 0 && whole > 0, "{about_trees} and {whole}");
}

/// What the app's screens show of a finding is its message and what to do, and where its rule comes from.
#[test]
fn every_finding_of_a_normal_and_a_bad_week_is_said_in_each_language() {
    // Its reader's error is said in English whole.
    let unreadable = |f: &Finding| f.message.contains("cannot be read");
    let mut all = vec![];
    for w in SEEDS.into_iter().flat_map(|seed| [bad(seed), normal(seed)]) {
        // Some trees of these weeks are called by their fault, in English; a tag stays as it is.
        let mut tags = w.look(|view, _, _| view.trees.keys().map(|id| view.tag(*id)).collect::<Vec<_>>());
        tags.retain(|tag| tag.contains(' '));
        tags.sort_by_key(|tag| std::cmp::Reverse(tag.len()));
        all.extend(found(&w).into_iter().filter(|f| !unreadable(f)).map(|mut f| {
            for (tag, before) in tags.iter().flat_map(|tag| ["ree ", "rees ", ", ", "and "].map(|b| (tag, b)))
            {
                f.message = f.message.replace(&format!("{before}{tag}"), &format!("{before}T-77"));
            }
            f
        }));
    }
    assert!(all.len() > 200, "{} findings", all.len());
    spoken::in_each_language(all.iter().flat_map(|f| [format!("{} {}", f.message, f.next), f.source.into()]));
}

#[test]
fn a_normal_week_raises_no_stop_and_at_most_two_reviews_a_crew_day() {
    for seed in SEEDS {
        let w = normal(seed);
        let (days, treated) = w.look(|view, _, _| (view.crew_days.len(), view.counts().treated));
        assert_eq!(days, DAYS as usize * CREWS, "seed {seed}");
        assert!(treated > 200, "seed {seed}: {treated} trees treated");
        let found = found(&w);
        let stops: Vec<_> = found.iter().filter(|f| f.severity == Severity::Stop).collect();
        assert!(stops.is_empty(), "seed {seed}:\n{}", lines(&stops));
        let mut reviews: BTreeMap<CrewDay, Vec<&Finding>> = BTreeMap::new();
        let mut without_day = vec![];
        for finding in found.iter().filter(|f| f.severity == Severity::Review) {
            if finding.crew_days.is_empty() {
                without_day.push(finding);
            }
            for day in &finding.crew_days {
                reviews.entry(*day).or_default().push(finding);
            }
        }
        assert!(without_day.is_empty(), "seed {seed}:\n{}", lines(&without_day));
        for (day, of) in reviews {
            assert!(of.len() <= 2, "seed {seed}, {}:\n{}", day.day, lines(&of));
        }
    }
}

#[test]
fn a_bad_week_loses_none_of_its_sixty_one_faults() {
    let signs: Vec<(&str, &str)> =
        FAULTS.iter().map(|f| (f.code, f.sign)).chain(AFTERWARDS.iter().copied()).collect();
    assert_eq!(signs.len(), 61);
    let (quiet, loud) = (found(&normal(1)), found(&bad(1)));
    let says = |found: &[Finding], code: &str, sign: &str| {
        found.iter().any(|f| f.code.name() == code && f.message.contains(sign))
    };
    let mut lost = vec![];
    for (code, sign) in &signs {
        assert!(!says(&quiet, code, sign), "{code} ({sign}) is there without its fault");
        if !says(&loud, code, sign) {
            let near: Vec<_> = loud.iter().filter(|f| f.code.name() == *code).collect();
            lost.push(format!("{code} ({sign}); of that code:\n{}", lines(&near)));
        }
    }
    assert!(lost.is_empty(), "{} lost:\n{}", lost.len(), lost.join("\n"));
}

/// A quiet week proves nothing if it is an easy one.
#[test]
fn the_normal_week_is_as_noisy_as_it_claims() {
    let w = normal(1);
    w.look(|view, _, _| {
        let all: Vec<_> = view.trees.values().flat_map(|tree| view.applications(tree)).collect();
        let at_once = all.iter().filter(|(fact, _, a)| {
            let others = all.iter().filter(|(other, _, b)| other.id != fact.id && b.crew == a.crew);
            others.into_iter().any(|(_, _, b)| b.started_at < a.ended_at && a.started_at < b.ended_at)
        });
        assert!(at_once.count() * 2 > all.len(), "half of the trees are treated while another one is");
        let finished: Vec<_> = all.iter().filter_map(|(_, _, a)| a.continues.map(|b| (a.crew, b))).collect();
        assert!(finished.len() >= 8, "{} trees are finished by a second crew", finished.len());
        for (crew, begun) in finished {
            assert!(all.iter().any(|(fact, _, a)| fact.id == begun && a.crew != crew));
        }
        let late = all.iter().filter(|(_, v, a)| v.record.envelope.at.0 - a.ended_at.0 > 5 * 60_000).count();
        assert!(late * 10 > all.len(), "{late} of {} taps come late", all.len());
        let off = all.iter().filter(|(_, _, a)| {
            let tree = view.tree(a.tree).and_then(|t| t.position);
            a.position.zip(tree).is_some_and(|(stood, tree)| geo::distance_m(&stood, &tree) > 4.9)
        });
        assert_eq!(off.count(), all.len(), "every position is 5 m off or more");
        assert!(all.iter().any(|(_, _, a)| a.leaked_ul().0 > 0), "some holes leak");
        let twice = view.trees.values().filter(|t| t.diameters.len() > 1).count();
        assert!(twice >= 10, "{twice} stems are measured twice");
    });
}
