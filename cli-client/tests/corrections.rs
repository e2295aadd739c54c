//! Corrections: nothing is deleted, and a crew's device changes only what is its own.

mod common;

use common::{Device, MORNING, fill, found, plant};
use tempfile::TempDir;

/// An office, and a crew's device that joined by file and took the office's books in.
fn two(base: &TempDir) -> (Device, Device) {
    let office = Device::new(base, "office");
    found(&office);
    plant(&office);
    let file = office.path("phone.json").display().to_string();
    office.json(&["device", "invite", "North phone", "--role", "crew", "--crew", "North", "--out", &file]);
    let phone = Device::new(base, "phone");
    phone.json(&["join", "--file", &file]);
    carry(&office, &phone);
    phone.json(&["use", "--person", "Ben Invented"]);
    (office, phone)
}

/// Carries one device's books to another, as a file.
fn carry(from: &Device, to: &Device) {
    let bundle = from.path("books.bundle").display().to_string();
    from.json(&["bundle", "export", &bundle, "--with-register"]);
    to.json(&["bundle", "import", &bundle]);
}

fn id(answer: &serde_json::Value) -> String {
    answer["written"][0]["id"].as_str().unwrap().to_owned()
}

fn codes(device: &Device) -> Vec<String> {
    let run = device.run(&["--json", "check"]);
    let findings = run.json()["findings"].as_array().unwrap().clone();
    findings.iter().map(|f| f["code"].as_str().unwrap().to_owned()).collect()
}

#[test]
fn a_device_joins_by_file_and_both_replicas_then_say_the_same() {
    let base = TempDir::new().unwrap();
    let (office, phone) = two(&base);
    fill(&phone);
    phone.json(&["treat", "A-1", "--charges", "7", "--each", "10"]);
    carry(&phone, &office);
    carry(&office, &phone);
    for args in [&["tree", "list"][..], &["balance"], &["days"], &["device", "list"]] {
        let (mut a, mut b) = (office.json(args), phone.json(args));
        if args[0] == "device" {
            // Each shows which one it is itself.
            for answer in [&mut a, &mut b] {
                answer["devices"].as_array_mut().unwrap().iter_mut().for_each(|d| d["state"] = "".into());
            }
        }
        assert_eq!(a, b, "{args:?}");
    }
    assert_eq!(codes(&office), codes(&phone));
    let exports = |device: &Device| {
        let names = [
            "trees.csv",
            "applications.csv",
            "trees.geojson",
            "findings.json",
            "balance.json",
            "summary.json",
        ];
        names.map(|name| device.run(&["export", "--what", name]).ok().out)
    };
    assert_eq!(exports(&office), exports(&phone));
}

#[test]
fn an_amended_diameter_keeps_its_history_and_a_strike_stays_readable() {
    let base = TempDir::new().unwrap();
    let (office, phone) = two(&base);
    let first = id(&phone.json(&["diameter", "A-1", "30.4"]));
    let amended = phone.json(&["amend", &first, "--reading", "31.4"]);
    assert_eq!(amended["fact"], first.as_str());
    let shown = phone.json(&["show", &first]);
    let versions = shown["fact"]["versions"].as_array().unwrap();
    assert_eq!(versions.len(), 2);
    assert_eq!(versions[0]["record"]["body"]["diameter_um"], 304_000);
    assert_eq!(versions[1]["record"]["body"]["diameter_um"], 314_000);
    assert_eq!((&versions[0]["current"], &versions[1]["current"]), (&false.into(), &true.into()));
    phone.json(&["strike", &first, "--reason", "wrong tree"]);
    let shown = phone.run(&["tree", "show", "A-1"]).ok().out;
    assert!(shown.contains("struck by Ben Invented: wrong tree"), "{shown}");
    phone.refused(4, &["strike", &first, "--reason", "again"]);
    phone.refused(4, &["amend", &first, "--set", "diameter_um=1"]);
    carry(&phone, &office);
    assert_eq!(office.run(&["tree", "show", "A-1"]).ok().out, shown);
}

#[test]
fn a_crew_changes_its_own_records_only_and_writes_nothing_of_the_offices() {
    let base = TempDir::new().unwrap();
    let (_, phone) = two(&base);
    let tree = phone.json(&["tree", "list"])["trees"][0]["id"].as_str().unwrap().to_owned();
    for args in [
        &["strike", &tree, "--reason", "x"][..],
        &["amend", &tree, "--set", "tag=Z"],
        &["lot", "add", "L-9", "--expires", "2027-01-01"],
        &["join-trees", "A-1", "A-2", "--reason", "x"],
        &["block", "add", "West"],
        &["sign-off", "today"],
        &["device", "revoke", "office", "--reason", "x"],
        &["device", "invite", "other", "--role", "crew"],
        &["job", "new", "J", "--season", "2026", "--client", "C", "--site", "S", "--zone", "UTC"],
    ] {
        let error = phone.refused(8, args);
        assert_eq!(error["kind"], "not_allowed", "{args:?}");
        assert!(error["hint"].as_str().is_some_and(|h| !h.is_empty()), "{args:?}");
    }
}

#[test]
fn amendments_made_apart_are_both_shown_until_one_amends_both() {
    let base = TempDir::new().unwrap();
    let (office, phone) = two(&base);
    let first = id(&phone.json(&["diameter", "A-1", "30.1"]));
    carry(&phone, &office);
    phone.json(&["amend", &first, "--reading", "30.05"]);
    office.json(&["amend", &first, "--reading", "29.95"]);
    carry(&phone, &office);
    assert_eq!(codes(&office), ["record.amended_two_ways"]);
    office.json(&["amend", &first, "--reading", "30"]);
    assert_eq!(codes(&office), Vec::<String>::new());
}

