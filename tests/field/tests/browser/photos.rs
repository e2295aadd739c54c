//! Photos through flight mode on and off in mid-photo, a page loaded again and a server that stops.

use std::path::PathBuf;

use bolebook_core::ids::Sha256Hash;
use bolebook_field_tests::browser::Browser;
use bolebook_field_tests::line::Line;
use bolebook_field_tests::office::Office;
use serde_json::json;

use super::{exchange, find, installed, join, keep, now, open, web};

/// A bitmap of noise, 1600 × 1200: as a JPEG it takes several pieces. Layout: BITMAPFILEHEADER and
/// BITMAPINFOHEADER, 24 bits a pixel, from memory; the browser reads it or the test fails.
fn noise(folder: &std::path::Path, seed: u64) -> PathBuf {
    let (width, height) = (1600_u32, 1200_u32);
    let pixels = width * height * 3;
    let mut bytes = b"BM".to_vec();
    for word in [54 + pixels, 0, 54, 40, width, height, 1 | 24 << 16, 0, pixels, 2835, 2835, 0, 0] {
        bytes.extend(word.to_le_bytes());
    }
    let mut word = seed;
    while bytes.len() < 54 + pixels as usize {
        word = word.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        bytes.extend(word.to_be_bytes());
    }
    bytes.truncate(54 + pixels as usize);
    let path = folder.join(format!("{seed}.bmp"));
    xtask::process::write(&path, bytes).unwrap();
    path
}

/// Waits until a photo is under way and some of it is at the server.
fn in_mid_photo(browser: &Browser, number: usize) {
    let script = format!(
        "const said = document.getElementById('part-photos')?.innerText.match(/Photo (\\d+) of \\d+, (\\d+) %/);
         return !!said && Number(said[1]) === {number} && Number(said[2]) >= 10;"
    );
    browser.until("a photo is under way", &script);
}

/// Bytes a second: a piece takes a second.
const SLOW: u64 = 250_000;

#[test]
fn photos_go_on_after_flight_mode_a_new_start_and_a_stopped_server_and_block_nothing() {
    let mut office = Office::found(None, now(), 2);
    let url = office.serve(Some(&web()));
    let line = Line::to(&url);
    let browser = open(&line.url);
    join(&browser, &office, &url, 0);
    installed(&browser);
    let folder = tempfile::tempdir().unwrap();
    browser.flight_mode(true);
    find(&browser, "P-1");
    for seed in [1, 2] {
        browser.choose_file("[data-photo]", &noise(folder.path(), seed));
        browser.until("the photo is kept", "return document.body.innerText.includes('Photo kept')");
        browser.ready();
        browser.act("go:today");
        find(&browser, "P-1");
    }
    let kept = "return new Promise((done) => {
        indexedDB.open('bolebook').onsuccess = ({ target: { result: db } }) => {
            db.transaction(['photos']).objectStore('photos').getAll().onsuccess = ({ target }) => {
                Promise.all(target.result.map(async (blob) => {
                    const sum = await crypto.subtle.digest('SHA-256', await blob.arrayBuffer());
                    const hex = [...new Uint8Array(sum)].map((b) => b.toString(16).padStart(2, '0')).join('');
                    return [hex, blob.size];
                })).then(done);
                db.close();
            };
        };
    })";
    let photos = browser.run(kept, json!([]));
    let photos: Vec<(Sha256Hash, u64)> = photos
        .as_array()
        .unwrap()
        .iter()
        .map(|p| (p[0].as_str().unwrap().parse().unwrap(), p[1].as_u64().unwrap()))
        .collect();
    assert_eq!(photos.len(), 2);
    assert!(photos.iter().all(|(_, bytes)| *bytes > 700_000), "several pieces each: {photos:?}");

    // The line comes, and goes in mid-photo: the exchange is over, and what is tapped is logged meanwhile.
    browser.act("go:unsent");
    browser.sees("2 photos wait.");
    line.slow(SLOW);
    browser.flight_mode(false);
    exchange(&browser);
    in_mid_photo(&browser, 1);
    keep(&browser, "23-photos", false);
    browser.flight_mode(true);
    browser.until("it is said", "return document.body.innerText.includes('The line dropped')");
    browser.sees("2 photos wait.");
    find(&browser, "P-2");
    browser.press("Not treat");
    browser.fill("reason", "refused");
    browser.press("Log it");

    // Loaded again without a line, then with one; the exchange ends, and the photo goes on.
    browser.go(&format!("{}/field/", line.url));
    browser.ready();
    browser.act("go:unsent");
    browser.sees("2 photos wait.");
    browser.flight_mode(false);
    exchange(&browser);
    in_mid_photo(&browser, 1);

    // The server stops in mid-photo; work goes on, and so do the photos when it is there again.
    office.stop();
    line.cut();
    browser.until("it is said", "return document.body.innerText.includes('The line dropped')");
    office.serve(Some(&web()));
    line.slow(20_000_000);
    exchange(&browser);
    browser.until(
        "all photos are at the server",
        "const text = document.body.innerText;
         if (text.includes('dropped')) document.querySelector('[data-act=exchange]')?.click();
         return !text.includes('photos wait') && !text.includes('photo waits') && !/Photo \\d/.test(text)",
    );
    assert_eq!(browser.run(kept, json!([])), json!([]), "none is kept that the server has");
    for (digest, bytes) in photos {
        let there = office.photo(digest).expect("the server has it");
        assert_eq!((there.len() as u64, Sha256Hash::of(&there)), (bytes, digest));
    }
}
