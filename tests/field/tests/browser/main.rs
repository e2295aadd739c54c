//! The app in a real browser, phone-sized, against the real server: a day without signal, the
//! browser killed in the middle of it, two windows, and what the office then sees.

mod camera;
mod crews;
mod keys;
mod kits;
mod languages;
mod photos;
mod start;
mod updates;

use std::path::PathBuf;
use std::sync::OnceLock;
use std::time::{SystemTime, UNIX_EPOCH};

use bolebook_core::quantity::UtcMs;
use bolebook_field_tests::browser::Browser;
use bolebook_field_tests::office::{CREWS, LEADS, LOT, ORIGIN, Office, REGISTRATION};
use serde_json::{Value, json};
use xtask::wasm::Toolchain;

/// The app, built once for all tests of this process.
fn web() -> PathBuf {
    static BUILT: OnceLock<PathBuf> = OnceLock::new();
    BUILT.get_or_init(|| xtask::web::build(None).unwrap()).clone()
}

#[expect(clippy::disallowed_methods, reason = "the browser's clock is the machine's, so the office's is too")]
fn now() -> UtcMs {
    let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap();
    UtcMs(i64::try_from(since.as_millis()).unwrap())
}

/// A phone at the edge of a field loads the app on one bar of signal. With a library that comes
/// ready-made the module is larger than with one built along, which Debian's toolchain does.
#[test]
fn the_module_is_within_its_bound() {
    let most = match Toolchain::find().unwrap() {
        Toolchain::Debian { .. } => 700_000,
        Toolchain::InUse => 800_000,
    };
    let packed = std::fs::metadata(web().join("field_bg.wasm.br")).unwrap().len();
    assert!(packed <= most, "{packed} bytes packed with Brotli, {most} allowed");
}

/// What a gloved hand and a reader of large text need of every screen: nothing runs off the edge,
/// also with text twice as large, nothing to tap is under 48 pixels.
const FITS: &str = "
    const wrong = [];
    const root = document.documentElement;
    for (const size of ['', '225%']) {
        root.style.fontSize = size;
        if (root.scrollWidth > innerWidth) wrong.push(`runs off the edge at ${size || 'usual'} size: ${root.scrollWidth}`);
        for (const target of document.querySelectorAll('button, input[type=text], input[type=search], .choice, summary')) {
            const box = target.getBoundingClientRect();
            if (box.width === 0) continue;
            if (box.height < 48 || box.width < 48) wrong.push(`${target.innerText || target.name}: ${box.width} × ${box.height}`);
        }
    }
    root.style.fontSize = '';
    const unnamed = [...document.querySelectorAll('input')].filter((i) => i.labels.length === 0);
    unnamed.forEach((i) => wrong.push(`no label: ${i.name}`));
    if (document.querySelectorAll('h1').length !== 1) wrong.push('not one h1');
    return wrong;";

/// Keeps a picture for whoever wants to look at it, and looks whether the screen can be used.
fn keep(browser: &Browser, name: &str, whole: bool) {
    let wrong = browser.run(FITS, json!([]));
    assert_eq!(wrong, json!([]), "{name}");
    let violations = browser.violations(&xtask::axe::script().unwrap());
    assert_eq!(violations, json!([]), "{name}");
    let folder = xtask::target().join("screens");
    xtask::process::write(&folder.join(format!("{name}.png")), browser.picture(whole)).unwrap();
}

/// Notes with which durability every writing transaction is opened, and what fails unseen.
const WATCHED: &str = "
    window.durabilities = [];
    const open = IDBDatabase.prototype.transaction;
    IDBDatabase.prototype.transaction = function (stores, mode, options) {
        if (mode === 'readwrite') window.durabilities.push(options?.durability ?? 'default');
        return open.call(this, stores, mode, options);
    };";

fn open(url: &str) -> Browser {
    let browser = Browser::new();
    browser.devtools("Page.addScriptToEvaluateOnNewDocument", json!({ "source": WATCHED }));
    browser.stand_at(url, ORIGIN.0, ORIGIN.1, 4.0);
    browser.go(&format!("{url}/field/"));
    browser.ready();
    browser
}

