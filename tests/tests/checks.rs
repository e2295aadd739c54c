//! Each check finds what it is for, and a normal day stays quiet.

use bolebook_core::finding::State;
use bolebook_core::ids::RecordId;
use bolebook_core::quantity::{Ul, Um, UtcMs};
use bolebook_core::record::Body;
use bolebook_core::record::office::{Decision, Join, Reopening, Ruling, SignOff};
use bolebook_core::record::people::Revocation;
use bolebook_core::record::product::MovementKind;
use bolebook_core::record::stand::{Position, PositionSource, Tree};
use bolebook_core::record::work::{Application, DayClosing, KitContent, NotTreated, NotTreatedReason};
use bolebook_core::view::{CrewDay, TreeCounts};
use bolebook_tests::world::{HOUR, MORNING, Who, World, day};

const A: Who = Who::Crew(0);
const B: Who = Who::Crew(1);

/// A day on which everything went well: two trees of 30 cm, 7 charges each, kit filled and measured.
fn good_day() -> (World, RecordId, RecordId) {
    let mut w = World::new();
    w.fill(0, 200_000);
    let first = w.tree(A, "T1");
    w.diameter(A, first, 3_000);
    let application = w.treat(0, first, 7);
    let second = w.tree(A, "T2");
    w.diameter(A, second, 3_000);
    w.treat(0, second, 7);
    w.close_day(0, 60_000);
    w.movement(Who::Office, MovementKind::OnHand, 1_800_000, None);
    (w, first, application)
}

/// An application as it stands.
fn original(w: &World, id: RecordId) -> (RecordId, Application) {
    w.look(|view, _, _| {
        let version = view.facts.shown(view.facts.fact_of(id).unwrap());
        match &version.record.body {
            Body::Application(body) => (version.id(), (**body).clone()),
            _ => unreachable!("asked for an application"),
        }
    })
}

fn sign_off(w: &mut World) -> RecordId {
    let (job_heads, yard_heads) = (w.job.heads(), w.yard.heads());
    let crew = w.crews[0];
    w.write(Who::Office, SignOff { crew, day: day("2026-06-01"), job_heads, yard_heads })
}

#[test]
fn a_normal_day_raises_nothing() {
    let (w, ..) = good_day();
    assert_eq!(w.codes(), [""; 0]);
    w.look(|view, _, _| {
        assert_eq!(view.counts(), TreeCounts { listed: 2, treated: 2, not_treated: 0, left: 0 });
    });
}

#[test]
fn i3_two_crews_on_one_tree_leave_two_applications_and_a_stop() {
    let (mut w, tree, first) = good_day();
    let mut other = w.apart();
    let second = other.treat(1, tree, 7);
    w.merge(&other);
    w.look(|view, _, findings| {
        let seen: Vec<_> = view.applications(&view.trees[&tree]).map(|(f, ..)| f.id).collect();
        assert_eq!(seen, [first, second]);
        let stops: Vec<_> = findings.iter().filter(|f| f.blocks()).map(|f| f.code.name()).collect();
        assert_eq!(stops, ["tree.treated_twice"]);
    });
}

#[test]
fn a_crew_that_finishes_anothers_tree_is_summed_with_it() {
    let (mut w, ..) = good_day();
    let tree = w.tree(A, "T3");
    w.diameter(A, tree, 3_000);
    let begun = w.treat(0, tree, 3);
    let mut rest = w.application(1, tree, 4);
    rest.continues = Some(begun);
    w.now = UtcMs(w.now.0 + HOUR);
    w.write(B, rest);
    let codes = w.codes();
    assert!(!codes.contains(&"tree.treated_twice") && !codes.contains(&"dose.under_label"), "{codes:?}");
}

#[test]
fn doses_are_judged_by_the_label_per_stem() {
    // 30 cm at 1.8, 2.4 and 3.0 mL/cm: 54, 72 and 90 mL.
    for (charges, wanted) in
        [(5, Some("dose.under_label")), (6, None), (9, None), (10, Some("dose.over_label"))]
    {
        let mut w = World::new();
        let tree = w.tree(A, "T1");
        w.diameter(A, tree, 3_000);
        w.fill(0, 200_000);
        w.treat(0, tree, charges);
        w.close_day(0, 200_000 - 10_000 * charges as i64);
        // Nine holes at 12 cm do not fit a girth of 94 cm: that is another finding.
        let codes: Vec<_> = w.codes().into_iter().filter(|c| c.starts_with("dose.")).collect();
        assert_eq!(codes, Vec::from_iter(wanted), "{charges} charges");
    }
}