#[test]
fn joined_trees_keep_both_tags_and_can_be_parted_again() {
    let base = TempDir::new().unwrap();
    let (office, _) = two(&base);
    let counts = |n: u64| assert_eq!(office.json(&["tree", "list"])["counts"]["listed"], n);
    office.json(&["join-trees", "A-1", "A-3", "--reason", "one tree, two tags"]);
    counts(2);
    assert_eq!(office.json(&["tree", "show", "A-3"])["tag"], "A-1");
    office.json(&["part-trees", "A-3", "--reason", "two trees after all"]);
    counts(3);
}

#[test]
fn a_signed_off_day_is_closed_to_its_crew_until_it_is_opened_again() {
    let base = TempDir::new().unwrap();
    let (mut office, phone) = two(&base);
    fill(&phone);
    let treated = id(&phone.json(&["treat", "A-1", "--charges", "7", "--each", "10"]));
    phone.json(&["close-day", "--in-kit", "Kit N=430"]);
    carry(&phone, &office);
    office.at(MORNING + 3_600_000);
    office.json(&["sign-off", "2026-09-14", "--crew", "North"]);
    office.refused(4, &["sign-off", "2026-09-14", "--crew", "North"]);
    carry(&office, &phone);
    let error = phone.refused(8, &["amend", &treated, "--set", "holes.0.put_in_ul=9000"]);
    assert!(error["message"].as_str().unwrap().contains("signed off"));
    office.json(&["reopen", "2026-09-14", "--crew", "North", "--reason", "a hole was missed"]);
    carry(&office, &phone);
    phone.json(&["amend", &treated, "--set", "holes.0.put_in_ul=9000"]);
    let shown = phone.json(&["show", &treated]);
    assert_eq!(shown["fact"]["versions"][1]["record"]["body"]["holes"][0]["put_in_ul"], 9_000);
}

#[test]
fn questions_and_answers_travel_with_the_books() {
    let base = TempDir::new().unwrap();
    let (office, phone) = two(&base);
    office.json(&["ask", "Is the tag really 17?", "--crew", "North", "--about", "A-1"]);
    carry(&office, &phone);
    phone.json(&["answer", "Yes."]);
    phone.refused(5, &["answer", "Again."]);
    carry(&phone, &office);
    assert_eq!(office.json(&["list", "answer"])["records"][0]["body"]["text"], "Yes.");
}

#[test]
fn a_revoked_devices_later_work_is_held_until_the_office_admits_it() {
    let base = TempDir::new().unwrap();
    let (office, phone) = two(&base);
    phone.json(&["note", "before"]);
    carry(&phone, &office);
    office.json(&["device", "revoke", "North phone", "--reason", "lost"]);
    let late = id(&phone.json(&["note", "after"]));
    carry(&phone, &office);
    assert_eq!(codes(&office), ["record.held"]);
    office.json(&["device", "admit", &late, "--reason", "written before it was lost"]);
    assert_eq!(codes(&office), Vec::<String>::new());
}

#[test]
fn a_bundle_that_was_cut_or_changed_is_refused_whole() {
    let base = TempDir::new().unwrap();
    let (office, phone) = two(&base);
    office.json(&["note", "new"]);
    let path = office.path("b.bundle");
    let name = path.display().to_string();
    office.json(&["bundle", "export", &name]);
    let whole = std::fs::read(&path).unwrap();
    let before = phone.json(&["verify"]);
    for cut in [0, 1, 10, whole.len() / 2, whole.len() - 1] {
        std::fs::write(&path, &whole[..cut]).unwrap();
        phone.refused(4, &["bundle", "import", &name]);
    }
    for at in [whole.len() / 3, whole.len() - 9] {
        let mut changed = whole.clone();
        changed[at] ^= 0x55;
        std::fs::write(&path, &changed).unwrap();
        phone.refused(4, &["bundle", "import", &name]);
    }
    assert_eq!(phone.json(&["verify"]), before);
    let stranger = Device::new(&base, "stranger");
    stranger.json(&["yard", "new", "Other", "--person", "Eve Invented"]);
    std::fs::write(&path, &whole).unwrap();
    stranger.refused(8, &["bundle", "import", &name]);
    phone.json(&["bundle", "import", &name]);
}

#[test]
fn a_bundle_leaves_out_the_books_that_the_office_has_not_opened_to_the_device() {
    let base = TempDir::new().unwrap();
    let (office, phone) = two(&base);
    carry(&phone, &office);
    office.json(&["device", "access", "North phone", "--none"]);
    office.json(&["note", "not for the phone"]);
    let path = office.path("c.bundle").display().to_string();
    office.json(&["bundle", "export", &path]);
    let texts = |device: &Device| device.json(&["list", "note"])["records"].to_string();
    // The list comes with the same file, and counts for its other books.
    let taken = phone.json(&["bundle", "import", &path]);
    assert_eq!(taken["closed"].as_array().unwrap().len(), 1, "{taken}");
    assert!(taken["new"].as_u64().unwrap() > 0, "the yard's book is open: {taken}");
    assert!(taken["warnings"].to_string().contains("not open to this device"), "{taken}");
    assert!(!texts(&phone).contains("not for the phone"));
    // Nothing is lost: opened again, the same file gives it, and an office device is never asked.
    office.json(&["device", "access", "North phone", "--all"]);
    carry(&office, &phone);
    assert!(phone.json(&["bundle", "import", &path])["closed"].as_array().unwrap().is_empty());
    assert!(texts(&phone).contains("not for the phone"));
}