fn join(browser: &Browser, office: &Office, url: &str, crew: usize) {
    let code = office.invite(url, &format!("phone of {}", CREWS[crew]), CREWS[crew]);
    browser.fill("code", &code);
    browser.press("Join");
    browser.press(LEADS[crew]);
    browser.sees("Fill the kit");
}

fn fill(browser: &Browser) {
    browser.act("go:fill");
    browser.fill("lot", LOT);
    browser.fill("registration", REGISTRATION);
    browser.fill("amount", "800");
    browser.press("Log the fill");
    browser.sees("800.0 mL of lot");
}

fn find(browser: &Browser, tag: &str) {
    browser.act("go:find");
    browser.fill("text", tag);
    let script = format!(
        "const row = [...document.querySelectorAll('.row')].find((r) => r.querySelector('strong').innerText.split(' ')[0] === '{tag}');
         row?.click(); return !!row;"
    );
    browser.until(&format!("a row for {tag}"), &script);
    browser.ready();
}

fn look(browser: &Browser) {
    for (name, value) in
        [("canopy", "10"), ("bloom", "after"), ("food", "no"), ("soil", "moist"), ("air", "17")]
    {
        browser.fill(name, value);
    }
    browser.press("Log it");
}

/// From the tree's screen to containers on.
fn begin(browser: &Browser) {
    browser.press("Condition");
    look(browser);
    browser.sees("mL");
    if browser.text().contains("I have read this") {
        browser.press("I have read this");
    }
    browser.press("Begin drilling");
    browser.press("containers are on");
}

/// Waits until the service worker holds the whole app.
fn installed(browser: &Browser) {
    browser.until(
        "the app is kept for days without signal",
        "return navigator.serviceWorker.ready.then(() => caches.keys()).then((names) => names.length === 1)",
    );
}