#[test]
fn a_leak_counts_as_discharged_and_never_licenses_a_second_dose() {
    let mut w = World::new();
    let tree = w.tree(A, "T1");
    w.diameter(A, tree, 3_000);
    let mut application = w.application(0, tree, 10);
    for hole in &mut application.holes[..3] {
        (hole.put_in_ul, hole.leaked_ul) = (Ul(0), Ul(10_000));
    }
    w.fill(0, 200_000);
    w.write(A, application);
    w.close_day(0, 100_000);
    assert_eq!(w.codes(), ["dose.over_label", "hole.spacing", "hole.leaks"]);
}

#[test]
fn a_stem_below_the_smallest_diameter_or_without_any_is_a_stop() {
    let mut w = World::new();
    let (small, unmeasured) = (w.tree(A, "T1"), w.tree(A, "T2"));
    w.diameter(A, small, 900);
    w.fill(0, 200_000);
    w.treat(0, small, 2);
    w.treat(0, unmeasured, 7);
    w.close_day(0, 110_000);
    assert_eq!(w.codes(), ["dose.below_smallest_diameter", "dose.no_rate"]);
}

#[test]
fn a_second_treatment_before_the_interval_is_too_soon() {
    let (mut w, tree, _) = good_day();
    w.now = UtcMs(w.now.0 + 10 * 24 * HOUR);
    w.fill(0, 100_000);
    w.treat(0, tree, 7);
    w.close_day(0, 90_000);
    assert_eq!(w.codes(), ["dose.too_soon"]);
}

#[test]
fn an_expired_lot_and_an_unknown_one_are_stops() {
    let (mut w, ..) = good_day();
    let old = bolebook_core::record::product::Lot {
        label: w.label,
        number: "L-12".into(),
        expires: day("2026-05-31"),
        recalled: None,
    };
    let old = w.yard_write(Who::Office, old);
    for (tag, lot) in [("T3", old), ("T4", RecordId::new(5, [5; 10]))] {
        let tree = w.tree(A, tag);
        w.diameter(A, tree, 3_000);
        w.now = UtcMs(w.now.0 + HOUR / 2);
        let mut application = w.application(0, tree, 7);
        application.lot = lot;
        w.write(A, application);
    }
    let codes = w.codes();
    assert!(codes.contains(&"lot.expired") && codes.contains(&"lot.unknown"), "{codes:?}");
}

#[test]
fn nobody_applies_without_a_valid_licence() {
    let (mut w, ..) = good_day();
    let tree = w.tree(A, "T3");
    w.diameter(A, tree, 3_000);
    let mut application = w.application(0, tree, 7);
    application.applicator = w.yard_write(
        Who::Office,
        bolebook_core::record::people::Person { work: bolebook_core::record::people::PersonWork::CrewMember },
    );
    let mut supervised = application.clone();
    w.write(A, application);
    assert!(w.codes().contains(&"licence.not_valid"));
    let (mut w, ..) = good_day();
    let tree = w.tree(A, "T3");
    w.diameter(A, tree, 3_000);
    supervised.tree = tree;
    supervised.supervisor = Some(w.leads[0]);
    w.write(A, supervised);
    assert!(!w.codes().contains(&"licence.not_valid"));
}

#[test]
fn one_tag_on_two_trees_and_diameters_that_disagree_are_for_review() {
    let (mut w, tree, _) = good_day();
    let other = w.tree(B, " t1");
    w.diameter(B, other, 2_500);
    w.diameter(B, tree, 3_070);
    w.diameter(B, tree, 3_200);
    assert_eq!(w.codes(), ["diameter.disagree", "tree.same_tag"]);
}

