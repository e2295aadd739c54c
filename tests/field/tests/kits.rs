//! A crew with two kits on the truck, against the real server, and what the office then sees.

use bolebook_field_core::field::Field;
use bolebook_field_tests::memory::{Memory, block_on, tap};
use bolebook_field_tests::office::{CREWS, LOT, Office, REGISTRATION};
use bolebook_field_tests::play::{LOOK, MORNING, SEVEN, act_of, field_of, find, good, joined, tree_of};
use serde_json::Value;

/// The lot in the second kit, of the same label.
const SECOND: &str = "L-2602";

/// The id of a kit, off the buttons of the kit's screen.
fn kit_of(field: &Field<Memory>, name: &str) -> String {
    let screen = tap(field, "go:who", &[]);
    act_of(&screen, &format!(">{name}<")).strip_prefix("kit:").unwrap().to_owned()
}

/// Takes a kit into the hand and fills it.
fn fill(field: &Field<Memory>, kit: &str, lot: [&str; 2], amount: &str) {
    good(&tap(field, &format!("kit:{kit}"), &[]));
    good(&tap(field, "fill", &[("lot", lot[0]), ("registration", lot[1]), ("amount", amount)]));
}

/// A crew with two kits: the first with little in it, the second full of another lot.
fn two_kits(office: &mut Office, seed: u8) -> (Memory, Field<Memory>, [String; 2]) {
    office.add_kit("Kit 9", CREWS[0]);
    office.add_lot(SECOND, "Stemguard Imaginary (INVENTED)");
    let url = office.serve(None);
    office.run(&["exchange", &url]);
    let (device, field) = joined(office, &url, seed, 0);
    let kits = ["Kit 1", "Kit 9"].map(|name| kit_of(&field, name));
    fill(&field, &kits[1], [SECOND, REGISTRATION], "800");
    fill(&field, &kits[0], [LOT, REGISTRATION], "30");
    (device, field, kits)
}

fn begin(device: &Memory, field: &Field<Memory>, tree: &str) {
    good(&tap(field, &format!("seen:{tree}"), LOOK));
    let plan = field.screen();
    if plan.contains("data-act=\"read:") {
        good(&tap(field, &act_of(&plan, "I have read this"), &[]));
    }
    good(&tap(field, &format!("begin:{tree}:1"), &[]));
    device.wait(3);
}

/// The part of a balance that a kit's name heads.
fn applications(office: &Office) -> Vec<Value> {
    let listed = office.run(&["list", "application"]);
    listed["records"].as_array().unwrap().clone()
}

