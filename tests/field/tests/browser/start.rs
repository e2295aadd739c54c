//! What is tapped before the books are read: durable, whole after a killed browser, and on the screen by itself
//! once they are.

use bolebook_field_tests::browser::Browser;
use bolebook_field_tests::office::{ORIGIN, Office};
use serde_json::json;

use crate::{exchange, fill, find, join, keep, now, open, web};

/// Holds the books back, which begin to be read after the first screen was painted, until they are let go.
const HELD: &str = "
    window.held = [];
    if (localStorage.getItem('hold')) window.requestAnimationFrame = (next) => window.held.push(next);";
const LET_GO: &str = "for (const next of window.held.splice(0)) next();";

/// How many lines are stored, and of how many the ready-made view kept is: it follows its digest, the number of
/// its format and the program's version, seven bits a byte.
const LINES: &str = "
    return new Promise((done) => {
        indexedDB.open('bolebook').onsuccess = ({ target: { result: db } }) => {
            const tx = db.transaction(['lines', 'settings']);
            const count = tx.objectStore('lines').count();
            const ready = tx.objectStore('settings').get('ready');
            tx.oncomplete = () => {
                const bytes = ready.result ?? [];
                let [at, of, shift] = [34 + bytes[33], 0, 0];
                do {
                    of |= (bytes[at] & 127) << shift;
                    shift += 7;
                } while (bytes[at++] & 128);
                db.close();
                done([count.result, of]);
            };
        };
    })";

/// Puts the view of an earlier version in the place of the one kept.
const EARLIER: &str = "
    return new Promise((done) => {
        indexedDB.open('bolebook').onsuccess = ({ target: { result: db } }) => {
            const tx = db.transaction(['settings'], 'readwrite');
            tx.objectStore('settings').put('{\"format\":2}', 'ready');
            tx.oncomplete = () => { db.close(); done(true); };
        };
    })";

/// Waits until the view is of the lines, and opens the app on it, the books held back. Gives the lines.
fn on_the_view(browser: &Browser, url: &str) -> u64 {
    browser.until(
        "the view is kept",
        &format!("return (async () => {{ {LINES} }})().then(([a, b]) => a === b)"),
    );
    let lines = browser.run(LINES, json!([]))[0].as_u64().unwrap();
    browser.run("localStorage.setItem('hold', 'yes')", json!([]));
    browser.go(&format!("{url}/field/"));
    browser.ready();
    browser.run("localStorage.removeItem('hold')", json!([]));
    assert_eq!(
        browser.run("return performance.getEntriesByName('bolebook-lines').length", json!([])),
        json!(0)
    );
    lines
}

#[test]
fn a_tap_before_the_books_are_read_is_durable_and_shown_by_itself_once_they_are() {
    let mut office = Office::found(None, now(), 4);
    let url = office.serve(Some(&web()));
    let mut browser = open(&url);
    browser.devtools("Page.addScriptToEvaluateOnNewDocument", json!({ "source": HELD }));
    join(&browser, &office, &url, 0);
    fill(&browser);

    // Logged before the books are read; the screen says that it shows what was before.
    let lines = on_the_view(&browser, &url);
    find(&browser, "P-3");
    browser.press("Not treat");
    browser.fill("reason", "refused");
    browser.press("Log it");
    browser.sees("What was logged last is kept.");
    keep(&browser, "24-behind", false);
    assert_eq!(browser.run(LINES, json!([]))[0], json!(lines + 2), "a commit and its signature");
    assert_eq!(
        browser.run("return performance.getEntriesByName('bolebook-lines').length", json!([])),
        json!(0)
    );
    assert_eq!(
        browser.run("return window.durabilities.every((d) => d === 'strict')", json!([])),
        json!(true)
    );
    // The battery dies before they are; nothing is lost.
    browser.kill();
    browser.open();
    browser.devtools("Page.addScriptToEvaluateOnNewDocument", json!({ "source": HELD }));
    browser.stand_at(&url, ORIGIN.0, ORIGIN.1, 4.0);
    browser.go(&format!("{url}/field/"));
    browser.ready();
    find(&browser, "P-3");
    browser.sees("decided not to treat");

    // What is typed meanwhile stays when the screen is drawn again with what was logged.
    browser.act("go:today");
    on_the_view(&browser, &url);
    find(&browser, "P-2");
    browser.act("measure:");
    browser.fill("reading", "94");
    browser.fill("of", "girth");
    browser.press("Log it");
    browser.sees("What was logged last is kept.");
    browser.fill("canopy", "12");
    browser.fill("bloom", "after");
    browser.run(LET_GO, json!([]));
    browser.until("the screen is up to date", "return document.getElementById('behind') === null");
    let typed = "return [document.querySelector('[name=canopy]').value,
        document.querySelector('[name=bloom]:checked')?.value, document.activeElement.name]";
    assert_eq!(browser.run(typed, json!([])), json!(["12", "after", "canopy"]));

    // A plan asked for by what was logged is not there before the books are, and comes by itself.
    browser.act("go:today");
    on_the_view(&browser, &url);
    find(&browser, "P-1");
    browser.press("Condition");
    for (name, value) in
        [("canopy", "10"), ("bloom", "after"), ("food", "no"), ("soil", "moist"), ("air", "17")]
    {
        browser.fill(name, value);
    }
    browser.run("document.querySelector('[data-act^=\"seen:\"]').click()", json!([]));
    browser.until("it is logged", "return document.querySelector('.said') !== null");
    browser.sees("The plan follows in a moment");
    keep(&browser, "24-plan-behind", false);
    assert!(!browser.text().contains(" mL"), "{}", browser.text());
    browser.run(LET_GO, json!([]));
    browser.ready();
    browser.sees("I have read this");

    // A view that an earlier version kept, which was text, is no view: the books are read first.
    browser.run(EARLIER, json!([]));
    browser.go(&format!("{url}/field/"));
    browser.ready();
    assert_eq!(
        browser.run("return performance.getEntriesByName('bolebook-lines').length", json!([])),
        json!(1)
    );
    browser.act("go:unsent");
    exchange(&browser);
    office.run(&["exchange", &url]);
    for (kind, count) in [("not_treated", 1), ("condition", 1), ("diameter", 5)] {
        let there = office.run(&["list", kind]);
        assert_eq!(there["records"].as_array().unwrap().len(), count, "{there}");
    }
}