#[test]
fn a_tree_found_again_under_another_tag_is_noticed_and_joined() {
    let (mut w, tree, _) = good_day();
    let at = w.look(|view, _, _| view.tree(tree).unwrap().position.unwrap());
    let fix = Position {
        lat_ndeg: at.lat_ndeg + 30_000,
        accuracy_um: Some(Um(6_000_000)),
        source: PositionSource::Gnss,
        ..at
    };
    let species = Some("FRXAM".into());
    let again = w
        .write(B, Tree { tag: "X9".into(), species, block: None, position: Some(fix), stems: 1, mark: None });
    w.diameter(B, again, 3_010);
    assert_eq!(w.codes(), ["tree.may_be_same"]);
    let join = w.write(Who::Office, Join { keep: tree, joined: vec![again], reason: "one tree".into() });
    assert_eq!(w.codes(), [""; 0]);
    w.look(|view, _, _| assert_eq!(view.counts().listed, 2));
    w.strike(Who::Office, join);
    assert_eq!(w.codes(), ["tree.may_be_same"]);
}

#[test]
fn product_that_does_not_add_up_is_found_on_its_day_and_in_stock() {
    let (mut w, ..) = good_day();
    let tree = w.tree(A, "T3");
    w.diameter(A, tree, 3_000);
    w.now = UtcMs(w.now.0 + 24 * HOUR);
    w.fill(0, 100_000);
    w.treat(0, tree, 7);
    w.close_day(0, 60_000);
    w.movement(Who::Office, MovementKind::OnHand, 1_650_000, None);
    w.look(|_, balance, findings| {
        let codes: Vec<_> = findings.iter().map(|f| f.code.name()).collect();
        assert_eq!(codes, ["balance.day_unexplained", "balance.stock_unexplained"]);
        let row = &balance.crew_days[1];
        assert_eq!(row.unexplained_ul.map(|u| (u.low, u.high)), Some((30_000, 30_000)));
        // 7 charges: 2 × √(7 × 0.1² + (7 × 0.05)²) mL = 0.877 mL.
        assert_eq!(row.tolerance_ul, Ul(877));
        assert_eq!(balance.lots[0].unexplained_ul.low, 80_000);
    });
}

#[test]
fn a_closing_that_measures_two_kits_counts_both_exactly() {
    let (mut w, ..) = good_day();
    let first = w.close_day(0, 60_000);
    let second = w.kits[1];
    w.fill(1, 50_000);
    let mut closing =
        w.look(|view, _, _| match &view.facts.shown(view.facts.fact_of(first).unwrap()).record.body {
            Body::DayClosing(body) => (**body).clone(),
            _ => unreachable!("asked for a closing"),
        });
    let lot = w.lot;
    closing.kits.push(KitContent { kit: second, lot, content_ul: Ul(20_000) });
    w.now = UtcMs(w.now.0 + 60_000);
    w.write(A, closing);
    w.look(|_, balance, findings| {
        let codes: Vec<_> = findings.iter().map(|f| f.code.name()).collect();
        assert_eq!(codes, ["balance.day_unexplained"]);
        let lot = &balance.lots[0];
        assert_eq!((lot.in_kits_ul.low, lot.in_kits_ul.high), (80_000, 80_000));
        assert_eq!((lot.unexplained_ul.low, lot.unexplained_ul.high), (30_000, 30_000));
    });
}

#[test]
fn a_struck_application_leaves_its_volume_unexplained() {
    let (mut w, _, application) = good_day();
    w.strike(A, application);
    w.look(|view, balance, findings| {
        assert_eq!(view.counts().left, 1);
        let codes: Vec<_> = findings.iter().map(|f| f.code.name()).collect();
        assert_eq!(codes, ["balance.day_unexplained"]);
        assert_eq!(balance.crew_days[0].unexplained_ul.map(|u| u.low), Some(70_000));
    });
}

#[test]
fn what_cannot_be_is_kept_and_flagged() {
    let (mut w, tree, _) = good_day();
    let mut application = w.application(0, tree, 1);
    application.holes[0].put_in_ul = Ul(-5);
    w.write(B, w.diameter_body(tree, 30_000));
    w.write(A, application);
    let codes = w.codes();
    assert_eq!(codes.iter().filter(|c| **c == "entry.implausible").count(), 2, "{codes:?}");
}

