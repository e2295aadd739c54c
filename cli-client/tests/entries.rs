//! Logging: what cannot be is refused at entry, many entries go in together or not at all.

mod common;

use common::{Device, fill, found, plant};
use tempfile::TempDir;

fn office(base: &TempDir) -> Device {
    let office = Device::new(base, "office");
    found(&office);
    plant(&office);
    office
}

fn count(device: &Device, kind: &str) -> usize {
    device.json(&["list", kind])["records"].as_array().unwrap().len()
}

fn job_book(device: &Device) -> serde_json::Value {
    let books = device.json(&["verify"])["books"].as_array().unwrap().clone();
    books.into_iter().find(|b| b["kind"] == "job").unwrap()
}

#[test]
fn what_cannot_be_is_refused_with_the_reason_and_nothing_is_written() {
    let base = TempDir::new().unwrap();
    let device = office(&base);
    fill(&device);
    let whole = device.json(&["verify"]);
    for (args, reason) in [
        (&["diameter", "A-1", "300"][..], "more than any trunk"),
        (&["diameter", "A-1", "NaN"], "NaN"),
        (&["diameter", "A-1", "-30"], "not a trunk"),
        (&["diameter", "A-1", "0"], "not a trunk"),
        (&["diameter", "A-1", "10 x 31"], "not one trunk"),
        (&["diameter", "A-1", "94 x 95", "--girth"], "only a caliper"),
        (&["diameter", "A-1", "30", "--stem", "2"], "has 1 stems"),
        (&["diameter", "A-1", "30", "--at", "2026-10-14T08:00"], "future"),
        (&["diameter", "A-1", "30", "--at", "1970-01-01T08:00"], "before 2020"),
        (&["condition", "A-1", "--canopy-loss", "101"], "between 0 and 100"),
        (&["condition", "A-1", "--air", "900"], "between"),
        (&["treat", "A-1", "--hole=0,10,20,-5"], "between 0 and"),
        (&["treat", "A-1", "--hole=0,10,20"], "ARC_CM"),
        (&["treat", "A-1", "--hole=500,10,20,10"], "beyond the trunk's girth"),
        (&["treat", "A-1", "--hole=0,10,20,inf"], "inf"),
        (&["treat", "A-1", "--charges", "0", "--each", "10"], "0 charges"),
        (&["treat", "A-1", "--hole=0,10,20,5", "--started", "09:00", "--ended", "08:00"], "future"),
        (
            &["treat", "A-1", "--hole=0,10,20,5", "--started", "07:30", "--ended", "07:00"],
            "ends before it starts",
        ),
        (&["treat", "A-1", "--hole=0,10,20,5", "--pressure", "100"], "psi"),
        (&["move", "spilled", "-1", "--lot", "L-1", "--crew", "North"], "between 0 and"),
        (
            &["fill", "100", "--lot-read", "L-1", "--registration-read", "OTHER", "--crew", "North"],
            "registration",
        ),
        (
            &[
                "fill",
                "1000000",
                "--lot-read",
                "L-1",
                "--registration-read",
                "INVENTED-0001",
                "--crew",
                "North",
            ],
            "reservoir",
        ),
        (&["not-treated", "A-1", "other"], "note"),
        (&["tree", "add", "", "--species", "FRXAM"], "empty"),
        (&["tree", "add", "Z", "--lat", "91", "--lon", "0"], "between -90 and 90"),
        (&["close-day", "--in-kit", "Kit N=x"], "'x'"),
    ] {
        let error = device.refused(4, args);
        let message = error["message"].as_str().unwrap();
        assert!(message.contains(reason), "{args:?}: {message}");
    }
    let error = device.refused(5, &["diameter", "A-9", "30"]);
    assert_eq!(error["hint"], "there is: A-1, A-2, A-3");
    assert_eq!(device.json(&["verify"]), whole);
    let pair = device.run(&["diameter", "A-1", "29.1 x 31 cm"]).ok();
    assert!(pair.out.contains("diameter 29.1 x 31 cm = girth 94.4 cm"), "{}", pair.out);
}

