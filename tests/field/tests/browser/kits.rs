//! Two kits on one truck, in the browser: what is on the screens, and that they can be used.

use bolebook_field_tests::office::{CREWS, LOT, Office, REGISTRATION};

use super::{find, keep, look, now, open, web};

#[test]
fn a_crew_with_two_kits_goes_on_with_the_second_in_mid_tree() {
    let mut office = Office::found(None, now(), 2);
    office.add_kit("Kit 9", CREWS[0]);
    office.add_lot("L-2602", "Stemguard Imaginary (INVENTED)");
    let url = office.serve(Some(&web()));
    office.run(&["exchange", &url]);
    let browser = open(&url);
    let code = office.invite(&url, "phone of Alder", CREWS[0]);
    browser.fill("code", &code);
    browser.press("Join");
    for (kit, lot, amount) in [("Kit 9", "L-2602", "800"), ("Kit 1", LOT, "30")] {
        // Joined, the device asks at once who works and with what.
        if kit != "Kit 9" {
            browser.act("go:today");
            browser.act("go:who");
        }
        browser.press(kit);
        browser.press(bolebook_field_tests::office::LEADS[0]);
        browser.act("go:kit");
        browser.act("go:fill");
        for (name, value) in [("lot", lot), ("registration", REGISTRATION), ("amount", amount)] {
            browser.fill(name, value);
        }
        browser.press("Log the fill");
    }
    browser.act("go:today");
    browser.sees("Kit 1 · L-2601 · 30.0 mL · 3 charges");
    keep(&browser, "25-kits-today", false);
    find(&browser, "P-1");
    browser.press("Condition");
    look(&browser);
    browser.act("also:");
    keep(&browser, "25-kits-plan", true);
    browser.press("I have read this");
    browser.press("Begin drilling");
    browser.press("Another kit");
    browser.fill("hole", "4");
    browser.run(
        "[...document.querySelectorAll('.choice')].find((c) => c.innerText.includes('Kit 9')).querySelector('input').click()",
        serde_json::json!([]),
    );
    keep(&browser, "25-kits-change", false);
    browser.press("Charge from this kit");
    browser.sees("Holes 4, 5, 6: Kit 9");
    keep(&browser, "25-kits-board", false);
    browser.press("containers are on");
    browser.press("Take off and log");
    browser.press("full, removed, sealed");
    browser.sees("Kit 1: 30.0 mL, Kit 9: 30.0 mL.");
}
