//! A new version of the app in mid-day, and a database that refuses, as on a full disk.

use std::path::{Path, PathBuf};

use bolebook_field_tests::office::Office;
use serde_json::json;

use crate::{begin, fill, find, installed, join, now, open, web};

/// The same app as another version: its pages say so.
fn next_version(folder: &Path) -> PathBuf {
    let new = folder.join("field");
    std::fs::create_dir(&new).unwrap();
    for entry in std::fs::read_dir(web()).unwrap() {
        let path = entry.unwrap().path();
        std::fs::copy(&path, new.join(path.file_name().unwrap())).unwrap();
    }
    for (name, more) in [
        ("boot.js", "\ndocument.documentElement.dataset.next = 'yes';\n"),
        ("sw.js", "\n// Another version.\n"),
    ] {
        let mut text = std::fs::read_to_string(new.join(name)).unwrap();
        text.push_str(more);
        if name == "sw.js" {
            text = text.replace("const VERSION = \"", "const VERSION = \"next-");
        }
        std::fs::write(new.join(name), text).unwrap();
        let _ = std::fs::remove_file(new.join(format!("{name}.br")));
    }
    new
}

#[test]
fn a_new_version_waits_until_the_app_is_closed_and_then_reads_the_old_records() {
    let mut office = Office::found(None, now(), 3);
    let url = office.serve(Some(&web()));
    let browser = open(&url);
    join(&browser, &office, &url, 0);
    fill(&browser);
    installed(&browser);
    find(&browser, "P-1");
    begin(&browser);
    let unsent = browser.run("return document.querySelector('.sent').innerText", json!([]));

    office.stop();
    let folder = tempfile::tempdir().unwrap();
    office.serve(Some(&next_version(folder.path())));
    browser.until(
        "the new version waits",
        "return navigator.serviceWorker.getRegistration().then((r) => r.update().then(() => r.waiting !== null))",
    );
    // In mid-tree nothing reloads and nothing changes, not even by a reload of the crew's own.
    let next = "return document.documentElement.dataset.next ?? 'no'";
    assert_eq!(browser.run(next, json!([])), json!("no"));
    browser.sees("P-1");
    browser.act("go:today");
    browser.act("go:settings");
    browser.until("the app says so", "return !document.getElementById('update').hidden");
    browser.go(&format!("{url}/field/"));
    browser.ready();
    assert_eq!(browser.run(next, json!([])), json!("no"));

    browser.go("about:blank");
    browser.until_at(
        &format!("{url}/field/"),
        "the new version is taken",
        "return document.documentElement.dataset.next === 'yes'",
    );
    browser.ready();
    assert_eq!(browser.run("return document.querySelector('.sent').innerText", json!([])), unsent);
    browser.act("go:board");
    browser.press("Take off and log");
    browser.press("full, removed, sealed");
    browser.sees("Logged.");
}

#[test]
fn a_refusal_of_the_database_is_said_and_what_was_tapped_is_logged_once_there_is_room() {
    let mut office = Office::found(None, now(), 2);
    let url = office.serve(Some(&web()));
    let browser = open(&url);
    join(&browser, &office, &url, 0);
    fill(&browser);
    find(&browser, "P-1");
    begin(&browser);
    browser.press("Take off and log");
    // Chromium headless takes a few records whatever quota it is told, so the refusal is the
    // database's own, put where a full disk's would come from.
    let refuse = "
        const add = IDBObjectStore.prototype.add;
        window.room = () => { IDBObjectStore.prototype.add = add; };
        IDBObjectStore.prototype.add = function () { throw new DOMException('The disk is full.', 'QuotaExceededError'); };";
    browser.run(refuse, json!([]));
    browser.press("full, removed, sealed");
    let text = browser.text();
    assert!(text.contains("could not store") && !text.contains("Logged."), "{text}");
    browser.run("window.room()", json!([]));
    browser.press("full, removed, sealed");
    browser.sees("Logged.");
}
