//! A crew's day played on the app's core against the real server, and what the office then sees.

mod start;

use bolebook_field_core::outside::Trouble;
use bolebook_field_tests::memory::{block_on, tap};
use bolebook_field_tests::office::{JOB, LOT, Office, REGISTRATION};
use bolebook_field_tests::play::{
    EVENING, LOOK, MORNING, SEVEN, act_of, field_of, find, good, joined, treat, tree_of,
};
use serde_json::Value;

#[test]
fn a_day_offline_ends_at_the_office_as_it_was_tapped() {
    let mut office = Office::found(Some(MORNING), SEVEN, 12);
    let url = office.serve(None);
    let (device, field) = joined(&office, &url, 21, 0);
    office.stop();
    device.signal.set(false);

    let missing = tap(&field, "go:today", &[]);
    assert!(missing.contains("Fill the kit"), "{missing}");
    let wrong = tap(&field, "fill", &[("lot", LOT), ("registration", "OTHER-1"), ("amount", "800")]);
    assert!(wrong.contains("said bad") && wrong.contains("Find out which product"), "{wrong}");
    good(&tap(&field, "fill", &[("lot", LOT), ("registration", REGISTRATION), ("amount", "800,0")]));

    let first = tree_of(&field, "P-1");
    let mut put_in = treat(&device, &field, &first);
    let again = tap(&field, &format!("plan:{first}:1"), &[]);
    assert!(again.contains("has been treated this season") && !again.contains("data-act=\"begin"), "{again}");

    // A tree that is new, in three taps and a tape; the app is closed and opened between them.
    let listed = tap(&field, "list", &[("species", "FRXAM"), ("tag", "N-1")]);
    assert!(listed.contains("Measure N-1"), "{listed}");
    drop(field);
    let field = device.open(&url);
    let new = tree_of(&field, "N-1");
    let measured =
        tap(&field, &format!("measured:{new}:1"), &[("reading", "94"), ("of", "girth"), ("unit", "cm")]);
    assert!(measured.contains("29.9 cm"), "{measured}");

    // Begun, containers on, and the phone dies: the timer goes on from the stamp.
    good(&tap(&field, &format!("seen:{new}"), LOOK));
    good(&tap(&field, &format!("begin:{new}:1"), &[]));
    good(&tap(&field, &format!("on:{new}:1"), &[]));
    drop(field);
    device.wait(31);
    let field = device.open(&url);
    let board = tap(&field, "go:board", &[]);
    assert!(board.contains(">31:0") && board.contains("The label"), "{board}");
    assert!(tap(&field, "go:today", &[]).contains("time is over"));
    // One hole took only 6 mL, one leaked 2.5; more than the charge is refused.
    let refused =
        tap(&field, &format!("differs:{new}:1:0"), &[("what", "part"), ("amount", "11"), ("sealed", "yes")]);
    assert!(refused.contains("said bad"), "{refused}");
    good(&tap(
        &field,
        &format!("differs:{new}:1:0"),
        &[("what", "part"), ("amount", "6"), ("sealed", "yes")],
    ));
    good(&tap(
        &field,
        &format!("differs:{new}:1:1"),
        &[("what", "leaked"), ("amount", "2.5"), ("sealed", "no"), ("reseated", "yes")],
    ));
    let planned = field.state().open[0].charge_ul().0;
    good(&tap(&field, &format!("done:{new}:1:sealed"), &[]));
    put_in += planned - 4_000 - 2_500;

    // A mis-tap is taken back with one tap, and the tree is open again.
    let second = tree_of(&field, "P-2");
    let taken = treat(&device, &field, &second);
    let undone = tap(&field, &act_of(&field.screen(), "Take back"), &[]);
    assert!(undone.contains("Finish P-2"), "{undone}");
    good(&tap(&field, &format!("done:{second}:1:open"), &[]));
    put_in += taken;

    let third = tree_of(&field, "P-3");
    good(&tap(&field, &format!("nottreated:{third}"), &[("reason", "refused")]));

    let early = tap(&field, "close", &[]);
    assert!(early.contains("said bad"), "{early}");
    let kit = field_of(&tap(&field, "go:close", &[]), "kit-");
    let left = format!("{}", (800_000 - put_in - 2_500) as f64 / 1_000.0);
    let closed = tap(&field, "close", &[(&kit, &left), ("none-out", "yes")]);
    good(&closed);
    let (unsent, since) = field.state().unsent();
    assert!(unsent > 15 && since.is_some(), "{unsent}");
    let failed = tap(&field, "exchange", &[]);
    assert!(failed.contains("said bad") && field.state().unsent().0 == unsent, "{failed}");

    office.tell(EVENING);
    office.serve(None);
    device.signal.set(true);
    let sent = tap(&field, "exchange", &[]);
    assert!(sent.contains("Exchanged"), "{sent}");
    assert_eq!(field.state().unsent().0, 0);

    office.run(&["exchange", &url]);
    let balance = office.run(&["balance"]);
    let into_trees = find(&balance, "into_trees_ul");
    assert_eq!(into_trees, Some(put_in), "{balance}");
    let applications = office.run(&["list", "application"]).to_string();
    assert_eq!(applications.matches(r#""reseated":true"#).count(), 1, "{applications}");
    let shown = office.run(&["job", "show"]);
    assert_eq!(shown["trees"]["treated"], 3, "{shown}");
    assert_eq!(shown["trees"]["not_treated"], 1, "{shown}");
    assert_eq!(shown["trees"]["listed"], 13, "{shown}");
    let findings = office.run(&["check"]);
    let stops: Vec<&Value> =
        findings["findings"].as_array().unwrap().iter().filter(|f| f["severity"] == "stop").collect();
    assert!(stops.is_empty(), "{stops:?}");
}

#[test]
fn what_the_storage_refuses_is_said_and_nothing_is_half_done() {
    let mut office = Office::found(Some(MORNING), SEVEN, 2);
    let url = office.serve(None);
    let (device, field) = joined(&office, &url, 22, 0);
    good(&tap(&field, "fill", &[("lot", LOT), ("registration", REGISTRATION), ("amount", "800")]));
    let tree = tree_of(&field, "P-1");
    let before = device.lines();
    for trouble in [Trouble::Storage("the disk is full".into()), Trouble::OtherWriter] {
        *device.refuses.borrow_mut() = Some(trouble.clone());
        let said = tap(&field, &format!("seen:{tree}"), LOOK);
        assert!(said.contains("said bad") && said.contains(&trouble.to_string()), "{said}");
        let said = tap(&field, "look:night", &[]);
        assert!(said.contains("said bad") && said.contains("data-look=\"day\""), "{said}");
    }
    assert_eq!(device.lines(), before);
    *device.refuses.borrow_mut() = None;
    treat(&device, &field, &tree);
    assert!(tap(&field, "exchange", &[]).contains("Exchanged"));
}

#[test]
fn two_crews_meet_and_the_second_is_warned_before_the_first_hole() {
    let mut office = Office::found(Some(MORNING), SEVEN, 3);
    let url = office.serve(None);
    let (alder, first) = joined(&office, &url, 23, 0);
    let (_, second) = joined(&office, &url, 24, 1);
    for field in [&first, &second] {
        good(&tap(field, "fill", &[("lot", LOT), ("registration", REGISTRATION), ("amount", "800")]));
    }
    let tree = tree_of(&first, "P-1");
    treat(&alder, &first, &tree);
    tap(&first, "exchange", &[]);
    tap(&second, "exchange", &[]);
    let screen = tap(&second, &format!("tree:{tree}"), &[]);
    assert!(screen.contains("TREATED") && screen.contains("Alder"), "{screen}");
    let plan = tap(&second, &format!("plan:{tree}:1"), &[]);
    assert!(plan.contains("Do not treat") && !plan.contains("data-act=\"begin"), "{plan}");
    let refused = tap(&second, &format!("begin:{tree}:1"), &[]);
    assert!(refused.contains("said bad"), "{refused}");
}

#[test]
fn last_seasons_treatment_is_known_and_only_its_tree_waits_for_the_labels_interval() {
    let mut office = Office::found(Some(MORNING), SEVEN, 3);
    let url = office.serve(None);
    let (device, field) = joined(&office, &url, 26, 0);
    good(&tap(&field, "fill", &[("lot", LOT), ("registration", REGISTRATION), ("amount", "800")]));
    let first = tree_of(&field, "P-1");
    treat(&device, &field, &first);
    tap(&field, "exchange", &[]);
    office.run(&["exchange", &url]);
    let next = ["job", "new", "Next season (INVENTED)", "--season", "2027", "--client", "Client Invented"];
    let more = ["--site", "Imaginary Park", "--zone", "UTC", "--from", JOB];
    office.run(&[&next[..], &more[..]].concat());
    office.run(&["authorise", "every listed tree, once"]);
    office.run(&["exchange", &url]);
    assert!(tap(&field, "exchange", &[]).contains("Exchanged"));
    let who = tap(&field, "go:who", &[]);
    good(&tap(&field, &act_of(&who, "Next season"), &[]));
    for (tag, waits) in [("P-1", true), ("P-2", false)] {
        let tree = tree_of(&field, tag);
        good(&tap(
            &field,
            &format!("measured:{tree}:1"),
            &[("reading", "26"), ("of", "diameter"), ("unit", "cm")],
        ));
        let plan = tap(&field, &format!("seen:{tree}"), LOOK);
        assert_eq!(plan.contains("the label asks for 700 between"), waits, "{tag}: {plan}");
        assert_eq!(plan.contains("Do not treat"), waits, "{tag}: {plan}");
    }
}

#[test]
fn an_amended_hole_counts_as_amended_and_the_gauge_says_how_many_charges_are_left() {
    let mut office = Office::found(Some(MORNING), SEVEN, 2);
    let url = office.serve(None);
    let (device, field) = joined(&office, &url, 27, 0);
    good(&tap(&field, "fill", &[("lot", LOT), ("registration", REGISTRATION), ("amount", "800")]));
    let tree = tree_of(&field, "P-1");
    let put_in = treat(&device, &field, &tree);
    let screen = tap(&field, &format!("tree:{tree}"), &[]);
    let amend = screen.split("data-act=\"amend:").nth(1).unwrap().split('"').next().unwrap().to_owned();
    good(&tap(&field, &format!("amend:{amend}"), &[]));
    let act = format!("amended:{amend}");
    let unreasoned = tap(&field, &act, &[("hole", "1"), ("took", "9")]);
    assert!(unreasoned.contains("said bad"), "{unreasoned}");
    good(&tap(&field, &act, &[("hole", "1"), ("took", "9"), ("leaked", "1"), ("reason", "read again")]));

    let hasty = tap(&field, "gauge", &[("gauge", ""), ("air", "17")]);
    assert!(hasty.contains("said bad"), "{hasty}");
    let (low, high) = {
        let state = field.state();
        let kit = &state.summary.as_ref().unwrap().kits[0].kit;
        (kit.work_low_pa.0, kit.work_high_pa.0)
    };
    let bar = |pa: i64| format!("{}.{:02}", pa / 100_000, pa % 100_000 / 1_000);
    let read = |pa: i64| tap(&field, "gauge", &[("gauge", &bar(pa)), ("air", "17")]);
    assert!(read(high + 50_000).contains("above the working band"));
    assert!(read(low - 50_000).contains("below the working band"));
    good(&tap(&field, "aired", &[]));
    device.wait(11);
    assert!(read(high).contains("the gauge decides"));
    device.wait(11);
    assert!(read(high).contains("No leak seen"));
    device.wait(11);
    assert!(read(low).contains("the kit leaks"));

    tap(&field, "exchange", &[]);
    office.run(&["exchange", &url]);
    let balance = office.run(&["balance"]);
    assert_eq!(find(&balance, "into_trees_ul"), Some(put_in - 1_000), "{balance}");
    assert_eq!(find(&balance, "leaked_ul"), Some(1_000), "{balance}");
}

/// Four parts with one: 500 mL in the reservoir hold 400 mL of product, a container of 10 mL 8 mL. A stem
/// of 25 cm (girth 78.5 cm, holes 12 cm apart) has room for six, 48 mL; 5 mL left in one are 4 mL of
/// product (arithmetic).
#[test]
fn under_a_mixed_label_what_vessels_hold_is_typed_and_product_is_logged() {
    let mut office = Office::found_mixed(Some(MORNING), SEVEN, 2, [4, 1]);
    let url = office.serve(None);
    let (device, field) = joined(&office, &url, 29, 0);
    let asked = tap(&field, "go:fill", &[]);
    assert!(asked.contains("4 parts of product with 1 part of water"), "{asked}");
    let filled = tap(&field, "fill", &[("lot", LOT), ("registration", REGISTRATION), ("amount", "500")]);
    good(&filled);
    assert!(filled.contains("That is 400.0 mL of product."), "{filled}");
    let tree = tree_of(&field, "P-1");
    good(&tap(&field, &format!("seen:{tree}"), LOOK));
    let plan = field.screen();
    assert!(plan.contains("6 × 10.0 mL of the mix") && !plan.contains("Do not treat"), "{plan}");
    assert!(plan.contains("4 parts of product with 1 part of water"), "{plan}");
    good(&tap(&field, &act_of(&plan, "I have read this"), &[]));
    good(&tap(&field, &format!("begin:{tree}:1"), &[]));
    assert!(tap(&field, "go:board", &[]).contains("6 × 10.0 mL of the mix"));
    device.wait(3);
    good(&tap(&field, &format!("on:{tree}:1"), &[]));
    let too_much = [("what", "part"), ("amount", "10.1"), ("sealed", "yes")];
    assert!(tap(&field, &format!("differs:{tree}:1:0"), &too_much).contains("said bad"));
    let half = [("what", "part"), ("amount", "5"), ("sealed", "yes")];
    good(&tap(&field, &format!("differs:{tree}:1:0"), &half));
    device.wait(9);
    good(&tap(&field, &format!("done:{tree}:1:sealed"), &[]));
    let closing = tap(&field, "go:close", &[]);
    assert!(closing.contains("of the mix, as the scale shows it"), "{closing}");
    // 400 less 44 mL of product are 356 mL, in 445 mL of the mix.
    let kit = field_of(&closing, "kit-");
    good(&tap(&field, "close", &[(&kit, "445"), ("none-out", "yes")]));
    tap(&field, "exchange", &[]);
    office.run(&["exchange", &url]);
    let balance = office.run(&["balance"]);
    assert_eq!(find(&balance, "into_trees_ul"), Some(44_000), "{balance}");
    assert!(!office.run(&["check"]).to_string().contains("day.unexplained"));
}

#[test]
fn a_job_closed_to_a_phone_keeps_no_other_from_the_exchange_and_stays_on_it() {
    let mut office = Office::found(Some(MORNING), SEVEN, 2);
    let url = office.serve(None);
    let (_device, field) = joined(&office, &url, 23, 0);
    let job = field.state().job().unwrap();
    let more = ["--season", "2026", "--client", "Client Invented", "--site", "Other Park", "--zone", "UTC"];
    office.run(&[&["job", "new", "Other Park (INVENTED)"][..], &more[..]].concat());
    office.run(&["use", "--job", JOB]);
    office.run(&["exchange"]);
    block_on(field.exchange()).unwrap();
    assert_eq!(field.state().logs.len(), 3, "the yard and two jobs");
    office.run(&["device", "access", "phone of Alder", "--books", JOB]);
    office.run(&["exchange"]);
    tap(&field, &format!("job:{job}"), &[]);
    let tree = tree_of(&field, "P-1");
    good(&tap(&field, &format!("nottreated:{tree}"), &[("reason", "refused")]));
    let said = block_on(field.exchange()).unwrap_err().to_string();
    assert!(said.contains("the office has not opened this book to this device"), "{said}");
    assert_eq!((field.state().logs.len(), field.state().no_exchange.clone()), (3, Some(said)));
    office.run(&["exchange"]);
    let there = office.run(&["list", "not_treated"]);
    assert_eq!(there["records"].as_array().unwrap().len(), 1, "{there}");
    office.run(&["device", "access", "phone of Alder", "--all"]);
    office.run(&["exchange"]);
    block_on(field.exchange()).unwrap();
    assert_eq!(field.state().no_exchange, None);
}
