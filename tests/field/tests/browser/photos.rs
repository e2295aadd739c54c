//! A photo goes to the server in parts: a line that drops in the middle costs one part.

use bolebook_field_tests::office::Office;
use serde_json::json;

use crate::{exchange, find, join, now, open, web};

/// A picture that packs badly (BMP, 24 bits a pixel), so that it goes in several parts.
fn noise(width: u32, height: u32) -> Vec<u8> {
    let bytes = width * height * 3;
    let mut picture = b"BM".to_vec();
    for number in [54 + bytes, 0, 54, 40, width, height, 1 | 24 << 16, 0, bytes, 2_835, 2_835, 0, 0] {
        picture.extend(number.to_le_bytes());
    }
    let mut state = 7u64;
    picture.extend((0..bytes).map(|_| {
        // Knuth's MMIX generator.
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 56) as u8
    }));
    picture
}

/// Notes at which byte each part began, and lets the line drop once, in the middle of the second part.
const DROPS_ONCE: &str = "
    window.parts = [];
    const plain = window.fetch;
    let drop = true;
    window.fetch = (to, options) => {
        if (options?.method === 'PATCH') {
            const offset = Number(options.headers['upload-offset']);
            window.parts.push(offset);
            if (offset > 0 && drop) {
                drop = false;
                return Promise.reject(new TypeError('Failed to fetch'));
            }
        }
        return plain(to, options);
    };";

#[test]
fn a_photo_whose_line_drops_goes_on_from_the_part_that_came_and_is_kept_until_it_is_whole() {
    let mut office = Office::found(None, now(), 2);
    let url = office.serve(Some(&web()));
    let browser = open(&url);
    join(&browser, &office, &url, 0);
    let folder = tempfile::tempdir().unwrap();
    let picture = folder.path().join("noise.bmp");
    std::fs::write(&picture, noise(1_000, 800)).unwrap();
    browser.run(DROPS_ONCE, json!([]));
    browser.flight_mode(true);
    find(&browser, "P-1");
    browser.choose_file("[data-photo]", &picture);
    browser.sees("Logged");
    browser.flight_mode(false);
    exchange(&browser);
    browser.until(
        "the photo is at the server",
        "document.querySelector('[data-act=exchange]')?.click(); return window.parts.length > 2 && document.body.innerText.includes(\"Everything is at the office's server\")",
    );
    let parts = browser.run("return window.parts", json!([]));
    let parts: Vec<u64> = serde_json::from_value(parts).unwrap();
    // From the start, dropped in the second part, and gone on from there.
    assert!(parts.len() >= 3 && parts[0] == 0, "{parts:?}");
    assert_eq!(parts[1], parts[2], "{parts:?}");
    assert!(parts[1] > 0 && parts.windows(2).skip(2).all(|w| w[0] < w[1]), "{parts:?}");
    office.run(&["exchange", &url]);
    let photos = office.run(&["list", "photo"]);
    let digest = photos["records"][0]["body"]["sha256"].as_str().unwrap().to_owned();
    let received = office.run(&["list", "photo-received"]).to_string();
    assert!(received.contains(&digest), "{received}");
}
