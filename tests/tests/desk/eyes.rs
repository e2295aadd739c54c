//! The desk and the portal in a real browser: nothing runs off a page's edge at three widths, with
//! scripts and without; axe-core's rules hold; and an evening's findings are settled by keyboard alone.

use std::collections::BTreeSet;

use bolebook_field_tests::browser::Browser;
use serde_json::json;

use crate::pages::busy;
use crate::portal::{days, link, sign_off};
use crate::settle::day;
use crate::site::{PASSWORD, Site};

fn loaded(browser: &Browser) {
    browser.until(
        "the page is there",
        "return document.readyState === 'complete' && !!document.querySelector('h1')",
    );
}

fn go(browser: &Browser, url: &str) {
    browser.go(url);
    loaded(browser);
}

/// Presses a key that leads to another page, and waits for it.
fn leave_by(browser: &Browser, key: &str) {
    browser.run("window.left = true", json!([]));
    browser.key(key);
    browser.until("another page", "return window.left === undefined");
    loaded(browser);
}

fn sign_in(browser: &Browser, site: &Site) {
    go(browser, &format!("{}/sign-in", site.desk));
    browser.tab_to("input[name=name]");
    browser.type_text("olive");
    browser.key("Tab");
    browser.type_text(PASSWORD);
    leave_by(browser, "Enter");
}

/// What is wider than the window, other than what scrolls in a frame of its own.
const TOO_WIDE: &str = "
    const root = document.documentElement;
    if (root.scrollWidth <= innerWidth) return [];
    return [...document.querySelectorAll('main *, header *, footer *')]
        .filter((e) => e.getBoundingClientRect().right > innerWidth + 1)
        .slice(0, 5).map((e) => `${e.tagName}.${e.className} ${Math.round(e.getBoundingClientRect().right)}`)
        .concat([`page ${root.scrollWidth} of ${innerWidth}`]);";

/// A browser that looks at pages, and what it saw wrong.
struct Eyes {
    browser: Browser,
    axe: String,
    wrong: Vec<String>,
}

impl Eyes {
    fn new() -> Self {
        Self { browser: Browser::on_a_desk(), axe: xtask::axe::script().unwrap(), wrong: vec![] }
    }

    /// Looks at a page at three widths, and holds it against axe-core's rules at two of them.
    fn look(&mut self, url: &str, name: &str, scripts: bool) {
        for (wide, high) in [(390, 844), (768, 1024), (1440, 900)] {
            let browser = &self.browser;
            browser.resize(wide, high);
            browser.devtools("Emulation.setScriptExecutionDisabled", json!({ "value": !scripts }));
            go(browser, url);
            browser.devtools("Emulation.setScriptExecutionDisabled", json!({ "value": false }));
            assert_eq!(browser.run("return innerWidth", json!([])), json!(wide));
            let over = browser.run(TOO_WIDE, json!([]));
            if over != json!([]) {
                self.wrong.push(format!("{name} at {wide}, scripts {scripts}: {over}"));
            }
            if scripts && wide != 768 {
                let broken = browser.violations(&self.axe);
                if broken != json!([]) {
                    self.wrong.push(format!("{name} at {wide}: {broken}"));
                }
                let folder = xtask::target().join("screens");
                let file = format!("desk{}-{wide}.png", name.replace('/', "-"));
                xtask::process::write(&folder.join(file), browser.picture(true)).unwrap();
            }
        }
    }
}

#[test]
fn every_page_of_a_clients_link_fits_a_phone_a_tablet_and_a_screen_in_every_language() {
    let mut world = days();
    let site = Site::new(&mut world, true);
    let mut desk = site.browser();
    let (link, over) = (link(&mut desk, &world, "30"), link(&mut desk, &world, "1"));
    let mut eyes = Eyes::new();
    eyes.look(&format!("{}{link}", site.portal), "/client/nothing-yet", true);
    sign_off(&mut desk, &world);
    for language in ["en", "fr", "es"] {
        for (below, name) in [("", "record"), ("/photos", "photos")] {
            let url = format!("{}{link}{below}?lang={language}", site.portal);
            for scripts in [true, false] {
                eyes.look(&url, &format!("/client/{name}-{language}"), scripts);
            }
        }
    }
    site.clock.fetch_add(2 * 86_400_000, std::sync::atomic::Ordering::Relaxed);
    eyes.look(&format!("{}{over}", site.portal), "/client/over", true);
    eyes.look(&format!("{}/p/{}", site.portal, "0".repeat(64)), "/client/none", true);
    assert!(eyes.wrong.is_empty(), "{}", eyes.wrong.join("\n"));
}