/// 25 cm of diameter take six charges of 10 mL (as the story's plan says); 30 mL in the first kit are three.
#[test]
fn a_reservoir_runs_empty_in_mid_tree_and_each_kits_charges_are_logged_as_its_own() {
    let mut office = Office::found(Some(MORNING), SEVEN, 3);
    let (device, field, [first, second]) = two_kits(&mut office, 41);
    let today = tap(&field, "go:today", &[]);
    assert!(today.contains("Kit 1 · L-2601 · 30.0 mL · 3 charges"), "{today}");
    assert!(today.contains("Kit 9 · L-2602 · 800.0 mL · 80 charges"), "{today}");

    let tree = tree_of(&field, "P-1");
    begin(&device, &field, &tree);
    assert_eq!(field.state().open[0].holes.len(), 6);
    let asked = tap(&field, &format!("kits:{tree}:1"), &[]);
    assert!(asked.contains("Kit 9 · L-2602") && !asked.contains("Not with this kit"), "{asked}");
    let refused = tap(&field, &format!("from:{tree}:1"), &[("kit", &second)]);
    assert!(refused.contains("said bad"), "{refused}");
    let board = tap(&field, &format!("from:{tree}:1"), &[("kit", &second), ("hole", "4")]);
    good(&board);
    assert!(board.contains("Holes 1, 2, 3: Kit 1") && board.contains("Holes 4, 5, 6: Kit 9"), "{board}");

    // The phone dies in between; what was chosen is kept.
    drop(field);
    let field = device.open("http://127.0.0.1:9");
    good(&tap(&field, &format!("on:{tree}:1"), &[]));
    let today = tap(&field, "go:today", &[]);
    assert!(today.contains("Kit 1 · L-2601 · 0.0 mL · 0 charges"), "{today}");
    assert!(today.contains("Kit 9 · L-2602 · 770.0 mL · 77 charges"), "{today}");
    // One hole of the second kit took less; another was charged from the first after all.
    let less = [("what", "part"), ("amount", "6"), ("sealed", "yes"), ("from-kit", second.as_str())];
    good(&tap(&field, &format!("differs:{tree}:1:4"), &less));
    device.wait(9);
    let done = tap(&field, &format!("done:{tree}:1:sealed"), &[]);
    good(&done);
    assert!(done.contains("Kit 1: 30.0 mL, Kit 9: 26.0 mL."), "{done}");

    // Taken back, both are struck and the tree is open with its kits as they were.
    let undone = tap(&field, &act_of(&done, "Take back"), &[]);
    assert!(undone.contains("Holes 4, 5, 6: Kit 9"), "{undone}");
    good(&tap(&field, &format!("done:{tree}:1:sealed"), &[]));
    let again = tap(&field, &format!("plan:{tree}:1"), &[]);
    assert!(again.contains("has been treated this season: 56.0 mL"), "{again}");

    // The second tree at once from the second kit, which is now in the hand.
    good(&tap(&field, &format!("kit:{second}"), &[]));
    let other = tree_of(&field, "P-2");
    begin(&device, &field, &other);
    good(&tap(&field, &format!("on:{other}:1"), &[]));
    let charged = field.state().open[0].charge_ul().0;
    device.wait(9);
    good(&tap(&field, &format!("done:{other}:1:sealed"), &[]));

    let closing = tap(&field, "go:close", &[]);
    assert_eq!(closing.matches("name=\"kit-").count(), 2, "{closing}");
    assert!(field_of(&closing, "kit-").len() > 4);
    let left = format!("{}", (800_000 - 26_000 - charged) as f64 / 1_000.0);
    let kits = [(format!("kit-{first}"), "0".to_owned()), (format!("kit-{second}"), left)];
    let mut fields: Vec<(&str, &str)> = kits.iter().map(|(k, v)| (k.as_str(), v.as_str())).collect();
    fields.push(("none-out", "yes"));
    good(&tap(&field, "close", &fields));

    office.stop();
    office.tell("2026-09-14T07:25:00Z");
    office.serve(None);
    let server = field.state().server.as_ref().unwrap().url.clone();
    block_on(field.exchange()).unwrap();
    office.run(&["exchange", &server]);
    let logged = applications(&office);
    let of = |lot: &str| {
        let id = office.run(&["lot", "list"]);
        let lots = id["lots"].as_array().unwrap();
        lots.iter().find(|l| l["lot"]["number"] == lot).unwrap()["id"].as_str().unwrap().to_owned()
    };
    let body = |r: &Value| r["body"].clone();
    let in_force: Vec<Value> = logged.iter().filter(|r| r["state"] != "struck").map(body).collect();
    let on_first: Vec<&Value> = in_force.iter().filter(|b| b["tree"] == tree.as_str()).collect();
    assert_eq!(on_first.len(), 2, "{logged:?}");
    let begun = on_first.iter().find(|b| b["continues"].is_null()).unwrap();
    let ended = on_first.iter().find(|b| !b["continues"].is_null()).unwrap();
    assert_eq!((begun["kit"].as_str(), begun["lot"].as_str()), (Some(&*first), Some(&*of(LOT))));
    assert_eq!((ended["kit"].as_str(), ended["lot"].as_str()), (Some(&*second), Some(&*of(SECOND))));
    assert_eq!(begun["holes"].as_array().unwrap().len(), 3);
    assert_eq!(ended["holes"].as_array().unwrap().len(), 3);

    let balance = office.run(&["balance"]);
    for (kit, lot, into_trees) in [(&first, of(LOT), 30_000), (&second, of(SECOND), 26_000 + charged)] {
        let rows = balance["kits"].as_array().unwrap();
        let row = rows.iter().find(|r| r["kit"] == kit.as_str()).unwrap();
        assert_eq!(row["lot"], lot.as_str(), "{balance}");
        assert_eq!(find(row, "into_trees_ul"), Some(into_trees), "{balance}");
        assert_eq!(find(row, "unexplained_ul"), Some(0), "{balance}");
    }
    let findings = office.run(&["check"]);
    let loud: Vec<&Value> =
        findings["findings"].as_array().unwrap().iter().filter(|f| f["severity"] != "note").collect();
    assert!(loud.is_empty(), "{loud:?}");
}

