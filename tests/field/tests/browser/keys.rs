//! Everything can be done by keyboard, as with a case that has one, or a switch.

use bolebook_field_tests::office::Office;

use crate::{fill, join, now, open, web};

#[test]
fn a_tree_is_measured_treated_and_logged_by_keyboard_alone() {
    let mut office = Office::found(None, now(), 2);
    let url = office.serve(Some(&web()));
    let browser = open(&url);
    join(&browser, &office, &url, 0);
    fill(&browser);
    let press = |act: &str| {
        browser.tab_to(&format!("[data-act^=\"{act}\"]"));
        browser.key("Enter");
        browser.ready();
    };
    let choose = |name: &str, value: &str| {
        browser.tab_to(&format!("[name={name}]"));
        // A group of choices is one stop of the tabulator; arrows go within it.
        let chosen = format!("document.querySelector('[name={name}][value={value}]').checked");
        browser.key(" ");
        for _ in 0..9 {
            if browser.run(&format!("return {chosen}"), serde_json::json!([])) == serde_json::json!(true) {
                return;
            }
            browser.key("ArrowDown");
        }
        panic!("{name} never came to {value}");
    };
    let type_in = |name: &str, text: &str| {
        browser.tab_to(&format!("[name={name}]"));
        browser.type_text(text);
    };
    press("go:find");
    type_in("text", "P-1");
    press("tree:");
    press("see:");
    type_in("canopy", "10");
    choose("bloom", "after");
    choose("food", "no");
    choose("soil", "moist");
    type_in("air", "17");
    press("seen:");
    press("read:");
    press("begin:");
    press("on:");
    press("finish:");
    press("hole:");
    choose("what", "part");
    type_in("amount", "6");
    choose("sealed", "yes");
    press("differs:");
    press("done:");
    browser.sees("Logged.");
}
