//! Erasing from the command: what the law keeps, what is left, and what every copy takes over.

mod common;

use common::{Device, MORNING, fill, found, holding, plant};
use serde_json::json;
use tempfile::TempDir;

const NAME: &str = "Quillon Featherstonehaugh-Invented";
const YEAR: i64 = 366 * 86_400_000;

fn phone(base: &TempDir, office: &Device) -> Device {
    let file = office.path("phone.json").display().to_string();
    office.json(&["device", "invite", "North phone", "--role", "crew", "--crew", "North", "--out", &file]);
    let phone = Device::new(base, "phone");
    phone.json(&["join", "--file", &file]);
    carry(office, &phone);
    phone.json(&["use", "--person", "Ben Invented"]);
    phone
}

fn carry(from: &Device, to: &Device) {
    let bundle = from.path("books.bundle").display().to_string();
    from.json(&["bundle", "export", &bundle, "--with-register"]);
    to.json(&["bundle", "import", &bundle]);
}

#[test]
fn a_name_the_law_does_not_keep_is_erased_from_every_file_and_every_copy() {
    let base = TempDir::new().unwrap();
    let office = Device::new(&base, "office");
    found(&office);
    plant(&office);
    office.json(&["person", "add", NAME, "--work", "crew-member", "--detail", "telephone=555 0100 9917"]);
    let phone = phone(&base, &office);
    for device in [&office, &phone] {
        assert!(!holding(&device.path("store"), NAME).is_empty());
    }
    phone.refused(8, &["person", "erase", NAME, "--reason", "asked for"]);
    office.refused(4, &["person", "erase", NAME, "--reason", &format!("{NAME} asked")]);
    let erased = office.json(&["person", "erase", NAME, "--reason", "asked for"]);
    let id = erased["erased"][0].as_str().unwrap().to_owned();
    let shown = format!("erased person {}", &id[id.len() - 8..]);
    std::fs::remove_file(office.path("books.bundle")).unwrap();
    carry(&office, &phone);
    for device in [&office, &phone] {
        for text in [NAME, "555 0100 9917"] {
            assert_eq!(holding(&device.path("store"), text), Vec::<String>::new());
        }
        let people = device.json(&["person", "list"])["people"].as_array().unwrap().clone();
        assert!(people.iter().any(|p| p["name"] == shown.as_str()), "{people:?}");
        let audit = device.json(&["erased"]);
        assert_eq!(audit["erased"][0]["id"], id.as_str());
        assert_eq!(audit["erased"][0]["reason"], "asked for");
        assert!(audit["erased"][0]["by"].is_string() && audit["erased"][0]["at"] == MORNING);
        device.json(&["verify"]);
    }
    office.refused(5, &["person", "erase", NAME, "--reason", "asked for"]);
    office.json(&["person", "erase", &id, "--reason", "again: writes the file anew"]);
}

#[test]
fn applicator_and_client_are_kept_until_the_law_lets_them_go_and_a_hold_longer() {
    let base = TempDir::new().unwrap();
    let mut office = Device::new(&base, "office");
    found(&office);
    plant(&office);
    fill(&office);
    office.json(&[
        "treat",
        "A-1",
        "--charges",
        "7",
        "--each",
        "10",
        "--crew",
        "North",
        "--by",
        "Ben Invented",
    ]);
    let before = ["trees.csv", "balance.json"].map(|name| office.run(&["export", "--what", name]).ok().out);
    // Treated on 2026-09-14: 2 years under 40 CFR 171.303, 3 under Regulation 1107/2009.
    for (args, free) in [
        (&["person", "erase", "Ben Invented"][..], "2029-09-15"),
        (&["person", "erase", "Ben Invented", "--under", "us"], "2028-09-15"),
        (&["client", "erase", "Invented City"], "2029-09-15"),
        (&["client", "erase", "Invented City", "--under", "us"], "2028-09-15"),
    ] {
        let mut all = args.to_vec();
        all.extend(["--reason", "left"]);
        let error = office.refused(4, &all);
        assert!(error["message"].as_str().unwrap().contains(free), "{error}");
    }
    assert_eq!(office.json(&["client", "list"])["clients"][0]["free_from"], "2029-09-15");
    office.json(&["client", "hold", "Invented City", "--until", "2035-01-01", "--reason", "claim 17"]);
    office.at(MORNING + 3 * YEAR + 5 * 86_400_000);
    let error = office.refused(4, &["client", "erase", "Invented City", "--reason", "left"]);
    assert!(error["message"].as_str().unwrap().contains("claim 17"), "{error}");
    office.json(&["person", "erase", "Ben Invented", "--reason", "left"]);
    assert_eq!(holding(&office.path("store"), "Ben Invented"), Vec::<String>::new());
    // The licence's number went with the name; sums, heads and exports stand as before.
    let csv = office.run(&["export", "--what", "applications.csv"]).ok().out;
    assert!(csv.contains("erased person ") && !csv.contains("X-1"), "{csv}");
    let after = ["trees.csv", "balance.json"].map(|name| office.run(&["export", "--what", name]).ok().out);
    assert_eq!(after, before);
    office.json(&["verify"]);
    office.at(MORNING + 9 * YEAR);
    office.json(&["client", "erase", "Invented City", "--reason", "left"]);
    assert_eq!(office.json(&["client", "list"])["clients"].as_array().unwrap().len(), 1);
    assert!(holding(&office.path("store"), "Invented City").is_empty());
}