#[test]
fn a_kit_with_another_product_stops_before_the_first_hole_and_in_mid_tree() {
    let mut office = Office::found(Some(MORNING), SEVEN, 2);
    office.add_label(["Barkwell Imaginary (INVENTED)", "INVENTED-0002", "L-7701"], None);
    office.add_kit("Kit 9", CREWS[0]);
    let url = office.serve(None);
    office.run(&["exchange", &url]);
    let (device, field) = joined(&office, &url, 42, 0);
    let [first, second] = ["Kit 1", "Kit 9"].map(|name| kit_of(&field, name));
    fill(&field, &second, ["L-7701", "INVENTED-0002"], "800");
    fill(&field, &first, [LOT, REGISTRATION], "800");
    good(&tap(&field, &format!("also:{second}"), &[]));

    let tree = tree_of(&field, "P-1");
    let plan = tap(&field, &format!("seen:{tree}"), LOOK);
    assert!(plan.contains("Do not treat") && plan.contains("Kit 9 holds Barkwell"), "{plan}");
    assert!(!plan.contains("data-act=\"begin") && !plan.contains("<svg"), "{plan}");
    let refused = tap(&field, &format!("begin:{tree}:1"), &[]);
    assert!(refused.contains("said bad"), "{refused}");

    // With the first kit alone it may be treated, and the second is refused in mid-tree too.
    good(&tap(&field, &format!("also:{second}"), &[]));
    begin(&device, &field, &tree);
    let asked = tap(&field, &format!("kits:{tree}:1"), &[]);
    assert!(asked.contains("Not with this kit") && asked.contains("One tree gets one product"), "{asked}");
    for act in ["from", "differs"] {
        let act = if act == "from" { format!("from:{tree}:1") } else { format!("differs:{tree}:1:0") };
        let fields = [
            ("kit", second.as_str()),
            ("from-kit", &second),
            ("hole", "2"),
            ("what", "full"),
            ("sealed", "yes"),
        ];
        let refused = tap(&field, &act, &fields);
        assert!(refused.contains("said bad") && refused.contains("another product"), "{refused}");
    }
    assert!(field.state().open[0].others.is_empty());
}

#[test]
fn a_gauge_reading_stays_with_its_own_kit() {
    let mut office = Office::found(Some(MORNING), SEVEN, 1);
    let (device, field, [first, second]) = two_kits(&mut office, 43);
    let band = field.state().summary.as_ref().unwrap().kits[0].kit.work_high_pa.0;
    let bar = format!("{}.{:02}", band / 100_000, band % 100_000 / 1_000);
    good(&tap(&field, "aired", &[]));
    device.wait(11);
    good(&tap(&field, "gauge", &[("gauge", &bar), ("air", "17")]));
    let read = field.state().choices.gauge;
    assert!(read.is_some());
    good(&tap(&field, &format!("kit:{second}"), &[]));
    assert_eq!((field.state().choices.gauge, field.state().choices.aired_at), (None, None));
    drop(field);
    let field = device.open("http://127.0.0.1:9");
    good(&tap(&field, &format!("kit:{first}"), &[]));
    assert_eq!(field.state().choices.gauge, read);
}
