//! How long the app takes on a job of 5,000 trees with the CPU slowed four times: to open, to log a
//! hole, to plan a stem. A measurement, never a test: `cargo run -p bolebook-field-tests --bin measure`.
//! With a folder behind it, it measures the app that was built into that one before.

#![expect(clippy::print_stdout, reason = "a benchmark says what it measured")]

use std::time::{SystemTime, UNIX_EPOCH};

use bolebook_core::quantity::UtcMs;
use bolebook_field_tests::browser::Browser;
use bolebook_field_tests::office::{CREWS, LEADS, LOT, Office, REGISTRATION};
use serde_json::json;

const TREES: usize = 5_000;

#[expect(clippy::disallowed_methods, reason = "the browser's clock is the machine's, so the office's is too")]
fn now() -> UtcMs {
    let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
    UtcMs(i64::try_from(since.as_millis()).unwrap_or(0))
}

/// Milliseconds from pressing a button to the next screen, drawn.
const TAP: &str = "
    return (async (act) => {
        const button = [...document.querySelectorAll('[data-act]')].find((b) => b.dataset.act.startsWith(act));
        const begun = performance.now();
        button.click();
        await new Promise((r) => setTimeout(r));
        while (document.querySelector('.busy')) await new Promise((r) => setTimeout(r));
        await new Promise((r) => requestAnimationFrame(() => setTimeout(r)));
        return performance.now() - begun;
    })(...arguments)";

/// On each page: a note is logged in the moment in which the first screen answers taps, about the tree named
/// in the page's storage; when it is said to be logged is kept beside the app's own marks.
const FIRST_TAP: &str = "
    (() => {
        const tree = globalThis.localStorage?.getItem('measured-tree');
        if (!tree) return;
        const begun = setInterval(() => {
            if (document.documentElement.dataset.ready !== 'yes') return;
            clearInterval(begun);
            const root = document.getElementById('app');
            root.insertAdjacentHTML('beforeend', `<input name='note' value='as I came'><button data-act='note:${tree}'></button>`);
            performance.mark('measured-tap');
            root.lastElementChild.click();
            const said = setInterval(() => {
                if (!root.querySelector('.said')) return;
                clearInterval(said);
                performance.mark(root.querySelector('.said.bad') ? 'measured-refused' : 'measured-said');
            }, 1);
        }, 1);
    })();";

/// How long the ready-made view is, in bytes or characters.
const VIEW: &str = "
    return new Promise((done) => {
        indexedDB.open('bolebook').onsuccess = ({ target: { result: db } }) => {
            db.transaction(['settings']).objectStore('settings').get('ready').onsuccess = ({ target: { result } }) => {
                done(result?.length);
                db.close();
            };
        };
    })";

fn main() {
    let mut office = Office::found(None, now(), TREES);
    let built = std::env::args().nth(1).map(std::path::PathBuf::from);
    let Some(web) = built.or_else(|| xtask::web::build(None).ok()) else {
        return println!("the app could not be built");
    };
    let url = office.serve(Some(&web));
    let browser = Browser::new();
    browser.go(&format!("{url}/field/"));
    browser.ready();
    let code = office.invite(&url, "phone", CREWS[0]);
    browser.fill("code", &code);
    browser.press("Join");
    browser.press(LEADS[0]);
    browser.act("go:fill");
    browser.fill("lot", LOT);
    browser.fill("registration", REGISTRATION);
    browser.fill("amount", "800");
    browser.press("Log the fill");
    browser.act("go:find");
    browser.run(
        "localStorage.setItem('measured-tree', document.querySelector('[data-act^=\"tree:\"]').dataset.act.slice(5))",
        json!([]),
    );
    browser.act("go:today");
    browser.devtools("Page.addScriptToEvaluateOnNewDocument", json!({ "source": FIRST_TAP }));
    for slowed in [1, 4] {
        for round in 1..=3 {
            // As when the phone is put away: the ready-made view is kept.
            browser.devtools("Emulation.setCPUThrottlingRate", json!({ "rate": 1 }));
            std::thread::sleep(std::time::Duration::from_secs(6));
            browser.devtools("Emulation.setCPUThrottlingRate", json!({ "rate": slowed }));
            browser.go("about:blank");
            browser.go(&format!("{url}/field/"));
            browser.ready();
            browser.until(
                "the books are open",
                "return ['bolebook-read', 'measured-said'].every((n) => performance.getEntriesByName(n).length > 0)",
            );
            let times = browser.run(
                "const at = (name) => Math.round(performance.getEntriesByName(name)[0]?.startTime ?? -1);
                 return [at('first-contentful-paint'), at('bolebook-shown'), at('bolebook-code'), at('bolebook-open'), at('bolebook-ready'), at('bolebook-lines'), at('bolebook-books'), at('bolebook-read'), at('measured-said')]",
                json!([]),
            );
            println!(
                "slowed {slowed} ×, start {round}: first paint, screen shown, code, open, ready, lines fetched, books open, records read, a tap that writes said to be logged: {times} ms"
            );
        }
        println!("the ready-made view: {} bytes", browser.run(VIEW, json!([])));
        browser.act("go:find");
        browser.act("tree:");
        if browser.text().contains("being treated") {
            browser.act("go:board");
        } else {
            browser.press("Condition");
            for (name, value) in
                [("canopy", "10"), ("bloom", "after"), ("food", "no"), ("soil", "moist"), ("air", "17")]
            {
                browser.fill(name, value);
            }
            println!("slowed {slowed} ×, condition to plan: {} ms", browser.run(TAP, json!(["seen:"])));
            if browser.text().contains("I have read this") {
                browser.press("I have read this");
            }
            println!("slowed {slowed} ×, begin: {} ms", browser.run(TAP, json!(["begin:"])));
            println!("slowed {slowed} ×, containers on: {} ms", browser.run(TAP, json!(["on:"])));
        }
        browser.act("finish:");
        browser.act("hole:");
        browser.fill("what", "part");
        browser.fill("amount", "6");
        browser.fill("sealed", "yes");
        println!("slowed {slowed} ×, log a hole: {} ms", browser.run(TAP, json!(["differs:"])));
        println!("slowed {slowed} ×, log the stem: {} ms", browser.run(TAP, json!(["done:"])));
    }
}