#[test]
fn entries_of_a_file_may_build_on_each_other() {
    let base = TempDir::new().unwrap();
    let device = office(&base);
    let file = device.file(
        "day.ndjson",
        r#"{"do":"fill","amount":200,"lot_read":"L-1","registration_read":"INVENTED-0001"}
{"do":"tree","tag":17,"species":"FRXAM","mark":"tag"}

{"do":"diameter","tree":17,"reading":"11 3/4 in"}
{"do":"condition","tree":"17","canopy_loss":10,"bloom":"none","soil":"moist","air":20,"soil_temperature":15,"food":false,"water":50}
{"do":"dose","tree":17,"applicator":"Ben Invented"}
{"do":"treat","tree":17,"charges":7,"each":10,"applicator":"Ben Invented"}
{"do":"treat","tree":"A-2","hole":[[0,10,20,10],"12,12,20,9.5,0.5"],"applicator":"Ben Invented"}
{"do":"not-treated","tree":"A-3","reason":"too-small"}
{"do":"move","what":"primed-or-tested","amount":5}
{"do":"close_day","in_kit":["Kit N=105"]}
"#,
    );
    let answer = device.json(&["log", &file]);
    assert_eq!(answer["entries"], 10);
    let kinds: Vec<&str> =
        answer["written"].as_array().unwrap().iter().map(|r| r["kind"].as_str().unwrap()).collect();
    let wanted = [
        "fill",
        "tree",
        "diameter",
        "condition",
        "dose",
        "application",
        "application",
        "not_treated",
        "movement",
        "day_closing",
    ];
    assert_eq!(kinds, wanted);
    let balance = device.json(&["balance"]);
    // 200 filled = 70 + 19.5 put in + 0.5 leaked + 5 primed + 105 left.
    assert_eq!(balance["crew_days"][0]["unexplained_ul"], serde_json::json!({ "low": 0, "high": 0 }));
    assert_eq!(balance["crew_days"][0]["spent"]["leaked_ul"]["low"], 500);
}

#[test]
fn one_bad_line_keeps_the_whole_file_out_and_every_bad_line_is_named() {
    let base = TempDir::new().unwrap();
    let device = office(&base);
    let before = (count(&device, "note"), device.json(&["verify"]));
    let file = device.file(
        "bad.ndjson",
        "{\"do\":\"note\",\"text\":\"fine\"}\n{\"do\":\"note\"}\nnot json\n{\"do\":\"fly\"}\n{\"text\":\"x\"}\n\
         {\"do\":\"diameter\",\"tree\":\"A-1\",\"reading\":\"300\"}\n{\"do\":\"diameter\",\"tree\":\"A-9\",\"reading\":30}\n\
         {\"do\":\"note\",\"text\":\"fine\",\"txet\":1}\n",
    );
    let error = device.refused(4, &["log", &file]);
    let lines: Vec<u64> =
        error["faults"].as_array().unwrap().iter().map(|f| f["line"].as_u64().unwrap()).collect();
    assert_eq!(lines, [2, 3, 4, 5, 6, 7, 8]);
    assert!(error["faults"][5]["why"].as_str().unwrap().contains("there is: A-1"));
    assert_eq!((count(&device, "note"), device.json(&["verify"])), before);
}

#[test]
fn a_thousand_entries_make_one_signed_chain_of_commits_of_at_most_500_records() {
    let base = TempDir::new().unwrap();
    let device = office(&base);
    let lines: String = (0..1_100).map(|i| format!("{{\"do\":\"note\",\"text\":\"note {i}\"}}\n")).collect();
    let before = job_book(&device);
    device.json(&["log", &device.file("notes.ndjson", lines)]);
    let after = job_book(&device);
    let grew = |field: &str| after[field].as_u64().unwrap() - before[field].as_u64().unwrap();
    assert_eq!((grew("commits"), grew("signatures")), (3, 1));
    assert_eq!(count(&device, "note"), 1_100);
}

#[test]
fn two_processes_on_one_store_lose_nothing() {
    let base = TempDir::new().unwrap();
    let device = office(&base);
    let running: Vec<_> =
        (0..8).map(|i| device.command(&["note", &format!("note {i}")]).spawn().unwrap()).collect();
    for mut child in running {
        assert!(child.wait().unwrap().success());
    }
    assert_eq!(count(&device, "note"), 8);
    let book = job_book(&device);
    assert_eq!(book["commits"], book["signatures"]);
    let held = device.json(&["check", "--all"]);
    let codes: Vec<&str> =
        held["findings"].as_array().unwrap().iter().map(|f| f["code"].as_str().unwrap()).collect();
    assert!(codes.is_empty(), "{codes:?}");
}

#[test]
fn keys_and_store_are_readable_by_their_owner_only() {
    use std::os::unix::fs::PermissionsExt as _;
    let base = TempDir::new().unwrap();
    let device = office(&base);
    let mode = |path| std::fs::metadata(device.path(path)).unwrap().permissions().mode() & 0o777;
    assert_eq!((mode("store"), mode("store/bolebook.db")), (0o700, 0o600));
}

#[test]
fn a_photo_is_kept_by_its_digest_and_no_other_file_is_taken_for_one() {
    let base = TempDir::new().unwrap();
    let device = office(&base);
    let photo = device.file("p.jpg", b"\xff\xd8\xff\xe0invented");
    let answer = device.json(&["photo", "add", &photo, "--about", "A-1", "--caption", "before"]);
    let digest = answer["sha256"].as_str().unwrap();
    let kept = device.path("store/photos").join(&digest[..2]).join(digest);
    assert_eq!(std::fs::read(kept).unwrap(), b"\xff\xd8\xff\xe0invented");
    let shown = device.json(&["tree", "show", "A-1"]);
    assert_eq!(shown["facts"].as_array().unwrap().last().unwrap()["kind"], "photo");
    device.refused(4, &["photo", "add", &device.file("p.txt", "not a photo")]);
    device.refused(6, &["photo", "add", "nowhere.jpg"]);
}
