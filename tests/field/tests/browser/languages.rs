//! A plan in French and in Spanish, without signal: nothing of it is in English, and it fits.

use bolebook_field_tests::office::Office;
use serde_json::json;

use crate::{fill, find, installed, join, keep, look, now, open, web};

/// What is marked as English on a screen of another language.
const ENGLISH: &str = "return [...document.querySelectorAll('#app [lang=en]')].map((e) => e.textContent)";

#[test]
fn a_plan_is_in_the_crews_language_whole_without_signal() {
    let mut office = Office::found(None, now(), 2);
    let url = office.serve(Some(&web()));
    let browser = open(&url);
    join(&browser, &office, &url, 0);
    fill(&browser);
    find(&browser, "P-1");
    browser.press("Condition");
    look(&browser);
    installed(&browser);
    browser.flight_mode(true);
    browser.go(&format!("{url}/field/"));
    browser.ready();
    for (language, next) in [("fr", "Commencer à percer"), ("es", "Empezar a perforar")] {
        browser.act("go:today");
        browser.act("go:settings");
        browser.act(&format!("language:{language}"));
        for act in ["go:kit", "go:fill", "go:label"] {
            browser.act("go:kit");
            browser.act(act);
            assert_eq!(browser.run(ENGLISH, json!([])), json!([]), "{act}");
        }
        find(&browser, "P-1");
        browser.act("plan:");
        assert_eq!(browser.run(ENGLISH, json!([])), json!([]), "{}", browser.text());
        assert_eq!(browser.run("return document.documentElement.lang", json!([])), json!(language));
        if browser.run("return !!document.querySelector('[data-act^=\"read:\"]')", json!([])) == json!(true) {
            browser.act("read:");
        }
        browser.sees(next);
        keep(&browser, &format!("plan-{language}"), true);
    }
}