/// Exchanges by hand, unless one has begun by itself when the line came.
fn exchange(browser: &Browser) {
    browser.until(
        "everything is at the office",
        "document.querySelector('[data-act=exchange]')?.click();
         return document.body.innerText.includes(\"Everything is at the office's server\")",
    );
    browser.ready();
}

fn integer(value: &Value, name: &str) -> Option<i64> {
    match value {
        Value::Object(fields) => fields.iter().find_map(|(key, value)| match key == name {
            true => value.as_i64().or_else(|| value["low"].as_i64()),
            false => integer(value, name),
        }),
        Value::Array(items) => items.iter().find_map(|v| integer(v, name)),
        _ => None,
    }
}

#[test]
fn a_day_in_flight_mode_survives_a_killed_browser_and_reaches_the_office_as_tapped() {
    let mut office = Office::found(None, now(), 6);
    let url = office.serve(Some(&web()));
    let mut browser = open(&url);
    keep(&browser, "01-join", false);
    join(&browser, &office, &url, 0);
    keep(&browser, "02-today", false);
    let errors = browser.devtools("Page.getInstallabilityErrors", json!({}));
    assert_eq!(errors["installabilityErrors"], json!([]), "the phone would not install it");
    fill(&browser);
    keep(&browser, "03-kit", false);
    installed(&browser);

    office.stop();
    browser.flight_mode(true);
    browser.go(&format!("{url}/field/"));
    browser.ready();
    browser.sees("unsent");
    browser.act("go:find");
    browser.until("trees by distance", "return document.querySelector('.row .far') !== null");
    keep(&browser, "04-find", false);
    // A code on a tag, and one on a container, read off pictures by the library.
    let data = xtask::root().join("tests/field/data");
    browser.choose_file("[data-scan=text]", &data.join("qr.png"));
    browser.until("the tag was read", "return document.querySelector('[name=text]').value === 'P-3'");
    browser.act("go:map");
    browser.until("a map", "return document.querySelectorAll('.map .tree').length === 6");
    keep(&browser, "04-map", false);
    browser.run(
        "document.querySelector('.map .tree .hit').dispatchEvent(new MouseEvent('click', { bubbles: true }))",
        json!([]),
    );
    browser.ready();
    browser.sees("Measure again");
    browser.act("go:kit");
    browser.act("go:fill");
    browser.choose_file("[data-scan=lot]", &data.join("code128.png"));
    browser
        .until("the lot was read", &format!("return document.querySelector('[name=lot]').value === '{LOT}'"));
    keep(&browser, "22-fill", false);
    for (from, act, name) in [
        ("go:kit", "go:move", "22-move"),
        ("go:kit", "calibrate", "22-calibrate"),
        ("go:today", "go:incident", "22-incident"),
        ("go:today", "go:settings", "22-settings"),
        ("go:today", "go:who", "22-who"),
    ] {
        browser.act(from);
        browser.act(act);
        keep(&browser, name, false);
    }

    // One tree treated as planned.
    find(&browser, "P-1");
    browser.press("Condition");
    keep(&browser, "05-condition", false);
    look(&browser);
    keep(&browser, "06-label", false);
    browser.press("I have read this");
    keep(&browser, "07-plan", true);
    browser.press("Begin drilling");
    keep(&browser, "08-begun", false);
    browser.press("containers are on");
    keep(&browser, "09-board", false);
    browser.press("Take off and log");
    keep(&browser, "10-finish", false);
    browser.press("full, removed, sealed");
    browser.sees("Logged.");
    keep(&browser, "11-logged", false);

    // The volume of a hole was read wrongly: amended, with the reason, the same day.
    find(&browser, "P-1");
    browser.act("amend:");
    keep(&browser, "11-amend", true);
    for (name, value) in
        [("hole", "2"), ("took", "9.5"), ("leaked", "0.5"), ("reason", "read again on the scale")]
    {
        browser.fill(name, value);
    }
    browser.press("Log the amendment");
    browser.sees("Amended");

    // A new tree, measured; a second one open at the same time.
    browser.act("go:find");
    browser.press("New tree");
    browser.fill("species", "FRXAM");
    browser.fill("tag", "N-1");
    browser.press("List it");
    browser.sees("This may be P-1");
    browser.fill("another", "yes");
    keep(&browser, "12-new", false);
    browser.press("List it");
    browser.fill("reading", "94");
    browser.fill("of", "girth");
    keep(&browser, "13-measure", false);
    browser.press("Log it");
    look(&browser);
    browser.press("Begin drilling");
    browser.press("containers are on");
    find(&browser, "P-2");
    begin(&browser);
    keep(&browser, "14-two-open", false);
    let unsent = browser.run("return document.querySelector('.sent').innerText", json!([]));

    // The battery dies. Everything is there again: both trees, their timers, what is unsent.
    let durabilities = browser.run("return window.durabilities", json!([]));
    let writes = durabilities.as_array().unwrap();
    assert!(writes.len() > 10 && writes.iter().all(|d| d == "strict"), "{durabilities}");
    browser.kill();
    browser.open();
    browser.stand_at(&url, ORIGIN.0, ORIGIN.1, 4.0);
    browser.flight_mode(true);
    browser.go(&format!("{url}/field/"));
    browser.ready();
    assert_eq!(browser.run("return document.querySelector('.sent').innerText", json!([])), unsent);
    browser.act("go:board");
    browser.until("both timers run", "return document.querySelectorAll('.timer').length === 2");

    // P-2: one hole took 6 mL only, one leaked 2.5 mL.
    let script =
        "const card = [...document.querySelectorAll('.card')].find((c) => c.innerText.startsWith('P-2'));
        [...card.querySelectorAll('button')].find((b) => b.innerText.includes('Take off')).click();";
    browser.run(script, json!([]));
    browser.ready();
    browser.sees("Finish P-2");
    browser.act("hole:");
    browser.fill("what", "part");
    browser.fill("amount", "6");
    browser.fill("sealed", "yes");
    keep(&browser, "15-hole", false);
    browser.press("Mark it");
    browser.press("Hole 2:");
    browser.fill("what", "leaked");
    browser.fill("amount", "2.5");
    browser.fill("sealed", "yes");
    browser.fill("reseated", "yes");
    browser.press("Mark it");
    keep(&browser, "16-differs", false);
    browser.press("as marked");
    browser.sees("Logged.");
    browser.act("go:board");
    browser.press("Take off and log");
    browser.press("full, removed, sealed");

    find(&browser, "P-3");
    browser.press("Not treat");
    keep(&browser, "22-not-treated", false);
    browser.fill("reason", "refused");
    browser.press("Log it");

    browser.act("go:close");
    keep(&browser, "17-close", true);
    let kit = browser.run("return document.querySelector('[name^=kit-]').name", json!([]));
    browser.fill(kit.as_str().unwrap(), "540");
    browser.fill("none-out", "yes");
    browser.press("Close the day");
    browser.press("Exchange now");
    browser.sees("Nothing is lost");
    keep(&browser, "18-unsent", false);

    browser.flight_mode(false);
    office.serve(Some(&web()));
    exchange(&browser);
    keep(&browser, "19-exchanged", false);
    browser.act("back");
    for look in ["night", "sun"] {
        browser.act("go:settings");
        browser.act(&format!("look:{look}"));
        browser.act("back");
        keep(&browser, &format!("20-today-{look}"), false);
    }

    office.run(&["exchange", &url]);
    let shown = office.run(&["job", "show"]);
    assert_eq!(shown["trees"]["treated"], 3, "{shown}");
    assert_eq!(shown["trees"]["not_treated"], 1, "{shown}");
    assert_eq!(shown["trees"]["listed"], 7, "{shown}");
    // P-1 of 25 cm takes six charges, N-1 of 29.9 cm seven, P-2 of 26 cm six: 190 mL, less 4, 2.5 and the 0.5 amended.
    let balance = office.run(&["balance"]);
    assert_eq!(integer(&balance, "into_trees_ul"), Some(183_000), "{balance}");
    assert_eq!(integer(&balance, "leaked_ul"), Some(3_000), "{balance}");
}

#[test]
fn of_two_windows_one_writes_and_the_other_can_take_over() {
    let mut office = Office::found(None, now(), 2);
    let url = office.serve(Some(&web()));
    let browser = open(&url);
    join(&browser, &office, &url, 0);
    let first = browser.window();
    let second = browser.new_window();
    browser.go(&format!("{url}/field/"));
    browser.until("the second window waits", "return document.body.innerText.includes('another window')");
    keep(&browser, "21-second-window", false);
    browser.run("document.querySelector('button').click()", json!([]));
    browser.ready();
    fill(&browser);
    browser.switch_to(&first);
    browser.until("the first window knows", "return document.body.innerText.includes('taken over')");
    browser.switch_to(&second);
    browser.sees("Kit 1");
}

#[test]
fn the_app_is_served_under_a_policy_that_lets_nothing_in_from_elsewhere() {
    let mut office = Office::found(None, now(), 0);
    let empty = tempfile::tempdir().unwrap();
    std::fs::write(empty.path().join("index.html"), "<!doctype html>").unwrap();
    let url = office.serve(Some(empty.path()));
    let answer = ureq::get(format!("{url}/field/")).call().unwrap();
    let policy = answer.headers()["content-security-policy"].to_str().unwrap().to_owned();
    assert!(policy.contains("default-src 'none'") && !policy.contains("unsafe-inline"), "{policy}");
    assert!(!policy.contains("http") && policy.matches("unsafe").count() == 1, "{policy}");
    assert_eq!(answer.headers()["x-content-type-options"], "nosniff");
    for outside in ["..%2fserver.json", "%2e%2e", "../log.db", "nothing.js"] {
        let asked = ureq::get(format!("{url}/field/{outside}")).call();
        assert!(asked.is_err(), "{outside}");
    }
}