#[test]
fn every_page_fits_a_phone_a_tablet_and_a_screen_and_breaks_no_rule_of_access() {
    let mut world = busy();
    let site = Site::new(&mut world, true);
    let mut eyes = Eyes::new();
    eyes.look(&format!("{}/sign-in", site.desk), "/sign-in", true);
    sign_in(&eyes.browser, &site);
    let job = format!("/jobs/{}", world.job.id());
    let tree = world.look(|view, _, _| *view.trees.keys().next().unwrap());
    let sheet = format!("/days/{}/2026-06-01", world.crews[0]);
    let finding = world.look(|_, _, findings| findings.first().unwrap().id);
    let record = world
        .look(|view, _, _| view.facts.of_kind(bolebook_core::record::Kind::Application).next().unwrap().id);
    let of_job = [
        "",
        "/findings",
        "/pairs",
        "/trees",
        "/map",
        "/setup",
        "/blocks",
        "/stand",
        "/balance",
        "/rulings",
        "/charts",
        "/seasons",
        "/exports",
        "/billing",
        "/copies",
        "/links",
        &sheet,
        &format!("/findings/{finding}"),
        &format!("/trees/{tree}"),
        &format!("/records/{record}/amend"),
    ]
    .map(|below| {
        (
            format!("{job}{below}"),
            // One of a sort is a page of its own.
            match below.split('/').collect::<Vec<_>>()[..] {
                [_, sort, one, ..] if sort == "findings" && !one.is_empty() => "/job/finding".to_owned(),
                [_, sort, ..] => format!("/job/{sort}"),
                _ => "/job".to_owned(),
            },
        )
    });
    let label = format!("/labels/{}", world.label);
    let confirm = format!("{label}/confirm");
    let of_yard = [
        "/",
        "/account",
        "/balance",
        "/people",
        "/devices",
        "/labels",
        "/labels/new",
        &label,
        &confirm,
        "/kits",
        "/kits/new",
        "/lots",
        "/search?q=a",
    ]
    .map(|path| {
        let name = path.split('?').next().unwrap().replace(&world.label.to_string(), "one");
        (path.to_owned(), name)
    });
    let mut seen = BTreeSet::new();
    for (path, name) in of_job.iter().chain(&of_yard) {
        let url = format!("{}{path}", site.desk);
        eyes.look(&url, name, true);
        // Without scripts once for each kind of page, since the markup is the same.
        if seen.insert(name.clone()) {
            eyes.look(&url, name, false);
        }
    }
    assert!(eyes.wrong.is_empty(), "{}", eyes.wrong.join("\n"));
}

#[test]
fn ten_findings_are_settled_and_the_day_is_signed_off_by_keyboard_alone() {
    let (mut world, _) = day();
    for n in 0..6 {
        // Six trees treated by both crews: each a stop that can only be confirmed.
        let tree = world.tree(bolebook_tests::world::Who::Office, &format!("K-{n}"));
        world.diameter(bolebook_tests::world::Who::Crew(0), tree, 3_000);
        world.treat(0, tree, 7);
        world.treat(0, tree, 7);
    }
    let site = Site::new(&mut world, true);
    let browser = Browser::on_a_desk();
    browser.resize(1440, 900);
    sign_in(&browser, &site);
    let queue = format!("{}/jobs/{}/findings", site.desk, world.job.id());
    go(&browser, &queue);
    let open = "return document.querySelectorAll('[data-finding]').length";
    let mut settled = 0;
    while browser.run(open, json!([])) != json!(0) {
        assert!(settled < 200, "the queue does not get shorter: {}", browser.text());
        let confirm = "return !!(document.querySelector('.here') ?? document.querySelector('[data-finding]'))\
            .querySelector('form.confirm')";
        browser.key("j");
        let violation = browser.run(confirm, json!([])) == json!(true);
        browser.key("a");
        browser.until("a reason may be written", "return document.activeElement.matches('[data-reason]')");
        browser.type_text("spoke with the crew, the record is right");
        if violation {
            for words in ["the client was told", "to the lead agency, by letter"] {
                browser.key("Tab");
                browser.type_text(words);
            }
        }
        leave_by(&browser, "Enter");
        settled += 1;
    }
    assert!(settled >= 10, "{settled}");
    go(&browser, &format!("{}/jobs/{}", site.desk, world.job.id()));
    browser.tab_to(&format!("a[href$='/days/{}/2026-06-01']", world.crews[0]));
    leave_by(&browser, "Enter");
    browser.tab_to("form[action$='/sign-off'] button");
    leave_by(&browser, "Enter");
    browser.sees("signed off");
}
