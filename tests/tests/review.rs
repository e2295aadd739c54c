//! What a careful or hostile reader tried, and what must hold against it.

use bolebook_core::authority::Directory;
use bolebook_core::ids::ActorId;
use bolebook_core::quantity::{Ul, UtcMs};
use bolebook_core::record::Body;
use bolebook_core::record::work::Application;
use bolebook_tests::world::{HOUR, Who, World};

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