#[test]
fn an_erased_photo_leaves_its_record_and_is_not_taken_in_again() {
    let base = TempDir::new().unwrap();
    let office = Device::new(&base, "office");
    found(&office);
    plant(&office);
    let file = office.file("p.jpg", b"\xff\xd8\xff\xe0 an invented face");
    let added = office.json(&["photo", "add", &file, "--about", "A-1"]);
    let digest = added["sha256"].as_str().unwrap().to_owned();
    let path = office.path("store/photos").join(&digest[..2]).join(&digest);
    assert!(path.is_file());
    let phone = phone(&base, &office);
    phone.refused(8, &["photo", "erase", &digest, "--reason", "a face"]);
    office.refused(5, &["photo", "erase", "0123456789ab", "--reason", "a face"]);
    let erased = office.json(&["photo", "erase", &digest, "--reason", "a face"]);
    assert_eq!(erased["sha256"], digest.as_str());
    assert!(!path.exists());
    office.refused(4, &["photo", "add", &file, "--about", "A-1"]);
    assert!(!path.exists());
    assert_eq!(office.json(&["list", "photo"])["records"][0]["body"]["sha256"], digest.as_str());
    // A phone that has the bytes loses them with the word of the office, and not before.
    let copy = phone.path("store/photos").join(&digest[..2]).join(&digest);
    std::fs::create_dir_all(copy.parent().unwrap()).unwrap();
    std::fs::copy(office.path("p.jpg"), &copy).unwrap();
    carry(&office, &phone);
    assert!(!copy.exists());
    assert_eq!(phone.json(&["erased"])["erased"][0]["sha256"], json!(digest));
}

#[test]
fn a_bundle_cannot_erase_without_the_word_of_an_office_device() {
    let base = TempDir::new().unwrap();
    let office = Device::new(&base, "office");
    found(&office);
    let phone = phone(&base, &office);
    office.json(&["person", "add", NAME, "--work", "crew-member"]);
    carry(&office, &phone);
    office.json(&["person", "erase", NAME, "--reason", "asked for"]);
    let bundle = office.path("books.bundle").display().to_string();
    office.json(&["bundle", "export", &bundle, "--with-register"]);
    let packed = std::fs::read(office.path("books.bundle")).unwrap();
    let text = String::from_utf8(zstd::decode_all(&packed[..]).unwrap()).unwrap();
    assert!(text.contains("asked for"));
    let forged = zstd::encode_all(text.replace("asked for", "none told").as_bytes(), 3).unwrap();
    std::fs::write(office.path("books.bundle"), forged).unwrap();
    phone.json(&["bundle", "import", &bundle]);
    assert!(!holding(&phone.path("store"), NAME).is_empty());
    std::fs::write(office.path("books.bundle"), packed).unwrap();
    phone.json(&["bundle", "import", &bundle]);
    assert!(holding(&phone.path("store"), NAME).is_empty());
}

#[test]
fn a_file_too_large_to_be_one_of_ours_is_refused_before_it_is_read() {
    let base = TempDir::new().unwrap();
    let office = Device::new(&base, "office");
    found(&office);
    let path = office.path("huge.bundle");
    std::fs::File::create(&path).unwrap().set_len(1 << 40).unwrap();
    let error = office.refused(6, &["bundle", "import", &path.display().to_string()]);
    assert!(error["message"].as_str().unwrap().contains("at most"), "{error}");
}