#[test]
fn records_about_a_tree_nobody_listed_are_shown_with_their_volume() {
    let (mut w, ..) = good_day();
    w.treat(0, RecordId::new(9, [9; 10]), 7);
    w.look(|_, balance, findings| {
        let found = findings.iter().find(|f| f.code.name() == "tree.unknown").unwrap();
        assert!(found.message.contains("70.0 mL"), "{}", found.message);
        assert_eq!(balance.lots[0].spent.into_trees_ul.low, 210_000);
    });
}

#[test]
fn amendments_made_apart_are_both_shown_until_one_replaces_both() {
    let (mut w, tree, first) = good_day();
    let mut other = w.apart();
    let (_, body) = original(&w, first);
    let with = |charges: usize| {
        let holes = w.application(0, tree, charges).holes;
        Application { holes, ..body.clone() }
    };
    let (six, eight, seven) = (with(6), with(8), with(7));
    let six = w.amend(A, &[first], six);
    other.now = UtcMs(other.now.0 + 1_000);
    let eight = other.amend(Who::Office, &[first], eight);
    w.merge(&other);
    w.look(|_, balance, findings| {
        let codes: Vec<_> = findings.iter().map(|f| f.code.name()).collect();
        // Eight holes at 12 cm do not fit a girth of 94 cm.
        assert_eq!(codes, ["hole.spacing", "record.amended_two_ways"]);
        let spent = balance.lots[0].spent.into_trees_ul;
        assert_eq!((spent.low, spent.high), (130_000, 150_000));
    });
    w.amend(Who::Office, &[six, eight], seven);
    assert_eq!(w.codes(), [""; 0]);
}

#[test]
fn a_ruling_settles_a_finding_until_its_facts_change() {
    let (mut w, tree, _) = good_day();
    let second = w.treat(1, tree, 7);
    let (finding, facts) = w.look(|_, _, f| {
        let found = f.iter().find(|f| f.code.name() == "tree.treated_twice").unwrap();
        (found.id, found.facts)
    });
    let reason = "second dose recovered into the reservoir".to_owned();
    w.write(Who::Office, Ruling { finding, facts, decision: Decision::Accept, reason });
    let state = |w: &World| w.look(|_, _, f| f.iter().find(|f| f.id == finding).map(|f| f.state.clone()));
    assert!(matches!(state(&w), Some(State::Settled { .. })));
    w.amend(B, &[second], w.application(1, tree, 6));
    assert!(matches!(state(&w), Some(State::Reopened { .. })));
}

#[test]
fn an_overdose_cannot_be_accepted_only_confirmed() {
    let mut w = World::new();
    let tree = w.tree(A, "T1");
    w.diameter(A, tree, 3_000);
    w.fill(0, 200_000);
    w.treat(0, tree, 10);
    w.close_day(0, 100_000);
    let (finding, facts) = w.look(|_, _, f| (f[0].id, f[0].facts));
    let reason = "looks fine".to_owned();
    w.write(Who::Office, Ruling { finding, facts, decision: Decision::Accept, reason: reason.clone() });
    w.look(|_, _, f| assert!(f[0].blocks()));
    let decision =
        Decision::ConfirmViolation { done: "tree marked".into(), reported: "to the agency".into() };
    w.write(Who::Office, Ruling { finding, facts, decision, reason });
    w.look(|_, _, f| assert!(!f[0].blocks()));
}

#[test]
fn a_crews_late_amendment_is_shown_without_effect_until_the_day_is_opened_again() {
    let (mut w, tree, application) = good_day();
    let mut phone = w.apart();
    let signed = sign_off(&mut w);
    phone.amend(A, &[application], phone.application(0, tree, 6));
    w.merge(&phone);
    w.look(|view, balance, findings| {
        assert_eq!(findings.iter().map(|f| f.code.name()).collect::<Vec<_>>(), ["record.proposal"]);
        assert_eq!(balance.lots[0].spent.into_trees_ul.low, 140_000);
        let june = CrewDay { crew: w.crews[0], day: day("2026-06-01") };
        assert_eq!(view.signed_off.get(&june), Some(&signed));
    });
    w.write(Who::Office, Reopening { sign_off: signed, reason: "one container came back half full".into() });
    w.look(|view, _, _| {
        assert!(view.signed_off.is_empty());
        let now: Vec<_> = view.applications(&view.trees[&tree]).map(|(.., a)| a.holes.len()).collect();
        assert_eq!(now, [6]);
    });
}

