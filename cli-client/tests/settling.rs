//! A day settled from the command line: bulk rulings, questions, day sheet, seasons.

mod common;

use common::{Device, fill, found, plant};
use tempfile::TempDir;

fn worked(base: &TempDir) -> Device {
    let office = Device::new(base, "office");
    found(&office);
    plant(&office);
    fill(&office);
    office.json(&["condition", "A-1", "--canopy-loss", "20"]);
    office.json(&["treat", "A-1", "--charges", "7", "--each", "10", "--crew", "North"]);
    office
}

#[test]
fn a_day_sheet_is_provisional_until_the_day_is_signed() {
    let base = TempDir::new().unwrap();
    let office = worked(&base);
    let page = office.run(&["day-sheet", "North", "today"]).ok().out;
    assert!(page.contains("PROVISIONAL") && page.contains("A-1"), "{page}");
    let sheet = office.json(&["day-sheet", "North", "today"])["day_sheet"].clone();
    assert_eq!((&sheet["provisional"], &sheet["rows"][0]["put_in_ul"]), (&true.into(), &70_000.into()));
    office.refused(4, &["day-sheet", "North", "2026-01-01"]);
}

#[test]
fn a_question_is_open_until_it_is_answered() {
    let base = TempDir::new().unwrap();
    let office = worked(&base);
    office.json(&["ask", "Which lot was in the kit?", "--crew", "North"]);
    assert_eq!(office.json(&["questions"])["questions"].as_array().unwrap().len(), 1);
    office.json(&["answer", "L-1"]);
    assert_eq!(office.json(&["questions"])["questions"].as_array().unwrap().len(), 0);
    assert_eq!(office.json(&["questions", "--all"])["questions"][0]["answers"][0], "L-1");
}

#[test]
fn one_reason_settles_every_finding_of_a_code_on_a_day() {
    let base = TempDir::new().unwrap();
    let office = worked(&base);
    let findings = |code: &str| {
        let all = office.run(&["--json", "check"]).json()["findings"].as_array().unwrap().clone();
        all.iter().filter(|f| f["code"] == code).count()
    };
    assert_eq!(findings("day.not_closed"), 1);
    let args = ["rule-all", "accept", "--code", "day.not_closed", "--on", "today", "--reason", "rain"];
    office.json(&args);
    assert_eq!(findings("day.not_closed"), 0);
    office.refused(4, &args);
}

#[test]
fn the_seasons_show_the_canopies_and_when_an_interval_is_over() {
    let base = TempDir::new().unwrap();
    let office = worked(&base);
    office.json(&[
        "job",
        "new",
        "Ash Park 2027",
        "--season",
        "2027",
        "--from",
        "Ash Park",
        "--client",
        "Invented City",
        "--site",
        "Ash Park",
        "--zone",
        "America/Detroit",
    ]);
    let next = |args: &[&str]| office.json(&[&["--job", "Ash Park 2027"], args].concat());
    next(&["stand", "carry"]);
    assert_eq!(next(&["seasons"])["changes"][0]["not_again"], 1);
    next(&["condition", "A-1", "--canopy-loss", "5"]);
    let shown = next(&["seasons"]);
    let seasons = shown["seasons"].as_array().unwrap();
    assert_eq!(seasons.len(), 2);
    assert_eq!((&seasons[0]["season"], &seasons[0]["assessed"]), (&"2026".into(), &1.into()));
    assert_eq!(seasons[0]["classes"][1]["trees"], 1);
    assert_eq!((&seasons[1]["assessed"], &seasons[1]["classes"][0]["trees"]), (&1.into(), &1.into()));
    assert_eq!(shown["changes"][0]["treated"]["better"], 1);
    // The label's interval counts from the earlier season's book: the same day is too soon.
    fill(&office);
    next(&["diameter", "A-1", "30"]);
    next(&["treat", "A-1", "--hole=1,14,20,10", "--crew", "North"]);
    let run = office.run(&["--json", "--job", "Ash Park 2027", "check"]).json();
    let too_soon = run["findings"].as_array().unwrap().iter().find(|f| f["code"] == "dose.too_soon");
    let message = too_soon.expect("treated again on the same day")["message"].as_str().unwrap();
    assert!(message.contains("season 2026"), "{message}");
    assert_eq!((&shown["due"][0]["tag"], &shown["due"][0]["last"]), (&"A-1".into(), &"2026-09-14".into()));
}

#[test]
fn a_question_reaches_the_crews_device_and_its_answer_comes_back() {
    let base = TempDir::new().unwrap();
    let office = worked(&base);
    let file = office.path("phone.json").display().to_string();
    office.json(&["device", "invite", "North phone", "--role", "crew", "--crew", "North", "--out", &file]);
    let phone = Device::new(&base, "phone");
    phone.json(&["join", "--file", &file]);
    let me = ["use", "--person", "Ben Invented"];
    let carry = |from: &Device, to: &Device| {
        let bundle = from.path("books.bundle").display().to_string();
        from.json(&["bundle", "export", &bundle, "--with-register"]);
        to.json(&["bundle", "import", &bundle]);
    };
    office.json(&["ask", "Which lot was in the kit?", "--crew", "North"]);
    carry(&office, &phone);
    phone.json(&me);
    assert_eq!(phone.json(&["questions"])["questions"][0]["text"], "Which lot was in the kit?");
    phone.json(&["answer", "L-1"]);
    carry(&phone, &office);
    assert_eq!(office.json(&["questions", "--all"])["questions"][0]["answers"][0], "L-1");
}
