//! What a careful or hostile reader tried, and what must hold against it.

use bolebook_core::authority::Directory;
use bolebook_core::ids::ActorId;
use bolebook_core::quantity::{Ul, UtcMs};
use bolebook_core::record::Body;
use bolebook_core::record::product::{Fill, Lot};
use bolebook_core::record::work::Application;
use bolebook_tests::world::{HOUR, Who, World, day, label};

const A: Who = Who::Crew(0);
const B: Who = Who::Crew(1);

fn body(w: &World, id: bolebook_core::ids::RecordId) -> Application {
    w.look(|view, _, _| match &view.facts.shown(view.facts.fact_of(id).unwrap()).record.body {
        Body::Application(body) => (**body).clone(),
        _ => unreachable!("asked for an application"),
    })
}

/// 30 cm take 90 mL at most: 60 and 60 are too much together, whichever of them was amended last.
#[test]
fn an_amended_application_is_still_summed_with_what_continues_it() {
    let mut w = World::new();
    let tree = w.tree(A, "T1");
    w.diameter(A, tree, 3_000);
    let begun = w.treat(0, tree, 6);
    let mut rest = w.application(1, tree, 6);
    rest.continues = Some(begun);
    w.now = UtcMs(w.now.0 + HOUR);
    w.write(B, rest);
    let mut amended = body(&w, begun);
    amended.holes[0].sealed = false;
    w.amend(A, &[begun], amended);
    let codes = w.codes();
    assert!(codes.contains(&"dose.over_label"), "{codes:?}");
    assert!(!codes.contains(&"tree.treated_twice"), "{codes:?}");
}

#[test]
fn another_trees_diameter_licenses_no_dose() {
    let mut w = World::new();
    let (thin, thick) = (w.tree(A, "T1"), w.tree(A, "T2"));
    w.diameter(A, thin, 3_000);
    let borrowed = w.diameter(A, thick, 9_000);
    let mut application = w.application(0, thin, 20);
    application.diameter = Some(borrowed);
    w.write(A, application);
    assert!(w.codes().contains(&"dose.over_label"));
}

#[test]
fn a_crew_cannot_undo_an_office_amendment_by_naming_its_own_record_first() {
    let mut w = World::new();
    let tree = w.tree(A, "T1");
    w.diameter(A, tree, 3_000);
    let first = w.treat(0, tree, 7);
    let mut right = body(&w, first);
    right.holes[0].put_in_ul = Ul(9_000);
    let office = w.amend(Who::Office, &[first], right);
    let mine = w.application(0, tree, 6);
    w.amend(A, &[first, office], mine);
    w.look(|view, _, _| assert_eq!(view.facts.shown(view.facts.fact_of(first).unwrap()).id(), office));
    w.strike(A, first);
    w.look(|view, _, _| assert!(view.facts.fact_of(first).unwrap().in_force(), "struck by the crew"));
}

#[test]
fn nobody_can_revoke_the_root_key() {
    use bolebook_core::record::people::Revocation;
    let mut w = World::new();
    let root = w.yard.genesis().unwrap().root.clone();
    let device = root.device().unwrap();
    let revocation = Revocation { device, accepted: vec![], reason: "hostile".into() };
    w.yard_write(Who::Office, revocation);
    let directory = Directory::read(&w.yard, &root).unwrap();
    assert!(!directory.revoked(device));
    assert!(ActorId::new(device, [0; 16]).device() == device);
}

#[test]
fn a_visit_weeks_later_is_no_continuation_whatever_it_says() {
    let mut w = World::new();
    let tree = w.tree(A, "T1");
    w.diameter(A, tree, 3_000);
    let begun = w.treat(0, tree, 4);
    w.now = UtcMs(w.now.0 + 21 * 24 * HOUR);
    let mut rest = w.application(0, tree, 3);
    rest.continues = Some(begun);
    w.write(A, rest);
    assert!(w.codes().contains(&"dose.too_soon"), "{:?}", w.codes());
}

#[test]
fn the_label_of_what_finishes_a_treatment_is_judged_too() {
    let mut w = World::new();
    let tree = w.tree(A, "T1");
    w.diameter(A, tree, 3_000);
    let begun = w.treat(0, tree, 4);
    // The label's next version, which nobody has confirmed yet.
    let newer = w.yard_amend(Who::Office, w.label, label());
    let mut rest = w.application(0, tree, 3);
    rest.continues = Some(begun);
    rest.label = newer;
    w.write(A, rest);
    let codes = w.codes();
    assert!(codes.contains(&"label.not_usable") && !codes.contains(&"tree.treated_twice"), "{codes:?}");
}

#[test]
fn a_recall_made_apart_from_a_correction_of_the_lot_is_not_lost() {
    let mut w = World::new();
    let tree = w.tree(A, "T1");
    w.diameter(A, tree, 3_000);
    w.treat(0, tree, 7);
    let lot = |number: &str, recalled: Option<&str>| Lot {
        label: w.label,
        number: number.into(),
        expires: day("2027-12-31"),
        recalled: recalled.map(str::to_owned),
    };
    let (recalled, corrected) = (lot("L-77", Some("maker's notice")), lot("L-77a", None));
    let mut other = w.apart();
    w.yard_amend(Who::Office, w.lot, recalled);
    other.now = UtcMs(other.now.0 + 1_000);
    other.yard_amend(Who::Office, other.lot, corrected);
    w.merge(&other);
    let codes = w.codes();
    assert!(codes.contains(&"lot.recalled") && codes.contains(&"record.amended_two_ways"), "{codes:?}");
}

#[test]
fn a_fill_by_a_device_nobody_certified_is_shown_as_held() {
    let mut w = World::new();
    let tree = w.tree(A, "T1");
    w.diameter(A, tree, 3_000);
    w.treat(0, tree, 7);
    let fill = Fill {
        kit: w.kits[0],
        lot: w.lot,
        crew: w.crews[0],
        amount_ul: Ul(100_000),
        registration_read: "INV-0001".into(),
        lot_read: "L-77".into(),
    };
    w.yard_write(Who::Stranger, fill);
    assert!(w.codes().contains(&"record.held"), "{:?}", w.codes());
}