#[test]
fn work_that_arrives_after_sign_off_counts_and_is_visible_as_late() {
    let (mut w, ..) = good_day();
    let mut phone = w.apart();
    sign_off(&mut w);
    let tree = phone.tree(A, "T9");
    phone.diameter(A, tree, 3_000);
    phone.treat(0, tree, 7);
    w.merge(&phone);
    let codes = w.codes();
    assert_eq!(codes.iter().filter(|c| **c == "record.after_sign_off").count(), 3, "{codes:?}");
    w.look(|_, balance, _| assert_eq!(balance.lots[0].spent.into_trees_ul.low, 210_000));
}

#[test]
fn a_crew_cannot_write_what_is_the_offices_nor_change_anothers_record() {
    let (mut w, tree, application) = good_day();
    sign_off_by_crew(&mut w);
    w.strike(B, application);
    w.look(|view, _, findings| {
        assert_eq!(
            findings.iter().map(|f| f.code.name()).collect::<Vec<_>>(),
            ["record.proposal", "record.proposal"]
        );
        assert!(view.signed_off.is_empty());
        assert_eq!(view.applications(&view.trees[&tree]).count(), 1);
    });
}

fn sign_off_by_crew(w: &mut World) {
    let crew = w.crews[0];
    let body = SignOff { crew, day: day("2026-06-01"), job_heads: vec![], yard_heads: vec![] };
    w.write(A, body);
}

#[test]
fn a_stranger_and_a_revoked_device_are_held_until_admitted() {
    let (mut w, tree, _) = good_day();
    let held = w.write(Who::Stranger, w.diameter_body(tree, 3_500));
    assert_eq!(w.codes(), ["record.held"]);
    let admission = bolebook_core::record::people::Admission {
        records: vec![held],
        reason: "typed in from paper".into(),
    };
    w.write(Who::Office, admission);
    assert_eq!(w.codes(), ["diameter.disagree"]);

    let (mut w, ..) = good_day();
    let device = bolebook_core::signing::SecretKey::from_seed([10; 32]).device();
    let accepted = vec![];
    w.yard_write(Who::Office, Revocation { device, reason: "phone lost".into(), accepted });
    let codes = w.codes();
    assert!(!codes.is_empty() && codes.iter().all(|c| *c == "record.held"), "{codes:?}");
}

#[test]
fn a_day_is_closed_with_no_container_left_on_a_tree() {
    let (mut w, tree, _) = good_day();
    w.now = UtcMs(w.now.0 + 24 * HOUR);
    let not = NotTreated { tree, crew: w.crews[1], reason: NotTreatedReason::Conditions, note: None };
    w.write(B, not);
    assert_eq!(w.codes(), ["day.not_closed"]);
    let crew = w.crews[1];
    w.write(B, DayClosing { crew, day: day("2026-06-02"), containers_out: 2, kits: vec![] });
    assert_eq!(w.codes(), ["day.containers_out"]);
}

#[test]
fn a_record_dated_after_its_arrival_is_flagged() {
    use bolebook_core::record::book_kinds::{ChainEnd, Receipt};
    let (mut w, tree, _) = good_day();
    w.now = UtcMs(MORNING.0 + 26 * HOUR);
    w.write(A, w.diameter_body(tree, 3_000));
    let ends: Vec<ChainEnd> =
        w.job.commits().last().map(|c| ChainEnd { actor: c.actor(), seq: c.seq() }).into_iter().collect();
    let receipt = Receipt {
        delivered_by: bolebook_core::signing::SecretKey::from_seed([10; 32]).device(),
        arrived_at: UtcMs(MORNING.0 + 10 * HOUR),
        clock_offset_ms: bolebook_core::quantity::Ms(0),
        through: ends,
    };
    // Only a server writes receipts: the office's word is a proposal and flags nothing.
    w.write(Who::Office, receipt.clone());
    assert_eq!(w.codes(), ["record.proposal"]);
    w.write(Who::Server, receipt);
    assert_eq!(w.codes(), ["entry.in_future", "record.proposal"]);
}
