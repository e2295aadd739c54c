//! Quiet on a normal week, and nothing lost in a bad one: three crews, five days, invented from seeds.

use std::collections::BTreeMap;

use bolebook_core::finding::{Finding, Severity};
use bolebook_core::view::CrewDay;
use bolebook_tests::week::faults::{AFTERWARDS, FAULTS};
use bolebook_tests::week::{DAYS, bad, normal};
use bolebook_tests::world::{CREWS, World};

const SEEDS: [u64; 3] = [1, 2, 3];

fn found(w: &World) -> Vec<Finding> {
    w.look(|_, _, findings| findings.to_vec())
}

fn lines(found: &[&Finding]) -> String {
    found.iter().map(|f| format!("{}: {}\n", f.code.name(), f.message)).collect()
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
        let (mut without_day, mut all) = (vec![], 0);
        for finding in found.iter().filter(|f| f.severity == Severity::Review) {
            all += 1;
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
        println!("seed {seed}: {treated} trees treated, {all} reviews in {days} crew-days");
    }
}

#[test]
fn a_bad_week_loses_none_of_its_sixty_faults() {
    let signs: Vec<(&str, &str)> =
        FAULTS.iter().map(|f| (f.code, f.sign)).chain(AFTERWARDS.iter().copied()).collect();
    assert_eq!(signs.len(), 60);
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
